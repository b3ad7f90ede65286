"""The finished Result: every number that any output prints, and its JSON form."""

from geoleak.result.build import build_result, dug_features
from geoleak.result.records import (
    CheckSummary,
    Feature,
    NamedPiece,
    NextReadingSummary,
    ProfileLeg,
    ReadingSummary,
    Result,
    RivalSummary,
)
from geoleak.stake import Stake
