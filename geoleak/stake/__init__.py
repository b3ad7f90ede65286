"""The stake: where it may stand, ties, offset stakes, the hole, other services."""

from geoleak.stake.hole import Excavation, NearService, reproject
from geoleak.stake.stake import ErrorSource, SettingOutEllipse, Stake, Tie, place_text
from geoleak.stake.work import Stakeout, named
