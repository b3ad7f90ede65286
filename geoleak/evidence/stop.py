"""What the site says of the maker of a sound: stop tests, and listening with everything off.

A leak stays when taps and machines are off, stays when a fitting is worked, dies with the supply.
What is not the leak has a maker: a tap, a machine here or next door, a valve, or a valve nobody
knows of that behaves as the leak does. Shares and misreadings stand in tables/rivals.csv.
"""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from typing import Any

import numpy as np

from geoleak.evidence.pooling import SIGMAS_95, T_SCALE, distribution, log_density
from geoleak.record import Bools, Floats, Ints, replace
from geoleak.site import NOWHERE, Place, StopTest
from geoleak.survey import Levels, Survey, SurveyedStop, taken
from geoleak.tables import setting

# What is heard at a place comes from within this much of it, along the pipe: about what a peak
# is wide (common practice, no source).
SAME_SOUND_M = 3.0
# Odds from which a stop test is said to tell that the sound is not the leak: where the
# "substantial" begins in Jeffreys (1961), Theory of Probability, appendix B (from memory).
NOT_THE_LEAK = 3.16
# Readings this near a stop test stand at its place (common practice, no source); a level that
# differs from theirs by more than 95 % of a normal allows is of another.
BESIDE_M = 1.0
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


def falls(survey: Survey, test: SurveyedStop) -> Floats:
    """Return the log density of each part's fall where the sound stays and where it stops.

    Shape (3, 2) in the order of `PARTS`; 0 in both where a part was not done. What stops falls to
    the background, as far as the peak stands over it in the survey; less where another sound goes
    on under it, or where nobody read near.
    """
    scale = float(np.sqrt(2.0)) * max(survey.site.levels.level_sigma_db, 0.5) * T_SCALE
    least, most = setting("stop_fall_least").value, setting("stop_fall_most").value
    near, excess = _near(survey, test.leg, test.chainage_m), None
    if near is not None and not near[1].all():
        # Over the quietest fifth; not known where nobody read.
        heard = near[0].level_db
        excess = float(heard[near[1]].max() - np.quantile(heard, 0.2))
    partly = 1.0 if excess is None else setting("stop_partly").value
    out = np.zeros((len(PARTS), 2))
    levels = (test.all_off_db, test.fitting_worked_db, test.supply_shut_db)
    for i, level in enumerate(levels):
        fall = test.as_found_db - level
        if not np.isfinite(fall):
            continue
        out[i, 0] = log_density(np.array(fall / scale)) - np.log(scale)
        edges = (fall - np.array([least, most])) / scale
        within = distribution(edges)
        stopped = partly * max(float(within[0] - within[1]), 1e-12) / (most - least)
        if excess is not None:
            wide = float(np.hypot(scale, setting("stop_partly").spread * T_SCALE))
            z = np.array((fall - max(excess, least)) / wide)
            stopped += (1.0 - partly) * float(np.exp(log_density(z))) / wide
        out[i, 1] = np.log(stopped)
    return out


def _near(survey: Survey, leg: int, chainage_m: float) -> tuple[Levels, Bools] | None:
    """Return the readings of which some are of the sound at a place, and which those are."""
    for rows in (survey.surface, survey.contact):
        close = rows.near(leg, chainage_m, SAME_SOUND_M)
        if close.any():
            return rows, close
    return None


def read_off(survey: Survey, test: SurveyedStop) -> tuple[Levels, Ints]:
    """Return the readings of a test's sound that were taken with everything off, by number."""
    near = _near(survey, test.leg, test.chainage_m)
    rows, close = near or (survey.surface, np.zeros(len(survey.surface), dtype=np.bool_))
    return rows, np.flatnonzero(close & rows.everything_off)


def heard_otherwise(survey: Survey, test: SurveyedStop) -> tuple[float, float] | None:
    """Return the levels read beside a test that began at another level; None: it began as read.

    It was made at another place or gain, or the sound has changed since: it tells nothing of the
    sound that was read. Returned are the least and the greatest level within `BESIDE_M`.
    """
    error = np.hypot(
        np.sqrt(2.0) * survey.site.levels.level_sigma_db, setting("session_offset").value
    )
    told = None
    for rows in (survey.surface, survey.contact):
        away = np.hypot(rows.chainage_m - test.chainage_m, rows.offset_m)
        close = (rows.leg == test.leg) & (away <= BESIDE_M)
        if not close.any():
            continue
        levels = rows.level_db[close]
        low, high = float(levels.min()), float(levels.max())
        if max(low - test.as_found_db, test.as_found_db - high) <= SIGMAS_95 * error:
            return None
        told = told or (low, high)
    return told


