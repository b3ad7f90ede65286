"""Segments of lines as arrays, and the exact distance from points to them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

# Two stretches this nearly as far away count as equally far, and the lower chainage is taken:
# rounding of coordinates in the millions moves a line by as much.
TIE_M = 1e-9
TIE_RELATIVE = 1e-15
# Squares of shorter segments leave the range of doubles: such vertices are repeats.
SHORTEST_SEGMENT_M = 1e-140
# A foot this far beyond an end is still on the route (rounding of a computed point).
END_TOLERANCE_M = 1e-9
# Squares of larger coordinates overflow; no place on Earth is that far away.
LARGEST_COORDINATE_M = 1e150


@dataclass(frozen=True, slots=True, eq=False)
class Segments:
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

        def stacked(name: str) -> npt.NDArray:
            return np.concatenate([getattr(part, name) for part in parts])

        plain = ("start_x", "start_y", "along_x", "along_y", "inverse_square", "length_m")
        return cls(
            **{name: stacked(name) for name in (*plain, "chainage_m", "linked")},
            before=neighbours("before"),
            after=neighbours("after"),
        )

    def gaps(self, x: Floats, y: Floats, piece: Ints) -> tuple[Floats, Floats]:
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

    def squared_distance(self, x: Floats, y: Floats, piece: Ints) -> Floats:
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
