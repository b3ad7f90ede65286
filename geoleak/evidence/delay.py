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
from geoleak.evidence.base import Belief, Candidates, Evidence, Hint, KindFit, log_sum_exp
from geoleak.record import Bools, Floats, Ints, Record, replace
from geoleak.site import Note, Site
from geoleak.survey import PipePlace, Survey, SurveyedDelay
from geoleak.tables import setting
from geoleak.units import format_length, unit_m

SMALLEST_SIGMA_S = 2e-5
# Under this a sigma was not measured but left at nought: that is said.
NO_SIGMA_S = 1e-6
# With more delays than this, at most one of them is taken to be wrong at a time.
FEW = 4
FAR = "speed_check_far"


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


class DelayEvidence(Evidence):
    """All delays of one survey, speed checks among them."""

    kind = "delay"
    tells_of: Literal["sound", "leak"] = "sound"

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        self.speeds: Speeds = prior_speeds(survey)
        self.rows = len(survey.delays)
        self.wrong = setting("delay_wrong").value
        self._warnings: list[Note] = []
        self._kept: dict[tuple[PipePlace, PipePlace], Floats] = {}
        timed = [each for each in survey.delays if not each.speed_check]
        self.timed = tuple(each for each in timed if self._joined(each))
        for check in (each for each in survey.delays if each.speed_check):
            if self._joined(check):
                self._learn(check)
        self.noise_s2 = self._noise_covariance()
        # The longest delay that the pipe between two sensors allows, in seconds.
        slow = self.speeds.slowness + 2.0 * np.sqrt(np.diag(self.speeds.covariance))
        self.span_s = np.array([max(float(self._between(d) @ slow), 1e-3) for d in self.timed])

    # -- speeds ----------------------------------------------------------------------------------

    def _between(self, delay: SurveyedDelay) -> Floats:
        """Return the pipe between the sensors by speed group, leads included, shape (groups,)."""
        ends = delay.first, delay.second
        if ends not in self._kept:
            one, two = ((np.array([e.leg]), np.array([e.chainage_m])) for e in ends)
            metres = self._metres(one, two)[:, 0, 0]
            for end in ends:
                metres[self.speeds.group[end.leg]] += end.lead_m
            self._kept[ends] = metres
        return self._kept[ends]

    def _metres(self, a: tuple[Ints, Floats], b: tuple[Ints, Floats]) -> Floats:
        """Return metres in each speed group along the quickest paths, shape (groups, a, b)."""
        speeds = self.speeds
        price = (speeds.group == np.arange(len(speeds.slowness))[:, None]).astype(float)
        return self.survey.network.costs(a, b, price, weights=speeds.slowness[speeds.group])

    def _joined(self, delay: SurveyedDelay) -> bool:
        """Tell whether pipe joins the sensors; a delay between others is noted and says nothing."""
        joined = bool(np.isfinite(self._between(delay)).all())
        if not joined:
            text = f"delay {delay.id}: no pipe joins its sensors; it says nothing"
            self._warnings.append(Note("delay_unjoined", text, delay.origin))
        return joined

    def _learn(self, check: SurveyedDelay) -> None:
        """Update the slownesses with a speed check: the conjugate update of one Gaussian row."""
        speeds, metres = self.speeds, self._between(check)
        pull = speeds.covariance @ metres
        variance = float(metres @ pull) + self._noise(check) ** 2
        off = abs(check.delay_s) - float(metres @ speeds.slowness)
        self.speeds = replace(
            speeds,
            slowness=np.maximum(speeds.slowness + pull / variance * off, 1e-4),
            covariance=speeds.covariance - np.outer(pull / variance, pull),
        )
        sigmas = abs(off) / float(np.sqrt(variance))
        if sigmas > 4.0:
            text = (
                f"speed check {check.id} is {sigmas:.0f} sigma from what this pipe should have; "
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

    def _noise(self, delay: SurveyedDelay) -> float:
        return float(np.hypot(self._sigma(delay), self._path_sigma(delay)))

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

    # -- the contract ------------------------------------------------------------------------------

    def system(self, places: Candidates) -> tuple[Floats, Bools]:
        """Return the path difference of every delay from every place, and where pipe joins them.

        The delays (p,) are linear functions of slowness: shapes (k, p, groups) and (k, p).
        """
        ends = [end for delay in self.timed for end in (delay.first, delay.second)]
        there = (np.array([e.leg for e in ends]), np.array([e.chainage_m for e in ends]))
        metres = self._metres((places.leg, places.chainage_m), there)
        for e, end in enumerate(ends):
            metres[self.speeds.group[end.leg], :, e] += end.lead_m
        metres = np.where(np.isfinite(metres), metres, np.nan)
        coefficient = np.moveaxis(metres[:, :, ::2] - metres[:, :, 1::2], 0, -1)
        finite = np.isfinite(coefficient)
        return np.where(finite, coefficient, 0.0), np.asarray(finite.all(axis=2))

    def judge(self, places: Candidates) -> tuple[Floats, float]:
        """Judge every place; speeds and wrong delays are summed out here."""
        if not self.timed:
            return np.zeros(len(places)), 0.0
        uniform, system, terms = -np.log(2.0 * self.span_s), self.system(places), []
        for good in self._subsets():
            prior = np.log(np.where(good, 1.0 - self.wrong, self.wrong)).sum()
            value = np.full(len(places), prior + uniform[~good].sum())
            if good.any():
                value = value + self._gaussian(system, np.flatnonzero(good))
            terms.append(value)
        # A leak on a branch that was not traced may give any delay that the pipe allows.
        off_pipe = uniform + np.where(self._too_long(), np.log(self.wrong), 0.0)
        return log_sum_exp(np.array(terms)), float(off_pipe.sum())

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

    def _gaussian(self, system: tuple[Floats, Bools], chosen: Ints) -> Floats:
        """Return the log density of some delays at every place, speeds integrated out."""
        coefficient, reachable = system
        a = coefficient[:, chosen]
        off = np.array([self.timed[i].delay_s for i in chosen]) - a @ self.speeds.slowness
        noise = self.noise_s2[np.ix_(chosen, chosen)]
        cov = a @ self.speeds.covariance @ np.swapaxes(a, 1, 2) + noise
        solved = np.linalg.solve(cov, off[..., None])[..., 0]
        out = -0.5 * (off * solved).sum(axis=1)
        out -= 0.5 * np.linalg.slogdet(cov)[1] + 0.5 * len(chosen) * np.log(2 * np.pi)
        return np.where(reachable[:, chosen].all(axis=1), out, -np.inf)

    def hints(self) -> tuple[Hint, ...]:
        """Return the legs between the sensors, in steps of half a sigma."""
        found = []
        for delay in self.timed:
            step = float(np.clip(0.5 * self._noise(delay) / self._slowest(delay), 0.1, 2.0))
            ends = (([e.leg], [e.chainage_m]) for e in (delay.first, delay.second))
            along = self.survey.network.path_lengths(*ends)[0, 0]
            for leg in np.flatnonzero(np.isfinite(along) & (along > 0)).tolist():
                found.append(Hint(leg, 0.0, self.survey.legs[leg].route.length_m, step))
        return tuple(found)

    def fit(self, belief: Belief, places: Candidates, mass: Floats) -> KindFit:
        """Tell whether the posterior explains the delays, and name the one it does not."""
        if not self.timed:
            far = next((n.what for n in self._warnings if n.code == FAR), "")
            text = far or "the wave speed was measured"
            return KindFit(self.kind, self.rows, 1.0, text, True, against=bool(far))
        system = self.system(belief.places)
        share = np.array([self._explained(system, p) for p in range(len(self.timed))])
        worst = int(np.argmin(share))
        chance, delay = float(share[worst]), self.timed[worst]
        if chance >= 0.05:
            noun = "delay agrees" if len(self.timed) == 1 else "delays agree"
            text = f"{len(self.timed)} {noun} with one leak"
            return KindFit(self.kind, self.rows, chance, text, True)
        text = (
            f"delay {delay.id} ({delay.delay_s * 1e3:.1f} ms) does not fit the place that the "
            "rest points to"
        )
        redo = f"time delay {delay.id} again, and check sensors, their points, pipe and speed"
        return KindFit(self.kind, self.rows, chance, text, False, redo)

    def _explained(self, system: tuple[Floats, Bools], p: int) -> float:
        """Return the chance, over the posterior, that a delay is a good one."""
        good = np.log1p(-self.wrong) + self._gaussian(system, np.array([p]))
        bad = np.log(self.wrong) - np.log(2.0 * self.span_s[p])
        return float(np.mean(1.0 / (1.0 + np.exp(np.clip(bad - good, -700, 700)))))

    def notes(self) -> tuple[Note, ...]:
        """Return what an instrument's screen should have said, and delays nothing allows."""
        found = list(self._warnings)
        for delay, span_s, long in zip(self.timed, self.span_s, self._too_long(), strict=True):
            if long:
                text = (
                    f"delay {delay.id}: {delay.delay_s * 1e3:.1f} ms is longer than the pipe "
                    f"between its sensors allows ({span_s * 1e3:.1f} ms); check sensors, pipe and "
                    "speed"
                )
                found.append(Note("delay_too_long", text, delay.origin))
            x, length, speed = (
                delay.shown_distance_m, delay.shown_length_m, delay.shown_speed_m_per_s
            )  # fmt: skip
            if x is not None and length is not None and speed is not None:
                found.append(self._corrected(delay, x, length, speed))
            if delay.sigma_s < NO_SIGMA_S:
                text = f"delay {delay.id}: sigma {delay.sigma_s:g} s is better than timing can be"
                found.append(Note("sigma_too_small", text, delay.origin))
        return tuple(found)

    def _corrected(self, delay: SurveyedDelay, x: float, length: float, speed: float) -> Note:
        """Say where the delay behind an instrument's screen points with the pipe as traced."""
        by_group = self._between(delay)
        metres, unit = float(by_group.sum()), self.survey.site.length_unit
        slow = float(by_group @ self.speeds.slowness) / max(metres, 1e-9)
        place = 0.5 * (metres + delay.delay_s / slow)
        shown, long, traced, now = (
            format_length(each, unit=unit) for each in (x, length, metres, place)
        )
        pace, per = (speed, "m/s") if unit == "m" else (speed / unit_m("ft"), "ft/s")
        text = (
            f"delay {delay.id}: the screen said {shown} with {long} at {pace:.0f} {per}; with the "
            f"pipe as traced ({traced}) it is {now} from the first sensor"
        )
        return Note("delay_corrected", text, delay.origin)
