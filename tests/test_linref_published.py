"""Linear referencing against published cases and plain geometry."""

from __future__ import annotations

import numpy as np
import pytest

from geoleak.linref import Route
from tests.check_values import check_value

BENT = [(0, 0), (30, 40), (30, 100)]
REPEATED = [(0, 0), (10, 10), (10, 10), (20, 20)]


def near(identifier: str) -> object:
    known = check_value(identifier)
    return pytest.approx(known.expected, abs=known.tolerance, rel=0)


def test_point_beside_a_bent_line() -> None:
    snap = Route.from_vertices(BENT).snap((40, 70))
    assert snap.chainage_m == near("locate_bent_chainage")
    assert snap.offset_m == near("locate_bent_offset")
    assert snap.distance_m == near("locate_bent_offset")
    assert snap.end == 0
    assert np.isnan(snap.rival_chainage_m)


def test_repeated_vertex() -> None:
    route = Route.from_vertices([(0, 0), (10, 0), (10, 0), (20, 0)])
    assert route.snap((10, 1)).chainage_m == near("locate_repeated_vertex")
    assert route.vertices_m.shape == (4, 2)
    assert route.length_m == 20.0


def test_offset_places() -> None:
    route = Route.from_vertices(REPEATED)
    # The source counts offsets positive to the left.
    start = route.position(0.0, -1.0)
    middle = route.position(np.hypot(10, 10), -5.0)
    assert start[0] == near("offset_start_left_x")
    assert start[1] == near("offset_start_left_y")
    assert middle[0] == near("offset_middle_left_x")
    assert middle[1] == near("offset_middle_left_y")


def test_height_between_vertices() -> None:
    route = Route.from_vertices([(0, 0, 0), (10, 10, 10)])
    assert route.height_m(route.snap((5, 5)).chainage_m) == near("height_on_slope")


def test_first_of_four_ties_in_a_ring() -> None:
    ring = Route.from_vertices([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)])
    assert ring.snap((5, 5)).chainage_m == near("ring_centre")


def test_slope_length() -> None:
    route = Route.from_vertices([(0, 0, 0), (3, 0, 4), (7, 0, 1)])
    assert route.vertex_pipe_m[1] == near("slope_3_4")
    assert route.pipe_length_m - route.vertex_pipe_m[1] == near("slope_3_4")
    assert route.length_m == 7.0
    assert route.pipe_m(1.5) == 2.5
    assert route.pipe_m(5.0) == 7.5


def test_arc_is_the_limit_of_chords() -> None:
    errors = []
    for chords in (1_000, 2_000, 20_000):
        angle = np.linspace(0.0, np.pi, chords + 1)
        route = Route.from_vertices(np.column_stack([np.cos(angle), np.sin(angle)]))
        errors.append(np.pi - route.length_m)
    assert route.length_m == near("half_circle")
    assert errors[0] == pytest.approx(np.pi**3 / 24 / 1_000**2, rel=1e-3)
    assert errors[0] / errors[1] == pytest.approx(4.0, rel=1e-3)
    # Any point's chainage on the arc is its angle.
    assert route.snap((0.5 * np.cos(1.0), 0.5 * np.sin(1.0))).chainage_m == pytest.approx(
        1.0, abs=2e-4
    )
