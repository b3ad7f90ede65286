"""The small graph of joints behind a network, and shortest ways through it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoleak.record import Record

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

# A place this near to a joint stands on it (rounding of a computed place).
ON_NODE_M = 1e-9


class Places(Record, eq=False):
    """Places as leg (n,) and metres along its pipe (n,)."""

    leg: Ints
    pipe_m: Floats

    def rows(self, rows: slice) -> Places:
        """Return some of the places."""
        return Places(self.leg[rows], self.pipe_m[rows])


class Side(Record, eq=False):
    """The node next to each place on one side (n,), and the metres of pipe to it (n,)."""

    node: Ints
    metres: Floats


class Graph(Record, eq=False):
    """Nodes where legs join.

    ``stop_leg``, ``stop_pipe_m``, ``stop_node`` (t,) are the joints along the legs, in order of
    leg and place; ``bounds`` (legs + 1,) tells each leg's part of them. ``is_tee`` (nodes + 1,)
    marks nodes of three arms or more; the last entry is the node that nothing leads to, which
    stands in where a place has no joint on one side.
    """

    leg_pipe_m: Floats
    stop_leg: Ints
    stop_pipe_m: Floats
    stop_node: Ints
    bounds: Ints
    is_tee: Bools

    @property
    def nowhere(self) -> int:
        """The node that nothing leads to; also the number of real nodes."""
        return len(self.is_tee) - 1

    @classmethod
    def of_joints(
        cls, leg_pipe_m: Floats, first: Places, second: Places, *, same_m: float
    ) -> Graph:
        """Make the graph; `first` and `second` are the two sides of each joint."""
        leg = np.concatenate([first.leg, second.leg])
        pipe = np.concatenate([first.pipe_m, second.pipe_m])
        order = np.lexsort((pipe, leg))
        fresh = np.ones(len(leg), dtype=bool)
        fresh[1:] = (np.diff(leg[order]) != 0) | (np.diff(pipe[order]) > same_m)
        stop = np.empty(len(leg), dtype=np.int64)
        stop[order] = np.cumsum(fresh) - 1
        stop_leg, stop_pipe = leg[order][fresh], pipe[order][fresh]
        node = groups(len(stop_leg), stop[: len(first.leg)], stop[len(first.leg) :])
        bounds = np.searchsorted(stop_leg, np.arange(len(leg_pipe_m) + 1))
        arms = (stop_pipe > same_m).astype(np.int64)
        arms += stop_pipe < leg_pipe_m[stop_leg] - same_m
        count = int(node.max()) + 1 if len(node) else 0
        total = np.bincount(node, weights=arms, minlength=count + 1)
        return cls(leg_pipe_m, stop_leg, stop_pipe, node, bounds, total >= 3)

    def leg_groups(self) -> Ints:
        """Return a group number for each leg; legs that hang together share one."""
        legs = len(self.leg_pipe_m)
        both = groups(legs + self.nowhere, self.stop_leg, self.stop_node + legs)
        return both[:legs]

    def around(self, places: Places) -> tuple[Side, Side]:
        """Return the joint at or before each place on its leg, and the one at or after it."""
        low = np.empty(len(places.leg), dtype=np.int64)
        high = np.empty(len(places.leg), dtype=np.int64)
        for leg in np.unique(places.leg):
            rows = places.leg == leg
            begin, finish = self.bounds[leg], self.bounds[leg + 1]
            stops = self.stop_pipe_m[begin:finish]
            low[rows] = begin + np.searchsorted(stops, places.pipe_m[rows], side="right") - 1
            high[rows] = begin + np.searchsorted(stops, places.pipe_m[rows], side="left")
        return (
            self._side(places, low, low >= self.bounds[places.leg]),
            self._side(places, high, high < self.bounds[places.leg + 1]),
        )

    def _side(self, places: Places, stop: Ints, known: Bools) -> Side:
        if not len(self.stop_node):
            return Side(np.full(len(stop), self.nowhere), np.zeros(len(stop)))
        held = np.where(known, stop, 0)
        metres = np.abs(places.pipe_m - self.stop_pipe_m[held])
        return Side(
            np.where(known, self.stop_node[held], self.nowhere), np.where(known, metres, 0.0)
        )

    def stands_on_tee(self, side: Side) -> Ints:
        """Return 1 for places that stand on a tee themselves, else 0."""
        return (self.is_tee[side.node] & (side.metres <= ON_NODE_M)).astype(np.int64)

    def tees_between(self, first: Places, second: Places) -> Ints:
        """Return tees strictly between places, (a, b), counted along the leg of the first."""
        tee = self.is_tee[self.stop_node]
        count = np.zeros((len(first.leg), len(second.leg)), dtype=np.int64)
        for leg in np.intersect1d(first.leg, second.leg):
            rows, columns = np.flatnonzero(first.leg == leg), np.flatnonzero(second.leg == leg)
            part = slice(self.bounds[leg], self.bounds[leg + 1])
            stops = self.stop_pipe_m[part][tee[part]]
            one, other = first.pipe_m[rows][:, None], second.pipe_m[columns][None, :]
            below = np.searchsorted(stops, np.maximum(one, other), side="left")
            above = np.searchsorted(stops, np.minimum(one, other), side="right")
            count[rows[:, None], columns[None, :]] = np.maximum(below - above, 0)
        return count

    def edges(self, cost: Floats) -> Edges:
        """Return the cheapest pipe between each two neighbouring nodes."""
        follows = np.flatnonzero(np.diff(self.stop_leg) == 0)
        one, other = self.stop_node[follows], self.stop_node[follows + 1]
        leg = self.stop_leg[follows]
        metres = np.diff(self.stop_pipe_m)[follows]
        low, high = np.minimum(one, other), np.maximum(one, other)
        price = metres * cost[leg]
        order = np.lexsort((price, high, low))
        fresh = np.ones(len(order), dtype=bool)
        fresh[1:] = (np.diff(low[order]) != 0) | (np.diff(high[order]) != 0)
        pick = order[fresh]
        pick = pick[low[pick] != high[pick]]
        return Edges(low[pick], high[pick], leg[pick], metres[pick], price[pick])


class Edges(Record, eq=False):
    """Pipe between nodes ``low`` < ``high`` (e,), in order: its leg, metres and cost."""

    low: Ints
    high: Ints
    leg: Ints
    metres: Floats
    cost: Floats

    def between(self, one: Ints, other: Ints, nodes: int) -> Ints:
        """Return the index of the edge between each two nodes that are neighbours."""
        key = self.low * (nodes + 1) + self.high
        wanted = np.minimum(one, other) * (nodes + 1) + np.maximum(one, other)
        return np.searchsorted(key, wanted)


class Ways(Record, eq=False):
    """Cheapest ways from places (b,) to every node.

    ``distance`` (b, nodes + 1), ``paid`` (k, b, nodes + 1) in other currencies, ``tees``
    (b, nodes + 1) the tees passed, both ends' nodes counted but not one the place stands on.
    """

    distance: Floats
    paid: Floats
    tees: Ints

    @classmethod
    def between(
        cls, graph: Graph, places: Places, cost: Floats, *, price: Floats | None = None
    ) -> Ways:
        """Work out the ways; `cost` (legs,) and `price` (k, legs) are per metre of pipe."""
        count = len(places.leg)
        distance = np.full((count, graph.nowhere + 1), np.inf)
        currencies = 0 if price is None else len(price)
        paid = np.full((currencies, count, graph.nowhere + 1), np.inf)
        tees = np.full((count, graph.nowhere + 1), -1, dtype=np.int64)
        sides = graph.around(places)
        sources = np.unique(np.concatenate([side.node for side in sides]))
        sources = sources[sources != graph.nowhere]
        if not len(sources):
            return cls(distance, paid, tees)
        edges = graph.edges(cost)
        steps, previous = _dijkstra(graph.nowhere, edges, sources)
        if price is not None:
            node_paid, node_tees = _walked(graph, edges, sources, steps, previous, price)
        for side in sides:
            has = np.flatnonzero(side.node != graph.nowhere)
            row = np.searchsorted(sources, side.node[has])
            total = steps[row] + (side.metres * cost[places.leg])[has, None]
            better = total < distance[has, :-1] * (1.0 - 1e-12)
            distance[has, :-1] = np.where(better, total, distance[has, :-1])
            if price is None:
                continue
            extra = (side.metres * price[:, places.leg])[:, has, None]
            paid[:, has, :-1] = np.where(better, node_paid[:, row] + extra, paid[:, has, :-1])
            own = graph.stands_on_tee(side)[has, None]
            tees[has, :-1] = np.where(better, node_tees[row] - own, tees[has, :-1])
        return cls(distance, paid, tees)


def _dijkstra(nodes: int, edges: Edges, sources: Ints) -> tuple[Floats, Ints]:
    from scipy.sparse import csr_array
    from scipy.sparse.csgraph import dijkstra

    # 32 bits: older scipy takes no other index here.
    low, high = edges.low.astype(np.int32), edges.high.astype(np.int32)
    matrix = csr_array((edges.cost, (low, high)), shape=(nodes, nodes))
    distance, previous = dijkstra(matrix, directed=False, indices=sources, return_predecessors=True)
    return np.atleast_2d(distance), np.atleast_2d(previous).astype(np.int64)


def _walked(
    graph: Graph, edges: Edges, sources: Ints, steps: Floats, previous: Ints, price: Floats
) -> tuple[Floats, Ints]:
    """Return what the ways from each source to each node cost (k, s, n), and tees on them."""
    count, nodes = steps.shape
    paid = np.full((len(price), count, nodes), np.inf)
    tees = np.full((count, nodes), -1, dtype=np.int64)
    rows = np.arange(count)
    paid[:, rows, sources] = 0.0
    tees[rows, sources] = graph.is_tee[sources]
    # One more step outward a turn; a way has at most as many steps as there are nodes.
    waiting = previous >= 0
    while True:
        ready = waiting & np.take_along_axis(tees >= 0, np.maximum(previous, 0), axis=1)
        row, node = np.nonzero(ready)
        if not len(row):
            return paid, tees
        back = previous[row, node]
        edge = edges.between(back, node, nodes)
        paid[:, row, node] = paid[:, row, back] + edges.metres[edge] * price[:, edges.leg[edge]]
        tees[row, node] = tees[row, back] + graph.is_tee[node]
        waiting &= ~ready


def groups(count: int, one: Ints, other: Ints) -> Ints:
    """Return a group number (count,) for things of which some pairs belong together."""
    if not len(one):
        return np.arange(count, dtype=np.int64)
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    pairs = coo_array((np.ones(len(one)), (one, other)), shape=(count, count))
    return connected_components(pairs, directed=False)[1].astype(np.int64)
