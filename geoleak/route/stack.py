"""Many alignments side by side in padded arrays, so that proposals are fitted all at once.

A fit of some tens of marks is so small that the cost of calling numpy outweighs the arithmetic;
the structures one move away are therefore worked out together. Routes of fewer straights than
the longest repeat their last vertex.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from geoleak.route.alignment import FLAT_RAD, GREATEST_TURN_RAD, LEAST_RUN_M, Alignment

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

GREATEST_ARC_RAD = 2.6
LEAST_TANGENT_M = 1e-3


class Stack:
    """Alignments (p of them) of up to k straights.

    Attributes
    ----------
    vertices : (p, k + 1, 2) array
    tangent_m : (p, k + 1) array
    runs : (p,) array
        How many straights each has.
    size : int
        How many parameters a row has: coordinates, then tangents of arcs.
    """

    def __init__(
        self, vertices: Floats, tangent_m: Floats, runs: Ints, size: int | None = None
    ) -> None:
        self.vertices = vertices
        self.tangent_m = tangent_m
        self.runs = runs
        if size is None:
            size = 2 * vertices.shape[1] + int((tangent_m > 0.0).sum(axis=1).max())
        self.size = size

    @classmethod
    def of(cls, shapes: Sequence[Alignment]) -> Stack:
        """Return alignments stacked."""
        runs = np.array([shape.runs for shape in shapes])
        most = int(runs.max())
        vertices = np.empty((len(shapes), most + 1, 2))
        tangent = np.zeros((len(shapes), most + 1))
        for row, shape in enumerate(shapes):
            vertices[row, : shape.runs + 1] = shape.vertices
            vertices[row, shape.runs + 1 :] = shape.vertices[-1]
            tangent[row, : shape.runs + 1] = shape.tangent_m
        return cls(vertices, tangent, runs)

    def __len__(self) -> int:
        return len(self.runs)

    def shape(self, row: int) -> Alignment:
        """Return one of the alignments."""
        count = int(self.runs[row]) + 1
        return Alignment(self.vertices[row, :count].copy(), self.tangent_m[row, :count].copy())

    def taken(self, rows: Ints) -> Stack:
        """Return some of the alignments."""
        return Stack(self.vertices[rows], self.tangent_m[rows], self.runs[rows], self.size)

    @property
    def most(self) -> int:
        """The greatest number of straights."""
        return self.vertices.shape[1] - 1

    @cached_property
    def arcs(self) -> tuple[Ints, Ints, Ints]:
        """Row, corner and rank within its row of each rounded corner."""
        row, corner = np.nonzero(self.tangent_m > 0.0)
        if not len(row):
            return row, corner, row
        first = np.searchsorted(row, row)
        return row, corner, np.arange(len(row)) - first

    @cached_property
    def parts(self) -> tuple[Floats, Floats, Floats, Floats]:
        """Length, east and north of the unit direction (p, k), and turn (p, k + 1) in rad."""
        step = self.vertices[:, 1:] - self.vertices[:, :-1]
        east, north = step[..., 0], step[..., 1]
        length = np.sqrt(east * east + north * north)
        inverse = 1.0 / np.maximum(length, 1e-12)
        east, north = east * inverse, north * inverse
        turn = np.zeros(self.tangent_m.shape)
        if self.most > 1:
            e0, n0, e1, n1 = east[:, :-1], north[:, :-1], east[:, 1:], north[:, 1:]
            # A repeated last vertex turns nowhere, but -0.0 would read as half a turn there.
            turn[:, 1:-1] = np.where(
                self.used[:, 1:], np.arctan2(n0 * e1 - e0 * n1, e0 * e1 + n0 * n1), 0.0
            )
        return length, east, north, turn

    @cached_property
    def ends(self) -> tuple[tuple[Ints, Floats], tuple[Ints, Floats]]:
        """First and last vertex (p,), each with the direction (p, 2) out of the route there."""
        _, east, north, _ = self.parts
        first = np.zeros(len(self), dtype=np.int64)
        each, last = np.arange(len(self)), self.runs - 1
        out = np.stack([east[each, last], north[each, last]], axis=1)
        return (first, np.stack([-east[:, 0], -north[:, 0]], axis=1)), (self.runs, out)

    @cached_property
    def used(self) -> Bools:
        """(p, k): which straights are of the route, not padding."""
        return np.arange(self.most)[None, :] < self.runs[:, None]

    @cached_property
    def centres(self) -> tuple[Floats, Floats]:
        """Centre (p, k + 1, 2) and radius (p, k + 1) of each corner; radius 0 where sharp."""
        row, corner, _ = self.arcs
        centre = self.vertices
        radius = np.zeros(self.tangent_m.shape)
        if len(row):
            _, east, north, turn = self.parts
            half = 0.5 * np.abs(turn[row, corner])
            round_ = half >= FLAT_RAD
            row, corner, half = row[round_], corner[round_], half[round_]
            tangent = self.tangent_m[row, corner]
            reach = tangent / np.tan(half)
            side = reach * np.sign(turn[row, corner])
            e, n = east[row, corner - 1], north[row, corner - 1]
            centre = centre.copy()
            centre[row, corner, 0] += side * n - tangent * e
            centre[row, corner, 1] += -side * e - tangent * n
            radius[row, corner] = reach
        return centre, radius

    def allowed(self) -> Bools:
        """Tell (p,) whether no straight is too short, no turn a reversal and no arcs overlap."""
        length, _, _, turn = self.parts
        tangent = self.tangent_m
        curved = tangent > 0
        limit = np.where(curved, GREATEST_ARC_RAD, GREATEST_TURN_RAD)
        wrong = (np.abs(turn) > limit).any(axis=1)
        bad = length < LEAST_RUN_M
        if curved.any():
            bad |= (curved[:, :-1] | curved[:, 1:]) & (
                length - tangent[:, :-1] - tangent[:, 1:] < -1e-9
            )
            wrong |= (tangent < 0).any(axis=1)
        return np.asarray(~(wrong | (bad & self.used).any(axis=1)))

    def moved(self, step: Floats) -> Stack:
        """Return the stack with steps (p, size) added to the parameters."""
        count = 2 * (self.most + 1)
        vertices = self.vertices + step[:, :count].reshape(self.vertices.shape)
        if not self.used[:, -1].all():
            last = np.minimum(np.arange(self.most + 1)[None, :], self.runs[:, None])
            vertices = vertices[np.arange(len(self))[:, None], last]
        row, corner, rank = self.arcs
        tangent = self.tangent_m
        if len(row):
            tangent = tangent.copy()
            tangent[row, corner] = np.maximum(
                tangent[row, corner] + step[row, count + rank], LEAST_TANGENT_M
            )
        return Stack(vertices, tangent, self.runs, self.size)


def hints(stack: Stack, points: Floats) -> Ints:
    """Return (p, n) the assignment of marks to straights, in order, of least squared distance."""
    count, most = len(points), stack.most
    rows = len(stack)
    if most == 1:
        return np.zeros((rows, count), dtype=np.int64)
    length, east, north, _ = stack.parts
    away = points[None, :, None, :] - stack.vertices[:, None, :-1, :]
    e, n = east[:, None, :], north[:, None, :]
    along = away[..., 0] * e + away[..., 1] * n
    across = away[..., 0] * n - away[..., 1] * e
    beyond = along - np.minimum(np.maximum(along, 0.0), length[:, None, :])
    # With the sums of each straight running, the best cut before each mark is a running minimum.
    sums = np.zeros((rows, count + 1, most))
    np.cumsum(across * across + beyond * beyond, axis=1, out=sums[:, 1:])
    cost = sums[:, :, 0]
    cuts = []
    places = np.arange(count + 1)
    for k in range(1, most):
        gap = cost - sums[:, :, k]
        low = np.minimum.accumulate(gap, axis=1)
        fresh = np.zeros(gap.shape, dtype=np.int64)
        fresh[:, 1:] = np.where(low[:, 1:] < low[:, :-1], places[1:], 0)
        cuts.append(np.maximum.accumulate(fresh, axis=1))
        cost = low + sums[:, :, k]
    out = np.zeros((rows, count), dtype=np.int64)
    stop = np.full(rows, count)
    each = np.arange(rows)
    for k in range(most - 1, 0, -1):
        start = np.where(k < stack.runs, cuts[k - 1][each, stop], count)
        out += places[None, :-1] >= start[:, None]
        stop = np.where(k < stack.runs, start, stop)
    return out
