"""What each guess of the evidence means: the chance, the spread or the odds taken from it."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from geoleak.evidence import gather, prior
from geoleak.evidence.base import candidates
from geoleak.evidence.delay import DelayEvidence, prior_speeds
from geoleak.evidence.isolation import chance
from geoleak.evidence.levels import pipe_loss
from geoleak.evidence.pooling import T_SCALE
from geoleak.evidence.seen import HoleEvidence, SightingEvidence
from geoleak.linref import Route
from geoleak.network.network import Joint
from geoleak.posterior import run as inference
from geoleak.record import replace
from geoleak.site import Hole, LevelSettings, PastLeak, Place, Sighting
from geoleak.survey.records import (
    PipePlace,
    SurveyedDelay,
    SurveyedHole,
    SurveyedPastLeak,
    SurveyedSighting,
)
from tests import synthetic

SOMEWHERE = Place("leg", "")


def at(survey, *chainage, leg=0):
    where = np.array(chainage, dtype=float)
    return candidates(survey, np.full(len(where), leg), where, np.ones(len(where)))


def level_kind(kind, *, chainage=(50.0,), settings=None, material="pvc", **columns):
    """Return the evidence of some readings of one kind, 40 each."""
    rows = synthetic.levels(kind, list(chainage), 40.0, route=synthetic.straight(), **columns)
    survey = synthetic.survey(settings=settings, material=material, **{kind: rows})
    (found,) = gather(survey)
    return found


def ground_of(kind, **sigmas):
    """Return a kind's ground with every unknown at its middle, but for some so many sigma off."""
    deviates = {name: np.array([[sigmas.get(name, 0.0)]]) for name in kind.nuisances}
    return kind.ground(at(kind.survey, 50.0), deviates)


# -- levels ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "middle", "sigma"),
    [("surface", 14.0, 7.0), ("contact", 30.0, 12.0), ("gas", 20.0, 10.0), ("rod", 30.0, 10.0)],
)
def test_how_loud_a_source_is_before_it_is_heard(kind, middle, sigma):
    found = level_kind(kind)
    share = np.exp(found.log_prior)
    mean = share @ found.strengths_db
    assert mean == pytest.approx(middle)
    # Cut off at 2.6 sigma or little farther.
    assert math.sqrt(share @ (found.strengths_db - mean) ** 2) == pytest.approx(sigma, rel=0.05)


@pytest.mark.parametrize(("kind", "another"), [("surface", 0.05), ("contact", 0.5), ("rod", 0.05)])
def test_a_leak_on_no_traced_leg_is_out_of_hearing_or_another_sound_is_heard(kind, another):
    found = level_kind(kind)
    run = SimpleNamespace(
        smooth=(found,),
        nodes=SimpleNamespace(log_weight=np.zeros(1)),
        unheard={kind: np.log([0.2])},
        by_kind={kind: np.log([[3.0, 5.0]])},
        places=SimpleNamespace(weight=np.array([0.25, 0.75])),
    )
    told = inference.Run.elsewhere(run, (kind,))
    heard = 0.25 * 3.0 + 0.75 * 5.0
    assert math.exp(told) == pytest.approx((1 - another) * 0.2 + another * heard)


def test_the_pipe_carries_a_sixteenth_within_a_factor_of_four():
    kind = level_kind("surface")
    share = [float(np.squeeze(ground_of(kind, carried_share=z).own["carried"])) for z in (-1, 0, 1)]
    assert share == pytest.approx([10**-1.8, 10**-1.2, 10**-0.6])


def test_pipe_of_unknown_material_carries_between_iron_and_plastic():
    median, spread = pipe_loss(synthetic.survey(material=None))
    assert [float(median[0]) * math.exp(z * spread) for z in (-1, 0, 1)] == pytest.approx(
        [0.2207, 0.6, 1.631], rel=1e-3
    )


