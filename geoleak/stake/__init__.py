"""The stake: where it may stand, ties, offset stakes, the hole, other services."""

from geoleak.stake.ground import (
    GroundPlane,
    ground_plane,
)
from geoleak.stake.hole import (
    HoleShape,
    dig_depth_m,
    hole_shape,
    hole_width_m,
    outline_wkt,
)
from geoleak.stake.services import (
    Conflict,
    Service,
    clear_names,
    conflicts,
    project_services,
    services_of_points,
)
from geoleak.stake.stake import (
    ELLIPSE_95,
    CheckPoint,
    ErrorSource,
    ShotPoint,
    StakePoint,
    budget,
    check_points,
    ellipse,
    free_ids,
    hole_stakes,
    leak_stake,
    offset_stakes,
    on_bend,
    setting_out_covariance,
)
from geoleak.stake.ties import (
    Ties,
    choose_ties,
    tape_points,
)

__all__ = [
    "ELLIPSE_95",
    "CheckPoint",
    "Conflict",
    "ErrorSource",
    "GroundPlane",
    "HoleShape",
    "Service",
    "ShotPoint",
    "StakePoint",
    "Ties",
    "budget",
    "check_points",
    "choose_ties",
    "clear_names",
    "conflicts",
    "dig_depth_m",
    "ellipse",
    "free_ids",
    "ground_plane",
    "hole_shape",
    "hole_stakes",
    "hole_width_m",
    "leak_stake",
    "offset_stakes",
    "on_bend",
    "outline_wkt",
    "project_services",
    "services_of_points",
    "setting_out_covariance",
    "tape_points",
]
