"""The work behind the commands: a set of recordings to levels and a band; two files to a delay."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import Literal

import numpy as np

from geoleak import tables
from geoleak.acoustics.delay import Clocks, DelayEstimate, delay
from geoleak.acoustics.levels import BandChoice, SteadyLevel, best_band, check_band, steady_level
from geoleak.acoustics.recording import (
    Condition,
    Progress,
    Recording,
    Stretch,
    inspect,
    nobody,
    open_recording,
    part_of,
)
from geoleak.errors import AcousticsError
from geoleak.record import Record, replace
from geoleak.site import Note

BandFrom = Literal["stated", "measured", "table"]


class Heard(Record):
    """One recording with its steady level in the band of the whole set."""

    name: str
    recording: Recording
    level: SteadyLevel
    condition: Condition

    @property
    def comparable(self) -> bool:
        """Whether its level may be set beside others (no sign of automatic gain or clipping)."""
        spoiling = {"automatic_gain", "clipped", "dropouts"}
        return not any(each.code in spoiling for each in self.condition.warnings)


class Listening(Record):
    """A set of recordings, all measured in one band, and why that band.

    ``choice`` is None where there were not two recordings to compare; ``with_leak`` and
    ``without`` name those that were.
    """

    heard: tuple[Heard, ...]
    band_hz: tuple[float, float]
    band_from: BandFrom
    choice: BandChoice | None
    with_leak: str | None
    without: str | None
    warnings: tuple[Note, ...]


def listen(
    recordings: Mapping[str, str | Path],
    *,
    with_leak: str | None = None,
    without: str | None = None,
    band_hz: tuple[float, float] | None = None,
    material: str | None = None,
    progress: Progress | None = None,
) -> Listening:
    """Measure every recording in one band and say which band tells the leak best.

    Parameters
    ----------
    recordings : mapping of str to str or Path
        Name to WAV file (``"pair.wav#2"`` takes its second channel).
    with_leak, without : str, optional
        Names of two recordings to compare; else the loudest and the quietest of the comparable
        ones in the band to start with.
    band_hz : (float, float), optional
        Measure in this band, whatever the comparison says.
    material : str, optional
        Of the pipe; chooses the band to start with.
    progress : callable, optional
        Gets 0 to 1.

    Raises
    ------
    AcousticsError
        No recordings, a name that is not among them, or what `open_recording`, `inspect` and
        `steady_level` raise.
    """
    if not recordings:
        raise AcousticsError("there are no recordings to listen to")
    for name in (with_leak, without):
        if name is not None and name not in recordings:
            raise AcousticsError(f'"{name}" is not among the recordings: {", ".join(recordings)}')
    progress = progress or nobody
    opened = {name: open_recording(path) for name, path in recordings.items()}
    conditions = {}
    for done, (name, each) in enumerate(opened.items()):
        conditions[name] = inspect(each)
        progress(0.3 * (done + 1) / len(opened))
    start = band_hz or _starting_band(opened.values(), material)
    heard = _measure(opened, conditions, start, part_of(progress, 0.3, 0.6))
    pair = _pair(heard, with_leak, without)
    choice: BandChoice | None = None
    said: tuple[Note, ...] = ()
    if pair is not None:
        try:
            loud, quiet = (each.recording for each in pair)
            if loud.rate_hz == quiet.rate_hz:
                choice = best_band(loud, quiet, float(loud.rate_hz))
        except AcousticsError as error:
            if with_leak is not None or without is not None:
                raise
            # Nobody asked for this pair: the levels are worth having without a band of their own.
            said = (Note("no_band", f"no band can be chosen from these recordings: {error}"),)
    band = start
    origin: BandFrom = "table" if band_hz is None else "stated"
    if band_hz is None and choice is not None and choice.band_hz is not None:
        band, origin = choice.band_hz, "measured"
        heard = _measure(opened, conditions, band, part_of(progress, 0.6, 1.0))
    progress(1.0)
    return Listening(
        heard=heard,
        band_hz=band,
        band_from=origin,
        choice=choice,
        with_leak=None if pair is None else pair[0].name,
        without=None if pair is None else pair[1].name,
        warnings=(*said, *(each for one in heard for each in one.condition.warnings)),
    )


def level_of_file(
    path: str | Path,
    *,
    band_hz: tuple[float, float] | None = None,
    material: str | None = None,
) -> Heard:
    """Return the steady level of one recording, in a stated band or the material's first one."""
    recording = open_recording(path)
    condition = inspect(recording)
    band = band_hz or _starting_band([recording], material)
    level = steady_level(recording, recording.rate_hz, band)
    return Heard(str(path), recording, level, condition)


