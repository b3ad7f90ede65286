"""Places as a sheet says them, resolved to a position and to a place on the pipe."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from geoleak.crs import Frame
from geoleak.errors import Complaint, Origin
from geoleak.linref import Route
from geoleak.site import Place
from geoleak.survey import SurveyedLeg, SurveyedPoint
from geoleak.units import format_length


@dataclass(frozen=True, slots=True)
class Resolved:
    """Where a place is: working CRS, and its nearest place on the pipe.

    ``distance_m`` is from the pipe; ``rival_leg`` is -1 where no other stretch is nearly as close.
    """

    easting_m: float
    northing_m: float
    leg: int
    chainage_m: float
    offset_m: float
    distance_m: float
    rival_leg: int = -1
    rival_chainage_m: float = float("nan")


class PlaceFinder:
    """Turns `Place` records into positions on the fitted legs of one site.

    A place that cannot be found is a complaint in ``complaints`` and comes back as None.
    """

    def __init__(
        self,
        *,
        frame: Frame,
        legs: tuple[SurveyedLeg, ...],
        points: Mapping[str, SurveyedPoint],
        length_unit: str,
        rival_within_m: float = 1.0,
    ) -> None:
        self.frame = frame
        self.legs = legs
        self.points = points
        self.length_unit = length_unit
        self.rival_within_m = rival_within_m
        self.complaints: list[Complaint] = []
        self._number = {each.name: each.number for each in legs}

    def find(self, place: Place, origin: Origin) -> Resolved | None:
        """Return where a place is, or None after noting a complaint."""
        if place.kind == "leg":
            return self._on_leg(place, origin)
        if place.kind == "point":
            return self._at_point(place, origin)
        if place.easting is None or place.northing is None:
            raise ValueError(f"a {place.kind} place without coordinates: {place.text!r}")
        if place.kind == "grid":
            east, north = self.frame.from_grid(place.easting, place.northing)
        else:
            east, north = self.frame.from_lonlat(place.easting, place.northing)
        return self.snap(float(east), float(north))

    def snap(self, easting_m: float, northing_m: float, *, leg: int | None = None) -> Resolved:
        """Return the nearest place on the pipe (on one leg, where it is named)."""
        best: Resolved | None = None
        rivals: list[tuple[float, int, float]] = []
        for each in self.legs:
            if leg is not None and each.number != leg:
                continue
            snap = each.route.snap(
                np.array([easting_m, northing_m]), rival_within_m=self.rival_within_m
            )
            found = Resolved(
                easting_m,
                northing_m,
                each.number,
                float(snap.chainage_m),
                float(snap.offset_m),
                float(snap.distance_m),
            )
            rivals.append((found.distance_m, found.leg, found.chainage_m))
            if np.isfinite(snap.rival_chainage_m):
                rivals.append((found.distance_m, found.leg, float(snap.rival_chainage_m)))
            if best is None or found.distance_m < best.distance_m:
                best = found
        if best is None:
            raise ValueError("a survey without legs has no places")
        return self._with_rival(best, rivals)

    def _with_rival(self, best: Resolved, rivals: list[tuple[float, int, float]]) -> Resolved:
        """Name the nearest other stretch within reach that is not the same place of a joint."""
        for distance, leg, chainage in sorted(rivals):
            if (leg, chainage) == (best.leg, best.chainage_m):
                continue
            if distance > best.distance_m + self.rival_within_m:
                break
            if leg == best.leg or self._apart(best, leg, chainage) > 2 * self.rival_within_m:
                return Resolved(
                    best.easting_m,
                    best.northing_m,
                    best.leg,
                    best.chainage_m,
                    best.offset_m,
                    best.distance_m,
                    leg,
                    chainage,
                )
        return best

    def _apart(self, best: Resolved, leg: int, chainage: float) -> float:
        here = self._route(best.leg).position(best.chainage_m)
        there = self._route(leg).position(chainage)
        return float(np.hypot(*(np.asarray(here)[:2] - np.asarray(there)[:2])))

    def _route(self, leg: int) -> Route:
        return self.legs[leg].route

    def _on_leg(self, place: Place, origin: Origin) -> Resolved | None:
        number = self._number.get(place.leg or "")
        if number is None:
            names = ", ".join(self._number)
            self._complain(
                origin, f'"{place.text}": there is no leg "{place.leg}"', f"legs: {names}"
            )
            return None
        route = self._route(number)
        chainage = float(place.chainage_m or 0.0)
        if route.calibration is not None:
            chainage = float(route.chainage_from_measured_m(chainage))
        return self._along(number, chainage + place.up_m, place, origin)

    def _along(self, leg: int, chainage: float, place: Place, origin: Origin) -> Resolved | None:
        route = self._route(leg)
        # A tape's last inch past the end is not worth a refusal; half a metre is.
        if not -0.5 <= chainage <= route.length_m + 0.5:
            name = self.legs[leg].name
            here, long = (
                format_length(each, unit=self.length_unit) for each in (chainage, route.length_m)
            )
            self._complain(
                origin,
                f'"{place.text}" is at {here} of leg "{name}", which is {long} long',
                f"a place between 0 and {long}",
            )
            return None
        chainage = min(max(chainage, 0.0), route.length_m)
        east, north = np.asarray(route.position(chainage))[:2]
        return Resolved(float(east), float(north), leg, chainage, 0.0, 0.0)

    def _at_point(self, place: Place, origin: Origin) -> Resolved | None:
        point = self.points.get(place.point or "")
        if point is None:
            self._complain(origin, f'"{place.text}": there is no point "{place.point}"')
            return None
        leg = None
        if place.leg is not None:
            leg = self._number.get(place.leg)
            if leg is None:
                names = ", ".join(self._number)
                self._complain(
                    origin, f'"{place.text}": there is no leg "{place.leg}"', f"legs: {names}"
                )
                return None
        elif point.kind == "mark":
            leg = point.leg
        found = self.snap(point.easting_m, point.northing_m, leg=leg)
        if place.up_m:
            return self._along(found.leg, found.chainage_m + place.up_m, place, origin)
        return found

    def _complain(self, origin: Origin, what: str, remedy: str = "") -> None:
        self.complaints.append(Complaint(origin, what, remedy))
