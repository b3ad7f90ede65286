"""Other buried services from GIS files: lines, points and areas with what is known of them."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from geoleak.errors import Origin
from geoleak.readers import gis
from geoleak.readers.headers import folded, header_unit, role_of, spellings
from geoleak.readers.text import cell_text
from geoleak.site import Note

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

_DEEPEST_M = 30.0


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
    origin = Origin(label)
    source = gis.source_of(path, origin)
    named = [layer for layer, kind in gis.list_layers(source, origin) if kind is not None]
    layers = [gis.read_layer(source, each, origin) for each in named]
    crs = _one_crs(origin, [layer.crs for layer in layers], allow_no_crs)
    shapes: list[UtilityShape] = []
    notes: list[Note] = []
    for layer in layers:
        columns, usable = _columns(layer), _usable(layer)
        for row in range(len(layer.ids)):
            which = f"feature {row + 1}" + (f' of layer "{layer.name}"' if layer.name else "")
            if not usable[row]:
                notes.append(Note("utility_empty", f"{which} has no usable geometry", origin))
                continue
            own = {role: cell_text(layer.fields[each][row]) for role, each in columns.items()}
            depth, said = _depth(own.get("depth", ""), columns.get("depth", ""), unit)
            if said:
                notes.append(Note("utility_depth", f"{which}: {said}", origin))
            shapes.append(
                UtilityShape(
                    name=name or own.get("name") or layer.name or "service",
                    colour=(own.get("colour") or colour or "").lower() or None,
                    quality=own.get("quality") or quality,
                    depth_m=depth_m if depth is None else depth,
                    geometry=layer.shapes[row],
                    feature=row + 1,
                    layer=layer.name,
                )
            )
    if not shapes:
        raise gis.refused(origin, "holds no line, point or area", "give the service's own file")
    return UtilityFile(crs, tuple(shapes), tuple(notes))


def _one_crs(origin: Origin, stated: list[str | None], allow_none: bool) -> str | None:
    if not stated:
        raise gis.refused(origin, "holds no layer with geometry", "give the service's own file")
    known = {each for each in stated if each and "undefined" not in each.lower()}
    if len(known) > 1:
        raise gis.refused(origin, f"has layers in {len(known)} CRSs", "give one file for each CRS")
    if (not known and not allow_none) or (known and not all(stated)):
        what = "states no CRS, so nobody can tell where these services lie"
        remedy = "ask whoever made it for one that does (a Shapefile needs its .prj)"
        raise gis.refused(origin, what, remedy)
    return next(iter(known), None)


def _columns(layer: gis.Layer) -> dict[str, str]:
    """Return the field of each role; of several the one spelt most plainly."""
    words = {word: at for at, word in enumerate(spellings("services"))}
    found: dict[str, str] = {}
    for each in sorted(layer.fields, key=lambda name: words.get(folded(name), len(words))):
        if (role := role_of(each, "services")) is not None:
            found.setdefault(role, each)
    return found


def _usable(layer: gis.Layer) -> NDArray[np.bool_]:
    """Tell of each feature whether it has coordinates, all of them finite."""
    import shapely

    coordinates, at = shapely.get_coordinates(layer.shapes, return_index=True)
    usable = np.isin(np.arange(len(layer.ids)), at)
    usable[at[~np.isfinite(coordinates).all(axis=1)]] = False
    return usable


def _depth(text: str, column: str, unit: str) -> tuple[float | None, str]:
    """Return a depth in metres, or what is wrong with it; unreadable counts as unknown."""
    if not text:
        return None, ""
    bare = header_unit(column) or unit
    try:
        depth = gis.stated_length(text, "ft" if bare == "foot" else bare, unit=unit)
    except ValueError as error:
        return None, f"{error}; its depth counts as unknown"
    if depth > _DEEPEST_M:
        return None, f"a depth of {depth:g} m is not likely; it counts as unknown"
    return depth, ""
