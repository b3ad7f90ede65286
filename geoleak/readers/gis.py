"""GIS files (GeoPackage, Shapefile and GPX through GDAL, GeoJSON): for points, mains, services."""

from __future__ import annotations

import io
import os
import re
import sys
import warnings
import zipfile
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from geoleak.crs import axis_unit, brought, horizontal_crs
from geoleak.errors import Complaint, CrsError, InputError, Origin, Refused, listed
from geoleak.readers.collector import MOST_BYTES, refused
from geoleak.readers.geojson import Layer, narrow_enough, read_geojson
from geoleak.readers.headers import Header, read_header
from geoleak.readers.table import DEGREES, GRID, PointContext, Table, stated_columns
from geoleak.readers.text import Rows, cell_text
from geoleak.record import Floats, replace
from geoleak.units import parse_length

_REMEDY = "give a GeoPackage, a GeoJSON or a Shapefile"
_FORMATS = {
    ".gpkg": ("GeoPackage", b"SQLite format 3\0"), ".shp": ("Shapefile", b"\0\0\x27\x0a"),
    ".geojson": ("GeoJSON", b"{"), ".json": ("GeoJSON", b"{"), ".gpx": ("GPX", b"<"),
}  # fmt: skip
"""What a format is called, and how its files begin."""
SHAPEFILE_PARTS = (".shx", ".dbf", ".prj", ".cpg")
# Drivers that fetch from a network, or read other files that the opened one names.
_SKIPPED = (
    "OGR_VRT", "VRT", "GDALG", "HTTP", "WFS", "OAPIF", "OGCAPI", "CSW", "GML", "LIBKML", "KML",
    "GeoRSS", "EEDA", "EEDAI", "Elasticsearch", "Carto", "AmigoCloud", "PLSCENES", "NGW", "PMTiles",
    "MVT", "ADBC", "GPSBabel", "STACIT", "STACTA", "WMS", "WMTS", "WCS", "DAAS", "OGR_PDS", "VICAR",
    "JSONFG", "MapML", "LVBAG",
)  # fmt: skip
_GPX_ROLES = {"name": "id", "ele": "elevation", "sym": "code", "cmt": "note", "time": "time"}
Source = bytes | Layer
"""What GDAL reads, or a GeoJSON as read."""


def load_gdal() -> Any:
    """Return pyogrio with those drivers of GDAL left out that follow what a file points to.

    They can be left out only while GDAL loads; where something else loaded it before, `source_of`
    still lets nothing but the four formats through.
    """
    if "pyogrio" not in sys.modules:
        before = os.environ.get("GDAL_SKIP")
        os.environ["GDAL_SKIP"] = ",".join(_SKIPPED) + ("," + before if before else "")
        try:
            import pyogrio
        finally:
            del os.environ["GDAL_SKIP"]
            if before is not None:
                os.environ["GDAL_SKIP"] = before
    import pyogrio.raw

    return pyogrio


def source_of(path: Path, origin: Origin) -> Source:
    """Return a GIS file as bytes that GDAL reads in memory, a GeoJSON as its layer.

    GDAL opens a file by its content: a ``.geojson`` may be a list of links to other files. From
    memory it can reach no neighbour and leaves none; a Shapefile's parts are packed together.

    Raises
    ------
    InputError
        A file that is missing, no plain file, too large, or not what its suffix says; what
        `read_geojson` finds.
    """
    suffix = path.suffix.casefold()
    if suffix not in _FORMATS:
        raise refused(origin, f'"{suffix}" is not read', _REMEDY)
    called, begin = _FORMATS[suffix]
    try:
        if not path.is_file():
            raise refused(origin, "cannot be read (it is no plain file)", _REMEDY)
        if path.stat().st_size > MOST_BYTES:
            raise refused(origin, f"is larger than {MOST_BYTES // 10**6} MB", "cut it to this job")
        data = path.read_bytes()
    except OSError as error:
        raise refused(origin, f"cannot be read ({error.strerror})", _REMEDY) from None
    if not data.removeprefix(b"\xef\xbb\xbf").lstrip().startswith(begin):
        raise refused(origin, f"cannot be read (no {called} by its first bytes)", _REMEDY)
    if suffix in (".geojson", ".json"):
        return read_geojson(data, path.stem, origin)
    if suffix == ".gpx" and (b"<gpx" not in data[:5000] or b"<!ENTITY" in data):
        raise refused(origin, "cannot be read (no GPX by its first element)", _REMEDY)
    return _packed(path, data) if suffix == ".shp" else data


