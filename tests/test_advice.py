"""Dig or listen on: the hole, its odds, the next hole and the next reading."""

from __future__ import annotations

import math
from functools import partial
from types import SimpleNamespace

import numpy as np
import pytest
from scipy import stats

from geoleak.advice import next_readings as next_module
from geoleak.advice.decide import (
    DigWindow,
    LegMass,
    best_window,
    chance_across,
    decide,
    then_windows,
)
from geoleak.advice.next_readings import (
    _at_marks,
    _surface_places,
    best_window_chance,
    foreseen_masses,
    log_error,
    next_readings,
    set_length,
    stratify,
)
from geoleak.evidence.pooling import Pooled
from geoleak.linref import Route
from geoleak.network.network import Joint
from geoleak.posterior.grid import Cells
from geoleak.posterior.infer import Posterior, infer
from geoleak.posterior.rivals import Explanation
from geoleak.record import replace
from geoleak.site import Crew, Point
from geoleak.survey.records import PipePlace, SurveyedDelay, SurveyedPoint
from tests import synthetic
from tests.check_values import check_value
from tests.command import at_length

pytestmark = pytest.mark.usefixtures("few_nodes")


SURE = {"setting_out_sigma": (0.0, 0.0), "hole_half_width_m": 0.4}
COSTS = {"dig_cost": 900.0, "dry_hole_cost": 1500.0, "reading_minutes": 2.0, "hour_cost": 95.0}


def close(value, name):
    expected = check_value(name)
    assert value == pytest.approx(expected.expected, abs=expected.tolerance)


def heard(chainage, leak=47.3, strength=22.0):
    path = np.hypot(np.asarray(chainage) - leak, 1.0)
    direct = strength - 20 * np.log10(path) - 4.0 * (path - 1.0)
    return 40 + 10 * np.log10(1 + 10 ** (direct / 10))


def listened(strength=22.0, *, seed=1, spacing=1.0, **parts):
    route = synthetic.straight()
    chainage = np.arange(30.0, 65.0, spacing)
    level = heard(chainage, strength=strength)
    level = level + np.random.default_rng(seed).normal(0, 1.5, len(chainage))
    rows = synthetic.levels("surface", chainage, level, route=route)
    return synthetic.survey([route], surface=rows, **parts)


def posterior_of(distribution, length=100.0, *, elsewhere=0.0, step=0.02):
    """Return a posterior with a known density along one leg."""
    edges = np.linspace(0, length, round(length / step) + 1)
    mass = np.diff(distribution.cdf(edges))
    mass *= (1 - elsewhere) / mass.sum()
    cells = Cells(np.zeros(len(mass), dtype=np.int64), edges[:-1], edges[1:])
    one = ((0, 0.0, length),)
    line = Explanation("line", 1 - elsewhere, mass, 0.0, (0, 0.0, 0.0))
    chance = np.array([1 - elsewhere])
    return Posterior(cells, mass, mass, elsewhere, chance, (line,), one, one, one, ())


def leg_mass(posterior):
    return LegMass.of(posterior.cells, 0, posterior.mass)


# -- the hole ------------------------------------------------------------------------------------


def test_the_hole_holds_what_the_normal_says():
    along = leg_mass(posterior_of(stats.norm(50, 0.5)))
    start, end, chance = best_window(along, 1.5, holding_m=50.0, sigma_m=0.0)
    assert (start, end) == pytest.approx((49.25, 50.75), abs=0.03)
    assert chance == pytest.approx(2 * stats.norm.cdf(1.5) - 1, abs=1e-3)


def test_setting_out_widens_by_the_root_of_the_squares():
    along = leg_mass(posterior_of(stats.norm(50, 0.4)))
    _, _, chance = best_window(along, 1.5, holding_m=50.0, sigma_m=0.3)
    assert chance == pytest.approx(2 * stats.norm.cdf(0.75 / 0.5) - 1, abs=2e-3)


def test_the_hole_always_holds_the_stake():
    along = leg_mass(posterior_of(stats.norm(50, 3)))
    start, end, _ = best_window(along, 1.0, holding_m=47.0, sigma_m=0.0)
    assert start <= 47.0 <= end
    assert end == pytest.approx(48.0, abs=0.03)


