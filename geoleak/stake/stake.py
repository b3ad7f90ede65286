"""The stake: where it may stand, why, the stakes beside it, and the ties that find it again.

Everything is in the working frame, metres on the ground, where a length is what a level tape reads.
Sigma is one standard deviation; the setting-out ellipse says where the stake itself may stand, not
how far the leak's own place is spread along the pipe (that is the interval). Ties are taped
distances from fixed features. Two tapes meet at two places; which of them is the stake is said in
words.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Callable, Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from geoleak.record import ArrayLike, Floats, Record
from geoleak.survey import Survey, SurveyedPoint, TapePoint, tape_covariance
from geoleak.units import format_length, format_station, unit_m

if TYPE_CHECKING:
    from geoleak.linref import Route
    from geoleak.route import RouteFit

ELLIPSE_95 = math.sqrt(-2 * math.log(0.05))
"""Radius, in sigmas, that holds 95 % of a two-dimensional normal: 2.44775 (chi-square, 2 dof)."""
BEND_REACH_M = 0.3
"""Square to the pipe is taken over this much pipe either side of the stake."""
GROUND_REACH_M = 25.0
"""Ground farther away than this says nothing of the slope at a stake (our own figure)."""
LEAST_SPREAD_M = 1.0
"""Points must spread this far (root mean square) both ways before a slope is read off them."""
MISFIT_M = 0.25
"""Ground that is rougher than this about the plane is no plane: the slope is not used."""
LEAST_CROSSING_DEG = 20.0
"""Flatter than this no pair of tapes is given. Common practice, no source."""
GOOD_CROSSING_DEG = 30.0
"""Flatter than this is said. Common practice, no source."""
LEAST_TAPE_M = 0.3
MOST_FEATURES = 40
"""Only the nearest features are tried: 40 give 9,880 triples."""


class ErrorSource(Record):
    """One source of error of the stake: one standard deviation along and across the pipe."""

    source: str
    sigma_along_m: float
    sigma_across_m: float


class SettingOutEllipse(Record):
    """Where the stake itself may stand: the 95 % ellipse. Bearing clockwise from grid north."""

    semi_major_m: float
    semi_minor_m: float
    bearing_deg: float


class Stake(Record):
    """One row of stakes.csv: the leak's stake and what goes with it, or places to listen at."""

    id: str
    kind: str
    """``"stake"``, ``"offset_stake"``, ``"hole_start"``, ``"hole_end"``, ``"next_reading"``,
    ``"check_place"`` or ``"check_point"``."""
    label: str
    easting: float
    """In the printed grid and its unit, like `northing`."""
    northing: float
    elevation_m: float | None
    text: str = ""
    """What to do at it, where that is more than its label says (check points)."""


class Tie(Record):
    """A tape from a fixed feature to the stake, as the tape reads (ground, level)."""

    feature: str
    note: str
    distance_m: float
    """Rounded as it is printed: to 0.01 ft or 1 mm."""
    bearing_deg: float
    """From the feature to the stake, clockwise from grid north."""
    slope: str = ""


class Ties(Record):
    """The chosen tapes, or why there are none.

    Attributes
    ----------
    points : tuple of TapePoint
        Three, or two where no third helps, or none: where the tapes are held.
    ties : tuple of Tie
        The tape from each.
    texts : tuple of str
        Which side the stake lies on, how well it is found, and what is missing.
    side : str
        ``"left"`` or ``"right"`` of the line from the first feature to the second.
    crossing_deg : float
        How square the best pair of tapes crosses, 0 to 90; nan without ties.
    """

    points: tuple[TapePoint, ...]
    ties: tuple[Tie, ...]
    texts: tuple[str, ...]
    side: str = ""
    crossing_deg: float = math.nan


def ellipse(
    covariance_m2: ArrayLike, *, radius_sigmas: float = 1.0
) -> tuple[Floats, Floats, Floats]:
    """Return semi-major and semi-minor axis and the bearing of the major axis.

    Parameters
    ----------
    covariance_m2 : array_like, shape (..., 2, 2)
        Of easting and northing, square metres.
    radius_sigmas : float
        1 for the standard ellipse, `ELLIPSE_95` for the one that holds 95 %.

    Returns
    -------
    semi_major_m, semi_minor_m, bearing_deg : ndarray, shape (...)
        Bearing clockwise from north in [0, 180); 0 for a circle.
    """
    covariance = np.asarray(covariance_m2, dtype=float)
    east, north = covariance[..., 0, 0], covariance[..., 1, 1]
    cross = covariance[..., 0, 1]
    scale = np.maximum(np.maximum(np.abs(east), np.abs(north)), 1e-300)
    middle, half = (east + north) / 2, np.hypot((east - north) / 2, cross)
    bearing = np.degrees(np.arctan2(2 * cross, north - east)) / 2
    bearing = np.where(half <= 1e-12 * scale, 0.0, np.mod(bearing, 180.0))
    return (
        radius_sigmas * np.sqrt(middle + half),
        radius_sigmas * np.sqrt(np.maximum(middle - half, 0.0)),
        bearing[()],
    )


