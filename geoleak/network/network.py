"""Legs joined at tees, at named points and in loops: pipe distance between any two places.

A place is a leg (its index) and a chainage on it. Distance is metres of pipe along the slope, or
those metres weighted per leg (seconds per metre, decibels per metre). Joints that share a spot are
one node of a small graph; places are reached from the nodes on either side of them, so that the
graph does not grow with the number of places.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.record import ArrayLike, Bools, Floats, Ints, Record

PlaceArrays = tuple[ArrayLike, ArrayLike]

# Places of one leg no farther apart are one: what rounding leaves of a computed place.
SAME_NODE_M = 1e-6
# Rows of a distance matrix worked out at once: keeps the temporaries in the processor's cache.
ROWS = 256


class Joint(Record):
    """Leg `leg_a` at `chainage_a_m` is joined to leg `leg_b` at `chainage_b_m`."""

    leg_a: int
    chainage_a_m: float
    leg_b: int
    chainage_b_m: float


class Network:
    """Legs and where they join.

    Parameters
    ----------
    routes : sequence of Route
        The legs. The two ends of a closed route are joined without being told.
    joints : sequence of Joint
        Where legs join. A leg may be joined to itself at another chainage (a loop).

    Raises
    ------
    GeometryError
        If a joint is on a leg that does not exist or off the end of one, or a leg is joined to
        itself at one place.
    """

    def __init__(self, routes: Sequence[Route], joints: Sequence[Joint] = ()) -> None:
        self.routes, self.joints = tuple(routes), tuple(joints)
        if not self.routes:
            raise GeometryError("a network needs at least one leg")
        for joint in self.joints:
            if joint.leg_a == joint.leg_b and joint.chainage_a_m == joint.chainage_b_m:
                raise GeometryError(
                    f"leg {joint.leg_a} is joined to itself at chainage {joint.chainage_a_m:.3f} m;"
                    " join it to another leg, or at two chainages where it is a loop"
                )
        closed = [
            Joint(k, 0.0, k, route.length_m)
            for k, route in enumerate(self.routes)
            if route.is_closed
        ]
        pairs = [*self.joints, *closed]
        first = [j.leg_a for j in pairs], [j.chainage_a_m for j in pairs]
        second = [j.leg_b for j in pairs], [j.chainage_b_m for j in pairs]
        sides = (self.places(each, "a joint") for each in (first, second))
        length = np.array([route.pipe_length_m for route in self.routes])
        self.graph = Graph.of_joints(length, *sides)

    def components(self) -> tuple[tuple[int, ...], ...]:
        """Return the groups of legs that hang together, each in ascending order of leg."""
        group = self.graph.leg_groups()
        found = [tuple(np.flatnonzero(group == each).tolist()) for each in np.unique(group)]
        return tuple(sorted(found))

    def distance(
        self, places_a: PlaceArrays, places_b: PlaceArrays, *, weights: ArrayLike | None = None
    ) -> Floats:
        """Return the shortest distance from every place of `places_a` to every one of `places_b`.

        Parameters
        ----------
        places_a, places_b : tuple of array_like
            Legs (a,) and chainages (a,) in metres; legs (b,) and chainages (b,). One leg may be
            given for all chainages.
        weights : array_like, shape (legs,), optional
            Cost of one metre of pipe of each leg, 0 or more (s/m for a travel time, dB/m for a
            loss); the path is then the cheapest one. Without it: metres of pipe along the slope.

        Returns
        -------
        ndarray, shape (a, b)
            Infinite where no pipe joins the two.

        Raises
        ------
        GeometryError
            If a place is not on the network, or a weight is negative or not finite.
        """
        first, second, cost = self.places(places_a), self.places(places_b), self._weights(weights)
        ways = Ways.between(self.graph, second, cost)
        result = np.empty((len(first.leg), len(second.leg)))
        to_nodes = np.ascontiguousarray(ways.distance.T)
        for begin in range(0, len(result), ROWS):
            rows = slice(begin, begin + ROWS)
            part = Places(first.leg[rows], first.pipe_m[rows])
            low, high = self.graph.around(part)
            block = to_nodes[low.node]
            block += (low.metres * cost[part.leg])[:, None]
            other = to_nodes[high.node]
            other += (high.metres * cost[part.leg])[:, None]
            np.minimum(block, other, out=result[rows])
        for leg in np.intersect1d(first.leg, second.leg):
            of_a, of_b = np.flatnonzero(first.leg == leg), np.flatnonzero(second.leg == leg)
            direct = np.abs(first.pipe_m[of_a, None] - second.pipe_m[of_b]) * cost[leg]
            here = (of_a[:, None], of_b[None, :])
            result[here] = np.minimum(result[here], direct)
        return result

    def costs(
        self,
        places_a: PlaceArrays,
        places_b: PlaceArrays,
        per_metre: ArrayLike,
        *,
        weights: ArrayLike | None = None,
    ) -> Floats:
        """Return what the shortest paths cost in other currencies.

        Parameters
        ----------
        places_a, places_b, weights
            As in `distance`, which they give the path of.
        per_metre : array_like, shape (k, legs)
            Costs of one metre of each leg, for each of k currencies.

        Returns
        -------
        ndarray, shape (k, a, b)
            Infinite where no pipe joins the two.
        """
        price = np.atleast_2d(np.asarray(per_metre, dtype=np.float64))
        if price.ndim != 2 or price.shape[1] != len(self.routes):
            raise GeometryError(
                f"costs of shape {price.shape} do not fit {len(self.routes)} legs; give (k, legs)"
            )
        return self._followed(places_a, places_b, weights, price)[0]

    def path_lengths(
        self, places_a: PlaceArrays, places_b: PlaceArrays, *, weights: ArrayLike | None = None
    ) -> Floats:
        """Return the metres of pipe in each leg along the shortest paths.

        Parameters
        ----------
        places_a, places_b, weights
            As in `distance`.

        Returns
        -------
        ndarray, shape (a, b, legs)
            Summed over legs (and weighted) this is `distance`. Infinite in every leg where no
            pipe joins the two.
        """
        each = np.eye(len(self.routes))
        return np.moveaxis(self._followed(places_a, places_b, weights, each)[0], 0, -1)

    def tees_passed(
        self, places_a: PlaceArrays, places_b: PlaceArrays, *, weights: ArrayLike | None = None
    ) -> Ints:
        """Return how many tees or crosses (three arms or more) the shortest paths run through.

        A tee that one of the two places stands on is not passed; where no pipe joins the two the
        count is -1. Shape (a, b).
        """
        none = np.empty((0, len(self.routes)))
        return self._followed(places_a, places_b, weights, none)[1]

    def _followed(
        self, a: PlaceArrays, b: PlaceArrays, weights: ArrayLike | None, price: Floats
    ) -> tuple[Floats, Ints]:
        """Return costs (k, a, b) and tees (a, b) along the cheapest paths."""
        first, second, cost = self.places(a), self.places(b), self._weights(weights)
        ways = Ways.between(self.graph, second, cost, price=price)
        shape = (len(first.leg), len(second.leg))
        best = np.full(shape, np.inf)
        paid = np.full((len(price), *shape), np.inf)
        tees = np.full(shape, -1, dtype=np.int64)
        same = first.leg[:, None] == second.leg
        metres = np.abs(first.pipe_m[:, None] - second.pipe_m)
        best[same] = (metres * cost[first.leg][:, None])[same]
        paid[:, same] = (metres * price[:, first.leg][:, :, None])[:, same]
        tees[same] = self.graph.tees_between(first, second)[same]
        for side in self.graph.around(first):
            total = ways.distance.T[side.node] + (side.metres * cost[first.leg])[:, None]
            # Rounding must not choose between a path and itself.
            better = total < best * (1.0 - 1e-12)
            sum_paid = np.swapaxes(ways.paid[:, :, side.node], 1, 2)
            sum_paid = sum_paid + (side.metres * price[:, first.leg])[:, :, None]
            passed = ways.tees.T[side.node] - self.graph.stands_on_tee(side)[:, None]
            best = np.where(better, total, best)
            paid = np.where(better, sum_paid, paid)
            tees = np.where(better, np.maximum(passed, 0), tees)
        return paid, tees

    def _weights(self, weights: ArrayLike | None) -> Floats:
        if weights is None:
            return np.ones(len(self.routes))
        cost = np.asarray(weights, dtype=np.float64)
        if cost.shape != (len(self.routes),):
            raise GeometryError(
                f"weights of shape {cost.shape} do not fit {len(self.routes)} legs; give one a leg"
            )
        bad = np.flatnonzero(~(np.isfinite(cost) & (cost >= 0)))
        if len(bad):
            raise GeometryError(
                f"the weight of leg {bad[0]} is {cost[bad[0]]}; give a cost per metre of 0 or more"
            )
        return cost

    def places(self, places: PlaceArrays, what: str = "a place") -> Places:
        """Return places with their metres along the pipe, checked."""
        leg, chainage = np.asarray(places[0]), np.asarray(places[1], dtype=np.float64)
        leg = np.broadcast_to(leg, chainage.shape) if leg.ndim == 0 else leg
        leg, chainage = np.atleast_1d(leg), np.atleast_1d(chainage)
        if leg.shape != chainage.shape or leg.ndim != 1:
            raise GeometryError(
                f"{leg.shape} legs and {chainage.shape} chainages make no places; give one of each"
            )
        wrong = (leg < 0) | (leg >= len(self.routes)) | (leg != np.floor(leg))
        if wrong.any():
            raise GeometryError(
                f"{what} is on leg {leg[wrong][0]}, but legs are numbered 0 to "
                f"{len(self.routes) - 1}"
            )
        if not np.isfinite(chainage).all():
            raise GeometryError(f"{what} has chainage {chainage[~np.isfinite(chainage)][0]}")
        leg = leg.astype(np.int64)
        pipe = np.empty(len(leg))
        for each in np.unique(leg):
            rows = leg == each
            try:
                pipe[rows] = self.routes[each].pipe_m(chainage[rows])
            except GeometryError as error:
                raise GeometryError(f"{what} on leg {each}: {error}") from None
        return Places(leg, pipe)


class Places(Record, eq=False):
    """Places as leg (n,) and metres along its pipe (n,)."""

    leg: Ints
    pipe_m: Floats


class Side(Record, eq=False):
    """The node next to each place on one side (n,), and the metres of pipe to it (n,)."""

    node: Ints
    metres: Floats


class Graph(Record, eq=False):
    """Nodes where legs join.

    ``stop_leg``, ``stop_pipe_m``, ``stop_node`` (t,) are the joints along the legs, in order of
    leg and place; ``bounds`` (legs + 1,) tells each leg's part of them. ``arms`` (nodes + 1,)
    counts the arms of pipe that leave each node; the last entry is the node that nothing leads to,
    which stands in where a place has no joint on one side.
    """

    leg_pipe_m: Floats
    stop_leg: Ints
    stop_pipe_m: Floats
    stop_node: Ints
    bounds: Ints
    arms: Ints

    @property
    def is_tee(self) -> Bools:
        """Which nodes have three arms or more."""
        return self.arms >= 3

    @property
    def nowhere(self) -> int:
        """The node that nothing leads to; also the number of real nodes."""
        return len(self.arms) - 1

    @classmethod
    def of_joints(cls, leg_pipe_m: Floats, first: Places, second: Places) -> Graph:
        """Make the graph; `first` and `second` are the two sides of each joint."""
        leg = np.concatenate([first.leg, second.leg])
        pipe = np.concatenate([first.pipe_m, second.pipe_m])
        order = np.lexsort((pipe, leg))
        fresh = np.ones(len(leg), dtype=bool)
        fresh[1:] = (np.diff(leg[order]) != 0) | (np.diff(pipe[order]) > SAME_NODE_M)
        stop = np.empty(len(leg), dtype=np.int64)
        stop[order] = np.cumsum(fresh) - 1
        stop_leg, stop_pipe = leg[order][fresh], pipe[order][fresh]
        node = groups(len(stop_leg), stop[: len(first.leg)], stop[len(first.leg) :])
        bounds = np.searchsorted(stop_leg, np.arange(len(leg_pipe_m) + 1))
        arms = (stop_pipe > SAME_NODE_M).astype(np.int64)
        arms += stop_pipe < leg_pipe_m[stop_leg] - SAME_NODE_M
        count = int(node.max()) + 1 if len(node) else 0
        total = np.bincount(node, weights=arms, minlength=count + 1).astype(np.int64)
        return cls(leg_pipe_m, stop_leg, stop_pipe, node, bounds, total)

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
        # Behind the last stop: the one that stands in for none.
        held = np.where(known, stop, len(self.stop_node))
        metres = np.abs(places.pipe_m - np.append(self.stop_pipe_m, 0.0)[held])
        node = np.append(self.stop_node, self.nowhere)[held]
        return Side(node, np.where(known, metres, 0.0))

    def stands_on_tee(self, side: Side) -> Ints:
        """Return 1 for places that stand on a tee themselves, else 0."""
        return (self.is_tee[side.node] & (side.metres <= SAME_NODE_M)).astype(np.int64)

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

    def dijkstra(self, nodes: int, sources: Ints) -> tuple[Floats, Ints]:
        """Return what the cheapest ways cost from sources to nodes, and each node before it."""
        from scipy.sparse import csr_array
        from scipy.sparse.csgraph import dijkstra

        # 32 bits: older scipy takes no other index here.
        low, high = self.low.astype(np.int32), self.high.astype(np.int32)
        matrix = csr_array((self.cost, (low, high)), shape=(nodes, nodes))
        found = dijkstra(matrix, directed=False, indices=sources, return_predecessors=True)
        return np.atleast_2d(found[0]), np.atleast_2d(found[1]).astype(np.int64)


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
        steps, previous = edges.dijkstra(graph.nowhere, sources)
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
