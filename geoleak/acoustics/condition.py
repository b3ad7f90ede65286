"""What can be wrong with a recording: clipped, silent, dead, off centre, automatic gain."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from geoleak.acoustics.recording import Recording, Warned
from geoleak.errors import AcousticsError

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


@dataclass(frozen=True, slots=True)
class Condition:
    """How a recording is, measured over its whole length.

    ``peak`` and ``offset`` are in units of full scale, ``rms_dbfs`` in dB re full scale,
    ``clipped_share`` the share of samples in runs of at least three at the peak.
    """

    peak: float
    offset: float
    rms_dbfs: float
    clipped_share: float
    zero_share: float
    warnings: tuple[Warned, ...] = field(default=())


@dataclass(slots=True)
class _Tally:
    count: int = 0
    total: float = 0.0
    square: float = 0.0
    peak: float = 0.0
    flat: int = 0
    zeros: int = 0
    at_peak: int = 0
    steps: list[NDArray[np.float64]] = field(default_factory=list)
    rest: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))


def inspect(recording: Recording) -> Condition:
    """Read a recording once, in blocks, and say what is wrong with it.

    Raises
    ------
    AcousticsError
        If it is silent or dead (nothing in it that could be a sound).
    """
    tally = _measure(recording.blocks(), recording.rate_hz)
    return _judge(tally, recording.path.name, recording.rate_hz, recording.warnings)


def inspect_samples(samples: NDArray[np.float64], rate_hz: float, *, name: str = "") -> Condition:
    """Do as `inspect` for an array, shape (n,), full scale 1."""
    return _judge(_measure([samples], rate_hz), name or "the recording", rate_hz, ())


def _measure(blocks: Iterable[NDArray[np.float64]], rate_hz: float) -> _Tally:
    tally = _Tally()
    step = max(1, round(STEP_S * rate_hz))
    for block in blocks:
        tally.count += len(block)
        tally.total += float(block.sum())
        tally.square += float(block @ block)
        tally.zeros += int((block == 0).sum())
        top = float(np.abs(block).max(initial=0.0))
        if top > tally.peak:
            tally.peak, tally.at_peak = top, 0
        if top >= tally.peak * (1 - 1e-4):
            tally.at_peak += _in_runs(np.abs(block) >= tally.peak * (1 - 1e-4))
        both = np.concatenate([tally.rest, block])
        whole = len(both) // step * step
        # The difference of neighbours takes out offset and rumble, which no gain control follows.
        parts = np.diff(both[:whole].reshape(-1, step), axis=1)
        tally.steps.append((parts**2).mean(axis=1) if parts.size else np.zeros(len(parts)))
        tally.rest = both[whole:]
    return tally


def _in_runs(flags: NDArray[np.bool_]) -> int:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.astype(np.int8), [0]])))
    lengths = edges[1::2] - edges[::2]
    return int(lengths[lengths >= CLIP_RUN].sum())


def _judge(tally: _Tally, name: str, rate_hz: float, warnings: tuple[Warned, ...]) -> Condition:
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
    found = list(warnings)
    if clipped > CLIPPED_SHARE:
        text = f"{name} is clipped ({clipped:.2%} of the samples); record again at a lower gain"
        found.append(Warned("clipped", text))
    if abs(offset) > max(0.02, 0.5 * np.sqrt(variance)):
        text = f"{name} stands off centre by {offset:+.3f} of full scale; it is taken out"
        found.append(Warned("offset", text))
    if zero_share > 0.2 and tally.peak > 8 / 32768:
        text = (
            f"{name}: {zero_share:.0%} of the samples are exactly zero; drop-outs or a noise gate"
        )
        found.append(Warned("dropouts", text))
    steps = np.concatenate(tally.steps)
    if steps.size and has_automatic_gain(10 * np.log10(steps + 1e-20)):
        text = (
            f"{name} shows signs of automatic gain (the floor sinks after loud moments); its level "
            "cannot be compared with others"
        )
        found.append(Warned("automatic_gain", text))
    return Condition(tally.peak, offset, float(rms_dbfs), clipped, zero_share, tuple(found))


def has_automatic_gain(levels_db: NDArray[np.float64], *, step_s: float = STEP_S) -> bool:
    """Tell whether short-time levels drop at once and then climb back slowly, again and again.

    A gain control turned down by a loud moment leaves the noise after it too low and lets it climb
    over a second or more. After a passing car the floor is simply there: nothing climbs. At least
    three drops, and a third of all, must show it (the onset of a loud moment drops once as well,
    while the gain gives way).

    Parameters
    ----------
    levels_db : ndarray (n,)
        Wide-band levels, one every `step_s` seconds.
    """
    reach = round(CLIMB_S / step_s)
    falls = levels_db[:-2] - levels_db[2:]
    places = np.flatnonzero(falls > FALL_DB) + 2
    # One drop, one place: the lowest step of each run.
    starts = places[np.flatnonzero(np.diff(np.concatenate([[-9], places])) > 2)]
    climbing = counted = 0
    time_s = np.arange(reach) * step_s
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