def budget(
    fit: RouteFit, chainage_m: float, *, rover_bias_m: float, rover_sigma_m: float
) -> tuple[ErrorSource, ...]:
    """Return the sources of error of the stake, along and across the pipe, and their total.

    Parameters
    ----------
    fit : RouteFit
    chainage_m : float
        The stake.
    rover_bias_m : float
        Sigma per axis that all points of the session share; it never averages out.
    rover_sigma_m : float
        Sigma per axis of the rover when it sets the stake out.

    Returns
    -------
    tuple of ErrorSource
        The last row is the total; its square is the sum of the squares above it.
    """
    bearing = math.radians(float(fit.route.bearing_deg(chainage_m)))
    way = np.array([math.sin(bearing), math.cos(bearing)])
    along, across = float(fit.sigma_along_m(chainage_m)), float(fit.sigma_across_m(chainage_m))
    # The locator's shared error along the pipe: past a bend it is not 0.
    whole = float(way @ np.asarray(fit.covariance(chainage_m)) @ way)
    shared = math.sqrt(max(0.0, whole - along**2 - rover_bias_m**2))
    bias = float(fit.sigma_locator_bias_m(chainage_m))
    rows = (
        ErrorSource("fitted line (marks)", along, across),
        ErrorSource("locator, shared by all marks", shared, bias),
        ErrorSource("rover, shared by the session", rover_bias_m, rover_bias_m),
        ErrorSource("rover, setting out", rover_sigma_m, rover_sigma_m),
    )
    whole_along = math.sqrt(sum(row.sigma_along_m**2 for row in rows))
    whole_across = math.sqrt(sum(row.sigma_across_m**2 for row in rows))
    return (*rows, ErrorSource("total", whole_along, whole_across))


def _bearing_deg(to: Floats) -> float:
    return math.degrees(math.atan2(to[0], to[1]))


def pipe_bearing_deg(route: Route, chainage_m: float) -> float:
    """Return the bearing of the pipe at a stake, over a little pipe either side of it.

    At a bend that is the bearing square to which an offset stake reads the same both ways.
    """
    ends = np.clip([chainage_m - BEND_REACH_M, chainage_m + BEND_REACH_M], 0.0, route.length_m)
    first, second = np.asarray(route.position(ends))
    return _bearing_deg(second - first) % 360


def on_bend(route: Route, chainage_m: float) -> bool:
    """Tell whether the pipe turns by over 5 degrees within reach of a chainage."""
    ends = np.clip([chainage_m - BEND_REACH_M, chainage_m + BEND_REACH_M], 0.0, route.length_m)
    before, after = np.asarray(route.bearing_deg(ends)).tolist()
    return abs((after - before + 180) % 360 - 180) > 5.0


def offset_places_m(route: Route, chainage_m: float, offset_m: float) -> Floats:
    """Return easting and northing (2, 2) of the stakes left and right, square to the pipe."""
    bearing = math.radians(pipe_bearing_deg(route, chainage_m))
    right = offset_m * np.array([math.cos(bearing), -math.sin(bearing)])
    place = np.asarray(route.position(chainage_m))
    return np.array([place - right, place + right])


def offset_label(side: str, offset_m: float, cut_m: float | None, station: str, unit: str) -> str:
    """Return what an offset stake carries: distance and side, cut ("C"), station.

    The order of construction stakes (military engineering training manual 14081). The cut is from
    the ground at the offset stake down to the crown; None: not known.
    """
    cut = "depth unknown" if cut_m is None else f"C {format_length(cut_m, unit=unit)}"
    return f"({format_length(offset_m, unit=unit)} {side}) {cut} {station}"


