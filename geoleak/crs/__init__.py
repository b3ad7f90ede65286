"""Source CRS, working frame (metres on the ground), printed grid, longitude and latitude."""

from geoleak.crs.axes import (
    CrsInfo,
    Projection,
    axis_unit,
    brought,
    crs_info,
    horizontal_crs,
    to_own_datum,
)
from geoleak.crs.frame import Frame
from geoleak.crs.search import MOST_OFFERED, crs_candidates, place_text
