"""How many straights, bends and arcs: moves that drop, add, shift, merge and round vertices.

Each structure is scored by its deviance plus a charge that grows with ln(number of marks) for each
bend (the Bayesian information criterion with the freedom of where a bend stands counted in:
Schwarz, Ann. Stat. 6, 1978; Zhang & Siegmund, Biometrics 63, 2007). On a long route only a window
about the move is refitted.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoleak.route.alignment import GREATEST_TURN_RAD, LEAST_RUN_M, Alignment, hints
from geoleak.route.blocks import MOST_ON_LINK, detour, outlier_rows
from geoleak.route.model import FITTING_RAD, PLAY_RAD, bend_charge
from geoleak.route.partition import (
    LONE_CHARGE,
    cut_costs,
    first_vertices,
    foot_on,
    line_of,
    run_starts,
)
from geoleak.route.solve import Observations, Solution, solve_many

Floats = NDArray[np.float64]

CUT_CHARGE = 3.0
"""Times ln of the number of marks: the charge for a bend while first guesses are cut."""
CUTS_AGAIN = (0.25, 0.5)
"""Shares of the charge at which a few neighbouring straights are cut afresh."""
MOST_REPLACED = 3
"""Neighbouring straights that are cut afresh or give way to a step aside at once."""
BEVEL_M = 1.5
"""How far from a reversal the two bends stand that take its place in a first guess."""


def proposals(fit: Solution, marks: Observations) -> Iterator[Alignment]:
    """Yield the structures one move away."""
    shape = fit.shape
    yield from _drops(shape)
    yield from _merges(shape)
    yield from _roundings(shape)
    yield from _additions(fit, marks)
    yield from _jogs(fit, marks)
    yield from (mended(fitting(detour(fit, marks, row))) for row in outlier_rows(fit))
    yield from _recuts(fit, marks)


def _without(shape: Alignment, first: int, stop: int) -> Alignment:
    keep = np.r_[0:first, stop : len(shape.vertices)]
    return Alignment(shape.vertices[keep], shape.tangent_m[keep])


def _drops(shape: Alignment) -> Iterator[Alignment]:
    last = shape.runs
    for k in range(1, last):
        yield fitting(_without(shape, k, k + 1))
    for k in range(1, last - 1):
        yield fitting(_without(shape, k, k + 2))


def fitting(shape: Alignment) -> Alignment:
    """Return the shape with arcs shortened until they fit their straights."""
    length, _, _ = shape.parts()
    tangent = shape.tangent_m.copy()
    for k in shape.arcs:
        tangent[k] = min(tangent[k], 0.45 * min(length[k - 1], length[k]))
    return Alignment(shape.vertices, tangent)


def _merges(shape: Alignment) -> Iterator[Alignment]:
    """Yield shapes in which neighbouring bends of one sense become one arc or one bend."""
    _, unit, turn = shape.parts()
    for first in range(1, shape.runs):
        for last in range(first + 1, min(first + 6, shape.runs)):
            turns = turn[first : last + 1]
            if np.any(np.sign(turns) != np.sign(turns[0])) or abs(turns.sum()) > 2.2:
                break
            u, v = unit[first - 1], unit[last]
            a, b = shape.vertices[first - 1], shape.vertices[last + 1]
            cross = u[0] * v[1] - u[1] * v[0]
            if abs(cross) < 1e-3:
                continue
            reach = ((b[0] - a[0]) * v[1] - (b[1] - a[1]) * v[0]) / cross
            corner = a + u * reach
            out = float(np.hypot(*(b - corner)))
            if reach <= LEAST_RUN_M or out <= LEAST_RUN_M or (b - corner) @ v <= 0:
                continue
            vertices = np.concatenate(
                [shape.vertices[:first], corner[None], shape.vertices[last + 1 :]]
            )
            rest = np.concatenate([shape.tangent_m[:first], [0.0], shape.tangent_m[last + 1 :]])
            for share in (0.9, 0.5):
                tangent = rest.copy()
                room_in = reach - tangent[first - 1]
                room_out = out - tangent[first + 1]
                tangent[first] = max(share * min(room_in, room_out), 0.0)
                yield Alignment(vertices, tangent)
            yield Alignment(vertices, rest)


def _roundings(shape: Alignment) -> Iterator[Alignment]:
    length, _, _ = shape.parts()
    for k in range(1, shape.runs):
        tangent = shape.tangent_m.copy()
        if tangent[k] > 0:
            tangent[k] = 0.0
            yield Alignment(shape.vertices, tangent)
            continue
        room = min(length[k - 1] - tangent[k - 1], length[k] - tangent[k + 1])
        for share in (0.85, 0.4):
            wider = tangent.copy()
            wider[k] = share * room
            if wider[k] > 0.2:
                yield Alignment(shape.vertices, wider)


def _additions(fit: Solution, marks: Observations) -> Iterator[Alignment]:
    """Yield shapes with one straight, or an arc between two, cut in two where that helps most."""
    shape = fit.shape
    for run in range(shape.runs):
        held = np.flatnonzero(fit.where.run == run)
        if len(held) < 4:
            continue
        points, weight = marks.points[held], fit.weight[held]
        plain = marks.sigma_m[held] ** -2.0
        for cut in dict.fromkeys([*best_cuts(points, weight), *best_cuts(points, plain)]):
            middle = first_vertices(points, plain, [0, cut])
            vertices = np.insert(shape.vertices, run + 1, middle[1], axis=0)
            if run == 0:
                vertices[0] = middle[0]
            if run == shape.runs - 1:
                vertices[-1] = middle[2]
            yield fitting(Alignment(vertices, np.insert(shape.tangent_m, run + 1, 0.0)))


def _jogs(fit: Solution, marks: Observations) -> Iterator[Alignment]:
    """Yield shapes with two bends a step apart put in at once, where two lines fit best.

    Pipe that steps aside or turns back within a metre or two: few marks or none stand on the link,
    and the first of the two bends alone gains nothing.
    """
    shape = fit.shape
    # In order: where pipe turns back, the nearest straight is often the wrong one.
    run = hints(shape.stack, marks.points)[0]
    for first in range(shape.runs):
        for last in range(first + 1, min(first + MOST_REPLACED, shape.runs) + 1):
            held = np.flatnonzero((run >= first) & (run < last))
            points, plain = marks.points[held], marks.sigma_m[held] ** -2.0
            if len(held) < 4:
                continue
            between, cut = _best_gap(points, plain)
            one = line_of(points[:cut], plain[:cut])
            two = line_of(points[cut + between :], plain[cut + between :])
            start = [foot_on(one, points[0])] if first == 0 else shape.vertices[: first + 1]
            end = [foot_on(two, points[-1])] if last == shape.runs else shape.vertices[last:]
            tangent = np.concatenate(
                [shape.tangent_m[: first + 1], [0.0, 0.0], shape.tangent_m[last:]]
            )
            for pair in _links(one, two, points[cut - 1], points[cut + between]):
                vertices = np.concatenate([start, pair, end])
                yield mended(fitting(Alignment(vertices, tangent)))


def _best_gap(points: Floats, weight: Floats) -> tuple[int, int]:
    """Return how many marks stand between two lines that fit the others best, and where."""
    best = (np.inf, 0, 0)
    for between in range(min(MOST_ON_LINK, len(points) - 4) + 1):
        costs = cut_costs(points, weight, between=between)
        cut = int(np.argmin(costs))
        best = min(best, (float(costs[cut]) + between * LONE_CHARGE, between, cut + 2))
    return best[1:]


def _links(
    one: tuple[Floats, Floats], two: tuple[Floats, Floats], before: Floats, after: Floats
) -> Iterator[Floats]:
    """Yield the two ends (2, 2) of a short straight between two lines, at fittings' angles."""
    near, far = foot_on(one, before), foot_on(two, after)
    reach = float((far - near) @ one[1])
    if one[1] @ two[1] < 0:
        # Pipe that turns back does so beyond both marks.
        corner = near + one[1] * (max(reach, 0.0) + LEAST_RUN_M)
        yield np.stack([corner, foot_on(two, corner)])
        return
    middle = near + 0.5 * reach * one[1]
    aside = foot_on(two, middle)
    for angle in FITTING_RAD[1:]:
        run = 0.5 * float(np.hypot(*(aside - middle))) / np.tan(angle)
        yield np.stack([middle - run * one[1], aside + run * two[1]])


