"""The steps between the frames of a site: own degrees, working metres, grid, WGS 84."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import ArrayLike

from geoleak.crs.axes import Floats, Projection, finite, same_shape
from geoleak.crs.datum import DatumShift
from geoleak.errors import CrsError
from geoleak.site import Note

if TYPE_CHECKING:
    from pyproj import Transformer

STEP_M = 100.0
"""Length over which the grid's scale and convergence are taken."""


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


@dataclass(frozen=True, slots=True, eq=False)
class Steps:
    """Every step out of a working frame, and where its centre is (degrees, own datum)."""

    source: Projection
    grid: Projection
    working: Transformer
    to_grid_datum: DatumShift | None
    to_wgs84: DatumShift
    centre_lonlat: tuple[float, float]
    elevation_factor: float
    working_text: str


def working_projection(
    source: Projection, centre: tuple[float, float], height_m: float
) -> tuple[Transformer, str, float]:
    """Return the working projection, its text, and the elevation factor."""
    from pyproj import Transformer

    ellipsoid = source.base.ellipsoid
    if ellipsoid is None:
        raise CrsError(f"{source.crs.name} states no ellipsoid; say a CRS that does")
    shape = (ellipsoid.semi_major_metre, ellipsoid.inverse_flattening)
    radius_m = gaussian_radius_m(*shape, centre[1])
    factor = elevation_factor(height_m, radius_m)
    figure = f"+a={shape[0]!r} " + (f"+rf={shape[1]!r}" if shape[1] else f"+b={shape[0]!r}")
    definition = (
        "+proj=pipeline +step +proj=unitconvert +xy_in=deg +xy_out=rad "
        f"+step +proj=tmerc +lat_0={centre[1]!r} +lon_0={centre[0]!r} +k_0={1 / factor!r} "
        f"+x_0=0 +y_0=0 {figure}"
    )
    return Transformer.from_pipeline(definition), definition, factor


def to_plane(working: Transformer, lon: ArrayLike, lat: ArrayLike) -> tuple[Floats, Floats]:
    """Return working metres from degrees on the source datum."""
    east, north = working.transform(*same_shape(lon, lat))
    return finite(east), finite(north)


def from_plane(working: Transformer, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
    """Return degrees on the source datum from working metres."""
    from pyproj.enums import TransformDirection

    lon, lat = working.transform(*same_shape(e_m, n_m), direction=TransformDirection.INVERSE)
    return finite(lon), finite(lat)


def grid_of(steps: Steps, e_m: ArrayLike, n_m: ArrayLike) -> tuple[Floats, Floats]:
    """Return printed grid coordinates, in the axis unit, of places in the working frame."""
    if steps.grid is steps.source:
        return steps.source.from_lonlat(*from_plane(steps.working, e_m, n_m))
    lon, lat = from_plane(steps.working, e_m, n_m)
    if steps.to_grid_datum is not None:
        lon, lat = steps.to_grid_datum.forward(lon, lat)
    return steps.grid.from_lonlat(lon, lat)


def grid_factors(steps: Steps, notes: list[Note]) -> tuple[float, float]:
    """Return the combined factor and the convergence at the centre, from central differences.

    Differences over 100 m of the very transformation that prints the stake: nothing can drift
    from it, and any grid PROJ knows is covered. Truncation is (50 m / R)^2, 6e-11.
    """
    half = STEP_M / 2
    east, north = grid_of(steps, np.array([-half, half, 0, 0]), np.array([0, 0, -half, half]))
    unit = steps.grid.crs.axis_info[0].unit_conversion_factor
    east, north = east * steps.grid.east_sign * unit, north * steps.grid.north_sign * unit
    jacobian = (
        np.array(
            [[east[1] - east[0], east[3] - east[2]], [north[1] - north[0], north[3] - north[2]]]
        )
        / STEP_M
    )
    if not np.isfinite(jacobian).all():
        raise CrsError(
            f"the site lies out of reach of {steps.grid.crs.name}; say a grid_crs that covers it"
        )
    largest, smallest = np.linalg.svd(jacobian, compute_uv=False)
    if largest / smallest - 1 > 1e-6:
        notes.append(
            Note(
                "grid_not_conformal",
                f"the scale of {steps.grid.crs.name} differs with direction by "
                f"{(largest / smallest - 1) * 1e6:.0f} ppm; its combined factor is a mean",
            )
        )
    convergence = -math.degrees(math.atan2(jacobian[0, 1], jacobian[1, 1]))
    return float(math.sqrt(largest * smallest)), convergence


def operations(steps: Steps) -> tuple[str, ...]:
    """Return PROJ's text of each step."""
    lines = [
        f"{steps.source.crs.name} to its own degrees: {steps.source.definition}",
        f"degrees to working metres: {steps.working_text}",
    ]
    if steps.to_grid_datum is not None:
        shift = steps.to_grid_datum
        lines.append(f"to the grid's datum ({shift.name}): {shift.definition}")
    if steps.grid is not steps.source:
        lines.append(f"{steps.grid.crs.name} to its own degrees: {steps.grid.definition}")
    lines.append(f"to WGS 84 ({steps.to_wgs84.name}): {steps.to_wgs84.definition}")
    return tuple(lines)
