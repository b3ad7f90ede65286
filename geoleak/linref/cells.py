"""The nearest piece for very many points: a tree of square cells that share candidates.

Points are sorted into a quadtree. A cell inherits its parent's candidate pieces and drops those
that cannot be nearest, nor rival, for any point inside it. What a cell is left with is measured
for each of its points in single precision, about the cell's centre; what may be nearest or rival
within that precision is measured again in double. Nothing is approximate.

The bound: let r be the half-diagonal of a cell, D the distance from its centre to the nearest
piece, d that to another one, and u, v the unit vectors from the nearest places on the two to the
centre. Distance to a straight piece is convex, so at a point moved by m from the centre it is at
least d + v.m; and the distance to the place nearest the centre is at most D + u.m + m.m/(2 D).
The other piece is farther than the nearest at every point of the cell when
d - D > |v - u| r + r^2/(2 D), and also when d - D > 2 r.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Self

import numpy as np

from geoleak.linref.segments import (
    TIE_M,
    Nearest,
    Segments,
    nearest_of,
    nearest_of_all,
)
from geoleak.record import Bools, Floats, Ints, NDArray, Record, Singles, replace

# Below this many point-piece pairs, or on lines this short, asking every piece is quicker.
FEW_PAIRS = 200_000
FEW_PIECES = 6
# A cell with so few points, or so few candidates, is not split again.
FEW_POINTS = 200
FEW_CANDIDATES = 3
# Halvings of the square around the points; two keys of so many bits fit one 32-bit number.
DEPTH = 16
# Cell-piece pairs handled at once; bounds the memory.
MOST_PAIRS = 100_000
# Points of one cell that are measured together, and pairs of them and pieces at once.
ROW = 8
BLOCK = 131_072
# Single precision is good to this share of a cell's distance and size (some ten roundings).
SINGLE = 1e-6
# Pieces shorter than this share of their distance are as far as the nearer of their two ends, less
# half of (a quarter of the share squared), which is nothing.
SHORT = 0.02
# Points farther from the lines than a shell's size are searched apart, in shells this much larger.
SHELL = 64.0


class Cells(Record, eq=False):
    """Cells of one level with their points and candidates.

    ``low``, ``high`` (c,) bound each cell's points in sorted order, ``key`` (c,) is the sort key
    shifted to the level, ``first`` (c + 1,) bounds each cell's part of ``candidate``.
    """

    level: int
    low: Ints
    high: Ints
    key: NDArray[np.uint32]
    first: Ints
    candidate: Ints


class Centres(Record, eq=False):
    """Centres of cells (c,), how far each is from the nearest piece, and the half-diagonal."""

    x: Floats
    y: Floats
    least_m: Floats
    radius_m: float


def nearest_pieces(
    segments: Segments, x: Floats, y: Floats, rival_within_m: float | None
) -> Nearest:
    """Return the nearest and the rival piece of each finite point, however many there are."""
    if len(segments) <= FEW_PIECES or len(segments) * len(x) <= FEW_PAIRS:
        return nearest_of_all(segments, x, y, rival_within_m)
    shell = _shell_of(segments, x, y)
    found = Nearest(np.empty(len(x), dtype=np.int64), np.empty(len(x), dtype=np.int64))
    for each in np.unique(shell):
        inside = np.flatnonzero(shell == each) if shell.any() else np.arange(len(x))
        _search(segments, x[inside], y[inside], inside, rival_within_m, found)
    return found


def _shell_of(segments: Segments, x: Floats, y: Floats) -> NDArray[np.int16]:
    """Return 0 for points about the lines, 1, 2, ... for points ever farther away.

    Without this one stray point would stretch the square and blunt the cells of all others.
    """
    low_x, high_x = segments.start_x.min(), segments.start_x.max()
    low_y, high_y = segments.start_y.min(), segments.start_y.max()
    size = max(high_x - low_x, high_y - low_y, float(segments.length_m.max()))
    away = np.maximum(np.abs(x - (low_x + high_x) / 2), np.abs(y - (low_y + high_y) / 2)) / size
    with np.errstate(divide="ignore"):
        shell = np.ceil(np.log(away / 2.0) / np.log(SHELL))
    return np.maximum(shell, 0.0).astype(np.int16)


def _search(
    segments: Segments,
    x: Floats,
    y: Floats,
    where: Ints,
    rival_within_m: float | None,
    found: Nearest,
) -> None:
    """Fill in the pieces of one shell's points, whose places in `found` are `where`."""
    low_x, low_y = x.min(), y.min()
    size = max(x.max() - low_x, y.max() - low_y)
    size = size * (1.0 + 1e-9) if size > 0.0 else 1.0
    keys: NDArray[np.uint32] = _morton(x, low_x, size) | (_morton(y, low_y, size) << np.uint32(1))
    # One sort of key and place together is several times quicker than sorting places by key.
    packed = (keys.astype(np.uint64) << np.uint64(32)) | np.arange(len(x), dtype=np.uint64)
    packed.sort()
    keys = (packed >> np.uint64(32)).astype(np.uint32)
    order = (packed & np.uint64(0xFFFFFFFF)).astype(np.int64)
    x, y, where = x[order], y[order], where[order]
    everything = np.arange(len(segments), dtype=np.int64)
    root = Cells(
        0,
        np.array([0]),
        np.array([len(x)]),
        np.array([0], dtype=np.uint32),
        np.array([0, len(segments)]),
        everything,
    )

    def settle(cells: Cells) -> list[Cells]:
        square = (low_x, low_y, size)
        thinned, centres, reach = _thinned(segments, cells, square, rival_within_m or 0.0)
        count = np.diff(thinned.first)
        last = (count <= FEW_CANDIDATES) | (cells.high - cells.low <= FEW_POINTS)
        # Splitting pays by dropping candidates; where hardly any would go, measure them all.
        last |= (reach > 0.8 * count) & (count < 64)
        last |= cells.level == DEPTH
        _settle(segments, x, y, where, thinned, centres, last, rival_within_m, found)
        return _children(thinned, ~last, keys)

    waiting = [root]
    while waiting:
        waiting.extend(settle(waiting.pop()))


