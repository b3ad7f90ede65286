"""The posterior on sites with a known answer: honest where little is known, sharp where much is."""

from __future__ import annotations

import numpy as np
import pytest

from geoleak import evidence
from geoleak.errors import SiteDataError
from geoleak.evidence.base import Hint, KindFit
from geoleak.linref import Route
from geoleak.network.network import Joint
from geoleak.posterior.infer import InferenceOptions, infer
from geoleak.record import replace
from geoleak.site import LevelSettings
from tests import synthetic
from tests.benchmarks.bench_inference import big_network
from tests.command import at_length
from tests.trials.ranks import Truth, covers

# Even per metre, and every leak can be heard.
EVEN = {"listened": 0.0, "inaudible": 0.0}


def heard(chainage, leak=47.3, strength=22.0, floor=40.0, depth=1.0, loss=4.0):
    """Levels over a leak, by hand: spreading, soil loss and an added background."""
    aside = np.abs(np.asarray(chainage) - leak)
    path = np.hypot(aside, depth)
    direct = strength + 20 * np.log10(depth / path) - loss * (path - depth)
    return 10 * np.log10(10 ** (floor / 10) + 10 ** ((floor + direct) / 10))


def listened(chainage, level, *, route=None, **parts):
    route = route or synthetic.straight()
    rows = synthetic.levels("surface", chainage, level, route=route)
    return synthetic.survey([route], surface=rows, **parts)


def in_order(pieces):
    return all(b > a for _, a, b in pieces)


def check_proper(posterior):
    assert np.isfinite(posterior.mass).all()
    assert (posterior.mass >= 0).all()
    assert posterior.mass.sum() + posterior.elsewhere == pytest.approx(1.0, abs=1e-9)
    assert posterior.leg_probability.sum() == pytest.approx(1 - posterior.elsewhere, abs=1e-9)
    for pieces in (posterior.interval_50, posterior.interval_80, posterior.interval_95):
        assert pieces and in_order(pieces)
    assert posterior.peaks[0].from_m <= posterior.peaks[0].median_m <= posterior.peaks[0].to_m


def length(pieces):
    return sum(b - a for _, a, b in pieces)


def test_a_clear_peak_is_found():
    chainage = np.arange(30.0, 65.0, 1.0)
    posterior = infer(listened(chainage, heard(chainage)))
    check_proper(posterior)
    assert posterior.peaks[0].median_m == pytest.approx(47.3, abs=0.25)
    assert posterior.peaks[0].mass > 0.9
    assert covers(posterior, Truth(0, 47.3), posterior.interval_95)
    assert length(posterior.interval_50) < length(posterior.interval_80)
    assert length(posterior.interval_80) < length(posterior.interval_95) < 4.0
    assert posterior.no_leak_odds < 0.01
    assert posterior.fits[0].agrees
    assert posterior.second_leak is None


def test_reversing_the_leg_mirrors_the_posterior():
    chainage = np.arange(30.0, 65.0, 1.0)
    noise = np.random.default_rng(5).normal(0, 2, len(chainage))
    level = heard(chainage) + noise
    forward = infer(listened(chainage, level))
    backward = infer(
        listened(100.0 - chainage[::-1], level[::-1], route=Route.from_vertices([(100, 0), (0, 0)]))
    )
    assert backward.peaks[0].median_m == pytest.approx(100 - forward.peaks[0].median_m, abs=0.03)
    assert backward.elsewhere == pytest.approx(forward.elsewhere, rel=0.02)


def test_moving_the_site_moves_nothing_along_the_pipe():
    chainage = np.arange(30.0, 65.0, 1.0)
    level = heard(chainage) + np.random.default_rng(6).normal(0, 2, len(chainage))
    turned = Route.from_vertices([(2000.0, 500.0), (2000.0 + 60.0, 500.0 + 80.0)])
    here = infer(listened(chainage, level))
    there = infer(listened(chainage, level, route=turned))
    assert there.peaks[0].median_m == pytest.approx(here.peaks[0].median_m, abs=1e-6)


def test_a_louder_meter_changes_nothing():
    chainage = np.arange(30.0, 65.0, 1.0)
    level = heard(chainage)
    quiet, loud = (infer(listened(chainage, level + shift)) for shift in (0.0, 25.0))
    assert loud.peaks[0].median_m == pytest.approx(quiet.peaks[0].median_m, abs=1e-3)