@pytest.mark.parametrize("kind", ["surface", "contact"])
def test_the_true_scatter_is_a_quarter_off_the_stated(kind):
    found = level_kind(kind)
    error = "level_error" if kind == "surface" else "contact_error"
    scale = [float(ground_of(found, **{error: z}).scale[0, 0]) for z in (0, 1)]
    assert scale == pytest.approx([1.0, math.exp(0.25)])


def test_a_display_spreads_sixty_decibels_over_ninety_steps():
    kind = level_kind("surface", settings=LevelSettings(level_scale="display"))
    slope = [60 * float(np.squeeze(ground_of(kind, display_slope=z).slope)) for z in (-1, 0, 1)]
    assert slope == pytest.approx([49.4, 90.0, 164.0], rel=1e-3)


def test_gusts_are_two_fifths_to_three_quarters_of_the_scatter():
    kind = level_kind("surface", repeats=np.array([4]), repeat_sigma_db=np.array([2.0]))
    share = [float(np.squeeze(ground_of(kind, gusts=z).gusts)) for z in (-1, 0, 1)]
    assert share == pytest.approx([0.3879, 0.5851, 0.7584], abs=2e-4)


def test_errors_of_neighbours_share_seven_hundredths_where_they_touch():
    kind = level_kind("surface", chainage=(50.0, 50.0 + 3.0))
    # A sensor's spacing of three metres: 1/e of it.
    assert kind.pooled.memory[1] == pytest.approx(0.07 / math.e)


@pytest.mark.parametrize(
    ("kind", "place"),
    [("surface", 0.0), ("contact", 3.0), ("rod", 3.0)],
)
def test_a_reading_is_as_good_as_its_coupling(kind, place):
    settings = LevelSettings(level_sigma_db=2.0, place_sigma_db=1.0)
    found = level_kind(kind, settings=settings).pooled.sigma[0] / T_SCALE
    assert found == pytest.approx(math.sqrt(2.0**2 + 1.0**2 + place**2))


@pytest.mark.parametrize("kind", ["gas", "bar_hole"])
def test_a_gas_reading_varies_by_a_factor_of_two_and_more(kind):
    """Its own error and its place's: each 4 dB, a factor of 2.5."""
    found = level_kind(kind).pooled.sigma[0] / T_SCALE
    assert found == pytest.approx(math.hypot(4.0, 4.0))


@pytest.mark.parametrize(
    ("kind", "width", "wider"), [("gas", 2.0, 3.2974), ("bar_hole", 1.0, 1.6487)]
)
def test_gas_thins_to_an_eighth_at_root_three_widths(kind, width, wider):
    for z, reach in ((0.0, width), (1.0, wider)):
        away = math.sqrt(3.0) * reach
        found = level_kind(kind, chainage=(50.0, 50.0 + away))
        where = found.geometry(at(found.survey, 50.0), np.arange(2))
        over, aside = found.gain(where, ground_of(found, plume_width=z), np.arange(2))[0]
        assert aside / over == pytest.approx(1 / 8, rel=1e-4)


def test_a_tee_takes_two_to_five_decibels():
    kind = level_kind("contact")
    lost = [float(np.squeeze(ground_of(kind, tee_loss=z).own["tee_db"])) for z in (-1, 0, 1)]
    assert lost == pytest.approx([2.0, 3.5, 5.0])


def test_a_rod_s_tip_stands_half_a_foot_off_the_leak():
    """On the pipe that is as near as it comes; three times as far has a ninth of the power."""
    depth = np.array([1.0, 1.0])
    kind = level_kind("rod", chainage=(50.0, 50.0 + 0.15 * math.sqrt(8.0)), tip_depth_m=depth)
    ground = ground_of(kind)
    own = ground.own | {"soil_db_per_m": 0.0, "carried": 0.0, "depth_m": np.ones((1, 1))}
    where = kind.geometry(at(kind.survey, 50.0), np.arange(2))
    near, far = kind.gain(where, replace(ground, own=own), np.arange(2))[0]
    assert (near, far) == pytest.approx((1.0, 1 / 9))


