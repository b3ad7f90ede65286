"""leak.geojson: RFC 7946, for any map that opens it.

Longitude and latitude in degrees on WGS 84, 9 decimals (0.1 mm); no ``crs`` member; exterior
rings counter-clockwise; geometries cut at the antimeridian. The site's own grid coordinates stay
as properties, because longitude and latitude are only as good as the datum shift behind them.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geoleak.errors import GeoleakError
from geoleak.export.json_result import dump_json
from geoleak.result import Feature, Result

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

DECIMALS = 9
GRID_DECIMALS = 4


def write_geojson(result: Result, path: str | Path) -> Path | None:
    """Write leak.geojson and return its path; a local site has none and gives None."""
    if result.site.local:
        return None
    path = Path(path)
    path.write_bytes(dump_json(feature_collection(result)))
    return path


def feature_collection(result: Result) -> dict[str, Any]:
    """Return the features as an RFC 7946 FeatureCollection.

    Parameters
    ----------
    result : Result

    Returns
    -------
    dict
        Features without longitude and latitude are left out, so a local site gives none.

    Raises
    ------
    GeoleakError
        If a coordinate is not finite or outside -90..90 degrees of latitude.
    """
    placed = [e for e in result.features if e.lonlat is not None and not e.lonlat.is_empty]
    shapes = [on_globe(each.lonlat) for each in placed]
    made = [_feature(each, shape, result) for each, shape in zip(placed, shapes, strict=True)]
    box = {"bbox": _bbox(shapes)} if shapes else {}
    return {"type": "FeatureCollection", **box, "features": made}


def _feature(feature: Feature, shape: BaseGeometry, result: Result) -> dict[str, Any]:
    properties: dict[str, Any] = {"kind": feature.kind, "id": feature.id, **feature.properties}
    properties |= _grid_properties(feature.grid, result)
    if feature.kind in ("stake", "best_so_far"):
        properties["run"] = result.run.id
        properties.setdefault("lonlat_accuracy_m", result.leak.lonlat_accuracy_m)
    return {
        "type": "Feature",
        "id": f"{feature.kind}/{feature.id}",
        "geometry": json.loads(shapely.to_geojson(shape)),
        "properties": properties,
    }


def _grid_properties(grid: BaseGeometry, result: Result) -> dict[str, Any]:
    named = {"grid_crs": result.leak.position.crs, "grid_unit": result.site.grid_unit}
    if grid.geom_type == "Point":
        east, north = (round(each, GRID_DECIMALS) for each in (grid.x, grid.y))
        return {"easting": east, "northing": north, **named}
    text = shapely.to_wkt(shapely.force_2d(grid), rounding_precision=GRID_DECIMALS)
    return {"grid_wkt": text, **named}


def on_globe(lonlat: BaseGeometry | None) -> BaseGeometry:
    """Return a geometry in degrees, wound, rounded, and cut at the antimeridian.

    Raises
    ------
    GeoleakError
        If there is none, or it is no longitude and latitude.
    """
    if lonlat is None:
        raise GeoleakError("a feature has no longitude and latitude")
    flat = shapely.force_2d(lonlat)
    bounds = shapely.bounds(flat)
    if not (bounds[1] >= -90 and bounds[3] <= 90 and abs(bounds[0]) < 540 and abs(bounds[2]) < 540):
        raise GeoleakError(
            f"coordinates {', '.join(f'{b:.6g}' for b in bounds)} are no longitude and latitude; "
            "check the site's crs"
        )
    wound = shapely.orient_polygons(_cut(flat), exterior_cw=False)
    return shapely.transform(wound, lambda at: np.round(at, DECIMALS))


def _cut(flat: BaseGeometry) -> BaseGeometry:
    """Return the geometry within -180..180, in several parts where it crosses the antimeridian."""
    west, _, east, _ = flat.bounds
    if east - west > 180:
        # Western longitudes are lifted by a turn: a shape across the antimeridian is whole.
        flat = shapely.transform(flat, lambda at: at + np.where(at[:, :1] < 0, (360.0, 0.0), 0.0))
        west, _, east, _ = flat.bounds
    if west >= -180 and east <= 180:
        return flat
    kind = flat.geom_type.removeprefix("Multi")
    pieces = []
    for turn in (-360.0, 0.0, 360.0):
        part = flat.intersection(shapely.box(-180 + turn, -90, 180 + turn, 90))
        moved = shapely.transform(part, lambda at, turn=turn: at - (turn, 0.0))
        pieces += [e for e in shapely.get_parts(moved) if e.geom_type == kind and not e.is_empty]
    if len(pieces) == 1 or kind == "Point":
        return pieces[0]
    return {"LineString": shapely.MultiLineString, "Polygon": shapely.MultiPolygon}[kind](pieces)


def _bbox(shapes: list[BaseGeometry]) -> list[float]:
    """Return west, south, east, north; west is the greater one across the antimeridian."""
    west, south, east, north = (float(each) for each in shapely.total_bounds(shapes))
    if east - west > 180:
        lons = shapely.get_coordinates(shapes)[:, 0]
        west, east = float(lons[lons > 0].min()), float(lons[lons <= 0].max())
    return [west, south, east, north]