def test_a_pipe_aside_of_the_hole():
    assert chance_across(0.4, 0.4) == pytest.approx(2 * stats.norm.cdf(1) - 1, abs=1e-12)
    assert chance_across(0.0, 0.3) == 1.0


def test_the_hole_follows_a_tee():
    main = synthetic.straight(60.0)
    branch = Route.from_vertices([(30.0, 0.0), (30.0, 40.0)])
    chainage = np.arange(15.0, 45.0, 1.0)
    rows = synthetic.levels("surface", chainage, heard(chainage, 30.0, 26.0), route=main)
    survey = synthetic.survey([main, branch], joints=[Joint(0, 30.0, 1, 0.0)], surface=rows)
    posterior = infer(survey)
    decision = decide(survey, posterior, most_readings=0, **SURE)
    assert {leg for leg, _, _ in decision.hole.pieces} == {0, 1}
    assert decision.hole.length_m <= 1.5 + 1e-9
    for leg, start, end in decision.hole.pieces:
        if leg == decision.leg:
            assert start <= decision.stake_m <= end
    places, held = posterior.cells, 0.0
    for leg, start, end in decision.hole.pieces:
        inside = (places.leg == leg) & (places.chainage_m > start) & (places.chainage_m < end)
        held += posterior.mass[inside].sum()
    assert decision.hole.chance == pytest.approx(held, abs=0.05)


@pytest.mark.parametrize("past", [-0.001, 0.001])
def test_a_next_hole_is_named_from_one_chance_in_fifty(past):
    """Once the first hole is dry: common practice, no source."""
    edges = np.array([0.0, 10.0, 11.0, 50.0, 51.0, 100.0])
    left = 0.02 + past
    mass = np.array([0.0, 0.9, 0.0, 0.1 * left, 0.0])  # the rest is elsewhere
    cells = Cells(np.zeros(5, dtype=np.int64), edges[:-1], edges[1:])
    first = DigWindow(((0, 9.0, 12.0),), 3.0, 0.9)
    posterior = SimpleNamespace(cells=cells, offered=mass)
    assert len(then_windows(posterior, first, 3.0, sigma_m=0.0, across=1.0)) == (past > 0)


def test_a_hole_is_placed_to_two_centimetres():
    """Two needles a hole can just hold: it has 21 mm to spare."""
    for at in np.arange(40.0, 40.05, 0.001):
        edges = np.array([0.0, at, at + 0.001, at + 1.478, at + 1.479, 60.0])
        leg = LegMass(0, edges, np.array([0.0, 0.0, 0.5, 0.5, 1.0, 1.0]))
        assert best_window(leg, 1.5, holding_m=None, sigma_m=0.0)[2] == pytest.approx(1.0)


def test_the_next_holes_do_not_dig_the_same_pipe_twice():
    posterior = posterior_of(stats.norm(50, 1.5))
    first = DigWindow(((0, 49.25, 50.75),), 1.5, 0.38)
    holes = then_windows(posterior, first, 1.5, sigma_m=0.0, across=1.0)
    spans = [(49.25, 50.75)] + [hole.pieces[0][1:] for hole in holes]
    for i, (a, b) in enumerate(spans):
        for c, d in spans[i + 1 :]:
            assert b <= c + 0.06 or d <= a + 0.06
    beside = stats.norm.cdf(1.5) - stats.norm.cdf(0.5)
    assert holes[0].chance == pytest.approx(beside / (1 - first.chance), abs=0.01)


def test_a_clear_leak_is_dug():
    survey = listened(26.0)
    posterior = infer(survey)
    decision = decide(survey, posterior, **SURE)
    assert decision.verdict == "dig"
    assert decision.stake_m == posterior.peaks[0].median_m
    _, start, end = decision.hole.pieces[0]
    assert start <= decision.stake_m <= end
    assert decision.hole.length_m == pytest.approx(survey.site.crew.dig_length_m)
    lengths, chances = zip(*decision.chance_by_length, strict=True)
    assert all(np.diff(lengths) > 0)
    assert all(np.diff(chances) > -1e-9)
    assert any(length == pytest.approx(1.5) for length in lengths)
    assert "agree" in " ".join(decision.reasons)


