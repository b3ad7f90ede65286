"""What the readers need to know of a CRS: its axis unit, its kind, where it may be used."""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.errors import Refused
from geoleak.units import LENGTH_UNITS

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pyproj import CRS

# A site beside a zone's border is legitimate; half a degree is some 50 km.
AREA_MARGIN_DEG = 0.5


@dataclass(frozen=True, slots=True)
class CrsInfo:
    """A site's CRS; ``crs`` is ``None`` for a local grid."""

    text: str
    crs: CRS | None
    axis_unit: str
    """``"m"``, ``"ft"``, ``"ftUS"``, ``"deg"`` or PROJ's own name of another unit."""
    axis_unit_m: float
    geographic: bool

    def lonlat(
        self, easting: NDArray[np.float64], northing: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return degrees from Greenwich on the CRS's own datum.

        Infinite where the projection does not reach.
        """
        if self.crs is None:
            return easting, northing
        degrees, meridian_deg = _angles(self.crs)
        if self.geographic:
            return easting * degrees + meridian_deg, northing * degrees
        lon, lat = _turned(_way(self.crs), easting, northing)
        return lon * degrees + meridian_deg, lat * degrees

    def grid(
        self, lon: NDArray[np.float64], lat: NDArray[np.float64]
    ) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Return easting and northing of degrees from Greenwich on the CRS's own datum."""
        if self.crs is None:
            return lon, lat
        degrees, meridian_deg = _angles(self.crs)
        lon, lat = (lon - meridian_deg) / degrees, lat / degrees
        if self.geographic:
            return lon, lat
        return _turned(_way(self.crs, back=True), lon, lat)

    def in_area(self, lon: NDArray[np.float64], lat: NDArray[np.float64]) -> NDArray[np.bool_]:
        """Tell which degrees lie in the area the CRS is meant for, within half a degree."""
        with np.errstate(invalid="ignore"):
            finite = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90)
            area = self.crs.area_of_use if self.crs is not None else None
            if area is None:
                inside: NDArray[np.bool_] = finite & (np.abs(lon) <= 360)
                return inside
            margin = AREA_MARGIN_DEG
            width = (area.east - area.west) % 360 or 360.0
            along = (np.where(finite, lon, 0.0) - area.west + margin) % 360
            inside = (
                finite
                & (along <= width + 2 * margin)
                & (lat >= area.south - margin)
                & (lat <= area.north + margin)
            )
        return inside

    @property
    def area_name(self) -> str:
        """Name of the area of use, shortened for a sentence."""
        area = self.crs.area_of_use if self.crs is not None else None
        if area is None:
            return "its area of use"
        name = str(area.name)
        return name if len(name) <= 70 else name[:67].rsplit(" ", 1)[0] + " ..."


@dataclass(frozen=True, slots=True)
class _Way:
    """A transformation between a grid and its own degrees, and where either counts north first."""

    transformer: Any
    from_north_first: bool
    to_north_first: bool


@functools.lru_cache(maxsize=8)
def _way(crs: CRS, *, back: bool = False) -> _Way:
    from pyproj import Transformer

    base = crs.geodetic_crs
    if base is None:
        raise Refused(f"{crs.name} has no geodetic base", "write another CRS")
    source, target = (base, crs) if back else (crs, base)
    # PROJ's own "always x, y" leaves axes that count south and west in their order.
    return _Way(Transformer.from_crs(source, target), _north_first(source), _north_first(target))


def _north_first(crs: CRS) -> bool:
    first, second = (axis.direction for axis in crs.axis_info[:2])
    return first in ("north", "south") and second in ("east", "west")


def _turned(
    way: _Way, east: NDArray[np.float64], north: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Return easting and northing (or longitude and latitude) after `way`, in this order."""
    first, second = (north, east) if way.from_north_first else (east, north)
    one, two = way.transformer.transform(first, second)
    return (two, one) if way.to_north_first else (one, two)


def _angles(crs: CRS) -> tuple[float, float]:
    """Return degrees in one angle unit of a CRS's datum, and its prime meridian in degrees.

    Older French grids count grads from Paris; others start at Rome, Madrid or Oslo.
    """
    base = crs.geodetic_crs
    if base is None:
        return 1.0, 0.0
    degrees = math.degrees(float(base.axis_info[0].unit_conversion_factor))
    meridian = base.prime_meridian
    if meridian is None:
        return degrees, 0.0
    return degrees, math.degrees(float(meridian.longitude) * float(meridian.unit_conversion_factor))


def crs_info(text: str, *, length_unit: str) -> CrsInfo:
    """Return what is known of a CRS given as text.

    Raises
    ------
    ValueError
        If pyproj cannot read it, or it is no CRS for positions on a plane; with the remedy after
        a semicolon.
    """
    text = str(text)  # numpy's own string type is none to pyproj
    if text.strip().casefold() == "local":
        return CrsInfo("local", None, length_unit, LENGTH_UNITS[length_unit], False)
    from pyproj import CRS
    from pyproj.exceptions import CRSError, ProjError

    try:
        crs = CRS.from_user_input(text)
    except (CRSError, ValueError, TypeError):
        raise Refused(
            f'"{text}" is not a CRS that PROJ knows', 'write one such as "EPSG:6543", or "local"'
        ) from None
    flat = crs.sub_crs_list[0] if crs.is_compound else crs
    if flat.is_bound and flat.source_crs is not None:
        flat = flat.source_crs
    if not (flat.is_projected or flat.is_geographic):
        raise Refused(
            f'"{text}" ({crs.name}) has no horizontal positions',
            'write a projected or geographic CRS, or "local"',
        )
    if flat.to_epsg() in (3857, 3785, 900913):
        raise Refused(
            f'"{text}" is a web map\'s CRS, whose metres are no lengths',
            "write the CRS the rover worked in",
        )
    unit, factor = axis_unit(flat)
    info = CrsInfo(text, flat, unit, factor, flat.is_geographic)
    try:
        info.lonlat(np.zeros(1), np.zeros(1))
    except ProjError:
        # A few definitions in PROJ's own table have no way to degrees.
        raise Refused(
            f'"{text}" ({crs.name}) cannot be brought to degrees by PROJ', "write another CRS"
        ) from None
    return info


def axis_unit(crs: CRS) -> tuple[str, float]:
    """Return a CRS's axis unit (from its axes, never from its name) and its length in metres."""
    axis = crs.axis_info[0]
    factor = float(axis.unit_conversion_factor)
    if crs.is_geographic:
        return "deg", 0.0
    for name, metres in LENGTH_UNITS.items():
        if abs(metres / factor - 1) < 1e-9:
            return name, factor
    return str(axis.unit_name), factor
