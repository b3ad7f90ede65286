"""The working frame of a site: metres on the ground about its centre, and the exact way out.

A transverse Mercator centred on the site, on the source CRS's own datum, with scale 1 + h/R (R the
Gaussian mean radius of curvature, h the ellipsoidal height where known): lengths in it are
horizontal lengths at the site's height, as a tape reads them. The method and its literature stand
in shared/method/crs.md.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np

from geoleak.crs.axes import (
    EARTH_RADIUS_M,
    DatumShift,
    Projection,
    axis_unit,
    ensemble_accuracy_m,
    finite,
    is_dynamic,
    is_web_mercator,
    same_shape,
    to_wgs84,
    utm_crs,
)
from geoleak.errors import CrsError
from geoleak.record import ArrayLike, Floats, Record
from geoleak.site import Note
from geoleak.units import LENGTH_UNITS, unit_m

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

STEP_M = 100.0
"""Length over which the grid's scale and convergence are taken."""
FAR_FROM_CENTRE_M = 5_000.0
"""From here a note is given: the scale is off by (x/R)^2/2, 0.3 ppm at 5 km."""
_HIGHEST_M = 9_000.0


class Frame(Record, eq=False):
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

    grid_unit: str
    grid_unit_m: float
    mean_height_m: float
    warnings: tuple[Note, ...]
    operations: tuple[str, ...]
    # What a site grid has, which nothing relates to the earth.
    crs: str = "local"
    grid_crs: str = "local"
    grid_name: str = "site grid"
    centre_lonlat: tuple[float, float] | None = None
    combined_factor: float = 1.0
    grid_scale: float = 1.0
    elevation_factor: float = 1.0
    convergence_deg: float = 0.0
    lonlat_accuracy_m: float | None = None
    grid_accuracy_m: float = 0.0
    _ways: _Ways | None = None

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
        height_m = _site_height(heights_m, mean_height_m, notes)
        if str(crs).strip().lower() == "local":
            metres = unit_m(length_unit)
            return cls(
                grid_unit=length_unit,
                grid_unit_m=metres,
                mean_height_m=height_m,
                # On a site grid the height changes no length, so that none is missed.
                warnings=tuple(each for each in notes if each.code != "height_assumed"),
                operations=(f"site grid: proj=affine s11={metres!r} s22={metres!r}",),
            )
        source = Projection.of(str(crs))
        lon, lat = source.to_lonlat(np.ravel(easting), np.ravel(northing))
        centre = _centre(lon, lat, crs)
        grid = _printed_grid(source, grid_crs, centre, notes)
        at, about = _greenwich(source, centre), {"height_m": height_m, "epoch": coordinate_epoch}
        shift = DatumShift()
        # A grid chosen here stands on the source's own datum, even where that has no name.
        if grid_crs is not None and grid is not source:
            use = "the printed grid"
            shift = DatumShift.if_needed(source.base, grid.base, at, use=use, **about)
        outward = to_wgs84(source.base, at, **about)
        notes += *shift.notes, *outward.notes, *_of_datums(source, grid, shift, coordinate_epoch)
        working, text, factor = _working_projection(source, centre, height_m)
        ways = _Ways(source, grid, working, shift, outward)
        _note_distance(*ways.to_plane(lon, lat), notes)
        combined, convergence = _grid_factors(ways, notes)
        unit, metres = axis_unit(grid.crs)
        return cls(
            crs=str(crs).strip(),
            grid_crs=_code(grid.crs),
            grid_name=grid.crs.name,
            grid_unit=unit,
            grid_unit_m=metres,
            mean_height_m=height_m,
            centre_lonlat=centre,
            combined_factor=combined,
            grid_scale=combined / factor,
            elevation_factor=factor,
            convergence_deg=convergence,
            lonlat_accuracy_m=outward.accuracy_m,
            grid_accuracy_m=shift.accuracy_m,
            operations=ways.operations(text),
            warnings=tuple(notes),
            _ways=ways,
        )

    @property
    def is_local(self) -> bool:
        """Whether the site is on a grid of its own, without longitude and latitude."""
        return self._ways is None

    def to_working(self, easting: ArrayLike, northing: ArrayLike) -> tuple[Floats, Floats]:
        """Return metres on the ground from coordinates in the site's CRS and its axis unit.

        What cannot be projected gives NaN for that point alone. Scalars give scalars.
        """
        if self._ways is None:
            return _scaled(easting, northing, self.grid_unit_m)
        return self._ways.to_plane(*self._ways.source.to_lonlat(easting, northing))

    def from_working(self, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
        """Return coordinates in the site's CRS and axis unit: the inverse of `to_working`."""
        if self._ways is None:
            return _scaled(e_m, n_m, 1 / self.grid_unit_m)
        return self._ways.source.from_lonlat(*self._ways.from_plane(e_m, n_m))

    def to_grid(self, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
        """Return printed grid coordinates, in `grid_unit`, of places in the working frame."""
        if self._ways is None:
            return self.from_working(e_m, n_m)
        return self._ways.to_grid(e_m, n_m)

    def from_grid(self, easting: ArrayLike, northing: ArrayLike) -> tuple[Floats, Floats]:
        """Return metres in the working frame from printed grid coordinates."""
        if self._ways is None:
            return self.to_working(easting, northing)
        shift, lonlat = self._ways.to_grid_datum, self._ways.grid.to_lonlat(easting, northing)
        return self._ways.to_plane(*shift.inverse(*lonlat))

    def to_lonlat(self, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
        """Return WGS 84 longitude and latitude in degrees, good to `lonlat_accuracy_m`.

        Raises
        ------
        CrsError
            For a local site.
        """
        ways = self._on_earth()
        return ways.to_wgs84.forward(*ways.from_plane(e_m, n_m))

    def from_lonlat(self, lon_deg: ArrayLike, lat_deg: ArrayLike) -> tuple[Floats, Floats]:
        """Return metres in the working frame from WGS 84 degrees.

        Raises
        ------
        CrsError
            For a local site.
        """
        ways = self._on_earth()
        return ways.to_plane(*ways.to_wgs84.inverse(lon_deg, lat_deg))

    def way_from(
        self, crs: str, *, coordinate_epoch: float | None = None
    ) -> tuple[Callable[[ArrayLike, ArrayLike], tuple[Floats, Floats]], float, tuple[Note, ...]]:
        """Return the way here from another CRS, such as a GIS file's.

        Returns
        -------
        to_working : callable
            Easting and northing in the other CRS's axis unit to working metres.
        accuracy_m : float
            0 where both are on one datum, else what to count on.
        notes : tuple of Note
            Why.

        Raises
        ------
        CrsError
            For a local site, or a CRS of no use.
        """
        ways = self._on_earth(f'positions in "{crs}" cannot be brought onto a local site')
        other, own = Projection.of(crs), ways.source
        about = {"height_m": self.mean_height_m, "epoch": coordinate_epoch}
        use, at = f"positions in {other.crs.name}", _greenwich(own, self.centre_lonlat)
        shift = DatumShift.if_needed(other.base, own.base, at, use=use, **about)

        def to_working(easting: ArrayLike, northing: ArrayLike) -> tuple[Floats, Floats]:
            return ways.to_plane(*shift.forward(*other.to_lonlat(easting, northing)))

        return to_working, shift.accuracy_m, shift.notes

    def _on_earth(self, what: str = "a local site has no longitude and latitude") -> _Ways:
        if self._ways is None:
            raise CrsError(what, "state the crs of its points to have them")
        return self._ways

    def bearing_grid_deg(self, bearing_deg: ArrayLike) -> Floats:
        """Return bearings of the working frame as bearings from the printed grid's north.

        Parameters
        ----------
        bearing_deg : array_like
            Clockwise from the working frame's north, at its centre. Degrees in [0, 360) come back.
        """
        bearing = np.asarray(bearing_deg, float)
        if self._ways is not None:
            grid, angle = self._ways.grid, np.radians(bearing)
            ends = STEP_M / 2 * np.array([np.sin(angle), np.cos(angle)])
            e, n = np.subtract(self._ways.to_grid(*ends), self._ways.to_grid(*-ends))
            bearing = np.degrees(np.arctan2(grid.east_sign * e, grid.north_sign * n))
        return finite(np.mod(bearing, 360.0))


class _Ways(NamedTuple):
    """Every step out of a working frame: own degrees, working metres, grid, WGS 84."""

    source: Projection
    grid: Projection
    working: Transformer
    to_grid_datum: DatumShift
    to_wgs84: DatumShift

    def to_plane(self, lon: ArrayLike, lat: ArrayLike) -> tuple[Floats, Floats]:
        """Return working metres from degrees on the source datum."""
        east, north = self.working.transform(*same_shape(lon, lat))
        return finite(east), finite(north)

    def from_plane(self, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
        """Return degrees on the source datum from working metres."""
        lon, lat = self.working.transform(*same_shape(e_m, n_m), direction="INVERSE")
        return finite(lon), finite(lat)

    def to_grid(self, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
        """Return printed grid coordinates, in the axis unit, of places in the working frame."""
        return self.grid.from_lonlat(*self.to_grid_datum.forward(*self.from_plane(e_m, n_m)))

    def operations(self, working: str) -> tuple[str, ...]:
        """Return PROJ's text of each step."""
        source, grid, shift = self.source, self.grid, self.to_grid_datum
        lines = [f"{source.crs.name} to its own degrees: {source.definition}"]
        lines.append(f"degrees to working metres: {working}")
        if shift.name:
            lines.append(f"to the grid's datum ({shift.name}): {shift.definition}")
        if grid is not source:
            lines.append(f"{grid.crs.name} to its own degrees: {grid.definition}")
        return (*lines, f"to WGS 84 ({self.to_wgs84.name}): {self.to_wgs84.definition}")


def _greenwich(source: Projection, centre: tuple[float, float] | None) -> tuple[float, float]:
    lon, lat = centre or (0.0, 0.0)
    return lon + source.greenwich_deg, lat


def gaussian_radius_m(semi_major_m: float, inverse_flattening: float, lat_deg: float) -> float:
    """Return the Gaussian mean radius of curvature sqrt(M N) of an ellipsoid at a latitude.

    ``inverse_flattening`` of 0 or infinity means a sphere. Source: Snyder, USGS PP 1395,
    equations 4-18 to 4-21: sqrt(M N) = a sqrt(1 - e^2) / (1 - e^2 sin^2 lat).
    """
    finite_flattening = inverse_flattening and math.isfinite(inverse_flattening)
    flattening = 1 / inverse_flattening if finite_flattening else 0.0
    e2 = flattening * (2 - flattening)
    return semi_major_m * math.sqrt(1 - e2) / (1 - e2 * math.sin(math.radians(lat_deg)) ** 2)


def elevation_factor(height_m: float, radius_m: float) -> float:
    """Return ellipsoid length over ground length at an ellipsoidal height, R / (R + h).

    Source: NOAA Manual NOS NGS 5, section 4.4 (h = H + N).
    """
    return radius_m / (radius_m + height_m)


def _working_projection(
    source: Projection, centre: tuple[float, float], height_m: float
) -> tuple[Transformer, str, float]:
    """Return the working projection, its text, and the elevation factor."""
    from pyproj import Transformer

    ellipsoid: Any = source.base.ellipsoid  # a geodetic CRS always has one
    shape = (ellipsoid.semi_major_metre, ellipsoid.inverse_flattening)
    factor = elevation_factor(height_m, gaussian_radius_m(*shape, centre[1]))
    figure = f"+a={shape[0]!r} " + (f"+rf={shape[1]!r}" if shape[1] else f"+b={shape[0]!r}")
    definition = (
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f"+step +proj=tmerc +lat_0={centre[1]!r} +lon_0={centre[0]!r} +k_0={1 / factor!r} "
        f"+x_0=0 +y_0=0 {figure}"
    )
    return Transformer.from_pipeline(definition), definition, factor


def _site_height(
    heights_m: ArrayLike | None, mean_height_m: float | None, notes: list[Note]
) -> float:
    """Return the height the frame stands at, or note that 0 m is assumed."""
    known = np.ravel([] if heights_m is None else heights_m).astype(float)
    known = known[np.isfinite(known)]
    if mean_height_m is None and not known.size:
        text = (
            "no point has a height: the site is taken at 0 m, which makes lengths 0.16 ppm "
            "short for each metre above it; say mean_height"
        )
        notes.append(Note("height_assumed", text))
    height = float(np.median(known)) if known.size else 0.0
    height = height if mean_height_m is None else float(mean_height_m)
    if not (math.isfinite(height) and abs(height) <= _HIGHEST_M):
        what = f"a mean height of {height:g} m is not on this earth"
        raise CrsError(what, "are the heights in feet?")
    return height


def _centre(lon: Floats, lat: Floats, crs: str) -> tuple[float, float]:
    """Return the median longitude and latitude of the points, on their own datum."""
    known = np.isfinite(lon) & np.isfinite(lat)
    if not known.any():
        what = f'none of {lon.size} points can be projected from crs "{crs}"'
        raise CrsError(what, "check the crs, the unit and the order of easting and northing")
    lons, lats = lon[known], lat[known]
    # Around the first point, so that a site on the 180th meridian has its centre on the site.
    about = lons[0] + np.median((lons - lons[0] + 180) % 360 - 180)
    # Rounded (about 1 m), so that the same site in another CRS gets the very same frame.
    longitude = round(float((about + 180) % 360 - 180), 5)
    latitude = round(float(np.median(lats)), 5)
    if abs(latitude) > 89.9:
        what = f"the site's centre is at latitude {latitude:g}"
        raise CrsError(what, "check the crs and the unit")
    return longitude, latitude


def _printed_grid(
    source: Projection, grid_crs: str | None, centre: tuple[float, float], notes: list[Note]
) -> Projection:
    """Return the CRS of printed coordinates: stated, the source itself, or the UTM zone."""
    if grid_crs is not None:
        stated = Projection.of(grid_crs)
        grid = source if stated.crs == source.crs else stated
    elif source.crs.is_projected and not is_web_mercator(source.crs):
        grid = source
    else:
        grid = Projection.of(utm_crs(source, centre[0] + source.greenwich_deg, centre[1]))
        text = (
            f"coordinates are printed in {grid.crs.name}, because {source.crs.name} has no "
            "lengths to print; say grid_crs for another"
        )
        notes.append(Note("grid_assumed", text))
    unit, _ = axis_unit(grid.crs)
    if unit not in LENGTH_UNITS:
        remedy = "say a grid_crs in metres, feet or US survey feet"
        raise CrsError(f"{grid.crs.name} counts in {unit}", remedy)
    return grid


def _of_datums(
    source: Projection, grid: Projection, shift: DatumShift, epoch: float | None
) -> list[Note]:
    """Return notes of ensembles, moving frames without an epoch, and a grid on another datum."""
    notes = []
    for geographic in [source.base, grid.base] if shift.name else [source.base]:
        spread = ensemble_accuracy_m(geographic)
        if spread is not None:
            text = (
                f"{geographic.name} names a family of frames that differ by up to {spread:g} m;"
                " say the CRS of the very frame that the rover's corrections were in"
            )
            notes.append(Note("datum_ensemble", text))
    if is_dynamic(source.base) and epoch is None:
        text = (
            f"{source.base.name} moves against the ground by centimetres a year; "
            "say coordinate_epoch (a decimal year)"
        )
        notes.append(Note("dynamic_frame_no_epoch", text))
    if shift.name:
        text = (
            f"printed coordinates ({grid.crs.name}) are on another datum than the points "
            f"({source.base.name}): count on {shift.accuracy_m:g} m"
        )
        notes.append(Note("grid_on_another_datum", text))
    return notes


def _note_distance(e_m: Floats, n_m: Floats, notes: list[Note]) -> None:
    """Note points that do not project and points far from the centre."""
    away = np.hypot(e_m, n_m)
    lost = int(np.count_nonzero(~np.isfinite(away)))
    if lost:
        notes.append(Note("not_projected", f"{lost} of {away.size} points cannot be projected"))
    farthest = float(np.nanmax(away))  # the centre is of those that can
    if farthest > FAR_FROM_CENTRE_M:
        many = int(np.count_nonzero(away > FAR_FROM_CENTRE_M))
        ppm = (farthest / EARTH_RADIUS_M) ** 2 / 2 * 1e6
        text = (
            f"{many} of {away.size} points lie over {FAR_FROM_CENTRE_M / 1000:g} km from the "
            f"site's centre, the farthest {farthest / 1000:.1f} km; lengths out there are "
            f"{ppm:.1f} ppm long"
        )
        notes.append(Note("far_from_centre", text))


def _grid_factors(ways: _Ways, notes: list[Note]) -> tuple[float, float]:
    """Return the combined factor and the convergence at the centre, from central differences.

    Differences over 100 m of the very transformation that prints the stake: nothing can drift
    from it, and any grid PROJ knows is covered. Truncation is (50 m / R)^2, 6e-11.
    """
    half = STEP_M / 2
    axes = np.array(ways.to_grid(np.array([-half, half, 0, 0]), np.array([0, 0, -half, half])))
    axes *= ways.grid.crs.axis_info[0].unit_conversion_factor
    axes *= [[ways.grid.east_sign], [ways.grid.north_sign]]
    jacobian = (axes[:, 1::2] - axes[:, ::2]) / STEP_M
    if not np.isfinite(jacobian).all():
        what = f"the site lies out of reach of {ways.grid.crs.name}"
        raise CrsError(what, "say a grid_crs that covers it")
    largest, smallest = np.linalg.svd(jacobian, compute_uv=False)
    if largest / smallest - 1 > 1e-6:
        text = (
            f"the scale of {ways.grid.crs.name} differs with direction by "
            f"{(largest / smallest - 1) * 1e6:.0f} ppm; its combined factor is a mean"
        )
        notes.append(Note("grid_not_conformal", text))
    convergence = -math.degrees(math.atan2(jacobian[0, 1], jacobian[1, 1]))
    return float(math.sqrt(largest * smallest)), convergence


def _scaled(east: ArrayLike, north: ArrayLike, factor: float) -> tuple[Floats, Floats]:
    one, two = same_shape(east, north)
    return finite(one * factor), finite(two * factor)


def _code(crs: CRS) -> str:
    authority = crs.to_authority(min_confidence=100)
    return ":".join(authority) if authority else str(crs.to_wkt())
