"""Two real distribution networks of Kentucky, from the network files of wntr (open data)."""

from __future__ import annotations

import functools
import importlib.util
from collections.abc import Iterator
from pathlib import Path

import networkx as nx
import numpy as np
import pytest
import shapely

from geoleak.linref import Route, RouteSet
from geoleak.network.joints import joints_of_routes
from geoleak.network.network import Joint, Network
from geoleak.units import US_SURVEY_FOOT_M
from tests.check_values import check_value

# Only the files are wanted: the package itself takes long to load.
WNTR = importlib.util.find_spec("wntr")
if WNTR is None or WNTR.origin is None:
    pytest.skip("wntr, which holds the network files, is not installed", allow_module_level=True)
FOLDER = Path(WNTR.origin).parent / "library" / "networks"
FEET = 0.3048


def rows(text: str, section: str) -> Iterator[list[str]]:
    part = text.split(f"[{section}]", 1)[1].split("\n[", 1)[0]
    for line in part.splitlines():
        words = line.split(";")[0].split()
        if words:
            yield words


@functools.cache
def kentucky(name: str):
    """Return (node ids of each pipe, its Route in metres, its stated length in metres)."""
    text = (FOLDER / f"{name}.inp").read_text(encoding="latin-1").replace("\r", "")
    place = {n: (float(x), float(y)) for n, x, y in rows(text, "COORDINATES")}
    bends: dict[str, list[tuple[float, float]]] = {}
    for pipe, x, y in rows(text, "VERTICES"):
        bends.setdefault(pipe, []).append((float(x), float(y)))
    ends, routes, stated = [], [], []
    for pipe, start, end, length, *_ in rows(text, "PIPES"):
        line = np.array([place[start], *bends.get(pipe, []), place[end]]) * US_SURVEY_FOOT_M
        if np.ptp(line, axis=0).max() > 0:
            ends.append((start, end))
            routes.append(Route.from_vertices(line))
            stated.append(float(length) * FEET)
    return ends, routes, np.array(stated)


@pytest.mark.parametrize("name", ["ky4", "ky10"])
def test_drawn_lengths_against_stated_lengths(name: str) -> None:
    _, routes, stated = kentucky(name)
    drawn = np.array([route.length_m for route in routes])
    long = stated > 20
    known = check_value(f"{name}_drawn_over_stated")
    assert np.median(drawn[long] / stated[long]) == pytest.approx(
        known.expected, abs=known.tolerance, rel=0
    )
    assert np.mean(np.abs(drawn[long] / stated[long] - 1) < 0.01) > 0.99


@pytest.mark.parametrize("name", ["ky4", "ky10"])
def test_distances_against_networkx(name: str) -> None:
    ends, routes, _ = kentucky(name)
    first: dict[str, tuple[int, float]] = {}
    joints = []
    graph = nx.Graph()
    for leg, (start, end) in enumerate(ends):
        for node, chainage in ((start, 0.0), (end, routes[leg].length_m)):
            if node in first:
                joints.append(Joint(leg, chainage, *first[node]))
            else:
                first[node] = (leg, chainage)
        length = routes[leg].length_m
        if not graph.has_edge(start, end) or graph[start][end]["weight"] > length:
            graph.add_edge(start, end, weight=length)
    network = Network(routes, joints)
    assert len(network.components()) == nx.number_connected_components(graph)
    rng = np.random.default_rng(4)
    sources = rng.choice(sorted(first), 12, replace=False)
    targets = sorted(first)
    from_places = tuple(zip(*[first[n] for n in sources], strict=True))
    to_places = tuple(zip(*[first[n] for n in targets], strict=True))
    found = network.distance(from_places, to_places)
    wanted = np.full(found.shape, np.inf)
    for row, source in enumerate(sources):
        reached = nx.single_source_dijkstra_path_length(graph, source)
        for column, target in enumerate(targets):
            wanted[row, column] = reached.get(target, np.inf)
    np.testing.assert_allclose(found, wanted, rtol=1e-10, atol=1e-6)
    # The drawing alone gives all these joints, and more where pipes lie end on pipe or two nodes
    # (of a valve or a pump) stand on one spot.
    drawn = Network(routes, joints_of_routes(routes, tolerance_m=1e-3))
    assert np.all(drawn.distance(from_places, to_places) <= wanted * (1 + 1e-12) + 1e-6)


@pytest.mark.parametrize("name", ["ky4", "ky10"])
def test_snapping_against_shapely(name: str) -> None:
    _, routes, _ = kentucky(name)
    rng = np.random.default_rng(5)
    every = np.vstack([route.vertices_m for route in routes])
    points = every[rng.integers(0, len(every), 4_000)] + rng.normal(0, 40, (4_000, 2))
    snap = RouteSet.of(routes).snap(points)
    lines = np.array([shapely.LineString(route.vertices_m) for route in routes])
    tree = shapely.STRtree(lines)
    (_, _), nearest = tree.query_nearest(
        shapely.points(points), return_distance=True, all_matches=False
    )
    np.testing.assert_allclose(snap.distance_m, nearest, atol=1e-9)
    chainage = shapely.line_locate_point(lines[snap.route], shapely.points(points))
    np.testing.assert_allclose(snap.chainage_m, chainage, atol=1e-8)
