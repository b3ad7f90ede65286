"""Closed loops of a network: pipe along which one can go round and come back."""

from __future__ import annotations

from collections import defaultdict
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