def _morton(value: Floats, low: float, size: float) -> NDArray[np.uint32]:
    """Return cell numbers along one axis with their bits spread to every second place."""
    cell = ((value - low) * (2**DEPTH / size)).astype(np.int64)
    bits = np.clip(cell, 0, 2**DEPTH - 1).astype(np.uint32)
    for shift, mask in ((8, 0x00FF00FF), (4, 0x0F0F0F0F), (2, 0x33333333), (1, 0x55555555)):
        bits = (bits | (bits << np.uint32(shift))) & np.uint32(mask)
    return bits


def _unspread(bits: NDArray[np.uint32]) -> Ints:
    bits = bits & np.uint32(0x55555555)
    for shift, mask in ((1, 0x33333333), (2, 0x0F0F0F0F), (4, 0x00FF00FF), (8, 0x0000FFFF)):
        bits = (bits | (bits >> np.uint32(shift))) & np.uint32(mask)
    return bits.astype(np.int64)


def _thinned(
    segments: Segments,
    cells: Cells,
    square: tuple[float, float, float],
    rival_within_m: float,
) -> tuple[Cells, Centres, Ints]:
    """Drop candidates that are no use in a cell; also say how many would do for a smaller one."""
    low_x, low_y, size = square
    side = size / 2**cells.level
    # The slack covers rounding where a point sits on a cell's edge.
    radius = side * np.sqrt(0.5) * (1.0 + 1e-6) + size * 1e-12
    centre_x = low_x + (_unspread(cells.key) + 0.5) * side
    centre_y = low_y + (_unspread(cells.key >> np.uint32(1)) + 0.5) * side
    firsts = cells.first[:-1]
    cell = np.repeat(np.arange(len(firsts)), np.diff(cells.first))
    unit_x, unit_y = segments.gaps(centre_x[cell], centre_y[cell], cells.candidate)
    distance = np.sqrt(unit_x * unit_x + unit_y * unit_y)
    # Unit vectors; 0 stays 0.
    scale = 1.0 / np.maximum(distance, 1e-150)
    unit_x *= scale
    unit_y *= scale
    least = np.minimum.reduceat(distance, firsts)
    hits = np.flatnonzero(distance == least[cell])
    nearest = np.empty(len(firsts), dtype=np.int64)
    nearest[cell[hits]] = hits
    gap_x, gap_y = unit_x - unit_x[nearest][cell], unit_y - unit_y[nearest][cell]
    turn = np.sqrt(gap_x * gap_x + gap_y * gap_y)
    bend = radius**2 / (2.0 * np.maximum(least, radius * 1e-3))
    # Ties must stay; distances carry rounding of about 1e-16 of themselves.
    more = distance - (least * (1.0 + 1e-12) + 2.0 * TIE_M + rival_within_m)[cell]
    keep = np.flatnonzero(more <= np.minimum(turn * radius + bend[cell], 2.0 * radius))
    more, turn, cell = more[keep], turn[keep], cell[keep]
    smaller = more <= np.minimum(turn * radius / 2.0 + bend[cell] / 4.0, radius)
    reach = np.bincount(cell[smaller], minlength=len(firsts))
    first = np.searchsorted(cell, np.arange(len(firsts) + 1))
    thinned = replace(cells, first=first, candidate=cells.candidate[keep])
    return thinned, Centres(centre_x, centre_y, least, radius), reach


