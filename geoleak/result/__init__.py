"""The finished Result: every number that any output prints, and its JSON form."""

from geoleak.result.build import build_result, place_text
from geoleak.result.dug import FAR_FROM_LEGS_M, chainage_of, found_places, on_a_leg
from geoleak.result.features import dug_features
from geoleak.result.records import (
    SCHEMA,
    CheckSummary,
    Feature,
    LegSummary,
    NamedPiece,
    NextReadingSummary,
    ProfileLeg,
    ReadingSummary,
    Result,
    RivalSummary,
)
from geoleak.stake import Stake

__all__ = [
    "FAR_FROM_LEGS_M",
    "SCHEMA",
    "CheckSummary",
    "Feature",
    "LegSummary",
    "NamedPiece",
    "NextReadingSummary",
    "ProfileLeg",
    "ReadingSummary",
    "Result",
    "RivalSummary",
    "Stake",
    "build_result",
    "chainage_of",
    "dug_features",
    "found_places",
    "on_a_leg",
    "place_text",
]
