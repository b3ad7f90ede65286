"""Places as a sheet says them, resolved to a position and to a place on the pipe.

The leaks that were found: where they lie on the pipe, or past its end, or on none.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

from geoleak.crs import Frame
from geoleak.errors import Complaint, InputError, Origin, listed
from geoleak.linref import RIVAL_WITHIN_M, NearestSnap, Route, RouteSet, Snap
from geoleak.record import Floats, Record, replace
from geoleak.site import Found, Place
from geoleak.survey.records import Levels, Survey, SurveyedLeg, SurveyedPoint
from geoleak.units import format_length

if TYPE_CHECKING:
    import shapely


# Nearer to an end of the line than half a bucket is at the end: common practice, no source.
PAST_END_M = 0.3
# So far past an end a place may be told from the end's mark (common practice, no source).
STEP_ON_M = 2.5


class Resolved(Record):
    """Where a place is: working CRS, and its nearest place on the pipe.

    ``distance_m`` is from the pipe; ``rival_leg`` is -1 where no other stretch is nearly as close.
    ``own_mark`` says that it is a mark of the leg itself, or a step on from its end.
    """

    easting_m: float
    northing_m: float
    leg: int
    chainage_m: float
    offset_m: float
    distance_m: float
    rival_leg: int = -1
    rival_chainage_m: float = float("nan")
    own_mark: bool = False

    @property
    def gated_m(self) -> float:
        """Distance that a gate judges: a leg's own mark is on it, wherever the route was fitted."""
        return 0.0 if self.own_mark else self.distance_m


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
    ) -> None:
        self.frame = frame
        self.legs = legs
        self.points = points
        self.length_unit = length_unit
        self.complaints: list[Complaint] = []
        self._number = {each.name: each.number for each in legs}
        self._replaced = {line.name: each.name for each in legs for line in each.leg.drawn}
        self._routes = RouteSet.of([each.route for each in legs]) if legs else None
        self._tree: shapely.STRtree | None = None
        self._known: dict[tuple[float, float], Resolved] = {}

    def lead_m(self, point: str | None) -> float:
        """Return the pipe between a point's sensor and the buried run."""
        known = self.points.get(point or "")
        return known.lead_m if known is not None else 0.0

    def find(self, place: Place, origin: Origin) -> Resolved | None:
        """Return where a place is, or None after noting a complaint."""
        if place.kind == "leg":
            return self._on_leg(place, origin)
        if place.kind == "point":
            return self._at_point(place, origin)
        if place.kind == "lonlat" and self.frame.is_local:
            what = f'"{place.text}": a local site has no longitude and latitude'
            self.complain(origin, what, "write the place by a mark, a station or E and N")
            return None
        east, north = self._coordinates(place)
        return self.snap(east, north)

    def _coordinates(self, place: Place) -> tuple[float, float]:
        if place.easting is None or place.northing is None:
            raise ValueError(f"a {place.kind} place without coordinates: {place.text!r}")
        way = self.frame.from_grid if place.kind == "grid" else self.frame.from_lonlat
        east, north = way(place.easting, place.northing)
        return float(east), float(north)

    def prepare(self, places: Iterable[Place]) -> None:
        """Snap many places at once; `find` then only looks them up."""
        at: list[tuple[float, float]] = []
        for place in places:
            if place.kind == "point" and place.leg is None:
                point = self.points.get(place.point or "")
                if point is not None and point.kind != "mark":
                    at.append((point.easting_m, point.northing_m))
            elif place.kind == "grid" or (place.kind == "lonlat" and not self.frame.is_local):
                at.append(self._coordinates(place))
        fresh = [each for each in dict.fromkeys(at) if each not in self._known]
        for each, found in zip(fresh, self.snap_many(np.array(fresh)), strict=True):
            self._known[each] = found

    def snap(self, easting_m: float, northing_m: float, *, leg: int | None = None) -> Resolved:
        """Return the nearest place on the pipe (on one leg, where it is named)."""
        if leg is not None:
            return self.snap_to_leg(np.array([[easting_m, northing_m]]), leg)[0]
        known = self._known.get((easting_m, northing_m))
        if known is None:
            known = self.snap_many(np.array([[easting_m, northing_m]]))[0]
            self._known[(easting_m, northing_m)] = known
        return known

    def snap_to_leg(self, at_m: Floats, leg: int) -> list[Resolved]:
        """Return the nearest place on one leg for each of (n, 2) positions."""
        snap = self._route(leg).snap(at_m)
        rivals = [(leg if np.isfinite(at) else -1, at) for at in snap.rival_chainage_m.tolist()]
        return [_resolved(at_m[k], leg, snap, k, *rival) for k, rival in enumerate(rivals)]

    def snap_many(self, at_m: Floats) -> list[Resolved]:
        """Return the nearest place on the pipe for each of (n, 2) positions, with its rival."""
        if self._routes is None:
            raise ValueError("a survey without legs has no places")
        if not len(at_m):
            return []
        snap = self._routes.snap(at_m)
        found = [_resolved(at_m[k], leg, snap, k) for k, leg in enumerate(snap.route.tolist())]
        for k in np.flatnonzero(snap.rival_route >= 0).tolist():
            found[k] = self._with_rival(found[k], at_m[k])
        return found

    def _with_rival(self, best: Resolved, at_m: Floats) -> Resolved:
        """Name the nearest other stretch within reach that is not the same place of a joint."""
        import shapely

        if self._tree is None:
            lines = [shapely.LineString(each.route.vertices_m[:, :2]) for each in self.legs]
            self._tree = shapely.STRtree(lines)
        reach = best.distance_m + RIVAL_WITHIN_M
        # A hair wider: the tree and the snap may round the same distance differently.
        near = self._tree.query(shapely.Point(at_m), predicate="dwithin", distance=reach + 1e-6)
        rivals = []
        for leg in near.tolist():
            snap = self._route(leg).snap(at_m)
            both = float(snap.chainage_m), float(snap.rival_chainage_m)
            rivals += [(float(snap.distance_m), leg, at) for at in both if np.isfinite(at)]
        here = self._aside(best.leg, best.chainage_m, 0.0)
        for distance, leg, chainage in sorted(rivals):
            if (leg, chainage) == (best.leg, best.chainage_m):
                continue
            if distance > reach:
                break
            there = self._aside(leg, chainage, 0.0)
            apart = np.hypot(there.easting_m - here.easting_m, there.northing_m - here.northing_m)
            if leg == best.leg or apart > 2 * RIVAL_WITHIN_M:
                return replace(best, rival_leg=leg, rival_chainage_m=chainage)
        return best

    def _route(self, leg: int) -> Route:
        return self.legs[leg].route

    def _on_leg(self, place: Place, origin: Origin) -> Resolved | None:
        number = self._number.get(place.leg or "")
        if number is None:
            self._no_leg(place, origin)
            return None
        route = self._route(number)
        chainage = float(place.chainage_m or 0.0)
        if route.calibration is not None:
            chainage = float(route.calibration.to_chainage(np.asarray(chainage)))
        return self._along(number, chainage + place.up_m, place, origin)

    def _along(self, leg: int, chainage: float, place: Place, origin: Origin) -> Resolved | None:
        route = self._route(leg)
        past_m = max(-chainage, chainage - route.length_m)
        # A tape's last inch past the end is not worth a refusal; a step on from the end's mark is a
        # place of its own, as far as a check asks for one.
        if past_m > (STEP_ON_M if place.up_m else 0.5):
            name = self.legs[leg].name
            here, long = (
                format_length(each, unit=self.length_unit) for each in (chainage, route.length_m)
            )
            self.complain(
                origin,
                f'"{place.text}" is at {here} of leg "{name}", which is {long} long',
                "shoot a mark there and make it the leg's start or end, or give a place from 0 to "
                f"{long}",
            )
            return None
        if place.up_m and past_m > PAST_END_M:
            at_m = np.asarray(route.position(chainage, place.aside_m or 0.0, extrapolate=True))
            return replace(self.snap_to_leg(at_m[None, :2], leg)[0], own_mark=True)
        chainage = min(max(chainage, 0.0), route.length_m)
        return self._aside(leg, chainage, place.aside_m or 0.0)

    def _aside(self, leg: int, chainage: float, offset: float) -> Resolved:
        east, north = np.asarray(self._route(leg).position(chainage, offset))[:2]
        return Resolved(float(east), float(north), leg, chainage, offset, abs(offset))

    def _at_point(self, place: Place, origin: Origin) -> Resolved | None:
        point = self.points.get(place.point or "")
        if point is None:
            self.complain(origin, f'"{place.text}": there is no point "{place.point}"')
            return None
        leg = point.leg if point.kind == "mark" else None
        if place.leg is not None and (leg := self._number.get(place.leg)) is None:
            self._no_leg(place, origin)
            return None
        found = self.snap(point.easting_m, point.northing_m, leg=leg)
        if place.up_m:
            return self._along(found.leg, found.chainage_m + place.up_m, place, origin)
        if place.aside_m is not None:  # taped from the paint, which may lie aside of the line
            return self._aside(found.leg, found.chainage_m, found.offset_m + place.aside_m)
        return replace(found, own_mark=point.kind == "mark" and place.leg is None)

    def _no_leg(self, place: Place, origin: Origin) -> None:
        instead = self._replaced.get(place.leg or "")
        if instead is not None:
            what = f'"{place.text}": leg "{instead}" stands in place of line "{place.leg}"'
            self.complain(origin, what, f'give a place on leg "{instead}"')
            return
        legs = f"legs: {listed(self._number)}"
        self.complain(origin, f'"{place.text}": there is no leg "{place.leg}"', legs)

    def complain(self, origin: Origin, what: str, remedy: str = "") -> None:
        """Note what is wrong with a row."""
        self.complaints.append(Complaint(origin, what, remedy))


