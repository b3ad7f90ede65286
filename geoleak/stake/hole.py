"""The hole: its outline along the pipe, its size, its sloped sides, and other services against it.

Plan geometry is in the working frame, metres on the ground. Slopes are those of 29 CFR 1926
Subpart P, Appendix B, Table B-1; a competent person classifies the soil, and the local code
governs. A mark or a map gives the plan position of a service, never its depth: where no depth is
stated, it is said to be unknown.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely
from shapely import Geometry, Polygon
from shapely.geometry.polygon import orient

from geoleak.cautions import ENGINEER_FROM_M, slopes_from_m
from geoleak.errors import CrsError, GeometryError, InputError, Origin
from geoleak.readers import read_utility_file
from geoleak.record import Floats, Record
from geoleak.site import Codes, Note, Utility
from geoleak.survey import Survey
from geoleak.tables import csv_rows
from geoleak.units import format_length, format_station

if TYPE_CHECKING:
    from geoleak.crs import Frame
    from geoleak.linref import Route
    from geoleak.readers import UtilityFile

BELOW_PIPE_M = 0.15
"""Room dug out under the pipe to get a clamp on. Common practice, no source."""
SHORTEST_M = 0.05
# A corner sharper than about 60 degrees inside is cut off rather than drawn out to a spike.
_MITRE_LIMIT = 2.0
REPORT_WITHIN_M = 10.0
"""Farther than this from the hole a service is left out."""
# A service this near the pipe over such a length lies in the same trench, or beside it (common
# practice, no source): it need not cross to be met all along the hole.
ALONG_WITHIN_M, ALONG_M = 1.0, 3.0
# Nearer than this it is drawn on the pipe's own line (common practice, no source).
ON_LINE_M = 0.05
GAP_M = 15.0
"""Points of a service farther apart than this are not joined."""
FAR_M = 1000.0
"""Services drawn for this place reach it; none within a kilometre means another place."""
_ANGLE_REACH_M = 0.25


class Excavation(Record):
    """The hole: pieces of pipe, from and to relative to the stake, size and shape.

    Areas and volumes are those of upright sides unless the name says sloped; what needs a depth is
    None where the depth is not known.
    """

    pieces: tuple[tuple[str, float, float], ...]
    """Leg, from and to in metres of chainage."""
    length_m: float
    before_stake_m: float
    """How far the hole reaches back down-chainage from the stake (positive)."""
    past_stake_m: float
    width_m: float
    depth_m: float | None
    area_m2: float | None = None
    volume_m3: float | None = None
    outline_wkt: str | None = None
    """In the printed grid CRS; the outline to mark in white for the locate request."""
    notes: tuple[str, ...] = ()
    soil: str = "C"
    """Type that the slopes are for; unclassified soil counts as C."""
    sloped_area_m2: float | None = None
    sloped_volume_m3: float | None = None
    sloped_outline_wkt: str | None = None
    """At the surface, with sides sloped for the soil; None where the depth is not known or
    no slopes are called for."""


class Service(Record, eq=False):
    """One other service in the working frame.

    ``accuracy_m`` is of its datum operation (0 on the site's own datum); ``quality`` its ASCE 38
    level where one is given. ``depth_m`` is None where not stated.
    """

    name: str
    geometry: Geometry
    colour: str | None = None
    quality: str | None = None
    depth_m: float | None = None
    accuracy_m: float = 0.0


class NearService(Record):
    """Another buried service against the hole."""

    name: str
    colour: str | None
    station: str
    """Where it crosses the pipe nearest the stake, or where it comes nearest the hole."""
    from_stake_m: float
    """The same along the pipe, positive past the stake."""
    distance_m: float
    """From the hole's outline in plan; 0 inside."""
    crossing_deg: float | None
    """Angle between service and pipe, over 0 to 90; None where it does not cross."""
    depth_m: float | None
    in_hole: bool
    in_tolerance_zone: bool
    quality: str | None
    text: str
    in_slope: bool = False
    """Inside the hole at the surface, where its sides are sloped."""


def dig_depth_m(crown_m: float, outside_diameter_m: float) -> float:
    """Return how deep to dig to work on a pipe: to its crown, past it, and room below."""
    return crown_m + outside_diameter_m + BELOW_PIPE_M


def hole_width_m(depth_m: float | None, bucket_width_m: float) -> float:
    """Return the width of a hole that people work in: the bucket's, or what its depth calls for.

    The least widths by depth are those of EN 1610; a hole of unknown depth counts as 1 to 1.75 m.
    """
    depth = 1.2 if depth_m is None else depth_m
    fit = (
        row
        for row in csv_rows("geoleak.tables", "trench_widths")
        if depth >= float(row["deeper_than_m"])
    )
    return max(bucket_width_m, *(float(row["least_width_m"]) for row in fit))


def slope_ratio(soil: str | None) -> float:
    """Return horizontal per vertical of the steepest allowed side; no soil counts as C."""
    row = next(
        row for row in csv_rows("geoleak.tables", "trench_slopes") if row["soil"] == (soil or "C")
    )
    return float(row["horizontal_per_vertical"])


def hole_outline(pieces: Sequence[tuple[Route, float, float]], width_m: float) -> Polygon:
    """Return the outline of a hole that follows the pipe, bends and tees and all.

    Parameters
    ----------
    pieces : sequence of (Route, from_m, to_m)
        Stretches of pipe that meet; what lies beyond a route's ends is left off.
    width_m : float
        Across the pipe, half of it either side.

    Returns
    -------
    shapely Polygon
        Exterior counter-clockwise.

    Raises
    ------
    GeometryError
        If no stretch of pipe is left.
    """
    lines: list[Geometry] = []
    for route, from_m, to_m in pieces:
        low, high = max(0.0, min(from_m, to_m)), min(route.length_m, max(from_m, to_m))
        if high - low >= SHORTEST_M:
            line = shapely.LineString(np.asarray(route.slice(low, high).vertices_m)[:, :2])
            # A branch starts a little off the line it joins: the hole is one all the same.
            lines += [shapely.shortest_line(lines[0], line)] if lines else []
            lines.append(line)
    if not lines:
        shown = ", ".join(f"{low:.3f} to {high:.3f}" for _, low, high in pieces)
        raise GeometryError(
            f"a hole from {shown} m has no length on a route of {pieces[0][0].length_m:.3f} m"
        )
    whole = shapely.line_merge(shapely.unary_union(lines))
    return _grown(whole, width_m / 2, cap_style="flat")


def hole_notes(
    route: Route,
    from_m: float,
    to_m: float,
    *,
    depth_m: float | None,
    depth_sigma_m: float = 0.0,
    soil: str | None = None,
    country: str | None = None,
) -> tuple[str, ...]:
    """Return what the hole between two chainages calls for, and what of it is not known.

    One sigma of depth more counts where slopes or an engineer may be needed.
    """
    notes = []
    if min(from_m, to_m) < -1e-6 or max(from_m, to_m) > route.length_m + 1e-6:
        notes.append("the hole ends where the traced pipe ends")
    if depth_m is None:
        notes.append("depth not known: no volume and no slopes; measure it as you dig")
    elif depth_m + depth_sigma_m > ENGINEER_FROM_M:
        notes.append("deeper than 20 ft (6.10 m): an engineer designs the slopes")
    if depth_m is not None and depth_m + depth_sigma_m < slopes_from_m(country):
        return (*notes, "sides upright while a competent person sees no sign of a cave-in")
    if soil is None:
        notes.append("soil not classified: counted as type C; a competent person classifies it")
    else:
        notes.append("a competent person classifies the soil; local code governs")
    return tuple(notes)


def surface_words(sloped: Polygon, soil: str, *, unit: str) -> str:
    """Say how much ground a hole with sloped sides takes at the surface."""
    box = np.asarray(sloped.minimum_rotated_rectangle.exterior.coords)
    sides = sorted(float(v) for v in np.hypot(*np.diff(box[:3], axis=0).T))
    short, long = (format_length(side, unit=unit, decimals=1) for side in sides)
    return f"sides sloped for type {soil} soil: {long} by {short} at the surface"


def reproject(geometry: Any, way: Callable[[Floats, Floats], tuple[Floats, Floats]]) -> Any:
    """Return a geometry, or an array, with every coordinate sent through `way` (two arrays)."""
    return shapely.transform(geometry, way, interleaved=False)


def sloped_hole(outline: Polygon, depth_m: float, soil: str | None) -> tuple[Polygon, float]:
    """Return the outline at the surface, all sides sloped, and the volume down to the bottom."""
    away = depth_m * slope_ratio(soil)
    if away <= 0:
        return outline, depth_m * float(outline.area)
    half, surface = (_grown(outline, each) for each in (away / 2, away))
    # Simpson's rule: exact while no side of the outline vanishes, for the area is then quadratic.
    return surface, depth_m * float(outline.area + 4 * half.area + surface.area) / 6


def _grown(shape: Geometry, by_m: float, **style: str) -> Polygon:
    """Return a shape grown with square corners, the largest part of it where it has several."""
    wide = shape.buffer(by_m, join_style="mitre", mitre_limit=_MITRE_LIMIT, **style)
    return orient(max(shapely.get_parts(wide), key=lambda each: each.area))


def services_of(survey: Survey) -> tuple[tuple[Service, ...], tuple[Note, ...]]:
    """Return every service of ``[[utility]]``, from its file or from coded rover points.

    Raises
    ------
    InputError
        A file that cannot be read, or whose CRS is missing or of no use.
    """
    site, services, notes = survey.site, list[Service](), list[Note]()
    for utility in site.utilities:
        if utility.file is not None:
            path = f"{site.folder.as_posix()}/{utility.file}"
            read = read_utility_file(
                Path(path),
                label=path,
                name=utility.name,
                colour=utility.colour,
                depth_m=utility.depth_m,
                quality=utility.quality,
                unit=site.length_unit,
                allow_no_crs=survey.frame.is_local,
            )
            try:
                found, said = project_services(read, survey.frame, site.coordinate_epoch)
            except CrsError as error:
                raise InputError.at(path, error.what, error.remedy) from error
            services += found
            notes += (*said, *_far_notes(survey, utility, found, Origin(path)))
        mine = [p for p in survey.points if Codes.matches(p.point.code, utility.codes)]
        services += services_of_points(utility, [(p.easting_m, p.northing_m) for p in mine])
    return tuple(services), tuple(notes)


def _far_notes(
    survey: Survey, utility: Utility, services: Sequence[Service], origin: Origin
) -> list[Note]:
    """Say so where a service's file holds nothing near the site: its CRS or axes may be wrong."""
    site = shapely.MultiLineString([leg.route.vertices_m[:, :2] for leg in survey.legs])
    nearest = float(shapely.distance(site, [each.geometry for each in services]).min())
    if nearest <= FAR_M:
        return []
    text = (
        f"{utility.name}: nothing in {utility.file} lies within {FAR_M / 1000:g} km of the pipe "
        f"(the nearest is {nearest / 1000:.0f} km away): check its CRS and the order of its axes, "
        "and take its place near the hole as unknown"
    )
    return [Note("utility_far", text, origin)]


def project_services(
    file: UtilityFile, frame: Frame, coordinate_epoch: float | None = None
) -> tuple[list[Service], tuple[Note, ...]]:
    """Return the services of a file in the working frame, and what its CRS gives to note.

    Raises
    ------
    CrsError
        A CRS of no use, none at all for a site that has one, or a local site with a file that
        has one.
    """
    if file.crs is not None:
        to_working, accuracy, said = frame.way_from(file.crs, coordinate_epoch=coordinate_epoch)
    elif frame.is_local:
        to_working, accuracy, said = frame.to_working, 0.0, ()
    else:
        raise CrsError("a services' file without a CRS fits only a local site")
    notes = [*file.notes, *said]
    # All at once: a file may hold tens of thousands.
    drawn = np.array([shape.geometry for shape in file.shapes], dtype=object)
    placed = shapely.transform(drawn, to_working, interleaved=False)
    coordinates, rows = shapely.get_coordinates(placed, return_index=True)
    lost = set(rows[~np.isfinite(coordinates).all(axis=1)].tolist())
    services = [
        Service(shape.name, placed[row], shape.colour, shape.quality, shape.depth_m, accuracy)
        for row, shape in enumerate(file.shapes)
        if row not in lost
    ]
    if not services:
        what = f"its coordinates are none of {file.crs}"
        raise CrsError(what, "check the file's CRS and the order of axes")
    if lost:
        many = "1 feature lies" if len(lost) == 1 else f"{len(lost)} features lie"
        text = f"{many} outside what {file.crs} can hold, left out of the answer"
        notes.append(Note("utility_outside", text))
    if accuracy:
        text = (
            f"services in {file.crs} are on another datum than the site: "
            f"they may lie {accuracy:g} m from where they are drawn"
        )
        notes.append(Note("utility_datum", text))
    return services, tuple(notes)


def services_of_points(
    stated: Utility, places_m: Sequence[tuple[float, float]]
) -> Iterator[Service]:
    """Yield the services that coded rover points trace, in the order they were shot.

    Points no more than `GAP_M` apart are joined into a line; one that stands alone stays a point.
    """
    at = np.array(places_m, dtype=float).reshape(-1, 2)
    at = at[np.isfinite(at).all(axis=1)]
    step = np.hypot(*np.diff(at, axis=0).T)
    for run in np.split(at, np.flatnonzero(step > GAP_M) + 1) if len(at) else ():
        shape = shapely.LineString(run) if np.ptp(run, axis=0).any() else shapely.Point(run[0])
        yield Service(stated.name, shape, stated.colour, stated.quality, stated.depth_m)


def near_services(
    services: Sequence[Service],
    *,
    route: Route,
    stake_m: float,
    outline: Polygon,
    unit: str,
    tolerance_zone_m: float,
    sloped: Polygon | None = None,
) -> tuple[NearService, ...]:
    """Return the services near the hole, the nearest to it first.

    Parameters
    ----------
    services : sequence of Service
    route : Route
        The leg that is dug.
    stake_m : float
        Chainage of the stake.
    outline : shapely Polygon
        Of the hole.
    unit : {"m", "ft", "ftUS"}
        Of the texts.
    tolerance_zone_m : float
        Either side of a service, where only hand tools are used. What the datum of a service
        leaves open is added to it.
    sloped : shapely Polygon, optional
        The hole at the surface, where its sides are sloped.
    """
    found = []
    shown = functools.partial(format_length, unit=unit)
    line = shapely.LineString(np.asarray(route.vertices_m)[:, :2])
    away = shapely.distance(outline, [each.geometry for each in services])
    for service, distance_m in zip(services, away.tolist(), strict=True):
        if distance_m > REPORT_WITHIN_M + service.accuracy_m:
            continue
        vague, depth_m = service.accuracy_m, service.depth_m
        in_hole, in_zone = distance_m == 0.0, distance_m <= tolerance_zone_m + vague
        in_slope = not in_hole and sloped is not None and sloped.distance(service.geometry) <= vague
        near = shapely.get_coordinates(shapely.shortest_line(outline, service.geometry))[1:]
        drawn = shapely.MultiLineString(_lines(service.geometry))
        chainage, angle = _crossing(drawn, line, route, stake_m) or (
            float(route.snap(near).chainage_m[0]), None
        )  # fmt: skip
        station = format_station(chainage, unit=unit)
        side = "past" if chainage >= stake_m else "before"
        place = f"{shown(abs(chainage - stake_m))} {side} the stake, station {station}"
        if angle is not None:
            what = f"crosses {place}, at {angle:.0f} degrees"
        elif service.geometry.geom_type.endswith("Point"):
            what = f"stands beside the pipe {place}"
        elif (beside := drawn.intersection(line.buffer(ALONG_WITHIN_M)).length) >= ALONG_M:
            at_stake = f"at the stake {_beside(service.geometry, route, stake_m, unit)}"
            what = f"runs along the pipe for {shown(beside)}, {at_stake}"
        else:
            what = f"comes nearest {place}, without crossing the pipe"
        where = "inside the hole" if in_hole else f"{shown(distance_m)} from the hole"
        if in_zone and not in_hole:
            where += f", inside the {shown(tolerance_zone_m)} tolerance zone"
        where += ", inside its sloped sides" if in_slope else ""
        if vague and (in_slope or (in_zone and not in_hole)):
            where += f", counting the {shown(vague)} that its datum leaves open"
        colour = f" ({service.colour} marks)" if service.colour else ""
        depth = "its depth is not known" if depth_m is None else f"stated {shown(depth_m)} deep"
        quality = f"; quality level {service.quality}" if service.quality else ""
        row = NearService(
            name=service.name,
            colour=service.colour,
            station=station,
            from_stake_m=chainage - stake_m,
            distance_m=distance_m,
            crossing_deg=angle,
            depth_m=depth_m,
            in_hole=in_hole,
            in_tolerance_zone=in_zone,
            quality=service.quality,
            text=f"{service.name}{colour} {what}: {where}; {depth}{quality}",
            in_slope=in_slope,
        )
        found.append(row)
    return tuple(
        sorted(found, key=lambda each: (each.distance_m, abs(each.from_stake_m), each.name))
    )


def _crossing(
    service: Geometry, line: Geometry, route: Route, stake_m: float
) -> tuple[float, float] | None:
    """Return chainage and angle of the crossing nearest the stake; None where none crosses."""
    parts = shapely.get_parts(line.intersection(service))
    points = shapely.get_coordinates(parts[shapely.get_type_id(parts) == 0])
    if not len(points):
        return None
    chainages = np.asarray(route.snap(points).chainage_m)
    order = int(np.argmin(np.abs(chainages - stake_m)))
    chainage = float(chainages[order])
    return chainage, _angle_deg(service, points[order], float(route.bearing_deg(chainage)))


def _beside(service: Geometry, route: Route, stake_m: float, unit: str) -> str:
    """Return on which side of the pipe a service runs at the stake, and how far from it."""
    here = shapely.Point(np.asarray(route.position(stake_m))[:2])
    nearest = shapely.get_coordinates(shapely.shortest_line(here, service))[1:]
    off_m = float(route.snap(nearest).offset_m[0])
    if abs(off_m) < ON_LINE_M:
        return "on its line"
    way = "right" if off_m > 0 else "left"
    return f"{format_length(abs(off_m), unit=unit)} {way} of it as one looks up-chainage"


def _lines(geometry: Geometry) -> list[Geometry]:
    """Return the lines and the outlines of areas in a geometry, collections taken apart."""
    if hasattr(geometry, "geoms"):
        return [line for part in geometry.geoms for line in _lines(part)]
    if geometry.geom_type == "Polygon":
        return _lines(geometry.boundary)
    return [geometry] if geometry.geom_type == "LineString" else []


def _angle_deg(service: Geometry, at: Floats, bearing_deg: float) -> float:
    """Return the angle (0 to 90) between the service's run at a place and a bearing."""
    place = shapely.Point(at)
    part = min(shapely.get_parts(service), key=lambda each: each.distance(place))
    along = part.project(place)
    # A little of the line either side, so that a vertex right on the pipe does not decide.
    reach = np.clip([along - _ANGLE_REACH_M, along + _ANGLE_REACH_M], 0.0, part.length)
    ((east, north),) = np.diff(shapely.get_coordinates(part.interpolate(reach)), axis=0)
    apart = abs((math.degrees(math.atan2(east, north)) - bearing_deg + 180) % 360 - 180)
    return min(apart, 180 - apart)
