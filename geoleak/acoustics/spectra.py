"""Spectra of two channels, accumulated block by block, and the likelihood of a delay from them.

Everything here works on a `Source`, so that an array and an hour-long file take the same way.

Delay d is arrival at the first sensor minus arrival at the second, in samples here. With X the
whitened cross-spectrum and g the coherence (its modulus), the log-likelihood of d is

    L(d) = 2 T integral  g / (1 - g^2)  Re[ X(f) exp(2 pi i f d) ]  df

(Hannan & Thomson 1973; Knapp & Carter 1976): its maximum is the maximum-likelihood delay, its
curvature there the reciprocal of the Cramer-Rao bound (Carter 1987), and exp L compares peaks.
"""

from __future__ import annotations

import itertools
from collections.abc import Callable

import numpy as np

from geoleak.acoustics.recording import BLOCK_FRAMES, Progress, Source, nobody
from geoleak.record import Bools, Complexes, Floats, Ints, NDArray, Record, Singles

Shift = Callable[[float], float]
MOST_AUTO_SEGMENTS = 240


class CrossSpectra(Record, eq=False):
    """Averaged spectra of two channels (Welch), kept per stretch of time as well.

    ``frequencies_hz`` (f,); ``first`` and ``second`` are power per hertz, one-sided, (f,);
    ``cross`` (t, f) is the cross-spectrum of each of t stretches, first times the conjugate of
    second, so that its phase at a delay d (first minus second) is -2 pi f d.
    """

    frequencies_hz: Floats
    first: Floats
    second: Floats
    cross: Complexes


def hann(length: int) -> Singles:
    """Return the periodic Hann window of this length."""
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(length) / length)).astype(np.float32)


def good_length(at_least: int) -> int:
    """Return an even transform length that is quick."""
    from scipy.fft import next_fast_len

    length = int(next_fast_len(at_least, real=True))
    while length % 2:
        length = int(next_fast_len(length + 1, real=True))
    return length


