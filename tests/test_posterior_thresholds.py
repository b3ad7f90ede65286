"""What is said of a posterior, and from where on: one side of each line, and the other."""

from __future__ import annotations

import sys
from types import SimpleNamespace

import numpy as np
import pytest

from geoleak.evidence import stop
from geoleak.evidence.base import Nodes, candidates
from geoleak.evidence.levels import LevelEvidence
from geoleak.posterior.grid import Cells, find_peaks
from geoleak.posterior.infer import contradictions, infer, second_leak
from geoleak.posterior.run import InferenceOptions
from tests import synthetic

judging = sys.modules["geoleak.posterior.infer"]  # the room hands on the function of this name
running = sys.modules["geoleak.posterior.run"]
pytestmark = pytest.mark.usefixtures("few_nodes")


def a_leak():
    """Return a survey of levels over a leak at 50 m."""
    chainage = np.arange(38.0, 62.0, 1.5)
    level = 40.0 + 15.0 / (1.0 + np.abs(chainage - 50.0))
    rows = synthetic.levels("surface", chainage, level, route=synthetic.straight())
    return synthetic.survey(surface=rows)


@pytest.mark.parametrize(("share", "moved"), [(0.89, True), (0.91, False)])
def test_a_hole_stays_about_the_median_while_it_holds_nine_tenths_of_the_best(share, moved):
    """Level ground but for the first two metres, as long as a hole, where it is a little higher."""
    edges = np.linspace(0.0, 10.0, 201)
    cells = Cells(np.zeros(200, dtype=np.int64), edges[:-1], edges[1:])
    density = np.where(cells.chainage_m < 2.0, 1.0 / share, 1.0)
    (found,) = find_peaks(cells, density / density.sum(), ((0, 0.0, 10.0),), window_m=2.0)
    assert found.median_m == pytest.approx(1.0 if moved else 6.0 - 1.0 / share, abs=0.01)


@pytest.mark.parametrize(("dip", "count"), [(0.24, 2), (0.26, 1)])
def test_humps_are_two_peaks_where_it_dips_under_a_quarter_of_the_lower_one(dip, count):
    edges = np.linspace(0.0, 6.0, 61)
    cells = Cells(np.zeros(60, dtype=np.int64), edges[:-1], edges[1:])
    density = np.repeat([2.0, dip, 1.0], 20)
    found = find_peaks(cells, density / density.sum(), ((0, 0.0, 6.0),), window_m=1.5)
    assert len(found) == count


@pytest.mark.parametrize(("odds", "silent"), [(0.95, False), (1.05, True)])
def test_nothing_was_heard_where_silence_is_likelier_than_a_leak(odds, silent, monkeypatch):
    told, real = [], LevelEvidence.fits_of

    def fits_of(self, draws, off, rng, *, silent=False):
        told.append(silent)
        return real(self, draws, off, rng, silent=silent)

    monkeypatch.setattr(judging, "no_leak_odds", lambda run: odds)
    monkeypatch.setattr(LevelEvidence, "fits_of", fits_of)
    infer(a_leak())
    assert told == [silent]


@pytest.mark.parametrize(("away_m", "odds"), [(2.9, 1 / 5), (3.1, 1.0)])
def test_a_place_three_metres_from_a_reading_was_listened_to(away_m, odds):
    """Places at and beside a reading: at it a leak is as likely as none, beside it nine times."""
    surface = SimpleNamespace(kind="surface", pooled=SimpleNamespace(leg=[0], chainage_m=[50.0]))
    at = np.array([50.0, 50.0 + away_m])
    places = candidates(synthetic.survey(), np.zeros(2, dtype=np.int64), at, np.full(2, 0.5))
    run = SimpleNamespace(
        smooth=[surface], places=places, per_node=np.log([[1.0, 9.0]]), silent=np.zeros(1)
    )
    assert judging.no_leak_odds(run) == pytest.approx(odds)