def test_a_leg_never_listened_to_keeps_its_prior_odds_against_elsewhere():
    second = Route.from_vertices([(0.0, 500.0), (80.0, 500.0)])
    chainage = np.arange(30.0, 65.0, 1.0)
    rows = synthetic.levels("surface", chainage, 40.0, route=synthetic.straight())
    survey = synthetic.survey([synthetic.straight(), second], surface=rows, prior=EVEN)
    posterior = infer(survey)
    check_proper(posterior)
    prior_odds = (0.95 * 80 / 180) / 0.05
    # Elsewhere may be heard as something else (one in twenty): hence the five per cent.
    odds = posterior.leg_probability[1] / posterior.elsewhere
    assert odds == pytest.approx(prior_odds, rel=0.08)
    on_it = posterior.mass[posterior.cells.leg == 1]
    density = on_it / posterior.cells.width_m[posterior.cells.leg == 1]
    assert density.max() / density.min() < 1.05


def test_silence_where_they_listened_raises_the_rest():
    chainage = np.arange(30.0, 65.0, 1.0)
    noise = np.random.default_rng(2).normal(0, 2, len(chainage))
    posterior = infer(listened(chainage, 40.0 + noise, prior=EVEN))
    check_proper(posterior)
    places = posterior.cells
    inside = (places.chainage_m > 33) & (places.chainage_m < 62)
    assert posterior.mass[inside].sum() < 0.2
    assert posterior.elsewhere > 0.07
    assert posterior.no_leak_odds > 1.0


def test_no_reading_at_all_gives_the_prior():
    posterior = infer(synthetic.survey(elsewhere=0.07))
    check_proper(posterior)
    assert posterior.elsewhere == pytest.approx(0.07, abs=1e-9)
    assert length(posterior.interval_95) == pytest.approx(95.0, abs=0.2)
    assert posterior.fits == ()


@pytest.mark.usefixtures("few_nodes")
def test_two_humps_give_two_pieces():
    chainage = np.arange(20.0, 80.0, 1.5)
    level = np.maximum(heard(chainage, 35.0), heard(chainage, 60.0))
    posterior = infer(listened(chainage, level))
    check_proper(posterior)
    assert posterior.second_leak is not None
    stakes = sorted([posterior.peaks[0].median_m, posterior.second_leak.median_m])
    assert stakes == pytest.approx([35.0, 60.0], abs=2.0)


HOSTILE = {
    "all equal": (np.arange(20.0, 60.0, 1.0), np.full(40, 37.0), {}),
    "one reading": (np.array([50.0]), np.array([80.0]), {}),
    "two readings": (np.array([50.0, 52.0]), np.array([80.0, 20.0]), {}),
    "hundreds at one place": (
        np.full(300, 50.0),
        np.full(300, 75.0),
        {"place": np.zeros(300, int)},
    ),
    "huge spread": (np.arange(20.0, 60.0, 1.0), np.linspace(-300, 300, 40), {}),
    "all at the upper limit": (
        np.arange(20.0, 60.0, 1.0),
        np.full(40, 99.0),
        {"censored": np.ones(40, int)},
    ),
    "all at the lower limit": (
        np.arange(20.0, 60.0, 1.0),
        np.zeros(40),
        {"censored": -np.ones(40, int)},
    ),
}


@pytest.mark.usefixtures("few_nodes")
@pytest.mark.parametrize("name", HOSTILE)
@at_length("sigma", [0.1], [2.5])
def test_bad_input_is_never_nan_nor_false_certainty(name, sigma):
    chainage, level, columns = HOSTILE[name]
    route = synthetic.straight()
    rows = synthetic.levels("surface", chainage, level, route=route, **columns)
    settings = LevelSettings(level_sigma_db=sigma, place_sigma_db=sigma)
    posterior = infer(synthetic.survey([route], surface=rows, settings=settings))
    check_proper(posterior)
    if name != "huge spread":
        assert length(posterior.interval_95) > 5.0


