"""The stake: where it may stand, why, and the stakes beside it.

Everything is in the working frame, metres on the ground. Sigma is one standard deviation; the
setting-out ellipse says where the stake itself may stand, not how far the leak's own place is
spread along the pipe (that is the interval).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterable, Sequence
from typing import TYPE_CHECKING

import numpy as np

from geoleak.errors import GeometryError
from geoleak.record import ArrayLike, Floats, Record
from geoleak.units import format_length, format_station, unit_m

if TYPE_CHECKING:
    from geoleak.linref import Route
    from geoleak.route import RouteFit
    from geoleak.survey import Survey, SurveyedPoint

ELLIPSE_95 = math.sqrt(-2 * math.log(0.05))
"""Radius, in sigmas, that holds 95 % of a two-dimensional normal: 2.44775 (chi-square, 2 dof)."""
BEND_REACH_M = 0.3
"""Square to the pipe is taken over this much pipe either side of the stake."""
GROUND_REACH_M = 25.0
"""Ground farther away than this says nothing of the slope at a stake (our own figure)."""
LEAST_SPREAD_M = 1.0
"""Points must spread this far (root mean square) both ways before a slope is read off them."""
MISFIT_M = 0.25
"""Ground that is rougher than this about the plane is no plane: the slope is not used."""


class ErrorSource(Record):
    """One source of error of the stake: one standard deviation along and across the pipe."""

    source: str
    sigma_along_m: float
    sigma_across_m: float


class SettingOutEllipse(Record):
    """Where the stake itself may stand: the 95 % ellipse. Bearing clockwise from grid north."""

    semi_major_m: float
    semi_minor_m: float
    bearing_deg: float


class Stake(Record):
    """One row of stakes.csv: the leak's stake and what goes with it, or places to listen at."""

    id: str
    kind: str
    """``"stake"``, ``"offset_stake"``, ``"hole_start"``, ``"hole_end"``, ``"next_reading"``,
    ``"check_place"`` or ``"check_point"``."""
    label: str
    easting: float
    """In the printed grid and its unit, like `northing`."""
    northing: float
    elevation_m: float | None
    text: str = ""
    """What to do at it, where that is more than its label says (check points)."""


def ellipse(
    covariance_m2: ArrayLike, *, radius_sigmas: float = 1.0
) -> tuple[Floats, Floats, Floats]:
    """Return semi-major and semi-minor axis and the bearing of the major axis.

    Parameters
    ----------
    covariance_m2 : array_like, shape (..., 2, 2)
        Of easting and northing, square metres.
    radius_sigmas : float
        1 for the standard ellipse, `ELLIPSE_95` for the one that holds 95 %.

    Returns
    -------
    semi_major_m, semi_minor_m, bearing_deg : ndarray, shape (...)
        Bearing clockwise from north in [0, 180); 0 for a circle.

    Raises
    ------
    GeometryError
        If it is no covariance: not finite, not symmetric, or negative in some direction.
    """
    covariance = np.asarray(covariance_m2, dtype=float)
    if covariance.shape[-2:] != (2, 2):
        raise GeometryError(f"a covariance has shape (..., 2, 2), not {covariance.shape}")
    if not np.isfinite(covariance).all():
        raise GeometryError("a covariance holds a number that is not finite")
    east, north = covariance[..., 0, 0], covariance[..., 1, 1]
    cross, other = covariance[..., 0, 1], covariance[..., 1, 0]
    scale = np.maximum(np.maximum(np.abs(east), np.abs(north)), 1e-300)
    if (np.abs(cross - other) > 1e-9 * scale).any():
        raise GeometryError("a covariance is not symmetric")
    middle, half = (east + north) / 2, np.hypot((east - north) / 2, cross)
    smallest = middle - half
    if (smallest < -1e-9 * scale).any():
        raise GeometryError("a covariance is negative in some direction")
    bearing = np.degrees(np.arctan2(2 * cross, north - east)) / 2
    bearing = np.where(half <= 1e-12 * scale, 0.0, np.mod(bearing, 180.0))
    return (
        radius_sigmas * np.sqrt(middle + half),
        radius_sigmas * np.sqrt(np.maximum(smallest, 0.0)),
        bearing[()],
    )


def setting_out_covariance(fit: RouteFit, chainage_m: float, *, rover_sigma_m: float) -> Floats:
    """Return the covariance (2, 2) of where the stake stands, easting and northing.

    The fitted line with its shared parts, and the rover that sets the stake out.
    """
    covariance: Floats = np.asarray(fit.covariance(chainage_m)) + rover_sigma_m**2 * np.eye(2)
    return covariance


