"""What GIS drawings hold: the mains of ``[network]``, a leg a line, and other buried services.

Coordinates stay in the file's own CRS; heights in the file are not used, for their unit and datum
are not stated there.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np

from geoleak import tables
from geoleak.errors import Complaint, InputError, Origin, Refused, listed
from geoleak.readers import gis
from geoleak.readers.collector import Collector, refused
from geoleak.readers.geojson import Layer
from geoleak.readers.toml import SiteToml
from geoleak.record import Bools, Floats, Record, replace
from geoleak.site import DEEPEST_M, WIDEST_M, DrawnLine, DrawnNetwork, Leg, NetworkSettings, Note

# What a place of readings.csv may begin with; a leg so called could not be told from it.
LIKE_COORDINATES = ("E ", "N ", "lat ", "lon ")
_FARTHEST = 1e9
"""No grid on Earth reaches it in any unit; past it a coordinate no longer holds micrometres."""


def read_drawn(
    toml: SiteToml, collector: Collector, *, taken: Sequence[str] = ()
) -> tuple[DrawnNetwork, tuple[Leg, ...]] | None:
    """Return the network file and one leg for each of its lines; ``None`` without one or if unfit.

    Parameters
    ----------
    toml : SiteToml
    collector : Collector
    taken : sequence of str
        Names of the ``[[leg]]`` tables: a line so called takes its feature id along.
    """
    table = toml.settings.network
    if table is None:
        return None
    with collector.taking():
        collector.read_bytes(table.file, toml.origin("network", "file"))
        origin = Origin(collector.label(table.file))
        layer = _layer(collector, table, origin)
        lines = read_mains(layer, table, origin, collector)
        crs = _crs(layer.crs, toml, origin)
        fallback, where = None, toml.origin("network", "material")
        with collector.taking(where, "network.material: "):
            fallback = None if table.material is None else tables.material(table.material).name
        lines = _named(lines, taken, origin, collector)
        known = _materials(lines, origin, collector)
        legs = [_leg(each, known.get(each.material, fallback), table, origin) for each in lines]
        return DrawnNetwork(table, crs, tuple(lines), origin), tuple(legs)
    return None


def _layer(collector: Collector, table: NetworkSettings, origin: Origin) -> Layer:
    source = gis.source_of(collector.folder / table.file, origin)
    name = table.layer
    if name is None:
        layers = gis.list_layers(source, origin)
        lines = [each for each, kind in layers if kind and "LineString" in kind]
        if len(lines) > 1:
            what = f"holds several layers of lines: {listed(lines)}"
            raise refused(origin, what, "state layer")
        name = lines[0] if lines else layers[0][0]
    return gis.read_layer(source, name, origin)


def read_mains(
    layer: Layer, table: NetworkSettings, origin: Origin, collector: Collector
) -> list[DrawnLine]:
    """Return the lines of a layer; a multipart line is taken apart, with a note.

    Raises
    ------
    InputError
        Features that are no line, attributes that cannot be read; each named by its feature id.
    """
    found: list[DrawnLine] = []
    complaints: list[Complaint] = []
    apart = []
    rows = zip(layer.ids.tolist(), layer.shapes, layer.stated("mains"), strict=True)
    for feature, shape, texts in rows:
        try:
            parts = _parts(shape)
        except Refused as error:
            complaints.append(Complaint(origin, f"feature {feature} {error.what}", error.remedy))
            continue
        stated, wrong = _attributes(texts, table)
        complaints += [Complaint(origin, f"feature {feature}: {e.what}", e.remedy) for e in wrong]
        if len(parts) > 1:
            apart.append(f"{feature} ({len(parts)})")
        for number, vertices in enumerate(parts, 1):
            name = str(feature) if len(parts) == 1 else f"{feature} part {number}"
            found.append(DrawnLine(name, vertices, **stated))
    if complaints:
        raise InputError(complaints)
    if not found:
        raise refused(origin, "holds no line", "give a layer of pipes as lines")
    if apart:
        text = f"multipart lines are taken apart, each part a leg: feature {listed(apart)}"
        collector.note("multipart_line", text, origin)
    return found


def _parts(shape: Any) -> list[Floats]:
    """Return the vertices of each part of a line; raises `Refused` where it is none."""
    import shapely

    if shape is None or shape.is_empty:
        raise Refused("has no geometry", "draw it or delete the feature")
    parts = [each for each in shapely.get_parts(shape) if not each.is_empty]
    if any(each.geom_type not in ("LineString", "LinearRing") for each in parts):
        raise Refused(f"is a {shape.geom_type}, not a line", "leave it out of the layer")
    lines = [shapely.get_coordinates(each) for each in parts]
    if not all(np.isfinite(line).all() for line in lines):
        raise Refused("has a vertex without coordinates", "redraw it")
    if any(np.abs(line).max() > _FARTHEST for line in lines):
        raise Refused(f"has a coordinate beyond {_FARTHEST:,.0f}", "redraw it")
    lines = [line for line in lines if not np.all(line == line[0])]
    if not lines:
        raise Refused("is a line of no length", "redraw it or delete the feature")
    return lines


def _crs(stated: str | None, toml: SiteToml, origin: Origin) -> str:
    local = toml.settings.crs.strip().casefold() == "local"
    if stated is None and not local:
        raise refused(origin, "states no CRS", "save it with its CRS (a .prj beside a Shapefile)")
    if stated is not None and local:
        what = f"is in {stated}, but the site is on a grid of its own"
        raise refused(origin, what, "save it in the site's own coordinates without a CRS")
    return "local" if stated is None else str(stated)


def _named(
    lines: Sequence[DrawnLine], taken: Sequence[str], origin: Origin, collector: Collector
) -> list[DrawnLine]:
    """Return the lines, each with a name of its own: a GIS calls many lines by one street."""
    wanted = [" ".join((each.name or each.feature).split()) for each in lines]
    unfit = [k for k, name in enumerate(wanted) if "@" in name or name.startswith(LIKE_COORDINATES)]
    for k in unfit:
        wanted[k] = f"line {lines[k].feature}"
    if unfit:
        text = (
            f'{len(unfit)} of its lines have a name that reads like a place ("E ...", "...@..."): '
            "they are called line and their feature id"
        )
        collector.note("line_renamed", text, origin)
    count = Counter([*wanted, *taken])
    return [
        replace(each, name=name if count[name] == 1 else f"{name} ({each.feature})")
        for name, each in zip(wanted, lines, strict=True)
    ]


def _leg(line: DrawnLine, material: str | None, table: NetworkSettings, origin: Origin) -> Leg:
    outside, wall = line.diameter_m, line.wall_m
    if outside is not None:
        outside += 2.0 * (wall or 0.0) if line.diameter_kind == "inside" else 0.0
        outside = outside if outside <= WIDEST_M else None
    if wall is not None and (outside is None or wall >= outside / 2):
        wall = None
    return Leg(
        name=line.name,
        marks_by="records",
        depth_m=line.depth_m if line.depth_m is not None else table.depth_m,
        material=material,
        outside_diameter_m=outside,
        wall_m=wall,
        pressure_kpa=table.pressure_kpa,
        side=line.boundary,
        origin=origin,
        drawn=(line,),
    )


def _materials(
    lines: Sequence[DrawnLine], origin: Origin, collector: Collector
) -> dict[str | None, str]:
    """Return the materials that are known, and say once for all lines what is not known of them."""
    known: dict[str | None, str] = {}
    for text in {each.material for each in lines if each.material}:
        with suppress(tables.UnknownNameError):
            known[text] = tables.material(text).name
    unknown = Counter(
        each.material for each in lines if each.material and each.material not in known
    )
    nominal = sum(each.diameter_kind == "nominal" for each in lines)
    if unknown:
        named = listed([f'"{text}" ({n})' for text, n in unknown.most_common()], most=6)
        text = f"materials that are no row of the table count as not stated: {named}"
        collector.note("material_not_known", text, origin)
    wide = [each.feature for each in lines if (each.diameter_m or 0.0) > WIDEST_M]
    if wide:
        text = f"diameters over {WIDEST_M:g} m count as not stated: feature {listed(wide)}"
        collector.note("diameter_not_likely", text, origin)
    if nominal:
        text = (
            f"{nominal} of its lines state a nominal diameter, which stands in for the outside "
            "one; a real pipe is up to a fifth wider"
        )
        collector.note("nominal_diameter", text, origin)
    return known


def _attributes(
    texts: Iterable[Sequence[Any]], table: NetworkSettings
) -> tuple[dict[str, Any], list[Refused]]:
    """Return what a feature states, by the names of `DrawnLine`; and what is wrong with it.

    Of the fields of one role the first holds.
    """
    wrong: list[Refused] = []
    stated: dict[str, Any] = {}
    for role, name, unit, text in texts:
        if role in stated:
            continue
        if role in ("name", "material", "boundary"):
            stated[role] = text
            continue
        bare = table.depth_unit if role == "depth" else table.diameter_unit
        try:
            length = gis.stated_length(text, unit or bare)
        except ValueError as error:
            remedy = f'write the unit with the value ("6 in") or in the field\'s name ("{name}_mm")'
            wrong.append(Refused(f"{name}: {error}", remedy))
            continue
        # 0 is how a GIS writes "not known" where a field may not be empty.
        if length > 0.0:
            stated[role] = length
    widths = {each: stated.pop(each, None) for each in ("outside", "inside", "nominal")}
    kind = next((each for each, width in widths.items() if width is not None), None)
    lengths = {f"{each}_m": stated.pop(each, None) for each in ("wall", "depth")}
    return stated | {"diameter_kind": kind, "diameter_m": widths.get(kind or "")} | lengths, wrong


class UtilityShape(Record, eq=False):
    """One feature of a service, in the CRS of its file. ``feature`` counts from 1."""

    name: str
    colour: str | None
    quality: str | None
    depth_m: float | None
    geometry: Any
    feature: int


class UtilityFile(Record, eq=False):
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
        usable = _usable(layer)
        for row, texts in enumerate(layer.stated("services")):
            which = f"feature {row + 1}" + (f' of layer "{layer.name}"' if layer.name else "")
            if not usable[row]:
                notes.append(Note("utility_empty", f"{which} has no usable geometry", origin))
                continue
            own = {role: (text, bare) for role, _, bare, text in reversed(texts)}
            given = {role: text for role, (text, _) in own.items()}
            depth, said = _depth(*own.get("depth", ("", None)), unit)
            if said:
                notes.append(Note("utility_depth", f"{which}: {said}", origin))
            shapes.append(
                UtilityShape(
                    name=name or given.get("name") or layer.name or "service",
                    colour=(given.get("colour") or colour or "").lower() or None,
                    quality=given.get("quality") or quality,
                    depth_m=depth_m if depth is None else depth,
                    geometry=layer.shapes[row],
                    feature=row + 1,
                )
            )
    if not shapes:
        raise refused(origin, "holds no line, point or area", "give the service's own file")
    return UtilityFile(crs, tuple(shapes), tuple(notes))


def _one_crs(origin: Origin, stated: list[str | None], allow_none: bool) -> str | None:
    if not stated:
        raise refused(origin, "holds no layer with geometry", "give the service's own file")
    known = {each for each in stated if each and "undefined" not in each.lower()}
    if len(known) > 1:
        raise refused(origin, f"has layers in {len(known)} CRSs", "give one file for each CRS")
    if (not known and not allow_none) or (known and not all(stated)):
        what = "states no CRS, so nobody can tell where these services lie"
        remedy = "ask whoever made it for one that does (a Shapefile needs its .prj)"
        raise refused(origin, what, remedy)
    return next(iter(known), None)


def _usable(layer: Layer) -> Bools:
    """Tell of each feature whether it has coordinates, all of them finite."""
    import shapely

    coordinates, at = shapely.get_coordinates(layer.shapes, return_index=True)
    usable = np.isin(np.arange(len(layer.ids)), at)
    usable[at[~np.isfinite(coordinates).all(axis=1)]] = False
    return usable


def _depth(text: str, bare: str | None, unit: str) -> tuple[float | None, str]:
    """Return a depth in metres, or what is wrong with it; unreadable counts as unknown."""
    if not text:
        return None, ""
    try:
        depth = gis.stated_length(text, bare or unit, unit=unit)
    except ValueError as error:
        return None, f"{error}; its depth counts as unknown"
    if depth > DEEPEST_M:
        return None, f"a depth of {depth:g} m is not likely; it counts as unknown"
    return depth, ""