@pytest.mark.parametrize(
    ("moved", "worth", "knots", "added"),
    [
        (0.029, 30.1, 10, [32]),
        (0.031, 30.1, 10, [32, 64, 128, 256]),
        (0.0, 29.9, 10, [12, 12, 12, 12, 80, 160, 192]),
        (0.0, 29.9, 937, [12]),
        (0.0, 29.9, 938, []),
    ],
)
def test_nodes_are_doubled_until_the_answer_settles(moved, worth, knots, added, monkeypatch):
    """By the method: 32 to begin with; under 3 % and 30 nodes' worth, 512, or 60,000 of work."""
    run = SimpleNamespace(nodes=Nodes.over(("a",), count=32), options=InferenceOptions())
    counts: list[int] = []

    def add(run, drawn, count):
        counts.append(count)
        run.nodes = Nodes.over(("a",), count=len(run.nodes) + count)

    monkeypatch.setattr(running, "_add_nodes", add)
    monkeypatch.setattr(running, "_counting", lambda run: worth)
    monkeypatch.setattr(running, "_live_knots", lambda run: np.ones(knots, dtype=bool))
    monkeypatch.setattr(
        running, "_answer", lambda run: np.array([1.0, 1.0, 0.0]) / (1.0 - moved) ** len(counts)
    )
    running._add_nodes_until_settled(run)
    assert counts == added


@pytest.mark.parametrize(("ratio", "said"), [(0.079, True), (0.081, False)])
def test_kinds_contradict_when_they_are_a_twelfth_as_likely_together_as_apart(ratio, said):
    """Two halves of a pipe, of which each kind gives the other one little."""
    survey = synthetic.survey()
    halves = Cells(np.zeros(2, dtype=np.int64), np.array([0.0, 50.0]), np.array([50.0, 100.0]))
    # Together 4 e / (1 + e)^2 as likely.
    little = ((4 - 2 * ratio) - np.sqrt((4 - 2 * ratio) ** 2 - 4 * ratio**2)) / (2 * ratio)
    kinds = [
        SimpleNamespace(kind=kind, rows=1, judge=lambda places, value=value: (np.log(value), 0.0))
        for kind, value in (("delay", [1.0, little]), ("isolation", [little, 1.0]))
    ]
    run = SimpleNamespace(survey=survey, by_kind={}, smooth=(), exact=tuple(kinds), places=None)
    found = contradictions(run, halves, None)
    assert len(found) == said
    assert not said or found[0].p_value == pytest.approx(ratio)


@pytest.mark.parametrize(("times", "said"), [(9.5, False), (10.5, True)])
def test_a_second_leak_is_said_where_it_makes_the_readings_ten_times_likelier(
    times, said, monkeypatch
):
    posterior = infer(a_leak())
    run = posterior.run
    monkeypatch.setattr(judging, "_something_left", lambda *_: True)
    monkeypatch.setattr(
        judging,
        "_two_to_one",
        lambda kind, first, deviates, places, where: np.full(
            (len(first), len(places)), np.log(times)
        ),
    )
    rng = np.random.default_rng(1)
    found = second_leak(run, run.smooth[0], None, posterior.peaks[0], rng)
    assert (found is not None) is said


@pytest.mark.parametrize(("over", "left"), [(1.25, False), (1.35, True)])
def test_three_neighbours_over_the_fit_call_for_a_second_leak(over, left):
    level = np.zeros(9)
    level[3:6] = over
    rows = SimpleNamespace(level=level, chainage_m=np.arange(9.0), leg=np.zeros(9))
    draws = SimpleNamespace(expected=np.zeros((5, 9)), sigma=np.ones((5, 9)))
    assert judging._something_left(SimpleNamespace(pooled=rows), draws) is left


@pytest.mark.parametrize(("odds", "another"), [(3.1, False), (3.2, True)])
def test_a_sound_is_another_s_from_odds_of_root_ten(odds, another, monkeypatch):
    monkeypatch.setattr(stop, "odds_of_another", lambda *_: odds)
    test = synthetic.stop(47.0, found=60.0, off=58.0)
    assert stop.is_another(synthetic.survey(), (test,)) is another
    assert bool(stop.speaks_against(synthetic.survey(), test)) is another
