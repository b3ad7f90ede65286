"""meter.csv: what the customer's register showed, row by row or as a logger writes it."""

from __future__ import annotations

from collections import Counter
from datetime import datetime
from itertools import pairwise
from operator import attrgetter
from typing import Any

from geoleak.errors import Origin, Refused
from geoleak.readers import cells
from geoleak.readers.collector import Collector
from geoleak.readers.sheet import DITTO, Sheet
from geoleak.site import MeterRow, MeterSettings
from geoleak.units import VOLUME_UNITS_L


def _unit_word(cell: str) -> str | None:
    return {cells.plain(each): each for each in VOLUME_UNITS_L}.get(cells.plain(cell))


def volume_unit(row: Sheet, column: str) -> str:
    """Return the unit that a register counts in."""
    cell = row.text(column)
    unit = _unit_word(cell)
    if unit is None:
        two = cells.plain(cell).rstrip("s") in ("gal", "gallon")
        what = f'"{cell}" may be a US or an imperial gallon' if two else f'"{cell}" is not known'
        raise Refused(what, f"write one of {', '.join(VOLUME_UNITS_L)}")
    return unit


_STATES = {"all shut": "all shut", "all taps shut": "all shut", "after": "after"}


def state_word(cell: str) -> str:
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
    held = {
        name: [each.strip() for each in column]
        for name, column in zip(names, zip(*rows, strict=True), strict=True)
    }
    unit = {each: _unit_word(each) or "" for each in set(held.get("unit", ()))}
    run, state = (held.get(name, [""] * len(rows)) for name in ("run", "state"))
    words, figures = {*run, *state}, set("".join(held.get("reading", ())))
    if "" in unit.values() or not DITTO.isdisjoint(words) or figures - set("0123456789."):
        return None
    try:
        reading = list(map(float, held["reading"]))
        time = list(map(datetime.fromisoformat, held["time"]))
    except (KeyError, ValueError):
        return None
    said = {each: state_word(each) for each in set(state)}
    return tuple(
        MeterRow(t, value, unit[u], _step(shown), r, said[s], origin=Origin(sheet.label, line))
        for t, value, u, shown, r, s, line in zip(
            time,
            reading,
            held["unit"],
            held["reading"],
            run,
            state,
            sheet.rows.numbers[1:],
            strict=True,
        )
    )


def _step(shown: str) -> float:
    """Return one count of a register whose figures are shown so."""
    return 10.0 ** -len(shown.replace(",", ".").partition(".")[2])


def judge_meter(row: Sheet, values: dict[str, Any]) -> None:
    """Say how finely the register was read."""
    values["step"] = _step(row.text("reading"))


def watched(
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
                if row.origin.line < before.origin.line:
                    remedy = "it is written above it: was the date moved on past midnight?"
                collector.complain(row.origin, what, remedy)
    return rows
