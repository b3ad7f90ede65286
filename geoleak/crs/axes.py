"""Reading a CRS: what it is, its axes and unit, and its own longitude and latitude.

A `Projection` goes between the coordinates of a CRS and longitude and latitude on the datum of
that same CRS, so that no datum shift ever enters the geometry of a site. Order is easting,
northing everywhere, whatever the order of the CRS's own axes; the unit is read from the axes.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from geoleak.errors import CrsError
from geoleak.units import LENGTH_UNITS

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

Floats = NDArray[np.float64]
_EAST_WEST = {"east": 1.0, "west": -1.0}
_NORTH_SOUTH = {"north": 1.0, "south": -1.0}
# Method names as PROJ's database has them; a stake or a length in these would be wrong.
_WEB_MERCATOR = "Popular Visualisation Pseudo Mercator"
_BELGIAN = "Lambert Conic Conformal (2SP Belgium)"
# Methods whose way back is a truncated series in PROJ: it closes to 1e-7..1e-3 m only (measured
# over every projected CRS of the EPSG registry). One correction step closes it.
_LOOSE_INVERSE = frozenset(
    {
        "Cassini-Soldner",
        "Colombia Urban",
        "Equal Earth",
        "Laborde Oblique Mercator",
        "Lambert Azimuthal Equal Area",
        "Lambert Cylindrical Equal Area",
        "New Zealand Map Grid",
    }
)


@functools.lru_cache(maxsize=64)
def horizontal_crs(text: str) -> CRS:
    """Return the horizontal part of a CRS, or say why it cannot be used.

    A compound CRS gives its horizontal part, a three-dimensional one its two dimensions, a bound
    one (``+towgs84``) its source.

    Parameters
    ----------
    text : str
        Anything pyproj reads: ``"EPSG:6543"``, a PROJ string, WKT.

    Raises
    ------
    CrsError
        Unknown text, a height system, a geocentric or engineering CRS, axes that are not one
        east-west and one north-south, or a method that PROJ computes wrongly.
    """
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    name = str(text).strip()  # numpy's own str is none to pyproj
    if not name:
        raise CrsError('no crs is stated; say one such as "EPSG:6543", or "local" for a site grid')
    try:
        crs = CRS.from_user_input(name)
    except CRSError:
        raise CrsError(
            f'crs "{_short(name)}" is not known to PROJ; say an EPSG code such as "EPSG:6543", '
            'or "local" for a site grid'
        ) from None
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    _refuse(crs, name)
    return crs.to_2d() if len(crs.axis_info) == 3 else crs


def _short(text: str) -> str:
    return text if len(text) <= 60 else text[:57] + "..."


def _refuse(crs: CRS, text: str) -> None:
    named = f'crs "{_short(text)}" ({crs.name})'
    if crs.is_vertical:
        raise CrsError(f"{named} holds heights only; say the CRS of the positions")
    if crs.is_geocentric:
        raise CrsError(
            f"{named} counts X, Y, Z from the centre of the earth; "
            "say a projected CRS or one in degrees"
        )
    if crs.is_engineering:
        raise CrsError(f'{named} is a site grid of its own; say crs = "local"')
    if not (crs.is_projected or crs.is_geographic):
        raise CrsError(f"{named} is neither projected nor in degrees; say one that is")
    directions = [axis.direction for axis in crs.axis_info[:2]]
    if not (
        sum(each in _EAST_WEST for each in directions) == 1
        and sum(each in _NORTH_SOUTH for each in directions) == 1
    ):
        raise CrsError(
            f"{named} has axes {', '.join(directions)}; one east and one north are needed"
        )
    if crs.is_projected and _method(crs) == _BELGIAN:
        raise CrsError(
            f"{named}: PROJ leaves out this method's fixed rotation and lands about 700 m off; "
            'say "EPSG:31370"'
        )


def _method(crs: CRS) -> str:
    return crs.coordinate_operation.method_name if crs.coordinate_operation else ""


def is_web_mercator(crs: CRS) -> bool:
    """Tell whether a CRS is the web map's projection, whose metres are none on the ground."""
    return crs.is_projected and _method(crs) == _WEB_MERCATOR


