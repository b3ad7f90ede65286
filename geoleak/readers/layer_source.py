"""Points of a GIS layer (GeoPackage, GeoJSON, Shapefile, GPX way-points) to columns by role."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.crs import axis_unit
from geoleak.errors import Origin, listed
from geoleak.readers.header_roles import Header, read_header
from geoleak.readers.point_table import FloatArray
from geoleak.readers.text_source import Raw, stated_columns

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

    from geoleak.readers.point_context import PointContext

# A stated accuracy of 0 m, or none, means that nobody stated one: frames of one family differ by
# this much (WGS 84 against NAD83 in the United States; from memory).
UNSTATED_M = 2.0
_POSITION_ROLES = ("northing", "easting", "latitude", "longitude")
_GPX_ROLES = {"name": "id", "ele": "elevation", "sym": "code", "cmt": "note", "time": "time"}


def raw_from_layer(name: str, *, label: str, context: PointContext) -> Raw | None:
    """Return a layer's points by role; ``line`` of an origin is the feature's number from 1."""
    collector = context.collector
    path = collector.folder / name
    try:
        import pyogrio

        layers = [str(each) for each in pyogrio.list_layers(path)[:, 0]]
        layer = _choose(layers, PurePath(name).suffix.casefold())
        meta, _, geometry, fields = pyogrio.raw.read(path, layer=layer)
    except Exception as error:  # GDAL raises many kinds; none may become a traceback
        why = " ".join(str(error).split())[:120]
        collector.complain(Origin(label), f"the layer cannot be read ({why})", "export it again")
        return None
    if len(layers) > 1:
        collector.note(
            "first_layer", f'the layer "{layer}" is read, of {listed(layers)}', Origin(label)
        )
    points = _coordinates(geometry, label, context)
    if points is None:
        return None
    pair = _in_site_crs(points, meta.get("crs"), label, context)
    if pair is None:
        return None
    names = [str(each) for each in meta["fields"]]
    height_unit = _height_unit(meta.get("crs"), context)
    return _raw(label, names, fields, points, pair, height_unit, context)


def _height_unit(text: str | None, context: PointContext) -> str | None:
    """Return the unit of a layer's own heights: metres beside degrees, else the layer's axis."""
    if text is None or context.info.crs is None:
        return None
    from pyproj import CRS

    own = CRS.from_user_input(str(text))
    name, _ = axis_unit(own.sub_crs_list[0] if own.is_compound else own)
    return "m" if name == "deg" else name


def _choose(layers: Sequence[str], suffix: str) -> str:
    if suffix == ".gpx" and "waypoints" in layers:
        return "waypoints"
    return layers[0]


def _coordinates(geometry: Any, label: str, context: PointContext) -> FloatArray | None:
    """Return (n, 3) coordinates; only single points are taken, all else is named."""
    import shapely

    shapes = shapely.from_wkb(geometry)
    if not len(shapes):
        context.collector.complain(Origin(label), "the layer holds no points", "export it again")
        return None
    kinds = shapely.get_type_id(shapes)
    single = (kinds == 4) & (shapely.get_num_geometries(shapes) == 1)
    shapes[single] = shapely.get_geometry(shapes[single], 0)
    bad = np.flatnonzero((kinds != 0) & ~single)
    for row in bad[:20]:
        what = "no geometry" if shapes[row] is None else f"a {shapes[row].geom_type}"
        context.collector.complain(
            Origin(label, int(row) + 1), f"feature {row + 1} is {what}", "points are wanted here"
        )
    if bad.size:
        return None
    xyz = shapely.get_coordinates(shapes, include_z=True)
    if len(xyz) != len(shapes) or not np.isfinite(xyz[:, :2]).all():
        context.collector.complain(
            Origin(label), "some features have empty or non-finite points", "take them out"
        )
        return None
    return np.asarray(xyz, dtype=np.float64)


def _in_site_crs(
    xyz: FloatArray, text: str | None, label: str, context: PointContext
) -> tuple[FloatArray, FloatArray] | None:
    """Return easting and northing in the site's CRS; another CRS is transformed, none refused."""
    site = context.info.crs
    if text is None and site is not None:
        context.collector.complain(Origin(label), "the layer states no CRS", "export it with one")
        return None
    if site is None or text is None:
        if text is not None:
            context.collector.note(
                "layer_crs_not_used", f"the site is local: the layer's CRS {text} is not used",
                Origin(label),
            )  # fmt: skip
        return xyz[:, 0], xyz[:, 1]
    from pyproj import CRS, Transformer

    own = CRS.from_user_input(str(text))
    flat = own.sub_crs_list[0] if own.is_compound else own
    if flat.equals(site, ignore_axis_order=True):
        return xyz[:, 0], xyz[:, 1]
    transformer = Transformer.from_crs(flat, site, always_xy=True)
    easting, northing = transformer.transform(xyz[:, 0], xyz[:, 1])
    context.collector.note(
        "layer_transformed",
        f"points of {label} were brought from {flat.name} to {context.info.text}"
        + _aside(flat, site, transformer),
        Origin(label),
    )
    return np.asarray(easting), np.asarray(northing)


