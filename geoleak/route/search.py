"""How many straights, bends and arcs: from first guesses, moves taken while the score falls.

Each structure is scored by -2 ln of its evidence (`solve`). On a long route only a window about the
move is refitted.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import chain

import numpy as np

from geoleak.record import Floats, Record
from geoleak.route.alignment import LEAST_RUN_M, Alignment
from geoleak.route.moves import (
    cut_charge,
    first_vertices,
    fitting,
    last_starts,
    mended,
    prefix_sums,
    proposals,
    traced_back,
)
from geoleak.route.solve import LONG, PLAY_RAD, Observations, Solution, solve_many

LEAST_ON_ARC = 3
"""An arc that fewer marks stand on is not told from a sharp bend."""
FIRST_CUTS = (0.4, 0.67, 1.0, 1.5)
"""Shares of the charge for a bend at which first guesses are cut."""
FINE_CUT = 0.05
"""And that at which marks that make no line at first are cut again: more bends, none too dear."""
ROUGH_STEPS = 8
"""Proposals are fitted roughly; the best few are fitted to the end afterwards."""
HOPELESS = 30.0
"""A proposal this far behind after its first steps is not followed,"""
PER_BEND = 20.0
"""but for what it may gain with each bend it has less."""
MOST_RUNS_WHOLE = 8
"""Longer routes are searched window by window."""
WINDOW_RUNS = 6
MOST_PASSES = 2
LEAST_PASS_GAIN = 1.0
MOST_ALIKE = 6
"""How many different ways of laying the same number of bends are kept."""


class Window(Record):
    """The candidates, best first, for the stretch of a long route beside some of its marks."""

    first: int
    stop: int
    candidates: tuple[Solution, ...]


def tried(
    shapes: Sequence[Alignment], marks: Observations, *, beat: Solution | None = None
) -> list[Solution]:
    """Fit proposed structures and return those that can lie in a trench and that marks determine.

    One that after a few steps is hopelessly behind the solution `beat` is left there.
    """
    limit = None
    if beat is not None:
        fewer = np.array([max(beat.shape.runs - shape.runs, 0) for shape in shapes])
        limit = beat.cost + HOPELESS + PER_BEND * fewer
    # A long route's equations are banded, one route at a time.
    size = 1 if len(marks.points) > LONG else max(len(shapes), 1)
    out = []
    for fit in chain.from_iterable(
        solve_many(
            shapes[at : at + size],
            marks,
            give_up=None if limit is None else limit[at : at + size],
            most_steps=ROUGH_STEPS,
        )
        for at in range(0, len(shapes), size)
    ):
        if (
            fit is None
            or not np.isfinite(fit.score)
            or any(np.sum(fit.where.corner == k) < LEAST_ON_ARC for k in fit.shape.arcs)
        ):
            continue
        out.append(fit)
    return out


def distinct(candidates: Sequence[Solution], most: int | None = None) -> list[Solution]:
    """Return candidates, best first, without those that lay the same bends as a better one.

    The same: no vertex farther off than the shortest straight, no turn by more than a joint's play.
    """
    kept: list[Solution] = []
    for each in sorted(candidates, key=lambda one: one.score):
        if len(kept) == most:
            break
        if not any(_alike(each, other) for other in kept):
            kept.append(each)
    return kept


def _alike(one: Solution, other: Solution) -> bool:
    a, b = one.shape, other.shape
    return bool(
        a.runs == b.runs
        and np.array_equal(a.arcs, b.arcs)
        and np.abs(a.turn - b.turn).max() < PLAY_RAD
        and (
            np.abs(a.vertices - b.vertices).max() < LEAST_RUN_M
            or np.array_equal(one.where.run, other.where.run)
        )
    )


def climb(first: Sequence[Solution], marks: Observations) -> list[Solution]:
    """Move from the best of some candidates until no move gains; return all, best first.

    The few best of each number of bends and arcs are kept, the better of two that are the same.
    """
    by_kind: dict[tuple[int, int], list[Solution]] = {}
    ranked: list[Solution] = []
    best, met = None, first
    while met or best is None:
        for each in met:
            by_kind.setdefault(each.kind, []).append(each)
        for kind in {each.kind for each in met}:
            by_kind[kind] = distinct(by_kind[kind], MOST_ALIKE)
        ranked = sorted(chain.from_iterable(by_kind.values()), key=lambda each: each.score)
        if not ranked or (best is not None and not ranked[0].score < best.score - 1e-3):
            break
        best = ranked[0]
        met = tried(proposals(best, marks), marks, beat=best)
    return ranked


def search(
    marks: Observations, weight: Floats, *, cuts_at: tuple[float, ...] = FIRST_CUTS
) -> tuple[list[Solution], list[Window]]:
    """Return the best candidates, of several structures, best first; none where none is allowed.

    A long route comes alone, with the candidates of its windows.

    Parameters
    ----------
    marks : Observations
    weight : (n,) array
        First weights, 1/m2, lowered where a mark looks like an outlier.
    cuts_at : tuple of float
        Shares of the charge for a bend at which first guesses are cut.
    """
    plain = np.asarray(marks.sigma_m**-2.0)
    ends = first_vertices(marks.points, plain, [0])
    cuts: dict[tuple[int, ...], Alignment] = {(0,): Alignment(ends, np.zeros(2))}
    for weights in (weight, plain) if np.any(weight != plain) else (plain,):
        sums = prefix_sums(marks.points, weights)
        came = last_starts(sums, cut_charge(len(marks.points)), cuts_at)
        for starts in map(traced_back, came.T):
            if tuple(starts) not in cuts:
                vertices = first_vertices(marks.points, weights, starts)
                cuts[tuple(starts)] = Alignment(vertices, np.zeros(len(vertices)))
    first = tried(mended(list(cuts.values())), marks)
    if first and (best := min(first, key=lambda each: each.score)).shape.runs > MOST_RUNS_WHOLE:
        best, windows = by_windows(best, marks)
        return [best], windows
    return climb(first, marks), []


def by_windows(best: Solution, marks: Observations) -> tuple[Solution, list[Window]]:
    """Improve a long route window by window; return it with what else each window may hold.

    A window is a few straights with their marks, fitted by themselves; what wins there is spliced
    in between the window's outer vertices. A joint fit of the whole follows each pass.
    """
    windows: list[Window] = []
    for _ in range(MOST_PASSES):
        shape, fresh = _passed_over(best, marks, windows)
        whole = tried([shape], marks)
        if not whole or (windows and whole[0].score > best.score - LEAST_PASS_GAIN):
            windows = windows or fresh
            break
        gained = whole[0].score < best.score
        best, windows = (whole[0] if gained else best), fresh
        if not gained:
            break
    return best, windows


def _passed_over(
    state: Solution, marks: Observations, before: Sequence[Window]
) -> tuple[Alignment, list[Window]]:
    """Return the shape that won window by window, and the windows; see `by_windows`.

    A window of the pass before that holds what won there then is not searched again.
    """
    shape, run, first = state.shape, state.where.run.copy(), 0
    windows: list[Window] = []
    known = {(each.first, each.stop): each.candidates for each in before}
    while first < shape.runs - 1:
        last = min(first + WINDOW_RUNS, shape.runs)
        if shape.runs - last == 1:
            last = shape.runs
        at = np.flatnonzero((run >= first) & (run < last))
        if len(at) < 4:
            first = last - 1
            continue
        begin, stop = int(at[0]), int(at[-1]) + 1
        part = marks.part(begin, stop)
        (piece,) = mended([_piece(shape, first, last, part)])
        ranked = known.get((begin, stop), ())
        if not ranked or ranked[0].kind != (piece.runs, len(piece.arcs)):
            ranked = tuple(climb(tried([piece], part), part))
        if ranked:
            windows.append(Window(begin, stop, ranked))
            won = ranked[0].shape
            spliced = shape.laid(first + 1, last, won.vertices[1:-1], won.tangent_m[1:-1])
            if spliced.allowed():
                more = spliced.runs - shape.runs
                run[begin:stop] = first + ranked[0].where.run
                run[stop:] += more
                last += more
                shape = spliced
        first = max(last - 2, first + 1)
    return shape, windows


def _piece(shape: Alignment, first: int, last: int, part: Observations) -> Alignment:
    """Return the straights first..last-1, cut to begin and end beside the window's own marks."""
    vertices = shape.vertices[first : last + 1].copy()
    tangent = shape.tangent_m[first : last + 1].copy()
    tangent[0] = tangent[-1] = 0.0
    for end, inner, mark in ((0, 1, part.points[0]), (-1, -2, part.points[-1])):
        step = vertices[inner] - vertices[end]
        step = step / max(float(np.hypot(*step)), 1e-9)
        vertices[end] = vertices[end] + step * float((mark - vertices[end]) @ step)
    return fitting(Alignment(vertices, tangent))