def test_repeats_at_three_places_are_three_readings():
    """Coupling is shared: ten repeats of three loud places must not pin the leak to centimetres."""
    route = synthetic.straight()
    chainage = np.repeat([48.0, 50.0, 52.0], 10)
    level = np.repeat([50.0, 56.0, 51.0], 10)
    place = np.repeat([0, 1, 2], 10)
    settings = LevelSettings(level_sigma_db=2.5, place_sigma_db=3.0)
    ten = synthetic.levels("surface", chainage, level, route=route, place=place)
    one = synthetic.levels("surface", chainage[::10], level[::10], route=route)
    many = infer(synthetic.survey([route], surface=ten, settings=settings))
    few = infer(synthetic.survey([route], surface=one, settings=settings))
    assert length(many.interval_80) > 0.4 * length(few.interval_80)


def test_saturated_readings_still_point_to_the_middle():
    route = synthetic.straight()
    chainage = np.arange(35.0, 60.0, 1.0)
    level = np.minimum(heard(chainage, strength=30.0), 55.0)
    rows = synthetic.levels(
        "surface", chainage, level, route=route, censored=(level >= 55.0).astype(int)
    )
    posterior = infer(synthetic.survey([route], surface=rows))
    assert posterior.peaks[0].median_m == pytest.approx(47.3, abs=0.6)


def test_a_session_may_be_louder_as_a_whole():
    route = synthetic.straight()
    chainage = np.arange(30.0, 65.0, 1.0)
    level = heard(chainage) + np.where(chainage > 50.0, 8.0, 0.0)
    session = (chainage > 50.0).astype(int)
    rows = synthetic.levels(
        "surface", chainage, level, route=route, session=session, sessions=("a", "b")
    )
    posterior = infer(synthetic.survey([route], surface=rows))
    assert posterior.peaks[0].median_m == pytest.approx(47.3, abs=0.5)


def test_a_display_scale_finds_the_same_place():
    route = synthetic.straight()
    chainage = np.arange(30.0, 65.0, 1.0)
    shown = 1.9 * (heard(chainage) - 38.0)
    rows = synthetic.levels("surface", chainage, shown, route=route)
    settings = LevelSettings(level_scale="display")
    posterior = infer(synthetic.survey([route], surface=rows, settings=settings))
    assert posterior.peaks[0].median_m == pytest.approx(47.3, abs=0.3)


@pytest.mark.usefixtures("few_nodes")
def test_measured_backgrounds_take_a_louder_ground_out():
    route = synthetic.straight()
    chainage = np.arange(30.0, 65.0, 1.0)
    # A pump stands by the line at 58 m and is louder than the leak.
    hum = heard(chainage, 58.0, strength=26.0)
    level = 10 * np.log10(10 ** (heard(chainage, strength=18.0) / 10) + 10 ** (hum / 10))
    plain = synthetic.levels("surface", chainage, level, route=route)
    measured = replace(plain, background_db=hum)
    without = infer(synthetic.survey([route], surface=plain))
    with_it = infer(synthetic.survey([route], surface=measured))
    assert abs(without.peaks[0].median_m - 47.3) > 5.0
    assert with_it.peaks[0].median_m == pytest.approx(47.3, abs=0.5)


@pytest.mark.parametrize("measured", [1, 3])
def test_the_gain_is_in_a_measured_background_as_well(measured):
    """A meter turned up by 20 dB shows level and background 20 dB higher: nothing else changes."""
    route = synthetic.straight()
    chainage = np.arange(35.0, 60.0, 1.0)
    level = heard(chainage) + np.random.default_rng(3).normal(0, 1, len(chainage))
    background = np.where(np.arange(len(chainage)) % measured == 0, 40.0, np.nan)
    gain = np.where(chainage > 46.5, 20.0, 0.0)
    plain = synthetic.levels("surface", chainage, level, route=route, background_db=background)
    turned = replace(plain, level_db=level + gain, background_db=background + gain, gain_db=gain)
    one, two = (infer(synthetic.survey([route], surface=rows)) for rows in (plain, turned))
    assert two.peaks[0].median_m == pytest.approx(one.peaks[0].median_m, abs=0.02)
    assert length(two.interval_95) == pytest.approx(length(one.interval_95), abs=0.05)


def test_switching_a_kind_off_leaves_it_out():
    chainage = np.arange(30.0, 65.0, 1.0)
    survey = listened(chainage, heard(chainage))
    posterior = infer(survey, options=InferenceOptions(without=frozenset({"surface"})))
    assert posterior.fits == ()
    assert length(posterior.interval_95) > 90.0


