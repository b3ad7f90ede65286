"""The CSV sheets of a site folder: which columns each has, and the record that a row makes.

A `Kind` is a table of columns. What one cell tells stands there; only what a cell cannot tell by
itself is code below.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from operator import attrgetter
from typing import Any, get_args

from geoleak import tables
from geoleak.errors import Origin, Refused, did_you_mean, listed
from geoleak.readers.collector import Collector
from geoleak.readers.headers import folded
from geoleak.readers.numbers import looks_numeric, number
from geoleak.readers.places import PlaceReader
from geoleak.readers.plausible import DEPTH
from geoleak.readers.sheet import (
    DITTO,
    Cell,
    Column,
    Kind,
    Sheet,
    column_names,
    header_row,
    likely_column,
    open_sheet,
)
from geoleak.site import (
    Calibration,
    Delay,
    Fitting,
    Found,
    Hole,
    Isolation,
    MeterRow,
    MeterSettings,
    PastLeak,
    Reading,
    ReadingKind,
    Settings,
    Sighting,
    StopTest,
    Tape,
)
from geoleak.units import FLOW_UNITS_L_PER_S, PRESSURE_UNITS_KPA, VOLUME_UNITS_L


def records(kind: Kind, sheet: Sheet) -> Iterator[tuple[Sheet, Any]]:
    """Yield each row and its record, ``None`` after a complaint.

    A text is read once a column, however many rows hold it: a logger writes a hundred thousand.
    """
    columns: list[Any] = [
        (*column, name, sheet.columns.get(name), {}) for name, column in kind.columns.items()
    ]
    blank = []
    for row in sheet:
        if kind.holds and _no_row(row, kind.holds):
            blank.append(row.text("place") or next(filter(None, map(str.strip, row.cells))))
            continue
        values: dict[str, Any] = {}
        for field, read, _, by_row, name, at, known in columns:
            cell = "" if at is None else row.cells[at]
            if cell in known:
                values[field] = known[cell]
                continue
            values[field] = value = read(row, name)
            if not (by_row or row.failed):
                known[cell] = value
        kind.judge(row, values)
        values.pop("", None)
        made = not row.failed
        yield row, kind.record(**values, extra=row.extra(), origin=row.origin()) if made else None
    if blank:
        text = f"rows without a level left out: {listed(blank)}"
        sheet.collector.note("readings_blank", text, Origin(sheet.label))


_TOTALS = ("total", "sum", "mean", "average", "avg", "max", "min")


def _no_row(row: Sheet, holds: Sequence[str]) -> bool:
    """Tell whether a row has nothing to read: no level, no place beside words, or totals."""
    place = row.text("place") or next(filter(None, map(str.strip, row.cells)))
    if place.casefold() in _TOTALS and place not in row.places.points:
        return True
    if not row.text("place") and not any(map(looks_numeric, row.cells)):
        return True
    return not row.text("skip") and not any(map(row.text, holds))


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
        if row.text("skip"):
            return identifier
        if identifier in row.seen:
            what = f'"{identifier}" stands at line {row.seen[identifier]} too'
            row.complain(column, what, remedy)
        row.seen[identifier] = row.line
        return identifier

    return read


def _number(
    field: str,
    *,
    per: float = 1.0,
    unit: str = "",
    above: float | None = None,
    low: float | None = None,
) -> Column:
    def read(row: Sheet, column: str) -> float | None:
        value = row.number(column, unit=unit, above=above, low=low)
        return None if value is None else value / per

    return Column(field, read, numeric=True)


def _length(field: str, **limits: Any) -> Column:
    return Column(field, lambda row, column: row.length(column, **limits), numeric=True)


def _if_there(column: Column) -> Column:
    def read(row: Sheet, name: str) -> Any:
        return column.read(row, name) if row.text(name) else None

    return column._replace(read=read)


def _needed(column: Column) -> Column:
    def read(row: Sheet, name: str) -> Any:
        return column.read(row, name) if row.required(name) else None

    return column._replace(read=read)


_NOTHING = ("nothing", "nothingheard", "notheard", "none", "noneheard", "nosound", "silent",
            "silence", "nh", "nil")  # fmt: skip
# "52-54" and "52 to 54" swing between two figures; "31 -33" is a figure and one below zero.
_SWING = re.compile(r"(?<=\d)(?:\s*(?:\u2013|to|\.\.)\s*|-|\s+-\s+)(?=\d)")


def _levels(row: Sheet, column: str) -> tuple[float, ...]:
    """Return the repeats of a level cell, parted by blanks, semicolons or slashes.

    Nothing heard is the least that the meter shows; a detector of gas shows 0.
    """
    if row.text(column) in ("-", "--"):
        row.unknown(column, '"-" may mean two things', "write nothing heard, or leave it empty")
        return ()
    text = re.sub(r"(?<=[\d\s])db\b", "", row.text(column), flags=re.IGNORECASE)
    if folded(text) in _NOTHING:
        if row.text("kind") in ("gas", "bar_hole"):
            return (0.0,)
        if row.floor is None:
            what = "nothing heard is a reading at the meter's floor, which is not stated"
            remedy = (
                "write level_limits = [0, 99] in [readings], or new --level-limits 0,99: what "
                "the meter shows at least and at most"
            )
            row.unknown(column, what, remedy)
            return ()
        return (row.floor,)
    if _SWING.search(text):
        row.say_once("level_swings", f'a level such as "{text}" is read as two repeats')
        text = _SWING.sub(" ", text)
    try:
        parts = re.split(r"[\s;/]+", text)
        return tuple(number(each, decimal=row.decimal) for each in parts if each)
    except Refused as error:
        row.complain(column, error.what, error.remedy)
        return ()


def _surface_name(cell: str) -> str:
    """Return the surface that a cell names, whole or in one of its words: "wet grass"."""
    found = set()
    for word in cell.split():
        with suppress(tables.UnknownNameError):
            found.add(tables.surface(word).name)
    return found.pop() if len(found) == 1 else tables.surface(cell).name


def _surface(row: Sheet, column: str) -> str | None:
    cell = row.text(column)
    try:
        return _surface_name(cell) if cell else None
    except tables.UnknownNameError as error:
        row.unknown(column, error.what, error.remedy)
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
            near = did_you_mean(name, row.places.points)
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


def _time(row: Sheet, column: str) -> datetime | None:
    cell = row.text(column)
    try:
        return datetime.fromisoformat(cell)
    except ValueError:
        row.complain(column, f'"{cell}" is not a time', "write one such as 2026-05-04 07:00")
        return None


def _day(row: Sheet, column: str) -> str | None:
    when = _time(row, column)
    return None if when is None else row.text(column)


def _unit_word(cell: str) -> str | None:
    return {_plain(each): each for each in VOLUME_UNITS_L}.get(_plain(cell))


def _volume_unit(row: Sheet, column: str) -> str | None:
    cell = row.text(column)
    unit = _unit_word(cell)
    if unit is None:
        two = _plain(cell).rstrip("s") in ("gal", "gallon")
        what = f'"{cell}" may be a US or an imperial gallon' if two else f'"{cell}" is not known'
        row.complain(column, what, f"write one of {', '.join(VOLUME_UNITS_L)}")
    return unit


_STATES = {"all shut": "all shut", "all taps shut": "all shut"}


def _state(row: Sheet, column: str) -> str:
    return _state_word(row.text(column))


def _state_word(cell: str) -> str:
    """Return the state of a run: one of the two that mean something, or what is written."""
    folded = " ".join(cell.casefold().split())
    return _STATES.get(folded, folded if folded == "house valve shut" else cell)


def logged(sheet: Sheet) -> tuple[MeterRow, ...] | None:
    """Return a logger's rows, read column by column; None where a cell asks for care.

    A hundred thousand rows take a fifth of the time; whatever is odd is `records`' to judge.
    """
    head, *rows = sheet.rows.cells
    names = [name for name, at in sorted(sheet.columns.items(), key=lambda pair: pair[1])]
    if set(names) - {"time", "reading", "unit", "run", "state"} or sheet.decimal != ".":
        return None
    if len(names) != len(head) or any(len(each) != len(head) for each in rows):
        return None
    cells = {
        name: [each.strip() for each in column]
        for name, column in zip(names, zip(*rows, strict=True), strict=True)
    }
    unit = {each: _unit_word(each) or "" for each in set(cells.get("unit", ()))}
    run, state = (cells.get(name, [""] * len(rows)) for name in ("run", "state"))
    words, figures = {*run, *state}, set("".join(cells.get("reading", ())))
    if "" in unit.values() or not DITTO.isdisjoint(words) or figures - set("0123456789."):
        return None
    try:
        reading = list(map(float, cells["reading"]))
        time = list(map(datetime.fromisoformat, cells["time"]))
    except (KeyError, ValueError):
        return None
    said = {each: _state_word(each) for each in set(state)}
    return tuple(
        MeterRow(t, value, unit[u], _step(shown), r, said[s], origin=Origin(sheet.label, line))
        for t, value, u, shown, r, s, line in zip(
            time,
            reading,
            cells["unit"],
            cells["reading"],
            run,
            state,
            sheet.rows.numbers[1:],
            strict=True,
        )
    )


def _step(shown: str) -> float:
    """Return one count of a register whose figures are shown so."""
    return 10.0 ** -len(shown.replace(",", ".").partition(".")[2])


def _judge_meter(row: Sheet, values: dict[str, Any]) -> None:
    values["step"] = _step(row.text("reading"))


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

    return Column(field, read, numeric=True, by_row=True)


# --- what only the whole row tells ------------------------------------------------------------


def _judge_band(row: Sheet, values: dict[str, Any]) -> None:
    low, high = values["low_hz"], values["high_hz"]
    if low is not None and high is not None and not low < high:
        what = f"{low:g} Hz is not below high_hz {high:g} Hz"
        row.complain("low_hz", what, "write the lower edge first")


def _judge_reading(row: Sheet, values: dict[str, Any]) -> None:
    _judge_band(row, values)
    if values["depth_m"] is not None and values["kind"] != "rod":
        what = f'"{row.text("depth")}" is the depth of a rod\'s tip, and this is no rod reading'
        row.complain("depth", what, "write rod as its kind, or leave depth empty")


_STOPPED = ("as_found", "all_off", "fitting_worked", "supply_shut")


def _judge_check(row: Sheet, values: dict[str, Any]) -> None:
    _judge_band(row, values)
    if values["fitting_worked"] and values["fitting"] is None:
        row.complain("fitting", "a fitting was worked, but none is named", "write its point id")
    if not values["as_found"] and any(values[name] for name in _STOPPED):
        remedy = "write the level before anything was turned off"
        row.complain("as_found", "without it nothing tells whether the sound fell", remedy)


def _judge_found(row: Sheet, values: dict[str, Any]) -> None:
    outcome, place, ends = values["outcome"], values["place"], [values["start"], values["finish"]]
    if not row.failed and outcome == "leak" and place is None:
        row.complain("place", "a leak was found, but not where", "write its place")
    if not row.failed and outcome == "dry" and None in ends and place is None:
        row.complain("from", "a dry hole has two ends", "write from and to, or its middle as place")


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

_ENDS = {name: Column(name, Sheet.text) for name in ("skip", "note", "entry")}
_BAND = {
    "low_hz": _number("low_hz", unit="hz", low=0),
    "high_hz": _number("high_hz", unit="hz", above=0),
}

READINGS = Kind(
    "readings.csv",
    Reading,
    {
        "reading": Column(
            "id",
            _only("number each reading once; repeats at a place go into one level cell"),
            by_row=True,
        ),
        "kind": Column("kind", _choice(*get_args(ReadingKind), default="surface")),
        "place": Column("place", Sheet.place),
        "level": Column("levels", _levels, numeric=True, by_row=True),
        **_BAND,
        "surface": Column("surface", _surface),
        "background": _number("background", unit="db"),
        "gain_db": _number("gain_db", unit="db"),
        "session": Column("session", Sheet.text),
        "recording": Column("recording", _optional),
        "everything_off": Column("everything_off", Sheet.yes_no),
        "depth": _length("depth_m", above=0, usual=DEPTH),
        **_ENDS,
    },
    ("place",),
    _judge_reading,
    holds=("level", "recording"),
)
CHECKS = Kind(
    "checks.csv",
    StopTest,
    {
        "check": Column("id", _identifier, by_row=True),
        "kind": Column("", _choice("stop")),
        "place": Column("place", Sheet.place),
        "fitting": _if_there(Column("fitting", Sheet.point)),
        **{name: Column(name, _levels, numeric=True, by_row=True) for name in _STOPPED},
        **_BAND,
        **_ENDS,
    },
    ("place",),
    _judge_check,
    holds=_STOPPED,
)
DELAYS = Kind(
    "delays.csv",
    Delay,
    {
        "delay": Column("id", _only("number each once"), by_row=True),
        "first": Column("first", Sheet.place),
        "second": Column("second", Sheet.place),
        "delay_ms": _number("delay_s", per=1000, unit="ms"),
        "sigma_ms": _number("sigma_s", per=1000, unit="ms", above=0),
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
        **_ENDS,
    },
    ("point", "lead"),
    _judge_fitting,
)
ISOLATIONS = Kind(
    "isolations.csv",
    Isolation,
    {
        "isolation": Column("id", _identifier, by_row=True),
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
        **_ENDS,
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
        "hole": Column("id", _identifier, by_row=True),
        "from": Column("start", Sheet.place),
        "to": Column("finish", Sheet.place),
        "depth_reached": _length("depth_reached_m", above=0, usual=DEPTH),
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
FOUND = Kind(
    "found.csv",
    Found,
    {
        "outcome": _needed(Column("outcome", _choice("leak", "dry"))),
        "place": _if_there(Column("place", Sheet.place)),
        "depth": _length("depth_m", above=0, usual=DEPTH),
        "cause": Column("cause", Sheet.text),
        "from": _if_there(Column("start", Sheet.place)),
        "to": _if_there(Column("finish", Sheet.place)),
        "pipe_exposed": Column("pipe_exposed", Sheet.yes_no),
        "date": _if_there(Column("date", _day)),
        **_ENDS,
    },
    ("outcome",),
    _judge_found,
)
METER = Kind(
    "meter.csv",
    MeterRow,
    {
        "time": _needed(Column("time", _time)),
        "reading": _needed(_number("reading", low=0)),
        "unit": _needed(Column("unit", _volume_unit)),
        "run": Column("run", Sheet.text),
        "state": Column("state", _state),
        **_ENDS,
    },
    ("time", "reading", "unit"),
    _judge_meter,
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
        **_ENDS,
    },
    ("point", "from", "distance"),
)
# What each sheet fills of a Site.
KINDS = {
    "readings": READINGS,
    "delays": DELAYS,
    "fittings": FITTINGS,
    "isolations": ISOLATIONS,
    "calibrations": CALIBRATION,
    "sightings": SIGHTINGS,
    "holes": HOLES,
    "past_leaks": PAST_LEAKS,
    "meter": METER,
    "found": FOUND,
    "stop_tests": CHECKS,
}


SHEETS = {kind.file: kind for kind in KINDS.values()}


def header_of(
    file: str, rows: Sequence[Sequence[str]], own: Mapping[str, str]
) -> tuple[int, list[str]]:
    """Return which of a sheet's rows is the header, and the column each heading is read as.

    ``own`` is what site.toml says that the readings call their columns.
    """
    kind = SHEETS[file]
    own = own if kind is READINGS else {}
    at = header_row(rows, kind, own)
    return at, column_names(rows[at], kind, own)


def read_sheets(collector: Collector, places: PlaceReader, settings: Settings) -> dict[str, Any]:
    """Return what the sheets of the folder fill of a `Site`.

    Rows struck out are left out, but for readings, which stay to be seen.
    """
    found: dict[str, Any] = {}
    for name, kind in KINDS.items():
        own = settings.levels.columns if kind is READINGS else {}
        sheet = open_sheet(kind, collector, places, own)
        if sheet is not None and settings.levels.level_limits is not None:
            sheet.floor = settings.levels.level_limits[0]
        if sheet is None or (kind is READINGS and not _has_levels(sheet)):
            found[name] = ()
            continue
        rows = list((kind is METER and logged(sheet)) or ())
        rows = rows or [record for _, record in records(kind, sheet) if record is not None]
        _say_unused(kind, sheet, rows)
        found[name] = tuple(each for each in rows if not each.skip or kind is READINGS)
    named = [(each.recording, each.origin) for each in found["readings"] if not each.skip]
    for each in found["delays"]:
        named += [(each.recording_first, each.origin), (each.recording_second, each.origin)]
    _check_recordings(named, collector)
    found["meter"] = _watched(found["meter"], settings.metering, collector)
    half_m = settings.crew.dig_length_m / 2
    dry = [_dry_hole(each, half_m, collector) for each in found["found"] if each.outcome == "dry"]
    found["holes"] += tuple(each for each in dry if each is not None)
    return found


def _dry_hole(row: Found, half_m: float, collector: Collector) -> Hole | None:
    """Return a dry hole of the close-out as one that was dug: from and to, or about its middle."""
    start, finish = row.start, row.finish
    if start is None or finish is None:
        if row.place is None or row.place.kind not in ("point", "leg"):
            what = "from: how far the dry hole reached is not said"
            collector.complain(row.origin, what, "write from and to")
            return None
        start, finish = (replace(row.place, up_m=row.place.up_m + m) for m in (-half_m, half_m))
    return Hole(
        id=f"in line {row.origin.line} of found.csv",
        start=start,
        finish=finish,
        depth_reached_m=row.depth_m,
        pipe_exposed=row.pipe_exposed,
        outcome="dry",
        note=row.note,
        origin=row.origin,
    )


def _watched(
    rows: tuple[MeterRow, ...], settings: MeterSettings, collector: Collector
) -> tuple[MeterRow, ...]:
    """Return the meter's rows with their time zone, complaining where the register runs back."""
    naive = [row for row in rows if row.time.tzinfo is None]
    if naive and settings.timezone is not None:
        from zoneinfo import ZoneInfo

        zone, naive = ZoneInfo(settings.timezone), []
        rows = tuple(
            row if row.time.tzinfo else row._replace(time=row.time.replace(tzinfo=zone))
            for row in rows
        )
    if naive and len(naive) < len(rows):
        remedy = "write offsets throughout, or state timezone in [meter]"
        collector.complain(naive[0].origin, "time: no offset, where other rows have one", remedy)
        return rows
    if naive:
        text = "times without an offset are taken as written; [meter] timezone would say which"
        collector.note("meter_timezone", text, naive[0].origin)
    falls: Counter[str] = Counter()
    for before, row in pairwise(sorted(rows, key=attrgetter("run", "time"))):
        if row.run != before.run:
            continue
        if row.unit != before.unit:
            what = f'unit: "{row.unit}" stands beside "{before.unit}" in one run'
            collector.complain(row.origin, what, "keep to one unit, or give the run its name")
        elif row.reading < before.reading:
            falls[row.run] += 1
            if settings.digits is None or falls[row.run] > 1:
                what = f"reading: the register falls from {before.reading:g} to {row.reading:g}"
                remedy = "correct the row; digits in [meter] permits one rollover"
                collector.complain(row.origin, what, remedy)
    return rows


