"""Readings of one kind, snapped to the pipe and gathered into arrays.

Recordings named in a site's sheets, turned into levels and delays.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from functools import lru_cache
from operator import attrgetter
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import numpy as np

from geoleak.errors import AcousticsError, Complaint, InputError, listed
from geoleak.record import Record
from geoleak.site import Delay, LevelSettings, Note, Reading, Site, StopTest
from geoleak.survey.places import PlaceFinder, Resolved, is_later
from geoleak.survey.records import Levels, no_levels
from geoleak.units import format_length

# Readings nearer to one another than this stand at one place and share its coupling: a sensor
# put back by eye stands within a hand's breadth (common practice, no source).
SAME_PLACE_M = 0.15
# A place that is said to stand aside of the line, or has coordinates of its own, is meant to be
# there up to this far: readings across the line tell a neighbour's noise from the leak.
ASIDE_WITHIN_M = 5.0
# Repeats of one reading farther apart than this many level_sigma: two normal ones are in 1 of
# 2,500 pairs.
WIDE_REPEATS = 5.0
# So many places that show the very same highest figure, this far over the middle one, are asked
# about; fewer, or on a level line of noise, are chance (both guesses of ours).
EQUAL_TOPS = 3
TOPS_OVER_MIDDLE = 6.0
# A background this many sigmas of two readings over the level that holds it is one in a hundred;
# from so many such rows on the two columns are taken to be exchanged (common practice, no source).
SWAPPED_SIGMAS, SWAPPED_ROWS = 2.33, 3
SWAPPED = "background_over"
# Levels that cannot be dB: of five places or more all between 0 and 2; one so far over the middle
# of all (guesses of ours); or repeats that scatter by a share of the level, likelier so than evenly
# by this many nats (one site in dB of 20,000 simulated reached 4.2).
FEW, LEAST_DB, OVER_MIDDLE_DB, BY_FACTORS_NATS = 5, 2.0, 60.0, 5.0
NO_DECIBELS = "no_decibels"
# No meter shows more, whatever its reference: a larger figure is a slip of the pen.
MOST_DB = 250.0
# Kinds that are sound on the meter's scale; gas and bar holes read in their detector's own unit.
HEARD = ("surface", "contact", "rod")


class _Row(Record):
    reading: Reading
    at: Resolved
    level: float
    lead_m: float
    background: float
    censored: int
    low_hz: float | None
    high_hz: float | None
    everything_off: bool
    scatter: float

    @property
    def session(self) -> str:
        """The session; recordings are on a scale of their own, apart from a meter's."""
        own = self.reading.session
        return own if self.reading.levels else f"{own} recordings".strip()


def gather_levels(kind: str, site: Site, finder: PlaceFinder) -> tuple[Levels, list[Note]]:
    """Return the readings of one kind as arrays, and what should be said of them.

    Parameters
    ----------
    kind : {"surface", "contact", "gas", "bar_hole", "rod"}
        Rows of other kinds and those struck out are passed over.
    site : Site
    finder : PlaceFinder
        Puts a place on the pipe; its complaints are raised by the caller, with those of all kinds.
    """
    rows: list[_Row] = []
    notes: list[Note] = []
    rivals: dict[tuple[int, int], list[tuple[Reading, Resolved]]] = {}
    settings = site.levels
    for reading in (each for each in site.readings if each.kind == kind and not each.skip):
        at = finder.find(reading.place, reading.origin)
        if at is None:
            continue
        lead = finder.lead_m(reading.place.point)
        # A contact sensor stands a lead away from the pipe it hears; a microphone does not.
        reach_m = settings.gate_m + (lead if kind == "contact" else 0.0)
        if reading.place.aside_m is not None or reading.place.kind == "grid":
            reach_m = max(reach_m, ASIDE_WITHIN_M)
        if at.gated_m > reach_m:
            finder.complaints.append(_too_far(reading, at, finder, settings))
            continue
        if at.rival_leg >= 0:
            rivals.setdefault((at.leg, at.rival_leg), []).append((reading, at))
        band = reading.low_hz, reading.high_hz
        if reading.levels:
            level, censored, scatter = _level(reading, settings)
        else:
            level, band, said = level_of(site, reading, finder.legs[at.leg].leg.material)
            censored, scatter = 0, math.nan
            notes += said
        off = settings.everything_off if reading.everything_off is None else reading.everything_off
        heard = _background(reading, settings)
        rows.append(_Row(reading, at, level, lead, heard, censored, *band, off, scatter))
    notes += (_rival_note(alike, finder) for alike in rivals.values())
    if kind in HEARD and settings.level_scale != "display":
        notes += _wide_repeats(rows, settings)
        notes += _apart_at_one_place(rows, site)
        notes += _swapped(rows, settings)
    if kind == "surface" and settings.level_scale == "db":
        notes += _no_decibels([row for row in rows if row.reading.levels])
    if kind in HEARD and settings.level_limits is None:
        notes += _at_the_limit(rows)
    return _arrays(kind, rows), notes


