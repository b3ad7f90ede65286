"""site.kml: for phones and globes. OGC KML 2.2, longitude and latitude, clamped to the ground."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import shapely

from geoleak.export import colours, words
from geoleak.export.geojson import on_globe
from geoleak.export.layers import described, label_of
from geoleak.export.xml_text import child, refuse_local, write
from geoleak.result import Feature, Result

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

FOLDERS = {
    "Listen next": ("next_reading",),
    "Check first": ("check_place",),
    "Stake": ("stake", "offset_stake"),
    "Dug so far": ("dug", "found"),
    "Check points": ("check_point",),
    "Hole": ("hole",),
    "Where the leak may be": ("interval",),
    "Pipe": ("route",),
    "Fixed features and ties": ("feature", "tie"),
    "Fittings": ("fitting",),
    "Marks": ("mark",),
    "Readings": ("reading",),
    "Other services": ("utility",),
}
"""A phone leads its holder to a place: the best one so far, not to be dug at, is in no folder."""


def write_kml(result: Result, path: str | Path) -> Path:
    """Write site.kml and return its path.

    Raises
    ------
    GeoleakError
        For a local site, which has no longitude and latitude.
    """
    refuse_local(result, "KML")
    root = ET.Element("kml", {"xmlns": "http://www.opengis.net/kml/2.2"})
    document = child(root, "Document")
    child(document, "name", f"{result.site.title}: {words.verdict(result)}")
    accuracy = words.accuracy(result.leak.lonlat_accuracy_m, result.site.length_unit)
    dig = result.stands == "dig"
    lead = "rover file and the ties are the stake" if dig else "marks and the rover lead there"
    said = f"{words.run(result)}. Positions {accuracy}: a courtesy; the {lead}."
    child(document, "description", said)
    for name, kinds in FOLDERS.items():
        found = [e for e in result.features if e.kind in kinds and e.lonlat is not None]
        if found:
            folder = child(document, "Folder")
            child(folder, "name", name)
            for each in found:
                _placemark(folder, each, result)
    return write(root, path)


def _placemark(folder: ET.Element, feature: Feature, result: Result) -> None:
    mark = child(folder, "Placemark")
    child(mark, "name", label_of(feature, result))
    child(mark, "description", described(feature, result))
    _style(mark, feature)
    parts = shapely.get_parts(on_globe(feature.lonlat))
    held = child(mark, "MultiGeometry") if len(parts) > 1 else mark
    for part in parts:
        _geometry(held, part, feature.properties.get("elevation_m"))


def _style(mark: ET.Element, feature: Feature) -> None:
    percent, tone = feature.properties.get("percent", 95), feature.properties.get("colour")
    lines = {
        "route": (colours.PIPE, 3),
        "interval": (colours.INTERVAL.get(percent, colours.INTERVAL[95]), 9),
        "hole": ("#000000", 3),
        "dug": ("#000000", 7),
        "tie": (colours.FIXED, 2),
        "utility": (colours.service_colour(tone), 4),
    }
    if feature.kind not in lines:
        return
    colour, width = lines[feature.kind]
    style = child(mark, "Style")
    stroke = child(style, "LineStyle")
    child(stroke, "color", _abgr(colour))
    child(stroke, "width", str(width))
    if feature.kind == "hole":
        child(child(style, "PolyStyle"), "color", _abgr("#ffffff", "66"))


def _abgr(colour: str, alpha: str = "ff") -> str:
    """Return a colour as KML writes it: alpha, blue, green, red."""
    return f"{alpha}{colour[5:7]}{colour[3:5]}{colour[1:3]}"


def _geometry(parent: ET.Element, shape: BaseGeometry, height_m: float | None) -> None:
    made = child(parent, shape.geom_type)
    if shape.geom_type != "Point":
        child(made, "tessellate", "1")
    child(made, "altitudeMode", "clampToGround")
    if shape.geom_type == "Polygon":
        for side, rings in (("outer", [shape.exterior]), ("inner", shape.interiors)):
            for ring in rings:
                held = child(child(made, f"{side}BoundaryIs"), "LinearRing")
                child(held, "coordinates", _coordinates(ring.coords))
        return
    tail = "" if height_m is None or shape.geom_type != "Point" else f",{height_m:.3f}"
    child(made, "coordinates", _coordinates(shape.coords, tail))


def _coordinates(places: Iterable[Sequence[float]], tail: str = "") -> str:
    return " ".join(f"{lon:.9f},{lat:.9f}{tail}" for lon, lat in places)
