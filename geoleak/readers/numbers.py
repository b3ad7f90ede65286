"""Numbers as people and rovers write them, and nothing that only looks like one.

A thousands separator is never read: ``1.234,56`` means two things in two countries.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Sequence
from typing import Any

import numpy as np

from geoleak.errors import Refused
from geoleak.record import Floats
from geoleak.units import parse_length

MOST_BAD_CELLS = 200

_PLAIN = re.compile(r"[-+]?(?:\d+(?:[.]\d*)?|[.]\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_COMMA = re.compile(r"[-+]?(?:\d+(?:[,]\d*)?|[,]\d+)(?:[eE][-+]?\d+)?", re.ASCII)
_THOUSANDS = re.compile(r"[-+]?\d{1,3}(?:[.,' \u00a0\u202f]\d{3})+(?:[.,]\d+)?")
_NOT_FINITE = ("nan", "inf", "infinity", "#n/a", "#value!", "#ref!", "#div/0!")
_ANGLE = re.compile(
    r"""^\s*(?P<before>[NSEWnsew])?\s*(?P<sign>[-+\u2212])?\s*
    (?P<deg>\d+(?:\.\d+)?)\s*(?:[\u00b0\u00badD:\s-]\s*|$|(?=[NSEWnsew]))
    (?:(?P<min>\d+(?:\.\d+)?)\s*(?:['\u2032\u2019mM:\s-]\s*|$|(?=[NSEWnsew])))?
    (?:(?P<sec>\d+(?:\.\d+)?)\s*(?:["\u2033\u201dsS]|''|\u2032\u2032)?\s*)?
    (?P<after>[NSEWnsew])?\s*$""",
    re.VERBOSE,
)


def number(text: str, *, decimal: str = ".") -> float:
    """Return one finite number.

    Parameters
    ----------
    text : str
        A cell.
    decimal : {".", ","}
        The decimal sign of the file.

    Raises
    ------
    Refused
        With the value, and what would be right.
    """
    cell = text.strip().replace("\u2212", "-")
    if (_PLAIN if decimal == "." else _COMMA).fullmatch(cell):
        value = float(cell.replace(",", "."))
        if math.isfinite(value):
            return value
    cell = text.strip()
    if not cell:
        raise Refused("a number is missing", "fill it in")
    if cell.lstrip("+-").casefold() in _NOT_FINITE or re.fullmatch(r"[-+]?\d.*[eE]\d+", cell):
        raise Refused(
            f'"{cell}" is not a finite number', "write the measured value or strike the row out"
        )
    other = "," if decimal == "." else "."
    mixed = ("." in cell and "," in cell) or cell.count(",") > 1 or cell.count(".") > 1
    if not mixed and other in cell and _PLAIN.fullmatch(cell.replace(",", ".")):
        signs = {",": "comma", ".": "point"}
        what = f'"{cell}" has a decimal {signs[other]}, where this file uses a {signs[decimal]}'
        raise Refused(what, "use one sign throughout")
    if mixed or _THOUSANDS.fullmatch(cell):
        raise Refused(f'"{cell}" may hold a thousands separator', "write it without one")
    raise Refused(f'"{cell}" is not a number', "write digits only, without a unit")


def measured(text: str, *, decimal: str, unit: str, unit_m: float) -> float:
    """Return a number, or a length with its own unit (``3' 2"``) in units of ``unit_m`` metres.

    Raises
    ------
    Refused
        As `number` and `geoleak.units.parse_length` do.
    """
    if not re.search(r"\d\s*(?:[A-Za-z]{1,5}|['\"])\s*$", text):
        return number(text, decimal=decimal)
    cell = text.replace(",", ".") if decimal == "," else text
    return parse_length(cell, unit=unit) / unit_m


def decimal_sign(cells: Sequence[str], *, delimiter: str) -> str:
    """Return the decimal sign that a sample of numeric cells shows.

    Where commas part the fields, a quoted ``"1,234"`` may be a thousand: the sign is then a point
    and such cells are refused by `number`.
    """
    if delimiter == ",":
        return "."
    commas = sum(1 for cell in cells if "," in cell and _COMMA.fullmatch(cell.strip()))
    points = sum(1 for cell in cells if "." in cell and _PLAIN.fullmatch(cell.strip()))
    return "," if commas > points else "."


def looks_numeric(text: str) -> bool:
    """Tell whether a cell is a number with either decimal sign."""
    cell = text.strip()
    return bool(_PLAIN.fullmatch(cell) or _COMMA.fullmatch(cell))


def angle(text: str, *, decimal: str = ".") -> float:
    """Return decimal degrees from ``35.9``, ``35°54'07.9"N``, ``35 54 07.9`` or ``W79:02:27.6``.

    Raises
    ------
    Refused
        If the text is no angle, or minutes or seconds reach 60.
    """
    cell = text.strip().replace("\u2212", "-")
    if decimal == ",":
        cell = cell.replace(",", ".")
    if _PLAIN.fullmatch(cell):
        return number(cell)
    match = _ANGLE.match(cell)
    if not match or (match["before"] and match["after"]):
        raise Refused(f'"{text.strip()}" is not an angle', "write 35.902204 or 35°54'07.9\"N")
    minutes, seconds = float(match["min"] or 0), float(match["sec"] or 0)
    if minutes >= 60 or seconds >= 60:
        raise Refused(f'"{text.strip()}": minutes and seconds stay under 60', "correct it")
    hemisphere = (match["before"] or match["after"] or "").upper()
    if match["sign"] == "-" and hemisphere:
        raise Refused(f'"{text.strip()}" has a sign and a hemisphere', "keep one of them")
    value = float(match["deg"]) + minutes / 60 + seconds / 3600
    return -value if match["sign"] == "-" or hemisphere in ("S", "W") else value


def could_be_packed(text: str) -> bool:
    """Tell whether a decimal number could be degrees packed as DD.MMSSsss."""
    whole, point, rest = text.strip().lstrip("+-").replace(",", ".").partition(".")
    if not point or len(rest) < 4 or not re.fullmatch(r"[0-9]+", whole + rest):
        return False
    return int(rest[:2]) < 60 and int(rest[2:4]) < 60


def unpacked(value: float) -> float:
    """Return decimal degrees from a number that packs DD.MMSSsss."""
    size = round(abs(value) * 1e10)  # exact ticks: 35.5400 must not become 53 minutes 99.99
    degrees, rest = divmod(size, 10**10)
    minutes, ticks = divmod(rest, 10**8)
    return math.copysign(degrees + minutes / 60 + ticks / 1e6 / 3600, value)


def numbers_of(
    cells: Any, *, decimal: str, read: Callable[..., float] = number
) -> tuple[Floats, list[tuple[int, Refused]]]:
    """Return a column's numbers: all at once where they are clean, one by one where they are odd.

    Parameters
    ----------
    cells : pandas.Series, length n
        Texts, or numbers already.
    decimal : {".", ","}
    read : callable
        `number`, or `angle` for a column of degrees.

    Returns
    -------
    values : ndarray, shape (n,)
        NaN where a cell is blank or bad.
    bad : list of (int, Refused)
        Row and what is wrong of cells that are no finite number, at most 200.
    """
    import pandas as pd

    if cells.dtype.kind in "fiu":
        return cells.to_numpy(dtype=np.float64), []
    text = cells.astype(object)
    plain = text.str.replace(",", ".", regex=False) if decimal == "," else text
    values = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64).copy()
    odd = ~np.isfinite(values)
    if decimal == ",":
        odd |= text.str.contains(".", regex=False).to_numpy(dtype=bool)
    values[odd] = np.nan
    bad: list[tuple[int, Refused]] = []
    for row in np.flatnonzero(odd & (text.str.strip() != "").to_numpy(dtype=bool)).tolist():
        try:
            values[row] = read(text.iloc[row], decimal=decimal)
        except Refused as error:
            bad.append((row, error))
            if len(bad) >= MOST_BAD_CELLS:
                break
    return values, bad
