"""The layers that every GIS and CAD file shares: which features, and which fields they carry.

Field names are lower case and at most ten characters, so that they survive any format; each
carries its unit where it has one.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from geoleak.export import words
from geoleak.result import Feature, Result

Getter = Callable[[Feature, Result], Any]


@dataclass(frozen=True, slots=True)
class LayerPlan:
    """One layer: its name, the feature kinds in it, its geometry, its fields and their types.

    ``fields`` maps the field's name to (type, source): type is ``float``, ``int`` or ``str``;
    source is a property's name or a function of the feature.
    """

    name: str
    kinds: tuple[str, ...]
    geometry: str
    fields: Mapping[str, tuple[type, str | Getter]]
    title: str


def _station(feature: Feature, result: Result) -> str | None:
    chainage = feature.properties.get("chainage_m")
    if not isinstance(chainage, (int, float)):
        return None
    return words.station(chainage, result.site.length_unit)


def _from_station(feature: Feature, result: Result) -> str | None:
    value = feature.properties.get("from_m")
    unit = result.site.length_unit
    return words.station(value, unit) if isinstance(value, (int, float)) else None


def _to_station(feature: Feature, result: Result) -> str | None:
    value = feature.properties.get("to_m")
    unit = result.site.length_unit
    return words.station(value, unit) if isinstance(value, (int, float)) else None


def _run(feature: Feature, result: Result) -> str:
    return result.run.id


def _verdict(feature: Feature, result: Result) -> str:
    return result.decision.verdict


def _label(feature: Feature, result: Result) -> str:
    label = feature.properties.get("label")
    if label:
        return str(label)
    if feature.kind == "stake":
        station = words.station(result.leak.chainage_m, result.site.length_unit)
        return f"leak {result.leak.leg} {station}"
    return feature.kind.replace("_", " ")


def _kind(feature: Feature, result: Result) -> str:
    return feature.kind


ON_PIPE: dict[str, tuple[type, str | Getter]] = {
    "id": (str, lambda feature, result: feature.id),
    "leg": (str, "leg"),
    "chainage_m": (float, "chainage_m"),
    "station": (str, _station),
    "offset_m": (float, "offset_m"),
}
SHOT: dict[str, tuple[type, str | Getter]] = {
    "code": (str, "code"),
    "elev_m": (float, "elevation_m"),
    "sigma_m": (float, "sigma_m"),
    "status": (str, "status"),
    "note": (str, "note"),
}
IDENTITY: dict[str, tuple[type, str | Getter]] = {"id": (str, lambda feature, result: feature.id)}

PLANS = (
    LayerPlan(
        "pipe",
        ("route",),
        "LineString",
        {
            "leg": (str, lambda feature, result: feature.properties.get("leg", feature.id)),
            "length_m": (float, "length_m"),
            "pipe_len_m": (float, "pipe_length_m"),
            "chance": (float, "probability"),
            "material": (str, "material"),
            "diam_m": (float, "outside_diameter_m"),
            "marks_by": (str, "marks_by"),
            "assumed": (int, lambda feature, result: int(bool(feature.properties.get("assumed")))),
        },
        "Fitted legs of pipe",
    ),
    LayerPlan(
        "marks",
        ("mark",),
        "Point",
        {**ON_PIPE, **SHOT, "depth_m": (float, "depth_m")},
        "Paint marks as shot",
    ),
    LayerPlan(
        "readings",
        ("reading",),
        "Point",
        {
            **ON_PIPE,
            "kind": (str, "reading_kind"),
            "level_db": (float, "level_db"),
            "surface": (str, "surface"),
            "place": (str, "place"),
        },
        "Readings as used",
    ),
    LayerPlan("fittings", ("fitting",), "Point", {**ON_PIPE, **SHOT}, "Fittings"),
    LayerPlan("features", ("feature",), "Point", {**IDENTITY, **SHOT}, "Fixed features"),
    LayerPlan(
        "interval",
        ("interval",),
        "LineString",
        {
            "percent": (int, "percent"),
            "leg": (str, "leg"),
            "from_m": (float, "from_m"),
            "to_m": (float, "to_m"),
            "from_sta": (str, _from_station),
            "to_sta": (str, _to_station),
        },
        "Stretches that hold 50, 80 and 95 % of the chance",
    ),
    LayerPlan(
        "hole",
        ("hole",),
        "Polygon",
        {
            **IDENTITY,
            "verdict": (str, _verdict),
            "leg": (str, "leg"),
            "length_m": (float, "length_m"),
            "width_m": (float, "width_m"),
            "depth_m": (float, "depth_m"),
            "chance": (float, "chance"),
            "run": (str, _run),
        },
        "The hole",
    ),
    LayerPlan(
        "stakes",
        ("stake", "offset_stake", "check_point"),
        "Point",
        {
            **IDENTITY,
            "kind": (str, _kind),
            "label": (str, _label),
            "elev_m": (float, "elevation_m"),
            "leg": (str, "leg"),
            "chainage_m": (float, "chainage_m"),
            "station": (str, _station),
            "run": (str, _run),
        },
        "Stakes and check points",
    ),
    LayerPlan(
        "ties",
        ("tie",),
        "LineString",
        {
            **IDENTITY,
            "feature": (str, "feature"),
            "dist_m": (float, "distance_m"),
            "bearing": (float, "bearing_deg"),
        },
        "Tapes from fixed features to the stake",
    ),
    LayerPlan(
        "utilities",
        ("utility",),
        "LineString",
        {
            "name": (str, lambda feature, result: feature.properties.get("name") or feature.id),
            "colour": (str, "colour"),
            "quality": (str, "quality"),
            "depth_m": (float, "depth_m"),
        },
        "Other services, lines",
    ),
)


NEXT_READINGS = LayerPlan(
    "next_readings",
    ("next_reading",),
    "Point",
    {
        "id": (str, "label"),
        "number": (int, "number"),
        "kind": (str, "reading_kind"),
        "place": (str, "place"),
        "leg": (str, "leg"),
        "chainage_m": (float, "chainage_m"),
        "station": (str, _station),
        "then_95_m": (float, "expected_interval_95_m"),
        "run": (str, _run),
    },
    "Where to listen next",
)
"""Stands in the file only where the verdict is to listen on."""


def features_of(plan: LayerPlan, result: Result) -> list[Feature]:
    """Return the features of a layer whose geometry fits it, in their order."""
    return [
        each
        for each in result.features
        if each.kind in plan.kinds
        and not each.grid.is_empty
        and each.grid.geom_type.removeprefix("Multi") == plan.geometry
    ]


def value_of(feature: Feature, result: Result, source: str | Getter) -> Any:
    """Return a field's value; None where the feature does not say it."""
    value = feature.properties.get(source) if isinstance(source, str) else source(feature, result)
    return words.plain(value) if isinstance(value, str) else value
