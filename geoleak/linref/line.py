"""`Route`: one line with chainage, offset and bearing, and measured chainage; `RouteSet`: many.

Points come onto lines as a `Snap`: chainage, offset, which end, and the rival stretch.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Self, TypeVar

import numpy as np
from msgspec.structs import astuple

from geoleak.errors import GeometryError
from geoleak.linref.cells import nearest_pieces
from geoleak.linref.segments import (
    BLOCK,
    END_TOLERANCE_M,
    LARGEST_COORDINATE_M,
    RIVAL_WITHIN_M,
    SHORTEST_SEGMENT_M,
    Nearest,
    Segments,
)
from geoleak.record import ArrayLike, Floats, Ints, NDArray, Record, replace

# A single chainage gives a single figure, an array an array.
Number = TypeVar("Number", float, Floats)


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
    end: NDArray[np.int8]
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


def as_points(points_m: ArrayLike) -> tuple[Floats, bool]:
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


class MeasuredChainage(Record, eq=False):
    """Pairs of route chainage and measured chainage (k,), both strictly increasing, in metres."""

    chainage_m: Floats
    measured_m: Floats

    @classmethod
    def from_pairs(
        cls, chainage_m: ArrayLike, measured_m: ArrayLike, *, length_m: float
    ) -> MeasuredChainage:
        """Check the pairs and put them in order of chainage.

        Raises
        ------
        GeometryError
            If there is no pair, a pair lies off the route, or the measured chainage does not rise
            with the chainage.
        """
        chainage = np.atleast_1d(np.asarray(chainage_m, dtype=np.float64))
        measured = np.atleast_1d(np.asarray(measured_m, dtype=np.float64))
        if chainage.ndim != 1 or chainage.shape != measured.shape or len(chainage) == 0:
            raise GeometryError(
                f"{chainage.shape} chainages against {measured.shape} measured ones; "
                "give as many of one as of the other, at least one"
            )
        if not (np.isfinite(chainage).all() and np.isfinite(measured).all()):
            raise GeometryError("a calibration pair is not finite; leave that pair out")
        off = (chainage < -1e-9) | (chainage > length_m + 1e-9)
        if off.any():
            raise GeometryError(
                f"calibration at chainage {chainage[off][0]:.3f} m is off the route "
                f"(0 to {length_m:.3f} m); calibrate at points of the route"
            )
        pairs = np.unique(np.column_stack([np.clip(chainage, 0.0, length_m), measured]), axis=0)
        wrong = np.flatnonzero((np.diff(pairs, axis=0) <= 0).any(axis=1))
        if len(wrong):
            here, there = pairs[wrong[0]], pairs[wrong[0] + 1]
            raise GeometryError(
                f"measured chainage runs backwards or stands still: {here[1]:.3f} m at chainage "
                f"{here[0]:.3f} m, then {there[1]:.3f} m at {there[0]:.3f} m; correct one of the "
                "two"
            )
        for column in (chainage := pairs[:, 0].copy(), measured := pairs[:, 1].copy()):
            column.flags.writeable = False
        return cls(chainage, measured)

    def to_measured(self, chainage_m: Floats) -> Floats:
        """Return measured chainage; outside the pairs the nearest stretch's scale runs on."""
        return _interpolate(chainage_m, self.chainage_m, self.measured_m)

    def to_chainage(self, measured_m: Floats) -> Floats:
        """Return route chainage of measured chainage; the inverse of `to_measured`."""
        return _interpolate(measured_m, self.measured_m, self.chainage_m)

    def part(self, from_m: float, to_m: float) -> MeasuredChainage:
        """Return the calibration of a slice: measured chainages stay as they are."""
        inside = self.chainage_m[(self.chainage_m > from_m) & (self.chainage_m < to_m)]
        chainage = np.concatenate([[from_m], inside, [to_m]])
        return MeasuredChainage(chainage - from_m, self.to_measured(chainage))

    def turned(self, length_m: float) -> MeasuredChainage:
        """Return the calibration seen from the other end, measured from there."""
        far = self.to_measured(np.array([length_m]))
        return MeasuredChainage(length_m - self.chainage_m[::-1], far - self.measured_m[::-1])


def _interpolate(value: Floats, known: Floats, wanted: Floats) -> Floats:
    if len(known) == 1:
        return value - known[0] + wanted[0]
    piece = np.clip(np.searchsorted(known, value, side="right") - 1, 0, len(known) - 2)
    slope = (wanted[piece + 1] - wanted[piece]) / (known[piece + 1] - known[piece])
    result: Floats = wanted[piece] + (value - known[piece]) * slope
    return result


