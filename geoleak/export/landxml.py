"""site.xml: LandXML 1.2: points and the legs as alignments with stations.

Point text is northing, easting, elevation in the printed grid. Stations and lengths along an
alignment are on the ground, at the site's mean height; the combined factor says how they differ
from the grid.
"""

from __future__ import annotations

import math
from itertools import pairwise
from pathlib import Path
from xml.etree import ElementTree as ET

from geoleak.export import words
from geoleak.export.geopackage import NO_DATE
from geoleak.export.layers import label_of
from geoleak.export.stakes import every_stake
from geoleak.export.xml_text import child, write
from geoleak.result import LegSummary, Result
from geoleak.units import unit_m

LINEAR_UNIT = {"m": "meter", "ft": "foot", "ftUS": "USSurveyFoot"}
OTHER_UNITS = {
    "Metric": {
        "areaUnit": "squareMeter",
        "volumeUnit": "cubicMeter",
        "temperatureUnit": "celsius",
        "pressureUnit": "milliBars",
    },
    "Imperial": {
        "areaUnit": "squareFoot",
        "volumeUnit": "cubicFeet",
        "temperatureUnit": "fahrenheit",
        "pressureUnit": "inchHG",
    },
}
POINTS = ("mark", "fitting", "feature")


def write_landxml(result: Result, path: str | Path) -> Path:
    """Write site.xml and return its path."""
    root = ET.Element(
        "LandXML",
        {
            "xmlns": "http://www.landxml.org/schema/LandXML-1.2",
            "version": "1.2",
            "date": result.run.date or NO_DATE,
            "time": "00:00:00",
        },
    )
    _units(root, result)
    crs = result.leak.position.crs
    named = {"name": result.site.grid_name}
    if crs.upper().startswith("EPSG:"):
        named["epsgCode"] = crs.split(":")[1]
    child(root, "CoordinateSystem", **named)
    child(root, "Project", name=result.site.title)
    child(root, "Application", name="geoleak", version=result.run.version)
    _points(root, result)
    alignments = child(root, "Alignments")
    for leg in result.legs:
        if len(leg.vertices) > 1:
            _alignment(alignments, leg, result)
    return write(root, path)


def _units(root: ET.Element, result: Result) -> None:
    linear = {"linearUnit": LINEAR_UNIT[result.leak.position.unit]}
    system = "Metric" if linear["linearUnit"] == "meter" else "Imperial"
    child(child(root, "Units"), system, **linear, **OTHER_UNITS[system])


def _points(root: ET.Element, result: Result) -> None:
    factor = unit_m(result.leak.position.unit)
    held = child(root, "CgPoints", name="points")
    seen: set[str] = set()
    for stake in sorted(every_stake(result), key=lambda each: each.kind != "stake"):
        where = _place(stake.easting, stake.northing, stake.elevation_m, factor)
        child(held, "CgPoint", where, name=stake.id, code=stake.kind, desc=stake.label)
        seen.add(stake.id)
    for each in result.features:
        if each.kind not in POINTS or each.grid.geom_type != "Point" or each.id in seen:
            continue
        seen.add(each.id)
        height = each.properties.get("elevation_m")
        where = _place(each.grid.x, each.grid.y, height, factor)
        child(held, "CgPoint", where, name=each.id, code=each.kind, desc=label_of(each, result))


def _place(easting: float, northing: float, elevation_m: float | None, factor: float) -> str:
    height = "" if elevation_m is None else f" {elevation_m / factor:.4f}"
    return f"{northing:.4f} {easting:.4f}{height}"


def _alignment(parent: ET.Element, leg: LegSummary, result: Result) -> None:
    """Write one leg; its straight runs share its ground length as they share the grid's."""
    factor = unit_m(result.leak.position.unit)
    corners = leg.vertices
    parts = [math.dist(a, b) for a, b in pairwise(corners)]
    ground = leg.length_m / factor
    scale = ground / sum(parts) if sum(parts) > 0 else 1.0
    note = (
        f"Stations are ground distances at the site's mean height; grid is ground times "
        f"{result.site.combined_factor:.8f}. "
        + ("Route assumed. " if leg.assumed else "")
        + words.run(result)
    )
    made = child(
        parent, "Alignment", name=leg.name, length=f"{ground:.4f}", staStart="0.0000", desc=note
    )
    geometry = child(made, "CoordGeom")
    station = 0.0
    for (start, end), part in zip(pairwise(corners), parts, strict=True):
        line = child(geometry, "Line", staStart=f"{station:.4f}", length=f"{part * scale:.4f}")
        child(line, "Start", f"{start[1]:.4f} {start[0]:.4f}")
        child(line, "End", f"{end[1]:.4f} {end[0]:.4f}")
        station += part * scale
