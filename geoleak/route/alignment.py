"""The shape of a route: points of intersection joined by straights, each corner sharp or rounded.

As a surveyor sets out a centre line: ``vertices`` are the points of intersection (PI),
``tangent_m`` the distance from a PI to the tangent point of the arc that rounds it (0: a sharp
bend). The radius follows as ``tangent / tan(deflection / 2)`` (elementary geometry).

A fit of some tens of marks is so small that the cost of calling numpy outweighs the arithmetic;
the structures one move away are therefore worked out together, as a `Stack` of alignments in
padded arrays. Routes of fewer straights than the longest repeat their last vertex.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property

import numpy as np
from msgspec.structs import astuple

from geoleak.record import ArrayLike, Bools, Floats, Ints, Record

SAGITTA_M = 0.0005
"""How far a chord of the drawn arc may leave the arc."""
LEAST_RUN_M = 0.35
"""Shorter straights between two bends are refused: no two fittings stand closer in a trench."""
GREATEST_TURN_RAD = np.deg2rad(125.0)
"""A sharper turn at one point is a reversal, which no single fitting makes."""
FLAT_RAD = 1e-6


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


class Alignment:
    """Points of intersection and tangent lengths of one route.

    Parameters
    ----------
    vertices : (k + 1, 2) array
        Easting, northing of the start, the PIs and the end; metres.
    tangent_m : (k + 1,) array
        Tangent length at each; 0 at both ends and at sharp bends.
    """

    def __init__(self, vertices: Floats, tangent_m: Floats) -> None:
        self.vertices = vertices
        self.tangent_m = tangent_m
        self.runs = len(vertices) - 1
        """Number of straights."""

    @cached_property
    def stack(self) -> Stack:
        """The route as a stack of one."""
        return Stack(self.vertices[None], self.tangent_m[None], np.array([self.runs]))

    @property
    def arcs(self) -> Ints:
        """Indices of the rounded corners."""
        return self.stack.arcs[1]

    @cached_property
    def lengths(self) -> Floats:
        """Lengths (k,) of the straights from PI to PI."""
        return self.stack.parts[0][0]

    @cached_property
    def unit(self) -> Floats:
        """Unit directions (k, 2) of the straights."""
        return np.stack([each[0] for each in self.stack.parts[1:3]], axis=1)

    @cached_property
    def turn(self) -> Floats:
        """Turns (k + 1,) in rad, right positive; the ends turn by 0."""
        return self.stack.parts[3][0]

    @cached_property
    def centre(self) -> Floats:
        """Centres (k + 1, 2) of the corners."""
        return self.stack.centres[0][0]

    @cached_property
    def radius(self) -> Floats:
        """Radii (k + 1,) of the corners; 0 where sharp."""
        return self.stack.centres[1][0]

    def laid(
        self,
        first: int,
        stop: int,
        points: ArrayLike = (),
        tangent_m: ArrayLike = 0.0,
    ) -> Alignment:
        """Return the alignment with points (m, 2) in place of its vertices first..stop-1."""
        fresh = np.reshape(np.asarray(points, dtype=float), (-1, 2))
        tangent = np.broadcast_to(np.asarray(tangent_m, dtype=float), len(fresh))
        return Alignment(
            np.concatenate([self.vertices[:first], fresh, self.vertices[stop:]]),
            np.concatenate([self.tangent_m[:first], tangent, self.tangent_m[stop:]]),
        )

    def allowed(self) -> bool:
        """Tell whether no straight is too short, no turn a reversal and no arcs overlap."""
        return bool(self.stack.allowed()[0])

    def moved(self, step: Floats) -> Alignment:
        """Return the alignment with `step` added to its `stack.size` parameters."""
        return self.stack.moved(step[None]).shape(0)

    def length_m(self) -> float:
        """Return the length along straights and arcs."""
        around = self.radius * np.abs(self.turn)
        return float(np.sum(self.lengths) + np.sum(around - 2 * self.tangent_m))

    @cached_property
    def drawn_share(self) -> float:
        """The length of the line as drawn (arcs in chords) over its true length."""
        step = np.diff(self.polyline(), axis=0)
        return float(np.hypot(step[:, 0], step[:, 1]).sum() / self.length_m())

    @cached_property
    def station(self) -> Floats:
        """Chainages (k + 1, 2) at which each corner begins and ends."""
        around = self.radius * np.abs(self.turn)
        around = np.where(self.radius > 0, around, 2 * self.tangent_m)
        free = self.lengths - self.tangent_m[:-1] - self.tangent_m[1:]
        begin = np.concatenate([[0.0], np.cumsum(free + around[:-1])])
        return np.stack([begin, begin + around], axis=1)

    def polyline(self) -> Floats:
        """Return the vertices (m, 2) of the line with arcs drawn as fine chords."""
        at: list[ArrayLike] = []
        for (begin, end), reach, angle in zip(self.station, self.radius, self.turn, strict=True):
            if reach <= 0:
                at.append([begin])
                continue
            step = 2 * np.arccos(max(1 - SAGITTA_M / reach, 0.5))
            at.append(np.linspace(begin, end, max(2, int(np.ceil(abs(angle) / step)) + 1)))
        return self.positions(np.concatenate(at))[0]

    def positions(self, chainage_m: Floats) -> tuple[Floats, Floats]:
        """Return positions (m, 2) and unit directions (m, 2) at chainages, exact on arcs.

        Before the start and beyond the end the first and last straight run on.
        """
        unit, centre, station = self.unit, self.centre, self.station
        chainage = np.asarray(chainage_m, dtype=float)
        run = np.clip(np.searchsorted(station[1:-1, 1], chainage, side="right"), 0, self.runs - 1)
        along = chainage - station[run, 1] + self.tangent_m[run]
        direction = unit[run].copy()
        point = self.vertices[run] + along[:, None] * direction
        corner = np.minimum(run + 1, self.runs)
        on_arc = (self.radius[corner] > 0) & (chainage > station[corner, 0])
        if np.any(on_arc):
            k = corner[on_arc]
            angle = -np.sign(self.turn[k]) * (chainage[on_arc] - station[k, 0]) / self.radius[k]
            cos, sin = np.cos(angle), np.sin(angle)
            first = self.vertices[k] - self.tangent_m[k, None] * unit[k - 1] - centre[k]
            point[on_arc, 0] = centre[k, 0] + first[:, 0] * cos - first[:, 1] * sin
            point[on_arc, 1] = centre[k, 1] + first[:, 0] * sin + first[:, 1] * cos
            old = unit[k - 1]
            direction[on_arc, 0] = old[:, 0] * cos - old[:, 1] * sin
            direction[on_arc, 1] = old[:, 0] * sin + old[:, 1] * cos
        return point, direction


def hints(stack: Stack, points: Floats) -> Ints:
    """Return (p, n) the assignment of marks to straights, in order, of least squared distance."""
    count, most = len(points), stack.most
    rows = len(stack)
    if most == 1:
        return np.zeros((rows, count), dtype=np.int64)
    length, east, north, _ = (each[..., None] for each in stack.parts)
    dx = points[:, 0] - stack.vertices[:, :-1, 0, None]
    dy = points[:, 1] - stack.vertices[:, :-1, 1, None]
    along = dx * east + dy * north
    across = dx * north - dy * east
    beyond = along - np.minimum(np.maximum(along, 0.0), length)
    # With the sums of each straight running, the best cut before each mark is a running minimum.
    sums = np.zeros((rows, most, count + 1))
    np.cumsum(across * across + beyond * beyond, axis=2, out=sums[..., 1:])
    cost = sums[:, 0]
    cuts = []
    places = np.arange(count + 1)
    for k in range(1, most):
        gap = cost - sums[:, k]
        low = np.minimum.accumulate(gap, axis=1)
        fresh = np.zeros(gap.shape, dtype=np.int64)
        fresh[:, 1:] = np.where(low[:, 1:] < low[:, :-1], places[1:], 0)
        cuts.append(np.maximum.accumulate(fresh, axis=1))
        cost = low + sums[:, k]
    out = np.zeros((rows, count), dtype=np.int64)
    stop = np.full(rows, count)
    each = np.arange(rows)
    for k in range(most - 1, 0, -1):
        start = np.where(k < stack.runs, cuts[k - 1][each, stop], count)
        out += places[None, :-1] >= start[:, None]
        stop = np.where(k < stack.runs, start, stop)
    return out


SHIFTS = np.array([0, -1, 1])[:, None, None]
TIES = np.array([0.0, 1e-12, 2e-12])[:, None, None]


class Feet(Record):
    """Where each mark stands beside an alignment; (n,) arrays, or (p, n) beside a stack.

    ``offset_m`` is signed (right positive); ``run`` is the straight, ``corner`` the arc or sharp
    bend the mark is nearest to (-1: a straight). ``share`` is the place along the straight, 0 to 1;
    ``east`` and ``north`` the direction in which the offset grows.
    """

    offset_m: Floats
    run: Ints
    corner: Ints
    share: Floats
    east: Floats
    north: Floats

    def row(self, row: int) -> Feet:
        """Return the feet beside one alignment of a stack."""
        return Feet(*(each[row] for each in astuple(self)))


def feet_of(stack: Stack, points: Floats, hint: Ints) -> Feet:
    """Return the feet of marks (n, 2) beside each alignment of a stack.

    Each is the nearest place among the straights beside its hint (p, n): looking only one
    straight to either side keeps the two legs of a hairpin apart.
    """
    length, east, north, _ = stack.parts
    rows, most = length.shape
    count = len(points)
    runs = stack.runs[:, None]
    base = np.arange(rows)[:, None]
    k = np.minimum(np.maximum(hint, 0), runs - 1)[None] + SHIFTS
    valid = (k >= 0) & (k < runs)
    k = np.minimum(np.maximum(k, 0), runs - 1)
    flat = k + base * most
    e, n = east.ravel()[flat], north.ravel()[flat]
    dx = points[:, 0] - stack.vertices[:, :-1, 0].ravel()[flat]
    dy = points[:, 1] - stack.vertices[:, :-1, 1].ravel()[flat]
    along = dx * e + dy * n
    across = dx * n - dy * e
    # The first and last straight run on past the ends: a mark there is still beside the line.
    low = stack.tangent_m[:, :-1].copy()
    high = length - stack.tangent_m[:, 1:]
    low[:, 0] = -np.inf
    high[np.arange(rows), stack.runs - 1] = np.inf
    low, high = low.ravel()[flat], high.ravel()[flat]
    beyond = along - np.minimum(np.maximum(along, low), high)
    away = np.where(valid, np.sqrt(across * across + beyond * beyond), np.inf)
    pick = np.argmin(away + TIES, axis=0)
    chosen = (pick * rows + base) * count + np.arange(count)
    run = k.ravel()[chosen]
    at = along.ravel()[chosen]
    corner = np.where(
        at < low.ravel()[chosen], run, np.where(at > high.ravel()[chosen], run + 1, -1)
    )
    if len(stack.arcs[0]):
        _onto_arcs(stack, points, hint, away.ravel()[chosen], run, corner)
        flat = run + base * most
        e, n = east.ravel()[flat], north.ravel()[flat]
        dx = points[:, 0] - stack.vertices[:, :-1, 0].ravel()[flat]
        dy = points[:, 1] - stack.vertices[:, :-1, 1].ravel()[flat]
        offset = dx * n - dy * e
    else:
        offset = across.ravel()[chosen]
        e, n = e.ravel()[chosen], n.ravel()[chosen]
    share = at / np.maximum(length.ravel()[run + base * most], 1e-12)
    found = Feet(offset, run, corner, share, n, -e)
    _from_corners(stack, points, found)
    return found


def _from_corners(stack: Stack, points: Floats, found: Feet) -> None:
    """Measure marks nearest to an arc or a sharp bend from its centre (in place)."""
    row, mark = np.nonzero(found.corner >= 0)
    if not len(row):
        return
    centre, radius = stack.centres
    turn = stack.parts[3]
    k = found.corner[row, mark]
    spoke = points[mark] - centre[row, k]
    reach = np.maximum(np.hypot(spoke[:, 0], spoke[:, 1]), 1e-9)
    side = np.where(turn[row, k] >= 0, -1.0, 1.0)
    found.offset_m[row, mark] = side * (reach - radius[row, k])
    found.east[row, mark] = side * spoke[:, 0] / reach
    found.north[row, mark] = side * spoke[:, 1] / reach


def _onto_arcs(
    stack: Stack, points: Floats, hint: Ints, best: Floats, run: Ints, corner: Ints
) -> None:
    """Give marks that are nearest to an arc to that arc (in place)."""
    centre, radius = stack.centres
    _, east, north, _ = stack.parts
    rows, corners, ranks = stack.arcs
    for rank in range(int(ranks.max()) + 1):
        these = (ranks == rank) & (radius[rows, corners] > 0)
        p, k = rows[these], corners[these]
        if not len(p):
            continue
        tangent = stack.tangent_m[p, k, None]
        dx = points[:, 0] - stack.vertices[p, k, 0, None]
        dy = points[:, 1] - stack.vertices[p, k, 1, None]
        past_start = dx * east[p, k - 1, None] + dy * north[p, k - 1, None] >= -tangent
        before_end = dx * east[p, k, None] + dy * north[p, k, None] <= tangent
        reach = np.hypot(points[:, 0] - centre[p, k, 0, None], points[:, 1] - centre[p, k, 1, None])
        distance = np.abs(reach - radius[p, k, None])
        shift = hint[p] - k[:, None]
        near = (shift >= -2) & (shift <= 1)
        arc, mark = np.nonzero(near & past_start & before_end & (distance <= best[p]))
        row, at = p[arc], k[arc]
        best[row, mark] = distance[arc, mark]
        corner[row, mark] = at
        run[row, mark] = np.where(shift[arc, mark] >= 0, at, at - 1)


def jacobian(stack: Stack, where: Feet) -> Floats:
    """Return the derivatives (p, n, size) of the offsets by the stack's parameters."""
    rows, count = where.run.shape
    size = stack.size
    out = np.zeros(rows * count * size)
    at_corner = where.corner >= 0
    # A sharp bend moves a mark beside it as the straight's own end does.
    share = np.where(at_corner, 0.0, where.share)
    first = np.arange(rows * count).reshape(rows, count) * size
    first += 2 * np.where(at_corner, where.corner, where.run)
    rest = 1.0 - share
    out[first] = -rest * where.east
    out[first + 1] = -rest * where.north
    out[first + 2] = -share * where.east
    out[first + 3] = -share * where.north
    full = out.reshape(rows, count, size)
    if len(stack.arcs[0]) and at_corner.any():
        _arc_rows(stack, where, full)
    return full


