"""A rod or a contact that sounds away from the hole, or where the ground tells nothing."""

from __future__ import annotations

from statistics import NormalDist
from types import SimpleNamespace

import numpy as np
import pytest

from geoleak.advice.doubts import doubts_of
from geoleak.advice.heard import (
    loud_in_silence,
    rod_elsewhere,
    rod_outside,
    rods_alike,
)
from geoleak.advice.records import Case, Dig
from geoleak.posterior import Explanation, pushes
from geoleak.record import replace
from tests import synthetic

# As the method states them: read from the code they would move with it.
BELIEVED, IN_HOLE_M, LOUD_DB, PAST_M, PUSHES = 0.5, 0.3, 20.0, 2.0, 5

DIG = Dig(((0, 46.5, 48.0),), 0, 47.3, (0.05, 0.05), (0.75, 0.4), 0.0)
SIGMA = synthetic.site().levels.level_sigma_db


def judged(odds=None, rivals=()):
    return SimpleNamespace(
        no_leak_odds=odds, fits=(), mass=np.ones(1), offered=np.ones(1), rivals=rivals, warnings=()
    )


def elsewhere(survey):
    return list(rod_elsewhere(Case.of(survey, judged(), DIG)))


def outside(at, level):
    return list(rod_outside(Case.of(rods(at, level), judged(), DIG)))


@pytest.mark.parametrize(("share", "doubted"), [(0.98, False), (1.02, True)])
@pytest.mark.parametrize(
    ("at", "said"),
    [((47.3, 48.9), "dB in it"), ((48.0 + IN_HOLE_M - 0.01, 48.9), "dB in it")],
)
def test_a_rod_surely_loudest_outside_the_hole_stops_the_dig(at, said, share, doubted):
    error = NormalDist().inv_cdf(0.95) * np.sqrt(2.0) * SIGMA
    found = outside((*at, 49.3), (50.0, 50.0 + share * error, 40.0))
    assert bool(found) is doubted
    if doubted:
        assert (
            said in found[0].text and "0.90 m past its end: reading 2 (mark 48.9)" in found[0].text
        )
        assert [each[1] for each in found[0].places] == pytest.approx([47.3, 48.9])


@pytest.mark.parametrize(
    ("to_m", "exposed", "doubted"),
    [(49.0, True, False), (48.8, True, True), (49.0, False, True), (49.0, None, True)],
)
def test_no_rod_is_asked_for_where_a_hole_laid_the_pipe_bare_and_dry(to_m, exposed, doubted):
    hole = SimpleNamespace(outcome="dry", pipe_exposed=exposed)
    survey = replace(
        rods((47.3, 48.9, 49.3), (50.0, 70.0, 40.0)),
        holes=(SimpleNamespace(leg=0, from_m=48.5, to_m=to_m, hole=hole),),
    )
    found = list(rod_outside(Case.of(survey, judged(), DIG)))
    assert bool(found) is doubted
    # No stake stands while nobody is to dig: the places go by their numbers.
    assert all("place 1" in e.job and "stake" not in f"{e.job} {e.then}" for e in found)


def test_a_rod_loudest_at_the_holes_end_or_nearest_to_it_is_no_doubt():
    assert not outside((47.3, 48.0 + IN_HOLE_M - 0.01), (50.0, 70.0))
    assert outside((47.3, 48.0 + IN_HOLE_M + 0.01), (50.0, 70.0))
    assert not outside((48.4, 48.9, 49.4), (60.0, 50.0, 40.0))
    # None in the hole: louder at all.
    assert "at the push nearest" in outside((48.4, 48.9, 49.4), (50.0, 51.0, 40.0))[0].text