def test_chance_counts_setting_out_and_elsewhere():
    survey = listened(26.0)
    posterior = infer(survey)
    best = decide(survey, posterior, most_readings=0, **SURE).hole.chance
    loose = decide(
        survey,
        posterior,
        setting_out_sigma=(0.3, 0.5),
        hole_half_width_m=0.4,
        most_readings=0,
    )
    assert loose.hole.chance < best * chance_across(0.5, 0.4) + 1e-9
    assert "farther aside" in " ".join(loose.reasons)
    # Points too coarse for the hole tell no line from another.
    blamed = "that the leak is not on any traced line as shot: the points are too coarse to tell"
    for sigma, said in (((0.3, 0.5), True), ((0.05, 0.05), False)):
        off = replace(posterior, elsewhere=0.2)
        told = decide(survey, off, setting_out_sigma=sigma, hole_half_width_m=0.4, most_readings=0)
        assert any(blamed in each for each in told.reasons) is said
    assert best <= 1 - posterior.elsewhere


@pytest.mark.parametrize("past", [-0.001, 0.001])
def test_what_is_left_beside_the_hole_speaks_against_from_one_in_twenty(past):
    """Elsewhere and a second place from 5 %, pipe aside of the hole from 3 % (common practice)."""
    survey = listened(26.0)
    posterior = infer(survey)
    (first,) = posterior.peaks
    second = replace(first, median_m=62.0, from_m=61.0, to_m=63.0, mass=0.05 + past)
    aside = 0.4 / stats.norm.ppf(1 - 0.5 * (0.03 + past))
    for other, sigma, words in (
        (replace(posterior, elsewhere=0.05 + past), 0.0, "not on any traced line"),
        (replace(posterior, peaks=(first, second)), 0.0, "a second place is possible"),
        (posterior, aside, "farther aside than the hole is wide"),
    ):
        told = decide(
            survey, other, setting_out_sigma=(0.0, sigma), hole_half_width_m=0.4, most_readings=0
        )
        assert any(words in each for each in told.reasons) is (past > 0), words


@pytest.mark.parametrize("even", [0.744, 0.756])
def test_nobody_digs_on_where_the_crew_listened_alone(even):
    """With every metre of pipe alike the hole holds three quarters still, or it is not dug."""
    survey = listened(26.0)
    posterior = infer(survey)
    known = decide(survey, posterior, most_readings=0, **SURE)
    far = np.abs(posterior.cells.from_m - known.stake_m) > 5.0
    # Far pipe is so much likelier than in use that this is left of the chance in the hole.
    more = 1.0 + (known.in_hole.chance / even - 1.0) / posterior.mass[far].sum()
    alike = replace(posterior, even=np.where(far, more, 1.0))
    told = decide(survey, alike, most_readings=0, **SURE)
    assert known.verdict == "dig"
    assert (told.verdict == "dig") is (even > 0.75)
    said = "only 74 % if pipe nobody listened to is as likely as the rest"
    assert any(said in each for each in told.reasons) is (even < 0.75)


def test_the_threshold_is_the_users():
    survey = listened(9.0, spacing=1.5)
    posterior = infer(survey)
    chance = decide(survey, posterior, most_readings=0, **SURE).hole.chance
    assert 0.3 < chance < 0.97
    for when, verdict in ((chance - 0.02, "dig"), (chance + 0.02, "listen_on")):
        changed = replace(survey, site=replace(survey.site, crew=Crew(dig_when=when)))
        assert decide(changed, posterior, most_readings=0, **SURE).verdict == verdict


def test_nothing_heard_is_no_place_to_dig():
    route = synthetic.straight()
    chainage = np.arange(0.0, 100.0, 1.0)
    level = 40 + np.random.default_rng(4).normal(0, 2, len(chainage))
    rows = synthetic.levels("surface", chainage, level, route=route)
    survey = synthetic.survey([route], surface=rows, crew=Crew(dig_when=0.01))
    posterior = infer(survey)
    decision = decide(survey, posterior, most_readings=0, **SURE)
    assert decision.verdict == "listen_on"
    assert "nothing stands out" in decision.reasons[0]
    said = (*decision.reasons, *(fit.text for fit in posterior.fits))
    assert "100 readings hold no clear sign of a leak" in said
    assert not any("peak" in text for text in said)


