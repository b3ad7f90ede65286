"""Bytes of a text file to rows of cells, each of which knows its line and column.

The standard csv module splits the rows: it is exact, and tells on which line each row starts.
"""

from __future__ import annotations

import codecs
import csv
import io
import itertools
import re
from collections.abc import Iterable, Iterator, Sequence
from contextlib import suppress
from typing import Any

from msgspec import Struct

from geoleak.errors import Origin, Refused, listed
from geoleak.readers.collector import Collector, refused
from geoleak.record import field

_JUDGED = 1_000_000  # a binary file shows itself long before
_CONTROLS = bytes((*range(1, 9), *range(14, 27), 127))
_SIGNATURES = {
    b"PK\x03\x04": "a zip archive or a spreadsheet",
    b"%PDF": "a PDF",
    b"\x89PNG": "a picture",
    b"\xff\xd8\xff": "a picture",
    b"SQLite format 3": "a database",
    b"\xd0\xcf\x11\xe0": "an old spreadsheet or document",
    b"\x1f\x8b": "a compressed file",
    b"RIFF": "a recording",
}


COMMENTS = ("#", "%")
BLANKS = " "
MOST_COLUMNS = 200
"""Of a sheet or a point file."""
DELIMITERS = {
    "comma": ",", "semicolon": ";", "tab": "\t", "blank": BLANKS, "blanks": BLANKS, "space": BLANKS,
    **{sign: sign for sign in (",", ";", "\t", BLANKS)},
}  # fmt: skip
SIGNS = ("\t", ";", ",", "|")
"""What parts fields, the surest first: a semicolon file may be full of decimal commas."""
TOO_MANY = "quote texts that hold the delimiter; a decimal comma needs another delimiter"
_SAMPLE_LINES = 60
_LINES_IN_ONE_CELL = 200


class Rows(Struct):
    """All rows of a file: cells as text, and the line each row starts on.

    Rows keep blank cells; blank and comment lines are gone, ``commented`` holds the latter. A
    spreadsheet or a layer has no text: a column is then a cell's number.
    """

    label: str
    cells: list[list[str]]
    numbers: Sequence[int]
    text: str = ""
    delimiter: str = ","
    commented: list[tuple[int, str]] = field(default_factory=list)
    _last: tuple[int, int] = (1, 0)

    def origin(self, row: int, at: int = -1) -> Origin:
        """Return where a cell stands (counted from 0), or where its row starts."""
        line = self.numbers[row]
        if at < 0:
            return Origin(self.label, line)
        if not self.text:
            return Origin(self.label, line, at + 1)
        first, start = self._last if self._last[0] <= line else (1, 0)
        for _ in range(line - first):
            start = self.text.index("\n", start) + 1
        self._last = line, start  # complaints come in order: on from here
        end = self.text.find("\n", start)
        shown = self.text[start : end if end >= 0 else None]
        return Origin(self.label, line, _column_in(shown, self.delimiter, at))


def decoded(data: bytes, label: str, collector: Collector) -> str:
    """Return the text of a file, its lines ended alike; raises `InputError`."""
    try:
        text, encoding = decode_text(data)
    except Refused as error:
        raise refused(Origin(label), error.what, error.remedy) from None
    if encoding != "UTF-8":
        collector.note("encoding", f"read as {encoding}", Origin(label))
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def note_commented(rows: Rows, width: int, collector: Collector) -> None:
    """Name the lines struck out by # or % that have the shape of a row of figures."""
    lines = []
    for line, text in rows.commented:
        cells = text.split(None if rows.delimiter == BLANKS else rows.delimiter)
        figures = sum(bool(re.match(r"[#%\s]*[-+]?\d", cell)) for cell in cells)
        if len(cells) >= min(width, 4) and figures >= 2:
            lines.append(line)
    if lines:
        text = f"left out as comments, though they look like rows: line {listed(map(str, lines))}"
        collector.note("comment_like_a_point", text, Origin(rows.label, lines[0], 1))


def with_dittos(text: str, delimiter: str) -> str:
    """Return a text in which a quote alone in a cell is a ditto mark, and opens nothing."""
    if '"' not in text or delimiter == BLANKS:
        return text
    sign = re.escape(delimiter)
    lone = re.compile(rf'(?<![^{sign}])([ ]*)"(?=[ ]*(?:{sign}|\r?\Z))')
    lines, inside = text.split("\n"), False
    for at, line in enumerate(lines):
        quotes = line.count('"')
        if not inside and quotes:
            alone = len(lone.findall(line))
            if quotes == alone or quotes % 2 > (quotes - alone) % 2:
                lines[at], quotes = lone.sub("\\1\u3003", line), quotes - alone
        inside ^= quotes % 2 == 1  # a quoted text goes on over lines
    return "\n".join(lines)


