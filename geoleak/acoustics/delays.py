"""The delay between two sensors that hear the same leak, with honest odds.

The way from two recordings to a delay: the exact cross-correlation over the whole length; a
detection that adds up bands, so that a narrow leak is not drowned by a wide noise; coherence with
that delay taken out; maximum-likelihood weights from it; the peak, its spread and its rivals.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoleak.acoustics import likelihood as ml
from geoleak.acoustics.clocks import Clocks
from geoleak.acoustics.delay_peak import Whitened, detect, estimate_peak, whitening
from geoleak.acoustics.delay_records import (
    DelayEstimate,
    Plan,
    Rival,
    Weighting,
    nothing,
    too_narrow,
)
from geoleak.acoustics.filters import check_band
from geoleak.acoustics.recording import ArraySource, Faded, Source
from geoleak.acoustics.spectra import correlation, cross_spectra, good_length, power_spectrum
from geoleak.errors import AcousticsError

__all__ = ["DelayEstimate", "Rival", "Weighting", "delay", "delay_of_sources"]

Floats = NDArray[np.float64]
FALSE_ALARM = 1e-4
LOWEST_HZ = 5.0
SHORTEST_S = 1.0
STRETCHES = 32
FADE_S = 0.25


def delay(
    first: ArrayLike,
    second: ArrayLike,
    rate_hz: float,
    band_hz: tuple[float, float] | None = None,
    *,
    max_lag_s: float = 1.0,
    weighting: Weighting = "likelihood",
    clocks: Clocks | None = None,
) -> DelayEstimate:
    """Return the delay between two recordings: arrival at first minus arrival at second.

    Parameters
    ----------
    first, second : array_like (n,)
        Samples of the two sensors, taken at the same times.
    rate_hz : float
        Sampling rate of both.
    band_hz : (float, float), optional
        Look only inside this band; else wherever the two are coherent.
    max_lag_s : float
        Longest delay that the pipe allows.
    weighting : {"likelihood", "phase"}
        Maximum likelihood (Hannan & Thomson), or the phase transform, which is cruder.
    clocks : Clocks, optional
        Offset and skew between two recorders; their error is carried into ``sigma_s``.

    Returns
    -------
    DelayEstimate
        ``found`` is False, and there is no number, where nothing rises over chance or where two
        peaks are equally likely.

    Raises
    ------
    AcousticsError
        Recordings of different length, too short, not finite, silent or identical; a band the
        rate cannot carry.

    Examples
    --------
    >>> import numpy as np
    >>> noise = np.random.default_rng(1).standard_normal(20_050)
    >>> estimate = delay(noise[:-50], noise[50:], 2000)
    >>> round(estimate.delay_s, 6)
    0.025
    """
    one, two = _checked(first, "first"), _checked(second, "second")
    if len(one) != len(two):
        raise AcousticsError(
            f"the recordings differ in length ({len(one)} and {len(two)} samples); "
            "cut both to the same stretch of time"
        )
    if np.array_equal(one, two):
        raise AcousticsError("the two recordings are identical; give one from each sensor")
    return delay_of_sources(
        ArraySource(one - one.mean()),
        ArraySource(two - two.mean()),
        rate_hz,
        band_hz,
        max_lag_s=max_lag_s,
        weighting=weighting,
        clocks=clocks,
    )


def _checked(samples: ArrayLike, name: str) -> Floats:
    array = np.asarray(samples, dtype=float)
    if array.ndim != 1 or array.size == 0:
        raise AcousticsError(f"the {name} recording is empty or has more than one channel")
    if not np.isfinite(array).all():
        bad = int((~np.isfinite(array)).sum())
        raise AcousticsError(f"the {name} recording has {bad} samples that are not numbers")
    if float(np.ptp(array)) == 0:
        raise AcousticsError(f"the {name} recording is silent; check the sensor and its cable")
    return array


def delay_of_sources(
    first: Source,
    second: Source,
    rate_hz: float,
    band_hz: tuple[float, float] | None = None,
    *,
    max_lag_s: float = 1.0,
    weighting: Weighting = "likelihood",
    clocks: Clocks | None = None,
    progress: Callable[[float], None] | None = None,
) -> DelayEstimate:
    """Do as `delay` for sources read in blocks, with mean zero; `progress` gets 0 to 1."""
    plan = _plan(first, second, rate_hz, band_hz, max_lag_s, weighting, clocks, progress)
    frequencies, power_one = power_spectrum(first, rate_hz, segment=plan.segment)
    power_two = power_spectrum(second, rate_hz, segment=plan.segment)[1]
    inside = (frequencies >= plan.band_hz[0]) & (frequencies <= plan.band_hz[1])
    if inside.sum() < 4:
        raise AcousticsError(too_narrow(plan))
    use = inside & ~ml.lines(power_one) & ~ml.lines(power_two)
    use &= ~ml.cliffs(power_one, use) & ~ml.cliffs(power_two, use)
    if power_one[inside].max() <= 0 or power_two[inside].max() <= 0:
        raise AcousticsError("one of the recordings is silent in the band; check the sensor")
    if use.sum() < 4:
        return nothing(plan, 1.0, "nothing but steady tones (hum) in the band")
    fade = round(min(FADE_S * rate_hz, plan.count / 40))
    raw = correlation(
        Faded(first, fade),
        Faded(second, fade),
        rate_hz,
        most_lag=plan.reach,
        shift=plan.shift(0.0),
        gain=(frequencies, whitening(power_one, power_two, use, rate_hz)),
        progress=plan.report(0.0, 0.4),
    )
    whole = Whitened.of(raw, plan, frequencies, use)
    lag, chance = detect(whole, plan)
    if chance > FALSE_ALARM:
        return nothing(plan, chance, "the two recordings share no noise that rises over chance")
    spectra = cross_spectra(
        first,
        second,
        rate_hz,
        segment=plan.segment,
        shift=plan.shift(lag),
        stretches=STRETCHES,
        progress=plan.report(0.4, 1.0),
    )
    return estimate_peak(plan, whole, spectra, use, lag, chance)


def _plan(
    first: Source,
    second: Source,
    rate_hz: float,
    band_hz: tuple[float, float] | None,
    max_lag_s: float,
    weighting: Weighting,
    clocks: Clocks | None,
    progress: Callable[[float], None] | None,
) -> Plan:
    if weighting not in ("likelihood", "phase"):
        raise AcousticsError(f'weighting "{weighting}"; say "likelihood" or "phase"')
    band = check_band(band_hz or (LOWEST_HZ, 0.45 * rate_hz), rate_hz)
    count = min(len(first), len(second))
    if not 0 < max_lag_s < math.inf:
        raise AcousticsError(f"a longest delay of {max_lag_s:g} s; it must be over 0")
    if count / rate_hz < max(SHORTEST_S, 4 / band[0]):
        raise AcousticsError(
            f"recordings of {count / rate_hz:.2f} s are too short for a delay; record 30 s or more"
        )
    most_lag = min(round(max_lag_s * rate_hz), count // 4)
    segment = good_length(max(256, min(round(rate_hz / 2), count // 24)))
    return Plan(rate_hz, count, band, most_lag, segment, clocks or Clocks(), weighting, progress)
