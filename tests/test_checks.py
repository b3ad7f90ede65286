"""The checks that tell the leak from its rivals: where, how many minutes, what they find, when."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from geoleak.advice.checks import (
    InHole,
    _finds,
    _is_known,
    _is_made,
    again,
    dry_hole_minutes,
    minutes_of,
    next_check,
    places_of,
    reading_minutes,
)
from geoleak.evidence import StopTests
from geoleak.posterior import Explanation
from geoleak.record import replace
from geoleak.site import Crew
from geoleak.survey.records import taken
from tests import synthetic
from tests.listened import decided, explained, listened, pushed, stated, stopped

pytestmark = pytest.mark.usefixtures("few_nodes")
NONE = np.zeros(1)


# -- what a hole misses ----------------------------------------------------------------------------


def test_a_rival_taken_three_times_as_common_misses_more():
    """A hole against explanations of (chance, chance with the leak in the hole)."""
    line = Explanation("line", 0.8, NONE, 0.8, (0, 0.0, 0.0))
    hole = InHole((line, replace(line, name="displaced", off_pipe=0.2)), (0.79, 0.1))
    assert hole.chance == pytest.approx(0.89)
    assert hole.if_heard == pytest.approx(0.79 / 0.8)
    assert hole.missed("displaced") == pytest.approx(0.1)
    # Bayes: weights 0.8 and 0.6, of which 0.3 is missed.
    assert hole.missed("displaced", times=3.0) == pytest.approx(0.3 / 1.4)
    assert hole.passed({"displaced": 0.8}) == pytest.approx((0.79 + 0.2 * 0.1) / 0.84)


@pytest.mark.parametrize(("spared", "named"), [(0.0049, False), (0.0051, True)])
def test_a_check_that_spares_less_than_a_dry_hole_in_two_hundred_is_not_named(spared, named):
    """A trace that goes on finds nine in ten of the leaks past an end."""
    past = Explanation("beyond", 0.05, NONE, spared / 0.9)
    posterior = SimpleNamespace(peaks=[SimpleNamespace(leg=0)], rivals=(past,))
    stops = StopTests(stated(listened(), caution=1.0))
    check = next_check(stops, posterior, InHole((past,), (0.0,)), 98.0, 98.0)
    assert (check is not None) is named
    assert not named or check.spared == pytest.approx(spared)


# -- minutes ---------------------------------------------------------------------------------------


def test_a_dry_hole_costs_the_sites_money_or_a_crews_day():
    survey = synthetic.survey()
    assert dry_hole_minutes(survey) == 480.0
    crew = Crew(dig_cost=900.0, dry_hole_cost=1500.0, hour_cost=96.0)
    assert dry_hole_minutes(stated(survey, crew=crew)) == 1500.0


@pytest.mark.parametrize(
    ("kind", "name", "minutes"),
    [
        ("stop", "check_stop_minutes", 10.0),
        ("across", "check_across_minutes", 4.0),
        ("trace_on", "check_trace_on_minutes", 15.0),
        ("redo", "check_redo_minutes", 15.0),
        ("again", "reading_minutes", 6.0),
    ],
)
def test_what_nobody_timed_takes_the_minutes_of_the_method(kind, name, minutes):
    """At three places; of these only readings are counted one by one."""
    assert reading_minutes(listened()) == 2.0
    assert minutes_of(listened(), kind, ((0, 47.3, 0.0),) * 3, name) == minutes


@pytest.mark.parametrize(
    ("surface", "away", "minutes"),
    [(None, 0.0, 12.0), ("grass", 0.0, 12.0), ("concrete", 1.9, 24.0), ("concrete", 2.1, 12.0)],
)
def test_a_rod_takes_longer_where_a_slab_is_drilled(surface, away, minutes):
    survey = synthetic.survey()
    rows = synthetic.levels("surface", [47.0], [50.0], route=survey.legs[0].route)
    survey = replace(survey, surface=replace(rows, surface=(surface,)))
    assert minutes_of(survey, "rod", ((0, 47.0 + away, 0.0),) * 3, "") == minutes


@pytest.mark.parametrize(("off", "minutes"), [(False, 15.0), (True, 12.0)])
def test_turning_everything_off_for_a_rod_takes_its_minutes(off, minutes):
    check = decided(listened(off=off)).check
    assert (check.kind, check.minutes) == ("rod", minutes)


# -- what a check finds, and whether it was made ---------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "rival", "finds"), [("across", "aside", 0.95), ("trace_on", "beyond", 0.9)]
)
def test_a_check_tells_its_rival_nine_times_in_ten_and_more(kind, rival, finds):
    none = Explanation(rival, 0.05, NONE, 0.0, (0, 47.3, 0.0), None)
    assert _finds(StopTests(listened()), kind, none) == finds


@pytest.mark.parametrize(("count", "known", "finds"), [(2, False, 0.8), (3, True, 0.4)])
def test_a_rod_that_was_pushed_tells_of_a_line_aside_and_less_the_second_time(count, known, finds):
    aside, another = (explained(listened(), name) for name in ("aside", "fitting"))
    stake, away = aside.place[1], np.arange(count)
    after = pushed(listened(), stake + 0.5 * away, 50.0 - 8.0 * away)
    assert _is_known(after, aside, stake) is known
    assert not _is_known(after, another, stake)
    assert _finds(StopTests(after), "rod", aside) == finds
    # Pushed with everything off it tells what stops with taps and machines.
    assert _finds(StopTests(after), "rod", another) == pytest.approx(finds * (0.40 + 0.25))


@pytest.mark.parametrize(("count", "made"), [(0, False), (1, False), (2, True)])
def test_a_stop_test_that_leaves_doubt_is_asked_for_once_more_and_no_third_time(count, made):
    """A fall of 5 dB of a sound 20 dB over the background: neither stayed nor gone."""
    unclear = synthetic.stop(47.3, off=60.0, worked=55.0, shut=41.0)
    survey = stopped(listened(fittings=(47.3,)), *[unclear] * count)
    assert _is_made(survey, "stop", explained(survey, "fitting"), 47.3) is made


# -- places ----------------------------------------------------------------------------------------


def places(survey, kind, at_m=47.3):
    return [each[1:] for each in places_of(survey, kind, 0, at_m, at_m)]


def test_a_line_aside_is_listened_for_left_and_right_of_the_holes_middle():
    assert places(listened(), "across") == [(47.3, -1.5), (47.3, 1.5)]


def test_a_trace_goes_on_past_the_open_end():
    survey = listened(leak=98.6, first=70.0, last=100.5)
    assert places(survey, "trace_on", 98.6) == [(101.0, 0.0)]


@pytest.mark.parametrize(
    ("first", "last", "steps"),
    [
        (30.0, 65.0, (-1.0, 0.0, 1.0)),
        (30.0, 47.5, (0.0, 1.0, 2.0)),
        (48.0, 65.0, (-2.0, -1.0, 0.0)),
        (30.0, 50.0, (-1.0, 0.0, 1.0)),  # the last reading stands at 49, within two metres
        (30.0, 45.0, (-1.0, 0.0, 1.0)),  # nothing was read near, on either side
    ],
)
def test_a_rod_is_pushed_on_the_side_that_nobody_heard(first, last, steps):
    found = [at for at, _ in places(listened(first=first, last=last), "rod")]
    assert found == pytest.approx([47.3 + each for each in steps])


@pytest.mark.parametrize(
    ("made", "loud", "asked"),
    [
        ((46.0, 47.0, 48.0), 47.0, (46.5, 47.5)),
        ((46.0, 47.31, 48.0), 47.0, (46.5, 47.0)),
        ((46.0, 47.15, 48.0), 47.0, (46.75, 47.5)),
        ((45.5, 46.5, 47.5), 46.0, (46.0, 47.0)),
        ((45.5, 46.5, 47.5), 48.0, (47.0, 48.0)),
        ((46.24, 47.24, 48.24), 46.2, (46.75, 47.75)),
        ((46.24, 47.24, 48.24, 46.75), 46.2, (47.75,)),
        ((46.0, 46.5, 47.0, 47.5), 47.0, (48.0,)),
    ],
)
def test_no_rod_is_pushed_within_a_span_of_another(made, loud, asked):
    """Two more as near the place as may be, and in all five."""
    survey = pushed(listened(), made, 50.0 - np.abs(np.array(made) - loud))
    assert [at for at, _ in places(survey, "rod", 47.0)] == pytest.approx(asked)


def test_a_place_that_was_read_twice_is_one_place_to_read_again():
    survey = stopped(listened(), synthetic.stop(47.3, off=41.0))
    some = np.arange(0, len(survey.surface), len(survey.surface) // 10)
    survey = replace(survey, surface=taken(survey.surface, np.repeat(some, 2)))
    found = again(StopTests(survey), SimpleNamespace(if_heard=0.9)).places
    assert len(found) == len(set(found)) == len(some)
