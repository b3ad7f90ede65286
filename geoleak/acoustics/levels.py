"""The steady level a leak leaves in a recording: a low percentile of short-time levels."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoleak.acoustics.filters import ORDER, band_sections, check_band
from geoleak.acoustics.recording import Recording
from geoleak.errors import AcousticsError

Floats = NDArray[np.float64]
STEP_S = 0.25
FEWEST_STEPS = 8
EXCEEDED_PERCENT = 90.0
FLOOR_DB = -200.0


@dataclass(frozen=True, slots=True)
class SteadyLevel:
    """The level exceeded for most of the time, in one band.

    ``level_db`` is dB re full scale (a full-scale sine reads -3.0103), plus the calibration that
    was given. ``standard_error_db`` is that of the percentile, the kinship of neighbouring steps
    allowed for. ``mean_db`` is the mean power of the whole recording, ``median_db`` the middle
    short-time level: far over ``level_db`` they tell of passing noise. ``steps_db`` (n,) are the
    short-time levels, one every ``step_s``.
    """

    level_db: float
    standard_error_db: float
    median_db: float
    mean_db: float
    band_hz: tuple[float, float]
    exceeded_percent: float
    step_s: float
    duration_s: float
    steps_db: Floats = field(compare=False, repr=False, default_factory=lambda: np.zeros(0))

    def __float__(self) -> float:
        """Return ``level_db``."""
        return self.level_db


def level_db(samples: ArrayLike, rate_hz: float, band_hz: tuple[float, float]) -> float:
    """Return the steady level (L90) of a recording in a band, dB re full scale.

    Short for ``steady_level(samples, rate_hz, band_hz).level_db``.

    Examples
    --------
    >>> import numpy as np
    >>> tone = np.sin(2 * np.pi * 500 * np.arange(12000) / 4000)
    >>> round(level_db(tone, 4000, (100, 1500)), 2)
    -3.01
    """
    return steady_level(samples, rate_hz, band_hz).level_db


def steady_level(
    samples: ArrayLike,
    rate_hz: float,
    band_hz: tuple[float, float],
    *,
    exceeded_percent: float = EXCEEDED_PERCENT,
    calibration_db: float = 0.0,
    step_s: float = STEP_S,
    order: int = ORDER,
) -> SteadyLevel:
    """Return the level a recording exceeds for most of the time, with its standard error.

    Parameters
    ----------
    samples : array_like (n,)
        Full scale 1.
    rate_hz : float
        Sampling rate.
    band_hz : (float, float)
        Edges, where the filter stands at -3.0103 dB.
    exceeded_percent : float
        90 gives L90, the 10th percentile of the short-time levels: a passing car does not move it.
    calibration_db : float
        Added, for a sensor whose full scale is known.
    step_s : float
        Length of the short-time levels.
    order : int
        Of each flank of the causal Butterworth band-pass.

    Raises
    ------
    AcousticsError
        Empty, silent or not finite samples; under eight steps; a band the rate cannot carry.
    """
    array = np.asarray(samples, dtype=float)
    if array.ndim != 1 or array.size == 0:
        raise AcousticsError("the recording is empty or has more than one channel")
    if not np.isfinite(array).all():
        bad = int((~np.isfinite(array)).sum())
        raise AcousticsError(f"the recording has {bad} samples that are not numbers")
    settings = _Settings(rate_hz, band_hz, exceeded_percent, calibration_db, step_s, order)
    return _steady([array], settings, "the recording")


def steady_level_of(
    recording: Recording,
    band_hz: tuple[float, float],
    *,
    exceeded_percent: float = EXCEEDED_PERCENT,
    calibration_db: float = 0.0,
    step_s: float = STEP_S,
    order: int = ORDER,
    progress: Callable[[float], None] | None = None,
) -> SteadyLevel:
    """Do as `steady_level` for a file, read in blocks; `progress` gets 0 to 1."""

    def blocks() -> Iterable[Floats]:
        done = 0
        for block in recording.blocks():
            done += len(block)
            yield block
            if progress is not None:
                progress(done / recording.frames)

    rate = float(recording.rate_hz)
    settings = _Settings(rate, band_hz, exceeded_percent, calibration_db, step_s, order)
    return _steady(blocks(), settings, recording.path.name)


@dataclass(frozen=True, slots=True)
class _Settings:
    rate_hz: float
    band_hz: tuple[float, float]
    exceeded_percent: float
    calibration_db: float
    step_s: float
    order: int

    def __post_init__(self) -> None:
        check_band(self.band_hz, self.rate_hz)
        if not 0 < self.exceeded_percent < 100:
            raise AcousticsError(
                f"a level exceeded {self.exceeded_percent:g} % of the time; say between 0 and 100"
            )
        if not self.step_s * self.rate_hz >= 4:
            raise AcousticsError(f"steps of {self.step_s:g} s are too short at this sampling rate")


def _steady(blocks: Iterable[Floats], settings: _Settings, name: str) -> SteadyLevel:
    powers, seconds = _step_powers(blocks, settings)
    if len(powers) < FEWEST_STEPS:
        least = (FEWEST_STEPS + 1) * settings.step_s
        raise AcousticsError(
            f"{name}: {seconds:.2f} s are too short for a steady level; record {least:.1f} s or "
            "more"
        )
    steps = 10 * np.log10(np.maximum(powers, 10 ** (FLOOR_DB / 10))) + settings.calibration_db
    level = float(np.percentile(steps, 100 - settings.exceeded_percent))
    if level - settings.calibration_db <= FLOOR_DB + 1:
        raise AcousticsError(f"{name} is silent in the band; check the sensor, cable and channel")
    return SteadyLevel(
        level_db=level,
        standard_error_db=percentile_error(steps, 100 - settings.exceeded_percent),
        median_db=float(np.median(steps)),
        mean_db=float(10 * np.log10(powers.mean())) + settings.calibration_db,
        band_hz=(float(settings.band_hz[0]), float(settings.band_hz[1])),
        exceeded_percent=settings.exceeded_percent,
        step_s=settings.step_s,
        duration_s=seconds,
        steps_db=steps,
    )


def _step_powers(blocks: Iterable[Floats], settings: _Settings) -> tuple[Floats, float]:
    """Return the mean power of each step and the duration; the filter's first rise is left out."""
    from scipy.signal import sosfilt

    low, high = settings.band_hz
    sections = band_sections(settings.band_hz, settings.rate_hz, order=settings.order)
    state = np.zeros((len(sections), 2))
    step = round(settings.step_s * settings.rate_hz)
    # A band-pass rings for a few reciprocals of its bandwidth or of its low edge.
    skip = math.ceil(max(3 / (high - low), 1 / low) * settings.rate_hz)
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
    joined = np.concatenate(powers) if powers else np.zeros(0)
    return joined, count / settings.rate_hz


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


def add_db(levels_db: ArrayLike) -> float:
    """Return the level of several incoherent sources together: 10 log10 of the sum of powers.

    >>> round(add_db([60, 60]), 4)
    63.0103
    """
    array = np.asarray(levels_db, dtype=float)
    top = float(array.max())
    return top + float(10 * np.log10((10 ** ((array - top) / 10)).sum()))