def ground_plane(points_m: ArrayLike, at_m: ArrayLike) -> Floats | None:
    """Fit a plane to the ground about a place by least squares.

    Parameters
    ----------
    points_m : array_like, shape (n, 3)
        Easting, northing and height of shot points; nan heights are passed over.
    at_m : array_like, shape (2,)

    Returns
    -------
    ndarray, shape (3,), or None
        Height at the place, rise per metre east and north. None with fewer than four points in
        reach, points in one line (marks along the pipe alone do not tell the slope across it), or
        ground that is no plane.
    """
    points = np.asarray(points_m, dtype=float).reshape(-1, 3)
    away = points[:, :2] - np.asarray(at_m)
    near = np.isfinite(points).all(axis=1) & (np.hypot(away[:, 0], away[:, 1]) <= GROUND_REACH_M)
    away, height = away[near], points[near, 2]
    if len(height) < 4:
        return None
    centred = away - away.mean(axis=0)
    narrowest = np.linalg.svd(centred, compute_uv=False)[-1] / np.sqrt(len(centred))
    if narrowest < LEAST_SPREAD_M:
        return None
    design = np.column_stack([np.ones(len(height)), away])
    found, *_ = np.linalg.lstsq(design, height, rcond=None)
    if np.sqrt(np.mean((design @ found - height) ** 2)) > MISFIT_M:
        return None
    return found


def place_text(
    survey: Survey, number: int, chainage_m: float, aside_m: float = 0.0, *, mark: str | None = None
) -> str:
    """Return a place of a leg as readings.csv understands it and a crew can find it: from a mark.

    The nearest, where none is given.
    """
    leg, unit = survey.legs[number], survey.site.length_unit
    chainage = np.asarray(leg.fit.mark_chainage_m)
    if len(chainage):
        ids = leg.fit.marks.ids
        k = ids.index(mark) if mark in ids else int(np.argmin(np.abs(chainage - chainage_m)))
        said = ids[k]
        if sum(said in other.leg.mark_ids for other in survey.legs) > 1:
            said = f"{leg.name} {said}"
        step = (chainage_m - chainage[k]) / unit_m(unit)
        if abs(step) >= 0.25:
            said += f" {'up' if step > 0 else 'down'} {abs(step):.1f}"
    else:
        calibrated = leg.route.calibration is not None
        measured = float(leg.route.measured_m(chainage_m)) if calibrated else chainage_m
        said = f"{leg.name}@{format_station(measured, unit=unit)}"
    if aside_m:
        said += f" {'right' if aside_m > 0 else 'left'} {abs(aside_m) / unit_m(unit):.1f}"
    return said


def free_ids(used: Iterable[str], count: int) -> tuple[str, ...]:
    """Return ids above the highest number used, so that a rover overwrites no point.

    Digits at the end of an id count too ("BC201"); ids without any are passed over.
    """
    tails = (re.search(r"[0-9]+$", each.strip()) for each in used)
    highest = max((int(tail[0]) for tail in tails if tail), default=0)
    return tuple(str(highest + step) for step in range(1, count + 1))


def check_points(
    points: Sequence[SurveyedPoint], at_m: ArrayLike, *, rover_sigma_m: float, unit: str
) -> tuple[tuple[SurveyedPoint, str], ...]:
    """Return the shot points that a rover occupies before it sets out the stake, and the words.

    The best of them by their own sigma, near the stake and apart from one another: two that stand
    apart also betray a turned or a scaled frame. They must read within 3 sigma of the difference
    of two shots, and 0.1 ft (or 3 cm) at least: less is noise. Common practice, no source. Painted
    marks wash off, and points that no rover stood on or without a differential solution check
    nothing: they are passed over. Where every mark is taped there is no rover to check.

    Parameters
    ----------
    points : sequence of SurveyedPoint
    at_m : array_like, shape (2,)
        The stake.
    rover_sigma_m : float
        Per axis, of the rover that sets it out.
    unit : {"m", "ft", "ftUS"}
        Of the words.
    """
    marks = [each.taped for each in points if each.kind == "mark"]
    usable = [
        each
        for each in points
        if not (marks and all(marks))
        and each.kind != "mark" and each.point.status != "single" and not each.taped
        and all(map(math.isfinite, (each.easting_m, each.northing_m, each.sigma_m)))
    ]  # fmt: skip
    left = [each for each in usable if each.point.status != "float"] or usable
    chosen: list[SurveyedPoint] = []

    def cost(point: SurveyedPoint) -> tuple[float, str]:
        # A walk of 100 m counts as a centimetre of sigma; a second point gains by standing apart.
        gain = min((_apart_m(point, each) for each in chosen), default=0.0)
        walk = math.hypot(*(np.array([point.easting_m, point.northing_m]) - at_m))
        return point.sigma_m + 1e-4 * walk - 5e-4 * min(gain, 50.0), point.point.id

    while left and len(chosen) < 2:
        best = min(left, key=cost)
        chosen.append(best)
        left = [each for each in left if _apart_m(each, best) > 1.0]
    least_m, decimals = (0.03, 2) if unit == "m" else (0.1 * unit_m(unit), 1)
    said = []
    for each, order in zip(chosen, ("first", "too"), strict=False):
        within = max(least_m, 3 * math.hypot(each.sigma_m, rover_sigma_m)) / unit_m(unit)
        # Rounded up: a stricter figure than it was reckoned would stop good work.
        shown = math.ceil(within * 10**decimals - 1e-6) / 10**decimals * unit_m(unit)
        limit = format_length(shown, unit=unit)
        said.append((each, f"occupy {each.point.id} {order}: it must read within {limit}, or stop"))
    return tuple(said)


