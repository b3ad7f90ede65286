"""Closed loops of a network: pipe along which one can go round and come back."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoleak.network.graph import groups
from geoleak.network.network import Network

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
    """Return the closed loops of a network, those that share pipe together.

    A stretch of pipe is on a loop where its two ends stay joined without it (it is no bridge:
    Tarjan, "A note on finding the bridges of a graph", Information Processing Letters 2, 1974).
    """
    stretches = _stretches(network)
    bridge = _bridges(stretches, network.graph.nowhere)
    rest = [each for each, cut in zip(stretches, bridge, strict=True) if not cut]
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


def _bridges(stretches: list[_Stretch], nodes: int) -> list[bool]:
    """Tell of each stretch whether taking it out parts its two ends."""
    at: list[list[tuple[int, int]]] = [[] for _ in range(nodes)]
    for k, each in enumerate(stretches):
        at[each.one].append((each.other, k))
        at[each.other].append((each.one, k))
    seen = [-1] * nodes
    low = [0] * nodes
    bridge = [False] * len(stretches)
    clock = 0
    for root in range(nodes):
        if seen[root] >= 0:
            continue
        seen[root] = low[root] = clock
        clock += 1
        stack = [(root, -1, iter(at[root]))]
        while stack:
            node, came, ways = stack[-1]
            step = next(ways, None)
            if step is None:
                stack.pop()
                if stack:
                    above = stack[-1][0]
                    low[above] = min(low[above], low[node])
                    bridge[came] = low[node] > seen[above]
                continue
            there, way = step
            if way == came:
                continue
            if seen[there] < 0:
                seen[there] = low[there] = clock
                clock += 1
                stack.append((there, way, iter(at[there])))
            else:
                low[node] = min(low[node], seen[there])
    return bridge


def _merged(pieces: list[Piece]) -> tuple[Piece, ...]:
    """Return pieces with those that follow one another on a leg drawn together."""
    out: list[Piece] = []
    for leg, low, high in sorted(pieces):
        if out and out[-1][0] == leg and abs(out[-1][2] - low) < 1e-6:
            out[-1] = (leg, out[-1][1], high)
        else:
            out.append((leg, low, high))
    return tuple(out)
