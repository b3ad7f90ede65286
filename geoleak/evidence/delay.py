"""Delays: the noise reaches one sensor before the other.

The difference of the two paths, each over the speed in its pipe, is the delay. Speeds are unknown
but few (one for each kind of pipe) and enter linearly as slowness, so they are integrated out in
closed form, all delays together; speed checks (a known noise outside both sensors) are more rows
of the same system. A delay may also be plainly wrong (the wrong peak of the correlation): every
one has a chance of that, and then says nothing.
"""

from __future__ import annotations

import itertools
from typing import Literal

import numpy as np

from geoleak import tables
from geoleak.evidence.base import (
    Belief,
    Candidates,
    Evidence,
    Hint,
    Judged,
    KindFit,
    Nodes,
    log_sum_exp,
)
from geoleak.record import Bools, Floats, Ints, Record, replace
from geoleak.site import Note, Site
from geoleak.survey import PipePlace, Survey, SurveyedDelay
from geoleak.tables import setting
from geoleak.units import format_length

SMALLEST_SIGMA_S = 2e-5
# Under this a sigma was not measured but left at nought: that is said.
NO_SIGMA_S = 1e-6
# With more delays than this, at most one of them is taken to be wrong at a time.
FEW = 4
FAR = "speed_check_far"


def gather(survey: Survey) -> Evidence | None:
    """Return the delays of a survey as evidence; None where there are none."""
    return DelayEvidence(survey) if survey.delays else None


class Speeds(Record, eq=False):
    """Slowness of each kind of pipe.

    Attributes
    ----------
    group : ndarray of int, shape (legs,)
        Which slowness a leg has.
    slowness : ndarray, shape (groups,)
        Seconds a metre.
    covariance : ndarray, shape (groups, groups)
    """

    group: Ints
    slowness: Floats
    covariance: Floats

    @property
    def count(self) -> int:
        """Number of groups."""
        return len(self.slowness)

    def updated(self, metres: Floats, delay_s: float, sigma_s: float) -> tuple[Speeds, float]:
        """Return the slownesses after timing known metres, and how many sigma off it was.

        The conjugate normal update of a linear observation.
        """
        pull = self.covariance @ metres
        variance = float(metres @ pull) + sigma_s**2
        off = delay_s - float(metres @ self.slowness)
        gain = pull / variance
        learned = replace(
            self,
            slowness=np.maximum(self.slowness + gain * off, 1e-4),
            covariance=self.covariance - np.outer(gain, pull),
        )
        return learned, abs(off) / float(np.sqrt(variance))


def prior_speeds(survey: Survey) -> Speeds:
    """Return slownesses from material, bore, wall and water temperature, one a kind of pipe."""
    keys = [
        (each.leg.material, each.leg.outside_diameter_m, each.leg.wall_m) for each in survey.legs
    ]
    unique = list(dict.fromkeys(keys))
    speed = np.array([_speed(*key, survey.site) for key in unique])
    slowness = 1.0 / speed[:, 0]
    return Speeds(
        group=np.array([unique.index(key) for key in keys], dtype=np.int64),
        slowness=slowness,
        covariance=np.diag((slowness * speed[:, 1] / speed[:, 0]) ** 2),
    )


def _speed(
    material: str | None, outside_m: float | None, wall_m: float | None, site: Site
) -> tuple[float, float]:
    """Return speed and sigma; of a pipe whose bore or wall is not stated, that of its kind."""
    if material is not None and outside_m is not None and wall_m is not None:
        from geoleak.acoustics import wave_speed

        found = wave_speed(material, outside_m, wall_m, site.water_temperature_c)
        return site.tables.speed(material, (found.value, found.sigma))
    kind = "unknown" if material is None else tables.material(material).kind
    row = site.tables.setting(f"speed_{kind}")
    return row.value, row.spread


class System(Record, eq=False):
    """Delays as linear functions of slowness: rows (p,), for every place (k, p, groups)."""

    coefficient: Floats
    reachable: Bools


