"""A file of learned values, as ``record --learn`` writes it, to the tables that a site rests on."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geoleak import tables
from geoleak.errors import Complaint, InputError, Origin, Refused, did_you_mean, shown
from geoleak.readers.collector import Collector
from geoleak.readers.toml import MOST_BYTES, Places, parse_toml
from geoleak.tables.learned import SHARES, Learned, Tables, learnables

HEAD = "learned"
MEMBERS = {
    "pipe_loss": tables.names("materials"),
    "speed_ratio": tables.names("materials"),
    "share": SHARES,
}
# The widest spread of a logarithm that is still a statement: a factor of seven either way.
WIDEST_LOG = 2.0
# A spread under this part of the widest is no spread: nothing is known without one.
LEAST = 1e-3
Range = tuple[float, float]


def read_tables(path: Path) -> Tables:
    """Return the learned values of a file outside any site.

    Raises
    ------
    InputError
        With every complaint, each with file, line and column.
    """
    collector = Collector(path.parent)
    if not path.is_file():
        what, remedy = "there is no such file", "name one that record --learn wrote"
        raise InputError([Complaint(Origin(str(path)), what, remedy)])
    found = tables_of(collector, path.name, Origin(str(path)))
    collector.finish()
    return found


def tables_of(collector: Collector, name: str, asked_at: Origin) -> Tables:
    """Return the learned values of a file of the collector's folder; complaints are its."""
    label = collector.label(name)
    data = collector.read_bytes(name, asked_at, most=MOST_BYTES)
    parsed = None if data is None else parse_toml(data, label, collector)
    if data is None or parsed is None:
        return Tables()
    head = parsed[0].get(HEAD)
    if not isinstance(head, Mapping):
        what = f"[{HEAD}] is missing"
        collector.complain(Origin(label), what, "name a file that record --learn wrote")
        return Tables()
    sheet = _Sheet(*parsed, label, collector)
    held = sheet.tables()
    sites = sheet.numbers(HEAD, {"sites": (1, math.inf)}, also=("from", "to"))["sites"]
    rows = []
    for key in [each for each in held if each != HEAD]:
        kind = learnables()[key.partition(".")[0]]
        widest = WIDEST_LOG if kind.logarithm else kind.high - kind.low
        ranges = {"value": (kind.low, kind.high), "spread": (LEAST * widest, widest)}
        told = sheet.numbers(key, ranges | {"sites": (1, math.inf), "sd": (0.0, widest)})
        rows.append(Learned(key, told["value"], told["spread"], int(told["sites"]), told["sd"]))
    dates = [str(head.get(key, "")) for key in ("from", "to")]
    return Tables(tuple(rows), name, hashlib.sha256(data).hexdigest(), int(sites), *dates)


class _Sheet:
    """What one file holds, each complaint where it stands."""

    def __init__(
        self, values: Mapping[str, Any], places: Places, label: str, collector: Collector
    ) -> None:
        self.values, self.places = values, places
        self.label, self.collector = label, collector

    def complain(self, name: str, what: str, remedy: str, *, key: bool = True) -> None:
        """Keep a complaint of a dotted name, at its key or at its value."""
        where = Origin(self.label, *self.places.of(tuple(name.split(".")), key=key))
        self.collector.complain(where, what, remedy)

    def tables(self) -> dict[str, Mapping[str, Any]]:
        """Return the tables of known names by dotted name."""
        known = {HEAD, *learnables()} - set(MEMBERS)
        known |= {f"{family}.{each}" for family, members in MEMBERS.items() for each in members}
        held: dict[str, Any] = {}
        for top, value in self.values.items():
            inner = value.items() if top in MEMBERS and isinstance(value, Mapping) else ()
            held |= {f"{top}.{each}": row for each, row in inner} or {top: value}
        for name, row in held.items():
            if name not in known:
                near = did_you_mean(name, known) or "leave it out"
                self.complain(name, f'unknown value "{name}"', near)
            elif not isinstance(row, Mapping):
                self.complain(name, f"{name} is not a table", f"write [{name}] above its keys")
        return {n: row for n, row in held.items() if n in known and isinstance(row, Mapping)}

    def numbers(
        self, table: str, ranges: Mapping[str, Range], *, also: tuple[str, ...] = ()
    ) -> dict[str, float]:
        """Return the numbers of a table, each in its range; its lower end after a complaint."""
        row: Any = self.values
        for part in table.split("."):
            row = row[part]
        for key in row:
            if key not in ranges and key not in also:
                near = did_you_mean(key, ranges) or f"known here: {', '.join(ranges)}"
                self.complain(f"{table}.{key}", f'unknown key "{table}.{key}"', near)
        found = {}
        for key, (low, high) in ranges.items():
            found[key] = low
            if key not in row:
                self.complain(table, f"{table}.{key} is missing", f"write {key} = ...")
                continue
            try:
                found[key] = _number(row[key], low, high)
            except Refused as error:
                what = f"{table}.{key}: {error.what}"
                self.complain(f"{table}.{key}", what, error.remedy, key=False)
        return found


def _number(value: Any, low: float, high: float) -> float:
    right = f"write {low:g} to {high:g}" if math.isfinite(high) else f"write {low:g} or more"
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise Refused(f"{shown(value)} is no number", right)
    if not low <= value <= high:
        raise Refused(f"{shown(value)} is out of range", right)
    return float(value)