def _resolved(
    at_m: Floats,
    leg: int,
    snap: Snap | NearestSnap,
    k: int,
    rival_leg: int = -1,
    rival_m: float = np.nan,
) -> Resolved:
    """Return one of many places that were snapped at once."""
    return Resolved(
        easting_m=float(at_m[0]),
        northing_m=float(at_m[1]),
        leg=leg,
        chainage_m=float(snap.chainage_m[k]),
        offset_m=float(snap.offset_m[k]),
        distance_m=float(snap.distance_m[k]),
        rival_leg=rival_leg,
        rival_chainage_m=rival_m,
    )


# A leak found farther from every traced leg was on none of them: common practice, no source.
FAR_FROM_LEGS_M = 5.0


def found_places(survey: Survey, rows: tuple[Found, ...]) -> list[tuple[Found, Resolved]]:
    """Return the rows of found.csv that name the place of a leak, each with where that is.

    Raises
    ------
    InputError
        For a place that cannot be found.
    """
    finder = PlaceFinder(
        frame=survey.frame,
        legs=survey.legs,
        points={each.point.id: each for each in survey.points},
        length_unit=survey.site.length_unit,
    )
    at = [
        (row, finder.find(row.place, row.origin))
        for row in rows
        if row.outcome == "leak" and row.place is not None
    ]
    if finder.complaints:
        raise InputError(finder.complaints)
    return [(row, place) for row, place in at if place is not None]


