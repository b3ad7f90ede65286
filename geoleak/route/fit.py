"""`fit_route`: the marks of one leg to its fitted route."""

from __future__ import annotations

import os
from contextlib import AbstractContextManager, nullcontext

import numpy as np

from geoleak.linref import Route
from geoleak.record import Floats, Ints, replace
from geoleak.route import parts
from geoleak.route.alignment import Alignment
from geoleak.route.marks import (
    Bend,
    MarkArray,
    RouteOptions,
    check_distinct,
    found_order,
    merged,
    order_note,
)
from geoleak.route.moves import Block, blocks, outlier_rows
from geoleak.route.parts import Prepared, fit_notes, spacing_notes
from geoleak.route.result import (
    RouteFit,
    joined_spread,
    posterior_of,
    posteriors,
    spread_of,
)
from geoleak.route.search import FINE_CUT, Window, distinct, search
from geoleak.route.solve import Observations, Solution, misfit, solve_many
from geoleak.site import Note

MOST_SETTLED = 10
"""How many candidates are refitted at the scale of their own residuals."""
FAR_BEHIND = 25.0
"""And how far behind the best."""
PAST_END_M = 1.0
"""A mark this far past the end of a line that ends at its last mark is none of its marks."""
SAME_SCALE = 0.02
SUSPECT_SCALE = 1.3
SCALE_PRIOR = 20.0
"""How many marks' worth of scatter the stated sigma stands for."""
LEAST_SOUND = 0.5
"""Where fewer of the marks agree on a line, the dots are joined as they stand."""
MOST_TO_AND_FRO = 2.0
"""Nor is it a line if its marks in order run along it to and fro for more lengths than this."""
SCALE_LIMITS = (0.5, 2.5)
OTHER_LINE_SHARE = 0.5
"""Even odds of a detour and of another line where a block of marks stands aside (a guess of ours:
no source)."""


def one_blas_thread() -> AbstractContextManager[object]:
    """Keep BLAS to one thread: with many, 1,000 marks cost four to seven times the processor time.

    Sums are then made in one order: the same bytes on any number of cores. The commands say so in
    the environment, before numpy is loaded.
    """
    if os.environ.get("OPENBLAS_NUM_THREADS") == "1":
        return nullcontext()
    from threadpoolctl import threadpool_limits

    return threadpool_limits(1, user_api="blas")


def fit_route(marks: MarkArray, *, options: RouteOptions | None = None) -> RouteFit:
    """Fit the route of a leg through its marks.

    Straight runs joined at bends, or at arcs, as many as the data support; see
    `geoleak.route.search`. Chainage 0 stands at the start point, or beside the first mark.

    Parameters
    ----------
    marks : MarkArray
    options : RouteOptions, optional

    Returns
    -------
    RouteFit

    Raises
    ------
    GeometryError
        With fewer than two distinct points.
    """
    with one_blas_thread():
        return _fit_route(marks, options or RouteOptions())


def _fit_route(marks: MarkArray, options: RouteOptions) -> RouteFit:
    points = np.stack([marks.easting_m, marks.northing_m], axis=1)
    both = [np.array([[p.easting_m, p.northing_m]]) for p in (marks.start, marks.end) if p]
    check_distinct(np.concatenate([points, *both]), marks.sigma_along_m, options.leg)
    origin = np.round(points.mean(axis=0)) if len(points) else both[0][0]
    order, notes = _ordered(points - origin, marks, options)
    ready = _prepare(points - origin, marks, order, origin, options)
    notes += spacing_notes(ready)
    candidates: list[Solution] = []
    windows: list[Window] = []
    aside: list[Block] = []
    if options.fit == "runs" and len(ready.observations.points) > 2:
        candidates, windows = _fitted(ready.observations, options)
        if not candidates or not _agrees(candidates[0], ready.observations):
            candidates = []
            ready = replace(ready, options=replace(options, fit="marks"))
            notes.append(
                options.note(
                    "no_line",
                    "in the order given, the marks make no line of straights and bends: they were "
                    "joined as they stand; check the order and the codes of the marks",
                )
            )
    candidates = candidates or [_joined(ready.observations)]
    used = _with_scale(ready.observations, candidates[0].scale)
    if ready.options.fit == "runs":
        aside = blocks(candidates[0], used)
    fit = _assembled(ready, used, candidates, windows, aside)
    return replace(fit, warnings=(*notes, *fit_notes(fit, ready, aside)))


