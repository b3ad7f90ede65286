"""Dig, check first or listen on: what the rivals of a sound, and their checks, make of it."""

from __future__ import annotations

from datetime import timedelta
from types import SimpleNamespace

import numpy as np
import pytest

from geoleak.hydraulics import meter_test
from geoleak.record import replace
from geoleak.site import Crew, Hole, Note, Place
from geoleak.survey.records import SurveyedHole
from tests import synthetic
from tests.listened import (
    FIVE,
    asked,
    decided,
    documented,
    ended,
    gone_on,
    heard,
    judged,
    listened,
    pushed,
    rodded,
    stated,
    stopped,
    watched,
)

pytestmark = pytest.mark.usefixtures("few_nodes")
EVEN_WHEN, LEAST_THEN = 0.75, 0.02  # as the method states them
PASSES = synthetic.stop(47.3, off=60.0, worked=60.0, shut=40.0)
DIG = ("dig", None)


# -- what was checked ------------------------------------------------------------------------------


def test_an_undocumented_survey_is_checked_first():
    decision = decided(listened())
    assert decision.verdict == "check_first"
    assert decision.check.worth
    assert decision.check.chance_if_passed > decision.hole.chance
    assert decision.in_hole.if_heard > 0.9
    assert all(abs(at - decision.stake_m) < 2.0 for _, at, _ in decision.check.places)


def test_a_documented_survey_is_dug_at_once():
    assert asked(documented()) == DIG
    assert asked(stopped(documented(), PASSES)) == DIG


def test_a_loud_survey_with_everything_off_and_read_aside_needs_one_check():
    assert asked(documented(rod=())) == ("check_first", "rod")
    assert decided(documented(rod=())).check.minutes == 12.0


def test_faint_ground_is_listened_to_and_no_check_is_asked():
    route = synthetic.straight()
    at = np.arange(30.0, 65.0, 2.5)
    level = heard(at, 47.3, strength=4.0) + np.random.default_rng(4).normal(0, 3.0, len(at))
    rows = synthetic.levels("surface", at, level, route=route)
    assert asked(synthetic.survey([route], surface=rows, rivals=True)) == ("listen_on", None)


@pytest.mark.parametrize(("aside", "check"), [(0.0, DIG), (0.8, ("check_first", "across"))])
def test_a_rod_on_the_line_leaves_a_branch_beside_it_to_be_read_for(aside, check):
    """Everything off, the ends known, five pushes that fall to both sides, nothing read aside."""
    survey = ended(listened(off=True, fittings=(0.0, 100.0)), "start", "end")
    level = heard(survey.surface.chainage_m, 47.3, aside=aside)
    level = level + np.random.default_rng(1).normal(0, 1.5, len(level))
    survey = replace(survey, surface=replace(survey.surface, level_db=level))
    assert asked(rodded(survey, FIVE, 47.3, aside=aside)) == check


def test_rods_that_are_loudest_outside_the_hole_are_not_said_to_agree_with_it():
    decision = decided(pushed(documented(rod=()), [48.7, 49.2, 49.7], [46.0, 50.0, 42.0]))
    assert "rod_outside" in {each.code for each in decision.doubts}
    assert decision.verdict == "check_first"
    assert not any("rod readings agree" in each for each in decision.reasons)
    assert any("rod readings agree" in each for each in decided(documented()).reasons)


def test_a_rod_that_leaves_doubt_is_pushed_twice_more_and_no_third_time():
    """Loudest at the edge of the first three: on from it by half a metre; then no third time."""
    survey = rodded(documented(rod=()), [46.3, 47.3, 48.3], 49.0)
    decision = decided(survey)
    assert (decision.verdict, decision.check.kind) == ("check_first", "rod")
    assert decision.check.minutes == pytest.approx(8.0)
    assert [a for _, a, _ in decision.check.places] == pytest.approx([48.8, 49.3])
    decision = decided(rodded(survey, [46.3, 47.3, 48.3, 48.8, 49.3], 49.0))
    assert decision.check is None or decision.check.kind != "rod"
    assert decision.hole.pieces[0][1] < 49.0 < decision.hole.pieces[0][2]