def length_unit_of(crs: CRS) -> str | None:
    """Return ``"m"``, ``"ft"`` or ``"ftUS"`` of a projected CRS; None for any other unit.

    Read from the conversion factor of the axes, never from a name: the two feet differ by 2 ppm.
    """
    if not crs.is_projected:
        return None
    factor = crs.axis_info[0].unit_conversion_factor
    for name, metres in LENGTH_UNITS.items():
        if math.isclose(factor, metres, rel_tol=1e-10):
            return name
    return None


@dataclass(frozen=True, slots=True, eq=False)
class Projection:
    """One CRS and the way to longitude and latitude on its own datum and back.

    ``east_sign`` and ``north_sign`` are -1 where the CRS counts westing or southing; coordinates
    stay as the CRS counts them.
    """

    crs: CRS
    base: CRS
    east_sign: float
    north_sign: float
    _inverse: Transformer | None
    _swapped: bool
    _degrees: float
    _loose: bool

    @classmethod
    def of(cls, text: str) -> Projection:
        """Return the projection of a CRS that `horizontal_crs` accepts.

        Raises
        ------
        CrsError
            As `horizontal_crs`.
        """
        return cls.of_crs(horizontal_crs(text))

    @classmethod
    def of_crs(cls, crs: CRS) -> Projection:
        """Return the projection of a horizontal CRS already read."""
        base: Any = crs if crs.is_geographic else crs.geodetic_crs
        if len(base.axis_info) == 3:
            base = base.to_2d()
        directions = [axis.direction for axis in crs.axis_info]
        east = 0 if directions[0] in _EAST_WEST else 1
        return cls(
            crs=crs,
            base=base,
            east_sign=_EAST_WEST[directions[east]],
            north_sign=_NORTH_SOUTH[directions[1 - east]],
            _inverse=None if crs.is_geographic else _inverse_of(crs, base),
            _swapped=east == 1,
            _degrees=math.degrees(base.axis_info[0].unit_conversion_factor),
            _loose=crs.is_projected and _method(crs) in _LOOSE_INVERSE,
        )

    @property
    def definition(self) -> str:
        """PROJ's text of the way from the CRS to its own datum."""
        return self._inverse.definition if self._inverse is not None else "proj=noop"

    @property
    def greenwich_deg(self) -> float:
        """Longitude of the datum's prime meridian from Greenwich, degrees."""
        meridian = self.base.prime_meridian
        if meridian is None:
            return 0.0
        return math.degrees(float(meridian.longitude) * float(meridian.unit_conversion_factor))

    def to_lonlat(self, easting: ArrayLike, northing: ArrayLike) -> tuple[Floats, Floats]:
        """Return longitude and latitude (degrees) on the CRS's own datum.

        Parameters
        ----------
        easting, northing : array_like
            In the axis unit of the CRS. What cannot be projected (NaN, out of reach) gives NaN.
        """
        first, second = same_shape(easting, northing)
        if self._inverse is None:
            return first * self._degrees, second * self._degrees
        lon, lat = self._raw_lonlat(self._inverse, first, second)
        if self._loose:
            # The inverse of twice the target less its image: the error cancels to first order.
            image = self.from_lonlat(lon, lat)
            lon, lat = self._raw_lonlat(self._inverse, 2 * first - image[0], 2 * second - image[1])
        return lon, lat

    def _raw_lonlat(
        self, inverse: Transformer, easting: Floats, northing: Floats
    ) -> tuple[Floats, Floats]:
        if self._swapped:
            easting, northing = northing, easting
        return from_axes(self.base, *inverse.transform(easting, northing))

    def from_lonlat(self, lon: ArrayLike, lat: ArrayLike) -> tuple[Floats, Floats]:
        """Return easting and northing in the axis unit from degrees on the CRS's own datum."""
        east, north = same_shape(lon, lat)
        if self._inverse is None:
            return east / self._degrees, north / self._degrees
        from pyproj.enums import TransformDirection

        first, second = self._inverse.transform(
            *to_axes(self.base, east, north), direction=TransformDirection.INVERSE
        )
        if self._swapped:
            first, second = second, first
        return finite(first), finite(second)


