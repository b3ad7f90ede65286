"""The points of a site in the working frame: those that are used at once, the rest when asked.

Where tapes meet: points that only tapes know, placed from the features they were taped from.

Everything is in the working frame, where a length is what a level tape reads.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from functools import partial
from typing import Any

import numpy as np
from msgspec import Struct

from geoleak.crs import Frame
from geoleak.errors import Complaint, GeometryError, InputError, Refused, SiteDataError
from geoleak.record import ArrayLike, Floats, Record, field, replace
from geoleak.site import Note, Place, Point, Site, Tape
from geoleak.survey.records import Survey, SurveyedPoint
from geoleak.units import format_length

MOST_AT_ONCE = 20_000
"""In files with more points only those that something uses, or that lie near, are projected."""
NEAR_M = 100.0
"""How far around the site's own points others are kept, for ties and check points."""


def frame_of(site: Site, *, drawn: tuple[Floats, Floats] | None = None) -> Frame:
    """Return the working frame of a site.

    It is centred on the marks, else on all points, else on the drawn network.

    Parameters
    ----------
    site : Site
    drawn : tuple of ndarray, optional
        Easting and northing of a drawn network in the site's CRS, for a site without points.

    Raises
    ------
    SiteDataError
        If the site has neither a point nor a network.
    """
    used = dict.fromkeys(name for leg in site.legs for name in leg.mark_ids)
    if not used:
        ends = (name for leg in site.legs for name in (leg.start, leg.end) if name)
        used = dict.fromkeys(ends)
    points = [site.points[name] for name in used]
    points = [each for each in points if math.isfinite(each.easting)]
    if not points and len(site.points) <= MOST_AT_ONCE:
        points = [each for each in site.points.values() if math.isfinite(each.easting)]
    if points:
        easting = np.array([p.easting for p in points])
        northing = np.array([p.northing for p in points])
    elif len(site.points):
        easting, northing = site.points.easting, site.points.northing
    elif drawn is not None:
        easting, northing = drawn
    else:
        raise SiteDataError("the point files hold no point; a site needs the marks of one leg")
    heights = [p.ellipsoidal_height_m if p.ellipsoidal_height_m is not None else p.elevation_m
               for p in points]  # fmt: skip
    known = [h for h in heights if h is not None]
    return Frame.for_site(
        site.crs,
        easting=easting,
        northing=northing,
        heights_m=np.array(known) if known else None,
        mean_height_m=site.mean_height_m,
        grid_crs=site.grid_crs,
        coordinate_epoch=site.coordinate_epoch,
        length_unit=site.length_unit,
    )


def named_points(site: Site) -> set[str]:
    """Return the ids of points that a leg, a sheet or a tape names."""
    names: set[str | None] = set()
    for leg in site.legs:
        names |= {*leg.mark_ids, leg.start, leg.end, leg.boundary, leg.joins_at}
    names |= {place.point for place in places_of(site)}
    names |= {row.point for row in site.fittings} | {row.point for row in site.calibrations}
    for tape in site.tapes:
        names |= {tape.point, tape.start}
    for row in site.isolations:
        names |= {*row.valves, row.supply}
    return {name for name in names if name is not None and name in site.points}


def places_of(site: Site) -> Iterator[Place]:
    """Return every place that the sheets name, struck-out rows left out."""
    yield from (each.place for each in site.readings if not each.skip)
    for delay in site.delays:
        yield from (delay.first, delay.second)
    for hole in site.holes:
        yield from (hole.start, hole.finish)
    rows: tuple[Any, ...] = (*site.sightings, *site.past_leaks, *site.stop_tests, *site.found)
    for row in rows:
        if row.place is not None:
            yield row.place


def every_point(survey: Survey) -> Iterator[SurveyedPoint]:
    """Yield all points of a site in the working frame, in file order.

    Those of the survey are taken as they are: they stand on the pipe or were placed by tapes.
    """
    site, ready = survey.site, {each.point.id: each for each in survey.points}
    for first in range(0, len(site.points), MOST_AT_ONCE):
        names = site.points.ids[first : first + MOST_AT_ONCE]
        fresh = projected(site, survey.frame, [name for name in names if name not in ready])
        for name in names:
            yield ready.get(name) or fresh[name]


