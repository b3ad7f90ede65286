"""Reading a CRS: what it is, its axes and unit, where it may be used, its longitude and latitude.

A `Projection` goes between the coordinates of a CRS and longitude and latitude on the datum of
that same CRS, so that no datum shift ever enters the geometry of a site. Order is easting,
northing everywhere, whatever the order of the CRS's own axes; the unit is read from the axes.

A `DatumShift` goes from one datum to another. The wheels of PROJ carry no shift grids and nothing
is fetched, so the best operation is often not at hand, and a stated accuracy of 0 m means only that
nobody stated one: both are said.
"""

from __future__ import annotations

import functools
import math
import warnings
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.errors import CrsError
from geoleak.record import ArrayLike, Bools, Floats, Record
from geoleak.site import Note
from geoleak.units import LENGTH_UNITS

if TYPE_CHECKING:
    from pyproj import CRS


# A site beside a zone's border is legitimate; half a degree is some 50 km.
AREA_MARGIN_DEG = 0.5
EARTH_RADIUS_M = 6_371_000.0
"""Mean radius, for distances that are told in kilometres."""
_EAST_WEST = {"east": 1.0, "west": -1.0}
_NORTH_SOUTH = {"north": 1.0, "south": -1.0}
# Method names as PROJ's database has them; a stake or a length in these would be wrong.
_WEB_MERCATOR = "Popular Visualisation Pseudo Mercator"
_BELGIAN = "Lambert Conic Conformal (2SP Belgium)"
# Methods whose way back is a truncated series in PROJ: it closes to 1e-7..1e-3 m only (measured
# over every projected CRS of the EPSG registry). One correction step closes it.
_LOOSE_INVERSE = (
    "Cassini-Soldner", "Colombia Urban", "Equal Earth", "Laborde Oblique Mercator",
    "Lambert Azimuthal Equal Area", "Lambert Cylindrical Equal Area", "New Zealand Map Grid",
)  # fmt: skip


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
        raise CrsError("no crs is stated", 'say one such as "EPSG:6543", or "local"')
    try:
        crs = CRS.from_user_input(name)
    except (CRSError, ValueError, TypeError):
        remedy = 'say an EPSG code such as "EPSG:6543", or "local" for a site grid'
        raise CrsError(f'"{_short(name)}" is not a CRS that PROJ knows', remedy) from None
    if crs.is_compound:
        crs = crs.sub_crs_list[0]
    if crs.is_bound and crs.source_crs is not None:
        crs = crs.source_crs
    _refuse(crs, f'"{_short(name)}" ({crs.name})')
    return crs.to_2d() if len(crs.axis_info) == 3 else crs


def _short(text: str) -> str:
    """Return a text cut to what a line of a terminal holds beside other words."""
    return text if len(text) <= 74 else text[:71].rsplit(" ", 1)[0] + "..."


def _refuse(crs: CRS, named: str) -> None:
    """Raise `CrsError` where positions cannot be worked with in a CRS."""
    directions = [axis.direction for axis in crs.axis_info[:2]]
    turned = sorted((each in _EAST_WEST) - (each in _NORTH_SOUTH) for each in directions)
    neither = not (crs.is_projected or crs.is_geographic)
    axes = f" has axes {', '.join(directions)}"
    off = ": PROJ leaves out this method's fixed rotation and lands about 700 m off"
    centre = " counts X, Y, Z from the centre of the earth"
    for wrong, what, remedy in (
        (crs.is_vertical, " holds heights only", "say the CRS of the positions"),
        (crs.is_geocentric, centre, "say a projected CRS or one in degrees"),
        (crs.is_engineering, " is a site grid of its own", 'say crs = "local"'),
        (neither, " is neither projected nor in degrees", "say one that is"),
        (turned != [-1, 1], axes, "one east and one north are needed"),
        (crs.is_projected and _method(crs) == _BELGIAN, off, 'say "EPSG:31370"'),
    ):
        if wrong:
            raise CrsError(f"{named}{what}", remedy)


def _method(crs: CRS) -> str:
    return crs.coordinate_operation.method_name if crs.coordinate_operation else ""


