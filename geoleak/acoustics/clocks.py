"""Two recorders, two clocks: an offset and a skew, each with its error."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoleak.errors import AcousticsError

FINER = 32
NEAR_PEAK_S = 0.02


@dataclass(frozen=True, slots=True)
class Clocks:
    """How the second recorder's clock stands against the first's.

    ``offset_s`` is what the second reads minus what the first reads at one instant, at the start
    of the recordings; ``skew_ppm`` how many millionths faster the second counts. Sigmas are
    standard deviations. One recorder with two channels needs none of it.
    """

    offset_s: float = 0.0
    offset_sigma_s: float = 0.0
    skew_ppm: float = 0.0
    skew_sigma_ppm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what no clock does."""
        if not all(map(math.isfinite, (self.offset_s, self.skew_ppm))):
            raise AcousticsError("clock offset and skew must be finite numbers")
        if not (0 <= self.offset_sigma_s < math.inf and 0 <= self.skew_sigma_ppm < math.inf):
            raise AcousticsError("a clock's sigma must be zero or more")
        if abs(self.skew_ppm) > 1000:
            raise AcousticsError(
                f"a clock skew of {self.skew_ppm:g} ppm; recorders keep within 1000 ppm, check the "
                "unit (parts per million)"
            )

    def apparent_shift_s(self, time_s: float) -> float:
        """Return what the clocks add to a delay (first minus second), seconds.

        ``time_s`` is read on the second recorder; the first then reads that much less offset.
        """
        skew = self.skew_ppm * 1e-6
        return -(self.offset_s + skew * (time_s - self.offset_s) / (1 + skew))

    def sigma_s(self, duration_s: float) -> float:
        """Return the standard deviation the clocks leave on a delay, seconds.

        The delay refers to the middle of the recording, the offset to its start.
        """
        return math.hypot(self.offset_sigma_s, self.skew_sigma_ppm * 1e-6 * duration_s / 2)


def clap_offset(first: NDArray[np.float64], second: NDArray[np.float64], rate_hz: float) -> Clocks:
    """Return the clock offset from one clap that both recorders heard at the same place.

    Parameters
    ----------
    first, second : ndarray (n,)
        Cuts that begin at the same reading of each recorder's own clock and hold one clap.
    rate_hz : float
        Of both.

    Returns
    -------
    Clocks
        ``offset_s`` with its standard deviation: a quarter of a sample, or more where the clap
        stands little over the noise.

    Raises
    ------
    AcousticsError
        If no clap stands out, or several do.
    """
    if first.shape != second.shape or first.ndim != 1:
        raise AcousticsError("the two cuts with the clap must be of one length")
    size = 1 << (2 * len(first) - 1).bit_length()
    spectrum = np.fft.rfft(first - first.mean(), size)
    spectrum *= np.fft.rfft(second - second.mean(), size).conj()
    padded = np.zeros(size * FINER // 2 + 1, dtype=complex)
    padded[: len(spectrum)] = spectrum
    fine = np.fft.fftshift(np.fft.irfft(padded)) * FINER
    lags = (np.arange(len(fine)) - len(fine) // 2) / (FINER * rate_hz)
    best = int(np.argmax(fine))
    apart = np.abs(lags - lags[best]) > NEAR_PEAK_S
    noise = float(np.sqrt(np.mean(fine[apart] ** 2)))
    rival = float(fine[apart].max())
    if fine[best] < 8 * noise or rival > 0.7 * fine[best]:
        raise AcousticsError(
            "no single clap stands out in both recordings; cut closer around it or clap again"
        )
    # Near its top the peak is A (1 - k t^2 / 2); noise of the same colour has slope noise*sqrt(k).
    step = FINER // 4
    left, top, right = fine[best - step], fine[best], fine[min(best + step, len(fine) - 1)]
    k = max(float(2 * top - left - right) / float(top) * (4 * rate_hz) ** 2, 1e-300)
    sigma = math.hypot(0.25 / rate_hz, noise / float(top) / math.sqrt(k))
    return Clocks(offset_s=-float(lags[best]), offset_sigma_s=sigma)