# -- what a dry hole costs -------------------------------------------------------------------------


def test_cheap_holes_are_dug_without_a_check():
    crew = Crew(dry_hole_cost=5.0, dig_cost=5.0, hour_cost=95.0)
    survey = stated(documented(rod=()), crew=crew)
    assert decided(survey).hole.chance >= crew.dig_when
    assert asked(survey) == DIG


@pytest.mark.parametrize(("caution", "verdict"), [(1.0, "dig"), (3.0, "check_first")])
def test_caution_is_what_asks_for_the_check(caution, verdict):
    """A dry hole worth 200 minutes: as stated no check is worth its minutes, thrice it is."""
    survey = documented(rod=())
    crew = Crew(dry_hole_cost=200.0, hour_cost=60.0)
    changed = stated(survey, crew=crew, caution=caution)
    assert decided(changed, judged(survey)).verdict == verdict


# -- stop tests ------------------------------------------------------------------------------------


def test_a_sound_that_stops_is_read_again_and_a_checked_one_is_not_asked_twice():
    decision = decided(stopped(listened(), synthetic.stop(47.3, off=41.0)))
    assert (decision.verdict, decision.check.kind) == ("check_first", "again")
    assert len(decision.check.places) == 16
    assert "the stop test says" in decision.reasons[0]
    assert asked(stopped(listened(), PASSES))[1] != "stop"


def test_nobody_digs_while_the_sound_goes_on_with_the_supply_shut():
    for survey in (stopped(documented(), *gone_on(1).stops), gone_on(1)):
        decision = decided(survey)
        assert (decision.verdict, decision.check.kind) == ("check_first", "stop")
        assert "it goes on with the supply shut" in decision.reasons[0]
        assert "make the stop test again" in decision.check.job
    decision = decided(gone_on(2))
    assert (decision.verdict, decision.check.kind) == ("check_first", "redo")
    assert "not the leak" in decision.reasons[0]
    assert decision.check.job.startswith("stop what makes the sound")


@pytest.mark.parametrize(
    ("failed", "order"),
    [
        ({"shut": 60.0}, (0, 1)),
        ({"off": 40.0}, (0, 1)),
        ({"worked": 40.0}, (0, 1)),
        ({"worked": 40.0}, (1, 0)),
    ],
)
def test_stop_tests_that_contradict_each_other_stop_the_dig_until_one_is_struck(failed, order):
    """In either order: what passed once does not undo what did not."""
    fails = replace(synthetic.stop(47.3, **failed), test=replace(PASSES.test, id="C2"))
    decision = decided(stopped(documented(), *((PASSES, fails)[k] for k in order)))
    assert decision.verdict == "check_first"
    assert "strike out (skip) the row" in decision.check.job
    assert "the stop tests contradict each other: C2" in decision.reasons[0]
    assert "but s passes" in decision.reasons[0]
    assert [each.note.code for each in decision.doubts] == ["stop_test_against"]


# -- the meter -------------------------------------------------------------------------------------


def test_a_meter_that_contradicts_itself_is_watched_once_more_before_a_dig():
    """One run with everything shut turns, another stands still: which is so is not known."""
    survey = documented()
    turns, still = (watched(survey, *each).site.meter for each in ((0, 10), (10, 10, 10)))
    later = tuple(row._replace(run="c", time=row.time + timedelta(hours=3)) for row in still)
    site = replace(survey.site, meter=(*turns, *later))
    decision = decided(replace(survey, site=site, meter=meter_test(site)))
    assert (decision.verdict, decision.check.kind) == ("check_first", "redo")
    assert "the meter contradicts itself, all shut: it turns in run" in decision.reasons[0]
    assert decision.check.job.startswith("watch the meter once more with")


