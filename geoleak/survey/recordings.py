"""Recordings named in a site's sheets, turned into levels and delays."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from geoleak.errors import AcousticsError, Complaint, InputError
from geoleak.record import Record
from geoleak.site import Delay, Note, Reading, Site

if TYPE_CHECKING:
    from geoleak.acoustics import DelayEstimate, Heard

# A delay is looked for within what the slowest pipe at hand allows; one second is 300 m of plastic.
MAX_LAG_S = 1.0


class RecordedLevel(Record):
    """The steady level of a recording, with the band it was measured in."""

    level_db: float
    low_hz: float
    high_hz: float


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
    site: Site, reading: Reading, *, material: str | None
) -> tuple[RecordedLevel, list[Note]]:
    """Return the steady level (L90, dB re full scale) of a reading's recording.

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
    band = None
    if reading.low_hz is not None and reading.high_hz is not None:
        band = (reading.low_hz, reading.high_hz)
    try:
        heard = _heard(_as_it_is(site.folder / reading.recording), band, material)
    except AcousticsError as error:
        raise InputError([Complaint(reading.origin, str(error))]) from error
    notes = [Note(each.code, each.text, reading.origin) for each in heard.condition.warnings]
    low, high = heard.level.band_hz
    return RecordedLevel(heard.level.level_db, low, high), notes


def delay_of(site: Site, row: Delay) -> tuple[tuple[float, float] | None, list[Note]]:
    """Return delay and sigma (seconds) of a row's two recordings, None where none is found.

    Raises
    ------
    InputError
        Where a recording cannot be read, with the row it is named in.
    """
    if row.recording_first is None or row.recording_second is None:
        raise ValueError(f"delay {row.id} does not name two recordings")
    band = None
    if row.low_hz is not None and row.high_hz is not None:
        band = (row.low_hz, row.high_hz)
    try:
        pair = (site.folder / row.recording_first, site.folder / row.recording_second)
        found = _timed(_as_it_is(pair[0]), _as_it_is(pair[1]), band)
    except AcousticsError as error:
        raise InputError([Complaint(row.origin, str(error))]) from error
    notes = [Note(each.code, each.text, row.origin) for each in found.warnings]
    if found.delay_s is None or found.sigma_s is None:
        text = f"delay {row.id}: no delay found in its recordings ({found.reason}); it says nothing"
        return None, [*notes, Note("no_delay_found", text, row.origin)]
    return (found.delay_s, found.sigma_s), notes
