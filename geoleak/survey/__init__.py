"""The site put together: points projected, legs fitted, readings on the pipe."""

from geoleak.survey.build import Ground, ground_of, survey_site
from geoleak.survey.legs import depth_is_known
from geoleak.survey.levels import HEARD, MAX_LAG_S, NO_DECIBELS, SWAPPED
from geoleak.survey.places import (
    PlaceFinder,
    Resolved,
    chainage_of,
    found_places,
    is_later,
    on_a_leg,
    past_ends_m,
)
from geoleak.survey.points import TapePoint, count_kinds, every_point, tape_covariance
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
    taken,
)
