"""The CSV sheets of a site folder: which columns each has, and the record that a row makes.

A `Kind` is a table of columns. What one cell tells stands there; only what a cell cannot tell by
itself is code below.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from functools import cache, partial
from typing import Any, NamedTuple, get_args

from geoleak import tables
from geoleak.errors import Origin, Refused, did_you_mean, listed
from geoleak.readers.collector import Collector
from geoleak.readers.numbers import number
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import Sheet, open_sheet
from geoleak.site import (
    Calibration,
    Delay,
    Fitting,
    Hole,
    Isolation,
    MeterRow,
    PastLeak,
    Reading,
    ReadingKind,
    Sighting,
    Tape,
)
from geoleak.units import FLOW_UNITS_L_PER_S, PRESSURE_UNITS_KPA

Cell = Callable[[Sheet, str], Any]
"""Reads the cell of a row (first argument) in a column (second)."""


class Column(NamedTuple):
    """The record's field that a column fills, how its cell is read, whether it holds figures."""

    field: str
    read: Cell
    numeric: bool = False


class Kind(NamedTuple):
    """A sheet: its file, the record of a row, its columns, those that must be there.

    ``judge`` looks at a row as a whole: it complains, or amends the record's fields.
    """

    file: str
    record: Callable[..., Any]
    columns: Mapping[str, Column]
    needed: tuple[str, ...]
    judge: Callable[[Sheet, dict[str, Any]], None] = lambda row, values: None


def read_kind(kind: Kind, collector: Collector, places: PlaceReader) -> Iterable[Any]:
    """Yield a record for every row of a sheet that has nothing wrong."""
    sheet = open_kind(kind, collector, places)
    return () if sheet is None else (each for each in map(partial(record_of, kind), sheet) if each)


def open_kind(kind: Kind, collector: Collector, places: PlaceReader) -> Sheet | None:
    """Return a sheet of the folder; ``None`` where there is none or it is unfit."""
    return open_sheet(
        kind.file,
        known=tuple(kind.columns),
        needed=kind.needed,
        numeric=[name for name, column in kind.columns.items() if column.numeric],
        collector=collector,
        places=places,
    )


def record_of(kind: Kind, row: Sheet) -> Any:
    """Return the record of a row; ``None`` after a complaint."""
    values = {column.field: column.read(row, name) for name, column in kind.columns.items()}
    kind.judge(row, values)
    values.pop("", None)
    if row.failed:
        return None
    return kind.record(**values, extra=row.extra(), origin=row.origin())


# --- what a cell may hold ---------------------------------------------------------------------


def _choice(*words: str, default: str | None = None) -> Cell:
    return lambda row, column: row.choice(column, words) or default


def _optional(row: Sheet, column: str) -> str | None:
    return row.text(column) or None


def _identifier(row: Sheet, column: str) -> str:
    return row.text(column) or str(row.index)


def _only(remedy: str) -> Cell:
    """Return what reads an id that no other row may have."""

    def read(row: Sheet, column: str) -> str:
        identifier = _identifier(row, column)
        if identifier in row.seen:
            what = f'"{identifier}" stands at line {row.seen[identifier]} too'
            row.complain(column, what, remedy)
        row.seen[identifier] = row.line
        return identifier

    return read


def _number(
    field: str, *, per: float = 1.0, above: float | None = None, low: float | None = None
) -> Column:
    def read(row: Sheet, column: str) -> float | None:
        value = row.number(column, above=above, low=low)
        return None if value is None else value / per

    return Column(field, read, numeric=True)


def _length(field: str, **limits: float) -> Column:
    return Column(field, lambda row, column: row.length(column, **limits), numeric=True)


def _needed(column: Column) -> Column:
    def read(row: Sheet, name: str) -> Any:
        return column.read(row, name) if row.required(name) else None

    return column._replace(read=read)


def _levels(row: Sheet, column: str) -> tuple[float, ...]:
    """Return the repeats of a level cell, parted by blanks, semicolons or slashes."""
    try:
        parts = re.split(r"[\s;/]+", row.text(column))
        return tuple(number(each, decimal=row.decimal) for each in parts if each)
    except Refused as error:
        row.complain(column, error.what, error.remedy)
        return ()


@cache
def _surface_name(cell: str) -> str:
    return tables.surface(cell).name


def _surface(row: Sheet, column: str) -> str | None:
    cell = row.text(column)
    try:
        return _surface_name(cell) if cell else None
    except tables.UnknownNameError as error:
        row.complain(column, error.what, error.remedy)
        return None


