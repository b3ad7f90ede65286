"""The nearest piece for very many points: a tree of square cells that share candidates.

Points are sorted into a quadtree. A cell inherits its parent's candidate pieces and drops those
that cannot be nearest, nor rival, for any point inside it; where the pieces within reach hang
together as one stretch for every point inside, no rival is looked for there. Nothing is
approximate: what is left is measured point by point. Work grows with the points and with how many
pieces are nearly equally near, not with points times pieces.

The bound: let r be the half-diagonal of a cell, D the distance from its centre to the nearest
piece, d that to another one, and u, v the unit vectors from the nearest places on the two to the
centre. Distance to a straight piece is convex, so at a point moved by m from the centre it is at
least d + v.m; and the distance to the place nearest the centre is at most D + u.m + m.m/(2 D).
The other piece is farther than the nearest at every point of the cell when
d - D > |v - u| r + r^2/(2 D), and also when d - D > 2 r.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geoleak.linref.segments import (
    BLOCK,
    TIE_M,
    Bools,
    Floats,
    Ints,
    Nearest,
    Segments,
    pick,
    pick_from_all,
)

# Below this many point-piece pairs, or on lines this short, asking every piece is quicker.
FEW_PAIRS = 200_000
FEW_PIECES = 6
# A cell with so few points, or so few candidates, is not split again.
FEW_POINTS = 32
FEW_CANDIDATES = 3
# Only cells with no more candidates are asked whether these hang together.
MANY_TO_CHECK = 24
# Halvings of the square around the points; two keys of so many bits fit one 32-bit number.
DEPTH = 16
# Cell-piece pairs handled at once; bounds the memory.
MOST_PAIRS = 100_000
# Points farther from the lines than a shell's size are searched apart, in shells this much larger.
SHELL = 64.0
Keys = npt.NDArray[np.uint32]


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
    """Cells of one level with their points and candidates.

    ``low``, ``high`` (c,) bound each cell's points in sorted order, ``key`` (c,) is the sort key
    shifted to the level, ``first`` (c + 1,) bounds each cell's part of ``candidate``,
    ``quiet`` (c,) says that no point inside has a rival.
    """

    level: int
    low: Ints
    high: Ints
    key: Keys
    first: Ints
    candidate: Ints
    quiet: Bools


def nearest_pieces(
    segments: Segments, x: Floats, y: Floats, rival_within_m: float | None
) -> Nearest:
    """Return the nearest and the rival piece of each finite point, however many there are."""
    if len(segments) <= FEW_PIECES or len(segments) * len(x) <= FEW_PAIRS:
        return pick_from_all(segments, x, y, rival_within_m)
    shell = _shell_of(segments, x, y)
    found = Nearest(np.empty(len(x), dtype=np.int64), np.empty(len(x), dtype=np.int64))
    for each in np.unique(shell):
        inside = np.flatnonzero(shell == each) if shell.any() else np.arange(len(x))
        _search(segments, x[inside], y[inside], inside, rival_within_m, found)
    return found


def _shell_of(segments: Segments, x: Floats, y: Floats) -> npt.NDArray[np.int16]:
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
    keys: Keys = _morton(x, low_x, size) | (_morton(y, low_y, size) << np.uint32(1))
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
        np.array([rival_within_m is None]),
    )

    def settle(cells: Cells) -> list[Cells]:
        thinned, reach = _thinned(segments, cells, (low_x, low_y, size), rival_within_m or 0.0)
        last = _worth_no_split(thinned, reach)
        _settle(segments, x, y, where, thinned, last, rival_within_m, found)
        return _children(thinned, ~last, keys)

    waiting = [root]
    while waiting:
        waiting.extend(settle(waiting.pop()))


def _morton(value: Floats, low: float, size: float) -> Keys:
    """Return cell numbers along one axis with their bits spread to every second place."""
    cell = ((value - low) * (2**DEPTH / size)).astype(np.int64)
    bits = np.clip(cell, 0, 2**DEPTH - 1).astype(np.uint32)
    for shift, mask in ((8, 0x00FF00FF), (4, 0x0F0F0F0F), (2, 0x33333333), (1, 0x55555555)):
        bits = (bits | (bits << np.uint32(shift))) & np.uint32(mask)
    return bits


def _unspread(bits: Keys) -> npt.NDArray[np.int64]:
    bits = bits & np.uint32(0x55555555)
    for shift, mask in ((1, 0x33333333), (2, 0x0F0F0F0F), (4, 0x00FF00FF), (8, 0x0000FFFF)):
        bits = (bits | (bits >> np.uint32(shift))) & np.uint32(mask)
    return bits.astype(np.int64)


def _thinned(
    segments: Segments,
    cells: Cells,
    square: tuple[float, float, float],
    rival_within_m: float,
) -> tuple[Cells, Ints]:
    """Drop candidates that are no use in a cell; also say how many would do for a smaller one."""
    low_x, low_y, size = square
    side = size / 2**cells.level
    # The slack covers rounding where a point sits on a cell's edge.
    radius = side * np.sqrt(0.5) * (1.0 + 1e-6) + size * 1e-12
    centre_x = low_x + (_unspread(cells.key) + 0.5) * side
    centre_y = low_y + (_unspread(cells.key >> np.uint32(1)) + 0.5) * side
    firsts = cells.first[:-1]
    cell = np.repeat(np.arange(len(firsts)), np.diff(cells.first))
    x, y = centre_x[cell], centre_y[cell]
    unit_x, unit_y = segments.gaps(x, y, cells.candidate)
    distance = _made_unit(unit_x, unit_y)
    least = np.minimum.reduceat(distance, firsts)
    hits = np.flatnonzero(distance == least[cell])
    nearest = np.empty(len(firsts), dtype=np.int64)
    nearest[cell[hits]] = hits
    turn = _apart(unit_x, unit_y, unit_x[nearest][cell], unit_y[nearest][cell])
    bend = radius**2 / (2.0 * np.maximum(least, radius * 1e-3))
    # Ties must stay; distances carry rounding of about 1e-16 of themselves.
    more = distance - (least * (1.0 + 1e-12) + 2.0 * TIE_M)[cell]
    loose = np.minimum(turn * radius + bend[cell], 2.0 * radius)
    for_nearest = more <= loose
    rival = np.where(cells.quiet, 0.0, rival_within_m)[cell]
    keep = for_nearest if cells.quiet.all() else more <= loose + rival
    quiet = cells.quiet.copy()
    small = ~quiet & (np.add.reduceat(keep.astype(np.int64), firsts) <= MANY_TO_CHECK)
    if small.any():
        spread = np.maximum.reduceat(np.where(for_nearest, turn, 0.0), firsts)
        quiet |= small & _hangs_together(
            segments, cells, cell, (x, y), np.flatnonzero(keep & small[cell]), radius,
            (least, spread, unit_x[nearest], unit_y[nearest]), rival_within_m,
        )  # fmt: skip
        keep = np.where(quiet[cell], for_nearest, keep)
    smaller = more <= np.minimum(turn * radius / 2.0 + bend[cell] / 4.0, radius) + rival
    reach = np.add.reduceat(smaller.astype(np.int64), firsts)
    kept = np.add.reduceat(keep.astype(np.int64), firsts)
    first = np.concatenate([[0], np.cumsum(kept)])
    return replace(cells, first=first, candidate=cells.candidate[keep], quiet=quiet), reach


def _made_unit(x: Floats, y: Floats) -> Floats:
    """Scale vectors to length 1 in place (0 stays 0); return their lengths."""
    length = np.sqrt(x * x + y * y)
    scale = 1.0 / np.maximum(length, 1e-150)
    x *= scale
    y *= scale
    return length


def _apart(x: Floats, y: Floats, other_x: Floats, other_y: Floats) -> Floats:
    gap_x = x - other_x
    gap_y = y - other_y
    gap_x *= gap_x
    gap_y *= gap_y
    gap_x += gap_y
    return np.sqrt(gap_x, out=gap_x)


def _hangs_together(
    segments: Segments,
    cells: Cells,
    cell: Ints,
    centre: tuple[Floats, Floats],
    kept: Ints,
    radius: float,
    nearest: tuple[Floats, Floats, Floats, Floats],
    rival_within_m: float,
) -> Bools:
    """Tell of each cell whether its candidates are one stretch for every point inside.

    They are where they follow one another, the route comes nearer all along the first ones (seen
    from anywhere in the cell), goes away all along the last ones, and every vertex between two
    of those in the middle is within the limit all over the cell: the bound of the module, turned
    round. Then the part of the route within the limit has no gap.
    """
    least, spread, nearest_x, nearest_y = nearest
    owner = cell[kept]
    index = cells.candidate[kept]
    unit_x = centre[0][kept] - segments.start_x[index]
    unit_y = centre[1][kept] - segments.start_y[index]
    length = segments.length_m[index]
    ahead = (unit_x * segments.along_x[index] + unit_y * segments.along_y[index]) / length
    phase = 1 + (ahead <= -radius).astype(np.int8) - (ahead - length >= radius)
    distance = _made_unit(unit_x, unit_y)
    turn = _apart(unit_x, unit_y, nearest_x[owner], nearest_y[owner]) + spread[owner]
    bend = radius**2 / (2.0 * np.maximum(distance, radius * 1e-3))
    loose = np.minimum(turn * radius + bend, 2.0 * radius)
    within = distance * (1.0 + 1e-12) + loose <= least[owner] + rival_within_m
    joined = (index[1:] == index[:-1] + 1) & segments.linked[index[1:]]
    joined &= (phase[1:] > phase[:-1]) | (
        (phase[1:] == phase[:-1]) & ((phase[1:] != 1) | within[1:])
    )
    together = np.ones(len(least), dtype=bool)
    together[owner[1:][(owner[1:] == owner[:-1]) & ~joined]] = False
    return together


def _worth_no_split(cells: Cells, reach: Ints) -> Bools:
    count = np.diff(cells.first)
    last = (count <= FEW_CANDIDATES) | (cells.high - cells.low <= FEW_POINTS)
    # Splitting pays by dropping candidates; where hardly any would go, measure them all.
    last |= (reach > 0.8 * count) & (count < 64)
    return last | (cells.level == DEPTH)


def _children(cells: Cells, split: Bools, keys: Keys) -> list[Cells]:
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
    quiet = cells.quiet[owner]
    parts = []
    begin = 0
    while begin < len(owner):
        done = ends[begin - 1] if begin else 0
        finish = max(begin + 1, int(np.searchsorted(ends, done + MOST_PAIRS, side="right")))
        piece = slice(begin, finish)
        first = np.concatenate([[0], ends[piece] - done])
        shifted = np.repeat(cells.first[owner[piece]] - first[:-1], count[piece])
        candidate = cells.candidate[shifted + np.arange(first[-1])]
        parts.append(
            Cells(
                cells.level + 1, low[piece], high[piece], key[piece], first, candidate, quiet[piece]
            )
        )
        begin = finish
    return parts


def _settle(
    segments: Segments,
    x: Floats,
    y: Floats,
    where: Ints,
    cells: Cells,
    last: Bools,
    rival_within_m: float | None,
    found: Nearest,
) -> None:
    """Measure the points of finished cells against their candidates, like counts together."""
    count = np.diff(cells.first)
    # Quiet cells and others apart: the sign of the width tells them.
    width = _rounded_up(count) * np.where(cells.quiet, -1, 1)
    for signed in np.unique(width[last]):
        wide, within = abs(int(signed)), rival_within_m if signed > 0 else None
        chosen = np.flatnonzero(last & (width == signed))
        points = cells.high[chosen] - cells.low[chosen]
        row = np.arange(wide)[:, None]
        table = cells.first[chosen] + np.minimum(row, count[chosen] - 1)
        table = np.where(row < count[chosen], cells.candidate[table], -1)
        cell = np.repeat(np.arange(len(chosen)), points)
        ahead = np.cumsum(points) - points
        point = np.arange(len(cell)) + np.repeat(cells.low[chosen] - ahead, points)
        step = max(1, BLOCK // wide)
        for begin in range(0, len(point), step):
            some = point[begin : begin + step]
            candidates = table[:, cell[begin : begin + step]]
            nearest = pick(segments, x[some], y[some], candidates, within)
            found.piece[where[some]] = nearest.piece
            found.rival[where[some]] = nearest.rival


def _rounded_up(count: Ints) -> Ints:
    """Return counts raised to a few sizes, so that few groups are left."""
    power = np.left_shift(1, np.ceil(np.log2(np.maximum(count, 1))).astype(np.int64))
    middle = power * 3 // 4
    return np.where((count <= middle) & (power > 2), middle, power)
