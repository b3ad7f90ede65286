"""The steady level a leak leaves in a band, and the band in which it stands out best.

A level is a low percentile of short-time levels; a band is judged on a recording with the leak
and one without.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Any

import numpy as np

from geoleak.acoustics.recording import ArraySource, Progress, Recording, Source, as_source, nobody
from geoleak.acoustics.spectra import good_length, hann
from geoleak.errors import AcousticsError
from geoleak.record import ArrayLike, Floats, Ints, Record, field

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
    progress: Progress = nobody,
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
    progress: Progress,
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


SEGMENT_S = 0.5
FEWEST_SEGMENTS = 24
FOLDS = 6
FOLD_RUN = 4
PER_OCTAVE = 6
LOWEST_HZ = 20.0
SEPARATES = 1.0
CERTAIN_SIGMAS = 3.0
# Bands within this share of the best separation count as equal; among them the one with the
# greatest difference in level wins, for an ear has no use for a wide band of mere noise.
NEARLY = 0.9
STEADY_PERCENT = 25.0
BASE = 10**0.3


class BandChoice(Record):
    """The band that separates two recordings best, and how sure that is.

    ``separation`` is the difference of the two steady levels in units of their own short-time
    spread (d'), measured on stretches that had no say in the choice; ``separation_sigma`` its
    standard error over those stretches. ``difference_db`` and ``difference_sigma_db`` are the same
    for the level difference itself. ``found`` is False, and ``band_hz`` None, where nothing
    separates them; ``reason`` says so.
    """

    found: bool
    band_hz: tuple[float, float] | None
    separation: float
    separation_sigma: float
    difference_db: float
    difference_sigma_db: float
    reason: str = ""
    edges_hz: Floats = field(default_factory=lambda: np.zeros(0))
    with_leak_db: Floats = field(default_factory=lambda: np.zeros(0))
    without_db: Floats = field(default_factory=lambda: np.zeros(0))


def band_edges(low_hz: float, high_hz: float, *, per_octave: int = PER_OCTAVE) -> Floats:
    """Return edges of fractional-octave bands from `low_hz` to `high_hz`, base ten.

    Octave ratio 10^0.3 and 1000 Hz as reference (IEC 61260-1): with ``per_octave=3``, the
    third-octave edges 891.25, 1122.02 ... Hz.

    >>> band_edges(900, 1100, per_octave=3).round(3)
    array([ 891.251, 1122.018])
    """
    step = BASE ** (1 / per_octave)
    # Odd fractions have 1000 Hz in the middle of a band, even ones at an edge.
    half = 0.5 if per_octave % 2 else 0.0
    first = np.floor(np.log(low_hz / 1000) / np.log(step) - half)
    last = np.ceil(np.log(high_hz / 1000) / np.log(step) - half)
    return np.asarray(1000 * step ** (np.arange(first, last + 1) + half))


def best_band(
    with_leak: ArrayLike | Source,
    without: ArrayLike | Source,
    rate_hz: float,
    *,
    search_hz: tuple[float, float] | None = None,
) -> BandChoice:
    """Return the band in which a recording with the leak stands out best.

    Every pair of sixth-octave edges at least half an octave apart is tried. The statistic is the
    difference of the steady (lower-quartile) short-time levels over their pooled lower spread, so
    that passing noise has little say. It is chosen on five sixths of the stretches and measured on
    the rest, in turn.

    Parameters
    ----------
    with_leak, without : array_like (n,), (m,) or Source
        Near and far from the suspected leak, or with a tap dribbling and shut; same sensor, gain.
    rate_hz : float
        Of both.
    search_hz : (float, float), optional
        Limits of the search; 20 Hz to 0.45 times the sampling rate.

    Raises
    ------
    AcousticsError
        Recordings too short, not finite, silent or identical; limits the rate cannot carry.
    """
    one = as_source(with_leak, "the recording with the leak")
    two = as_source(without, "the recording without it")
    arrays = [each.samples for each in (one, two) if isinstance(each, ArraySource)]
    if len(arrays) == 2 and np.array_equal(arrays[0], arrays[1]):
        raise AcousticsError(
            "the two recordings are identical; give one with the leak, one without"
        )
    low, high = check_band(search_hz or (LOWEST_HZ, 0.45 * rate_hz), rate_hz)
    edges = band_edges(low, high)
    edges = edges[(edges >= low * 0.999) & (edges <= high * 1.001)]
    if len(edges) <= PER_OCTAVE // 2:
        raise AcousticsError(f"{low:g} to {high:g} Hz is too narrow to search; widen it")
    leak = _band_powers(one, rate_hz, edges, "with the leak")
    quiet = _band_powers(two, rate_hz, edges, "without it")
    return _choose(leak, quiet, edges)


def _band_powers(source: Source, rate_hz: float, edges: Floats, name: str) -> Floats:
    """Return power by segment and sixth-octave band, (segments, bands)."""
    from scipy.fft import rfft

    segment = good_length(round(SEGMENT_S * rate_hz))
    count = len(source) // segment
    if count < FEWEST_SEGMENTS:
        least = FEWEST_SEGMENTS * SEGMENT_S
        raise AcousticsError(
            f"the recording {name} lasts {len(source) / rate_hz:.1f} s; {least:.0f} s or more are "
            "needed to choose a band"
        )
    window = hann(segment).astype(float)
    cumulated = np.zeros((count, segment // 2 + 2))
    for index in range(count):
        block = source.read(index * segment, (index + 1) * segment)
        spectrum = np.abs(rfft((block - block.mean()) * window)) ** 2
        np.cumsum(spectrum, out=cumulated[index, 1:])
    bins_hz = (np.arange(segment // 2 + 2) - 0.5) * rate_hz / segment
    at = np.stack([np.interp(edges, bins_hz, row) for row in cumulated])
    powers = np.diff(at, axis=1)
    if not powers.sum() > 0:
        raise AcousticsError(f"the recording {name} is silent; check the sensor and its cable")
    return np.maximum(powers / (segment * float((window**2).sum()) / 2), 1e-30)


def _choose(leak: Floats, quiet: Floats, edges: Floats) -> BandChoice:
    pairs = np.stack(np.triu_indices(len(edges), k=PER_OCTAVE // 2), axis=1)
    leak_db, quiet_db = _levels(leak, pairs), _levels(quiet, pairs)
    # Runs of neighbouring segments stay together, so that one passing car is in one fold.
    in_leak, in_quiet = (np.arange(len(each)) // FOLD_RUN % FOLDS for each in (leak, quiet))
    held, differences = [], []
    for fold in range(FOLDS):
        best = _pick(leak_db[in_leak != fold], quiet_db[in_quiet != fold])
        # Spread from the training part too: a held-out fold is too short to give one.
        spread = _spread(leak_db[in_leak != fold], quiet_db[in_quiet != fold])[best]
        apart = float(
            np.percentile(leak_db[in_leak == fold][:, best], STEADY_PERCENT)
            - np.percentile(quiet_db[in_quiet == fold][:, best], STEADY_PERCENT)
        )
        held.append(apart / spread)
        differences.append(apart)
    score, score_sigma = _mean(held)
    apart_db, apart_sigma = _mean(differences)
    overall = _pick(leak_db, quiet_db)
    found = score > CERTAIN_SIGMAS * score_sigma and score > SEPARATES
    low, high = (float(edges[each]) for each in pairs[overall])
    return BandChoice(
        found=found,
        band_hz=(low, high) if found else None,
        separation=score,
        separation_sigma=score_sigma,
        difference_db=apart_db,
        difference_sigma_db=apart_sigma,
        reason="" if found else "no band separates the two recordings",
        edges_hz=edges,
        with_leak_db=10 * np.log10(np.percentile(leak, STEADY_PERCENT, axis=0)),
        without_db=10 * np.log10(np.percentile(quiet, STEADY_PERCENT, axis=0)),
    )


def _levels(powers: Floats, pairs: Ints) -> Floats:
    cumulated = np.concatenate([np.zeros((len(powers), 1)), np.cumsum(powers, axis=1)], axis=1)
    return np.asarray(10 * np.log10(cumulated[:, pairs[:, 1]] - cumulated[:, pairs[:, 0]]))


def _spread(leak_db: Floats, quiet_db: Floats) -> Floats:
    """Return the pooled lower spread of each band's levels: median minus the 16th percentile."""
    parts = []
    for levels in (leak_db, quiet_db):
        low, middle = np.percentile(levels, [15.87, 50], axis=0)
        parts.append((middle - low) ** 2)
    return np.sqrt((parts[0] + parts[1]) / 2 + 1e-4)


def _pick(leak_db: Floats, quiet_db: Floats) -> int:
    leak, quiet = (np.percentile(each, STEADY_PERCENT, axis=0) for each in (leak_db, quiet_db))
    separation = (leak - quiet) / _spread(leak_db, quiet_db)
    near = separation >= NEARLY * separation.max()
    return int(np.argmax(np.where(near, leak - quiet, -np.inf)))


def _mean(values: list[float]) -> tuple[float, float]:
    """Return the mean over the folds and its standard error.

    The folds share their training parts; the variance is raised for it by one fold's share over
    the rest's (Nadeau & Bengio 2003).
    """
    array = np.asarray(values)
    shared = 1 / len(array) + 1 / (len(array) - 1)
    return float(array.mean()), float(array.std(ddof=1) * np.sqrt(shared))