class DelayEvidence:
    """All delays of one survey, speed checks among them."""

    kind = "delay"
    tells_of: Literal["sound", "leak"] = "sound"
    nuisances: tuple[str, ...] = ()

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        self.speeds: Speeds = prior_speeds(survey)
        self.checks = tuple(d for d in survey.delays if d.speed_check)
        self.rows = len(survey.delays)
        self.wrong = setting("delay_wrong").value
        self._warnings: list[Note] = []
        self._kept: dict[tuple[PipePlace, PipePlace], Floats] = {}
        timed = [d for d in survey.delays if not d.speed_check]
        self.timed: tuple[SurveyedDelay, ...] = tuple(d for d in timed if self._joined(d))
        self._learn_speeds()
        self.noise_s2 = self._noise_covariance()
        self.span_s = np.array([self._span(d) for d in self.timed])

    # -- speeds ----------------------------------------------------------------------------------

    def _between(self, delay: SurveyedDelay) -> Floats:
        """Return the pipe between the sensors by speed group, leads included, shape (groups,)."""
        if (delay.first, delay.second) in self._kept:
            return self._kept[delay.first, delay.second]
        one = (np.array([delay.first.leg]), np.array([delay.first.chainage_m]))
        two = (np.array([delay.second.leg]), np.array([delay.second.chainage_m]))
        metres = self._metres(one, two)[:, 0, 0]
        metres[self.speeds.group[delay.first.leg]] += delay.first.lead_m
        metres[self.speeds.group[delay.second.leg]] += delay.second.lead_m
        self._kept[delay.first, delay.second] = metres
        return metres

    def _metres(self, a: tuple[Ints, Floats], b: tuple[Ints, Floats]) -> Floats:
        """Return metres in each speed group along the quickest paths, shape (groups, a, b)."""
        slowness = self.speeds.slowness[self.speeds.group]
        price = (self.speeds.group[None, :] == np.arange(self.speeds.count)[:, None]).astype(float)
        return self.survey.network.costs(a, b, price, weights=slowness)

    def _joined(self, delay: SurveyedDelay) -> bool:
        """Tell whether pipe joins the sensors; a delay between others is noted and says nothing."""
        if np.isfinite(self._between(delay)).all():
            return True
        text = f"delay {delay.id}: no pipe joins its sensors; it says nothing"
        self._warnings.append(Note("delay_unjoined", text, delay.origin))
        return False

    def _learn_speeds(self) -> None:
        """Update the slownesses with the speed checks, one linear Gaussian row each."""
        for check in self.checks:
            if not self._joined(check):
                continue
            metres = self._between(check)
            sigma = self._noise(check)
            self.speeds, off = self.speeds.updated(metres, abs(check.delay_s), sigma)
            if off > 4.0:
                text = (
                    f"speed check {check.id} is {off:.0f} sigma from what this pipe should have; "
                    "check its material, the distance, and which noise was timed"
                )
                self._warnings.append(Note(FAR, text))

    def _sigma(self, delay: SurveyedDelay) -> float:
        return max(delay.sigma_s if np.isfinite(delay.sigma_s) else 0.0, SMALLEST_SIGMA_S)

    def _path_sigma(self, delay: SurveyedDelay) -> float:
        """Return seconds of error from the path: its route's own, a length, and a share of it."""
        share = setting("path_error_share").value * self._between(delay).sum()
        own = self.survey.path_sigma_m(delay.first, delay.second)
        error = np.sqrt(setting("path_error").value ** 2 + share**2 + own**2)
        return float(error * self._slowest(delay))

    def _slowest(self, delay: SurveyedDelay) -> float:
        """Return the greatest slowness of the pipe between two sensors."""
        return float(self.speeds.slowness[self._between(delay) > 0.0].max(initial=1e-4))

    def _noise_covariance(self) -> Floats:
        """Return the covariance of the delays' noise, shape (p, p), in s^2.

        Timing again between the same two sensors does not time another path: its error is theirs
        in common.
        """
        path = np.array([self._path_sigma(d) for d in self.timed])
        ends = [(d.first, d.second) for d in self.timed]
        same = [[float(a == b) - float(a == b[::-1]) for b in ends] for a in ends]
        timing = np.array([self._sigma(d) ** 2 for d in self.timed])
        return np.outer(path, path) * np.reshape(same, (len(path), len(path))) + np.diag(timing)

    def _span(self, delay: SurveyedDelay) -> float:
        """Return the longest delay that the pipe between two sensors allows, in seconds."""
        metres = self._between(delay)
        slow = self.speeds.slowness + 2.0 * np.sqrt(np.diag(self.speeds.covariance))
        return max(float(metres @ slow), 1e-3)

    # -- the contract ------------------------------------------------------------------------------

    def system(self, places: Candidates) -> System:
        """Return the path differences of every delay from every place."""
        ends = [end for delay in self.timed for end in (delay.first, delay.second)]
        there = (np.array([e.leg for e in ends]), np.array([e.chainage_m for e in ends]))
        metres = self._metres((places.leg, places.chainage_m), there)
        for e, end in enumerate(ends):
            metres[self.speeds.group[end.leg], :, e] += end.lead_m
        metres = np.where(np.isfinite(metres), metres, np.nan)
        coefficient = np.moveaxis(metres[:, :, ::2] - metres[:, :, 1::2], 0, -1)
        reachable = np.asarray(np.isfinite(coefficient).all(axis=2))
        return System(np.where(np.isfinite(coefficient), coefficient, 0.0), reachable)

    def log_likelihood(self, places: Candidates, nodes: Nodes) -> Judged:
        """Judge every place; speeds and wrong delays are summed out here."""
        uniform = -np.log(2.0 * self.span_s)
        if not self.timed:
            return Judged(np.zeros((1, len(places))), np.zeros(1))
        system = self.system(places)
        terms = []
        for good in self._subsets():
            chosen = np.flatnonzero(good)
            prior = np.log(np.where(good, 1.0 - self.wrong, self.wrong)).sum()
            value = np.full(len(places), prior + uniform[~good].sum())
            if len(chosen):
                value = value + self._gaussian(system, chosen)
            terms.append(value)
        on_pipe = log_sum_exp(np.array(terms), axis=0)
        # A leak on a branch that was not traced may give any delay that the pipe allows.
        off_pipe = uniform + np.where(self._too_long(), np.log(self.wrong), 0.0)
        return Judged(on_pipe[None, :], np.array([off_pipe.sum()]))

    def _too_long(self) -> Bools:
        """Tell which delays are longer than the pipe between their sensors allows."""
        delays = np.array([d.delay_s for d in self.timed])
        return np.asarray(np.abs(delays) > self.span_s + 3 * np.sqrt(np.diag(self.noise_s2)))

    def _subsets(self) -> list[Bools]:
        count = len(self.timed)
        if count <= FEW:
            return [np.array(s) for s in itertools.product((True, False), repeat=count)]
        every = np.ones(count, dtype=bool)
        return [every, ~every, *(np.arange(count) != i for i in range(count))]

    def _gaussian(self, system: System, chosen: Ints) -> Floats:
        """Return the log density of some delays at every place, speeds integrated out."""
        a = system.coefficient[:, chosen]
        value = np.array([self.timed[i].delay_s for i in chosen])
        off = value - a @ self.speeds.slowness
        noise = self.noise_s2[np.ix_(chosen, chosen)]
        cov = a @ self.speeds.covariance @ np.swapaxes(a, 1, 2) + noise
        solved = np.linalg.solve(cov, off[..., None])[..., 0]
        out = -0.5 * (off * solved).sum(axis=1)
        out -= 0.5 * np.linalg.slogdet(cov)[1] + 0.5 * len(chosen) * np.log(2 * np.pi)
        return np.where(system.reachable[:, chosen].all(axis=1), out, -np.inf)

    def _noise(self, delay: SurveyedDelay) -> float:
        return float(np.hypot(self._sigma(delay), self._path_sigma(delay)))

    def hints(self) -> tuple[Hint, ...]:
        """Return the legs between the sensors, in steps of half a sigma."""
        found = []
        for delay in self.timed:
            step = 0.5 * self._noise(delay) / self._slowest(delay)
            for leg in self._legs_between(delay):
                length = self.survey.legs[leg].route.length_m
                found.append(Hint(leg, 0.0, length, float(np.clip(step, 0.1, 2.0))))
        return tuple(found)

    def _legs_between(self, delay: SurveyedDelay) -> list[int]:
        one = (np.array([delay.first.leg]), np.array([delay.first.chainage_m]))
        two = (np.array([delay.second.leg]), np.array([delay.second.chainage_m]))
        along = self.survey.network.path_lengths(one, two)[0, 0]
        return np.flatnonzero(np.isfinite(along) & (along > 0)).tolist()

    def fit(self, belief: Belief, rng: np.random.Generator) -> KindFit:
        """Tell whether the posterior explains the delays, and name the one it does not."""
        if not self.timed:
            far = next((n.what for n in self._warnings if n.code == FAR), "")
            text = far or "the wave speed was measured"
            return KindFit(self.kind, self.rows, 1.0, text, True, against=bool(far))
        system = self.system(belief.places)
        share = np.array([self._explained(system, p) for p in range(len(self.timed))])
        worst = int(np.argmin(share))
        agrees = bool(share[worst] >= 0.05)
        delay = self.timed[worst]
        noun = "delay agrees" if len(self.timed) == 1 else "delays agree"
        text, redo = f"{len(self.timed)} {noun} with one leak", ""
        if not agrees:
            text = (
                f"delay {delay.id} ({delay.delay_s * 1e3:.1f} ms) does not fit the place that the "
                "rest points to"
            )
            redo = f"time delay {delay.id} again, and check sensors, their points, pipe and speed"
        return KindFit(self.kind, self.rows, float(share[worst]), text, agrees, redo)

    def _explained(self, system: System, p: int) -> float:
        """Return the chance, over the posterior, that a delay is a good one."""
        good = np.log1p(-self.wrong) + self._gaussian(system, np.array([p]))
        bad = np.log(self.wrong) - np.log(2.0 * self.span_s[p])
        return float(np.mean(1.0 / (1.0 + np.exp(np.clip(bad - good, -700, 700)))))

    def notes(self) -> tuple[Note, ...]:
        """Return what an instrument's screen should have said, and delays nothing allows."""
        found = list(self._warnings)
        for p, delay in enumerate(self.timed):
            found += self._impossible(delay, float(self.span_s[p]))
            found += self._corrected(delay)
            if delay.sigma_s < NO_SIGMA_S:
                text = f"delay {delay.id}: sigma {delay.sigma_s:g} s is better than timing can be"
                found.append(Note("sigma_too_small", text, delay.origin))
        return tuple(found)

    def _impossible(self, delay: SurveyedDelay, span_s: float) -> list[Note]:
        if not self._too_long()[self.timed.index(delay)]:
            return []
        text = (
            f"delay {delay.id}: {delay.delay_s * 1e3:.1f} ms is longer than the pipe between its "
            f"sensors allows ({span_s * 1e3:.1f} ms); check sensors, pipe and speed"
        )
        return [Note("delay_too_long", text, delay.origin)]

    def _corrected(self, delay: SurveyedDelay) -> list[Note]:
        """Say where the delay behind an instrument's screen points with the pipe as traced."""
        shown = (delay.shown_distance_m, delay.shown_length_m, delay.shown_speed_m_per_s)
        metres = self._between(delay)
        if any(each is None for each in shown):
            return []
        slow = float(metres @ self.speeds.slowness) / max(float(metres.sum()), 1e-9)
        place = 0.5 * (float(metres.sum()) + delay.delay_s / slow)
        unit = self.survey.site.length_unit

        def said(value: float | None) -> str:
            return format_length(float(value or 0.0), unit=unit)

        speed = "m/s" if unit == "m" else "ft/s"
        shown_speed = float(shown[2] or 0.0) / (1.0 if unit == "m" else 0.3048)
        text = (
            f"delay {delay.id}: the screen said {said(shown[0])} with {said(shown[1])} at "
            f"{shown_speed:.0f} {speed}; with the pipe as traced ({said(float(metres.sum()))}) it "
            f"is {said(place)} from the first sensor"
        )
        return [Note("delay_corrected", text, delay.origin)]
