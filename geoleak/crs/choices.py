"""What a frame decides from the site's points: height, centre, printed grid, and what to note."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import ArrayLike

from geoleak.crs.axes import Floats, Projection, is_web_mercator, length_unit_of, utm_crs
from geoleak.crs.datum import DatumShift, ensemble_accuracy_m, is_dynamic, same_datum, to_wgs84
from geoleak.crs.steps import Steps, to_plane, working_projection
from geoleak.errors import CrsError
from geoleak.site import Note

FAR_FROM_CENTRE_M = 5_000.0
"""From here a note is given: the scale is off by (x/R)^2/2, 0.3 ppm at 5 km."""
_HIGHEST_M = 9_000.0


def site_height(
    heights_m: ArrayLike | None, mean_height_m: float | None, notes: list[Note]
) -> float:
    """Return the height the frame stands at, or note that 0 m is assumed."""
    known = np.array([]) if heights_m is None else np.asarray(heights_m, dtype=float).ravel()
    known = known[np.isfinite(known)]
    if mean_height_m is not None:
        height = float(mean_height_m)
    elif known.size:
        height = float(np.median(known))
    else:
        notes.append(
            Note(
                "height_assumed",
                "no point has a height: the site is taken at 0 m, which makes lengths 0.16 ppm "
                "short for each metre above it; say mean_height",
            )
        )
        height = 0.0
    if not (math.isfinite(height) and abs(height) <= _HIGHEST_M):
        raise CrsError(
            f"a mean height of {height:g} m is not on this earth; are the heights in feet?"
        )
    return height


def site_steps(
    crs: str,
    easting: ArrayLike,
    northing: ArrayLike,
    *,
    height_m: float,
    grid_crs: str | None,
    epoch: float | None,
    notes: list[Note],
) -> Steps:
    """Return the steps of a site that has a CRS, and note what the person should know.

    Raises
    ------
    CrsError
        As `geoleak.crs.Frame.for_site`.
    """
    source = Projection.of(crs)
    lon, lat = source.to_lonlat(np.ravel(easting), np.ravel(northing))
    centre = site_centre(lon, lat, crs)
    grid = printed_grid(source, grid_crs, centre, notes)
    place = {"lon_deg": centre[0] + source.greenwich_deg, "lat_deg": centre[1]}
    shift = None
    if not _on_one_datum(source, grid, grid_crs):
        shift = DatumShift.between(
            source.base,
            grid.base,
            **place,
            height_m=height_m,
            epoch=epoch,
            use="the printed grid",
        )
        notes += shift.notes
    outward = to_wgs84(source.base, **place, height_m=height_m, epoch=epoch)
    notes += outward.notes
    frame_notes(source, grid, shift, epoch, notes)
    working, definition, factor = working_projection(source, centre, height_m)
    steps = Steps(source, grid, working, shift, outward, centre, factor, definition)
    distance_note(steps, lon, lat, notes)
    return steps


def _on_one_datum(source: Projection, grid: Projection, grid_crs: str | None) -> bool:
    # A grid chosen here stands on the source's own datum, even where that datum has no name.
    if grid_crs is None or grid is source:
        return True
    return same_datum(source.base, grid.base)


def site_centre(lon: Floats, lat: Floats, crs: str) -> tuple[float, float]:
    """Return the median longitude and latitude of the points, on their own datum."""
    known = np.isfinite(lon) & np.isfinite(lat)
    if not known.any():
        raise CrsError(
            f'none of {lon.size} points can be projected from crs "{crs}"; '
            "check the crs, the unit and the order of easting and northing"
        )
    lons, lats = lon[known], lat[known]
    # Around the first point, so that a site on the 180th meridian has its centre on the site.
    about = lons[0] + np.median((lons - lons[0] + 180) % 360 - 180)
    # Rounded (about 1 m), so that the same site in another CRS gets the very same frame.
    longitude = round(float((about + 180) % 360 - 180), 5)
    latitude = round(float(np.median(lats)), 5)
    if abs(latitude) > 89.9:
        raise CrsError(f"the site's centre is at latitude {latitude:g}; check the crs and the unit")
    return longitude, latitude


def printed_grid(
    source: Projection,
    grid_crs: str | None,
    centre: tuple[float, float],
    notes: list[Note],
) -> Projection:
    """Return the CRS of printed coordinates: stated, the source itself, or the UTM zone."""
    if grid_crs is not None:
        grid = Projection.of(grid_crs)
        if grid.crs == source.crs:
            grid = source
        if not grid.crs.is_projected:
            raise CrsError(
                f'grid_crs "{grid_crs}" ({grid.crs.name}) is in degrees; '
                "a crew needs coordinates in metres or feet: say a projected one"
            )
        if is_web_mercator(grid.crs):
            raise CrsError(
                f'grid_crs "{grid_crs}" ({grid.crs.name}) is no length CRS: its metres are '
                "30 % too long at 40 degrees latitude; say a State Plane, UTM or national grid"
            )
    elif source.crs.is_projected and not is_web_mercator(source.crs):
        grid = source
    else:
        grid = Projection.of_crs(utm_crs(source, centre[0] + source.greenwich_deg, centre[1]))
        notes.append(
            Note(
                "grid_assumed",
                f"coordinates are printed in {grid.crs.name}, because {source.crs.name} has no "
                "lengths to print; say grid_crs for another",
            )
        )
    if length_unit_of(grid.crs) is None:
        unit = grid.crs.axis_info[0].unit_name
        raise CrsError(
            f"{grid.crs.name} counts in {unit}; say a grid_crs in metres, feet or US survey feet"
        )
    return grid


def frame_notes(
    source: Projection,
    grid: Projection,
    shift: DatumShift | None,
    epoch: float | None,
    notes: list[Note],
) -> None:
    """Note ensembles, moving frames without an epoch, and a grid on another datum."""
    for geographic in [source.base] if shift is None else [source.base, grid.base]:
        spread = ensemble_accuracy_m(geographic)
        if spread is not None:
            notes.append(
                Note(
                    "datum_ensemble",
                    f"{geographic.name} names a family of frames that differ by up to {spread:g} m;"
                    " say the CRS of the very frame that the rover's corrections were in",
                )
            )
    if is_dynamic(source.base) and epoch is None:
        notes.append(
            Note(
                "dynamic_frame_no_epoch",
                f"{source.base.name} moves against the ground by centimetres a year; "
                "say coordinate_epoch (a decimal year)",
            )
        )
    if shift is not None:
        notes.append(
            Note(
                "grid_on_another_datum",
                f"printed coordinates ({grid.crs.name}) are on another datum than the points "
                f"({source.base.name}): count on {shift.accuracy_m:g} m",
            )
        )


def distance_note(steps: Steps, lon: Floats, lat: Floats, notes: list[Note]) -> None:
    """Note points that do not project and points far from the centre."""
    east, north = to_plane(steps.working, lon, lat)
    away = np.hypot(east, north)
    lost = int(np.count_nonzero(~np.isfinite(away)))
    if lost:
        notes.append(Note("not_projected", f"{lost} of {away.size} points cannot be projected"))
    if lost == away.size:
        return
    farthest = float(np.nanmax(away))
    if farthest > FAR_FROM_CENTRE_M:
        many = int(np.count_nonzero(away > FAR_FROM_CENTRE_M))
        ppm = (farthest / 6_371_000) ** 2 / 2 * 1e6
        notes.append(
            Note(
                "far_from_centre",
                f"{many} of {away.size} points lie over {FAR_FROM_CENTRE_M / 1000:g} km from the "
                f"site's centre, the farthest {farthest / 1000:.1f} km; lengths out there are "
                f"{ppm:.1f} ppm long",
            )
        )
