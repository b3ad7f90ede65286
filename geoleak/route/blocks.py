"""Blocks of marks in a row that stand aside of the rest: a detour of the pipe or another line.

A locator that jumps to another line paints a block of good-looking marks a metre or two aside and
then returns; pipe that steps round an obstacle looks the same. Marks alone cannot tell, so both
lines are kept, at even odds (a guess of ours: no source), and both lengths are said.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

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


@dataclass(frozen=True, slots=True, eq=False)
class Block:
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
    _, unit, _ = shape.parts()
    head: list[Floats] = [*shape.vertices[: first + 1]]
    tail: list[Floats] = [*shape.vertices[last + 1 :]]
    leaves = joins = foot_on(other, points[0])
    if row[0] > 0:
        middle = points[row[0] - 1 : row[0] + 1].mean(axis=0)
        head.append(foot_on((shape.vertices[first], unit[first]), middle))
        leaves = foot_on(other, head[-1])
    else:
        head = []
    if row[-1] + 1 < len(points):
        middle = points[row[-1] : row[-1] + 2].mean(axis=0)
        tail.insert(0, foot_on((shape.vertices[last], unit[last]), middle))
        joins = foot_on(other, tail[0])
    else:
        tail, joins = [], foot_on(other, points[-1])
    vertices = np.array([*head, leaves, joins, *tail])
    tangent = np.zeros(len(vertices))
    tangent[1 : first + 1] = shape.tangent_m[1 : first + 1] if head else 0.0
    if tail:
        tangent[len(vertices) - (shape.runs - last) :] = shape.tangent_m[last + 1 :]
    return Alignment(vertices, tangent)


def blocks(fit: Solution, marks: Observations) -> list[Block]:
    """Return the blocks aside: those that the line leaves out and those that it follows."""
    found = []
    for row in outlier_rows(fit):
        aside = float(fit.where.offset_m[row].mean())
        (other,) = solve_many([detour(fit, marks, row)], marks)
        if other is not None and _is_aside(aside):
            found.append(Block(row, aside, False, other))
    for straight_on in _without_steps(fit):
        (other,) = solve_many([straight_on], marks)
        if other is None:
            continue
        for row in outlier_rows(other):
            aside = float(other.where.offset_m[row].mean())
            if _is_aside(aside) and np.all(fit.sound[row] > 0.5):
                found.append(Block(row, aside, True, other))
    return found


def _is_aside(offset_m: float) -> bool:
    return ASIDE_M[0] <= abs(offset_m) <= ASIDE_M[1]


def _without_steps(fit: Solution) -> Iterator[Alignment]:
    """Yield the line without each pair of steps aside that take it out and back again."""
    shape = fit.shape
    length, unit, turn = shape.parts()
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
    for out in np.flatnonzero(step):
        for back in (out + 2, out + 3):
            if back >= shape.runs - 1 or step[back] != -step[out]:
                continue
            keep = np.r_[0:out, back + 2 : len(shape.vertices)]
            vertices, tangent = shape.vertices[keep], shape.tangent_m[keep]
            before, after = out - 1, back + 1
            cross = unit[before, 0] * unit[after, 1] - unit[before, 1] * unit[after, 0]
            if abs(cross) > np.sin(STRAIGHT_ON_RAD):
                gap = shape.vertices[after] - shape.vertices[before]
                reach = (gap[0] * unit[after, 1] - gap[1] * unit[after, 0]) / cross
                corner = shape.vertices[before] + reach * unit[before]
                vertices = np.insert(vertices, out, corner, axis=0)
                tangent = np.insert(tangent, out, 0.0)
            yield Alignment(vertices, tangent)
