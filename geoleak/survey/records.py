"""The site put together: the records that evidence, posterior and stake take.

`geoleak.survey.survey_site` makes a `Survey` from a `Site`. All positions are
(easting, northing) in the working CRS, metres on the ground; a place on the pipe is
(leg number, chainage in metres). Arrays are one entry a row; ``nan`` in a float array means
"not stated", and only the fields that say so may hold it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np

from geoleak.errors import Origin
from geoleak.record import Bools, Floats, Ints, NDArray, Record, replace
from geoleak.site import (
    NOWHERE,
    Hole,
    Isolation,
    Leg,
    Note,
    PastLeak,
    Point,
    Sighting,
    Site,
    StopTest,
)
from geoleak.tables import setting

if TYPE_CHECKING:
    from geoleak.crs import Frame
    from geoleak.hydraulics import MeterTest
    from geoleak.linref import Route
    from geoleak.network import Network
    from geoleak.route import RouteFit

Rows = TypeVar("Rows", bound=Record)


def taken(record: Rows, rows: NDArray[Any]) -> Rows:
    """Return a record with some of the rows of every array in it (numbers, or a mask)."""
    held = ((name, getattr(record, name)) for name in record.__struct_fields__)
    return replace(record, **{k: each[rows] for k, each in held if isinstance(each, np.ndarray)})


class SurveyedLeg(Record):
    """A leg with its fitted route. ``number`` is its index in `Survey.legs`."""

    number: int
    leg: Leg
    fit: RouteFit
    boundary_m: float | None = None
    """Chainage at which responsibility changes."""

    @property
    def name(self) -> str:
        """The leg's name, as printed."""
        return self.leg.name

    @property
    def route(self) -> Route:
        """The fitted route: chainage is horizontal ground distance from the leg's start."""
        return self.fit.route


class PipePlace(Record):
    """A place on the network, with the pipe between it and the sensor (``lead_m``)."""

    leg: int
    chainage_m: float
    lead_m: float = 0.0


class SurveyedPoint(Record):
    """A shot point in the working CRS; ``leg`` and ``chainage_m`` where it stands on the pipe."""

    point: Point
    easting_m: float
    northing_m: float
    height_m: float
    """Ground height in metres, nan where unknown."""
    sigma_m: float
    kind: str
    """``"mark"``, ``"fitting"``, ``"feature"`` or ``"other"``."""
    leg: int | None = None
    chainage_m: float | None = None
    offset_m: float | None = None
    lead_m: float = 0.0
    taped: bool = False
    """Known by tapes only: no rover stood there."""


