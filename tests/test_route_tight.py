"""Pipe that turns back or steps aside within a metre, and blocks of marks that stand aside.

``python -m tests.trials.tight_routes`` is the full trial.
"""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from geoleak.record import replace
from geoleak.route import fit_route, moves, search, solve
from geoleak.route.alignment import Alignment
from geoleak.route.fit import _has_failed
from geoleak.route.moves import _best_gap, _without_steps, prefix_sums
from geoleak.route.result import posteriors
from geoleak.route.search import tried
from geoleak.route.solve import Observations, misfit, normal_equations, split, volume
from tests.test_route_stack import marks_along
from tests.trials.route_trial import marks_of
from tests.trials.tight_routes import SHAPES, one, tight_route


def outcomes(kind: str, count: int = 8) -> list:
    rng = np.random.default_rng([7, list(SHAPES).index(kind)])
    return [one(kind, rng) for _ in range(count)]


def test_pipe_that_turns_back_keeps_its_marks_and_its_length():
    found = outcomes("hairpin")
    assert all(each.good_lost < 3 and "no_line" not in each.codes for each in found)
    assert max(abs(each.length_error) for each in found) < 0.05
    assert np.mean([abs(each.z) < 2 for each in found]) > 0.8


def test_marks_that_make_no_line_at_first_are_cut_finer():
    route, _ = tight_route("two hairpins", np.random.default_rng([5, 12]))
    fit = fit_route(marks_of(route))
    assert "no_line" not in {each.code for each in fit.warnings}
    assert abs(fit.route.length_m - route.length_m) < 2.0 * fit.length_sigma_m


def test_s_bends_keep_their_length():
    found = outcomes("s-bend", 10)
    assert all(each.good_lost < 3 for each in found)
    assert np.median([abs(each.length_error) for each in found]) < 0.015


def aside(offset_m: float, marks: int):
    """Return the fit of a straight line of marks with a block that stands aside."""
    array = marks_along(np.array([[0.0, 0.0], [0.0, 24.0]]), 21, sigma_m=0.03)
    east = array.easting_m.copy()
    east[8 : 8 + marks] += offset_m
    return refitted(array, east)


def refitted(array, east, north=None):
    """Return the fit of the same marks at other places."""
    return fit_route(replace(
        array, easting_m=east, northing_m=array.northing_m if north is None else north
    ))  # fmt: skip


def notes_of(fit) -> list[str]:
    return [each.text for each in fit.warnings if each.code == "another_line"]


@pytest.mark.parametrize(
    ("offset_m", "marks", "asked"),
    [(1.4, 5, True), (-1.4, 5, True), (0.6, 5, True), (2.7, 5, True), (1.4, 3, True),
     (0.4, 5, False), (3.3, 5, False), (1.4, 2, False)],
)  # fmt: skip
def test_a_block_aside_is_asked_about_with_both_lengths(offset_m, marks, asked):
    fit = aside(offset_m, marks)
    said = notes_of(fit)
    assert bool(said) == asked
    if not asked:
        return
    assert f"marks 8 to {7 + marks} ({marks} in a row)" in said[0]
    assert f"to the {'right' if offset_m > 0 else 'left'} of" in said[0]
    assert "past them 24.0" in said[0]
    # Even odds of two lines: the root of half the square of what lies between them.
    middle = float(np.median(fit.mark_chainage_m[8 : 8 + marks]))
    between = np.sqrt(0.5) * abs(offset_m)
    assert float(fit.sigma_across_m(middle)) == pytest.approx(between, rel=0.1)
    assert float(fit.sigma_across_m(1.0)) < 0.1
    # And the pipe between places on either side of the block is not known better than that.
    longer = fit.length_sigma_m / np.sqrt(0.5)
    assert fit.path_sigma_m(1.0, fit.route.length_m - 1.0) == pytest.approx(
        np.sqrt(0.5) * longer, rel=0.1
    )


def test_a_stray_within_a_block_does_not_hide_it():
    array = marks_along(np.array([[0.0, 0.0], [0.0, 24.0]]), 21, sigma_m=0.03)
    east = array.easting_m.copy()
    east[8:14] += 1.4
    east[8] += 0.8
    assert "(6 in a row)" in notes_of(refitted(array, east))[0]


@pytest.mark.parametrize("turned", [False, True])
def test_a_block_that_ends_at_a_bend_is_asked_about(turned):
    line = np.array([[0.0, 0.0], [0.0, 14.0], [10.0, 24.0]])
    array = marks_along(line[::-1] if turned else line, 25, sigma_m=0.03)
    north = array.northing_m.copy()
    block = (north > 7.0) & (north < 13.9) & (np.abs(array.easting_m) < 0.2)
    fit = refitted(array, array.easting_m - 1.4 * block)
    assert len(notes_of(fit)) == 1
    assert abs(fit.route.length_m - (14.0 + np.sqrt(200.0))) < 2.0 * fit.length_sigma_m


