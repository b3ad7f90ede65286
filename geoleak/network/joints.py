"""Where drawn lines meet, and the closed loops that pipe makes: round them one comes back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

import numpy as np

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.network.network import SAME_NODE_M, Joint, Network, groups
from geoleak.record import Record


def joints_of_routes(routes: Sequence[Route], *, tolerance_m: float) -> tuple[Joint, ...]:
    """Return the joints of drawn lines: ends that meet, and ends on the middle of a line.

    Two lines that only cross are not joined: one may pass under the other. Nor are the two ends
    of one line, unless it is longer than both tolerances together.

    Parameters
    ----------
    routes : sequence of Route
        The legs.
    tolerance_m : float
        How far an end may stand from the line it joins, in plan.

    Raises
    ------
    GeometryError
        If the tolerance is negative or not finite.
    """
    if not 0.0 <= tolerance_m < np.inf:
        raise GeometryError(f"tolerance {tolerance_m} m; give a distance of 0 m or more")
    import shapely

    ends = np.array([r.vertices_m[end, :2] for r in routes for end in (0, -1)])
    tree = shapely.STRtree([shapely.LineString(route.vertices_m[:, :2]) for route in routes])
    near = tree.query(shapely.points(ends), predicate="dwithin", distance=tolerance_m)
    found: dict[frozenset[tuple[int, float]], Joint] = {}
    for end, other in sorted(zip(*near.tolist(), strict=True)):
        leg, last = divmod(end, 2)
        length = routes[leg].length_m
        if leg != other:
            there = _met_at(routes[other], ends[end], tolerance_m)
            joint = Joint(leg, length if last else 0.0, other, there)
        elif length > 2 * tolerance_m and np.hypot(*(ends[end] - ends[end ^ 1])) <= tolerance_m:
            joint = Joint(leg, 0.0, leg, length)
        else:
            continue
        key = frozenset({(joint.leg_a, joint.chainage_a_m), (joint.leg_b, joint.chainage_b_m)})
        found.setdefault(key, joint)
    return tuple(found.values())


def _met_at(route: Route, end: np.ndarray, tolerance_m: float) -> float:
    """Return the chainage at which an end meets a route.

    All but at an end of the route counts as there, so that the joint makes no stub.
    """
    # Most ends of a drawing meet at one vertex: no need to search the line for it.
    for vertex, chainage in ((0, 0.0), (-1, route.length_m)):
        if np.array_equal(end, route.vertices_m[vertex, :2]):
            return chainage
    chainage = float(route.snap(end, rival_within_m=None).chainage_m)
    near = min(tolerance_m, route.length_m / 2.0)
    if chainage <= near:
        return 0.0
    return route.length_m if chainage >= route.length_m - near else chainage


Piece = tuple[int, float, float]


class Loop(Record):
    """Pipe that hangs together in loops.

    ``pieces`` are (leg, from, to) in chainage; ``rings`` says how many independent loops share
    them (1: a single ring); ``pipe_length_m`` is along the slope.
    """

    pieces: tuple[Piece, ...]
    rings: int
    pipe_length_m: float


class Junction(Record):
    """Where legs join: their places (leg, chainage), and how many arms of pipe leave it."""

    places: tuple[tuple[int, float], ...]
    arms: int


class _Stretch(NamedTuple):
    """A stretch of one leg between two neighbouring joints."""

    one: int
    other: int
    leg: int
    from_m: float
    to_m: float
    pipe_m: float


def junctions(network: Network) -> tuple[Junction, ...]:
    """Return every place where legs join, in order of its first leg and chainage there."""
    graph = network.graph
    held: dict[int, list[tuple[int, float]]] = {}
    stops = zip(graph.stop_leg.tolist(), graph.stop_pipe_m, graph.stop_node.tolist(), strict=True)
    for leg, pipe, node in stops:
        held.setdefault(node, []).append((leg, _chainage(network, leg, pipe)))
    found = [Junction(tuple(sorted(at)), int(graph.arms[node])) for node, at in held.items()]
    return tuple(sorted(found, key=lambda each: each.places))


def loops(network: Network) -> tuple[Loop, ...]:
    """Return the closed loops of a network, those that share pipe together."""
    stretches = _stretches(network)
    rest = [each for each, ring in zip(stretches, _on_rings(stretches), strict=True) if ring]
    one, other = np.array([each[:2] for each in rest], dtype=np.int64).reshape(-1, 2).T
    group = groups(network.graph.nowhere, one, other)[one].tolist()
    found = []
    for number in dict.fromkeys(group):
        mine = [each for each, own in zip(rest, group, strict=True) if own == number]
        nodes = {node for each in mine for node in (each.one, each.other)}
        pieces = _merged([(each.leg, each.from_m, each.to_m) for each in mine])
        length = sum(each.pipe_m for each in mine)
        found.append(Loop(pieces, len(mine) - len(nodes) + 1, length))
    return tuple(sorted(found, key=lambda each: each.pieces))


def _chainage(network: Network, leg: int, pipe_m: float) -> float:
    route = network.routes[leg]
    return float(np.interp(pipe_m, route.vertex_pipe_m, route.vertex_chainage_m))


def _stretches(network: Network) -> list[_Stretch]:
    graph, found = network.graph, []
    for k in np.flatnonzero(np.diff(graph.stop_leg) == 0).tolist():
        leg, (low, high) = int(graph.stop_leg[k]), graph.stop_pipe_m[k : k + 2].tolist()
        one, other = graph.stop_node[k : k + 2].tolist()
        start, finish = (_chainage(network, leg, each) for each in (low, high))
        found.append(_Stretch(one, other, leg, start, finish, high - low))
    return found


def _on_rings(stretches: list[_Stretch]) -> list[bool]:
    """Tell of each stretch whether it is on a ring.

    Each stretch that a tree over all nodes leaves out closes one ring, its own bit below: up the
    tree from both its ends the bits meet where the ring does, and go out (exclusive or).
    """
    at: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for k, each in enumerate(stretches):
        at[each.one].append((each.other, k))
        at[each.other].append((each.one, k))
    above: dict[int, tuple[int, int]] = {}
    for root in at:
        waiting = [] if root in above else [root]
        above.setdefault(root, (root, -1))
        for node in waiting:
            for there, k in at[node]:
                if there not in above:
                    above[there] = (node, k)
                    waiting.append(there)
    tree = {k for _, k in above.values()}
    bits = dict.fromkeys(above, 0)
    for ring, each in enumerate(each for k, each in enumerate(stretches) if k not in tree):
        bits[each.one] ^= 1 << ring
        bits[each.other] ^= 1 << ring
    found = [k not in tree for k in range(len(stretches))]
    for node, (parent, k) in reversed(above.items()):
        if k >= 0:
            found[k] = bits[node] != 0
            bits[parent] ^= bits[node]
    return found


def _merged(pieces: list[Piece]) -> tuple[Piece, ...]:
    """Return pieces with those that follow one another on a leg drawn together."""
    out: list[Piece] = []
    for leg, low, high in sorted(pieces):
        if out and out[-1][0] == leg and abs(out[-1][2] - low) <= SAME_NODE_M:
            out[-1] = (leg, out[-1][1], high)
        else:
            out.append((leg, low, high))
    return tuple(out)