class Route(Record, eq=False):
    """A line of straight runs with chainage along it.

    Make one with `from_vertices`. Chainage is the horizontal distance from the first vertex; pipe
    length is along the slope, and equals chainage where the vertices have no height. Arrays are
    read-only.

    Attributes
    ----------
    vertices_m : ndarray, shape (n, 2) or (n, 3)
        Easting, northing (and height) in metres, as given; repeats are kept.
    vertex_chainage_m, vertex_pipe_m : ndarray, shape (n,)
        Chainage and along-slope distance of each vertex.
    segments : Segments
        The straight pieces between distinct vertices.
    calibration : MeasuredChainage or None
        Measured chainage at known chainages, see `calibrated`.
    """

    vertices_m: Floats
    vertex_chainage_m: Floats
    vertex_pipe_m: Floats
    segments: Segments
    calibration: MeasuredChainage | None = None

    @classmethod
    def from_vertices(cls, xy_m: ArrayLike) -> Route:
        """Make a route from its vertices.

        Parameters
        ----------
        xy_m : array_like, shape (n, 2) or (n, 3), or shapely LineString
            Easting, northing (and height) in metres in any planar frame. Repeated vertices are
            allowed; so is a vertical drop (same place, another height), which adds pipe length
            but no chainage. A line whose last vertex is its first is closed: it has no free end.

        Raises
        ------
        GeometryError
            If there are fewer than two distinct places, or a coordinate is not finite.

        Examples
        --------
        >>> route = Route.from_vertices([(0, 0), (30, 40), (30, 100)])
        >>> route.length_m
        110.0
        >>> route.snap((40, 70)).chainage_m
        80.0
        """
        if getattr(xy_m, "geom_type", None) == "LineString":
            import shapely

            xy_m = shapely.get_coordinates(xy_m, include_z=xy_m.has_z)  # type: ignore[union-attr]
        vertices = _as_vertices(xy_m)
        steps = np.diff(vertices, axis=0)
        plan_steps = np.hypot(steps[:, 0], steps[:, 1])
        slope_steps = np.hypot(plan_steps, steps[:, 2]) if steps.shape[1] == 3 else plan_steps
        chainage = np.concatenate([[0.0], np.cumsum(plan_steps)])
        pipe = np.concatenate([[0.0], np.cumsum(slope_steps)])
        if not np.any(plan_steps > SHORTEST_SEGMENT_M):
            x, y = vertices[0, :2]
            raise GeometryError(
                f"all {len(vertices)} vertices stand on one spot ({x:.3f}, {y:.3f}) in plan, so "
                "the route has no length; give two distinct places"
            )
        segments = Segments.of_line(vertices[:, :2], chainage)
        for array in (vertices, chainage, pipe):
            array.flags.writeable = False
        return cls(vertices, chainage, pipe, segments)

    @property
    def length_m(self) -> float:
        """Horizontal length in metres."""
        return float(self.vertex_chainage_m[-1])

    @property
    def pipe_length_m(self) -> float:
        """Length along the slope in metres; the horizontal length where there are no heights."""
        return float(self.vertex_pipe_m[-1])

    @property
    def __geo_interface__(self) -> dict[str, Any]:
        return {"type": "LineString", "coordinates": [tuple(v) for v in self.vertices_m.tolist()]}

    @property
    def has_heights(self) -> bool:
        """Whether the vertices carry heights."""
        return self.vertices_m.shape[1] == 3

    @property
    def is_closed(self) -> bool:
        """Whether the line ends where it starts."""
        return bool(np.all(self.vertices_m[0, :2] == self.vertices_m[-1, :2]))

    def snap(self, points_m: ArrayLike, *, rival_within_m: float | None = RIVAL_WITHIN_M) -> Snap:
        """Return the nearest place on the route for each point.

        Parameters
        ----------
        points_m : array_like, shape (m, 2) or (m, 3), or one point (2,) or (3,)
            Positions in metres; a height is not used. A shapely Point or a GeoSeries of them will
            do, in the route's own frame.
        rival_within_m : float or None
            Another stretch of the route that is farther by no more than this is reported as
            ``rival_chainage_m``. None looks for none and saves time.

        Returns
        -------
        Snap
            Arrays (m,), or plain numbers for one point.

        Raises
        ------
        GeometryError
            If the points have another shape. A point that is not finite is no error: its figures
            are NaN.
        """
        points, single = as_points(points_m)
        found = find_nearest(self.segments, points, rival_within_m)
        snap = measure(self.segments, points, found)
        return snap.first() if single else snap

    def position(
        self, chainage_m: ArrayLike, offset_m: ArrayLike = 0.0, *, extrapolate: bool = False
    ) -> Floats:
        """Return positions in plan.

        Parameters
        ----------
        chainage_m : array_like, shape (m,) or a number
            Metres along the route. At a vertex the outgoing run says which way `offset_m` goes.
        offset_m : array_like, shape (m,) or a number
            Metres perpendicular to the run, positive to the right.
        extrapolate : bool
            Draw the end runs on beyond the ends.

        Returns
        -------
        ndarray, shape (m, 2), or (2,) where both arguments are numbers
            Easting and northing in metres. Heights are given by `height_m`.

        Raises
        ------
        GeometryError
            If a chainage lies outside the route (by over 1e-9 m) and `extrapolate` is not set.
        """
        chainage, offset = np.broadcast_arrays(
            np.asarray(chainage_m, dtype=np.float64), np.asarray(offset_m, dtype=np.float64)
        )
        chainage = chainage if extrapolate else self._inside(chainage)
        piece = self._piece_at(chainage)
        part = self.segments
        along_x = part.along_x[piece] / part.length_m[piece]
        along_y = part.along_y[piece] / part.length_m[piece]
        run = chainage - part.chainage_m[piece]
        x = part.start_x[piece] + run * along_x + offset * along_y
        y = part.start_y[piece] + run * along_y - offset * along_x
        return np.stack([x, y], axis=-1)

    def bearing_deg(self, chainage_m: Number, *, extrapolate: bool = False) -> Number:
        """Return the bearing of the route in the direction of increasing chainage.

        Degrees in [0, 360) clockwise from the north of the frame (its second axis). At a vertex
        the bearing of the outgoing run, at the end of the route that of the last one.

        Raises
        ------
        GeometryError
            If a chainage lies outside the route and `extrapolate` is not set.
        """
        chainage = np.asarray(chainage_m, dtype=np.float64)
        chainage = chainage if extrapolate else self._inside(chainage)
        piece = self._piece_at(chainage)
        angle = np.degrees(np.arctan2(self.segments.along_x[piece], self.segments.along_y[piece]))
        bearing = np.where(angle < 0.0, angle + 360.0, angle)
        # A hair below zero rounds up to a full turn.
        bearing = np.where(bearing >= 360.0, 0.0, bearing)
        return _plain(np.where(np.isnan(chainage), np.nan, bearing))

    def pipe_m(self, chainage_m: Number) -> Number:
        """Return metres along the slope from the start to a chainage.

        A vertical drop belongs to the chainage at its top and to everything after it, except at
        chainage 0, where the answer is 0.
        """
        return self._along(chainage_m, self.vertex_pipe_m)

    def height_m(self, chainage_m: Number) -> Number:
        """Return the height at a chainage, linear between vertices.

        Raises
        ------
        GeometryError
            If the route has no heights, or a chainage lies outside it.
        """
        if not self.has_heights:
            raise GeometryError("this route has no heights; make it from (n, 3) vertices")
        return self._along(chainage_m, self.vertices_m[:, 2])

    def slice(self, from_m: float, to_m: float) -> Route:
        """Return the part between two chainages; vertices between them are kept.

        Its chainage starts at 0. A calibration goes with it: measured chainages stay as they are.

        Raises
        ------
        GeometryError
            If a chainage lies outside the route, or `to_m` is not beyond `from_m`.
        """
        ends = self._inside(np.array([from_m, to_m], dtype=np.float64))
        if not ends[1] > ends[0]:
            raise GeometryError(
                f"a slice from {from_m} to {to_m} m has no length; give the lower chainage first "
                "(and reverse the slice for the other direction)"
            )
        first, last = float(ends[0]), float(ends[1])
        # A vertical drop belongs to the stretch that ends there; at chainage 0 it is kept.
        low = 0 if first == 0.0 else np.searchsorted(self.vertex_chainage_m, first, side="right")
        high = np.searchsorted(self.vertex_chainage_m, last, side="right")
        kept = self.vertices_m[low:high]
        parts = [] if first == 0.0 else [self._vertex_at(first)]
        parts.append(kept)
        if high == low or self.vertex_chainage_m[high - 1] < last:
            parts.append(self._vertex_at(last))
        route = Route.from_vertices(np.concatenate(parts))
        if self.calibration is None:
            return route
        return replace(route, calibration=self.calibration.part(first, last))

    def reversed(self) -> Route:
        """Return the route from its end to its start.

        Chainage becomes length minus chainage, and offsets change side. A calibration is turned
        too: it then measures from the new start.
        """
        route = Route.from_vertices(self.vertices_m[::-1])
        if self.calibration is None:
            return route
        return replace(route, calibration=self.calibration.turned(self.length_m))

    def calibrated(self, chainage_m: ArrayLike, measured_m: ArrayLike) -> Route:
        """Return the route with chainages as measured by wheel, tape or rod counter.

        Parameters
        ----------
        chainage_m, measured_m : array_like, shape (k,)
            Chainage along the route and measured chainage at the same k points, in metres.
            Between points linear; outside them the scale of the nearest stretch runs on (with one
            point: only the zero is shifted).

        Raises
        ------
        GeometryError
            If the measured chainage does not rise with the chainage, or a point is off the route.

        Notes
        -----
        ``chainage_m`` keeps its meaning everywhere; `measured_m` and `chainage_from_measured_m`
        go from one to the other.
        """
        pairs = MeasuredChainage.from_pairs(chainage_m, measured_m, length_m=self.length_m)
        return replace(self, calibration=pairs)

    def measured_m(self, chainage_m: Number) -> Number:
        """Return measured chainage of route chainage.

        Raises
        ------
        GeometryError
            If the route is not calibrated, or a chainage lies outside it.
        """
        known = self._calibration()
        return _plain(known.to_measured(self._inside(np.asarray(chainage_m, dtype=np.float64))))

    def chainage_from_measured_m(self, measured_m: Number) -> Number:
        """Return route chainage of measured chainage.

        Raises
        ------
        GeometryError
            If the route is not calibrated, or the place lies outside it.
        """
        chainage = self._calibration().to_chainage(np.asarray(measured_m, dtype=np.float64))
        return _plain(self._inside(chainage))

    def _calibration(self) -> MeasuredChainage:
        if self.calibration is None:
            raise GeometryError("this route has no measured chainage; use calibrated() first")
        return self.calibration

    def _inside(self, chainage: Floats) -> Floats:
        """Return chainages held to the route; refuse those outside it. NaN passes."""
        outside = (chainage < -END_TOLERANCE_M) | (chainage > self.length_m + END_TOLERANCE_M)
        if outside.any():
            worst = np.atleast_1d(chainage)[np.atleast_1d(outside)]
            more = f" (and {len(worst) - 1} more)" if len(worst) > 1 else ""
            raise GeometryError(
                f"chainage {worst[0]:.6g} m{more} lies outside the route, which runs from 0 to "
                f"{self.length_m:.6g} m; stay on it, or ask a position with extrapolate=True"
            )
        held: Floats = np.clip(chainage, 0.0, self.length_m)
        return held

    def _piece_at(self, chainage: Floats) -> Ints:
        piece = np.searchsorted(self.segments.chainage_m, chainage, side="right") - 1
        return np.clip(piece, 0, len(self.segments) - 1)

    def _along(self, chainage_m: Number, values: Floats) -> Number:
        chainage = self._inside(np.asarray(chainage_m, dtype=np.float64))
        result = np.interp(chainage, self.vertex_chainage_m, values)
        return _plain(np.where(chainage <= 0.0, values[0], result))

    def _vertex_at(self, chainage: float) -> Floats:
        place = [self.position(chainage)]
        if self.has_heights:
            place.append(np.array([self.height_m(chainage)]))
        return np.concatenate(place)[None, :]


