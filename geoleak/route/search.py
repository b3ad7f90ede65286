"""How many straights, bends and arcs: moves that drop, add, shift, merge and round vertices.

Each structure is scored by its deviance plus a charge that grows with ln(number of marks) for each
bend (the Bayesian information criterion with the freedom of where a bend stands counted in:
Schwarz, Ann. Stat. 6, 1978; Zhang & Siegmund, Biometrics 63, 2007). On a long route only a window
about the move is refitted.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoleak.route.alignment import LEAST_RUN_M, Alignment
from geoleak.route.partition import cut_costs, first_vertices, run_starts
from geoleak.route.solve import Observations, Solution, misfit, solve

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_ON_ARC = 3
"""An arc that fewer marks stand on is not told from a sharp bend."""


FITTING_DEG = (11.25, 22.5, 45.0, 90.0)
"""Deflections of usual bends (1/32, 1/16, 1/8, 1/4 bend; common practice, no source)."""
FITTING_WITHIN_DEG = 4.0
ONE_FITTING_RAD = np.deg2rad(100.0)
"""No single fitting turns the pipe farther than a quarter bend, its play included."""
FIRST_CUTS = (0.67, 1.0, 1.5)
"""Shares of the charge for a bend at which first guesses are cut."""
FIRST_STEPS = 3
HOPELESS = 30.0
"""A proposal this far behind after its first steps is not followed."""
MOST_RUNS_WHOLE = 8
"""Longer routes are searched window by window."""
WINDOW_RUNS = 6
MOST_ALIKE = 3
"""How many different ways of laying the same number of bends are kept."""


@dataclass(frozen=True, slots=True)
class Charges:
    """What structure costs, in units of deviance.

    ``bend`` and ``arc`` for each; ``sharp`` for a turn past what one fitting makes (two fittings,
    so nearly a second bend); ``pair`` and ``lone`` for a straight that only two marks or one stand
    on (its direction fits them for nothing); ``odd`` for a turn that no usual fitting makes: pipe
    can be laid so, most is not (odds of about 7 to 1).
    """

    bend: float
    arc: float
    sharp: float
    pair: float = 5.0
    lone: float = 12.0
    odd: float = 4.0

    @classmethod
    def for_marks(cls, count: int) -> Charges:
        """Return the charges for a leg of so many marks."""
        log = float(np.log(max(count, 4)))
        return cls(bend=3.0 * log, arc=1.5 * log, sharp=4.0 * log)


@dataclass(frozen=True, slots=True)
class Candidate:
    """A fitted structure with its score (deviance plus charges)."""

    fit: Solution
    score: float


def scored(fit: Solution, charges: Charges) -> Candidate:
    """Return a solution with its score."""
    held = fit.per_run()
    score = fit.deviance + charges.bend * (fit.shape.runs - 1) + charges.arc * len(fit.shape.arcs)
    if fit.shape.runs > 1:
        score += charges.pair * float(np.sum(held == 2)) + charges.lone * float(np.sum(held < 2))
        score += turn_charges(fit, held, charges)
    return Candidate(fit, score)


def turn_charges(fit: Solution, held: Ints, charges: Charges) -> float:
    """Return what sharp bends cost for turning as no one fitting does, or as no usual one.

    A turn is known no better than the straights beside it, which counts in its favour.
    """
    length, _, turn = fit.shape.parts()
    mark = float(np.median(fit.weight)) ** -0.5
    # Of a regression line: sigma sqrt(12 / n) / length for many marks, sqrt(2) for two.
    loose = mark * np.sqrt(12.0 / (held + 4.0)) / np.maximum(length, LEAST_RUN_M)
    sigma = np.hypot(loose[:-1], loose[1:])
    sharp = fit.shape.tangent_m[1:-1] == 0
    corners, sigma = np.abs(turn[1:-1])[sharp], sigma[sharp]
    if not len(corners):
        return 0.0
    past = float(np.sum(corners > ONE_FITTING_RAD + 2.0 * sigma))
    away = np.min(np.abs(corners[:, None] - np.deg2rad(FITTING_DEG)), axis=1)
    within = np.hypot(np.deg2rad(FITTING_WITHIN_DEG), sigma)
    odd = float(np.sum(1.0 - np.exp(-0.5 * (away / within) ** 2)))
    return charges.sharp * past + charges.odd * odd


def hints(shape: Alignment, points: Floats) -> Ints:
    """Return the assignment of marks to straights, in order, of least squared distance."""
    count, runs = len(points), shape.runs
    if runs == 1:
        return np.zeros(count, dtype=np.int64)
    length, unit, _ = shape.parts()
    relative = points[:, None, :] - shape.vertices[None, :-1, :]
    along = np.clip(np.sum(relative * unit, axis=2), 0.0, length)
    miss = np.sum((relative - along[:, :, None] * unit) ** 2, axis=2)
    # With the sums of each straight running, the best cut before each mark is a running minimum.
    sums = np.concatenate([np.zeros((1, runs)), np.cumsum(miss, axis=0)])
    cost = sums[:, 0]
    cuts = []
    for k in range(1, runs):
        gap = cost - sums[:, k]
        low = np.minimum.accumulate(gap)
        fresh = np.concatenate([[True], low[1:] < low[:-1]])
        cuts.append(np.maximum.accumulate(np.where(fresh, np.arange(count + 1), 0)))
        cost = low + sums[:, k]
    out = np.zeros(count, dtype=np.int64)
    stop = count
    for k in range(runs - 1, 0, -1):
        start = int(cuts[k - 1][stop])
        out[start:stop] = k
        stop = start
    return out


def try_shape(
    shape: Alignment, marks: Observations, charges: Charges, *, beat: float = np.inf
) -> Candidate | None:
    """Fit a proposed structure; None where it cannot lie in a trench.

    One that after a few steps is hopelessly behind the score `beat` is left there.
    """
    if not shape.allowed():
        return None
    fit = solve(shape, marks, hints(shape, marks.points), most_steps=FIRST_STEPS)
    if fit is not None and scored(fit, charges).score < beat + HOPELESS:
        fit = solve(fit.shape, marks, fit.where.run)
    if fit is None or any(np.sum(fit.where.corner == k) < LEAST_ON_ARC for k in fit.shape.arcs):
        return None
    return scored(fit, charges)


def proposals(best: Candidate, marks: Observations) -> Iterator[Alignment]:
    """Yield the structures one move away."""
    shape = best.fit.shape
    yield from _drops(shape)
    yield from _merges(shape)
    yield from _roundings(shape)
    yield from _additions(best.fit, marks)


def _without(shape: Alignment, first: int, stop: int) -> Alignment:
    keep = np.r_[0:first, stop : len(shape.vertices)]
    return Alignment(shape.vertices[keep], shape.tangent_m[keep])


def _drops(shape: Alignment) -> Iterator[Alignment]:
    last = shape.runs
    for k in range(1, last):
        yield _fitting(_without(shape, k, k + 1))
    for k in range(1, last - 1):
        yield _fitting(_without(shape, k, k + 2))


def _fitting(shape: Alignment) -> Alignment:
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
            if reach <= 0.35 or out <= 0.35 or (b - corner) @ v <= 0:
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
            yield _fitting(Alignment(vertices, np.insert(shape.tangent_m, run + 1, 0.0)))


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


class Found:
    """The candidates met on the way, the few best of each number of bends and arcs."""

    def __init__(self) -> None:
        self._by_kind: dict[tuple[int, int], list[Candidate]] = {}

    def add(self, found: Candidate | None) -> None:
        """Keep a candidate unless the same fit is held already."""
        if found is None:
            return
        shape = found.fit.shape
        held = self._by_kind.setdefault((shape.runs - 1, len(shape.arcs)), [])
        if any(abs(each.score - found.score) < 0.05 for each in held):
            return
        held.append(found)
        held.sort(key=lambda each: each.score)
        del held[MOST_ALIKE:]

    def ranked(self) -> list[Candidate]:
        """Return all that are held, best first."""
        every = [each for held in self._by_kind.values() for each in held]
        return sorted(every, key=lambda each: each.score)


def climb(found: Found, marks: Observations, charges: Charges) -> list[Candidate]:
    """Move from the best candidate found until no move gains; return all, best first."""
    best = None
    while True:
        ranked = found.ranked()
        if best is not None and ranked[0].score > best.score - 1e-3:
            return ranked
        best = ranked[0]
        for shape in proposals(best, marks):
            found.add(try_shape(shape, marks, charges, beat=best.score))


def search(marks: Observations, weight: Floats, charges: Charges) -> list[Candidate]:
    """Return the best candidates, of several structures, best first; none where none is allowed.

    Parameters
    ----------
    marks : Observations
    weight : (n,) array
        First weights, 1/m2, lowered where a mark looks like a stray.
    charges : Charges
    """
    found = Found()
    plain = np.asarray(marks.sigma_m**-2.0)
    tried: set[tuple[int, ...]] = {(0,)}
    found.add(try_shape(_straight(marks), marks, charges))
    for weights in (weight, plain):
        for factor in FIRST_CUTS:
            starts = run_starts(marks.points, weights, factor * charges.bend)
            if tuple(starts) in tried:
                continue
            tried.add(tuple(starts))
            vertices = first_vertices(marks.points, weights, starts)
            shape = Alignment(vertices, np.zeros(len(vertices)))
            found.add(try_shape(shape, marks, charges))
    if not found.ranked():
        return []
    best = found.ranked()[0]
    if best.fit.shape.runs > MOST_RUNS_WHOLE:
        return by_windows(best, marks, charges)
    return climb(found, marks, charges)


def by_windows(best: Candidate, marks: Observations, charges: Charges) -> list[Candidate]:
    """Improve a long route window by window and return it, alone.

    A window is a few straights with their marks, fitted by themselves; what wins there is spliced
    in between the window's outer vertices. One joint fit of the whole follows.
    """
    shape, first = best.fit.shape, 0
    state = best.fit
    while first < shape.runs - 1:
        last = min(first + WINDOW_RUNS, shape.runs)
        if shape.runs - last == 1:
            last = shape.runs
        at = np.flatnonzero((state.where.run >= first) & (state.where.run < last))
        if len(at) < 4:
            first = last - 1
            continue
        part = marks.part(int(at[0]), int(at[-1]) + 1)
        piece = _piece(shape, first, last, part)
        found = Found()
        found.add(try_shape(piece, part, charges))
        ranked = climb(found, part, charges) if found.ranked() else []
        if ranked:
            spliced = _spliced(shape, first, last, ranked[0].fit.shape)
            last += spliced.runs - shape.runs
            if spliced.allowed():
                shape = spliced
            state = misfit(shape, marks, hints(shape, marks.points))
        first = max(last - 2, first + 1)
    whole = try_shape(shape, marks, charges)
    if whole is None or whole.score > best.score:
        whole = best
    return [whole]


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
    return _fitting(Alignment(vertices, tangent))


def _spliced(shape: Alignment, first: int, last: int, piece: Alignment) -> Alignment:
    """Return the route with what lies between two of its vertices replaced."""
    vertices = np.concatenate(
        [shape.vertices[: first + 1], piece.vertices[1:-1], shape.vertices[last:]]
    )
    tangent = np.concatenate(
        [shape.tangent_m[: first + 1], piece.tangent_m[1:-1], shape.tangent_m[last:]]
    )
    return Alignment(vertices, tangent)
