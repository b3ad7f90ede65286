"""Kinds of value that site.toml holds: each checks itself and says what would be right.

A validator raises ``ValueError("what is wrong; what would be right")``.
"""

from __future__ import annotations

import datetime as dt
import math
import re
from collections.abc import Callable, Mapping
from typing import Annotated, Any

from pydantic import BeforeValidator, ValidationInfo

from geoleak.readers.collector import did_you_mean
from geoleak.units import KPA_PER_PSI, parse_length

# American Public Works Association uniform colour code for marking underground utilities.
APWA_COLOURS = {
    "red": "electric power",
    "yellow": "gas, oil, steam",
    "orange": "communication",
    "blue": "drinking water",
    "purple": "reclaimed water, irrigation, slurry",
    "green": "sewer and drain",
    "pink": "temporary survey marks",
    "white": "proposed excavation",
}
_KPA = {
    "psi": KPA_PER_PSI,
    "kpa": 1.0,
    "bar": 100.0,
    "mpa": 1000.0,
    "pa": 0.001,
    "mh2o": 9.80665,  # conventional metre of water, 1000 kg/m3 times standard gravity
}


def _bare_number(value: Any) -> float:
    if isinstance(value, str):
        raise ValueError(f'"{value}" is text; write a number without quotes')
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise ValueError(f"{_shown(value)} is not a number; write a number")
    try:
        finite = math.isfinite(value)
    except OverflowError:
        finite = False
    if not finite:
        raise ValueError(f"{_shown(value)} is not a finite number; write a finite one")
    return float(value)


def _shown(value: Any) -> str:
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."


def _in_range(value: float, shown: Any, low: float, high: float, *, above: bool) -> float:
    if value < low or value > high or (above and value == low):
        sign = f"above {low:g}" if above else f"{low:g} or more"
        limit = sign if high == math.inf else f"{sign} and at most {high:g}"
        raise ValueError(f"{_shown(shown)} is out of range; write {limit}")
    return value


def number(low: float = -math.inf, high: float = math.inf, *, above: bool = False) -> Any:
    """Return the type of a finite number within limits (``above``: the lower one excluded)."""

    def check(value: Any) -> float:
        return _in_range(_bare_number(value), value, low, high, above=above)

    return Annotated[float, BeforeValidator(check)]


def whole(low: int, high: int) -> Any:
    """Return the type of a whole number within limits."""

    def check(value: Any) -> int:
        number_read = _in_range(_bare_number(value), value, low, high, above=False)
        if number_read != int(number_read):
            raise ValueError(f"{value} is not a whole number; write {low} to {high}")
        return int(number_read)

    return Annotated[int, BeforeValidator(check)]


def length_m(*, above: float | None = None, most_m: float = math.inf) -> Any:
    """Return the type of a length with or without its unit, in metres."""

    def check(value: Any, info: ValidationInfo) -> float:
        return read_length(value, unit=_unit(info), above=above, most_m=most_m)

    return Annotated[float, BeforeValidator(check)]


def _unit(info: ValidationInfo) -> str:
    return str(info.context["unit"]) if info.context else "m"


def read_length(
    value: Any, *, unit: str, above: float | None = None, most_m: float = math.inf
) -> float:
    """Return a length of site.toml in metres.

    Raises
    ------
    ValueError
        If it is none, not above ``above`` or beyond ``most_m`` metres.
    """
    if isinstance(value, bool) or not isinstance(value, (int, float, str)):
        raise ValueError(f'{_shown(value)} is not a length; write one such as "3.5 ft" or "1.1 m"')
    try:
        metres = parse_length(value, unit=unit)
    except (ValueError, OverflowError) as error:
        what = str(error).partition(";")[0]
        raise ValueError(f'{what}; write one such as "3.5 ft", "1.1 m" or 3.5') from None
    if not math.isfinite(metres):
        raise ValueError(f"{_shown(value)} is not a finite length; write a finite one")
    if above is not None and metres <= above:
        raise ValueError(
            f"{_shown(value)} is not above {above:g}{' m'[: 2 * (above != 0)]}; "
            "write a length above it"
        )
    if metres > most_m:
        raise ValueError(
            f"{_shown(value)} is {metres:.4g} m, more than {most_m:g} m; check its unit"
        )
    return metres


def length_or_fraction(value: Any, info: ValidationInfo) -> tuple[float | None, float | None]:
    """Return (metres, None) for a length and (None, fraction) for ``"0.1 depth"``."""
    match = re.fullmatch(r"\s*(\S+)\s*(%)?\s*(?:of\s+)?depth\s*", value) if isinstance(
        value, str
    ) else None  # fmt: skip
    if match is None:
        return read_length(value, unit=_unit(info), above=0.0, most_m=10), None
    text, percent = match.group(1), match.group(2)
    if text.endswith("%"):
        text, percent = text[:-1], "%"
    try:
        fraction = float(text.replace(",", ".")) / (100 if percent else 1)
    except ValueError:
        raise ValueError(f'"{value}" is no fraction of depth; write "0.1 depth"') from None
    if not 0 < fraction <= 2:
        raise ValueError(f'"{value}" is out of range; write a fraction above 0 such as "0.1 depth"')
    return None, fraction