def _wide_repeats(rows: Sequence[_Row], settings: LevelSettings) -> list[Note]:
    """Name the readings whose repeats lie farther apart than repeats do."""
    notes = []
    for row in rows:
        levels = row.reading.levels
        heard = _on_scale(np.array(levels, dtype=float), row.reading, settings)
        apart = float(np.ptp(heard)) if len(levels) > 1 else 0.0
        if apart > WIDE_REPEATS * settings.level_sigma_db:
            said = " ".join(f"{each:g}" for each in levels)
            text = (
                f'reading {row.reading.id} at "{row.reading.place.text}": its repeats {said} lie '
                f"{apart:.0f} dB apart: take it again"
            )
            notes.append(Note("repeats_wide", text, row.reading.origin))
    return notes


def _apart_at_one_place(rows: Sequence[_Row], site: Site) -> list[Note]:
    """Name readings taken alike at one place that lie farther apart than repeats do.

    Those from before and after the repair of a leak, by its date, are of two states.
    """
    # Where some rows say that everything was off, others may only not say it.
    by_row = any(each.everything_off for each in site.readings)
    repairs = [row.date for row in site.found if row.outcome == "leak" and row.date]
    alike: dict[tuple[object, ...], list[_Row]] = {}
    for row in rows:
        reading = row.reading
        after = sum(is_later(reading.date, each) for each in repairs)
        state = reading.session, row.everything_off, after
        key = (reading.place.text, state, row.low_hz, row.high_hz)
        alike.setdefault(key, []).append(row)
    notes = []
    for held in alike.values():
        low, high = (pick(held, key=lambda row: row.level) for pick in (min, max))
        apart = high.level - low.level
        if apart > WIDE_REPEATS * site.levels.level_sigma_db:
            names = f"{low.reading.id} and {high.reading.id}"
            blank = by_row and None in (low.reading.everything_off, high.reading.everything_off)
            what = f'readings {names}, both at "{low.reading.place.text}", lie {apart:.0f} dB apart'
            told = tuple(row.reading.id for row in held)
            job = "was everything off for one? Write everything_off yes; else " if blank else ""
            job += f"take {names} again, or strike one out"
            days = [each.reading.date[:10] for each in (low, high)]
            if all(days) and days[0] != days[1]:
                what += f", on {days[0]} and {days[1]}"
                job = f"take {names} again, and strike out (skip) the rows of the day that is past"
            notes.append(Note("readings_apart", what, high.reading.origin, job, rows=told))
    return notes


def _swapped(rows: Sequence[_Row], settings: LevelSettings) -> list[Note]:
    """Name the readings whose background is louder than the level that holds it."""
    error = SWAPPED_SIGMAS * math.sqrt(2.0) * settings.level_sigma_db
    over = [row for row in rows if row.censored == 0 and row.background - row.level > error]
    if len(over) < SWAPPED_ROWS:
        return []
    named = listed(f"{row.reading.id} ({row.reading.place.text})" for row in over)
    text = (
        f"level and background look swapped in readings {named}: the background "
        "is louder than the level that holds it"
    )
    remedy = (
        "put the two into each other's column, or leave a background empty that was read under "
        "another noise"
    )
    return [Note(SWAPPED, text, over[0].reading.origin, remedy)]


