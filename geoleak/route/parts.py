"""The pieces of a `RouteFit`, each worked out from the fitted alignment."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoleak.errors import SiteDataError
from geoleak.record import Record, replace
from geoleak.route.alignment import Alignment, Feet, feet_of
from geoleak.route.marks import Bend, FixedPoint, MarkArray, RouteOptions
from geoleak.route.model import split
from geoleak.route.profile import Smooth, smooth
from geoleak.route.result import StraightRun
from geoleak.route.search import Window
from geoleak.route.solve import Observations, Solution
from geoleak.route.spread import FittedShape, Spread, Stretch, length_slope, posteriors, together

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

WANDER_OF_GAP = {"signal": 0.0, "sonde": 0.0, "probe": 0.02, "records": 0.06, "assumed": 0.15}
"""Sideways sigma in the middle of a gap between marks, as a share of the gap, by how the marks
were found (our own figures: common practice, no source)."""
HIDDEN_OF_GAP = 0.03
"""The same for the part of a gap beyond 2.5 usual spacings, whatever the marks were found by."""
UNSEEN_SPACINGS = 2.5
GROUND_SIGMA_M = 0.02
"""Sigma of one height of the ground: rover and the unevenness of the surface."""
DRAWN_HEIGHT_M = 0.005
"""A profile this near a straight line between corners is drawn without further vertices."""


class Prepared(Record, eq=False):
    """Marks merged, in order, with the fixed points at their ends."""

    observations: Observations
    groups: list[list[int]]
    bias: Floats
    lead: int
    """1 where a start point stands before the first mark."""
    names: list[str]


class Beside(Record, eq=False):
    """Where each mark as given stands beside the route."""

    chainage_m: Floats
    offset_m: Floats
    sound: Floats


def chainages(shape: Alignment, where: Feet, points: Floats) -> Floats:
    """Return the chainages of marks' feet on the line as drawn, kept within it."""
    length, unit, turn = shape.parts
    station = shape.stations()
    run = where.run
    out = station[run, 1] - shape.tangent_m[run] + where.share * length[run]
    centre, radius, _ = shape.centres()
    for k in np.unique(where.corner[where.corner >= 0]):
        on = where.corner == k
        if radius[k] <= 0:
            out[on] = station[k, 0]
            continue
        first = shape.vertices[k] - shape.tangent_m[k] * unit[k - 1] - centre[k]
        spoke = points[on] - centre[k]
        cross = first[0] * spoke[:, 1] - first[1] * spoke[:, 0]
        angle = np.arctan2(cross, spoke @ first)
        out[on] = station[k, 0] - np.sign(turn[k]) * angle * radius[k]
    return np.clip(out, 0.0, shape.length_m()) * shape.drawn_share


def beside(
    marks: MarkArray,
    ready: Prepared,
    best: Solution,
    origin: Floats,
) -> Beside:
    """Return chainage, offset and chance of belonging of every mark as given."""
    count = len(marks)
    hint = np.zeros(count, dtype=np.int64)
    for number, group in enumerate(ready.groups):
        hint[group] = best.where.run[number + ready.lead]
    points = np.stack([marks.easting_m, marks.northing_m], axis=1) - origin
    where = feet_of(best.shape.stack, points, hint[None]).row(0)
    _, _, sound = split(where.offset_m, best.scale * marks.sigma_across_m)
    return Beside(chainages(best.shape, where, points), where.offset_m, sound)


def widened(spread: Spread, ready: Prepared, best: Solution, marks_by: str) -> Spread:
    """Return the spread with the sideways sigma of what may hide between marks added."""
    at = chainages(best.shape, best.where, ready.observations.points)
    at = np.sort(at[best.sound >= 0.5])
    if len(at) < 2:
        return spread
    gaps = np.diff(at)
    usual = float(np.median(gaps)) if len(gaps) >= 3 else np.inf
    share = WANDER_OF_GAP[marks_by]
    hidden = HIDDEN_OF_GAP * np.maximum(gaps - UNSEEN_SPACINGS * usual, 0.0)
    middle = np.hypot(share * gaps, hidden)
    left = np.clip(np.searchsorted(at, spread.nodes_m, side="right") - 1, 0, len(gaps) - 1)
    part = np.clip((spread.nodes_m - at[left]) / np.maximum(gaps[left], 1e-9), 0.0, 1.0)
    own = spread.own.copy()
    own[:, 1, 1] += (4.0 * part * (1.0 - part) * middle[left]) ** 2
    return replace(spread, own=own)


