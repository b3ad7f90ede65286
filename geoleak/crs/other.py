"""Bringing coordinates of another CRS (a GIS file's) into the working frame of a site."""

from __future__ import annotations

from dataclasses import dataclass

from numpy.typing import ArrayLike

from geoleak.crs.axes import Floats, Projection
from geoleak.crs.datum import DatumShift, same_datum
from geoleak.crs.frame import Frame
from geoleak.errors import CrsError
from geoleak.site import Note


@dataclass(frozen=True, slots=True, eq=False)
class WayIn:
    """From one other CRS to working metres.

    ``accuracy_m`` is 0 where both are on one datum, else what to count on; ``notes`` say why.
    """

    accuracy_m: float
    notes: tuple[Note, ...]
    _frame: Frame
    _projection: Projection
    _shift: DatumShift | None

    def to_working(self, easting: ArrayLike, northing: ArrayLike) -> tuple[Floats, Floats]:
        """Return working metres of coordinates in the other CRS (its axis unit)."""
        lon, lat = self._projection.to_lonlat(easting, northing)
        if self._shift is not None:
            lon, lat = self._shift.forward(lon, lat)
        return self._frame.from_own_degrees(lon, lat)


def way_in(frame: Frame, crs: str, *, coordinate_epoch: float | None = None) -> WayIn:
    """Return the way from another CRS into a site's working frame.

    Raises
    ------
    CrsError
        For a local site, or a CRS of no use.
    """
    if frame.centre_lonlat is None:
        raise CrsError(
            f'positions in "{crs}" cannot be brought onto a local site; '
            "state the crs of the site's points, or shoot them with the rover"
        )
    projection = Projection.of(crs)
    base, meridian_deg = frame.own_datum()
    if same_datum(projection.base, base):
        return WayIn(0.0, (), frame, projection, None)
    shift = DatumShift.between(
        projection.base,
        base,
        lon_deg=frame.centre_lonlat[0] + meridian_deg,
        lat_deg=frame.centre_lonlat[1],
        height_m=frame.mean_height_m,
        epoch=coordinate_epoch,
        use=f"positions in {projection.crs.name}",
    )
    return WayIn(shift.accuracy_m, shift.notes, frame, projection, shift)
