"""What each guess of rivals, stop tests and checks means: the place, chance or minutes of it."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from geoleak.advice.checks import _finds, minutes_of, reading_minutes
from geoleak.evidence.stop import StopTests, _judged, falls
from geoleak.posterior import Explanation, InferenceOptions, rivals
from geoleak.posterior.run import begin
from geoleak.record import replace
from tests import synthetic
from tests.test_rivals import across, listened, watched

AT = np.array([0]), np.array([47.3])


@pytest.fixture
def looked_at(monkeypatch):
    """Return where off the line leaks are weighed, by how far aside and at which chainage."""
    found, made = [], rivals.candidates

    def candidates(survey, leg, chainage_m, aside_m=None):
        if aside_m is not None:
            found.append((sorted(set(np.round(aside_m, 6))), None))
        elif np.max(chainage_m) > 100.0:
            found.append((None, np.round(chainage_m, 6).tolist()))
        return made(survey, leg, chainage_m, **({} if aside_m is None else {"aside_m": aside_m}))

    monkeypatch.setattr(rivals, "candidates", candidates)
    return found


def explainer(survey):
    return rivals.Explainer(begin(survey, InferenceOptions(nodes=16, most_nodes=16)))


def test_a_line_aside_is_looked_for_from_half_a_trench_to_four_metres(looked_at, monkeypatch):
    """In four strips from 0.7 to 4.3 m; on another's supply in three of ten."""
    fed, real = [], StopTests.of_leak

    def of_leak(self, *places, **parts):
        fed.append(parts["fed"])
        return real(self, *places, **parts)

    monkeypatch.setattr(StopTests, "of_leak", of_leak)
    explain = explainer(listened())
    cells = rivals.first_cells(explain.run.survey, explain.run.hints)
    explain._aside(cells, np.zeros(len(cells)))
    assert [aside for aside, _ in looked_at if aside] == [
        pytest.approx([0.7 + 3.6 * part for part in (0.125, 0.375, 0.625, 0.875)])
    ]
    assert fed == [pytest.approx(0.7)]


def test_past_an_end_a_leak_is_looked_for_over_six_metres(looked_at):
    explain = explainer(listened(leak=98.0, first=80.0, last=100.0))
    explain._beyond(0.0)
    assert [past for _, past in looked_at if past] == [
        pytest.approx([100.5, 101.5, 102.5, 103.5, 104.5, 105.5])
    ]


@pytest.mark.parametrize(("from_end_m", "done"), [(5.9, False), (6.1, True)])
def test_an_end_that_far_off_has_no_leak_past_it(from_end_m, done):
    stops = StopTests(listened())
    assert ("beyond" in rivals.checked(stops, 0, 100.0 - from_end_m)) is done


@pytest.mark.parametrize(("out_m", "done"), [(0.69, False), (0.71, True)])
def test_readings_within_half_a_trench_are_not_beside_the_line(out_m, done):
    survey = listened()
    rows = across(survey, 47.3, 0.0).surface
    off = np.sign(rows.offset_m) * out_m
    survey = replace(survey, surface=replace(rows, offset_m=off))
    assert ("aside" in rivals.checked(StopTests(survey), 0, 47.3)) is done
    assert rows.offset_m.any()


# -- stop tests --------------------------------------------------------------------------------


def test_one_part_of_a_stop_test_in_a_hundred_is_misread():
    """A sound that goes on with all off: the leak's does but for a slip, a tap's by one alone."""
    survey, test = listened(), synthetic.stop(47.3, found=60.0, off=60.0)
    stays, stops = np.exp(falls(survey, test)[0])
    leak, tap = np.exp(_judged(survey, [test])[1][0, :2])
    assert (leak, tap) == pytest.approx(
        (0.99 * stays + 0.01 * stops, 0.99 * stops + 0.01 * stays), rel=1e-9
    )
    assert leak > 50 * tap


def test_a_sound_that_stops_falls_to_the_background_four_times_in_five():
    """That is known to 3 dB; in the fifth another sound goes on, and it falls by 6 to 30."""
    survey = listened()
    level = survey.surface.level_db
    near = np.abs(survey.surface.chainage_m - 47.3) < 3.0
    excess = float(level[near].max() - np.quantile(level, 0.2))
    error = 0.831 * np.sqrt(2.0) * survey.site.levels.level_sigma_db
    known, reading = stats.t(4, scale=np.hypot(error, 3.0 * 0.831)), stats.t(4, scale=error)
    for fall in (8.0, excess, excess + 6.0):
        partly = (reading.cdf(fall - 6.0) - reading.cdf(fall - 30.0)) / 24.0
        expected = 0.2 * partly + 0.8 * known.pdf(fall - excess)
        found = falls(survey, synthetic.stop(47.3, found=60.0, off=60.0 - fall))
        assert np.exp(found[0, 1]) == pytest.approx(expected, rel=1e-6)


def test_a_meter_that_turns_halves_the_taps_and_one_that_stands_leaves_a_leak_in_fifty():
    """Four of ten sounds are of taps."""
    turns, still = (StopTests(watched(listened(), *each)) for each in ((0, 10), (10, 10, 10)))
    assert np.exp(turns.of_another(*AT, shot=False)) == pytest.approx(0.6 + 0.4 / 2)
    assert np.exp(turns.of_leak(*AT)) == pytest.approx(1.0)
    assert np.exp(still.of_leak(*AT)) == pytest.approx(1 / 50)
    assert np.exp(still.of_another(*AT, shot=False)) == pytest.approx(1.0)


def test_makers_by_what_tells_them_from_the_leak():
    """Taps and machines stop with all off; a valve that nobody knows of does as the leak does."""
    stops = StopTests(listened())
    assert stops.told_apart(0, 47.3, shot=False, off=True) == pytest.approx(0.65)
    assert stops.told_apart(0, 47.3, shot=False) == pytest.approx(0.9)
    assert stops.told_apart(0, 47.3, shot=True, off=True) == pytest.approx(0.65 / 0.9)


# -- checks ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "rival", "finds"), [("across", "aside", 0.95), ("trace_on", "beyond", 0.9)]
)
def test_a_check_tells_its_rival_nine_times_in_ten_and_more(kind, rival, finds):
    none = Explanation(rival, 0.05, np.zeros(1), 0.0, (0, 47.3, 0.0), None)
    assert _finds(StopTests(listened()), kind, none) == finds


def test_what_nobody_timed_takes_the_minutes_of_the_method():
    survey = synthetic.survey()
    assert reading_minutes(survey) == 2.0
    assert minutes_of(survey, "redo", ((0, 1.0, 0.0),), "check_redo_minutes") == 15.0
    assert minutes_of(survey, "again", ((0, 1.0, 0.0),) * 3, "reading_minutes") == 6.0
