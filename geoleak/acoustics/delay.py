"""The delay between two sensors that hear the same leak, with honest odds.

The way from two recordings to a delay: the exact cross-correlation over the whole length; a
detection that adds up bands, so that a narrow leak is not drowned by a wide noise; coherence with
that delay taken out; maximum-likelihood weights from it; the peak, its spread and its rivals.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from geoleak.acoustics import spectra as ml
from geoleak.acoustics.levels import check_band
from geoleak.acoustics.recording import (
    ArraySource,
    Progress,
    Source,
    Stretch,
    as_source,
    nobody,
    part_of,
)
from geoleak.acoustics.spectra import CrossSpectra, cross_spectra, good_length, power_spectrum
from geoleak.errors import AcousticsError
from geoleak.record import ArrayLike, Bools, Complexes, Floats, Record
from geoleak.site import Note

FALSE_ALARM = 1e-4
LOWEST_HZ = 5.0
SHORTEST_S = 1.0
STRETCHES = 32
FADE_S = 0.25
# The correlation is taken a little beyond the longest delay and tapered there, so that its cut-off
# does not ring and a delay beyond is seen for what it is.
LAG_MARGIN = 1.25
AMBIGUOUS = 0.01
UNSTEADY = 1.5
MOST_RIVALS = 3
# The weights come from the recordings they weigh, which makes the likelihood a little too sure:
# with this power of it, the wrong peaks promised match those counted in the simulated trial.
TRUST = 0.6


class Clocks(Record):
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


class Rival(Record):
    """Another peak: its delay, its height as a share of the main peak's, its chance to be right."""

    delay_s: float
    height: float
    chance: float


class DelayEstimate(Record):
    """What two recordings say about a delay.

    ``delay_s`` is arrival at the first minus arrival at the second, with standard deviation
    ``sigma_s``; both None where ``found`` is False, and ``reason`` says why. ``coherence`` is the
    mean magnitude-squared coherence in ``band_hz``, the band that carried the estimate.
    ``chance_wrong`` is the chance that another peak is the right one; ``chance_of_noise`` bounds
    the chance that unrelated noise looks like this. ``drift_ppm`` is how fast the delay
    wanders.
    """

    found: bool
    duration_s: float
    chance_of_noise: float
    reason: str = ""
    rivals: tuple[Rival, ...] = ()
    chance_wrong: float | None = None
    delay_s: float | None = None
    sigma_s: float | None = None
    coherence: float | None = None
    band_hz: tuple[float, float] | None = None
    drift_ppm: float | None = None
    warnings: tuple[Note, ...] = ()


class Plan(Record):
    """Everything that stays the same during one estimate; lags in samples."""

    rate_hz: float
    count: int
    band_hz: tuple[float, float]
    most_lag: int
    clocks: Clocks

    @property
    def duration_s(self) -> float:
        """Length of the recordings in seconds."""
        return self.count / self.rate_hz

    @property
    def reach(self) -> int:
        """The longest delay the correlation holds, samples."""
        return round(self.most_lag * LAG_MARGIN)

    def shift(self, lag: float) -> Callable[[float], float]:
        """Return the expected delay in samples by time: a lag and what the clocks add."""
        return lambda time_s: lag + self.clocks.apparent_shift_s(time_s) * self.rate_hz

    def within(self, size: int, lag: int) -> Bools:
        """Tell which places of a correlation's circle lie within a lag."""
        index = np.arange(size)
        return np.minimum(index, size - index) <= lag

    def too_narrow(self) -> AcousticsError:
        """Return the complaint about a band that holds too little."""
        low, high = self.band_hz
        return AcousticsError(
            f"the band of {low:g} to {high:g} Hz is too narrow for {self.duration_s:.1f} s; widen "
            "it or record longer"
        )

    def nothing(
        self,
        chance: float,
        reason: str,
        rivals: tuple[Rival, ...] = (),
        wrong: float | None = None,
    ) -> DelayEstimate:
        """Return the answer that there is none, and why."""
        said = f"no delay found: {reason}"
        return DelayEstimate(False, self.duration_s, chance, said, rivals, wrong)