def is_web_mercator(crs: CRS) -> bool:
    """Tell whether a CRS is the web map's projection, whose metres are none on the ground."""
    return crs.is_projected and _method(crs) == _WEB_MERCATOR


def axis_unit(crs: CRS) -> tuple[str, float]:
    """Return a CRS's axis unit and its length in metres (0 for degrees).

    The name is one of `geoleak.units.LENGTH_UNITS`, ``"deg"``, or PROJ's own of another unit. Read
    from the conversion factor of the axes, never from a name: the two feet differ by 2 ppm.
    """
    axis = crs.axis_info[0]
    factor = float(axis.unit_conversion_factor)
    if crs.is_geographic:
        return "deg", 0.0
    for name, metres in LENGTH_UNITS.items():
        if math.isclose(factor, metres, rel_tol=1e-9):
            return name, metres
    return str(axis.unit_name), factor


class Projection(Record, eq=False):
    """One CRS and the way to longitude and latitude on its own datum and back.

    ``east_sign`` and ``north_sign`` are -1 where the CRS counts westing or southing; coordinates
    stay as the CRS counts them.
    """

    crs: CRS
    base: CRS
    east_sign: float
    north_sign: float
    _inverse: Any
    _swapped: bool
    _degrees: float
    _loose: bool

    @classmethod
    def of(cls, text: str | CRS) -> Projection:
        """Return the projection of a CRS that `horizontal_crs` accepts, or of one read already.

        Raises
        ------
        CrsError
            As `horizontal_crs`.
        """
        from pyproj import Transformer
        from pyproj.exceptions import ProjError

        crs = horizontal_crs(text) if isinstance(text, str) else text
        base: Any = crs if crs.is_geographic else crs.geodetic_crs
        if len(base.axis_info) == 3:
            base = base.to_2d()
        directions = [axis.direction for axis in crs.axis_info]
        east = 0 if directions[0] in _EAST_WEST else 1
        try:
            inverse = None if crs.is_geographic else Transformer.from_crs(crs, base)
        except ProjError:
            what = f"PROJ cannot compute the projection of {crs.name}"
            raise CrsError(what, "say another crs of this place") from None
        return cls(
            crs=crs,
            base=base,
            east_sign=_EAST_WEST[directions[east]],
            north_sign=_NORTH_SOUTH[directions[1 - east]],
            _inverse=inverse,
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
        way = -1 if self._swapped else 1
        lonlat = from_axes(self.base, *self._inverse.transform(*(first, second)[::way]))
        if self._loose:
            # The inverse of twice the target less its image: the error cancels to first order.
            image = self.from_lonlat(*lonlat)
            nearer = 2 * first - image[0], 2 * second - image[1]
            lonlat = from_axes(self.base, *self._inverse.transform(*nearer[::way]))
        return lonlat

    def from_lonlat(self, lon: ArrayLike, lat: ArrayLike) -> tuple[Floats, Floats]:
        """Return easting and northing in the axis unit from degrees on the CRS's own datum."""
        east, north = same_shape(lon, lat)
        if self._inverse is None:
            return east / self._degrees, north / self._degrees
        pair = self._inverse.transform(*to_axes(self.base, east, north), direction="INVERSE")
        first, second = map(finite, pair[::-1] if self._swapped else pair)
        return first, second


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
    axis = geographic.axis_info[0]
    pair = [each / math.degrees(axis.unit_conversion_factor) for each in (lon_deg, lat_deg)]
    return (pair[0], pair[1]) if axis.direction in _EAST_WEST else (pair[1], pair[0])


def from_axes(geographic: CRS, first: ArrayLike, second: ArrayLike) -> tuple[Floats, Floats]:
    """Return longitude and latitude in degrees from the axes of a geographic CRS."""
    axis = geographic.axis_info[0]
    pair = [finite(each) * math.degrees(axis.unit_conversion_factor) for each in (first, second)]
    return (pair[0], pair[1]) if axis.direction in _EAST_WEST else (pair[1], pair[0])


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


class CrsInfo(Record):
    """A site's CRS as its files are read in; ``projection`` is ``None`` for a local grid.

    ``axis_unit`` and ``axis_unit_m`` are as `axis_unit` gives them.
    """

    text: str
    projection: Projection | None
    axis_unit: str
    axis_unit_m: float

    @property
    def crs(self) -> CRS | None:
        """The CRS, or ``None`` for a local grid."""
        return None if self.projection is None else self.projection.crs

    @property
    def geographic(self) -> bool:
        """Whether its coordinates are degrees."""
        return self.axis_unit == "deg"

    def lonlat(self, easting: Floats, northing: Floats) -> tuple[Floats, Floats]:
        """Return degrees from Greenwich on the CRS's own datum; NaN out of the projection's reach.

        Older French grids count grads from Paris; others start at Rome, Madrid or Oslo.
        """
        if self.projection is None:
            return easting, northing
        lon, lat = self.projection.to_lonlat(easting, northing)
        return lon + self.projection.greenwich_deg, lat

    def in_area(
        self, lon_deg: ArrayLike, lat_deg: ArrayLike, *, margin_deg: float = AREA_MARGIN_DEG
    ) -> Bools:
        """Tell which degrees lie in the area the CRS is meant for, or so near to it."""
        lon, lat = same_shape(lon_deg, lat_deg)
        known: Bools = np.isfinite(lon) & np.isfinite(lat) & (np.abs(lat) <= 90)
        area = None if self.crs is None else self.crs.area_of_use
        if area is None:
            return known & (np.abs(lon) <= 360)
        # Longitude counted from the western bound, so that an area may cross the 180th meridian.
        width = (area.east - area.west) % 360 or 360.0
        along = (np.where(known, lon, 0.0) - area.west + margin_deg) % 360
        south, north = area.south - margin_deg, area.north + margin_deg
        return known & (along <= width + 2 * margin_deg) & (lat >= south) & (lat <= north)

    @property
    def area_name(self) -> str:
        """Name of the area of use, shortened for a sentence."""
        area = None if self.crs is None else self.crs.area_of_use
        if area is None:
            return "its area of use"
        return _short(str(area.name).partition(" - counties of")[0])


@functools.lru_cache(maxsize=512)
def crs_info(text: str, *, length_unit: str) -> CrsInfo:
    """Return what is known of a CRS given as text.

    Raises
    ------
    CrsError
        As `horizontal_crs`; and for the web map's CRS, whose metres are no lengths.
    """
    if str(text).strip().casefold() == "local":
        return CrsInfo("local", None, length_unit, LENGTH_UNITS[length_unit])
    projection = Projection.of(text)
    if is_web_mercator(projection.crs):
        what = f'"{_short(text)}" is a web map\'s CRS, whose metres are no lengths'
        raise CrsError(what, "write the CRS the rover worked in")
    return CrsInfo(str(text), projection, *axis_unit(projection.crs))


UNKNOWN_ACCURACY_M = 2.0
"""What an unstated accuracy counts as at least: realizations of one frame differ that much."""
BALLPARK_ACCURACY_M = 500.0
"""Same for a ballpark step between ellipsoids: old datums lie 50 to 500 m apart (from memory)."""
REALIZATION_ACCURACY_M = 0.02
"""Floor between two realizations with an epoch: WGS 84 follows ITRF to 1-2 cm (from memory)."""
_WGS84, _WGS84_G2139 = 4326, 9755
_MODERN_ELLIPSOIDS = {298.257222101, 298.257223563}  # GRS 1980, WGS 84: inverse flattening


def is_dynamic(geographic: CRS) -> bool:
    """Tell whether the frame moves against the ground, so that coordinates need an epoch."""
    datum = geographic.datum
    return datum is not None and str(datum.type_name).startswith("Dynamic")


def ensemble_accuracy_m(geographic: CRS) -> float | None:
    """Return how far the members of a datum ensemble differ (metres); None where it is none."""
    described: dict[str, Any] = geographic.to_json_dict().get("datum_ensemble") or {}
    return float(described["accuracy"]) if "accuracy" in described else None


def same_datum(one: CRS, two: CRS) -> bool:
    """Tell whether longitudes and latitudes of both mean the same place."""
    keys = []
    for each in (one, two):
        shape, meridian = each.ellipsoid, each.prime_meridian
        name = each.datum.name.removesuffix(" ensemble") if each.datum is not None else ""
        if name.lower().startswith("unknown"):
            name = f"unknown {id(each)}"  # two unknown datums are not known to be one
        # Rounded: the registry derives the flattening in more than one way.
        figure = (shape.semi_major_metre, round(shape.inverse_flattening, 9)) if shape else None
        keys.append((name, figure, meridian.longitude if meridian else 0.0))
    return keys[0] == keys[1]


class DatumShift(Record, eq=False):
    """The way between two geographic CRSs, in degrees, with its honest accuracy.

    ``accuracy_m`` is what to count on: a stated 0 or none counts as 2 m at least, unless both
    frames are realizations with an epoch. As it stands here: none, between two of one datum.
    """

    name: str = ""
    definition: str = ""
    accuracy_m: float = 0.0
    is_ballpark: bool = False
    notes: tuple[Note, ...] = ()
    _way: tuple[Any, CRS, CRS] | None = None
    _height_m: float = 0.0
    _epoch: float | None = None

    @classmethod
    def between(
        cls,
        source: CRS,
        target: CRS,
        at: tuple[float, float],
        *,
        height_m: float = 0.0,
        epoch: float | None = None,
        use: str = "the coordinates",
    ) -> DatumShift:
        """Return the best operation at hand near a place.

        Parameters
        ----------
        source, target : CRS
            Geographic, two-dimensional.
        at : (float, float)
            The place: longitude and latitude, degrees from Greenwich.
        height_m : float
            Ellipsoidal height for steps that go through the earth's centre.
        epoch : float, optional
            Decimal year of the coordinates, for frames that move.
        use : str
            What the notes call the outcome.
        """
        group = _candidates(source, target, *at)
        good = [e for e in group.transformers if "ballpark" not in e.description.lower()]
        chosen, ballpark = good[0] if good else group.transformers[0], not good
        stated = float(chosen.accuracy)
        moving = epoch is not None and is_dynamic(source) and target.datum is not None
        realizations = moving and ensemble_accuracy_m(target) is None
        return cls(
            name=chosen.description,
            definition=chosen.definition,
            accuracy_m=_count_on(stated, ballpark, realizations, source, target),
            is_ballpark=ballpark,
            notes=_notes(group, chosen.description, stated, ballpark, use),
            _way=(chosen, source, target),
            _height_m=height_m,
            _epoch=epoch,
        )

    @classmethod
    def if_needed(
        cls, source: CRS, target: CRS, at: tuple[float, float], **about: Any
    ) -> DatumShift:
        """Return the same, or no shift where both mean the same place by the same degrees."""
        return cls() if same_datum(source, target) else cls.between(source, target, at, **about)

    def forward(self, lon_deg: ArrayLike, lat_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Return longitude and latitude (degrees) on the target datum."""
        return self._go(lon_deg, lat_deg, inverse=False)

    def inverse(self, lon_deg: ArrayLike, lat_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Return longitude and latitude (degrees) on the source datum."""
        return self._go(lon_deg, lat_deg, inverse=True)

    def _go(
        self, lon_deg: ArrayLike, lat_deg: ArrayLike, *, inverse: bool
    ) -> tuple[Floats, Floats]:
        pair = same_shape(lon_deg, lat_deg)
        if self._way is None:
            return pair
        transformer, start, finish = self._way
        if inverse:
            start, finish = finish, start
        about = [self._height_m] if self._epoch is None else [self._height_m, self._epoch]
        columns: Any = [*to_axes(start, *pair), *(np.full_like(pair[0], each) for each in about)]
        way = "INVERSE" if inverse else "FORWARD"
        return from_axes(finish, *transformer.transform(*columns, direction=way)[:2])


def to_wgs84(source: CRS, at: tuple[float, float], **about: Any) -> DatumShift:
    """Return the way from a datum to WGS 84 longitude and latitude, as `DatumShift.between` does.

    A frame that moves (ITRF, a WGS 84 realization) goes to the WGS 84 realization it agrees with:
    the registry's way to the WGS 84 ensemble may detour by a plate-fixed frame, 1.4 m aside.
    """
    from pyproj import CRS

    use = "longitude and latitude"
    if is_dynamic(source):
        shift = DatumShift.between(source, CRS.from_epsg(_WGS84_G2139), at, use=use, **about)
        if not shift.is_ballpark:
            return shift
    return DatumShift.between(source, CRS.from_epsg(_WGS84), at, use=use, **about)


def to_own_datum(projection: Projection, lon_deg: float, lat_deg: float) -> DatumShift:
    """Return the way from WGS 84 degrees near a place to the datum of a projection."""
    from pyproj import CRS

    return DatumShift.between(CRS.from_epsg(_WGS84), projection.base, (lon_deg, lat_deg))


def brought(
    text: str, to: Projection, easting: ArrayLike, northing: ArrayLike
) -> tuple[Floats, Floats, DatumShift]:
    """Return coordinates of another CRS in a projection's own, and the shift of datum.

    Raises
    ------
    CrsError
        As `geoleak.crs.axes.horizontal_crs`.
    """
    own = Projection.of(text)
    lon, lat = own.to_lonlat(easting, northing)
    shift, there = DatumShift(), np.isfinite(lon)
    if there.any():
        middle = float(np.median(lon[there])) + own.greenwich_deg, float(np.median(lat[there]))
        shift = DatumShift.if_needed(own.base, to.base, middle)
    return *to.from_lonlat(*shift.forward(lon, lat)), shift


def _candidates(source: CRS, target: CRS, lon_deg: float, lat_deg: float) -> Any:
    from pyproj.aoi import AreaOfInterest
    from pyproj.transformer import TransformerGroup

    lon, reach = (lon_deg + 180) % 360 - 180, 0.02
    low = max(lon - reach, -180.0), max(lat_deg - reach, -90.0)
    high = min(lon + reach, 180.0), min(lat_deg + reach, 90.0)
    box: Any = AreaOfInterest(*low, *high)
    with warnings.catch_warnings():
        # pyproj warns of missing grids on stderr; they are told as notes instead.
        warnings.simplefilter("ignore", UserWarning)
        return TransformerGroup(source, target, area_of_interest=box)


def _count_on(
    stated_m: float, ballpark: bool, realizations: bool, source: CRS, target: CRS
) -> float:
    if ballpark:
        shapes = (each.ellipsoid for each in (source, target))
        flat = {round(shape.inverse_flattening, 9) for shape in shapes if shape is not None}
        named = [each.datum.name.lower() if each.datum else "unknown" for each in (source, target)]
        known = not any(name.startswith("unknown") for name in named)
        return UNKNOWN_ACCURACY_M if known and flat <= _MODERN_ELLIPSOIDS else BALLPARK_ACCURACY_M
    if realizations:
        return max(stated_m, REALIZATION_ACCURACY_M)
    if is_dynamic(source) or is_dynamic(target):
        # Centimetres are stated for a given epoch; without one the frame may be decades off.
        return max(stated_m, UNKNOWN_ACCURACY_M)
    return stated_m if stated_m > 0 else UNKNOWN_ACCURACY_M


def _notes(group: Any, name: str, stated_m: float, ballpark: bool, use: str) -> tuple[Note, ...]:
    notes, most_m = [], math.inf if ballpark or stated_m <= 0 else stated_m
    better = [each for each in group.unavailable_operations if 0 < each.accuracy < most_m]
    if better:
        best = min(better, key=lambda each: each.accuracy)
        grids = ", ".join(grid.short_name for grid in best.grids if not grid.available)
        text = (
            f"a better operation for {use} ({best.accuracy:g} m) needs the PROJ grid {grids}, "
            "which is not installed; `pyproj sync` fetches it"
        )
        notes.append(Note("missing_grid", text))
    if ballpark:
        text = (
            f"PROJ has no real operation for {use} here and shifts nothing ({name}); "
            "they may be far off"
        )
        notes.append(Note("ballpark", text))
    return tuple(notes)