def decode_text(data: bytes) -> tuple[str, str]:
    """Return the text of a file and the name of its encoding.

    UTF-8 with or without a byte order mark, UTF-16 with one, and Windows-1252 are read.

    Raises
    ------
    Refused
        If the file is empty, binary, or UTF-16 without its mark.
    """
    if not re.search(rb"[^\x00\r\n\t \xef\xbb\xbf]", data):
        raise Refused("the file is empty", "export or copy it again")
    for start, what in _SIGNATURES.items():
        if data.startswith(start):
            raise Refused(f"this is {what}, not text", "export it as CSV")
    utf16 = data.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE))
    if not utf16 and b"\0" in data:
        sparse = data[1::2].count(0) > len(data) // 5 or data[0::2].count(0) > len(data) // 5
        what = "UTF-16 text without its mark" if sparse else "a binary file, not text"
        raise Refused(f"this looks like {what}", "save the file as UTF-8 text")
    known = {"utf-16": "UTF-16"} if utf16 else {"utf-8-sig": "UTF-8", "cp1252": "Windows-1252"}
    for codec, name in known.items():
        with suppress(UnicodeDecodeError):
            text = data.decode(codec)
            head = text[:_JUDGED].encode()
            if len(head) - len(head.translate(None, _CONTROLS)) > max(2, len(head) // 200):
                raise Refused("this looks like a binary file, not text", "export it as CSV")
            # An old end-of-file mark; looking first is far quicker than a copy of a large text.
            return text.replace("\x1a", "") if "\x1a" in text else text, name
    what = "damaged UTF-16 text" if utf16 else "the text is neither UTF-8 nor Windows-1252"
    raise Refused(what, "save the file as UTF-8")


def _column_in(line: str, delimiter: str, field: int) -> int:
    """Return where a field starts in its line, from 1; past the end where the line is too short."""
    sign = re.escape(delimiter)
    cell = rf'(?:^|{sign}) *("(?:[^"]|"")*(?:"|$)[^{sign}]*|[^{sign}]*)'
    if delimiter == BLANKS:
        cell = r'("(?:[^"]|"")*"|\S+)'
    starts = [each.start(1) for each in re.finditer(cell, line)]
    return (starts[field] if field < len(starts) else len(line)) + 1


def sniff_delimiter(text: str) -> str:
    """Return the delimiter that most lines of the file's head hold: one of `SIGNS`, else blanks."""
    lines = (line for line in io.StringIO(text, newline=None) if line.strip())
    plain = (line for line in lines if not line.strip().startswith(COMMENTS))
    head = [re.sub(r'"(?:[^"]|"")*"', "q", line) for line in itertools.islice(plain, _SAMPLE_LINES)]
    if not head:
        return BLANKS
    # A header line knows: semicolons below it part the repeats of a cell. A single column whose
    # header names no second one still parts at the header's own sign.
    own = [sign for sign in SIGNS if sign in head[0]]
    often = [s for s in own or SIGNS if sum(s in line for line in head) >= 0.8 * len(head)]
    return next(iter(often or own), BLANKS)


def split_rows(text: str, *, label: str, delimiter: str) -> Rows:
    """Split a text into rows of cells.

    Raises
    ------
    InputError
        If a quote opens and never closes, or a field has no end.
    """
    rows, numbers = Rows(label, [], [], text, delimiter), list[int]()
    lines = without_comments(io.StringIO(text, newline=""), rows.commented)
    if delimiter == BLANKS:
        lines = (" ".join(each.split()) + "\n" for each in lines)
    reader = csv.reader(lines, delimiter=delimiter, skipinitialspace=True)
    start, last, endless = 1, 1, ("a quote opens here and does not close", "close it")
    try:
        for row in reader:
            if reader.line_num - start > _LINES_IN_ONE_CELL:
                raise refused(Origin(label, start), *endless)
            if row:
                rows.cells.append(row)
                numbers.append(start)
                last = reader.line_num
            start = reader.line_num + 1
    except csv.Error as error:
        wrong = f"the row cannot be split ({error})", "check its quotes"
        if "field larger" in str(error):
            wrong = "a field without an end (a quote that never closes?)", "close it"
        raise refused(Origin(label, start), *wrong) from None
    if numbers and last > numbers[-1] and _quote_stays_open(text, numbers[-1], delimiter):
        raise refused(Origin(label, numbers[-1]), *endless)
    rows.numbers = numbers
    return rows


def _quote_stays_open(text: str, line: int, delimiter: str) -> bool:
    """Tell whether a quote swallows every row from a line down to the end of the file."""
    rest = itertools.islice(io.StringIO(text, newline=""), line - 1, None)
    try:
        list(csv.reader(rest, delimiter=delimiter, skipinitialspace=True, strict=True))
    except csv.Error as error:
        # Other faults that `strict` finds, such as a sign after a closing quote, do no harm.
        return "unexpected end" in str(error)
    return False


def without_comments(lines: Iterable[str], commented: list[tuple[int, str]]) -> Iterator[str]:
    """Give the lines of a text, those struck out by # or % as blank ones, and note these."""
    for count, line in enumerate(lines, 1):
        if line.lstrip().startswith(COMMENTS):
            commented.append((count, line.strip()))
            yield "\n"
        else:
            yield line


def cell_text(value: Any) -> str:
    """Return a value of a spreadsheet or a layer as text; what is not stated is blank."""
    if hasattr(value, "item"):
        value = value.item()  # of numpy
    if value is None or value != value:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))  # an id typed as 101 is kept as 101.0 by some programs
    return value.isoformat() if hasattr(value, "isoformat") else str(value).strip()