def count_kinds(survey: Survey) -> Counter[str]:
    """Return how many points of the site there are of each kind, without making them."""
    count: Counter[str] = Counter(each.kind for each in survey.points)
    held = Counter(each.point.code for each in survey.points)
    every = Counter(survey.site.points.frame["code"])
    for code, number in (every - held).items():
        count[_kind(survey.site, code)] += number
    return count


def projected(site: Site, frame: Frame, names: Iterable[str]) -> dict[str, SurveyedPoint]:
    """Return points that the rover shot in the working CRS, with their kind by code."""
    points = [site.points[name] for name in names]
    if not points:
        return {}
    east, north = frame.to_working(
        np.array([p.easting for p in points]), np.array([p.northing for p in points])
    )
    return {
        point.id: SurveyedPoint(
            point=point,
            easting_m=float(e),
            northing_m=float(n),
            height_m=math.nan if point.elevation_m is None else point.elevation_m,
            sigma_m=_sigma(point),
            kind=_kind(site, point.code),
        )
        for point, e, n in zip(points, east, north, strict=True)
    }


def used_points(site: Site, frame: Frame) -> tuple[dict[str, SurveyedPoint], list[Note]]:
    """Return the points that the survey works with, in file order, and what tapes have to say.

    All of them in a file of a usual size; of a longer one those that a leg, a sheet or a tape
    names and those near these.

    Raises
    ------
    InputError
        Where tapes fix no place, with the row.
    """
    names = _chosen(site)
    taped = {t.point for t in site.tapes if math.isnan(site.points[t.point].easting)}
    found = projected(site, frame, [name for name in names if name not in taped])
    notes: list[Note] = []
    if site.tapes:

        def place(east: float, north: float) -> tuple[float, float]:
            e, n = frame.from_working(east, north)
            return float(e), float(n)

        taped_points = TapedPoints(site, found.__getitem__, place)
        placed = taped_points.run()
        if taped_points.complaints:
            raise InputError(sorted(taped_points.complaints, key=lambda each: each.origin))
        notes = taped_points.notes
        found |= {
            name: replace(each, kind=_kind(site, each.point.code)) for name, each in placed.items()
        }
    marks = {name: k for k, leg in enumerate(site.legs) for name in leg.mark_ids}
    return {
        name: replace(found[name], kind="mark", leg=marks[name]) if name in marks else found[name]
        for name in names
    }, notes


def _chosen(site: Site) -> list[str]:
    """Return the ids to project, in file order."""
    if len(site.points) <= MOST_AT_ONCE:
        return list(site.points)
    named = named_points(site)
    easting, northing = site.points.easting, site.points.northing
    own = [site.points[name] for name in named]
    at = np.array([(p.easting, p.northing) for p in own if math.isfinite(p.easting)])
    near: list[str] = []
    if len(at):
        reach = NEAR_M / _axis_m(site, float(np.median(at[:, 1])))
        (low_e, low_n), (high_e, high_n) = at.min(axis=0) - reach, at.max(axis=0) + reach
        inside = (easting >= low_e) & (easting <= high_e)
        inside &= (northing >= low_n) & (northing <= high_n)
        near = [site.points.ids[row] for row in np.flatnonzero(inside).tolist()]
        if len(near) > MOST_AT_ONCE:
            near = [name for name in near if _kind(site, site.points[name].code) != "other"]
    return sorted({*named, *near}, key=site.points.place_of)


def _axis_m(site: Site, northing: float) -> Floats:
    """Return metres in one unit of easting and northing; rough for degrees."""
    from geoleak.crs import axis_unit, horizontal_crs
    from geoleak.units import unit_m

    if site.is_local:
        return np.full(2, unit_m(site.length_unit))
    crs = horizontal_crs(site.crs)
    if crs.is_geographic:
        return 111_000.0 * np.array([max(math.cos(math.radians(northing)), 0.01), 1.0])
    return np.full(2, axis_unit(crs)[1])


