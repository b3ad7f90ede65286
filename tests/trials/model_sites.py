"""Sites drawn from the model of inference itself, for simulation-based calibration."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np

from geoleak.evidence.base import candidates
from geoleak.evidence.nuisance import Nodes
from geoleak.evidence.settings import setting
from geoleak.evidence.surface import SurfaceEvidence
from geoleak.survey import Survey
from tests import synthetic
from tests.trials.ranks import Truth

ELSEWHERE = 0.1


def draw_truth(routes, rng: np.random.Generator) -> Truth:
    """Draw a place evenly over the pipe, or elsewhere."""
    if rng.random() < ELSEWHERE:
        return Truth(None)
    lengths = np.array([route.length_m for route in routes])
    leg = int(rng.choice(len(routes), p=lengths / lengths.sum()))
    return Truth(leg, float(rng.random() * lengths[leg]))


def one_place(survey: Survey, truth: Truth):
    """Return the truth as a place on the pipe; no place where it is elsewhere."""
    if truth.leg is None:
        return candidates(survey, np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))
    return candidates(survey, np.array([truth.leg]), np.array([truth.chainage_m]), np.array([1.0]))


def surface_site(rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Return a short service listened to in part, on one kind of ground or on two."""
    route = synthetic.straight(30.0)
    count = int(rng.integers(8, 20))
    start = rng.uniform(0, 8)
    chainage = start + np.arange(count) * rng.uniform(0.8, 1.6)
    chainage = chainage[chainage < 30.0]
    ground = ["grass"] * len(chainage)
    if rng.random() < 0.5:
        edge = rng.uniform(5, 25)
        ground = ["concrete" if c > edge else "grass" for c in chainage]
    readings = synthetic.levels("surface", chainage, 40.0, route=route, surface=tuple(ground))
    survey = synthetic.survey([route], surface=readings, elsewhere=ELSEWHERE)
    return with_surface(survey, rng)


def with_surface(survey: Survey, rng: np.random.Generator) -> tuple[Survey, Truth]:
    """Fill the levels of a survey from the model."""
    truth = draw_truth([each.route for each in survey.legs], rng)
    evidence = SurfaceEvidence(survey)
    nodes = Nodes(evidence.nuisances, rng.standard_normal((1, len(evidence.nuisances))))
    strength = setting("source_over_background")
    at = truth
    if truth.leg is None and rng.random() < setting("other_sound").value:
        at = Truth(0, float(rng.random() * survey.legs[0].route.length_m))
    level = evidence.predict(
        one_place(survey, at), nodes, rng.normal(strength.value, strength.spread), rng
    )
    return replace(survey, surface=replace(survey.surface, level_db=level)), truth


SITES: dict[str, Callable[[np.random.Generator], tuple[Survey, Truth]]] = {
    "surface": surface_site,
}