def depths(
    marks: MarkArray, options: RouteOptions, chainage_m: Floats, length_m: float
) -> tuple[Smooth, Smooth]:
    """Return depth to the pipe's centre along the route, and its shared sigma."""
    add, extra = to_centre(options)
    ends = [(p, at) for p, at in _ends(marks, length_m) if np.isfinite(p.depth_m)]
    at = np.append(chainage_m, [at for _, at in ends])
    depth = np.append(marks.depth_m, [p.depth_m for p, _ in ends]) + add
    sigma = np.append(
        np.hypot(np.asarray(marks.depth_sigma_m), extra),
        [max(0.05 * p.depth_m, 0.02) for p, _ in ends],
    )
    if not len(depth):
        raise SiteDataError(
            f"{options.leg or 'the leg'}: no depth is known anywhere on it; give the leg a depth"
        )
    own = smooth(at, depth, sigma, length_m)
    if len(marks):
        shared = np.asarray(marks.depth_shared_m)
        rank = np.argsort(chainage_m, kind="stable")
        level = np.interp(own.knots_m, chainage_m[rank], shared[rank])
    else:
        level = 0.05 * np.abs(own.values)
    return own, Smooth(own.knots_m, level, np.zeros((len(level), len(level))))


def _ends(marks: MarkArray, length_m: float) -> list[tuple[FixedPoint, float]]:
    both = ((marks.start, 0.0), (marks.end, length_m))
    return [(point, at) for point, at in both if point is not None]


def to_centre(options: RouteOptions) -> tuple[float, float]:
    """Return what brings a measured depth to the pipe's centre, and the sigma that adds.

    A tracer wire is taped to the top of the pipe (a quarter of the diameter stands for its having
    slipped round); a sonde lies in the bore (a quarter of the diameter for lying low in it).
    Common practice, no source.
    """
    diameter = options.outside_diameter_m or 0.0
    if options.depth_to == "crown":
        return 0.5 * diameter, 0.0
    if options.depth_to == "wire":
        return 0.5 * diameter, 0.25 * diameter
    if options.depth_to == "sonde":
        return 0.0, 0.25 * diameter
    return 0.0, 0.0


def raised(
    shape: Alignment,
    marks: MarkArray,
    options: RouteOptions,
    chainage_m: Floats,
    depth: Smooth,
    length_m: float,
) -> Floats:
    """Return the line's vertices, with the smoothed height of the pipe where heights are known."""
    plan = shape.polyline()
    add, _ = to_centre(options)
    known = np.isfinite(marks.height_m)
    ends = [(p, at) for p, at in _ends(marks, length_m) if np.isfinite(p.height_m)]
    places = np.array([at for _, at in ends])
    ground = np.append(marks.height_m[known], [p.height_m for p, _ in ends])
    if not len(ground):
        return plan
    under = np.append(marks.depth_m[known] + add, depth.at(places))
    own = np.append(np.asarray(marks.depth_sigma_m)[known], depth.sigma(places))
    at = np.append(chainage_m[known], places)
    levels = smooth(at, ground - under, np.hypot(own, GROUND_SIGMA_M), length_m)
    return with_heights(plan, levels)


def with_heights(plan: Floats, levels: Smooth) -> Floats:
    """Return plan vertices with heights, and a vertex at each knot where the grade is not even."""
    step = np.hypot(*np.diff(plan, axis=0).T)
    chainage = np.concatenate([[0.0], np.cumsum(step)])
    knots = levels.knots_m * (chainage[-1] / levels.knots_m[-1])
    knots = knots[(knots > 0.1) & (knots < chainage[-1] - 0.1)]
    levelled = np.interp(knots, chainage, levels.at(chainage))
    if len(knots) and np.max(np.abs(levels.at(knots) - levelled)) > DRAWN_HEIGHT_M:
        far = np.min(np.abs(knots[:, None] - chainage[None, :]), axis=1) > 0.05
        full = np.sort(np.concatenate([chainage, knots[far]]))
    else:
        full = chainage
    columns = [np.interp(full, chainage, plan[:, axis]) for axis in (0, 1)]
    return np.stack([*columns, levels.at(full)], axis=1)


