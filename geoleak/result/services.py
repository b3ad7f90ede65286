"""The other buried services of a site, in the working frame."""

from __future__ import annotations

from geoleak.errors import Complaint, CrsError, InputError, Origin
from geoleak.readers import read_utility_file
from geoleak.result.records import ServiceSummary
from geoleak.site import Codes, Note, Utility
from geoleak.stake import Conflict, Service, project_services, services_of_points
from geoleak.survey import Survey
from geoleak.units import format_station

# Services drawn for this place reach it; none within a kilometre means another place.
FAR_M = 1000.0


def services_of(survey: Survey) -> tuple[tuple[Service, ...], tuple[Note, ...]]:
    """Return every service of ``[[utility]]``, from its file or from coded rover points.

    Raises
    ------
    InputError
        A file that cannot be read, or whose CRS is missing or of no use.
    """
    services: list[Service] = []
    notes: list[Note] = []
    for utility in survey.site.utilities:
        if utility.file is not None:
            found, said = _from_file(survey, utility)
            services += found
            notes += said
        if utility.codes:
            services += _from_points(survey, utility)
    return tuple(services), tuple(notes)


def _from_file(survey: Survey, utility: Utility) -> tuple[tuple[Service, ...], tuple[Note, ...]]:
    folder = survey.site.folder
    read = read_utility_file(
        folder / str(utility.file),
        label=f"{folder}/{utility.file}",
        name=utility.name,
        colour=utility.colour,
        depth_m=utility.depth_m,
        quality=utility.quality,
        unit=survey.site.length_unit,
        allow_no_crs=survey.frame.is_local,
    )
    origin = Origin(f"{folder.as_posix()}/{utility.file}")
    try:
        services, notes = project_services(
            read, survey.frame, coordinate_epoch=survey.site.coordinate_epoch
        )
    except CrsError as error:
        what, _, remedy = str(error).partition("; ")
        raise InputError([Complaint(origin, what, remedy)]) from error
    return services, (*notes, *_far_notes(survey, utility, services, origin))


def _far_notes(
    survey: Survey, utility: Utility, services: tuple[Service, ...], origin: Origin
) -> list[Note]:
    """Say so where a service's file holds nothing near the site: its CRS or axes may be wrong."""
    import shapely

    site = shapely.MultiLineString([leg.route.vertices_m[:, :2] for leg in survey.legs])
    nearest = min(float(shapely.distance(site, each.geometry)) for each in services)
    if nearest <= FAR_M:
        return []
    text = (
        f"{utility.name}: nothing in {utility.file} lies within {FAR_M / 1000:g} km of the pipe "
        f"(the nearest is {nearest / 1000:.0f} km away): check its CRS and the order of its axes, "
        "and take its place near the hole as unknown"
    )
    return [Note("utility_far", text, origin)]


def _from_points(survey: Survey, utility: Utility) -> tuple[Service, ...]:
    mine = [p for p in survey.points if Codes.matches(p.point.code, utility.codes)]
    return services_of_points(
        utility.name,
        [p.easting_m for p in mine],
        [p.northing_m for p in mine],
        colour=utility.colour,
        quality=utility.quality,
        depth_m=utility.depth_m,
    )


def service_summary(row: Conflict, *, unit: str) -> ServiceSummary:
    """Return a service against the hole as outputs print it."""
    return ServiceSummary(
        name=row.name,
        colour=row.colour,
        station=format_station(row.chainage_m, unit=unit),
        from_stake_m=row.from_stake_m,
        distance_m=row.distance_m,
        crossing_deg=row.crossing_deg,
        depth_m=row.depth_m,
        in_hole=row.in_hole,
        in_tolerance_zone=row.in_tolerance_zone,
        quality=row.quality,
        text=row.text,
    )