def _speed(row: Sheet, column: str) -> float | None:
    """Return a speed such as ``4200``, ``"4200 ft/s"`` or ``"1280 m/s"`` in metres a second."""
    shown = row.text(column)
    cell = re.sub(r"\s*(/\s*s(ec)?|ps)\s*$", "", re.sub(r"\s*fps\s*$", " ft/s", shown))
    if not cell:
        return None
    try:
        speed = row.length_of(cell)
    except Refused:
        row.complain(column, f'"{shown}" is not a speed', 'write one such as 4200 or "1280 m/s"')
        return None
    if not 10 <= speed <= 6000:
        what = f'"{shown}" is {speed:.4g} m/s, which no pipe has'
        row.complain(column, what, "check its unit")
    return speed


def _valves(row: Sheet, column: str) -> tuple[str, ...]:
    """Return the points of the shut valves, parted by blanks, semicolons, commas or plus signs."""
    cell = row.required(column)
    points = row.places.points
    if cell in points:
        return (cell,)
    names = [each for each in re.split(r"[\s,;+]+", cell) if each]
    for name in names:
        if name not in points:
            near = did_you_mean(name, row.places.some_points())
            what = f'there is no point "{name}"'
            row.complain(column, what, near or "name valves by their point ids")
    return tuple(dict.fromkeys(names))


def _supply(row: Sheet, column: str) -> str | None:
    cell = row.text(column)
    if cell and cell not in row.places.points and cell not in row.places.legs:
        near = did_you_mean(cell, row.places.legs) or "name where the water enters"
        row.complain(column, f'"{cell}" is neither a point nor a leg', near)
    return cell or None


def _units(row: Sheet, column: str) -> list[str]:
    """Return the units that the unit cell names: one of flow, one of pressure, or both."""
    words = [each for each in re.split(r"[\s,;]+", _plain(row.text(column))) if each]
    known = (*FLOW_UNITS_L_PER_S, *PRESSURE_UNITS_KPA)
    for word in words:
        if word not in known:
            what = f'"{word}" is no unit of flow or pressure'
            row.complain(column, what, f"use {', '.join(known)}")
    for units in (FLOW_UNITS_L_PER_S, PRESSURE_UNITS_KPA):
        named = dict.fromkeys(word for word in words if word in units)
        if len(named) > 1:
            one, other, *_ = named
            row.complain(column, f'"{other}" stands beside "{one}"', "keep one of the two")
    return words


def _plain(text: str) -> str:
    return text.casefold().replace("³", "3")


def _quantity(field: str, units: Mapping[str, float], what: str) -> Column:
    """Return a column of figures with their own unit (``"62 psi"``) or in the unit cell's."""

    def read(row: Sheet, column: str) -> float | None:
        cell = row.text(column)
        head, _, tail = cell.rpartition(" ")
        unit: str | None = _plain(tail)
        if not head or unit not in units:
            head = cell
            unit = next((word for word in _units(row, "unit") if word in units), None)
        value = row.number(column, low=0, cell=head)
        if value is None:
            return None
        if unit is None:
            remedy = f"write one of {', '.join(units)} in unit"
            row.complain(column, f'"{cell}" has no unit of {what}', remedy)
            return None
        return value * units[unit]

    return Column(field, read, numeric=True)


# --- what only the whole row tells ------------------------------------------------------------


def _judge_band(row: Sheet, values: dict[str, Any]) -> None:
    low, high = values["low_hz"], values["high_hz"]
    if low is not None and high is not None and not low < high:
        what = f"{low:g} Hz is not below high_hz {high:g} Hz"
        row.complain("low_hz", what, "write the lower edge first")


_SHOWN = ("shown_distance", "shown_length", "shown_speed")


def _judge_delay(row: Sheet, values: dict[str, Any]) -> None:
    """Complain unless exactly one of three sources of the delay is there, and whole."""
    _judge_band(row, values)
    first, second = values["first"], values["second"]
    if first is not None and first == second:
        remedy = "name the other sensor's place"
        row.complain("second", f'"{second.text}" is the first place too', remedy)
    if row.failed or values["skip"]:
        return
    stated, there = bool(row.text("delay_ms")), [each for each in _SHOWN if row.text(each)]
    recorded = [values["recording_first"], values["recording_second"]]
    if stated and there:
        what = "the row has both delay_ms and what an instrument showed"
        row.complain("delay_ms", what, "keep one of the two")
    elif there and len(there) < 3:
        missing = ", ".join(each for each in _SHOWN if each not in there)
        what = f"without {missing} the delay behind it cannot be recovered"
        row.complain(there[0], what, "write all three as the screen gave them")
    elif recorded.count(None) == 1:
        row.complain("recording_first", "one of two recordings is missing", "name both")
    elif not stated and not there and None in recorded:
        remedy = (
            "fill in delay_ms, or shown_distance, shown_length and shown_speed, or two recordings"
        )
        row.complain("delay_ms", "the row has no delay", remedy)
    elif values["shown_length_m"] == 0:
        what = f'"{row.text("shown_length")}" is not above zero'
        row.complain("shown_length", what, "write what was set")


