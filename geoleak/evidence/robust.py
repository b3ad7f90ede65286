"""Level readings with heavy-tailed error, their floor and session offsets integrated out.

A row is y = f (floor + offset of its session) + m + error, where m is what a candidate leak adds
and f is 1, or 0 for a row that carries its own background. The error is Student-t with four
degrees of freedom: its distribution function has a closed form, which censored rows need. Floor
and offsets are Gaussian a priori; they are integrated out by Laplace's method around the mode,
with weights solved separately for every node and place (one weight vector for all would lock
whichever peak was found first).

Source: Lange, Little, Taylor (1989), "Robust statistical modeling using the t distribution",
J. Am. Stat. Assoc. 84, 881 (weights); Tierney, Kadane (1986), J. Am. Stat. Assoc. 81, 82
(Laplace's method). Both from memory.
"""

from __future__ import annotations

import numpy as np

from geoleak.record import Floats, Ints, Record

FREEDOM = 4.0
# log of Gamma(5/2) / (Gamma(2) sqrt(4 pi)) = log(3/8)
LOG_DENSITY_AT_ZERO = float(np.log(0.375))
ROUNDS = 3
# A bound on the curvature of log F for this t (its largest value is 0.54 near z = 0.6).
CENSORED_CURVATURE = 0.6
# Repeats wider than this many times their variance are a slip of the pen and count no more.
WIDE = 10.0


def log_density(z: Floats) -> Floats:
    """Return the log density of Student's t, four degrees of freedom, unit scale."""
    return LOG_DENSITY_AT_ZERO - 2.5 * np.log1p(z * z / FREEDOM)


def distribution(z: Floats) -> Floats:
    """Return the distribution function of the same t: (1 + s)^2 (2 - s) / 4, s = z/sqrt(4+z^2).

    Written so that the lower tail keeps its relative accuracy.
    """
    s = z / np.sqrt(FREEDOM + z * z)
    lower = np.where(s < 0, (FREEDOM / (FREEDOM + z * z)) / (1.0 - s), 1.0 + s)
    return lower * lower * (2.0 - s) / 4.0


class Rows(Record, eq=False):
    """What was read, n rows.

    Attributes
    ----------
    level : ndarray, shape (n,)
    sigma : ndarray, shape (n,)
        Scale of the t error of a row, places pooled.
    on_floor : ndarray, shape (n,)
        1 where the row stands on the common floor, 0 where it brought its own background.
    session : ndarray of int, shape (n,)
    sessions : int
    censored : ndarray of int, shape (n,)
        +1 at or over ``level``, -1 at or under, 0 measured.
    floor_mean, floor_sigma : float
        Prior of the floor.
    offset_sigma : float or tuple of float, length sessions
        Prior of each session's offset from it.
    memory : ndarray, shape (n,)
        How alike its error is to that of the row before (their correlation, nearly).
    """

    level: Floats
    sigma: Floats
    on_floor: Floats
    session: Ints
    sessions: int
    censored: Ints
    floor_mean: float
    floor_sigma: float
    offset_sigma: float | tuple[float, ...]
    memory: Floats

    def __len__(self) -> int:
        return len(self.level)

    @property
    def membership(self) -> Floats:
        """Rows by sessions, 1 where a row on the floor belongs to the session."""
        table = np.zeros((len(self), self.sessions))
        table[np.arange(len(self)), self.session] = self.on_floor
        return table

    def fresh(self, error: Floats) -> Floats:
        """Return errors, shape (..., n), less what they share with the rows on either side.

        Half of `memory` of each neighbour's error: what is left errs independently. The same from
        either end of the line.
        """
        half = 0.5 * self.memory[1:].astype(error.dtype)
        if not half.any():
            return error
        out = error.copy()
        out[..., 1:] -= half * error[..., :-1]
        out[..., :-1] -= half * error[..., 1:]
        return out


class Marginal(Record, eq=False):
    """Log likelihood with the floor integrated out, and the floor at its mode.

    Attributes
    ----------
    log_likelihood : ndarray, shape (...)
    floor : ndarray, shape (..., sessions)
        Floor plus offset of each session.
    """

    log_likelihood: Floats
    floor: Floats


