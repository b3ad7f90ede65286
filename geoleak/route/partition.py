"""First guess of a route: the best cut of the marks, in order, into straight runs.

Dynamic programming over runs that partition the marks (Bellman, "On the approximation of curves
by line segments using dynamic programming", Comm. ACM 4, 1961; Jackson et al., "An algorithm for
optimal partitioning of data on an interval", IEEE Signal Process. Lett. 12, 2005), each run's
misfit from prefix sums in O(1), and starts that can never win again dropped (Killick, Fearnhead &
Eckley, "Optimal detection of changepoints with a linear computational cost", JASA 107, 2012).
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CUT_CHARGE = 3.0
"""Times ln of the number of marks: the charge for a further straight."""
PAIR_CHARGE = 5.0
"""What a run of only two marks costs: its line fits them for nothing."""
LONE_CHARGE = 12.0


MOST_IN_TABLE = 200
"""More marks are cut with hopeless starts dropped on the way; a table of all runs grows too big."""


def cut_charge(count: int) -> float:
    """Return what a further straight costs while so many marks are cut into first guesses.

    It grows with ln(number of marks), as in the Bayesian information criterion with the freedom of
    where a bend stands counted in (Schwarz, Ann. Stat. 6, 1978; Zhang & Siegmund, Biometrics 63,
    2007).
    """
    return CUT_CHARGE * float(np.log(max(count, 4)))


def run_starts(
    points: Floats, weight: Floats, charge: float, shares: tuple[float, ...]
) -> list[list[int]]:
    """Return, for each share, the index of the first mark of each straight run of the best cut.

    Parameters
    ----------
    points : (n, 2) array
        Marks in order, metres.
    weight : (n,) array
        1 / sigma**2, lowered for strays.
    charge : float
        Cost of each further run, in units of chi-square.
    shares : tuple of float
        Shares of this cost, and of what runs of few marks cost, at which the marks are cut.
    """
    came = last_starts(prefix_sums(points, weight), charge, shares)
    return [traced_back(column) for column in came.T]


def last_starts(sums: Floats, charge: float, shares: tuple[float, ...]) -> Ints:
    """Return (n + 1, shares) where the last run of the best cut of the first 0, 1 ... marks begins.

    Parameters
    ----------
    sums : (n + 1, 6) array
        Of the marks, as `prefix_sums` gives them.
    charge, shares : float, tuple of float
        As in `run_starts`.
    """
    cut = _cut_by_table if len(sums) - 1 <= MOST_IN_TABLE else _cut_by_pruning
    return cut(sums, charge, np.array(shares))


def _cut_by_table(sums: Floats, charge: float, shares: Floats) -> Ints:
    count = len(sums) - 1
    start, stop = np.tril_indices(count + 1, -1)[::-1]
    table = np.full((count + 1, count + 1), np.inf)
    table[stop, start] = _misfit(sums[stop] - sums[start])
    # The row of a run's end holds a run of one mark last, a run of two before that.
    few = np.outer(_few(np.arange(count, 0, -1)), shares)
    cost = np.empty((count + 1, len(shares)))
    cost[0] = -charge * shares
    came = np.zeros((count + 1, len(shares)), dtype=np.int64)
    for end in range(1, count + 1):
        total = cost[:end] + table[end, :end, None] + few[count - end :]
        came[end] = total.argmin(axis=0)
        cost[end] = total.min(axis=0) + charge * shares
    return came


def _cut_by_pruning(sums: Floats, charge: float, shares: Floats) -> Ints:
    count = len(sums) - 1
    cost = np.empty((count + 1, len(shares)))
    cost[0] = -charge * shares
    came = np.zeros((count + 1, len(shares)), dtype=np.int64)
    few = np.outer(_few(np.arange(count + 1)), shares)
    alive = np.array([0], dtype=np.int64)
    for stop in range(1, count + 1):
        total = cost[alive] + _misfit(sums[stop] - sums[alive])[:, None]
        charged = total + few[stop - alive]
        best = charged.argmin(axis=0)
        came[stop] = alive[best]
        cost[stop] = charged.min(axis=0) + charge * shares
        # A start is dropped when it can win at no share.
        keep = (total <= cost[stop] + shares * LONE_CHARGE).any(axis=1)
        alive = np.append(alive[keep], stop)
    return came


def _few(size: Ints) -> Floats:
    """Return what runs of so few marks cost, whose lines fit them for nothing."""
    return np.where(size == 2, PAIR_CHARGE, 0.0) + np.where(size == 1, LONE_CHARGE, 0.0)


def traced_back(came: Ints) -> list[int]:
    """Return the first mark of each run of the best cut of all marks, from its `last_starts`."""
    starts: list[int] = []
    stop = len(came) - 1
    while stop > 0:
        stop = int(came[stop])
        starts.append(stop)
    return starts[::-1]


def prefix_sums(points: Floats, weight: Floats) -> Floats:
    """Return running sums (n + 1, 6) of weight times 1, x, y, xx, xy, yy about the mean."""
    centred = points - points.mean(axis=0)
    x, y = centred[:, 0], centred[:, 1]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    return np.concatenate([np.zeros((1, 6)), np.cumsum(terms * weight[:, None], axis=0)])


def cut_costs(sums: Floats, *, between: int = 0) -> Floats:
    """Return the misfit of two lines for a cut after 2, 3 ... marks, so many between left out.

    From the running sums (n + 1, 6) over the marks, which may begin anywhere.
    """
    stop = len(sums) - 2
    before, after = sums[2 : stop - between], sums[2 + between : stop]
    return _misfit(before - sums[0]) + _misfit(sums[-1] - after)


def cut_misfit(sums: Floats, starts: Sequence[int]) -> float:
    """Return the misfit of marks cut into lines at `starts`, which need not meet, from sums."""
    bounds = sums[[*starts, len(sums) - 1]]
    return float(_misfit(bounds[1:] - bounds[:-1]).sum())


def _misfit(total: Floats) -> Floats:
    """Return the weighted squares of distance from the best line, from sums over runs (m, 6)."""
    weight = np.maximum(total[:, 0], 1e-300)
    xx = total[:, 3] - total[:, 1] ** 2 / weight
    xy = total[:, 4] - total[:, 1] * total[:, 2] / weight
    yy = total[:, 5] - total[:, 2] ** 2 / weight
    half = 0.5 * (xx + yy)
    spread = np.hypot(0.5 * (xx - yy), xy)
    return np.maximum(half - spread, 0.0)


def line_of(points: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return centroid and unit direction (from first towards last mark) of the best line."""
    centre = weight @ points / weight.sum()
    moved = points - centre
    scatter = (moved * weight[:, None]).T @ moved
    angle = 0.5 * np.arctan2(2 * scatter[0, 1], scatter[0, 0] - scatter[1, 1])
    direction = np.array([np.cos(angle), np.sin(angle)])
    if direction @ (points[-1] - points[0]) < 0:
        direction = -direction
    return centre, direction


