"""The CSV sheets of a site folder: which columns each has, and the record that a row makes.

Which columns a sheet has stands in sheets.csv. What only the whole row or the whole sheet tells is
code below: a meter that runs back, a block pasted twice, a point that tapes alone fix.
"""

from __future__ import annotations

import math
from collections import Counter, defaultdict
from collections.abc import Iterable, Mapping, Sequence
from functools import partial
from itertools import pairwise, takewhile
from operator import attrgetter
from typing import Any, get_args

from msgspec.structs import asdict

from geoleak import site
from geoleak.errors import MOST_COMPLAINTS, Origin, did_you_mean, listed
from geoleak.readers import cells
from geoleak.readers.collector import Collector
from geoleak.readers.numbers import DEPTH, PlaceReader, looks_numeric
from geoleak.readers.sheet import (
    Cell,
    Column,
    Kind,
    Sheet,
    column_names,
    header_row,
    likely_column,
    open_sheet,
    records,
)
from geoleak.record import picked, replace
from geoleak.tables import csv_rows
from geoleak.units import FLOW_UNITS_L_PER_S, PRESSURE_UNITS_KPA

# --- what only the whole row tells ------------------------------------------------------------


def _judge_reading(row: Sheet, values: dict[str, Any]) -> None:
    # A kind of None is complained of already.
    if values["depth_m"] is not None and values["kind"] not in ("rod", None):
        what = f'"{row.text("depth")}" is the depth of a rod\'s tip, and this is no rod reading'
        row.complain("depth", what, "write rod as its kind, or leave depth empty")


_STOPPED = ("as_found", "all_off", "fitting_worked", "supply_shut")


def _judge_check(row: Sheet, values: dict[str, Any]) -> None:
    # Blank is (); None is complained of already.
    if values["as_found"] == () and any(values[name] for name in _STOPPED):
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


def _judge_meter(row: Sheet, values: dict[str, Any]) -> None:
    """Say how finely the register was read: one count of the figures as they are shown."""
    values["step"] = 10.0 ** -len(row.text("reading").replace(",", ".").partition(".")[2])


# --- the sheets -------------------------------------------------------------------------------

# What the words of sheets.csv read. After a word, ! says that the cell must be filled in, ? that
# it need not be; words parted by | are those that the cell may hold.
_FIGURES: dict[str, Cell] = {
    "levels": cells.levels,
    "hz": cells.number(unit="hz", low=0),
    "hz above 0": cells.number(unit="hz", above=0),
    "db": cells.number(unit="db"),
    "ms": cells.number(unit="ms", per=1000),
    "ms above 0": cells.number(unit="ms", per=1000, above=0),
    "number": cells.number(low=0),
    "any length": cells.length(),
    "length": cells.length(low=0),
    "length above 0": cells.length(above=0),
    "depth": cells.length(above=0, usual=DEPTH),
    "speed": cells.speed,
    "flow": cells.quantity(FLOW_UNITS_L_PER_S, "flow"),
    "pressure": cells.quantity(PRESSURE_UNITS_KPA, "pressure"),
}
_WORDS: dict[str, Cell] = {
    "text": Sheet.text,
    "name": Sheet.text,
    "id": cells.identifier,
    "own id": cells.own_id,
    "place": cells.place,
    "point": cells.point,
    "yes or no": cells.yes_no,
    "yes": cells.yes_no,
    "sensor": cells.choice(*get_args(site.ReadingKind)),
    "surface": cells.surface,
    "valves": cells.valves,
    "supply": cells.supply,
    "fitting": cells.fitting,
    "units": cells.units,
    "year": cells.year,
    "time": cells.time,
    "date": cells.date,
    "day": cells.day,
    "volume": cells.volume_unit,
    "state": cells.state,
}
# The same text may mean another thing in another row.
_BY_ROW = ("id", "own id", "levels", "flow", "pressure")
# What a blank cell means where that is not None; those of `_NEVER_BLANK` say so themselves.
_BLANK = {"text": "", "state": "", "date": "", "levels": (), "yes": False, "sensor": "surface"}
_NEVER_BLANK = ("id", "own id", "place")


def _column(field: str, word: str) -> Column:
    bare, must = word.rstrip("!?"), word.endswith("!")
    read = (_FIGURES | _WORDS).get(bare) or cells.choice(*filter(None, bare.split("|")))
    known = {} if must or word in _NEVER_BLANK else {"": _BLANK.get(bare)}
    return Column(field, read, bare in _FIGURES, bare in _BY_ROW, must, known)


