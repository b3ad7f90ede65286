"""Synthetic leak recordings whose truth is known: leak noise through a lossy pipe, and noise.

Everything is made in the frequency domain from a stated spectrum, so that delays are exact to any
fraction of a sample and the true coherence can be written down. Deterministic: same generator,
same samples.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from geoleak.record import Record, replace

Floats = NDArray[np.float64]


class LeakPair(Record):
    """A pipe, a leak on it, two sensors and what else they hear.

    ``snr_db`` is leak power over noise power inside ``band_hz``, the same at either sensor.
    ``loss_db_per_m`` is at ``loss_reference_hz`` and grows in proportion to frequency.
    ``flank_order`` is that of the leak's spectrum (Butterworth). ``hum_db`` puts mains hum (50 Hz
    and harmonics) that far over the noise, in both sensors; ``stray_db`` a second source that both
    hear, that far under the leak, at ``stray_delay_s``.
    """

    first_m: float = 30.0
    second_m: float = 70.0
    wave_speed_m_per_s: float = 1250.0
    band_hz: tuple[float, float] = (200.0, 1000.0)
    snr_db: float = 6.0
    loss_db_per_m: float = 0.1
    loss_reference_hz: float = 900.0
    rate_hz: float = 4000.0
    duration_s: float = 60.0
    hum_db: float | None = None
    stray_db: float | None = None
    stray_delay_s: float = 0.011
    flank_order: int = 4

    @property
    def delay_s(self) -> float:
        """Arrival at the first sensor minus arrival at the second."""
        return (self.first_m - self.second_m) / self.wave_speed_m_per_s

    @property
    def samples(self) -> int:
        return round(self.duration_s * self.rate_hz)

    def leak_shape(self, hz: Floats, distance_m: float) -> Floats:
        """Return the leak's power spectrum at a sensor, scaled to 1 in the band's mean."""
        low, high = self.band_hz
        ratio = np.maximum(hz, 1e-9)
        steep = 2 * self.flank_order
        with np.errstate(over="ignore"):
            flank = 1 / (1 + (low / ratio) ** steep) / (1 + (ratio / high) ** steep)
        shape = flank * 10 ** (-self.loss_db_per_m * hz / self.loss_reference_hz * distance_m / 10)
        inside = (hz >= low) & (hz <= high)
        return np.asarray(shape / shape[inside].mean())

    def noise_shape(self, hz: Floats) -> Floats:
        """Return the noise's power spectrum: falling with frequency, its mean in the band 1."""
        shape = 1 / (1 + (hz / (2 * self.band_hz[0])) ** 1.0) + 0.05
        inside = (hz >= self.band_hz[0]) & (hz <= self.band_hz[1])
        return np.asarray(shape / shape[inside].mean())

    def coherence(self, hz: Floats) -> Floats:
        """Return the true magnitude-squared coherence of the leak between the sensors."""
        snr = 10 ** (self.snr_db / 10)
        noise = self.noise_shape(hz)
        stray = 0.0 if self.stray_db is None else 10 ** (self.stray_db / 10)
        powers = [snr * self.leak_shape(hz, at) for at in (self.first_m, self.second_m)]
        total = [power * (1 + stray) + noise for power in powers]
        return np.asarray(powers[0] * powers[1] / (total[0] * total[1]))

    def bound_s(self) -> float:
        """Return the Cramer-Rao bound: 1/sqrt(8 pi^2 T integral f^2 g/(1 - g) df)."""
        hz = np.linspace(0.5, self.rate_hz / 2 - 0.5, 20_000)
        g = self.coherence(hz)
        integral = (hz**2 * g / (1 - g)).sum() * (hz[1] - hz[0])
        return float(1 / np.sqrt(8 * np.pi**2 * self.duration_s * integral))

    def quiet(self) -> LeakPair:
        """Return the same pair with the leak 200 dB down."""
        return replace(self, snr_db=-200.0)


def leak_pair(pair: LeakPair, rng: np.random.Generator) -> tuple[Floats, Floats]:
    """Return the two sensors' samples, each (n,), the noise's mean power in the band 1 per bin."""
    from scipy.fft import irfft, next_fast_len

    margin = round(2 * pair.rate_hz)
    size = next_fast_len(pair.samples + margin, real=True)
    size += size % 2
    hz = np.arange(size // 2 + 1) * pair.rate_hz / size
    snr = 10 ** (pair.snr_db / 10)
    leak = _white(rng, len(hz))
    stray = _white(rng, len(hz))
    out = []
    for distance, late in ((pair.first_m, pair.delay_s), (pair.second_m, 0.0)):
        strength = np.sqrt(snr * pair.leak_shape(hz, distance))
        spectrum = strength * leak * np.exp(-2j * np.pi * hz * late)
        if pair.stray_db is not None:
            wait = pair.stray_delay_s if distance == pair.first_m else 0.0
            turned = stray * np.exp(-2j * np.pi * hz * wait)
            spectrum = spectrum + strength * 10 ** (pair.stray_db / 20) * turned
        spectrum = spectrum + np.sqrt(pair.noise_shape(hz)) * _white(rng, len(hz))
        spectrum[0] = spectrum[-1] = 0
        samples = irfft(spectrum * np.sqrt(size), n=size)[: pair.samples]
        out.append(_with_hum(samples, pair))
    return out[0], out[1]


def bursts(
    samples: Floats, rate_hz: float, rng: np.random.Generator, *, share: float, gain_db: float
) -> Floats:
    """Return samples with louder noise over a share of the time, as from passing cars."""
    out = samples.copy()
    length = round(1.5 * rate_hz)
    count = round(share * len(samples) / length)
    slots = rng.permutation(len(samples) // length)[:count]
    level = 10 ** (gain_db / 20) * samples.std()
    for slot in slots:
        part = slice(slot * length, (slot + 1) * length)
        out[part] += level * np.hanning(length) ** 0.1 * rng.standard_normal(length)
    return out


def write_wav_16(path: Path, samples: Floats, rate_hz: int, *, peak: float = 0.5) -> None:
    """Write samples (n,) or (n, channels) as 16-bit WAV, the loudest sample at `peak`.

    The bytes depend on the samples alone (no dither, no metadata).
    """
    import wave

    array = np.asarray(samples, dtype=float)
    scaled = np.round(array / np.abs(array).max() * peak * 32767).astype("<i2")
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1 if array.ndim == 1 else array.shape[1])
        file.setsampwidth(2)
        file.setframerate(rate_hz)
        file.writeframes(scaled.tobytes())


def _white(rng: np.random.Generator, count: int) -> NDArray[np.complex128]:
    real, imaginary = rng.standard_normal((2, count))
    return (real + 1j * imaginary) / np.sqrt(2)


def _with_hum(samples: Floats, pair: LeakPair) -> Floats:
    if pair.hum_db is None:
        return np.asarray(samples)
    time_s = np.arange(len(samples)) / pair.rate_hz
    strength = samples.std() * 10 ** (pair.hum_db / 20) * np.sqrt(2)
    hum = sum(np.sin(2 * np.pi * 50 * k * time_s + k) / k for k in (1, 2, 3, 5))
    return np.asarray(samples + strength * hum)
