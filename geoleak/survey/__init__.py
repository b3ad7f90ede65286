"""The site put together: points projected, legs fitted, readings on the pipe."""

from geoleak.survey.build import Ground, ground_of, survey_site
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
    "count_kinds",
    "depth_is_known",
    "every_point",
    "ground_of",
    "levels_on_line",
    "no_levels",
    "survey_site",
    "tape_covariance",
]
