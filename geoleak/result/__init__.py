"""The finished Result: every number that any output prints, and its JSON form."""

from geoleak.result.build import build_result
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
    picked,
)
from geoleak.stake import Stake

__all__ = [
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
    "dug_features",
    "picked",
]
