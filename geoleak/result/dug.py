"""What was dug already, to be drawn beside the answer: opened holes, and leaks that were found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from geoleak.errors import InputError
from geoleak.site import Found
from geoleak.survey import PlaceFinder, Survey

if TYPE_CHECKING:
    from geoleak.survey import Resolved

# A leak found farther from every traced leg was on none of them: common practice, no source.
FAR_FROM_LEGS_M = 5.0


def found_places(survey: Survey, rows: tuple[Found, ...]) -> list[tuple[Found, Resolved]]:
    """Return the rows of found.csv that name the place of a leak, each with where that is.

    Raises
    ------
    InputError
        For a place that cannot be found.
    """
    finder = PlaceFinder(
        frame=survey.frame,
        legs=survey.legs,
        points={each.point.id: each for each in survey.points},
        length_unit=survey.site.length_unit,
    )
    at = [
        (row, finder.find(row.place, row.origin))
        for row in rows
        if row.outcome == "leak" and row.place is not None
    ]
    if finder.complaints:
        raise InputError(finder.complaints)
    return [(row, place) for row, place in at if place is not None]


def on_a_leg(place: Resolved) -> bool:
    """Tell whether a leak found at a place was on the leg nearest to it."""
    return place.distance_m <= FAR_FROM_LEGS_M