def _packed(path: Path, data: bytes) -> bytes:
    """Return a Shapefile and its parts as one archive."""
    held = io.BytesIO()
    with zipfile.ZipFile(held, "w") as archive:
        archive.writestr(f"{path.stem}.shp", data)
        for each in path.parent.iterdir():
            own = each.stem == path.stem and each.suffix.casefold() in SHAPEFILE_PARTS
            inside = own and each.is_file() and each.resolve().parent == path.resolve().parent
            if inside and each.stat().st_size <= MOST_BYTES:
                archive.writestr(f"{path.stem}{each.suffix.casefold()}", each.read_bytes())
    return held.getvalue()


@contextmanager
def _gdal(origin: Origin) -> Iterator[Any]:
    """Give GDAL to read with; whatever it cannot read becomes an `InputError`."""
    try:
        with warnings.catch_warnings():
            # In memory no GeoPackage has a suffix.
            warnings.filterwarnings("ignore", "File /vsimem/.* non conformant file extension")
            yield load_gdal()
    except Exception as error:  # GDAL raises many kinds; none may become a traceback
        why = " ".join(str(error).split()).split("; ")[0][:120]
        raise refused(origin, f"cannot be read ({why})", _REMEDY) from None


def list_layers(source: Source, origin: Origin) -> list[tuple[str, str | None]]:
    """Return name and kind of geometry (None: a bare table) of each layer; raises `InputError`."""
    if isinstance(source, Layer):
        return [(source.name, "Unknown")]
    with _gdal(origin) as gdal:
        return [(str(name), kind) for name, kind in gdal.list_layers(source)]


def read_layer(source: Source, name: str, origin: Origin, *, flat: bool = True) -> Layer:
    """Return one layer, ``flat`` without heights; raises `InputError`."""
    import shapely

    if isinstance(source, Layer):
        if name != source.name:
            raise refused(origin, f'has no layer "{name}"', f'its only one is "{source.name}"')
        return replace(source, shapes=shapely.force_2d(source.shapes)) if flat else source
    with _gdal(origin) as gdal:
        meta, ids, geometry, columns = gdal.raw.read(
            source, layer=name, return_fids=True, force_2d=flat
        )
        shapes = np.full(len(ids), None)
        if geometry is not None:
            with np.errstate(invalid="ignore"):  # coordinates that are no numbers are said later
                shapes = shapely.from_wkb(geometry, on_invalid="ignore")
    narrow_enough(len(columns), origin)
    fields = dict(zip(map(str, meta["fields"]), columns, strict=True))
    return Layer(name, meta["crs"], ids, shapes, fields)


def stated_length(text: str, bare: str | None, *, unit: str = "m") -> float:
    """Return the length that an attribute states, in metres; raises `Refused`.

    A bare number is in the unit ``bare``, 0 in any; feet are like those of ``unit``.
    """
    if re.fullmatch(r"0+(?:[.,]0*)?", text):
        return 0.0
    number = re.fullmatch(r"[-+]?[\d.,]+(?:[eE][-+]?\d+)?", text)
    if number and bare is None:
        raise Refused(f"{text} has no unit")
    metres = parse_length(f"{text} {bare}" if number else text, unit=unit)
    if metres < 0:
        raise Refused(f"{text} is below 0")
    return metres


# --- points ----------------------------------------------------------------------------------


