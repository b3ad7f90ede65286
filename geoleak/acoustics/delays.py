"""The delay between two sensors that hear the same leak, with honest odds.

The way from two recordings to a delay: the exact cross-correlation over the whole length; a
detection that adds up bands, so that a narrow leak is not drowned by a wide noise; coherence with
that delay taken out; maximum-likelihood weights from it; the peak, its spread and its rivals.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoleak.acoustics import likelihood as ml
from geoleak.acoustics.clocks import Clocks
from geoleak.acoustics.filters import check_band
from geoleak.acoustics.recording import ArraySource, Source, Warned
from geoleak.acoustics.spectra import (
    CrossSpectra,
    correlation,
    cross_spectra,
    good_length,
    power_spectrum,
)
from geoleak.errors import AcousticsError

Floats = NDArray[np.float64]
Weighting = Literal["likelihood", "phase"]
FALSE_ALARM = 1e-4
AMBIGUOUS = 0.01
LOWEST_HZ = 5.0
SHORTEST_S = 1.0
STRETCHES = 32
UNSTEADY = 1.5
MOST_RIVALS = 3
# The weights come from the recordings they weigh, which makes the likelihood a little too sure:
# with this power of it, the wrong peaks promised match those counted in the simulated trial.
TRUST = 0.6
# A taper beyond the longest delay keeps the cut-off of the correlation from ringing.
LAG_MARGIN = 1.25


@dataclass(frozen=True, slots=True)
class Rival:
    """Another peak: its delay, its height as a share of the main peak's, its chance to be right."""

    delay_s: float
    height: float
    chance: float


@dataclass(frozen=True, slots=True)
class DelayEstimate:
    """What two recordings say about a delay.

    ``delay_s`` is arrival at the first minus arrival at the second, with standard deviation
    ``sigma_s``; both None where ``found`` is False, and ``reason`` says why. ``coherence`` is the
    mean magnitude-squared coherence in ``band_hz``, the band that carried the estimate.
    ``chance_wrong`` is the chance that another peak is the right one; ``chance_of_noise`` bounds
    the chance that unrelated noise looks like this. ``frequencies_hz`` and ``coherence_by_hz``
    (f,) draw the coherence. ``drift_ppm`` is how fast the delay wanders, with its sigma.
    """

    found: bool
    delay_s: float | None
    sigma_s: float | None
    coherence: float | None
    band_hz: tuple[float, float] | None
    rivals: tuple[Rival, ...]
    chance_wrong: float | None
    chance_of_noise: float
    reason: str
    duration_s: float
    weighting: Weighting
    drift_ppm: float | None = None
    drift_sigma_ppm: float | None = None
    warnings: tuple[Warned, ...] = ()
    frequencies_hz: Floats = field(default_factory=lambda: np.zeros(0), compare=False, repr=False)
    coherence_by_hz: Floats = field(default_factory=lambda: np.zeros(0), compare=False, repr=False)

    def with_warnings(self, warnings: Iterable[Warned]) -> DelayEstimate:
        """Return the same estimate with further warnings in front."""
        return replace(self, warnings=(*warnings, *self.warnings))


@dataclass(frozen=True, slots=True)
class _Plan:
    """Everything that stays the same during one estimate; lags in samples."""

    rate_hz: float
    count: int
    band_hz: tuple[float, float]
    most_lag: int
    segment: int
    clocks: Clocks
    weighting: Weighting
    progress: Callable[[float], None] | None

    @property
    def duration_s(self) -> float:
        return self.count / self.rate_hz

    def shift(self, lag: float) -> Callable[[float], float]:
        """Return the expected delay in samples by time: a lag and what the clocks add."""
        return lambda time_s: lag + self.clocks.apparent_shift_s(time_s) * self.rate_hz

    def report(self, begin: float, end: float) -> Callable[[float], None] | None:
        """Return a progress callback for one part of the work."""
        if self.progress is None:
            return None
        tell = self.progress
        return lambda share: tell(begin + (end - begin) * share)


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
        raise AcousticsError(_too_narrow(plan))
    use = inside & ~ml.lines(power_one) & ~ml.lines(power_two)
    use &= ~ml.cliffs(power_one, use) & ~ml.cliffs(power_two, use)
    if power_one[inside].max() <= 0 or power_two[inside].max() <= 0:
        raise AcousticsError("one of the recordings is silent in the band; check the sensor")
    if use.sum() < 4:
        return _nothing(plan, 1.0, "nothing but steady tones (hum) in the band")
    raw = correlation(
        first,
        second,
        rate_hz,
        most_lag=round(plan.most_lag * LAG_MARGIN),
        shift=plan.shift(0.0),
        keep=(frequencies, use),
        progress=plan.report(0.0, 0.4),
    )
    whole = _Whitened.of(raw, plan, frequencies, power_one, power_two, use)
    lag, chance = _detect(whole, plan)
    if chance > FALSE_ALARM:
        return _nothing(plan, chance, "the two recordings share no noise that rises over chance")
    spectra = cross_spectra(
        first,
        second,
        rate_hz,
        segment=plan.segment,
        shift=plan.shift(lag),
        stretches=STRETCHES,
        progress=plan.report(0.4, 1.0),
    )
    return _estimate(plan, whole, spectra, use, lag, chance)