def _recuts(fit: Solution, marks: Observations) -> Iterator[Alignment]:
    """Yield shapes with a few neighbouring straights cut afresh, short ones let in.

    A jog of two bends a step apart is two moves away from any one bend, and the first of the two
    gains nothing.
    """
    shape = fit.shape
    for first in range(shape.runs):
        for last in range(first + 1, min(first + MOST_REPLACED, shape.runs) + 1):
            held = np.flatnonzero((fit.where.run >= first) & (fit.where.run < last))
            if len(held) < 4:
                continue
            points, plain = marks.points[held], marks.sigma_m[held] ** -2.0
            every = run_starts(points, plain, cut_charge(marks), CUTS_AGAIN)
            for starts in dict.fromkeys(tuple(each) for each in every):
                if len(starts) < 2:
                    continue
                fresh = first_vertices(points, plain, list(starts))
                before = fresh[:1] if first == 0 else shape.vertices[: first + 1]
                after = fresh[-1:] if last == shape.runs else shape.vertices[last:]
                vertices = np.concatenate([before, fresh[1:-1], after])
                tangent = np.concatenate(
                    [
                        shape.tangent_m[: first + 1],
                        np.zeros(len(starts) - 1),
                        shape.tangent_m[last:],
                    ]
                )
                yield mended(fitting(Alignment(vertices, tangent)))


