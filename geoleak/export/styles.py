"""Default styles of the layers, as QML and as OGC SLD, from one plain description."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from xml.etree import ElementTree as ET

from geoleak.export import colours

SLD_NAMESPACES = {
    "xmlns": "http://www.opengis.net/sld",
    "xmlns:ogc": "http://www.opengis.net/ogc",
    "xmlns:xlink": "http://www.w3.org/1999/xlink",
    "version": "1.0.0",
}


@dataclass(frozen=True, slots=True)
class Sign:
    """How a feature is drawn: strokes from the undermost to the topmost, or a marker.

    ``strokes`` are (colour, width in millimetres). ``marker`` is a well-known name of SLD
    (circle, square, triangle, cross) with ``fill`` and ``size_mm``; ``fill`` without a marker fills
    an area.
    """

    strokes: tuple[tuple[str, float], ...]
    fill: str | None = None
    marker: str | None = None
    size_mm: float = 0.0
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Rule:
    """A sign for some features: ``field`` equal to ``equals``; neither: for all the rest."""

    label: str
    sign: Sign
    field: str = ""
    equals: str = ""


@dataclass(frozen=True, slots=True)
class Style:
    """The style of a layer; ``label_field`` is written beside each feature."""

    title: str
    geometry: str
    rules: tuple[Rule, ...]
    label_field: str = ""


def _dot(fill: str, size_mm: float, marker: str = "circle") -> Sign:
    return Sign(((colours.INK, 0.4),), fill, marker, size_mm)


def _service(colour: str) -> Sign:
    return Sign(((colours.CASING, 1.4), (colour, 0.8)))


STYLES: dict[str, Style] = {
    "pipe": Style(
        "Fitted legs",
        "line",
        (
            Rule("assumed route", Sign(((colours.PIPE, 0.8),), dash=(4, 3)), "assumed", "1"),
            Rule("pipe", Sign((("#ffffff", 1.6), (colours.PIPE, 0.8)))),
        ),
        "leg",
    ),
    "marks": Style("Paint marks", "point", (Rule("mark", _dot("#ffffff", 1.8)),), "id"),
    "readings": Style(
        "Readings", "point", (Rule("reading", _dot(colours.LEVEL_RAMP[2], 3.0)),), "level_db"
    ),
    "fittings": Style(
        "Fittings", "point", (Rule("fitting", _dot("#ffffff", 3.2, "square")),), "id"
    ),
    "features": Style(
        "Fixed features", "point", (Rule("feature", _dot(colours.FIXED, 3.0, "square")),), "id"
    ),
    "interval": Style(
        "Where the leak may be",
        "line",
        tuple(
            Rule(
                f"{percent} %", Sign(((colours.INTERVAL[percent], width),)), "percent", str(percent)
            )
            for percent, width in ((95, 4.5), (80, 3.5), (50, 2.5))
        ),
    ),
    "hole": Style(
        "Hole", "area", (Rule("hole", Sign((("#000000", 1.4), ("#ffffff", 0.6)), "#ffffff")),)
    ),
    "stakes": Style(
        "Stakes",
        "point",
        (
            Rule("best so far, not to dig", _dot("#ffffff", 2.4), "id", "best-so-far"),
            Rule("stake", _dot("#000000", 5.0, "cross"), "kind", "stake"),
            Rule("offset stake", _dot("#000000", 3.2, "triangle"), "kind", "offset_stake"),
            Rule("check point", _dot("#ffffff", 3.2, "triangle"), "kind", "check_point"),
        ),
        "label",
    ),
    "next_readings": Style(
        "Where to listen next",
        "point",
        (Rule("listen next", _dot(colours.PAPER, 5.0, "triangle")),),
        "id",
    ),
    "ties": Style(
        "Ties", "line", (Rule("tape", Sign(((colours.FIXED, 0.5),), dash=(1, 2))),), "dist_m"
    ),
    "utilities": Style(
        "Other services",
        "line",
        (
            *(
                Rule(name, _service(colour), "colour", name)
                for name, colour in colours.APWA.items()
            ),
            Rule("service", _service(colours.UNKNOWN_SERVICE)),
        ),
        "name",
    ),
    "utility_points": Style(
        "Other services",
        "point",
        (
            *(
                Rule(name, _dot(colour, 3.0), "colour", name)
                for name, colour in colours.APWA.items()
            ),
            Rule("service", _dot(colours.UNKNOWN_SERVICE, 3.0)),
        ),
        "name",
    ),
}
"""Layer name -> its style."""


def qml(style: Style) -> str:
    """Return the style as QML."""
    root = ET.Element("qgis", {"version": "3.22.0", "styleCategories": "Symbology|Labeling"})
    renderer = ET.SubElement(
        root,
        "renderer-v2",
        {"type": "RuleRenderer", "symbollevels": "0", "enableorderby": "0", "forceraster": "0"},
    )
    rules = ET.SubElement(renderer, "rules", {"key": "root"})
    symbols = ET.SubElement(renderer, "symbols")
    for number, rule in enumerate(style.rules):
        wanted = {"label": rule.label, "symbol": str(number), "key": f"rule{number}"}
        wanted["filter"] = f"\"{rule.field}\" = '{rule.equals}'" if rule.field else "ELSE"
        if len(style.rules) == 1:
            del wanted["filter"]
        ET.SubElement(rules, "rule", wanted)
        _qml_symbol(symbols, str(number), style.geometry, rule.sign)
    return "<!DOCTYPE qgis>\n" + ET.tostring(root, encoding="unicode")


def _qml_symbol(parent: ET.Element, name: str, geometry: str, sign: Sign) -> None:
    kind = {"point": "marker", "line": "line", "area": "fill"}[geometry]
    symbol = ET.SubElement(
        parent, "symbol", {"type": kind, "name": name, "alpha": "1", "clip_to_extent": "1"}
    )
    if geometry == "point":
        stroke, width = sign.strokes[0]
        options = {
            "name": sign.marker or "circle",
            "color": _rgba(sign.fill or "#ffffff"),
            "outline_color": _rgba(stroke),
            "outline_width": f"{width:g}",
            "size": f"{sign.size_mm:g}",
        }
        _qml_layer(symbol, "SimpleMarker", options)
        return
    if geometry == "area":
        fill = {"color": _rgba(sign.fill or "#ffffff", 90), "style": "solid", "outline_style": "no"}
        _qml_layer(symbol, "SimpleFill", fill)
    for colour, width in sign.strokes:
        options = {
            "line_color": _rgba(colour),
            "line_width": f"{width:g}",
            "line_width_unit": "MM",
            "capstyle": "flat",
        }
        if sign.dash:
            options |= {"use_custom_dash": "1", "customdash": ";".join(f"{d:g}" for d in sign.dash)}
        _qml_layer(symbol, "SimpleLine", options)


def _qml_layer(symbol: ET.Element, name: str, options: dict[str, str]) -> None:
    layer = ET.SubElement(symbol, "layer", {"class": name, "enabled": "1", "pass": "0"})
    held = ET.SubElement(layer, "Option", {"type": "Map"})
    for key, value in options.items():
        ET.SubElement(held, "Option", {"type": "QString", "name": key, "value": value})
    for key, value in options.items():
        ET.SubElement(layer, "prop", {"k": key, "v": value})


def _rgba(colour: str, alpha: int = 255) -> str:
    red, green, blue = (int(colour[i : i + 2], 16) for i in (1, 3, 5))
    return f"{red},{green},{blue},{alpha}"


def sld(style: Style) -> str:
    """Return the style as OGC Styled Layer Descriptor 1.0.0."""
    root = ET.Element("StyledLayerDescriptor", SLD_NAMESPACES)
    layer = ET.SubElement(root, "NamedLayer")
    ET.SubElement(layer, "Name").text = style.title
    held = ET.SubElement(ET.SubElement(layer, "UserStyle"), "FeatureTypeStyle")
    for rule in style.rules:
        made = ET.SubElement(held, "Rule")
        ET.SubElement(made, "Name").text = rule.label
        if rule.field:
            test = ET.SubElement(ET.SubElement(made, "ogc:Filter"), "ogc:PropertyIsEqualTo")
            ET.SubElement(test, "ogc:PropertyName").text = rule.field
            ET.SubElement(test, "ogc:Literal").text = rule.equals
        elif len(style.rules) > 1:
            ET.SubElement(made, "ElseFilter")
        _sld_symbol(made, style.geometry, rule.sign)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(root, encoding="unicode")


def _sld_symbol(rule: ET.Element, geometry: str, sign: Sign) -> None:
    if geometry == "point":
        graphic = ET.SubElement(ET.SubElement(rule, "PointSymbolizer"), "Graphic")
        mark = ET.SubElement(graphic, "Mark")
        ET.SubElement(mark, "WellKnownName").text = sign.marker or "circle"
        _css(ET.SubElement(mark, "Fill"), [("fill", sign.fill or "#ffffff")])
        colour, width = sign.strokes[0]
        _css(ET.SubElement(mark, "Stroke"), [("stroke", colour), ("stroke-width", _pixels(width))])
        ET.SubElement(graphic, "Size").text = _pixels(sign.size_mm)
        return
    if geometry == "area":
        area = ET.SubElement(rule, "PolygonSymbolizer")
        fill = [("fill", sign.fill or "#ffffff"), ("fill-opacity", "0.35")]
        _css(ET.SubElement(area, "Fill"), fill)
    for colour, width in sign.strokes:
        stroke = ET.SubElement(ET.SubElement(rule, "LineSymbolizer"), "Stroke")
        rows = [("stroke", colour), ("stroke-width", _pixels(width))]
        if sign.dash:
            rows.append(("stroke-dasharray", " ".join(_pixels(d) for d in sign.dash)))
        _css(stroke, rows)


def _css(parent: ET.Element, rows: Sequence[tuple[str, str]]) -> None:
    for name, value in rows:
        ET.SubElement(parent, "CssParameter", {"name": name}).text = value


def _pixels(width_mm: float) -> str:
    """Return pixels of 0.28 mm, as SLD counts them."""
    return f"{width_mm / 0.28:.1f}"
