"""`RouteSet`: points to the nearest of many routes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoleak.errors import GeometryError
from geoleak.linref.line import Route
from geoleak.linref.segments import Ints, Segments
from geoleak.linref.snapping import Snap, as_points, find_nearest, measure


@dataclass(frozen=True, slots=True, eq=False)
class NearestSnap(Snap):
    """Points snapped to the nearest of many routes.

    As `Snap`, with the position in the list of the route each figure belongs to: ``route`` (m,),
    -1 for a point that is not finite, and ``rival_route`` (m,), -1 where there is no rival. The
    rival may stand on another route. At ties the first route wins.
    """

    route: Ints
    rival_route: Ints


@dataclass(frozen=True, slots=True, eq=False)
class RouteSet:
    """Routes prepared for asking which is nearest.

    ``route_of`` (s,) says to which route each straight piece belongs.
    """

    routes: tuple[Route, ...]
    segments: Segments
    route_of: Ints

    @classmethod
    def of(cls, routes: Sequence[Route]) -> RouteSet:
        """Prepare routes.

        Raises
        ------
        GeometryError
            If there is no route.
        """
        if not routes:
            raise GeometryError("there is no route to snap to; give at least one")
        parts = [route.segments for route in routes]
        owner = np.repeat(np.arange(len(parts)), [len(part) for part in parts])
        return cls(tuple(routes), Segments.joined(parts), owner)

    def snap(self, points_m: npt.ArrayLike, *, rival_within_m: float | None = 1.0) -> NearestSnap:
        """Return the nearest place on any of the routes for each point; see `Route.snap`."""
        points, single = as_points(points_m)
        found = find_nearest(self.segments, points, rival_within_m)
        snap = measure(self.segments, points, found)
        nearest = NearestSnap(
            snap.chainage_m,
            snap.offset_m,
            snap.distance_m,
            snap.end,
            snap.rival_chainage_m,
            snap.beyond_m,
            self._owner(found.piece),
            self._owner(found.rival),
        )
        return nearest.first() if single else nearest

    def _owner(self, piece: Ints) -> Ints:
        return np.where(piece < 0, -1, self.route_of[piece])


def snap_to_nearest(
    routes: Sequence[Route] | RouteSet,
    points_m: npt.ArrayLike,
    *,
    rival_within_m: float | None = 1.0,
) -> NearestSnap:
    """Return the nearest route and the place on it for each point.

    Parameters
    ----------
    routes : sequence of Route, or RouteSet
        A `RouteSet` saves preparing the same routes again.
    points_m : array_like, shape (m, 2) or (m, 3), or one point
        Positions in metres.
    rival_within_m : float or None
        As in `Route.snap`.
    """
    prepared = routes if isinstance(routes, RouteSet) else RouteSet.of(routes)
    return prepared.snap(points_m, rival_within_m=rival_within_m)
