"""Knots for smooth evidence, cells for the answer, and the sets and peaks of a mass on cells.

Both are fine where the answer is decided and coarse far from it.
"""

from __future__ import annotations

import numpy as np

from geoleak.evidence import Candidates, Hint, Piece, joined
from geoleak.record import Floats, Ints, Record
from geoleak.survey import Survey

COARSEST_M = 5.0
JOIN_M = 1e-6
# Two humps are two peaks when the density between them falls under this share of the lower one.
VALLEY = 0.25
# A hole about a peak's median is passed over for the best one when it holds less than this share
# of what that holds: on flat ground the best is best by chance. Common practice, no source.
FAR_LESS = 0.9


def lattice(length_m: float, hints: list[Hint], coarsest_m: float) -> Floats:
    """Return edges from 0 to the length, close together where a hint asks for it."""
    pieces = [np.linspace(0.0, length_m, max(2, int(np.ceil(length_m / coarsest_m)) + 1))]
    for step in sorted({hint.step_m for hint in hints}):
        asked = (h for h in hints if h.step_m == step)
        spans = joined((0, max(0.0, h.from_m), min(length_m, h.to_m)) for h in asked)
        for _, start, end in spans:
            count = max(2, int(np.ceil((end - start) / step)) + 1)
            pieces.append(np.linspace(start, end, count))
    edges = np.unique(np.concatenate(pieces))
    keep = np.concatenate([[True], np.diff(edges) > 1e-3])
    edges = edges[keep]
    edges[-1] = length_m
    return edges


def edges_of(survey: Survey, hints: tuple[Hint, ...]) -> list[tuple[int, Floats]]:
    """Return the edges of cells as long as the hints allow, leg by leg."""
    return [
        (k.number, lattice(k.route.length_m, [h for h in hints if h.leg == k.number], COARSEST_M))
        for k in survey.legs
    ]


def knots_to_add(
    knots: Candidates, value: Floats, *, floor: float, finest_m: Floats
) -> tuple[Ints, Floats]:
    """Return midpoints where the log density still bends within reach of its top.

    Parameters
    ----------
    knots : Candidates
        k of them.
    value : ndarray, shape (k,)
        Log density.
    floor : float
        Stretches below this log density are left alone.
    finest_m : ndarray, shape (k,)
        Knots closer than this are close enough.
    """
    same = knots.leg[1:] == knots.leg[:-1]
    gap = np.diff(knots.chainage_m)
    change = np.where(same, np.abs(np.diff(value)), 0.0)
    nearby = change.copy()
    nearby[1:] = np.maximum(nearby[1:], change[:-1])
    nearby[:-1] = np.maximum(nearby[:-1], change[1:])
    high = np.maximum(value[1:], value[:-1]) > floor
    split = same & high & (nearby > 0.5) & (gap > finest_m[:-1])
    rows = np.flatnonzero(split)
    return knots.leg[rows], knots.chainage_m[rows] + 0.5 * gap[rows]


def interpolate(knots: Candidates, value: Floats, leg: Ints, chainage_m: Floats) -> Floats:
    """Interpolate log densities between knots by cubics with parabolic slopes, leg by leg.

    ``value`` has shape (..., knots), the outcome (..., len(leg)).
    """
    out = np.empty((*value.shape[:-1], len(leg)))
    for number in np.unique(leg):
        own, rows = np.flatnonzero(knots.leg == number), np.flatnonzero(leg == number)
        out[..., rows] = _cubic(knots.chainage_m[own], value[..., own], chainage_m[rows])
    return out