def budget(
    fit: RouteFit, chainage_m: float, *, rover_bias_m: float, rover_sigma_m: float
) -> tuple[ErrorSource, ...]:
    """Return the sources of error of the stake, along and across the pipe, and their total.

    Parameters
    ----------
    fit : RouteFit
    chainage_m : float
        The stake.
    rover_bias_m : float
        Sigma per axis that all points of the session share; it never averages out.
    rover_sigma_m : float
        Sigma per axis of the rover when it sets the stake out.

    Returns
    -------
    tuple of ErrorSource
        The last row is the total; its square is the sum of the squares above it.
    """
    rows = [
        ErrorSource(
            "fitted line (marks)",
            float(fit.sigma_along_m(chainage_m)),
            float(fit.sigma_across_m(chainage_m)),
        ),
        ErrorSource(
            "locator, shared by all marks",
            _shared_along(fit, chainage_m, rover_bias_m),
            float(fit.sigma_locator_bias_m(chainage_m)),
        ),
        ErrorSource("rover, shared by the session", rover_bias_m, rover_bias_m),
        ErrorSource("rover, setting out", rover_sigma_m, rover_sigma_m),
    ]
    total = ErrorSource(
        "total",
        math.sqrt(sum(row.sigma_along_m**2 for row in rows)),
        math.sqrt(sum(row.sigma_across_m**2 for row in rows)),
    )
    return (*rows, total)


def _shared_along(fit: RouteFit, chainage_m: float, rover_bias_m: float) -> float:
    """Return what the locator's shared error adds along the pipe: past a bend it is not 0."""
    bearing = math.radians(float(fit.route.bearing_deg(chainage_m)))
    along = np.array([math.sin(bearing), math.cos(bearing)])
    whole = float(along @ np.asarray(fit.covariance(chainage_m)) @ along)
    return math.sqrt(max(0.0, whole - float(fit.sigma_along_m(chainage_m)) ** 2 - rover_bias_m**2))


def pipe_bearing_deg(route: Route, chainage_m: float) -> float:
    """Return the bearing of the pipe at a stake, over a little pipe either side of it.

    At a bend that is the bearing square to which an offset stake reads the same both ways.
    """
    ends = np.clip([chainage_m - BEND_REACH_M, chainage_m + BEND_REACH_M], 0.0, route.length_m)
    first, second = np.asarray(route.position(ends))
    return math.degrees(math.atan2(second[0] - first[0], second[1] - first[1])) % 360


def on_bend(route: Route, chainage_m: float) -> bool:
    """Tell whether the pipe turns by over 5 degrees within reach of a chainage."""
    ends = np.clip([chainage_m - BEND_REACH_M, chainage_m + BEND_REACH_M], 0.0, route.length_m)
    before, after = np.asarray(route.bearing_deg(ends)).tolist()
    return abs((after - before + 180) % 360 - 180) > 5.0


def offset_places_m(route: Route, chainage_m: float, offset_m: float) -> Floats:
    """Return easting and northing (2, 2) of the stakes left and right, square to the pipe.

    Raises
    ------
    GeometryError
        If the offset is not over 0.
    """
    if not (math.isfinite(offset_m) and offset_m > 0):
        raise GeometryError(f"an offset of {offset_m} m makes no offset stake; give one over 0")
    bearing = math.radians(pipe_bearing_deg(route, chainage_m))
    right = offset_m * np.array([math.cos(bearing), -math.sin(bearing)])
    place = np.asarray(route.position(chainage_m))
    return np.array([place - right, place + right])


def offset_label(side: str, offset_m: float, cut_m: float | None, station: str, unit: str) -> str:
    """Return what an offset stake carries: distance and side, cut ("C"), station.

    The order of construction stakes (military engineering training manual 14081). The cut is from
    the ground at the offset stake down to the crown; None: not known.
    """
    cut = "depth unknown" if cut_m is None else f"C {format_length(cut_m, unit=unit)}"
    return f"({format_length(offset_m, unit=unit)} {side}) {cut} {station}"


def ground_plane(points_m: ArrayLike, at_m: ArrayLike) -> Floats | None:
    """Fit a plane to the ground about a place by least squares.

    Parameters
    ----------
    points_m : array_like, shape (n, 3)
        Easting, northing and height of shot points; nan heights are passed over.
    at_m : array_like, shape (2,)

    Returns
    -------
    ndarray, shape (3,), or None
        Height at the place, rise per metre east and north. None with fewer than four points in
        reach, points in one line (marks along the pipe alone do not tell the slope across it), or
        ground that is no plane.
    """
    points = np.asarray(points_m, dtype=float).reshape(-1, 3)
    away = points[:, :2] - np.asarray(at_m)
    near = np.isfinite(points).all(axis=1) & (np.hypot(away[:, 0], away[:, 1]) <= GROUND_REACH_M)
    away, height = away[near], points[near, 2]
    if len(height) < 4:
        return None
    centred = away - away.mean(axis=0)
    narrowest = np.linalg.svd(centred, compute_uv=False)[-1] / np.sqrt(len(centred))
    if narrowest < LEAST_SPREAD_M:
        return None
    design = np.column_stack([np.ones(len(height)), away])
    found, *_ = np.linalg.lstsq(design, height, rcond=None)
    if np.sqrt(np.mean((design @ found - height) ** 2)) > MISFIT_M:
        return None
    return found


