"""Points onto lines: chainage, offset, which end, and the rival stretch."""

from __future__ import annotations

from typing import Any, Self

import numpy as np
import numpy.typing as npt

from geoleak.errors import GeometryError
from geoleak.linref.cells import nearest_pieces
from geoleak.linref.segments import (
    BLOCK,
    END_TOLERANCE_M,
    LARGEST_COORDINATE_M,
    Floats,
    Ints,
    Nearest,
    Segments,
)
from geoleak.record import Record


class Snap(Record, eq=False):
    """Points snapped to a route: arrays (m,), or plain numbers where one point was given.

    Attributes
    ----------
    chainage_m : ndarray of float
        Horizontal chainage of the nearest place, always within 0 to the route's length; the lowest
        where several places are equally near. NaN for a point that is not finite.
    offset_m : ndarray of float
        Perpendicular offset, positive to the right looking up-chainage. In the fan outside a bend,
        where the nearest place is the bend itself, it is the distance to the bend, with the sign
        of the side the fan lies on. Beyond an end it is measured from the end run drawn on.
    distance_m : ndarray of float
        Distance in plan to the nearest place.
    end : ndarray of int8
        -1 before the start, 0 on the route, +1 beyond the end (foot beyond it by over 1e-9 m).
    rival_chainage_m : ndarray of float
        Where another stretch of the route comes within ``rival_within_m`` of being the nearest:
        its nearest chainage; NaN where there is none, or none was looked for. A stretch is a run
        of chainage on which the route stays that near: two arms of a hairpin are two stretches,
        the two pieces at a shallow bend are one. At the seam of a closed route the far end of
        the chainage is the rival.
    beyond_m : ndarray of float
        How far beyond the start (negative) or the end (positive) the foot lies, along the end run
        drawn on; 0 on the route. ``position(chainage_m + beyond_m, offset_m, extrapolate=True)``
        gives the point back.
    """

    chainage_m: Floats
    offset_m: Floats
    distance_m: Floats
    end: npt.NDArray[np.int8]
    rival_chainage_m: Floats
    beyond_m: Floats

    def first(self) -> Self:
        """Return the first point's figures as plain numbers."""
        return type(self)(*(getattr(self, name)[0].item() for name in self.__struct_fields__))


def _of_shapes(points_m: Any) -> Any:
    """Return a shapely Point or a GeoSeries of them as numbers; anything else as it is.

    A missing point is NaN, like any that is not finite.
    """
    if not hasattr(points_m, "geom_type"):
        return points_m
    import shapely

    crs = getattr(points_m, "crs", None)
    if crs is not None and any(axis.unit_conversion_factor != 1.0 for axis in crs.axis_info[:2]):
        raise GeometryError(f"the points are in {crs.name}, not in metres; convert them (to_crs)")
    shapes = np.asarray(getattr(points_m, "geometry", points_m), dtype=object)
    if not np.isin(shapely.get_type_id(shapes), (-1, 0)).all():
        raise GeometryError("only points can be snapped; take a shape's vertices or its middle")
    return np.stack([shapely.get_x(shapes), shapely.get_y(shapes)], axis=-1)


def as_points(points_m: npt.ArrayLike) -> tuple[Floats, bool]:
    """Return points as an (m, 2) array and whether a single point was given.

    Raises
    ------
    GeometryError
        If the shape is none of (2,), (3,), (m, 2), (m, 3) (a third column, the height, is not
        used), or a series is in another unit than metres.
    """
    try:
        points = np.asarray(_of_shapes(points_m), dtype=np.float64)
    except (TypeError, ValueError) as error:
        raise GeometryError(f"the points are not numbers ({error}); give (m, 2) metres") from None
    if points.size == 0 and points.ndim <= 2:
        return np.empty((0, 2)), False
    if points.ndim not in (1, 2) or points.shape[-1] not in (2, 3):
        raise GeometryError(
            f"points of shape {points.shape} are no positions; give (m, 2) or (m, 3) metres"
        )
    single = points.ndim == 1
    return (points[None, :2] if single else points[:, :2]), single


