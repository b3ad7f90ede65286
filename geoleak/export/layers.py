"""The layers that every GIS and CAD file shares: which features, their fields, their names.

Field names are lower case and at most ten characters, so that they survive any format; each
carries its unit where it has one.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from geoleak.export import words
from geoleak.export.told import told
from geoleak.record import Record
from geoleak.result import Feature, Result
from geoleak.tables import csv_rows

NO_DATE = "1970-01-01"
"""Of a file whose run has none, where its format asks for one."""
Source = Callable[[Feature, Result], Any]


def label_of(feature: Feature, result: Result) -> str:
    """Return the name that a phone, a handheld or a drawing shows."""
    if feature.kind in ("stake", "best_so_far"):
        where = (
            f"{result.leak.leg} {words.station(result.leak.chainage_m, result.site.length_unit)}"
        )
        digs = feature.kind == "stake"
        return f"STAKE {where}" if digs else f"BEST SO FAR {where}, not to dig"
    if feature.kind == "interval":
        return f"{feature.properties.get('percent')} % of the chance"
    label = feature.properties.get("label") or feature.properties.get("name")
    return words.plain(label or f"{feature.kind.replace('_', ' ')} {feature.id}")


def described(feature: Feature, result: Result) -> str:
    """Return what a feature says of itself, in one line."""
    digs = feature.kind == "stake"
    rows = words.property_rows(feature, result)
    if digs:
        rows = told(result).rows("Stake", "Where", "Depth", "Set out", "Phone")
    return "; ".join(f"{label}: {text}" for label, text in rows)


def _station(name: str) -> Source:
    def station(feature: Feature, result: Result) -> Any:
        value = feature.properties.get(name)
        return None if value is None else words.station(value, result.site.length_unit)

    return station


RENAMED = {
    "bearing": "bearing_deg",
    "diam_m": "outside_diameter_m",
    "dist_m": "distance_m",
    "elev_m": "elevation_m",
    "pipe_len_m": "pipe_length_m",
    "then_95_m": "expected_interval_95_m",
}
"""Field -> property, where the property's own name is too long."""
WORKED_OUT: dict[str, Source] = {
    "assumed": lambda feature, result: int(bool(feature.properties.get("assumed"))),
    "chance": lambda feature, result: feature.properties.get(
        "chance", feature.properties.get("probability")
    ),
    "from_sta": _station("from_m"),
    "id": lambda feature, result: feature.id,
    "kind": lambda feature, result: feature.properties.get("reading_kind", feature.kind),
    "label": label_of,
    "name": lambda feature, result: feature.properties.get("name") or feature.id,
    "run": lambda feature, result: result.run.id,
    "scale": lambda feature, result: feature.properties.get("level_from", "meter"),
    "station": _station("chainage_m"),
    "to_sta": _station("to_m"),
    "verdict": lambda feature, result: result.stands,
}
"""Field -> what gives it, where no property does."""


def type_of(field: str) -> type:
    """Return the type of a field; those with a unit are floats."""
    if field in ("assumed", "number", "percent"):
        return int
    return float if field.endswith(("_m", "_db")) or field in ("bearing", "chance") else str


class Layer(Record):
    """One layer: the feature kinds in it, its geometry and its fields.

    ``asked`` layers stand in a file only where the result has something for them. ``label`` is
    written beside the features, an expression of QGIS; those of the highest ``priority`` (of 10)
    come first where not all find room.
    """

    name: str
    title: str
    kinds: tuple[str, ...]
    geometry: str
    fields: tuple[str, ...]
    asked: bool
    label: str
    priority: int

    def features(self, result: Result) -> list[Feature]:
        """Return the features whose geometry fits, in their order."""
        return [
            each
            for each in result.features
            if each.kind in self.kinds
            and not each.grid.is_empty
            and each.grid.geom_type.removeprefix("Multi") == self.geometry
        ]

    def values(self, field: str, result: Result) -> list[Any]:
        """Return a field of every feature; None where a feature does not say it."""
        named = RENAMED.get(field, field)
        source = WORKED_OUT.get(field) or (lambda feature, result: feature.properties.get(named))
        found = (source(each, result) for each in self.features(result))
        return [words.plain(each) if isinstance(each, str) else each for each in found]


LAYERS = tuple(
    Layer(
        row["name"],
        row["title"],
        tuple(row["kinds"].split()),
        row["geometry"],
        tuple(row["fields"].split()),
        bool(row["asked"]),
        row["label"],
        int(row["priority"]),
    )
    for row in csv_rows("geoleak.export", "assets/layers")
)
"""The layers; nothing to dig by stands in any of them unless the verdict is to dig."""
KINDS = {row["kind"]: row for row in csv_rows("geoleak.export", "assets/kinds")}
"""Kind of feature -> what it is in the other files, the most needed first: folder of site.kml;
symbol of site.gpx (none: no way-point); CAD layer, colour number of the AutoCAD colour index, line
type and side of the label in site.dxf. A phone, a handheld and a drawing lead their holder to a
place: the best one so far, not to be dug at, is in none of them."""