# Columns that mean something to whoever reads the sheet, and to nothing here.
_UNUSED = {
    "isolations.csv": {"minutes": "minutes"},
    "holes.csv": {"depth_reached": "depth_reached_m"},
}


def _say_unused(kind: Kind, sheet: Sheet, rows: Iterable[Any]) -> None:
    """Say which columns were filled in and are used by nothing."""
    known = _UNUSED.get(kind.file, {})
    used = {column for row in rows for column in row.extra}
    used |= {
        column for row in rows for column, name in known.items() if getattr(row, name) is not None
    }
    if used:
        named = listed([each for each in sheet.columns if each in used])
        text = f"kept, but used by nothing here: {named}"
        sheet.collector.note("not_used", text, Origin(sheet.label, 1))


def _has_levels(sheet: Sheet) -> bool:
    if "level" not in sheet.columns and "recording" not in sheet.columns:
        where, points = sheet.rows.origin(0), sheet.places.points
        likely = likely_column(sheet.rows, "level", lambda c: looks_numeric(c) and c not in points)
        remedy = likely or 'add "level" or "recording"'
        sheet.collector.complain(where, 'there is no column "level"', remedy)
        return False
    if "kind" not in sheet.columns:
        text = f'{sheet.label} has no column "kind": all are read as surface readings'
        sheet.collector.note("kind_assumed", text, Origin(sheet.label, 1))
    return True


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
