"""The fitted route of a leg: the line, its bends, its marks, and how well it is known.

The marks' own part of the covariance is J'WJ of the joint fit carried to each place, averaged over
the few best structures with their weights (Hoeting et al., "Bayesian model averaging", Statistical
Science 14, 1999): where a bend might or might not be, the difference counts. The shared parts are
carried through the same fit as one common push on all marks, so that no number of marks shrinks
them.

Depth and height are smoothed by a line of few knots whose bending is penalised, the strength of the
penalty averaged over a grid by its marginal likelihood (P-splines: Eilers & Marx, Statistical
Science 11, 1996; the penalty as an integrated random walk: Wahba, J. R. Stat. Soc. B 40, 1978).
Scatter of elevations and depths is smoothed away, so that it cannot lengthen the pipe; a real grade
is kept.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np

from geoleak.record import ArrayLike, Floats, Ints, Record
from geoleak.route.alignment import Alignment
from geoleak.route.marks import Bend, MarkArray
from geoleak.route.solve import Observations, Solution, normal_equations
from geoleak.site import Note

if TYPE_CHECKING:
    from geoleak.linref import Route


class StraightRun(Record):
    """A straight (or the stretch of an arc) of the route and the marks on it."""

    from_m: float
    to_m: float
    first_mark: str
    last_mark: str
    """Ids of the first and last mark on it; empty where it holds none."""
    curved: bool = False


class RouteFit(Record, eq=False):
    """The route fitted through the marks of one leg.

    Chainage counts from the leg's start along the fitted line. Sigma is one standard deviation.

    Attributes
    ----------
    route : geoleak.linref.Route
        The line; 3-D (height of the pipe's centre) where heights of the ground are known.
    marks : MarkArray
        As given.
    order : (n,) array of int
        Indices of the marks in the order that was used.
    bends : tuple of Bend
    runs : tuple of StraightRun
        In order of chainage; arcs are runs of their own, ``curved``.
    mark_chainage_m, mark_residual_m : (n,) arrays
        Of each mark as given; the residual is positive to the right.
    mark_weight : (n,) array
        Chance that the mark belongs to this pipe, 0 to 1.
    strays : (s,) array of int
        Indices of marks that do not.
    sigma_scale : float
        What the stated sigma was multiplied by, in view of the marks' own scatter.
    length_sigma_m : float
        Of the whole length, the marks' own errors and the shared ones together.
    warnings : tuple of Note
        Codes ``stray_mark``, ``mark_order``, ``gap``, ``marks_too_close``, ``route_assumed``,
        ``repeated_marks``, ``scatter``, ``no_line``, ``another_line``.
    """

    route: Route
    marks: MarkArray
    order: Ints
    bends: tuple[Bend, ...]
    runs: tuple[StraightRun, ...]
    mark_chainage_m: Floats
    mark_residual_m: Floats
    mark_weight: Floats
    strays: Ints
    sigma_scale: float
    length_sigma_m: float
    warnings: tuple[Note, ...]
    spread: Spread
    depth: Smooth
    """Depth to the centre of the pipe."""
    depth_shared: Smooth
    """Sigma of depth that all marks share."""
    outside_diameter_m: float | None

    def sigma_across_m(self, chainage_m: ArrayLike) -> Floats:
        """Return the sideways sigma of the line at chainages, from the marks' own errors."""
        chainage, shape = self._inside(chainage_m)
        return np.sqrt(self.spread.own_at(chainage)[:, 1, 1]).reshape(shape)

    def sigma_along_m(self, chainage_m: ArrayLike) -> Floats:
        """Return the along-pipe sigma of the place at a chainage counted from the start.

        It holds the start's own error and what bends add; between two places on one straight
        it is common to both and cancels: see `path_sigma_m`.
        """
        chainage, shape = self._inside(chainage_m)
        return np.sqrt(self.spread.own_at(chainage)[:, 0, 0]).reshape(shape)

    def sigma_locator_bias_m(self, chainage_m: ArrayLike) -> Floats:
        """Return the sideways sigma of the locator's shared error alone."""
        chainage, shape = self._inside(chainage_m)
        return np.abs(self.spread.locator_at(chainage)[:, 1]).reshape(shape)

    def covariance(self, chainage_m: ArrayLike) -> Floats:
        """Return the covariance (k, 2, 2) of easting and northing at chainages, everything in it.

        A single chainage gives (2, 2).
        """
        chainage, shape = self._inside(chainage_m)
        local = self.spread.own_at(chainage)
        pushed = self.spread.locator_at(chainage)
        local = local + pushed[:, :, None] * pushed[:, None, :]
        angle = np.deg2rad(np.asarray(self.route.bearing_deg(chainage), dtype=float))
        along = np.stack([np.sin(angle), np.cos(angle)], axis=1)
        right = np.stack([along[:, 1], -along[:, 0]], axis=1)
        turn = np.stack([along, right], axis=2)
        full = turn @ local @ np.swapaxes(turn, 1, 2) + self.marks.rover_bias_m**2 * np.eye(2)
        return np.asarray(full.reshape((*shape, 2, 2)))

    def path_sigma_m(self, from_m: float, to_m: float) -> float:
        """Return the sigma of the pipe's length between two places on the fitted line.

        For places fixed on the ground; on one straight it is 0, across a bend it is not.
        """
        self._inside([from_m, to_m])
        own = self.spread.between(from_m, to_m)
        pushed = self.spread.locator_at(np.array([from_m, to_m]))[:, 0]
        return float(np.hypot(own, pushed[1] - pushed[0]))

    def depth_m(self, chainage_m: ArrayLike) -> Floats:
        """Return the depth from the ground to the centre of the pipe."""
        chainage, shape = self._inside(chainage_m)
        return self.depth.at(chainage).reshape(shape)

    def crown_depth_m(self, chainage_m: ArrayLike) -> Floats:
        """Return the depth to the crown (the top) of the pipe."""
        return self.depth_m(chainage_m) - 0.5 * (self.outside_diameter_m or 0.0)

    def depth_sigma_m(self, chainage_m: ArrayLike) -> Floats:
        """Return the sigma of the depth: the marks' own part smoothed, the shared part whole."""
        chainage, shape = self._inside(chainage_m)
        own = self.depth.sigma(chainage)
        return np.hypot(own, self.depth_shared.at(chainage)).reshape(shape)

    def straight_run(self, chainage_m: float) -> StraightRun:
        """Return the straight run (or arc) that holds a chainage, with its marks."""
        chainage, _ = self._inside(chainage_m)
        for run in self.runs:
            if chainage[0] <= run.to_m:
                return run
        return self.runs[-1]

    def _inside(self, chainage_m: ArrayLike) -> tuple[Floats, tuple[int, ...]]:
        """Return chainages as (k,) and their shape; outside the route is refused."""
        from geoleak.errors import GeometryError

        chainage = np.asarray(chainage_m, dtype=float)
        flat = np.atleast_1d(chainage).ravel()
        length = float(self.route.length_m)
        outside = ~((flat >= -1e-6) & (flat <= length + 1e-6))
        if outside.any():
            raise GeometryError(
                f"chainage {flat[outside][0]:.3f} m is not on the route (0 to {length:.3f} m); "
                "give a place between its ends"
            )
        return np.clip(flat, 0.0, length), chainage.shape


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
        return interpolated(chainage_m, self.nodes_m, self.own)

    def locator_at(self, chainage_m: Floats) -> Floats:
        """Return the shift (m, 2), along and across, for one sigma of shared locator error."""
        return interpolated(chainage_m, self.nodes_m, self.locator)

    def between(self, from_m: float, to_m: float) -> float:
        """Return the sigma of the length between two places on the route."""
        rows = interpolated(np.array([from_m, to_m]), self.nodes_m, self.along_rows)
        gap = rows[1] - rows[0]
        return float(np.sqrt(max(gap @ self.parameters @ gap, 0.0)))


def interpolated(chainage_m: Floats, nodes_m: Floats, values: Floats, **ends: float) -> Floats:
    """Return values (m, ...) known at nodes, at chainages (k,), linear; ``ends`` as `np.interp`."""
    columns = values.reshape(len(nodes_m), -1).T
    found = np.empty((len(chainage_m), len(columns)))
    for k, column in enumerate(columns):
        found[:, k] = np.interp(chainage_m, nodes_m, column, **ends)
    return found.reshape(len(chainage_m), *values.shape[1:])


def nodes_of(shape: Alignment) -> Floats:
    """Return the chainages at which the spread is worked out: a fine step, both sides of bends."""
    length = shape.length_m()
    count = int(np.clip(np.ceil(length / NODE_STEP_M), 8, MOST_NODES)) + 1
    corners = shape.station[1:-1].ravel()
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
    slope[last : last + 2] += shape.unit[-1]
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
    unit, station = shape.unit, shape.station
    run = np.clip(np.searchsorted(station[1:-1, 1], chainage_m, side="right"), 0, shape.runs - 1)
    share = (chainage_m - station[run, 1]) / shape.lengths[run]
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
    nodes = nodes_of(shape)
    at = shape.station[:, 0]
    count = len(at)
    left = np.clip(np.searchsorted(at, nodes, side="right") - 1, 0, count - 2)
    part = (nodes - at[left]) / np.maximum(at[left + 1] - at[left], 1e-12)
    across = ((1 - part) * marks.sigma_m[left]) ** 2 + (part * marks.sigma_m[left + 1]) ** 2
    # Moving a dot lengthens the line by as much as the direction turns there.
    kink = np.zeros(count)
    kink[1:-1] = np.hypot(*np.diff(shape.unit, axis=0).T)
    rows = np.where(at[None, :] <= nodes[:, None] + 1e-9, kink[None, :], 0.0)
    parameters = np.diag(marks.sigma_m**2)
    own = np.zeros((len(nodes), 2, 2))
    own[:, 0, 0] = marks.sigma_along_m[0] ** 2 + (rows**2) @ marks.sigma_m**2
    own[:, 1, 1] = across
    shift = np.stack([np.zeros(len(nodes)), np.interp(nodes, at, bias_m)], axis=1)
    return Spread(nodes, own, shift, rows, parameters)


MOST_KNOTS = 40
STIFFNESS = 10.0 ** np.arange(-8.0, 0.0)
"""Grid of the bending's variance per metre, m2/m3."""
HUBER = 2.5


class Smooth(Record, eq=False):
    """A smoothed quantity along the route, straight between knots and level beyond them."""

    knots_m: Floats
    values: Floats
    covariance: Floats

    def at(self, chainage_m: ArrayLike) -> Floats:
        """Return values at chainages."""
        return np.interp(np.asarray(chainage_m, dtype=float), self.knots_m, self.values)

    def sigma(self, chainage_m: ArrayLike) -> Floats:
        """Return the sigma of the values at chainages."""
        chainage = np.atleast_1d(np.asarray(chainage_m, dtype=float))
        rows = hats(chainage.ravel(), self.knots_m)
        square = np.einsum("ij,jk,ik->i", rows, self.covariance, rows)
        return np.sqrt(np.maximum(square, 0.0)).reshape(np.shape(chainage_m))


def hats(chainage_m: Floats, knots_m: Floats) -> Floats:
    """Return weights (m, k) of linear interpolation between knots."""
    inside = np.clip(chainage_m, knots_m[0], knots_m[-1])
    left = np.clip(np.searchsorted(knots_m, inside, side="right") - 1, 0, len(knots_m) - 2)
    share = (inside - knots_m[left]) / (knots_m[left + 1] - knots_m[left])
    out = np.zeros((len(inside), len(knots_m)))
    rows = np.arange(len(inside))
    out[rows, left] = 1 - share
    out[rows, left + 1] += share
    return out


def smooth(chainage_m: Floats, values: Floats, sigma: Floats, length_m: float) -> Smooth:
    """Smooth values known at chainages.

    Parameters
    ----------
    chainage_m, values, sigma : (n,) arrays
        n >= 1; a single value is taken as level.
    length_m : float
        Length of the route: knots span 0 to here.
    """
    span = max(length_m, 1e-6)
    distinct = len(np.unique(np.round(chainage_m, 3)))
    count = int(np.clip(distinct, 2, MOST_KNOTS))
    knots = np.linspace(0.0, span, count)
    if distinct < 2:
        mean = float(np.average(values, weights=sigma**-2.0))
        var = 1.0 / float(np.sum(sigma**-2.0))
        return Smooth(knots, np.full(count, mean), np.full((count, count), var))
    rows = hats(chainage_m, knots)
    weight = sigma**-2.0
    result, used = _averaged(rows, values, weight, knots), weight
    for _ in range(4):
        # A depth keyed wrong by tens of centimetres must not pull its neighbours along.
        off = np.abs(values - rows @ result.values) / sigma
        eased = weight * np.minimum(1.0, HUBER / np.maximum(off, 1e-9))
        if np.allclose(eased, used, rtol=1e-3, atol=0.0):
            break
        used = eased
        result = _averaged(rows, values, eased, knots)
    return result


def _averaged(rows: Floats, values: Floats, weight: Floats, knots: Floats) -> Smooth:
    count = len(knots)
    step = knots[1] - knots[0]
    bend = np.diff(np.eye(count), n=2, axis=0)
    penalty = bend.T @ bend / step**3
    normal = (rows * weight[:, None]).T @ rows
    # A slope nobody surveyed: at most about 1 in 1, so that two marks in one place stay solvable.
    slope = np.diff(np.eye(count), axis=0)
    normal = normal + slope.T @ slope / (step * (knots[-1] - knots[0]))
    right = rows.T @ (weight * values)
    stiffness = STIFFNESS if count > 2 else STIFFNESS[:1]
    matrix = normal + penalty / stiffness[:, None, None]
    covariances = np.linalg.inv(matrix)
    means = covariances @ right
    _, log_det = np.linalg.slogdet(matrix)
    log = 0.5 * means @ right - 0.5 * log_det - 0.5 * (count - 2) * np.log(stiffness)
    share = np.exp(log - log.max())
    share /= share.sum()
    mean = share @ means
    away = means - mean
    covariance = np.einsum("i,ijk->jk", share, covariances) + (away * share[:, None]).T @ away
    return Smooth(knots, mean, covariance)
