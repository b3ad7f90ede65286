"""site.gpkg: everything for a GIS, with a default style for every layer, as QGIS stores it (QML).

Coordinates are in the printed grid; lengths in the fields are metres. A local site is stored in
the undefined Cartesian system (srs_id -1). The file is closed in rollback-journal mode, so that it
opens read-only and leaves no files beside it.
"""

from __future__ import annotations

import itertools
import sqlite3
import struct
import tempfile
import warnings
from collections.abc import Iterator
from contextlib import closing
from functools import lru_cache
from pathlib import Path
from xml.sax.saxutils import escape, quoteattr

import numpy as np
import shapely

from geoleak.export import colours, words
from geoleak.export.layers import LAYERS, NO_DATE, Layer, type_of
from geoleak.record import Record
from geoleak.result import Result

GPKG_VERSION = "1.3"
"""Read without a warning by stable releases of GDAL (3.6); newer ones write 1.4 unless told."""
TYPES = {float: ("float64", "REAL"), int: ("int32", "MEDIUMINT"), str: ("object", "TEXT")}
"""What numpy and a table call the types of fields."""
DUBLIN_CORE = "http://purl.org/dc/terms/"
STYLE_TABLE = """
CREATE TABLE layer_styles (
  id INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL,
  f_table_catalog TEXT(256), f_table_schema TEXT(256), f_table_name TEXT(256),
  f_geometry_column TEXT(256), styleName TEXT(30), styleQML TEXT, styleSLD TEXT,
  useAsDefault BOOLEAN, description TEXT, owner TEXT(30), ui TEXT(30),
  update_time DATETIME DEFAULT (strftime('%Y-%m-%dT%H:%M:%fZ','now')))
"""


def write_geopackage(result: Result, path: Path) -> Path:
    """Write site.gpkg and return its path.

    The date inside is the run's own, never the clock's, so that the same run gives the same bytes.
    GDAL makes the file and its first layer, once for every grid; the others are laid out like it
    (measured: 10 ms in GDAL for each, most of it opening and closing).
    """
    layers = [each for each in LAYERS if not each.asked or each.features(result)]
    crs = None if result.site.local else str(result.leak.position.crs)
    path.write_bytes(_empty(crs, _type_of(layers[0], result)))
    with closing(sqlite3.connect(path)) as base, base:
        base.execute("PRAGMA synchronous = OFF")  # folder.py syncs the whole folder when it is made
        for layer in layers[1:]:
            _add(base, layer, _type_of(layer, result))
        for layer in layers:
            _insert(base, layer, result)
        _finish(base, layers, result)
    return path


def _type_of(layer: Layer, result: Result) -> str:
    many = any(each.grid.geom_type.startswith("Multi") for each in layer.features(result))
    return f"Multi{layer.geometry}" if many else layer.geometry


@lru_cache(maxsize=8)
def _empty(crs: str | None, geometry: str) -> bytes:
    """Return a package with the first layer, empty, as GDAL makes it."""
    from geoleak.readers import load_gdal

    load_gdal()
    from pyogrio import raw

    layer = LAYERS[0]
    with tempfile.TemporaryDirectory() as folder, warnings.catch_warnings():
        warnings.filterwarnings("ignore", message=".*crs.*was not provided.*")
        path = Path(folder) / "empty.gpkg"
        raw.write(
            str(path),
            geometry=np.array([], dtype=object),
            field_data=[np.array([], dtype=TYPES[type_of(each)][0]) for each in layer.fields],
            fields=np.array(layer.fields, dtype=object),
            layer=layer.name,
            driver="GPKG",
            geometry_type=geometry,
            crs=crs,
            dataset_options={"VERSION": GPKG_VERSION},
            dataset_metadata={"run": ""},
            # A few dozen features a layer: an index would be most of the file.
            layer_options={"IDENTIFIER": layer.title, "SPATIAL_INDEX": "NO"}
            | ({} if crs else {"SRID": "-1"}),
        )
        return path.read_bytes()


def _add(base: sqlite3.Connection, layer: Layer, geometry: str) -> None:
    """Add an empty layer in the grid of the first one."""
    fields = "".join(f', "{each}" {TYPES[type_of(each)][1]}' for each in layer.fields)
    base.execute(
        f'CREATE TABLE "{layer.name}" ("fid" INTEGER PRIMARY KEY AUTOINCREMENT NOT NULL, '
        f'"geom" {geometry.upper()}{fields})'
    )
    base.execute(
        "INSERT INTO gpkg_contents (table_name, data_type, identifier, srs_id) "
        "SELECT ?, data_type, ?, srs_id FROM gpkg_contents WHERE table_name = ?",
        (layer.name, layer.title, LAYERS[0].name),
    )
    base.execute(
        "INSERT INTO gpkg_geometry_columns SELECT ?, column_name, ?, srs_id, z, m "
        "FROM gpkg_geometry_columns WHERE table_name = ?",
        (layer.name, geometry.upper(), LAYERS[0].name),
    )


def _insert(base: sqlite3.Connection, layer: Layer, result: Result) -> None:
    """Insert a layer's features and state the extent of them all."""
    shapes = [shapely.force_2d(each.grid) for each in layer.features(result)]
    if not shapes:
        return
    kind = _type_of(layer, result)
    ((srs,),) = base.execute("SELECT srs_id FROM gpkg_contents WHERE table_name = ?", (layer.name,))
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
    """Add what the file says of itself and the table that a GIS takes default styles from."""
    stamp = f"{result.run.date or NO_DATE}T00:00:00.000Z"
    base.execute("UPDATE gpkg_contents SET last_change = ?", (stamp,))
    base.execute("UPDATE gpkg_metadata_reference SET timestamp = ?", (stamp,))
    base.execute(
        "UPDATE gpkg_metadata SET md_standard_uri = ?, metadata = ?", (DUBLIN_CORE, _about(result))
    )
    base.execute(STYLE_TABLE)
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