def bends(best: FittedShape) -> tuple[Bend, ...]:
    """Return the bends and arcs of the best structure, in order of chainage."""
    shape, covariance = best.shape, best.covariance
    _, unit, turn = shape.parts
    _, radius, _ = shape.centres()
    station = shape.stations() * shape.drawn_share
    out = []
    for k in range(1, shape.runs):
        block = covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2]
        sigma = float(np.sqrt(unit[k - 1] @ block @ unit[k - 1]))
        out.append(
            Bend(
                chainage_m=float(station[k].mean()),
                deflection_deg=float(np.rad2deg(turn[k])),
                radius_m=float(radius[k]),
                from_m=float(station[k, 0]),
                to_m=float(station[k, 1]),
                sigma_chainage_m=sigma,
            )
        )
    return tuple(out)


def runs(best: Solution, ready: Prepared) -> tuple[StraightRun, ...]:
    """Return the straights and arcs with the first and last mark on each, strays left out."""
    shape = best.shape
    station = shape.stations() * shape.drawn_share
    sound = best.sound >= 0.5
    at = chainages(shape, best.where, ready.observations.points)
    _, radius, _ = shape.centres()
    out: list[StraightRun] = []

    def add(low: float, high: float, curved: bool) -> None:
        if high - low <= 1e-9 and (curved or len(out)):
            return
        held = np.flatnonzero(sound & (at >= low - 1e-6) & (at <= high + 1e-6))
        names = [ready.names[i] for i in held]
        first, last = (names[0], names[-1]) if names else ("", "")
        out.append(StraightRun(low, high, first, last, curved))

    for k in range(shape.runs):
        add(float(station[k, 1]), float(station[k + 1, 0]), False)
        if radius[k + 1] > 0:
            add(float(station[k + 1, 0]), float(station[k + 1, 1]), True)
    return tuple(out)


def stretches(
    best: Solution, marks: Observations, bias_m: Floats, windows: list[Window]
) -> list[Stretch]:
    """Return what the windows of a long route may hold, each for its own share of the chainage.

    Windows overlap; each counts from the middle of the overlap to the middle of the next.
    """
    at = chainages(best.shape, best.where, marks.points)
    ends = [(float(at[each.first]), float(at[each.stop - 1])) for each in windows]
    out = []
    for number, each in enumerate(windows):
        low = 0.5 * (ends[number - 1][1] + ends[number][0]) if number else 0.0
        last = number + 1 == len(windows)
        high = np.inf if last else 0.5 * (ends[number][1] + ends[number + 1][0])
        part = marks.part(each.first, each.stop)
        known = posteriors(list(each.candidates), part, bias_m[each.first : each.stop])
        if len(known) > 1:
            out.append(Stretch(low, high, known))
    return out


def joined_length_sigma_m(spread: Spread, marks: Observations) -> float:
    """Return the sigma of the whole length of the dots joined."""
    ends = float(np.hypot(marks.sigma_along_m[0], marks.sigma_along_m[-1]))
    return float(np.hypot(spread.between(0.0, float(spread.nodes_m[-1])), ends))


def length_sigma_m(known: list[FittedShape], windows: list[Stretch]) -> float:
    """Return the sigma of the whole length, the structures averaged as in `spread_of`."""
    base = known[0].shape.length_m()
    total = 0.0
    for each in known:
        slope = length_slope(each.shape)
        square = float(slope @ each.covariance @ slope + (slope @ each.push) ** 2)
        total += each.share * (square + (each.shape.length_m() - base) ** 2)
    groups = []
    for window in windows:
        length = np.array([each.shape.length_m() for each in window.known])
        share = np.array([each.share for each in window.known])
        groups.append((length[None, 1:] - length[0], share[1:]))
    if groups:
        gaps, moments = together(groups)
        total += float(gaps[0] @ moments @ gaps[0])
    return float(np.sqrt(total))
