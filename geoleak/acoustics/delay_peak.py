"""From spectra to a delay: detection, peak, spread and rivals."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoleak.acoustics import likelihood as ml
from geoleak.acoustics.clocks import Clocks
from geoleak.acoustics.delay_records import (
    LAG_MARGIN,
    DelayEstimate,
    Plan,
    Rival,
    Weighting,
    nothing,
    too_narrow,
)
from geoleak.acoustics.recording import Warned
from geoleak.acoustics.spectra import CrossSpectra, good_length
from geoleak.errors import AcousticsError

Floats = NDArray[np.float64]
AMBIGUOUS = 0.01
UNSTEADY = 1.5
MOST_RIVALS = 3
# The weights come from the recordings they weigh, which makes the likelihood a little too sure:
# with this power of it, the wrong peaks promised match those counted in the simulated trial.
TRUST = 0.6


@dataclass(frozen=True, slots=True)
class Whitened:
    """The exact cross-spectrum within the longest delay, whitened by both channels."""

    frequencies_hz: Floats
    values: NDArray[np.complex128]
    use: NDArray[np.bool_]

    @classmethod
    def of(
        cls, raw: Floats, plan: Plan, frequencies_hz: Floats, use: NDArray[np.bool_]
    ) -> Whitened:
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


def whitening(
    power_one: Floats, power_two: Floats, use: NDArray[np.bool_], rate_hz: float
) -> Floats:
    """Return what whitens a cross-spectrum: one over the root of both powers, zero outside `use`.

    Hardly smoothed: a narrow leak's own peak must be whitened by its full height.
    """
    powers = [ml.smooth(each, use, share=0.01, fewest=1)[0] for each in (power_one, power_two)]
    product = np.sqrt(powers[0] * powers[1]) * rate_hz / 2
    return np.where(use & (product > 0), 1 / np.maximum(product, 1e-300), 0.0)


def _on_circle(lag: int, size: int) -> int:
    return lag if lag <= size // 2 else lag - size


def _allowed(size: int, most_lag: int) -> NDArray[np.bool_]:
    index = np.arange(size)
    return np.minimum(index, size - index) <= most_lag


def detect(whole: Whitened, plan: Plan) -> tuple[int, float]:
    """Return the likeliest delay (samples, roughly) and the chance that it is noise alone."""
    from scipy.special import gammaincc, gammaincinv

    edges = ml.half_octaves(*plan.band_hz)
    total, shape = ml.detection(whole.values, whole.frequencies_hz, whole.use, edges, plan.count)
    if shape == 0:
        raise AcousticsError(too_narrow(plan))
    total = np.where(_allowed(len(total), plan.reach), total, 0.0)
    # Where the bulk of the delays stands over what chance gives, the recordings are not plain
    # noise (tones, reverberation): the peak must stand out of that instead.
    bulk = float(np.median(total[_allowed(len(total), plan.most_lag)]))
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
            return nothing(plan, chance, "no band in which the two recordings are coherent")
        surface, weighted = _surface(plan, whole, coherence)
        allowed = _allowed(len(surface), plan.reach)
        top = int(np.argmax(np.where(allowed, surface, -np.inf)))
        before, place = place, ml.refine(weighted, _on_circle(top, len(surface)))[0]
        if attempt > 0 and abs(place - before) < 0.01:
            break
    if abs(place) > plan.most_lag:
        return nothing(plan, chance, "the likeliest delay is longer than the longest allowed")
    if abs(place - before) > 0.5:
        return nothing(plan, chance, "the recordings do not settle on one delay")
    likely, _ = _surface(plan, whole, coherence, "likelihood")
    rivals, wrong = _rivals(plan, likely * plan.count, place)
    if wrong > 0.5:
        return nothing(plan, chance, "several delays are about equally likely", rivals, wrong)
    return _result(plan, whole, coherence, normalised * turn, place, rivals, wrong, chance)


def _surface(
    plan: Plan, whole: Whitened, coherence: ml.Coherence, weighting: Weighting | None = None
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


def _rivals(plan: Plan, likelihood: Floats, place: float) -> tuple[tuple[Rival, ...], float]:
    """Return the next peaks of the log-likelihood and the chance that one of them is right."""
    size = len(likelihood)
    allowed = np.flatnonzero(_allowed(size, plan.most_lag))
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
        Rival(
            float(lags[at]) / plan.rate_hz,
            float(values[at]) / main,
            float(share[index]),
        )
        for index, at in enumerate(places[:MOST_RIVALS])
    )
    return found, float(odds.sum() / (1 + odds.sum()))


def _result(
    plan: Plan,
    whole: Whitened,
    coherence: ml.Coherence,
    normalised: NDArray[np.complex128],
    place: float,
    rivals: tuple[Rival, ...],
    wrong: float,
    chance: float,
) -> DelayEstimate:
    wander = _stretches(plan, coherence, normalised)
    if math.isinf(wander[2]):
        return nothing(plan, chance, "the recordings do not settle on one delay", rivals, wrong)
    sigma_s = _spread_s(plan, whole, coherence, place)
    sigma_s, warnings = _widened(plan, place / plan.rate_hz, sigma_s, wander, rivals, wrong)
    supported = coherence.frequencies_hz[coherence.support]
    mean = float(coherence.squared[coherence.support].mean())
    return DelayEstimate(
        found=True,
        delay_s=place / plan.rate_hz,
        sigma_s=sigma_s,
        coherence=mean,
        band_hz=(float(supported[0]), float(supported[-1])),
        rivals=rivals,
        chance_wrong=wrong,
        chance_of_noise=chance,
        reason="",
        duration_s=plan.duration_s,
        weighting=plan.weighting,
        drift_ppm=wander[1],
        drift_sigma_ppm=wander[2],
        warnings=tuple(warnings),
        frequencies_hz=coherence.frequencies_hz,
        coherence_by_hz=np.clip(coherence.modulus, 0, 1) ** 2,
    )


def _widened(
    plan: Plan,
    delay_s: float,
    sigma_s: float,
    wander: tuple[float, float, float],
    rivals: tuple[Rival, ...],
    wrong: float,
) -> tuple[float, list[Warned]]:
    """Return the sigma with all that the plain bound leaves out, and what to say about it."""
    warnings: list[Warned] = []
    steadiness, drift, drift_sigma = wander
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
    return sigma_s, warnings


def _spread_s(plan: Plan, whole: Whitened, coherence: ml.Coherence, place: float) -> float:
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
    plan: Plan, coherence: ml.Coherence, normalised: NDArray[np.complex128]
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