def read_point_layer(name: str, *, label: str, context: PointContext) -> Table:
    """Return a layer's points by role; the line of an origin is the feature's number from 1."""
    import pandas as pd

    origin, gpx = Origin(label), PurePath(name).suffix.casefold() == ".gpx"
    source = source_of(context.collector.folder / name, origin)
    layers = [each for each, _ in list_layers(source, origin)]
    chosen = "waypoints" if gpx and "waypoints" in layers else layers[0]
    layer = read_layer(source, chosen, origin, flat=False)
    if len(layers) > 1:
        text = f'the layer "{chosen}" is read, of {listed(layers)}'
        context.collector.note("first_layer", text, origin)
    xyz = _coordinates(layer, label)
    try:
        pair = _in_site_crs(xyz, layer.crs, label, context)
    except CrsError as error:
        raise refused(origin, error.what, error.remedy) from None
    names = list(layer.fields)
    header = read_header(names)
    if gpx:
        roles = {_GPX_ROLES[name]: at for at, name in enumerate(names) if name in _GPX_ROLES}
        header = Header(roles, tuple(names))
    header = stated_columns(header, context)
    roles = {role: at for role, at in header.roles.items() if role not in (*GRID, *DEGREES)}
    columns: list[Any] = [
        np.array([cell_text(each) for each in values.tolist()], dtype=object)
        for values in layer.fields.values()
    ]
    # The geometry is in columns behind the rest.
    geometry = dict(zip(DEGREES if context.info.geographic else GRID, pair, strict=True))
    if "elevation" not in roles and np.isfinite(xyz[:, 2]).any():
        geometry["elevation"] = xyz[:, 2]
    roles |= {role: len(columns) + k for k, role in enumerate(geometry)}
    units = dict(header.units)
    if layer.crs is not None and context.info.crs is not None:
        # Heights beside degrees are metres, else they are in the layer's own axis.
        unit, _ = axis_unit(horizontal_crs(str(layer.crs)))
        units.setdefault("elevation", "m" if unit == "deg" else unit)
    full = (*names, *(f"geometry {index}" for index in range(len(geometry))))
    frame = pd.DataFrame(dict(enumerate([*columns, *geometry.values()])))
    rows = Rows(label, [], range(1, len(xyz) + 1))
    return Table(Header(roles, full, units), frame, rows, context)


def _coordinates(layer: Layer, label: str) -> Floats:
    """Return (n, 3) coordinates; only single points are taken, all else is named."""
    import shapely

    shapes, origin = layer.shapes, Origin(label)
    if not len(shapes):
        raise refused(origin, "the layer holds no points", "export it again")
    if not any(each is not None for each in shapes):
        raise refused(origin, "the layer is a table without geometry", "name a layer of points")
    kinds = shapely.get_type_id(shapes)
    single = (kinds == 4) & (shapely.get_num_geometries(shapes) == 1)
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    wrong = []
    for row in np.flatnonzero((kinds != 0) & ~single)[:20].tolist():
        what = "no geometry" if shapes[row] is None else f"a {shapes[row].geom_type}"
        what = f"feature {row + 1} is {what}"
        wrong.append(Complaint(Origin(label, row + 1), what, "points are wanted here"))
    if wrong:
        raise InputError(wrong)
    xyz = np.asarray(shapely.get_coordinates(shapes, include_z=True), dtype=np.float64)
    if len(xyz) != len(shapes) or not np.isfinite(xyz[:, :2]).all():
        raise refused(origin, "some features have empty or non-finite points", "take them out")
    return xyz


def _in_site_crs(
    xyz: Floats, text: str | None, label: str, context: PointContext
) -> tuple[Floats, Floats]:
    """Return easting and northing in the site's CRS; another CRS is transformed, none refused."""
    site, origin, collector = context.info.projection, Origin(label), context.collector
    easting, northing = xyz[:, 0], xyz[:, 1]
    if text is None and site is not None:
        raise refused(origin, "the layer states no CRS", "export it with one")
    if site is None:
        if text is not None:
            said = f"the site is local: the layer's CRS {text} is not used"
            collector.note("layer_crs_not_used", said, origin)
        return easting, northing
    own = horizontal_crs(str(text))
    if own.equals(site.crs, ignore_axis_order=True):
        return easting, northing
    easting, northing, shift = brought(str(text), site, easting, northing)
    aside = f": they may lie {shift.accuracy_m:g} m aside"
    if shift.is_ballpark:
        aside = ", for which PROJ has no real operation here: they may be far off"
    aside = f", on another datum{aside}" if shift.name else ""
    said = f"points of {label} were brought from {own.name} to {context.info.text}{aside}"
    collector.note("layer_transformed", said, origin)
    return easting, northing