def test_a_meter_that_stands_still_stops_the_dig():
    decision = decided(watched(documented(), 100.0, 100.0, 100.0))
    assert (decision.verdict, decision.check.kind) == ("check_first", "redo")
    assert "the meter does not turn" in decision.reasons[0]
    assert "watch the meter once more" in decision.check.job


def test_a_meter_that_cannot_tell_is_a_reason_against():
    unsure = watched(documented(), 100.0, 100.1)
    assert unsure.meter.verdict == "cannot_tell"
    assert asked(unsure) == DIG
    # A slipped point in the only run: the same is said.
    slipped = replace(unsure.meter, flow=None, warnings=(Note("meter_run", ""),))
    for survey in (unsure, replace(unsure, meter=slipped)):
        said = decided(survey).reasons
        assert "against: the meter cannot tell whether anything leaks" in said


@pytest.mark.parametrize(("l_per_min", "said"), [(0.098, True), (0.102, False)])
def test_a_meter_that_hardly_turns_is_a_reason_against(l_per_min, said):
    flow = SimpleNamespace(l_per_s=l_per_min / 60.0)
    meter = SimpleNamespace(verdict="leak", flow=flow, warnings=(), sides=None)
    survey, answer = replace(documented(), meter=meter), judged(documented())
    decision = decided(survey, answer)
    found = [each for each in decision.reasons if "hardly turns: 0.098 L/min" in each]
    assert len(found) == said and all(each.startswith("against: ") for each in found)
    # The ground is raised: it stops the dig, and its job is the check.
    assert (decision.verdict == "check_first") is said
    assert ("watch the meter longer" in (decision.check.job if decision.check else "")) is said
    quiet = decided(survey, replace(answer, no_leak_odds=10.0)).reasons
    assert not any("hardly turns" in each for each in quiet)


# -- holes already dug -----------------------------------------------------------------------------


def dug(*, exposed):
    """The documented survey with a dry hole from 46.5 to 48 m."""
    hole = Hole("H1", *(Place("leg", "", leg="leg0", chainage_m=46.5),) * 2, exposed, outcome="dry")
    return replace(documented(), holes=(SurveyedHole(hole, 0, 46.5, 48.0),))


def test_an_exposed_dry_stretch_is_not_offered_again():
    decision = decided(dug(exposed=True))
    for _, start, end in (*decision.hole.pieces, *(p for w in decision.then for p in w.pieces)):
        assert end <= 46.5 + 0.02 or start >= 48.0 - 0.02
    assert any("laid the pipe bare and dry" in reason for reason in decision.reasons)


def test_a_dry_hole_that_did_not_reach_the_pipe_is_deepened_first():
    decision = decided(dug(exposed=False))
    assert any("deepen it first" in reason for reason in decision.reasons)
    ((_, start, end),) = decision.hole.pieces
    assert start < 48.0
    assert end > 46.5


def test_next_holes_have_their_chance_once_the_first_is_dry():
    decision = decided(documented())
    whole = sum(w.chance for w in decision.then) * (1 - decision.hole.chance)
    assert whole + decision.hole.chance <= 1.0 + 1e-9
    assert decision.then[0].chance >= LEAST_THEN


# -- where nobody listened -------------------------------------------------------------------------


@pytest.mark.parametrize(("even", "digs"), [(EVEN_WHEN - 0.02, False), (EVEN_WHEN + 0.02, True)])
def test_nobody_digs_on_where_the_crew_chose_to_listen_alone(even, digs):
    survey = documented()
    posterior, hole = judged(survey), decided(survey).hole
    ((_, start, end),) = hole.pieces
    at = posterior.cells.chainage_m
    inside = (at > start) & (at < end)
    rest = 1.0 - posterior.mass[inside].sum()
    # Pipe outside the hole taken so many times as likely that the hole keeps `even` of it all.
    times = 1.0 + (hole.chance / even - hole.chance - rest) / posterior.mass[~inside].sum()
    changed = replace(posterior, even=np.where(inside, 1.0, times))
    assert (decided(survey, changed).verdict == "dig") is digs