@pytest.mark.parametrize(("past_m", "doubted"), [(0.25, False), (0.35, True)])
def test_a_rod_loudest_past_the_end_of_the_line_is_no_rod_in_a_hole_at_it(past_m, doubted):
    survey = rods((99.0, 99.5, 100.0), (40.0, 45.0, 60.0))
    on = survey.rod
    survey = replace(survey, rod=replace(on, easting_m=on.easting_m + np.array([0.0, 0.0, past_m])))
    dig = replace(DIG, pieces=((0, 98.5, 100.0),), stake_m=99.7)
    found = list(rod_outside(Case.of(survey, judged(), dig)))
    assert bool(found) is doubted
    if doubted:
        assert "the rod is loudest past the end of leg0: reading 3 (mark 100)" in found[0].text
        assert "ends_here is for an end that was seen" in found[0].job


def test_a_sound_far_off_with_rods_by_the_hole_is_another_doubt():
    """With none by the hole it is this one."""
    assert not outside((47.3, 47.3 + PAST_M + 0.1), (40.0, 60.0))
    assert outside((50.0, 51.0, 52.0), (40.0, 60.0, 40.0))


def silent(survey):
    return list(loud_in_silence(Case.of(survey, judged(2.0), DIG)))


def rods(at, level, *, aside=0.0):
    route = synthetic.straight()
    rows = synthetic.levels("rod", np.array(at), np.array(level), route=route, offset_m=aside)
    said = tuple(f"mark {each:g}" for each in at)
    return synthetic.survey([route], rod=replace(rows, said=said))


@pytest.mark.parametrize(("share", "doubted"), [(0.98, True), (1.02, False)])
def test_a_rod_away_from_the_hole_as_loud_as_the_best_by_it_is_pushed_again(share, doubted):
    """As loud: quieter by less than the error of two readings, 95 % of a normal."""
    error = NormalDist().inv_cdf(0.95) * np.sqrt(2.0) * SIGMA
    found = elsewhere(rods((46.8, 47.3, 38.3), (44.0, 52.0, 52.0 - share * error)))
    assert bool(found) is doubted
    if doubted:
        assert found[0].text.startswith("rod reading 3 (mark 38.3) is as loud as any by the hole")
        assert "3 (mark 38.3)" in found[0].job and found[0].kind == "rod"
        assert [each[1] for each in found[0].places] == pytest.approx([38.3, 42.8])


def test_a_rod_that_is_loud_beside_the_line_is_no_push_on_it():
    """The line there is traced; one as loud as the best by the hole is pushed again where it is."""
    for level, job in ((72.0, "trace the line that lies about 3.0 m to the right"), (52.0, "push")):
        survey = rods((46.8, 47.3, 47.3), (44.0, 52.0, level), aside=np.array([0.0, 0.0, 3.0]))
        (found,) = elsewhere(replace(survey, stops=(synthetic.stop(47.3, off=60.0),)))
        assert found.job.startswith(job)
        assert found.places[0] == (0, 47.3, 3.0)
        assert pushes(survey, 0, 47.3) == 2


def test_over_still_ground_a_line_beside_that_is_believed_is_heard_before_any_rod():
    rival = Explanation("aside", 0.05, np.zeros(1), 0.6, (0, 46.0, -3.0))
    belief, dig = judged(2.0, (rival,)), replace(DIG, aside_chance=BELIEVED)
    (found,) = loud_in_silence(Case.of(still(rod=(72.0,)), belief, dig))
    assert (found.kind, found.places) == ("across", ((0, 46.0, -1.5), (0, 46.0, 1.5)))
    for less, checked in ((BELIEVED - 0.01, False), (BELIEVED, True)):
        dig, belief = (
            replace(DIG, aside_chance=less),
            judged(2.0, (replace(rival, checked=checked),)),
        )
        assert next(loud_in_silence(Case.of(still(rod=(72.0,)), belief, dig))).kind == "rod"
    beside = replace(still(), rod=rods((47.3,), (72.0,), aside=3.0).rod)
    assert silent(beside)[0].job.startswith("turn every tap, pump and machine off")


