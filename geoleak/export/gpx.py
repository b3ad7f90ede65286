"""site.gpx: for handhelds. GPX 1.1: way-points with ground elevation, the legs as tracks."""

from __future__ import annotations

from pathlib import Path
from xml.etree import ElementTree as ET

import shapely

from geoleak.export import words
from geoleak.export.geojson import on_globe
from geoleak.export.layers import described, label_of
from geoleak.export.xml_text import child, refuse_local, write
from geoleak.result import Feature, Result

SYMBOLS = {
    "next_reading": "Pin",
    "check_place": "Pin",
    "stake": "Flag",
    "found": "Flag",
    "offset_stake": "Triangle",
    "check_point": "Triangle",
    "feature": "Square",
    "fitting": "Diamond",
    "mark": "Dot",
}
"""Kind of way-point -> its symbol, the most needed first. A handheld leads its holder to a place:
the best place so far, which nobody is to dig at, is none of them."""
LINES = ("route", "hole")


def write_gpx(result: Result, path: str | Path) -> Path:
    """Write site.gpx and return its path.

    Raises
    ------
    GeoleakError
        For a local site, which has no longitude and latitude.
    """
    refuse_local(result, "GPX")
    creator = f"geoleak {result.run.version}"
    spaces = {"xmlns": "http://www.topografix.com/GPX/1/1"}
    root = ET.Element("gpx", {**spaces, "version": "1.1", "creator": creator})
    about = child(root, "metadata")
    child(about, "name", f"{result.site.title}: {words.verdict(result)}")
    accuracy = words.accuracy(result.leak.lonlat_accuracy_m, result.site.length_unit)
    child(about, "desc", f"{words.run(result)}. Positions {accuracy}.")
    placed = [each for each in result.features if each.lonlat is not None]
    for kind, symbol in SYMBOLS.items():
        for each in placed:
            if each.kind == kind:
                _waypoint(root, each, symbol, result)
    for each in placed:
        if each.kind in LINES:
            _track(root, each, result)
    return write(root, path)


def _waypoint(root: ET.Element, feature: Feature, symbol: str, result: Result) -> None:
    for place in shapely.get_parts(on_globe(feature.lonlat)):
        point = child(root, "wpt", lat=f"{place.y:.9f}", lon=_longitude(place.x))
        height = feature.properties.get("elevation_m")
        if height is not None:
            child(point, "ele", f"{height:.3f}")
        child(point, "name", label_of(feature, result))
        child(point, "desc", described(feature, result))
        child(point, "sym", symbol)
        child(point, "type", feature.kind.replace("_", " "))


def _track(root: ET.Element, feature: Feature, result: Result) -> None:
    track = child(root, "trk")
    child(track, "name", label_of(feature, result))
    child(track, "type", feature.kind)
    for part in shapely.get_parts(on_globe(feature.lonlat)):
        segment = child(track, "trkseg")
        for lon, lat in (part.exterior if part.geom_type == "Polygon" else part).coords:
            child(segment, "trkpt", lat=f"{lat:.9f}", lon=_longitude(lon))


def _longitude(lon: float) -> str:
    """Return a longitude within -180 <= lon < 180, as GPX wants it."""
    return f"{-180.0 if lon >= 180 else lon:.9f}"