def _sigma(point: Point) -> float:
    """Return a point's own sigma per axis; by its solution where the file states none.

    The figures by solution are common practice, no source: 2 cm fixed, 40 cm float, 1.5 m single.
    """
    if point.sigma_horizontal_m is not None:
        return max(point.sigma_horizontal_m, 0.005)
    return {"fixed": 0.02, "float": 0.4, "single": 1.5}.get(point.status, 0.02)


def _kind(site: Site, code: str) -> str:
    if site.codes.is_fitting(code):
        return "fitting"
    return "feature" if site.codes.is_feature(code) else "other"


class TapePoint(Record):
    """A fixed feature to hold a tape on. ``height_m`` is nan where unknown."""

    id: str
    easting_m: float
    northing_m: float
    height_m: float = math.nan
    sigma_m: float = 0.0
    note: str = ""

    @property
    def name(self) -> str:
        """The id, with what it is where that is known."""
        return f"{self.id} ({self.note})" if self.note else self.id


def distance_intersection(
    first: ArrayLike, second: ArrayLike, first_m: float, second_m: float
) -> tuple[Floats, Floats]:
    """Return the two places where two tapes meet: left of the line first to second, and right.

    Raises
    ------
    GeometryError
        If the tapes do not meet (or the points are one).
    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    apart = float(np.hypot(*(b - a)))
    if not (apart > 0 and first_m > 0 and second_m > 0):
        raise GeometryError("two tapes need two points apart and two distances over 0")
    slack = 1e-9 * apart
    if not abs(first_m - second_m) - slack <= apart <= first_m + second_m + slack:
        raise GeometryError(
            f"tapes of {first_m:.3f} m and {second_m:.3f} m from points {apart:.3f} m apart "
            "do not meet; tape again"
        )
    along = (b - a) / apart
    left = np.array([-along[1], along[0]])
    run = (apart**2 + first_m**2 - second_m**2) / (2 * apart)
    aside = math.sqrt(max(0.0, first_m**2 - run**2))
    foot = a + run * along
    return foot + aside * left, foot - aside * left


def tape_covariance(points: ArrayLike, stake: ArrayLike, sigma_m: ArrayLike) -> Floats:
    """Return the covariance (2, 2) of a place taped from points with these sigmas.

    Parameters
    ----------
    points : array_like, shape (k, 2)
    stake : array_like, shape (2,)
    sigma_m : array_like, shape (k,) or a number
        Of each tape; the feature's own sigma adds to it in quadrature.

    Raises
    ------
    GeometryError
        If the tapes run in one line and fix no place.
    """
    at = np.asarray(points, dtype=float)
    to = np.asarray(stake, dtype=float) - at
    unit = to / np.hypot(to[:, 0], to[:, 1])[:, None]
    weight = 1 / np.broadcast_to(np.asarray(sigma_m, dtype=float), len(at)) ** 2
    normal = (unit * weight[:, None]).T @ unit
    if np.linalg.det(normal) <= 1e-12 * np.trace(normal) ** 2:
        raise GeometryError("the tapes run in one line and fix no place; choose another feature")
    return np.linalg.inv(normal)


SAID_SIGMAS = 3.0
"""Tapes that miss by more are named."""
REFUSED_SIGMAS = 6.0
REFUSED_M = 0.15
"""Tapes that miss by more than both are refused: one of them was misread."""
FLAT_DEG = 20.0
"""Two tapes that cross flatter fix a place badly. Common practice, no source."""


class TapedPoints(Struct):
    """Places the taped points of one site; what is wrong stands in ``complaints``."""

    site: Site
    known: Callable[[str], SurveyedPoint]
    """Id of a shot point to where it stands."""
    place: Callable[[float, float], tuple[float, float]]
    """Easting and northing in metres to the two coordinates in the site's CRS."""
    complaints: list[Complaint] = field(default_factory=list)
    notes: list[Note] = field(default_factory=list)
    done: dict[str, SurveyedPoint] = field(default_factory=dict)

    def run(self) -> dict[str, SurveyedPoint]:
        """Return the points that only tapes know."""
        rows: dict[str, list[Tape]] = {}
        for tape in self.site.tapes:
            rows.setdefault(tape.point, []).append(tape)
        waiting = {name: held for name, held in rows.items() if self._is_taped(name)}
        while waiting:
            ready = [k for k, held in waiting.items() if all(t.start not in waiting for t in held)]
            if not ready:
                what = f"points {', '.join(waiting)} are taped from one another only"
                remedy = "tape one of them from points that the rover shot"
                first = next(iter(waiting.values()))[0]
                self.complaints.append(Complaint(first.origin, what, remedy))
                break
            for name in ready:
                held = waiting.pop(name)
                if all(not self._is_taped(t.start) or t.start in self.done for t in held):
                    self._put(name, held)
        for name, held in rows.items():
            if not self._is_taped(name) and len(held) > 1:
                self._compare(name, held)
        return self.done

    def _is_taped(self, name: str) -> bool:
        return math.isnan(self.site.points[name].easting)

    def _put(self, name: str, tapes: Sequence[Tape]) -> None:
        try:
            place, sigma_m, off, at = self._fix(name, tapes)
        except Refused as error:
            self.complaints.append(Complaint(tapes[0].origin, error.what, error.remedy))
            return
        worst = int(np.argmax(off))
        tape, crossing_deg = tapes[worst], _crossing_deg(at, place)
        if off[worst] > SAID_SIGMAS * self.site.crew.tape_sigma_m:
            text = (
                f'the tape from "{tape.start}" misses "{name}" by {self._length(off[worst])}, with '
                "the other tapes adjusted to it: the point's error was widened to match"
            )
            self.notes.append(Note("tapes_disagree", text, tape.origin))
        if len(tapes) == 2 and crossing_deg < FLAT_DEG:
            text = (
                f'the two tapes to "{name}" cross at {crossing_deg:.0f} degrees only: it is '
                f"known within {self._length(2.0 * sigma_m)}; tape it from a feature farther "
                "round"
            )
            self.notes.append(Note("tapes_flat", text, tape.origin))
        east, north = place.tolist()
        there = self.place(east, north)
        point = replace(self.site.points[name], easting=there[0], northing=there[1])
        self.done[name] = SurveyedPoint(point, east, north, math.nan, sigma_m, "other", taped=True)

    def _compare(self, name: str, tapes: Sequence[Tape]) -> None:
        """Say where the tapes of a point that the rover shot put it elsewhere."""
        shot = self.known(name)
        near = np.array([shot.easting_m, shot.northing_m])
        try:
            place, sigma_m, *_ = self._fix(name, tapes, near=near)
        except Refused as error:
            self.notes.append(Note("tapes_check", error.what, tapes[0].origin))
            return
        apart = float(np.hypot(*(place - near)))
        if apart > SAID_SIGMAS * math.hypot(sigma_m, shot.sigma_m):
            text = (
                f'the tapes put "{name}" {self._length(apart)} from where the rover shot it; the '
                "rover's position is used"
            )
            self.notes.append(Note("tapes_check", text, tapes[0].origin))

    def _length(self, metres: float) -> str:
        return format_length(metres, unit=self.site.length_unit, decimals=2)

    def _fix(
        self, name: str, tapes: Sequence[Tape], *, near: Floats | None = None
    ) -> tuple[Floats, float, Floats, Floats]:
        """Return a place, its sigma, how far each tape misses it, and where the tapes are from."""
        points = [self.done.get(tape.start) or self.known(tape.start) for tape in tapes]
        at = np.array([[each.easting_m, each.northing_m] for each in points])
        length = np.array([tape.distance_m for tape in tapes])
        sigma = np.hypot(self.site.crew.tape_sigma_m, [each.sigma_m for each in points])
        found = self._answers(name, tapes, at, length)
        miss = [_misses(at, length, place) / sigma for place in found]
        cost = [float(z @ z) for z in miss]
        away = cost if near is None else [np.hypot(*(place - near)) for place in found]
        best = int(np.argmin(away))
        place, off = found[best], np.abs(miss[best]) * sigma
        worst = int(np.argmax(off))
        if near is None:
            self._refuse_two_answers(name, tapes, found, cost, float(sigma.max()))
            if off[worst] > max(REFUSED_SIGMAS * sigma[worst], REFUSED_M):
                raise Refused(
                    f'the tapes to "{name}" disagree: the one from "{tapes[worst].start}" misses '
                    f"by {self._length(off[worst])}",
                    "tape again, or say in skip which row is wrong",
                )
        try:
            covariance = tape_covariance(at, place, sigma)
        except GeometryError:
            raise Refused(
                f'"{name}" stands in line with the points it is taped from: its tapes fix no place',
                "tape it from a point well off that line",
            ) from None
        spare = len(tapes) - 2
        wider = max(1.0, math.sqrt(cost[best] / spare)) if spare else 1.0
        major = math.sqrt(float(np.linalg.eigvalsh(covariance)[-1]))
        return place, wider * major, off, at

    def _answers(
        self, name: str, tapes: Sequence[Tape], at: Floats, length: Floats
    ) -> list[Floats]:
        """Return the places where any two of the tapes meet, each adjusted to all of them."""
        side = next((tape.side for tape in tapes if tape.side), None)
        found: list[Floats] = []
        for i, j in itertools.combinations(range(len(tapes)), 2):
            try:
                both = distance_intersection(at[i], at[j], float(length[i]), float(length[j]))
            except GeometryError:
                continue
            for place in both:
                if len(at) > 2:
                    from scipy.optimize import least_squares

                    tight = dict.fromkeys(("xtol", "ftol", "gtol"), 1e-14)
                    miss = partial(_misses, at, length)
                    place = np.asarray(least_squares(miss, place, **tight).x)
                if side is None or _side(at, place) in (side, ""):
                    found.append(place)
        if found:
            return found
        apart = float(np.hypot(*(at[1] - at[0])))
        said = " and ".join(
            f'{self._length(tape.distance_m)} from "{tape.start}"' for tape in tapes[:2]
        )
        raise Refused(
            f'the tapes to "{name}" cannot meet: {said}, which stand {self._length(apart)} apart',
            "tape again",
        )

    def _refuse_two_answers(
        self, name: str, tapes: Sequence[Tape], found: list[Floats], cost: list[float], sigma: float
    ) -> None:
        """Refuse to choose between two places that fit the tapes alike."""
        best = int(np.argmin(cost))
        for place, each in zip(found, cost, strict=True):
            apart = float(np.hypot(*(place - found[best])))
            if apart > 6.0 * sigma and each < cost[best] + 9.0:
                raise Refused(
                    f'the tapes to "{name}" meet at two places {self._length(apart)} apart',
                    f'write side: left or right, looking from "{tapes[0].start}" to '
                    f'"{tapes[1].start}"',
                )


def _misses(at: Floats, length: Floats, place: Floats) -> Floats:
    return np.asarray(np.hypot(place[0] - at[:, 0], place[1] - at[:, 1]) - length)


def _side(at: Floats, place: Floats) -> str:
    """Return the side of the line from the first point to the second; nothing on the line."""
    along, to = at[1] - at[0], place - at[0]
    aside = float(along[0] * to[1] - along[1] * to[0]) / max(float(np.hypot(*along)), 1e-12)
    return "" if abs(aside) < 1e-6 else "left" if aside > 0 else "right"


def _crossing_deg(at: Floats, place: Floats) -> float:
    """Return how square the best pair of tapes crosses."""
    to = place - at
    unit = to / np.maximum(np.hypot(to[:, 0], to[:, 1]), 1e-12)[:, None]
    sine = np.abs(np.outer(unit[:, 0], unit[:, 1]) - np.outer(unit[:, 1], unit[:, 0]))
    return math.degrees(math.asin(min(1.0, float(sine.max()))))