def test_how_bends_are_laid_counts_a_third_of_whether_they_are_there():
    line, marks = observed(np.array([[0.0, 0.0], [0.0, 10.0], [4.0, 20.0]]), 21)
    best = misfit(line, marks, np.repeat([0, 1], [10, 11]))
    none = misfit(line.laid(1, 2), marks, np.zeros(21, dtype=np.int64))
    for other, worth in ((best, 2.0), (none, 6.0)):
        rival = replace(other, score=best.score + 6.0)
        first, second = posteriors([best, rival], marks, np.zeros(21))
        assert first.share / second.share == pytest.approx(np.exp(0.5 * worth))


def test_a_step_between_two_marks_is_no_surer_at_one_angle_than_at_another():
    """A step of 90 degrees is free within the gap, one of 45 fills it: neither is a certainty."""
    line = np.array([[0.0, 0.0], [0.0, 12.5], [0.9, 13.4], [0.9, 25.0]])
    fit = fit_route(marks_along(line, 22, sigma_m=0.05, seed=3))
    length = 12.5 + 0.9 * np.sqrt(2.0) + 11.6
    assert abs(fit.route.length_m - length) < 2.0 * fit.length_sigma_m
    assert fit.length_sigma_m > 0.1


def test_plain_ground_is_not_asked_about():
    for seed in range(10):
        bent = np.array([[0.0, 0.0], [0.0, 9.0], [6.0, 15.0], [6.0, 24.0]])
        assert not notes_of(fit_route(marks_along(bent, 26, seed=seed)))


@pytest.mark.parametrize(("past_m", "failed"), [(0.8, False), (1.2, True)])
def test_marks_past_an_end_are_a_failed_fit(past_m, failed):
    north = np.linspace(0.0, 10.0, 12)
    points = np.stack([np.zeros(12), north], axis=1)
    sigma = np.full(12, 0.05)
    marks = Observations(points, sigma, 0.2 * sigma, np.zeros(12, dtype=bool))
    line = Alignment(np.array([[0.0, past_m], [0.0, 10.0]]), np.zeros(2))
    best = misfit(line, marks, np.zeros(12, dtype=np.int64))
    assert _has_failed([best], marks) is failed


def observed(vertices, count: int) -> tuple[Alignment, Observations]:
    """Return a line and marks evenly and exactly on it."""
    line = Alignment(vertices, np.zeros(len(vertices)))
    edge = np.concatenate([[0.0], np.cumsum(line.lengths)])
    at = np.linspace(0.0, edge[-1], count)
    points = np.stack([np.interp(at, edge, vertices[:, axis]) for axis in (0, 1)], axis=1)
    sigma = np.full(count, 0.05)
    return line, Observations(points, sigma, 0.2 * sigma, np.zeros(count, dtype=bool))


@pytest.mark.parametrize(("turn_deg", "corners"), [(7.5, 0), (8.5, 1)])
def test_a_line_past_a_block_has_a_corner_only_where_it_turns(turn_deg, corners):
    ahead = 6.0 * np.array([np.sin(np.deg2rad(turn_deg)), np.cos(np.deg2rad(turn_deg))])
    aside = np.array([[0, 0], [0, 6], [1, 7], [1, 11], [0, 12]], dtype=float)
    line, marks = observed(np.vstack([aside, aside[-1] + ahead]), 24)
    hint = np.searchsorted(np.cumsum(line.lengths), np.linspace(0.0, line.length_m(), 24) - 1e-9)
    past, *_ = _without_steps(misfit(line, marks, hint))
    assert past.runs - 1 == corners


@pytest.mark.parametrize(("on_link", "left_out"), [(1, 1), (2, 2), (3, 2)])
def test_two_marks_at_most_stand_between_the_two_lines_of_a_jog(on_link, left_out):
    link = np.linspace(0.0, 2.0, on_link + 2)[1:-1]
    points = np.vstack([
        np.stack([np.zeros(6), np.arange(6.0)], axis=1),
        np.stack([link, 5.5 + 0.0 * link], axis=1),
        np.stack([np.full(6, 2.0), np.arange(6.0, 12.0)], axis=1),
    ])  # fmt: skip
    between, _ = _best_gap(prefix_sums(points, np.full(len(points), 0.05**-2.0)))
    assert between == left_out


def test_a_bend_of_no_angle_stands_within_half_a_spacing():
    line, marks = observed(np.array([[0.0, 0.0], [0.0, 10.0], [0.0, 20.0]]), 21)
    matrix, _ = normal_equations(misfit(line, marks, np.repeat([0, 1], [10, 11])), marks)
    assert np.sqrt(np.linalg.inv(matrix)[3, 3]) == pytest.approx(0.5, rel=0.02)


