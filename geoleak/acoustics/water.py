"""Sound in water: speed, density and stiffness by temperature and pressure."""

from __future__ import annotations

from numpy.polynomial import polynomial

from geoleak.errors import AcousticsError

# Bilaniuk & Wong 1993 (J. Acoust. Soc. Am. 93:1609, corrected 1996), ITS-90, 0-100 C, at
# 101.325 kPa; agrees with IAPWS-95 within 0.05 m/s from 0 to 40 C.
BILANIUK_WONG = (
    1.40238744e3, 5.03836171, -5.81172916e-2, 3.34638117e-4, -1.48259672e-6, 3.16585020e-9,
)  # fmt: skip
# Marczak 1997 (J. Acoust. Soc. Am. 102:2776), 0-95 C: an independent fit, for checking.
MARCZAK = (
    1.402385e3, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9,
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
