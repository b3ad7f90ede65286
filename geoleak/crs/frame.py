"""The working frame of a site: metres on the ground about its centre, and the exact way out.

A transverse Mercator centred on the site, on the source CRS's own datum, with scale 1 + h/R (R the
Gaussian mean radius of curvature, h the ellipsoidal height where known): lengths in it are
horizontal lengths at the site's height, as a tape reads them. The method and its literature stand
in shared/method/crs.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from geoleak.crs.axes import Floats, finite, fits_area, horizontal_crs, length_unit_of, same_shape
from geoleak.crs.choices import site_height, site_steps
from geoleak.crs.steps import (
    STEP_M,
    Steps,
    elevation_factor,
    from_plane,
    gaussian_radius_m,
    grid_factors,
    grid_of,
    operations,
    to_plane,
)
from geoleak.errors import CrsError
from geoleak.site import Note
from geoleak.units import unit_m

if TYPE_CHECKING:
    from pyproj import CRS

__all__ = [
    "Frame",
    "elevation_factor",
    "fits_area",
    "gaussian_radius_m",
    "horizontal_crs",
    "length_unit_of",
]


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """The working frame of one site and its ways to the source CRS, the printed grid and WGS 84.

    Attributes
    ----------
    crs, grid_crs : str
        The site's CRS as stated, and the CRS of printed coordinates (an authority code where it
        has one, else WKT). Both ``"local"`` for a site grid.
    grid_name, grid_unit : str
        The printed grid's name, and its unit: ``"m"``, ``"ft"`` or ``"ftUS"``.
    grid_unit_m : float
        Metres in one unit of the printed grid.
    mean_height_m : float
        Height that the working frame stands at.
    centre_lonlat : tuple of float, or None
        Degrees on the source's own datum (from its own prime meridian). None for a local site.
    combined_factor, grid_scale, elevation_factor : float
        At the centre: grid length over ground length, grid over ellipsoid, ellipsoid over ground.
    convergence_deg : float
        At the centre; true bearing minus grid bearing.
    lonlat_accuracy_m : float or None
        What to count on for longitude and latitude (WGS 84); None for a local site.
    grid_accuracy_m : float
        The same for printed coordinates: 0 where the printed grid is on the source's datum.
    operations : tuple of str
        PROJ's text of each step, for the record.
    warnings : tuple of Note
    """

    crs: str
    grid_crs: str
    grid_name: str
    grid_unit: str
    grid_unit_m: float
    mean_height_m: float
    centre_lonlat: tuple[float, float] | None
    combined_factor: float
    grid_scale: float
    elevation_factor: float
    convergence_deg: float
    lonlat_accuracy_m: float | None
    grid_accuracy_m: float
    operations: tuple[str, ...]
    warnings: tuple[Note, ...]
    _steps: Steps | None

    @classmethod
    def for_site(
        cls,
        crs: str,
        *,
        easting: ArrayLike,
        northing: ArrayLike,
        heights_m: ArrayLike | None = None,
        mean_height_m: float | None = None,
        grid_crs: str | None = None,
        coordinate_epoch: float | None = None,
        length_unit: str = "m",
    ) -> Frame:
        """Return the frame of a site from its points.

        Parameters
        ----------
        crs : str
            Anything pyproj reads, or ``"local"``: a site grid in `length_unit`, taken as metres
            on the ground; everything works but longitude and latitude.
        easting, northing : array_like
            Points of the site in the axis unit of `crs` (longitude and latitude in degrees where
            it is in degrees). The centre is their median, so that one wild point cannot move it.
        heights_m : array_like, optional
            Of those points: ellipsoidal where known, else elevations (30 m of geoid are 5 ppm).
            Their median is used; NaN is passed over.
        mean_height_m : float, optional
            Taken before `heights_m`.
        grid_crs : str, optional
            CRS of printed coordinates. Without it: `crs`, or where that has no lengths to print
            (degrees, the web map's projection) the UTM zone on the same datum, with a note.
        coordinate_epoch : float, optional
            Decimal year, for frames that move.
        length_unit : {"m", "ft", "ftUS"}
            Unit of a local site.

        Raises
        ------
        CrsError
            A CRS of no use, no finite point, points that do not project, an impossible height, a
            grid without a length unit.
        """
        notes: list[Note] = []
        height_m = site_height(heights_m, mean_height_m, notes)
        if str(crs).strip().lower() == "local":
            return _local(length_unit, height_m, grid_crs, notes)
        steps = site_steps(
            crs,
            easting,
            northing,
            height_m=height_m,
            grid_crs=grid_crs,
            epoch=coordinate_epoch,
            notes=notes,
        )
        combined, convergence = grid_factors(steps, notes)
        grid, shift = steps.grid.crs, steps.to_grid_datum
        unit = length_unit_of(grid) or ""
        return cls(
            crs=str(crs).strip(),
            grid_crs=_code(grid),
            grid_name=grid.name,
            grid_unit=unit,
            grid_unit_m=unit_m(unit),
            mean_height_m=height_m,
            centre_lonlat=steps.centre_lonlat,
            combined_factor=combined,
            grid_scale=combined / steps.elevation_factor,
            elevation_factor=steps.elevation_factor,
            convergence_deg=convergence,
            lonlat_accuracy_m=steps.to_wgs84.accuracy_m,
            grid_accuracy_m=shift.accuracy_m if shift else 0.0,
            operations=operations(steps),
            warnings=tuple(notes),
            _steps=steps,
        )

    @property
    def is_local(self) -> bool:
        """Whether the site is on a grid of its own, without longitude and latitude."""
        return self._steps is None

    def to_working(self, easting: ArrayLike, northing: ArrayLike) -> tuple[Floats, Floats]:
        """Return metres on the ground from coordinates in the site's CRS and its axis unit.

        What cannot be projected gives NaN for that point alone. Scalars give scalars.
        """
        if self._steps is None:
            return _scaled(easting, northing, self.grid_unit_m)
        return to_plane(self._steps.working, *self._steps.source.to_lonlat(easting, northing))

    def from_working(self, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
        """Return coordinates in the site's CRS and axis unit: the inverse of `to_working`."""
        if self._steps is None:
            return _scaled(e_m, n_m, 1 / self.grid_unit_m)
        return self._steps.source.from_lonlat(*from_plane(self._steps.working, e_m, n_m))

    def to_grid(self, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
        """Return printed grid coordinates, in `grid_unit`, of places in the working frame."""
        if self._steps is None:
            return self.from_working(e_m, n_m)
        return grid_of(self._steps, e_m, n_m)

    def from_grid(self, easting: ArrayLike, northing: ArrayLike) -> tuple[Floats, Floats]:
        """Return metres in the working frame from printed grid coordinates."""
        if self._steps is None:
            return self.to_working(easting, northing)
        lon, lat = self._steps.grid.to_lonlat(easting, northing)
        if self._steps.to_grid_datum is not None:
            lon, lat = self._steps.to_grid_datum.inverse(lon, lat)
        return to_plane(self._steps.working, lon, lat)

    def to_lonlat(self, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
        """Return WGS 84 longitude and latitude in degrees, good to `lonlat_accuracy_m`.

        Raises
        ------
        CrsError
            For a local site.
        """
        steps = self._geographic_steps()
        return steps.to_wgs84.forward(*from_plane(steps.working, e_m, n_m))

    def from_lonlat(self, lon_deg: ArrayLike, lat_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Return metres in the working frame from WGS 84 degrees.

        Raises
        ------
        CrsError
            For a local site.
        """
        steps = self._geographic_steps()
        return to_plane(steps.working, *steps.to_wgs84.inverse(lon_deg, lat_deg))

    def own_datum(self) -> tuple[CRS, float]:
        """Return the geographic CRS of the site's own datum, and its prime meridian (degrees).

        Raises
        ------
        CrsError
            For a local site.
        """
        source = self._geographic_steps().source
        return source.base, source.greenwich_deg

    def from_own_degrees(self, lon_deg: ArrayLike, lat_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Return working metres from degrees on the site's own datum.

        Raises
        ------
        CrsError
            For a local site.
        """
        return to_plane(self._geographic_steps().working, lon_deg, lat_deg)

    def bearing_grid_deg(
        self, bearing_deg: ArrayLike, e_m: ArrayLike = 0.0, n_m: ArrayLike = 0.0
    ) -> Floats:
        """Return bearings of the working frame as bearings from the printed grid's north.

        Parameters
        ----------
        bearing_deg : array_like
            Clockwise from the working frame's north.
        e_m, n_m : array_like
            Where; the centre without. Degrees in [0, 360) come back.
        """
        bearing, east = np.broadcast_arrays(np.asarray(bearing_deg, float), np.asarray(e_m, float))
        bearing, north = np.broadcast_arrays(bearing, np.asarray(n_m, float))
        if self._steps is None:
            return finite(np.mod(bearing, 360.0))
        de = STEP_M / 2 * np.sin(np.radians(bearing))
        dn = STEP_M / 2 * np.cos(np.radians(bearing))
        first = grid_of(self._steps, east - de, north - dn)
        second = grid_of(self._steps, east + de, north + dn)
        grid = self._steps.grid
        angle = np.degrees(
            np.arctan2(
                grid.east_sign * (second[0] - first[0]), grid.north_sign * (second[1] - first[1])
            )
        )
        return finite(np.mod(angle, 360.0))

    def _geographic_steps(self) -> Steps:
        if self._steps is None:
            raise CrsError(
                "a local site has no longitude and latitude; "
                "state the crs of its points to have them"
            )
        return self._steps


def _local(length_unit: str, height_m: float, grid_crs: str | None, notes: Sequence[Note]) -> Frame:
    if grid_crs is not None and str(grid_crs).strip().lower() != "local":
        raise CrsError(
            f'grid_crs "{grid_crs}" cannot be reached from a local site; leave it out, '
            "or state the crs of the points"
        )
    try:
        metres = unit_m(length_unit)
    except ValueError as error:
        raise CrsError(str(error)) from None
    return Frame(
        crs="local",
        grid_crs="local",
        grid_name="site grid",
        grid_unit=length_unit,
        grid_unit_m=metres,
        mean_height_m=height_m,
        centre_lonlat=None,
        combined_factor=1.0,
        grid_scale=1.0,
        elevation_factor=1.0,
        convergence_deg=0.0,
        lonlat_accuracy_m=None,
        grid_accuracy_m=0.0,
        operations=(f"site grid: proj=affine s11={metres!r} s22={metres!r}",),
        # On a site grid the height changes no length, so that none is missed.
        warnings=tuple(each for each in notes if each.code != "height_assumed"),
        _steps=None,
    )


def _scaled(east: ArrayLike, north: ArrayLike, factor: float) -> tuple[Floats, Floats]:
    one, two = same_shape(east, north)
    return finite(one * factor), finite(two * factor)


def _code(crs: CRS) -> str:
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else str(crs.to_wkt())
