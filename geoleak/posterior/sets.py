"""Highest-density sets and peaks of a posterior on cells."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoleak.posterior.grid import Cells
from geoleak.posterior.records import Peak, Piece

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

JOIN_M = 1e-6
# Two humps are two peaks when the density between them falls under this share of the lower one.
VALLEY = 0.25


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
    density = _even(mass / cells.width_m)
    order = np.argsort(-density, kind="stable")
    total = np.cumsum(mass[order])
    goal = level * total[-1]
    last = int(np.searchsorted(total, goal, side="left"))
    last = min(last, len(order) - 1)
    start, end = cells.from_m.copy(), cells.to_m.copy()
    cut = order[last]
    over = total[last] - goal
    if mass[cut] > 0 and over > 0:
        _trim(cells, density, start, end, int(cut), over / mass[cut])
    chosen = np.sort(order[: last + 1])
    return _join(cells.leg[chosen], start[chosen], end[chosen])


def _even(density: Floats) -> Floats:
    """Round to seven figures, so that a level stretch is taken in order and not in crumbs."""
    safe = np.maximum(density, 1e-300)
    unit = 10.0 ** (np.floor(np.log10(safe)) - 6.0)
    out: Floats = np.round(safe / unit) * unit
    return out


def _trim(
    cells: Cells, density: Floats, start: Floats, end: Floats, cut: int, share: float
) -> None:
    """Shorten the last cell taken at its lower side."""
    width = cells.width_m[cut] * share
    before = density[cut - 1] if cut > 0 and cells.leg[cut - 1] == cells.leg[cut] else -1.0
    later = cut + 1 < len(cells) and cells.leg[cut + 1] == cells.leg[cut]
    after = density[cut + 1] if later else -1.0
    if before < after:
        start[cut] += width
    else:
        end[cut] -= width


def _join(leg: Ints, start: Floats, end: Floats) -> tuple[Piece, ...]:
    pieces: list[Piece] = []
    for number, a, b in zip(leg.tolist(), start.tolist(), end.tolist(), strict=True):
        if b <= a:
            continue
        if pieces and pieces[-1][0] == number and a - pieces[-1][2] <= JOIN_M:
            pieces[-1] = (number, pieces[-1][1], b)
        else:
            pieces.append((number, a, b))
    return tuple(pieces)


def find_peaks(
    cells: Cells, mass: Floats, pieces: tuple[Piece, ...], *, window_m: float
) -> tuple[Peak, ...]:
    """Return the humps of the posterior, the leading one first.

    Each piece of the 95 % set is cut at its valleys; every part is one peak. They stand in order
    of what one hole of `window_m` could hold of them: a narrow peak leads a wide stretch where
    little is known, even if that holds more in all.
    """
    density = mass / cells.width_m
    found: list[tuple[float, Peak]] = []
    for leg, start, end in pieces:
        rows = np.flatnonzero(
            (cells.leg == leg) & (cells.chainage_m >= start) & (cells.chainage_m <= end)
        )
        if len(rows) == 0:
            rows = np.flatnonzero((cells.leg == leg) & (cells.from_m <= start))[-1:]
        for part in _cut_at_valleys(rows, density):
            peak = _peak(cells, mass, part)
            if peak is not None:
                found.append((_in_window(cells, mass, part, window_m), peak))
    found.sort(key=lambda each: (-round(each[0], 9), -each[1].mass, each[1].leg, each[1].from_m))
    return tuple(peak for _, peak in found)


def _in_window(cells: Cells, mass: Floats, rows: Ints, window_m: float) -> float:
    """Return the most that a window of this length holds of some neighbouring cells."""
    edges = np.append(cells.from_m[rows], cells.to_m[rows[-1]])
    before = np.concatenate([[0.0], np.cumsum(mass[rows])])
    return float(np.max(np.interp(edges + window_m, edges, before) - before))


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


def _peak(cells: Cells, mass: Floats, rows: Ints) -> Peak | None:
    total = float(mass[rows].sum())
    if total <= 0:
        return None
    share = mass[rows] / total
    centre = cells.chainage_m[rows]
    mean = float(share @ centre)
    variance = float(share @ ((centre - mean) ** 2 + cells.width_m[rows] ** 2 / 12))
    return Peak(
        leg=int(cells.leg[rows[0]]),
        from_m=float(cells.from_m[rows[0]]),
        to_m=float(cells.to_m[rows[-1]]),
        mass=total,
        median_m=_median(cells, share, rows),
        sigma_m=float(np.sqrt(variance)),
    )


def _median(cells: Cells, share: Floats, rows: Ints) -> float:
    total = np.cumsum(share)
    i = min(int(np.searchsorted(total, 0.5)), len(rows) - 1)
    before = total[i] - share[i]
    inside = (0.5 - before) / share[i] if share[i] > 0 else 0.5
    row = rows[i]
    return float(cells.from_m[row] + np.clip(inside, 0, 1) * cells.width_m[row])