@pytest.mark.parametrize(
    ("recorded", "sigma"), [(frozenset(), (4.0, 4.0)), (frozenset({1}), (4.0, 40.0))]
)
def test_two_sessions_differ_by_a_few_decibels_and_a_recording_by_any(recorded, sigma):
    parts = {"session": np.array([0, 1]), "sessions": ("a", "b")}
    kind = level_kind("surface", chainage=(50.0, 51.0), recorded_sessions=recorded, **parts)
    assert tuple(kind.pooled.offset_sigma) == sigma


def test_a_background_read_beside_others_is_good_to_its_reading_place_and_ground():
    background = np.array([30.0, np.nan])
    settings = LevelSettings(level_sigma_db=2.0, place_sigma_db=1.0)
    kind = level_kind("surface", chainage=(50.0, 55.0), background_db=background, settings=settings)
    floor = kind.pooled.sigma[kind.pooled.reading < 0] / T_SCALE
    assert floor == pytest.approx([math.sqrt(2.0**2 + 1.0**2 + 2.0**2)])


# -- delays ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("material", "speed", "sigma"),
    [("steel", 1250, 125), ("pvc", 430, 110), ("concrete", 1080, 130), (None, 800, 350)],
)
def test_speeds_of_pipe_whose_bore_or_wall_is_not_stated(material, speed, sigma):
    found = prior_speeds(synthetic.survey(material=material))
    assert 1 / found.slowness[0] == pytest.approx(speed)
    # To first order, as slowness errs.
    assert math.sqrt(found.covariance[0, 0]) * speed**2 == pytest.approx(sigma)


def timed(delay_s, length_m=100.0):
    ends = PipePlace(0, 0.0), PipePlace(0, length_m)
    delay = SurveyedDelay("d", *ends, delay_s, 1e-4)
    return DelayEvidence(
        synthetic.survey([synthetic.straight(length_m)], delays=(delay,), material="steel")
    )


def test_one_delay_in_twenty_is_of_the_wrong_peak():
    """Where no path makes it, that is all that is left of it, spread over what the pipe allows."""
    kind = timed(-0.06)
    value = kind.judge(at(kind.survey, 99.0))[0][0]
    assert math.exp(value) * 2 * kind.span_s[0] == pytest.approx(0.05, rel=1e-3)


@pytest.mark.parametrize(("length_m", "error_m"), [(0.5, 0.1), (1000.0, 2.0025)])
def test_a_path_is_a_decimetre_and_two_in_a_thousand_longer_or_shorter(length_m, error_m):
    kind = timed(0.0, length_m)
    assert kind._path_sigma(kind.timed[0]) * 1250.0 == pytest.approx(error_m, rel=1e-3)


# -- shut-off tests, holes, sightings ----------------------------------------------------------


def test_chances_of_a_shut_off_test():
    """A valve passes in 0.08, a second leak runs in 0.05, a test is misread in 0.01."""
    cut = [chance(each, cut_off=True) for each in ("stopped", "slower", "same")]
    fed = [chance(each, cut_off=False) for each in ("stopped", "slower", "same")]
    assert cut == pytest.approx([0.86, 0.13, 0.01])
    assert fed == pytest.approx([0.01, 0.05, 0.94])


def of_hole(outcome, *chainage, exposed=True, water=None):
    """Return the chances of a hole from 40 to 42 m by where the leak is, the last far away."""
    row = Hole("h", SOMEWHERE, SOMEWHERE, pipe_exposed=exposed, outcome=outcome, water_from=water)
    survey = synthetic.survey(holes=(SurveyedHole(row, 0, 40.0, 42.0),))
    value, elsewhere = HoleEvidence(survey).judge(at(survey, *chainage))
    return [*np.exp(value).tolist(), math.exp(elsewhere)]


