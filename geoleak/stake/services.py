"""Other buried services against the hole: where they cross, and how near they come.

A mark or a map gives the plan position of a service, never its depth: where no depth is stated,
it is said to be unknown. Geometry is in the working frame, metres on the ground.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from geoleak.errors import CrsError, InputError, Origin
from geoleak.readers import read_utility_file
from geoleak.record import Floats, Record
from geoleak.site import Codes, Note, Utility
from geoleak.survey import Survey
from geoleak.units import format_length, format_station

if TYPE_CHECKING:
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from geoleak.crs import Frame
    from geoleak.linref import Route
    from geoleak.readers import UtilityFile

TOLERANCE_ZONE_M = 18 * 0.0254
"""18 in either side of a mark: common in the United States; some states say 24 in."""
REPORT_WITHIN_M = 10.0
"""Farther than this from the hole a service is left out."""
GAP_M = 15.0
"""Points of a service farther apart than this are not joined."""
FAR_M = 1000.0
"""Services drawn for this place reach it; none within a kilometre means another place."""
_ANGLE_REACH_M = 0.25


class Service(Record, eq=False):
    """One other service in the working frame.

    ``accuracy_m`` is of its datum operation (0 on the site's own datum); ``quality`` its ASCE 38
    level where one is given. ``depth_m`` is None where not stated.
    """

    name: str
    geometry: BaseGeometry
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
    import shapely

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
    import shapely

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
    import shapely

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
    sloped: Polygon | None = None,
    tolerance_zone_m: float = TOLERANCE_ZONE_M,
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
    sloped : shapely Polygon, optional
        The hole at the surface, where its sides are sloped.
    tolerance_zone_m : float
        Either side of a service, where only hand tools are used. What the datum of a service
        leaves open is added to it.
    """
    import shapely

    found = []
    shown = functools.partial(format_length, unit=unit)
    away = shapely.distance(outline, [each.geometry for each in services])
    for service, distance_m in zip(services, away.tolist(), strict=True):
        if distance_m > REPORT_WITHIN_M + service.accuracy_m:
            continue
        vague, depth_m = service.accuracy_m, service.depth_m
        in_hole, in_zone = distance_m == 0.0, distance_m <= tolerance_zone_m + vague
        in_slope = not in_hole and sloped is not None and sloped.distance(service.geometry) <= vague
        near = shapely.get_coordinates(shapely.shortest_line(outline, service.geometry))[1:]
        chainage, angle = _crossing(service.geometry, route, stake_m) or (
            float(route.snap(near).chainage_m[0]), None
        )  # fmt: skip
        station = format_station(chainage, unit=unit)
        side = "past" if chainage >= stake_m else "before"
        place = f"{shown(abs(chainage - stake_m))} {side} the stake, station {station}"
        if angle is not None:
            what = f"crosses {place}, at {angle:.0f} degrees"
        elif service.geometry.geom_type.endswith("Point"):
            what = f"stands beside the pipe {place}"
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


def _crossing(geometry: BaseGeometry, route: Route, stake_m: float) -> tuple[float, float] | None:
    """Return chainage and angle of the crossing nearest the stake; None where none crosses."""
    import shapely

    line = shapely.LineString(np.asarray(route.vertices_m)[:, :2])
    service = shapely.MultiLineString(_lines(geometry))
    parts = shapely.get_parts(line.intersection(service))
    points = shapely.get_coordinates(parts[shapely.get_type_id(parts) == 0])
    if not len(points):
        return None
    chainages = np.asarray(route.snap(points).chainage_m)
    order = int(np.argmin(np.abs(chainages - stake_m)))
    chainage = float(chainages[order])
    return chainage, _angle_deg(service, points[order], float(route.bearing_deg(chainage)))


def _lines(geometry: BaseGeometry) -> list[BaseGeometry]:
    """Return the lines and the outlines of areas in a geometry, collections taken apart."""
    if hasattr(geometry, "geoms"):
        return [line for part in geometry.geoms for line in _lines(part)]
    if geometry.geom_type == "Polygon":
        return _lines(geometry.boundary)
    return [geometry] if geometry.geom_type == "LineString" else []


def _angle_deg(service: BaseGeometry, at: Floats, bearing_deg: float) -> float:
    """Return the angle (0 to 90) between the service's run at a place and a bearing."""
    import shapely

    place = shapely.Point(at)
    part = min(shapely.get_parts(service), key=lambda each: each.distance(place))
    along = part.project(place)
    # A little of the line either side, so that a vertex right on the pipe does not decide.
    reach = np.clip([along - _ANGLE_REACH_M, along + _ANGLE_REACH_M], 0.0, part.length)
    ((east, north),) = np.diff(shapely.get_coordinates(part.interpolate(reach)), axis=0)
    apart = abs((math.degrees(math.atan2(east, north)) - bearing_deg + 180) % 360 - 180)
    return min(apart, 180 - apart)
