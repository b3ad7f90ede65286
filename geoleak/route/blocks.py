"""Blocks of marks in a row that stand aside of the rest: a detour of the pipe or another line.

A locator that jumps to another line paints a block of good-looking marks a metre or two aside and
then returns; pipe that steps round an obstacle looks the same. Marks alone cannot tell, so both
lines are kept, at even odds (a guess of ours: no source), and both lengths are said.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from geoleak.record import Record
from geoleak.route.alignment import Alignment
from geoleak.route.partition import foot_on, line_of
from geoleak.route.solve import Observations, Solution, solve_many

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

LEAST_IN_BLOCK = 3
"""Outlier marks in a row that no longer pass for single slips of the locator."""
ASIDE_M = (0.5, 3.0)
"""How far aside a block stands: nearer is scatter, farther nobody takes for this pipe."""
LONGEST_LINK_M = 4.5
MOST_ON_LINK = 2
"""Pipe steps aside within a short straight that hardly a mark stands on."""
STRAIGHT_ON_RAD = np.deg2rad(8.0)


class Block(Record, eq=False):
    """Marks in a row aside of a line (indices, in order), and the fit of the other answer.

    ``followed`` tells whether the line in use runs along the marks; ``aside_m`` is their mean
    offset, right positive, from the line without them.
    """

    marks: Ints
    aside_m: float
    followed: bool
    other: Solution


def outlier_rows(fit: Solution) -> list[Ints]:
    """Return the rows of three outlier marks and more, in order, on one side of the line."""
    side = np.where(fit.sound < 0.5, np.sign(fit.where.offset_m), 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0.0], side, [0.0]])))
    rows = [np.arange(low, high) for low, high in pairwise(edges)]
    return [row for row in rows if len(row) >= LEAST_IN_BLOCK and side[row[0]] != 0.0]


def detour(fit: Solution, marks: Observations, row: Ints) -> Alignment:
    """Return the line led along a row of marks: out to them by a short link, and back."""
    shape, points = fit.shape, marks.points
    other = line_of(points[row], marks.sigma_m[row] ** -2.0)
    first, last = int(fit.where.run[row[0]]), int(fit.where.run[row[-1]])
    _, unit, _ = shape.parts
    # Where the row is the first or the last of all, the line begins or ends on it.
    leaves, joins = [foot_on(other, points[0])], [foot_on(other, points[-1])]
    for at, run, link in ((row[0], first, leaves), (row[-1] + 1, last, joins)):
        if 0 < at < len(points):
            middle = points[at - 1 : at + 1].mean(axis=0)
            turn = foot_on((shape.vertices[run], unit[run]), middle)
            link[:] = [turn, foot_on(other, turn)]
    begin = first + 1 if len(leaves) == 2 else 0
    stop = last + 1 if len(joins) == 2 else len(shape.vertices)
    return shape.laid(begin, stop, [*leaves, *joins[::-1]])


def blocks(fit: Solution, marks: Observations) -> list[Block]:
    """Return the blocks aside: those that the line leaves out and those that it follows."""
    rows = outlier_rows(fit)
    led = solve_many([detour(fit, marks, row) for row in rows], marks)
    found = [
        Block(row, _aside(fit, row), False, other)
        for row, other in zip(rows, led, strict=True)
        if other is not None
    ]
    for other in solve_many(list(_without_steps(fit)), marks):
        for row in [] if other is None else outlier_rows(other):
            assert other is not None
            # A stray or two of the row's own do not make the line run past it.
            if np.mean(fit.sound[row] > 0.5) > 0.5:
                found.append(Block(row, _aside(other, row), True, other))
    kept: list[Block] = []
    for each in found:
        if ASIDE_M[0] <= abs(each.aside_m) <= ASIDE_M[1] and not any(
            np.intersect1d(each.marks, other.marks).size for other in kept
        ):
            kept.append(each)
    return kept


def _aside(fit: Solution, row: Ints) -> float:
    return float(fit.where.offset_m[row].mean())


def _without_steps(fit: Solution) -> Iterator[Alignment]:
    """Yield the line led straight on past each stretch that steps take it aside to.

    A pair of steps out and back again; or one step and a parallel straight that ends at a bend,
    where the step back cannot be seen.
    """
    shape = fit.shape
    length, _, turn = shape.parts
    on_run = np.bincount(fit.where.run, minlength=shape.runs)
    step = np.zeros(shape.runs)
    inner = slice(1, shape.runs - 1)
    step[inner] = np.where(
        (length[inner] <= LONGEST_LINK_M)
        & (on_run[inner] <= MOST_ON_LINK)
        & (turn[1:-2] * turn[2:-1] < 0),
        np.sign(turn[1:-2]),
        0.0,
    )
    parallel = np.zeros(shape.runs, dtype=bool)
    parallel[inner] = np.abs(turn[1:-2] + turn[2:-1]) <= STRAIGHT_ON_RAD
    for out in np.flatnonzero(step).tolist():
        for back in (out + 2, out + 3):
            if back < shape.runs - 1 and step[back] == -step[out]:
                yield _straight_on(shape, out, back)
    for at in np.flatnonzero((step != 0.0) & parallel).tolist():
        if at + 2 < shape.runs:
            yield _straight_on(shape, at, at + 1)
        if at > 1:
            yield _straight_on(shape, at - 1, at)


def _straight_on(shape: Alignment, first: int, last: int) -> Alignment:
    """Return a shape without its straights first..last, those beside them led on till they meet."""
    _, unit, _ = shape.parts
    before, after = first - 1, last + 1
    cross = unit[before, 0] * unit[after, 1] - unit[before, 1] * unit[after, 0]
    if abs(cross) <= np.sin(STRAIGHT_ON_RAD):
        return shape.laid(first, last + 2)
    gap = shape.vertices[after] - shape.vertices[before]
    reach = (gap[0] * unit[after, 1] - gap[1] * unit[after, 0]) / cross
    return shape.laid(first, last + 2, shape.vertices[before] + reach * unit[before])
