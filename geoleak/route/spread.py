"""How well a fitted route is known: covariance along it, its own part and the shared parts.

The marks' own part is J'WJ of the joint fit carried to each place, averaged over the few best
structures with their weights (Hoeting et al., "Bayesian model averaging", Statistical Science 14,
1999): where a bend might or might not be, the difference counts. The shared parts are carried
through the same fit as one common push on all marks, so that no number of marks shrinks them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from geoleak.record import Record
from geoleak.route.alignment import Alignment
from geoleak.route.solve import Observations, Solution, normal_equations

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

MOST_STRUCTURES = 10
GREATEST_LAG = 12.0
"""Structures whose score lags farther behind than this are left out of the average."""
BELIEVED_OF_LAG = 1.0 / 3.0
"""How much of it counts between structures of as many bends: how these are laid hangs on the few
marks beside them, where a locator errs most (a guess of ours, no source)."""
NODE_STEP_M = 0.25
MOST_NODES = 600


class Spread(Record, eq=False):
    """Covariance at nodes along the route, in (along, across) of the route there.

    ``own`` is (m, 2, 2); ``locator`` (m, 2) is the shift of the line for one sigma of the shared
    locator error; ``along_rows`` (m, p) and ``parameters`` (p, p) give the covariance of the
    along errors of two places.
    """

    nodes_m: Floats
    own: Floats
    locator: Floats
    along_rows: Floats
    parameters: Floats

    def own_at(self, chainage_m: Floats) -> Floats:
        """Return the independent covariance (m, 2, 2) at chainages."""
        out = np.empty((len(chainage_m), 2, 2))
        for i in (0, 1):
            for j in (0, 1):
                out[:, i, j] = np.interp(chainage_m, self.nodes_m, self.own[:, i, j])
        return out

    def locator_at(self, chainage_m: Floats) -> Floats:
        """Return the shift (m, 2), along and across, for one sigma of shared locator error."""
        return np.stack(
            [np.interp(chainage_m, self.nodes_m, self.locator[:, i]) for i in (0, 1)], axis=1
        )

    def between(self, from_m: float, to_m: float) -> float:
        """Return the sigma of the length between two places on the route."""
        rows = [
            np.array([np.interp(c, self.nodes_m, column) for column in self.along_rows.T])
            for c in (from_m, to_m)
        ]
        gap = rows[1] - rows[0]
        return float(np.sqrt(max(gap @ self.parameters @ gap, 0.0)))


def nodes_of(shape: Alignment) -> Floats:
    """Return the chainages at which the spread is worked out: a fine step, both sides of bends."""
    length = shape.length_m()
    count = int(np.clip(np.ceil(length / NODE_STEP_M), 8, MOST_NODES)) + 1
    corners = shape.stations()[1:-1].ravel()
    beside = np.concatenate([corners - 1e-6, corners + 1e-6])
    nodes = np.concatenate([np.linspace(0.0, length, count), beside])
    return np.unique(np.clip(nodes, 0.0, length))


class FittedShape(Record, eq=False):
    """One structure with its share of belief and the covariance of its parameters.

    ``push`` is how the parameters move for one sigma of the bias that all marks share.
    """

    shape: Alignment
    share: float
    covariance: Floats
    push: Floats


def posteriors(
    candidates: list[Solution], marks: Observations, bias_m: Floats
) -> list[FittedShape]:
    """Return the best few structures, best first, their shares adding up to 1.

    Parameters
    ----------
    candidates : list of Solution
        Best first.
    marks : Observations
    bias_m : (n,) array
        Shared sideways sigma at each mark (0 at fixed points).
    """
    best, kept = candidates[0], candidates[:MOST_STRUCTURES]
    alike = [each.kind == best.kind for each in kept]
    lag = np.array([each.score - best.score for each in kept])
    lag *= np.where(alike, BELIEVED_OF_LAG, 1.0)
    share = np.where(lag <= GREATEST_LAG, np.exp(-0.5 * lag), 0.0)
    return [
        posterior_of(each, marks, bias_m, float(part))
        for each, part in zip(kept, share / share.sum(), strict=True)
        if part > 0.0
    ]


def posterior_of(fit: Solution, marks: Observations, bias_m: Floats, share: float) -> FittedShape:
    """Return one structure with a stated share; arguments as in `posteriors`."""
    matrix, slope = normal_equations(fit, marks)
    held = matrix + np.diag(np.full(len(matrix), 1e-9 * np.diag(matrix).max()))
    inverse = np.asarray(np.linalg.inv(held), dtype=float)
    push = inverse @ (slope.T @ (fit.weight * bias_m))
    return FittedShape(fit.shape, share, inverse, push)


class Stretch(Record, eq=False):
    """The structures that one window of a long route may hold, best first."""

    low_m: float
    high_m: float
    known: list[FittedShape]


def length_slope(shape: Alignment) -> Floats:
    """Return the derivatives (p,) of the whole length by the parameters.

    The end moves along by its own step; what a place at its chainage moves by is not length.
    """
    slope = -position_rows(shape, np.array([shape.length_m()]))[0][0]
    last = 2 * shape.runs
    slope[last : last + 2] += shape.parts[1][-1]
    return slope


def position_rows(shape: Alignment, chainage_m: Floats) -> tuple[Floats, Floats]:
    """Return derivatives of the along and the across position at chainages: (m, p) each."""
    if not len(shape.arcs):
        return _sharp_rows(shape, chainage_m)
    _, direction = shape.positions(chainage_m)
    right = np.stack([direction[:, 1], -direction[:, 0]], axis=1)
    size = shape.stack.size
    along = np.empty((len(chainage_m), size))
    across = np.empty((len(chainage_m), size))
    delta = 1e-6
    for number in range(size):
        step = np.zeros(size)
        step[number] = delta
        ahead, _ = shape.moved(step).positions(chainage_m)
        back, _ = shape.moved(-step).positions(chainage_m)
        move = (ahead - back) / (2 * delta)
        along[:, number] = np.sum(move * direction, axis=1)
        across[:, number] = np.sum(move * right, axis=1)
    return along, across


def _sharp_rows(shape: Alignment, chainage_m: Floats) -> tuple[Floats, Floats]:
    """Return `position_rows` of straights alone, where they follow from the geometry at once.

    A place on a straight moves with the straight's start, less what the straights before it have
    grown, and turns about the start with the straight's end.
    """
    length, unit, _ = shape.parts
    station = shape.stations()
    run = np.clip(np.searchsorted(station[1:-1, 1], chainage_m, side="right"), 0, shape.runs - 1)
    share = (chainage_m - station[run, 1]) / length[run]
    grown = np.zeros((shape.runs, *shape.vertices.shape))
    for k in range(1, shape.runs):
        grown[k] = grown[k - 1]
        grown[k, k] += unit[k - 1]
        grown[k, k - 1] -= unit[k - 1]
    along = -grown[run]
    across = np.zeros_like(along)
    rows = np.arange(len(run))
    along[rows, run] += unit[run]
    right = np.stack([unit[:, 1], -unit[:, 0]], axis=1)[run]
    across[rows, run] = (1.0 - share)[:, None] * right
    across[rows, run + 1] = share[:, None] * right
    flat = (len(run), shape.vertices.size)
    return along.reshape(flat), across.reshape(flat)


def _local(shape: Alignment, covariance: Floats, nodes: Floats) -> tuple[Floats, Floats, Floats]:
    along, across = position_rows(shape, nodes)
    out = np.empty((len(nodes), 2, 2))
    half_a, half_c = along @ covariance, across @ covariance
    out[:, 0, 0] = np.sum(half_a * along, axis=1)
    out[:, 1, 1] = np.sum(half_c * across, axis=1)
    out[:, 0, 1] = out[:, 1, 0] = np.sum(half_a * across, axis=1)
    return out, along, across


def spread_of(known: list[FittedShape], stretches: Sequence[Stretch] = ()) -> Spread:
    """Return the spread about the best of the structures (the first).

    On a long route, each stretch is averaged over the structures of its own window. What another
    structure changes in the chainage stands as a column of its own in ``along_rows``.
    """
    from geoleak.linref import Route

    best = known[0]
    nodes = nodes_of(best.shape)
    own, along, across = _local(best.shape, best.covariance, nodes)
    locator = np.stack([along @ best.push, across @ best.push], axis=1)
    here, _ = best.shape.positions(nodes)
    total = best.share * own
    groups: list[tuple[Floats, Floats]] = []
    if len(known) > 1:
        shifts = np.empty((len(nodes), len(known) - 1))
        for number, other in enumerate(known[1:]):
            snap = Route.from_vertices(other.shape.polyline()).snap(here)
            local, _, _ = _local(other.shape, other.covariance, snap.chainage_m)
            local[:, 1, 1] += snap.offset_m**2
            shifts[:, number] = snap.chainage_m - nodes
            local[:, 0, 0] += shifts[:, number] ** 2
            total += other.share * local
        groups.append((shifts, np.array([each.share for each in known[1:]])))
    in_windows = [_average_stretch(each, nodes, here, total) for each in stretches]
    if in_windows:
        columns, moments = together(in_windows)
        total[:, 0, 0] += np.sum((columns @ moments) * columns, axis=1)
    columns, moments = together([(along, best.covariance), *groups, *in_windows])
    return Spread(nodes, total, locator, columns, moments)


def together(groups: Sequence[tuple[Floats, Floats]]) -> tuple[Floats, Floats]:
    """Return columns side by side and the second moments of what they multiply.

    Each group has its covariance, or the shares of structures that exclude one another. A bend
    left out always shortens: the means of different stretches add up with their sign.
    """
    mean = np.concatenate([p if p.ndim == 1 else np.zeros(len(p)) for _, p in groups])
    moments = np.outer(mean, mean)
    at = 0
    for _, p in groups:
        inside = slice(at, at + len(p))
        moments[inside, inside] = np.diag(p) if p.ndim == 1 else p
        at += len(p)
    return np.concatenate([columns for columns, _ in groups], axis=1), moments


def _average_stretch(
    stretch: Stretch, nodes: Floats, here: Floats, total: Floats
) -> tuple[Floats, Floats]:
    """Average one stretch's sideways spread over the structures of its window (in place).

    Returns how far each other structure moves the chainages (m, s), and their shares (s,).
    """
    from geoleak.linref import Route

    inside = (nodes >= stretch.low_m) & (nodes < stretch.high_m)
    lines = [Route.from_vertices(each.shape.polyline()) for each in stretch.known]
    snaps = [line.snap(here[inside]) for line in lines]
    shifts = np.zeros((len(nodes), len(lines) - 1))
    mixed = stretch.known[0].share * total[inside, 1, 1]
    for number, other in enumerate(stretch.known[1:]):
        snap = snaps[number + 1]
        local, _, _ = _local(other.shape, other.covariance, snap.chainage_m)
        mixed += other.share * (local[:, 1, 1] + (snap.offset_m - snaps[0].offset_m) ** 2)
        # A window knows nothing of the chainage it begins at: that is the whole route's.
        shifts[inside, number] = snap.chainage_m - snaps[0].chainage_m
        shifts[nodes >= stretch.high_m, number] = lines[number + 1].length_m - lines[0].length_m
    total[inside, 1, 1] = mixed
    return shifts, np.array([each.share for each in stretch.known[1:]])


def joined_spread(shape: Alignment, marks: Observations, bias_m: Floats) -> Spread:
    """Return the spread of the dots joined: each vertex is as good as its mark."""
    _, unit, _ = shape.parts
    nodes = nodes_of(shape)
    at = shape.stations()[:, 0]
    count = len(at)
    left = np.clip(np.searchsorted(at, nodes, side="right") - 1, 0, count - 2)
    part = (nodes - at[left]) / np.maximum(at[left + 1] - at[left], 1e-12)
    across = ((1 - part) * marks.sigma_m[left]) ** 2 + (part * marks.sigma_m[left + 1]) ** 2
    # Moving a dot lengthens the line by as much as the direction turns there.
    kink = np.zeros(count)
    kink[1:-1] = np.hypot(*(unit[1:] - unit[:-1]).T)
    rows = np.where(at[None, :] <= nodes[:, None] + 1e-9, kink[None, :], 0.0)
    parameters = np.diag(marks.sigma_m**2)
    own = np.zeros((len(nodes), 2, 2))
    own[:, 0, 0] = marks.sigma_along_m[0] ** 2 + (rows**2) @ marks.sigma_m**2
    own[:, 1, 1] = across
    shift = np.stack([np.zeros(len(nodes)), np.interp(nodes, at, bias_m)], axis=1)
    return Spread(nodes, own, shift, rows, parameters)
