"""The finished Result: every number that any output prints, and its JSON form."""

from geoleak.result.build import (
    build_result,
)
from geoleak.result.records import (
    Feature,
    LegSummary,
    NamedPiece,
    NextReadingSummary,
    ProfileLeg,
    ReadingSummary,
    Result,
    StakeSummary,
)

__all__ = [
    "Feature",
    "LegSummary",
    "NamedPiece",
    "NextReadingSummary",
    "ProfileLeg",
    "ReadingSummary",
    "Result",
    "StakeSummary",
    "build_result",
]
