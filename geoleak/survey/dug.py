"""The leaks that were found: where they lie on the pipe, or past its end, or on none."""

from __future__ import annotations

import math
from datetime import datetime
from typing import TYPE_CHECKING

from geoleak.errors import InputError
from geoleak.site import Found
from geoleak.survey.places import PlaceFinder

if TYPE_CHECKING:
    from geoleak.survey.places import Resolved
    from geoleak.survey.records import Survey

# A leak found farther from every traced leg was on none of them: common practice, no source.
FAR_FROM_LEGS_M = 5.0
# Nearer to an end of the line than half a bucket is at the end: common practice, no source.
PAST_END_M = 0.3


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


def is_later(read: str, found: str) -> bool:
    """Tell whether one date is later than another, to the day unless both have their time.

    Zones are left out; one that is no date is later than none, and none is later than it.
    """
    try:
        one, two = (datetime.fromisoformat(each).replace(tzinfo=None) for each in (read, found))
    except ValueError:
        return False
    timed = min(len(read), len(found)) > len("2026-05-04")
    return one > two if timed else one.date() > two.date()


def on_a_leg(place: Resolved) -> bool:
    """Tell whether a leak found at a place was on the leg nearest to it."""
    return place.distance_m <= FAR_FROM_LEGS_M


def chainage_of(survey: Survey, place: Resolved) -> float:
    """Return the chainage of a leak found; run on past an end of the leg where it lies past one.

    Snapped to the line's last point it would count as found there, in a hole drawn up to the end.
    """
    past_m = math.sqrt(max(0.0, place.distance_m**2 - place.offset_m**2))
    if past_m < PAST_END_M:
        return place.chainage_m
    after = place.chainage_m > survey.legs[place.leg].route.length_m / 2
    return place.chainage_m + (past_m if after else -past_m)