def _ordered(points: Floats, marks: MarkArray, options: RouteOptions) -> tuple[Ints, list[Note]]:
    given = np.arange(len(points))
    if options.order == "found":
        if len(points) < 3:
            return given, []
        order = found_order(points)
        absolute = np.stack([marks.easting_m, marks.northing_m], axis=1)
        point, end = (marks.start, 0) if marks.start else (marks.end, -1)
        if point:
            both = absolute[order[[end, -1 - end]]] - (point.easting_m, point.northing_m)
            near, far = np.hypot(both[:, 0], both[:, 1])
            if far < near:
                order = order[::-1].copy()
        return order, []
    note = order_note(points, marks.ids, given, options=options)
    return given, [note] if note else []


def _prepare(
    points: Floats, marks: MarkArray, order: Ints, origin: Floats, options: RouteOptions
) -> Prepared:
    groups, means = merged(points, marks, order)
    sigma = np.array([np.min(marks.sigma_across_m[g]) for g in groups])
    along = np.array([np.sum(marks.sigma_along_m[g] ** -2.0) ** -0.5 for g in groups])
    shared = np.asarray(marks.locator_bias_m, dtype=float)
    bias = np.array([np.mean(shared[g]) for g in groups])
    names = [marks.ids[g[0]] for g in groups]
    fixed = np.zeros(len(groups), dtype=bool)
    lead = 0
    for point, first in ((marks.start, True), (marks.end, False)):
        if point is None:
            continue
        place = np.array([[point.easting_m, point.northing_m]]) - origin
        at = 0 if first else len(means)
        near = 0 if first else -1
        own = max(point.sigma_m, 0.003)
        if len(groups) > 0 and np.hypot(*(means[near] - place[0])) <= 3 * np.hypot(
            own, along[near]
        ):
            # The first mark was painted at the point itself: the point is the better of the two.
            means[near], sigma[near], along[near] = place[0], own, own
            bias[near], fixed[near] = 0.0, True
            continue
        means = np.insert(means, at, place, axis=0)
        sigma, along = np.insert(sigma, at, own), np.insert(along, at, own)
        bias, fixed = np.insert(bias, at, 0.0), np.insert(fixed, at, True)
        names.insert(at, point.id)
        lead += int(first)
    ready = Observations(means, sigma, along, fixed)
    return Prepared(marks, options, order, origin, ready, groups, bias, lead, names)


def _joined(marks: Observations) -> Solution:
    """Return the dots joined."""
    shape = Alignment(marks.points.copy(), np.zeros(len(marks.points)))
    return misfit(shape, marks, np.minimum(np.arange(len(marks.points)), shape.runs - 1))


def _fitted(marks: Observations, options: RouteOptions) -> tuple[list[Solution], list[Window]]:
    """Return candidates, best first, each at its own scale, and a long route's windows."""
    weight, scale = first_look(marks)
    if not options.scale_sigma:
        scale = 1.0
    found, windows = search(_with_scale(marks, scale), weight / scale**2)
    settled = _settled(_nearest(found), marks, scale, free=options.scale_sigma)
    if scale > SUSPECT_SCALE and not windows:
        # Bends close together look like scatter to the first look: the statement is tried as well.
        found, _ = search(marks, weight)
        settled += _settled(_nearest(found), marks, 1.0, free=True)
    if not windows and _has_failed(distinct(settled), marks):
        found, windows = search(marks, np.asarray(marks.sigma_m**-2.0), cuts_at=(FINE_CUT,))
        settled += _settled(_nearest(found), marks, 1.0, free=options.scale_sigma)
    return distinct(settled), windows


def _nearest(found: list[Solution]) -> list[Solution]:
    return [each for each in found[:MOST_SETTLED] if each.score < found[0].score + FAR_BEHIND]


