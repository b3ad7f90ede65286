"""Each kind of evidence on sites whose answer is known by hand or by a published number."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from geoleak import evidence
from geoleak.evidence import prior
from geoleak.evidence.base import Belief, Candidates, Nodes, candidates
from geoleak.evidence.buried import SurfaceEvidence
from geoleak.evidence.contact import ContactEvidence
from geoleak.evidence.delay import DelayEvidence, prior_speeds
from geoleak.evidence.isolation import Parts, chance, outcome_of
from geoleak.evidence.levels import pipe_loss
from geoleak.evidence.pooling import T_SCALE, log_scatter, pool
from geoleak.evidence.seen import HoleEvidence, SightingEvidence
from geoleak.linref import Route
from geoleak.network.network import Joint, Network
from geoleak.posterior.infer import InferenceOptions, infer
from geoleak.record import replace
from geoleak.site import Hole, Isolation, LevelSettings, PastLeak, Place, Sighting
from geoleak.survey.records import (
    PipePlace,
    SurveyedDelay,
    SurveyedHole,
    SurveyedIsolation,
    SurveyedPastLeak,
    SurveyedSighting,
)
from geoleak.tables import setting
from tests import synthetic
from tests.check_values import check_value
from tests.command import at_length

pytestmark = pytest.mark.usefixtures("few_nodes")

NONE = Nodes.over((), count=1)
SOMEWHERE = Place("leg", "")


def at(survey, *chainage, leg=0) -> Candidates:
    where = np.array(chainage, dtype=float)
    count = len(where)
    return candidates(survey, np.full(count, leg), where, np.full(count, 1.0 / count))


def close(value, name):
    expected = check_value(name)
    assert value == pytest.approx(expected.expected, abs=expected.tolerance)


def tee(**parts):
    main = synthetic.straight(60.0)
    branch = Route.from_vertices([(30.0, 0.0), (30.0, 40.0)])
    return synthetic.survey([main, branch], joints=[Joint(0, 30.0, 1, 0.0)], **parts)


def test_kinds_without_rows_say_nothing():
    assert evidence.gather(synthetic.survey()) == ()


# -- surface -------------------------------------------------------------------------------------


def surface(route, chainage, level=40.0, **columns):
    rows = synthetic.levels("surface", chainage, level, route=route, **columns)
    return SurfaceEvidence(synthetic.survey([route], surface=rows))


def plain_ground(kind, places, *, own=None, **changes):
    nodes = Nodes.over(kind.nuisances, count=1)
    ground = kind.ground(places, kind.deviates(nodes, np.array(0)))
    return replace(ground, own=ground.own | (own or {}), **changes)


def test_spreading_is_spherical():
    """Twice as far from the source, a quarter of the power (soil loss and pipe left out)."""
    kind = surface(synthetic.straight(), [50.0, 50.0 + math.sqrt(3.0)])
    place = at(kind.survey, 50.0)
    own = {"soil_db_per_m": 0.0, "carried": 0.0, "depth_m": np.ones(1)}
    ground = plain_ground(kind, place, own=own, signal_db=np.zeros(2))
    near, far = kind.gain(kind.geometry(place, np.arange(2)), ground, np.arange(2))[0]
    close(10 * math.log10(near / far), "spherical_doubling")


@pytest.mark.parametrize("extra, name", [(0.0, "60"), (-3.0, "57"), (-10.0, "50")])
def test_background_is_an_added_power(extra, name):
    kind = surface(synthetic.straight(), [50.0])
    ground = plain_ground(kind, at(kind.survey, 50.0), signal_db=np.zeros(1))
    row = np.arange(1)
    ratio = kind.over_background(np.ones((1, 1)), ground, row, np.array([extra]))
    added = kind.added(1.0 + ratio, ground, row)
    close(60.0 + float(added[0, 0, 0]), f"db_sum_60_{name}")


def test_offset_readings_are_three_dimensional():
    """A reading 2 m aside hears as one 2 m along, but for what the pipe carries."""
    kind = surface(synthetic.straight(), [50.0, 52.0], offset_m=np.array([2.0, 0.0]))
    place = at(kind.survey, 50.0)
    ground = plain_ground(kind, place, own={"carried": 0.0})
    aside, along = kind.gain(kind.geometry(place, np.arange(2)), ground, np.arange(2))[0]
    assert aside == pytest.approx(along, rel=1e-12)


def test_a_slab_smears_the_peak():
    """Common practice, no source: concrete carries leak sound 5 to 10 ft either side."""
    chainage = [50.0, 52.3]
    soft = surface(synthetic.straight(), chainage, surface=("grass",) * 2)
    hard = surface(synthetic.straight(), chainage, surface=("concrete",) * 2)
    falls = []
    for kind in (soft, hard):
        place = at(kind.survey, 50.0)
        near, far = kind.gain(
            kind.geometry(place, np.arange(2)), plain_ground(kind, place), np.arange(2)
        )[0]
        falls.append(10 * math.log10(near / far))
    assert falls[1] < 0.6 * falls[0]


def test_what_a_slab_lifts_is_in_a_measured_background_already():
    """Slab and background 6 dB louder: the leak stands out as on bare ground, whatever share."""
    kind = surface(
        synthetic.straight(),
        [49.0, 50.0, 51.0],
        surface=("grass", "concrete", "grass"),
        background_db=np.array([30.0, 36.0, 30.0]),
    )
    kind.pooled.louder_db[1] = 6.0
    nodes = Nodes.even(kind.nuisances, np.zeros((1, len(kind.nuisances))))
    nodes.deviates[0, kind.nuisances.index("slab_lift")] = 20.0
    deviates = kind.deviates(nodes, np.array(0))
    signal = kind.ground(at(kind.survey, 50.0), deviates).signal_db
    assert signal == pytest.approx(np.zeros(3), abs=1e-6)


def test_the_t_fits_a_normal_error_best_at_its_scale():
    z = np.linspace(-10, 10, 20001)
    normal = np.exp(-z * z / 2) / math.sqrt(2 * math.pi)

    def expected(scale):
        density = -2.5 * np.log1p((z / scale) ** 2 / 4) - math.log(scale)
        return np.trapezoid(density * normal, z)

    assert expected(T_SCALE) > max(expected(T_SCALE - 0.02), expected(T_SCALE + 0.02))


def test_repeats_and_sessions_at_a_place_share_its_coupling():
    route = synthetic.straight()
    settings = LevelSettings(level_sigma_db=2.0, place_sigma_db=3.0)
    rows = synthetic.levels(
        "surface", np.full(100, 50.0), 40.0, route=route, place=np.zeros(100, int)
    )
    one = pool(rows, settings)
    assert len(one) == 1
    assert one.sigma[0] > T_SCALE * 3.0
    twice = pool(replace(rows, session=np.repeat([0, 1], 50), sessions=("a", "b")), settings)
    assert len(twice) == 2
    together = 1 / np.sqrt((1 / twice.sigma**2).sum())
    assert together > T_SCALE * 3.0


def test_gusts_move_a_drowned_background_by_its_share_only():
    """Ten decibels over the background: a gust of 1 dB moves the level by a tenth of one."""
    kind = surface(synthetic.straight(), [50.0])
    ground = plain_ground(kind, at(kind.survey, 50.0))
    step = 1e-4
    loud = 10 * math.log10(9 + 10 ** (step / 10)) - 10 * math.log10(10)
    relief = kind.relief(np.array([[10.0]]), ground, np.arange(1))[0, 0]
    gusty = ground.gusts * kind.pooled.gusty[0]
    assert relief == pytest.approx(1 - gusty + gusty * (loud / step) ** 2, rel=1e-3)
    assert kind.relief(np.ones((1, 1)), ground, np.arange(1))[0, 0] == pytest.approx(1.0)
    # 1.9 of hypot(1.9, 1.6) dB are the background's; they make the default repeatability.
    assert ground.gusts == pytest.approx(1.9**2 / (1.9**2 + 1.6**2))
    assert math.hypot(1.9, 1.6) == pytest.approx(LevelSettings().level_sigma_db, abs=0.05)


def test_neighbours_err_alike_the_more_the_nearer_they_stand():
    """A metre apart by e^(-1/3) of what they do at no distance; not at all across a session."""
    route = synthetic.straight()
    chainage = np.array([52.0, 50.0, 51.0, 51.5, 57.0, 58.0])
    session, limit = np.array([0, 0, 0, 1, 1, 1]), np.array([0, 0, 0, 0, 0, 1])
    rows = synthetic.levels("surface", chainage, 40.0, route=route)
    rows = replace(rows, session=session, sessions=("a", "b"), censored=limit)
    kind = SurfaceEvidence(synthetic.survey([route], surface=rows))
    assert kind.pooled.chainage_m.tolist() == [50.0, 51.0, 52.0, 51.5, 57.0, 58.0]
    near, far = (setting("error_memory").value * math.exp(-away / 3.0) for away in (1.0, 5.5))
    assert kind.pooled.memory == pytest.approx([0.0, near, near, 0.0, far, 0.0])
    data = kind.data(np.array([0, 2, 3, 4]))
    # Left without its neighbour a row has its error to itself.
    assert data.memory == pytest.approx([0.0, 0.0, 0.0, far])


def test_repeats_tell_whose_scatter_it_is():
    """Quiet repeats over the leak, wild ones away from it: gusts. Alike everywhere: the meter."""
    squares, count = np.array([1.0, 30.0]), np.array([4.0, 4.0])
    gusty, plain = np.array([0.2, 1.0]), np.ones(2)
    told = log_scatter(squares, count, gusty, 4.0) - log_scatter(squares, count, plain, 4.0)
    # By hand: -3/2 log 0.2 - 3 log(1/0.2 + 30) + 3 log 31.
    assert told == pytest.approx(-1.5 * math.log(0.2) - 3 * math.log(35 / 31))
    alike = np.array([10.0, 10.0])
    assert log_scatter(alike, count, gusty, 4.0) < log_scatter(alike, count, plain, 4.0)
    # Scatter alike everywhere says nothing of how great it is: only places differ.
    assert log_scatter(alike, count, 0.5 * plain, 4.0) == pytest.approx(
        log_scatter(alike, count, plain, 4.0)
    )


def test_repeats_wider_than_a_slip_are_cut():
    count, far = np.array([3.0, 3.0]), np.array([0.3, 1.0])
    slip = log_scatter(np.array([1e4, 4.0]), count, far, 4.0)
    assert slip == pytest.approx(log_scatter(np.array([80.0, 4.0]), count, far, 4.0))


def test_a_leak_under_deep_or_large_plastic_pipe_is_oftener_inaudible():
    def share(depth, material="copper", diameter=None):
        kind = surface(synthetic.straight(), [50.0])
        leg = kind.survey.legs[0]
        own = leg.leg.model_copy(update={"material": material, "outside_diameter_m": diameter})
        kind.survey = replace(kind.survey, legs=(replace(leg, leg=own),))
        place = replace(at(kind.survey, 50.0), depth_m=np.array([depth]))
        found = float(kind.unheard(place)[0])
        return found / (1 - found)

    stated = synthetic.survey().site.prior.inaudible
    plain = share(1.0)
    assert plain == pytest.approx(stated / (1 - stated))
    assert share(1.49) == pytest.approx(plain)
    assert share(1.5) == pytest.approx(2 * plain)
    assert share(1.0, "pvc", 0.099) == pytest.approx(plain)
    assert share(1.0, "pvc", 0.1) == pytest.approx(2 * plain)
    assert share(1.0, "cast_iron", 0.3) == pytest.approx(plain)


def test_the_chance_is_where_the_crew_listened():
    chainage = np.arange(40.0, 60.0)
    kind = surface(synthetic.straight(), chainage)
    grid = at(kind.survey, *np.arange(0.05, 100.0, 0.1))
    share = np.exp(prior.log_factor(kind.survey, grid)[0])
    inside = (grid.chainage_m > 38.0) & (grid.chainage_m < 61.0)
    # 20 places: 0.8 (1 - exp(-20 / 5)).
    assert share[inside].sum() / share.sum() == pytest.approx(0.8 * (1 - math.exp(-4)), abs=1e-3)
    few = surface(synthetic.straight(), [50.0])
    alone = np.exp(prior.log_factor(few.survey, grid)[0])
    near = np.abs(grid.chainage_m - 50.0) < 2.0
    assert alone[near].sum() / alone.sum() == pytest.approx(0.8 * (1 - math.exp(-0.2)), abs=2e-3)


def test_readings_disagree_from_one_in_a_hundred():
    """The posterior-predictive p is a count of 64 draws: one worse draw agrees, none does not."""
    chainage = np.arange(40.0, 60.0)
    rng = np.random.default_rng(2)
    noise = rng.normal(0, 1, len(chainage))
    found = {}
    for scale in np.arange(6.0, 7.5, 0.25):
        rows = synthetic.levels("surface", chainage, 40 + scale * noise, route=synthetic.straight())
        fit = infer(synthetic.survey([synthetic.straight()], surface=rows)).fits[0]
        found.setdefault(round(fit.p_value * 65 - 0.5), fit.agrees)
    assert found[0] is False
    assert found[min(k for k in found if k > 0)] is True
    assert min(k for k in found if k > 0) == 1


# -- contact -------------------------------------------------------------------------------------


def test_loudest_fitting_is_nearest_on_plastic():
    rows = synthetic.levels(
        "contact", [2.0, 30.0, 58.0], [45.0, 70.0, 42.0], route=synthetic.straight()
    )
    posterior = infer(synthetic.survey([synthetic.straight(60.0)], contact=rows, material="pvc"))
    assert abs(posterior.peaks[0].median_m - 30.0) < 6.0
    assert posterior.peaks[0].mass > 0.5


def test_a_survey_of_the_fittings_gives_leg_odds():
    main = synthetic.straight(60.0)
    branch = Route.from_vertices([(30.0, 0.0), (30.0, 40.0)])
    rows = synthetic.levels(
        "contact",
        [1.0, 59.0, 39.0, 20.0],
        [41.0, 40.0, 66.0, 63.0],
        leg=[0, 0, 1, 1],
        routes=[main, branch],
    )
    posterior = infer(tee(contact=rows, material="pvc"))
    assert posterior.leg_probability[1] > 0.85


def test_ranking_of_materials_as_carriers():
    """Water Loss Control, ch. 16: cast iron, steel, copper good; ductile iron, asbestos cement
    average; PVC and polyethylene poor."""
    groups = (
        ("cast_iron", "steel", "copper"),
        ("ductile_iron", "asbestos_cement"),
        ("pvc", "mdpe", "hdpe"),
    )
    losses = [
        [float(pipe_loss(synthetic.survey(material=name))[0][0]) for name in group]
        for group in groups
    ]
    assert max(losses[0]) < min(losses[1])
    assert max(losses[1]) < min(losses[2])


def test_a_tee_takes_its_share():
    # The setting is the published loss to one place.
    assert setting("tee_loss").value == round(check_value("tee_loss_db").expected, 1)
    rows = synthetic.levels("contact", [10.0], 50.0, route=synthetic.straight(60.0))
    survey = tee(contact=rows)
    kind = ContactEvidence(survey)
    place = at(survey, 5.0, leg=1)
    through = kind.geometry(place, np.arange(1))[1]
    assert through[0, 0] == 1.0
    straight_on = kind.geometry(at(survey, 50.0), np.arange(1))[1]
    assert straight_on[0, 0] == 1.0
    short = kind.geometry(at(survey, 20.0), np.arange(1))[1]
    assert short[0, 0] == 0.0


def test_lead_and_band_count():
    route = synthetic.straight(60.0)
    rows = synthetic.levels("contact", [10.0, 10.0], 50.0, route=route, place=np.array([0, 1]))
    rows = replace(rows, lead_m=np.array([0.0, 4.0]))
    survey = synthetic.survey([route], contact=rows, material="pvc")
    loss = ContactEvidence(survey).geometry(at(survey, 20.0), np.arange(2))[0][0]
    assert loss == pytest.approx([10.0, 14.0])
    low = replace(rows, low_hz=np.full(2, 100.0), high_hz=np.full(2, 400.0))
    survey = replace(survey, contact=low)
    quiet = ContactEvidence(survey).geometry(at(survey, 20.0), np.arange(2))[0][0]
    # The loss grows in proportion to frequency: 200 Hz in the middle, 400 Hz in the table.
    assert quiet == pytest.approx(0.5 * loss)


@at_length("sites", [16], [40])
def test_posterior_agrees_with_the_loudest_two_as_often_as_the_rule_holds(sites):
    """Common practice, no source: the leak lies between the loudest and second loudest contact."""
    rng = np.random.default_rng(20261125)
    route = synthetic.straight(60.0)
    rule, agrees = 0, 0.0
    for _ in range(sites):
        leak = rng.uniform(5, 55)
        fittings = np.array([0.5, 20.0, 40.0, 59.5])
        level = 60.0 - 1.0 * np.abs(fittings - leak) + rng.normal(0, 3, 4)
        rows = synthetic.levels("contact", fittings, level, route=route)
        posterior = infer(synthetic.survey([route], contact=rows, material="pvc"))
        low, high = np.sort(fittings[np.argsort(-level)[:2]])
        rule += low <= leak <= high
        within = (posterior.cells.chainage_m >= low) & (posterior.cells.chainage_m <= high)
        agrees += posterior.mass[within].sum()
        assert np.isfinite(posterior.mass).all()
    # It gives the rule's stretch about the chance with which the rule holds.
    assert agrees / sites == pytest.approx(rule / sites, abs=3 * math.sqrt(0.25 / sites))


# -- delays --------------------------------------------------------------------------------------


def two_materials():
    """60 m of metal and 40 m of plastic, end to end, speeds set by hand."""
    first = synthetic.straight(60.0)
    second = Route.from_vertices([(60.0, 0.0), (100.0, 0.0)])
    survey = synthetic.survey(
        [first, second], joints=[Joint(0, 60.0, 1, 0.0)], materials=["steel", "pvc"]
    )
    ends = (PipePlace(0, 0.0), PipePlace(1, 40.0))
    delay = SurveyedDelay("d1", *ends, -check_value("two_material_delay").expected, 1e-4)
    kind = DelayEvidence(replace(survey, delays=(delay,)))
    exact = replace(
        kind.speeds, slowness=np.array([1 / 1250, 1 / 450]), covariance=np.diag([1e-14, 1e-14])
    )
    kind.speeds = exact
    return kind


def test_two_materials_in_the_path():
    kind = two_materials()
    place = at(kind.survey, 20.0)
    predicted = kind.system(place)[0][0, 0] @ kind.speeds.slowness
    # Arrival at the first sensor minus arrival at the second.
    close(-predicted, "two_material_delay")
    grid = at(kind.survey, *np.arange(0.0, 60.0, 0.5))
    judged = kind.judge(grid)[0]
    assert grid.chainage_m[np.argmax(judged)] == 20.0


def test_one_speed_formula_and_its_uncertainty():
    """x = (D - c tau) / 2 with u(x) by hand and from the width of the likelihood."""
    route = synthetic.straight(150.0)
    ends = (PipePlace(0, 0.0), PipePlace(0, 150.0))
    survey = synthetic.survey([route], delays=(SurveyedDelay("d", *ends, -0.040, 0.0005),))
    kind = DelayEvidence(survey)
    kind.speeds = replace(
        kind.speeds,
        slowness=np.array([1 / 1250]),
        covariance=np.array([[(25.0 / 1250**2) ** 2]]),
    )
    kind.noise_s2 = kind._noise_covariance()
    grid = at(survey, *np.arange(40.0, 60.0, 0.02))
    value = kind.judge(grid)[0]
    share = np.exp(value - value.max())
    share = np.where(share > 1e-3, share, 0.0)
    share /= share.sum()
    mean = share @ grid.chainage_m
    assert mean == pytest.approx(check_value("delay_place").expected, abs=0.1)
    parts = (0.3 / 2, 25 * 0.040 / 2, 1250 * 0.0005 / 2)
    close(math.hypot(*parts), "delay_place_sigma")
    # The likelihood holds the parts of speed, timing and its own error of path.
    path = kind._path_sigma(survey.delays[0]) * 1250 / 2
    sigma = math.sqrt(share @ (grid.chainage_m - mean) ** 2)
    assert sigma == pytest.approx(math.hypot(parts[1], parts[2], path), rel=0.05)


def test_a_vague_route_makes_a_vague_delay():
    class Vague(synthetic.PlainFit):
        def path_sigma_m(self, from_m, to_m):
            return 0.04 * abs(to_m - from_m)

    route = synthetic.straight(150.0)
    ends = (PipePlace(0, 25.0), PipePlace(0, 125.0))
    timed = SurveyedDelay("d", *ends, -0.040, 0.0005)
    plain = synthetic.survey([route], delays=(timed,), material="steel")
    vague = replace(plain, legs=(replace(plain.legs[0], fit=Vague(route)),))
    sure, unsure = (DelayEvidence(each) for each in (plain, vague))
    slowness = sure.speeds.slowness.max()
    added = math.sqrt(unsure.noise_s2[0, 0] - sure.noise_s2[0, 0]) / slowness
    assert added == pytest.approx(4.0)  # 4 % of the 100 m between the sensors
    # Plastic that no path of this delay runs through makes it no vaguer.
    legs = (*vague.legs, *synthetic.survey([route], material="pvc").legs)
    beside = replace(vague, legs=legs, network=Network([route, route], ()))
    assert DelayEvidence(beside).noise_s2 == pytest.approx(unsure.noise_s2)


def test_timing_again_does_not_time_another_path():
    """Ten times the same two sensors, in turn: the error of the path is left, of timing a tenth."""
    route = synthetic.straight(150.0)
    ends = (PipePlace(0, 25.0), PipePlace(0, 125.0))
    again = [
        SurveyedDelay(f"d{i}", *ends[:: 1 - 2 * (i % 2)], -0.04 * (1 - 2 * (i % 2)), 1e-3)
        for i in range(10)
    ]
    kind = DelayEvidence(synthetic.survey([route], delays=tuple(again)))
    sign = np.array([1.0, -1.0] * 5)
    mean = 1.0 / (sign @ np.linalg.solve(kind.noise_s2, sign))
    assert mean == pytest.approx(kind._path_sigma(again[0]) ** 2 + 1e-3**2 / 10, rel=1e-6)


def test_uncertainties_agrees_on_the_delay():
    uncertainties = pytest.importorskip("uncertainties")
    length = uncertainties.ufloat(150, 0.3)
    speed = uncertainties.ufloat(1250, 25)
    tau = uncertainties.ufloat(0.040, 0.0005)
    place = (length - speed * tau) / 2
    close(place.std_dev, "delay_place_sigma")


def test_a_speed_check_narrows_the_answer():
    route = synthetic.straight(100.0)
    ends = (PipePlace(0, 0.0), PipePlace(0, 100.0))
    timed = SurveyedDelay("d", *ends, (2 * 30.0 - 100.0) / 430.0, 5e-4)
    check = SurveyedDelay("c", *ends, 100.0 / 430.0, 5e-4, speed_check=True)
    without = infer(synthetic.survey([route], delays=(timed,)))
    with_it = infer(synthetic.survey([route], delays=(timed, check)))
    assert with_it.peaks[0].median_m == pytest.approx(30.0, abs=0.2)
    assert with_it.peaks[0].sigma_m < 0.5 * without.peaks[0].sigma_m


def test_a_screen_is_corrected_with_the_pipe_as_traced():
    """The screen had 90 ft at 4,200 ft/s and said 41 ft; the pipe is 96 ft long."""
    foot = 0.3048
    route = synthetic.straight(96 * foot)
    ends = (PipePlace(0, 0.0), PipePlace(0, 96 * foot))
    delay = SurveyedDelay(
        "d",
        *ends,
        (2 * 41 - 90) / 4200,
        2e-4,
        shown_distance_m=41 * foot,
        shown_length_m=90 * foot,
        shown_speed_m_per_s=4200 * foot,
    )
    survey = synthetic.survey([route], delays=(delay,), material="copper")
    survey = replace(survey, site=replace(survey.site, length_unit="ft"))
    kind = DelayEvidence(survey)
    notes = [n.text for n in kind.notes() if n.code == "delay_corrected"]
    speed = 1 / kind.speeds.slowness[0] / foot
    place = (96 + speed * (2 * 41 - 90) / 4200) / 2
    assert len(notes) == 1
    assert "41.0 ft with 90.0 ft at 4200 ft/s" in notes[0]
    assert f"{place:.1f} ft from the first sensor" in notes[0]


def test_a_delay_that_no_place_explains_is_named():
    route = synthetic.straight(100.0)
    ends = (PipePlace(0, 0.0), PipePlace(0, 100.0))
    good = SurveyedDelay("d1", *ends, -40 / 1250, 2e-4)
    bad = SurveyedDelay("d2", *ends, 0.5, 2e-4)
    posterior = infer(synthetic.survey([route], delays=(good, bad), material="steel"))
    assert posterior.peaks[0].median_m == pytest.approx(30.0, abs=2.0)
    fit = next(f for f in posterior.fits if f.kind == "delay")
    assert not fit.agrees
    assert "d2" in fit.text
    assert "delay_too_long" in {n.code for n in posterior.warnings}


def test_sensors_that_no_pipe_joins():
    legs = [synthetic.straight(50.0), Route.from_vertices([(0.0, 90.0), (50.0, 90.0)])]
    delay = SurveyedDelay("d", PipePlace(0, 10.0), PipePlace(1, 10.0), 0.01, 1e-3)
    posterior = infer(synthetic.survey(legs, delays=(delay,)))
    assert "delay_unjoined" in {n.code for n in posterior.warnings}
    assert np.isfinite(posterior.mass).all()
    assert posterior.leg_probability == pytest.approx([0.475, 0.475], abs=0.01)


def test_wave_speeds_are_shared_by_like_pipe():
    survey = synthetic.survey([synthetic.straight(10.0)] * 3, materials=["steel", "pvc", "steel"])
    speeds = prior_speeds(survey)
    assert speeds.group.tolist() == [0, 1, 0]
    assert 1 / speeds.slowness[0] > 2 * (1 / speeds.slowness[1])


# -- isolations ----------------------------------------------------------------------------------


def shut(result, *valves):
    row = Isolation("i1", ("V",), result=result)
    return SurveyedIsolation(row, valves, PipePlace(0, 0.0))


def test_a_flow_that_stops_is_behind_the_valve():
    branch = PipePlace(1, 0.0)
    stopped = infer(tee(isolations=(shut("stopped", branch),)))
    same = infer(tee(isolations=(shut("same", branch),)))
    assert stopped.leg_probability[1] > 0.9
    assert same.leg_probability[0] > 0.9
    assert abs(sum(chance(o, cut_off=True) for o in ("stopped", "slower", "same")) - 1) < 1e-12


def test_in_a_loop_one_valve_cuts_nothing_off():
    ring = Route.from_vertices([(0, 0), (30, 0), (30, 30), (0, 30), (0, 0)])
    survey = synthetic.survey([ring])
    one = Parts(survey, (PipePlace(0, 40.0),))
    assert len(set(one.of(np.zeros(4, dtype=int), np.array([5.0, 35.0, 60.0, 110.0])))) == 1
    two = Parts(survey, (PipePlace(0, 40.0), PipePlace(0, 80.0)))
    parts = two.of(np.zeros(4, dtype=int), np.array([5.0, 60.0, 79.0, 110.0]))
    assert parts[0] == parts[3] != parts[1] == parts[2]


@pytest.mark.parametrize("result, agrees", [("slower", True), ("stopped", False)])
def test_a_second_leak_explains_a_test_and_a_misread_does_not(result, agrees):
    """Leak certainly on the main, branch shut: slower has 5 % (a second leak), stopped 1 %."""
    survey = tee(isolations=(shut(result, PipePlace(1, 0.0)),))
    kind = evidence.gather(survey)[0]
    belief = Belief(at(survey, 5.0, 6.0), NONE, np.zeros(2, dtype=int))
    assert kind.fit(belief, None, None).agrees is agrees


def test_contradictory_isolations_are_said_and_answered():
    branch = PipePlace(1, 0.0)
    posterior = infer(tee(isolations=(shut("stopped", branch), shut("same", branch))))
    assert np.isfinite(posterior.mass).all()
    fit = next(f for f in posterior.fits if f.kind == "isolation")
    # Each is right for a part of the pipe; no place explains both better than a misread meter.
    assert not fit.agrees
    assert fit.p_value == pytest.approx(setting("isolation_misread").value)
    assert "contradicts" in fit.text
    assert 0.1 < posterior.leg_probability[1] < 0.9


def test_the_same_test_again_says_little_of_elsewhere():
    """Of a leak on no traced leg it is not known which side it hangs on: it is the same twice."""
    branch = PipePlace(1, 0.0)
    survey = tee(isolations=(shut("stopped", branch), shut("same", branch)))
    kind = evidence.gather(survey)[0]
    on_pipe, elsewhere = kind.judge(at(survey, 20.0))
    cut, fed = (chance("stopped", cut_off=c) * chance("same", cut_off=c) for c in (True, False))
    assert elsewhere == pytest.approx(math.log(0.5 * (cut + fed)))
    assert on_pipe[0] == pytest.approx(math.log(fed))


@pytest.mark.parametrize(
    "changes, expected",
    [
        ({"flow_before_l_per_s": 0.1, "flow_after_l_per_s": 0.0}, "stopped"),
        ({"flow_before_l_per_s": 0.1, "flow_after_l_per_s": 0.05}, "slower"),
        ({"flow_before_l_per_s": 0.1, "flow_after_l_per_s": 0.1}, "same"),
        ({"pressure_before_kpa": 400.0, "pressure_after_kpa": 250.0}, "stopped"),
        ({"pressure_before_kpa": 400.0, "pressure_after_kpa": 399.0}, "same"),
        ({}, None),
    ],
)
def test_flows_and_pressures_say_the_outcome(changes, expected):
    assert outcome_of(Isolation("i", ("V",), **changes)) == expected


# -- holes, sightings, prior ---------------------------------------------------------------------


def hole(outcome, start=40.0, end=42.0, *, water=None, exposed=True):
    row = Hole("h1", SOMEWHERE, SOMEWHERE, pipe_exposed=exposed, outcome=outcome, water_from=water)
    return SurveyedHole(row, 0, start, end)


def mass_between(posterior, low, high):
    places = posterior.cells
    inside = (places.chainage_m > low) & (places.chainage_m < high)
    return posterior.mass[inside].sum()


def density(posterior, chainage):
    places = posterior.cells
    i = int(np.argmin(np.abs(places.chainage_m - chainage)))
    return posterior.mass[i] / places.width_m[i]


def test_a_dry_hole_removes_its_stretch_by_the_stated_chance():
    before = infer(synthetic.survey(joint_factor=1.0))
    after = infer(synthetic.survey(holes=(hole("dry"),), joint_factor=1.0))
    was, now = (mass_between(p, 40.0, 42.0) for p in (before, after))
    far_was, far_now = (mass_between(p, 70.0, 80.0) for p in (before, after))
    left = (now / far_now) / (was / far_was)
    wet = setting("hole_wet_by_other").value
    inside = (1 - 0.97) * (1 - wet - (1 - wet) * setting("hole_wet_chance").value)
    outside = (1 - setting("hole_second_leak").value) * (1 - wet)
    assert left == pytest.approx(inside / outside, rel=0.02)


def test_water_from_up_the_pipe_raises_that_side():
    posterior = infer(synthetic.survey(holes=(hole("wet", water="up"),)))
    assert mass_between(posterior, 42.0, 46.0) > 3 * mass_between(posterior, 36.0, 40.0)


def test_outcomes_of_a_hole_add_up_to_one():
    survey = synthetic.survey()
    places = at(survey, 10.0, 39.0, 41.0, 43.0)
    total = 0.0
    for outcome, water in (("leak", None), ("dry", None), ("wet", "up"), ("wet", "down")):
        kind = HoleEvidence(replace(survey, holes=(hole(outcome, water=water),)))
        total = total + np.exp(kind.judge(places)[0])
    assert total == pytest.approx(np.ones(4))


def test_a_dry_hole_over_the_whole_leg_leaves_an_answer():
    posterior = infer(synthetic.survey(holes=(hole("dry", 0.0, 100.0),)))
    assert np.isfinite(posterior.mass).all()
    assert posterior.elsewhere > 0.5
    assert "dry_over_whole_leg" in {n.code for n in posterior.warnings}


def test_a_wet_patch_is_weak_and_wide():
    seen = SurveyedSighting(Sighting(SOMEWHERE, "wet"), 50.0, 1.0, 0, 50.0, 1.0)
    survey = synthetic.survey(sightings=(seen,), joint_factor=1.0)
    ratio = np.exp(SightingEvidence(survey).judge(at(survey, 50.0, 90.0))[0])
    row = setting("sighting_wet")
    expected = 1 + (row.value - 1) * math.exp(-0.5 / row.spread**2)
    assert ratio == pytest.approx([expected, 1.0], rel=1e-3)
    off = infer(survey, options=InferenceOptions(without=frozenset({"sighting"})))
    assert mass_between(off, 45, 55) == pytest.approx(0.095, abs=0.002)


@pytest.mark.parametrize(("away_m", "count"), [(4.3, 1), (4.7, 0)])
def test_what_was_seen_is_near_where_it_raises_the_odds_by_half_a_nat(away_m, count):
    # Greener grass: odds of 3 on it, less with a spread of 3 m: 1.65 of them 4.5 m away.
    seen = SurveyedSighting(Sighting(SOMEWHERE, "green"), 50.0, 0.0, 0, 50.0, 0.0)
    survey = synthetic.survey(sightings=(seen,))
    belief = SimpleNamespace(places=at(survey, 50.0 + away_m))
    said = SightingEvidence(survey).fit(belief, None, None).text
    assert said == f"{count} of 1 sightings near the place"


def test_prior_factors_are_seen_and_can_be_switched_off():
    past = SurveyedPastLeak(PastLeak(SOMEWHERE, 2020), 0, 30.0)
    survey = synthetic.survey(past_leaks=(past,), joint_factor=1.0)
    posterior = infer(survey)
    assert dict(posterior.prior_factors) == {"past_leaks": 2.0}
    assert density(posterior, 30.0) / density(posterior, 80.0) == pytest.approx(2.0, rel=0.01)
    off = infer(survey, options=InferenceOptions(without=frozenset({"past_leaks"})))
    assert dict(off.prior_factors) == {}
    assert density(off, 30.0) == pytest.approx(0.0095, rel=0.01)


def test_recent_repairs_count_as_excavations_and_holes_of_the_job_do_not():
    """Those of the three years before the newest on file."""
    places = ((2020, 30.0), (2021, 55.0), (2024, 70.0))
    past = tuple(SurveyedPastLeak(PastLeak(SOMEWHERE, year), 0, at) for year, at in places)
    survey = synthetic.survey(past_leaks=past, holes=(hole(None),), joint_factor=1.0)
    prior = survey.site.prior.model_copy(update={"past_leaks": 1.0, "recent_excavation": 3.0})
    survey = replace(survey, site=replace(survey.site, prior=prior))
    posterior = infer(survey)
    assert dict(posterior.prior_factors) == {"recent_excavation": 3.0}
    for recent_m in (55.0, 70.0):
        odds = density(posterior, recent_m) / density(posterior, 30.0)
        assert odds == pytest.approx(3.0, rel=0.02)
    assert density(posterior, 41.0) / density(posterior, 30.0) == pytest.approx(1.0, rel=0.02)


def test_older_pipe_is_likelier_by_the_stated_factor():
    legs = [synthetic.straight(50.0), Route.from_vertices([(0.0, 90.0), (50.0, 90.0)])]
    survey = synthetic.survey(legs, elsewhere=0.0)
    aged = tuple(
        replace(each, leg=each.leg.model_copy(update={"installed": year}))
        for each, year in zip(survey.legs, (1960, 2010), strict=True)
    )
    site = replace(survey.site, prior=survey.site.prior.model_copy(update={"age": 3.0}))
    posterior = infer(replace(survey, legs=aged, site=site))
    # Fifty years older: the factor in full.
    assert posterior.leg_probability == pytest.approx([0.75, 0.25], abs=1e-6)


def test_a_leg_that_rusts_is_likelier_beside_one_that_does_not():
    legs = [synthetic.straight(50.0), Route.from_vertices([(0.0, 90.0), (50.0, 90.0)])]
    survey = synthetic.survey(legs, elsewhere=0.0)

    def of(*materials):
        made = zip(survey.legs, materials, strict=True)
        return replace(
            survey,
            legs=tuple(
                replace(leg, leg=leg.leg.model_copy(update={"material": m})) for leg, m in made
            ),
        )

    mixed = infer(of("galvanized_steel", "pvc"))
    assert mixed.leg_probability == pytest.approx([0.6, 0.4], abs=1e-6)
    assert dict(mixed.prior_factors) == {"material": 1.5}
    assert infer(of("pvc", "pvc")).leg_probability == pytest.approx([0.5, 0.5], abs=1e-6)
    off = infer(of("steel", "pvc"), options=InferenceOptions(without=frozenset({"material"})))
    assert off.leg_probability == pytest.approx([0.5, 0.5], abs=1e-6)


def test_kinds_that_point_apart_are_said_with_both_places():
    route = synthetic.straight(100.0)
    chainage = np.arange(10.0, 40.0, 1.0)
    level = 40 + 22 / (1 + (chainage - 25.0) ** 2)
    rows = synthetic.levels("surface", chainage, level, route=route)
    ends = (PipePlace(0, 0.0), PipePlace(0, 100.0))
    delay = SurveyedDelay("d1", *ends, (2 * 80 - 100) / 1250, 2e-4)
    check = SurveyedDelay("c1", *ends, 100 / 1250, 2e-4, speed_check=True)
    survey = synthetic.survey([route], surface=rows, delays=(delay, check), material="steel")
    posterior = infer(survey)
    said = [f for f in posterior.fits if f.kind == "surface and delay"]
    assert len(said) == 1
    assert not said[0].agrees
    assert "0+024.9" in said[0].text
    assert "0+080" in said[0].text


# -- places beside the line and past its end -----------------------------------------------------


def test_a_place_aside_or_past_an_end_stands_where_geometry_says():
    survey = synthetic.survey([synthetic.straight(50.0)])
    one = np.ones(3) / 3
    found = candidates(
        survey,
        np.zeros(3, dtype=np.int64),
        np.array([-4.0, 20.0, 53.0]),
        one,
        aside_m=np.array([0.0, 2.0, -1.0]),
    )
    # The leg runs east: right of it is south.
    assert found.easting_m == pytest.approx([-4.0, 20.0, 53.0])
    assert found.northing_m == pytest.approx([0.0, -2.0, 1.0])
    assert found.chainage_m == pytest.approx([0.0, 20.0, 50.0])
    # Untraced pipe to it adds to every path along the pipe.
    path = found.path(np.zeros(1, dtype=np.int64), np.array([10.0]))[:, 0]
    assert path == pytest.approx([10.0 + 4.0, 10.0 + 2.0, 40.0 + 3.0 + 1.0])


def test_every_kind_says_whether_it_tells_of_the_sound_or_of_the_leak():
    sound = {SurfaceEvidence, ContactEvidence, DelayEvidence}
    leak = {
        HoleEvidence,
        evidence.IsolationEvidence,
        SightingEvidence,
        evidence.TracerEvidence,
        evidence.RodEvidence,
        evidence.MeterEvidence,
    }
    assert {each.tells_of for each in sound} == {"sound"}
    assert {each.tells_of for each in leak} == {"leak"}