def delay_of_files(
    first: str | Path,
    second: str | Path,
    *,
    band_hz: tuple[float, float] | None = None,
    max_lag_s: float = 1.0,
    clocks: Clocks | None = None,
    progress: Progress | None = None,
) -> DelayEstimate:
    """Return the delay between two recordings on disk: arrival at first minus arrival at second.

    As `geoleak.acoustics.delay`; files are read in blocks. Both begin at the same time (but for
    ``clocks``); where one is longer, its end is left out, with a warning.

    Raises
    ------
    AcousticsError
        As `geoleak.acoustics.delay` and `open_recording`; different sampling rates.
    """
    one, two = open_recording(first), open_recording(second)
    if one.rate_hz != two.rate_hz:
        raise AcousticsError(
            f"{one.path.name} is at {one.rate_hz} Hz and {two.path.name} at {two.rate_hz} Hz; "
            "both must have one sampling rate"
        )
    if _same(one, two):
        raise AcousticsError("the two recordings are identical; give one from each sensor")
    states = [inspect(each) for each in (one, two)]
    count = min(len(one), len(two))
    warnings = [each for state in states for each in state.warnings]
    if len(one) != len(two):
        text = (
            f"the recordings differ in length ({one.duration_s:.2f} and {two.duration_s:.2f} s); "
            f"the first {count / one.rate_hz:.2f} s of both are used"
        )
        warnings.append(Note("length", text))
    estimate = delay(
        Stretch(one, count, states[0].offset),
        Stretch(two, count, states[1].offset),
        float(one.rate_hz),
        band_hz,
        max_lag_s=max_lag_s,
        clocks=clocks,
        progress=progress,
    )
    return replace(estimate, warnings=(*warnings, *estimate.warnings))


def _starting_band(recordings: Iterable[Recording], material: str | None) -> tuple[float, float]:
    band = tables.band(material, "listen")
    lowest = min(each.rate_hz for each in recordings)
    # A recording that carries half an octave of the band still tells something; less is an error.
    high = min(band.high_hz, 0.45 * lowest)
    if high < 2**0.5 * band.low_hz:
        high = band.high_hz
    return check_band((band.low_hz, high), lowest)


def _measure(
    opened: Mapping[str, Recording],
    conditions: Mapping[str, Condition],
    band_hz: tuple[float, float],
    progress: Progress,
) -> tuple[Heard, ...]:
    heard = []
    for done, (name, each) in enumerate(opened.items()):
        level = steady_level(
            each,
            each.rate_hz,
            band_hz,
            progress=part_of(progress, done / len(opened), (done + 1) / len(opened)),
        )
        heard.append(Heard(name, each, level, conditions[name]))
    return tuple(heard)


def _pair(
    heard: tuple[Heard, ...], with_leak: str | None, without: str | None
) -> tuple[Heard, Heard] | None:
    by_name = {each.name: each for each in heard}
    ranked = sorted((each for each in heard if each.comparable), key=lambda h: h.level.level_db)
    if not ranked and (with_leak is None or without is None):
        return None
    loud = by_name[with_leak] if with_leak is not None else ranked[-1]
    quiet = by_name[without] if without is not None else ranked[0]
    return None if loud.name == quiet.name else (loud, quiet)


def _same(one: Recording, two: Recording) -> bool:
    if len(one) != len(two):
        return False
    if one.path.resolve() == two.path.resolve() and one.channel == two.channel:
        return True
    return all(map(np.array_equal, one.blocks(), two.blocks()))