def _no_decibels(rows: Sequence[_Row]) -> list[Note]:
    """Return that levels look like a linear meter's, which differ by factors and not by sums."""
    if len(rows) < FEW:
        return []
    low, high = (pick(each for row in rows for each in row.reading.levels) for pick in (min, max))
    level = np.array([row.level for row in rows])
    top, over = rows[int(np.argmax(level))].reading, float(level.max() - np.median(level))
    what, first = "", top
    if low > 0.0 and high < LEAST_DB:
        what, first = f"levels of {low:g} to {high:g} are no dB", rows[0].reading
    elif over > OVER_MIDDLE_DB:
        what = f'reading {top.id} at "{top.place.text}" is {over:.0f} dB over the middle of all'
    elif _by_factors(rows) > BY_FACTORS_NATS:
        what = "repeats lie apart by a share of the level, not by as much everywhere"
    if not what:
        return []
    return [
        Note(
            NO_DECIBELS,
            f"{what}: the levels look like a linear meter's figures",
            first.origin,
            'where the meter is linear, state level_scale = "amplitude" in [readings]; where it '
            "shows dB, correct the figure or take it again",
        )
    ]


def _by_factors(rows: Sequence[_Row]) -> float:
    """Return by how many nats repeats scatter rather by a share of the level than evenly.

    Of the first two of a row; those alike to the last digit tell nothing.
    """
    two = [row.reading.levels[:2] for row in rows if len(row.reading.levels) > 1]
    pairs = np.array([each for each in two if each[0] != each[1] and min(each) > 0.0])
    if len(pairs) < FEW:
        return 0.0
    apart, mean = np.abs(np.diff(pairs)).ravel(), pairs.mean(axis=1)
    even, share = (np.sqrt(np.mean(each**2)) for each in (apart, apart / mean))
    return float(len(pairs) * np.log(even / share) - np.log(mean).sum())


def _at_the_limit(rows: Sequence[_Row]) -> list[Note]:
    """Ask whether the highest figure, shown at several places, is the meter's last one."""
    told = [row.reading for row in rows if row.reading.levels]
    shown = [max(each.levels) for each in told]
    top = max(shown, default=0.0)
    at_top = [each for each, level in zip(told, shown, strict=True) if level == top]
    if len(at_top) < EQUAL_TOPS or top - float(np.median(shown)) < TOPS_OVER_MIDDLE:
        return []
    ids = listed(reading.id for reading in at_top)
    text = (
        f"readings {ids} all show {top:g}, the highest of all: is that the meter's limit? If so, "
        "state level_limits in [readings], or turn the gain down and read them again"
    )
    return [Note("meters_limit", text, at_top[0].origin)]


def _too_far(
    reading: Reading, at: Resolved, finder: PlaceFinder, settings: LevelSettings
) -> Complaint:
    away = format_length(at.distance_m, unit=finder.length_unit)
    gate = format_length(settings.gate_m, unit=finder.length_unit)
    return Complaint(
        reading.origin,
        f'reading {reading.id} at "{reading.place.text}" is {away} from the nearest leg '
        f'"{finder.legs[at.leg].name}"',
        f"correct the place, skip the row, or widen gate ({gate}) in [readings]",
    )


def _rival_note(alike: Sequence[tuple[Reading, Resolved]], finder: PlaceFinder) -> Note:
    """Return that readings stand as near to another pipe: of the first, and how many more do."""
    (reading, at), more = alike[0], len(alike) - 1
    both = at.chainage_m, at.rival_chainage_m
    here, there = (format_length(each, unit=finder.length_unit) for each in both)
    text = (
        f'reading {reading.id} at "{reading.place.text}" was put on leg '
        f'"{finder.legs[at.leg].name}" at {here}, but "{finder.legs[at.rival_leg].name}" at '
        f"{there} is nearly as close{f', and so for {more} more' if more else ''}; name the leg in "
        "its place if that is wrong"
    )
    return Note("two_pipes_near", text, reading.origin)


