"""Networks of legs: distances against plain arithmetic and networkx, paths, tees, loops."""

from __future__ import annotations

from itertools import pairwise

import networkx as nx
import numpy as np
import pytest

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.network.joints import joints_of_routes
from geoleak.network.network import Joint, Network


def straight(*ends: tuple[float, ...]) -> Route:
    return Route.from_vertices(ends)


YARD = straight((0, 0), (100, 0))
HOUSE = straight((50, 0), (50, 30))
APART = straight((500, 0), (500, 9))
TEE = Network([YARD, HOUSE, APART], [Joint(1, 0.0, 0, 50.0)])


def test_distances_through_a_tee() -> None:
    found = TEE.distance(([0, 1, 2], [10, 20, 3]), ([0, 1, 2], [90, 30, 9]))
    np.testing.assert_array_equal(found, [[80, 70, np.inf], [60, 10, np.inf], [np.inf, np.inf, 6]])


def test_groups() -> None:
    assert TEE.components() == ((0, 1), (2,))
    assert len(TEE.components()) > 1


def test_weights_are_costs_per_metre_of_each_leg() -> None:
    found = TEE.distance(([0], [10]), ([1], [20]), weights=[0.5, 2.0, 1.0])
    assert found[0, 0] == 40 * 0.5 + 20 * 2.0
    metres = TEE.path_lengths(([0], [10]), ([1, 2], [20, 1]))
    np.testing.assert_array_equal(metres[0, 0], [40, 20, 0])
    assert np.isinf(metres[0, 1]).all()


def test_tees_passed() -> None:
    found = TEE.tees_passed(([0, 0, 0, 2], [10, 50, 10, 1]), ([1, 0, 0], [20, 90, 40]))
    # 50 m is the tee itself; legs that do not join are -1.
    np.testing.assert_array_equal(found, [[1, 1, 0], [0, 0, 0], [1, 1, 0], [-1, -1, -1]])
    # Whichever leg names it, at either end of the way.
    np.testing.assert_array_equal(TEE.tees_passed(([0, 0], [10, 50]), ([1], [0])), [[0], [0]])
    np.testing.assert_array_equal(TEE.tees_passed(([1, 1], [0, 20]), ([0], [10])), [[0], [1]])


def test_pipe_along_the_slope_counts_and_not_the_plan() -> None:
    steep = Network([straight((0, 0, 0), (3, 0, 4)), straight((3, 0), (3, 7))], [Joint(0, 3, 1, 0)])
    assert steep.distance(([0], [0]), ([1], [7]))[0, 0] == 12.0
    assert steep.tees_passed(([0], [0]), ([1], [7]))[0, 0] == 0


def test_loop_takes_the_shorter_way_round() -> None:
    ring = Network([straight((0, 0), (10, 0), (10, 10), (0, 10), (0, 0))])
    found = ring.distance(([0], [2]), (0, [38, 20, 22, 24]))
    np.testing.assert_array_equal(found, [[4, 18, 20, 18]])
    np.testing.assert_array_equal(ring.path_lengths(([0], [2]), ([0], [38]))[0, 0], [4])
    # Two legs between the same two tees: the cheaper pipe is the path.
    pair = Network(
        [straight((0, 0), (10, 0)), straight((2, 0), (2, 3), (8, 3), (8, 0))],
        [Joint(1, 0, 0, 2), Joint(1, 12, 0, 8)],
    )
    np.testing.assert_array_equal(pair.path_lengths(([0], [0]), ([0], [10]))[0, 0], [10, 0])
    round_about = pair.path_lengths(([0], [0]), ([0], [10]), weights=[1.0, 0.1])[0, 0]
    np.testing.assert_array_equal(round_about, [4, 12])
    cost = pair.distance(([0], [0]), ([0], [10]), weights=[1.0, 0.1])
    assert cost[0, 0] == pytest.approx(5.2)
    assert pair.tees_passed(([0], [0]), ([0], [10]))[0, 0] == 2


def test_free_pipe_costs_nothing_and_still_joins() -> None:
    found = TEE.distance(([0], [10]), ([1], [20]), weights=[0.0, 0.0, 1.0])
    assert found[0, 0] == 0.0
    chain = Network(
        [straight((0, 0), (10, 0)), straight((10, 0), (20, 0)), straight((20, 0), (30, 0))],
        [Joint(0, 10, 1, 0), Joint(1, 10, 2, 0)],
    )
    assert chain.distance(([0], [0]), ([2], [10]), weights=[1.0, 0.0, 1.0])[0, 0] == 20.0