def cut_charge(marks: Observations) -> float:
    """Return what a further run costs while marks are cut into first guesses."""
    return CUT_CHARGE * float(np.log(max(len(marks.points), 4)))


def best_cuts(points: Floats, weight: Floats, *, most: int = 2) -> list[int]:
    """Return where one run of marks is best cut into two lines, well apart from one another."""
    totals = cut_costs(points, weight)
    out: list[int] = []
    for place in np.argsort(totals, kind="stable"):
        cut = int(place) + 2
        if all(abs(cut - each) > 2 for each in out):
            out.append(cut)
        if len(out) == most:
            break
    return out


def mended(shape: Alignment) -> Alignment:
    """Return the shape changed until it can lie in a trench.

    One impossible corner must not lose all the others of a first guess: a reversal becomes two
    bends a step apart, which is what pipe that turns back has; what is still wrong is left out.
    """
    length, unit, turn = shape.parts()
    for k in np.flatnonzero(np.abs(turn) > GREATEST_TURN_RAD)[::-1]:
        back, on = (min(BEVEL_M, 0.4 * each) for each in (length[k - 1], length[k]))
        corner = shape.vertices[k]
        pair = np.stack([corner - back * unit[k - 1], corner + on * unit[k]])
        vertices = np.concatenate([shape.vertices[:k], pair, shape.vertices[k + 1 :]])
        shape = fitting(Alignment(vertices, np.insert(shape.tangent_m, k, 0.0)))
    while shape.runs > 1 and not shape.allowed():
        length, _, turn = shape.parts()
        size = np.abs(turn[1:-1])
        near = np.minimum(length[:-1], length[1:])
        # The sharpest reversal goes first, then the straighter end of the shortest straight.
        if np.any(size > GREATEST_TURN_RAD):
            worst = int(np.argmax(size))
        else:
            worst = int(np.lexsort((size, near))[0])
        shape = fitting(_without(shape, worst + 1, worst + 2))
    return shape


Ints = NDArray[np.int64]

LEAST_ON_ARC = 3
"""An arc that fewer marks stand on is not told from a sharp bend."""
FIRST_CUTS = (0.4, 0.67, 1.0, 1.5)
"""Shares of the charge for a bend at which first guesses are cut."""
FINE_CUTS = (0.02, 0.05, 0.1, 0.2)
"""And those at which marks that make no line at first are cut again: more bends, none too dear."""
ROUGH_STEPS = 8
ROUGH_GAIN = 0.05
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
MOST_ALIKE = 3
"""How many different ways of laying the same number of bends are kept."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A fitted structure with its score: -2 ln of its evidence, up to a constant."""

    fit: Solution
    score: float


@dataclass(frozen=True, slots=True)
class Window:
    """The candidates, best first, for the stretch of a long route beside some of its marks."""

    first: int
    stop: int
    candidates: tuple[Candidate, ...]


def scored(fit: Solution) -> Candidate:
    """Return a solution with its score."""
    arcs = len(fit.shape.arcs)
    return Candidate(fit, fit.cost + fit.volume + bend_charge(fit.shape.runs - 1 - arcs, arcs))


def tried(
    shapes: Sequence[Alignment], marks: Observations, *, beat: Candidate | None = None
) -> list[Candidate]:
    """Fit proposed structures and return those that can lie in a trench and that marks determine.

    One that after a few steps is hopelessly behind the candidate `beat` is left there.
    """
    limit = None
    if beat is not None:
        fewer = np.array([max(beat.fit.shape.runs - shape.runs, 0) for shape in shapes])
        limit = beat.fit.cost + HOPELESS + PER_BEND * fewer
    out = []
    for fit in solve_many(
        shapes, marks, give_up=limit, most_steps=ROUGH_STEPS, little_gain=ROUGH_GAIN
    ):
        if fit is None or any(np.sum(fit.where.corner == k) < LEAST_ON_ARC for k in fit.shape.arcs):
            continue
        one = scored(fit)
        if np.isfinite(one.score):
            out.append(one)
    return out


