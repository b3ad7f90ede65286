"""A point file as it stands: one frame of cells, the role of each column, the line of each row.

Delimited text in many dialects and spreadsheets; GIS layers come from `geoleak.readers.gis`.
pandas parses a text whose rows are all of one width; the csv module, which is exact about quotes
and the line a row starts on, splits every other.
"""

from __future__ import annotations

import io
import re
import zipfile
from collections.abc import Mapping, Sequence
from functools import partial
from itertools import islice
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec import Struct

from geoleak.crs import CrsInfo
from geoleak.errors import InputError, Origin, Refused, did_you_mean, listed, shown
from geoleak.readers.collector import MOST_KEPT, Collector, refused
from geoleak.readers.headers import (
    NUMERIC_ROLES,
    ROLES,
    Header,
    folded,
    read_header,
    role_of,
    unit_word,
)
from geoleak.readers.numbers import angle, decimal_sign, looks_numeric, measured, number
from geoleak.readers.text import (
    BLANKS,
    COMMENTS,
    DELIMITERS,
    MOST_COLUMNS,
    SIGNS,
    TOO_MANY,
    Rows,
    cell_text,
    decoded,
    note_commented,
    sniff_delimiter,
    split_rows,
)
from geoleak.record import Record, field, replace
from geoleak.site import NOWHERE, PointFile

if TYPE_CHECKING:
    import pandas as pd

LAYOUTS = {
    "pnezd": ("id", "northing", "easting", "elevation", "code"),
    "penzd": ("id", "easting", "northing", "elevation", "code"),
}
GRID, DEGREES = ("easting", "northing"), ("longitude", "latitude")
_NEEDED = {"id", *GRID, *DEGREES}
_HEAD_LINES = 200
_MOST_PREAMBLE = 30
# A comma that is no decimal sign of a number of its own between blanks.
_NO_DECIMAL = re.compile(r"(?<!\d),|,(?!\d)|\d,\d+,")
MOST_BAD_CELLS = 200
MOST_UNPACKED, MOST_TIMES = 10_000_000, 20
"""Bytes a workbook may unpack to, or so many times its size: sheets pack about tenfold."""
_TOO_FEW = "fill in what is missing, or leave the field empty between its delimiters"
_ODD_START = re.compile(rb"\n[^1-9]")
_OFFSETS = re.compile(r"(?i)\bstation\b.*\boffset\b")


class PointContext(Record):
    """What the meaning of a point file depends on beside the file.

    ``asked`` says where the keys of ``[points]`` stand.
    """

    spec: PointFile
    info: CrsInfo
    length_unit: str
    collector: Collector
    asked: Mapping[str, Origin]
    corrections: str = ""


