"""site.kml: for phones and globes. OGC KML 2.2, longitude and latitude, clamped to the ground."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING
from xml.etree import ElementTree as ET

import shapely

from geoleak.export import colours, words
from geoleak.export.geojson import geometry
from geoleak.export.xml_text import child, refuse_local, write
from geoleak.result import Feature, Result

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

FOLDERS = (
    ("Listen next", ("next_reading",)),
    ("Stake", ("stake", "offset_stake", "check_point")),
    ("Hole", ("hole",)),
    ("Where the leak may be", ("interval",)),
    ("Pipe", ("route",)),
    ("Fixed features and ties", ("feature", "tie")),
    ("Fittings", ("fitting",)),
    ("Marks", ("mark",)),
    ("Readings", ("reading",)),
    ("Other services", ("utility",)),
)


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
    accuracy = words.lonlat_accuracy(result)
    dig = result.decision.verdict == "dig"
    child(
        document,
        "description",
        f"{words.run(result)}. Positions {accuracy}: a courtesy; the "
        f"{'rover file and the ties are the stake' if dig else 'marks and the rover lead there'}.",
    )
    for titled, shown in FOLDERS:
        name, kinds = titled, shown
        if not dig and "stake" in shown:
            # A phone leads its holder to a place: to listen on, not to the best one so far.
            name, kinds = "Check points", ("check_point",)
        found = [e for e in result.features if e.kind in kinds and e.lonlat is not None]
        if not found:
            continue
        folder = child(document, "Folder")
        child(folder, "name", name)
        for each in found:
            _placemark(folder, each, result)
    return write(root, path)


def _placemark(folder: ET.Element, feature: Feature, result: Result) -> None:
    mark = child(folder, "Placemark")
    child(mark, "name", name_of(feature, result))
    rows = (
        words.stake_rows(result)
        if feature.kind == "stake"
        else words.property_rows(feature, result)
    )
    if rows:
        child(mark, "description", "; ".join(f"{label}: {text}" for label, text in rows))
    _style(mark, feature)
    _geometry(mark, shapely.geometry.shape(geometry(feature.lonlat)), feature)


def name_of(feature: Feature, result: Result) -> str:
    """Return the name that a phone or a handheld shows."""
    if feature.kind == "stake":
        station = words.station(result.leak.chainage_m, result.site.length_unit)
        if result.decision.verdict != "dig":
            return f"BEST SO FAR {result.leak.leg} {station}, not to dig"
        return f"STAKE {result.leak.leg} {station}"
    if feature.kind == "interval":
        return f"{feature.properties.get('percent')} % of the chance"
    label = feature.properties.get("label") or feature.properties.get("name")
    return str(label or f"{feature.kind.replace('_', ' ')} {feature.id}")


def _style(mark: ET.Element, feature: Feature) -> None:
    line = {
        "route": (colours.PIPE, 3.0),
        "interval": (colours.INTERVAL.get(feature.properties.get("percent", 95)), 9.0),
        "hole": ("#000000", 3.0),
        "tie": (colours.FIXED, 2.0),
        "utility": (colours.service_colour(feature.properties.get("colour")), 4.0),
    }.get(feature.kind)
    if line is None or line[0] is None:
        return
    style = child(mark, "Style")
    held = child(style, "LineStyle")
    child(held, "color", _abgr(line[0]))
    child(held, "width", f"{line[1]:g}")
    if feature.kind == "hole":
        held = child(style, "PolyStyle")
        child(held, "color", _abgr("#ffffff", "66"))


def _abgr(colour: str, alpha: str = "ff") -> str:
    """Return a colour as KML writes it: alpha, blue, green, red."""
    return f"{alpha}{colour[5:7]}{colour[3:5]}{colour[1:3]}"


def _geometry(parent: ET.Element, shape: BaseGeometry, feature: Feature) -> None:
    height = feature.properties.get("elevation_m")
    if hasattr(shape, "geoms"):
        held = child(parent, "MultiGeometry")
        for each in shape.geoms:
            _geometry(held, each, feature)
    elif shape.geom_type == "Point":
        made = child(parent, "Point")
        child(made, "altitudeMode", "clampToGround")
        child(made, "coordinates", _coordinates([(shape.x, shape.y)], height))
    elif shape.geom_type == "LineString":
        made = child(parent, "LineString")
        child(made, "tessellate", "1")
        child(made, "altitudeMode", "clampToGround")
        child(made, "coordinates", _coordinates(shape.coords, None))
    elif shape.geom_type == "Polygon":
        made = child(parent, "Polygon")
        child(made, "tessellate", "1")
        child(made, "altitudeMode", "clampToGround")
        for name, rings in (("outer", [shape.exterior]), ("inner", shape.interiors)):
            for ring in rings:
                held = child(child(made, f"{name}BoundaryIs"), "LinearRing")
                child(held, "coordinates", _coordinates(ring.coords, None))


def _coordinates(places: object, height: object) -> str:
    tail = f",{height:.3f}" if isinstance(height, (int, float)) else ""
    return " ".join(f"{lon:.9f},{lat:.9f}{tail}" for lon, lat in places)  # type: ignore[attr-defined]