def _plain(values: Floats) -> Any:
    return float(values) if values.ndim == 0 else values


def _as_vertices(xy_m: ArrayLike) -> Floats:
    try:
        vertices = np.array(xy_m, dtype=np.float64, order="C")
    except (TypeError, ValueError) as error:
        raise GeometryError(f"the vertices are not numbers ({error}); give (n, 2) metres") from None
    if vertices.ndim != 2 or vertices.shape[1] not in (2, 3):
        raise GeometryError(
            f"vertices of shape {vertices.shape} make no route; give (n, 2) or (n, 3) metres"
        )
    if len(vertices) < 2:
        raise GeometryError(f"{len(vertices)} vertex makes no route; give at least two")
    bad = np.flatnonzero(~np.all(np.abs(vertices) < LARGEST_COORDINATE_M, axis=1))
    if len(bad):
        raise GeometryError(
            f"vertex {bad[0] + 1} of {len(vertices)} is {vertices[bad[0]].tolist()}, which is no "
            "position; leave it out (or leave out the heights of all)"
        )
    return vertices


class NearestSnap(Snap, eq=False):
    """Points snapped to the nearest of many routes.

    As `Snap`, with the position in the list of the route each figure belongs to: ``route`` (m,),
    -1 for a point that is not finite, and ``rival_route`` (m,), -1 where there is no rival. The
    rival may stand on another route. At ties the first route wins.
    """

    route: Ints
    rival_route: Ints


class RouteSet(Record, eq=False):
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

    def snap(
        self, points_m: ArrayLike, *, rival_within_m: float | None = RIVAL_WITHIN_M
    ) -> NearestSnap:
        """Return the nearest place on any of the routes for each point; see `Route.snap`."""
        points, single = as_points(points_m)
        found = find_nearest(self.segments, points, rival_within_m)
        snap = measure(self.segments, points, found)
        owner = (np.where(each < 0, -1, self.route_of[each]) for each in (found.piece, found.rival))
        nearest = NearestSnap(*astuple(snap), *owner)
        return nearest.first() if single else nearest