def test_a_leak_in_a_hole_is_seen_where_the_pipe_lies_bare():
    assert of_hole("leak", 41.0, 90.0) == pytest.approx([0.97, 0.02, 0.02])
    assert of_hole("leak", 41.0, 90.0, exposed=False) == pytest.approx([0.5, 0.02, 0.02])


def test_a_hole_takes_water_from_a_leak_within_two_metres():
    """Of holes that found nothing 0.15 are wet anyway, of the rest 0.4 beside a leak."""
    beside, two, far, elsewhere = of_hole("wet", 42.001, 44.0, 90.0)
    assert beside == pytest.approx(0.98 * (0.15 + 0.85 * 0.4), rel=1e-3)
    assert two == pytest.approx(0.98 * (0.15 + 0.85 * 0.4 * math.exp(-0.5)), rel=1e-3)
    assert (far, elsewhere) == pytest.approx((0.98 * 0.15, 0.98 * 0.15))


def test_water_comes_from_the_leak_s_side_four_times_in_five():
    there, other, _ = of_hole("wet", 80.0, 2.0, water="up")
    assert there / other == pytest.approx(4.0)


@pytest.mark.parametrize(
    ("what", "odds", "reach_m"),
    [("wet", 6.0, 3.0), ("warm", 5.0, 2.0), ("sunk", 5.0, 2.0), ("green", 3.0, 3.0)],
)
def test_a_sighting_gives_the_pipe_beneath_its_odds(what, odds, reach_m):
    seen = SurveyedSighting(Sighting(SOMEWHERE, what), 50.0, 0.0, 0, 50.0, 0.0)
    survey = synthetic.survey(sightings=(seen,))
    value = SightingEvidence(survey).judge(at(survey, 50.0, 50.0 + reach_m, 99.0))[0]
    expected = [odds, 1 + (odds - 1) * math.exp(-0.5), 1.0]
    assert np.exp(value) == pytest.approx(expected, rel=1e-6)


# -- the prior ---------------------------------------------------------------------------------


def factor_about(spot_m, reach_m, survey):
    """Return how far a factor of 3 goes: its excess at the spot and at its reach."""
    value, _ = prior.log_factor(survey, at(survey, spot_m, spot_m + reach_m, spot_m + 40.0))
    return ((np.exp(value) - 1.0) / 2.0).tolist()


NONE = {"joints": 1.0, "past_leaks": 1.0, "recent_excavation": 1.0}
FALL = [1.0, math.exp(-0.5), 0.0]


def test_a_joint_counts_over_a_foot_of_pipe():
    branch = Route.from_vertices([(30.0, 0.0), (30.0, 40.0)])
    routes = [synthetic.straight(), branch]
    joints = [Joint(0, 30.0, 1, 0.0)]
    survey = synthetic.survey(routes, joints=joints, joint_factor=3.0)
    assert factor_about(30.0, 0.3, survey) == pytest.approx(FALL, abs=1e-6)


@pytest.mark.parametrize(("factor", "reach_m"), [("past_leaks", 5.0), ("recent_excavation", 2.0)])
def test_a_past_leak_counts_over_metres_and_its_hole_over_fewer(factor, reach_m):
    past = SurveyedPastLeak(PastLeak(SOMEWHERE, 2024), 0, 30.0)
    survey = synthetic.survey(past_leaks=(past,), prior=NONE | {factor: 3.0})
    assert factor_about(30.0, reach_m, survey) == pytest.approx(FALL, abs=1e-6)


@pytest.mark.parametrize(("year", "counts"), [(2020, False), (2021, True)])
def test_a_hole_is_recent_for_three_years(year, counts):
    old = SurveyedPastLeak(PastLeak(SOMEWHERE, year), 0, 30.0)
    new = SurveyedPastLeak(PastLeak(SOMEWHERE, 2024), 0, 80.0)
    survey = synthetic.survey(past_leaks=(old, new), prior=NONE | {"recent_excavation": 3.0})
    assert factor_about(30.0, 2.0, survey)[0] == pytest.approx(float(counts), abs=1e-6)