def find_nearest(segments: Segments, points: Floats, rival_within_m: float | None) -> Nearest:
    """Return the nearest piece and the rival piece of each point; -1 for points not finite."""
    if rival_within_m is not None and not rival_within_m >= 0:
        raise GeometryError(f"rival_within_m is {rival_within_m}; give a distance of 0 m or more")
    usable = np.all(np.abs(points) < LARGEST_COORDINATE_M, axis=1)
    if usable.all():
        return nearest_pieces(segments, points[:, 0], points[:, 1], rival_within_m)
    piece = np.full(len(points), -1, dtype=np.int64)
    rival = np.full(len(points), -1, dtype=np.int64)
    found = nearest_pieces(segments, points[usable, 0], points[usable, 1], rival_within_m)
    piece[usable], rival[usable] = found.piece, found.rival
    return Nearest(piece, rival)


def measure(segments: Segments, points: Floats, nearest: Nearest) -> Snap:
    """Work out the figures of a snap from the nearest pieces."""
    count = len(points)
    chainage, offset, distance, rival, beyond = (np.full(count, np.nan) for _ in range(5))
    end = np.zeros(count, dtype=np.int8)
    for first in range(0, count, BLOCK):
        block = slice(first, first + BLOCK)
        known = nearest.piece[block] >= 0
        where = np.arange(first, first + len(known))[known]
        piece = nearest.piece[where]
        x, y = points[where, 0], points[where, 1]
        part = segments.part_along(x, y, piece)
        chainage[where] = (
            segments.chainage_m[piece] + np.clip(part, 0, 1) * segments.length_m[piece]
        )
        distance[where], offset[where] = _sideways(segments, x, y, piece, part)
        beyond[where] = _beyond(segments, piece, part)
        end[where] = np.sign(beyond[where])
        has = nearest.rival[where] >= 0
        if has.any():
            other = nearest.rival[where[has]]
            rival[where[has]] = segments.foot_chainage_m(x[has], y[has], other)
    return Snap(chainage, offset, distance, end, rival, beyond)


def _beyond(segments: Segments, piece: Ints, part: Floats) -> Floats:
    """Return signed metres beyond a free end, 0 elsewhere."""
    length = segments.length_m[piece]
    low = part * length
    high = low - length
    beyond = np.where((low < -END_TOLERANCE_M) & (segments.before[piece] < 0), low, 0.0)
    return np.where((high > END_TOLERANCE_M) & (segments.after[piece] < 0), high, beyond)


def _sideways(
    segments: Segments, x: Floats, y: Floats, piece: Ints, part: Floats
) -> tuple[Floats, Floats]:
    """Return the distance to the nearest place and the signed offset."""
    from_x = x - segments.start_x[piece]
    from_y = y - segments.start_y[piece]
    along_x, along_y = segments.along_x[piece], segments.along_y[piece]
    offset = (from_x * along_y - from_y * along_x) / segments.length_m[piece]
    distance = np.abs(offset)
    outside = np.flatnonzero((part < 0.0) | (part > 1.0))
    if len(outside):
        late = part[outside] > 1.0
        gap_x = from_x[outside] - late * along_x[outside]
        gap_y = from_y[outside] - late * along_y[outside]
        distance[outside] = np.hypot(gap_x, gap_y)
        here = piece[outside]
        next_to = np.where(late, segments.after[here], segments.before[here])
        fan = np.flatnonzero(next_to >= 0)
        if len(fan):
            side = _fan_side(segments, gap_x[fan], gap_y[fan], here[fan], next_to[fan])
            offset[outside[fan]] = side * distance[outside[fan]]
    return distance, offset


def _fan_side(segments: Segments, gap_x: Floats, gap_y: Floats, one: Ints, other: Ints) -> Floats:
    """Return +1 or -1: the side of the two runs' mean direction that a point at a bend lies on.

    Either run alone would call part of the fan outside a bend sharper than 90 degrees the inside.
    Where the line doubles back on itself there is no side: the first run's side is taken.
    """
    mean_x = segments.along_x[one] / segments.length_m[one]
    mean_y = segments.along_y[one] / segments.length_m[one]
    right = gap_x * mean_y - gap_y * mean_x
    mean_x = mean_x + segments.along_x[other] / segments.length_m[other]
    mean_y = mean_y + segments.along_y[other] / segments.length_m[other]
    turned = gap_x * mean_y - gap_y * mean_x
    right = np.where(np.hypot(mean_x, mean_y) > 1e-9, turned, right)
    return np.where(right < 0.0, -1.0, 1.0)
