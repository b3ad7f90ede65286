"""A small CSV sheet beside site.toml: what its headings stand for, and its rows.

Cells are read by column name; each complaint says where its cell stands.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import Any, NamedTuple

from msgspec import Struct

from geoleak.errors import Origin, Refused, did_you_mean, listed
from geoleak.readers.collector import MOST_KEPT, Collector, refused
from geoleak.readers.headers import folded, spellings
from geoleak.readers.numbers import PlaceReader, decimal_sign, looks_numeric
from geoleak.readers.text import (
    MOST_COLUMNS,
    TOO_MANY,
    Rows,
    decoded,
    note_commented,
    sniff_delimiter,
    split_rows,
    with_dittos,
)
from geoleak.record import field

_NO_EXTRA: Mapping[str, str] = MappingProxyType({})
# What stands for the cell above, in a sheet filled in by hand.
DITTO = frozenset(('"', "''", "\u3003", "\u201d", "\u2033", '-"-', "do", "do.", "ditto", "Ditto"))
# What may be left off the end of a row written by hand.
_OPTIONAL = ("skip", "note", "recording", "session", "gain_db")
# What a decimal comma leaves of a place that moves along or aside, and what it takes off.
_MOVED = re.compile(r"(?:up|down|left|right) \d+$|@ ?\d+$")
_REST = re.compile(r"\d+ ?(?:m|cm|ft|ftUS|in)")
_TOTALS = ("total", "sum", "mean", "average", "avg", "max", "min")
MOST_BYTES = 20_000_000
_MOST_ABOVE = 10
Cell = Callable[["Sheet", str], Any]
"""Reads the cell of a row (first argument) in a column (second)."""
Judge = Callable[["Sheet", dict[str, Any]], None]


class Column(NamedTuple):
    """The record's field that a column fills, how its cell is read, whether it holds figures.

    ``by_row`` says that the same text may mean another thing in another row, ``must`` that the
    cell is filled in. ``known`` is what texts mean that are not read: a blank cell.
    """

    field: str
    read: Cell
    numeric: bool = False
    by_row: bool = False
    must: bool = False
    known: Mapping[str, Any] = MappingProxyType({"": ""})


class Kind(NamedTuple):
    """A sheet: its file, the record of a row, its columns, those that must be there.

    A row that has none of ``holds`` is one that nobody has filled in, or no row at all. ``judge``
    looks at a row as a whole: it complains, or amends the record's fields.
    """

    file: str
    record: Callable[..., Any]
    columns: Mapping[str, Column]
    needed: tuple[str, ...]
    judge: Judge | None
    holds: tuple[str, ...]


class Sheet(Struct, eq=False):
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
    decimal: str = "."
    numeric: frozenset[int] = frozenset()
    """Columns of figures."""
    kept: Mapping[str, int] = field(default_factory=dict)
    """Columns that mean nothing here."""
    floor: float | None = None
    """What the meter shows where nothing is heard."""
    seen: dict[Any, int] = field(default_factory=dict)
    index: int = 0
    cells: list[str] = field(default_factory=list)
    failed: bool = False
    said: int = 0
    """Complaints kept."""
    _told: set[str] = field(default_factory=set)
    _unknown: dict[tuple[str, str], tuple[Origin, str, list[int]]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        figures = [self.columns[name] for name, column in self.kind.columns.items()
                   if column.numeric and name in self.columns]  # fmt: skip
        sample = (
            cell for row in self.rows.cells[1:1001] for k in figures for cell in row[k : k + 1]
        )
        self.decimal = decimal_sign(" ".join(sample).split(), delimiter=self.rows.delimiter)
        self.numeric = frozenset([*figures, *self.repeats])
        self.kept = {n: at for n, at in self.columns.items() if n not in self.kind.columns}

    def __iter__(self) -> Iterator[Sheet]:
        width = len(self.rows.cells[0])
        above = [""] * width
        for index, cells in enumerate(self.rows.cells[1:], 1):
            if self.full:
                break
            if not any(map(str.strip, cells)):
                continue
            self.index, self.failed = index, False
            even = cells if len(cells) == width else self._even(cells, width)
            if even is None or not any(map(str.strip, even)):
                continue  # all that there is stands past the last column
            if not DITTO.isdisjoint(even):
                self.say_once("ditto", "ditto marks are read as the cell above")
                even = [old if new in DITTO else new for new, old in zip(even, above, strict=True)]
            above = even
            if self.repeats:
                even = list(even)
                parts = [even[at] for at in (self.columns["level"], *self.repeats)]
                even[self.columns["level"]] = " ".join(parts).strip()
            self.cells = even
            yield self
        for (column, what), (origin, remedy, lines) in self._unknown.items():
            more = f" (in {len(lines)} rows)" if len(lines) > 1 else ""
            self.keep(origin, f"{column}: {what}{more}", remedy)

    def _even(self, cells: list[str], width: int) -> list[str] | None:
        """Bring a row to the header's width; commas in a last text column are its own."""
        count, names = len(cells), {at: name for name, at in self.columns.items()}
        if count < width:
            # A sheet filled in by hand often ends early; what is missing is blank at the end.
            missing = [names[at] for at in range(count, width) if at in names]
            remark = sum(map(bool, cells)) == 1 and not looks_numeric(cells[0])
            if remark or width - count == 1 or all(name in _OPTIONAL for name in missing):
                return cells + [""] * (width - count)
            remedy = "leave a field empty between its delimiters"
        else:
            past, remedy = [cell.strip() for cell in cells[width:] if cell.strip()], TOO_MANY
            if past and names.get(width - 1) in ("note", "skip"):
                glue = f"{self.rows.delimiter} "
                return [*cells[: width - 1], glue.join(each.strip() for each in cells[width - 1 :])]
            # Words in the margin, unless a decimal comma pushed figures into a column of text.
            after = [at + 1 for at in self.numeric if at + 1 < width and at + 1 not in self.numeric]
            pushed = any(looks_numeric(cells[at]) for at in after)
            if not past or (all(any(map(str.isalpha, cell)) for cell in past) and not pushed):
                if past:
                    what = f'text past the last column is left out: "{" ".join(past)}"'
                    self.say_once("margin", what)
                return cells[:width]
        at = self.columns.get("skip", count)
        if at >= count or not cells[at].strip():  # it is not struck out
            what = f"this row has {count} fields, where {width} belong"
            self.keep(self.origin(), what, remedy)
        return None

    def say_once(self, code: str, text: str) -> None:
        """Note how cells of this sheet are read, at the first of them."""
        if code not in self._told:
            self._told.add(code)
            self.collector.note(code, text, self.origin())

    @property
    def full(self) -> bool:
        """Tell whether as much is said of this sheet as anybody reads."""
        return self.said >= MOST_KEPT

    @property
    def line(self) -> int:
        """The line of the file on which the row starts."""
        return self.rows.numbers[self.index]

    def origin(self, column: str | None = None) -> Origin:
        """Return where a cell stands, or the row."""
        if column is None:
            return Origin(self.rows.label, self.line)
        return self.rows.origin(self.index, self.columns.get(column, 0))

    def complain(self, column: str, what: str, remedy: str = "") -> None:
        """Complain about a cell; the row then makes no record. One struck out may be wrong."""
        self.failed = True
        if self.text("skip"):
            return
        at = self.columns.get("place", len(self.cells))
        place, rest = ("".join(self.cells[k : k + 1]).strip() for k in (at, at + 1))
        past = self.columns.get(column, 0) > at
        if past and _MOVED.search(place) and _REST.fullmatch(rest):
            remedy = f'put the place in quotes, "{place},{rest}": its comma looks decimal'
        self.complain_at(self.index, column, what, remedy)

    def complain_at(self, index: int, column: str, what: str, remedy: str) -> None:
        """Complain about a cell of any row."""
        origin = self.rows.origin(index, self.columns.get(column, 0))
        self.keep(origin, f"{column}: {what}", remedy)

    def wrong(self, column: str, error: Refused) -> None:
        """Complain of a cell's value; of a word that nobody knows once, with how many rows do."""
        if not isinstance(error, LookupError):
            self.complain(column, error.what, error.remedy)
        elif not self.text("skip"):
            told = self.origin(column), error.remedy, list[int]()
            self._unknown.setdefault((column, error.what), told)[2].append(self.line)
        self.failed = True

    def keep(self, origin: Origin, what: str, remedy: str) -> None:
        """Complain, while anybody would read it."""
        if not self.full:
            self.collector.complain(origin, what, remedy)
            self.said += 1

    def text(self, column: str) -> str:
        """Return a cell without blanks around it; nothing where there is no such column."""
        at = self.columns.get(column)
        return "" if at is None else self.cells[at].strip()

    def extra(self) -> Mapping[str, str]:
        """Return the cells of columns that mean nothing here."""
        held = {name: cell for name, at in self.kept.items() if (cell := self.cells[at].strip())}
        return MappingProxyType(held) if held else _NO_EXTRA