def _settled(
    candidates: list[Solution], marks: Observations, scale: float, *, free: bool
) -> list[Solution]:
    """Return candidates fitted to the end, each at the scale its own residuals ask for."""
    held = list(candidates)
    scales = np.full(len(held), np.inf)
    for _ in range(3):
        better = np.array([_scale_of(each, marks) if free else scale for each in held])
        stale = np.flatnonzero(np.abs(better / scales - 1) >= SAME_SCALE)
        if not len(stale):
            break
        fits = solve_many(
            [held[i].shape for i in stale],
            marks,
            np.array([held[i].where.run for i in stale]),
            sigma_m=np.where(marks.fixed, 1.0, better[stale, None]) * marks.sigma_m,
        )
        for i, fit in zip(stale, fits, strict=True):
            scales[i] = better[i]
            held[i] = fit or held[i]
    if not free:
        return [replace(each, scale=scale) for each in held]
    return [_charged(each, marks, float(final)) for each, final in zip(held, scales, strict=True)]


def _charged(fit: Solution, marks: Observations, scale: float) -> Solution:
    """Return a solution whose score holds what its scale costs.

    A structure that misses a bend and calls the misfit scatter pays for the wider sigma at every
    mark, and against the crew's statement.
    """
    count = float(np.sum(~marks.fixed))
    stated = SCALE_PRIOR * (2 * np.log(scale) + scale**-2.0 - 1.0)
    # The likeliest scale is too small by what the parameters took up, and not known itself: the
    # variance of Student's t with the freedom that is left.
    spent = min(float(fit.shape.stack.size) - 2.0, count)
    wider = (SCALE_PRIOR + count) / (SCALE_PRIOR + count - spent - 2.0)
    score = fit.score + 2 * count * np.log(scale) + stated
    return replace(fit, weight=fit.weight / wider, score=score, scale=scale)


def _agrees(best: Solution, marks: Observations) -> bool:
    """Tell whether most marks lie on the line, one after another."""
    shape = best.shape
    along = parts.chainages(shape, best.where, marks.points)
    to_and_fro = float(np.sum(np.abs(np.diff(along))))
    return bool(
        np.mean(best.sound) >= LEAST_SOUND and to_and_fro <= MOST_TO_AND_FRO * shape.length_m()
    )


def _has_failed(found: list[Solution], marks: Observations) -> bool:
    """Tell whether a fit leaves marks in a row aside, or past an end, that a bend might explain."""
    if not found or not _agrees(found[0], marks):
        return True
    fit = found[0]
    past = (fit.where.run == 0) & (fit.where.share * fit.shape.lengths[0] < -PAST_END_M)
    turned = 1.0 - fit.where.share
    past |= (fit.where.run == fit.shape.runs - 1) & (turned * fit.shape.lengths[-1] < -PAST_END_M)
    return bool(past.any() or outlier_rows(fit))


def _with_scale(marks: Observations, scale: float) -> Observations:
    return replace(marks, sigma_m=np.where(marks.fixed, 1.0, scale) * marks.sigma_m)


def _scale_of(best: Solution, marks: Observations) -> float:
    """Return the sigma's factor: stated 1 with a prior's weight, corrected by the scatter."""
    free = ~marks.fixed
    sound = best.sound[free]
    square = (best.where.offset_m[free] / marks.sigma_m[free]) ** 2
    known = float(sound.sum())
    total = float(np.sum(sound * square))
    ratio = (SCALE_PRIOR + total) / (SCALE_PRIOR + known)
    return float(np.clip(np.sqrt(ratio), *SCALE_LIMITS))