def _cubic(x: Floats, y: Floats, at: Floats) -> Floats:
    """Cubic Hermite interpolation; slopes from the parabola through three neighbours."""
    step = np.diff(x)
    rise = np.diff(y) / step
    slope = np.empty(y.shape)
    if len(x) < 3:
        slope[:] = rise
    else:
        inner = (rise[..., :-1] * step[1:] + rise[..., 1:] * step[:-1]) / (step[1:] + step[:-1])
        slope[..., 1:-1] = inner
        slope[..., 0] = 2 * rise[..., 0] - slope[..., 1]
        slope[..., -1] = 2 * rise[..., -1] - slope[..., -2]
    i = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    h = step[i]
    t = np.clip((at - x[i]) / h, 0.0, 1.0)
    return (
        y[..., i] * (1 + 2 * t) * (1 - t) ** 2
        + slope[..., i] * h * t * (1 - t) ** 2
        + y[..., i + 1] * t * t * (3 - 2 * t)
        + slope[..., i + 1] * h * t * t * (t - 1)
    )


class Cells(Record, eq=False):
    """Stretches of pipe, one after another on each leg, k of them."""

    leg: Ints
    from_m: Floats
    to_m: Floats

    def __len__(self) -> int:
        return len(self.leg)

    @property
    def width_m(self) -> Floats:
        """Lengths, shape (k,)."""
        return self.to_m - self.from_m

    @property
    def chainage_m(self) -> Floats:
        """Middles, shape (k,)."""
        return 0.5 * (self.from_m + self.to_m)

    def split(self, parts: Ints) -> Cells:
        """Return the cells, each cut into so many equal parts."""
        number = np.repeat(np.arange(len(self)), parts)
        first = np.concatenate([[0], np.cumsum(parts)[:-1]])
        which = np.arange(len(number)) - first[number]
        width = (self.width_m / parts)[number]
        start = self.from_m[number] + which * width
        end = np.where(which + 1 == parts[number], self.to_m[number], start + width)
        return Cells(self.leg[number], start, end)


def cumulative(cells: Cells, rows: Ints, mass: Floats) -> tuple[Floats, Floats]:
    """Return edges of neighbouring cells and the mass before each, from that of every cell."""
    edges = np.append(cells.from_m[rows], cells.to_m[rows[-1]])
    return edges, np.append(0.0, np.cumsum(mass[rows]))


def first_cells(survey: Survey, hints: tuple[Hint, ...]) -> Cells:
    """Return cells as long as the hints allow."""
    edges = edges_of(survey, hints)
    leg = np.repeat([number for number, _ in edges], [len(at) - 1 for _, at in edges])
    start, end = (np.concatenate([at[part] for _, at in edges]) for part in (np.s_[:-1], np.s_[1:]))
    return Cells(leg, start, end)


class Peak(Record):
    """One connected stretch of the posterior that stands out.

    ``mass`` is the chance that the leak is in it, ``in_hole`` what one hole about ``median_m``
    holds of it. The median splits the chance in half: of the whole peak, or of the hole that
    holds most of it where one about the whole's median would hold far less.
    """

    leg: int
    from_m: float
    to_m: float
    mass: float
    median_m: float
    sigma_m: float
    in_hole: float = 0.0


def highest_density_set(cells: Cells, mass: Floats, level: float) -> tuple[Piece, ...]:
    """Return the shortest set of pipe that holds a share of the chance that is on the pipe.

    Parameters
    ----------
    cells : Cells
        k cells.
    mass : ndarray, shape (k,)
        Probability of each; its sum may be less than one (the rest is elsewhere).
    level : float
        Share of the mass on the pipe. The chance elsewhere is no part of it and stands beside it:
        no length of pipe can hold it.

    Returns
    -------
    tuple of (leg, from_m, to_m)
        In order of leg and chainage, touching pieces joined. The last cell is cut so that the
        set holds the share exactly.
    """
    # Rounded to seven figures: a level stretch is taken in order and not in crumbs.
    density = np.maximum(mass / cells.width_m, 1e-300)
    unit = 10.0 ** (np.floor(np.log10(density)) - 6.0)
    density = np.round(density / unit) * unit
    order = np.argsort(-density, kind="stable")
    total = np.cumsum(mass[order])
    goal = level * total[-1]
    last = min(int(np.searchsorted(total, goal, side="left")), len(order) - 1)
    start, end = cells.from_m.copy(), cells.to_m.copy()
    cut, over = int(order[last]), total[last] - goal
    if mass[cut] > 0 and over > 0:
        # The last cell taken is shortened at its lower side.
        before, after = (
            density[k] if 0 <= k < len(cells) and cells.leg[k] == cells.leg[cut] else -1.0
            for k in (cut - 1, cut + 1)
        )
        width = cells.width_m[cut] * (over / mass[cut])
        if before < after:
            start[cut] += width
        else:
            end[cut] -= width
    chosen = np.sort(order[: last + 1])
    columns = (each[chosen].tolist() for each in (cells.leg, start, end))
    return joined(zip(*columns, strict=True), gap_m=JOIN_M)


