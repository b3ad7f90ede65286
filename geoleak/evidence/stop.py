"""What the site says of the maker of a sound: stop tests, and listening with everything off.

A leak stays when taps and machines are off, stays when a fitting is worked, dies with the supply.
What is not the leak has a maker: a tap, a machine here or next door, a valve, or a valve nobody
knows of that behaves as the leak does. Shares and misreadings stand in tables/rivals.csv.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt

from geoleak.evidence.pooling import T_SCALE
from geoleak.evidence.robust import distribution, log_density
from geoleak.survey import Levels, Survey, SurveyedStop
from geoleak.tables import setting

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# What is heard at a place comes from within this much of it, along the pipe: about what a peak
# is wide (common practice, no source).
SAME_SOUND_M = 3.0
# Odds from which a stop test is said to tell that the sound is not the leak: where the
# "substantial" begins in Jeffreys (1961), Theory of Probability, appendix B (from memory).
NOT_THE_LEAK = 3.16
PARTS = ("all_off", "fitting_worked", "supply_shut")
# Whether each maker falls silent in each part of a stop test.
FALLS = {
    "leak": (False, False, True),
    "maker_tap": (True, False, True),
    "maker_machine": (True, False, False),
    "maker_outside": (False, False, False),
    "maker_fitting": (False, True, True),
    "maker_hidden": (False, False, True),
}
MAKERS = tuple(name for name in FALLS if name != "leak")
ALL_SHUT = ("all shut", "all taps shut")


def falls(survey: Survey, test: SurveyedStop) -> Floats:
    """Return the log density of each part's fall where the sound stays and where it stops.

    Shape (3, 2) in the order of `PARTS`; 0 in both where a part was not done.
    """
    scale = float(np.sqrt(2.0)) * max(survey.site.levels.level_sigma_db, 0.5) * T_SCALE
    least, most = setting("stop_fall_least").value, setting("stop_fall_most").value
    out = np.zeros((len(PARTS), 2))
    levels = (test.all_off_db, test.fitting_worked_db, test.supply_shut_db)
    for i, level in enumerate(levels):
        fall = test.as_found_db - level
        if not np.isfinite(fall):
            continue
        out[i, 0] = log_density(np.array(fall / scale)) - np.log(scale)
        edges = (fall - np.array([least, most])) / scale
        within = distribution(edges)
        out[i, 1] = np.log(max(float(within[0] - within[1]), 1e-12) / (most - least))
    return out


def _likelihood(parts: Floats, maker: str) -> float:
    """Return the log density of a test for one maker, a part misread with a stated chance."""
    wrong = setting("stop_misread").value
    total = 0.0
    for i, silent in enumerate(FALLS[maker]):
        stays, stops = parts[i]
        right, other = (stops, stays) if silent else (stays, stops)
        total += float(np.logaddexp(np.log1p(-wrong) + right, np.log(wrong) + other))
    return total


class StopTests:
    """Everything that tells a leak from another maker of sound, at places of the network."""

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        weight = {name: setting(name).value for name in MAKERS}
        if meter_turned(survey):
            weight["maker_tap"] *= setting("meter_turns").value
        self.makers = weight
        self.tests = tuple(t for t in survey.stops if not self.overtaken(t))
        self.parts = [falls(survey, test) for test in self.tests]

    def overtaken(self, test: SurveyedStop) -> bool:
        """Tell whether what a test silenced was off when the place was read again."""
        silenced = falls(self.survey, test)[:2]
        fell = bool(np.any(silenced[:, 1] > silenced[:, 0]))
        return fell and self.off_near(test.leg, test.chainage_m)

    def off_near(self, leg: int, chainage_m: float) -> bool:
        """Tell whether the sound at a place was listened to with everything off."""
        for rows in (self.survey.surface, self.survey.contact):
            near = (rows.leg == leg) & (np.abs(rows.chainage_m - chainage_m) < SAME_SOUND_M)
            if near.any():
                return bool(rows.everything_off[near].mean() >= 0.5)
        return False

    def of_leak(self, leg: Ints, chainage_m: Floats) -> Floats:
        """Return the log weight of the tests for a leak heard at each place, shape (k,)."""
        out = np.zeros(len(leg))
        for test, parts in zip(self.tests, self.parts, strict=True):
            near = (leg == test.leg) & (np.abs(chainage_m - test.chainage_m) < SAME_SOUND_M)
            out[near] += _likelihood(parts, "leak") - _neither(parts)
        return out

    def of_another(self, leg: Ints, chainage_m: Floats, *, shot: bool) -> Floats:
        """Return the log weight for a sound of another maker at each place, shape (k,).

        ``shot``: the places are shot fittings, so what sounds is no valve that nobody knows of.

        Listening with everything off leaves out the makers that were off, but for those that
        somebody forgot.
        """
        out = np.empty(len(leg))
        wrong = setting("stop_misread").value
        off = self._off(leg, chainage_m)
        rows = np.zeros((len(MAKERS), len(leg)))
        known = 1.0 - setting("maker_hidden").value
        for i, name in enumerate(MAKERS):
            hidden = shot and name == "maker_hidden"
            rows[i] = -np.inf if hidden else np.log(self.makers[name] / (known if shot else 1.0))
            if FALLS[name][0]:
                rows[i] += np.where(off, np.log(wrong), 0.0)
            for test, parts in zip(self.tests, self.parts, strict=True):
                near = (leg == test.leg) & (np.abs(chainage_m - test.chainage_m) < SAME_SOUND_M)
                rows[i, near] += _likelihood(parts, name) - _neither(parts)
        top = rows.max(axis=0)
        out = top + np.log(np.exp(rows - top).sum(axis=0))
        return out

    def _off(self, leg: Ints, chainage_m: Floats) -> npt.NDArray[np.bool_]:
        keys = np.stack([leg, np.round(chainage_m)]).astype(np.int64)
        unique, back = np.unique(keys, axis=1, return_inverse=True)
        told = np.array([self.off_near(int(a), float(b)) for a, b in unique.T], dtype=bool)
        out: npt.NDArray[np.bool_] = told[back.ravel()]
        return out


def _neither(parts: Floats) -> float:
    """Return the log density of a test that is of no matter: each part stays or stops evenly."""
    return float(np.logaddexp(parts[:, 0], parts[:, 1]).sum() - len(parts) * np.log(2.0))


def odds_of_another(survey: Survey, test: SurveyedStop) -> float:
    """Return how much likelier a stop test is for another maker than for the leak."""
    parts = falls(survey, test)
    another = [np.log(setting(m).value) + _likelihood(parts, m) for m in MAKERS]
    return float(np.exp(np.logaddexp.reduce(another) - _likelihood(parts, "leak")))


def meter_turned(survey: Survey) -> bool:
    """Tell whether a watch with every tap shut saw the register rise."""
    runs: dict[str, list[float]] = {}
    for row in survey.site.meter:
        if row.state.strip().casefold() in ALL_SHUT:
            runs.setdefault(row.run, []).append(row.reading)
    return any(len(run) > 1 and run[-1] > run[0] for run in runs.values())


def of_the_leak(survey: Survey, rows: Levels) -> Levels:
    """Return the rows that may tell of the leak.

    Where a stop test told that the sound was not the leak and the line was read again with
    everything off, rows from before tell of that other sound and are left out.
    """
    off = rows.everything_off
    if not off.any() or off.all():
        return rows
    if not any(odds_of_another(survey, test) > NOT_THE_LEAK for test in survey.stops):
        return rows
    kept = np.flatnonzero(off)
    changed: dict[str, Any] = {}
    for name in Levels.__slots__:
        value = getattr(rows, name)
        if isinstance(value, np.ndarray):
            changed[name] = value[kept]
        elif name in ("id", "surface", "origin") and value:
            changed[name] = tuple(value[i] for i in kept)
    return replace(rows, **changed)
