"""Where drawn lines meet: joints found from the geometry of the legs."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.network.network import Joint

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
