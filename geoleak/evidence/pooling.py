"""Levels of one kind pooled by place, and their likelihood.

Repeats at a place share its coupling. Errors are heavy-tailed; the floor and the offsets of
sessions are integrated out.

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

import math
from typing import Any

import numpy as np

from geoleak import tables
from geoleak.record import Bools, Floats, Ints, Record, replace
from geoleak.site import LevelSettings, Note
from geoleak.survey import Levels, Survey, taken
from geoleak.tables import setting

# Scale at which a t of four degrees of freedom fits a normal error of unit sigma best (largest
# expected log density: the root of E[5 z^2 / (4 s^2 + z^2)] = 1).
T_SCALE = 0.831
# Sigmas of a normal: 95 % of it lies within so many, and 95 % under so many.
SIGMAS_95, LOUDER_SIGMAS = 1.96, 1.645
# A background is the middle of so many places at least, and ground so many sigmas of a reading
# over it is raised (common practice, no source).
QUIET_PLACES, RAISED_SIGMAS = 3, 3.0
SMALLEST_SIGMA_DB = 0.5
# Variance of a figure rounded to a whole step.
ROUNDING_DB2 = 1.0 / 12.0


class Rows(Record, eq=False):
    """What was read, n rows.

    Attributes
    ----------
    level : ndarray, shape (n,)
        In the meter's units (dB, or steps of a display).
    sigma : ndarray, shape (n,)
        Scale of the t error, coupling included.
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
        half = 0.5 * self.memory.astype(error.dtype)
        half[:1] = 0.0
        if not half.any():
            return error
        # The candidates end to end in one long row: none is like the last of the one before it.
        half = np.tile(half, math.prod(error.shape[1:-1]))
        every = error.reshape(-1, len(half))
        out = every.copy()
        out[:, 1:] -= half[1:] * every[:, :-1]
        out[:, :-1] -= half[1:] * every[:, 1:]
        return out.reshape(error.shape)


class Pooled(Rows, eq=False):
    """Rows of one place, session and setting taken together, n of them.

    Attributes
    ----------
    gusty : ndarray, shape (n,)
        Share of the variance that is one reading's own scatter over its repeats: the part of it
        that gusts of the background make is heard by the background's share of the sound only.
    repeats, squares_db2 : ndarray, shape (n,)
        Repeats of one place and setting, and their sum of squares about their mean.
    reading : ndarray of int, shape (n,)
        The first reading of the row; -1 where the row is a background.
    reading_sigma_db : float
        Repeatability of one reading at one place.
    own_background_db : ndarray, shape (n,)
        Its own background over the site's middle one, in the meter's units and at its own gain;
        0 without one.
    """

    leg: Ints
    chainage_m: Floats
    offset_m: Floats
    easting_m: Floats
    northing_m: Floats
    gusty: Floats
    repeats: Floats
    squares_db2: Floats
    own_background_db: Floats
    is_hard: Bools
    louder_db: Floats
    louder_sigma_db: Floats
    smear_m: Floats
    smear_sigma_m: Floats
    gain_db: Floats
    lead_m: Floats
    low_hz: Floats
    high_hz: Floats
    reading: Ints
    readings: int
    reading_sigma_db: float
    is_display: bool
    notes: tuple[Note, ...]

    @classmethod
    def joined(cls, parts: list[Pooled]) -> Pooled:
        """Return rows of several tables as one; what is not an array is the first one's."""
        together: dict[str, Any] = {
            name: np.concatenate([getattr(p, name) for p in parts])
            for name in cls.__struct_fields__
            if isinstance(getattr(parts[0], name), np.ndarray)
        }
        return replace(parts[0], **together)

    def beside(self, rows: Ints, leg: int, chainage_m: Floats, survey: Survey) -> Pooled:
        """Return readings not taken yet, on the line of a leg, each like the nearest of `rows`."""
        away = np.abs(chainage_m[:, None] - self.chainage_m[None, rows])
        place = np.asarray(survey.legs[leg].route.position(chainage_m))[:, :2]
        zero = np.zeros(len(chainage_m))
        return replace(
            taken(self, rows[np.argmin(away, axis=1)]),
            leg=np.full(len(chainage_m), leg),
            chainage_m=chainage_m,
            offset_m=zero,
            easting_m=place[:, 0],
            northing_m=place[:, 1],
            on_floor=zero + 1.0,
            own_background_db=zero,
            censored=zero.astype(np.int64),
            lead_m=zero,
        )


