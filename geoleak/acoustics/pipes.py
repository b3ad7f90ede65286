"""How fast leak noise runs along a pipe: computed from the pipe, or measured on the spot."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Literal

from geoleak.acoustics.water import bulk_modulus_gpa, sound_speed
from geoleak.errors import AcousticsError
from geoleak.tables import Material, material

TEMPERATURE_SIGMA_C = 3.0
Support = Literal["joints", "anchored", "upstream"]


@dataclass(frozen=True, slots=True)
class WaveSpeed:
    """A wave speed in m/s: ``value`` with its standard deviation ``sigma``.

    ``water_m_per_s`` is the speed in open water it was computed from; None for a
    measured speed.
    """

    value: float
    sigma: float
    how: Literal["computed", "measured"]
    water_m_per_s: float | None = None
    warnings: tuple[str, ...] = ()


def korteweg(
    sound_speed_m_per_s: float,
    bulk_modulus_gpa: float,
    youngs_modulus_gpa: float,
    inside_diameter_m: float,
    wall_m: float,
    *,
    support_factor: float = 1.0,
) -> float:
    """Return a0 / sqrt(1 + c1 K D / (E e)), m/s.

    Korteweg 1878, Joukowsky 1898; as in Wylie & Streeter, Fluid Transients. D is the inside
    diameter, e the wall; c1 the support factor (1, 1 - nu^2 or 1 - nu/2).
    """
    ratio = bulk_modulus_gpa * inside_diameter_m / (youngs_modulus_gpa * wall_m)
    return sound_speed_m_per_s / math.sqrt(1 + support_factor * ratio)


def wave_speed(
    material_name: str | Material,
    outside_diameter_m: float,
    wall_m: float,
    temperature_c: float = 10.0,
    *,
    pressure_kpa: float = 0.0,
    support: Support = "joints",
) -> WaveSpeed:
    """Return the speed of leak noise in a water-filled pipe, with an honest spread.

    Parameters
    ----------
    material_name : str or Material
        A row of the table of materials.
    outside_diameter_m, wall_m : float
        Metres.
    temperature_c : float
        Of the water, 0 to 60.
    pressure_kpa : float
        Gauge pressure of the water.
    support : {"joints", "anchored", "upstream"}
        Support factor c1 = 1 (joints throughout, and what the thin-wall wave of leak noise obeys),
        1 - nu^2 (held along its length) or 1 - nu/2 (held upstream only).

    Returns
    -------
    WaveSpeed
        ``sigma`` joins the spread of the wall's modulus, of measured against computed speeds
        for this material, and 3 degrees C of water temperature. It is wide for plastic, where
        modulus, temperature and ground all act.

    Raises
    ------
    AcousticsError
        For a pipe that cannot be (a wall over half the diameter).
    geoleak.tables.UnknownNameError
        For an unknown material.
    """
    pipe = material(material_name) if isinstance(material_name, str) else material_name
    _check_pipe(outside_diameter_m, wall_m)
    factors = {"joints": 1.0, "anchored": 1 - pipe.poisson**2, "upstream": 1 - pipe.poisson / 2}
    if support not in factors:
        raise AcousticsError(f'support "{support}"; say "joints", "anchored" or "upstream"')

    def speed(temperature: float, modulus_gpa: float) -> float:
        return korteweg(
            sound_speed(temperature, pressure_kpa=pressure_kpa),
            bulk_modulus_gpa(temperature, pressure_kpa=pressure_kpa),
            modulus_gpa,
            outside_diameter_m - 2 * wall_m,
            wall_m,
            support_factor=factors[support],
        )

    value = speed(temperature_c, pipe.youngs_modulus_gpa)
    low, high = (
        speed(temperature_c, pipe.youngs_modulus_gpa + sign * pipe.modulus_sigma_gpa)
        for sign in (-1, 1)
    )
    colder, warmer = max(temperature_c - 1, 0.0), min(temperature_c + 1, 60.0)
    per_degree = (
        speed(warmer, pipe.youngs_modulus_gpa) - speed(colder, pipe.youngs_modulus_gpa)
    ) / (warmer - colder)
    parts = ((high - low) / 2, pipe.wave_speed_spread * value, per_degree * TEMPERATURE_SIGMA_C)
    water = sound_speed(temperature_c, pressure_kpa=pressure_kpa)
    return WaveSpeed(value, math.hypot(*parts), "computed", water)


def measured_speed(
    path_difference_m: float,
    delay_s: float,
    *,
    path_sigma_m: float,
    delay_sigma_s: float,
    expected: WaveSpeed | None = None,
) -> WaveSpeed:
    """Return the wave speed from a known noise: path difference over delay.

    Parameters
    ----------
    path_difference_m : float
        Pipe length from the noise to the first sensor minus that to the second, metres. For a
        noise outside the two sensors this is plus or minus the pipe between them.
    delay_s : float
        Arrival at the first minus arrival at the second, seconds.
    path_sigma_m, delay_sigma_s : float
        Their standard deviations.
    expected : WaveSpeed, optional
        What the pipe's material leads one to expect; a measured speed over three sigma away gets a
        warning.

    Raises
    ------
    AcousticsError
        If the two have different signs, or the delay is no farther from zero than three sigma.
    """
    if not all(map(math.isfinite, (path_difference_m, delay_s, path_sigma_m, delay_sigma_s))):
        raise AcousticsError("a wave speed needs a finite path, delay and their sigmas")
    if path_sigma_m < 0 or delay_sigma_s < 0:
        raise AcousticsError("a sigma below zero; a standard deviation is zero or more")
    if abs(delay_s) <= 3 * delay_sigma_s or abs(path_difference_m) <= 3 * path_sigma_m:
        raise AcousticsError(
            f"{path_difference_m:.2f} m in {delay_s * 1000:.3f} ms: too close to zero to give a "
            "speed; make the noise outside the two sensors, farther along the pipe"
        )
    value = path_difference_m / delay_s
    if value < 0:
        raise AcousticsError(
            f"{path_difference_m:.2f} m in {delay_s * 1000:.3f} ms: the nearer sensor heard it "
            "later; first and second are swapped, or the noise came from elsewhere"
        )
    relative = math.hypot(path_sigma_m / path_difference_m, delay_sigma_s / delay_s)
    warnings: tuple[str, ...] = ()
    if expected is not None:
        apart = abs(value - expected.value) / math.hypot(expected.sigma, relative * value)
        if apart > 3:
            warnings = (
                f"the measured {value:.0f} m/s is far from the {expected.value:.0f} "
                f"(give or take {expected.sigma:.0f}) this pipe should have; check material, "
                "distance and which noise was timed",
            )
    return WaveSpeed(value, relative * value, "measured", None, warnings)


def _check_pipe(outside_diameter_m: float, wall_m: float) -> None:
    if not (math.isfinite(outside_diameter_m) and outside_diameter_m > 0):
        raise AcousticsError(f"an outside diameter of {outside_diameter_m:g} m; it must be over 0")
    if not 0 < wall_m < outside_diameter_m / 2:
        raise AcousticsError(
            f"a wall of {wall_m:g} m in a pipe of {outside_diameter_m:g} m outside diameter; the "
            "wall must be over 0 and under half the diameter"
        )


def thin_wall(
    sound_speed_m_per_s: float,
    bulk_modulus_gpa: float,
    youngs_modulus_gpa: float,
    loss_factor: float,
    *,
    radius_m: float,
    wall_m: float,
    frequency_hz: float,
) -> tuple[float, float]:
    """Return speed (m/s) and loss (dB/m) of leak noise in a pipe in vacuo that damps.

    The fluid-dominated wave of Gao et al. 2004 (J. Sound Vib. 277:133): with r = 2 B a / (E h),
    c = cf / sqrt(1 + r) and loss = 8.686 omega (loss factor) (r / 2) / (cf sqrt(1 + r)). Ground
    around the pipe adds to the loss; this is its floor, and what the losses of plastic in the
    table of materials stand on.
    """
    ratio = 2 * bulk_modulus_gpa * radius_m / (youngs_modulus_gpa * wall_m)
    stretched = math.sqrt(1 + ratio)
    nepers = 2 * math.pi * frequency_hz * loss_factor * ratio / 2
    nepers /= sound_speed_m_per_s * stretched
    return sound_speed_m_per_s / stretched, 20 / math.log(10) * nepers