def _judged(survey: Survey, tests: Sequence[SurveyedStop]) -> tuple[list[Floats], Floats]:
    """Return the parts of tests, and the log density of each for each of `FALLS`, (tests, makers).

    A part is misread with a stated chance. What dies with the supply goes on as well where the shut
    valve passes, but one that was proven: that is asked for once a sound went on.
    """
    silent = np.array([*FALLS.values()])
    every: list[Floats] = []
    out = np.zeros((len(tests), len(FALLS)))
    went_on: list[SurveyedStop] = []
    for i, test in enumerate(tests):
        parts = falls(survey, test)
        wrong = np.full(silent.shape, setting("stop_misread").value)
        if not tests_of(went_on, test.leg, test.chainage_m):
            wrong[silent[:, 2], 2] = setting("valve_passes").value
        if parts[2, 0] > parts[2, 1]:
            went_on.append(test)
        right, other = (np.where(each, parts[:, 1], parts[:, 0]) for each in (silent, ~silent))
        each = np.logaddexp(np.log1p(-wrong) + right, np.log(wrong) + other)
        out[i] = each.sum(axis=1)
        every.append(parts)
    return every, out


class StopTests:
    """Everything that tells a leak from another maker of sound, at places of the network."""

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        weight = {name: setting(name).value for name in MAKERS}
        watched = "cannot_tell" if survey.meter is None else survey.meter.verdict
        if watched == "leak":
            weight["maker_tap"] *= setting("meter_turns").value
        self.makers = weight
        # A leak that is heard so flows more than a register that stood still leaves.
        still = watched == "none_seen"
        self.flows = float(np.log(setting("meter_still").value)) if still else 0.0
        told = [(t, heard_otherwise(survey, t)) for t in survey.stops if not self.overtaken(t)]
        self.otherwise = tuple((t, levels) for t, levels in told if levels)
        self.made = tuple(t for t, levels in told if not levels)
        self.by_rod = tuple(t for t in tests_by_rod(survey) if not self.overtaken(t))
        self.tests = (*self.made, *self.by_rod)
        self.parts, self.weights = _judged(survey, self.tests)
        for parts, weight in zip(self.parts, self.weights, strict=True):
            # Over a test that is of no matter: each part stays or stops evenly.
            weight -= np.logaddexp(parts[:, 0], parts[:, 1]).sum() - len(parts) * np.log(2.0)

    def overtaken(self, test: SurveyedStop) -> bool:
        """Tell whether the place was read with everything off, without the sound a test silenced.

        By the ear, not by word: what is as loud there as the test found it has not gone.
        """
        levels = np.array([test.all_off_db, test.fitting_worked_db])
        parts = falls(self.survey, test)[:2]
        fell = levels[parts[:, 1] > parts[:, 0]]
        rows, off = read_off(self.survey, test)
        beside = np.abs(rows.chainage_m[off] - test.chainage_m) <= BESIDE_M
        if len(fell) == 0 or not beside.any():
            return False
        return bool(rows.level_db[off].max() < 0.5 * (test.as_found_db + fell.min()))

    def off_near(self, leg: int, chainage_m: float) -> bool:
        """Tell whether the sound at a place was listened to with everything off.

        Most of what was heard there, the loudest too: what was loud before all was off says
        nothing of what is left. A test in which turning all off silenced it tells that it was not.
        """
        near = _near(self.survey, leg, chainage_m)
        if near is None:
            return False
        rows, close = near
        loudest = int(np.argmax(np.where(close, rows.level_db, -np.inf)))
        off = rows.everything_off[close].mean() >= 0.5 and rows.everything_off[loudest]
        return bool(off) and not self.stopped(leg, chainage_m, "all_off")

    def of_leak(self, leg: Ints, chainage_m: Floats, *, fed: float = 1.0) -> Floats:
        """Return the log weight of the tests for a leak heard at each place, shape (k,).

        Of the meter's too, where it stood still with every tap shut. ``fed``: chance that the pipe
        it is on is fed by the supply that was shut.
        """
        out = self.flows + self._weights("leak", leg, chainage_m)
        foreign = self._weights("maker_outside", leg, chainage_m)
        with np.errstate(divide="ignore"):
            mixed: Floats = np.logaddexp(np.log(fed) + out, np.log1p(-fed) + foreign)
        return mixed

    def silenced(self) -> bool:
        """Tell whether turning something here off, or a fitting, silenced a sound in a test."""
        made = self.parts[: len(self.made)]
        return any(bool(np.any(parts[:2, 1] > parts[:2, 0])) for parts in made)

    def stopped(self, leg: int, chainage_m: float, part: str) -> bool:
        """Tell whether the sound at a place stopped in a part of a test, one of `PARTS`."""
        told, k = zip(self.tests, self.parts, strict=True), PARTS.index(part)
        return any(tests_of((t,), leg, chainage_m) and p[k, 1] > p[k, 0] for t, p in told)

    def of_another(self, leg: Ints, chainage_m: Floats, *, shot: bool) -> Floats:
        """Return the log weight for a sound of another maker at each place, shape (k,).

        ``shot``: the places are shot fittings, so what sounds is no valve that nobody knows of.
        """
        return np.logaddexp.reduce(self._by_maker(leg, chainage_m, shot=shot))

    def told_apart(self, leg: int, chainage_m: float, *, shot: bool, off: bool = False) -> float:
        """Return the share of other makers at a place that a stop test tells from the leak.

        ``off``: that listening with everything off alone does.
        """
        at = np.array([leg]), np.array([chainage_m])
        share = np.exp(self._by_maker(*at, shot=shot)[:, 0])
        told = [FALLS[name][0] if off else FALLS[name] != FALLS["leak"] for name in MAKERS]
        return float(share[np.array(told)].sum() / max(share.sum(), 1e-300))

    def _by_maker(self, leg: Ints, chainage_m: Floats, *, shot: bool) -> Floats:
        """Return the log weight of each maker at each place, shape (makers, k).

        Listening with everything off leaves out the makers that were off, but for those that
        somebody forgot.
        """
        keys = np.stack([leg, np.round(chainage_m)]).astype(np.int64)
        unique, back = np.unique(keys, axis=1, return_inverse=True)
        off = np.array([self.off_near(int(a), float(b)) for a, b in unique.T])[back.ravel()]
        forgot = np.where(off, np.log(setting("stop_misread").value), 0.0)
        known = 1.0 - setting("maker_hidden").value if shot else 1.0
        rows = np.full((len(MAKERS), len(leg)), -np.inf)
        for i, name in enumerate(MAKERS):
            if not (shot and name == "maker_hidden"):
                rows[i] = np.log(self.makers[name] / known) + FALLS[name][0] * forgot
                rows[i] += self._weights(name, leg, chainage_m)
        return rows

    def _weights(self, maker: str, leg: Ints, chainage_m: Floats) -> Floats:
        """Return the log weight of the tests for one maker at each place, shape (k,)."""
        out = np.zeros(len(leg))
        for test, weight in zip(self.tests, self.weights, strict=True):
            near = (leg == test.leg) & (np.abs(chainage_m - test.chainage_m) < SAME_SOUND_M)
            out[near] += weight[[*FALLS].index(maker)]
        return out