def test_joined_legs_share_what_is_heard():
    main = synthetic.straight(60.0)
    branch = Route.from_vertices([(30.0, 0.0), (30.0, 40.0)])
    chainage = np.arange(10.0, 50.0, 1.0)
    rows = synthetic.levels("surface", chainage, heard(chainage, 30.0), route=main)
    survey = synthetic.survey([main, branch], joints=[Joint(0, 30.0, 1, 0.0)], surface=rows)
    posterior = infer(survey)
    check_proper(posterior)
    assert posterior.leg_probability[1] > 0.1
    assert {leg for leg, _, _ in posterior.interval_95} == {0, 1}


@at_length("teeth", [5], [20])
def test_a_large_network_finds_the_leak_and_agrees_with_its_neighbourhood(teeth):
    """Far pipe must not change the answer: the leg alone, and in 5 or 20 km of network."""
    large = big_network(np.random.default_rng(20261125), teeth=teeth)
    found = infer(large)
    check_proper(found)
    assert found.peaks[0].leg == 5
    assert found.peaks[0].median_m == pytest.approx(140.2, abs=0.5)
    near = (large.surface.leg == 5) & (np.abs(large.surface.chainage_m - 140) < 50)
    rows = large.surface
    alone = infer(
        synthetic.survey(
            [large.legs[5].route],
            surface=synthetic.levels(
                "surface",
                rows.chainage_m[near],
                rows.level_db[near],
                route=large.legs[5].route,
            ),
        )
    )
    assert found.peaks[0].median_m == pytest.approx(alone.peaks[0].median_m, abs=0.1)
    assert found.peaks[0].sigma_m == pytest.approx(alone.peaks[0].sigma_m, rel=0.25)


@pytest.mark.usefixtures("few_nodes")
def test_wild_readings_do_not_agree_with_one_leak():
    chainage = np.arange(30.0, 65.0, 1.0)
    level = 40 + np.random.default_rng(8).normal(0, 15, len(chainage))
    posterior = infer(listened(chainage, level))
    check_proper(posterior)
    assert not posterior.fits[0].agrees
    assert "do not agree" in posterior.fits[0].text


def test_the_level_curve_goes_through_the_readings():
    chainage = np.arange(30.0, 65.0, 1.0)
    level = heard(chainage) + np.random.default_rng(6).normal(0, 2, len(chainage))
    (curve,) = infer(listened(chainage, level)).curves
    at = np.interp(chainage, curve.chainage_m, curve.expected_db)
    assert np.median(np.abs(at - level)) < 2.5
    low = np.interp(chainage, curve.chainage_m, curve.low_db)
    high = np.interp(chainage, curve.chainage_m, curve.high_db)
    assert ((level > low) & (level < high)).mean() > 0.8


def test_a_new_kind_is_one_line_in_its_folder(monkeypatch):
    """A kind that says "the first half" needs nothing outside the folder."""

    class FirstHalf(evidence.Evidence):
        kind = "half"
        rows = 1

        def judge(self, places):
            return np.log(np.where(places.chainage_m < 50.0, 0.8, 0.2)), float(np.log(0.5))

        def hints(self):
            return (Hint(0, 49.9, 50.1, 0.1),)

        def fit(self, belief, places, mass):
            return KindFit("half", 1, 1.0, "in the first half", True)

    monkeypatch.setitem(evidence.GATHERERS, "half", lambda survey: FirstHalf())
    posterior = infer(synthetic.survey(elsewhere=0.0))
    half = posterior.mass[posterior.cells.chainage_m < 50.0].sum()
    assert half == pytest.approx(0.8, abs=1e-6)
    assert posterior.fits[0].text == "in the first half"


def test_no_leg_is_an_error_that_says_so():
    with pytest.raises(SiteDataError, match="mark at least one leg"):
        infer(replace(synthetic.survey(), legs=()))


def test_same_input_same_answer():
    chainage = np.arange(30.0, 65.0, 1.0)
    first, second = (infer(listened(chainage, heard(chainage))) for _ in range(2))
    assert np.array_equal(first.mass, second.mass)
    assert first.fits == second.fits
