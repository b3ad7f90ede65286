"""Depth and height along the route, smoothed with their error.

A line of few knots whose bending is penalised, the strength of the penalty averaged over a grid by
its marginal likelihood (P-splines: Eilers & Marx, Statistical Science 11, 1996; the penalty as an
integrated random walk: Wahba, J. R. Stat. Soc. B 40, 1978). Scatter of elevations and depths is
smoothed away, so that it cannot lengthen the pipe; a real grade is kept.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoleak.record import Record

Floats = npt.NDArray[np.float64]

MOST_KNOTS = 40
STIFFNESS = 10.0 ** np.arange(-8.0, 0.0)
"""Grid of the bending's variance per metre, m2/m3."""
HUBER = 2.5


class Smooth(Record, eq=False):
    """A smoothed quantity along the route, straight between knots and level beyond them."""

    knots_m: Floats
    values: Floats
    covariance: Floats

    def at(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return values at chainages."""
        return np.interp(np.asarray(chainage_m, dtype=float), self.knots_m, self.values)

    def sigma(self, chainage_m: npt.ArrayLike) -> Floats:
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
