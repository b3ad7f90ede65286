"""The stake: where it may stand, ties, offset stakes, the hole, other services."""

from geoleak.stake.hole import Excavation, reproject
from geoleak.stake.services import NearService
from geoleak.stake.stake import ErrorSource, SettingOutEllipse, Stake, place_text
from geoleak.stake.ties import Tie
from geoleak.stake.work import Stakeout

__all__ = [
    "ErrorSource",
    "Excavation",
    "NearService",
    "SettingOutEllipse",
    "Stake",
    "Stakeout",
    "Tie",
    "place_text",
    "reproject",
]
