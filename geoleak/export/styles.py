"""Default styles of the GeoPackage's layers, as QGIS stores them (QML): signs, colours, labels."""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from xml.sax.saxutils import quoteattr

from geoleak.export import colours
from geoleak.export.layers import Layer
from geoleak.export.level_scales import drawn_scale, level_edges, steps
from geoleak.record import Record
from geoleak.result import Result


class Sign(Record):
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
    listed = _levels(result) if layer.name == "readings" else RULES[layer.name]
    rules, symbols = "", ""
    for number, (label, test, sign) in enumerate(listed):
        wanted = f" filter={quoteattr(test or 'ELSE')}" if len(listed) > 1 else ""
        rules += f'<rule label={quoteattr(label)} symbol="{number}" key="rule{number}"{wanted}/>'
        drawn = "".join(_drawn(*each) for each in _strokes(sign, kind))
        symbols += f'<symbol type="{kind}" name="{number}" alpha="1">{drawn}</symbol>'
    text = LABELS.get(layer.name, "")
    return (
        '<!DOCTYPE qgis>\n<qgis version="3.22.0" styleCategories="Symbology|Labeling" '
        f'labelsEnabled="{int(bool(text))}"><renderer-v2 type="RuleRenderer" symbollevels="0">'
        f'<rules key="root">{rules}</rules><symbols>{symbols}</symbols></renderer-v2>'
        f"{text and _labels(text, kind, PRIORITY.get(layer.name, 4))}</qgis>"
    )


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


def _strokes(sign: Sign, kind: str) -> Iterator[tuple[str, dict[str, str]]]:
    """Yield what a sign is drawn with, the undermost first: class and options."""
    fill = sign.fill or "#ffffff"
    if kind == "marker":
        stroke, width = sign.strokes[0]
        marked = {"name": sign.marker or "circle", "size": f"{sign.size_mm:g}"}
        line = {"outline_color": _rgba(stroke), "outline_width": f"{width:g}"}
        yield "SimpleMarker", {"color": _rgba(fill), **line, **marked}
        return
    if kind == "fill":
        yield "SimpleFill", {"color": _rgba(fill, 90), "style": "solid", "outline_style": "no"}
    dashes = {"use_custom_dash": "1", "customdash": ";".join(f"{d:g}" for d in sign.dash)}
    for colour, width in sign.strokes:
        line = {"line_color": _rgba(colour), "line_width": f"{width:g}", "line_width_unit": "MM"}
        yield "SimpleLine", {**line, "capstyle": "flat", **(dashes if sign.dash else {})}


def _drawn(name: str, options: dict[str, str]) -> str:
    told = (f'<Option type="QString" name="{k}" value="{v}"/>' for k, v in options.items())
    option = f'<Option type="Map">{"".join(told)}</Option>'
    return f'<layer class="{name}" enabled="1" pass="0">{option}</layer>'


def _labels(expression: str, kind: str, priority: int) -> str:
    """Return labels with a white halo: around points (placement 6), along lines (2)."""
    return (
        '<labeling type="simple"><settings calloutType="simple">'
        f'<text-style fieldName={quoteattr(expression)} isExpression="1" fontSize="8" '
        f'fontSizeUnit="Point" textColor="{_rgba(colours.INK)}" textOpacity="1" '
        f'blendMode="0" fontWeight="{75 if priority == 10 else 50}">'
        '<text-buffer bufferDraw="1" bufferSize="0.7" bufferSizeUnits="MM" bufferOpacity="1" '
        'bufferColor="255,255,255,255"/></text-style>'
        f'<placement placement="{6 if kind == "marker" else 2}" dist="1" distUnits="MM" '
        f'priority="{priority}"/></settings></labeling>'
    )


def _rgba(colour: str, alpha: int = 255) -> str:
    red, green, blue = bytes.fromhex(colour[1:])
    return f"{red},{green},{blue},{alpha}"
