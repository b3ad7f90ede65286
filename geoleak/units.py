"""Lengths with units, and station text.

Everything inside geoleak is in metres; this module is the gate. The international foot and the
US survey foot are two units and are never guessed from one another.
"""

from __future__ import annotations

import math
import re

from geoleak.errors import Refused

INTERNATIONAL_FOOT_M = 0.3048
US_SURVEY_FOOT_M = 1200 / 3937
INCH_M = INTERNATIONAL_FOOT_M / 12
KPA_PER_PSI = 6.894757293168361
US_GALLON_L = 3.785411784  # 231 cubic inches, exactly
IMPERIAL_GALLON_L = 4.54609
CUBIC_FOOT_L = INTERNATIONAL_FOOT_M**3 * 1000

# What a customer's register counts in. A bare gallon is two units and is asked about.
VOLUME_UNITS_L = {
    "gal_us": US_GALLON_L,
    "gal_imp": IMPERIAL_GALLON_L,
    "ft3": CUBIC_FOOT_L,
    "CCF": 100 * CUBIC_FOOT_L,
    "L": 1.0,
    "m3": 1000.0,
}
# Keys are casefolded, with a plain 3 for a raised one.
PRESSURE_UNITS_KPA = {
    "psi": KPA_PER_PSI,
    "kpa": 1.0,
    "bar": 100.0,
    "mpa": 1000.0,
    "pa": 0.001,
    "mh2o": 9.80665,  # conventional metre of water, 1000 kg/m3 times standard gravity
}
FLOW_UNITS_L_PER_S = {
    "l/s": 1.0,
    "l/min": 1 / 60,
    "lpm": 1 / 60,
    "l/h": 1 / 3600,
    "m3/h": 1000 / 3600,
    "gpm": US_GALLON_L / 60,
    "gal/min": US_GALLON_L / 60,
    "gph": US_GALLON_L / 3600,
    "gal/h": US_GALLON_L / 3600,
    "gpd": US_GALLON_L / 86400,
    "igpm": IMPERIAL_GALLON_L / 60,
    "cfm": CUBIC_FOOT_L / 60,
    "ft3/min": CUBIC_FOOT_L / 60,
}

# `length_unit` of a site: name -> metres. tests/test_units.py checks these against PROJ's table.
LENGTH_UNITS: dict[str, float] = {
    "m": 1.0,
    "ft": INTERNATIONAL_FOOT_M,
    "ftUS": US_SURVEY_FOOT_M,
}

SMALL_UNITS: dict[str, float] = {"mm": 0.001, "cm": 0.01, "in": 0.0254}
"""Units that a column of a point file may be in beside those of a site: name -> metres."""

_FACTORS_M = {
    **dict.fromkeys(("m", "metre", "metres", "meter", "meters"), 1.0),
    **dict.fromkeys(("ftus", "usft"), US_SURVEY_FOOT_M),
    **{"cm": 0.01, "mm": 0.001, "km": 1000.0},
}
_FEET = ("ft", "foot", "feet", "'")
_INCHES = ("in", "inch", "inches", '"')
_UNSIGNED = r"(?:\d+(?:[.,]\d*)?|[.,]\d+)(?:[eE][-+]?\d+)?"
_NUMBER = rf"[-+]?{_UNSIGNED}"
_ONE = re.compile(rf"\s*({_NUMBER})\s*([A-Za-z'\"]*)\s*$")
# Trade sizes: 3/4 in, 1 1/4", 1-1/4 in.
_FRACTION = re.compile(r"\s*(?:(\d+)[\s-]+)?(\d+)/(\d+)\s*(?:\"|in|inch|inches)\s*$", re.IGNORECASE)
# "1,234 ft" means two things in two countries; a leading 0 ("0,133 in") means one.
_THOUSANDS = re.compile(r"\s*[-+]?[1-9]\d{0,2},\d{3}(?!\d)")
_FEET_INCHES = re.compile(
    rf"\s*([-+]?\d+)\s*(?:'|ft|feet)\s*-?\s*({_UNSIGNED}|\d+\s+\d+/\d+|\d+/\d+)\s*(?:\"|in|inches)?\s*$",
    re.IGNORECASE,
)


def unit_m(name: str) -> float:
    """Return the length in metres of one ``m``, ``ft`` or ``ftUS``.

    Raises
    ------
    Refused
        For any other name.
    """
    if name not in LENGTH_UNITS:
        remedy = 'say "m", "ft" (0.3048 m) or "ftUS" (1200/3937 m)'
        raise Refused(f'unknown length unit "{name}"', remedy)
    return LENGTH_UNITS[name]


def parse_number(text: str) -> float:
    """Return a finite number from text with a decimal point or a decimal comma.

    Raises
    ------
    Refused
        If the text is not one finite number.
    """
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        raise Refused(f'"{text}" is not a number') from None
    if not math.isfinite(value):
        raise Refused(f'"{text}" is not a finite number')
    return value


