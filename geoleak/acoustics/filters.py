"""Band-pass filters, and whether a sampling rate carries a band."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoleak.errors import AcousticsError

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


def band_sections(band_hz: tuple[float, float], rate_hz: float, *, order: int = ORDER) -> Any:
    """Return the second-order sections of a Butterworth band-pass.

    ``order`` is that of each flank: -3.0103 dB at the edges, 6.02 dB an octave and order beyond.
    """
    from scipy.signal import butter

    low, high = check_band(band_hz, rate_hz)
    return butter(order, [low, high], btype="bandpass", fs=rate_hz, output="sos")


def band_pass(
    samples: NDArray[np.float64],
    rate_hz: float,
    band_hz: tuple[float, float],
    *,
    order: int = ORDER,
    zero_phase: bool = False,
) -> NDArray[np.float64]:
    """Return samples (n,) filtered to a band.

    Causal by default, so that a file filtered in blocks gives the same. ``zero_phase`` runs the
    filter forward and backward: no delay, but the edges then stand at -6.0206 dB.

    Raises
    ------
    AcousticsError
        As `check_band`.
    """
    from scipy.signal import sosfilt, sosfiltfilt

    sections = band_sections(band_hz, rate_hz, order=order)
    filtered = sosfiltfilt(sections, samples) if zero_phase else sosfilt(sections, samples)
    return np.asarray(filtered, dtype=float)