@pytest.mark.parametrize(("away", "doubted"), [(PAST_M - 0.05, False), (PAST_M + 0.05, True)])
def test_a_rod_within_hearing_of_the_stake_is_the_holes_own(away, doubted):
    """However loud; and where none is by the hole there is nothing to compare with."""
    assert bool(elsewhere(rods((47.3, 47.3 + away), (52.0, 60.0)))) is doubted
    assert not elsewhere(rods((38.3, 38.8), (52.0, 60.0)))


ROD_DB = NormalDist().inv_cdf(0.95) * np.sqrt(2.0) * SIGMA


def two_peaks(at, level, *, ground=20.0, there=0.0):
    """Rods as given over still ground, raised by so much where the far one stands, at 40.3 m."""
    survey = rods(at, level)
    heard = np.full(16, ground)
    heard[0] += there
    surface = synthetic.levels("surface", np.arange(40.3, 56.0), heard, route=survey.legs[0].route)
    return replace(survey, surface=surface)


@pytest.mark.parametrize(
    ("at", "level", "said", "stops"),
    [
        ((46.8, 47.3, 40.3), (50.0, 60.0, 52.0), True, True),
        ((47.3, 43.4, 40.3), (60.0, 53.0, 52.0), False, False),  # on the pipe's way there
        ((47.3, 45.2, 40.3), (60.0, 52.0 - 0.98 * ROD_DB, 52.0), False, False),
        ((47.3, 45.2, 40.3), (60.0, 52.0 - 1.02 * ROD_DB, 52.0), True, True),
        ((47.3, 40.3), (60.0, 39.9), False, False),  # faint, and no other sound is told
        ((47.3, 44.0, 40.3), (60.0, 30.0, 39.9), True, False),
        ((47.3, 47.2 - 2.0 * PAST_M), (60.0, 52.0), True, True),
        ((47.3, 47.4 - 2.0 * PAST_M), (60.0, 52.0), False, False),  # the hole's own flank
    ],
)
def test_a_second_peak_of_the_rod_is_another_sound(at, level, said, stops):
    found = elsewhere(two_peaks(at, level))
    assert bool(found) is said
    if said:
        assert f"rod reading {len(at)} (mark {at[-1]:g}) is loud too" in found[0].text
        assert f"{level[-1]:.0f} dB there, 60 dB by the hole" in found[0].text
        assert found[0].stops is stops
        assert found[0].places[0][1] == at[-1] and "half-way" in found[0].then


@pytest.mark.parametrize(("share", "stops"), [(0.97, True), (1.03, False)])
def test_a_second_peak_that_the_ground_tells_of_stops_no_dig(share, stops):
    levels = synthetic.site().levels
    raised = 3.0 * np.hypot(levels.level_sigma_db, levels.place_sigma_db)
    (found,) = elsewhere(two_peaks((47.3, 40.3), (60.0, 52.0), there=share * raised))
    assert found.stops is stops


def test_gain_is_taken_off_before_rods_are_compared():
    survey = rods((47.3, 38.3), (52.0, 60.0))
    quieter = replace(survey.rod, gain_db=np.array([0.0, 20.0]))
    assert not elsewhere(replace(survey, rod=quieter))


def still(*, contact=(), rod=(), ground=40.0, peak=0.0, background=np.nan):
    """Still ground from 40 to 55 m, contacts at 10 and 70 m, rods from 44 m on."""
    route = synthetic.straight()
    level = np.full(16, ground)
    level[5] += peak
    parts = {"surface": synthetic.levels("surface", np.arange(40.0, 56.0), level, route=route)}
    for kind, at, heard in (
        ("contact", (10.0, 70.0), contact),
        ("rod", 44.0 + 0.1 * np.arange(9.0), rod),
    ):
        if heard:
            rows = synthetic.levels(kind, at[: len(heard)], heard, route=route)
            parts[kind] = replace(rows, background_db=np.full(len(heard), background))
    return synthetic.survey([route], **parts)


