"""Source CRS, working frame (metres on the ground), printed grid, longitude and latitude."""

from geoleak.crs.frame import (
    Frame,
    horizontal_crs,
    length_unit_of,
)
from geoleak.crs.info import (
    CrsInfo,
    axis_unit,
    crs_info,
)
from geoleak.crs.other import (
    way_in,
)
from geoleak.crs.search import (
    crs_candidates,
)

__all__ = [
    "CrsInfo",
    "Frame",
    "axis_unit",
    "crs_candidates",
    "crs_info",
    "horizontal_crs",
    "length_unit_of",
    "way_in",
]
