"""Where marks stand beside alignments, and how that changes with the alignments' parameters."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoleak.route.alignment import FLAT_RAD, Alignment
from geoleak.route.stack import Stack

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SHIFTS = np.array([0, -1, 1])[:, None, None]
TIES = np.array([0.0, 1e-12, 2e-12])[:, None, None]


@dataclass(frozen=True, slots=True)
class Feet:
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
        return Feet(
            self.offset_m[row],
            self.run[row],
            self.corner[row],
            self.share[row],
            self.east[row],
            self.north[row],
        )


def feet(shape: Alignment, points: Floats, hint: Ints) -> Feet:
    """Return the nearest place of each mark among the straights beside its `hint`.

    Looking only one straight to either side keeps the two legs of a hairpin apart.
    """
    return feet_of(Stack.of([shape]), points, hint[None, :]).row(0)


def feet_of(stack: Stack, points: Floats, hint: Ints) -> Feet:
    """Return the feet of marks (n, 2) beside each alignment of a stack, hints (p, n)."""
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
    centre, radius = _arcs_of((base[:, None, :] + nudge).reshape(-1, 7))
    centre, radius = centre.reshape(-1, 14, 2), radius.reshape(-1, 14)
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


def _arcs_of(numbers: Floats) -> tuple[Floats, Floats]:
    """Return centres (m, 2) and radii (m,) from rows of three PIs and a tangent length."""
    a, b, c, tangent = numbers[:, 0:2], numbers[:, 2:4], numbers[:, 4:6], numbers[:, 6]
    u, v = b - a, c - b
    u = u / np.hypot(u[:, 0], u[:, 1])[:, None]
    v = v / np.hypot(v[:, 0], v[:, 1])[:, None]
    turn = np.arctan2(u[:, 1] * v[:, 0] - u[:, 0] * v[:, 1], (u * v).sum(axis=1))
    radius = tangent / np.tan(np.maximum(np.abs(turn), 2 * FLAT_RAD) / 2)
    right = np.stack([u[:, 1], -u[:, 0]], axis=1)
    centre = b + (radius * np.sign(turn))[:, None] * right - tangent[:, None] * u
    return centre, radius
