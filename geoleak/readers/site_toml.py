"""site.toml to checked values: every complaint with its line and column, none hides another."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType
from typing import Any

from pydantic import BaseModel, ValidationError

from geoleak.errors import Origin
from geoleak.readers.collector import Collector, did_you_mean
from geoleak.readers.site_model import (
    CodesTable,
    CrewTable,
    JobTable,
    LegTable,
    LocateRequestTable,
    NetworkTable,
    PointsTable,
    PriorTable,
    ReadingsTable,
    SiteTable,
    UtilityTable,
)
from geoleak.readers.text import decode_text
from geoleak.readers.toml_positions import Path, Positions, scan
from geoleak.units import LENGTH_UNITS

NAME = "site.toml"
NOT_USED_YET = ("tables", "photos")
_TABLES: dict[str, type[BaseModel]] = {
    "points": PointsTable,
    "leg": LegTable,
    "codes": CodesTable,
    "readings": ReadingsTable,
    "crew": CrewTable,
    "prior": PriorTable,
    "utility": UtilityTable,
    "network": NetworkTable,
    "locate_request": LocateRequestTable,
    "job": JobTable,
}
_REMEDIES = {
    "crs": 'write crs = "EPSG:..." with the CRS the rover worked in, or "local"',
    "length_unit": 'write length_unit = "m", "ft" or "ftUS"',
    "points": 'add [points] with file = "points.csv"',
    "file": 'write file = "points.csv"',
    "name": 'write name = "..."',
}


@dataclass(frozen=True, slots=True)
class SiteToml:
    """What site.toml states, and where."""

    table: SiteTable
    label: str
    positions: Positions
    stated: Mapping[str, Origin]

    def origin(self, *path: str | int, key: bool = False) -> Origin:
        """Return where a value (or its key) stands."""
        return Origin(self.label, *self.positions.of(path, key=key))

    def states(self, *path: str | int) -> bool:
        """Tell whether the file states this key."""
        return path in self.positions.keys or path in self.positions.values


def read_site_toml(collector: Collector) -> SiteToml | None:
    """Return site.toml's checked values; ``None`` after complaints."""
    label = collector.label(NAME)
    if not (collector.folder / NAME).exists():
        what = f"there is no folder {collector.folder}" if not collector.folder.is_dir() else (
            "the folder holds no site.toml"
        )  # fmt: skip
        remedy = "name a site folder, or start one with: geoleak new POINTS.csv"
        collector.complain(Origin(label), what, remedy)
        return None
    data = collector.read_bytes(NAME, Origin(label))
    if data is None:
        return None
    text = _toml_text(data, label, collector)
    if text is None:
        return None
    values = _loads(text, label, collector)
    if values is None:
        return None
    positions = scan(text)
    unit = values.get("length_unit")
    context = {"unit": unit if isinstance(unit, str) and unit in LENGTH_UNITS else "m"}
    try:
        table = SiteTable.model_validate(values, context=context)
    except ValidationError as error:
        for each in error.errors(include_url=False, include_context=True):
            _complain(each, values, positions, label, collector)
        return None
    if table.points is None and table.network is None:
        where = positions.of((), key=True)
        collector.complain(Origin(label, *where), "points is missing", _REMEDIES["points"])
        return None
    _note_unused(table, positions, label, collector)
    return SiteToml(table, label, positions, _stated(positions, label))


def _toml_text(data: bytes, label: str, collector: Collector) -> str | None:
    try:
        decoded = decode_text(data)
    except ValueError as error:
        what, _, remedy = str(error).partition("; ")
        collector.complain(Origin(label), what, remedy)
        return None
    if decoded.encoding not in ("UTF-8",):
        collector.note("encoding", f"read as {decoded.encoding}", Origin(label))
    return decoded.text.replace("\r\n", "\n")


def _loads(text: str, label: str, collector: Collector) -> dict[str, Any] | None:
    try:
        return tomllib.loads(text)
    except RecursionError:
        collector.complain(Origin(label), "the file is nested without end", "write it plainly")
    except ValueError as error:
        message = str(error)
        place = re.search(r"\s*\(at line (\d+), column (\d+)\)", message)
        if place:
            where = Origin(label, int(place.group(1)), int(place.group(2)))
            message = message.replace(place.group(), "")
        else:
            where = Origin(label, text.count("\n") + 1)
            message = message.replace(" (at end of document)", " at the end of the file")
        collector.complain(
            where, f"this is not TOML: {message}", 'texts stand in quotes, as in key = "text"'
        )
    return None


def _complain(
    error: Mapping[str, Any],
    values: Mapping[str, Any],
    positions: Positions,
    label: str,
    collector: Collector,
) -> None:
    path = _as_written(error["loc"])
    dotted = _dotted(path)
    kind = error["type"]
    if kind == "missing":
        where = positions.of(path[:-1], key=True)
        remedy = _REMEDIES.get(str(path[-1]), f"write {path[-1]} = ...")
        collector.complain(Origin(label, *where), f"{dotted} is missing", remedy)
    elif kind == "extra_forbidden":
        where = positions.of(path, key=True)
        known = _known_keys(path[:-1])
        remedy = did_you_mean(str(path[-1]), known) or f"known here: {', '.join(known)}"
        collector.complain(Origin(label, *where), f'unknown key "{dotted}"', remedy)
    elif kind in ("tuple_type", "list_type", "iterable_type"):
        where = positions.of(path, key=True)
        remedy = f"write [[{path[-1]}]] in double brackets above each"
        collector.complain(Origin(label, *where), f"{dotted} is not a list of tables", remedy)
    elif kind in ("model_type", "dict_type", "model_attributes_type"):
        where = positions.of(path, key=True)
        collector.complain(
            Origin(label, *where), f"{dotted} is not a table", f"write [{path[-1]}] above its keys"
        )
    else:
        message = str(error["msg"]).removeprefix("Value error, ")
        what, _, remedy = message.partition("; ")
        collector.complain(Origin(label, *positions.of(path)), f"{dotted}: {what}", remedy)


def _as_written(loc: tuple[str | int, ...]) -> Path:
    return tuple("from" if part == "joins" and loc[0] == "leg" else part for part in loc)


def _dotted(path: Path) -> str:
    """Return a path as text; list items are counted from 1, as people do."""
    text = ""
    for part in path:
        text += f"[{part + 1}]" if isinstance(part, int) else f".{part}" if text else part
    return text


def _known_keys(path: Path) -> list[str]:
    model: type[BaseModel] = SiteTable
    if path and isinstance(path[0], str) and path[0] in _TABLES:
        model = _TABLES[path[0]]
    return [field.alias or name for name, field in model.model_fields.items()]


def _note_unused(table: SiteTable, positions: Positions, label: str, collector: Collector) -> None:
    for name in NOT_USED_YET:
        if getattr(table, name) is not None:
            collector.note(
                "not_used_yet",
                f"[{name}] is read but not used yet",
                Origin(label, *positions.of((name,), key=True)),
            )


def _stated(positions: Positions, label: str) -> Mapping[str, Origin]:
    places = {**positions.keys, **positions.values}
    return MappingProxyType(
        {".".join(str(part) for part in path): Origin(label, *at) for path, at in places.items()}
    )
