"""Kinds of value of site.toml: each takes what a person writes and says what would be right.

Limits are pydantic's own (``Field(gt=..., le=...)``, ``Literal``); their words stand in
`geoleak.readers.toml`. A bare length is in the unit that the validation's context names.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Mapping
from contextlib import suppress
from typing import Annotated, Any, Literal, NamedTuple

from pydantic import BeforeValidator, Field, ValidationInfo

from geoleak.errors import Refused, shown
from geoleak.units import PRESSURE_UNITS_KPA, parse_length


def _number(value: Any) -> float:
    if isinstance(value, str):
        raise Refused(f'"{value}" is text', "write a number without quotes")
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise Refused(f"{shown(value)} is not a number", "write a number")
    with suppress(OverflowError):
        if math.isfinite(value):
            return float(value)
    raise Refused(f"{shown(value)} is not a finite number", "write a finite one")


def _whole(value: Any) -> int:
    number = _number(value)
    if number != int(number):
        raise Refused(f"{value} is not a whole number", "write one")
    return int(number)


def _length(value: Any, info: ValidationInfo) -> float:
    unit = info.context["unit"] if info.context else "m"
    such = 'write one such as "3.5 ft", "1.1 m" or 3.5'
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise Refused(f"{shown(value)} is not a length", such)
    try:
        return parse_length(value, unit=unit)
    except (Refused, OverflowError) as error:
        what = error.what if isinstance(error, Refused) else f"{shown(value)} is too large"
        raise Refused(what, such) from None


class LengthOrFraction(NamedTuple):
    """A length, or a fraction of the depth: exactly one of the two is set."""

    length_m: float | None = None
    of_depth: float | None = None

    def at(self, depth_m: float) -> float:
        """Return the length at a depth, in metres."""
        return self.length_m if self.length_m is not None else (self.of_depth or 0.0) * depth_m


_FIGURE = r"\s*([-+]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*"
_OF_DEPTH = re.compile(_FIGURE + r"(%)?\s*(?:of\s+)?depth\s*")
_PRESSURE = re.compile(_FIGURE + r"([A-Za-z0-9]+)\s*")
_DEGREES = re.compile(_FIGURE + r"(?:\u00b0|deg)?\s*([CF])\s*", re.IGNORECASE)


def _match(pattern: re.Pattern[str], value: Any) -> tuple[float, str]:
    """Return the figure of a text and what stands behind it; 0 and "?" where it has none."""
    found = pattern.fullmatch(value) if isinstance(value, str) else None
    return (float(found[1].replace(",", ".")), found[2] or "") if found else (0.0, "?")


def _length_or_fraction(value: Any, info: ValidationInfo) -> LengthOrFraction:
    if isinstance(value, LengthOrFraction):
        return value
    fraction, sign = _match(_OF_DEPTH, value)
    if sign == "?":
        metres = _length(value, info)
        if not 0 < metres <= 10:
            raise Refused(f"{shown(value)} is out of range", "write a length above 0 to 10 m")
        return LengthOrFraction(length_m=metres)
    fraction = fraction / 100 if sign else fraction
    if not 0 < fraction <= 2:
        raise Refused(f'"{value}" is out of range', 'write a fraction above 0 such as "0.1 depth"')
    return LengthOrFraction(of_depth=fraction)


def _pressure(value: Any, info: ValidationInfo) -> float:
    if info.context is None and isinstance(value, (int, float)):
        return value  # kilopascals, from Python: site.toml names its unit
    figure, unit = _match(_PRESSURE, value)
    if unit.casefold() not in PRESSURE_UNITS_KPA:
        what = f"{shown(value)} is not a pressure with its unit"
        raise Refused(what, 'write "62 psi", "4.3 bar" or "430 kPa"')
    kpa = figure * PRESSURE_UNITS_KPA[unit.casefold()]
    if not 0 < kpa <= 5000:
        raise Refused(f'"{value}" is {kpa:.4g} kPa', "write a gauge pressure above 0 to 5000 kPa")
    return kpa


# Buried water is at 0 to 30 C; warmer is a hot line, or degrees Fahrenheit.
WARMEST_BARE_C = 35.0


def _temperature(value: Any) -> float:
    """Return degrees Celsius; past what buried water has, a bare number is asked about."""
    degrees, scale = _match(_DEGREES, value)
    if scale == "?" and isinstance(value, str):
        raise Refused(f"{shown(value)} is not a temperature", 'write 12, "12 C" or "54 F"')
    if scale == "?":
        degrees = _number(value)
        if degrees > WARMEST_BARE_C:
            raise Refused(f"{value:g} is hot", f'write "{value:g} C" or "{value:g} F"')
    return (degrees - 32) * 5 / 9 if scale in "fF" else degrees


def _text(value: Any) -> str:
    """Return a text; numbers are taken as they are written."""
    if isinstance(value, bool) or not isinstance(value, (str, int, float)):
        raise Refused(f"{shown(value)} is not text", 'write it in quotes: "..."')
    string = str(value)
    if any(ord(sign) < 32 and sign not in "\t\n\r" for sign in string):
        raise Refused("the text holds control characters", "write plain text")
    return string.strip()


def _texts(value: Any) -> tuple[str, ...]:
    """Return one text or a list of them."""
    items = list(value) if isinstance(value, (list, tuple)) else [value]
    if value == []:
        raise Refused("[] is empty", "name at least one or take the key out")
    for each in items:
        if isinstance(each, bool) or not isinstance(each, (str, int)) or not str(each).strip():
            raise Refused(f"{shown(each)} is not text", 'write "..." or a list of such')
    return tuple(str(each).strip() for each in items)


def _ranges(value: Any) -> tuple[str, ...]:
    return tuple(part.strip() for each in _texts(value) for part in each.split(",") if part.strip())


def _or_off(off: float, what: str, such: str) -> BeforeValidator:
    """Return what takes a number, and ``false`` for the one that switches it off."""

    def read(value: Any) -> float:
        if value is True:
            raise Refused(f"true is not a {what}", f"write {such}, or false")
        return off if value is False else _number(value)

    return BeforeValidator(read)


def _switch(value: Any) -> bool:
    word = {"yes": True, "no": False}.get(str(value), value)
    if not isinstance(word, bool):
        raise Refused(f"{shown(value)} is neither true nor false", "write true or false")
    return word


def _date(value: Any) -> str:
    """Return a date or a date and time as ISO text."""
    if isinstance(value, (dt.datetime, dt.date)):
        return value.isoformat()
    for read in (dt.date.fromisoformat, dt.datetime.fromisoformat):
        with suppress(ValueError):
            return read(str(value).strip()).isoformat()
    raise Refused(f"{shown(value)} is not a date", 'write 2026-05-04 or "2026-05-04 07:00"')


def _timezone(value: Any) -> str:
    import zoneinfo

    try:
        return str(zoneinfo.ZoneInfo(value))
    except (ValueError, TypeError, OSError, zoneinfo.ZoneInfoNotFoundError):
        what = f"{shown(value)} is not a time zone"
        raise Refused(what, 'write one such as "America/New_York"') from None


def _limits(value: Any) -> tuple[float, float]:
    if not isinstance(value, (list, tuple)) or len(value) != 2:
        raise Refused(f"{value} is not two numbers", "write [0, 99]")
    low, high = (_number(each) for each in value)
    if not low < high:
        raise Refused(f"{value} does not rise", "write the lower limit first, as in [0, 99]")
    return low, high


def _columns(value: Any) -> Mapping[str, str]:
    if not isinstance(value, Mapping) or not all(
        isinstance(each, (str, int)) and not isinstance(each, bool) for each in value.values()
    ):
        raise Refused("columns is not a table of names", 'write {northing = "Y", easting = "X"}')
    return {str(role): str(name) for role, name in value.items()}


def also(**spellings: str) -> BeforeValidator:
    """Return what takes other spellings of a word for the word."""
    return BeforeValidator(
        lambda each: spellings.get(each, each) if isinstance(each, str) else each
    )


each_text = BeforeValidator(_texts)
Number = Annotated[float, BeforeValidator(_number)]
Whole = Annotated[int, BeforeValidator(_whole)]
Length = Annotated[float, BeforeValidator(_length)]
"""In metres."""
# Deeper nobody listens for a leak, and no main is wider: common practice, no source.
DEEPEST_M, WIDEST_M = 30.0, 5.0
Depth = Annotated[Length, Field(gt=0, le=DEEPEST_M)]
Diameter = Annotated[Length, Field(gt=0, le=WIDEST_M)]
DepthShare = Annotated[LengthOrFraction, BeforeValidator(_length_or_fraction)]
Pressure = Annotated[float, BeforeValidator(_pressure)]
"""In kilopascals."""
Text = Annotated[str, BeforeValidator(_text), Field(max_length=2000)]
Name = Annotated[str, BeforeValidator(_text), Field(min_length=1, max_length=80)]
Given = Annotated[str, BeforeValidator(_text), Field(min_length=1, max_length=2000)]
# A CRS written out in full has thousands of characters: as many as a text of site.toml may have.
CrsText = Annotated[str, BeforeValidator(_text), Field(min_length=1)]
Texts = Annotated[tuple[str, ...], each_text]
Ranges = Annotated[tuple[str, ...], BeforeValidator(_ranges)]
Factor = Annotated[float, _or_off(1.0, "factor", "a number such as 2"), Field(gt=0, le=1000)]
Timezone = Annotated[str, BeforeValidator(_timezone)]
DateText = Annotated[str, BeforeValidator(_date)]
Limits = Annotated[tuple[float, float], BeforeValidator(_limits)]
Columns = Annotated[Mapping[str, str], BeforeValidator(_columns)]
Share = Annotated[float, _or_off(0.0, "share", "one such as 0.05"), Field(ge=0, lt=1)]
Switch = Annotated[bool, BeforeValidator(_switch)]
Temperature = Annotated[float, BeforeValidator(_temperature)]
"""In degrees Celsius."""
Cost = Annotated[Number, Field(ge=0)]
# American Public Works Association uniform colour code for marking underground utilities.
Colour = Annotated[
    Literal["red", "yellow", "orange", "blue", "purple", "green", "pink", "white"],
    BeforeValidator(lambda value: value.casefold() if isinstance(value, str) else value),
]
