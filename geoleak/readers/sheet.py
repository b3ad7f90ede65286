"""A small CSV sheet beside site.toml: cells by column name, each complaint with its place."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any, NamedTuple

from geoleak.errors import Origin, Refused, did_you_mean, listed
from geoleak.readers.collector import Collector
from geoleak.readers.headers import folded, spellings
from geoleak.readers.numbers import decimal_sign, looks_numeric, number
from geoleak.readers.places import PlaceReader
from geoleak.readers.plausible import Usual, doubt
from geoleak.readers.text import MOST_COLUMNS, TOO_MANY, Rows, note_commented, read_rows
from geoleak.site import Place
from geoleak.units import parse_length

_YES = ("yes", "y", "true", "1", "x")
_NO = ("no", "n", "false", "0")
_MOST_COMPLAINTS = 500
MOST_BYTES = 20_000_000
_NO_EXTRA: Mapping[str, str] = MappingProxyType({})
_MOST_ABOVE = 10
# What stands for the cell above, in a sheet filled in by hand.
DITTO = frozenset(('"', "''", "\u3003", "\u201d", "\u2033", '-"-', "do", "do.", "ditto", "Ditto"))
# What may be left off the end of a row written by hand.
_OPTIONAL = ("skip", "note", "recording", "session", "gain_db")
Cell = Callable[["Sheet", str], Any]
"""Reads the cell of a row (first argument) in a column (second)."""


class Column(NamedTuple):
    """The record's field that a column fills, how its cell is read, whether it holds figures.

    ``by_row`` says that the same text may mean another thing in another row.
    """

    field: str
    read: Cell
    numeric: bool = False
    by_row: bool = False


class Kind(NamedTuple):
    """A sheet: its file, the record of a row, its columns, those that must be there.

    A row that has none of ``holds`` is one that nobody has filled in, or no row at all. ``judge``
    looks at a row as a whole: it complains, or amends the record's fields.
    """

    file: str
    record: Callable[..., Any]
    columns: Mapping[str, Column]
    needed: tuple[str, ...]
    judge: Callable[[Sheet, dict[str, Any]], None] = lambda row, values: None
    holds: tuple[str, ...] = ()


@dataclass(slots=True, eq=False)
class Sheet:
    """A CSV file of the folder; iterated, it stands at one row after the other: itself each time.

    A row reads its cells by column name. What is wrong with a cell goes to the collector, gives
    ``None`` and sets ``failed``: the row then makes no record.

    Parameters
    ----------
    kind : Kind
    rows : Rows
        The split file.
    columns : mapping of str to int
        Field index by column name.
    repeats : sequence of int
        Columns beside the level's own that hold more of it.
    """

    kind: Kind
    rows: Rows
    columns: Mapping[str, int]
    repeats: Sequence[int]
    collector: Collector
    places: PlaceReader
    decimal: str = field(init=False)
    numeric: frozenset[int] = field(init=False)
    """Columns of figures."""
    kept: Mapping[str, int] = field(init=False)
    """Columns that mean nothing here."""
    floor: float | None = None
    """What the meter shows where nothing is heard."""
    seen: dict[Any, int] = field(default_factory=dict)
    index: int = 0
    cells: list[str] = field(default_factory=list)
    failed: bool = False
    _above: list[str] = field(default_factory=list)
    _said: int = 0
    _told: set[str] = field(default_factory=set)
    _unknown: dict[tuple[str, str], tuple[Origin, str, list[int]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        figures = [self.columns[name] for name, column in self.kind.columns.items()
                   if column.numeric and name in self.columns]  # fmt: skip
        self.decimal = _decimal(self.rows, figures)
        self.numeric = frozenset([*figures, *self.repeats])
        self.kept = {n: at for n, at in self.columns.items() if n not in self.kind.columns}

    @property
    def label(self) -> str:
        """What complaints call the file."""
        return self.rows.label

    def __iter__(self) -> Iterator[Sheet]:
        width = len(self.rows.cells[0])
        for index in range(1, len(self.rows.cells)):
            cells = self.rows.cells[index]
            if self._said >= _MOST_COMPLAINTS:
                break
            if not any(map(str.strip, cells)):
                continue
            self.index, self.failed = index, False
            even = cells if len(cells) == width else self._even(cells, width)
            if even is None:
                continue
            if not DITTO.isdisjoint(even):
                even = self._as_above(even)
            self._above = even
            if self.repeats:
                even = list(even)
                parts = [even[at] for at in (self.columns["level"], *self.repeats)]
                even[self.columns["level"]] = " ".join(parts).strip()
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
            remark = sum(map(bool, cells)) == 1 and not looks_numeric(cells[0])
            if remark or width - count == 1 or all(name in _OPTIONAL for name in missing):
                return cells + [""] * (width - count)
            remedy = "leave a field empty between its delimiters"
        else:
            if not any(cell.strip() for cell in cells[width:]):
                return cells[:width]
            last = next((name for name, at in self.columns.items() if at == width - 1), "")
            if last in ("note", "skip") or self._is_margin(cells, width):
                glue = f"{self.rows.delimiter} "
                if last not in ("note", "skip"):
                    margin = " ".join(filter(None, map(str.strip, cells[width:])))
                    self.say_once("margin", f'text past the last column is left out: "{margin}"')
                    return cells[:width]
                return [*cells[: width - 1], glue.join(each.strip() for each in cells[width - 1 :])]
            remedy = TOO_MANY
        at = self.columns.get("skip", count)
        if at < count and cells[at].strip():
            return None  # struck out
        self._keep(self.origin(), f"this row has {count} fields, where {width} belong", remedy)
        return None

    def _is_margin(self, cells: list[str], width: int) -> bool:
        """Tell whether what stands past the last column is a text, and the rest stands in place.

        A decimal comma that parts a number pushes figures into a column of text.
        """
        inside = {at: looks_numeric(cells[at]) for at in range(1, width)}
        shifted = any(inside[at] and at - 1 in self.numeric and at not in self.numeric
                      for at in inside)  # fmt: skip
        past = [cell.strip() for cell in cells[width:] if cell.strip()]
        return not shifted and all(any(map(str.isalpha, cell)) for cell in past)

    def _as_above(self, cells: list[str]) -> list[str]:
        """Return a row with the cells of the row above where it has ditto marks."""
        self.say_once("ditto", "ditto marks are read as the cell above")
        above = self._above or [""] * len(cells)
        return [old if cell in DITTO else cell for cell, old in zip(cells, above, strict=True)]

    def say_once(self, code: str, text: str) -> None:
        """Note how cells of this sheet are read, at the first of them."""
        if code not in self._told:
            self._told.add(code)
            self.collector.note(code, text, self.origin())

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
        unit: str = "",
    ) -> float | None:
        """Return a finite number of a cell (or of part of one), ``None`` where blank.

        Its ``unit`` may stand behind it.
        """
        cell = self.text(column) if cell is None else cell
        if unit and cell.casefold().endswith(unit):
            cell = cell[: -len(unit)]
        if not cell.strip():
            return None
        try:
            return self._within(number(cell, decimal=self.decimal), cell, above, low)
        except Refused as error:
            self.complain(column, error.what, error.remedy)
            return None

    def length(
        self,
        column: str,
        *,
        above: float | None = None,
        low: float | None = None,
        usual: Usual | None = None,
    ) -> float | None:
        """Return a length in metres, ``None`` where blank; one that is not usual is asked about."""
        cell = self.text(column)
        if not cell:
            return None
        try:
            metres = self.length_of(cell)
            asked = usual and looks_numeric(cell) and doubt(cell, metres, usual, self.places.unit)
            if asked and metres > 0:
                raise asked
            return self._within(metres, cell, above, low)
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
    kind: Kind,
    collector: Collector,
    places: PlaceReader,
    own: Mapping[str, str] = _NO_EXTRA,
) -> Sheet | None:
    """Return a CSV file of the folder as a sheet; ``None`` where there is none or it is unfit.

    ``own`` are columns that the sheet calls by a word of its own: that word by ours.
    """
    name, known = kind.file, kind.columns
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
    if at := header_row(rows.cells, kind, own):
        lines = [" ".join(filter(None, row)) for row in rows.cells[:at]]
        text = f"lines above the header are left out: {listed(map(repr, lines))}"
        collector.note("preamble", text[:300], rows.origin(0))
        rows.cells, rows.numbers = rows.cells[at:], rows.numbers[at:]
    columns, repeats = _columns(rows, kind, collector, own)
    missing = [each for each in kind.needed if each not in columns]
    for each in missing:
        near = did_you_mean(each, [name for name in columns if name not in known])
        if each == "place" and not near:
            near = likely_column(rows, "place", places.points.__contains__)
        collector.complain(
            rows.origin(0), f'there is no column "{each}"',
            near or f"the header line may hold {', '.join(known)}",
        )  # fmt: skip
    if missing:
        return None
    note_commented(rows, len(rows.cells[0]), collector)
    return Sheet(kind, rows, columns, repeats, collector, places)


def _named(header: Sequence[str], kind: Kind, own: Mapping[str, str]) -> list[tuple[str, bool]]:
    """Return what each heading stands for (blank: nothing here), and whether it is its own name.

    A heading that ``own`` states, or the name of the column, goes before what crews call it; of
    several that they do, the one spelt most plainly.
    """
    words = [folded(cell) for cell in header]
    stated = {folded(word): name for name, word in own.items()}
    plain = {folded(name): name for name in kind.columns if name not in own}
    rovers = {"id": "place", "note": "note"}
    of_points = {w: rovers[r] for w, r in spellings("points").items() if r in rovers}
    taken = {plain.get(word) for word in words}
    crews: dict[str, str] = {}
    for word, name in {**spellings("sheets"), **of_points, **spellings("sheets")}.items():
        if name in plain.values() and name not in taken and word in words and word not in plain:
            crews[word] = name
            taken.add(name)
    return [
        (stated.get(word) or plain.get(word) or crews.get(word, ""), word in stated | plain)
        for word in words
    ]


def header_row(rows: Sequence[Sequence[str]], kind: Kind, own: Mapping[str, str]) -> int:
    """Return which of the first rows names the columns that must be there; the first where none."""
    top = [{name for name, _ in _named(row, kind, own)} for row in rows[:_MOST_ABOVE]]
    return next((k for k, names in enumerate(top) if set(kind.needed) <= names), 0)


def column_names(header: Sequence[str], kind: Kind, own: Mapping[str, str]) -> list[str]:
    """Return the column that each heading is read as; one that means nothing here is its own."""
    names: list[str] = []
    for cell, (name, _) in zip(header, _named(header, kind, own), strict=True):
        names.append(name if name and name not in names else cell.strip().casefold())
    return names


def likely_column(rows: Rows, name: str, fits: Callable[[str], bool]) -> str:
    """Return how to state the first column most of whose cells fit a name, blank where none is."""
    for at, heading in enumerate(rows.cells[0]):
        cells = [row[at].strip() for row in rows.cells[1:] if at < len(row)]
        if heading.strip() and sum(map(fits, cells)) > len(cells) / 2:
            word = heading.strip()
            stated = f'columns = {{{name} = "{word}"}} in [readings], or new --columns'
            return f'state it: {stated} "{word}={name}"'
    return ""


def _columns(
    rows: Rows, kind: Kind, collector: Collector, own: Mapping[str, str]
) -> tuple[dict[str, int], list[int]]:
    """Return field index by name, and the columns of further repeats of the level."""
    header, known = rows.cells[0], kind.columns
    while len(header) > 1 and not header[-1].strip() and not _figures(rows, len(header) - 1):
        header.pop()
    words = [folded(cell) for cell in header]
    for name, word in own.items():
        if folded(word) not in words:
            what = f'there is no column "{word}", which columns calls {name}'
            collector.complain(rows.origin(0), what, "correct columns in site.toml")
    columns: dict[str, int] = {}
    more: list[int] = []
    plain = _named([word.rstrip("0123456789") for word in words], kind, own)
    for at, (name, its_own) in enumerate(_named(header, kind, own)):
        cell = header[at].strip()
        if not name and "level" in known and _repeats(rows, at, plain[at][0], columns, more):
            if "level" in columns:
                more.append(at)
                continue
            name = "level"
        if name and not its_own and name not in columns:
            text = f'the column "{cell}" is read as {name}'
            collector.note("column_taken", text, rows.origin(0, at))
        elif not its_own:
            kept = "_".join(cell.split())
            name = (f"{kept} (kept)" if kept in known else kept) or f"column {at + 1}"
        if name in columns:
            what = f'the column "{name}" stands twice'
            collector.complain(rows.origin(0, at), what, "keep one of them")
            continue
        columns[name] = at
    free = [each for each in known if each not in columns]
    for name, at in columns.items():
        near = "" if name in known or len(name) <= 3 else did_you_mean(name, free)
        if near:
            text = f'the column "{name}" is kept but not used; {near}'
            collector.note("column_not_known", text, rows.origin(0, at))
    return columns, more


def _repeats(
    rows: Rows, at: int, plain: str, columns: Mapping[str, int], more: Sequence[int]
) -> bool:
    """Tell whether a column repeats the level: "level 2", or blank below a merged heading."""
    if plain == "level" and rows.cells[0][at].strip()[-1].isdigit():
        return True
    if rows.cells[0][at].strip() or columns.get("level", -2) + len(more) + 1 != at:
        return False
    return _figures(rows, at)


def _figures(rows: Rows, at: int) -> bool:
    """Tell whether most cells below a heading that are filled in are numbers."""
    cells = [row[at] for row in rows.cells[1:] if at < len(row) and row[at].strip()]
    return sum(map(looks_numeric, cells)) > len(cells) / 2


def _decimal(rows: Rows, fields: Sequence[int]) -> str:
    sample = [
        part
        for row in rows.cells[1:1001]
        for at in fields
        if at < len(row)
        for part in row[at].split()
    ]
    return decimal_sign(sample, delimiter=rows.delimiter)