def random_network(seed: int) -> tuple[Network, np.ndarray]:
    """Return 12 legs with random joints, loops and separate parts among them, and leg weights."""
    rng = np.random.default_rng(seed)
    routes = []
    for _ in range(12):
        steps = rng.normal(0, 20, (rng.integers(2, 6), 3)) * (1, 1, 0.2)
        routes.append(Route.from_vertices(np.cumsum(steps, axis=0)))
    joints = []
    for _ in range(13):
        a, b = rng.choice(12, 2, replace=False)
        at = rng.choice([0.0, 1.0, rng.uniform()]), rng.choice([0.0, 1.0, rng.uniform()])
        lengths = routes[a].length_m, routes[b].length_m
        joints.append(Joint(int(a), at[0] * lengths[0], int(b), at[1] * lengths[1]))
    return Network(routes, joints), rng.uniform(0.1, 3.0, 12)


@pytest.mark.parametrize("seed", range(8))
def test_random_networks_against_networkx(seed: int) -> None:
    network, weights = random_network(seed)
    rng = np.random.default_rng(seed + 100)
    leg = rng.integers(0, 12, 60)
    chainage = rng.uniform(0, 1, 60) * [network.routes[k].length_m for k in leg]
    graph = nx.Graph()
    for number, route in enumerate(network.routes):
        stops = {("place", i): chainage[i] for i in np.flatnonzero(leg == number)}
        for which, joint in enumerate(network.joints):
            if joint.leg_a == number:
                stops[("joint", which, "a")] = joint.chainage_a_m
            if joint.leg_b == number:
                stops[("joint", which, "b")] = joint.chainage_b_m
        order = sorted(stops, key=stops.__getitem__)
        graph.add_nodes_from(order)
        for one, other in pairwise(order):
            metres = route.pipe_m(stops[other]) - route.pipe_m(stops[one])
            graph.add_edge(one, other, metres=metres, cost=metres * weights[number])
    for which in range(len(network.joints)):
        graph.add_edge(("joint", which, "a"), ("joint", which, "b"), metres=0.0, cost=0.0)
    places = (leg, chainage)
    for key, given in (("metres", None), ("cost", weights)):
        wanted = np.full((60, 60), np.inf)
        for source, reached in nx.all_pairs_dijkstra_path_length(graph, weight=key):
            if source[0] == "place":
                for target, value in reached.items():
                    if target[0] == "place":
                        wanted[source[1], target[1]] = value
        found = network.distance(places, places, weights=given)
        np.testing.assert_allclose(found, wanted, rtol=1e-12, atol=1e-9)
        shares = network.path_lengths(places, places, weights=given)
        price = np.ones(12) if given is None else given
        np.testing.assert_allclose(shares @ price, wanted, rtol=1e-9, atol=1e-9)
        double = network.costs(places, places, [price, 2 * price], weights=given)
        np.testing.assert_allclose(double[1], 2 * wanted, rtol=1e-9, atol=1e-9)
    groups = [set(group) for group in network.components()]
    joined = np.isfinite(wanted)
    for i in range(60):
        for j in range(60):
            assert joined[i, j] == any({leg[i], leg[j]} <= group for group in groups)


@pytest.mark.parametrize("seed", range(4))
def test_tees_against_a_walk_in_networkx(seed: int) -> None:
    """On trees (one path only) the tees passed are the inner nodes of three arms and more."""
    rng = np.random.default_rng(seed)
    routes, joints = [straight((0, 0), (100, 0))], []
    for number in range(1, 15):
        routes.append(straight((0, 0), (rng.uniform(5, 50), 0)))
        other = int(rng.integers(0, number))
        joints.append(Joint(number, 0.0, other, rng.uniform(0.1, 0.9) * routes[other].length_m))
    network = Network(routes, joints)
    tree = nx.Graph()
    for number, route in enumerate(routes):
        stops = {f"end {number}": route.length_m}
        for joint in joints:
            if joint.leg_b == number:
                stops[f"tee {joint.leg_a}"] = joint.chainage_b_m
        stops[f"tee {number}" if number else "start"] = 0.0
        order = sorted(stops, key=stops.__getitem__)
        tree.add_edges_from(pairwise(order))
    ends = (np.arange(15), np.array([route.length_m for route in routes]))
    found = network.tees_passed(ends, ends)
    for i in range(15):
        for j in range(15):
            path = nx.shortest_path(tree, f"end {i}", f"end {j}")
            assert found[i, j] == sum(node.startswith("tee") for node in path[1:-1])


