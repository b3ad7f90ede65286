"""Other buried services from GIS files: lines, points and areas with what is known of them."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.errors import Complaint, InputError, Origin
from geoleak.site import Note
from geoleak.units import parse_length

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

# Columns that are read where a file has them; others are left alone.
_COLUMNS = {
    "name": ("name", "utility", "service", "type", "label"),
    "colour": ("colour", "color", "apwa"),
    "quality": ("quality", "quality_level", "ql", "quality level"),
    "depth": ("depth", "depth_m", "depth_ft", "cover"),
}


@dataclass(frozen=True, slots=True, eq=False)
class UtilityShape:
    """One feature of a service, in the CRS of its file. ``feature`` counts from 1."""

    name: str
    colour: str | None
    quality: str | None
    depth_m: float | None
    geometry: BaseGeometry
    feature: int
    layer: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class UtilityFile:
    """The services of one file. ``crs`` is None only where the caller allowed it (a local site)."""

    crs: str | None
    shapes: tuple[UtilityShape, ...]
    notes: tuple[Note, ...]


def read_utility_file(
    path: Path,
    *,
    label: str,
    name: str = "",
    colour: str | None = None,
    depth_m: float | None = None,
    quality: str | None = None,
    unit: str = "m",
    allow_no_crs: bool = False,
) -> UtilityFile:
    """Read every layer of a GeoPackage, GeoJSON or Shapefile.

    Parameters
    ----------
    path : Path
        Already checked to lie in the site's folder.
    label : str
        How complaints call the file.
    name, colour, depth_m, quality
        As ``[[utility]]`` states them; they hold where a feature has nothing of its own.
    unit : {"m", "ft", "ftUS"}
        Of bare numbers in a ``depth`` column (``depth_m`` and ``depth_ft`` say their own).
    allow_no_crs : bool
        For a local site: coordinates are then those of the site grid.

    Raises
    ------
    InputError
        A file that cannot be read, states no CRS, mixes CRSs, or holds nothing.
    """
    import pyogrio
    from pyogrio.errors import DataLayerError, DataSourceError

    origin = Origin(label)
    try:
        layers = [str(row[0]) for row in pyogrio.list_layers(path) if row[1] is not None]
        tables = [(layer, *_table(path, layer)) for layer in layers]
    except (DataSourceError, DataLayerError, OSError, UnicodeDecodeError) as error:
        why = " ".join(str(error).split()).split("; ")[0][:120]
        raise _refused(
            origin, f"cannot be read ({why})", "give a GeoPackage, a GeoJSON or a Shapefile"
        ) from None
    crs = _one_crs(origin, [table[1] for table in tables], allow_no_crs)
    stated = {"name": name, "colour": colour, "depth_m": depth_m, "quality": quality}
    shapes: list[UtilityShape] = []
    notes: list[Note] = []
    for layer, _, columns, geometry in tables:
        found, said = _shapes(layer, columns, geometry, stated, unit, origin)
        shapes += found
        notes += said
    if not shapes:
        raise _refused(origin, "holds no line, point or area", "give the service's own file")
    return UtilityFile(crs, tuple(shapes), tuple(notes))


def _table(path: Path, layer: str) -> tuple[str | None, Mapping[str, Any], Any]:
    import pyogrio.raw

    meta, _, geometry, values = pyogrio.raw.read(path, layer=layer, force_2d=True)
    columns = dict(zip((str(each) for each in meta["fields"]), values, strict=True))
    return meta["crs"], columns, geometry


def _refused(origin: Origin, what: str, remedy: str) -> InputError:
    return InputError([Complaint(origin, what, remedy)])


def _one_crs(origin: Origin, stated: list[str | None], allow_none: bool) -> str | None:
    if not stated:
        raise _refused(origin, "holds no layer with geometry", "give the service's own file")
    known = {each for each in stated if each and "undefined" not in each.lower()}
    if len(known) > 1:
        raise _refused(origin, f"has layers in {len(known)} CRSs", "give one file for each CRS")
    if not known or (len(known) == 1 and any(not each for each in stated)):
        if allow_none and not known:
            return None
        raise _refused(
            origin,
            "states no CRS, so nobody can tell where these services lie",
            "ask whoever made it for one that does (a Shapefile needs its .prj)",
        )
    return known.pop()


def _shapes(
    layer: str,
    columns: Mapping[str, Any],
    geometry: Any,
    stated: Mapping[str, Any],
    unit: str,
    origin: Origin,
) -> tuple[list[UtilityShape], list[Note]]:
    import numpy as np
    import shapely

    column = {what: _column(columns, names) for what, names in _COLUMNS.items()}
    shapes, notes = [], []
    with np.errstate(invalid="ignore"):  # a coordinate that is no number is said below
        drawn = shapely.from_wkb(geometry, on_invalid="ignore")
    for row, shape in enumerate(drawn):
        which = f"feature {row + 1}" + (f' of layer "{layer}"' if layer else "")
        if shape is None or shape.is_empty or not _finite(shape):
            notes.append(Note("utility_empty", f"{which} has no usable geometry", origin))
            continue
        own = {what: _text(columns, column[what], row) for what in _COLUMNS}
        depth, said = _depth(own["depth"], column["depth"], unit)
        if said:
            notes.append(Note("utility_depth", f"{which}: {said}", origin))
        shapes.append(
            UtilityShape(
                name=str(stated["name"] or own["name"] or layer or "service"),
                colour=(own["colour"] or stated["colour"] or "").lower() or None,
                quality=own["quality"] or stated["quality"],
                depth_m=stated["depth_m"] if depth is None else depth,
                geometry=shape,
                feature=row + 1,
                layer=layer,
            )
        )
    return shapes, notes


def _finite(shape: BaseGeometry) -> bool:
    import numpy as np
    import shapely

    return bool(np.isfinite(shapely.get_coordinates(shape)).all())


def _column(columns: Mapping[str, Any], names: tuple[str, ...]) -> str | None:
    folded = {each.casefold().strip(): each for each in columns}
    return next((folded[name] for name in names if name in folded), None)


def _text(columns: Mapping[str, Any], name: str | None, row: int) -> str:
    value = columns[name][row] if name is not None else None
    if value is None or (isinstance(value, float) and math.isnan(value)) or value != value:
        return ""
    return str(value).strip()


def _depth(text: str, column: str | None, unit: str) -> tuple[float | None, str]:
    """Return a depth in metres, or what is wrong with it; unreadable counts as unknown."""
    if not text:
        return None, ""
    named = re.search(r"_(m|ft)$", (column or "").casefold())
    try:
        depth = parse_length(text, unit=named.group(1) if named else unit)
    except ValueError as error:
        return None, f"{error}; its depth counts as unknown"
    if not 0 <= depth <= 30:
        return None, f"a depth of {depth:g} m is not likely; it counts as unknown"
    return depth, ""