class Table(Struct):
    """Cells of a point file by column, before any of them is understood.

    Attributes
    ----------
    cells : pandas.DataFrame
        One column a field (0, 1, ...), one row a point: texts, or numbers where every cell is one.
    rows : Rows
        Where each row and cell stands; its own cells may be gone.
    overflow : dict of int to str
        Text past the last column, by row: unquoted commas in a description.
    head : list of list of str
        The first rows as they are written.
    trimmed : bool
        Whether no text has blanks around it.
    """

    header: Header
    cells: pd.DataFrame
    rows: Rows
    context: PointContext
    decimal: str = "."
    has_header: bool = True
    overflow: dict[int, str] = field(default_factory=dict)
    head: list[list[str]] = field(default_factory=list)
    trimmed: bool = False

    def __len__(self) -> int:
        return len(self.cells)

    def has(self, *roles: str) -> bool:
        """Tell whether there is a column of each of these roles."""
        return all(role in self.header.roles for role in roles)

    def column(self, role: str) -> Any:
        """Return the cells of a role as a series, or ``None``."""
        return self.cells[self.header.roles[role]] if self.has(role) else None

    def texts(self, role: str) -> Any:
        """Return the cells of a role as a series of texts without blanks around them, or None."""
        cells = self.column(role)
        if cells is None:
            return None
        if cells.dtype.kind == "i":
            return cells.astype(str).astype(object)
        if self.trimmed:
            return cells
        import pandas as pd

        # Ten times as fast as the strip of a series where there are millions.
        return pd.Series([each.strip() for each in cells], dtype=object)

    def numbers(self, role: str, *, unit: str = "", unit_m: float = 1.0) -> Any:
        """Return the numbers of a role (n,), NaN where blank; bad cells become complaints.

        All at once where the cells are clean, one by one where they are odd. A cell may say its own
        unit where the column's is known: ``unit_m`` in metres, of feet
        like those of ``unit``. ``None`` where there is no such column.
        """
        cells = self.column(role)
        if cells is None or cells.dtype.kind in "fiu":
            return None if cells is None else cells.to_numpy(dtype=np.float64)
        import pandas as pd

        read: Any = angle if role in DEGREES else number
        if unit and role not in DEGREES:
            read = partial(measured, unit=unit, unit_m=unit_m)
        text = cells.astype(object)
        plain = text.str.replace(",", ".", regex=False) if self.decimal == "," else text
        values = pd.to_numeric(plain, errors="coerce").to_numpy(dtype=np.float64).copy()
        odd = ~np.isfinite(values)
        if self.decimal == ",":
            odd |= text.str.contains(".", regex=False).to_numpy(dtype=bool)
        values[odd] = np.nan
        said = 0
        for row in np.flatnonzero(odd & (text.str.strip() != "").to_numpy(dtype=bool)).tolist():
            try:
                values[row] = read(text.iloc[row], decimal=self.decimal)
            except Refused as error:
                what, said = f"{role.replace('_', ' ')}: {error.what}", said + 1
                self.complain(what, error.remedy, row, role)
                if said >= MOST_BAD_CELLS:
                    break
        return values

    def origin(self, row: int | None = None, role: str = "") -> Origin:
        """Return where a cell of a role stands, or its row, or the file."""
        if row is None:
            return Origin(self.rows.label)
        return self.rows.origin(row, self.header.roles.get(role, -1))

    def complain(self, what: str, remedy: str, row: int | None = None, role: str = "") -> None:
        """Complain of a cell, a row or the file."""
        self.context.collector.complain(self.origin(row, role), what, remedy)

    def note(self, code: str, text: str, row: int | None = None, role: str = "") -> None:
        """Note something of a cell, a row or the file."""
        self.context.collector.note(code, text, self.origin(row, role))

    def stop_if_wrong(self) -> None:
        """Raise `InputError` where the file has complaints: what follows would not hold."""
        if self.context.collector.complaints_in(self.rows.label):
            self.context.collector.refuse()

    def shown(self, row: int, role: str) -> str:
        """Return a cell for a sentence."""
        value = self.cells[self.header.roles[role]].iloc[row]
        return value.strip() if isinstance(value, str) else f"{value:g}"


def read_text(data: bytes, *, label: str, context: PointContext) -> Table:
    """Return a text file as a table; raises `InputError` where nothing is left to read."""
    text = _without_preamble(decoded(data, label, context.collector), label, context.collector)
    head = "".join(_lines(text, _HEAD_LINES))
    stated = context.spec.delimiter
    delimiter = DELIMITERS[stated] if stated else _sniffed(head)
    even = _even_bytes(text, delimiter, data)
    rows = _split(head if even else text, label, delimiter)
    rows.text = text
    return table_of(rows, context, even)


def _split(text: str, label: str, delimiter: str) -> Rows:
    """Return the rows of a text that hold anything."""
    rows = split_rows(text, label=label, delimiter=delimiter)
    kept = [index for index, row in enumerate(rows.cells) if any(row)]
    rows.numbers = [rows.numbers[index] for index in kept]
    rows.cells = [rows.cells[index] for index in kept]
    return rows


def _lines(text: str, most: int) -> list[str]:
    """Return the first lines of a text, without a copy of the rest."""
    return [each[0] for each in islice(re.finditer(r".*\n?", text), most)]


def _without_preamble(text: str, label: str, collector: Collector) -> str:
    """Return a text with the lines before its header blank: the name of the job, the datum."""
    lines = _lines(text, _MOST_PREAMBLE)
    for at, line in enumerate(lines):
        for sign in SIGNS:
            if line.count(sign) >= MOST_COLUMNS:
                continue
            roles = {role_of(cell.strip().strip('"')) for cell in line.split(sign)} - {None}
            if len(roles) >= 3 and {"northing", "latitude"} & roles:
                before = [each.rstrip("\n") for each in lines[:at] if each.strip()]
                if any(not each.lstrip().startswith(COMMENTS) for each in before):
                    what = f"lines before the header are left out: {listed(map(repr, before))}"
                    collector.note("preamble", what[:300], Origin(label, 1))
                    return "\n" * at + text.split("\n", at)[at]
                return text
    return text