def test_symmetry_and_reversed_legs(monkeypatch) -> None:
    network, _ = random_network(3)
    places = (np.arange(12), np.array([0.3 * route.length_m for route in network.routes]))
    found = network.distance(places, places)
    monkeypatch.setattr("geoleak.network.network.ROWS", 5)  # a few at a time, and the same
    np.testing.assert_array_equal(network.distance(places, places), found)
    np.testing.assert_allclose(found, found.T, rtol=1e-12)
    turned = Network(
        [route.reversed() for route in network.routes],
        [
            Joint(
                j.leg_a,
                network.routes[j.leg_a].length_m - j.chainage_a_m,
                j.leg_b,
                network.routes[j.leg_b].length_m - j.chainage_b_m,
            )
            for j in network.joints
        ],
    )
    back = (places[0], np.array([0.7 * route.length_m for route in network.routes]))
    np.testing.assert_allclose(turned.distance(back, back), found, rtol=1e-9, atol=1e-9)


def test_one_leg_needs_no_graph() -> None:
    one = Network([YARD])
    np.testing.assert_array_equal(one.distance(([0], [10]), ([0, 0], [4, 40])), [[6, 30]])
    assert len(one.components()) == 1
    assert one.tees_passed(([0], [10]), ([0], [40]))[0, 0] == 0


@pytest.mark.parametrize(
    ("joints", "what"),
    [
        ([Joint(0, 5, 7, 0)], "legs are numbered 0 to 1"),
        ([Joint(-1, 5, 1, 0)], "legs are numbered 0 to 1"),
        ([Joint(0, 500, 1, 0)], "a joint on leg 0: .*outside"),
        ([Joint(0, np.nan, 1, 0)], "chainage nan"),
        ([Joint(0, 5, 0, 5)], "joined to itself"),
    ],
)
def test_joints_that_make_no_sense(joints, what) -> None:
    with pytest.raises(GeometryError, match=what):
        Network([YARD, HOUSE], joints)


def test_places_and_weights_that_make_no_sense() -> None:
    for places, what in (
        (([5], [1]), "a place is on leg 5"),
        (([0.5], [1]), "a place is on leg 0.5"),
        (([0], [-3]), "outside"),
        (([0], [np.nan]), "nan"),
        (([0, 1], [1]), "one of each"),
    ):
        with pytest.raises(GeometryError, match=what):
            TEE.distance(places, ([0], [1]))
    for weights, what in (([1, 2], "do not fit"), ([1, -1, 1], "leg 1"), ([1, 1, np.inf], "leg 2")):
        with pytest.raises(GeometryError, match=what):
            TEE.distance(([0], [1]), ([0], [1]), weights=weights)
    with pytest.raises(GeometryError, match="do not fit 3 legs"):
        TEE.costs(([0], [1]), ([0], [1]), [[1, 2]])
    with pytest.raises(GeometryError, match="at least one leg"):
        Network([])


def test_joints_of_drawn_lines() -> None:
    main = straight((0, 0), (100, 0))
    on = straight((100.02, 0.01), (150, 0))
    branch = straight((40, 0.03), (40, 20))
    under = straight((70, -5), (70, 5))
    off = straight((20, 0.2), (20, 20))
    routes = [main, on, branch, under, off]
    found = joints_of_routes(routes, tolerance_m=0.05)
    assert found == (Joint(0, 100.0, 1, 0.0), Joint(2, 0.0, 0, 40.0))
    assert Network(routes, found).components() == ((0, 1, 2), (3,), (4,))
    assert Joint(4, 0.0, 0, 20.0) in joints_of_routes(routes, tolerance_m=0.3)
    ring = straight((0, 0), (10, 0), (10, 10), (0, 0.01))
    assert joints_of_routes([ring], tolerance_m=0.05) == (Joint(0, 0.0, 0, ring.length_m),)
    with pytest.raises(GeometryError, match="tolerance"):
        joints_of_routes(routes, tolerance_m=-1)