def tests_by_rod(survey: Survey) -> tuple[SurveyedStop, ...]:
    """Return what rods pushed with everything off tell of the sound that the ground had, as tests.

    Beside what sounds a rod is louder than the ground above it, by the depth it spares: one that is
    as loud as the ground was goes on; a fainter one is silent by that much.
    """
    rod, ground, found = survey.rod, survey.surface, []
    level, left = rod.at_one_gain_db, rod.everything_off.copy()
    while left.any():
        top = int(np.argmax(np.where(left, level, -np.inf)))
        leg, at = int(rod.leg[top]), float(rod.chainage_m[top])
        left &= ~rod.near(leg, at, SAME_SOUND_M)
        near = ground.near(leg, at, SAME_SOUND_M)
        if near.any():
            loud = float(ground.at_one_gain_db[near].max())
            place = Place("leg", "", leg=survey.legs[leg].name, chainage_m=at)
            origin = rod.origin[top] if rod.origin else NOWHERE
            test = StopTest(f"rod {rod.id[top]}", place, origin=origin)
            quiet = min(float(level[top]), loud)
            found.append(SurveyedStop(test, leg, at, loud, quiet, np.nan, np.nan))
    return tuple(found)


def odds_of_another(survey: Survey, *tests: SurveyedStop) -> float:
    """Return how much likelier stop tests of one sound are for another maker than for the leak."""
    leak, *another = _judged(survey, tests)[1].sum(axis=0)
    shares = np.log([setting(maker).value for maker in MAKERS])
    return float(np.exp(np.clip(np.logaddexp.reduce(shares + another) - leak, -700, 700)))


def speaks_against(survey: Survey, test: SurveyedStop) -> str:
    """Return what in a stop test speaks against the leak; nothing where it does not."""
    off, _, shut = falls(survey, test)
    if shut[0] > shut[1]:
        return "it goes on with the supply shut: the valve passes, or it is not of this pipe"
    if odds_of_another(survey, test) <= NOT_THE_LEAK:
        return ""
    return "it dies with taps and machines off" if off[1] > off[0] else "it changes with a fitting"


def is_another(survey: Survey, tests: tuple[SurveyedStop, ...]) -> bool:
    """Tell whether stop tests say of some place that its sound is not the leak."""
    here = (tests_of(tests, test.leg, test.chainage_m) for test in tests)
    return any(odds_of_another(survey, *each) > NOT_THE_LEAK for each in here)


def tests_of(
    tests: Sequence[SurveyedStop], leg: int, chainage_m: float
) -> tuple[SurveyedStop, ...]:
    """Return the stop tests of the sound that is heard at a place."""
    return tuple(t for t in tests if t.leg == leg and abs(t.chainage_m - chainage_m) < SAME_SOUND_M)


def of_the_leak(survey: Survey, kind: str) -> Survey:
    """Return the survey with those readings of a kind that may tell of the leak.

    Where a stop test told that the sound was not the leak and the line was read again with
    everything off, rows from before tell of that other sound and are left out.
    """
    rows: Levels = getattr(survey, kind)
    off = rows.everything_off
    if not off.any() or off.all() or not is_another(survey, survey.stops):
        return survey
    told: dict[str, Any] = {
        name: tuple(itertools.compress(getattr(rows, name), off))
        for name in ("id", "surface", "origin", "said")
    }
    kept: dict[str, Any] = {kind: replace(taken(rows, off), **told)}
    return replace(survey, **kept)
