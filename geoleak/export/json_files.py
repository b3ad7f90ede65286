"""result.json and leak.geojson.

result.json holds every number, as JSON that any reader takes. leak.geojson is RFC 7946, for any map
that opens it: longitude and latitude in degrees on WGS 84, 9 decimals (0.1 mm); no ``crs`` member;
exterior rings counter-clockwise; geometries cut at the antimeridian. The site's own grid
coordinates stay as properties, because longitude and latitude are only as good as the datum shift
behind them.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import shapely

from geoleak.errors import GeoleakError
from geoleak.result import Feature, Result

DECIMALS = 9
GRID_DECIMALS = 4
_plain = json.JSONEncoder(allow_nan=False, ensure_ascii=False).encode


def write_json(result: Result, path: Path) -> Path:
    """Write result.json and return its path.

    Raises
    ------
    GeoleakError
        If a number in the result is not finite; the key is named.
    """
    path.write_bytes(dump_json(result.to_dict()))
    return path


def write_geojson(result: Result, path: Path) -> Path | None:
    """Write leak.geojson and return its path; a local site has none and gives None."""
    if result.site.local:
        return None
    path.write_bytes(dump_json(feature_collection(result)))
    return path


def dump_json(value: Any) -> bytes:
    """Return JSON text in UTF-8: short lists on one line, no NaN.

    Raises
    ------
    GeoleakError
        If a number is not finite.
    """
    try:
        return (_text(value, 0) + "\n").encode("utf-8", "backslashreplace")
    except ValueError:
        key, number = next(_not_finite(value))
        raise GeoleakError(
            f"the result holds {number} at {key or 'its root'}: nothing was written; "
            "an answer without that number cannot be trusted"
        ) from None


def _not_finite(value: Any, key: str = "") -> Iterator[tuple[str, float]]:
    """Yield the keys of numbers that are NaN or infinite."""
    if isinstance(value, float) and not math.isfinite(value):
        yield key, value
    elif isinstance(value, dict):
        for name, each in value.items():
            yield from _not_finite(each, f"{key}.{name}" if key else str(name))
    elif isinstance(value, list):
        for k, each in enumerate(value):
            yield from _not_finite(each, f"{key}[{k}]")


def _text(value: Any, depth: int) -> str:
    """Return one value; a list of plain values stays on one line, so that files can be read."""
    pad, inner = " " * depth, " " * (depth + 1)
    if isinstance(value, dict) and value:
        rows = (f"{inner}{_plain(str(k))}: {_text(v, depth + 1)}" for k, v in value.items())
        return "{\n" + ",\n".join(rows) + f"\n{pad}}}"
    if isinstance(value, list) and any(map(_nested, value)) and not all(map(_short, value)):
        return "[\n" + ",\n".join(f"{inner}{_text(v, depth + 1)}" for v in value) + f"\n{pad}]"
    return _plain(value)


def _nested(value: Any) -> bool:
    return isinstance(value, (dict, list))


def _short(value: Any) -> bool:
    return isinstance(value, list) and len(value) <= 4 and not any(map(_nested, value))


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
    if not shapes:
        return {"type": "FeatureCollection", "features": made}
    west, south, east, north = shapely.total_bounds(shapes).tolist()
    if east - west > 180:  # across the antimeridian west is the greater one
        lons = shapely.get_coordinates(shapes)[:, 0]
        west, east = float(lons[lons > 0].min()), float(lons[lons <= 0].max())
    return {"type": "FeatureCollection", "bbox": [west, south, east, north], "features": made}


def _feature(feature: Feature, shape: shapely.Geometry, result: Result) -> dict[str, Any]:
    grid = feature.grid
    properties: dict[str, Any] = {"kind": feature.kind, "id": feature.id, **feature.properties}
    if grid.geom_type == "Point":
        properties["easting"] = round(grid.x, GRID_DECIMALS)
        properties["northing"] = round(grid.y, GRID_DECIMALS)
    else:
        flat = shapely.force_2d(grid)
        properties["grid_wkt"] = shapely.to_wkt(flat, rounding_precision=GRID_DECIMALS)
    properties |= {"grid_crs": result.leak.position.crs, "grid_unit": result.site.grid_unit}
    if feature.kind in ("stake", "best_so_far"):
        properties["run"] = result.run.id
        properties.setdefault("lonlat_accuracy_m", result.leak.lonlat_accuracy_m)
    return {
        "type": "Feature",
        "id": f"{feature.kind}/{feature.id}",
        "geometry": json.loads(shapely.to_geojson(shape)),
        "properties": properties,
    }


def on_globe(lonlat: shapely.Geometry) -> shapely.Geometry:
    """Return a geometry in degrees, wound, rounded, and cut at the antimeridian.

    Raises
    ------
    GeoleakError
        If it is no longitude and latitude.
    """
    flat = shapely.force_2d(lonlat)
    bounds = shapely.bounds(flat)
    if not (bounds[1] >= -90 and bounds[3] <= 90 and abs(bounds[0]) < 540 and abs(bounds[2]) < 540):
        raise GeoleakError(
            f"coordinates {', '.join(f'{b:.6g}' for b in bounds)} are no longitude and latitude; "
            "check the site's crs"
        )
    wound = shapely.orient_polygons(_cut(flat), exterior_cw=False)
    return shapely.transform(wound, lambda at: np.round(at, DECIMALS))


def _cut(flat: shapely.Geometry) -> shapely.Geometry:
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
