"""Sites put together at random, sound or absurd: always an answer, never NaN, never a crash."""

from __future__ import annotations

import numpy as np
import pytest

from geoleak.advice.decide import decide
from geoleak.linref import Route
from geoleak.network.network import Joint
from geoleak.posterior.infer import infer
from geoleak.site import Crew, Hole, Isolation, LevelSettings, Place
from geoleak.survey.records import (
    PipePlace,
    SurveyedDelay,
    SurveyedHole,
    SurveyedIsolation,
    no_levels,
)
from tests import synthetic
from tests.command import at_length

pytestmark = pytest.mark.usefixtures("few_nodes")

NOWHERE = Place("leg", "")


def random_routes(rng):
    routes = []
    for _ in range(int(rng.integers(1, 4))):
        length, turn = 10 ** rng.uniform(-0.3, 2.3), rng.uniform(0, 6.28)
        start = rng.uniform(-50, 50, 2)
        way = length * np.array([np.cos(turn), np.sin(turn)])
        routes.append(Route.from_vertices([start, start + way]))
    joints = [
        Joint(0, float(rng.uniform(0, routes[0].length_m)), k, 0.0)
        for k in range(1, len(routes))
        if rng.random() < 0.6
    ]
    return routes, joints


def random_levels(kind, count, routes, rng):
    if count == 0:
        return no_levels(kind)
    leg = rng.integers(0, len(routes), count)
    chainage = np.array([rng.uniform(0, routes[k].length_m) for k in leg])
    level = rng.normal(40, 10 ** rng.uniform(-2, 2), count)
    grounds = ("grass", "concrete", "snow", None)
    return synthetic.levels(
        kind,
        chainage,
        np.abs(level) if kind in ("gas", "bar_hole") else level,
        leg=leg,
        routes=routes,
        surface=tuple(grounds[i] for i in rng.integers(0, 4, count)),
        censored=rng.choice([0, 0, 0, 1, -1], count),
        session=rng.integers(0, 2, count),
        sessions=("a", "b"),
        background_db=np.where(rng.random(count) < 0.3, rng.normal(38, 3, count), np.nan),
        gain_db=np.where(rng.random(count) < 0.3, 10.0, np.nan),
        place=rng.integers(0, count, count),
        lead_m=rng.uniform(0, 3, count),
    )


def random_place(routes, rng):
    leg = int(rng.integers(0, len(routes)))
    at = float(rng.uniform(0, routes[leg].length_m))
    return PipePlace(leg, at, float(rng.choice([0.0, 2.0])))


def random_others(routes, rng):
    delays = tuple(
        SurveyedDelay(
            f"d{i}",
            random_place(routes, rng),
            random_place(routes, rng),
            float(rng.normal(0, 0.05)),
            float(rng.choice([0.0, 1e-4, 1e-3])),
            speed_check=bool(rng.random() < 0.2),
        )
        for i in range(int(rng.integers(0, 4)))
    )
    results = ("stopped", "slower", "same")
    isolations = tuple(
        SurveyedIsolation(
            Isolation(f"i{i}", ("v",), result=results[int(rng.integers(0, 3))]),
            (random_place(routes, rng),),
            None,
        )
        for i in range(int(rng.integers(0, 3)))
    )
    holes = []
    for i in range(int(rng.integers(0, 3))):
        at = random_place(routes, rng)
        end = min(routes[at.leg].length_m, at.chainage_m + float(rng.uniform(0, 3)))
        row = Hole(
            f"h{i}",
            NOWHERE,
            NOWHERE,
            pipe_exposed=bool(rng.random() < 0.5),
            outcome=("leak", "dry", "wet")[int(rng.integers(0, 3))],
            water_from=(None, "up", "down")[int(rng.integers(0, 3))],
        )
        holes.append(SurveyedHole(row, at.leg, at.chainage_m, end))
    return {"delays": delays, "isolations": isolations, "holes": tuple(holes)}


def random_survey(seed):
    rng = np.random.default_rng(seed)
    routes, joints = random_routes(rng)
    counts = {
        "surface": int(rng.choice([0, 1, 5, 30, 95])),
        "contact": int(rng.integers(0, 5)),
        "gas": int(rng.integers(0, 4)),
        "bar_hole": int(rng.integers(0, 3)),
    }
    scales = ("db", "display", "amplitude")
    return synthetic.survey(
        routes,
        joints=joints,
        elsewhere=float(rng.choice([0.0, 0.05, 0.5, 0.99])),
        material=("pvc", "copper", None)[int(rng.integers(0, 3))],
        depth_m=float(rng.choice([0.0, 0.3, 1.0, 3.0])),
        settings=LevelSettings(
            level_scale=scales[int(rng.integers(0, 3))],
            level_sigma_db=float(rng.choice([0.1, 2.5])),
            place_sigma_db=float(rng.choice([0.1, 1.5])),
        ),
        crew=Crew(
            dig_cost=900.0,
            dry_hole_cost=1500.0,
            dig_length_m=float(rng.choice([0.5, 1.5, 100.0])),
        ),
        **{kind: random_levels(kind, n, routes, rng) for kind, n in counts.items()},
        **random_others(routes, rng),
    )


@at_length("seed", [2, 6], [0, 1, 3, 4, 5, 7])
def test_any_site_has_a_proper_answer(seed):
    survey = random_survey(seed)
    posterior = infer(survey)
    assert np.isfinite(posterior.mass).all()
    assert posterior.mass.sum() + posterior.elsewhere == pytest.approx(1.0, abs=1e-9)
    assert all(np.isfinite(fit.p_value) for fit in posterior.fits)
    decision = decide(survey, posterior, setting_out_sigma=(0.05, 0.1), hole_half_width_m=0.3)
    assert 0.0 <= decision.hole.chance <= 1.0 + 1e-9
    assert 0.0 <= decision.stake_m <= survey.legs[decision.leg].route.length_m
    assert all(np.isfinite(each.expected_interval_95_m) for each in decision.next_readings)
    assert decision.reasons


def test_nearly_all_of_the_prior_elsewhere_is_no_place_to_dig():
    survey = synthetic.survey(elsewhere=0.99)
    posterior = infer(survey)
    assert posterior.elsewhere == pytest.approx(0.99, abs=0.02)
    decision = decide(survey, posterior, setting_out_sigma=(0.0, 0.0), hole_half_width_m=0.3)
    assert decision.verdict == "listen_on"
    assert decision.hole.chance < 0.01