def _apart_m(one: SurveyedPoint, two: SurveyedPoint) -> float:
    return math.hypot(one.easting_m - two.easting_m, one.northing_m - two.northing_m)


def choose_ties(
    points: Iterable[TapePoint],
    stake: Floats,
    *,
    height_m: float = math.nan,
    tape_length_m: float,
    tape_sigma_m: float,
    unit: str,
    to_grid: Callable[[float], float] = float,
) -> Ties:
    """Choose the features whose tapes to the stake cross best.

    Of all triples within reach of the tape, the one with the smallest setting-out error, and of
    equally good ones the one with the shorter tapes.

    Parameters
    ----------
    points : iterable of TapePoint
    stake : ndarray, shape (2,)
        Easting and northing.
    height_m : float
        Of the stake; nan where unknown.
    tape_length_m, tape_sigma_m : float
        Longest tape, and one standard deviation of one taped distance.
    unit : {"m", "ft", "ftUS"}
        Of the printed distances: to 0.01 ft, or to 1 mm.
    to_grid : callable
        Turns a bearing of the working frame into one of the printed grid.
    """
    near = _usable(points, stake, tape_length_m)
    best = _best(near, stake, tape_sigma_m) if len(near) > 1 else None
    if best is None:
        text = what_to_shoot(near, stake, tape_length_m, unit)
        if len(near) > 1:
            names = ", ".join(each.name for each in near[:3])
            why = f"{names} stand in line with the stake, so their tapes do not cross"
            text = f"no ties: {why}; {text}"
        return Ties((), (), (text,))
    # The two that cross squarest come first: the side is told of the line between them.
    first, second = max(
        itertools.combinations(best, 2),
        key=lambda pair: round(_crossing_deg(_xy(pair[0]), _xy(pair[1]), stake), 6),
    )
    ordered = (first, second, *(each for each in best if each not in (first, second)))
    at = np.array([_xy(each) for each in ordered])
    sigma = np.hypot(tape_sigma_m, [each.sigma_m for each in ordered])
    major, _, bearing = ellipse(tape_covariance(at, stake, sigma), radius_sigmas=ELLIPSE_95)
    crossing, along, to = _crossing_deg(at[0], at[1], stake), at[1] - at[0], stake - at[0]
    side = "left" if along[0] * to[1] - along[1] * to[0] > 0 else "right"
    away = _bearing_deg(along) + (-90 if side == "left" else 90)
    texts = [
        f"two tapes meet at two places: standing at {first.name} and facing {second.name}, the "
        f"stake is on your {side}, the {compass_word(to_grid(away % 360))} side of the line "
        "between them",
        f"tapes cross at {crossing:.0f} degrees: the stake is found within "
        f"{_tape(float(major), unit)} ({compass_word(to_grid(float(bearing)))}, 95 %) "
        f"with a tape good to {_tape(tape_sigma_m, unit)}",
    ]
    if crossing < GOOD_CROSSING_DEG:
        texts.append("the tapes cross flatly: pull them tight, or shoot a feature farther round")
    if len(ordered) == 2:
        texts.append("two ties only, so nothing checks them: no third feature is within reach")
    ties, factor = [], unit_m(unit)
    for each in ordered:
        to = stake - _xy(each)
        level_m = math.hypot(*to)
        slope = slope_words(height_m - each.height_m, level_m, tape_sigma_m, unit)
        shown_m = round(level_m / factor, _decimals(unit)) * factor
        ties.append(Tie(each.id, each.note, shown_m, to_grid(_bearing_deg(to) % 360), slope))
    return Ties(ordered, tuple(ties), tuple(texts), side, crossing)


