"""Snapping: shapely's chainage, ties, rivals, ends, fans, and points that are not there."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from geoleak.errors import GeometryError
from geoleak.linref import Route, RouteSet, cells
from geoleak.linref.segments import nearest_of_all
from tests.command import at_length
from tests.lines import CENTRE, around, beside, tangle, winding

LINES = {
    "winding": winding(600, seed=1),
    "tangle": tangle(500, seed=2),
    "few": winding(4, seed=3),
    "one": winding(2, seed=4),
    "ring": np.vstack([winding(300, seed=5), winding(300, seed=5)[:1]]),
    "repeats": np.repeat(winding(200, seed=6), 3, axis=0),
}


@pytest.mark.parametrize("name", LINES)
@pytest.mark.parametrize("scatter", [around, beside])
@at_length("count", [4_000], [20_000])
def test_same_chainage_and_distance_as_shapely(name, scatter, count, monkeypatch) -> None:
    if count < 20_000:  # few points go through in many pieces all the same
        monkeypatch.setattr(cells, "BLOCK", 8_192)
        monkeypatch.setattr(cells, "MOST_PAIRS", 2_000)
    vertices = LINES[name]
    points = scatter(vertices, count, seed=7)
    snap = Route.from_vertices(vertices).snap(points)
    line, shapes = shapely.LineString(vertices), shapely.points(points)
    np.testing.assert_allclose(
        snap.chainage_m, shapely.line_locate_point(line, shapes), rtol=0, atol=1e-9
    )
    np.testing.assert_allclose(snap.distance_m, shapely.distance(line, shapes), rtol=0, atol=1e-9)


@pytest.mark.parametrize("name", LINES)
@pytest.mark.parametrize("within", [0.0, 0.3, 1.0, 25.0])
@at_length("count", [2_000], [6_000])
def test_many_points_find_what_asking_every_piece_finds(name, within, count) -> None:
    vertices = LINES[name]
    points = np.vstack([around(vertices, count, seed=8), beside(vertices, count, seed=9)])
    # Strays, crowds on one spot, points on vertices.
    points[:50] = CENTRE + 10.0 ** np.linspace(1, 8, 50)[:, None]
    points[50:1_000] = points[50]
    points[1_000:1_200] = vertices[np.arange(200) % len(vertices)]
    route = Route.from_vertices(vertices)
    snap = route.snap(points, rival_within_m=within)
    slow = nearest_of_all(route.segments, points[:, 0], points[:, 1], within)
    foot = route.segments.foot_chainage_m(points[:, 0], points[:, 1], slow.piece)
    np.testing.assert_array_equal(snap.chainage_m, foot)
    rival = route.segments.foot_chainage_m(points[:, 0], points[:, 1], slow.rival)
    np.testing.assert_array_equal(snap.rival_chainage_m, np.where(slow.rival < 0, np.nan, rival))


@pytest.mark.parametrize(
    ("name", "other"), [("SHORT", 0.0), ("SHORT", 1.0), ("DEPTH", 3), ("SHELL", 4.0), ("ROW", 3),
                        ("FEW_POINTS", 5), ("FEW_CANDIDATES", 1), ("FEW_PAIRS", 10**9),
                        ("MOST_PAIRS", 2_000), ("BLOCK", 8_192)]
)  # fmt: skip
def test_how_the_square_is_cut_changes_no_answer(name, other, monkeypatch) -> None:
    vertices = LINES["tangle"]
    points = np.vstack([around(vertices, 1_500, seed=8), beside(vertices, 500, seed=9)])
    points[:50] = CENTRE + 10.0 ** np.linspace(1, 8, 50)[:, None]
    route = Route.from_vertices(vertices)
    plain = route.snap(points, rival_within_m=0.3)
    monkeypatch.setattr(cells, name, other)
    moved = route.snap(points, rival_within_m=0.3)
    np.testing.assert_array_equal(moved.chainage_m, plain.chainage_m)
    np.testing.assert_array_equal(moved.rival_chainage_m, plain.rival_chainage_m)


def rival_by_walking(chainage, walk, point, within: float) -> float:
    """Find the rival of one point among the places that a walk along the line came to."""
    distance = np.hypot(*(walk - point).T)
    inside = distance <= distance.min() + within
    stretch = np.cumsum(np.diff(inside, prepend=False) & inside)
    others = inside & (stretch != stretch[np.argmin(distance)])
    return chainage[others][np.argmin(distance[others])] if others.any() else np.nan


def test_rival_is_what_walking_the_line_finds() -> None:
    vertices = tangle(12, seed=11)
    route = Route.from_vertices(vertices)
    points = around(vertices, 150, seed=12, wide=2.0)
    found = route.snap(points, rival_within_m=0.7).rival_chainage_m
    line = shapely.LineString(vertices)
    chainage = np.arange(0.0, line.length, 1e-3)
    walk = shapely.get_coordinates(shapely.line_interpolate_point(line, chainage))
    wanted = np.array([rival_by_walking(chainage, walk, p, 0.7) for p in points])
    assert 20 < np.isfinite(wanted).sum() < 130
    both = np.isfinite(found) & np.isfinite(wanted)
    # A grazing touch shorter than the walker's step may be missed: at most one in 150.
    assert (np.isfinite(found) != np.isfinite(wanted)).sum() <= 1
    np.testing.assert_allclose(found[both], wanted[both], atol=2e-3)


def test_lowest_chainage_at_a_crossing_and_the_other_is_the_rival() -> None:
    route = Route.from_vertices([(0, 0), (10, 0), (10, 10), (5, 10), (5, -5)])
    snap = route.snap((5, 0))
    assert snap.chainage_m == 5.0
    assert snap.rival_chainage_m == 35.0


@pytest.mark.parametrize(("up", "rival"), [(1.49, np.nan), (1.51, 19.0)])
def test_a_stretch_up_to_a_metre_farther_off_is_a_rival(up: float, rival: float) -> None:
    """In a bend 4 m wide, 2.51 m are too far beside 1.49, 2.49 beside 1.51 are not."""
    snap = Route.from_vertices([(0, 0), (10, 0), (10, 4), (0, 4)]).snap((5, up))
    np.testing.assert_equal((float(snap.chainage_m), float(snap.rival_chainage_m)), (5.0, rival))


@pytest.mark.parametrize("name", ["winding", "ring", "repeats"])
@pytest.mark.parametrize("many", [1, 8])
def test_a_foot_just_past_a_vertex_is_not_drawn_to_it(name, many) -> None:
    vertices = LINES[name]
    route = Route.from_vertices(vertices)
    inner = np.unique(route.vertex_chainage_m)[:-1]
    # Places 1e-7 to 1e-4 m before and after vertices, and 4 m aside: the distance to the vertex
    # is the same to far below rounding of the coordinates.
    past = np.concatenate([inner + step for step in (1e-7, 1e-6, 1e-4, -1e-7, -1e-6, -1e-4)])
    past = np.mod(past, route.length_m)
    for aside in (-4.0, 4.0):
        points = route.position(past, aside)
        line = shapely.LineString(vertices)
        wanted = shapely.line_locate_point(line, shapely.points(points))
        found = route.snap(np.repeat(points, many, axis=0)).chainage_m.reshape(-1, many).T
        # Within 1e-7 m of a vertex shapely itself draws some feet to the vertex.
        away = np.minimum(np.abs(found - wanted), np.abs(found - past))
        assert away.max() < 2e-9


@pytest.mark.parametrize("turn_deg", np.linspace(0, 350, 36))
def test_lowest_chainage_in_a_hairpin_however_it_lies(turn_deg: float) -> None:
    turn = np.radians(turn_deg)
    turned = np.array([[np.cos(turn), np.sin(turn)], [-np.sin(turn), np.cos(turn)]])
    vertices = np.array([(0, 0), (20, 0), (20, 1), (0, 1)], dtype=float) @ turned + CENTRE
    snap = Route.from_vertices(vertices).snap(np.array([8.0, 0.5]) @ turned + CENTRE)
    assert snap.chainage_m == pytest.approx(8.0, abs=2e-9)
    assert snap.rival_chainage_m == pytest.approx(33.0, abs=2e-9)
    assert snap.offset_m == pytest.approx(-0.5, abs=2e-9)


def test_a_shallow_bend_is_no_rival_and_two_arms_are() -> None:
    shallow = Route.from_vertices([(0, 0), (10, 0), (20, 1)])
    assert np.isnan(shallow.snap((10, 3)).rival_chainage_m)
    square = Route.from_vertices([(0, 0), (10, 0), (10, 10)])
    snap = square.snap((6, 4))
    assert (snap.chainage_m, snap.rival_chainage_m) == (6.0, 14.0)
    assert np.isnan(square.snap((6, 1)).rival_chainage_m)
    assert square.snap((6, 4), rival_within_m=0.0).rival_chainage_m == 14.0


def test_ring_has_no_end_and_its_seam_has_a_rival() -> None:
    ring = Route.from_vertices([(0, 0), (10, 0), (10, 10), (0, 10), (0, 0)])
    snap = ring.snap([(-1, -1), (5, -2), (-3, 0.5)])
    assert ring.is_closed
    np.testing.assert_array_equal(snap.end, 0)
    np.testing.assert_array_equal(snap.beyond_m, 0.0)
    np.testing.assert_allclose(snap.chainage_m, [0.0, 5.0, 39.5])
    # Counter-clockwise: outside is to the right.
    np.testing.assert_allclose(snap.offset_m, [np.sqrt(2), 2.0, 3.0])
    assert snap.rival_chainage_m[0] == 40.0
    assert np.isnan(snap.rival_chainage_m[1])


def test_ends_are_told_and_nothing_clips_silently() -> None:
    route = Route.from_vertices([(0, 0), (10, 0), (10, 10)])
    snap = route.snap([(-3, 4), (0, 5), (9, 14), (10, 10), (4, -2)])
    np.testing.assert_array_equal(snap.end, [-1, 0, 1, 0, 0])
    np.testing.assert_array_equal(snap.chainage_m, [0, 0, 20, 20, 4])
    np.testing.assert_allclose(snap.beyond_m, [-3, 0, 4, 0, 0], atol=1e-14)
    np.testing.assert_allclose(snap.offset_m, [-4, -5, -1, 0, 2], atol=1e-15)
    np.testing.assert_allclose(snap.distance_m, [5, 5, np.hypot(1, 4), 0, 2], atol=1e-15)


def test_a_foot_off_the_end_that_is_rounding_is_on_the_route() -> None:
    route = Route.from_vertices(np.array([(0, 0), (7, 3)]) / 9 + CENTRE)
    assert route.snap(route.position(0.0, 5.0)).end == 0
    assert route.snap(route.position(route.length_m, -5.0)).end == 0


@pytest.mark.parametrize("deflection_deg", [20, 80, 100, 170, -20, -100, -170])
def test_fan_outside_a_bend(deflection_deg: float) -> None:
    turn = np.radians(deflection_deg)
    route = Route.from_vertices([(-10, 0), (0, 0), (10 * np.cos(turn), -10 * np.sin(turn))])
    # A right turn (positive) has its fan on the left, between the two runs' left normals.
    side = -np.sign(turn)
    middle = np.pi / 2 * np.sign(turn) - turn / 2
    for angle in middle + np.linspace(-0.49, 0.49, 9) * turn:
        snap = route.snap((2 * np.cos(angle), 2 * np.sin(angle)))
        assert snap.chainage_m == pytest.approx(10.0, abs=1e-12)
        assert snap.offset_m == pytest.approx(2 * side, abs=1e-12)
        assert snap.end == 0


@pytest.mark.parametrize("name", ["winding", "tangle", "few", "one", "ring"])
def test_snapped_places_come_back(name) -> None:
    vertices = LINES[name]
    points = np.vstack([beside(vertices, 5_000, seed=13), around(vertices, 5_000, seed=14)])
    route = Route.from_vertices(vertices)
    snap = route.snap(points)
    back = route.position(snap.chainage_m + snap.beyond_m, snap.offset_m, extrapolate=True)
    apart = np.hypot(*(back - points).T)
    at_vertex = np.min(np.abs(snap.chainage_m[:, None] - route.vertex_chainage_m), axis=1) < 1e-9
    fan = at_vertex & (snap.beyond_m == 0.0) & (snap.distance_m > 0.0)
    assert apart[~fan].max() < 1e-9
    assert (~fan).mean() > 0.2
    np.testing.assert_allclose(np.abs(snap.offset_m[fan]), snap.distance_m[fan], rtol=1e-12)


def test_one_point_not_there_is_nan_alone() -> None:
    vertices = LINES["winding"]
    points = around(vertices, 50_000, seed=15)
    clean = Route.from_vertices(vertices).snap(points)
    points[17] = (np.nan, 4.0)
    points[18] = (np.inf, 4.0)
    points[19] = (1e200, 4.0)
    snap = Route.from_vertices(vertices).snap(points)
    for name in ("chainage_m", "offset_m", "distance_m", "beyond_m", "rival_chainage_m"):
        assert np.isnan(getattr(snap, name)[17:20]).all()
        np.testing.assert_array_equal(getattr(snap, name)[20:], getattr(clean, name)[20:])
    single = Route.from_vertices(vertices).snap((np.nan, 1.0))
    assert np.isnan(single.chainage_m) and single.end == 0


@pytest.mark.parametrize("points", [(3.0, 4.0), (3.0, 4.0, 99.0)])
def test_one_point_gives_plain_numbers(points) -> None:
    snap = Route.from_vertices([(0, 0), (10, 0)]).snap(points)
    assert isinstance(snap.chainage_m, float) and isinstance(snap.end, int)
    assert (snap.chainage_m, snap.offset_m) == (3.0, -4.0)


def test_no_points() -> None:
    assert Route.from_vertices([(0, 0), (10, 0)]).snap(np.empty((0, 2))).chainage_m.shape == (0,)


@pytest.mark.parametrize("points", [np.zeros((3, 4)), np.zeros((2, 2, 2)), 5.0, "here", [["a", 1]]])
def test_points_of_another_shape_are_refused(points) -> None:
    with pytest.raises(GeometryError, match="give"):
        Route.from_vertices([(0, 0), (10, 0)]).snap(points)


@pytest.mark.parametrize("within", [-1.0, np.nan])
def test_impossible_rival_distance(within: float) -> None:
    with pytest.raises(GeometryError, match="rival_within_m"):
        Route.from_vertices([(0, 0), (10, 0)]).snap((1, 1), rival_within_m=within)


def test_nearest_of_many_routes_against_shapely() -> None:
    lines = [winding(40, seed=s) + np.random.default_rng(s).uniform(0, 400, 2) for s in range(60)]
    points = around(np.vstack(lines), 8_000, seed=16)
    snap = RouteSet.of([Route.from_vertices(line) for line in lines]).snap(points)
    shapes = np.array([shapely.LineString(line) for line in lines])
    every = shapely.distance(shapes[:, None], shapely.points(points)[None, :])
    np.testing.assert_array_equal(snap.route, np.argmin(every, axis=0))
    np.testing.assert_allclose(snap.distance_m, every.min(axis=0), atol=1e-9)
    chainage = shapely.line_locate_point(shapes[snap.route], shapely.points(points))
    np.testing.assert_allclose(snap.chainage_m, chainage, atol=1e-9)


def test_rival_on_another_route_and_first_route_at_ties() -> None:
    routes = [Route.from_vertices([(0, y), (10, y)]) for y in (2.0, 0.0, 9.0)]
    snap = RouteSet.of(routes).snap([(4, 1), (4, 0.3), (4, 0.8), (np.nan, 0)])
    np.testing.assert_array_equal(snap.route, [0, 1, 1, -1])
    np.testing.assert_array_equal(snap.rival_route, [1, -1, 0, -1])
    single = RouteSet.of(routes).snap((4, 1))
    assert (single.route, single.rival_route, single.rival_chainage_m) == (0, 1, 4.0)
    with pytest.raises(GeometryError, match="at least one"):
        RouteSet.of([])


def test_routes_end_to_end_are_two_stretches() -> None:
    routes = [Route.from_vertices([(0, 0), (10, 0)]), Route.from_vertices([(10, 0), (20, 0)])]
    snap = RouteSet.of(routes).snap((9.8, 1))
    assert (snap.route, snap.rival_route) == (0, 1)