def surely_louder_db(survey: Survey, *readings: float) -> float:
    """Return by how much one level must be over another to be louder: the error of the two.

    ``readings``: how many readings each is the mean of; none given, one each.
    """
    shares = sum(1.0 / count for count in readings or (1.0, 1.0))
    return LOUDER_SIGMAS * survey.site.levels.level_sigma_db * float(np.sqrt(shares))


def pool(levels: Levels, settings: LevelSettings, *, coupling_db: float = 0.0) -> Pooled:
    """Pool the rows of one place, session, surface and gain.

    The variance of a pooled row is that of the place's coupling plus that of one reading over the
    number of repeats. Where a place was read in several sessions, its coupling stands in each of
    their rows and is counted that many times, so that all of them together tell no more than one
    place can. ``coupling_db`` is more coupling error, on top of the settings' own.
    """
    gain = np.where(np.isfinite(levels.gain_db), levels.gain_db, 0.0)
    names = sorted({each or "" for each in levels.surface})
    surface = np.array([names.index(each or "") for each in levels.surface], dtype=np.int64)
    steps = np.round(gain * 10).astype(np.int64)
    key = np.stack([levels.place, levels.session, surface, steps, levels.censored])
    _, first, group = np.unique(key, axis=1, return_index=True, return_inverse=True)
    # Along each leg in turn, a session at a time: neighbours on the ground stand side by side.
    order = np.lexsort((levels.chainage_m[first], levels.leg[first], levels.session[first]))
    first, group = first[order], np.argsort(order)[group.ravel()]
    repeats = np.maximum(levels.repeats, 1).astype(float)
    count = np.bincount(group, weights=repeats)

    def mean(values: Floats) -> Floats:
        return np.bincount(group, weights=values * repeats) / count

    level = mean(levels.level_db)
    told, squares = _scatter(levels, level, group, repeats)
    stated = np.isfinite(levels.background_db)
    number = np.bincount(group[stated], minlength=len(first))
    total = np.bincount(group[stated], levels.background_db[stated], len(first))
    background = np.where(number > 0, total / np.maximum(number, 1), np.nan)
    one = max(settings.level_sigma_db, SMALLEST_SIGMA_DB)
    place = float(np.hypot(max(settings.place_sigma_db, SMALLEST_SIGMA_DB), coupling_db))
    _, at_place = np.unique(levels.place[first], return_inverse=True)
    shared = np.bincount(at_place)[at_place]
    variance = shared * place**2 + one**2 / count
    has_own = np.isfinite(background)
    variance = np.where(has_own, variance + one**2, variance)
    middle = float(np.median(background[has_own])) if has_own.any() else 0.0
    metered = ~np.isin(levels.session[first], levels.recorded_sessions)
    # A recording's dB are on a scale of their own.
    offset = [
        setting(f"{'recording_' * (k in levels.recorded_sessions)}session_offset").value
        for k in range(max(1, len(levels.sessions)))
    ]
    hard = [tables.surface(names[s]) if names[s] else None for s in surface[first]]
    grounds = ("is_hard", "louder_db", "louder_sigma_db", "smear_m", "smear_sigma_m")
    ground = {k: np.array([getattr(row, k) if row else 0.0 for row in hard]) for k in grounds}
    same = ("leg", "chainage_m", "offset_m", "session", "censored", "lead_m", "low_hz", "high_hz")
    own: dict[str, Any] = {name: getattr(levels, name)[first] for name in same}
    pooled = Pooled(
        **own,
        **(ground | {"is_hard": ground["is_hard"].astype(bool)}),
        easting_m=mean(levels.easting_m),
        northing_m=mean(levels.northing_m),
        level=np.where(has_own, level - background, level),
        sigma=T_SCALE * np.sqrt(variance),
        gusty=one**2 / count / variance,
        repeats=told,
        squares_db2=squares,
        reading_sigma_db=one,
        on_floor=np.where(has_own, 0.0, 1.0),
        own_background_db=np.where(has_own, background - middle, 0.0),
        sessions=len(offset),
        offset_sigma=tuple(offset),
        floor_sigma=30.0,
        memory=np.zeros(len(first)),
        gain_db=gain[first],
        reading=np.asarray(first, dtype=np.int64),
        readings=len(levels),
        # Of a meter's rows where there are any.
        floor_mean=float(np.median(level[metered] if metered.any() else level)),
        is_display=settings.level_scale == "display",
        notes=_notes(settings),
    )
    if has_own.all() or not has_own.any():
        return pooled
    return Pooled.joined([pooled, _floor_rows(taken(pooled, has_own), background[has_own], place)])


