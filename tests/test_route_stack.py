"""Routes fitted side by side, the moves between them, and long routes."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
import threadpoolctl

import geoleak
from geoleak import posterior
from geoleak.route import MarkArray, fit_route
from geoleak.route import fit as route_fit
from geoleak.route.alignment import Alignment, Stack, feet_of, hints, jacobian
from geoleak.route.moves import mended
from geoleak.route.result import length_slope, position_rows
from geoleak.route.solve import LONG, Observations, equations, turn_cost
from tests.command import at_length
from tests.spoilt_sites import SITES
from tests.trials.random_routes import Habits
from tests.trials.route_trial import run, summary


def shapes(rng):
    """Return alignments of one to five straights, some corners rounded."""
    out = []
    for _ in range(6):
        runs = int(rng.integers(1, 6))
        vertices = np.cumsum(rng.normal([3.0, 1.0], 0.6, (runs + 1, 2)), axis=0)
        length = np.hypot(*np.diff(vertices, axis=0).T)
        tangent = np.zeros(runs + 1)
        for k in range(1, runs):
            tangent[k] = 0.45 * min(length[k - 1], length[k]) * (rng.random() < 0.5)
        out.append(Alignment(vertices, tangent))
    return out


@pytest.mark.parametrize("seed", range(5))
def test_a_stack_says_of_each_route_what_the_route_alone_says(seed):
    rng = np.random.default_rng(seed)
    points = np.cumsum(rng.normal([0.5, 0.2], 0.2, (30, 2)), axis=0)
    every = shapes(rng)
    stack = Stack.of(every)
    hint = hints(stack, points)
    where = feet_of(stack, points, hint)
    for row, shape in enumerate(every):
        assert stack.allowed()[row] == shape.allowed()
        alone = feet_of(shape.stack, points, hint[row][None]).row(0)
        np.testing.assert_allclose(where.offset_m[row], alone.offset_m, atol=1e-12)
        centre, radius, turn = shape.centre, shape.radius, shape.turn
        count = shape.runs + 1
        np.testing.assert_allclose(stack.centres[0][row, :count], centre, atol=1e-9)
        np.testing.assert_allclose(stack.centres[1][row, :count], radius, atol=1e-9)
        np.testing.assert_allclose(stack.parts[3][row, :count], turn, atol=1e-12)
        assert not stack.parts[3][row, count:].any()


@pytest.mark.parametrize("seed", range(5))
def test_derivatives_are_those_of_small_steps(seed):
    rng = np.random.default_rng(seed)
    points = np.cumsum(rng.normal([0.5, 0.2], 0.2, (30, 2)), axis=0)
    stack = Stack.of(shapes(rng))
    where = feet_of(stack, points, hints(stack, points))
    slope = jacobian(stack, where)
    for number in range(stack.size):
        step = np.zeros((len(stack), stack.size))
        step[:, number] = 1e-6
        ahead = feet_of(stack.moved(step), points, where.run)
        back = feet_of(stack.moved(-step), points, where.run)
        same = (ahead.corner == where.corner) & (back.corner == where.corner)
        same &= (ahead.run == where.run) & (back.run == where.run)
        moved = (ahead.offset_m - back.offset_m) / 2e-6
        np.testing.assert_allclose(moved[same], slope[..., number][same], atol=1e-4)


@pytest.mark.parametrize("seed", range(3))
def test_equations_of_a_long_route_in_bands_are_the_dense_ones(seed):
    rng = np.random.default_rng(seed)
    vertices = np.cumsum(rng.normal([3.0, 1.0], 0.6, (31, 2)), axis=0)
    length = np.hypot(*np.diff(vertices, axis=0).T)
    tangent = np.zeros(31)
    tangent[5:28:7] = 0.4 * np.minimum(length[4:27:7], length[5:28:7])
    stack = Alignment(vertices, tangent).stack
    count = LONG + 20
    along = np.linspace(0.0, 29.9, count)
    points = np.stack([np.interp(along, np.arange(31), column) for column in vertices.T], axis=1)
    points += 0.1 * rng.standard_normal((count, 2))
    sigma = np.full(count, 0.05)
    marks = Observations(points, sigma, sigma, np.zeros(count, dtype=bool))
    where = feet_of(stack, points, hints(stack, points))
    assert (where.corner >= 0).any()
    weight = rng.uniform(1.0, 400.0, (1, count))
    matrix, right, slope = equations(stack, marks, where, weight)
    both = Stack(
        *(np.repeat(each, 2, axis=0) for each in (stack.vertices, stack.tangent_m, stack.runs))
    )
    twice = feet_of(both, points, np.repeat(hints(stack, points), 2, axis=0))
    dense = equations(both, marks, twice, np.repeat(weight, 2, axis=0))
    for one, other in zip((matrix, right, slope), dense, strict=True):
        np.testing.assert_allclose(one[0], other[0], rtol=1e-9, atol=1e-9 * np.abs(other).max())


def test_rows_of_straights_are_those_of_small_steps():
    rng = np.random.default_rng(2)
    vertices = np.cumsum(rng.normal([3.0, 1.0], 1.0, (5, 2)), axis=0)
    shape = Alignment(vertices, np.zeros(5))
    at = np.linspace(0.1, shape.length_m() - 0.1, 23)
    along, across = position_rows(shape, at)
    _, unit = shape.positions(at)
    right = np.stack([unit[:, 1], -unit[:, 0]], axis=1)
    for number, growth in enumerate(length_slope(shape)):
        step = np.zeros(10)
        step[number] = 1e-6
        one, other = shape.moved(step), shape.moved(-step)
        move = (one.positions(at)[0] - other.positions(at)[0]) / 2e-6
        np.testing.assert_allclose(along[:, number], np.sum(move * unit, axis=1), atol=1e-5)
        np.testing.assert_allclose(across[:, number], np.sum(move * right, axis=1), atol=1e-5)
        assert growth == pytest.approx((one.length_m() - other.length_m()) / 2e-6, abs=1e-6)


def test_the_density_of_turns_sums_to_one_and_its_pull_is_its_slope():
    turn = np.linspace(-2.2, 2.2, 200_001)
    cost, pull, _, curved = turn_cost(turn, np.ones(len(turn), dtype=bool))
    assert np.trapezoid(np.exp(-0.5 * cost), turn) == pytest.approx(1.0, abs=1e-3)
    inner = np.abs(np.abs(turn) - np.deg2rad(100.0)) > 1e-3
    inner &= np.abs(turn) > 1e-3
    slope = 0.5 * np.gradient(cost, turn)
    np.testing.assert_allclose(pull[inner][1:-1], slope[inner][1:-1], atol=2e-2)
    assert (curved >= 0).all()


def test_four_bends_in_five_are_a_usual_fitting():
    """Within 9 degrees (three times the play) of a quarter bend lies a fifth of .8, and little."""
    turn = np.deg2rad(np.linspace(81.0, 99.0, 20_001))
    cost = turn_cost(turn, np.ones(len(turn), dtype=bool))[0]
    near = 2.0 * np.trapezoid(np.exp(-0.5 * cost), turn)
    # 99.73 % of a normal lie within three sigma; of the other turns (0.19) 18 of 100 degrees.
    assert near == pytest.approx(0.8 / 4 * 0.9973 + 0.19 * 18 / 100, abs=3e-3)


@pytest.mark.parametrize(
    ("room", "name", "work"),
    [
        (route_fit, "search", lambda: fit_route(marks_along(np.array([[0.0, 0.0], [0, 20]]), 20))),
        # Else its last digits hang on the cores: page and command would differ.
        (posterior, "infer", lambda: geoleak.locate(geoleak.read_site(SITES / "alder_court"))),
    ],
    ids=["fit", "answer"],
)
def test_blas_is_kept_to_one_thread(room, name, work, monkeypatch):
    def threads():
        pools = threadpoolctl.threadpool_info()
        return {each["num_threads"] for each in pools if each["user_api"] == "blas"}

    def told(*given):
        seen.append(threads())
        return does(*given)

    monkeypatch.delenv("OPENBLAS_NUM_THREADS", raising=False)
    seen, does = [], getattr(room, name)
    monkeypatch.setattr(room, name, told)
    with threadpoolctl.threadpool_limits(2, user_api="blas"):
        assert threads() == {2}
        work()
    assert seen and all(each == {1} for each in seen)


def test_a_reversal_in_a_first_guess_becomes_two_bends():
    angle = np.deg2rad(35.0)
    back = [10.0 - 8.0 * np.cos(angle), 8.0 * np.sin(angle)]
    (shape,) = mended([Alignment(np.array([[0.0, 0.0], [10.0, 0.0], back]), np.zeros(3))])
    assert shape.allowed()
    assert shape.runs == 3


def marks_along(vertices, count, *, seed=5, sigma_m=0.05):
    """Return marks evenly along a line, off it by that much at random."""
    rng = np.random.default_rng(seed)
    edge = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(vertices, axis=0).T))])
    at = np.linspace(0.0, edge[-1], count)
    points = np.stack([np.interp(at, edge, vertices[:, axis]) for axis in (0, 1)], axis=1)
    points += sigma_m * rng.standard_normal((count, 2))
    return MarkArray(
        easting_m=points[:, 0],
        northing_m=points[:, 1],
        height_m=np.full(count, np.nan),
        depth_m=np.full(count, 0.9),
        sigma_across_m=np.full(count, 1.2 * sigma_m),
        sigma_along_m=np.full(count, 0.012),
        ids=tuple(str(i) for i in range(count)),
    )


def test_bends_close_together_are_found_on_a_short_route():
    vertices = np.array([[0.0, 0.0], [0.0, 6.0], [2.0, 6.0], [2.0, 14.0]])
    fit = fit_route(marks_along(vertices, 14))
    assert [round(bend.deflection_deg / 90.0) for bend in fit.bends] == [1, -1]
    assert fit.route.length_m == pytest.approx(16.0, abs=0.25)


@at_length("routes", [1], [3])
def test_long_routes_are_averaged_over_structures(routes):
    figures = summary(run(routes, 41, habits=Habits(long=True)))
    assert figures["sideways rms m"][0] < 0.09
    assert 85.0 < figures["sideways 95 % covers %"][0] <= 100.0
    assert figures["length median %"][0] < 0.5 * figures["joined median %"][0]


def test_drawings_are_imported_when_first_used():
    code = (
        "import sys, geoleak.route as r; late = ('geoleak.route.drawn',);"
        "assert not any(name in sys.modules for name in late); r.drawn_fit; r.spliced;"
        "assert all(name in sys.modules for name in late)"
    )
    subprocess.run([sys.executable, "-c", code], check=True)
    import geoleak.route

    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        _ = geoleak.route.nothing