def marginal(
    rows: Rows,
    added: Floats,
    *,
    scale: float | Floats = 1.0,
    relief: Floats | None = None,
    rounds: int = ROUNDS,
) -> Marginal:
    """Integrate the floor and the session offsets out of the likelihood.

    Parameters
    ----------
    rows : Rows
        n rows.
    added : ndarray, shape (..., n)
        What the candidate adds to each row (m above). Computed in its own precision: 32 bits are
        enough (levels of some 100 dB keep 1e-5 dB) and twice as fast.
    scale : float or ndarray
        Factor on every sigma; an array goes with the candidates, shape (..., 1).
    relief : ndarray, shape (..., n), optional
        Factor on the variance of each row under each candidate: where a leak drowns the
        background, its gusts move the reading less.
    rounds : int
        Rounds of weighting.

    Returns
    -------
    Marginal
        Of shape (...).
    """
    kind = added.dtype
    member = rows.fresh(rows.membership.T.astype(kind)).T
    alone = rows.sessions == 1 and bool((member == 1.0).all())
    # Four times the squared scale: weight, density and curvature of this t are simplest in it.
    wide = ((FREEDOM * scale * scale) * rows.sigma**2).astype(kind)
    if relief is not None:
        wide = wide * relief.astype(kind, copy=False)
    residual = (rows.level - rows.on_floor * rows.floor_mean).astype(kind) - added
    residual = rows.fresh(residual)
    # A session alone has no offset: it is the floor.
    spread = rows.offset_sigma if rows.sessions > 1 else 0.0
    tau2 = np.broadcast_to(np.asarray(spread, dtype=kind) ** 2, (rows.sessions,))
    prior = 1.0 / rows.floor_sigma**2
    cut = np.flatnonzero(rows.censored)
    weight = kind.type(FREEDOM) / wide
    target = residual
    error = residual
    for turn in range(rounds):
        if turn:
            weight = error * error
            weight += wide
            np.divide(kind.type(FREEDOM + 1.0), weight, out=weight)
            if len(cut):
                target = residual.copy()
                _pull_censored(rows, cut, error, residual, wide, weight, target)
        floor = _solve(member, weight, target, tau2, prior)
        error = residual - (floor if alone else floor @ member.T)
    value, curvature = _log_terms(rows, cut, error, wide)
    total = _summed(curvature, member**2)
    shrunk = total / (1.0 + tau2 * total)
    # The common floor behind those of the sessions; of one, its own.
    mean = floor[..., 0]
    if rows.sessions > 1:
        mean = (floor / tau2).sum(axis=-1) / ((1.0 / tau2).sum() + prior)
    value -= 0.5 * prior * mean**2
    value -= 0.5 * np.log1p(shrunk.sum(axis=-1) / prior)
    if rows.sessions > 1:
        value -= 0.5 * (((floor - mean[..., None]) ** 2) / tau2).sum(axis=-1)
        value -= 0.5 * np.log1p(tau2 * total).sum(axis=-1)
    return Marginal(value.astype(float), floor.astype(float) + rows.floor_mean)


def _summed(values: Floats, weights: Floats) -> Floats:
    """Return values (..., n) times weights (n, m): one product of two tables, the fastest sum."""
    out: Floats = values.reshape(-1, values.shape[-1]) @ weights
    return out.reshape(*values.shape[:-1], weights.shape[1])


def _solve(member: Floats, weight: Floats, target: Floats, tau2: Floats, prior: float) -> Floats:
    """Return the floor of each session at its mode (levels counted from the prior mean)."""
    pulled = _summed(weight * target, member)
    total = _summed(weight, member**2)
    shrink = 1.0 / (1.0 + tau2 * total)
    mean = (pulled * shrink).sum(axis=-1) / ((total * shrink).sum(axis=-1) + prior)
    mean = mean[..., None]
    return mean + tau2 * (pulled - total * mean) * shrink


def _pull_censored(
    rows: Rows,
    cut: Ints,
    error: Floats,
    residual: Floats,
    wide: Floats,
    weight: Floats,
    target: Floats,
) -> None:
    """Replace censored rows by the pseudo-observation of a majorising step."""
    sign = rows.censored[cut]
    root = np.sqrt(FREEDOM / wide[..., cut])
    u = -sign * error[..., cut] * root
    slope = sign * np.exp(log_density(u) - np.log(distribution(u))) * root
    weight[..., cut] = CENSORED_CURVATURE * root**2
    standing = residual[..., cut] - error[..., cut]
    target[..., cut] = standing + slope / weight[..., cut]


def _log_terms(rows: Rows, cut: Ints, error: Floats, wide: Floats) -> tuple[Floats, Floats]:
    """Sum the log densities (of a censored row its tail), with the curvature of each row.

    With w four times the squared scale the log density is log(3/4) + 2 log w - 2.5 log(w + e^2)
    and its curvature 5 (w - e^2) / (w + e^2)^2.
    """
    square = error * error
    total = square + wide
    ones = (rows.censored == 0).astype(error.dtype)[:, None]
    value = (2.0 * _summed(np.log(wide), ones) - 2.5 * _summed(np.log(total), ones))[..., 0]
    value = value + ones.sum() * np.log(0.75)
    curvature = wide - square
    np.maximum(curvature, 0.0, out=curvature)
    curvature /= total
    curvature /= total
    curvature *= error.dtype.type(FREEDOM + 1.0)
    if len(cut):
        root = np.sqrt(FREEDOM / wide[..., cut])
        u = -rows.censored[cut] * error[..., cut] * root
        tail = distribution(u)
        value += np.log(tail).sum(axis=-1)
        hazard = np.exp(log_density(u)) / tail
        pull = hazard * (hazard + (FREEDOM + 1.0) * u / (FREEDOM + u * u))
        curvature[..., cut] = np.maximum(pull, 0.0) * root**2
    return value, curvature


def log_scatter(squares: Floats, repeats: Floats, relative: Floats, stated: float) -> Floats:
    """Return the log density of repeats about the mean of their place, their scale integrated out.

    Only how the scatter differs from place to place tells one candidate from another (the scale,
    common to all, has Jeffreys' prior): repeats that agree everywhere must not make a spot's
    coupling better known.

    Parameters
    ----------
    squares : ndarray, shape (n,)
        Sum of squares of the repeats at a place about their mean.
    repeats : ndarray, shape (n,)
        How many there are.
    relative : ndarray, shape (..., n)
        Variance of one repeat at each place, over the stated one.
    stated : float
        Stated variance of one repeat: scatter far over it is a slip of the pen, and cut.

    Returns
    -------
    ndarray, shape (...)
        Up to what no candidate changes.
    """
    free = repeats - 1.0
    kept = np.minimum(squares, WIDE * free * stated)
    out: Floats = -0.5 * (free * np.log(relative)).sum(axis=-1)
    out -= 0.5 * free.sum() * np.log((kept / relative).sum(axis=-1))
    return out
