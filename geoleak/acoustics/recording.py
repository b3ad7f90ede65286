"""WAV files in, blocks of samples out, without holding a long recording in memory.

Decoding is libsndfile's (through ``soundfile``): PCM of 8 to 32 bits, float, extensible and RF64
headers. This module looks at what libsndfile keeps quiet about: a header that promises more than
the file holds, and samples that are no numbers.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Protocol, cast

import numpy as np
from msgspec import Struct

from geoleak.errors import AcousticsError, RecordingError
from geoleak.record import ArrayLike, Bools, Floats, Record, field
from geoleak.site import Note

WAV_FORMATS = ("WAV", "WAVEX", "RF64", "W64")
BLOCK_FRAMES = 1 << 18
UNKNOWN_SIZE = 0xFFFFFFFF
Progress = Callable[[float], None]


def nobody(share: float) -> None:
    """Take the share of the work done (0 to 1) where nobody asks for it."""


def part_of(progress: Progress, begin: float, end: float) -> Progress:
    """Return a progress callback for one part of the work."""
    return lambda share: progress(begin + (end - begin) * share)


class Recording(Record):
    """One channel of a WAV file, opened to look at and not yet read.

    ``channel`` counts from 1. Samples are scaled to -1..1 for integer formats (full scale 1);
    float files keep their values.
    """

    path: Path
    channel: int
    rate_hz: int
    frames: int
    channels: int
    subtype: str
    warnings: tuple[Note, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz

    def __len__(self) -> int:
        return self.frames

    def read(self, start: int, stop: int) -> Floats:
        """Return samples ``start`` to ``stop`` (past either end: zeros).

        Raises
        ------
        AcousticsError
            If a sample is not a finite number, or the file cannot be decoded.
        """

        def taken(first: int, last: int) -> Floats:
            with _open(self.path) as file:
                file.seek(first)
                block = file.read(last - first, dtype="float64", always_2d=True)
            return self._finite(block[:, self.channel - 1], first)

        return _padded(taken, start, stop, self.frames)

    def blocks(self, frames: int = BLOCK_FRAMES) -> Iterator[Floats]:
        """Yield the channel in blocks of at most ``frames`` samples; raises as `read` does."""
        done = 0
        with _open(self.path) as file:
            for block in file.blocks(blocksize=frames, dtype="float64", always_2d=True):
                yield self._finite(block[:, self.channel - 1], done)
                done += len(block)

    def samples(self) -> Floats:
        """Return the whole channel, float64 (n,)."""
        return self.read(0, self.frames)

    def _finite(self, block: Floats, start: int) -> Floats:
        bad = ~np.isfinite(block)
        if bad.any():
            at_s = (start + int(np.argmax(bad))) / self.rate_hz
            raise AcousticsError(
                f"{self.path.name}: {int(bad.sum())} samples from {at_s:.3f} s on are not numbers; "
                "export the recording again"
            )
        return block


class Source(Protocol):
    """Anything that hands out stretches of one channel; zeros past either end."""

    def __len__(self) -> int:
        """Return the number of samples."""

    def read(self, start: int, stop: int) -> Floats:
        """Return samples ``start`` to ``stop``."""


class ArraySource(Record):
    """An array as a `Source`."""

    samples: Floats

    def __len__(self) -> int:
        return len(self.samples)

    def read(self, start: int, stop: int) -> Floats:
        """Return samples ``start`` to ``stop``, zeros past either end."""
        return _padded(lambda first, last: self.samples[first:last], start, stop, len(self))


class Stretch(Record):
    """The first ``count`` samples of a source, its mean taken off; zeros past the ends.

    The first and last ``fade`` rise from and fall to nothing. The bare ends of a recording are
    steps, whose spectrum drowns what is weak and, in two recordings cut at the same time, looks
    like a sound without delay.
    """

    source: Source
    count: int
    mean: float = 0.0
    fade: int = 0

    def __len__(self) -> int:
        return self.count

    def read(self, start: int, stop: int) -> Floats:
        """Return samples ``start`` to ``stop``."""

        def taken(first: int, last: int) -> Floats:
            block = self.source.read(first, last) - self.mean
            if first >= self.fade and last <= self.count - self.fade:
                return block
            at = np.arange(first, last)
            share = np.clip(np.minimum(at + 1, self.count - at) / (self.fade + 1), 0, 1)
            return np.asarray(block * (0.5 - 0.5 * np.cos(np.pi * share)))

        return _padded(taken, start, stop, self.count)


def _padded(read: Callable[[int, int], Floats], start: int, stop: int, count: int) -> Floats:
    """Return what `read` gives of samples ``start`` to ``stop``, zeros where there are none."""
    out = np.zeros(max(stop - start, 0))
    first, last = max(start, 0), min(stop, count)
    if last > first:
        held = read(first, last)
        out[first - start : first - start + len(held)] = held
    return out


def as_source(samples: ArrayLike | Source, name: str) -> Source:
    """Return an array (n,) as a source, a source as it is.

    Raises
    ------
    AcousticsError
        If the array is empty, silent, has several channels or samples that are not numbers.
    """
    if not isinstance(samples, np.ndarray) and hasattr(samples, "read"):
        return cast("Source", samples)
    array = np.asarray(samples, dtype=float)
    if array.ndim != 1 or array.size == 0:
        raise AcousticsError(f"{name} is empty or has more than one channel")
    if not np.isfinite(array).all():
        bad = int((~np.isfinite(array)).sum())
        raise AcousticsError(f"{name} has {bad} samples that are not numbers")
    if float(np.ptp(array)) == 0:
        raise AcousticsError(f"{name} is silent; check the sensor and its cable")
    return ArraySource(array)


def open_recording(path: str | Path, *, channel: int | None = None) -> Recording:
    """Open a WAV file and check its header.

    Parameters
    ----------
    path : str or Path
        A file; a text may end in ``#2`` for the second channel.
    channel : int, optional
        Counted from 1; the default is what `path` says, else 1 (with a warning if there are more).

    Returns
    -------
    Recording

    Raises
    ------
    AcousticsError
        Not a WAV file, nothing in it, no such channel.
    """
    file_path, stated = split_channel(path)
    if channel is None:
        channel = stated
    if not file_path.is_file():
        raise RecordingError(f"{file_path}: there is no such recording")
    with _open(file_path) as file:
        frames, channels, rate = int(file.frames), int(file.channels), int(file.samplerate)
        subtype = str(file.subtype)
    if frames == 0:
        raise RecordingError(f"{file_path.name}: the recording is empty (zero length)")
    warnings = list(_truncation(file_path, rate))
    if channel is None and channels > 1:
        text = f'{file_path.name} has {channels} channels; the first is used, "#2" takes the second'
        warnings.append(Note("channel", text))
    channel = 1 if channel is None else channel
    if not 1 <= channel <= channels:
        raise RecordingError(
            f"{file_path.name}: there is no channel {channel}; the file has {channels}"
        )
    return Recording(file_path, channel, rate, frames, channels, subtype, tuple(warnings))


def split_channel(path: str | Path) -> tuple[Path, int | None]:
    """Return file and channel of ``"pair.wav#2"``; the channel is None where none is stated."""
    text = str(path)
    head, mark, tail = text.rpartition("#")
    if mark and tail.isdigit() and not Path(text).is_file():
        return Path(head), int(tail)
    return Path(text), None


def _open(path: Path) -> Any:
    import soundfile

    try:
        file = soundfile.SoundFile(path)
    except (soundfile.SoundFileError, OSError) as error:
        raise RecordingError(f"{path.name}: not a WAV file that can be read ({error})") from error
    if file.format not in WAV_FORMATS:
        found = file.format
        file.close()
        raise RecordingError(f"{path.name}: this is {found}, not WAV; save it as uncompressed WAV")
    return file


def _truncation(path: Path, rate_hz: int) -> Iterator[Note]:
    """Yield a warning where the header promises more samples than the file holds.

    RIFF layout: a 12-byte head, then chunks of a 4-letter name and a little-endian size, padded to
    even length (Multimedia Programming Interface and Data Specifications 1.0).
    """
    align = 0
    with path.open("rb") as file:
        riff = file.read(4) == b"RIFF"
        file.seek(12)
        while riff and len(head := file.read(8)) == 8:
            name, length = struct.unpack("<4sI", head)
            here = file.tell()
            if name == b"data":
                present = path.stat().st_size - here
                if align and present < length < UNKNOWN_SIZE:
                    promised, there = (size / align / rate_hz for size in (length, present))
                    text = (
                        f"{path.name} is cut short: its header promises {promised:.2f} s, "
                        f"{there:.2f} s are there; only these are used"
                    )
                    yield Note("truncated", text)
                return
            if name == b"fmt " and length >= 16:
                align = struct.unpack("<HHIIHH", file.read(16))[4]
            file.seek(here + length + length % 2)


CLIP_RUN = 3
CLIPPED_SHARE = 1e-5
SILENT_DBFS = -110.0
STEP_S = 0.1
# Automatic gain, common practice without a source: a drop this large within two steps, then a
# climb of this much spread over this time.
FALL_DB = 2.5
CLIMB_DB = 2.0
CLIMB_S = 1.0
FEWEST_EVENTS = 3


class Condition(Record):
    """How a recording is: its offset, in units of full scale, and level over its whole length."""

    offset: float
    rms_dbfs: float
    warnings: tuple[Note, ...] = ()


class _Tally(Struct):
    step: int
    count: int = 0
    total: float = 0.0
    square: float = 0.0
    peak: float = 0.0
    zeros: int = 0
    at_peak: int = 0
    steps: list[Floats] = field(default_factory=list)
    rest: Floats = field(default_factory=lambda: np.zeros(0))

    def add(self, block: Floats) -> None:
        """Count one block of samples in."""
        self.count += len(block)
        self.total += float(block.sum())
        self.square += float(block @ block)
        self.zeros += int((block == 0).sum())
        top = float(np.abs(block).max(initial=0.0))
        if top > self.peak:
            self.peak, self.at_peak = top, 0
        if top >= self.peak * (1 - 1e-4):
            self.at_peak += _in_runs(np.abs(block) >= self.peak * (1 - 1e-4))
        both = np.concatenate([self.rest, block])
        whole = len(both) // self.step * self.step
        # The difference of neighbours takes out offset and rumble, which no gain control follows.
        parts = np.diff(both[:whole].reshape(-1, self.step), axis=1)
        self.steps.append((parts**2).mean(axis=1) if parts.size else np.zeros(len(parts)))
        self.rest = both[whole:]


def _in_runs(flags: Bools) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    lengths = edges[1::2] - edges[::2]
    return int(lengths[lengths >= CLIP_RUN].sum())


def inspect(recording: Recording) -> Condition:
    """Read a recording once, in blocks, and say what is wrong with it.

    Raises
    ------
    AcousticsError
        If it is silent or dead (nothing in it that could be a sound).
    """
    tally, name = _Tally(max(1, round(STEP_S * recording.rate_hz))), recording.path.name
    for block in recording.blocks():
        tally.add(block)
    if tally.count == 0:
        raise AcousticsError(f"{name}: the recording is empty (zero length)")
    offset = tally.total / tally.count
    variance = max(tally.square / tally.count - offset**2, 0.0)
    rms_dbfs = 10 * np.log10(variance) if variance > 0 else -np.inf
    if rms_dbfs < SILENT_DBFS:
        what = "is silent" if abs(offset) < 1e-6 else f"is dead (stuck at {offset:.4g})"
        raise AcousticsError(f"{name} {what}; check the sensor, its cable and the channel")
    clipped = tally.at_peak / tally.count
    zero_share = tally.zeros / tally.count
    found = list(recording.warnings)
    if clipped > CLIPPED_SHARE:
        text = f"{name} is clipped ({clipped:.2%} of the samples); record again at a lower gain"
        found.append(Note("clipped", text))
    if abs(offset) > max(0.02, 0.5 * np.sqrt(variance)):
        text = f"{name} stands off centre by {offset:+.3f} of full scale; it is taken out"
        found.append(Note("offset", text))
    if zero_share > 0.2 and tally.peak > 8 / 32768:
        text = (
            f"{name}: {zero_share:.0%} of the samples are exactly zero; drop-outs or a noise gate"
        )
        found.append(Note("dropouts", text))
    steps = np.concatenate(tally.steps)
    if steps.size and has_automatic_gain(10 * np.log10(steps + 1e-20)):
        text = (
            f"{name} shows signs of automatic gain (the floor sinks after loud moments); its level "
            "cannot be compared with others"
        )
        found.append(Note("automatic_gain", text))
    return Condition(offset, float(rms_dbfs), tuple(found))


def has_automatic_gain(levels_db: Floats) -> bool:
    """Tell whether short-time levels drop at once and then climb back slowly, again and again.

    A gain control turned down by a loud moment leaves the noise after it too low and lets it climb
    over a second or more. After a passing car the floor is simply there: nothing climbs. At least
    three drops, and a third of all, must show it (the onset of a loud moment drops once as well,
    while the gain gives way).

    Parameters
    ----------
    levels_db : ndarray (n,)
        Wide-band levels, one every `STEP_S` seconds.
    """
    reach = round(CLIMB_S / STEP_S)
    falls = levels_db[:-2] - levels_db[2:]
    places = np.flatnonzero(falls > FALL_DB) + 2
    # One drop, one place: the lowest step of each run.
    starts = places[np.flatnonzero(np.diff(np.concatenate([[-9], places])) > 2)]
    climbing = counted = 0
    time_s = np.arange(reach) * STEP_S
    for start in starts:
        low = start + int(np.argmin(levels_db[start : start + 3]))
        after = levels_db[low : low + reach]
        if len(after) < reach or np.abs(np.diff(after)).max() > FALL_DB:
            continue
        counted += 1
        gain = float(np.polyfit(time_s, after, 1)[0]) * CLIMB_S
        rest = np.std(after - np.polyval(np.polyfit(time_s, after, 1), time_s))
        climbing += gain > max(CLIMB_DB, 4 * float(rest))
    return climbing >= FEWEST_EVENTS and climbing >= counted / 3