def _children(cells: Cells, split: Bools, keys: NDArray[np.uint32]) -> list[Cells]:
    """Return the occupied quarters of the cells to split, in parts of bounded size."""
    parent = np.flatnonzero(split)
    if not len(parent):
        return []
    shift = np.uint32(2 * (DEPTH - cells.level - 1))
    quarter = ((cells.key[parent] << np.uint32(2))[:, None] + np.arange(4)).astype(np.uint32)
    inner = np.searchsorted(keys, (quarter[:, 1:] << shift).ravel()).reshape(-1, 3)
    edges = np.column_stack([cells.low[parent], inner, cells.high[parent]])
    low, high = edges[:, :4].ravel(), edges[:, 1:].ravel()
    occupied = high > low
    owner = np.repeat(parent, 4)[occupied]
    count = np.diff(cells.first)[owner]
    ends = np.cumsum(count)
    low, high, key = low[occupied], high[occupied], quarter.ravel()[occupied]
    parts = []
    begin = 0
    while begin < len(owner):
        done = ends[begin - 1] if begin else 0
        finish = max(begin + 1, int(np.searchsorted(ends, done + MOST_PAIRS, side="right")))
        piece = slice(begin, finish)
        first = np.concatenate([[0], ends[piece] - done])
        shifted = np.repeat(cells.first[owner[piece]] - first[:-1], count[piece])
        candidate = cells.candidate[shifted + np.arange(first[-1])]
        parts.append(Cells(cells.level + 1, low[piece], high[piece], key[piece], first, candidate))
        begin = finish
    return parts


