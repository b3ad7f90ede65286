"""The CSV sheets of a site folder: which columns each has, and the record that a row makes.

A `Kind` is a table of columns. What one cell tells stands there; only what a cell cannot tell by
itself is code below.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any, get_args

from geoleak.errors import Origin, did_you_mean, listed
from geoleak.readers import cells
from geoleak.readers.collector import Collector
from geoleak.readers.headings import column_names, header_row, likely_column, open_sheet
from geoleak.readers.meter import METER, logged, watched
from geoleak.readers.numbers import looks_numeric
from geoleak.readers.pasted import without_pasted
from geoleak.readers.places import PlaceReader
from geoleak.readers.plausible import DEPTH
from geoleak.readers.sheet import Column, Kind, Sheet, records
from geoleak.site import (
    Calibration,
    Delay,
    Fitting,
    Found,
    Hole,
    Isolation,
    PastLeak,
    Reading,
    ReadingKind,
    Settings,
    Sighting,
    StopTest,
    Tape,
)
from geoleak.units import FLOW_UNITS_L_PER_S, PRESSURE_UNITS_KPA

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

_BAND = {
    "low_hz": cells.number("low_hz", unit="hz", low=0),
    "high_hz": cells.number("high_hz", unit="hz", above=0),
}

READINGS = Kind(
    "readings.csv",
    Reading,
    {
        "reading": Column(
            "id",
            cells.only("number each reading once; repeats at a place go into one level cell"),
            by_row=True,
        ),
        "kind": Column("kind", cells.choice(*get_args(ReadingKind), default="surface")),
        "place": Column("place", Sheet.place),
        "level": Column("levels", cells.levels, numeric=True, by_row=True),
        **_BAND,
        "surface": Column("surface", cells.surface),
        "background": cells.number("background", unit="db"),
        "gain_db": cells.number("gain_db", unit="db"),
        "session": Column("session", Sheet.text),
        "recording": Column("recording", cells.optional),
        "everything_off": Column("everything_off", Sheet.yes_no),
        "depth": cells.length("depth_m", above=0, usual=DEPTH),
        "date": Column("date", Sheet.text),
        **cells.ENDS,
    },
    ("place",),
    _judge_reading,
    holds=("level", "recording"),
)
CHECKS = Kind(
    "checks.csv",
    StopTest,
    {
        "check": Column("id", cells.identifier, by_row=True),
        "kind": Column("", cells.choice("stop")),
        "place": Column("place", Sheet.place),
        "fitting": Column("fitting", cells.fitting),
        **{name: Column(name, cells.levels, numeric=True, by_row=True) for name in _STOPPED},
        **_BAND,
        **cells.ENDS,
    },
    ("place",),
    _judge_check,
    holds=_STOPPED,
)
DELAYS = Kind(
    "delays.csv",
    Delay,
    {
        "delay": Column("id", cells.only("number each once"), by_row=True),
        "first": Column("first", Sheet.place),
        "second": Column("second", Sheet.place),
        "delay_ms": cells.number("delay_s", per=1000, unit="ms"),
        "sigma_ms": cells.number("sigma_s", per=1000, unit="ms", above=0),
        "speed_check": Column("speed_check", lambda row, column: bool(row.yes_no(column))),
        "shown_distance": cells.length("shown_distance_m", low=0),
        "shown_length": cells.length("shown_length_m", low=0),
        "shown_speed": Column("shown_speed_m_per_s", cells.speed, numeric=True),
        "recording_first": Column("recording_first", cells.optional),
        "recording_second": Column("recording_second", cells.optional),
        **_BAND,
        **cells.ENDS,
    },
    ("first", "second"),
    _judge_delay,
)
FITTINGS = Kind(
    "fittings.csv",
    Fitting,
    {
        "point": Column("point", Sheet.point),
        "lead": cells.length("lead_m", low=0),
        **cells.ENDS,
    },
    ("point", "lead"),
    _judge_fitting,
)
ISOLATIONS = Kind(
    "isolations.csv",
    Isolation,
    {
        "isolation": Column("id", cells.identifier, by_row=True),
        "valves": Column("valves", cells.valves),
        "result": Column("result", cells.choice("stopped", "slower", "same")),
        "flow_before": cells.quantity("flow_before_l_per_s", FLOW_UNITS_L_PER_S, "flow"),
        "flow_after": cells.quantity("flow_after_l_per_s", FLOW_UNITS_L_PER_S, "flow"),
        "unit": Column("", cells.unit_words),
        "pressure_before": cells.quantity("pressure_before_kpa", PRESSURE_UNITS_KPA, "pressure"),
        "pressure_after": cells.quantity("pressure_after_kpa", PRESSURE_UNITS_KPA, "pressure"),
        "supply": Column("supply", cells.supply),
        **cells.ENDS,
    },
    ("valves",),
    _judge_isolation,
)
CALIBRATION = Kind(
    "calibration.csv",
    Calibration,
    {
        "point": Column("point", Sheet.place),
        "measured": cells.needed(cells.length("measured_m")),
        "leg": Column("leg", cells.optional),
        **cells.ENDS,
    },
    ("point", "measured"),
    _judge_calibration,
)
SIGHTINGS = Kind(
    "sightings.csv",
    Sighting,
    {
        "place": Column("place", Sheet.place),
        "what": cells.needed(Column("what", cells.choice("wet", "warm", "sunk", "green"))),
        **cells.ENDS,
    },
    ("place", "what"),
)
HOLES = Kind(
    "holes.csv",
    Hole,
    {
        "hole": Column("id", cells.identifier, by_row=True),
        "from": Column("start", Sheet.place),
        "to": Column("finish", Sheet.place),
        "pipe_exposed": Column("pipe_exposed", Sheet.yes_no),
        "outcome": Column("outcome", cells.choice("leak", "dry", "wet")),
        "water_from": Column("water_from", cells.choice("up", "down")),
        **cells.ENDS,
    },
    ("from", "to"),
)
PAST_LEAKS = Kind(
    "leaks_past.csv",
    PastLeak,
    {
        "place": Column("place", Sheet.place),
        "year": Column("year", lambda row, column: row.whole(column, 1800, 2200)),
        **cells.ENDS,
    },
    ("place",),
)
FOUND = Kind(
    "found.csv",
    Found,
    {
        "outcome": cells.needed(Column("outcome", cells.choice("leak", "dry"))),
        "place": cells.if_there(Column("place", Sheet.place)),
        "depth": cells.length("depth_m", above=0, usual=DEPTH),
        "cause": Column("cause", Sheet.text),
        "from": cells.if_there(Column("start", Sheet.place)),
        "to": cells.if_there(Column("finish", Sheet.place)),
        "pipe_exposed": Column("pipe_exposed", Sheet.yes_no),
        "date": cells.if_there(Column("date", cells.day)),
        **cells.ENDS,
    },
    ("outcome",),
    _judge_found,
)
TAPES = Kind(
    "tapes.csv",
    Tape,
    {
        "point": Column("point", Sheet.required),
        "from": Column("start", Sheet.required),
        "distance": cells.needed(cells.length("distance_m", above=0)),
        "side": Column("side", cells.choice("left", "right")),
        "code": Column("code", Sheet.text),
        **cells.ENDS,
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
        rows = rows or [record for _, record in records(sheet) if record is not None]
        _say_unused(sheet, rows)
        found[name] = tuple(each for each in rows if not each.skip or kind is READINGS)
    found["readings"] = without_pasted(found["readings"], collector)
    named = [(each.recording, each.origin) for each in found["readings"] if not each.skip]
    for each in found["delays"]:
        named += [(each.recording_first, each.origin), (each.recording_second, each.origin)]
    _check_recordings(named, collector)
    found["meter"] = watched(found["meter"], settings.metering, collector)
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
        pipe_exposed=row.pipe_exposed,
        outcome="dry",
        note=row.note,
        origin=row.origin,
    )


def _say_unused(sheet: Sheet, rows: Iterable[Any]) -> None:
    """Say which columns were filled in and are used by nothing."""
    used = {column for row in rows for column in row.extra}
    if used:
        named = listed([each for each in sheet.columns if each in used])
        text = f"kept, but used by nothing here: {named}"
        sheet.collector.note("not_used", text, Origin(sheet.label, 1))


def _has_levels(sheet: Sheet) -> bool:
    if "level" not in sheet.columns and "recording" not in sheet.columns:
        where, points = sheet.rows.origin(0), sheet.places.points
        likely = likely_column(
            sheet.rows,
            "level",
            lambda cell: cell not in points and all(map(looks_numeric, cell.split() or [cell])),
        )
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
