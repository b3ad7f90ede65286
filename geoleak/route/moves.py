"""Moves from one structure of a route to the next: drop, merge, round, add, cut afresh."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from geoleak.route.alignment import GREATEST_TURN_RAD, Alignment
from geoleak.route.partition import cut_costs, first_vertices, run_starts
from geoleak.route.solve import Observations, Solution

Floats = NDArray[np.float64]

CUT_CHARGE = 3.0
"""Times ln of the number of marks: the charge for a bend while first guesses are cut."""
CUTS_AGAIN = (0.25, 0.5)
"""Shares of the charge at which a few neighbouring straights are cut afresh."""
MOST_CUT_AGAIN = 3
BEVEL_M = 1.5
"""How far from a reversal the two bends stand that take its place in a first guess."""


def proposals(fit: Solution, marks: Observations) -> Iterator[Alignment]:
    """Yield the structures one move away."""
    shape = fit.shape
    yield from _drops(shape)
    yield from _merges(shape)
    yield from _roundings(shape)
    yield from _additions(fit, marks)
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
            yield fitting(Alignment(vertices, np.insert(shape.tangent_m, run + 1, 0.0)))


def _recuts(fit: Solution, marks: Observations) -> Iterator[Alignment]:
    """Yield shapes with a few neighbouring straights cut afresh, short ones let in.

    A jog of two bends a step apart is two moves away from any one bend, and the first of the two
    gains nothing.
    """
    shape = fit.shape
    for first in range(shape.runs):
        for last in range(first + 1, min(first + MOST_CUT_AGAIN, shape.runs) + 1):
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