LengthOrFraction = Annotated[tuple[float | None, float | None], BeforeValidator(length_or_fraction)]


def pressure_kpa(value: Any) -> float:
    """Return a pressure with its unit in kilopascals."""
    match = re.fullmatch(r"\s*([-+.,\d]+)\s*([A-Za-z0-9]+)\s*", value) if isinstance(
        value, str
    ) else None  # fmt: skip
    if match is None or match.group(2).casefold() not in _KPA:
        raise ValueError(
            f'{_shown(value)} is not a pressure with its unit; write "62 psi", "4.3 bar" or'
            ' "430 kPa"'
        )
    try:
        number_read = float(match.group(1).replace(",", "."))
    except ValueError:
        raise ValueError(f'"{value}" is not a pressure; write one such as "62 psi"') from None
    kpa = number_read * _KPA[match.group(2).casefold()]
    if not 0 < kpa <= 5000:
        raise ValueError(f'"{value}" is {kpa:.4g} kPa; write a gauge pressure above 0 to 5000 kPa')
    return kpa


Pressure = Annotated[float, BeforeValidator(pressure_kpa)]


def one_of(*words: str, also: Mapping[str, str] | None = None) -> Any:
    """Return the type of one word out of several."""
    aliases = dict(also or {})

    def check(value: Any) -> str:
        word = aliases.get(value, value) if isinstance(value, str) else value
        if word in words:
            return str(word)
        near = did_you_mean(str(value), words)
        listing = ", ".join(f'"{each}"' for each in words)
        raise ValueError(f"{_shown(value)} is not known; {near + ' ' if near else ''}use {listing}")

    return Annotated[str, BeforeValidator(check)]


def text(*, longest: int = 2000, blank: bool = True) -> Any:
    """Return the type of a text; numbers are taken as they are written."""

    def check(value: Any) -> str:
        if isinstance(value, bool) or not isinstance(value, (str, int, float)):
            raise ValueError(f'{_shown(value)} is not text; write it in quotes: "..."')
        string = str(value)
        if any(ord(sign) < 32 and sign not in "\t\n\r" for sign in string):
            raise ValueError("the text holds control characters; write plain text")
        if len(string) > longest:
            raise ValueError(f"the text has {len(string)} characters; write at most {longest}")
        if not blank and not string.strip():
            raise ValueError('"" is empty; write something')
        return string.strip()

    return Annotated[str, BeforeValidator(check)]


def texts(value: Any) -> tuple[str, ...]:
    """Return one text or a list of them as a tuple."""
    items = value if isinstance(value, list) else [value]
    if not items:
        raise ValueError("[] is empty; name at least one or take the key out")
    for each in items:
        if isinstance(each, bool) or not isinstance(each, (str, int)) or not str(each).strip():
            raise ValueError(f'{_shown(each)} is not text; write "..." or a list of such')
    return tuple(str(each).strip() for each in items)


Texts = Annotated[tuple[str, ...], BeforeValidator(texts)]


def factor(value: Any) -> float:
    """Return a factor on the chance per metre; ``false`` switches it off."""
    if value is False:
        return 1.0
    if value is True:
        raise ValueError("true is not a factor; write a number such as 2, or false")
    return _in_range(_bare_number(value), value, 0, 1000, above=True)


Factor = Annotated[float, BeforeValidator(factor)]


def date_text(value: Any) -> str:
    """Return a date or a date and time as ISO text."""
    if isinstance(value, (dt.datetime, dt.date)):
        return value.isoformat()
    if isinstance(value, str):
        for read in (dt.date.fromisoformat, dt.datetime.fromisoformat):
            try:
                return read(value.strip()).isoformat()
            except ValueError:
                continue
    raise ValueError(f'{_shown(value)} is not a date; write 2026-05-04 or "2026-05-04 07:00"')


DateText = Annotated[str, BeforeValidator(date_text)]


def colour(value: Any) -> str:
    """Return an APWA colour name."""
    if isinstance(value, str) and value.casefold() in APWA_COLOURS:
        return value.casefold()
    near = did_you_mean(str(value), APWA_COLOURS)
    raise ValueError(
        f"{_shown(value)} is not a utility marking colour; {near + ' ' if near else ''}"
        f"use {', '.join(APWA_COLOURS)}"
    )


Colour = Annotated[str, BeforeValidator(colour)]
Check = Callable[[Any], Any]