def place_text(
    survey: Survey, number: int, chainage_m: float, aside_m: float = 0.0, *, mark: str | None = None
) -> str:
    """Return a place of a leg as readings.csv understands it and a crew can find it: from a mark.

    The nearest, where none is given.
    """
    leg, unit = survey.legs[number], survey.site.length_unit
    chainage = np.asarray(leg.fit.mark_chainage_m)
    if len(chainage):
        ids = leg.fit.marks.ids
        k = ids.index(mark) if mark in ids else int(np.argmin(np.abs(chainage - chainage_m)))
        said = ids[k]
        if sum(said in other.leg.mark_ids for other in survey.legs) > 1:
            said = f"{leg.name} {said}"
        step = (chainage_m - chainage[k]) / unit_m(unit)
        if abs(step) >= 0.25:
            said += f" {'up' if step > 0 else 'down'} {abs(step):.1f}"
    else:
        calibrated = leg.route.calibration is not None
        measured = float(leg.route.measured_m(chainage_m)) if calibrated else chainage_m
        said = f"{leg.name}@{format_station(measured, unit=unit)}"
    if aside_m:
        said += f" {'right' if aside_m > 0 else 'left'} {abs(aside_m) / unit_m(unit):.1f}"
    return said


def free_ids(used: Iterable[str], count: int) -> tuple[str, ...]:
    """Return ids above the highest number used, so that a rover overwrites no point.

    Digits at the end of an id count too ("BC201"); ids without any are passed over.
    """
    tails = (re.search(r"[0-9]+$", each.strip()) for each in used)
    highest = max((int(tail[0]) for tail in tails if tail), default=0)
    return tuple(str(highest + step) for step in range(1, count + 1))


def check_points(
    points: Sequence[SurveyedPoint],
    at_m: ArrayLike,
    *,
    rover_sigma_m: float,
    unit: str,
    count: int = 2,
) -> tuple[tuple[SurveyedPoint, str], ...]:
    """Return the shot points that a rover occupies before it sets out the stake, and the words.

    The best of them by their own sigma, near the stake and apart from one another: two that stand
    apart also betray a turned or a scaled frame. They must read within 3 sigma of the difference
    of two shots, and 0.1 ft (or 3 cm) at least: less is noise. Common practice, no source. Painted
    marks wash off, and points that no rover stood on or without a differential solution check
    nothing: they are passed over. Where every mark is taped there is no rover to check.

    Parameters
    ----------
    points : sequence of SurveyedPoint
    at_m : array_like, shape (2,)
        The stake.
    rover_sigma_m : float
        Per axis, of the rover that sets it out.
    unit : {"m", "ft", "ftUS"}
        Of the words.
    count : int
    """
    marks = [each.taped for each in points if each.kind == "mark"]
    usable = [
        each
        for each in points
        if not (marks and all(marks))
        and each.kind != "mark" and each.point.status != "single" and not each.taped
        and all(map(math.isfinite, (each.easting_m, each.northing_m, each.sigma_m)))
    ]  # fmt: skip
    left = [each for each in usable if each.point.status != "float"] or usable
    chosen: list[SurveyedPoint] = []

    def cost(point: SurveyedPoint) -> tuple[float, str]:
        # A walk of 100 m counts as a centimetre of sigma; a second point gains by standing apart.
        gain = min((_apart_m(point, each) for each in chosen), default=0.0)
        walk = math.hypot(*(np.array([point.easting_m, point.northing_m]) - at_m))
        return point.sigma_m + 1e-4 * walk - 5e-4 * min(gain, 50.0), point.point.id

    while left and len(chosen) < count:
        best = min(left, key=cost)
        chosen.append(best)
        left = [each for each in left if _apart_m(each, best) > 1.0]
    least_m, decimals = (0.03, 2) if unit == "m" else (0.1 * unit_m(unit), 1)
    said = []
    for each, order in zip(chosen, ("first", *["too"] * count), strict=False):
        within = max(least_m, 3 * math.hypot(each.sigma_m, rover_sigma_m)) / unit_m(unit)
        # Rounded up: a stricter figure than it was reckoned would stop good work.
        shown = math.ceil(within * 10**decimals - 1e-6) / 10**decimals * unit_m(unit)
        limit = format_length(shown, unit=unit)
        text = f"occupy {each.point.id} {order}: it must read within {limit}, or stop"
        said.append((each, text))
    return tuple(said)


def _apart_m(one: SurveyedPoint, two: SurveyedPoint) -> float:
    return math.hypot(one.easting_m - two.easting_m, one.northing_m - two.northing_m)
