"""The layers that every GIS and CAD file shares: which features, their fields, their names.

Field names are lower case and at most ten characters, so that they survive any format; each
carries its unit where it has one.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from geoleak.export import words
from geoleak.result import Feature, Result


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
    rows = words.stake_rows(result) if digs else words.property_rows(feature, result)
    return "; ".join(f"{label}: {text}" for label, text in rows)


def _of(*names: str) -> Callable[[Feature, Result], Any]:
    """Return a source that takes the first of the properties that a feature states."""

    def first(feature: Feature, result: Result) -> Any:
        return next((v for v in map(feature.properties.get, names) if v is not None), None)

    return first


def _station(name: str) -> Callable[[Feature, Result], Any]:
    def station(feature: Feature, result: Result) -> Any:
        value = feature.properties.get(name)
        return None if value is None else words.station(value, result.site.length_unit)

    return station


FIELDS: dict[str, tuple[type, Callable[[Feature, Result], Any]]] = {
    "assumed": (int, lambda feature, result: int(bool(feature.properties.get("assumed")))),
    "bearing": (float, _of("bearing_deg")),
    "chainage_m": (float, _of("chainage_m")),
    "chance": (float, _of("chance", "probability")),
    "code": (str, _of("code")),
    "colour": (str, _of("colour")),
    "depth_m": (float, _of("depth_m")),
    "diam_m": (float, _of("outside_diameter_m")),
    "dist_m": (float, _of("distance_m")),
    "elev_m": (float, _of("elevation_m")),
    "feature": (str, _of("feature")),
    "from_m": (float, _of("from_m")),
    "from_sta": (str, _station("from_m")),
    "id": (str, lambda feature, result: feature.id),
    "kind": (str, lambda feature, result: feature.properties.get("reading_kind", feature.kind)),
    "label": (str, label_of),
    "leg": (str, _of("leg")),
    "length_m": (float, _of("length_m")),
    "level_db": (float, _of("level_db")),
    "marks_by": (str, _of("marks_by")),
    "material": (str, _of("material")),
    "name": (str, lambda feature, result: feature.properties.get("name") or feature.id),
    "note": (str, _of("note")),
    "number": (int, _of("number")),
    "offset_m": (float, _of("offset_m")),
    "percent": (int, _of("percent")),
    "pipe_len_m": (float, _of("pipe_length_m")),
    "place": (str, _of("place")),
    "quality": (str, _of("quality")),
    "run": (str, lambda feature, result: result.run.id),
    "scale": (str, lambda feature, result: feature.properties.get("level_from", "meter")),
    "sigma_m": (float, _of("sigma_m")),
    "station": (str, _station("chainage_m")),
    "status": (str, _of("status")),
    "surface": (str, _of("surface")),
    "then_95_m": (float, _of("expected_interval_95_m")),
    "to_m": (float, _of("to_m")),
    "to_sta": (str, _station("to_m")),
    "verdict": (str, lambda feature, result: result.decision.verdict),
    "width_m": (float, _of("width_m")),
}
"""Field -> its type and where its value comes from."""


@dataclass(frozen=True, slots=True)
class Layer:
    """One layer: the feature kinds in it, its geometry and its fields.

    ``asked`` layers stand in a file only where the result has something for them.
    """

    name: str
    title: str
    kinds: tuple[str, ...]
    geometry: str
    fields: tuple[str, ...]
    asked: bool = False

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
        source = FIELDS[field][1]
        found = [source(each, result) for each in self.features(result)]
        return [words.plain(each) if isinstance(each, str) else each for each in found]


def _layer(name: str, title: str, kinds: str, geometry: str, fields: str, **more: bool) -> Layer:
    return Layer(name, title, tuple(kinds.split()), geometry, tuple(fields.split()), **more)


_ON_PIPE = "id leg chainage_m station offset_m"
_SHOT = "code elev_m sigma_m status note"
_SERVICE = "name colour quality depth_m"
LAYERS = (
    _layer(
        "pipe",
        "Fitted legs of pipe",
        "route",
        "LineString",
        "leg length_m pipe_len_m chance material diam_m marks_by assumed",
    ),
    _layer("marks", "Paint marks as shot", "mark", "Point", f"{_ON_PIPE} {_SHOT} depth_m"),
    _layer(
        "readings",
        "Readings as used",
        "reading",
        "Point",
        f"{_ON_PIPE} kind level_db scale surface place",
    ),
    _layer("fittings", "Fittings", "fitting", "Point", f"{_ON_PIPE} {_SHOT}"),
    _layer("features", "Fixed features", "feature", "Point", f"id {_SHOT}"),
    _layer(
        "interval",
        "Stretches that hold 50, 80 and 95 % of the chance",
        "interval",
        "LineString",
        "percent leg from_m to_m from_sta to_sta",
    ),
    _layer(
        "hole",
        "The hole",
        "hole",
        "Polygon",
        "id verdict leg length_m width_m depth_m chance run",
    ),
    _layer(
        "stakes",
        "Stakes and check points",
        "stake offset_stake check_point",
        "Point",
        "id kind label elev_m leg chainage_m station run",
    ),
    _layer(
        "ties",
        "Tapes from fixed features to the stake",
        "tie",
        "LineString",
        "id feature dist_m bearing",
    ),
    _layer("utilities", "Other services, lines", "utility", "LineString", _SERVICE),
    _layer("utility_points", "Other services, points", "utility", "Point", _SERVICE, asked=True),
    _layer(
        "next_readings",
        "Where to listen next",
        "next_reading",
        "Point",
        "id label number kind place leg chainage_m station then_95_m run",
        asked=True,
    ),
    _layer(
        "check_places",
        "Where to check first",
        "check_place",
        "Point",
        "id label number kind place leg chainage_m station run",
        asked=True,
    ),
    _layer(
        "best_so_far",
        "Best place so far, not to dig",
        "best_so_far",
        "Point",
        "id label elev_m leg chainage_m station run",
        asked=True,
    ),
)
"""Layers by name; nothing to dig by stands in any of them unless the verdict is to dig."""
