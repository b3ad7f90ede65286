"""site.gpx: for handhelds. GPX 1.1: way-points with ground elevation, the legs as tracks."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from xml.etree import ElementTree as ET

from geoleak.export import words
from geoleak.export.geojson import geometry
from geoleak.export.kml import name_of
from geoleak.export.xml_text import child, refuse_local, write
from geoleak.result import Feature, Result

POINTS = ("next_reading", "stake", "offset_stake", "check_point", "feature", "fitting", "mark")
LINES = ("route", "hole")


def write_gpx(result: Result, path: str | Path) -> Path:
    """Write site.gpx and return its path.

    Raises
    ------
    GeoleakError
        For a local site, which has no longitude and latitude.
    """
    refuse_local(result, "GPX")
    root = ET.Element(
        "gpx",
        {
            "xmlns": "http://www.topografix.com/GPX/1/1",
            "version": "1.1",
            "creator": f"geoleak {result.run.version}",
        },
    )
    about = child(root, "metadata")
    child(about, "name", f"{result.site.title}: {words.verdict(result)}")
    child(about, "desc", f"{words.run(result)}. Positions {words.lonlat_accuracy(result)}.")
    for kind in POINTS:
        for each in result.features:
            # A handheld leads its holder to a place: to listen on, not to the best one so far.
            if kind == "stake" and result.decision.verdict != "dig":
                continue
            if each.kind == kind and each.lonlat is not None:
                _waypoint(root, each, result)
    for each in result.features:
        if each.kind in LINES and each.lonlat is not None:
            _track(root, each, result)
    return write(root, path)


def _waypoint(root: ET.Element, feature: Feature, result: Result) -> None:
    for lon, lat in _places(geometry(feature.lonlat)["coordinates"]):
        point = child(root, "wpt", lat=f"{lat:.9f}", lon=_longitude(lon))
        height = feature.properties.get("elevation_m")
        if isinstance(height, (int, float)):
            child(point, "ele", f"{height:.3f}")
        child(point, "name", name_of(feature, result))
        note = feature.properties.get("note") or feature.properties.get("code")
        if note:
            child(point, "desc", note)
        child(point, "type", feature.kind.replace("_", " "))


def _track(root: ET.Element, feature: Feature, result: Result) -> None:
    track = child(root, "trk")
    child(track, "name", name_of(feature, result))
    child(track, "type", feature.kind)
    made = geometry(feature.lonlat)
    parts = made["coordinates"]
    if made["type"] == "LineString":
        parts = [parts]
    elif made["type"] == "MultiPolygon":
        parts = [ring for polygon in parts for ring in polygon]
    for part in parts:
        segment = child(track, "trkseg")
        for lon, lat in part:
            child(segment, "trkpt", lat=f"{lat:.9f}", lon=_longitude(lon))


def _places(coordinates: list) -> Iterator[tuple[float, float]]:
    if isinstance(coordinates[0], list):
        for each in coordinates:
            yield from _places(each)
    else:
        yield coordinates[0], coordinates[1]


def _longitude(lon: float) -> str:
    """Return a longitude within -180 <= lon < 180, as GPX wants it."""
    return f"{-180.0 if lon >= 180 else lon:.9f}"
