"""Going from one datum to another: which operation PROJ has, and how vague it is.

The wheels of PROJ carry no shift grids and nothing is fetched, so the best operation is often not
at hand, and a stated accuracy of 0 m means only that nobody stated one. Both are said.
"""

from __future__ import annotations

import warnings
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.crs.axes import Projection, from_axes, same_shape, to_axes
from geoleak.record import ArrayLike, Floats, Record
from geoleak.site import Note

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

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
    return _datum_key(one) == _datum_key(two)


def _datum_key(geographic: CRS) -> tuple[object, ...]:
    datum, ellipsoid, meridian = geographic.datum, geographic.ellipsoid, geographic.prime_meridian
    name = datum.name.removesuffix(" ensemble") if datum is not None else ""
    if name.lower().startswith("unknown"):
        # Two unknown datums are not known to be one.
        name = f"unknown {id(geographic)}"
    return (
        name,
        # Rounded: the registry derives the flattening in more than one way.
        (ellipsoid.semi_major_metre, round(ellipsoid.inverse_flattening, 9)) if ellipsoid else None,
        meridian.longitude if meridian else 0.0,
    )


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
    _way: tuple[Transformer, CRS, CRS] | None = None
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
        from pyproj.enums import TransformDirection

        pair = same_shape(lon_deg, lat_deg)
        if self._way is None:
            return pair
        transformer, start, finish = self._way
        way = TransformDirection.INVERSE if inverse else TransformDirection.FORWARD
        if inverse:
            start, finish = finish, start
        columns = list(to_axes(start, *pair))
        columns.append(np.full_like(columns[0], self._height_m))
        if self._epoch is not None:
            columns.append(np.full_like(columns[0], self._epoch))
        transform: Any = transformer.transform
        moved = transform(*columns, direction=way)
        return from_axes(finish, moved[0], moved[1])


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

    lon = (lon_deg + 180) % 360 - 180
    reach = 0.02
    box: Any = AreaOfInterest(
        max(lon - reach, -180.0),
        max(lat_deg - reach, -90.0),
        min(lon + reach, 180.0),
        min(lat_deg + reach, 90.0),
    )
    with warnings.catch_warnings():
        # pyproj warns of missing grids on stderr; they are told as notes instead.
        warnings.simplefilter("ignore", UserWarning)
        return TransformerGroup(source, target, area_of_interest=box)


def _count_on(
    stated_m: float, ballpark: bool, realizations: bool, source: CRS, target: CRS
) -> float:
    if ballpark:
        flat = {
            round(each.ellipsoid.inverse_flattening, 9)
            for each in (source, target)
            if each.ellipsoid is not None
        }
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
    notes = []
    better = [
        each
        for each in group.unavailable_operations
        if each.accuracy > 0 and (ballpark or stated_m <= 0 or each.accuracy < stated_m)
    ]
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
