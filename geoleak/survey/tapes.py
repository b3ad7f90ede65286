"""Where tapes meet: points that only tapes know, placed from the features they were taped from.

Everything is in the working frame, where a length is what a level tape reads.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from geoleak.errors import Complaint, GeometryError, Refused
from geoleak.record import ArrayLike, Floats, Record, replace
from geoleak.site import Note, Site, Tape
from geoleak.survey.records import SurveyedPoint
from geoleak.units import format_length


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
    covariance: Floats = np.linalg.inv(normal)
    return covariance


def _adjusted(at: Floats, length: Floats, start: Floats) -> Floats:
    """Return the least-squares adjustment of all tapes from one of the two answers."""
    if len(at) == 2:
        return start
    from scipy.optimize import least_squares

    def residual(place: Floats) -> Floats:
        return _misses(at, length, place)

    tight = 1e-14
    return np.asarray(least_squares(residual, start, xtol=tight, ftol=tight, gtol=tight).x)


SAID_SIGMAS = 3.0
"""Tapes that miss by more are named."""
REFUSED_SIGMAS = 6.0
REFUSED_M = 0.15
"""Tapes that miss by more than both are refused: one of them was misread."""
FLAT_DEG = 20.0
"""Two tapes that cross flatter fix a place badly. Common practice, no source."""


class _Fix(Record):
    place: Floats
    sigma_m: float
    worst: int
    miss_m: float
    crossing_deg: float


class TapedPoints:
    """Places the taped points of one site.

    Parameters
    ----------
    site : Site
    known : callable
        Id of a shot point to where it stands.
    place : callable
        Easting and northing in metres to the two coordinates in the site's CRS.
    """

    def __init__(
        self,
        site: Site,
        known: Callable[[str], SurveyedPoint],
        place: Callable[[float, float], tuple[float, float]],
    ) -> None:
        self.site = site
        self.known = known
        self.place = place
        self.complaints: list[Complaint] = []
        self.notes: list[Note] = []
        self.done: dict[str, SurveyedPoint] = {}

    def run(self) -> dict[str, SurveyedPoint]:
        """Return the points that only tapes know; what is wrong stands in ``complaints``."""
        rows: dict[str, list[Tape]] = {}
        for tape in self.site.tapes:
            rows.setdefault(tape.point, []).append(tape)
        waiting = {name: held for name, held in rows.items() if self._is_taped(name)}
        while waiting:
            ready = {
                name: held
                for name, held in waiting.items()
                if all(tape.start not in waiting for tape in held)
            }
            if not ready:
                self._circle(waiting)
                break
            for name, held in ready.items():
                if all(not self._is_taped(t.start) or t.start in self.done for t in held):
                    self._put(name, held)
                del waiting[name]
        for name, held in rows.items():
            if not self._is_taped(name) and len(held) > 1:
                self._compare(name, held)
        return self.done

    def _is_taped(self, name: str) -> bool:
        return math.isnan(self.site.points[name].easting)

    def _circle(self, waiting: Mapping[str, Sequence[Tape]]) -> None:
        first = next(iter(waiting.values()))[0]
        names = ", ".join(waiting)
        self.complaints.append(
            Complaint(
                first.origin,
                f"points {names} are taped from one another only",
                "tape one of them from points that the rover shot",
            )
        )

    def _from(self, name: str) -> SurveyedPoint:
        return self.done[name] if name in self.done else self.known(name)

    def _put(self, name: str, tapes: Sequence[Tape]) -> None:
        try:
            fix = self._fix(name, tapes)
        except Refused as error:
            self.complaints.append(Complaint(tapes[0].origin, error.what, error.remedy))
            return
        self._say(name, tapes, fix)
        east, north = (float(v) for v in fix.place)
        there = self.place(east, north)
        point = replace(self.site.points[name], easting=there[0], northing=there[1])
        self.done[name] = SurveyedPoint(
            point, east, north, math.nan, fix.sigma_m, "other", taped=True
        )

    def _say(self, name: str, tapes: Sequence[Tape], fix: _Fix) -> None:
        tape = tapes[fix.worst]
        if fix.miss_m > SAID_SIGMAS * self.site.crew.tape_sigma_m:
            text = (
                f'the tape from "{tape.start}" misses "{name}" by {self._length(fix.miss_m)}, with '
                "the other tapes adjusted to it: the point's error was widened to match"
            )
            self.notes.append(Note("tapes_disagree", text, tape.origin))
        if len(tapes) == 2 and fix.crossing_deg < FLAT_DEG:
            text = (
                f'the two tapes to "{name}" cross at {fix.crossing_deg:.0f} degrees only: it is '
                f"known within {self._length(2.0 * fix.sigma_m)}; tape it from a feature farther "
                "round"
            )
            self.notes.append(Note("tapes_flat", text, tape.origin))

    def _compare(self, name: str, tapes: Sequence[Tape]) -> None:
        """Say where the tapes of a point that the rover shot put it elsewhere."""
        shot = self.known(name)
        at = np.array([shot.easting_m, shot.northing_m])
        try:
            fix = self._fix(name, tapes, near=at)
        except Refused as error:
            self.notes.append(Note("tapes_check", error.what, tapes[0].origin))
            return
        apart = float(np.hypot(*(fix.place - at)))
        if apart > SAID_SIGMAS * math.hypot(fix.sigma_m, shot.sigma_m):
            text = (
                f'the tapes put "{name}" {self._length(apart)} from where the rover shot it; the '
                "rover's position is used"
            )
            self.notes.append(Note("tapes_check", text, tapes[0].origin))

    def _length(self, metres: float) -> str:
        return format_length(metres, unit=self.site.length_unit, decimals=2)

    def _fix(self, name: str, tapes: Sequence[Tape], *, near: Floats | None = None) -> _Fix:
        points = [self._from(tape.start) for tape in tapes]
        at = np.array([[each.easting_m, each.northing_m] for each in points])
        length = np.array([tape.distance_m for tape in tapes])
        sigma = np.hypot(self.site.crew.tape_sigma_m, [each.sigma_m for each in points])
        found = self._answers(name, tapes, at, length)
        miss = [_misses(at, length, place) / sigma for place in found]
        cost = [float(z @ z) for z in miss]
        if near is not None:
            best = int(np.argmin([np.hypot(*(place - near)) for place in found]))
        else:
            best = int(np.argmin(cost))
            self._one_answer(name, tapes, found, cost, best, float(sigma.max()))
        place = found[best]
        off = np.abs(miss[best]) * sigma
        worst = int(np.argmax(off))
        if off[worst] > max(REFUSED_SIGMAS * sigma[worst], REFUSED_M) and near is None:
            raise Refused(
                f'the tapes to "{name}" disagree: the one from "{tapes[worst].start}" misses by '
                f"{self._length(float(off[worst]))}",
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
        return _Fix(place, wider * major, worst, float(off[worst]), _crossing_deg(at, place))

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
            for start in both:
                place = _adjusted(at, length, start)
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

    def _one_answer(
        self,
        name: str,
        tapes: Sequence[Tape],
        found: Sequence[Floats],
        cost: Sequence[float],
        best: int,
        sigma_m: float,
    ) -> None:
        """Refuse to choose between two places that fit the tapes alike."""
        for place, each in zip(found, cost, strict=True):
            apart = float(np.hypot(*(place - found[best])))
            if apart > 6.0 * sigma_m and each < cost[best] + 9.0:
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