def find_peaks(
    cells: Cells, mass: Floats, pieces: tuple[Piece, ...], *, window_m: float
) -> tuple[Peak, ...]:
    """Return the humps of the posterior, the leading one first.

    Each piece of the 95 % set is cut at its valleys; every part is one peak. They stand in order
    of what one hole of `window_m` holds of them: a narrow peak leads a wide stretch where little
    is known, even if that holds more in all.
    """
    density = mass / cells.width_m
    found: list[Peak] = []
    for leg, start, end in pieces:
        rows = np.flatnonzero(
            (cells.leg == leg) & (cells.chainage_m >= start) & (cells.chainage_m <= end)
        )
        if len(rows) == 0:
            rows = np.flatnonzero((cells.leg == leg) & (cells.from_m <= start))[-1:]
        for part in _cut_at_valleys(rows, density):
            if mass[part].sum() > 0:
                found.append(_peak(cells, mass, part, window_m))
    found.sort(key=lambda each: (-round(each.in_hole, 9), -each.mass, each.leg, each.from_m))
    return tuple(found)


def _cut_at_valleys(rows: Ints, density: Floats) -> list[Ints]:
    """Split rows where the density dips under a share of the lower of the humps beside it."""
    if len(rows) < 3:
        return [rows]
    value = density[rows]
    before = np.maximum.accumulate(value)
    after = np.maximum.accumulate(value[::-1])[::-1]
    ratio = value / np.maximum(np.minimum(before, after), 1e-300)
    low = int(np.argmin(ratio))
    if ratio[low] >= VALLEY or low in (0, len(rows) - 1):
        return [rows]
    return _cut_at_valleys(rows[:low], density) + _cut_at_valleys(rows[low:], density)


def _peak(cells: Cells, mass: Floats, rows: Ints, window_m: float) -> Peak:
    """Return cells as a peak: the most that a window holds of them, its place inside that."""
    edges, before = cumulative(cells, rows, mass)
    total = float(before[-1])
    share, centre = mass[rows] / total, cells.chainage_m[rows]
    mean = float(share @ centre)
    variance = float(share @ ((centre - mean) ** 2 + cells.width_m[rows] ** 2 / 12))
    median = float(np.interp(0.5 * total, before, edges))
    start = np.unique(np.append(edges, median - np.array([0.0, 0.5, 1.0]) * window_m))
    low = np.interp(start, edges, before)
    held = np.interp(start + window_m, edges, before) - low
    best, about = int(np.argmax(held)), (start <= median) & (start + window_m >= median)
    in_hole = float(held[about].max())
    if in_hole < FAR_LESS * held[best]:
        in_hole = float(held[best])
        median = float(np.interp(low[best] + 0.5 * held[best], before, edges))
    return Peak(
        leg=int(cells.leg[rows[0]]),
        from_m=float(edges[0]),
        to_m=float(edges[-1]),
        mass=total,
        median_m=median,
        sigma_m=float(np.sqrt(variance)),
        in_hole=in_hole,
    )


def emptied(cells: Cells, mass: Floats, pieces: tuple[Piece, ...]) -> Floats:
    """Return masses of cells with nothing left inside the pieces, shape (k,)."""
    left = mass.copy()
    for leg, start, end in pieces:
        rows = np.flatnonzero(cells.leg == leg)
        low = np.maximum(cells.from_m[rows], start)
        high = np.minimum(cells.to_m[rows], end)
        left[rows] *= 1.0 - np.clip((high - low) / cells.width_m[rows], 0.0, 1.0)
    return left
