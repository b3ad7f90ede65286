"""Spectra of one or two channels, accumulated block by block.

Everything here works on a `Source`, so that an array and an hour-long file take the same way.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from geoleak.acoustics.recording import Source
from geoleak.record import Record

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
Shift = Callable[[float], float]
CHUNK_SAMPLES = 1 << 18
MOST_AUTO_SEGMENTS = 240


class CrossSpectra(Record):
    """Averaged spectra of two channels (Welch), kept per stretch of time as well.

    ``frequencies_hz`` (f,); ``first`` and ``second`` are power per hertz, one-sided, (f,);
    ``cross`` (t, f) is the cross-spectrum of each of t stretches, first times the conjugate of
    second, so that its phase at a delay d (first minus second) is -2 pi f d; ``weights`` (t,) is
    the share of segments in each stretch.
    """

    frequencies_hz: Floats
    first: Floats
    second: Floats
    cross: Complexes
    weights: Floats


def hann(length: int) -> NDArray[np.float32]:
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
    progress: Callable[[float], None] | None = None,
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
    kept = np.zeros(stretches)
    window = hann(segment)
    per_chunk = max(1, CHUNK_SAMPLES // segment)
    bounds = np.linspace(0, count, stretches + 1).round().astype(int)
    for stretch, begin, end in _chunks(bounds, per_chunk):
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
        kept[stretch] += end - begin
        if progress is not None:
            progress(end / count)
    scale = 2 / (rate_hz * float((window.astype(float) ** 2).sum()))
    return CrossSpectra(
        np.arange(bins) * rate_hz / segment,
        auto_first * scale / count,
        auto_second * scale / count,
        np.asarray(cross * (scale / count), dtype=np.complex128),
        kept / count,
    )


def _chunks(bounds: NDArray[np.int64], size: int) -> Iterator[tuple[int, int, int]]:
    for stretch in range(len(bounds) - 1):
        for begin in range(int(bounds[stretch]), int(bounds[stretch + 1]), size):
            yield stretch, begin, min(begin + size, int(bounds[stretch + 1]))


def _transforms(
    source: Source, start: int, count: int, hop: int, window: NDArray[np.float32]
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
    progress: Callable[[float], None] | None = None,
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
        if progress is not None:
            progress(min((start + piece) / len(second), 1.0))
    if gain is not None:
        total *= np.interp(np.arange(length // 2 + 1) * rate_hz / length, *gain)
    return np.asarray(irfft(total, n=length))[most_lag : 3 * most_lag + 1]


def _flat_top(length: int, most_lag: int, piece: int) -> NDArray[np.float32]:
    """Return a window that is 1 wherever a piece moved by the longest lag can reach."""
    at = np.arange(length)
    rise = np.clip(at / most_lag, 0, 1)
    fall = np.clip((length - at) / (length - (3 * most_lag + piece)), 0, 1)
    return (0.5 - 0.5 * np.cos(np.pi * np.minimum(rise, fall))).astype(np.float32)
