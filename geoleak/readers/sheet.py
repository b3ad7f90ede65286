"""A small CSV sheet beside site.toml: cells by column name, each complaint with its place."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from geoleak.errors import Origin, Refused, did_you_mean
from geoleak.readers.collector import Collector
from geoleak.readers.numbers import decimal_sign, looks_numeric, number
from geoleak.readers.places import PlaceReader
from geoleak.readers.text import Rows, read_rows
from geoleak.site import Place
from geoleak.units import parse_length

_YES = ("yes", "y", "true", "1", "x")
_NO = ("no", "n", "false", "0")
_MOST_COMPLAINTS = 500
MOST_BYTES = 20_000_000
MOST_COLUMNS = 200
_NO_EXTRA: Mapping[str, str] = MappingProxyType({})
# What may be left off the end of a row written by hand.
_OPTIONAL = ("skip", "note", "recording", "session", "gain_db")


class Sheet:
    """A CSV file of the folder; iterated, it stands at one row after the other: itself each time.

    A row reads its cells by column name. What is wrong with a cell goes to the collector, gives
    ``None`` and sets ``failed``: the row then makes no record.

    Parameters
    ----------
    rows : Rows
        The split file.
    columns : mapping of str to int
        Field index by folded column name.
    known : collection of str
        The column names that mean something here.
    """

    __slots__ = (
        "_said",
        "_unknown",
        "cells",
        "collector",
        "columns",
        "decimal",
        "failed",
        "floor",
        "index",
        "kept",
        "label",
        "places",
        "rows",
        "seen",
    )  # fmt: skip

    def __init__(
        self,
        rows: Rows,
        columns: Mapping[str, int],
        *,
        known: Sequence[str],
        collector: Collector,
        places: PlaceReader,
        decimal: str,
    ) -> None:
        self.rows = rows
        self.label = rows.label
        self.columns = columns
        self.collector = collector
        self.places = places
        self.decimal = decimal
        self.kept = {name: at for name, at in columns.items() if name not in known}
        self.seen: dict[str, int] = {}
        self.floor: float | None = None
        """What the meter shows where nothing is heard."""
        self._said = 0
        self._unknown: dict[tuple[str, str], tuple[Origin, str, list[int]]] = {}
        self.index = 0
        self.cells: list[str] = []
        self.failed = False

    def __iter__(self) -> Iterator[Sheet]:
        width = len(self.rows.cells[0])
        for index in range(1, len(self.rows.cells)):
            cells = self.rows.cells[index]
            if not any(map(str.strip, cells)):
                continue
            self.index, self.failed = index, False
            even = cells if len(cells) == width else self._even(cells, width)
            if even is not None:
                self.cells = even
                yield self
        for (column, what), (origin, remedy, lines) in self._unknown.items():
            more = f" (in {len(lines)} rows)" if len(lines) > 1 else ""
            self._keep(origin, f"{column}: {what}{more}", remedy)
        self._unknown.clear()

    def _even(self, cells: list[str], width: int) -> list[str] | None:
        """Bring a row to the header's width; commas in a last text column are its own."""
        count = len(cells)
        if count < width:
            # A sheet filled in by hand often ends early; what is missing is blank at the end.
            missing = [name for name, at in self.columns.items() if at >= count]
            if width - count == 1 or all(name in _OPTIONAL for name in missing):
                return cells + [""] * (width - count)
            remedy = "leave a field empty between its delimiters"
        else:
            if not any(cell.strip() for cell in cells[width:]):
                return cells[:width]
            last = next((name for name, at in self.columns.items() if at == width - 1), "")
            if last in ("note", "skip"):
                glue = f"{self.rows.delimiter} "
                return [*cells[: width - 1], glue.join(each.strip() for each in cells[width - 1 :])]
            remedy = "quote texts that hold the delimiter; a decimal comma needs another delimiter"
        at = self.columns.get("skip", count)
        if at < count and cells[at].strip():
            return None  # struck out
        self._keep(self.origin(), f"this row has {count} fields, where {width} belong", remedy)
        return None

    @property
    def line(self) -> int:
        """The line of the file on which the row starts."""
        return self.rows.numbers[self.index]

    def origin(self, column: str | None = None) -> Origin:
        """Return where a cell stands, or the row."""
        if column is None:
            return Origin(self.label, self.line)
        return self.rows.origin(self.index, self.columns.get(column, 0))

    def complain(self, column: str, what: str, remedy: str = "") -> None:
        """Complain about a cell; the row then makes no record. One struck out may be wrong."""
        self.failed = True
        if self.text("skip"):
            return
        self._keep(self.origin(column), f"{column}: {what}", remedy)

    def unknown(self, column: str, what: str, remedy: str) -> None:
        """Complain about a word that means nothing here: once, with how many rows hold it."""
        self.failed = True
        if not self.text("skip"):
            held = self._unknown.setdefault((column, what), (self.origin(column), remedy, []))
            held[2].append(self.line)

    def _keep(self, origin: Origin, what: str, remedy: str) -> None:
        if self._said < _MOST_COMPLAINTS:  # nobody would read more
            self.collector.complain(origin, what, remedy)
        self._said += 1

    def text(self, column: str) -> str:
        """Return a cell without blanks around it; nothing where there is no such column."""
        at = self.columns.get(column)
        return "" if at is None else self.cells[at].strip()

    def required(self, column: str) -> str:
        """Return a cell that must not be blank."""
        cell = self.text(column)
        if not cell:
            self.complain(column, "nothing is written here", "fill it in")
        return cell

    def number(
        self,
        column: str,
        *,
        above: float | None = None,
        low: float | None = None,
        cell: str | None = None,
    ) -> float | None:
        """Return a finite number of a cell (or of part of one), ``None`` where blank."""
        cell = self.text(column) if cell is None else cell
        if not cell.strip():
            return None
        try:
            return self._within(number(cell, decimal=self.decimal), cell, above, low)
        except Refused as error:
            self.complain(column, error.what, error.remedy)
            return None

    def length(
        self, column: str, *, above: float | None = None, low: float | None = None
    ) -> float | None:
        """Return a length in metres, ``None`` where blank."""
        cell = self.text(column)
        if not cell:
            return None
        try:
            return self._within(self.length_of(cell), cell, above, low)
        except Refused as error:
            self.complain(column, error.what, error.remedy)
            return None

    @staticmethod
    def _within(value: float, cell: str, above: float | None, low: float | None) -> float:
        if (above is not None and value <= above) or (low is not None and value < low):
            limit = f"above {above:g}" if above is not None else f"{low:g} or more"
            raise Refused(f'"{cell}" is out of range', f"write {limit}")
        return value

    def length_of(self, cell: str) -> float:
        """Return a length in metres from the text of a cell; raises `Refused`."""
        if looks_numeric(cell):
            # A bare number keeps to the sheet's decimal sign.
            return parse_length(number(cell, decimal=self.decimal), unit=self.places.unit)
        text = cell.replace(",", ".") if self.decimal == "," else cell
        try:
            metres = parse_length(text, unit=self.places.unit)
        except Refused as error:
            if "thousands" in error.what:
                raise
            such = 'write one such as "3.5 ft", "1.1 m" or 3.5'
            raise Refused(f'"{cell}" is not a length', such) from None
        if not math.isfinite(metres):
            raise Refused(f'"{cell}" is not a finite length', "write a finite one")
        return metres

    def whole(self, column: str, low: int, high: int) -> int | None:
        """Return a whole number within limits, ``None`` where blank."""
        value = self.number(column)
        if value is None:
            return None
        if value != int(value) or not low <= value <= high:
            what = f'"{self.text(column)}" is out of range'
            self.complain(column, what, f"write {low} to {high}")
            return None
        return int(value)

    def place(self, column: str) -> Place | None:
        """Return a place, ``None`` after a complaint."""
        try:
            return self.places.read(self.text(column), decimal=self.decimal)
        except Refused as error:
            self.complain(column, error.what, error.remedy)
            return None

    def point(self, column: str) -> str | None:
        """Return the id of a point that exists, ``None`` after a complaint."""
        cell = self.required(column)
        if not cell or cell in self.places.points:
            return cell
        if self.place(column) is not None:
            self.complain(column, f'"{cell}" is not a point', "write a point's id alone")
        return None

    def choice(self, column: str, words: Sequence[str]) -> Any:
        """Return one of several words, ``None`` where blank or after a complaint."""
        cell = self.text(column)
        if not cell:
            return None
        word = cell.casefold().replace(" ", "_").replace("-", "_")
        if word in words:
            return word
        near = did_you_mean(cell, words)
        listing = ", ".join(words)
        self.unknown(column, f'"{cell}" is not known', f"{near + ' ' if near else ''}use {listing}")
        return None

    def yes_no(self, column: str) -> bool | None:
        """Return yes or no, ``None`` where blank."""
        cell = self.text(column).casefold()
        if not cell:
            return None
        if cell in _YES or cell in _NO:
            return cell in _YES
        self.unknown(column, f'"{self.text(column)}" is neither yes nor no', "write yes or no")
        return None

    def extra(self) -> Mapping[str, str]:
        """Return the cells of columns that mean nothing here."""
        if not self.kept:
            return _NO_EXTRA
        held = {name: self.cells[at].strip() for name, at in self.kept.items()}
        return MappingProxyType({name: cell for name, cell in held.items() if cell})


