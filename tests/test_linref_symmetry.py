"""Turning, moving, rescaling and reversing a line changes nothing it should not."""

from __future__ import annotations

import numpy as np
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.units import US_SURVEY_FOOT_M

coordinate = st.floats(-50, 50, allow_nan=False).map(lambda v: round(v, 3))
lines = arrays(np.float64, st.tuples(st.integers(2, 9), st.just(2)), elements=coordinate)
places = arrays(np.float64, st.tuples(st.integers(1, 20), st.just(2)), elements=coordinate)


def route_of(line: np.ndarray) -> Route:
    try:
        return Route.from_vertices(line)
    except GeometryError:
        assume(False)
        raise


def settled(route: Route, points: np.ndarray) -> np.ndarray:
    """Tell which points have one nearest place by more than rounding."""
    snap = route.snap(points, rival_within_m=1e-6)
    return np.isnan(snap.rival_chainage_m)


@settings(max_examples=80, deadline=None)
@given(lines, places)
def test_reversing(line, points) -> None:
    route = route_of(line)
    assume(not route.is_closed)
    clear = settled(route, points)
    snap, back = route.snap(points), route.reversed().snap(points)
    np.testing.assert_allclose(back.distance_m, snap.distance_m, atol=1e-9)
    np.testing.assert_allclose(
        back.chainage_m[clear], route.length_m - snap.chainage_m[clear], atol=1e-4
    )
    np.testing.assert_array_equal(back.end[clear], -snap.end[clear])
    there = np.linspace(0, route.length_m, 7)
    np.testing.assert_allclose(
        route.position(there), route.reversed().position(route.length_m - there), atol=1e-9
    )


@settings(max_examples=80, deadline=None)
@given(lines, places, st.floats(0, 6.28), st.floats(-1e5, 1e5))
def test_turning_and_moving(line, points, turn, move) -> None:
    route = route_of(line)
    clear = settled(route, points)
    matrix = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    moved = route_of(line @ matrix + (move, -move))
    assume(moved.is_closed == route.is_closed)
    snap, other = route.snap(points), moved.snap(points @ matrix + (move, -move))
    np.testing.assert_allclose(moved.length_m, route.length_m, atol=1e-8)
    np.testing.assert_allclose(other.distance_m, snap.distance_m, atol=1e-8)
    np.testing.assert_allclose(other.chainage_m[clear], snap.chainage_m[clear], atol=1e-4)


@settings(max_examples=50, deadline=None)
@given(lines, places)
def test_another_unit(line, points) -> None:
    route = route_of(line)
    clear = settled(route, points)
    snap = route.snap(points)
    feet = route_of(line / US_SURVEY_FOOT_M).snap(points / US_SURVEY_FOOT_M)
    np.testing.assert_allclose(
        feet.chainage_m[clear] * US_SURVEY_FOOT_M, snap.chainage_m[clear], atol=1e-9
    )
    np.testing.assert_allclose(feet.distance_m * US_SURVEY_FOOT_M, snap.distance_m, atol=1e-9)


@settings(max_examples=80, deadline=None)
@given(lines, places, st.floats(0.05, 0.95), st.data())
def test_a_vertex_more_on_a_straight_run(line, points, part, data) -> None:
    route = route_of(line)
    clear = settled(route, points)
    run = data.draw(st.integers(0, len(line) - 2))
    extra = line[run] + part * (line[run + 1] - line[run])
    other = Route.from_vertices(np.insert(line, run + 1, extra, axis=0))
    one, two = route.snap(points), other.snap(points)
    np.testing.assert_allclose(two.distance_m, one.distance_m, atol=1e-9)
    np.testing.assert_allclose(two.chainage_m[clear], one.chainage_m[clear], atol=1e-6)
    assert abs(other.length_m - route.length_m) < 1e-9


@settings(max_examples=80, deadline=None)
@given(lines, st.floats(0, 1), st.floats(0, 1))
def test_pieces_add_up(line, first, second) -> None:
    route = route_of(line)
    low, high = sorted((first * route.length_m, second * route.length_m))
    assume(high - low > 1e-6)
    part = route.slice(low, high)
    assert abs(part.length_m - (high - low)) < 1e-9
    np.testing.assert_allclose(part.position(0.0), route.position(low), atol=1e-9)
    np.testing.assert_allclose(part.position(part.length_m), route.position(high), atol=1e-9)
