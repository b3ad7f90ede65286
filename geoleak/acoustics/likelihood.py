"""The parts of a delay estimate: detection, coherence, weights, peak, spread, rivals.

Delay d is arrival at the first sensor minus arrival at the second, in samples here. With X the
whitened cross-spectrum and g the coherence (its modulus), the log-likelihood of d is

    L(d) = 2 T integral  g / (1 - g^2)  Re[ X(f) exp(2 pi i f d) ]  df

(Hannan & Thomson 1973; Knapp & Carter 1976): its maximum is the maximum-likelihood delay, its
curvature there the reciprocal of the Cramer-Rao bound (Carter 1987), and exp L compares peaks.
"""

from __future__ import annotations

import itertools

import numpy as np
from numpy.typing import NDArray

from geoleak.record import Record

Floats = NDArray[np.float64]
Complexes = NDArray[np.complex128]
LINE_RATIO = 6.0
CLIFF_RATIO = 0.1
# A band counts where its coherence stands this far over chance somewhere, and out to where it
# still does this much: single bins over chance must not lend weight to high frequencies.
SEED_SIGMAS = 4.5
SUPPORT_SIGMAS = 2.5
MOST_COHERENCE = 0.9998
SMOOTH_SHARE = 0.06
FEWEST_BINS = 2


class Coherence(Record):
    """Coherence by frequency: ``modulus`` g (signed: along the delay's phase), and its support.

    ``squared`` is the magnitude-squared coherence with the noise's own share taken off; zero
    outside ``support``.
    """

    frequencies_hz: Floats
    modulus: Floats
    squared: Floats
    support: NDArray[np.bool_]


def smooth(
    values: NDArray,
    use: NDArray[np.bool_],
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


def lines(power: Floats) -> NDArray[np.bool_]:
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


def cliffs(power: Floats, use: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Mark bins at the foot of a steep edge, such as an anti-alias filter's.

    What leaks over from beyond the edge is large against the little that stands there; whitened,
    it would drown the rest.
    """
    kept = np.where(use, power, 0.0)
    half = np.maximum(FEWEST_BINS, (SMOOTH_SHARE * np.arange(len(power))).astype(int)) + 1
    top = [kept[max(at - reach, 0) : at + reach + 1].max() for at, reach in enumerate(half)]
    return power < CLIFF_RATIO * np.array(top)


def half_octaves(low_hz: float, high_hz: float) -> Floats:
    """Return band edges of equal ratio, about half an octave, from low to high (Hz)."""
    count = max(1, round(2 * np.log2(high_hz / low_hz)))
    return np.geomspace(low_hz, high_hz, count + 1)


def detection(
    whitened: Complexes, frequencies_hz: Floats, use: NDArray[np.bool_], edges_hz: Floats, n: int
) -> tuple[Floats, int]:
    """Return, for each delay of the transform's circle, how unlikely chance alone makes it.

    In each band the squared modulus of the band's correlation, times twice its time-bandwidth
    product, is exponential where the channels share nothing; the bands' generalised log-likelihood
    ratios add up to a gamma variate whose shape is the number of bands (returned second).
    """
    size = 2 * (len(whitened) - 1)
    total = np.zeros(size)
    shape = 0
    for low, high in itertools.pairwise(edges_hz):
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
    use: NDArray[np.bool_],
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


def _grown(seeds: NDArray[np.bool_], around: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """Return the runs of `around` that hold a seed."""
    labels = np.cumsum(np.diff(np.concatenate([[0], around.astype(np.int8)])) == 1)
    held = np.unique(labels[around & seeds])
    return around & np.isin(labels, held)


def likelihood_weights(coherence: Coherence) -> Floats:
    """Return g / (1 - g^2) by frequency, for a cross-spectrum whitened by both channels."""
    return np.sqrt(coherence.squared) / (1 - coherence.squared)


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


def refine(weighted: Complexes, start: float) -> tuple[float, float]:
    """Return the exact place of the maximum near `start` (samples), and the curvature there.

    ``weighted`` is the half spectrum of the correlation. The correlation is a trigonometric
    polynomial; its own derivatives lead to the peak, so no interpolation biases it.
    """
    size = 2 * (len(weighted) - 1)
    omega = 2 * np.pi * np.arange(len(weighted)) / size
    grid = start + np.linspace(-1, 1, 33)
    values = (weighted[None, :] * np.exp(1j * np.outer(grid, omega))).real.sum(axis=1)
    place = float(grid[int(np.argmax(values))])
    second = -1.0
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
    return place, -second


def peaks(values: Floats) -> NDArray[np.int64]:
    """Return the places of local maxima, the highest first."""
    inner = (values[1:-1] >= values[:-2]) & (values[1:-1] > values[2:])
    places = np.flatnonzero(inner) + 1
    return places[np.argsort(-values[places], kind="stable")]