def open_sheet(
    name: str,
    *,
    known: Sequence[str],
    needed: Sequence[str],
    numeric: Sequence[str],
    collector: Collector,
    places: PlaceReader,
    own: Mapping[str, str] | None = None,
) -> Sheet | None:
    """Return a CSV file of the folder as a sheet; ``None`` where there is none or it is unfit.

    Parameters
    ----------
    name : str
        File name; a missing file is no complaint.
    known, needed : sequence of str
        Columns that mean something, and those that must be there.
    numeric : sequence of str
        Columns whose cells show the sheet's decimal sign.
    own : mapping of str to str, optional
        Columns that the sheet calls by a word of its own: that word by ours.
    """
    if name not in collector.instead and not (collector.folder / name).exists():
        return None
    label = collector.label(name)
    data = collector.read_bytes(name, Origin(label), most=MOST_BYTES)
    rows = None if data is None else read_rows(data, label=label, collector=collector)
    if rows is None:
        return None
    if not rows.cells:
        collector.complain(Origin(label), "the file is empty", f"begin it with {','.join(known)}")
        return None
    if len(rows.cells[0]) > MOST_COLUMNS:
        what = f"the header line has {len(rows.cells[0])} columns"
        collector.complain(rows.origin(0), what, f"write at most {MOST_COLUMNS}")
        return None
    columns = _columns(rows, known, collector, own or {})
    missing = [each for each in needed if each not in columns]
    for each in missing:
        near = did_you_mean(each, [name for name in columns if name not in known])
        collector.complain(
            rows.origin(0), f'there is no column "{each}"',
            near or f"the header line may hold {', '.join(known)}",
        )  # fmt: skip
    if missing:
        return None
    decimal = _decimal(rows, columns, numeric)
    return Sheet(rows, columns, known=known, collector=collector, places=places, decimal=decimal)


