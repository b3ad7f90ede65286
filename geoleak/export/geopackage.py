"""site.gpkg: everything for a GIS, with a default style for every layer, as QGIS stores it (QML).

Coordinates are in the printed grid; lengths in the fields are metres. A local site is stored in
the undefined Cartesian system (srs_id -1). The file is closed in rollback-journal mode, so that it
opens read-only and leaves no files beside it.
"""

from __future__ import annotations

import itertools
import re
import sqlite3
import struct
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import shapely

from geoleak.export import colours, words
from geoleak.export.documents import ASSETS
from geoleak.export.layers import LAYERS, NO_DATE, Layer, type_of
from geoleak.record import Record
from geoleak.result import Result

TYPES = {float: "REAL", int: "MEDIUMINT", str: "TEXT"}
OWN_SYSTEM = 100_000
"""Id of a grid that no registry numbers: above every EPSG code, as GDAL chooses it too."""
DUBLIN_CORE = "http://purl.org/dc/terms/"
NEWER_WKT = """
ALTER TABLE gpkg_spatial_ref_sys ADD COLUMN definition_12_063 TEXT NOT NULL DEFAULT 'undefined';
INSERT INTO gpkg_extensions VALUES ('gpkg_spatial_ref_sys', 'definition_12_063', 'gpkg_crs_wkt',
  'http://www.geopackage.org/spec120/#extension_crs_wkt', 'read-write');
"""


def write_geopackage(result: Result, path: Path) -> Path:
    """Write site.gpkg and return its path.

    The tables are those of the standard (``assets/geopackage.sql``). The date inside is the run's
    own, never the clock's, so that the same run gives the same bytes.
    """
    layers = [each for each in LAYERS if not each.asked or each.features(result)]
    path.write_bytes(b"")
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("PRAGMA synchronous = OFF")  # folder.py syncs the whole folder when it is made
        base.executescript("BEGIN;" + (ASSETS / "geopackage.sql").read_text(encoding="utf-8"))
        srs = -1 if result.site.local else _system(base, str(result.leak.position.crs))
        for layer in layers:
            _add(base, layer, _type_of(layer, result), srs)
            _insert(base, layer, result, srs)
        _finish(base, layers, result)
    return path


def _type_of(layer: Layer, result: Result) -> str:
    many = any(each.grid.geom_type.startswith("Multi") for each in layer.features(result))
    return f"Multi{layer.geometry}" if many else layer.geometry


def _system(base: sqlite3.Connection, crs: str) -> int:
    """Enter a CRS among the package's reference systems and return its id."""
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    grid, registered = CRS.from_user_input(crs), re.fullmatch(r"(\w+):(\d+)", crs)
    by, code = registered.groups() if registered else ("NONE", OWN_SYSTEM)
    newer = []
    try:
        wkt = grid.to_wkt("WKT1_GDAL", output_axis_rule=True)
    except CRSError:
        # A method that this form has no name for. Annex F.10 has a column for the newer form.
        base.executescript(NEWER_WKT)
        wkt, newer = "undefined", [grid.to_wkt("WKT2_2015")]
    row = (grid.name, int(code), by, int(code), wkt, None, *newer)
    marks = ", ".join("?" * len(row))
    base.execute(f"INSERT OR IGNORE INTO gpkg_spatial_ref_sys VALUES ({marks})", row)
    return int(code)


def _add(base: sqlite3.Connection, layer: Layer, geometry: str, srs: int) -> None:
    """Add an empty layer."""
    fields = "".join(f', "{each}" {TYPES[type_of(each)]}' for each in layer.fields)
    base.execute(
        f'CREATE TABLE "{layer.name}" ("fid" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, '
        f'"geom" {geometry.upper()}{fields})'
    )
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) "
        "VALUES (?, 'features', ?, ?)",
        (layer.name, layer.title, srs),
    )
    base.execute(
        "INSERT INTO gpkg_geometry_columns VALUES (?, 'geom', ?, ?, 0, 0)",
        (layer.name, geometry.upper(), srs),
    )


def _insert(base: sqlite3.Connection, layer: Layer, result: Result, srs: int) -> None:
    """Insert a layer's features and state the extent of them all."""
    shapes = [shapely.force_2d(each.grid) for each in layer.features(result)]
    if not shapes:
        return
    kind = _type_of(layer, result)
    columns = [
        [None if each is None else type_of(field)(each) for each in layer.values(field, result)]
        for field in layer.fields
    ]
    names = ", ".join(f'"{each}"' for each in ("geom", *layer.fields))
    marks = ", ".join("?" * (1 + len(layer.fields)))
    blobs = [_blob(each, kind, srs) for each in shapes]
    base.executemany(
        f'INSERT INTO "{layer.name}" ({names}) VALUES ({marks})', zip(blobs, *columns, strict=True)
    )
    base.execute(
        "UPDATE gpkg_contents SET min_x = ?, min_y = ?, max_x = ?, max_y = ? WHERE table_name = ?",
        (*map(float, shapely.total_bounds(shapes)), layer.name),
    )