def _settle(
    segments: Segments,
    x: Floats,
    y: Floats,
    where: Ints,
    cells: Cells,
    centres: Centres,
    last: Bools,
    rival_within_m: float | None,
    found: Nearest,
) -> None:
    """Find the pieces of the points of finished cells, cells of like counts together."""
    count = np.diff(cells.first)
    owner = np.repeat(np.arange(len(count)), count)
    unit = centres.least_m + centres.radius_m
    longest = np.maximum.reduceat(segments.length_m[cells.candidate], cells.first[:-1]) / unit
    short = longest < SHORT
    for seen_as, family in ((_Ends, short), (_Pieces, ~short)):
        chosen = np.flatnonzero(last & family)
        if not len(chosen):
            continue
        chosen = chosen[np.argsort(count[chosen], kind="stable")]
        rows = -(-(cells.high[chosen] - cells.low[chosen]) // ROW)
        cell = np.repeat(chosen, rows)
        ahead = np.repeat(np.cumsum(rows) - rows, rows)
        begin = cells.low[cell] + ROW * (np.arange(len(cell)) - ahead)
        local = seen_as.of(segments, cells.candidate, owner, centres)
        finish = len(cell)
        kept: dict[float | None, list[tuple[Ints, Ints]]] = {}
        while finish:
            # From the widest down: each block is as wide as its last row.
            first = max(0, finish - max(1, BLOCK // (ROW * int(count[cell[finish - 1]]))))
            block = _Block(
                x, y, cells, centres, local, cell[first:finish], begin[first:finish], longest
            )
            for point, index, within in block.candidates(rival_within_m):
                kept.setdefault(within, []).append((point, index))
            finish = first
        for within, parts in kept.items():
            point, index = (np.concatenate(each) for each in zip(*parts, strict=True))
            starts = np.flatnonzero(np.diff(point, prepend=-1))
            here = point[starts]
            number = np.repeat(np.arange(len(starts)), np.diff(starts, append=len(point)))
            square = segments.squared_distance(x[point], y[point], index)
            nearest = nearest_of(segments, x[here], y[here], number, index, square, within)
            found.piece[where[here]] = nearest.piece
            found.rival[where[here]] = nearest.rival


class _Pieces:
    """Candidates as seen from their cells' centres, in single precision.

    A row of ``table`` (n + 1, 8) holds what gives the place along and aside of a piece as sums over
    (x, y, 1), then where its start and end lie along it: all from its place nearest to the centre,
    in units of the centre's distance and the cell's size. The last row is no piece, far away.
    ``follows`` (n + 1,) says whether a piece runs on from the candidate before it.
    """

    def __init__(self, table: Sequence[Floats], follows: Bools) -> None:
        self.table = np.zeros((len(follows) + 1, len(table)), dtype=np.float32)
        for k, column in enumerate(table):
            self.table[:-1, k] = column
        self.table[-1, [2, 5]] = 1e6
        self.follows = np.append(follows, False)

    @classmethod
    def of(cls, segments: Segments, index: Ints, cell: Ints, centres: Centres) -> Self:
        """Return candidates, each with its cell."""
        unit = (centres.least_m + centres.radius_m)[cell]
        start_x = (segments.start_x[index] - centres.x[cell]) / unit
        start_y = (segments.start_y[index] - centres.y[cell]) / unit
        along_x, along_y = segments.along_x[index] / unit, segments.along_y[index] / unit
        follows = np.zeros(len(index), dtype=bool)
        follows[1:] = (np.diff(index) == 1) & segments.linked[index[1:]] & (np.diff(cell) == 0)
        return cls(cls._table(start_x, start_y, along_x, along_y), follows)

    @staticmethod
    def _table(x: Floats, y: Floats, along_x: Floats, along_y: Floats) -> Sequence[Floats]:
        length = np.hypot(along_x, along_y)
        u, v = along_x / length, along_y / length
        along = -x * u - y * v
        nearest = np.clip(along, 0.0, length)
        return u, v, along - nearest, v, -u, y * u - x * v, -nearest, length - nearest

    def squares(self, held: Ints, moved: Singles) -> tuple[Singles, Singles]:
        """Return squared distances (b, ROW, k) of points (b, ROW, 3) to pieces and their starts."""
        seen = self.table[held]
        along = moved @ seen[..., :3].transpose(0, 2, 1)
        aside = moved @ seen[..., 3:6].transpose(0, 2, 1)
        aside *= aside
        start, end = seen[:, None, :, 6], seen[:, None, :, 7]
        square = np.minimum(np.maximum(along, start), end)
        square -= along
        square *= square
        square += aside
        along -= start
        along *= along
        along += aside
        return square, along


class _Ends(_Pieces):
    """Short candidates far away, seen as their two ends; a row holds the squares' sums."""

    @staticmethod
    def _table(x: Floats, y: Floats, along_x: Floats, along_y: Floats) -> Sequence[Floats]:
        end_x, end_y = x + along_x, y + along_y
        return (-2 * x, -2 * y, x * x + y * y,
                -2 * end_x, -2 * end_y, end_x * end_x + end_y * end_y)  # fmt: skip

    def squares(self, held: Ints, moved: Singles) -> tuple[Singles, Singles]:
        seen = self.table[held]
        start = moved @ seen[..., :3].transpose(0, 2, 1)
        end = moved @ seen[..., 3:].transpose(0, 2, 1)
        return np.minimum(start, end, out=end), start


class _Block:
    """Rows of points, each a cell and the first of `ROW` of its points, with the candidates."""

    def __init__(
        self, x: Floats, y: Floats, cells: Cells, centres: Centres, local: _Pieces, cell: Ints,
        begin: Ints, longest: Floats,
    ) -> None:  # fmt: skip
        place = begin[:, None] + np.arange(ROW)
        known = place < cells.high[cell][:, None]
        self.place = np.where(known, place, begin[:, None]).ravel()
        self.known = known.ravel()
        low, high = cells.first[cell], cells.first[cell + 1]
        held = low[:, None] + np.arange(int((high - low).max()))
        self.held = np.where(held < high[:, None], held, len(cells.candidate))
        self.candidate = cells.candidate
        self.local = local
        owner = np.repeat(cell, ROW)
        self.unit = (centres.least_m + centres.radius_m)[owner]
        moved = np.ones((len(owner), 3), dtype=np.float32)
        moved[:, 0] = (x[self.place] - centres.x[owner]) / self.unit
        moved[:, 1] = (y[self.place] - centres.y[owner]) / self.unit
        self.moved = moved.reshape(-1, ROW, 3)
        # By their ends alone, pieces are taken for up to half their length farther, squared, and
        # what a point is moved, squared, is left out.
        ends = isinstance(local, _Ends)
        self.gap = (longest[owner] / 2.0) ** 2 if ends else 0.0
        self.out = (moved[:, 0] ** 2 + moved[:, 1] ** 2).astype(np.float64) if ends else 0.0

    def candidates(self, rival_within_m: float | None) -> Iterator[tuple[Ints, Ints, float | None]]:
        """Yield points with the pieces that may be nearest or rival, and the limit of rivals.

        Points beside which single precision shows one stretch alone come without a limit.
        """
        square, start = self.local.squares(self.held, self.moved)
        width = square.shape[2]
        out, gap = self.out, self.gap
        lowest = square.min(axis=2).ravel() + out
        least = np.sqrt(np.maximum(lowest, 0.0))
        slack = SINGLE + 2.0 * TIE_M / self.unit
        sole = self.known
        if rival_within_m is not None:
            within = rival_within_m / self.unit
            slack += SINGLE * (within + within**2)
            close = square <= self._limit((least + within) ** 2, slack + gap, out)
            nearer = np.sqrt(np.maximum(lowest - slack - gap, 0.0))
            joined = start <= self._limit((nearer + within) ** 2, -slack, out)
            joined &= self.local.follows[self.held][:, None, :]
            starts = np.flatnonzero(close > joined) // width
            several = sole & (np.bincount(starts, minlength=len(sole)) > 1)
            sole = sole & ~several
            row = np.flatnonzero(several)
            if len(row):
                which, column = np.nonzero(close.reshape(-1, width)[row])
                yield *self._pairs(row[which], column), rival_within_m
        limit = np.where(sole, least**2, -np.inf)
        nearest = np.flatnonzero(square <= self._limit(limit, slack + gap, out))
        if len(nearest):
            yield *self._pairs(*np.divmod(nearest, width)), None

    def _pairs(self, row: Ints, column: Ints) -> tuple[Ints, Ints]:
        return self.place[row], self.candidate[self.held[row // ROW, column]]

    def _limit(self, square: Floats, slack: Floats, out: Floats | float) -> Singles:
        """Return what squares are held against; rounding counts as the root or the square does."""
        limit = square - out + slack * (1.0 + np.sqrt(np.maximum(square, 0.0)))
        return limit.astype(np.float32).reshape(-1, ROW, 1)