def _aside(own: CRS, site: CRS, transformer: Transformer) -> str:
    """Return how far the way between two datums may put points aside; nothing on one datum."""
    bases = own.geodetic_crs, site.geodetic_crs
    if bases[0] is not None and bases[0].equals(bases[1], ignore_axis_order=True):
        return ""
    used = transformer if transformer.accuracy >= 0 else transformer.get_last_used_operation()
    if "ballpark" in str(used.description).lower():
        return ", on another datum, for which PROJ has no real operation here: they may be far off"
    aside = used.accuracy if used.accuracy > 0 else UNSTATED_M
    return f", on another datum: they may lie {aside:g} m aside"


def _raw(
    label: str,
    names: list[str],
    fields: Sequence[Any],
    xyz: FloatArray,
    pair: tuple[FloatArray, FloatArray],
    height_unit: str | None,
    context: PointContext,
) -> Raw:
    columns: list[Sequence[str]] = [_texts(each) for each in fields]
    header = read_header(names)
    if label.casefold().endswith(".gpx"):
        roles = {_GPX_ROLES[name]: at for at, name in enumerate(names) if name in _GPX_ROLES}
        header = Header(roles, tuple(names))
    header = stated_columns(header, context.spec, context.collector, context.asked)
    roles = {role: at for role, at in header.roles.items() if role not in _POSITION_ROLES}
    arrays = {}
    wanted = ("longitude", "latitude") if context.info.geographic else ("easting", "northing")
    for role, values in zip(wanted, pair, strict=True):
        roles[role] = len(columns)
        columns.append(())
        arrays[role] = values
    heights = xyz[:, 2]
    if "elevation" not in roles and np.isfinite(heights).any():
        roles["elevation"] = len(columns)
        columns.append(())
        arrays["elevation"] = np.where(np.isfinite(heights), heights, np.nan)
    full = (*names, *(f"geometry {index}" for index in range(len(columns) - len(names))))
    units = dict(header.units)
    if height_unit is not None:
        units.setdefault("elevation", height_unit)
    raw = Raw(
        label,
        Header(roles, full, units),
        [each if len(each) else [""] * len(xyz) for each in columns],
        range(1, len(xyz) + 1),
        lambda row, index: Origin(label, row + 1, max(index, -1) + 1),
    )
    raw.arrays = arrays
    return raw


def _texts(values: Any) -> list[str]:
    """Return attribute values as texts; what is not stated is blank."""
    texts = []
    for value in np.asarray(values).tolist():
        if value is None or value != value:
            texts.append("")
        elif isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
            texts.append(str(int(value)))
        else:
            texts.append(str(value))
    return texts