class Levels(Record, eq=False):
    """Readings of one kind, n rows, snapped to the pipe.

    Attributes
    ----------
    kind : str
        ``"surface"``, ``"contact"``, ``"gas"``, ``"bar_hole"`` or ``"rod"``.
    id : tuple of str, length n
    leg : ndarray of int, shape (n,)
    chainage_m, offset_m : ndarray, shape (n,)
        Snapped place; offset right positive.
    easting_m, northing_m : ndarray, shape (n,)
        Where the reading was taken.
    level_db : ndarray, shape (n,)
        Mean of the repeats, in the scale `Site.levels.level_scale` says (an amplitude is already
        20 log10 of it; a display figure stays a display figure).
    repeats : ndarray of int, shape (n,)
        How many repeats were pooled into ``level_db``.
    background_db : ndarray, shape (n,)
        nan where not measured.
    place : ndarray of int, shape (n,)
        Rows with the same number were taken at one place and share its coupling.
    session : ndarray of int, shape (n,)
        Index into ``sessions``; each session may carry its own level offset.
    surface : tuple of (str or None), length n
    censored : ndarray of int, shape (n,)
        +1: at or over the upper limit, -1: at or under the lower, 0: neither.
    gain_db, low_hz, high_hz : ndarray, shape (n,)
        nan where not stated.
    lead_m : ndarray, shape (n,)
        Pipe between the sensor and the buried run (contact readings).
    rival_leg : ndarray of int, shape (n,)
        Another stretch of pipe nearly as close: its leg, -1 where none.
    rival_chainage_m : ndarray, shape (n,)
        nan where none.
    everything_off : ndarray of bool, shape (n,)
        Every tap and machine was off while listening.
    tip_depth_m : ndarray, shape (n,)
        How deep a rod's tip stood; nan where not stated.
    """

    kind: str
    id: tuple[str, ...]
    leg: Ints
    chainage_m: Floats
    offset_m: Floats
    easting_m: Floats
    northing_m: Floats
    level_db: Floats
    repeats: Ints
    background_db: Floats
    place: Ints
    session: Ints
    sessions: tuple[str, ...]
    surface: tuple[str | None, ...]
    censored: Ints
    gain_db: Floats
    low_hz: Floats
    high_hz: Floats
    lead_m: Floats
    rival_leg: Ints
    rival_chainage_m: Floats
    everything_off: Bools
    tip_depth_m: Floats
    origin: tuple[Origin, ...] = ()
    repeat_sigma_db: Floats | None = None
    """Standard deviation of the repeats about their mean, shape (n,); nan where there is one."""
    recorded_sessions: tuple[int, ...] = ()
    """Sessions whose levels come from recordings: decibels on a scale of their own."""
    said: tuple[str, ...] = ()
    """Place of each row in the words of the sheet."""

    def __len__(self) -> int:
        return len(self.id)

    @property
    def at_one_gain_db(self) -> Floats:
        """Levels with each row's own gain taken off, shape (n,)."""
        return self.level_db - np.where(np.isfinite(self.gain_db), self.gain_db, 0.0)

    @property
    def aside(self) -> Bools:
        """Which rows stand beside the line, farther than a trench is wide, shape (n,)."""
        return np.asarray(np.abs(self.offset_m) >= setting("rival_aside_nearest").value)

    def near(self, leg: int, chainage_m: float, within_m: float) -> Bools:
        """Tell which rows stand nearer to a place than so much, along the pipe."""
        return np.asarray((self.leg == leg) & (np.abs(self.chainage_m - chainage_m) < within_m))

    def named(self, k: int) -> str:
        """Return a row's id and its place in the words of the sheet: ``17 (SV1)``."""
        return f"{self.id[k]} ({self.said[k]})" if self.said else self.id[k]


class SurveyedDelay(Record):
    """A delay with both sensors on the network: arrival at first minus arrival at second.

    ``shown_distance_m`` is what an instrument printed, where the delay was recovered from it.
    """

    id: str
    first: PipePlace
    second: PipePlace
    delay_s: float
    sigma_s: float
    speed_check: bool = False
    shown_distance_m: float | None = None
    shown_length_m: float | None = None
    shown_speed_m_per_s: float | None = None
    origin: Origin = NOWHERE


class SurveyedIsolation(Record):
    """A shut-off test with its valves on the network."""

    isolation: Isolation
    valves: tuple[PipePlace, ...]
    supply: PipePlace | None = None


class SurveyedSighting(Record):
    """A sighting and where it stands (working CRS), with its nearest place on the pipe."""

    sighting: Sighting
    easting_m: float
    northing_m: float
    leg: int
    chainage_m: float
    offset_m: float


class SurveyedHole(Record):
    """A dug hole as a stretch of one leg, from <= to."""

    hole: Hole
    leg: int
    from_m: float
    to_m: float


class SurveyedPastLeak(Record):
    """A leak repaired earlier, on the pipe."""

    past_leak: PastLeak
    leg: int
    chainage_m: float


class SurveyedStop(Record):
    """A stop test at its place on the pipe, levels in decibels (nan: not done)."""

    test: StopTest
    leg: int
    chainage_m: float
    as_found_db: float
    all_off_db: float
    fitting_worked_db: float
    supply_shut_db: float