def _sniffed(head: str) -> str:
    """Return the delimiter of a file's head; commas that are all decimal signs part nothing."""
    head = head.lstrip("\n")
    lines = [line for line in head.split("\n")[1:_HEAD_LINES] if line.strip()]
    commas = [line for line in lines if "," in line]
    parted = all(len(line.split()) >= 3 and not _NO_DECIMAL.search(line) for line in commas)
    many = len(commas) >= 0.8 * len(lines) and not any(sign in head for sign in ";\t|")
    return BLANKS if lines and many and parted else sniff_delimiter(head)


def _even_bytes(text: str, delimiter: str, data: bytes) -> bytes:
    """Return a text as bytes if every line may be a row of one width, without quotes and comments.

    Nothing where not.
    """
    if delimiter == BLANKS or '"' in text or "\0" in text:
        return b""
    if any(text.startswith(sign) or (sign in text and f"\n{sign}" in text) for sign in COMMENTS):
        return b""
    if not text.isascii() or len(text) != len(data) or b"\r" in data:  # not the bytes of the file
        data = text.encode()
    lines = data.count(b"\n") + (not text.endswith("\n"))
    first = text[: text.find("\n") + 1 or None]
    fields = data.count(delimiter.encode())
    return data if first.strip() and fields == first.count(delimiter) * lines else b""


def table_of(rows: Rows, context: PointContext, data: bytes = b"") -> Table:
    """Return split rows as a table; where they are an even file's head alone, ``data`` is all."""
    import pandas as pd

    nothing = refused(Origin(rows.label), "the file holds no points", "export it again")
    if not rows.cells:
        raise nothing
    if len(rows.cells[0]) > MOST_COLUMNS:
        what = f"the file has {len(rows.cells[0])} columns"
        raise refused(Origin(rows.label), what, f"export at most {MOST_COLUMNS}")
    header, first = _header(rows, context)
    has_header = first > 0
    numeric = {role: at for role, at in header.roles.items() if role in NUMERIC_ROLES}
    below = rows.cells[first] if first < len(rows.cells) else []
    words = {role: below[at] for role, at in numeric.items() if at < len(below)}
    units: dict[str, Any] = {role: unit_word(word) for role, word in words.items() if word.strip()}
    # A row of units below the header.
    if has_header and units and all(units.values()) and not any(map(looks_numeric, below)):
        header, first = replace(header, units=units | dict(header.units)), first + 1
    head = rows.cells[first : first + _HEAD_LINES]
    sample = [row[index] for index in numeric.values() for row in head if index < len(row)]
    decimal = context.spec.decimal or decimal_sign(sample, delimiter=rows.delimiter)
    table = _parsed(data, rows, header, first, decimal, context) if data else None
    if table is None:
        if data:
            rows = _split(rows.text, rows.label, rows.delimiter)
        rows.cells, rows.numbers = rows.cells[first:], rows.numbers[first:]
        overflow = _even_out(rows, header, context.collector)
        cells = pd.DataFrame(rows.cells, columns=range(len(header.names)), dtype=object)
        rows.cells = []
        table = Table(header, cells, rows, context, overflow=overflow)
        note_commented(rows, len(header.names), context.collector)
    if not len(table):
        raise nothing
    table.decimal, table.has_header, table.head = decimal, has_header, head
    return table