def test_nobody_listened_nobody_digs():
    survey = synthetic.survey([synthetic.straight(1.0)], crew=Crew(dig_when=0.5))
    decision = decide(survey, infer(survey), **SURE)
    assert decision.hole.chance > 0.9
    assert decision.verdict == "listen_on"
    assert "nobody has listened" in decision.reasons[0]


# -- what a reading brings -----------------------------------------------------------------------


def linear_gaussian(reading_sigma):
    """Prior N(50, 10); one reading of the place itself."""
    cells = posterior_of(stats.norm(50, 10), step=0.05)
    tails = tuple((0, 50 - 10 * z, 50 + 10 * z) for z in (1.96, 2.58, 3.3))
    strata, mass = stratify(cells.cells, cells.mass, 160, at=tails)
    draws = 4
    inside = (np.arange(draws) + 0.5) / draws
    expected = strata.from_m[:, None] + inside * strata.width_m[:, None]
    sigma = np.full_like(expected, reading_sigma)
    after = foreseen_masses(
        mass, expected, sigma, np.random.default_rng(2), outcomes=600, freedom=np.inf
    )
    return strata, mass, after


def test_expected_set_after_a_reading_matches_the_conjugate_normal():
    strata, _, after = linear_gaussian(5.0)
    sigma = check_value("conjugate_sigma").expected
    expected = 2 * 1.959964 * sigma
    assert set_length(after, strata.width_m).mean() == pytest.approx(expected, rel=0.02)
    mean = (after * 0.5 * (strata.from_m + strata.to_m)).sum(axis=1)
    # Means after the reading scatter by the root of what the variance lost.
    assert mean.std() == pytest.approx(math.sqrt(100 - sigma**2), rel=0.05)


def test_expected_information_of_a_reading():
    _, mass, after = linear_gaussian(5.0)
    prior = mass[None, :]
    gain = (after * np.log(np.maximum(after, 1e-300) / prior)).sum(axis=1)
    expected = check_value("information_nats")
    assert gain.mean() == pytest.approx(expected.expected, rel=0.04)


def test_conjugate_normal_by_strata():
    """The same weighing with one stated reading: prior N(100, 10), y = 112, sigma 5."""
    edges = np.linspace(40, 160, 12001)
    middle = 0.5 * (edges[1:] + edges[:-1])
    mass = stats.norm(100, 10).pdf(middle) * np.exp(log_error((112 - middle) / 5, np.inf))
    mass /= mass.sum()
    mean = mass @ middle
    assert mean == pytest.approx(check_value("conjugate_mean").expected, abs=1e-3)
    sigma = math.sqrt(mass @ (middle - mean) ** 2)
    assert sigma == pytest.approx(check_value("conjugate_sigma").expected, abs=1e-3)


def test_a_reading_that_tells_nothing_changes_nothing():
    strata, mass, _ = linear_gaussian(5.0)
    flat = np.full((len(strata), 3), 40.0)
    after = foreseen_masses(mass, flat, flat * 0 + 2, np.random.default_rng(1), outcomes=20)
    assert after == pytest.approx(np.tile(mass / mass.sum(), (20, 1)))


def test_value_of_information_by_simulation():
    """The value of knowing, and of a sample, for a payoff against doing nothing."""
    deviate = stats.norm.ppf((np.arange(200000) + 0.5) / 200000)
    for spread, name in ((200.0, "evpi_normal"), (160.0, "evsi_normal")):
        value = np.maximum(100 + spread * deviate, 0).mean() - 100
        assert value == pytest.approx(check_value(name).expected, abs=0.02)


def test_best_window_of_strata():
    strata, mass, _ = linear_gaussian(5.0)
    found = best_window_chance(strata, mass[None, :] / mass.sum(), 10.0)[0]
    assert found == pytest.approx(2 * stats.norm.cdf(0.5) - 1, abs=0.01)


