"""Legs joined at tees, at named points and in loops: pipe distance between any two places.

A place is a leg (its index) and a chainage on it. Distance is metres of pipe along the slope, or
those metres weighted per leg (seconds per metre, decibels per metre). Joints that share a spot are
one node of a small graph; places are reached from the nodes on either side of them, so that the
graph does not grow with the number of places.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.network.graph import Graph, Places, Ways
from geoleak.record import Record

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
PlaceArrays = tuple[npt.ArrayLike, npt.ArrayLike]

# Joints of one leg nearer than this share a node.
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
        sides = (self._places(each, "a joint") for each in (first, second))
        length = np.array([route.pipe_length_m for route in self.routes])
        self.graph = Graph.of_joints(length, *sides, same_m=SAME_NODE_M)

    def components(self) -> tuple[tuple[int, ...], ...]:
        """Return the groups of legs that hang together, each in ascending order of leg."""
        group = self.graph.leg_groups()
        found = [tuple(np.flatnonzero(group == each).tolist()) for each in np.unique(group)]
        return tuple(sorted(found))

    def distance(
        self, places_a: PlaceArrays, places_b: PlaceArrays, *, weights: npt.ArrayLike | None = None
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
        first, second = self._places(places_a, "a place"), self._places(places_b, "a place")
        cost = self._weights(weights)
        ways = Ways.between(self.graph, second, cost)
        result = np.empty((len(first.leg), len(second.leg)))
        to_nodes = np.ascontiguousarray(ways.distance.T)
        for begin in range(0, len(result), ROWS):
            rows = slice(begin, begin + ROWS)
            part = first.rows(rows)
            low, high = self.graph.around(part)
            block = to_nodes[low.node]
            block += (low.metres * cost[part.leg])[:, None]
            other = to_nodes[high.node]
            other += (high.metres * cost[part.leg])[:, None]
            np.minimum(block, other, out=result[rows])
        _straight_along(first, second, cost, result)
        return result

    def costs(
        self,
        places_a: PlaceArrays,
        places_b: PlaceArrays,
        per_metre: npt.ArrayLike,
        *,
        weights: npt.ArrayLike | None = None,
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
        first, second = self._places(places_a, "a place"), self._places(places_b, "a place")
        return self._followed(first, second, self._weights(weights), price)[0]

    def path_lengths(
        self, places_a: PlaceArrays, places_b: PlaceArrays, *, weights: npt.ArrayLike | None = None
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
        first, second = self._places(places_a, "a place"), self._places(places_b, "a place")
        each = np.eye(len(self.routes))
        metres = self._followed(first, second, self._weights(weights), each)[0]
        return np.moveaxis(metres, 0, -1)

    def tees_passed(
        self, places_a: PlaceArrays, places_b: PlaceArrays, *, weights: npt.ArrayLike | None = None
    ) -> Ints:
        """Return how many tees or crosses (three arms or more) the shortest paths run through.

        A tee that one of the two places stands on is not passed; where no pipe joins the two the
        count is -1. Shape (a, b).
        """
        first, second = self._places(places_a, "a place"), self._places(places_b, "a place")
        none = np.empty((0, len(self.routes)))
        return self._followed(first, second, self._weights(weights), none)[1]

    def _followed(
        self, first: Places, second: Places, cost: Floats, price: Floats
    ) -> tuple[Floats, Ints]:
        """Return costs (k, a, b) and tees (a, b) along the cheapest paths."""
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

    def _weights(self, weights: npt.ArrayLike | None) -> Floats:
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

    def _places(self, places: PlaceArrays, what: str) -> Places:
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


def _straight_along(first: Places, second: Places, cost: Floats, result: Floats) -> None:
    """Put in the way along the leg itself where both places are on one leg."""
    for leg in np.intersect1d(first.leg, second.leg):
        rows, columns = np.flatnonzero(first.leg == leg), np.flatnonzero(second.leg == leg)
        direct = np.abs(first.pipe_m[rows, None] - second.pipe_m[columns]) * cost[leg]
        here = (rows[:, None], columns[None, :])
        result[here] = np.minimum(result[here], direct)
