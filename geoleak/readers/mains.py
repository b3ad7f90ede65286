"""``[network]``: the mains of a GIS drawing as legs of the site, one line feature a leg.

Coordinates stay in the file's own CRS; heights in the file are not used, for their unit and datum
are not stated there.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
import numpy.typing as npt

from geoleak import tables
from geoleak.errors import Complaint, InputError, Origin, Refused, listed
from geoleak.readers.collector import Collector
from geoleak.readers.gis import Layer, attribute_text, list_layers, read_layer, refused, source_of
from geoleak.readers.headers import spellings
from geoleak.readers.toml import SiteToml
from geoleak.site import DrawnLine, DrawnNetwork, Leg, NetworkSettings
from geoleak.units import parse_length

DiameterKind = Literal["nominal", "outside", "inside"]
# What a place of readings.csv may begin with; a leg so called could not be told from it.
_LIKE_COORDINATES = ("E ", "N ", "lat ", "lon ")
_WIDEST_M = 5.0

FARTHEST = 1e9
"""No grid on Earth reaches it in any unit; past it a coordinate no longer holds micrometres."""


@dataclass(frozen=True, slots=True)
class DrawnLegs:
    """The network as stated, and one leg for each of its lines, in the order of the file."""

    network: DrawnNetwork
    legs: tuple[Leg, ...]

    def named(self, text: str) -> Leg | None:
        """Return the leg of a line by its name, or by its feature id."""
        for each in self.legs:
            if each.name == text:
                return each
        return next((each for each in self.legs if each.drawn[0].feature == text), None)


@dataclass(frozen=True, slots=True, eq=False)
class Main:
    """One line of a drawing with what its attributes state; lengths in metres.

    ``vertices`` (n, 2) are in the axis unit of the file's CRS. ``diameter_m`` is outside, inside
    or nominal as ``diameter_kind`` says.
    """

    feature: str
    vertices: npt.NDArray[np.float64]
    name: str | None = None
    material: str | None = None
    diameter_m: float | None = None
    diameter_kind: DiameterKind | None = None
    wall_m: float | None = None
    depth_m: float | None = None
    boundary: str | None = None


def read_drawn(
    toml: SiteToml, collector: Collector, *, taken: Sequence[str] = ()
) -> DrawnLegs | None:
    """Return the lines of the network file; ``None`` without one or after complaints.

    Parameters
    ----------
    toml : SiteToml
    collector : Collector
    taken : sequence of str
        Names of the ``[[leg]]`` tables: a line so called takes its feature id along.
    """
    table = toml.settings.network
    if table is None or collector.read_bytes(table.file, toml.origin("network", "file")) is None:
        return None
    origin = Origin(collector.label(table.file))
    try:
        layer = _layer(collector, table, origin)
        mains = read_mains(layer, table, origin, collector)
        crs = _crs(layer.crs, toml, origin)
        fallback = _fallback_material(table)
    except InputError as error:
        collector.complaints.extend(error.complaints)
        return None
    except tables.UnknownNameError as error:
        collector.complain_of(toml.origin("network", "material"), error, "network.material: ")
        return None
    names = _names(mains, taken, origin, collector)
    lines = tuple(
        DrawnLine(
            feature=each.feature,
            name=name,
            easting=tuple(each.vertices[:, 0].tolist()),
            northing=tuple(each.vertices[:, 1].tolist()),
            origin=origin,
        )
        for each, name in zip(mains, names, strict=True)
    )
    network = DrawnNetwork(
        file=table.file,
        crs=crs,
        lines=lines,
        sigma_m=table.sigma_m,
        join_within_m=table.join_within_m,
        marks_within_m=table.marks_within_m,
        origin=toml.origin("network", key=True),
    )
    legs = [_leg(each, line, table, fallback) for each, line in zip(mains, lines, strict=True)]
    _note_attributes(mains, origin, collector)
    return DrawnLegs(network, tuple(legs))


def _layer(collector: Collector, table: NetworkSettings, origin: Origin) -> Layer:
    source = source_of(collector.folder / table.file, origin)
    name = table.layer
    if name is None:
        layers = list_layers(source, origin)
        lines = [each for each, kind in layers if kind and "LineString" in kind]
        if len(lines) > 1:
            what = f"holds several layers of lines: {listed(lines)}"
            raise refused(origin, what, "state layer")
        name = lines[0] if lines else layers[0][0]
    return read_layer(source, name, origin)


def read_mains(
    layer: Layer, table: NetworkSettings, origin: Origin, collector: Collector
) -> list[Main]:
    """Return the lines of a layer; a multipart line is taken apart, with a note.

    Raises
    ------
    InputError
        Features that are no line, attributes that cannot be read; each named by its feature id.
    """
    mains: list[Main] = []
    complaints: list[Complaint] = []
    apart = []
    units = {"diameter": table.diameter_unit, "depth": table.depth_unit}
    for row, (feature, shape) in enumerate(zip(layer.ids.tolist(), layer.shapes, strict=True)):
        parts, what, remedy = _lines_of(shape)
        stated = {name: attribute_text(values[row]) for name, values in layer.fields.items()}
        attributes, wrong = read_attributes(stated, units=units)
        if what:
            wrong = [(what, remedy)]
        complaints += [
            Complaint(origin, f"feature {feature}{'' if what else ':'} {said}", right)
            for said, right in wrong
        ]
        if len(parts) > 1:
            apart.append(f"{feature} ({len(parts)})")
        for number, vertices in enumerate(parts, 1):
            name = str(feature) if len(parts) == 1 else f"{feature} part {number}"
            mains.append(Main(name, vertices, **attributes))
    if complaints:
        raise InputError(complaints)
    if not mains:
        raise refused(origin, "holds no line", "give a layer of pipes as lines")
    if apart:
        collector.note(
            "multipart_line",
            f"multipart lines are taken apart, each part a leg: feature {listed(apart)}", origin,
        )  # fmt: skip
    return mains


def _lines_of(shape: Any) -> tuple[list[npt.NDArray[np.float64]], str, str]:
    """Return the vertices of each part of a line, or why it is none and what to do."""
    import shapely

    if shape is None or shape.is_empty:
        return [], "has no geometry", "draw it or delete the feature"
    parts = [each for each in shapely.get_parts(shape) if not each.is_empty]
    if any(each.geom_type not in ("LineString", "LinearRing") for each in parts):
        return [], f"is a {shape.geom_type}, not a line", "leave it out of the layer"
    lines = [shapely.get_coordinates(each) for each in parts]
    if not all(np.isfinite(line).all() for line in lines):
        return [], "has a vertex without coordinates", "redraw it"
    if any(np.abs(line).max() > FARTHEST for line in lines):
        return [], f"has a coordinate beyond {FARTHEST:,.0f}", "redraw it"
    lines = [line for line in lines if not np.all(line == line[0])]
    if not lines:
        return [], "is a line of no length", "redraw it or delete the feature"
    return lines, "", ""


def _crs(stated: str | None, toml: SiteToml, origin: Origin) -> str:
    local = toml.settings.crs.strip().casefold() == "local"
    if stated is None and not local:
        raise refused(origin, "states no CRS", "save it with its CRS (a .prj beside a Shapefile)")
    if stated is not None and local:
        raise refused(
            origin,
            f"is in {stated}, but the site is on a grid of its own",
            "save it in the site's own coordinates without a CRS",
        )
    return "local" if stated is None else str(stated)


def _names(
    mains: Sequence[Main], taken: Sequence[str], origin: Origin, collector: Collector
) -> list[str]:
    """Return a name of its own for every line: a GIS calls many lines by one street."""
    wanted = []
    unfit = 0
    for each in mains:
        name = " ".join((each.name or each.feature).split())
        if "@" in name or name.startswith(_LIKE_COORDINATES) or not name:
            unfit += 1
            name = f"line {each.feature}"
        wanted.append(name)
    count = Counter([*wanted, *taken])
    if unfit:
        collector.note(
            "line_renamed",
            f'{unfit} of its lines have a name that reads like a place ("E ...", "...@..."): '
            "they are called line and their feature id",
            origin,
        )
    return [
        name if count[name] == 1 else f"{name} ({each.feature})"
        for name, each in zip(wanted, mains, strict=True)
    ]


def _leg(main: Main, line: DrawnLine, table: NetworkSettings, fallback: str | None) -> Leg:
    outside, wall = main.diameter_m, main.wall_m
    if outside is not None and main.diameter_kind == "inside":
        outside += 2.0 * (wall or 0.0)
    if outside is not None and outside > _WIDEST_M:
        outside = None
    if wall is not None and (outside is None or wall >= outside / 2):
        wall = None
    return Leg(
        name=line.name,
        mark_ids=(),
        marks_by="records",
        depth_m=main.depth_m if main.depth_m is not None else table.depth_m,
        material=_material(main.material) or fallback,
        outside_diameter_m=outside,
        wall_m=wall,
        pressure_kpa=table.pressure_kpa,
        side=main.boundary,
        origin=line.origin,
        drawn=(line,),
    )


def _fallback_material(table: NetworkSettings) -> str | None:
    return None if table.material is None else tables.material(table.material).name


def _material(text: str | None) -> str | None:
    try:
        return None if text is None else tables.material(text).name
    except tables.UnknownNameError:
        return None


def _note_attributes(mains: Sequence[Main], origin: Origin, collector: Collector) -> None:
    """Say once for all lines what is not known of them."""
    unknown = Counter(each.material for each in mains if each.material)
    for known in [text for text in unknown if _material(text)]:
        del unknown[known]
    nominal = sum(each.diameter_kind == "nominal" for each in mains)
    if unknown:
        named = listed([f'"{text}" ({n})' for text, n in unknown.most_common()], most=6)
        collector.note(
            "material_not_known",
            f"materials that are no row of the table count as not stated: {named}", origin,
        )  # fmt: skip
    if nominal:
        collector.note(
            "nominal_diameter",
            f"{nominal} of its lines state a nominal diameter, which stands in for the outside "
            "one; a real pipe is up to a fifth wider",
            origin,
        )


# --- attributes ------------------------------------------------------------------------------


def main_role(field_name: str) -> tuple[str | None, str | None]:
    """Return the role of a field and the unit its name states, such as ``DIAM_MM``, ``depth (ft)``.

    Examples
    --------
    >>> main_role("DIAM_MM"), main_role("Depth (ft)"), main_role("remarks")
    (('nominal', 'mm'), ('depth', 'ft'), (None, None))
    """
    known, units = spellings("mains"), spellings("units")
    words = [word for word in re.split(r"[^a-z0-9]+", field_name.lower()) if word]
    whole = "".join(words)
    if whole in known:
        return known[whole], None
    if len(words) > 1 and words[-1] in units and "".join(words[:-1]) in known:
        return known["".join(words[:-1])], units[words[-1]].replace("foot", "ft")
    return None, None


def read_attributes(
    fields: Mapping[str, str], *, units: Mapping[str, str | None]
) -> tuple[dict[str, Any], list[tuple[str, str]]]:
    """Return what one feature states, by the names of `Main`; and (what is wrong, the remedy).

    ``units`` holds the unit of ``"diameter"`` and ``"depth"`` where neither name nor value says it.
    """
    wrong: list[tuple[str, str]] = []
    found: dict[str, Any] = {}
    lengths: dict[str, float] = {}
    for name, text in fields.items():
        role, unit = main_role(name)
        if role is None or text == "" or role in found or role in lengths:
            continue
        if role in ("name", "material", "boundary"):
            found[role] = text
            continue
        stated = units.get("depth" if role == "depth" else "diameter")
        try:
            length = _length(text, unit or stated)
        except ValueError as error:
            remedy = f'write the unit with the value ("6 in") or in the field\'s name ("{name}_mm")'
            wrong.append((f"{name}: {error}", remedy))
            continue
        # 0 is how a GIS writes "not known" where a field may not be empty.
        if length > 0.0:
            lengths[role] = length
    kinds = ("outside", "inside", "nominal")
    found["diameter_kind"] = kind = next((each for each in kinds if each in lengths), None)
    found["diameter_m"] = lengths.get(kind or "")
    return found | {"wall_m": lengths.get("wall"), "depth_m": lengths.get("depth")}, wrong


def _length(text: str, unit: str | None) -> float:
    if re.fullmatch(r"0+(?:[.,]0*)?", text):
        return 0.0
    bare = re.fullmatch(r"[-+]?[\d.,]+(?:[eE][-+]?\d+)?", text)
    if bare and unit is None:
        raise Refused(f"{text} has no unit")
    metres = parse_length(f"{text} {unit}" if bare else text, unit="m")
    if metres < 0:
        raise Refused(f"{text} is below 0")
    return metres