@at_length("count", [12], [40])
def test_next_readings_agree_with_brute_force(count):
    """On a small site: simulate readings at the proposed place, infer again, average."""
    route = synthetic.straight(20.0)
    chainage = np.array([2.0, 5.0, 8.0, 11.0, 14.0, 17.0])
    level = np.array([40.5, 41.0, 47.0, 52.0, 43.0, 40.0])
    rows = synthetic.levels("surface", chainage, level, route=route)
    survey = synthetic.survey([route], surface=rows)
    posterior = infer(survey)
    decision = decide(survey, posterior, **SURE)
    best = decision.next_readings[0]
    rng = np.random.default_rng(20261125)
    from geoleak.evidence.buried import SurfaceEvidence
    from geoleak.posterior.rivals import settle
    from geoleak.posterior.run import InferenceOptions, begin, draw

    run = begin(survey, InferenceOptions(draws=count))
    cells, explanations = settle(run)
    mass = explanations[0].mass
    belief = draw(run, cells, mass, rng)
    kind = SurfaceEvidence(survey)
    new = kind.pooled.beside(np.arange(6), 0, np.array([best.chainage_m]), survey)
    expected, sigma = kind.foresee(kind.draws(belief, rng.random((len(belief), 3))), new)
    lengths = []
    for i in range(count):
        heard_there = expected[i, 0] + sigma[i, 0] * rng.standard_t(4)
        more = synthetic.levels(
            "surface",
            np.append(chainage, best.chainage_m),
            np.append(level, heard_there),
            route=route,
        )
        after = infer(replace(survey, surface=more))
        lengths.append(sum(b - a for _, a, b in after.interval_95))
    error = np.std(lengths) / math.sqrt(len(lengths))
    assert best.expected_interval_95_m == pytest.approx(
        np.mean(lengths), abs=3 * error + 0.1 * np.mean(lengths)
    )


def test_what_a_reading_leaves_is_foreseen_to_a_twentieth(monkeypatch):
    """Against many more draws and outcomes; with half as many of either it is not."""
    survey = listened(15.0, seed=4, spacing=4.0)
    posterior = infer(survey)
    by_place = partial(sorted, key=lambda each: each[0].chainage_m)
    monkeypatch.setattr(next_module, "_spread", lambda found, most: by_place(found))

    def lengths():
        found = next_readings(survey, posterior).readings
        return np.array([each.expected_interval_95_m for each in found])

    shipped = lengths()
    monkeypatch.setattr(next_module, "DRAWS_EACH", 16)
    monkeypatch.setattr(next_module, "OUTCOMES", 768)
    assert np.sqrt(np.mean((shipped / lengths() - 1.0) ** 2)) < 0.05


def test_three_next_readings_apart_from_one_another_and_from_those_taken():
    survey = listened(18.0, spacing=1.5)
    decision = decide(survey, infer(survey), **SURE)
    assert len(decision.next_readings) == 3
    at = [each.chainage_m for each in decision.next_readings]
    for i, one in enumerate(at):
        assert np.min(np.abs(survey.surface.chainage_m - one)) >= 0.3
        assert all(abs(one - other) >= 0.5 for other in at[i + 1 :])
    lengths = [each.expected_interval_95_m for each in decision.next_readings]
    assert lengths == sorted(lengths)


def places(monkeypatch, span_m, *, taken=(90.0,)):
    """Return the chainages of the readings that could be taken from 10 m on along `span_m`."""
    route = SimpleNamespace(length_m=100.0)
    survey = SimpleNamespace(
        legs=[SimpleNamespace(route=route)], surface=taken, holes=(), points=()
    )
    monkeypatch.setattr(Pooled, "joined", np.concatenate)
    pooled = SimpleNamespace(
        leg=np.zeros(len(taken)), chainage_m=np.array(taken), beside=lambda _, leg, at, __: at
    )
    posterior = SimpleNamespace(interval_95=((0, 11.0, 9.0 + span_m),))
    return next(_surface_places(survey, posterior, SimpleNamespace(pooled=pooled)))


@pytest.mark.parametrize(("span_m", "count"), [(4.0, 17), (8.0, 33), (16.0, 33)])
def test_places_to_listen_at_stand_a_quarter_metre_apart_and_are_32_at_most(
    span_m, count, monkeypatch
):
    assert len(places(monkeypatch, span_m)[0]) == count


def test_a_place_read_already_is_not_asked_for_within_a_foot(monkeypatch):
    free, _ = places(monkeypatch, 4.0, taken=(11.2, 12.06, 13.01))
    # Every quarter metre: 0.45, 0.2, 0.05 off the first, then 0.31, 0.06, 0.19 and 0.26, 0.01.
    assert {10.75, 11.75, 12.5} <= set(free)
    assert not {11.0, 11.25, 12.0, 12.25, 12.75, 13.0} & set(free)