def test_contacts_loud_over_still_ground_ask_for_a_rod_between_them():
    (found,) = silent(still(contact=(40.0 + LOUD_DB, 80.0)))
    assert "contact readings 2 80 dB and 1 60 dB are loud" in found.text
    assert found.kind == "rod"
    assert [each[1] for each in found.places] == pytest.approx([25.0, 40.0, 55.0])
    assert not silent(still(contact=(39.9 + LOUD_DB,)))
    (one,) = silent(still(contact=(80.0,)))
    assert [each[1] for each in one.places] == pytest.approx([25.0, 50.0, 75.0])


def test_a_contact_is_loud_over_its_own_background_where_it_has_one():
    assert not silent(still(contact=(80.0,), background=80.1 - LOUD_DB))
    assert silent(still(contact=(50.0,), background=50.0 - LOUD_DB))


def test_a_loud_rod_is_pushed_on_beside_it_until_it_was_pushed_enough():
    (found,) = silent(still(contact=(80.0, 80.0), rod=(72.0,)))
    assert "rod reading 1 72 dB is loud" in found.text
    assert [each[1] for each in found.places] == pytest.approx([43.0, 44.0, 45.0])
    assert silent(still(rod=(72.0,) * (PUSHES - 1)))
    assert not silent(still(contact=(80.0, 80.0), rod=(72.0,) * PUSHES))


@pytest.mark.parametrize(("share", "doubted"), [(0.97, True), (1.03, False)])
def test_ground_that_is_raised_tells_itself(share, doubted):
    """By three sigmas of a reading; and a hole that is believed needs no other sound."""
    levels = synthetic.site().levels
    raised = 3.0 * np.hypot(levels.level_sigma_db, levels.place_sigma_db)
    survey = still(contact=(80.0,), peak=share * raised)
    faint = replace(DIG, chance=BELIEVED - 0.01)
    assert bool(list(loud_in_silence(Case.of(survey, judged(), faint)))) is doubted
    sure = replace(DIG, chance=BELIEVED)
    assert not list(loud_in_silence(Case.of(survey, judged(), sure)))


def test_both_stop_a_dig():
    nothing, rod = judged(2.0), rods((47.3, 38.3), (52.0, 60.0))
    texts = [each.text for each in doubts_of(Case.of(rod, nothing, DIG))]
    assert any(each.startswith("rod reading 2 (mark 38.3) is as loud") for each in texts)
    first = doubts_of(Case.of(still(contact=(80.0, 80.0)), nothing, DIG))[0]
    assert first.text.startswith("the ground tells nothing") and first.job


@pytest.mark.parametrize(
    ("count", "share", "said"), [(3, 0.98, True), (3, 1.02, False), (2, 0.5, False)]
)
def test_rods_that_are_alike_tell_no_place(count, share, said):
    error = share * NormalDist().inv_cdf(0.95) * np.sqrt(2.0) * SIGMA
    level = (50.0, 50.0 + error, 50.0)[:count]
    found = list(rods_alike(Case.of(rods((46.3, 47.3, 48.3)[:count], level), judged(), DIG)))
    assert bool(found) is said
    assert all(not each.stops for each in found)


@pytest.mark.parametrize(
    ("again", "between", "kind"),
    [(53.47, 40.0, "stop"), (53.53, 40.0, "rod"), (53.47, 54.5, "rod")],
)
def test_two_sounds_with_quiet_pipe_between_are_told_by_a_stop_test(again, between, kind):
    """Once the far one was pushed again and the way between is quiet, no third push is asked."""
    at, level = (47.3, 53.0, again, 50.2), (62.0, 60.0, 59.0, between)
    (found,) = elsewhere(rods(at, level))
    assert found.kind == kind
    assert found.text.startswith("two sounds") is (kind == "stop")
