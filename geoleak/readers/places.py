"""The place of a reading, in every form a sheet may use."""

from __future__ import annotations

import re
from collections.abc import Collection

from geoleak.errors import Refused, did_you_mean
from geoleak.readers.numbers import angle, number
from geoleak.site import Place
from geoleak.units import parse_length, parse_station, unit_m

_MOVED = re.compile(r"^(?P<rest>.+?)\s+(?P<way>up|down)\s+(?P<by>.+)$")
_GRID = re.compile(r"^(?P<one>[EN])\s*(?P<a>\S+)[\s,;]+(?P<two>[EN])\s*(?P<b>\S+)$")
_LONLAT = re.compile(r"^(?P<one>lat|lon)\s+(?P<a>.+?)[\s,;]+(?P<two>lat|lon)\s+(?P<b>.+)$")
_FARTHEST_M = 1000.0
_FORMS = '"107", "107 up 1.5", "yard 107", "yard@41.5", "E 1234.5 N 6789.0" or "lat 35.9 lon -79.0"'


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
        if not bare:
            raise Refused("the place is missing", f"write {_FORMS}")
        if bare in self.points:
            return self._point(bare, bare, None, 0.0)
        for read in (self._grid, self._lonlat):
            place = read(bare, decimal)
            if place is not None:
                return place
        if "@" in bare:
            return self._on_leg(bare)
        moved = _MOVED.match(bare)
        if moved and moved["rest"] not in self.points:
            leg, point = self._leg_and_point(moved["rest"], bare)
            return self._point(bare, point, leg, self._step(moved))
        if moved:
            return self._point(bare, moved["rest"], None, self._step(moved))
        leg, point = self._leg_and_point(bare, bare)
        return self._point(bare, point, leg, 0.0)

    def _step(self, moved: re.Match[str]) -> float:
        metres = _length(moved["by"], self.unit)
        if metres < 0:
            raise Refused(f'"{moved["by"]}" is below zero', "write up or down and a length")
        if metres > _FARTHEST_M:
            raise Refused(f'"{moved["by"]}" is {metres:.0f} m', "name a nearer mark")
        return metres if moved["way"] == "up" else -metres

    def _leg_and_point(self, text: str, whole: str) -> tuple[str | None, str]:
        if text in self.points:
            return None, text
        for leg in self.legs:
            if text.startswith(leg + " "):
                point = text[len(leg) + 1 :].strip()
                if point in self.points:
                    return leg, point
                raise self._no_point(point)
        head, _, tail = text.rpartition(" ")
        if head and tail in self.points:
            near = did_you_mean(head, self.legs) or f"the legs are {', '.join(self.legs)}"
            raise Refused(f'there is no leg "{head}"', near)
        if " " in whole:
            near = did_you_mean(text, self.some_points())
            raise Refused(f'"{whole}" is not a place', near or f"write {_FORMS}")
        raise self._no_point(text)

    def _point(self, text: str, point: str, leg: str | None, up_m: float) -> Place:
        legs = self.on_legs.get(point, ())
        if leg is None and len(legs) > 1:
            listing = " and of ".join(f'"{each}"' for each in legs)
            raise Refused(f'"{point}" is a mark of {listing}', f'write "{legs[0]} {text}"')
        return Place("point", text, point=point, leg=leg, up_m=up_m)

    def _no_point(self, point: str) -> Refused:
        near = did_you_mean(point, self.some_points()) or "shoot it, or correct the number"
        return Refused(f'there is no point "{point}"', near)

    def some_points(self) -> list[str]:
        """Return ids to suggest one from."""
        # difflib takes seconds for a million words.
        return [each for each, _ in zip(self.points, range(20_000), strict=False)]

    def _on_leg(self, text: str) -> Place:
        name, _, station = text.rpartition("@")
        name = name.strip()
        if name not in self.legs:
            near = did_you_mean(name, self.legs) or f"the legs are {', '.join(self.legs)}"
            raise Refused(f'there is no leg "{name}"', near)
        try:
            chainage = parse_station(station, unit=self.unit)
        except ValueError as error:
            what = error.what if isinstance(error, Refused) else str(error)
            raise Refused(what, f'write "{name}@41.5" or "{name}@0+41.5"') from None
        if not abs(chainage) < 1e7:
            raise Refused(f'"{station}" is no chainage of a leg', "write one in its length")
        return Place("leg", text, leg=name, chainage_m=chainage)

    def _grid(self, text: str, decimal: str) -> Place | None:
        match = _GRID.match(text)
        if not match or match["one"] == match["two"]:
            return None
        found = {
            match["one"]: number(match["a"].rstrip(",;"), decimal=decimal),
            match["two"]: number(match["b"], decimal=decimal),
        }
        return Place("grid", text, easting=found["E"], northing=found["N"])

    def _lonlat(self, text: str, decimal: str) -> Place | None:
        match = _LONLAT.match(text)
        if not match or match["one"] == match["two"]:
            return None
        found = {
            match["one"]: angle(match["a"].rstrip(",;"), decimal=decimal),
            match["two"]: angle(match["b"], decimal=decimal),
        }
        if abs(found["lat"]) > 90 or abs(found["lon"]) > 360:
            raise Refused(f'"{text}": a latitude stays within 90 degrees', "check the order")
        return Place("lonlat", text, easting=found["lon"], northing=found["lat"])


def _length(text: str, unit: str) -> float:
    try:
        return parse_length(text, unit=unit)
    except ValueError:
        raise Refused(f'"{text}" is not a length', 'write one such as 1.5 or "1.5 ft"') from None


def place_text(place: Place, *, unit: str) -> str:
    """Return a place as a sheet writes it; `PlaceReader.read` gives the same place back.

    Parameters
    ----------
    place : Place
    unit : {"m", "ft", "ftUS"}
        Of bare lengths.
    """
    if place.kind == "grid":
        return f"E {place.easting} N {place.northing}"
    if place.kind == "lonlat":
        return f"lat {place.northing} lon {place.easting}"
    if place.kind == "leg":
        return f"{place.leg}@{(place.chainage_m or 0.0) / unit_m(unit)}"
    head = f"{place.leg} {place.point}" if place.leg else str(place.point)
    if not place.up_m:
        return head
    way = "up" if place.up_m > 0 else "down"
    return f"{head} {way} {abs(place.up_m) / unit_m(unit)}"
