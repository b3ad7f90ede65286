"""The finished Result: every number that any output prints, and its JSON form."""

from geoleak.result.build import (
    build_result,
)
from geoleak.result.records import (
    SCHEMA,
    Feature,
    LegSummary,
    NamedPiece,
    NextReadingSummary,
    ProfileLeg,
    ReadingSummary,
    Result,
)
from geoleak.stake import Stake

__all__ = [
    "SCHEMA",
    "Feature",
    "LegSummary",
    "NamedPiece",
    "NextReadingSummary",
    "ProfileLeg",
    "ReadingSummary",
    "Result",
    "Stake",
    "build_result",
]
