"""Straight pieces of lines as arrays, the exact distance to them, the nearest of candidates."""

from __future__ import annotations

import numpy as np

from geoleak.record import Bools, Floats, Ints, NDArray, Record

# Two stretches this nearly as far away count as equally far, and the lower chainage is taken:
# rounding of coordinates in the millions moves a line by as much.
TIE_M = 1e-9
TIE_RELATIVE = 1e-15
# Squares of shorter segments leave the range of doubles: such vertices are repeats.
SHORTEST_SEGMENT_M = 1e-140
# A stretch so little farther off is nearly as close (common practice, no source).
RIVAL_WITHIN_M = 1.0
# A foot this far beyond an end is still on the route (rounding of a computed point).
END_TOLERANCE_M = 1e-9
# Squares of larger coordinates overflow; no place on Earth is that far away.
LARGEST_COORDINATE_M = 1e150


class Segments(Record, eq=False):
    """Straight pieces of one or more lines, in order; none of them of zero length.

    ``start_x``, ``start_y``, ``along_x``, ``along_y`` (s,) are metres, ``length_m`` (s,) the
    lengths, ``chainage_m`` (s,) the chainage of each start. ``linked`` (s,) says whether a piece
    runs on from the piece before it. ``before`` and ``after`` (s,) are the neighbouring pieces
    around each start and end vertex, -1 at a free end; in a closed line they wrap.
    """

    start_x: Floats
    start_y: Floats
    along_x: Floats
    along_y: Floats
    inverse_square: Floats
    length_m: Floats
    chainage_m: Floats
    linked: Bools
    before: Ints
    after: Ints

    def __len__(self) -> int:
        return len(self.start_x)

    @classmethod
    def of_line(cls, plan_m: Floats, chainage_m: Floats) -> Segments:
        """Make the pieces of one line from its vertices (n, 2) and their chainages (n,)."""
        along = np.diff(plan_m, axis=0)
        length = np.hypot(along[:, 0], along[:, 1])
        keep = length > SHORTEST_SEGMENT_M
        start, along, length = plan_m[:-1][keep], along[keep], length[keep]
        count = len(length)
        before = np.arange(count, dtype=np.int64) - 1
        after = np.arange(count, dtype=np.int64) + 1
        closed = bool(np.all(plan_m[0] == plan_m[-1]))
        before[0] = count - 1 if closed else -1
        after[-1] = 0 if closed else -1
        linked = np.ones(count, dtype=bool)
        linked[0] = False
        return cls(
            start_x=np.ascontiguousarray(start[:, 0]),
            start_y=np.ascontiguousarray(start[:, 1]),
            along_x=np.ascontiguousarray(along[:, 0]),
            along_y=np.ascontiguousarray(along[:, 1]),
            inverse_square=1.0 / (along[:, 0] ** 2 + along[:, 1] ** 2),
            length_m=length,
            chainage_m=chainage_m[:-1][keep],
            linked=linked,
            before=before,
            after=after,
        )

    @classmethod
    def joined(cls, parts: list[Segments]) -> Segments:
        """Put the pieces of several lines one behind the other."""
        firsts = np.cumsum([0] + [len(part) for part in parts])

        def neighbours(name: str) -> Ints:
            shifted = []
            for part, first in zip(parts, firsts, strict=False):
                values = getattr(part, name)
                shifted.append(np.where(values < 0, -1, values + first))
            return np.concatenate(shifted)

        def stacked(name: str) -> NDArray:
            return np.concatenate([getattr(part, name) for part in parts])

        plain = ("start_x", "start_y", "along_x", "along_y", "inverse_square", "length_m")
        return cls(
            **{name: stacked(name) for name in (*plain, "chainage_m", "linked")},
            before=neighbours("before"),
            after=neighbours("after"),
        )

    def gaps(self, x: Floats, y: Floats, piece: Ints | slice) -> tuple[Floats, Floats]:
        """Return vectors (metres) from the nearest places on pieces to points; broadcasts."""
        along_x, along_y = self.along_x[piece], self.along_y[piece]
        gap_x = x - self.start_x[piece]
        gap_y = y - self.start_y[piece]
        part = gap_x * along_x
        part += gap_y * along_y
        part *= self.inverse_square[piece]
        np.maximum(part, 0.0, out=part)
        np.minimum(part, 1.0, out=part)
        gap_x -= along_x * part
        part *= along_y
        gap_y -= part
        return gap_x, gap_y

    def squared_distance(self, x: Floats, y: Floats, piece: Ints | slice) -> Floats:
        """Return squared distances (m2) from points to pieces, with broadcasting."""
        square, other = self.gaps(x, y, piece)
        square *= square
        other *= other
        square += other
        return square

    def part_along(self, x: Floats, y: Floats, piece: Ints) -> Floats:
        """Return where the perpendicular foot stands on each piece: 0 its start, 1 its end."""
        from_x = x - self.start_x[piece]
        from_y = y - self.start_y[piece]
        dot = from_x * self.along_x[piece] + from_y * self.along_y[piece]
        return dot * self.inverse_square[piece]

    def foot_chainage_m(self, x: Floats, y: Floats, piece: Ints) -> Floats:
        """Return the chainage of the place on each piece that is nearest to each point."""
        part = np.clip(self.part_along(x, y, piece), 0.0, 1.0)
        return self.chainage_m[piece] + part * self.length_m[piece]


