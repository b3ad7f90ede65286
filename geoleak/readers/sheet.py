"""A small CSV sheet beside site.toml: cells by column name, each complaint with its place."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any

from geoleak.errors import Origin
from geoleak.readers.collector import Collector, did_you_mean
from geoleak.readers.delimited import Rows, SplitError, sniff_delimiter, split_rows
from geoleak.readers.numbers import decimal_sign, looks_numeric, number
from geoleak.readers.places import PlaceReader
from geoleak.readers.text import decode_text
from geoleak.site import Place
from geoleak.units import parse_length

_YES = ("yes", "y", "true", "1", "x")
_NO = ("no", "n", "false", "0")
_MOST_COMPLAINTS = 500


class Sheet:
    """Rows of one CSV file, read by column name.

    Parameters
    ----------
    rows : Rows
        The split file.
    columns : mapping of str to int
        Field index by folded column name.
    known : sequence of str
        The column names that mean something here.
    """

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
        self.columns = columns
        self.collector = collector
        self.places = places
        self.decimal = decimal
        self.label = rows.label
        self.extra = {name: at for name, at in columns.items() if name not in known}
        self._said = 0

    def __iter__(self) -> Iterator[SheetRow]:
        width = len(self.rows.cells[0])
        for index in range(1, len(self.rows.cells)):
            cells = self.rows.cells[index]
            if not any(cell.strip() for cell in cells):
                continue
            even = cells if len(cells) == width else self._even(cells, index, width)
            if even is not None:
                yield SheetRow(self, index, even)

    def _even(self, cells: list[str], index: int, width: int) -> list[str] | None:
        """Bring a row to the header's width; commas in a last text column are its own."""
        if len(cells) < width:
            # A sheet filled in by hand often ends early; what is missing is blank at the end.
            short = self.rows.origin(index)
            if width - len(cells) == 1 or self._all_optional(len(cells)):
                return cells + [""] * (width - len(cells))
            self.complain(
                short, f"this row has {len(cells)} fields, where {width} belong",
                "leave a field empty between its delimiters",
            )  # fmt: skip
            return None
        tail = [cell for cell in cells[width:] if cell.strip()]
        if not tail:
            return cells[:width]
        last = next((name for name, at in self.columns.items() if at == width - 1), "")
        if last in ("note", "skip"):
            glue = f"{self.rows.delimiter} "
            return [*cells[: width - 1], glue.join(each.strip() for each in cells[width - 1 :])]
        self.complain(
            self.rows.origin(index), f"this row has {len(cells)} fields, where {width} belong",
            "quote texts that hold the delimiter; a decimal comma needs another delimiter",
        )  # fmt: skip
        return None

    def _all_optional(self, start: int) -> bool:
        names = [name for name, at in self.columns.items() if at >= start]
        return all(name in ("skip", "note", "recording", "session", "gain_db") for name in names)

    def complain(self, origin: Origin, what: str, remedy: str = "") -> None:
        """Keep a complaint, up to a number nobody would read."""
        if self._said < _MOST_COMPLAINTS:
            self.collector.complain(origin, what, remedy)
        self._said += 1


