"""The steady level a leak leaves in a band: a low percentile of short-time levels."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoleak.acoustics.recording import Recording, as_source
from geoleak.errors import AcousticsError
from geoleak.record import Record

ORDER = 4


def check_band(band_hz: tuple[float, float], rate_hz: float) -> tuple[float, float]:
    """Return the band as two floats, or say why it cannot be.

    Raises
    ------
    AcousticsError
        Edges that are not 0 < low < high < half the sampling rate.
    """
    if not (math.isfinite(rate_hz) and rate_hz > 0):
        raise AcousticsError(f"a sampling rate of {rate_hz} Hz; it must be over 0")
    try:
        low, high = (float(edge) for edge in band_hz)
    except (TypeError, ValueError):
        raise AcousticsError(f"{band_hz!r} is no band; give its low and high edge in Hz") from None
    if not (math.isfinite(low) and math.isfinite(high) and 0 < low < high):
        raise AcousticsError(
            f"a band from {low:g} to {high:g} Hz; the low edge must be over 0 and under the high"
        )
    if high >= rate_hz / 2:
        raise AcousticsError(
            f"a band up to {high:g} Hz, but a recording at {rate_hz:g} Hz carries only what lies "
            f"under {rate_hz / 2:g} Hz; lower the edge or record at a higher rate"
        )
    return low, high


def band_sections(band_hz: tuple[float, float], rate_hz: float) -> Any:
    """Return the second-order sections of a Butterworth band-pass.

    Each flank is of fourth order: -3.0103 dB at the edges, 24 dB an octave beyond.
    """
    from scipy.signal import butter

    low, high = check_band(band_hz, rate_hz)
    return butter(ORDER, [low, high], btype="bandpass", fs=rate_hz, output="sos")


Floats = NDArray[np.float64]
STEP_S = 0.25
FEWEST_STEPS = 8
EXCEEDED_PERCENT = 90.0
FLOOR_DB = -200.0


class SteadyLevel(Record):
    """The level exceeded for most of the time, in one band.

    ``level_db`` is dB re full scale (a full-scale sine reads -3.0103). ``standard_error_db`` is
    that of the percentile, the kinship of neighbouring steps allowed for. ``median_db`` is the
    middle short-time level: far over ``level_db`` it tells of passing noise.
    """

    level_db: float
    standard_error_db: float
    median_db: float
    band_hz: tuple[float, float]
    duration_s: float


def steady_level(
    samples: ArrayLike | Recording,
    rate_hz: float,
    band_hz: tuple[float, float],
    *,
    progress: Callable[[float], None] | None = None,
) -> SteadyLevel:
    """Return the level that a recording exceeds for nine tenths of the time (L90), with its error.

    A passing car does not move it.

    Parameters
    ----------
    samples : array_like (n,) or Recording
        Full scale 1; a recording is read in blocks.
    rate_hz : float
        Sampling rate.
    band_hz : (float, float)
        Edges, where the causal Butterworth band-pass stands at -3.0103 dB.
    progress : callable, optional
        Gets 0 to 1.

    Raises
    ------
    AcousticsError
        Empty, silent or not finite samples; under eight steps; a band the rate cannot carry.

    Examples
    --------
    >>> import numpy as np
    >>> tone = np.sin(2 * np.pi * 500 * np.arange(12000) / 4000)
    >>> round(steady_level(tone, 4000, (100, 1500)).level_db, 2)
    -3.01
    """
    band = check_band(band_hz, rate_hz)
    if isinstance(samples, Recording):
        name, blocks, total = samples.path.name, samples.blocks(), samples.frames
    else:
        array = as_source(samples, "the recording").read(0, np.size(samples))
        name, blocks, total = "the recording", iter([array]), len(array)
    powers, seconds = _step_powers(blocks, band, rate_hz, total, progress)
    if len(powers) < FEWEST_STEPS:
        least = (FEWEST_STEPS + 1) * STEP_S
        raise AcousticsError(
            f"{name}: {seconds:.2f} s are too short for a steady level; record {least:.1f} s or "
            "more"
        )
    steps = 10 * np.log10(np.maximum(powers, 10 ** (FLOOR_DB / 10)))
    level = float(np.percentile(steps, 100 - EXCEEDED_PERCENT))
    if level <= FLOOR_DB + 1:
        raise AcousticsError(f"{name} is silent in the band; check the sensor, cable and channel")
    return SteadyLevel(
        level_db=level,
        standard_error_db=percentile_error(steps, 100 - EXCEEDED_PERCENT),
        median_db=float(np.median(steps)),
        band_hz=band,
        duration_s=seconds,
    )


def level_db(samples: ArrayLike | Recording, rate_hz: float, band_hz: tuple[float, float]) -> float:
    """Return the steady level (L90) alone, dB re full scale; see `steady_level`."""
    return steady_level(samples, rate_hz, band_hz).level_db


def _step_powers(
    blocks: Iterable[Floats],
    band_hz: tuple[float, float],
    rate_hz: float,
    total: int,
    progress: Callable[[float], None] | None,
) -> tuple[Floats, float]:
    """Return the mean power of each step and the duration; the filter's first rise is left out."""
    from scipy.signal import sosfilt

    low, high = band_hz
    sections = band_sections(band_hz, rate_hz)
    state = np.zeros((len(sections), 2))
    step = round(STEP_S * rate_hz)
    # A band-pass rings for a few reciprocals of its bandwidth or of its low edge.
    skip = math.ceil(max(3 / (high - low), 1 / low) * rate_hz)
    rest = np.zeros(0)
    powers: list[Floats] = []
    count = 0
    for block in blocks:
        count += len(block)
        filtered, state = sosfilt(sections, block, zi=state)
        if skip:
            dropped = min(skip, len(filtered))
            filtered, skip = filtered[dropped:], skip - dropped
        rest = np.concatenate([rest, filtered])
        whole = len(rest) // step * step
        powers.append((rest[:whole].reshape(-1, step) ** 2).mean(axis=1))
        rest = rest[whole:]
        if progress is not None:
            progress(count / total)
    return np.concatenate(powers), count / rate_hz


def percentile_error(values: Floats, percent: float) -> float:
    """Return the standard error of a percentile, from order statistics.

    The ranks one binomial standard deviation either side enclose two standard errors (David &
    Nagaraja, Order Statistics); neighbouring values that go together count for fewer.
    """
    count = len(values)
    share = percent / 100
    below = (values <= np.percentile(values, percent)).astype(float) - share
    spread = float((below**2).mean())
    kinship = 1.0
    if spread > 0:
        for lag in range(1, min(count // 4, 50)):
            similar = float((below[lag:] * below[:-lag]).mean()) / spread
            if similar < 2 / math.sqrt(count):
                break
            kinship += 2 * similar
    width = math.sqrt(share * (1 - share) / (count / kinship))
    low, high = np.percentile(values, [100 * max(share - width, 0), 100 * min(share + width, 1)])
    return float(high - low) / 2