def is_later(read: str, found: str) -> bool:
    """Tell whether one date is later than another, to the day unless both have their time.

    Zones are left out; one that is no date is later than none, and none is later than it.
    """
    try:
        one, two = (datetime.fromisoformat(each).replace(tzinfo=None) for each in (read, found))
    except ValueError:
        return False
    timed = min(len(read), len(found)) > len("2026-05-04")
    return one > two if timed else one.date() > two.date()


def on_a_leg(place: Resolved) -> bool:
    """Tell whether a leak found at a place was on the leg nearest to it."""
    return place.distance_m <= FAR_FROM_LEGS_M


def past_ends_m(survey: Survey, rows: Levels) -> Floats:
    """Return how far past the ends of their legs readings were taken, shape (n,); 0 on a leg."""
    past = np.zeros(len(rows))
    for leg in np.unique(rows.leg).tolist():
        mine = rows.leg == leg
        at = np.asarray(survey.legs[leg].route.position(rows.chainage_m[mine], rows.offset_m[mine]))
        east, north = rows.easting_m[mine] - at[:, 0], rows.northing_m[mine] - at[:, 1]
        past[mine] = np.hypot(east, north)
    return np.where(past < PAST_END_M, 0.0, past)


def chainage_of(survey: Survey, place: Resolved) -> float:
    """Return the chainage of a leak found; run on past an end of the leg where it lies past one.

    Snapped to the line's last point it would count as found there, in a hole drawn up to the end.
    """
    past_m = math.sqrt(max(0.0, place.distance_m**2 - place.offset_m**2))
    if past_m < PAST_END_M:
        return place.chainage_m
    after = place.chainage_m > survey.legs[place.leg].route.length_m / 2
    return place.chainage_m + (past_m if after else -past_m)
