"""Numbers, lengths and places as people and rovers write them; nothing that only looks like one.

A thousands separator is never read: ``1.234,56`` means two things in two countries.
"""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
from typing import Any, Literal, NamedTuple

from msgspec import Struct

from geoleak.errors import Refused, did_you_mean
from geoleak.record import field
from geoleak.site import Place
from geoleak.units import (
    INCH_M,
    INTERNATIONAL_FOOT_M,
    LENGTH_UNITS,
    SMALL_UNITS,
    format_length,
    parse_length,
    parse_station,
)

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


# --- lengths that nobody is likely to have meant: common practice, no source, for each limit ---

FIGURE = re.compile(r"(\d+(?:[.,]\d+)?) ?[A-Za-z]*")
"""A figure and its unit, where it has one."""


class Usual(NamedTuple):
    """What a length usually is: a bare number past ``bare_m`` is asked about."""

    low_m: float
    high_m: float
    bare_m: float
    such: str


# Services lie at 1 to 6 ft, mains to 12: below that stands a trench with protective systems.
DEPTH = Usual(0.05, 12 * INTERNATIONAL_FOOT_M, 12 * INTERNATIONAL_FOOT_M, '"30 in" or "3 ft"')
# A pipe of a supply is laid out of a spade's reach; cables, drip lines and probes need not be.
PIPE_DEPTH = DEPTH._replace(low_m=0.15)
# What most pipes of a supply have: a figure past it is likelier one of another unit.
MOST_DEPTHS_M = (0.45, 2.4)
DEPTH_DOUBTS = {"depth_bare": "unit not stated", "depth_other_unit": "is its unit right?"}
"""Code of a note that asks for a depth's unit, and why the depth is no fact."""
# From 1/4 in tube to a 96 in main. Nobody states a diameter in feet or in metres unasked.
DIAMETER = Usual(6.35 / 1000, 2.6, 6 * INCH_M, '"1.315 in" or "63 mm"')


def is_bare(value: str | float) -> bool:
    """Return whether a length carries no unit; quotes do not make one."""
    try:
        float(value)
    except ValueError:
        return False
    return True


def doubt(value: str | float, metres: float, usual: Usual, unit: str) -> Refused | None:
    """Return the question about a bare number that is no pipe's length, None where it may be."""
    if usual.low_m <= metres <= usual.bare_m:
        return None
    shown = format_length(metres, unit=unit, decimals=3 if metres < 0.3 else 1)
    remedy = f"write it with its unit, as in {usual.such}"
    return Refused(f"{value} is taken as {shown}: is that meant?", remedy)


def depth_note(
    name: str, value: str | float, metres: float, unit: str, *, bare: bool | None = None
) -> tuple[str, str] | None:
    """Return code and text of the question whether a pipe's depth is in the unit it is taken in.

    Of a bare figure past what most pipes have, and of one whose unit is another than the site's
    where the site's would make it a pipe's. None where neither is so.
    """
    low_m, high_m = MOST_DEPTHS_M
    bare = is_bare(value) if bare is None else bare
    found = FIGURE.fullmatch(str(value).strip())
    if low_m <= metres <= high_m or not found:
        return None
    figure = found[1].replace(",", ".")
    fits = depths_in_other_units(float(figure), unit, bare=bare)
    if not (bare or fits):
        return None
    way = "shallower" if metres < low_m else "deeper"
    text = f"{name}: {value} is taken as {format_length(metres, unit=unit)}, {way} than most pipes"
    for each, size_m in fits.items():
        would = format_length(size_m, unit=unit)
        text += f"; were it {figure} {each.removesuffix('US')}, it would be {would}"
    if bare:
        return "depth_bare", f"{text}; check it and write its unit"
    return "depth_other_unit", f"{text}; check it"


def depths_in_other_units(figure: float, unit: str, *, bare: bool = True) -> dict[str, float]:
    """Return by unit how deep in metres a figure would be in it, where most pipes are as deep.

    A bare figure is tried in the units that a site in `unit` may mix up, another in `unit`.
    """
    low_m, high_m = MOST_DEPTHS_M
    tried = (("ft", "in") if unit == "m" else ("m", "cm", "in")) if bare else (unit,)
    would = {each: figure * (LENGTH_UNITS | SMALL_UNITS)[each] for each in tried}
    return {each: size_m for each, size_m in would.items() if low_m <= size_m <= high_m}


_MOVES = re.compile(r"\s+(up|down|left|right)\s+")
_BY_COORDINATES: tuple[tuple[Literal["grid", "lonlat"], re.Pattern[str], Any, str, str], ...] = (
    ("grid", re.compile(r"([EN])\s*(\S+)[\s,;]+([EN])\s*(\S+)"), number, "E", "N"),
    ("lonlat", re.compile(r"(lat|lon)\s+(.+?)[\s,;]+(lat|lon)\s+(.+)"), angle, "lon", "lat"),
)
# What hands write about a number: "mark 101", "pt. 101", "101 (gate)".
_AROUND = re.compile(r"^(?:mark|point|pt|no)\b\.?\s*|\s*\([^()]*\)$", re.IGNORECASE)
_BETWEEN = re.compile(r"(?:between\s+)?(\S+)\s*(?:-|/|&|to|and)\s*(\S+)")
_FARTHEST_M = 1000.0
_FORMS = (
    '"107", "107 up 1.5", "107 right 1", "yard 107", "yard@41.5", "E 1234.5 N 6789.0" '
    'or "lat 35.9 lon -79.0"'
)