class Survey(Record, eq=False):
    """Everything known of a site, on one network of fitted legs."""

    site: Site
    frame: Frame
    legs: tuple[SurveyedLeg, ...]
    network: Network
    points: tuple[SurveyedPoint, ...]
    surface: Levels
    contact: Levels
    gas: Levels
    bar_hole: Levels
    rod: Levels
    delays: tuple[SurveyedDelay, ...] = ()
    isolations: tuple[SurveyedIsolation, ...] = ()
    sightings: tuple[SurveyedSighting, ...] = ()
    holes: tuple[SurveyedHole, ...] = ()
    past_leaks: tuple[SurveyedPastLeak, ...] = ()
    stops: tuple[SurveyedStop, ...] = ()
    house_valve: PipePlace | None = None
    meter: MeterTest | None = None
    """What the meter's runs say, where there are any."""
    warnings: tuple[Note, ...] = ()
    """All points of the files, made when asked; ``points`` holds those that something uses."""

    def path_sigma_m(self, first: PipePlace, second: PipePlace) -> float:
        """Return the sigma of the shortest pipe between two places, from the routes' own errors.

        What the marks or the drawing leave of each stretch's length, another structure or another
        line among it; leads are not in it. Infinite where no pipe joins the two.
        """
        graph = self.network.graph
        ends = [([each.leg], [each.chainage_m]) for each in (first, second)]
        metres = self.network.path_lengths(*ends)[0, 0]
        if not np.isfinite(metres).all():
            return float("inf")
        square = 0.0
        for k in np.flatnonzero(metres > 0.0).tolist():
            route, fit = self.legs[k].route, self.legs[k].fit
            own = [route.pipe_m(each.chainage_m) for each in (first, second) if each.leg == k]
            joints = graph.stop_pipe_m[graph.bounds[k] : graph.bounds[k + 1]]
            # The path runs on this leg from a sensor or a joint to another, so many metres.
            known = np.concatenate([own, joints])
            misfit = np.abs(np.abs(known[:, None] - known) - metres[k])
            misfit[np.tril_indices(len(known))] = np.inf
            pair = known[list(np.unravel_index(np.argmin(misfit), misfit.shape))]
            chainage = np.interp(np.sort(pair), route.vertex_pipe_m, route.vertex_chainage_m)
            square += fit.path_sigma_m(*chainage.tolist()) ** 2
        return float(np.sqrt(square))

    @property
    def levels(self) -> tuple[Levels, ...]:
        """Readings of every kind."""
        return (self.surface, self.contact, self.gas, self.bar_hole, self.rod)

    @property
    def fittings(self) -> tuple[SurveyedPoint, ...]:
        """The fittings that stand on the network."""
        return tuple(p for p in self.points if p.kind == "fitting" and p.leg is not None)

    @property
    def features(self) -> tuple[SurveyedPoint, ...]:
        """The fixed things a tape can be held on."""
        return tuple(p for p in self.points if p.kind == "feature")


def no_levels(kind: str, count: int = 0) -> Levels:
    """Return a `Levels` of so many blank rows: one place each, nothing stated."""
    zero, nan = np.zeros(count), np.full(count, np.nan)
    whole = np.zeros(count, dtype=np.int64)
    zeros = ("chainage_m", "offset_m", "easting_m", "northing_m", "level_db", "lead_m")
    nans = ("background_db", "gain_db", "low_hz", "high_hz", "rival_chainage_m", "tip_depth_m")
    blank: dict[str, Any] = {**dict.fromkeys(zeros, zero), **dict.fromkeys(nans, nan)}
    return Levels(
        kind=kind,
        id=("",) * count,
        leg=whole,
        repeats=whole + 1,
        place=np.arange(count),
        session=whole,
        sessions=("",) if count else (),
        surface=(None,) * count,
        censored=whole,
        rival_leg=whole - 1,
        everything_off=np.zeros(count, dtype=bool),
        **blank,
    )


def levels_on_line(kind: str, legs: tuple[SurveyedLeg, ...], leg: int, at: Floats) -> Levels:
    """Return blank readings at chainages of one leg: a pattern for readings not taken yet."""
    place = np.asarray(legs[leg].route.position(at))
    rows = no_levels(kind, len(at))
    return replace(
        rows,
        leg=rows.leg + leg,
        chainage_m=at,
        easting_m=place[:, 0],
        northing_m=place[:, 1],
    )
