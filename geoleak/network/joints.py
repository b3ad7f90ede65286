"""Where drawn lines meet, and the closed loops that pipe makes: round them one comes back."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.network.graph import groups
from geoleak.network.network import Joint, Network

# Drawings snap within millimetres, tablets in the field within a few centimetres; common
# practice, no source.
TOLERANCE_M = 0.05


def joints_of_routes(
    routes: Sequence[Route], *, tolerance_m: float = TOLERANCE_M
) -> tuple[Joint, ...]:
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
    ends = np.array(
        [vertex for r in routes for vertex in (r.vertices_m[0, :2], r.vertices_m[-1, :2])]
    )
    found: list[Joint] = []
    seen: set[frozenset[tuple[int, float]]] = set()
    for end, other in _near(routes, ends, tolerance_m):
        leg, last = divmod(end, 2)
        here = routes[leg].length_m if last else 0.0
        joint = _own(routes[leg], leg, tolerance_m) if leg == other else None
        if leg != other:
            there = _met_at(routes[other], ends[end], tolerance_m)
            joint = Joint(leg, here, other, there)
        if joint is None:
            continue
        key = frozenset({(joint.leg_a, joint.chainage_a_m), (joint.leg_b, joint.chainage_b_m)})
        if key not in seen:
            seen.add(key)
            found.append(joint)
    return tuple(found)


def _met_at(route: Route, end: np.ndarray, tolerance_m: float) -> float:
    """Return the chainage at which an end meets a route."""
    # Most ends of a drawing meet at one vertex: no need to search the line for it.
    if np.array_equal(end, route.vertices_m[0, :2]):
        return 0.0
    if np.array_equal(end, route.vertices_m[-1, :2]):
        return route.length_m
    snap = route.snap(end, rival_within_m=None)
    return _at_end(float(snap.chainage_m), route.length_m, tolerance_m)


def _near(routes: Sequence[Route], ends: np.ndarray, tolerance_m: float) -> list[tuple[int, int]]:
    """Return (end, leg) for every leg that comes within the tolerance of an end."""
    import shapely

    lines = [shapely.LineString(route.vertices_m[:, :2]) for route in routes]
    tree = shapely.STRtree(lines)
    pairs = tree.query(shapely.points(ends), predicate="dwithin", distance=tolerance_m)
    return sorted(zip(pairs[0].tolist(), pairs[1].tolist(), strict=True))


def _at_end(chainage: float, length: float, tolerance_m: float) -> float:
    """Draw a joint that all but meets an end onto the end, so that it makes no stub."""
    near = min(tolerance_m, length / 2.0)
    if chainage <= near:
        return 0.0
    return length if chainage >= length - near else chainage


def _own(route: Route, leg: int, tolerance_m: float) -> Joint | None:
    gap = np.hypot(*(route.vertices_m[-1, :2] - route.vertices_m[0, :2]))
    if gap <= tolerance_m and route.length_m > 2.0 * tolerance_m:
        return Joint(leg, 0.0, leg, route.length_m)
    return None


Piece = tuple[int, float, float]


@dataclass(frozen=True, slots=True)
class Loop:
    """Pipe that hangs together in loops.

    ``pieces`` are (leg, from, to) in chainage; ``rings`` says how many independent loops share
    them (1: a single ring); ``pipe_length_m`` is along the slope.
    """

    pieces: tuple[Piece, ...]
    rings: int
    pipe_length_m: float


@dataclass(frozen=True, slots=True)
class Junction:
    """Where legs join: their places (leg, chainage), and how many arms of pipe leave it."""

    places: tuple[tuple[int, float], ...]
    arms: int


@dataclass(frozen=True, slots=True)
class _Stretch:
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
    arms: dict[int, int] = {}
    for leg, pipe, node in zip(
        graph.stop_leg.tolist(), graph.stop_pipe_m.tolist(), graph.stop_node.tolist(), strict=True
    ):
        length = network.routes[leg].pipe_length_m
        held.setdefault(node, []).append((leg, _chainage(network, leg, pipe)))
        own = int(pipe > 1e-6) + int(pipe < length - 1e-6)
        arms[node] = arms.get(node, 0) + own
    found = [Junction(tuple(sorted(places)), arms[node]) for node, places in held.items()]
    return tuple(sorted(found, key=lambda each: each.places))


def loops(network: Network) -> tuple[Loop, ...]:
    """Return the closed loops of a network, those that share pipe together."""
    stretches = _stretches(network)
    rest = [each for each, ring in zip(stretches, _on_rings(stretches), strict=True) if ring]
    one, other = (
        np.array([getattr(each, end) for each in rest], dtype=np.int64) for end in ("one", "other")
    )
    group = groups(network.graph.nowhere, one, other)[one].tolist()
    found = []
    for number in dict.fromkeys(group):
        mine = [each for each, own in zip(rest, group, strict=True) if own == number]
        nodes = {node for each in mine for node in (each.one, each.other)}
        found.append(
            Loop(
                pieces=_merged([(each.leg, each.from_m, each.to_m) for each in mine]),
                rings=len(mine) - len(nodes) + 1,
                pipe_length_m=sum(each.pipe_m for each in mine),
            )
        )
    return tuple(sorted(found, key=lambda each: each.pieces))


def _chainage(network: Network, leg: int, pipe_m: float) -> float:
    route = network.routes[leg]
    return float(np.interp(pipe_m, route.vertex_pipe_m, route.vertex_chainage_m))


def _stretches(network: Network) -> list[_Stretch]:
    graph = network.graph
    found = []
    for k in np.flatnonzero(np.diff(graph.stop_leg) == 0).tolist():
        leg = int(graph.stop_leg[k])
        low, high = float(graph.stop_pipe_m[k]), float(graph.stop_pipe_m[k + 1])
        found.append(
            _Stretch(
                int(graph.stop_node[k]),
                int(graph.stop_node[k + 1]),
                leg,
                _chainage(network, leg, low),
                _chainage(network, leg, high),
                high - low,
            )
        )
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
        if out and out[-1][0] == leg and abs(out[-1][2] - low) < 1e-6:
            out[-1] = (leg, out[-1][1], high)
        else:
            out.append((leg, low, high))
    return tuple(out)