class PlaceReader(Struct, eq=False):
    """Reads places against the points and legs of one site.

    Parameters
    ----------
    points : collection of str
        Ids that exist (membership must be quick; iterated only for a suggestion).
    legs : collection of str
        Names of the legs.
    unit : {"m", "ft", "ftUS"}
        Of bare lengths.
    on_legs : mapping of str to tuple of str, optional
        Legs that a point is a mark of; a point on two legs needs its leg.
    """

    points: Collection[str]
    legs: Collection[str]
    unit: str
    on_legs: Mapping[str, tuple[str, ...]] = field(default_factory=dict)
    _read: dict[tuple[str, str], Place] = field(default_factory=dict)

    def read(self, text: str, *, decimal: str = ".") -> Place:
        """Return a place.

        Parameters
        ----------
        text : str
            As the sheet has it.
        decimal : {".", ","}
            The sheet's decimal sign.

        Raises
        ------
        Refused
            What is wrong, and what would be right.
        """
        bare = " ".join(text.split())
        known = self._read.get((bare, decimal))  # a sheet names its places again and again
        if known is None:
            known = self._read[bare, decimal] = self._place(bare, decimal)
        return known

    def _place(self, bare: str, decimal: str) -> Place:
        if not bare:
            raise Refused("the place is missing", f"write {_FORMS}")
        point = next((each for each in (bare, _AROUND.sub("", bare)) if each in self.points), "")
        leg, up, aside = None, 0.0, None
        if not point:
            place = self._coordinates(bare, decimal)
            if place is not None:
                return place
            rest, *moves = _MOVES.split(bare)
            up, aside = self._moved(moves, bare)
            if "@" in rest:
                leg, at = self._on_leg(rest)
                return Place("leg", bare, leg=leg, chainage_m=at + up, aside_m=aside)
            leg, point = (None, rest) if rest in self.points else self._leg_and_point(rest, bare)
        legs = self.on_legs.get(point, ())
        if leg is None and len(legs) > 1:
            listing = " and of ".join(f'"{each}"' for each in legs)
            raise Refused(f'"{point}" is a mark of {listing}', f'write "{legs[0]} {bare}"')
        return Place("point", bare, point=point, leg=leg, up_m=up, aside_m=aside)

    def _moved(self, moves: list[str], text: str) -> tuple[float, float | None]:
        """Return how far up-chainage and how far to the right a place is moved."""
        found: dict[bool, float] = {}
        for way, by in zip(moves[::2], moves[1::2], strict=True):
            along = way in ("up", "down")
            try:
                metres = parse_length(by, unit=self.unit)
            except Refused:
                such = 'write one such as 1.5 or "1.5 ft"'
                raise Refused(f'"{by}" is not a length', such) from None
            if metres < 0:
                ways = "up or down" if along else "left or right"
                raise Refused(f'"{by}" is below zero', f"write {ways} and a length")
            if metres > _FARTHEST_M:
                raise Refused(f'"{by}" is {metres:.0f} m', "name a nearer mark")
            if along in found:
                raise Refused(f'"{text}" is moved twice one way', "write one length for each way")
            found[along] = metres if way in ("up", "right") else -metres
        return found.get(True, 0.0), found.get(False)

    def _leg_and_point(self, text: str, whole: str) -> tuple[str, str]:
        leg = max((leg for leg in self.legs if text.startswith(f"{leg} ")), key=len, default="")
        if leg:
            point = text[len(leg) + 1 :].strip()
            if point in self.points:
                return leg, point
            raise self._no_point(point)
        pair = _BETWEEN.fullmatch(text)
        if pair and pair[1] in self.points and pair[2] in self.points:
            remedy = f'write how far on from one of them: "{pair[1]} up 1.5"'
            raise Refused(f'"{text}" is between two marks', remedy)
        head, _, tail = text.rpartition(" ")
        if head and tail in self.points:
            raise self._no_leg(head)
        if " " in whole:
            near = did_you_mean(text, self.points)
            raise Refused(f'"{whole}" is not a place', near or f"write {_FORMS}")
        raise self._no_point(text)

    def _no_leg(self, name: str) -> Refused:
        near = did_you_mean(name, self.legs) or f"the legs are {', '.join(self.legs)}"
        return Refused(f'there is no leg "{name}"', near)

    def _no_point(self, point: str) -> Refused:
        near = did_you_mean(point, self.points) or "shoot it, or correct the number"
        return Refused(f'there is no point "{point}"', near)

    def _on_leg(self, text: str) -> tuple[str, float]:
        name, _, station = text.rpartition("@")
        name = name.strip()
        if name not in self.legs:
            raise self._no_leg(name)
        try:
            chainage = parse_station(station, unit=self.unit)
        except Refused as error:
            raise Refused(error.what, f'write "{name}@41.5" or "{name}@0+41.5"') from None
        if not abs(chainage) < 1e7:
            raise Refused(f'"{station}" is no chainage of a leg', "write one in its length")
        return name, chainage

    def _coordinates(self, text: str, decimal: str) -> Place | None:
        """Return a place by its coordinates, in either order; None where the text has none."""
        for kind, pattern, read, east, north in _BY_COORDINATES:
            match = pattern.fullmatch(text)
            if match and match[1] != match[3]:
                at = {match[1]: read(match[2].rstrip(",;"), decimal=decimal)}
                at[match[3]] = read(match[4], decimal=decimal)
                if kind == "lonlat" and (abs(at[north]) > 90 or abs(at[east]) > 360):
                    what = f'"{text}": a latitude stays within 90 degrees'
                    raise Refused(what, "check the order")
                return Place(kind, text, easting=at[east], northing=at[north])
        return None