@pytest.mark.parametrize(("off_m", "moved"), [(0.24, True), (0.26, False)])
def test_a_place_so_near_a_mark_is_the_mark(off_m, moved):
    points = [SimpleNamespace(leg=0, kind="mark", chainage_m=12.0, point=SimpleNamespace(id="107"))]
    found = _at_marks(SimpleNamespace(points=points), 0, np.array([12.0 + off_m]))
    assert found[1] == (["107"] if moved else [None])
    assert found[0] == pytest.approx([12.0 if moved else 12.0 + off_m])


def test_no_reading_is_asked_for_in_a_hole():
    survey = listened(18.0, spacing=1.5)
    posterior = infer(survey)
    first = next_readings(survey, posterior).readings[0].chainage_m
    row = SimpleNamespace(outcome=None)  # only where it is counts here
    dug = SimpleNamespace(hole=row, leg=0, from_m=first - 0.4, to_m=first + 0.4)
    after = replace(survey, holes=(dug,))
    told = next_readings(after, replace(posterior, run=None), most=50).readings
    assert told and all(abs(each.chainage_m - first) > 0.4 for each in told)
    told = next_readings(survey, posterior, most=50).readings
    assert any(abs(each.chainage_m - first) <= 0.4 for each in told)


def test_advice_stands_on_the_inference_it_is_given():
    survey = listened(14.0)
    posterior = infer(survey)
    kept, again = (next_readings(survey, p) for p in (posterior, replace(posterior, run=None)))
    assert kept.readings == again.readings
    changed = replace(survey, site=replace(survey.site, title="Another"))
    assert next_readings(changed, posterior).readings == kept.readings


def test_a_kind_not_read_yet_is_proposed_too():
    """After a delay the ground is listened to; before anything, too."""
    route = synthetic.straight(60.0)
    ends = (PipePlace(0, 0.0), PipePlace(0, 60.0))
    delay = SurveyedDelay("d", *ends, (2 * 20.0 - 60.0) / 430.0, 2e-3)
    survey = synthetic.survey([route], delays=(delay,))
    posterior = infer(survey)
    decision = decide(survey, posterior, **SURE)
    assert {each.kind for each in decision.next_readings} == {"surface"}
    now = sum(b - a for _, a, b in posterior.interval_95)
    best = decision.next_readings[0]
    assert best.expected_interval_95_m < now
    low, high = posterior.interval_95[0][1], posterior.interval_95[-1][2]
    assert low - 1.1 <= best.chainage_m <= high + 1.1
    nothing = synthetic.survey([route])
    assert len(decide(nothing, infer(nothing), **SURE).next_readings) == 3


def test_an_untouched_fitting_is_proposed_by_name():
    main = synthetic.straight(60.0)
    branch = Route.from_vertices([(30.0, 0.0), (30.0, 40.0)])
    touched = synthetic.levels("contact", [1.0, 59.0], [52.0, 51.0], route=main)
    valve = SurveyedPoint(
        Point("V7", 0, 0), 30.0, 38.0, float("nan"), 0.02, "fitting", leg=1, chainage_m=38.0
    )
    survey = synthetic.survey(
        [main, branch], joints=[Joint(0, 30.0, 1, 0.0)], contact=touched, points=(valve,)
    )
    decision = decide(survey, infer(survey), most_readings=12, **SURE)
    contacts = [each for each in decision.next_readings if each.kind == "contact"]
    assert [each.point for each in contacts] == ["V7"]


def test_a_reading_is_worth_something_when_unsure_and_costs_are_given():
    unsure = listened(18.0, spacing=1.5, crew=Crew(**COSTS))
    worth = decide(unsure, infer(unsure), **SURE).value_of_reading
    assert 0 < worth < 1500
    assert decide(listened(18.0), infer(listened(18.0)), **SURE).value_of_reading is None


def test_a_reading_that_costs_more_than_it_brings():
    dear = listened(26.0, crew=Crew(**COSTS | {"hour_cost": 90000.0}))
    assert decide(dear, infer(dear), **SURE).value_of_reading < 0