# What crews call the columns of a sheet; taken where the sheet has no column of the name itself.
SPELLINGS = {
    "place": ("mark", "point", "pt", "station", "spot", "location", "where"),
    "level": ("db", "level_db", "loudness", "amplitude"),
    "reading": ("no", "nr", "number", "id"),
    "kind": ("what", "type", "sensor"),
    "surface": ("ground", "cover"),
    "background": ("ambient", "quiet"),
    "note": ("notes", "remark", "remarks", "comment", "comments"),
    "session": ("day", "round"),
}


def _folded(heading: str) -> str:
    return "_".join(heading.split()).casefold().replace("-", "_")


def _columns(
    rows: Rows, known: Sequence[str], collector: Collector, own: Mapping[str, str]
) -> dict[str, int]:
    header = rows.cells[0]
    while len(header) > 1 and not header[-1].strip():
        header.pop()
    folded = [_folded(cell) for cell in header]
    stated = {_folded(word): name for name, word in own.items()}
    for word, name in stated.items():
        if word not in folded:
            what = f'there is no column "{own[name]}", which columns calls {name}'
            collector.complain(rows.origin(0), what, "correct columns in site.toml")
    taken = {
        word: name
        for name, words in SPELLINGS.items()
        for word in words
        if name in known and name not in folded and name not in own and word not in known
    }
    columns: dict[str, int] = {}
    for at, cell in enumerate(header):
        word = folded[at]
        name = stated.get(word) or (word if word in known and word not in own else "")
        kept = f"{word} (kept)" if word in own else "_".join(cell.split())
        if not name and taken.get(word, "") not in ("", *columns):
            name = taken[word]
            text = f'the column "{cell.strip()}" is read as {name}'
            collector.note("column_taken", text, rows.origin(0, at))
        name = name or kept or f"column {at + 1}"
        if name in columns:
            collector.complain(
                rows.origin(0, at), f'the column "{name}" stands twice', "keep one of them"
            )
            continue
        columns[name] = at
    free = [each for each in known if each not in columns]
    for name, at in columns.items():
        near = "" if name in known or len(name) <= 3 else did_you_mean(name, free)
        if near:
            text = f'the column "{name}" is kept but not used; {near}'
            collector.note("column_not_known", text, rows.origin(0, at))
    return columns


def _decimal(rows: Rows, columns: Mapping[str, int], numeric: Sequence[str]) -> str:
    fields = [columns[name] for name in numeric if name in columns]
    sample = [
        part
        for row in rows.cells[1:1001]
        for at in fields
        if at < len(row)
        for part in row[at].split()
    ]
    return decimal_sign(sample, delimiter=rows.delimiter)