def _blob(shape: shapely.Geometry, kind: str, srs: int) -> bytes:
    """Return a geometry as GeoPackage 1.3, 2.1.3 (Table 6) writes it, little endian."""
    if kind.startswith("Multi") and not shape.geom_type.startswith("Multi"):
        shape = getattr(shapely, f"multi{shape.geom_type.lower()}s")([shape])
    west, south, east, north = shape.bounds
    if shape.geom_type == "Point":  # no envelope
        head = struct.pack("<2sBBi", b"GP", 0, 0b00000001, srs)
    else:
        head = struct.pack("<2sBBi4d", b"GP", 0, 0b00000011, srs, west, east, south, north)
    return head + shapely.to_wkb(shape, byte_order=1)


def _about(result: Result) -> str:
    """Return what the file says of itself, as Dublin Core.

    GDAL's own form of metadata makes it leave an .aux.xml file beside the package on reading.
    """
    told = {
        "title": result.site.title,
        "identifier": f"run {result.run.id}",
        "created": result.run.date or "",
        "creator": f"geoleak {result.run.version}",
        "abstract": f"Verdict: {result.stands}. Grid: {result.site.grid_name} "
        f"({result.leak.position.crs}). Lengths in the fields are metres. A stake is advice; "
        "local codes and licensed practice govern.",
    }
    terms = (f"<dcterms:{k}>{escape(words.plain(v))}</dcterms:{k}>" for k, v in told.items() if v)
    return f'<metadata xmlns:dcterms="{DUBLIN_CORE}">{"".join(terms)}</metadata>'


def _finish(base: sqlite3.Connection, layers: list[Layer], result: Result) -> None:
    """Add what the file says of itself and the default styles."""
    stamp = f"{result.run.date or NO_DATE}T00:00:00.000Z"
    base.execute("UPDATE gpkg_contents SET last_change = ?", (stamp,))
    base.execute(
        "INSERT INTO gpkg_metadata (md_standard_uri, metadata) VALUES (?, ?)",
        (DUBLIN_CORE, _about(result)),
    )
    base.execute(
        "INSERT INTO gpkg_metadata_reference (reference_scope, timestamp, md_file_id) "
        "VALUES ('geopackage', ?, 1)",
        (stamp,),
    )
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, description, "
        "last_change, srs_id) VALUES ('layer_styles', 'attributes', 'layer_styles', '', ?, 0)",
        (stamp,),
    )
    base.executemany(
        "INSERT INTO layer_styles (f_table_catalog, f_table_schema, f_table_name, "
        "f_geometry_column, styleName, styleQML, styleSLD, useAsDefault, description, owner, "
        "ui, update_time) VALUES ('', '', ?, 'geom', ?, ?, '', 1, ?, '', NULL, ?)",
        [(e.name, e.name, qml(e, result), e.title, stamp) for e in layers],
    )


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
    return Sign(((colours.INK, 1.4), (colour, 0.8)))


_PIPE = Sign((("#ffffff", 1.6), (colours.INK, 0.8)))
_HOLE = Sign((("#000000", 1.4), ("#ffffff", 0.6)), "#ffffff")
_BEST = Sign((("#000000", 0.4),), "#ffffff", "circle", 2.4)
_OFFSET, _CHECK = _dot("#000000", 3.2, "triangle"), _dot("#ffffff", 3.2, "triangle")
RULES: dict[str, tuple[Rule, ...]] = {
    "pipe": (
        ("assumed route", '"assumed" = 1', Sign(((colours.INK, 0.8),), dash=(4, 3))),
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
    return (
        '<!DOCTYPE qgis>\n<qgis version="3.22.0" styleCategories="Symbology|Labeling" '
        f'labelsEnabled="{int(bool(layer.label))}">'
        '<renderer-v2 type="RuleRenderer" symbollevels="0">'
        f'<rules key="root">{rules}</rules><symbols>{symbols}</symbols></renderer-v2>'
        f"{layer.label and _labels(layer, kind)}</qgis>"
    )


def _levels(result: Result) -> tuple[Rule, ...]:
    """Return readings graduated by level; those on a scale of their own have no colour."""
    listed = colours.steps(result)
    bounds = ["", *(f"{each:g}" for each in colours.edges_of(result)), ""]
    scale = f"\"kind\" = 'surface' AND \"scale\" = '{colours.drawn_scale(result)}'"
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


def _labels(layer: Layer, kind: str) -> str:
    """Return labels with a white halo: around points (placement 6), along lines (2)."""
    return (
        '<labeling type="simple"><settings calloutType="simple">'
        f'<text-style fieldName={quoteattr(layer.label)} isExpression="1" fontSize="8" '
        f'fontSizeUnit="Point" textColor="{_rgba(colours.INK)}" textOpacity="1" '
        f'blendMode="0" fontWeight="{75 if layer.priority == 10 else 50}">'
        '<text-buffer bufferDraw="1" bufferSize="0.7" bufferSizeUnits="MM" bufferOpacity="1" '
        'bufferColor="255,255,255,255"/></text-style>'
        f'<placement placement="{6 if kind == "marker" else 2}" dist="1" distUnits="MM" '
        f'priority="{layer.priority}"/></settings></labeling>'
    )


def _rgba(colour: str, alpha: int = 255) -> str:
    red, green, blue = bytes.fromhex(colour[1:])
    return f"{red},{green},{blue},{alpha}"