KINDS: dict[str, Kind] = {}
"""What each sheet fills of a Site."""
for _name, _file, _record, _judge in (
    ("readings", "readings.csv", site.Reading, _judge_reading),
    ("delays", "delays.csv", site.Delay, _judge_delay),
    ("fittings", "fittings.csv", site.Fitting, _judge_fitting),
    ("isolations", "isolations.csv", site.Isolation, _judge_isolation),
    ("calibrations", "calibration.csv", site.Calibration, _judge_calibration),
    ("sightings", "sightings.csv", site.Sighting, None),
    ("holes", "holes.csv", site.Hole, None),
    ("past_leaks", "leaks_past.csv", site.PastLeak, None),
    ("meter", "meter.csv", site.MeterRow, _judge_meter),
    ("found", "found.csv", site.Found, _judge_found),
    ("stop_tests", "checks.csv", site.StopTest, _judge_check),
    ("tapes", "tapes.csv", site.Tape, None),
):
    _own = [row for row in csv_rows("geoleak.readers", "sheets") if row["sheet"] == _file]
    _columns = {row["column"]: _column(row["field"], row["cell"]) for row in _own}
    _columns |= {name: Column(name, Sheet.text) for name in ("skip", "note", "entry")}
    _needed, _holds = (tuple(row["column"] for row in _own if row[k]) for k in ("needed", "holds"))
    KINDS[_name] = Kind(_file, _record, _columns, _needed, _judge, _holds)
TAPES, READINGS = KINDS.pop("tapes"), KINDS["readings"]
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


def read_sheets(
    collector: Collector, places: PlaceReader, settings: site.Settings
) -> dict[str, Any]:
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
        rows = [record for _, record in records(sheet) if record is not None]
        used = {column for row in rows for column in row.extra}
        if used:
            words = listed([each for each in sheet.columns if each in used])
            text = f"kept, but used by nothing here: {words}"
            collector.note("not_used", text, Origin(sheet.rows.label, 1))
        found[name] = tuple(each for each in rows if not each.skip or kind is READINGS)
    found["readings"] = without_pasted(found["readings"], collector)
    named = [(each.recording, each.origin) for each in found["readings"] if not each.skip]
    for each in found["delays"]:
        named += [(each.recording_first, each.origin), (each.recording_second, each.origin)]
    _check_recordings(named, collector)
    found["meter"] = _watched(found["meter"], settings.metering, collector)
    half_m = settings.crew.dig_length_m / 2
    dry = [_dry_hole(each, half_m, collector) for each in found["found"] if each.outcome == "dry"]
    found["holes"] += tuple(each for each in dry if each is not None)
    return found


def _dry_hole(row: site.Found, half_m: float, collector: Collector) -> site.Hole | None:
    """Return a dry hole of the close-out as one that was dug: from and to, or about its middle."""
    start, finish = row.start, row.finish
    if start is None or finish is None:
        if row.place is None or row.place.kind not in ("point", "leg"):
            what = "from: how far the dry hole reached is not said"
            collector.complain(row.origin, what, "write from and to")
            return None
        start, finish = (replace(row.place, up_m=row.place.up_m + m) for m in (-half_m, half_m))
    about = picked(row, "pipe_exposed", "outcome", "note", "origin")
    called = f"in line {row.origin.line} of found.csv"
    return site.Hole(id=called, start=start, finish=finish, **about)


def _has_levels(sheet: Sheet) -> bool:
    if "level" not in sheet.columns and "recording" not in sheet.columns:

        def heard(cell: str) -> bool:
            figures = all(map(looks_numeric, cell.split() or [cell]))
            return figures and cell not in sheet.places.points

        remedy = likely_column(sheet.rows, sheet.columns, sheet.kind, "level", heard)
        remedy = remedy or 'add "level" or "recording"'
        what = 'there is no column "level"'
        sheet.collector.complain(sheet.rows.origin(0), what, remedy)
        return False
    if "kind" not in sheet.columns:
        kinds = get_args(site.ReadingKind)
        about = sheet.rows, sheet.columns, sheet.kind, "kind"
        if stated := likely_column(*about, lambda cell: cell.casefold() in kinds):
            what = 'there is no column "kind"'
            sheet.collector.complain(sheet.rows.origin(0), what, stated)
            return False
        text = 'no column "kind": all are read as surface readings'
        own = {name: at for name, at in sheet.columns.items() if name not in sheet.kind.columns}
        if stated := likely_column(sheet.rows, own, sheet.kind, "kind", str.isalpha):
            text += f"; where a column says it ({', '.join(kinds)}), {stated}"
        sheet.collector.note("kind_assumed", text, Origin(sheet.rows.label, 1))
    return True


def _check_recordings(named: Iterable[tuple[str | None, Origin]], collector: Collector) -> None:
    """Complain about recordings that lead out of the folder or are not there."""
    for text, origin in named:
        if not text:
            continue
        head, sign, tail = text.rpartition("#")
        name = head if sign and tail.isdigit() else text
        with collector.taking():
            if not collector.inside(name, origin).is_file():
                remedy = "put it into the site's folder"
                collector.complain(origin, f'there is no recording "{name}"', remedy)


def _watched(
    rows: tuple[site.MeterRow, ...], settings: site.MeterSettings, collector: Collector
) -> tuple[site.MeterRow, ...]:
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
                if row.origin.line < before.origin.line:
                    remedy = "it is written above it: was the date moved on past midnight?"
                collector.complain(row.origin, what, remedy)
    return rows


