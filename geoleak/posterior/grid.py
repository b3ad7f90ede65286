"""Where the posterior is computed: knots for smooth evidence, cells for the answer.

Both are fine where the answer is decided and coarse far from it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoleak.evidence import Hint
from geoleak.survey import Survey

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

COARSEST_M = 5.0
KNOT_M = 1.0


@dataclass(frozen=True, slots=True, eq=False)
class Line:
    """Places in order of leg and chainage: ``leg`` (int) and ``chainage_m``, shape (k,)."""

    leg: Ints
    chainage_m: Floats

    def __len__(self) -> int:
        return len(self.leg)

    def same_leg(self) -> npt.NDArray[np.bool_]:
        """Tell for each place but the last whether the next is on the same leg."""
        return self.leg[1:] == self.leg[:-1]

    def merged(self, leg: Ints, chainage_m: Floats) -> tuple[Line, npt.NDArray[np.intp]]:
        """Return the line with more places, and the order that sorts old then new."""
        legs = np.concatenate([self.leg, leg])
        chainage = np.concatenate([self.chainage_m, chainage_m])
        order = np.lexsort((chainage, legs))
        return Line(legs[order], chainage[order]), order


def lattice(length_m: float, hints: list[Hint], coarsest_m: float) -> Floats:
    """Return edges from 0 to the length, close together where a hint asks for it."""
    pieces = [np.linspace(0.0, length_m, max(2, int(np.ceil(length_m / coarsest_m)) + 1))]
    for step in sorted({hint.step_m for hint in hints}):
        spans = _union([h for h in hints if h.step_m == step], length_m)
        for start, end in spans:
            count = max(2, int(np.ceil((end - start) / step)) + 1)
            pieces.append(np.linspace(start, end, count))
    edges = np.unique(np.concatenate(pieces))
    keep = np.concatenate([[True], np.diff(edges) > 1e-3])
    edges = edges[keep]
    edges[-1] = length_m
    return edges


def _union(hints: list[Hint], length_m: float) -> list[tuple[float, float]]:
    spans: list[tuple[float, float]] = []
    for start, end in sorted((max(0.0, h.from_m), min(length_m, h.to_m)) for h in hints):
        if end <= start:
            continue
        if spans and start <= spans[-1][1]:
            spans[-1] = (spans[-1][0], max(spans[-1][1], end))
        else:
            spans.append((start, end))
    return spans


def first_knots(survey: Survey, hints: tuple[Hint, ...]) -> Line:
    """Return the knots that smooth evidence is judged at to begin with."""
    leg, chainage = [], []
    for each in survey.legs:
        own = [h for h in hints if h.leg == each.number]
        edges = lattice(each.route.length_m, own, COARSEST_M)
        leg.append(np.full(len(edges), each.number))
        chainage.append(edges)
    return Line(np.concatenate(leg).astype(np.int64), np.concatenate(chainage))


def knots_to_add(
    line: Line, value: Floats, *, floor: float, finest_m: Floats
) -> tuple[Ints, Floats]:
    """Return midpoints where the log density still bends within reach of its top.

    Parameters
    ----------
    line : Line
        k knots.
    value : ndarray, shape (k,)
        Log density.
    floor : float
        Stretches below this log density are left alone.
    finest_m : ndarray, shape (k,)
        Knots closer than this are close enough.
    """
    same = line.same_leg()
    gap = np.diff(line.chainage_m)
    change = np.where(same, np.abs(np.diff(value)), 0.0)
    nearby = change.copy()
    nearby[1:] = np.maximum(nearby[1:], change[:-1])
    nearby[:-1] = np.maximum(nearby[:-1], change[1:])
    high = np.maximum(value[1:], value[:-1]) > floor
    split = same & high & (nearby > 0.5) & (gap > finest_m[:-1])
    rows = np.flatnonzero(split)
    return line.leg[rows], line.chainage_m[rows] + 0.5 * gap[rows]


def interpolate(line: Line, value: Floats, leg: Ints, chainage_m: Floats) -> Floats:
    """Interpolate the log density between knots by cubics with parabolic slopes, leg by leg."""
    out = np.empty(len(leg))
    for number in np.unique(leg):
        knots = np.flatnonzero(line.leg == number)
        rows = np.flatnonzero(leg == number)
        out[rows] = _cubic(line.chainage_m[knots], value[knots], chainage_m[rows])
    return out


def _cubic(x: Floats, y: Floats, at: Floats) -> Floats:
    """Cubic Hermite interpolation; slopes from the parabola through three neighbours."""
    if len(x) < 3:
        return np.interp(at, x, y)
    step = np.diff(x)
    rise = np.diff(y) / step
    slope = np.empty(len(x))
    slope[1:-1] = (rise[:-1] * step[1:] + rise[1:] * step[:-1]) / (step[1:] + step[:-1])
    slope[0] = 2 * rise[0] - slope[1]
    slope[-1] = 2 * rise[-1] - slope[-2]
    i = np.clip(np.searchsorted(x, at, side="right") - 1, 0, len(x) - 2)
    h = step[i]
    t = np.clip((at - x[i]) / h, 0.0, 1.0)
    out: Floats = (
        y[i] * (1 + 2 * t) * (1 - t) ** 2
        + slope[i] * h * t * (1 - t) ** 2
        + y[i + 1] * t * t * (3 - 2 * t)
        + slope[i + 1] * h * t * t * (t - 1)
    )
    return out


@dataclass(frozen=True, slots=True, eq=False)
class Cells:
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


def first_cells(survey: Survey, hints: tuple[Hint, ...]) -> Cells:
    """Return cells as long as the hints allow."""
    leg, start, end = [], [], []
    for each in survey.legs:
        own = [h for h in hints if h.leg == each.number]
        edges = lattice(each.route.length_m, own, COARSEST_M)
        leg.append(np.full(len(edges) - 1, each.number))
        start.append(edges[:-1])
        end.append(edges[1:])
    return Cells(np.concatenate(leg).astype(np.int64), np.concatenate(start), np.concatenate(end))


def parts_to_split(cells: Cells, mass: Floats, *, finest_m: float, share: float) -> Ints:
    """Return into how many parts each cell is cut: none holds more than `share`, or is finest."""
    wanted = np.ceil(mass / share)
    most = np.maximum(np.round(cells.width_m / finest_m), 1.0)
    parts: Ints = np.clip(wanted, 1.0, most).astype(np.int64)
    return parts