def _level(reading: Reading, settings: LevelSettings) -> tuple[float, int, float]:
    """Return the pooled level in dB (or display units), whether it sits on a limit, and scatter."""
    values = np.array(reading.levels, dtype=float)
    censored = 0
    if settings.level_limits is not None and reading.kind in HEARD:
        low, high = settings.level_limits
        middle = float(np.median(values))
        outside = values[(values < low) | (values > high)]
        if len(outside):
            _refuse(
                reading,
                f"level {outside[0]:g} is outside level_limits [{low:g}, {high:g}]",
                "correct the level or the limits",
            )
        censored = 1 if middle >= high else -1 if middle <= low else 0
    scaled = _on_scale(values, reading, settings)
    scatter = float(scaled.std(ddof=1)) if len(scaled) > 1 else math.nan
    return float(scaled.mean()), censored, scatter


def _background(reading: Reading, settings: LevelSettings) -> float:
    """Return the background on the scale of the row's level, nan where none is stated."""
    if reading.background is None:
        return math.nan
    if not reading.levels:  # beside a recording: as the recorder has it, dB re full scale
        return reading.background
    return float(_on_scale(np.array([reading.background]), reading, settings)[0])


def stop_levels(test: StopTest, settings: LevelSettings) -> list[float]:
    """Return the levels of a stop test in dB (or display units), nan where not done.

    In the order as found, everything off, fitting worked, supply shut.
    """
    done = (test.as_found, test.all_off, test.fitting_worked, test.supply_shut)
    return [
        float(_on_scale(np.array(each, dtype=float), test, settings).mean()) if each else math.nan
        for each in done
    ]


def _on_scale(
    values: np.ndarray, reading: Reading | StopTest, settings: LevelSettings
) -> np.ndarray:
    """Return what the sheet says in dB (or display units); a gas figure as the detector has it."""
    if isinstance(reading, Reading) and reading.kind not in HEARD:
        return values
    if settings.level_scale == "db" and np.any(np.abs(values) > MOST_DB):
        worst = float(values[np.argmax(np.abs(values))])
        _refuse(
            reading,
            f"{worst:g} is no level in dB",
            f"between {-MOST_DB:g} and {MOST_DB:g} dB; a linear meter needs "
            'level_scale = "amplitude"',
        )
    if settings.level_scale == "amplitude":
        if np.any(values <= 0):
            _refuse(
                reading,
                f"an amplitude of {values.min():g} has no level",
                "an amplitude above 0, or skip the row",
            )
        return np.asarray(20 * np.log10(values))
    return values


def _refuse(reading: Reading | StopTest, what: str, remedy: str) -> NoReturn:
    row = "reading" if isinstance(reading, Reading) else "check"
    raise InputError([Complaint(reading.origin, f"{row} {reading.id}: {what}", remedy)])


def _arrays(kind: str, rows: Sequence[_Row]) -> Levels:
    if not rows:
        return no_levels(kind)
    sessions = tuple(dict.fromkeys(row.session for row in rows))
    numbers = [sessions.index(row.session) for row in rows]
    recorded = {at for at, row in zip(numbers, rows, strict=True) if not row.reading.levels}

    def each(path: str, kind: type = float) -> np.ndarray:
        """Return what stands at a path in every row; what is not stated is nan."""
        return np.array(list(map(attrgetter(path), rows)), dtype=kind)

    return Levels(
        kind=kind,
        id=tuple(row.reading.id for row in rows),
        leg=each("at.leg", np.int64),
        chainage_m=each("at.chainage_m"),
        offset_m=each("at.offset_m"),
        easting_m=each("at.easting_m"),
        northing_m=each("at.northing_m"),
        level_db=each("level"),
        repeats=np.array([max(len(row.reading.levels), 1) for row in rows]),
        background_db=each("background"),
        place=_place_numbers(rows),
        session=np.array(numbers, dtype=np.int64),
        sessions=sessions,
        surface=tuple(row.reading.surface for row in rows),
        censored=each("censored", np.int64),
        gain_db=each("reading.gain_db"),
        low_hz=each("low_hz"),
        high_hz=each("high_hz"),
        lead_m=each("lead_m"),
        rival_leg=each("at.rival_leg", np.int64),
        rival_chainage_m=each("at.rival_chainage_m"),
        everything_off=each("everything_off", bool),
        tip_depth_m=each("reading.depth_m"),
        origin=tuple(row.reading.origin for row in rows),
        repeat_sigma_db=each("scatter"),
        recorded_sessions=tuple(sorted(recorded)),
        said=tuple(row.reading.place.text for row in rows),
    )