# Figures that two blocks must share: with a scatter of 1 dB one in four agrees by chance when a
# place is read again, so eight in a row do once in 65,000 (common practice, no source).
SAME_FIGURES = 8


def without_pasted(rows: Sequence[site.Reading], collector: Collector) -> tuple[site.Reading, ...]:
    """Return the readings with every block struck out that repeats one before it.

    All that the rows say is the same, in the same order; the ids may differ.

    Parameters
    ----------
    rows : sequence of Reading
        In the order of the sheet.
    collector : Collector
        Takes a note for every block.
    """
    others = {"id": "", "origin": ""}
    keys = [
        tuple({**asdict(each), **others, "extra": tuple(sorted(each.extra.items()))}.values())
        for each in rows
    ]
    seen: dict[Any, list[int]] = {}
    for k, key in enumerate(keys):
        seen.setdefault(key, []).append(k)
    out, k = list(rows), 0
    while k < len(rows):
        first, count = k, 0
        for j in seen[keys[k]] if not rows[k].skip else ():
            alike = takewhile(
                lambda pair: pair[0] == pair[1], zip(keys[j:k], keys[k:], strict=False)
            )
            if (many := len(list(alike))) > count:
                first, count = j, many
        if sum(len(each.levels) for each in rows[k : k + count]) < SAME_FIGURES:
            k += 1
            continue
        lines = [rows[i].origin.line for i in (k, k + count - 1, first, first + count - 1)]
        text = "lines {} to {} are lines {} to {} again".format(*lines)
        for i in range(k, k + count):
            out[i] = replace(rows[i], skip=text)
        remedy = "they count once; strike them out (skip), or say in note that they were read again"
        collector.note("rows_pasted", f"{text}: {remedy}", rows[k].origin)
        k += count
    return tuple(out)


def read_tapes(
    collector: Collector, points: site.PointTable, unit: str
) -> tuple[tuple[site.Tape, ...], site.PointTable]:
    """Return the tapes of the folder, and the points with those that only tapes know.

    A point that the rover's files do not hold is added to `points` without a position (nan): the
    survey works it out in metres on the ground. One that they do hold keeps its position; its
    tapes check it.

    Parameters
    ----------
    collector : Collector
    points : PointTable
        Of the rover's files.
    unit : {"m", "ft", "ftUS"}
        Of bare lengths.
    """
    sheet = open_sheet(TAPES, collector, PlaceReader(points=points, legs=[], unit=unit))
    if sheet is None:
        return (), points
    rows = [
        (row.index, tape, row.text("point"), row.text("from"))
        for row, tape in records(sheet)
        if not row.text("skip")
    ]
    names = [*points, *(name for *_, name, _ in rows)]
    known, read = set(names), defaultdict[str, list[tuple[int, site.Tape]]](list)
    for at, tape, name, start in rows:
        if start and start not in known:
            # No more are sought than are shown.
            near = did_you_mean(start, names) if sheet.said < MOST_COMPLAINTS else ""
            what = f'there is no point "{start}"'
            sheet.complain_at(at, "from", what, near or "shoot it first")
        elif name and name == start:
            remedy = "name the feature the tape is on"
            sheet.complain_at(at, "from", f'"{name}" is taped from itself', remedy)
        elif tape is not None:
            read[name].append((at, tape))
    made = []
    for name, held in read.items():
        _check(name, held, sheet, shot=name in points)
        if name not in points:
            tapes = [tape for _, tape in held]
            code = next((each.code for each in tapes if each.code), "")
            note = next((each.note for each in tapes if each.note), "")
            nan, many, origin = math.nan, len(tapes), tapes[0].origin
            point = site.Point(name, nan, nan, code, note=note, observations=many, origin=origin)
            made.append(point)
    every = tuple(tape for held in read.values() for _, tape in held)
    return every, points.with_points(made) if made else points


def _check(name: str, held: Sequence[tuple[int, site.Tape]], sheet: Sheet, *, shot: bool) -> None:
    """Complain where the tapes of one point cannot fix it, whatever they read."""
    starts, sides = [tape.start for _, tape in held], {tape.side for _, tape in held if tape.side}
    for k, (at, _) in enumerate(held):
        if starts[k] in starts[:k]:
            what = f'"{name}" has two tapes from "{starts[k]}"'
            sheet.complain_at(at, "from", what, "keep one row")
    complain = partial(sheet.complain_at, held[0][0])
    if len(sides) > 1:
        complain("side", f'"{name}" is said to lie left and right', "keep one of the two")
    if len(held) == 1 and not shot:
        what = f'"{name}" has one tape and no rover position'
        complain("point", what, "tape it from a second feature")
    if len(held) == 2 and not sides and not shot:
        remedy = f'write left or right: looking from "{starts[0]}" to "{starts[1]}"'
        complain("side", f'two tapes put "{name}" at two places', remedy)
