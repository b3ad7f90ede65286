"""The band to listen in: where a recording with the leak stands out best from one without."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoleak.acoustics.recording import ArraySource, Source, as_source
from geoleak.acoustics.spectra import good_length, hann
from geoleak.errors import AcousticsError
from geoleak.record import Record, field

Floats = NDArray[np.float64]
SEGMENT_S = 0.5
FEWEST_SEGMENTS = 24
FOLDS = 6
FOLD_RUN = 4
PER_OCTAVE = 6
LOWEST_HZ = 20.0
NARROWEST_OCTAVES = 0.5
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


def band_edges(
    low_hz: float, high_hz: float, *, per_octave: int = PER_OCTAVE
) -> NDArray[np.float64]:
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
    progress: Callable[[float], None] | None = None,
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
    progress : callable, optional
        Gets 0 to 1.

    Raises
    ------
    AcousticsError
        Recordings too short, not finite, silent or identical; limits the rate cannot carry.
    """
    from geoleak.acoustics.levels import check_band

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
    if len(edges) <= NARROWEST_OCTAVES * PER_OCTAVE:
        raise AcousticsError(f"{low:g} to {high:g} Hz is too narrow to search; widen it")
    leak = _band_powers(one, rate_hz, edges, "with the leak")
    quiet = _band_powers(two, rate_hz, edges, "without it")
    if progress is not None:
        progress(1.0)
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


def _folds(count: int) -> NDArray[np.int64]:
    # Runs of neighbouring segments stay together, so that one passing car is in one fold.
    return np.arange(count) // FOLD_RUN % FOLDS


def _choose(leak: Floats, quiet: Floats, edges: Floats) -> BandChoice:
    pairs = _pairs(len(edges))
    leak_db, quiet_db = _levels(leak, pairs), _levels(quiet, pairs)
    in_leak, in_quiet = _folds(len(leak)), _folds(len(quiet))
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


def _pairs(count: int) -> NDArray[np.int64]:
    low, high = np.triu_indices(count, k=int(NARROWEST_OCTAVES * PER_OCTAVE))
    return np.stack([low, high], axis=1)


def _levels(powers: Floats, pairs: NDArray[np.int64]) -> Floats:
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
    separation, apart = _separation(leak_db, quiet_db)
    near = separation >= NEARLY * separation.max()
    return int(np.argmax(np.where(near, apart, -np.inf)))


def _separation(leak_db: Floats, quiet_db: Floats) -> tuple[Floats, Floats]:
    apart = np.percentile(leak_db, STEADY_PERCENT, axis=0) - np.percentile(
        quiet_db, STEADY_PERCENT, axis=0
    )
    return apart / _spread(leak_db, quiet_db), apart


def _mean(values: list[float]) -> tuple[float, float]:
    """Return the mean over the folds and its standard error.

    The folds share their training parts; the variance is raised for it by one fold's share over
    the rest's (Nadeau & Bengio 2003).
    """
    array = np.asarray(values)
    shared = 1 / len(array) + 1 / (len(array) - 1)
    return float(array.mean()), float(array.std(ddof=1) * np.sqrt(shared))
