"""The site put together: points projected, legs fitted, readings on the pipe."""

from geoleak.survey.build import Ground, ground_of, survey_site
from geoleak.survey.dug import FAR_FROM_LEGS_M, chainage_of, found_places, is_later, on_a_leg
from geoleak.survey.legs import depth_is_known
from geoleak.survey.levels import SWAPPED
from geoleak.survey.places import PlaceFinder, Resolved
from geoleak.survey.points import count_kinds, every_point
from geoleak.survey.recordings import MAX_LAG_S
from geoleak.survey.records import (
    Levels,
    PipePlace,
    Survey,
    SurveyedDelay,
    SurveyedHole,
    SurveyedIsolation,
    SurveyedLeg,
    SurveyedPoint,
    SurveyedSighting,
    SurveyedStop,
    levels_on_line,
    no_levels,
)
from geoleak.survey.tapes import TapePoint, tape_covariance

__all__ = [
    "FAR_FROM_LEGS_M",
    "MAX_LAG_S",
    "SWAPPED",
    "Ground",
    "Levels",
    "PipePlace",
    "PlaceFinder",
    "Resolved",
    "Survey",
    "SurveyedDelay",
    "SurveyedHole",
    "SurveyedIsolation",
    "SurveyedLeg",
    "SurveyedPoint",
    "SurveyedSighting",
    "SurveyedStop",
    "TapePoint",
    "chainage_of",
    "count_kinds",
    "depth_is_known",
    "every_point",
    "found_places",
    "ground_of",
    "is_later",
    "levels_on_line",
    "no_levels",
    "on_a_leg",
    "survey_site",
    "tape_covariance",
]