def _judge_fitting(row: Sheet, values: dict[str, Any]) -> None:
    point = values["point"]
    if point in row.seen:
        row.complain("point", f'"{point}" stands here twice', "keep one row")
    row.seen[point] = row.line
    values["lead_m"] = values["lead_m"] or 0.0  # a row without a lead has none


def _judge_isolation(row: Sheet, values: dict[str, Any]) -> None:
    flows = [values["flow_before_l_per_s"], values["flow_after_l_per_s"]]
    pressures = [values["pressure_before_kpa"], values["pressure_after_kpa"]]
    nothing = values["result"] is None and None in flows and None in pressures
    if nothing and not row.failed and not values["skip"]:
        row.complain(
            "result", "the row says neither what happened nor two flows nor two pressures",
            "write stopped, slower or same, or the figures before and after",
        )  # fmt: skip


def _judge_calibration(row: Sheet, values: dict[str, Any]) -> None:
    place = values["point"]
    if place is not None and (place.kind != "point" or place.up_m):
        row.complain("point", f'"{place.text}" is not a point', "write a point's id alone")
    leg = values["leg"] or (place.leg if place else None)
    if leg and leg not in row.places.legs:
        row.complain("leg", f'there is no leg "{leg}"', did_you_mean(leg, row.places.legs))
    values |= {"point": place.point if place else None, "leg": leg}


# --- the sheets -------------------------------------------------------------------------------

_ENDS = {"skip": Column("skip", Sheet.text), "note": Column("note", Sheet.text)}
_BAND = {"low_hz": _number("low_hz", low=0), "high_hz": _number("high_hz", above=0)}

READINGS = Kind(
    "readings.csv",
    Reading,
    {
        "reading": Column(
            "id", _only("number each reading once; repeats at a place go into one level cell")
        ),
        "kind": Column("kind", _choice(*get_args(ReadingKind), default="surface")),
        "place": Column("place", Sheet.place),
        "level": Column("levels", _levels, numeric=True),
        **_BAND,
        "surface": Column("surface", _surface),
        "background": _number("background"),
        "gain_db": _number("gain_db"),
        "session": Column("session", Sheet.text),
        "recording": Column("recording", _optional),
        **_ENDS,
    },
    ("place",),
    _judge_band,
)
DELAYS = Kind(
    "delays.csv",
    Delay,
    {
        "delay": Column("id", _only("number each once")),
        "first": Column("first", Sheet.place),
        "second": Column("second", Sheet.place),
        "delay_ms": _number("delay_s", per=1000),
        "sigma_ms": _number("sigma_s", per=1000, above=0),
        "speed_check": Column("speed_check", lambda row, column: bool(row.yes_no(column))),
        "shown_distance": _length("shown_distance_m", low=0),
        "shown_length": _length("shown_length_m", low=0),
        "shown_speed": Column("shown_speed_m_per_s", _speed, numeric=True),
        "recording_first": Column("recording_first", _optional),
        "recording_second": Column("recording_second", _optional),
        **_BAND,
        **_ENDS,
    },
    ("first", "second"),
    _judge_delay,
)
FITTINGS = Kind(
    "fittings.csv",
    Fitting,
    {
        "point": Column("point", Sheet.point),
        "lead": _length("lead_m", low=0),
        "note": Column("note", Sheet.text),
    },
    ("point", "lead"),
    _judge_fitting,
)
ISOLATIONS = Kind(
    "isolations.csv",
    Isolation,
    {
        "isolation": Column("id", _identifier),
        "valves": Column("valves", _valves),
        "result": Column("result", _choice("stopped", "slower", "same")),
        "flow_before": _quantity("flow_before_l_per_s", FLOW_UNITS_L_PER_S, "flow"),
        "flow_after": _quantity("flow_after_l_per_s", FLOW_UNITS_L_PER_S, "flow"),
        "unit": Column("", _units),
        "pressure_before": _quantity("pressure_before_kpa", PRESSURE_UNITS_KPA, "pressure"),
        "pressure_after": _quantity("pressure_after_kpa", PRESSURE_UNITS_KPA, "pressure"),
        "minutes": _number("minutes", above=0),
        "supply": Column("supply", _supply),
        **_ENDS,
    },
    ("valves",),
    _judge_isolation,
)
CALIBRATION = Kind(
    "calibration.csv",
    Calibration,
    {
        "point": Column("point", Sheet.place),
        "measured": _needed(_length("measured_m")),
        "leg": Column("leg", _optional),
        "note": Column("note", Sheet.text),
    },
    ("point", "measured"),
    _judge_calibration,
)
SIGHTINGS = Kind(
    "sightings.csv",
    Sighting,
    {
        "place": Column("place", Sheet.place),
        "what": _needed(Column("what", _choice("wet", "warm", "sunk", "green"))),
        **_ENDS,
    },
    ("place", "what"),
)
HOLES = Kind(
    "holes.csv",
    Hole,
    {
        "hole": Column("id", _identifier),
        "from": Column("start", Sheet.place),
        "to": Column("finish", Sheet.place),
        "depth_reached": _length("depth_reached_m", above=0),
        "pipe_exposed": Column("pipe_exposed", Sheet.yes_no),
        "outcome": Column("outcome", _choice("leak", "dry", "wet")),
        "water_from": Column("water_from", _choice("up", "down")),
        **_ENDS,
    },
    ("from", "to"),
)
PAST_LEAKS = Kind(
    "leaks_past.csv",
    PastLeak,
    {
        "place": Column("place", Sheet.place),
        "year": Column("year", lambda row, column: row.whole(column, 1800, 2200)),
        **_ENDS,
    },
    ("place",),
)
METER = Kind(
    "meter.csv",
    MeterRow,
    {
        "time": Column("time", Sheet.required),
        "reading": _needed(_number("reading")),
        "unit": Column("unit", Sheet.text),
        "run": Column("run", Sheet.text),
        "state": Column("state", Sheet.text),
        "note": Column("note", Sheet.text),
    },
    ("time", "reading"),
)
TAPES = Kind(
    "tapes.csv",
    Tape,
    {
        "point": Column("point", Sheet.required),
        "from": Column("start", Sheet.required),
        "distance": _needed(_length("distance_m", above=0)),
        "side": Column("side", _choice("left", "right")),
        "code": Column("code", Sheet.text),
        "note": Column("note", Sheet.text),
        "skip": Column("skip", Sheet.text),
    },
    ("point", "from", "distance"),
)
# What each sheet fills of a Site.
KINDS = {
    "delays": DELAYS,
    "fittings": FITTINGS,
    "isolations": ISOLATIONS,
    "calibrations": CALIBRATION,
    "sightings": SIGHTINGS,
    "holes": HOLES,
    "past_leaks": PAST_LEAKS,
    "meter": METER,
}


