"""leak.geojson: RFC 7946, for any map that opens it.

Longitude and latitude in degrees on WGS 84, 9 decimals (0.1 mm); no ``crs`` member; exterior
rings counter-clockwise; geometries cut at the antimeridian. The site's own grid coordinates stay
as properties, because longitude and latitude are only as good as the datum shift behind them.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any

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
    made = [
        _feature(each, result)
        for each in result.features
        if each.lonlat is not None and not each.lonlat.is_empty
    ]
    collection: dict[str, Any] = {"type": "FeatureCollection"}
    box = _bbox([each["geometry"] for each in made])
    if box:
        collection["bbox"] = box
    collection["features"] = made
    return collection


def _feature(feature: Feature, result: Result) -> dict[str, Any]:
    properties: dict[str, Any] = {"kind": feature.kind, "id": feature.id, **feature.properties}
    properties |= _grid_properties(feature.grid, result)
    if feature.kind in ("stake", "best_so_far"):
        properties["run"] = result.run.id
        properties.setdefault("lonlat_accuracy_m", result.leak.lonlat_accuracy_m)
    return {
        "type": "Feature",
        "id": f"{feature.kind}/{feature.id}",
        "geometry": geometry(feature.lonlat),
        "properties": properties,
    }


def _grid_properties(grid: BaseGeometry, result: Result) -> dict[str, Any]:
    import shapely

    named = {"grid_crs": result.leak.position.crs, "grid_unit": result.site.grid_unit}
    if grid.geom_type == "Point":
        return {
            "easting": round(grid.x, GRID_DECIMALS),
            "northing": round(grid.y, GRID_DECIMALS),
            **named,
        }
    return {
        "grid_wkt": shapely.to_wkt(shapely.force_2d(grid), rounding_precision=GRID_DECIMALS),
        **named,
    }


def geometry(lonlat: BaseGeometry | None) -> dict[str, Any]:
    """Return a GeoJSON geometry in degrees, wound, rounded, and cut at the antimeridian."""
    import shapely

    if lonlat is None:
        raise GeoleakError("a feature has no longitude and latitude")
    flat = shapely.force_2d(lonlat)
    bounds = shapely.bounds(flat)
    if not (bounds[1] >= -90 and bounds[3] <= 90 and abs(bounds[0]) < 540 and abs(bounds[2]) < 540):
        raise GeoleakError(
            f"coordinates {', '.join(f'{b:.6g}' for b in bounds)} are no longitude and latitude; "
            "check the site's crs"
        )
    mapping = shapely.geometry.mapping(_wound(_cut(flat)))
    return {"type": mapping["type"], "coordinates": _rounded(mapping["coordinates"])}


def _cut(flat: BaseGeometry) -> BaseGeometry:
    """Return the geometry within -180..180, in several parts where it crosses the antimeridian."""
    import shapely
    from shapely import affinity

    west, _, east, _ = flat.bounds
    if east - west > 180:
        flat = shapely.transform(flat, _unwrap)
        west, _, east, _ = flat.bounds
    if west >= -180 and east <= 180:
        return flat
    parts = []
    for turn in (-360, 0, 360):
        window = shapely.box(-180 + turn, -90, 180 + turn, 90)
        part = flat.intersection(window)
        if not part.is_empty and part.geom_type.endswith(flat.geom_type.removeprefix("Multi")):
            parts.append(affinity.translate(part, xoff=-turn))
    pieces = [piece for part in parts for piece in getattr(part, "geoms", [part])]
    if flat.geom_type == "Point":
        return pieces[0]
    return _collected(pieces)


def _collected(pieces: list[BaseGeometry]) -> BaseGeometry:
    import shapely

    if len(pieces) == 1:
        return pieces[0]
    kind = {
        "Point": shapely.MultiPoint,
        "LineString": shapely.MultiLineString,
        "Polygon": shapely.MultiPolygon,
    }[pieces[0].geom_type]
    return kind(pieces)


def _unwrap(coordinates: Any) -> Any:
    """Lift western longitudes by a turn, so that a shape across the antimeridian is whole."""
    lifted = coordinates.copy()
    lifted[:, 0] += 360.0 * (lifted[:, 0] < 0)
    return lifted


def _wound(shape: BaseGeometry) -> BaseGeometry:
    import shapely
    from shapely.geometry.polygon import orient

    if shape.geom_type == "Polygon":
        return orient(shape, 1.0)
    if shape.geom_type == "MultiPolygon":
        return shapely.MultiPolygon([orient(each, 1.0) for each in shape.geoms])
    return shape


def _rounded(coordinates: Any) -> Any:
    if isinstance(coordinates, (tuple, list)):
        return [_rounded(each) for each in coordinates]
    return round(float(coordinates), DECIMALS)


def _points(coordinates: Any) -> Iterator[tuple[float, float]]:
    if coordinates and isinstance(coordinates[0], float):
        yield coordinates[0], coordinates[1]
        return
    for each in coordinates:
        yield from _points(each)


def _bbox(geometries: list[dict[str, Any]]) -> list[float]:
    """Return west, south, east, north; west is the greater one across the antimeridian."""
    points = [p for each in geometries for p in _points(each["coordinates"])]
    if not points:
        return []
    lons = sorted(lon for lon, _ in points)
    lats = [lat for _, lat in points]
    west, east = lons[0], lons[-1]
    if east - west > 180:
        west = min(lon for lon in lons if lon > 0)
        east = max(lon for lon in lons if lon <= 0)
    return [west, min(lats), east, max(lats)]
