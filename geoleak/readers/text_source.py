"""A rover's text file to columns by role: header or layout, units row, ragged rows."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

from geoleak.errors import Origin, did_you_mean
from geoleak.readers.collector import Collector
from geoleak.readers.header_roles import (
    NUMERIC_ROLES,
    ROLES,
    Header,
    folded,
    read_header,
    role_of,
    unit_word,
)
from geoleak.readers.numbers import decimal_sign, looks_numeric
from geoleak.readers.point_table import FloatArray
from geoleak.readers.text import Rows, read_rows
from geoleak.site import NOWHERE, PointFile

LAYOUTS = {
    "pnezd": ("id", "northing", "easting", "elevation", "code"),
    "penzd": ("id", "easting", "northing", "elevation", "code"),
}
_TEXT_TAIL = ("code", "note")


@dataclass(slots=True)
class Raw:
    """Cells of a point file by column, with roles, before any of them is understood."""

    label: str
    header: Header
    columns: list[Sequence[str]]
    lines: Sequence[int]
    locate: Callable[[int, int], Origin]
    decimal: str = "."
    has_header: bool = True
    delimiter: str = ","
    encoding: str = "UTF-8"
    overflow: dict[int, str] = field(default_factory=dict)
    """Text past the last column, by row: unquoted commas in a description."""
    positions_checked: bool = False
    arrays: dict[str, FloatArray] = field(default_factory=dict)
    """Numeric columns by role that are parsed already (blank is NaN, all else finite)."""

    def cells(self, role: str) -> Sequence[str] | None:
        """Return the column of a role, or ``None``."""
        index = self.header.roles.get(role)
        return None if index is None else self.columns[index]

    def origin(self, row: int, role: str | None = None) -> Origin:
        """Return where a cell of a role stands, or its row."""
        index = self.header.roles.get(role, -1) if role else -1
        return self.locate(row, index)

    def shown(self, row: int, role: str) -> str:
        """Return a cell for a sentence."""
        if role in self.arrays:
            return f"{self.arrays[role][row]:g}"
        return (self.cells(role) or ())[row].strip()


def raw_from_text(
    data: bytes,
    *,
    label: str,
    spec: PointFile,
    collector: Collector,
    asked: Mapping[str, Origin] | None = None,
) -> Raw | None:
    """Return a text file's columns by role; ``None`` after complaints that leave nothing to read.

    Parameters
    ----------
    data : bytes
        The file.
    label : str
        Its name in complaints.
    spec : PointFile
        What ``[points]`` states.
    collector : Collector
        Takes complaints and notes.
    asked : mapping of str to Origin, optional
        Where the keys of ``[points]`` stand.
    """
    rows = _rows(data, label, spec, collector)
    return (
        None if rows is None else raw_from_rows(rows, spec=spec, collector=collector, asked=asked)
    )


def raw_from_rows(
    rows: Rows,
    *,
    spec: PointFile,
    collector: Collector,
    asked: Mapping[str, Origin] | None = None,
) -> Raw | None:
    """Return columns by role of rows that are split already, as `raw_from_text`."""
    label = rows.label
    found = _header(rows, spec, collector, asked or {})
    if found is None:
        return None
    header, first = found
    has_header = first > 0
    if has_header and _is_units_row(rows, first, header):
        units = {r: unit_word(rows.cells[first][i]) for r, i in header.roles.items()}
        stated = {**{r: u for r, u in units.items() if u}, **header.units}
        header = Header(header.roles, header.names, stated, header.doubled, header.axis_letters)
        first += 1
    body, numbers = rows.cells[first:], rows.numbers[first:]
    if not body:
        collector.complain(Origin(label), "the file holds no points", "export it again")
        return None
    overflow = _even_out(rows, body, numbers, header, collector)
    columns: list[Sequence[str]] = list(zip(*body, strict=True))
    offset = first

    def locate(row: int, index: int) -> Origin:
        return rows.origin(row + offset, index)

    raw = Raw(label, header, columns, numbers, locate, has_header=has_header)
    raw.overflow = overflow
    raw.delimiter = rows.delimiter
    raw.decimal = _decimal(raw, spec)
    _note_commented(rows, len(header.names), collector)
    return raw


def _rows(data: bytes, label: str, spec: PointFile, collector: Collector) -> Rows | None:
    rows = read_rows(data, label=label, collector=collector, delimiter=spec.delimiter)
    if rows is None:
        return None
    if not all(map(any, rows.cells)):
        kept = [index for index, row in enumerate(rows.cells) if any(row)]
        rows.numbers = [rows.numbers[index] for index in kept]
        rows.cells = [rows.cells[index] for index in kept]
    if not rows.cells:
        collector.complain(Origin(label), "the file holds no points", "export it again")
        return None
    return rows


def _header(
    rows: Rows, spec: PointFile, collector: Collector, asked: Mapping[str, Origin]
) -> tuple[Header, int] | None:
    """Return the header (stated, read or laid out) and the index of the first row of data."""
    top = rows.cells[0]
    numeric = sum(1 for cell in top if looks_numeric(cell))
    known = sum(1 for cell in top if role_of(cell))
    if numeric < 2 and (known >= 2 or spec.columns):
        while len(top) > 1 and not top[-1].strip():
            top = top[:-1]
        header = read_header(top)
        if spec.layout and not spec.columns:
            collector.note(
                "layout_not_used",
                f'{rows.label} has a header line, so layout = "{spec.layout}" is not used',
                asked.get("layout", NOWHERE),
            )
        return stated_columns(header, spec, collector, asked), 1
    if spec.columns:
        names = tuple(str(index + 1) for index in range(max(map(len, rows.cells[:200]))))
        return stated_columns(Header({}, names), spec, collector, asked), 0
    if numeric < 2:
        collector.complain(
            rows.origin(0),
            f'this line is neither a point nor a header whose words are known ("{_short(top)}")',
            'state the columns: columns = {id = "...", northing = "...", easting = "..."}'
            " in [points]",
        )
        return None
    if not spec.layout:
        collector.complain(
            rows.origin(0),
            "the file has no header line, and whether northing or easting stands first is not"
            " stated",
            'write layout = "pnezd" or layout = "penzd" in [points]',
        )
        return None
    return laid_out(rows, spec.layout), 0


def laid_out(rows: Rows, layout: str) -> Header:
    """Return the header that a layout gives a file without one."""
    widest = min(5, max(map(len, rows.cells)))
    roles = LAYOUTS[layout][: max(3, widest)]
    return Header({role: index for index, role in enumerate(roles)}, roles)


def _short(cells: Sequence[str]) -> str:
    text = ",".join(cells)
    return text if len(text) <= 60 else text[:57] + "..."


def stated_columns(
    header: Header, spec: PointFile, collector: Collector, asked: Mapping[str, Origin]
) -> Header:
    """Return a header with the columns that ``[points]`` states in place of those it read."""
    roles = dict(header.roles)
    by_name = {folded(name): index for index, name in enumerate(header.names)}
    for role, name in spec.columns.items():
        where = asked.get(f"columns.{role}", asked.get("columns", NOWHERE))
        if role not in ROLES:
            collector.complain(
                where, f'"{role}" is no column role', did_you_mean(role, ROLES) or _all_roles()
            )
        elif folded(str(name)) not in by_name:
            collector.complain(
                where,
                f'the point file has no column "{name}"',
                did_you_mean(str(name), header.names) or f"it has {', '.join(header.names)}",
            )
        else:
            index = by_name[folded(str(name))]
            roles = {key: at for key, at in roles.items() if at != index}
            roles[role] = index
    units = {role: unit for role, unit in header.units.items() if role in roles}
    letters = header.axis_letters and not {"northing", "easting"} & set(spec.columns)
    return Header(roles, header.names, units, header.doubled, letters)


def _all_roles() -> str:
    return "the roles are " + ", ".join(ROLES)


def _is_units_row(rows: Rows, first: int, header: Header) -> bool:
    if first >= len(rows.cells):
        return False
    cells = rows.cells[first]
    if any(looks_numeric(cell) for cell in cells):
        return False
    numeric = [i for role, i in header.roles.items() if role in NUMERIC_ROLES and i < len(cells)]
    words = [cells[index] for index in numeric if cells[index].strip()]
    return bool(words) and all(unit_word(word) for word in words)


def _even_out(
    rows: Rows,
    body: list[list[str]],
    numbers: Sequence[int],
    header: Header,
    collector: Collector,
) -> dict[int, str]:
    """Bring every row to the header's width; return the text past the last column by row."""
    width = len(header.names)
    overflow: dict[int, str] = {}
    if all(len(row) == width for row in body):
        return overflow
    last_role = {index: role for role, index in header.roles.items()}.get(width - 1)
    text_tail = last_role in _TEXT_TAIL or last_role is None
    glue = rows.delimiter if rows.delimiter == " " else rows.delimiter + " "
    for index, row in enumerate(body):
        rest = [cell.strip() for cell in row[width:]]
        if len(row) < width or (any(rest) and not text_tail):
            _complain_width(collector, rows, numbers[index], len(row), width)
            row = []  # one complaint is enough: its cells stand in the wrong columns
        elif any(rest):
            overflow[index] = glue.join(rest).strip()
        body[index] = (row + [""] * width)[:width]
    return overflow


