"""The other buried services of a site, in the working frame."""

from __future__ import annotations

from geoleak.readers.utilities import read_utility_file
from geoleak.services import Service, project_services, services_of_points
from geoleak.site import Codes, Note, Utility
from geoleak.survey import Survey


def services_of(survey: Survey) -> tuple[tuple[Service, ...], tuple[Note, ...]]:
    """Return every service of ``[[utility]]``, from its file or from coded rover points.

    Raises
    ------
    InputError, CrsError
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
    return project_services(read, survey.frame, coordinate_epoch=survey.site.coordinate_epoch)


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