def read_sheets(collector: Collector, places: PlaceReader) -> dict[str, Any]:
    """Return what the sheets of the folder fill of a `Site`."""
    found: dict[str, Any] = {"readings": _readings(collector, places)}
    for name, kind in KINDS.items():
        found[name] = tuple(read_kind(kind, collector, places))
    named = [(each.recording, each.origin) for each in found["readings"] if not each.skip]
    for each in found["delays"]:
        if not each.skip:
            named += [(each.recording_first, each.origin), (each.recording_second, each.origin)]
    _check_recordings(named, collector)
    return found


def _readings(collector: Collector, places: PlaceReader) -> tuple[Reading, ...]:
    """Return the readings of the folder; rows nobody has filled in are named and left out."""
    sheet = open_kind(READINGS, collector, places)
    if sheet is None:
        return ()
    if "level" not in sheet.columns and "recording" not in sheet.columns:
        where = sheet.rows.origin(0)
        collector.complain(where, 'there is no column "level"', 'add "level" or "recording"')
        return ()
    if "kind" not in sheet.columns:
        text = f'{sheet.label} has no column "kind": all are read as surface readings'
        collector.note("kind_assumed", text, Origin(sheet.label, 1))
    found, blank = [], []
    for row in sheet:
        reading: Reading | None = record_of(READINGS, row)
        if reading is None:
            continue
        if reading.levels or reading.skip or reading.recording is not None:
            found.append(reading)
        else:
            blank.append(reading.place.text)
    if blank:
        text = f"rows without a level left out: {listed(blank)}"
        collector.note("readings_blank", text, Origin(sheet.label))
    return tuple(found)


def _check_recordings(named: Iterable[tuple[str | None, Origin]], collector: Collector) -> None:
    """Complain about recordings that lead out of the folder or are not there."""
    for text, origin in named:
        if not text:
            continue
        head, sign, tail = text.rpartition("#")
        name = head if sign and tail.isdigit() else text
        path = collector.inside(name, origin)
        if path is not None and not path.is_file():
            remedy = "put it into the site's folder"
            collector.complain(origin, f'there is no recording "{name}"', remedy)
