"""meter.csv: what the customer's register showed, row by row or as a logger writes it."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise
from operator import attrgetter
from typing import Any

from geoleak.errors import Refused
from geoleak.readers import cells
from geoleak.readers.collector import Collector
from geoleak.readers.sheet import Sheet
from geoleak.site import MeterRow, MeterSettings
from geoleak.units import VOLUME_UNITS_L


def volume_unit(row: Sheet, column: str) -> str:
    """Return the unit that a register counts in."""
    cell = row.text(column)
    unit = {cells.plain(each): each for each in VOLUME_UNITS_L}.get(cells.plain(cell))
    if unit is None:
        two = cells.plain(cell).rstrip("s") in ("gal", "gallon")
        what = f'"{cell}" may be a US or an imperial gallon' if two else f'"{cell}" is not known'
        raise Refused(what, f"write one of {', '.join(VOLUME_UNITS_L)}")
    return unit


def state(row: Sheet, column: str) -> str:
    """Return the state of a run: one of those that mean something, or what is written."""
    cell = row.text(column)
    folded = " ".join(cell.casefold().split()).replace("all taps shut", "all shut")
    return folded if folded in ("all shut", "house valve shut", "after") else cell


def judge_meter(row: Sheet, values: dict[str, Any]) -> None:
    """Say how finely the register was read: one count of the figures as they are shown."""
    values["step"] = 10.0 ** -len(row.text("reading").replace(",", ".").partition(".")[2])


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