def _parsed(
    data: bytes, rows: Rows, header: Header, first: int, decimal: str, context: PointContext
) -> Table | None:
    """Return a text of even rows as pandas parses it; None where a row is longer than the first."""
    import pandas as pd

    width, body = len(header.names), rows.cells[first:]
    if not body or len(rows.cells[0]) != width:
        return None
    roles = {index: role for role, index in header.roles.items()}
    numeric = [k for k, role in roles.items() if role in NUMERIC_ROLES]
    # Of those pandas makes numbers where every cell is one, else texts.
    kinds: dict[int, Any] = {k: object for k in range(width) if k not in numeric}
    stream, start = io.BytesIO(data), rows.numbers[first]
    for _ in range(1, start):
        stream.readline()
    whole = all(re.fullmatch(r"[1-9][0-9]{,17}", row[0].strip()) for row in body)
    if whole and roles.get(0) == "id" and not _ODD_START.search(data, stream.tell(), len(data) - 1):
        kinds[0] = "int64"  # a hundred bytes less for each of a million ids; "007" is no number
    try:
        cells = pd.read_csv(
            stream,
            sep=rows.delimiter,
            decimal=decimal,
            header=None,
            names=list(range(width)),
            index_col=False,
            skip_blank_lines=False,
            skipinitialspace=True,
            na_filter=False,
            dtype=kinds,
            engine="c",
        )
    except (ValueError, OverflowError):
        return None  # a row that is longer, or an id that is no number after all
    lines: Sequence[int] = range(start, start + len(cells))
    for values in (cells[k].to_numpy() for k in numeric):
        kind = values.dtype.kind
        if kind == "b" or (kind == "f" and not np.isfinite(values).all()):
            return None  # "TRUE" and "inf" are no numbers; the careful way says so
    if all(each.kind == "O" for each in cells.dtypes):
        blank = (cells == "").all(axis=1).to_numpy()
        cells, lines = cells[~blank].reset_index(drop=True), np.asarray(lines)[~blank].tolist()
    rows.cells, rows.numbers, text = [], lines, rows.text
    trimmed = text.isascii() and not any(b in text for b in " \t" if b != rows.delimiter)
    return Table(header, cells, rows, context, trimmed=trimmed)


def _header(rows: Rows, context: PointContext) -> tuple[Header, int]:
    """Return the header (stated, read or laid out) and the index of the first row of data."""
    spec, collector, top = context.spec, context.collector, rows.cells[0]
    numeric = sum(map(looks_numeric, top))
    if numeric < 2 and (spec.columns or sum(bool(role_of(cell)) for cell in top) >= 2):
        while len(top) > 1 and not top[-1].strip():
            top = top[:-1]
        header = stated_columns(read_header(top), context)
        if spec.layout and header.axis_letters:
            return header.laid_out(spec.layout), 1
        if spec.layout and not spec.columns:
            text = f'{rows.label} has a header line, so layout = "{spec.layout}" is not used'
            collector.note("layout_not_used", text, context.asked.get("layout", NOWHERE))
        return header, 1
    if spec.columns:
        names = tuple(str(index + 1) for index in range(max(map(len, rows.cells[:200]))))
        return stated_columns(Header({}, names), context), 0
    if numeric >= 2 and spec.layout:
        names = LAYOUTS[spec.layout][: max(3, min(5, max(map(len, rows.cells))))]
        return Header({role: index for index, role in enumerate(names)}, names), 0
    if numeric >= 2:
        what = "the file has no header line, and whether northing or easting stands first is not "
        what, remedy = f"{what}stated", 'write layout = "pnezd" or layout = "penzd" in [points]'
    elif _OFFSETS.search("\n".join(" ".join(row) for row in rows.cells[:10])):
        what = "a listing by station and offset holds no coordinates"
        remedy = "export points with northing and easting, or tape the marks: geoleak new tapes"
    else:
        what = "this line is neither a point nor a header whose words are known"
        what = f"{what} ({shown(','.join(top))})"
        remedy = 'state the columns: columns = {id = "...", northing = "...", easting = "..."}'
        remedy += " in [points]"
    raise refused(rows.origin(0), what, remedy)


def stated_columns(header: Header, context: PointContext) -> Header:
    """Return a header with the columns that ``[points]`` states in place of those it read."""
    roles, asked, stated = dict(header.roles), context.asked, context.spec.columns
    by_name = {folded(name): index for index, name in enumerate(header.names)}
    for role, name in stated.items():
        index, what = by_name.get(folded(str(name))), ""
        if role not in ROLES:
            what = f'"{role}" is no column role'
            remedy = did_you_mean(role, ROLES) or f"the roles are {', '.join(ROLES)}"
        elif index is None:
            what = f'the point file has no column "{name}"'
            remedy = did_you_mean(str(name), header.names) or f"it has {', '.join(header.names)}"
        else:
            roles = {key: at for key, at in roles.items() if at != index} | {role: index}
        if what:
            where = asked.get(f"columns.{role}", asked.get("columns", NOWHERE))
            context.collector.complain(where, what, remedy)
    units = {role: unit for role, unit in header.units.items() if role in roles}
    letters = header.axis_letters and not {"northing", "easting"} & set(stated)
    return replace(header, roles=roles, units=units, axis_letters=letters)