def _place_numbers(rows: Sequence[_Row]) -> np.ndarray:
    """Return place numbers: rows within `SAME_PLACE_M` of a place's first row share its own."""
    firsts: list[tuple[float, float]] = []
    numbers = np.zeros(len(rows), dtype=np.int64)
    for k, row in enumerate(rows):
        here = (row.at.easting_m, row.at.northing_m)
        near = [i for i, each in enumerate(firsts) if math.dist(each, here) <= SAME_PLACE_M]
        if not near:
            firsts.append(here)
        numbers[k] = near[0] if near else len(firsts) - 1
    return numbers


if TYPE_CHECKING:
    from geoleak.acoustics import DelayEstimate, Heard

# A delay is looked for within what the slowest pipe at hand allows; one second is 300 m of plastic.
MAX_LAG_S = 1.0


_Band = tuple[float, float] | None
_File = tuple[str, tuple[int, int, int]]


def _as_it_is(path: Path) -> _File:
    """Return a recording's name and what changes when the file is written anew."""
    from geoleak.acoustics import split_channel

    try:
        seen = split_channel(path)[0].stat()
    except OSError:  # whoever opens it says why
        return str(path), (0, 0, 0)
    return str(path), (seen.st_ino, seen.st_mtime_ns, seen.st_size)


# A site that is surveyed again after each entry hears each recording once.
@lru_cache(maxsize=1024)
def _heard(file: _File, band_hz: _Band, material: str | None) -> Heard:
    from geoleak.acoustics import level_of_file

    return level_of_file(file[0], band_hz=band_hz, material=material)


@lru_cache(maxsize=128)
def _timed(first: _File, second: _File, band_hz: _Band) -> DelayEstimate:
    from geoleak.acoustics import delay_of_files

    return delay_of_files(first[0], second[0], band_hz=band_hz, max_lag_s=MAX_LAG_S)


def level_of(
    site: Site, reading: Reading, material: str | None
) -> tuple[float, tuple[float, float], list[Note]]:
    """Return the steady level (L90, dB re full scale) of a reading's recording, and its band.

    The band is the row's own, else the starting band for the pipe's material.

    Raises
    ------
    InputError
        Where the recording cannot be read or measured, with the row it is named in.
    """
    if reading.recording is None:
        raise ValueError(f"reading {reading.id} names no recording")
    if site.levels.level_scale == "display" and reading.kind in ("surface", "contact"):
        what = f"reading {reading.id}: a recording has a level in dB, but level_scale is display"
        raise InputError([Complaint(reading.origin, what, "write the level that the meter showed")])
    try:
        file = _as_it_is(site.folder / reading.recording)
        heard = _heard(file, _band(reading), material)
    except AcousticsError as error:
        raise InputError([Complaint(reading.origin, str(error))]) from error
    notes = [Note(each.code, each.text, reading.origin) for each in heard.condition.warnings]
    return heard.level.level_db, heard.level.band_hz, notes


def _band(row: Reading | Delay) -> _Band:
    low, high = row.low_hz, row.high_hz
    return None if low is None or high is None else (low, high)


def delay_of(site: Site, row: Delay) -> tuple[tuple[float, float] | None, list[Note]]:
    """Return delay and sigma (seconds) of a row's two recordings, None where none is found.

    Raises
    ------
    InputError
        Where a recording cannot be read, with the row it is named in.
    """
    if row.recording_first is None or row.recording_second is None:
        raise ValueError(f"delay {row.id} does not name two recordings")
    try:
        pair = (site.folder / each for each in (row.recording_first, row.recording_second))
        found = _timed(*map(_as_it_is, pair), _band(row))
    except AcousticsError as error:
        raise InputError([Complaint(row.origin, str(error))]) from error
    notes = [Note(each.code, each.text, row.origin) for each in found.warnings]
    if found.delay_s is None or found.sigma_s is None:
        text = f"delay {row.id}: no delay found in its recordings ({found.reason}); it says nothing"
        return None, [*notes, Note("no_delay_found", text, row.origin)]
    return (found.delay_s, found.sigma_s), notes
