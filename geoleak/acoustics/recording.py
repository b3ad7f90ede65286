"""WAV files in, blocks of samples out, without holding a long recording in memory.

Decoding is libsndfile's (through ``soundfile``): PCM of 8 to 32 bits, float, extensible and RF64
headers. This module looks at what libsndfile keeps quiet about: a header that promises more than
the file holds, and samples that are no numbers.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from geoleak.errors import AcousticsError, RecordingError

WAV_FORMATS = ("WAV", "WAVEX", "RF64", "W64")
BLOCK_FRAMES = 1 << 18
UNKNOWN_SIZE = 0xFFFFFFFF


@dataclass(frozen=True, slots=True)
class Warned:
    """Something about a recording that the person should know: a short code and a sentence."""

    code: str
    text: str

    def __str__(self) -> str:
        return self.text


@dataclass(frozen=True, slots=True)
class Recording:
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
    warnings: tuple[Warned, ...] = ()

    @property
    def duration_s(self) -> float:
        """Length in seconds."""
        return self.frames / self.rate_hz

    def __len__(self) -> int:
        return self.frames

    def read(self, start: int, stop: int) -> NDArray[np.float64]:
        """Return samples ``start`` to ``stop`` (past either end: zeros).

        Raises
        ------
        AcousticsError
            If a sample is not a finite number, or the file cannot be decoded.
        """
        first, last = max(start, 0), min(stop, self.frames)
        out = np.zeros(max(stop - start, 0))
        if last > first:
            with _open(self.path) as file:
                file.seek(first)
                block = file.read(last - first, dtype="float64", always_2d=True)
            taken = block[:, self.channel - 1]
            self._check_finite(taken, first)
            out[first - start : first - start + len(taken)] = taken
        return out

    def blocks(self, frames: int = BLOCK_FRAMES) -> Iterator[NDArray[np.float64]]:
        """Yield the channel in blocks of at most ``frames`` samples; raises as `read` does."""
        done = 0
        with _open(self.path) as file:
            for block in file.blocks(blocksize=frames, dtype="float64", always_2d=True):
                taken = block[:, self.channel - 1]
                self._check_finite(taken, done)
                done += len(taken)
                yield taken

    def samples(self) -> NDArray[np.float64]:
        """Return the whole channel, float64 (n,)."""
        return self.read(0, self.frames)

    def _check_finite(self, block: NDArray[np.float64], start: int) -> None:
        bad = ~np.isfinite(block)
        if bad.any():
            at_s = (start + int(np.argmax(bad))) / self.rate_hz
            raise AcousticsError(
                f"{self.path.name}: {int(bad.sum())} samples from {at_s:.3f} s on are not numbers; "
                "export the recording again"
            )


class Source(Protocol):
    """Anything that hands out stretches of one channel; zeros past either end."""

    def __len__(self) -> int:
        """Return the number of samples."""

    def read(self, start: int, stop: int) -> NDArray[np.float64]:
        """Return samples ``start`` to ``stop``."""


@dataclass(frozen=True, slots=True)
class ArraySource:
    """An array as a `Source`."""

    samples: NDArray[np.float64]

    def __len__(self) -> int:
        return len(self.samples)

    def read(self, start: int, stop: int) -> NDArray[np.float64]:
        """Return samples ``start`` to ``stop``, zeros past either end."""
        if start >= 0 and stop <= len(self.samples):
            return self.samples[start:stop]
        out = np.zeros(max(stop - start, 0))
        first, last = max(start, 0), min(stop, len(self.samples))
        if last > first:
            out[first - start : last - start] = self.samples[first:last]
        return out


@dataclass(frozen=True, slots=True)
class Faded:
    """A source whose first and last ``fade`` samples rise from and fall to nothing.

    The bare ends of a recording are steps, whose spectrum drowns what is weak and, in two
    recordings cut at the same time, looks like a sound without delay.
    """

    source: Source
    fade: int

    def __len__(self) -> int:
        return len(self.source)

    def read(self, start: int, stop: int) -> NDArray[np.float64]:
        """Return samples ``start`` to ``stop``, zeros past either end."""
        block = self.source.read(start, stop)
        count = len(self.source)
        if start >= self.fade and stop <= count - self.fade:
            return block
        at = np.arange(start, stop)
        share = np.clip(np.minimum(at + 1, count - at) / (self.fade + 1), 0, 1)
        return np.asarray(block * (0.5 - 0.5 * np.cos(np.pi * share)))


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
        warnings.append(Warned("channel", text))
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


def _truncation(path: Path, rate_hz: int) -> Iterator[Warned]:
    declared, present, bytes_per_frame = _data_chunk(path)
    if declared is None or bytes_per_frame == 0:
        return
    if declared > present:
        promised, there = (size / bytes_per_frame / rate_hz for size in (declared, present))
        text = (
            f"{path.name} is cut short: its header promises {promised:.2f} s, {there:.2f} s are "
            "there; only these are used"
        )
        yield Warned("truncated", text)


def _data_chunk(path: Path) -> tuple[int | None, int, int]:
    """Return declared bytes (None: not stated), bytes present and bytes per frame of the samples.

    RIFF layout: a 12-byte head, then chunks of a 4-letter name and a little-endian size, padded to
    even length (Multimedia Programming Interface and Data Specifications 1.0).
    """
    size = path.stat().st_size
    align = 0
    with path.open("rb") as file:
        if file.read(4) != b"RIFF":
            return None, size, 0
        file.seek(12)
        while len(head := file.read(8)) == 8:
            name, length = struct.unpack("<4sI", head)
            here = file.tell()
            if name == b"data":
                known = 0 < length < UNKNOWN_SIZE
                return (length if known else None), size - here, align
            if name == b"fmt " and length >= 16:
                align = struct.unpack("<HHIIHH", file.read(16))[4]
            file.seek(here + length + length % 2)
    return None, size, align