def _even_out(rows: Rows, header: Header, collector: Collector) -> dict[int, str]:
    """Bring every row to the header's width; return the text past the last column by row."""
    width, body = len(header.names), rows.cells
    overflow: dict[int, str] = {}
    short: list[int] = []
    said = 0
    by_index = {index: role for role, index in header.roles.items()}
    text_tail = by_index.get(width - 1, "note") in ("code", "note")
    glue = rows.delimiter if rows.delimiter == BLANKS else rows.delimiter + " "
    for index, row in enumerate(body):
        if len(row) == width:
            continue
        rest = [cell.strip() for cell in row[width:]]
        early = len(row) < width
        if early and said < MOST_KEPT and _ends_early(row, by_index, width):
            short.append(rows.numbers[index])
        elif early or (any(rest) and not text_tail):
            said += 1
            if said <= MOST_KEPT:
                what = f"this row has {len(row)} fields, where {width} belong"
                where = Origin(rows.label, rows.numbers[index], 1)
                collector.complain(where, what, _TOO_FEW if early else TOO_MANY)
            row = []  # one complaint is enough: its cells stand in the wrong columns
        elif any(rest):
            overflow[index] = glue.join(rest).strip()
        body[index] = (row + [""] * width)[:width]
    if short:
        text = "rows that end before the last columns are read as they are: line "
        text += listed(map(str, short))
        collector.note("short_rows", text, Origin(rows.label, short[0]))
    return overflow


def _ends_early(row: list[str], roles: Mapping[int, str], width: int) -> bool:
    """Tell whether a short row only lacks fields at its end, and cannot lack one before.

    Its cells are numbers where numbers belong; and where it stops nobody could take the last cell
    for one of the next column: a position or a text stands before what is left out.
    """
    left_out = {roles.get(index, "") for index in range(len(row), width)}
    if sum(bool(cell.strip()) for cell in row) == 1 and not looks_numeric(row[0]):
        return True  # a line of text below the points: it has no position, and is named for that
    numeric = [cell for at, cell in enumerate(row) if roles.get(at) in NUMERIC_ROLES - {*DEGREES}]
    fits = all(looks_numeric(cell) for cell in numeric if cell.strip())
    last = roles.get(len(row) - 1, "")
    apart = last in _NEEDED or last not in NUMERIC_ROLES or not left_out & NUMERIC_ROLES
    return bool(row) and not left_out & _NEEDED and fits and apart


# --- spreadsheets ----------------------------------------------------------------------------


def read_workbook(data: bytes, *, label: str, context: PointContext) -> Table:
    """Return the first sheet of an .xlsx (extra ``xlsx``); columns count cells, A being 1."""
    where = Origin(label)
    try:
        from openpyxl import load_workbook
    except ImportError:
        remedy = "pip install 'geoleak[xlsx]', or save the sheet as CSV"
        raise refused(where, "reading a spreadsheet needs openpyxl", remedy) from None
    try:
        with zipfile.ZipFile(io.BytesIO(data)) as packed:
            unpacked = sum(each.file_size for each in packed.infolist())
        if unpacked > max(MOST_UNPACKED, MOST_TIMES * len(data)):
            what = f"the spreadsheet unpacks to {unpacked / 1e6:.0f} MB"
            raise refused(where, what, "save it as CSV")
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        sheet.reset_dimensions()  # what it says of its own size may be a lie
        every = sheet.iter_rows(max_col=MOST_COLUMNS + 1, values_only=True)
        texts = [(line, [cell_text(each) for each in row]) for line, row in enumerate(every, 1)]
    except InputError:
        raise
    except Exception as error:  # openpyxl raises many kinds on a damaged archive
        what = f"the spreadsheet cannot be read ({type(error).__name__})"
        raise refused(where, what, "save it again, or as CSV") from None
    if len(book.worksheets) > 1:
        text = f'only the sheet "{sheet.title}" is read'
        context.collector.note("first_sheet", text, where)
    filled = {line: row for line, row in texts if any(row)}
    if not filled:
        raise refused(where, "the first sheet is empty", "move the points there")
    # A cell left empty at the end of a row is not there at all; it is no short row.
    width = max(k + 1 for row in filled.values() for k, cell in enumerate(row) if cell)
    cells = [(row + [""] * width)[:width] for row in filled.values()]
    return table_of(Rows(label, cells, list(filled)), context)