def distinct(candidates: Sequence[Candidate]) -> list[Candidate]:
    """Return candidates, best first, without those that lay the same bends as a better one.

    The same: no vertex farther off than the shortest straight, no turn by more than a joint's play.
    """
    kept: list[Candidate] = []
    for each in sorted(candidates, key=lambda one: one.score):
        if not any(_alike(each.fit.shape, other.fit.shape) for other in kept):
            kept.append(each)
    return kept


def _alike(one: Alignment, other: Alignment) -> bool:
    return bool(
        one.runs == other.runs
        and np.array_equal(one.arcs, other.arcs)
        and np.abs(one.vertices - other.vertices).max() < LEAST_RUN_M
        and np.abs(one.parts()[2] - other.parts()[2]).max() < PLAY_RAD
    )


class Found:
    """The candidates met on the way, the few best of each number of bends and arcs."""

    def __init__(self) -> None:
        self._by_kind: dict[tuple[int, int], list[Candidate]] = {}

    def add(self, found: Sequence[Candidate]) -> None:
        """Keep candidates, the better of any two that are the same fit."""
        for each in found:
            kind = _kind(each.fit.shape)
            self._by_kind[kind] = distinct([*self._by_kind.get(kind, []), each])[:MOST_ALIKE]

    def ranked(self) -> list[Candidate]:
        """Return all that are held, best first."""
        every = [each for held in self._by_kind.values() for each in held]
        return sorted(every, key=lambda each: each.score)


def climb(found: Found, marks: Observations) -> list[Candidate]:
    """Move from the best candidate found until no move gains; return all, best first."""
    best = None
    while True:
        ranked = found.ranked()
        if best is not None and ranked[0].score > best.score - 1e-3:
            return ranked
        best = ranked[0]
        found.add(tried(list(proposals(best.fit, marks)), marks, beat=best))


def search(
    marks: Observations, weight: Floats, *, cuts_at: tuple[float, ...] = FIRST_CUTS
) -> tuple[list[Candidate], list[Window]]:
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
    found = Found()
    plain = np.asarray(marks.sigma_m**-2.0)
    cuts: dict[tuple[int, ...], Alignment] = {(0,): _straight(marks)}
    for weights in (weight, plain) if np.any(weight != plain) else (plain,):
        for starts in run_starts(marks.points, weights, cut_charge(marks), cuts_at):
            if tuple(starts) not in cuts:
                vertices = first_vertices(marks.points, weights, starts)
                cuts[tuple(starts)] = mended(Alignment(vertices, np.zeros(len(vertices))))
    found.add(tried(list(cuts.values()), marks))
    if not found.ranked():
        return [], []
    best = found.ranked()[0]
    if best.fit.shape.runs > MOST_RUNS_WHOLE:
        best, windows = by_windows(best, marks)
        return [best], windows
    return climb(found, marks), []


def by_windows(best: Candidate, marks: Observations) -> tuple[Candidate, list[Window]]:
    """Improve a long route window by window; return it with what else each window may hold.

    A window is a few straights with their marks, fitted by themselves; what wins there is spliced
    in between the window's outer vertices. A joint fit of the whole follows each pass.
    """
    windows: list[Window] = []
    for _ in range(MOST_PASSES):
        shape, fresh = _passed_over(best.fit, marks, windows)
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
        piece = mended(_piece(shape, first, last, part))
        ranked = known.get((begin, stop), ())
        if not ranked or _kind(ranked[0].fit.shape) != _kind(piece):
            found = Found()
            found.add(tried([piece], part))
            ranked = tuple(climb(found, part)) if found.ranked() else ()
        if ranked:
            windows.append(Window(begin, stop, ranked))
            spliced = _spliced(shape, first, last, ranked[0].fit.shape)
            if spliced.allowed():
                more = spliced.runs - shape.runs
                run[begin:stop] = first + ranked[0].fit.where.run
                run[stop:] += more
                last += more
                shape = spliced
        first = max(last - 2, first + 1)
    return shape, windows


def _kind(shape: Alignment) -> tuple[int, int]:
    return shape.runs, len(shape.arcs)


def _straight(marks: Observations) -> Alignment:
    ends = first_vertices(marks.points, marks.sigma_m**-2.0, [0])
    return Alignment(ends, np.zeros(2))


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


def _spliced(shape: Alignment, first: int, last: int, piece: Alignment) -> Alignment:
    """Return the route with what lies between two of its vertices replaced."""
    vertices = np.concatenate(
        [shape.vertices[: first + 1], piece.vertices[1:-1], shape.vertices[last:]]
    )
    tangent = np.concatenate(
        [shape.tangent_m[: first + 1], piece.tangent_m[1:-1], shape.tangent_m[last:]]
    )
    return Alignment(vertices, tangent)
