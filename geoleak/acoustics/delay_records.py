"""What a delay estimate says, and the plan it is made by."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from geoleak.acoustics.clocks import Clocks
from geoleak.acoustics.recording import Warned

Floats = NDArray[np.float64]
Weighting = Literal["likelihood", "phase"]
# The correlation is taken a little beyond the longest delay and tapered there, so that its cut-off
# does not ring and a delay beyond is seen for what it is.
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
class Plan:
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
        """Length of the recordings in seconds."""
        return self.count / self.rate_hz

    @property
    def reach(self) -> int:
        """The longest delay the correlation holds, samples."""
        return round(self.most_lag * LAG_MARGIN)

    def shift(self, lag: float) -> Callable[[float], float]:
        """Return the expected delay in samples by time: a lag and what the clocks add."""
        return lambda time_s: lag + self.clocks.apparent_shift_s(time_s) * self.rate_hz

    def report(self, begin: float, end: float) -> Callable[[float], None] | None:
        """Return a progress callback for one part of the work."""
        if self.progress is None:
            return None
        tell = self.progress
        return lambda share: tell(begin + (end - begin) * share)


def too_narrow(plan: Plan) -> str:
    """Return the complaint about a band that holds too little."""
    low, high = plan.band_hz
    return (
        f"the band of {low:g} to {high:g} Hz is too narrow for {plan.duration_s:.1f} s; widen it "
        "or record longer"
    )


def nothing(
    plan: Plan,
    chance: float,
    reason: str,
    rivals: tuple[Rival, ...] = (),
    wrong: float | None = None,
) -> DelayEstimate:
    """Return the answer that there is none, and why."""
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
