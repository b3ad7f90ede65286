"""The place of a reading, in every form a sheet may use."""

from __future__ import annotations

import re
from collections.abc import Collection
from typing import Any, Literal

from geoleak.errors import Refused, did_you_mean
from geoleak.readers.numbers import angle, number
from geoleak.site import Place
from geoleak.units import parse_length, parse_station

_MOVES = re.compile(r"\s+(up|down|left|right)\s+")
_BY_COORDINATES: tuple[tuple[Literal["grid", "lonlat"], re.Pattern[str], Any, str, str], ...] = (
    ("grid", re.compile(r"^(?P<one>[EN])\s*(?P<a>\S+)[\s,;]+(?P<two>[EN])\s*(?P<b>\S+)$"),
     number, "E", "N"),
    ("lonlat", re.compile(r"^(?P<one>lat|lon)\s+(?P<a>.+?)[\s,;]+(?P<two>lat|lon)\s+(?P<b>.+)$"),
     angle, "lon", "lat"),
)  # fmt: skip
# What hands write about a number: "mark 101", "pt. 101", "101 (gate)".
_AROUND = re.compile(r"^(?:mark|point|pt|no)\b\.?\s*|\s*\([^()]*\)$", re.IGNORECASE)
_BETWEEN = re.compile(r"(?:between\s+)?(\S+)\s*(?:-|/|&|to|and)\s*(\S+)")
_FARTHEST_M = 1000.0
_FORMS = (
    '"107", "107 up 1.5", "107 right 1", "yard 107", "yard@41.5", "E 1234.5 N 6789.0" '
    'or "lat 35.9 lon -79.0"'
)


class PlaceReader:
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

    def __init__(
        self,
        *,
        points: Collection[str],
        legs: Collection[str],
        unit: str,
        on_legs: dict[str, tuple[str, ...]] | None = None,
    ) -> None:
        self.points = points
        self.legs = sorted(legs, key=len, reverse=True)
        self.unit = unit
        self.on_legs = on_legs or {}
        self._read: dict[tuple[str, str], Place] = {}

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
        for identifier in (bare, _AROUND.sub("", bare)):
            if identifier in self.points:
                self._one_leg(identifier, None, bare)
                return Place("point", bare, point=identifier)
        place = self._coordinates(bare, decimal)
        if place is not None:
            return place
        rest, *moves = _MOVES.split(bare)
        up, aside = self._moved(moves, bare)
        if "@" in rest:
            name, chainage = self._on_leg(rest)
            return Place("leg", bare, leg=name, chainage_m=chainage + (up or 0.0), aside_m=aside)
        known = rest in self.points
        leg, point = (None, rest) if known else self._leg_and_point(rest, bare)
        self._one_leg(point, leg, bare)
        return Place("point", bare, point=point, leg=leg, up_m=up or 0.0, aside_m=aside)

    def _moved(self, moves: list[str], text: str) -> tuple[float | None, float | None]:
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
        return found.get(True), found.get(False)

    def _leg_and_point(self, text: str, whole: str) -> tuple[str, str]:
        for leg in self.legs:
            if text.startswith(leg + " "):
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

    def _one_leg(self, point: str, leg: str | None, text: str) -> None:
        legs = self.on_legs.get(point, ())
        if leg is None and len(legs) > 1:
            listing = " and of ".join(f'"{each}"' for each in legs)
            raise Refused(f'"{point}" is a mark of {listing}', f'write "{legs[0]} {text}"')

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
            match = pattern.match(text)
            if match and match["one"] != match["two"]:
                first, second = match["a"].rstrip(",;"), match["b"]
                found = {match["one"]: read(first, decimal=decimal)}
                found[match["two"]] = read(second, decimal=decimal)
                if kind == "lonlat" and (abs(found[north]) > 90 or abs(found[east]) > 360):
                    what = f'"{text}": a latitude stays within 90 degrees'
                    raise Refused(what, "check the order")
                return Place(kind, text, easting=found[east], northing=found[north])
        return None
