"""How fast leak noise runs along a pipe: sound in water, and the pipe's wall around it."""

from __future__ import annotations

import math
from typing import Literal

from numpy.polynomial import polynomial

from geoleak import tables
from geoleak.errors import AcousticsError
from geoleak.record import Record
from geoleak.tables import Material

# Bilaniuk & Wong 1993 (J. Acoust. Soc. Am. 93:1609, corrected 1996), ITS-90, 0-100 C, at
# 101.325 kPa; agrees with IAPWS-95 within 0.05 m/s from 0 to 40 C.
BILANIUK_WONG = (
    1.40238744e3, 5.03836171, -5.81172916e-2, 3.34638117e-4, -1.48259672e-6, 3.16585020e-9,
)  # fmt: skip
# Growth of the speed with pressure, m/s per MPa between 0 and 1 MPa gauge: cubic through IAPWS-95
# at 0 to 60 C, off by less than 0.002.
PRESSURE_SLOPE = (1.59774676, 1.82234791e-3, 5.86992561e-5, -2.99434214e-7)
# Kell 1975 (J. Chem. Eng. Data 20:97), from memory; agrees with IAPWS-95 within 0.01 kg/m3.
KELL_TOP = (999.83952, 16.945176, -7.9870401e-3, -46.170461e-6, 105.56302e-9, -280.54253e-12)
KELL_BOTTOM = (1.0, 16.879850e-3)
DENSITY_PER_KPA = 4.8e-4
COLDEST_C, WARMEST_C = 0.0, 60.0
HIGHEST_KPA = 4000.0


def sound_speed(temperature_c: float, *, pressure_kpa: float = 0.0) -> float:
    """Return the speed of sound in pure water, m/s.

    Parameters
    ----------
    temperature_c : float
        0 to 60 degrees C.
    pressure_kpa : float
        Gauge pressure, 0 to 4000 kPa.

    Raises
    ------
    AcousticsError
        Outside these ranges.

    Notes
    -----
    Bilaniuk & Wong 1993 at atmospheric pressure plus a pressure term fitted to IAPWS-95.
    """
    _check(temperature_c, pressure_kpa)
    slope = float(polynomial.polyval(temperature_c, PRESSURE_SLOPE))
    return float(polynomial.polyval(temperature_c, BILANIUK_WONG)) + slope * pressure_kpa / 1000


def density(temperature_c: float, *, pressure_kpa: float = 0.0) -> float:
    """Return the density of water in kg/m3 (Kell 1975); ranges and errors as `sound_speed`."""
    _check(temperature_c, pressure_kpa)
    top = polynomial.polyval(temperature_c, KELL_TOP)
    bottom = polynomial.polyval(temperature_c, KELL_BOTTOM)
    return float(top / bottom) + DENSITY_PER_KPA * pressure_kpa


def bulk_modulus_gpa(temperature_c: float, *, pressure_kpa: float = 0.0) -> float:
    """Return the isentropic bulk modulus of water in GPa: density times speed squared."""
    speed = sound_speed(temperature_c, pressure_kpa=pressure_kpa)
    return density(temperature_c, pressure_kpa=pressure_kpa) * speed**2 / 1e9


def _check(temperature_c: float, pressure_kpa: float) -> None:
    if not COLDEST_C <= temperature_c <= WARMEST_C:
        raise AcousticsError(
            f"water at {temperature_c:g} degrees C; the tables hold for 0 to 60 degrees C"
        )
    if not 0 <= pressure_kpa <= HIGHEST_KPA:
        raise AcousticsError(
            f"a water pressure of {pressure_kpa:g} kPa; it must lie within 0 and 4000 kPa (gauge)"
        )


TEMPERATURE_SIGMA_C = 3.0
Support = Literal["joints", "anchored", "upstream"]


class WaveSpeed(Record):
    """A wave speed in m/s: ``value`` with its standard deviation ``sigma``."""

    value: float
    sigma: float
    how: Literal["computed", "measured"]
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
    material: str | Material,
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
    material : str or Material
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
    pipe = tables.material(material) if isinstance(material, str) else material
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
    return WaveSpeed(value, math.hypot(*parts), "computed")


def _check_pipe(outside_diameter_m: float, wall_m: float) -> None:
    if not (math.isfinite(outside_diameter_m) and outside_diameter_m > 0):
        raise AcousticsError(f"an outside diameter of {outside_diameter_m:g} m; it must be over 0")
    if not 0 < wall_m < outside_diameter_m / 2:
        raise AcousticsError(
            f"a wall of {wall_m:g} m in a pipe of {outside_diameter_m:g} m outside diameter; the "
            "wall must be over 0 and under half the diameter"
        )
