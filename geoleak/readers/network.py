"""``[network]``: the mains of a GIS drawing as legs of the site."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass

from geoleak import tables
from geoleak.errors import InputError, Origin, listed
from geoleak.readers.collector import Collector
from geoleak.readers.network_attributes import NetworkAttributes
from geoleak.readers.network_file import Drawing, NetworkLine, read_drawing
from geoleak.readers.toml import SiteToml
from geoleak.site import DrawnLine, DrawnNetwork, Leg, NetworkSettings

# What a place of readings.csv may begin with; a leg so called could not be told from it.
_LIKE_COORDINATES = ("E ", "N ", "lat ", "lon ")


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
    if table is None:
        return None
    asked = toml.origin("network", "file")
    if collector.read_bytes(table.file, asked) is None:
        return None
    units = {"diameter": table.diameter_unit, "depth": table.depth_unit}
    label = collector.label(table.file)
    try:
        drawing = read_drawing(
            collector.folder / table.file,
            label=label,
            layer=table.layer,
            units={key: unit for key, unit in units.items() if unit},
        )
    except InputError as error:
        for each in error.complaints:
            collector.complain(each.origin, each.what, each.remedy)
        return None
    crs = _crs(drawing, toml, Origin(label), collector)
    if crs is None:
        return None
    names = _names(drawing.lines, taken, Origin(label), collector)
    lines = tuple(_line(each, names[k]) for k, each in enumerate(drawing.lines))
    legs = _Attributes(table, toml, Origin(label), collector).legs(drawing.lines, lines)
    network = DrawnNetwork(
        file=table.file,
        crs=crs,
        lines=lines,
        sigma_m=table.sigma_m,
        join_within_m=table.join_within_m,
        marks_within_m=table.marks_within_m,
        origin=toml.origin("network", key=True),
    )
    return DrawnLegs(network, legs)


def _crs(drawing: Drawing, toml: SiteToml, origin: Origin, collector: Collector) -> str | None:
    local = toml.settings.crs.strip().casefold() == "local"
    if local and drawing.crs is None:
        return "local"
    if drawing.crs is None:
        collector.complain(
            origin, "states no CRS", "save it with its CRS (a .prj beside a Shapefile)"
        )
        return None
    if local:
        collector.complain(
            origin,
            f"is in {drawing.crs}, but the site is on a grid of its own",
            "save it in the site's own coordinates without a CRS",
        )
        return None
    return str(drawing.crs)


def _line(each: NetworkLine, name: str) -> DrawnLine:
    return DrawnLine(
        feature=each.feature,
        name=name,
        easting=tuple(each.vertices[:, 0].tolist()),
        northing=tuple(each.vertices[:, 1].tolist()),
        origin=each.origin,
    )


def _names(
    lines: Sequence[NetworkLine], taken: Sequence[str], origin: Origin, collector: Collector
) -> list[str]:
    """Return a name of its own for every line: a GIS calls many lines by one street."""
    wanted = []
    unfit = 0
    for each in lines:
        name = " ".join(each.name.split())
        if "@" in name or name.startswith(_LIKE_COORDINATES) or not name:
            unfit += 1
            name = f"line {each.feature}"
        wanted.append(name)
    count = Counter([*wanted, *taken])
    names = [
        name if count[name] == 1 else f"{name} ({each.feature})"
        for name, each in zip(wanted, lines, strict=True)
    ]
    if unfit:
        collector.note(
            "line_renamed",
            f'{unfit} of its lines have a name that reads like a place ("E ...", "...@..."): '
            "they are called line and their feature id",
            origin,
        )
    return names


@dataclass(slots=True)
class _Attributes:
    """Turns the attributes of lines into legs; what is not known is said once for all lines."""

    table: NetworkSettings
    toml: SiteToml
    origin: Origin
    collector: Collector

    def legs(self, read: Sequence[NetworkLine], lines: Sequence[DrawnLine]) -> tuple[Leg, ...]:
        fallback = self._fallback_material()
        unknown: Counter[str] = Counter()
        legs = []
        nominal = 0
        for each, line in zip(read, lines, strict=True):
            stated = each.attributes
            material = fallback if stated.material is None else _material(stated.material)
            if stated.material is not None and material is None:
                unknown[stated.material] += 1
                material = fallback
            outside, wall = _pipe(stated)
            nominal += stated.diameter_kind == "nominal"
            legs.append(
                Leg.model_construct(
                    name=line.name,
                    mark_ids=(),
                    marks_by="records",
                    depth_m=stated.depth_m if stated.depth_m is not None else self.table.depth_m,
                    material=material,
                    outside_diameter_m=outside,
                    wall_m=wall,
                    pressure_kpa=self.table.pressure_kpa,
                    side=stated.boundary,
                    origin=line.origin,
                    drawn=(line,),
                )
            )
        self._say(unknown, nominal)
        return tuple(legs)

    def _fallback_material(self) -> str | None:
        if self.table.material is None:
            return None
        try:
            return tables.material(self.table.material).name
        except tables.UnknownNameError as error:
            where = self.toml.origin("network", "material")
            self.collector.complain_of(where, error, "network.material: ")
            return None

    def _say(self, unknown: Counter[str], nominal: int) -> None:
        if unknown:
            named = listed([f'"{text}" ({n})' for text, n in unknown.most_common()], most=6)
            self.collector.note(
                "material_not_known",
                f"materials that are no row of the table count as not stated: {named}",
                self.origin,
            )
        if nominal:
            self.collector.note(
                "nominal_diameter",
                f"{nominal} of its lines state a nominal diameter, which stands in for the outside "
                "one; a real pipe is up to a fifth wider",
                self.origin,
            )


def _material(text: str) -> str | None:
    try:
        return tables.material(text).name
    except tables.UnknownNameError:
        return None


def _pipe(stated: NetworkAttributes) -> tuple[float | None, float | None]:
    """Return outside diameter and wall, each None where it is not stated or cannot be."""
    outside, wall = stated.diameter_m, stated.wall_m
    if outside is not None and stated.diameter_kind == "inside":
        outside += 2.0 * (wall or 0.0)
    if outside is not None and outside > 5.0:
        outside = None
    if wall is not None and (outside is None or wall >= outside / 2):
        wall = None
    return outside, wall