def _arc_rows(stack: Stack, where: Feet, out: Floats) -> None:
    """Fill the derivatives of marks on arcs: centre and radius move with three PIs (in place)."""
    p, k, rank = stack.arcs
    number = np.full(stack.tangent_m.shape, -1)
    number[p, k] = np.arange(len(p))
    row, mark = np.nonzero(where.corner >= 0)
    arc = number[row, where.corner[row, mark]]
    on = arc >= 0
    row, mark, arc = row[on], mark[on], arc[on]
    if not len(row):
        return
    side = np.where(stack.parts[3][p, k] >= 0, -1.0, 1.0)
    three = np.stack([k - 1, k, k + 1], axis=1)
    base = np.concatenate(
        [stack.vertices[p[:, None], three].reshape(len(p), 6), stack.tangent_m[p, k, None]], axis=1
    )
    delta = 1e-5
    nudge = delta * np.concatenate([np.eye(7), -np.eye(7)])
    bent = (base[:, None, :] + nudge).reshape(-1, 7)
    tangent = np.pad(bent[:, 6:], ((0, 0), (1, 1)))
    near = Stack(bent[:, :6].reshape(-1, 3, 2), tangent, np.full(len(bent), 2)).centres
    centre, radius = near[0][:, 1].reshape(-1, 14, 2), near[1][:, 1].reshape(-1, 14)
    shift = (centre[:, :7] - centre[:, 7:]) / (2 * delta)
    growth = (radius[:, :7] - radius[:, 7:]) / (2 * delta) * side[:, None]
    columns = np.concatenate(
        [2 * k[:, None] + np.arange(-2, 4), 2 * (stack.most + 1) + rank[:, None]], axis=1
    )
    east, north = where.east[row, mark, None], where.north[row, mark, None]
    out[row, mark] = 0.0
    out[row[:, None], mark[:, None], columns[arc]] = -(
        east * shift[arc, :, 0] + north * shift[arc, :, 1] + growth[arc]
    )