def records(sheet: Sheet) -> Iterator[tuple[Sheet, Any]]:
    """Yield each row and its record, ``None`` after a complaint.

    A text is read once a column, however many rows hold it: a logger writes a hundred thousand.
    """
    kind = sheet.kind
    columns = [
        (name, column, sheet.columns.get(name), dict(column.known))
        for name, column in kind.columns.items()
    ]
    blank = []
    for row in sheet:
        if kind.holds:
            # Nothing to read: totals, words without a place, no level.
            place = row.text("place") or next(filter(None, map(str.strip, row.cells)))
            total = place.casefold() in _TOTALS and place not in row.places.points
            words = not row.text("place") and not any(map(looks_numeric, row.cells))
            if total or words or not (row.text("skip") or any(map(row.text, kind.holds))):
                blank.append(place)
                continue
        values: dict[str, Any] = {}
        for name, column, at, known in columns:
            cell = "" if at is None else row.cells[at].strip()
            if cell in known:
                values[column.field] = known[cell]
                continue
            value = None
            try:
                if column.must and not cell:
                    raise Refused("nothing is written here", "fill it in")
                value = column.read(row, name)
            except Refused as error:
                row.wrong(name, error)
            else:
                if not column.by_row:
                    known[cell] = value
            values[column.field] = value
        low, high = values.get("low_hz"), values.get("high_hz")
        if low is not None and high is not None and not low < high:
            what = f"{low:g} Hz is not below high_hz {high:g} Hz"
            row.complain("low_hz", what, "write the lower edge first")
        if kind.judge is not None:
            kind.judge(row, values)
        values.pop("", None)
        about = {"extra": row.extra(), "origin": row.origin()}
        yield row, None if row.failed else kind.record(**values, **about)
    if blank:
        text = f"rows without a level left out: {listed(blank)}"
        sheet.collector.note("readings_blank", text, Origin(sheet.rows.label))