def first_look(marks: Observations) -> tuple[Floats, float]:
    """Return first weights (n,) and the scale of the scatter, from each mark's near neighbours.

    A mark is held against lines through the four marks before it, the four after it and two on
    either side; the kindest of the three counts, so that a mark beside a bend is not suspected.
    """
    count = len(marks.points)
    kindest = np.full(count, np.inf)
    middle = np.full(count, np.nan)
    windows = ((-4, -3, -2, -1), (1, 2, 3, 4), (-2, -1, 1, 2))
    for number, shifts in enumerate(windows):
        rows = np.arange(count)[:, None] + np.array(shifts)
        inside = (rows[:, 0] >= 0) & (rows[:, -1] < count)
        if not inside.any():
            continue
        z = _against(marks, np.flatnonzero(inside), rows[inside])
        kindest[inside] = np.minimum(kindest[inside], np.abs(z))
        if number == 2:
            middle[inside] = z
    kindest[~np.isfinite(kindest)] = 0.0
    known = middle[np.isfinite(middle)]
    robust = 1.0
    if len(known) >= 4:
        spread = np.median(np.abs(known)) / 0.6745
        robust = np.sqrt(
            (SCALE_PRIOR + 0.5 * len(known) * spread**2) / (SCALE_PRIOR + 0.5 * len(known))
        )
    scale = float(np.clip(robust, *SCALE_LIMITS))
    doubtful = (kindest > 4.0 * scale) & ~marks.fixed
    weight = marks.sigma_m**-2.0 * np.where(doubtful, 0.02, 1.0)
    return weight, scale


def _against(marks: Observations, which: Ints, rows: Ints) -> Floats:
    """Return the standardised distance of marks from the line through their neighbours."""
    near = marks.points[rows]
    centre = near.mean(axis=1)
    moved = near - centre[:, None, :]
    xx, yy = np.sum(moved[..., 0] ** 2, axis=1), np.sum(moved[..., 1] ** 2, axis=1)
    xy = np.sum(moved[..., 0] * moved[..., 1], axis=1)
    angle = 0.5 * np.arctan2(2 * xy, xx - yy)
    unit = np.stack([np.cos(angle), np.sin(angle)], axis=1)
    gap = marks.points[which] - centre
    along = np.sum(gap * unit, axis=1)
    across = gap[:, 0] * unit[:, 1] - gap[:, 1] * unit[:, 0]
    long = np.maximum(np.sum(np.sum(moved * unit[:, None, :], axis=2) ** 2, axis=1), 1e-6)
    leverage = 1.0 + 1.0 / rows.shape[1] + along**2 / long
    return np.asarray(across / (marks.sigma_m[which] * np.sqrt(leverage)))


def _assembled(
    ready: Prepared,
    used: Observations,
    candidates: list[Solution],
    windows: list[Window],
    aside: list[Block],
) -> RouteFit:
    """Return the route, its structures averaged by their shares.

    Blocks of marks aside share theirs evenly.
    """
    best, options = candidates[0], ready.options
    shape, length = best.shape, best.shape.length_m()
    chainage, offset, sound = parts.beside(ready, best)
    bends: tuple[Bend, ...] = ()
    if options.fit == "marks" and shape.runs > 1:
        spread = joined_spread(shape, used, ready.bias)
        ends = np.hypot(used.sigma_along_m[0], used.sigma_along_m[-1])
        length_sigma = float(np.hypot(spread.between(0.0, float(spread.nodes_m[-1])), ends))
    else:
        known = posteriors(candidates, used, ready.bias)
        others = [each.other for each in aside]
        if others:
            share = OTHER_LINE_SHARE / len(others)
            known = [replace(each, share=(1.0 - OTHER_LINE_SHARE) * each.share) for each in known]
            known += [posterior_of(each, used, ready.bias, share) for each in others]
        stretches = parts.stretches(best, used, ready.bias, windows)
        spread = spread_of(known, stretches)
        length_sigma = parts.length_sigma_m(known, stretches)
        bends = parts.bends(known[0])
    depth, shared = parts.depths(ready, chainage, length)
    line = parts.raised(ready, shape, chainage, depth)
    line[:, :2] += ready.origin
    return RouteFit(
        route=Route.from_vertices(line),
        marks=ready.marks,
        order=ready.order,
        bends=bends,
        runs=parts.runs(best, ready),
        mark_chainage_m=chainage,
        mark_residual_m=offset,
        mark_weight=sound,
        strays=np.flatnonzero(sound < 0.5),
        sigma_scale=best.scale,
        length_sigma_m=length_sigma,
        warnings=(),
        spread=parts.widened(spread, ready, best),
        depth=depth,
        depth_shared=shared,
        outside_diameter_m=options.outside_diameter_m,
    )
