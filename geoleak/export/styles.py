"""Default styles of the GeoPackage's layers, as QGIS stores them (QML): signs, colours, labels."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from geoleak.export import colours
from geoleak.export.layers import Layer
from geoleak.export.level_scales import drawn_scale, level_edges, steps
from geoleak.result import Result


@dataclass(frozen=True, slots=True)
class Sign:
    """How a feature is drawn: strokes from the undermost to the topmost, or a marker.

    ``strokes`` are (colour, width in millimetres). ``marker`` (circle, square, triangle, cross)
    has ``fill`` and ``size_mm``; ``fill`` without a marker fills an area.
    """

    strokes: tuple[tuple[str, float], ...]
    fill: str | None = None
    marker: str | None = None
    size_mm: float = 0.0
    dash: tuple[float, ...] = ()


Rule = tuple[str, str, Sign]
"""Label, expression that a feature must meet (empty: all the rest), sign."""


def _dot(fill: str, size_mm: float, marker: str = "circle") -> Sign:
    return Sign(((colours.INK, 0.4),), fill, marker, size_mm)


def _service(colour: str) -> Sign:
    return Sign(((colours.CASING, 1.4), (colour, 0.8)))


_PIPE = Sign((("#ffffff", 1.6), (colours.PIPE, 0.8)))
_HOLE = Sign((("#000000", 1.4), ("#ffffff", 0.6)), "#ffffff")
_BEST = Sign((("#000000", 0.4),), "#ffffff", "circle", 2.4)
_OFFSET, _CHECK = _dot("#000000", 3.2, "triangle"), _dot("#ffffff", 3.2, "triangle")
RULES: dict[str, tuple[Rule, ...]] = {
    "pipe": (
        ("assumed route", '"assumed" = 1', Sign(((colours.PIPE, 0.8),), dash=(4, 3))),
        ("pipe", "", _PIPE),
    ),
    "marks": (("mark", "", _dot("#ffffff", 1.8)),),
    "fittings": (("fitting", "", _dot("#ffffff", 3.2, "square")),),
    "features": (("feature", "", _dot(colours.FIXED, 3.0, "square")),),
    "interval": tuple(
        (f"{percent} %", f'"percent" = {percent}', Sign(((colours.INTERVAL[percent], width),)))
        for percent, width in ((95, 4.5), (80, 3.5), (50, 2.5))
    ),
    "hole": (("hole", "", _HOLE),),
    "stakes": (
        ("stake", "\"kind\" = 'stake'", _dot("#000000", 5.0, "cross")),
        ("offset stake", "\"kind\" = 'offset_stake'", _OFFSET),
        ("check point", "", _CHECK),
    ),
    "ties": (("tape", "", Sign(((colours.FIXED, 0.5),), dash=(1, 2))),),
    "utilities": (
        *((e, f"lower(\"colour\") = '{e}'", _service(c)) for e, c in colours.APWA.items()),
        ("service", "", _service(colours.UNKNOWN_SERVICE)),
    ),
    "utility_points": (
        *((e, f"lower(\"colour\") = '{e}'", _dot(c, 3.0)) for e, c in colours.APWA.items()),
        ("service", "", _dot(colours.UNKNOWN_SERVICE, 3.0)),
    ),
    "next_readings": (("listen next", "", _dot("#000000", 5.0)),),
    "check_places": (("check first", "", _dot("#000000", 5.0)),),
    "best_so_far": (("best so far, not to dig", "", _BEST),),
    "dug": (("hole dug before", "", Sign((("#000000", 2.0), ("#ffffff", 1.4)))),),
    "found": (("leak found", "", _dot("#ffffff", 4.0, "cross2")),),
}
"""Layer -> its rules; the first that a feature meets draws it. Readings: `_levels`."""
LABELS = {
    "pipe": '"leg"',
    "marks": "\"id\" || '\\n' || coalesce(\"station\", '')",
    "readings": 'format_number("level_db", 0)',
    "fittings": '"id"',
    "features": '"id"',
    "interval": '"from_sta" || \' to \' || "to_sta"',
    "stakes": '"label"',
    "ties": "format_number(\"dist_m\", 2) || ' m'",
    "utilities": '"name"',
    "utility_points": '"name"',
    "next_readings": '"label"',
    "check_places": '"label"',
    "best_so_far": '"label"',
    "dug": '"outcome"',
    "found": '"label"',
}
"""Layer -> what is written beside its features, as an expression of QGIS."""


PRIORITY = dict.fromkeys(("stakes", "best_so_far", "next_readings", "check_places"), 10)
"""Layers whose labels come first where not all find room, of 10; others 4."""


def qml(layer: Layer, result: Result) -> str:
    """Return the style of a layer."""
    kind = {"Point": "marker", "LineString": "line", "Polygon": "fill"}[layer.geometry]
    categories = {"version": "3.22.0", "styleCategories": "Symbology|Labeling"}
    root = ET.Element("qgis", {**categories, "labelsEnabled": str(int(layer.name in LABELS))})
    renderer = ET.SubElement(root, "renderer-v2", {"type": "RuleRenderer", "symbollevels": "0"})
    rules = ET.SubElement(renderer, "rules", {"key": "root"})
    symbols = ET.SubElement(renderer, "symbols")
    listed = _levels(result) if layer.name == "readings" else RULES[layer.name]
    for number, (label, test, sign) in enumerate(listed):
        wanted = {"label": label, "symbol": str(number), "key": f"rule{number}"}
        if len(listed) > 1:
            wanted["filter"] = test or "ELSE"
        ET.SubElement(rules, "rule", wanted)
        _symbol(symbols, str(number), kind, sign)
    if layer.name in LABELS:
        _labels(root, LABELS[layer.name], kind, PRIORITY.get(layer.name, 4))
    return "<!DOCTYPE qgis>\n" + ET.tostring(root, encoding="unicode")


def _levels(result: Result) -> tuple[Rule, ...]:
    """Return readings graduated by level; those on a scale of their own have no colour."""
    listed = steps(result)
    bounds = ["", *(f"{each:g}" for each in level_edges(result)), ""]
    scale = f"\"kind\" = 'surface' AND \"scale\" = '{drawn_scale(result)}'"
    rules = []
    for (colour, name), (low, high) in zip(listed, itertools.pairwise(bounds), strict=False):
        tests = [scale]
        tests += [f'"level_db" > {low}'] if low else []
        tests += [f'"level_db" <= {high}'] if high else []
        rules.append((name, " AND ".join(tests), _dot(colour, 3.0)))
    return (*rules, ("another scale", "", _dot("#ffffff", 2.4, "diamond")))


def _symbol(parent: ET.Element, name: str, kind: str, sign: Sign) -> None:
    symbol = ET.SubElement(parent, "symbol", {"type": kind, "name": name, "alpha": "1"})
    if kind == "marker":
        stroke, width = sign.strokes[0]
        options = {
            "name": sign.marker or "circle",
            "color": _rgba(sign.fill or "#ffffff"),
            "outline_color": _rgba(stroke),
            "outline_width": f"{width:g}",
            "size": f"{sign.size_mm:g}",
        }
        _symbol_layer(symbol, "SimpleMarker", options)
        return
    if kind == "fill":
        fill = {"color": _rgba(sign.fill or "#ffffff", 90), "style": "solid", "outline_style": "no"}
        _symbol_layer(symbol, "SimpleFill", fill)
    for colour, width in sign.strokes:
        options = {
            "line_color": _rgba(colour),
            "line_width": f"{width:g}",
            "line_width_unit": "MM",
            "capstyle": "flat",
        }
        if sign.dash:
            options |= {"use_custom_dash": "1", "customdash": ";".join(f"{d:g}" for d in sign.dash)}
        _symbol_layer(symbol, "SimpleLine", options)


def _symbol_layer(symbol: ET.Element, name: str, options: dict[str, str]) -> None:
    layer = ET.SubElement(symbol, "layer", {"class": name, "enabled": "1", "pass": "0"})
    held = ET.SubElement(layer, "Option", {"type": "Map"})
    for key, value in options.items():
        ET.SubElement(held, "Option", {"type": "QString", "name": key, "value": value})


def _labels(root: ET.Element, expression: str, kind: str, priority: int) -> None:
    """Add labels with a white halo: around points, along lines."""
    labeling = ET.SubElement(root, "labeling", {"type": "simple"})
    settings = ET.SubElement(labeling, "settings", {"calloutType": "simple"})
    style = {"fieldName": expression, "isExpression": "1", "fontSize": "8", "fontSizeUnit": "Point"}
    style |= {"textColor": _rgba(colours.INK), "textOpacity": "1", "blendMode": "0"}
    style["fontWeight"] = "75" if priority == 10 else "50"
    text = ET.SubElement(settings, "text-style", style)
    halo = {"bufferDraw": "1", "bufferSize": "0.7", "bufferSizeUnits": "MM", "bufferOpacity": "1"}
    ET.SubElement(text, "text-buffer", {**halo, "bufferColor": "255,255,255,255"})
    # 6: cartographic, around a point; 2: parallel to a line.
    placement = {"placement": "6" if kind == "marker" else "2", "dist": "1", "distUnits": "MM"}
    placement["priority"] = str(priority)
    ET.SubElement(settings, "placement", placement)


def _rgba(colour: str, alpha: int = 255) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{alpha}"
