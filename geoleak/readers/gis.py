"""GIS files through GDAL (GeoPackage, GeoJSON, Shapefile, GPX): for points, mains and services."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from geoleak.crs import axis_unit
from geoleak.errors import Complaint, InputError, Origin, listed
from geoleak.readers.headers import Header, read_header
from geoleak.readers.table import PointContext, Table, stated_columns

if TYPE_CHECKING:
    from pyproj import CRS, Transformer

# A stated accuracy of 0 m, or none, means that nobody stated one: frames of one family differ by
# this much (WGS 84 against NAD83 in the United States; from memory).
UNSTATED_M = 2.0
_POSITION_ROLES = ("northing", "easting", "latitude", "longitude")
_GPX_ROLES = {"name": "id", "ele": "elevation", "sym": "code", "cmt": "note", "time": "time"}


@dataclass(frozen=True, slots=True, eq=False)
class Layer:
    """One layer of a GIS file.

    Attributes
    ----------
    name : str
    crs : str or None
        As GDAL states it.
    ids : ndarray, shape (n,)
        The file's own feature ids.
    shapes : ndarray of shapely geometries (or None), shape (n,)
    fields : mapping of str to ndarray, shape (n,)
    """

    name: str
    crs: str | None
    ids: NDArray[Any]
    shapes: NDArray[Any]
    fields: Mapping[str, NDArray[Any]]


def refused(origin: Origin, what: str, remedy: str) -> InputError:
    """Return the error of a GIS file that cannot be used."""
    return InputError([Complaint(origin, what, remedy)])


def list_layers(path: Path, origin: Origin) -> list[tuple[str, str | None]]:
    """Return name and kind of geometry (None: a bare table) of each layer.

    Raises
    ------
    InputError
        If GDAL cannot read the file.
    """
    try:
        import pyogrio

        return [(str(name), kind) for name, kind in pyogrio.list_layers(path)]
    except Exception as error:  # GDAL raises many kinds; none may become a traceback
        raise _unreadable(error, origin) from None


def read_layer(path: Path, name: str, origin: Origin, *, flat: bool = True) -> Layer:
    """Return one layer; ``flat`` leaves heights out.

    Raises
    ------
    InputError
        If GDAL cannot read the file.
    """
    try:
        import pyogrio.raw
        import shapely

        meta, ids, geometry, columns = pyogrio.raw.read(
            path, layer=name, return_fids=True, force_2d=flat
        )
        none = np.full(len(ids), None)
        with np.errstate(invalid="ignore"):  # coordinates that are no numbers are said later
            shapes = none if geometry is None else shapely.from_wkb(geometry, on_invalid="ignore")
    except Exception as error:  # as above
        raise _unreadable(error, origin) from None
    fields = dict(zip(map(str, meta["fields"]), columns, strict=True))
    return Layer(name, meta["crs"], ids, shapes, fields)


def _unreadable(error: Exception, origin: Origin) -> InputError:
    why = " ".join(str(error).split()).split("; ")[0][:120]
    return refused(origin, f"cannot be read ({why})", "give a GeoPackage, a GeoJSON or a Shapefile")


def attribute_text(value: Any) -> str:
    """Return an attribute's value as text; what is not stated is blank."""
    if hasattr(value, "item"):
        value = value.item()
    if value is None or value != value:
        return ""
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value).strip()


# --- points ----------------------------------------------------------------------------------


def read_point_layer(name: str, *, label: str, context: PointContext) -> Table | None:
    """Return a layer's points by role; the line of an origin is the feature's number from 1."""
    collector, path, origin = context.collector, context.collector.folder / name, Origin(label)
    try:
        layers = [each for each, _ in list_layers(path, origin)]
        gpx = PurePath(name).suffix.casefold() == ".gpx"
        chosen = "waypoints" if gpx and "waypoints" in layers else layers[0]
        layer = read_layer(path, chosen, origin, flat=False)
    except InputError as error:
        collector.complaints.extend(error.complaints)
        return None
    if len(layers) > 1:
        collector.note("first_layer", f'the layer "{chosen}" is read, of {listed(layers)}', origin)
    xyz = _coordinates(layer, label, context)
    pair = None if xyz is None else _in_site_crs(xyz, layer.crs, label, context)
    return None if xyz is None or pair is None else _table(layer, xyz, pair, label, context)


def _coordinates(layer: Layer, label: str, context: PointContext) -> NDArray[np.float64] | None:
    """Return (n, 3) coordinates; only single points are taken, all else is named."""
    import shapely

    shapes = layer.shapes
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
    xyz: NDArray[np.float64], text: str | None, label: str, context: PointContext
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
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


def _table(
    layer: Layer,
    xyz: NDArray[np.float64],
    pair: tuple[NDArray[np.float64], NDArray[np.float64]],
    label: str,
    context: PointContext,
) -> Table:
    """Return attributes and coordinates as a table: the geometry is in columns behind the rest."""
    import pandas as pd

    names = list(layer.fields)
    header = read_header(names)
    if label.casefold().endswith(".gpx"):
        roles = {_GPX_ROLES[name]: at for at, name in enumerate(names) if name in _GPX_ROLES}
        header = Header(roles, tuple(names))
    header = stated_columns(header, context.spec, context.collector, context.asked)
    roles = {role: at for role, at in header.roles.items() if role not in _POSITION_ROLES}
    columns: list[Any] = [
        np.array([attribute_text(each) for each in values.tolist()], dtype=object)
        for values in layer.fields.values()
    ]
    wanted = ("longitude", "latitude") if context.info.geographic else ("easting", "northing")
    coordinates = dict(zip(wanted, pair, strict=True))
    if "elevation" not in roles and np.isfinite(xyz[:, 2]).any():
        coordinates["elevation"] = xyz[:, 2]
    for role, values in coordinates.items():
        roles[role] = len(columns)
        columns.append(values)
    full = (*names, *(f"geometry {index}" for index in range(len(columns) - len(names))))
    units = dict(header.units)
    if layer.crs is not None and context.info.crs is not None:
        # Heights beside degrees are metres, else they are in the layer's own axis.
        from pyproj import CRS

        own = CRS.from_user_input(str(layer.crs))
        unit, _ = axis_unit(own.sub_crs_list[0] if own.is_compound else own)
        units.setdefault("elevation", "m" if unit == "deg" else unit)
    return Table(
        label,
        Header(roles, full, units),
        pd.DataFrame(dict(enumerate(columns))),
        range(1, len(xyz) + 1),
        lambda row, index: Origin(label, row + 1, max(index, -1) + 1),
    )