def _inverse_of(crs: CRS, base: CRS) -> Transformer:
    from pyproj import Transformer
    from pyproj.exceptions import ProjError

    try:
        return Transformer.from_crs(crs, base)
    except ProjError:
        raise CrsError(
            f"PROJ cannot compute the projection of {crs.name}; say another crs of this place"
        ) from None


def same_shape(first: ArrayLike, second: ArrayLike) -> tuple[Floats, Floats]:
    """Return both as float arrays of one shape."""
    one, two = np.broadcast_arrays(np.asarray(first, float), np.asarray(second, float))
    return one, two


def finite(values: ArrayLike) -> Floats:
    """Return the values with NaN where PROJ gave infinity for a point out of reach.

    A scalar comes back as a numpy scalar.
    """
    array = np.array(values, dtype=float)
    array[~np.isfinite(array)] = np.nan
    result: Floats = array[()]
    return result


def to_axes(geographic: CRS, lon_deg: Floats, lat_deg: Floats) -> tuple[Floats, Floats]:
    """Return degrees as the axes of a geographic CRS want them (its order, its angle unit)."""
    scale = math.degrees(geographic.axis_info[0].unit_conversion_factor)
    if geographic.axis_info[0].direction in _EAST_WEST:
        return lon_deg / scale, lat_deg / scale
    return lat_deg / scale, lon_deg / scale


def from_axes(geographic: CRS, first: ArrayLike, second: ArrayLike) -> tuple[Floats, Floats]:
    """Return longitude and latitude in degrees from the axes of a geographic CRS."""
    scale = math.degrees(geographic.axis_info[0].unit_conversion_factor)
    one, two = finite(first) * scale, finite(second) * scale
    if geographic.axis_info[0].direction in _EAST_WEST:
        return one, two
    return two, one


def fits_area(
    crs: str, lon_deg: ArrayLike, lat_deg: ArrayLike, *, margin_deg: float = 0.0
) -> NDArray[np.bool_]:
    """Tell which positions lie in the area of use that the CRS's registry states.

    Parameters
    ----------
    crs : str
        Anything `horizontal_crs` accepts.
    lon_deg, lat_deg : array_like
        Degrees from Greenwich, on any datum: the bounds are rough.
    margin_deg : float
        How far outside still counts.

    Returns
    -------
    ndarray of bool
        True everywhere where the CRS states no area; False for NaN.
    """
    lon, lat = same_shape(lon_deg, lat_deg)
    known = np.isfinite(lon) & np.isfinite(lat)
    area = horizontal_crs(crs).area_of_use
    if area is None:
        return known
    west, south, east, north = area.bounds
    width = (east - west) % 360 or (360.0 if east != west else 0.0)
    # Longitude counted from the western bound, so that an area may cross the 180th meridian.
    with np.errstate(invalid="ignore"):
        past_west = (lon - west + margin_deg) % 360
        inside_lon = past_west <= width + 2 * margin_deg
        inside_lat = (lat >= south - margin_deg) & (lat <= north + margin_deg)
    return known & inside_lon & inside_lat


def utm_crs(projection: Projection, lon_deg: float, lat_deg: float) -> CRS:
    """Return the UTM zone of a place on the datum of a projection.

    The registry's own CRS where there is one, else one made of the same datum.

    Parameters
    ----------
    lon_deg, lat_deg : float
        On the projection's datum, longitude from Greenwich.
    """
    from pyproj import CRS
    from pyproj.aoi import AreaOfInterest
    from pyproj.crs import ProjectedCRS
    from pyproj.crs.coordinate_operation import UTMConversion
    from pyproj.database import query_utm_crs_info

    zone = int((lon_deg + 180) // 6) % 60 + 1
    half = "N" if lat_deg >= 0 else "S"
    base = projection.base
    name = f"{base.name} / UTM zone {zone}{half}"
    box = AreaOfInterest(lon_deg, lat_deg, lon_deg, lat_deg)
    for known in query_utm_crs_info(datum_name=base.name, area_of_interest=box):
        if known.name == name:
            return CRS.from_authority(known.auth_name, known.code)
    return ProjectedCRS(UTMConversion(str(zone), hemisphere=half), name=name, geodetic_crs=base)