def foot_on(line: tuple[Floats, Floats], point: Floats) -> Floats:
    """Return the foot (2,) of a point on a line given by a point and a unit direction."""
    centre, unit = line
    return np.asarray(centre + unit * ((point - centre) @ unit))


def first_vertices(points: Floats, weight: Floats, starts: list[int]) -> Floats:
    """Return vertices (k + 1, 2): ends on their lines, bends where neighbouring lines meet.

    Where two lines meet far from the gap between their marks, the middle of the gap stands in.
    """
    stops = [*starts[1:], len(points)]
    lines = []
    for start, stop in zip(starts, stops, strict=True):
        if stop - start == 1:
            low, high = max(start - 1, 0), min(stop + 1, len(points))
            direction = points[high - 1] - points[low]
            direction = direction / max(float(np.hypot(*direction)), 1e-9)
            lines.append((points[start], direction))
        else:
            lines.append(line_of(points[start:stop], weight[start:stop]))
    vertices = [lines[0][0] + lines[0][1] * ((points[0] - lines[0][0]) @ lines[0][1])]
    for number in range(1, len(starts)):
        before, after = points[starts[number] - 1], points[starts[number]]
        vertices.append(_intersection(lines[number - 1], lines[number], before, after))
    centre, direction = lines[-1]
    vertices.append(centre + direction * ((points[-1] - centre) @ direction))
    return np.array(vertices)


def _intersection(
    one: tuple[Floats, Floats], two: tuple[Floats, Floats], before: Floats, after: Floats
) -> Floats:
    (a, u), (b, v) = one, two
    middle = 0.5 * (a + u * ((before - a) @ u) + b + v * ((after - b) @ v))
    cross = u[0] * v[1] - u[1] * v[0]
    if abs(cross) < 0.02:
        return middle
    reach = ((b[0] - a[0]) * v[1] - (b[1] - a[1]) * v[0]) / cross
    point = a + u * reach
    gap = float(np.hypot(*(after - before)))
    if float(np.hypot(*(point - middle))) > 1.5 * gap:
        return middle
    return np.asarray(point)