def test_a_fit_that_the_marks_do_not_determine_is_none(monkeypatch):
    line, marks = observed(np.array([[0.0, 0.0], [0.0, 10.0]]), 11)
    assert len(tried([line], marks)) == 1
    free = np.zeros((1, line.stack.size, line.stack.size))
    assert volume(line.stack, free, marks.points) == [np.inf]
    monkeypatch.setattr(solve, "volume", lambda stack, _, points: volume(stack, free, points))
    assert tried([line], marks) == []


# --- how hard it is searched ------------------------------------------------------------------


def fitted(kind: str, seed: int):
    return fit_route(marks_of(tight_route(kind, np.random.default_rng([3, seed]))[0]))


@pytest.fixture(scope="module")
def plain():
    return {each: fitted(*each) for each in (("s-bend", 0), ("loop aside", 1))}


@pytest.mark.parametrize(
    ("room", "name", "more", "route"),
    [
        (search, "HOPELESS", np.inf, ("s-bend", 0)),
        (search, "PER_BEND", 60.0, ("s-bend", 0)),
        (search, "MOST_ALIKE", 12, ("s-bend", 0)),
        (search, "ROUGH_STEPS", 16, ("s-bend", 0)),
        (moves, "CUTS_AGAIN", (0.12, 0.25, 0.5, 0.8), ("loop aside", 1)),
    ],
)
def test_a_longer_search_finds_nothing_else(room, name, more, route, plain, monkeypatch):
    monkeypatch.setattr(room, name, more)
    fit = fitted(*route)
    assert fit.route.length_m == pytest.approx(plain[route].route.length_m, abs=0.002)
    assert fit.length_sigma_m == pytest.approx(plain[route].length_sigma_m, rel=0.03)


@pytest.mark.parametrize(("gain", "cuts"), [(5.5, 0), (6.5, 2)])
def test_a_straight_is_cut_where_that_gains_what_a_bend_costs(gain, cuts):
    """Marks on two lines that meet at its middle: two lines take all that one leaves."""
    line, marks = observed(np.array([[0.0, 0.0], [0.0, 20.0]]), 21)
    aside = np.abs(marks.points[:, 1] - 10.0)
    aside -= aside.mean()
    low, high = 0.0, 1.0
    for _ in range(40):
        middle = 0.5 * (low + high)
        points = marks.points + np.outer(middle * aside, [1.0, 0.0])
        fit = misfit(line, replace(marks, points=points), np.zeros(21, dtype=np.int64))
        deviance = split(fit.where.offset_m, marks.sigma_m)[0].sum()
        low, high = (middle, high) if deviance < gain else (low, middle)
    laid = list(moves._relayings(fit, replace(marks, points=points)))
    assert len(laid) == cuts


def test_more_first_guesses_find_nothing_else(plain, monkeypatch):
    more = (0.2, *search.FIRST_CUTS, 3.0)
    monkeypatch.setitem(search.search.__kwdefaults__, "cuts_at", more)
    for route, known in plain.items():
        assert fitted(*route).route.length_m == pytest.approx(known.route.length_m, abs=0.002)


@pytest.mark.parametrize("bevel_m", [moves.BEVEL_M, 3.0])
def test_two_reversals_in_a_first_guess_are_both_laid_in_full(bevel_m, monkeypatch):
    monkeypatch.setattr(moves, "BEVEL_M", bevel_m)
    fit = fitted("two hairpins", 1)
    truth = tight_route("two hairpins", np.random.default_rng([3, 1]))[0].length_m
    assert len(fit.bends) == 4
    assert abs(fit.route.length_m - truth) < 2.0 * fit.length_sigma_m


@pytest.mark.parametrize(("room_m", "tried_m"), [(0.49, [0.4165]), (0.51, [0.4335, 0.204])])
def test_an_arc_of_a_hand_s_breadth_is_not_tried(room_m, tried_m):
    shape = Alignment(np.array([[0.0, 0.0], [0.0, room_m], [room_m, room_m]]), np.zeros(3))
    rounded = moves._roundings(shape)
    assert [each.tangent_m[1] for each in rounded] == pytest.approx(tried_m)


@pytest.mark.parametrize(("gain", "score"), [(0.9, 90.0), (1.1, 88.9)])
def test_a_long_route_is_gone_over_twice_where_that_gains(gain, score, monkeypatch):
    told = iter([90.0, 90.0 - gain, 0.0])
    monkeypatch.setattr(search, "_passed_over", lambda *_: (None, ["window"]))
    monkeypatch.setattr(search, "tried", lambda *_: [SimpleNamespace(score=next(told))])
    best, windows = search.by_windows(SimpleNamespace(score=100.0), None)
    assert (best.score, windows) == (pytest.approx(score), ["window"])
