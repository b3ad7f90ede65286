"""A small trial of the route fit on random routes with fixed seeds.

``python -m tests.trials.route_trial --routes 1000`` is the full one. The margins here are wider
than the full trial's targets by what so few routes cannot tell; joined dots would fail by far.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.trials.random_routes import random_route
from tests.trials.route_trial import run, summary


@pytest.fixture(scope="module", params=[24, pytest.param(100, marks=pytest.mark.long)])
def figures(request):
    return summary(run(request.param, 31))


def test_length_is_near_the_truth(figures):
    assert figures["length median %"][0] < 0.11
    assert figures["length p95 %"][0] < 1.3
    assert figures["length median %"][0] < 1.3 * figures["told median %"][0]
    assert figures["length median %"][0] < 0.25 * figures["joined median %"][0]


def test_line_lies_near_the_truth(figures):
    assert figures["sideways rms m"][0] < 0.070
    assert figures["sideways rms m"][0] < 0.7 * figures["joined sideways rms m"][0]


def test_stated_sigma_is_honest(figures):
    # 2,000 places on 100 routes: the Monte-Carlo error is about 1.2 %, and 2.5 % on 24.
    assert 90.0 < figures["sideways 95 % covers %"][0] < 98.5
    assert 43.0 < figures["sideways 50 % covers %"][0] < 60.0
    assert 85.0 < figures["length 95 % covers %"][0] < 99.5


def test_bends_and_strays_are_mostly_recognised(figures):
    assert figures["bend count right %"][0] > 80.0
    assert figures["strays named %"][0] > 70.0
    assert figures["false strays a route"][0] < 0.2


def test_random_routes_know_their_own_length():
    rng = np.random.default_rng(1)
    for _ in range(30):
        route = random_route(rng)
        assert route.structure.length_m() == pytest.approx(route.length_m, rel=2e-5)
        place, unit = route.at(route.feet_chainage_m)
        assert np.hypot(*unit.T) == pytest.approx(1.0)
        off = np.hypot(*(route.marks - place).T)[~route.stray]
        assert np.sqrt(np.mean(off**2)) < 3 * route.sigma_across_m