def _too_narrow(plan: _Plan) -> str:
    low, high = plan.band_hz
    return (
        f"the band of {low:g} to {high:g} Hz is too narrow for {plan.duration_s:.1f} s; widen it "
        "or record longer"
    )


def _plan(
    first: Source,
    second: Source,
    rate_hz: float,
    band_hz: tuple[float, float] | None,
    max_lag_s: float,
    weighting: Weighting,
    clocks: Clocks | None,
    progress: Callable[[float], None] | None,
) -> _Plan:
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
    return _Plan(rate_hz, count, band, most_lag, segment, clocks or Clocks(), weighting, progress)


@dataclass(frozen=True, slots=True)
class _Whitened:
    """The exact cross-spectrum within the longest delay, whitened by both channels."""

    frequencies_hz: Floats
    values: NDArray[np.complex128]
    use: NDArray[np.bool_]

    @classmethod
    def of(
        cls,
        raw: Floats,
        plan: _Plan,
        frequencies_hz: Floats,
        power_one: Floats,
        power_two: Floats,
        use: NDArray[np.bool_],
    ) -> _Whitened:
        reach = len(raw) // 2
        size = good_length(4 * reach)
        edge = reach - plan.most_lag
        lags = np.abs(np.arange(-reach, reach + 1))
        taper = 0.5 + 0.5 * np.cos(np.pi * np.clip((lags - plan.most_lag) / max(edge, 1), 0, 1))
        circle = np.zeros(size)
        circle[: reach + 1] = (raw * taper)[reach:]
        circle[-reach:] = (raw * taper)[:reach]
        spectrum = np.fft.rfft(circle) / plan.count
        fine_hz = np.arange(size // 2 + 1) * plan.rate_hz / size
        # Hardly smoothed: a narrow leak's own peak must be whitened by its full height.
        powers = [ml.smooth(each, use, share=0.01, fewest=1)[0] for each in (power_one, power_two)]
        product = np.sqrt(powers[0] * powers[1])
        product = np.interp(fine_hz, frequencies_hz, product) * plan.rate_hz / 2
        fine_use = np.interp(fine_hz, frequencies_hz, use.astype(float)) > 0.99
        fine_use &= product > 0
        values = np.zeros(len(spectrum), dtype=complex)
        values[fine_use] = spectrum[fine_use] / product[fine_use]
        return cls(fine_hz, values, fine_use)

    def correlation(self, weights: Floats) -> Floats:
        """Return the weighted correlation by delay on the circle, in units of the average."""
        return np.fft.irfft(self.values * weights)


def _on_circle(lag: int, size: int) -> int:
    return lag if lag <= size // 2 else lag - size


def _allowed(size: int, most_lag: int) -> NDArray[np.bool_]:
    index = np.arange(size)
    return np.minimum(index, size - index) <= most_lag


def _detect(whole: _Whitened, plan: _Plan) -> tuple[int, float]:
    from scipy.special import gammaincc, gammaincinv

    edges = ml.half_octaves(*plan.band_hz)
    total, shape = ml.detection(whole.values, whole.frequencies_hz, whole.use, edges, plan.count)
    if shape == 0:
        raise AcousticsError(_too_narrow(plan))
    total = np.where(_allowed(len(total), plan.most_lag), total, 0.0)
    # Where the bulk of the delays stands over what chance gives, the recordings are not plain
    # noise (tones, reverberation): the peak must stand out of that instead.
    bulk = float(np.median(total[_allowed(len(total), plan.most_lag)]))
    scale = max(1.0, bulk / float(gammaincinv(shape, 0.5)))
    best = int(np.argmax(total))
    width_hz = float(whole.use.sum()) / len(whole.use) * plan.rate_hz / 2
    trials = max(1.0, 4 * plan.most_lag / plan.rate_hz * width_hz)
    chance = min(1.0, trials * float(gammaincc(shape, total[best] / scale)))
    return _on_circle(best, len(total)), chance


def _estimate(
    plan: _Plan,
    whole: _Whitened,
    spectra: CrossSpectra,
    use: NDArray[np.bool_],
    lag: int,
    chance: float,
) -> DelayEstimate:
    """Turn spectra into an estimate; `lag` is the delay already taken out of them."""
    normalised = spectra.cross / np.sqrt(np.maximum(spectra.first * spectra.second, 1e-300))
    place = float(lag)
    for attempt in range(5):
        turn = np.exp(2j * np.pi * spectra.frequencies_hz / plan.rate_hz * (place - lag))
        coherence = ml.coherence_of(
            spectra.frequencies_hz,
            normalised.sum(axis=0) * turn,
            use,
            plan.duration_s,
            # The detection finds the envelope's top, which may be off by a part of a period.
            any_phase=attempt == 0,
        )
        if not coherence.support.any():
            return _nothing(plan, chance, "no band in which the two recordings are coherent")
        surface, weighted = _surface(plan, whole, coherence)
        allowed = _allowed(len(surface), plan.most_lag)
        top = int(np.argmax(np.where(allowed, surface, -np.inf)))
        before, place = place, ml.refine(weighted, _on_circle(top, len(surface)))[0]
        if attempt > 0 and abs(place - before) < 0.01:
            break
    if abs(place - before) > 0.5:
        return _nothing(plan, chance, "the recordings do not settle on one delay")
    likely, _ = _surface(plan, whole, coherence, "likelihood")
    rivals, wrong = _rivals(plan, likely * plan.count, place)
    if wrong > 0.5:
        return _nothing(plan, chance, "several delays are about equally likely", rivals, wrong)
    return _result(plan, whole, coherence, normalised * turn, place, rivals, wrong, chance)


def _surface(
    plan: _Plan, whole: _Whitened, coherence: ml.Coherence, weighting: Weighting | None = None
) -> tuple[Floats, NDArray[np.complex128]]:
    """Return the correlation by delay and its half spectrum, weighted as asked."""
    grid, fine = coherence.frequencies_hz, whole.frequencies_hz
    if (weighting or plan.weighting) == "likelihood":
        weights = np.interp(fine, grid, ml.likelihood_weights(coherence)) * whole.use
    else:
        inside = np.interp(fine, grid, coherence.support.astype(float)) > 0.5
        weights = np.where(inside & whole.use, 1 / np.maximum(np.abs(whole.values), 1e-300), 0.0)
    weighted = whole.values * weights
    return np.fft.irfft(weighted), weighted


def _rivals(plan: _Plan, likelihood: Floats, place: float) -> tuple[tuple[Rival, ...], float]:
    """Return the next peaks of the log-likelihood and the chance that one of them is right."""
    size = len(likelihood)
    allowed = np.flatnonzero(_allowed(size, plan.most_lag))
    lags = np.where(allowed <= size // 2, allowed, allowed - size)
    order = np.argsort(lags)
    lags, values = lags[order], likelihood[allowed[order]]
    places = ml.peaks(values)
    places = places[np.abs(lags[places] - place) > 1.5]
    main = float(values[np.abs(lags - place) <= 1.5].max())
    odds = np.exp(TRUST * np.minimum(values[places] - main, 0))
    share = odds / (1 + odds.sum())
    found = tuple(
        Rival(
            float(lags[at]) / plan.rate_hz,
            float(values[at]) / main,
            float(share[index]),
        )
        for index, at in enumerate(places[:MOST_RIVALS])
    )
    return found, float(odds.sum() / (1 + odds.sum()))


def _result(
    plan: _Plan,
    whole: _Whitened,
    coherence: ml.Coherence,
    normalised: NDArray[np.complex128],
    place: float,
    rivals: tuple[Rival, ...],
    wrong: float,
    chance: float,
) -> DelayEstimate:
    warnings: list[Warned] = []
    delay_s = place / plan.rate_hz
    sigma_s = _spread_s(plan, whole, coherence, place)
    steadiness, drift, drift_sigma = _stretches(plan, coherence, normalised)
    if steadiness > UNSTEADY * sigma_s:
        warnings.append(Warned("unsteady", "the noise is unsteady; the spread is widened for it"))
        sigma_s = steadiness
    if abs(drift) > max(5 * drift_sigma, 0.5):
        text = f"the delay drifts by {drift:.1f} ppm; the recorders' clocks differ, state the skew"
        warnings.append(Warned("drift", text))
        sigma_s = math.hypot(sigma_s, abs(drift) * 1e-6 * plan.duration_s / 2)
    sigma_s = math.hypot(sigma_s, plan.clocks.sigma_s(plan.duration_s), 1e-4 / plan.rate_hz)
    if wrong > AMBIGUOUS:
        text = f"another peak may be the right one (chance {wrong:.0%}); the spread covers it"
        warnings.append(Warned("ambiguous", text))
        apart = sum(each.chance * (each.delay_s - delay_s) ** 2 for each in rivals)
        sigma_s = math.sqrt((1 - wrong) * sigma_s**2 + apart)
    if abs(delay_s) < 2 * sigma_s and plan.clocks == Clocks():
        text = "the delay is zero: a leak midway, or one noise picked up by both cables"
        warnings.append(Warned("zero", text))
    supported = coherence.frequencies_hz[coherence.support]
    mean = float(coherence.squared[coherence.support].mean())
    return DelayEstimate(
        found=True,
        delay_s=delay_s,
        sigma_s=sigma_s,
        coherence=mean,
        band_hz=(float(supported[0]), float(supported[-1])),
        rivals=rivals,
        chance_wrong=wrong,
        chance_of_noise=chance,
        reason="",
        duration_s=plan.duration_s,
        weighting=plan.weighting,
        drift_ppm=drift,
        drift_sigma_ppm=drift_sigma,
        warnings=tuple(warnings),
        frequencies_hz=coherence.frequencies_hz,
        coherence_by_hz=np.clip(coherence.modulus, 0, 1) ** 2,
    )


def _spread_s(plan: _Plan, whole: _Whitened, coherence: ml.Coherence, place: float) -> float:
    """Return the spread of the peak: Carter's bound, or what the phases show for "phase"."""
    if plan.weighting == "likelihood":
        return ml.bound_s(coherence, plan.duration_s)
    inside = np.interp(
        whole.frequencies_hz, coherence.frequencies_hz, coherence.support.astype(float)
    )
    at = (inside > 0.5) & whole.use
    omega = 2 * np.pi * whole.frequencies_hz[at]
    phase = np.angle(whole.values[at]) + omega * place / plan.rate_hz
    size = 2 * (len(whole.values) - 1)
    # The cut at the longest delay ties neighbouring bins together.
    tied = size / (2 * plan.most_lag * (1 + LAG_MARGIN) / 2)
    information = float((omega**2 * np.cos(phase)).sum())
    if information <= 0:
        return math.inf
    return float(np.sqrt(tied * (omega**2 * np.sin(phase) ** 2).sum()) / information)


def _stretches(
    plan: _Plan, coherence: ml.Coherence, normalised: NDArray[np.complex128]
) -> tuple[float, float, float]:
    """Return the spread as the stretches of time show it (s), and the drift with sigma (ppm)."""
    omega = 2 * np.pi * coherence.frequencies_hz
    weights = ml.likelihood_weights(coherence)
    count = len(normalised)
    scores = (normalised.imag * (weights * omega)).sum(axis=1)
    information = float((normalised.real * (weights * omega**2)).sum())
    if information <= 0:
        return 0.0, 0.0, math.inf
    spread = math.sqrt(count / (count - 1) * float(((scores - scores.mean()) ** 2).sum()))
    each_s = -scores / (information / count)
    times = (np.arange(count) + 0.5) / count * plan.duration_s
    from_middle = times - times.mean()
    slope = float((each_s * from_middle).sum() / (from_middle**2).sum())
    rest = each_s - each_s.mean() - slope * from_middle
    noise = math.sqrt(float((rest**2).sum()) / (count - 2) / float((from_middle**2).sum()))
    return spread / information, slope * 1e6, noise * 1e6


def _nothing(
    plan: _Plan,
    chance: float,
    reason: str,
    rivals: tuple[Rival, ...] = (),
    wrong: float | None = None,
) -> DelayEstimate:
    return DelayEstimate(
        found=False,
        delay_s=None,
        sigma_s=None,
        coherence=None,
        band_hz=None,
        rivals=rivals,
        chance_wrong=wrong,
        chance_of_noise=chance,
        reason=f"no delay found: {reason}",
        duration_s=plan.duration_s,
        weighting=plan.weighting,
    )
