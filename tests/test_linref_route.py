"""Route: positions, bearings, slices, the other way round, calibration, what is refused."""

from __future__ import annotations

import pickle
import subprocess
import sys

import numpy as np
import pytest
import shapely

from geoleak.errors import GeometryError
from geoleak.linref import Route
from tests.lines import winding

L_SHAPE = Route.from_vertices([(0, 0), (10, 0), (10, 10)])
STEEP = Route.from_vertices([(0, 0, 5), (3, 0, 1), (3, 0, 0), (7, 0, -3)])


def test_positions_against_shapely() -> None:
    vertices = winding(300, seed=1)
    route = Route.from_vertices(vertices)
    chainage = np.linspace(0, route.length_m, 4_001)
    wanted = shapely.get_coordinates(
        shapely.line_interpolate_point(shapely.LineString(vertices), chainage)
    )
    np.testing.assert_allclose(route.position(chainage), wanted, rtol=0, atol=1e-9)


def test_position_takes_numbers_and_arrays() -> None:
    assert L_SHAPE.position(4.0).shape == (2,)
    np.testing.assert_array_equal(L_SHAPE.position(4.0, 1.0), (4, -1))
    np.testing.assert_array_equal(L_SHAPE.position([4, 12], [1, -1]), [(4, -1), (9, 2)])
    np.testing.assert_array_equal(L_SHAPE.position(4.0, [1, 2]), [(4, -1), (4, -2)])
    # At a vertex the outgoing run says which way the offset goes.
    np.testing.assert_array_equal(L_SHAPE.position(10.0, 1.0), (11, 0))
    assert np.isnan(L_SHAPE.position([np.nan, 3])[0]).all()


def test_outside_raises_unless_drawn_on() -> None:
    for chainage in (-0.5, 20.5, [3, 25]):
        with pytest.raises(GeometryError, match="outside the route, which runs from 0 to 20 m"):
            L_SHAPE.position(chainage)
    np.testing.assert_array_equal(
        L_SHAPE.position([-2, 25], [1, 1], extrapolate=True), [(-2, -1), (11, 15)]
    )
    # What rounding leaves over the end is the end.
    np.testing.assert_array_equal(L_SHAPE.position(20 + 1e-12), (10, 10))


def test_bearings_clockwise_from_north() -> None:
    compass = {0: (0, 1), 45: (1, 1), 90: (1, 0), 180: (0, -1), 270: (-1, 0), 315: (-1, 1)}
    for bearing, way in compass.items():
        assert Route.from_vertices([(0, 0), way]).bearing_deg(0.3) == pytest.approx(bearing)
    np.testing.assert_array_equal(
        L_SHAPE.bearing_deg(np.array([0.0, 9.9, 10.0, 20.0])), [90, 90, 0, 0]
    )
    almost = Route.from_vertices([(0, 0), (-1e-300, 1)]).bearing_deg(0.5)
    assert 0.0 <= almost < 360.0
    with pytest.raises(GeometryError, match="outside"):
        L_SHAPE.bearing_deg(21.0)


def test_vertical_drop_adds_pipe_and_no_chainage() -> None:
    assert (STEEP.length_m, STEEP.pipe_length_m) == (7.0, 11.0)
    np.testing.assert_array_equal(STEEP.pipe_m(np.array([0.0, 1.5, 3.0, 5.0])), [0, 2.5, 6, 8.5])
    np.testing.assert_array_equal(STEEP.height_m(np.array([0.0, 3.0, 7.0])), [5, 0, -3])
    riser = Route.from_vertices([(0, 0, 1), (0, 0, 0), (5, 0, 0)])
    assert (riser.pipe_m(0.0), riser.pipe_m(1.0), riser.height_m(0.0)) == (0.0, 2.0, 1.0)
    assert L_SHAPE.pipe_length_m == L_SHAPE.length_m
    with pytest.raises(GeometryError, match="no heights"):
        L_SHAPE.height_m(1.0)


def test_slices() -> None:
    part = L_SHAPE.slice(4, 15)
    np.testing.assert_array_equal(part.vertices_m, [(4, 0), (10, 0), (10, 5)])
    np.testing.assert_array_equal(L_SHAPE.slice(10, 20).vertices_m, [(10, 0), (10, 10)])
    np.testing.assert_array_equal(L_SHAPE.slice(0, 10).vertices_m, [(0, 0), (10, 0)])
    np.testing.assert_array_equal(L_SHAPE.slice(0, 20).vertices_m, L_SHAPE.vertices_m)
    steep = STEEP.slice(1.5, 5)
    np.testing.assert_array_equal(
        steep.vertices_m, [(1.5, 0, 3), (3, 0, 1), (3, 0, 0), (5, 0, -1.5)]
    )
    assert STEEP.slice(0, 3).pipe_length_m + STEEP.slice(3, 7).pipe_length_m == 11.0
    for wrong in ((5, 5), (15, 4)):
        with pytest.raises(GeometryError, match="no length"):
            L_SHAPE.slice(*wrong)
    with pytest.raises(GeometryError, match="outside"):
        L_SHAPE.slice(3, 30)


