"""Where each line of evidence and posterior runs: one side of it, and the other."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from geoleak.evidence import gather, levels
from geoleak.evidence.base import Belief, Nodes, candidates
from geoleak.evidence.delay import DelayEvidence
from geoleak.evidence.isolation import IsolationEvidence, MeterEvidence, Parts, outcome_of
from geoleak.evidence.pooling import CENSORED_CURVATURE, pool
from geoleak.evidence.seen import HoleEvidence
from geoleak.linref import Route
from geoleak.network.network import Joint
from geoleak.posterior import grid, infer
from geoleak.posterior import run as inference
from geoleak.record import replace
from geoleak.site import Hole, Isolation, LevelSettings, Place, Point
from geoleak.survey.records import (
    PipePlace,
    SurveyedDelay,
    SurveyedHole,
    SurveyedIsolation,
    SurveyedPoint,
)
from tests import synthetic

NONE = Nodes.over((), count=1)


def places(survey, *chainage):
    where = np.array(chainage, dtype=float)
    return candidates(survey, np.zeros(len(where), dtype=np.int64), where, np.ones(len(where)))


# -- levels ------------------------------------------------------------------------------------


def test_a_reading_is_no_better_than_half_a_decibel():
    rows = synthetic.levels("surface", [50.0], 40.0, route=synthetic.straight())
    fine = pool(rows, LevelSettings(level_sigma_db=0.5, place_sigma_db=0.5))
    finer = pool(rows, LevelSettings(level_sigma_db=0.1, place_sigma_db=0.1))
    assert not fine.notes
    assert finer.notes[0].code == "sigma_too_small"
    assert finer.sigma == pytest.approx(fine.sigma)


def test_repeats_that_agree_scatter_by_their_rounding():
    """A figure rounded to a whole step is off evenly by up to half of one: variance 1/12."""
    route = synthetic.straight()
    rows = synthetic.levels("surface", np.full(5, 50.0), 40.0, route=route, place=np.zeros(5, int))
    even = stats.uniform(-0.5, 1.0).var()
    assert pool(rows, LevelSettings()).squares_db2 == pytest.approx([4 * even])


def test_the_step_of_a_censored_row_overshoots_nowhere():
    """Its curvature bounds that of log F: the greatest by differences is a tenth under it."""
    z = np.linspace(-20.0, 20.0, 40_001)
    curvature = -np.gradient(np.gradient(stats.t.logcdf(z, 4), z), z)
    assert 0.85 * CENSORED_CURVATURE < curvature.max() < CENSORED_CURVATURE


def a_leak():
    """Return a survey of levels over a leak at 50 m."""
    chainage = np.arange(38.0, 62.0, 1.5)
    level = 40.0 + 15.0 / (1.0 + np.abs(chainage - 50.0))
    rows = synthetic.levels("surface", chainage, level, route=synthetic.straight())
    return synthetic.survey(surface=rows)


@pytest.mark.parametrize(
    ("name", "other", "within"), [("CHUNK", 1, 1e-6), ("STRENGTH_STEP_DB", 1.0, 0.08)]
)
def test_how_readings_are_summed_changes_no_odds(name, other, within, monkeypatch):
    found = []
    for value in (getattr(levels, name), other):
        monkeypatch.setattr(levels, name, value)
        (kind,) = gather(a_leak())
        nodes = Nodes.over(kind.nuisances, count=8)
        judged = kind.log_likelihood(places(kind.survey, *np.arange(35.0, 65.0, 0.25)), nodes)
        found.append(judged)
    np.testing.assert_allclose(found[1] - found[0], 0.0, atol=within)


# -- delays ------------------------------------------------------------------------------------


def delays(count, sigma_s):
    ends = (PipePlace(0, 0.0), PipePlace(0, 100.0))
    made = tuple(SurveyedDelay(f"d{i}", *ends, -0.02, sigma_s) for i in range(count))
    return DelayEvidence(synthetic.survey(delays=made))


@pytest.mark.parametrize(("sigma_s", "said"), [(0.9e-6, True), (1.1e-6, False)])
def test_a_sigma_left_at_nought_is_said(sigma_s, said):
    kind = delays(1, sigma_s)
    assert ("sigma_too_small" in {note.code for note in kind.notes()}) is said
    timing = kind.noise_s2[0, 0] - kind._path_sigma(kind.timed[0]) ** 2
    assert timing == pytest.approx(2e-5**2)


def test_up_to_four_delays_may_be_wrong_together():
    assert len(delays(4, 1e-3)._subsets()) == 2**4
    assert len(delays(5, 1e-3)._subsets()) == 2 + 5


@pytest.mark.parametrize(("off", "said"), [(3.9, False), (4.1, True)])
def test_a_speed_check_far_off_is_said(off, said):
    ends = (PipePlace(0, 0.0), PipePlace(0, 100.0))
    plain = SurveyedDelay("c", *ends, 0.0, 1e-4, speed_check=True)
    kind = DelayEvidence(synthetic.survey())
    metres, noise = kind._between(plain), kind._noise(plain)
    spread = np.sqrt(metres @ kind.speeds.covariance @ metres + noise**2)
    check = replace(plain, delay_s=float(metres @ kind.speeds.slowness + off * spread))
    found = DelayEvidence(synthetic.survey(delays=(check,)))
    assert ("speed_check_far" in {note.code for note in found.notes()}) is said
    # And it is no reason to dig.
    fit = found.fit(None, None, None)
    assert fit.against is said
    assert fit.text.startswith(
        "speed check c is 4 sigma" if said else "the wave speed was measured"
    )


@pytest.mark.parametrize(("chance", "agrees"), [(0.049, False), (0.051, True)])
def test_a_delay_hardly_explained_is_named(chance, agrees, monkeypatch):
    kind = delays(1, 1e-3)
    monkeypatch.setattr(DelayEvidence, "_explained", lambda *_: chance)
    belief = Belief(places(kind.survey, 20.0), NONE, np.zeros(1, dtype=int))
    assert kind.fit(belief, None, None).agrees is agrees


# -- meter, shut-off tests, holes --------------------------------------------------------------


@pytest.mark.parametrize(("beyond", "agrees"), [(0.09, False), (0.11, True)])
def test_the_meter_speaks_against_a_side_under_one_in_ten(beyond, agrees):
    survey = synthetic.survey()
    sides = {"before": 1.0 - beyond, "beyond": beyond, "both": 0.0}
    kind = MeterEvidence(survey, PipePlace(0, 50.0), sides)
    belief = Belief(places(survey, 70.0, 80.0), NONE, np.zeros(2, dtype=int))
    assert kind.fit(belief, None, None).agrees is agrees


@pytest.mark.parametrize(("codes", "enters_m"), [("MTR2", 100.0), ("", 0.0), ("WM WM", 0.0)])
def test_a_valve_shut_at_the_meter_weighs_what_a_row_of_the_sheet_does(codes, enters_m):
    """Whichever way the leg was traced: the meter on file is where water enters."""
    shot = tuple(
        SurveyedPoint(Point(c, 0.0, 0.0, c), 0.0, 0.0, 0.0, 0.02, "fitting", 0, 100.0, 0.0)
        for c in ("HV", *codes.split())
    )
    valve, survey = PipePlace(0, 50.0), synthetic.survey(points=shot)
    sides = {"before": 0.01, "beyond": 0.99, "both": 0.0}
    row = Isolation("i", ("V",), result="stopped")
    for supply in (None, PipePlace(0, enters_m)):
        tested = replace(survey, isolations=(SurveyedIsolation(row, (valve,), supply),))
        sheet, meter = IsolationEvidence(tested), MeterEvidence(survey, valve, sides)
        odds = [np.ptp(each.judge(places(survey, 20.0, 80.0))[0]) for each in (sheet, meter)]
        likelier = [np.argmax(each.judge(places(survey, 20.0, 80.0))[0]) for each in (sheet, meter)]
        assert likelier == [int(enters_m == 0.0)] * 2
        assert odds[0] == pytest.approx(odds[1], abs=0.2)
    assert bool(meter.notes()) is (codes != "MTR2")


@pytest.mark.parametrize(
    ("before", "after", "outcome"),
    [(1.0, 0.099, "stopped"), (1.0, 0.101, "slower"), (1.0, 0.899, "slower"), (1.0, 0.901, "same")],
)
def test_a_flow_stops_drops_or_stays(before, after, outcome):
    flows = {"flow_before_l_per_s": before, "flow_after_l_per_s": after}
    assert outcome_of(Isolation("i", ("V",), **flows)) == outcome


@pytest.mark.parametrize(
    ("high", "fall", "outcome"),
    [(40.0, 4.9, "same"), (40.0, 5.1, "stopped"), (400.0, 39.0, "same"), (400.0, 41.0, "stopped")],
)
def test_a_pressure_falls_by_a_tenth_and_5_kpa_or_holds(high, fall, outcome):
    kpa = {"pressure_before_kpa": high, "pressure_after_kpa": high - fall}
    assert outcome_of(Isolation("i", ("V",), **kpa)) == outcome


def test_a_valve_on_a_tee_stands_a_centimetre_along_its_own_leg():
    branch = Route.from_vertices([(30.0, 0.0), (30.0, 40.0)])
    survey = synthetic.survey([synthetic.straight(60.0), branch], joints=[Joint(0, 30.0, 1, 0.0)])
    parts = Parts(survey, (PipePlace(1, 0.0),))
    leg = np.array([0, 1, 1])
    main, before, after = parts.of(leg, np.array([10.0, 0.009, 0.011]))
    assert main == before != after


@pytest.mark.parametrize(("inside", "agrees"), [(0.977, True), (0.979, False)])
def test_a_dry_hole_where_the_rest_was_sure_contradicts(inside, agrees):
    """The rest gave the stretch `inside`: that it is dry has 1 - 0.97 of that, and the rest."""
    survey = synthetic.survey()
    row = Hole("h", Place("leg", ""), Place("leg", ""), pipe_exposed=True, outcome="dry")
    kind = HoleEvidence(replace(survey, holes=(SurveyedHole(row, 0, 40.0, 42.0),)))
    where = places(survey, 41.0, 90.0)
    chance = np.exp(kind.judge(where)[0])
    # Over the most a dry hole could expect: (1 - x) + x c(41) / c(90), 0.04 at x = 0.978.
    expected = (1 - inside) + inside * chance[0] / chance[1]
    mass = np.array([inside, 1 - inside]) * chance
    fit = kind.fit(None, where, mass / mass.sum())
    assert fit.p_value == pytest.approx(expected, rel=1e-6)
    assert fit.agrees is agrees
    assert bool(expected > 0.04) is agrees


# -- the posterior -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("room", "name", "other"), [(grid, "COARSEST_M", 1.25), (inference, "WIDER", 1.4)]
)
def test_where_places_and_nodes_begin_changes_no_answer(room, name, other, monkeypatch):
    plain = infer(a_leak())
    monkeypatch.setattr(room, name, other)
    moved = infer(a_leak())
    a, b = plain.peaks[0], moved.peaks[0]
    assert b.median_m == pytest.approx(a.median_m, abs=0.03)
    assert b.sigma_m == pytest.approx(a.sigma_m, rel=0.03)
    assert moved.elsewhere == pytest.approx(plain.elsewhere, abs=0.01)