def _notes(settings: LevelSettings) -> tuple[Note, ...]:
    if min(settings.level_sigma_db, settings.place_sigma_db) >= SMALLEST_SIGMA_DB:
        return ()
    text = (
        f"level_sigma {settings.level_sigma_db:g} dB or place_sigma {settings.place_sigma_db:g} dB "
        f"is better than a reading can be; {SMALLEST_SIGMA_DB:g} dB is used"
    )
    return (Note("sigma_too_small", text),)


def _floor_rows(own: Pooled, background: Floats, place_db: float) -> Pooled:
    """Return measured backgrounds as rows that tell the floor to those without one of their own."""
    some, one = np.ones(len(own)), own.reading_sigma_db
    spread = np.sqrt(one**2 + place_db**2 + setting("background_local").value ** 2)
    return replace(
        own,
        level=background,
        sigma=T_SCALE * spread * some,
        on_floor=some,
        repeats=some,
        # A background is read with the leak shut off: no leak reaches it, however near it stands.
        own_background_db=1e4 * some,
        censored=np.zeros(len(own), dtype=np.int64),
        reading=np.full(len(own), -1, dtype=np.int64),
    )


def _scatter(levels: Levels, level: Floats, group: Ints, repeats: Floats) -> tuple[Floats, Floats]:
    """Return how many repeats tell of their scatter, and the sum of squares about their mean.

    A row of several repeats tells by its own scatter, where that is known; rows of one place and
    setting by theirs. A reading at a limit tells nothing.
    """
    own = levels.repeat_sigma_db
    within = np.full(len(levels), np.nan) if own is None else own
    squares = repeats * (levels.level_db - level[group]) ** 2
    squares = squares + np.where(np.isfinite(within), within**2 * (repeats - 1.0), 0.0)
    # Repeats whose scatter was not kept are one reading as far as scatter goes.
    known = np.where(np.isfinite(within), repeats, 1.0)
    told = np.bincount(group, weights=np.where(levels.censored == 0, known, 0.0))
    total = np.bincount(group, weights=np.where(levels.censored == 0, squares, 0.0))
    # Levels are noted in whole decibels: repeats that agree are not free of error.
    several: Floats = np.maximum(told.astype(float), 1.0)
    return several, total + ROUNDING_DB2 * (several - 1.0)


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
    # Four times the squared scale: weight, density and curvature of this t are simplest in it.
    wide = ((FREEDOM * scale * scale) * rows.sigma**2).astype(kind)
    if relief is not None:
        wide = tiled(wide, relief) * relief.astype(kind, copy=False)
    level = (rows.level - rows.on_floor * rows.floor_mean).astype(kind)
    residual = rows.fresh(tiled(level, added) - added)
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
        error = residual - _at_rows(floor, member)
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


def tiled(values: float | Floats, like: Floats) -> Floats:
    """Return values as wide as all but the first axis of another table, where they have no more.

    What both do then runs over one long row, not over every few numbers of the last axis.
    """
    values = np.asarray(values)
    if values.ndim >= like.ndim:
        return values
    return np.ascontiguousarray(np.broadcast_to(values, like.shape[1:]))


def _summed(values: Floats, weights: Floats) -> Floats:
    """Return values (..., n) times weights (n, m): one product of two tables, the fastest sum."""
    out: Floats = values.reshape(-1, values.shape[-1]) @ weights
    return out.reshape(*values.shape[:-1], weights.shape[1])


def _at_rows(floor: Floats, member: Floats) -> Floats:
    """Return what floors (..., m) are at rows that have shares (n, m) in them, shape (..., n)."""
    if len(member.T) > 1:
        return floor @ member.T
    # A product of one term each costs more than the copies that it is made of.
    out = np.repeat(floor, len(member), axis=-1)
    if (member != 1.0).any():
        out *= tiled(member[:, 0], out)
    return out


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