def _usable(points: Iterable[TapePoint], stake: Floats, tape_length_m: float) -> list[TapePoint]:
    """Return the features within reach of the tape, the nearest first."""
    kept: list[TapePoint] = []
    away = {each: math.hypot(*(_xy(each) - stake)) for each in points}
    usable = (p for p in away if LEAST_TAPE_M <= away[p] <= tape_length_m)
    for each in sorted(usable, key=lambda p: (away[p], p.id)):
        # A corner shot twice is one corner.
        alone = all(math.hypot(*(_xy(each) - _xy(other))) > 0.1 for other in kept)
        if alone and math.isfinite(each.sigma_m) and len(kept) < MOST_FEATURES:
            kept.append(each)
    return kept


def _xy(point: TapePoint) -> Floats:
    return np.array([point.easting_m, point.northing_m])


def _best(
    near: Sequence[TapePoint], stake: Floats, tape_sigma_m: float
) -> tuple[TapePoint, ...] | None:
    """Return the triple (or pair) with the smallest error whose best pair crosses well enough."""
    at = np.array([_xy(each) for each in near])
    to = stake - at
    length = np.hypot(to[:, 0], to[:, 1])
    unit = to / length[:, None]
    sine = np.abs(unit[:, None, 0] * unit[None, :, 1] - unit[:, None, 1] * unit[None, :, 0])
    weight = 1 / (tape_sigma_m**2 + np.array([each.sigma_m for each in near]) ** 2)
    for size in (3, 2):
        if len(near) < size:
            continue
        choice = np.array(list(itertools.combinations(range(len(near)), size)))
        pairs = list(itertools.combinations(range(size), 2))
        cross = np.max([sine[choice[:, i], choice[:, j]] for i, j in pairs], axis=0)
        u, w = unit[choice], weight[choice]
        ee = np.sum(w * u[..., 0] ** 2, axis=1)
        nn = np.sum(w * u[..., 1] ** 2, axis=1)
        en = np.sum(w * u[..., 0] * u[..., 1], axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = (ee + nn) / (ee * nn - en**2)
        # Past a tenth of a millimetre the shorter tapes are the better ones.
        rank = np.round(np.sqrt(np.abs(variance)), 4) + 1e-9 * length[choice].sum(axis=1)
        rank[cross < math.sin(math.radians(LEAST_CROSSING_DEG))] = np.inf
        best = int(np.argmin(rank))
        if np.isfinite(rank[best]):
            return tuple(near[k] for k in choice[best])
    return None


def _crossing_deg(a: Floats, b: Floats, stake: Floats) -> float:
    one, two = stake - a, stake - b
    sine = abs(one[0] * two[1] - one[1] * two[0])
    return math.degrees(math.atan2(sine, abs(float(one @ two))))


def _decimals(unit: str) -> int:
    """Return the digits that a tape is read to: 1 mm, or 0.01 ft."""
    return 3 if unit == "m" else 2


def _tape(metres: float, unit: str) -> str:
    return format_length(metres, unit=unit, decimals=_decimals(unit))


def compass_word(bearing_deg: float) -> str:
    """Return the nearest of the eight directions.

    >>> compass_word(350.0)
    'north'
    """
    ways = [
        "north",
        "north-east",
        "east",
        "south-east",
        "south",
        "south-west",
        "west",
        "north-west",
    ]
    return ways[round(bearing_deg / 45) % 8]


def slope_words(rise_m: float, level_m: float, tape_sigma_m: float, unit: str) -> str:
    """Return a note where a tape laid on the ground would read longer than a level one.

    Empty where the heights are not known or the difference is less than the tape's own error.
    """
    if not math.isfinite(rise_m):
        return ""
    along = math.hypot(level_m, rise_m)
    if along - level_m <= tape_sigma_m:
        return ""
    way, rise = "up" if rise_m > 0 else "down", format_length(abs(rise_m), unit=unit, decimals=1)
    return (
        f"the ground goes {way} {rise} to the stake: hold the tape level (laid on the slope it "
        f"reads {_tape(along, unit)})"
    )


def what_to_shoot(near: Sequence[TapePoint], stake: Floats, tape_length_m: float, unit: str) -> str:
    """Return what to shoot so that ties can be given."""
    reach = format_length(tape_length_m, unit=unit, decimals=0)
    if not near:
        return (
            f"no ties: no fixed feature within {reach} of the stake; shoot three (building "
            "corners, poles, hydrants) spread around it and code them as features"
        )
    bearing = _bearing_deg(_xy(near[0]) - stake)
    square = (compass_word((bearing + 90) % 360), compass_word((bearing - 90) % 360))
    words = f"shoot a fixed feature {square[0]} or {square[1]} of the stake, within {reach} of it"
    if len(near) == 1:
        return f"no ties: only {near[0].name} is within {reach} of the stake; {words}"
    return words