def power_spectrum(source: Source, rate_hz: float, *, segment: int) -> tuple[Floats, Floats]:
    """Return frequencies (Hz) and one-sided power per hertz of one channel.

    Hann-windowed segments, half overlapping; of long recordings at most 240 segments, spread
    evenly over their length.
    """
    from scipy.fft import rfft

    window = hann(segment)
    starts = np.arange(0, max(len(source) - segment, 0) + 1, segment // 2)
    if len(starts) > MOST_AUTO_SEGMENTS:
        starts = starts[np.linspace(0, len(starts) - 1, MOST_AUTO_SEGMENTS).round().astype(int)]
    total = np.zeros(segment // 2 + 1)
    for start in starts:
        block = source.read(int(start), int(start) + segment)
        spectrum = rfft((block - block.mean()) * window)
        total += spectrum.real**2 + spectrum.imag**2
    scale = 2 / (rate_hz * float((window.astype(float) ** 2).sum()) * len(starts))
    return np.arange(segment // 2 + 1) * rate_hz / segment, total * scale


def cross_spectra(
    first: Source,
    second: Source,
    rate_hz: float,
    *,
    segment: int,
    shift: Shift,
    stretches: int,
    progress: Progress = nobody,
) -> CrossSpectra:
    """Return auto- and cross-spectra of two channels with the expected delay taken out.

    Hann segments, three quarters overlapping (their squares add up to a constant, so no sample
    counts more than another).

    Parameters
    ----------
    shift : callable
        Time in the second channel (s) to expected delay (samples, real): the first channel's
        segments are taken that much later, the fraction turned in phase.
    stretches : int
        Into how many stretches of time the cross-spectrum is kept.
    """
    hop = segment // 4
    count = (len(second) - segment) // hop + 1
    bins = segment // 2 + 1
    auto_first, auto_second = np.zeros(bins), np.zeros(bins)
    cross: Complexes = np.zeros((stretches, bins), dtype=np.complex128)
    window = hann(segment)
    per_chunk = max(1, BLOCK_FRAMES // segment)
    bounds = np.linspace(0, count, stretches + 1).round().astype(int)
    for stretch, begin in (
        (number, first)
        for number, ends in enumerate(itertools.pairwise(bounds.tolist()))
        for first in range(*ends, per_chunk)
    ):
        end = min(begin + per_chunk, int(bounds[stretch + 1]))
        middle = (begin + end - 1) / 2 * hop + segment / 2
        exact = shift(middle / rate_hz)
        whole = round(exact)
        ones = _transforms(first, begin * hop + whole, end - begin, hop, window)
        twos = _transforms(second, begin * hop, end - begin, hop, window)
        auto_first += _power(ones)
        auto_second += _power(twos)
        product = np.einsum("sf,sf->f", ones, twos.conj()).astype(complex)
        turn = np.exp(2j * np.pi * np.arange(bins) / segment * (exact - whole))
        cross[stretch] += product * turn
        progress(end / count)
    scale = 2 / (rate_hz * float((window.astype(float) ** 2).sum()))
    return CrossSpectra(
        np.arange(bins) * rate_hz / segment,
        auto_first * scale / count,
        auto_second * scale / count,
        np.asarray(cross * (scale / count), dtype=np.complex128),
    )


def _transforms(
    source: Source, start: int, count: int, hop: int, window: Singles
) -> NDArray[np.complex64]:
    from scipy.fft import rfft

    block = source.read(start, start + (count - 1) * hop + len(window)).astype(np.float32)
    parts = np.lib.stride_tricks.sliding_window_view(block, len(window))[::hop]
    transformed: NDArray[np.complex64] = rfft(parts * window, axis=1)
    return transformed


def _power(spectra: NDArray[np.complex64]) -> Floats:
    flat = spectra.view(np.float32).reshape(len(spectra), -1, 2)
    return np.einsum("sfc,sfc->f", flat, flat).astype(float)


def correlation(
    first: Source,
    second: Source,
    rate_hz: float,
    *,
    most_lag: int,
    shift: Shift,
    gain: tuple[Floats, Floats] | None = None,
    progress: Progress = nobody,
) -> Floats:
    """Return sum over t of first(t + d) second(t) for d = -most_lag .. most_lag samples.

    Exact over the whole recording: the second channel is cut into Hann pieces that add up to it,
    the first into stretches that hold every sample a piece may meet. Nothing is lost at long
    delays, unlike with windowed segments, and tapered pieces keep hum from leaking.

    Parameters
    ----------
    shift : callable
        As in `cross_spectra`; d counts from it.
    gain : (ndarray, ndarray), optional
        Frequencies (Hz) and what to multiply the cross-spectrum by there: zero cuts hum out, and
        whitening belongs here, before delays are cut off, lest strong bands leak into weak ones.
    """
    from scipy.fft import irfft, rfft

    length = good_length(16 * most_lag)
    piece = 12 * most_lag
    window = hann(piece)
    hold = _flat_top(length, most_lag, piece)
    total = np.zeros(length // 2 + 1, dtype=complex)
    ramp = 2j * np.pi * np.arange(length // 2 + 1) / length
    for start in range(-piece // 2, len(second), piece // 2):
        exact = shift((start + piece / 2) / rate_hz)
        whole = round(exact)
        ahead = first.read(start - 2 * most_lag + whole, start - 2 * most_lag + whole + length)
        here = second.read(start, start + piece)
        ones = rfft(ahead.astype(np.float32) * hold)
        twos = rfft(here.astype(np.float32) * window, n=length)
        total += ones * twos.conj() * np.exp(ramp * (exact - whole))
        progress(min((start + piece) / len(second), 1.0))
    if gain is not None:
        total *= np.interp(np.arange(length // 2 + 1) * rate_hz / length, *gain)
    return np.asarray(irfft(total, n=length))[most_lag : 3 * most_lag + 1]


def _flat_top(length: int, most_lag: int, piece: int) -> Singles:
    """Return a window that is 1 wherever a piece moved by the longest lag can reach."""
    at = np.arange(length)
    rise = np.clip(at / most_lag, 0, 1)
    fall = np.clip((length - at) / (length - (3 * most_lag + piece)), 0, 1)
    return (0.5 - 0.5 * np.cos(np.pi * np.minimum(rise, fall))).astype(np.float32)


LINE_RATIO = 6.0
CLIFF_RATIO = 0.1
# A band counts where its coherence stands this far over chance somewhere, and out to where it
# still does this much: single bins over chance must not lend weight to high frequencies.
SEED_SIGMAS = 4.5
SUPPORT_SIGMAS = 2.5
MOST_COHERENCE = 0.9998
SMOOTH_SHARE = 0.06
FEWEST_BINS = 2


class Coherence(Record, eq=False):
    """Coherence by frequency: ``modulus`` g (signed: along the delay's phase), and its support.

    ``squared`` is the magnitude-squared coherence with the noise's own share taken off; zero
    outside ``support``.
    """

    frequencies_hz: Floats
    modulus: Floats
    squared: Floats
    support: Bools

    @property
    def weights(self) -> Floats:
        """G / (1 - g^2) by frequency, for a cross-spectrum whitened by both channels."""
        return np.sqrt(self.squared) / (1 - self.squared)


def smooth(
    values: NDArray,
    use: Bools,
    *,
    share: float = SMOOTH_SHARE,
    fewest: int = FEWEST_BINS,
) -> tuple[NDArray, Floats]:
    """Return a running mean over a width growing with frequency, and how many bins went in.

    ``share`` is the half width over the frequency, ``fewest`` the least half width in bins. Bins
    not in `use` are left out of the means.
    """
    count = len(values)
    index = np.arange(count)
    half = np.maximum(fewest, (share * index).astype(int))
    low, high = np.maximum(index - half, 0), np.minimum(index + half + 1, count)
    total = np.concatenate([[0], np.cumsum(np.where(use, values, 0))])
    number = np.concatenate([[0], np.cumsum(use)])
    bins = (number[high] - number[low]).astype(float)
    return (total[high] - total[low]) / np.maximum(bins, 1), bins


def lines(power: Floats) -> Bools:
    """Mark the bins of hum and other steady tones: far over the median of their neighbours."""
    reach = 12
    padded = np.pad(power, reach, mode="edge")
    windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * reach + 1)
    high = power > LINE_RATIO * np.median(windows, axis=1)
    marked = np.zeros(len(power), dtype=bool)
    # The Hann window spreads a tone over two bins either side. A run wider than that is no tone.
    edges = np.flatnonzero(np.diff(np.concatenate([[0], high.astype(np.int8), [0]])))
    for begin, end in zip(edges[::2], edges[1::2], strict=True):
        if end - begin <= 5:
            marked[max(begin - 2, 0) : end + 2] = True
    return marked


def cliffs(power: Floats, use: Bools) -> Bools:
    """Mark bins at the foot of a steep edge, such as an anti-alias filter's.

    What leaks over from beyond the edge is large against the little that stands there; whitened,
    it would drown the rest.
    """
    kept = np.where(use, power, 0.0)
    half = np.maximum(FEWEST_BINS, (SMOOTH_SHARE * np.arange(len(power))).astype(int)) + 1
    top = [kept[max(at - reach, 0) : at + reach + 1].max() for at, reach in enumerate(half)]
    return power < CLIFF_RATIO * np.array(top)


def detection(
    whitened: Complexes,
    frequencies_hz: Floats,
    use: Bools,
    band_hz: tuple[float, float],
    n: int,
) -> tuple[Floats, int]:
    """Return, for each delay of the transform's circle, how unlikely chance alone makes it.

    In each of some bands of about half an octave the squared modulus of the band's correlation,
    times twice its time-bandwidth product, is exponential where the channels share nothing; the
    bands' generalised log-likelihood ratios add up to a gamma variate whose shape is the number of
    bands (returned second).
    """
    size = 2 * (len(whitened) - 1)
    total = np.zeros(size)
    shape = 0
    count = max(1, round(2 * np.log2(band_hz[1] / band_hz[0])))
    for low, high in itertools.pairwise(np.geomspace(*band_hz, count + 1)):
        inside = use & (frequencies_hz >= low) & (frequencies_hz < high)
        bins = int(inside.sum())
        if bins * n / size < 10:
            continue
        full = np.zeros(size, dtype=complex)
        full[: len(whitened)][inside] = whitened[inside]
        band = np.abs(np.fft.ifft(full)) ** 2 * (size / bins) ** 2
        total -= n * bins / size * np.log1p(-np.minimum(band, MOST_COHERENCE))
        shape += 1
    return total, shape


def coherence_of(
    frequencies_hz: Floats,
    normalised: Complexes,
    use: Bools,
    duration_s: float,
    *,
    any_phase: bool = False,
) -> Coherence:
    """Return the coherence from a normalised cross-spectrum with the delay's phase taken out.

    ``any_phase`` takes the modulus whatever its phase, for a delay that is not yet exact.
    """
    mean, bins = smooth(normalised, use)
    step_hz = frequencies_hz[1] - frequencies_hz[0]
    averages = np.maximum(duration_s * step_hz * (bins + 1), 1.0)
    modulus = np.abs(mean) if any_phase else np.real(mean)
    noise = (1 - np.minimum(np.abs(mean), 1) ** 2) / (2 * averages)
    over = modulus / np.sqrt(np.maximum(noise, 1e-12))
    support = use & _grown(over > SEED_SIGMAS, over > SUPPORT_SIGMAS)
    squared = np.clip(modulus**2 - noise, 0, MOST_COHERENCE)
    squared[~support] = 0
    return Coherence(frequencies_hz, modulus, squared, support)


def _grown(seeds: Bools, around: Bools) -> Bools:
    """Return the runs of `around` that hold a seed."""
    labels = np.cumsum(np.diff(np.concatenate([[0], around.astype(np.int8)])) == 1)
    held = np.unique(labels[around & seeds])
    return around & np.isin(labels, held)


def bound_s(coherence: Coherence, duration_s: float) -> float:
    """Return the Cramer-Rao bound of a delay, seconds.

    1 / sqrt(8 pi^2 T integral f^2 g^2/(1 - g^2) df) over positive frequencies (Knapp & Carter 1976;
    Carter 1987).
    """
    step_hz = coherence.frequencies_hz[1] - coherence.frequencies_hz[0]
    ratio = coherence.squared / (1 - coherence.squared)
    total = float((coherence.frequencies_hz**2 * ratio).sum() * step_hz)
    if total <= 0:
        return np.inf
    return float(1 / np.sqrt(8 * np.pi**2 * duration_s * total))


def refine(weighted: Complexes, start: float) -> float:
    """Return the exact place of the maximum near `start` (samples).

    ``weighted`` is the half spectrum of the correlation. The correlation is a trigonometric
    polynomial; its own derivatives lead to the peak, so no interpolation biases it.
    """
    size = 2 * (len(weighted) - 1)
    omega = 2 * np.pi * np.arange(len(weighted)) / size
    grid = start + np.linspace(-1, 1, 33)
    values = (weighted[None, :] * np.exp(1j * np.outer(grid, omega))).real.sum(axis=1)
    place = float(grid[int(np.argmax(values))])
    for _ in range(12):
        turned = weighted * np.exp(1j * omega * place)
        slope = float(-(omega * turned.imag).sum())
        second = float(-(omega**2 * turned.real).sum())
        if second >= 0:
            break
        step = float(np.clip(-slope / second, -0.1, 0.1))
        place += step
        if abs(step) < 1e-9:
            break
    return place


def peaks(values: Floats) -> Ints:
    """Return the places of local maxima, the highest first."""
    inner = (values[1:-1] >= values[:-2]) & (values[1:-1] > values[2:])
    places = np.flatnonzero(inner) + 1
    return places[np.argsort(-values[places], kind="stable")]