def open_sheet(
    kind: Kind, collector: Collector, places: PlaceReader, own: Mapping[str, str] = _NO_EXTRA
) -> Sheet | None:
    """Return a CSV file of the folder as a sheet; ``None`` where there is none or it is unfit.

    ``own`` are columns that the sheet calls by a word of its own: that word by ours.
    """
    if kind.file not in collector.instead and not (collector.folder / kind.file).exists():
        return None
    label, known = collector.label(kind.file), kind.columns
    with collector.taking():
        data = collector.read_bytes(kind.file, Origin(label), most=MOST_BYTES)
        text = decoded(data, label, collector)
        sign = sniff_delimiter(text)
        rows = split_rows(with_dittos(text, sign), label=label, delimiter=sign)
        if not rows.cells:
            raise refused(Origin(label), "the file is empty", f"begin it with {','.join(known)}")
        if len(rows.cells[0]) > MOST_COLUMNS:
            what = f"the header line has {len(rows.cells[0])} columns"
            raise refused(rows.origin(0), what, f"write at most {MOST_COLUMNS}")
        if at := header_row(rows.cells, kind, own):
            lines = [" ".join(filter(None, row)) for row in rows.cells[:at]]
            text = f"lines above the header are left out: {listed(map(repr, lines))}"
            collector.note("preamble", text[:300], rows.origin(0))
            rows.cells, rows.numbers = rows.cells[at:], rows.numbers[at:]
        columns, repeats = _columns(rows, kind, collector, own)
        missing = [name for name in kind.needed if name not in columns]
        for name in missing:
            near = did_you_mean(name, [each for each in columns if each not in known])
            if name == "place" and not near:
                near = likely_column(rows, columns, kind, "place", places.points.__contains__)
            crews = [word for word, role in spellings("sheets").items() if role == name]
            remedy = near or f"the header line may hold {', '.join(known)}"
            if crews:
                remedy += f"; read as {name} are also {', '.join(crews)}"
            collector.complain(rows.origin(0), f'there is no column "{name}"', remedy)
        if not missing:
            note_commented(rows, len(rows.cells[0]), collector)
            return Sheet(kind, rows, columns, repeats, collector, places)
    return None


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


def likely_column(
    rows: Rows, columns: Mapping[str, int], kind: Kind, name: str, fits: Callable[[str], bool]
) -> str:
    """Return how to state the column whose cells fit, one without a name here first; or blank."""
    for _, at in sorted(columns.items(), key=lambda each: each[0] in kind.columns):
        word = rows.cells[0][at].strip()
        cells = [row[at].strip() for row in rows.cells[1:] if at < len(row)]
        if word and sum(map(fits, cells)) > len(cells) / 2:
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
        # "level 2", or blank below a merged heading.
        after = not cell and columns.get("level", -2) + len(more) + 1 == at and _figures(rows, at)
        again = after or (plain[at][0] == "level" and cell[-1].isdigit())
        if not name and "level" in known and again:
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


def _figures(rows: Rows, at: int) -> bool:
    """Tell whether most cells below a heading that are filled in are numbers."""
    cells = [row[at] for row in rows.cells[1:] if at < len(row) and row[at].strip()]
    return sum(map(looks_numeric, cells)) > len(cells) / 2