class Whitened(Record, eq=False):
    """The exact cross-spectrum within the longest delay, whitened by both channels."""

    frequencies_hz: Floats
    values: Complexes
    use: Bools

    @classmethod
    def of(cls, raw: Floats, plan: Plan, frequencies_hz: Floats, use: Bools) -> Whitened:
        """Return it from the whitened correlation within reach; `use` goes with frequencies."""
        reach = len(raw) // 2
        size = good_length(4 * reach)
        edge = reach - plan.most_lag
        lags = np.abs(np.arange(-reach, reach + 1))
        taper = 0.5 + 0.5 * np.cos(np.pi * np.clip((lags - plan.most_lag) / max(edge, 1), 0, 1))
        circle = np.zeros(size)
        circle[: reach + 1] = (raw * taper)[reach:]
        circle[-reach:] = (raw * taper)[:reach]
        fine_hz = np.arange(size // 2 + 1) * plan.rate_hz / size
        fine_use = np.interp(fine_hz, frequencies_hz, use.astype(float)) > 0.99
        values = np.where(fine_use, np.fft.rfft(circle) / plan.count, 0)
        return cls(fine_hz, values, fine_use)


def whitening(power_one: Floats, power_two: Floats, use: Bools, rate_hz: float) -> Floats:
    """Return what whitens a cross-spectrum: one over the root of both powers, zero outside `use`.

    Hardly smoothed: a narrow leak's own peak must be whitened by its full height.
    """
    powers = [ml.smooth(each, use, share=0.01, fewest=1)[0] for each in (power_one, power_two)]
    product = np.sqrt(powers[0] * powers[1]) * rate_hz / 2
    return np.where(use & (product > 0), 1 / np.maximum(product, 1e-300), 0.0)


def _on_circle(lag: int, size: int) -> int:
    return lag if lag <= size // 2 else lag - size


def detect(whole: Whitened, plan: Plan) -> tuple[int, float]:
    """Return the likeliest delay (samples, roughly) and the chance that it is noise alone."""
    from scipy.special import gammaincc, gammaincinv

    total, shape = ml.detection(
        whole.values, whole.frequencies_hz, whole.use, plan.band_hz, plan.count
    )
    if shape == 0:
        raise plan.too_narrow()
    total = np.where(plan.within(len(total), plan.reach), total, 0.0)
    # Where the bulk of the delays stands over what chance gives, the recordings are not plain
    # noise (tones, reverberation): the peak must stand out of that instead.
    bulk = float(np.median(total[plan.within(len(total), plan.most_lag)]))
    scale = max(1.0, bulk / float(gammaincinv(shape, 0.5)))
    best = int(np.argmax(total))
    width_hz = float(whole.use.sum()) / len(whole.use) * plan.rate_hz / 2
    trials = max(1.0, 4 * plan.most_lag / plan.rate_hz * width_hz)
    chance = min(1.0, trials * float(gammaincc(shape, total[best] / scale)))
    return _on_circle(best, len(total)), chance


def estimate_peak(
    plan: Plan,
    whole: Whitened,
    spectra: CrossSpectra,
    use: Bools,
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
            return plan.nothing(chance, "no band in which the two recordings are coherent")
        # The log-likelihood by delay (up to the count of samples) and its half spectrum.
        weights = np.interp(whole.frequencies_hz, coherence.frequencies_hz, coherence.weights)
        weighted = whole.values * whole.use * weights
        surface = np.fft.irfft(weighted)
        allowed = plan.within(len(surface), plan.reach)
        top = int(np.argmax(np.where(allowed, surface, -np.inf)))
        before, place = place, ml.refine(weighted, _on_circle(top, len(surface)))
        if attempt > 0 and abs(place - before) < 0.01:
            break
    if abs(place) > plan.most_lag:
        return plan.nothing(chance, "the likeliest delay is longer than the longest allowed")
    if abs(place - before) > 0.5:
        return plan.nothing(chance, "the recordings do not settle on one delay")
    rivals, wrong = _rivals(plan, surface * plan.count, place)
    if wrong > 0.5:
        return plan.nothing(chance, "several delays are about equally likely", rivals, wrong)
    wander = _wander(plan, coherence, normalised * turn)
    if math.isinf(wander[2]):
        return plan.nothing(chance, "the recordings do not settle on one delay", rivals, wrong)
    delay_s = place / plan.rate_hz
    bound_s = ml.bound_s(coherence, plan.duration_s)
    sigma_s, warnings = _widened(plan, delay_s, bound_s, wander, rivals, wrong)
    supported = coherence.frequencies_hz[coherence.support]
    return DelayEstimate(
        found=True,
        duration_s=plan.duration_s,
        chance_of_noise=chance,
        rivals=rivals,
        chance_wrong=wrong,
        delay_s=delay_s,
        sigma_s=sigma_s,
        coherence=float(coherence.squared[coherence.support].mean()),
        band_hz=(float(supported[0]), float(supported[-1])),
        drift_ppm=wander[1],
        warnings=tuple(warnings),
    )


def _rivals(plan: Plan, likelihood: Floats, place: float) -> tuple[tuple[Rival, ...], float]:
    """Return the next peaks of the log-likelihood and the chance that one of them is right."""
    size = len(likelihood)
    allowed = np.flatnonzero(plan.within(size, plan.most_lag))
    lags = np.where(allowed <= size // 2, allowed, allowed - size)
    order = np.argsort(lags)
    lags, values = lags[order], likelihood[allowed[order]]
    places = ml.peaks(values)
    places = places[np.abs(lags[places] - place) > 1.5]
    nearest = int(np.argmin(np.abs(lags - place)))
    main = max(float(values[max(nearest - 1, 0) : nearest + 2].max()), 1e-12)
    odds = np.exp(TRUST * np.minimum(values[places] - main, 0))
    share = odds / (1 + odds.sum())
    found = tuple(
        Rival(float(lags[at]) / plan.rate_hz, float(values[at]) / main, float(chance))
        for at, chance in zip(places[:MOST_RIVALS], share, strict=False)
    )
    return found, float(odds.sum() / (1 + odds.sum()))


def _widened(
    plan: Plan,
    delay_s: float,
    sigma_s: float,
    wander: tuple[float, float, float],
    rivals: tuple[Rival, ...],
    wrong: float,
) -> tuple[float, list[Note]]:
    """Return the sigma with all that the plain bound leaves out, and what to say about it."""
    warnings: list[Note] = []
    steadiness, drift, drift_sigma = wander
    if steadiness > UNSTEADY * sigma_s:
        warnings.append(Note("unsteady", "the noise is unsteady; the spread is widened for it"))
        sigma_s = steadiness
    if abs(drift) > max(5 * drift_sigma, 0.5):
        text = f"the delay drifts by {drift:.1f} ppm; the recorders' clocks differ, state the skew"
        warnings.append(Note("drift", text))
        sigma_s = math.hypot(sigma_s, abs(drift) * 1e-6 * plan.duration_s / 2)
    sigma_s = math.hypot(sigma_s, plan.clocks.sigma_s(plan.duration_s), 1e-4 / plan.rate_hz)
    if wrong > AMBIGUOUS:
        text = f"another peak may be the right one (chance {wrong:.0%}); the spread covers it"
        warnings.append(Note("ambiguous", text))
        apart = sum(each.chance * (each.delay_s - delay_s) ** 2 for each in rivals)
        sigma_s = math.sqrt((1 - wrong) * sigma_s**2 + apart)
    if abs(delay_s) < 2 * sigma_s and plan.clocks == Clocks():
        text = "the delay is zero: a leak midway, or one noise picked up by both cables"
        warnings.append(Note("zero", text))
    return sigma_s, warnings


def _wander(
    plan: Plan, coherence: ml.Coherence, normalised: Complexes
) -> tuple[float, float, float]:
    """Return the spread as the stretches of time show it (s), and the drift with sigma (ppm)."""
    omega = 2 * np.pi * coherence.frequencies_hz
    count = len(normalised)
    scores = (normalised.imag * (coherence.weights * omega)).sum(axis=1)
    information = float((normalised.real * (coherence.weights * omega**2)).sum())
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


def delay(
    first: ArrayLike | Source,
    second: ArrayLike | Source,
    rate_hz: float,
    band_hz: tuple[float, float] | None = None,
    *,
    max_lag_s: float = 1.0,
    clocks: Clocks | None = None,
    progress: Progress | None = None,
) -> DelayEstimate:
    """Return the delay between two recordings: arrival at first minus arrival at second.

    Parameters
    ----------
    first, second : array_like (n,) or Source
        Samples of the two sensors, taken at the same times; a source has mean zero.
    rate_hz : float
        Sampling rate of both.
    band_hz : (float, float), optional
        Look only inside this band; else wherever the two are coherent.
    max_lag_s : float
        Longest delay that the pipe allows.
    clocks : Clocks, optional
        Offset and skew between two recorders; their error is carried into ``sigma_s``.
    progress : callable, optional
        Gets 0 to 1.

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
    one = as_source(first, "the first recording")
    two = as_source(second, "the second recording")
    if isinstance(one, ArraySource) and isinstance(two, ArraySource):
        if len(one) != len(two):
            raise AcousticsError(
                f"the recordings differ in length ({len(one)} and {len(two)} samples); "
                "cut both to the same stretch of time"
            )
        if np.array_equal(one.samples, two.samples):
            raise AcousticsError("the two recordings are identical; give one from each sensor")
        one, two = (ArraySource(each.samples - each.samples.mean()) for each in (one, two))
    band = check_band(band_hz or (LOWEST_HZ, 0.45 * rate_hz), rate_hz)
    count = min(len(one), len(two))
    if not 0 < max_lag_s < math.inf:
        raise AcousticsError(f"a longest delay of {max_lag_s:g} s; it must be over 0")
    if count / rate_hz < max(SHORTEST_S, 4 / band[0]):
        raise AcousticsError(
            f"recordings of {count / rate_hz:.2f} s are too short for a delay; record 30 s or more"
        )
    most_lag = min(round(max_lag_s * rate_hz), count // 4)
    plan = Plan(rate_hz, count, band, most_lag, clocks or Clocks())
    return _delay(one, two, plan, progress or nobody)


def _delay(first: Source, second: Source, plan: Plan, progress: Progress) -> DelayEstimate:
    rate_hz, count = plan.rate_hz, plan.count
    segment = good_length(max(256, min(round(rate_hz / 2), count // 24)))
    frequencies, power_one = power_spectrum(first, rate_hz, segment=segment)
    power_two = power_spectrum(second, rate_hz, segment=segment)[1]
    inside = (frequencies >= plan.band_hz[0]) & (frequencies <= plan.band_hz[1])
    if inside.sum() < 4:
        raise plan.too_narrow()
    use = inside & ~ml.lines(power_one) & ~ml.lines(power_two)
    use &= ~ml.cliffs(power_one, use) & ~ml.cliffs(power_two, use)
    if power_one[inside].max() <= 0 or power_two[inside].max() <= 0:
        raise AcousticsError("one of the recordings is silent in the band; check the sensor")
    if use.sum() < 4:
        return plan.nothing(1.0, "nothing but steady tones (hum) in the band")
    fade = round(min(FADE_S * rate_hz, count / 40))
    raw = ml.correlation(
        Stretch(first, len(first), fade=fade),
        Stretch(second, len(second), fade=fade),
        rate_hz,
        most_lag=plan.reach,
        shift=plan.shift(0.0),
        gain=(frequencies, whitening(power_one, power_two, use, rate_hz)),
        progress=part_of(progress, 0.0, 0.4),
    )
    whole = Whitened.of(raw, plan, frequencies, use)
    lag, chance = detect(whole, plan)
    if chance > FALSE_ALARM:
        return plan.nothing(chance, "the two recordings share no noise that rises over chance")
    spectra = cross_spectra(
        first,
        second,
        rate_hz,
        segment=segment,
        shift=plan.shift(lag),
        stretches=STRETCHES,
        progress=part_of(progress, 0.4, 1.0),
    )
    return estimate_peak(plan, whole, spectra, use, lag, chance)
