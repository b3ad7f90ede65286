"""The pieces of a `RouteFit`, each worked out from the fitted alignment, and what it warns of."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geoleak.errors import SiteDataError
from geoleak.record import Floats, Ints, Record, replace
from geoleak.route.alignment import Alignment, Feet, feet_of
from geoleak.route.marks import GAP_OF_SPACING, Bend, FixedPoint, MarkArray, RouteOptions
from geoleak.route.moves import Block
from geoleak.route.result import (
    FittedShape,
    RouteFit,
    Smooth,
    Spread,
    StraightRun,
    Stretch,
    length_slope,
    posteriors,
    smooth,
    together,
)
from geoleak.route.search import Window
from geoleak.route.solve import Observations, Solution, split
from geoleak.site import Note

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
    """Marks merged, in order, about an origin, with the fixed points at their ends."""

    marks: MarkArray
    options: RouteOptions
    order: Ints
    origin: Floats
    observations: Observations
    groups: list[list[int]]
    bias: Floats
    lead: int
    """1 where a start point stands before the first mark."""
    names: list[str]


def chainages(shape: Alignment, where: Feet, points: Floats) -> Floats:
    """Return the chainages of marks' feet on the line as drawn, kept within it."""
    station, run = shape.station, where.run
    out = station[run, 1] - shape.tangent_m[run] + where.share * shape.lengths[run]
    for k in np.unique(where.corner[where.corner >= 0]):
        on = where.corner == k
        if shape.radius[k] <= 0:
            out[on] = station[k, 0]
            continue
        first = shape.vertices[k] - shape.tangent_m[k] * shape.unit[k - 1] - shape.centre[k]
        spoke = points[on] - shape.centre[k]
        cross = first[0] * spoke[:, 1] - first[1] * spoke[:, 0]
        angle = np.arctan2(cross, spoke @ first)
        out[on] = station[k, 0] - np.sign(shape.turn[k]) * angle * shape.radius[k]
    return np.clip(out, 0.0, shape.length_m()) * shape.drawn_share


def beside(ready: Prepared, best: Solution) -> tuple[Floats, Floats, Floats]:
    """Return chainage, offset and chance of belonging (n,) of every mark as given."""
    marks = ready.marks
    hint = np.zeros(len(marks), dtype=np.int64)
    for number, group in enumerate(ready.groups):
        hint[group] = best.where.run[number + ready.lead]
    points = np.stack([marks.easting_m, marks.northing_m], axis=1) - ready.origin
    where = feet_of(best.shape.stack, points, hint[None]).row(0)
    _, _, sound = split(where.offset_m, best.scale * marks.sigma_across_m)
    return chainages(best.shape, where, points), where.offset_m, sound


def widened(spread: Spread, ready: Prepared, best: Solution) -> Spread:
    """Return the spread with the sideways sigma of what may hide between marks added."""
    at = chainages(best.shape, best.where, ready.observations.points)
    at = np.sort(at[best.sound >= 0.5])
    if len(at) < 2:
        return spread
    gaps = np.diff(at)
    usual = float(np.median(gaps)) if len(gaps) >= 3 else np.inf
    share = WANDER_OF_GAP[ready.marks.marks_by]
    hidden = HIDDEN_OF_GAP * np.maximum(gaps - UNSEEN_SPACINGS * usual, 0.0)
    middle = np.hypot(share * gaps, hidden)
    left = np.clip(np.searchsorted(at, spread.nodes_m, side="right") - 1, 0, len(gaps) - 1)
    part = np.clip((spread.nodes_m - at[left]) / np.maximum(gaps[left], 1e-9), 0.0, 1.0)
    own = spread.own.copy()
    own[:, 1, 1] += (4.0 * part * (1.0 - part) * middle[left]) ** 2
    return replace(spread, own=own)


