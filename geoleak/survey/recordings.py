"""Recordings named in a site's sheets, turned into levels and delays."""

from __future__ import annotations

from dataclasses import dataclass

from geoleak.errors import AcousticsError, Complaint, InputError
from geoleak.site import Delay, Note, Reading, Site

# A delay is looked for within what the slowest pipe at hand allows; one second is 300 m of plastic.
MAX_LAG_S = 1.0


@dataclass(frozen=True, slots=True)
class RecordedLevel:
    """The steady level of a recording, with the band it was measured in."""

    level_db: float
    low_hz: float
    high_hz: float


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
    from geoleak.acoustics import level_of_file

    if reading.recording is None:
        raise ValueError(f"reading {reading.id} names no recording")
    if site.levels.level_scale == "display" and reading.kind in ("surface", "contact"):
        what = f"reading {reading.id}: a recording has a level in dB, but level_scale is display"
        raise InputError([Complaint(reading.origin, what, "write the level that the meter showed")])
    band = None
    if reading.low_hz is not None and reading.high_hz is not None:
        band = (reading.low_hz, reading.high_hz)
    try:
        heard = level_of_file(site.folder / reading.recording, band_hz=band, material=material)
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
    from geoleak.acoustics import delay_of_files

    if row.recording_first is None or row.recording_second is None:
        raise ValueError(f"delay {row.id} does not name two recordings")
    band = None
    if row.low_hz is not None and row.high_hz is not None:
        band = (row.low_hz, row.high_hz)
    try:
        found = delay_of_files(
            site.folder / row.recording_first,
            site.folder / row.recording_second,
            band_hz=band,
            max_lag_s=MAX_LAG_S,
        )
    except AcousticsError as error:
        raise InputError([Complaint(row.origin, str(error))]) from error
    notes = [Note(each.code, each.text, row.origin) for each in found.warnings]
    if found.delay_s is None or found.sigma_s is None:
        text = f"delay {row.id}: no delay found in its recordings ({found.reason}); it says nothing"
        return None, [*notes, Note("no_delay_found", text, row.origin)]
    return (found.delay_s, found.sigma_s), notes