def _complain_width(collector: Collector, rows: Rows, line: int, found: int, width: int) -> None:
    if found < width:
        remedy = "fill in what is missing, or leave the field empty between its delimiters"
    else:
        remedy = "quote texts that hold the delimiter; a decimal comma needs another delimiter"
    collector.complain(
        Origin(rows.label, line, 1), f"this row has {found} fields, where {width} belong", remedy
    )


def _decimal(raw: Raw, spec: PointFile) -> str:
    if spec.decimal:
        return "," if spec.decimal in (",", "comma") else "."
    sample: list[str] = []
    for role, index in raw.header.roles.items():
        if role in NUMERIC_ROLES:
            sample.extend(raw.columns[index][:200])
    return decimal_sign(sample, delimiter=raw.delimiter)


def _note_commented(rows: Rows, width: int, collector: Collector) -> None:
    """Say where a line struck out by # or % has the shape of a point."""
    for line, text in rows.commented:
        cells = text.split(rows.delimiter) if rows.delimiter != " " else text.split()
        shape = Counter(looks_numeric(cell) for cell in cells)
        if len(cells) >= min(width, 4) and shape[True] >= 2:
            collector.note(
                "comment_like_a_point",
                f'line {line} of {rows.label} begins with "{text[0]}" and was left out,'
                " though it looks like a point",
                Origin(rows.label, line, 1),
            )