def parse_length(value: str | float | int, *, unit: str) -> float:
    r"""Return a length in metres.

    Parameters
    ----------
    value : str, float or int
        ``3.5``, ``"3.5 ft"``, ``"3'6\""``, ``"1.1 m"``, ``"25 mm"``, ``"1 1/4 in"``. A bare number
        is in `unit`.
        Units may be capitals.
        Feet and inches written out are the foot of `unit` (international where `unit` is metres);
        ``ftUS`` and ``ft`` may be stated.
    unit : {"m", "ft", "ftUS"}
        The unit of bare numbers.

    Returns
    -------
    float
        Metres.

    Raises
    ------
    Refused
        If the text is no length, may hold a thousands separator, or the number is not finite.
    """
    factor = unit_m(unit)
    foot = factor if unit != "m" else INTERNATIONAL_FOOT_M
    if isinstance(value, bool):
        raise Refused(f'"{value}" is not a length')
    if isinstance(value, (int, float)):
        if not math.isfinite(value):
            raise Refused(f'"{value}" is not a finite number')
        return float(value) * factor
    text = value.strip().replace("\u2032", "'").replace("\u2033", '"').replace("\u2019", "'")
    if _THOUSANDS.match(text):
        raise Refused(
            f'"{value}" may hold a thousands separator',
            "write it without one, with a decimal point",
        )
    both = _FEET_INCHES.match(text)
    if both:
        size = abs(float(both.group(1))) + _inches(both.group(2)) / 12
        return math.copysign(size, -1.0 if text.startswith("-") else 1.0) * foot
    fraction = _FRACTION.match(text)
    if fraction:
        whole, top, bottom = fraction.groups()
        return _inches(f"{whole or 0} {top}/{bottom}") * foot / 12
    one = _ONE.match(text)
    if not one:
        raise Refused(f'"{value}" is not a length')
    number, stated = parse_number(one.group(1)), one.group(2)
    inches = dict.fromkeys(_INCHES, foot / 12)
    known = {"": factor, **dict.fromkeys(_FEET, foot), **inches, **_FACTORS_M}
    if stated.casefold() not in known:
        raise Refused(f'"{value}": unknown unit "{stated}"', "say m, cm, mm, ft, ftUS or in")
    return number * known[stated.casefold()]


def _inches(text: str) -> float:
    whole, _, fraction = text.rpartition(" ")
    if "/" in fraction:
        top, _, bottom = fraction.partition("/")
        if float(bottom) == 0:
            raise Refused(f'"{text}" is not a number of inches')
        return (float(whole) if whole else 0.0) + float(top) / float(bottom)
    return parse_number(text)


def format_station(chainage_m: float, *, unit: str) -> str:
    """Return a station: ``1+23.45`` in feet (of 100 ft), ``0+123.450`` in metres (of 1,000 m).

    Rounded before it is split, so that 99.996 ft reads 1+00.00. Common practice, no source.
    """
    factor = unit_m(unit)
    decimals, size = (3, 1000) if unit == "m" else (2, 100)
    scale = 10**decimals
    ticks = math.floor(abs(chainage_m) / factor * scale + 0.5)
    whole, rest = divmod(ticks, size * scale)
    sign = "-" if chainage_m < 0 and ticks else ""
    return f"{sign}{whole}+{rest / scale:0{len(str(size)) + decimals}.{decimals}f}"


def parse_station(text: str, *, unit: str) -> float:
    """Return the chainage in metres of ``"41.5"`` or of a station such as ``"0+41.5"``.

    Raises
    ------
    Refused
        If the text is neither.
    """
    whole, plus, rest = text.strip().partition("+")
    if not plus:
        return parse_length(text, unit=unit)
    size = 1000 if unit == "m" else 100
    if not re.fullmatch(r"-?\d+", whole) or not re.fullmatch(r"\d+(?:[.,]\d*)?", rest):
        raise Refused(f'"{text}" is not a station')
    value = parse_number(rest)
    if value >= size:
        raise Refused(f'"{text}" is not a station: past the + stands less than {size}')
    total = abs(int(whole)) * size + value
    return math.copysign(total, -1.0 if whole.startswith("-") else 1.0) * unit_m(unit)


def format_length(length_m: float, *, unit: str, decimals: int | None = None) -> str:
    """Return a length for print in a site's unit, such as ``2.3 ft`` or ``0.71 m``."""
    if decimals is None:
        decimals = 2 if unit == "m" else 1
    value = length_m / unit_m(unit)
    # Rounded to nothing, a small negative must not read "-0.0".
    value = round(value, decimals) + 0.0
    return f"{value:.{decimals}f} {'m' if unit == 'm' else 'ft'}"
