"""An .xlsx sheet of points to columns by role, through openpyxl (extra ``xlsx``)."""

from __future__ import annotations

import datetime as dt
import io
from typing import TYPE_CHECKING, Any

from geoleak.errors import Origin
from geoleak.readers.text import Rows
from geoleak.readers.text_source import Raw, raw_from_rows

if TYPE_CHECKING:
    from geoleak.readers.point_context import PointContext


def raw_from_workbook(data: bytes, *, label: str, context: PointContext) -> Raw | None:
    """Return the first sheet's columns by role; columns of complaints count cells, A being 1."""
    collector = context.collector
    try:
        from openpyxl import load_workbook
    except ImportError:
        collector.complain(
            Origin(label), "reading a spreadsheet needs openpyxl",
            "pip install 'geoleak[xlsx]', or save the sheet as CSV",
        )  # fmt: skip
        return None
    try:
        book = load_workbook(io.BytesIO(data), read_only=True, data_only=True)
        sheet = book.worksheets[0]
        found = [(n, row) for n, row in enumerate(sheet.iter_rows(values_only=True), 1)]
    except Exception as error:  # openpyxl raises many kinds on a damaged archive
        what = f"the spreadsheet cannot be read ({type(error).__name__})"
        collector.complain(Origin(label), what, "save it again, or as CSV")
        return None
    if len(book.worksheets) > 1:
        collector.note("first_sheet", f'only the sheet "{sheet.title}" is read', Origin(label))
    cells, lines = _filled(found)
    if not cells:
        collector.complain(Origin(label), "the first sheet is empty", "move the points there")
        return None
    rows = _SheetRows(label, "", ",", cells, lines, [])
    return raw_from_rows(rows, spec=context.spec, collector=collector, asked=context.asked)


class _SheetRows(Rows):
    """Rows of a spreadsheet: a column is a cell's number."""

    __slots__ = ()

    def column_of(self, line: int, field: int) -> int:
        return field + 1


def _filled(found: list[tuple[int, tuple[Any, ...]]]) -> tuple[list[list[str]], list[int]]:
    cells, lines = [], []
    width = 0
    for line, row in found:
        texts = [_text(each) for each in row]
        while texts and not texts[-1]:
            texts.pop()
        if texts:
            cells.append(texts)
            lines.append(line)
            width = max(width, len(texts))
    # A cell left empty at the end of a row is not there at all; it is no short row.
    return [row + [""] * (width - len(row)) for row in cells], lines


def _text(value: Any) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        # An id typed as 101 is kept as 101.0 by some programs.
        return str(int(value)) if value.is_integer() and abs(value) < 1e15 else repr(value)
    if isinstance(value, (dt.datetime, dt.date, dt.time)):
        return value.isoformat()
    return str(value).strip()
