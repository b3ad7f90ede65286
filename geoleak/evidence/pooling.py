"""Levels of one kind pooled by place: repeats at a place share its coupling."""

from __future__ import annotations

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


class Pooled(Record, eq=False):
    """Rows of one place, session and setting taken together, n of them.

    Attributes
    ----------
    level : ndarray, shape (n,)
        In the meter's units (dB, or steps of a display).
    sigma_db : ndarray, shape (n,)
        Scale of the t error, coupling included.
    gusty : ndarray, shape (n,)
        Share of the variance that is one reading's own scatter over its repeats: the part of it
        that gusts of the background make is heard by the background's share of the sound only.
    repeats, squares_db2 : ndarray, shape (n,)
        Repeats of one place and setting, and their sum of squares about their mean.
    reading : ndarray of int, shape (n,)
        The first reading of the row; -1 where the row is a background.
    reading_sigma_db : float
        Repeatability of one reading at one place.
    on_floor : ndarray, shape (n,)
        0 where the row is the excess over its own measured background.
    own_background_db : ndarray, shape (n,)
        Its own background over the site's middle one, in the meter's units and at its own gain;
        0 without one.
    offset_sigmas_db : tuple of float, length sessions
        How far each session may stand from the common floor.
    floor_mean : float
        Where the floor is looked for, in the meter's units (30 dB wide).
    """

    leg: Ints
    chainage_m: Floats
    offset_m: Floats
    easting_m: Floats
    northing_m: Floats
    level: Floats
    sigma_db: Floats
    gusty: Floats
    repeats: Floats
    squares_db2: Floats
    on_floor: Floats
    own_background_db: Floats
    session: Ints
    sessions: int
    offset_sigmas_db: tuple[float, ...]
    censored: Ints
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
    floor_mean: float
    is_display: bool
    notes: tuple[Note, ...]

    def __len__(self) -> int:
        return len(self.level)

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
        sigma_db=T_SCALE * np.sqrt(variance),
        gusty=one**2 / count / variance,
        repeats=told,
        squares_db2=squares,
        reading_sigma_db=one,
        on_floor=np.where(has_own, 0.0, 1.0),
        own_background_db=np.where(has_own, background - middle, 0.0),
        sessions=len(offset),
        offset_sigmas_db=tuple(offset),
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
        sigma_db=T_SCALE * spread * some,
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