def test_a_slice_holds_the_same_places() -> None:
    route = Route.from_vertices(winding(120, seed=2))
    part = route.slice(33.3, 177.7)
    assert part.length_m == pytest.approx(144.4, abs=1e-9)
    chainage = np.linspace(0, 144.3, 500)
    np.testing.assert_allclose(
        part.position(chainage, 0.7), route.position(chainage + 33.3, 0.7), atol=1e-8
    )


def test_calibration() -> None:
    route = L_SHAPE.calibrated([0, 10, 20], [100, 110.5, 120.5])
    assert route.measured_m(5.0) == 105.25
    assert route.chainage_from_measured_m(105.25) == 5.0
    # The geometry keeps its own chainage.
    np.testing.assert_array_equal(route.position(5.0), (5, 0))
    one = L_SHAPE.calibrated([4], [1004])
    np.testing.assert_array_equal(one.measured_m(np.array([0.0, 20.0])), [1000, 1020])
    # Beyond the outermost pairs their scale runs on.
    inner = L_SHAPE.calibrated([15, 5], [16, 5])
    assert inner.measured_m(20.0) == pytest.approx(21.5)
    assert inner.chainage_from_measured_m(21.5) == pytest.approx(20.0)
    chainage = np.linspace(0, 20, 77)
    np.testing.assert_allclose(inner.chainage_from_measured_m(inner.measured_m(chainage)), chainage)


def test_calibration_goes_with_slice_and_reversal() -> None:
    route = L_SHAPE.calibrated([0, 10, 20], [100, 110.5, 120.5])
    part = route.slice(4, 15)
    assert part.measured_m(6.0) == pytest.approx(110.5)
    assert part.measured_m(0.0) == pytest.approx(route.measured_m(4.0))
    back = route.reversed()
    assert back.measured_m(0.0) == 0.0
    assert back.measured_m(20.0) == 20.5
    assert back.measured_m(10.0) == 10.0


@pytest.mark.parametrize(
    ("chainage", "measured", "what"),
    [
        ([0, 10, 20], [0, 11, 10], "runs backwards"),
        ([0, 10], [20, 10], "runs backwards"),
        ([0, 10], [5, 5], "stands still"),
        ([5, 5], [5, 6], "stands still"),
        ([0, 30], [0, 30], "off the route"),
        ([0, 10], [0], "as many"),
        ([], [], "at least one"),
        ([0, np.nan], [0, 1], "not finite"),
    ],
)
def test_calibration_that_makes_no_sense_is_refused(chainage, measured, what) -> None:
    with pytest.raises(GeometryError, match=what):
        L_SHAPE.calibrated(chainage, measured)


def test_measured_chainage_needs_a_calibration_and_stays_on_the_route() -> None:
    with pytest.raises(GeometryError, match="no measured chainage"):
        L_SHAPE.measured_m(3.0)
    with pytest.raises(GeometryError, match="outside"):
        L_SHAPE.calibrated([0], [0]).chainage_from_measured_m(25.0)


@pytest.mark.parametrize(
    ("vertices", "what"),
    [
        ([(1, 2)], "at least two"),
        ([(1, 2), (1, 2), (1, 2)], "one spot"),
        ([(1, 2, 0), (1, 2, 5)], "one spot"),
        ([(0, 0), (1e-200, 0)], "one spot"),
        ([(1, 2), (np.nan, 2)], "vertex 2 of 2"),
        ([(1, 2), (np.inf, 2)], "vertex 2 of 2"),
        ([(1, 2, 3), (1, 9, np.nan)], "heights"),
        ([1, 2, 3], "give"),
        ([(1, 2, 3, 4), (1, 2, 3, 5)], "give"),
        ([("a", "b"), ("c", "d")], "not numbers"),
        ([], "give"),
    ],
)
def test_vertices_that_make_no_route(vertices, what) -> None:
    with pytest.raises(GeometryError, match=what):
        Route.from_vertices(vertices)


def test_a_route_cannot_be_changed_and_can_be_sent_to_another_process() -> None:
    source = np.array([(0.0, 0.0), (10.0, 0.0)])
    route = Route.from_vertices(source)
    source[0] = 99.0
    np.testing.assert_array_equal(route.vertices_m[0], 0.0)
    with pytest.raises(ValueError, match="read-only"):
        route.vertices_m[0] = 1.0
    with pytest.raises(AttributeError):
        route.calibration = None  # type: ignore[misc]
    again = pickle.loads(pickle.dumps(route))
    assert again.snap((3, 4)).chainage_m == 3.0


def test_loading_needs_numpy_alone() -> None:
    code = "import sys, geoleak.linref; print({'scipy', 'shapely', 'pandas'} & set(sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "set()"