class SheetRow:
    """One row: cells by column name, with checks that complain and give ``None``."""

    __slots__ = ("cells", "failed", "index", "sheet")

    def __init__(self, sheet: Sheet, index: int, cells: list[str]) -> None:
        self.sheet = sheet
        self.index = index
        self.cells = cells
        self.failed = False

    def origin(self, column: str | None = None) -> Origin:
        """Return where a cell stands, or the row."""
        if column is None:
            return Origin(self.sheet.label, self.sheet.rows.numbers[self.index])
        return self.sheet.rows.origin(self.index, self.sheet.columns.get(column, 0))

    def complain(self, column: str, what: str, remedy: str = "") -> None:
        """Complain about a cell; the row then makes no record."""
        self.failed = True
        self.sheet.complain(self.origin(column), f"{column}: {what}", remedy)

    def _refuse(self, column: str, error: ValueError) -> None:
        what, _, remedy = str(error).partition("; ")
        self.complain(column, what, remedy)

    def text(self, column: str) -> str:
        """Return a cell without blanks around it; nothing where there is no such column."""
        at = self.sheet.columns.get(column)
        return "" if at is None else self.cells[at].strip()

    def required(self, column: str) -> str:
        """Return a cell that must not be blank."""
        cell = self.text(column)
        if not cell:
            self.complain(column, "nothing is written here", "fill it in")
        return cell

    def number(
        self, column: str, *, above: float | None = None, low: float | None = None
    ) -> float | None:
        """Return a finite number, ``None`` where blank."""
        return self.number_of(column, self.text(column), above=above, low=low)

    def number_of(
        self, column: str, cell: str, *, above: float | None = None, low: float | None = None
    ) -> float | None:
        """Return a finite number from part of a cell, as `number`."""
        if not cell.strip():
            return None
        try:
            value = number(cell, decimal=self.sheet.decimal)
        except ValueError as error:
            self._refuse(column, error)
            return None
        if (above is not None and value <= above) or (low is not None and value < low):
            limit = f"above {above:g}" if above is not None else f"{low:g} or more"
            self.complain(column, f'"{cell}" is out of range', f"write {limit}")
            return None
        return value

    def whole(self, column: str, low: int, high: int) -> int | None:
        """Return a whole number within limits, ``None`` where blank."""
        value = self.number(column)
        if value is None:
            return None
        if value != int(value) or not low <= value <= high:
            self.complain(
                column, f'"{self.text(column)}" is out of range', f"write {low} to {high}"
            )
            return None
        return int(value)

    def length(self, column: str, *, low: float | None = None) -> float | None:
        """Return a length in metres, ``None`` where blank."""
        cell = self.text(column)
        if not cell:
            return None
        try:
            metres = self.length_of(cell)
        except ValueError as error:
            self._refuse(column, error)
            return None
        if low is not None and metres < low:
            self.complain(column, f'"{cell}" is out of range', f"write {low:g} or more")
            return None
        return metres

    def length_of(self, cell: str) -> float:
        """Return a length in metres from the text of a cell; raises ``ValueError``."""
        if looks_numeric(cell):
            # A bare number keeps to the sheet's decimal sign.
            return parse_length(number(cell, decimal=self.sheet.decimal), unit=self.unit)
        text = cell.replace(",", ".") if self.sheet.decimal == "," else cell
        try:
            metres = parse_length(text, unit=self.unit)
        except ValueError as error:
            if "thousands" in str(error):
                raise
            raise ValueError(
                f'"{cell}" is not a length; write one such as "3.5 ft", "1.1 m" or 3.5'
            ) from None
        if not math.isfinite(metres):
            raise ValueError(f'"{cell}" is not a finite length; write a finite one')
        return metres

    @property
    def unit(self) -> str:
        """The site's ``length_unit``."""
        return self.sheet.places.unit

    def place(self, column: str) -> Place | None:
        """Return a place, ``None`` after a complaint."""
        try:
            return self.sheet.places.read(self.text(column), decimal=self.sheet.decimal)
        except ValueError as error:
            self._refuse(column, error)
            return None

    def point(self, column: str) -> str | None:
        """Return the id of a point that exists, ``None`` where blank or after a complaint."""
        cell = self.text(column)
        if not cell:
            return None
        if cell not in self.sheet.places.points:
            try:
                self.sheet.places.read(cell)
            except ValueError as error:
                self._refuse(column, error)
            else:
                self.complain(column, f'"{cell}" is not a point', "write a point's id alone")
            return None
        return cell

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
        self.complain(
            column, f'"{cell}" is not known', f"{near + ' ' if near else ''}use {listing}"
        )
        return None

    def yes_no(self, column: str) -> bool | None:
        """Return yes or no, ``None`` where blank."""
        cell = self.text(column).casefold()
        if not cell:
            return None
        if cell in _YES or cell in _NO:
            return cell in _YES
        self.complain(column, f'"{self.text(column)}" is neither yes nor no', "write yes or no")
        return None

    def extra(self) -> Mapping[str, str]:
        """Return the cells of columns that mean nothing here."""
        held = {name: self.cells[at].strip() for name, at in self.sheet.extra.items()}
        return MappingProxyType({name: cell for name, cell in held.items() if cell})


def open_sheet(
    name: str,
    *,
    known: Sequence[str],
    needed: Sequence[str],
    numeric: Sequence[str],
    collector: Collector,
    places: PlaceReader,
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
    """
    if not (collector.folder / name).exists():
        return None
    label = collector.label(name)
    data = collector.read_bytes(name, Origin(label))
    if data is None:
        return None
    try:
        decoded = decode_text(data)
        rows = split_rows(decoded.text, label=label, delimiter=sniff_delimiter(decoded.text))
    except SplitError as error:
        what, _, remedy = str(error).partition("; ")
        collector.complain(Origin(label, error.line), what, remedy)
        return None
    except ValueError as error:
        what, _, remedy = str(error).partition("; ")
        collector.complain(Origin(label), what, remedy)
        return None
    if decoded.encoding != "UTF-8":
        collector.note("encoding", f"read as {decoded.encoding}", Origin(label))
    if not rows.cells:
        collector.complain(Origin(label), "the file is empty", f"begin it with {','.join(known)}")
        return None
    columns = _columns(rows, known, collector)
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


def _columns(rows: Rows, known: Sequence[str], collector: Collector) -> dict[str, int]:
    header = rows.cells[0]
    while len(header) > 1 and not header[-1].strip():
        header.pop()
    columns: dict[str, int] = {}
    for at, cell in enumerate(header):
        name = "_".join(cell.strip().split())
        folded = name.casefold().replace("-", "_")
        name = folded if folded in known else name or f"column {at + 1}"
        if name in columns:
            collector.complain(
                rows.origin(0, at), f'the column "{name}" stands twice', "keep one of them"
            )
            continue
        columns[name] = at
    for name, at in columns.items():
        near = "" if name in known else did_you_mean(name, [k for k in known if k not in columns])
        if near and len(name) > 3 and _close(name, near):
            collector.note(
                "column_not_known", f'the column "{name}" is kept but not used; {near}',
                rows.origin(0, at),
            )  # fmt: skip
    return columns


def _close(name: str, near: str) -> bool:
    import difflib

    word = near.split('"')[1]
    return difflib.SequenceMatcher(None, name.casefold(), word).ratio() >= 0.75


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