def tie_limit(distance_m: Floats) -> Floats:
    """Return up to which distance others count as equal to this one."""
    limit: Floats = distance_m * (1.0 + TIE_RELATIVE) + TIE_M
    return limit


# Elements of one block of points x candidates: small enough to stay in the processor's cache.
BLOCK = 65_536


class Nearest(Record, eq=False):
    """Indices of pieces (m,): ``piece`` the nearest, ``rival`` of another stretch or -1."""

    piece: Ints
    rival: Ints


def nearest_of(
    segments: Segments,
    x: Floats,
    y: Floats,
    point: Ints,
    index: Ints,
    square: Floats,
    rival_within_m: float | None,
) -> Nearest:
    """Return the nearest of the candidates of each point, the first one at ties.

    Parameters
    ----------
    segments : Segments
        The pieces.
    x, y : ndarray, shape (m,)
        Points in metres.
    point, index, square : ndarray, shape (n,)
        Each candidate's point (ascending, none without one), piece (ascending at a point) and
        squared distance.
    rival_within_m : float or None
        How much farther than the nearest another stretch may be; None looks for none.
    """
    least = np.sqrt(np.minimum.reduceat(square, np.flatnonzero(np.diff(point, prepend=-1))))
    tied = np.flatnonzero(square <= (tie_limit(least) ** 2)[point])
    piece = np.empty(len(x), dtype=np.int64)
    piece[point[tied][::-1]] = index[tied][::-1]
    several = np.flatnonzero(np.bincount(point[tied]) > 1)
    if len(several):
        piece[several] = _lowest_in_valley(segments, x[several], y[several], piece[several])
    rival = np.full(len(x), -1, dtype=np.int64)
    if rival_within_m is not None:
        limit = (tie_limit(least) + rival_within_m) ** 2
        close = np.flatnonzero(square <= limit[point])
        close = close[(np.bincount(point[close]) > 1)[point[close]]]
        if len(close):
            _find_rivals(
                segments, x, y, (point[close], index[close], square[close]), piece, limit, rival
            )
    return Nearest(piece, rival)


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


def _find_rivals(
    segments: Segments,
    x: Floats,
    y: Floats,
    close: tuple[Ints, Ints, Floats],
    piece: Ints,
    limit: Floats,
    rival: Ints,
) -> None:
    """Fill in the nearest piece of another stretch within the limit, where a point has one.

    A stretch is a run of chainage on which the route stays within the limit. Distance is convex
    along a straight piece, so neighbouring pieces belong to one stretch exactly when the vertex
    between them is within the limit.
    """
    point, index, value = close
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
    best = np.repeat(np.minimum.reduceat(least, starts), np.diff(starts, append=len(owner)))
    # The first of the other stretches that tie, and in it the nearest piece.
    ties = np.flatnonzero((least <= tie_limit(np.sqrt(best)) ** 2) & np.isfinite(least))
    chosen = np.full(len(x), -1, dtype=np.int64)
    chosen[owner[ties][::-1]] = ties[::-1]
    hits = np.flatnonzero((stretch == chosen[point]) & (value == least[stretch]))[::-1]
    rival[point[hits]] = index[hits]


def nearest_of_all(
    segments: Segments, x: Floats, y: Floats, rival_within_m: float | None
) -> Nearest:
    """Return the nearest pieces with every piece a candidate, in blocks."""
    step = max(1, BLOCK // len(segments))
    piece = np.empty(len(x), dtype=np.int64)
    rival = np.empty(len(x), dtype=np.int64)
    for first in range(0, len(x), step):
        block = slice(first, first + step)
        bx, by = x[block], y[block]
        square = segments.squared_distance(bx[:, None], by[:, None], slice(None))
        limit = (tie_limit(np.sqrt(square.min(axis=1))) + (rival_within_m or 0.0)) ** 2
        point, index = np.nonzero(square <= limit[:, None])
        found = nearest_of(segments, bx, by, point, index, square[point, index], rival_within_m)
        piece[block], rival[block] = found.piece, found.rival
    return Nearest(piece, rival)