def depths(ready: Prepared, chainage_m: Floats, length_m: float) -> tuple[Smooth, Smooth]:
    """Return depth to the pipe's centre along the route, and its shared sigma."""
    marks = ready.marks
    add, extra = to_centre(ready.options)
    ends = [(p, at) for p, at in _ends(marks, length_m) if np.isfinite(p.depth_m)]
    at = np.append(chainage_m, [at for _, at in ends])
    depth = np.append(marks.depth_m, [p.depth_m for p, _ in ends]) + add
    sigma = np.append(
        np.hypot(np.asarray(marks.depth_sigma_m), extra),
        [max(0.05 * p.depth_m, 0.02) for p, _ in ends],
    )
    if not len(depth):
        raise SiteDataError(
            f"{ready.options.leg or 'the leg'}: no depth is known anywhere on it; give the leg a "
            "depth"
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
    shares = {"centre": (0.0, 0.0), "crown": (0.5, 0.0), "wire": (0.5, 0.25), "sonde": (0.0, 0.25)}
    add, extra = shares[options.depth_to]
    diameter = options.outside_diameter_m or 0.0
    return add * diameter, extra * diameter


def raised(ready: Prepared, shape: Alignment, chainage_m: Floats, depth: Smooth) -> Floats:
    """Return the line's vertices, with the smoothed height of the pipe where heights are known.

    A vertex stands at each knot where the grade is not even.
    """
    marks, length_m, plan = ready.marks, shape.length_m(), shape.polyline()
    add, _ = to_centre(ready.options)
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
    step = np.hypot(*np.diff(plan, axis=0).T)
    chainage = np.concatenate([[0.0], np.cumsum(step)])
    knots = levels.knots_m * (chainage[-1] / levels.knots_m[-1])
    knots = knots[(knots > 0.1) & (knots < chainage[-1] - 0.1)]
    levelled = np.interp(knots, chainage, levels.at(chainage))
    full = chainage
    if len(knots) and np.max(np.abs(levels.at(knots) - levelled)) > DRAWN_HEIGHT_M:
        far = np.min(np.abs(knots[:, None] - chainage[None, :]), axis=1) > 0.05
        full = np.sort(np.concatenate([chainage, knots[far]]))
    columns = [np.interp(full, chainage, plan[:, axis]) for axis in (0, 1)]
    return np.stack([*columns, levels.at(full)], axis=1)


def bends(best: FittedShape) -> tuple[Bend, ...]:
    """Return the bends and arcs of the best structure, in order of chainage."""
    shape, covariance = best.shape, best.covariance
    unit, station = shape.unit, shape.station * shape.drawn_share
    out = []
    for k in range(1, shape.runs):
        block = covariance[2 * k : 2 * k + 2, 2 * k : 2 * k + 2]
        sigma = float(np.sqrt(unit[k - 1] @ block @ unit[k - 1]))
        out.append(
            Bend(
                chainage_m=float(station[k].mean()),
                deflection_deg=float(np.rad2deg(shape.turn[k])),
                radius_m=float(shape.radius[k]),
                from_m=float(station[k, 0]),
                to_m=float(station[k, 1]),
                sigma_chainage_m=sigma,
            )
        )
    return tuple(out)


def runs(best: Solution, ready: Prepared) -> tuple[StraightRun, ...]:
    """Return the straights and arcs with the first and last mark on each, strays left out."""
    shape = best.shape
    station = shape.station * shape.drawn_share
    sound = best.sound >= 0.5
    at = chainages(shape, best.where, ready.observations.points)
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
        if shape.radius[k + 1] > 0:
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


MOST_NAMED = 8
SCATTER_SAID = 1.4
# Ends look swapped where the other way round joins them over so much less, and by this share of
# the line between them: common practice, no source.
SWAPPED_TIMES, SWAPPED_SHARE = 2.0, 0.5
# A step to a line beside: so far aside, going on within 45 degrees of as before. Common practice.
STEP_ASIDE_M, GOES_ON = 0.5, 0.7


def spacing_notes(ready: Prepared) -> Iterator[Note]:
    """Yield warnings of gaps, of steps aside and of marks closer than their own error.

    And of a leg's two fixed ends that look swapped.
    """
    means, sigma = ready.observations.points, ready.observations.sigma_m
    names, options = ready.names, ready.options
    apart = np.hypot(*np.diff(means, axis=0).T)
    usual = float(np.median(apart))
    if len(apart) >= 3:
        for i in np.flatnonzero(apart > GAP_OF_SPACING * usual).tolist():
            yield options.note(
                "gap",
                f"{options.said(float(apart[i]))} without a mark between {names[i]} and "
                f"{names[i + 1]}, where the usual spacing is {options.said(usual)}: a bend in "
                "there would not be seen",
                rows=(names[i], names[i + 1]),
            )
    yield from _steps_aside(ready)
    close = np.flatnonzero(apart < 0.5 * (sigma[1:] + sigma[:-1])).tolist()
    if len(close):
        pairs = ", ".join(f"{names[i]} and {names[i + 1]}" for i in close[:5])
        more = f" and {len(close) - 5} more pairs" if len(close) > 5 else ""
        yield options.note(
            "marks_too_close",
            f"marks {pairs}{more} stand closer than their own sideways error: they say little "
            "about the direction of the pipe",
        )
    if len(means) < 4 or not (ready.marks.start and ready.marks.end):
        return
    start, first, last, end = means[[0, 1, -2, -1]]
    now = float(np.hypot(*(start - first)) + np.hypot(*(end - last)))
    swapped = float(np.hypot(*(end - first)) + np.hypot(*(start - last)))
    between = float(np.hypot(*np.diff(means[1:-1], axis=0).T).sum())
    if now > SWAPPED_TIMES * swapped and now - swapped > SWAPPED_SHARE * between:
        yield options.note(
            "ends_swapped",
            f"start and end look swapped: from {names[0]} along the marks to {names[-1]} it is "
            f"{options.said(between + now)}, the other way round {options.said(between + swapped)}",
        )


def _steps_aside(ready: Prepared) -> Iterator[Note]:
    """Yield where the marks leave their line between two of them and go on beside it."""
    means, sigma = ready.observations.points, ready.observations.sigma_m
    names, options = ready.names, ready.options
    for i in range(2, len(means) - 3):
        before, after = means[i] - means[i - 2], means[i + 3] - means[i + 1]
        lengths = float(np.hypot(*before)), float(np.hypot(*after))
        if not min(lengths) > 0:
            continue
        along = before / lengths[0]
        turned = float(along @ after) / lengths[1]
        step = means[i + 1] - means[i]
        ahead, aside = abs(float(along @ step)), abs(float(along[0] * step[1] - along[1] * step[0]))
        least = max(STEP_ASIDE_M, 4.0 * float(sigma[i] + sigma[i + 1]))
        if turned >= GOES_ON and aside >= least and aside > ahead:
            yield options.note(
                "step_aside",
                f"the marks step {options.said(aside)} aside between {names[i]} and "
                f"{names[i + 1]} and go on beside their line: those from {names[i + 1]} on, or "
                f"those up to {names[i]}, may be another line; locate both again, connected to "
                "the pipe itself",
            )


def fit_notes(fit: RouteFit, ready: Prepared, aside: list[Block]) -> Iterator[Note]:
    """Yield the warnings that follow from the fit itself."""
    ids, options = fit.marks.ids, ready.options
    repeated = [group for group in ready.groups if len(group) > 1]
    if repeated:
        named = "; ".join(" and ".join(ids[i] for i in group) for group in repeated[:MOST_NAMED])
        yield options.note(
            "repeated_marks", f"shot on the same spot and taken as one mark: {named}"
        )
    for each in aside:
        yield _another_line(fit, ready, each)
    in_blocks = {ready.names[k] for each in aside for k in each.marks}
    strays = [k for k in fit.strays if ids[k] not in in_blocks]
    for index in strays[:MOST_NAMED]:
        yield options.note(
            "stray_mark",
            f"mark {ids[index]} lies {_beside(fit.mark_residual_m[index], options)} of the line "
            "that the other marks make and hardly counts: it may be on another line; locate it "
            "again",
        )
    if len(strays) > MOST_NAMED:
        rest = ", ".join(ids[i] for i in strays[MOST_NAMED:])
        yield options.note("stray_mark", f"marks {rest} lie off the line as well")
    if fit.marks.marks_by in ("records", "assumed"):
        source = "drawn from records" if fit.marks.marks_by == "records" else "assumed"
        widest = float(np.sqrt(fit.spread.own[:, 1, 1].max()))
        yield options.note(
            "route_assumed",
            f"route assumed: its marks were {source}, not traced; between marks the pipe may lie "
            f"{options.said(2 * widest)} or more aside",
        )
    if fit.sigma_scale >= SCATTER_SAID:
        yield options.note(
            "scatter",
            f"the marks scatter {fit.sigma_scale:.1f} times as widely as the locator's stated "
            "error; the route's error was widened to match",
        )


def _another_line(fit: RouteFit, ready: Prepared, block: Block) -> Note:
    """Say that a block of marks stands aside, with the length of the leg by either answer."""
    options = ready.options
    names = [ready.names[k] for k in block.marks]
    lengths = [options.said(v) for v in (fit.route.length_m, block.other.shape.length_m())]
    along, past = lengths if block.followed else lengths[::-1]
    used = "follows them" if block.followed else "runs past them"
    return options.note(
        "another_line",
        f"marks {names[0]} to {names[-1]} ({len(names)} in a row) stand "
        f"{_beside(block.aside_m, options)} of the line through the others: does the pipe step "
        f"aside there, or did the locator follow another line? Along them the leg is {along} "
        f"long, past them {past}; the route {used}, and its error covers both: locate {names[0]} "
        f"and {names[-1]} again, connected to the pipe itself",
    )


def _beside(offset_m: float, options: RouteOptions) -> str:
    return f"{options.said(abs(float(offset_m)))} to the {'right' if offset_m > 0 else 'left'}"
