"""The nearest piece for each point, and the nearest piece of another stretch, from candidates."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoleak.linref.segments import Bools, Floats, Ints, Segments, tie_limit

# Elements of one block of points x candidates: small enough to stay in the processor's cache.
BLOCK = 65_536


@dataclass(frozen=True, slots=True, eq=False)
class Nearest:
    """Indices of pieces (m,): ``piece`` the nearest, ``rival`` of another stretch or -1."""

    piece: Ints
    rival: Ints


def pick(
    segments: Segments, x: Floats, y: Floats, candidates: Ints, rival_within_m: float | None
) -> Nearest:
    """Return the nearest of the candidates of each point, the first one at ties.

    Parameters
    ----------
    segments : Segments
        The pieces.
    x, y : ndarray, shape (m,)
        Points in metres.
    candidates : ndarray of int, shape (k, m) or (k, 1)
        Ascending piece indices per point, -1 where a point has fewer than k.
    rival_within_m : float or None
        How much farther than the nearest another stretch may be; None looks for none.
    """
    square = segments.squared_distance(x, y, candidates)
    if candidates.min() < 0:
        square[np.broadcast_to(candidates < 0, square.shape)] = np.inf
    least = np.sqrt(square.min(axis=0))
    tied = square <= tie_limit(least) ** 2
    wide = np.broadcast_to(candidates, square.shape)
    piece = wide[_first_row(tied), np.arange(len(x))]
    several = np.flatnonzero(tied.sum(axis=0) > 1)
    if len(several):
        piece[several] = _lowest_in_valley(segments, x[several], y[several], piece[several])
    rival = np.full(len(x), -1, dtype=np.int64)
    if rival_within_m is not None and len(candidates) > 1:
        limit = (tie_limit(least) + rival_within_m) ** 2
        close = square <= limit
        many = np.flatnonzero(close.sum(axis=0) > 1)
        if len(many):
            rival[many] = _rivals(
                segments, x[many], y[many], wide[:, many], square[:, many], close[:, many],
                piece[many], limit[many],
            )  # fmt: skip
    return Nearest(piece, rival)


def _first_row(wanted: Bools) -> Ints:
    """Return the first row of each column that is True."""
    rows, count = wanted.shape
    if rows > count:
        return np.argmax(wanted, axis=0)
    row = np.full(count, rows - 1, dtype=np.int64)
    for each in range(rows - 2, -1, -1):
        np.copyto(row, each, where=wanted[each])
    return row


def _lowest_in_valley(segments: Segments, x: Floats, y: Floats, piece: Ints) -> Ints:
    """Go on from a piece to those after it while the route comes nearer across the vertex.

    A piece whose end is all but the nearest place ties with the next one, which may be nearer by
    less than rounding and yet by much in chainage; the two are no tie, but one valley.
    """
    piece = piece.copy()
    moving = np.arange(len(piece))
    while len(moving):
        here = piece[moving]
        there = segments.after[here]
        goes = (there > here) & (segments.part_along(x[moving], y[moving], here) >= 1.0)
        moving, here, there = moving[goes], here[goes], there[goes]
        nearer = _is_nearer(segments, x[moving], y[moving], there, here)
        moving = moving[nearer]
        piece[moving] = there[nearer]
    # Across the seam of a closed line the last piece comes before the first.
    seam = np.flatnonzero(segments.before[piece] > piece)
    seam = seam[segments.part_along(x[seam], y[seam], piece[seam]) <= 0.0]
    last = segments.before[piece[seam]]
    nearer = _is_nearer(segments, x[seam], y[seam], last, piece[seam])
    nearer &= segments.part_along(x[seam], y[seam], last) < 1.0
    piece[seam[nearer]] = last[nearer]
    return piece


def _is_nearer(segments: Segments, x: Floats, y: Floats, one: Ints, other: Ints) -> Bools:
    nearer: Bools = segments.squared_distance(x, y, one) < segments.squared_distance(x, y, other)
    return nearer


def _rivals(
    segments: Segments,
    x: Floats,
    y: Floats,
    candidates: Ints,
    square: Floats,
    close: Bools,
    piece: Ints,
    limit: Floats,
) -> Ints:
    """Return for each point the nearest piece of another stretch within the limit, or -1.

    A stretch is a run of chainage on which the route stays within the limit. Distance is convex
    along a straight piece, so neighbouring pieces belong to one stretch exactly when the vertex
    between them is within the limit.
    """
    point, row = np.nonzero(close.T)
    index = candidates[row, point]
    value = square[row, point]
    from_x = x[point] - segments.start_x[index]
    from_y = y[point] - segments.start_y[index]
    runs_on = np.zeros(len(point), dtype=bool)
    runs_on[1:] = (point[1:] == point[:-1]) & (index[1:] == index[:-1] + 1)
    runs_on &= segments.linked[index]
    runs_on &= from_x * from_x + from_y * from_y <= limit[point]
    firsts = np.flatnonzero(~runs_on)
    stretch = np.cumsum(~runs_on) - 1
    least = np.minimum.reduceat(value, firsts)
    least[stretch[index == piece[point]]] = np.inf
    owner = point[firsts]
    starts = np.flatnonzero(np.diff(owner, prepend=-1))
    best = np.minimum.reduceat(least, starts)
    # The first of the other stretches that tie, and in it the nearest piece.
    ties = np.flatnonzero((least <= tie_limit(np.sqrt(best))[owner] ** 2) & np.isfinite(least))
    chosen = np.full(len(x), -1, dtype=np.int64)
    chosen[owner[ties][::-1]] = ties[::-1]
    hits = np.flatnonzero((stretch == chosen[point]) & (value == least[stretch]))[::-1]
    rival = np.full(len(x), -1, dtype=np.int64)
    rival[point[hits]] = index[hits]
    return rival


def pick_from_all(
    segments: Segments, x: Floats, y: Floats, rival_within_m: float | None
) -> Nearest:
    """Return the nearest pieces with every piece a candidate, in blocks."""
    everything = np.arange(len(segments), dtype=np.int64)[:, None]
    step = max(1, BLOCK // len(segments))
    piece = np.empty(len(x), dtype=np.int64)
    rival = np.empty(len(x), dtype=np.int64)
    for first in range(0, len(x), step):
        block = slice(first, first + step)
        found = pick(segments, x[block], y[block], everything, rival_within_m)
        piece[block], rival[block] = found.piece, found.rival
    return Nearest(piece, rival)
