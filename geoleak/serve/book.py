"""The sheets of a site folder, written one entry at a time and never half.

The folder stays the one record. An entry becomes a row of the sheet it belongs to, in that file's
own dialect; the file is written whole beside itself, forced to the disk and put in its place before
anybody is told that the entry is taken. Rows are struck out by a reason in ``skip``, never deleted.
"""

from __future__ import annotations

import contextlib
import csv
import io
import itertools
import os
import re
import threading
import uuid
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path

from msgspec import Struct

from geoleak.errors import InputError, Origin, Refused
from geoleak.export.folder import flock, sync
from geoleak.readers import (
    SHEETS,
    decode_text,
    header_of,
    sniff_delimiter,
    with_dittos,
    without_comments,
)
from geoleak.record import Record

ENTRY, SKIP = "entry", "skip"
# The sheets that take entries, and the columns that one starts with where there is none yet.
COLUMNS: dict[str, tuple[str, ...]] = {
    "readings.csv": (
        "reading", "kind", "place", "level", "low_hz", "high_hz", "surface", "background", "depth",
        "everything_off", "recording", SKIP, "note",
    ),
    "isolations.csv": ("isolation", "valves", "result", SKIP, "note"),
    "holes.csv": (
        "hole", "from", "to", "pipe_exposed", "outcome", "water_from", SKIP,
        "note",
    ),
    "sightings.csv": ("place", "what", SKIP, "note"),
    "checks.csv": (
        "check", "kind", "place", "fitting", "as_found", "all_off", "fitting_worked",
        "supply_shut", "low_hz", "high_hz", SKIP, "note",
    ),
    "found.csv": (
        "outcome", "place", "depth", "cause", "from", "to", "pipe_exposed", "date", SKIP, "note",
    ),
}  # fmt: skip
# A cell longer than this is no entry of a person's.
MOST_SIGNS = 2000
_NUMBER = re.compile(r"-?\d+\.\d+")
_COMMA_NUMBER = re.compile(r"-?\d+,\d+")


class ConflictError(Exception):
    """An id came back with another row than it was first taken with."""


class Stored(Record):
    """A row as it stands in its sheet: line counted from 1, cells by column name."""

    sheet: str
    line: int
    row: Mapping[str, str]
    fresh: bool = True


class Draft(Record):
    """A sheet's bytes as they are and as they would be with an entry, and that entry's row."""

    stored: Stored
    before: bytes | None
    data: bytes


class _Text(Struct):
    """A sheet's text taken apart into records that keep their own bytes.

    ``columns`` are what the header's words are read as: a crew's own word stands for ours.
    """

    records: list[str]
    cells: list[list[str]]
    lines: list[int]
    header: int
    columns: list[str]
    delimiter: str
    end: str
    encoding: str

    def rows(self) -> Iterator[tuple[int, dict[str, str]]]:
        """Give (record, cells by column) of every row below the header."""
        for k in range(self.header + 1, len(self.records)):
            if self.cells[k]:
                yield k, dict(zip(self.columns, (c.strip() for c in self.cells[k]), strict=False))

    def record(self, cells: list[str]) -> str:
        """Return one record of cells as this file writes one."""
        stream = io.StringIO()
        csv.writer(stream, delimiter=self.delimiter, lineterminator="").writerow(cells)
        return stream.getvalue() + self.end

    def encoded(self, sheet: str) -> bytes:
        """Return the file's bytes, in its own encoding; raises InputError for a sign it lacks."""
        try:
            return "".join(self.records).encode(self.encoding)
        except UnicodeEncodeError as error:
            sign = ascii(error.object[error.start])
            what = f"{sign} cannot be written in this file ({self.encoding})"
            raise InputError.at(sheet, what, "leave it out, or save the sheet as UTF-8") from None


class Book:
    """The sheets of one folder. One process writes at a time, and one thread of it.

    Parameters
    ----------
    folder : Path
        The site folder.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.own: Mapping[str, str] = {}
        """What readings.csv calls its columns, by the name they have here."""
        self._one = threading.Lock()

    def draft(self, sheet: str, entry: str, row: Mapping[str, str]) -> Draft:
        """Return a sheet as it would stand with one row more; nothing is written.

        Parameters
        ----------
        sheet : str
            A key of `COLUMNS`.
        entry : str
            The sender's own id: the same id and row again is the row that stands.
        row : mapping of str to str
            Cells by column; columns that the sheet lacks are added to it.

        Raises
        ------
        ConflictError
            For a known id with another row.
        InputError
            For a sheet that takes no entries, or whose text cannot be taken apart.
        """
        before, text = self._opened(sheet)
        cells = _checked(sheet, {**row, ENTRY: entry}, text.columns)
        stands = _row_of(text, entry)
        if stands is not None:
            return Draft(_same(sheet, text, stands, cells), before, before or b"")
        _widen(sheet, text, [name for name in cells if name not in text.columns])
        local = {name: _local(cell, text) for name, cell in cells.items()}
        text.records.append(text.record([local.get(name, "") for name in text.columns]))
        line = sum(each.count("\n") for each in text.records[:-1]) + 1
        return Draft(Stored(sheet, line, cells), before, text.encoded(sheet))

    def draft_struck(self, sheet: str, name: str, reason: str) -> Draft:
        """Return a sheet as it would stand with a reason in one row's ``skip``.

        Parameters
        ----------
        sheet : str
        name : str
            The row's entry id, or what stands in its first column.
        reason : str
            The same again is the row that stands.

        Raises
        ------
        ConflictError
            Where the row is struck out for another reason already.
        InputError
            Where no row has this name, or no reason is given.
        """
        reason = " ".join(reason.split())
        if not reason:
            raise InputError.at(sheet, "no reason is given", "say why the row does not count")
        before, text = self._opened(sheet)
        at = _row_of(text, name)
        if at is None:
            raise InputError.at(sheet, f'no row is called "{name}"', "read the list again")
        _checked(sheet, {SKIP: reason}, ())
        _widen(sheet, text, [SKIP] if SKIP not in text.columns else [])
        cells = text.cells[at] + [""] * (len(text.columns) - len(text.cells[at]))
        skip = text.columns.index(SKIP)
        stands = cells[skip].strip()
        if stands not in ("", reason):
            raise ConflictError(f"{sheet}:{text.lines[at]}: struck out already ({stands})")
        cells[skip] = reason
        text.records[at] = text.record(cells)
        row = dict(zip(text.columns, (c.strip() for c in cells), strict=False))
        stored = Stored(sheet, text.lines[at], row, fresh=not stands)
        return Draft(stored, before, text.encoded(sheet))

    def put(self, draft: Draft) -> os.stat_result | None:
        """Write a draft; on the disk when this returns.

        None is returned, and nothing written, where the sheet has changed since: draft it anew.
        """
        sheet, data = draft.stored.sheet, draft.data
        with self._one, (self.folder / ".entries.lock").open("a") as lock:
            flock(lock.fileno(), wait=True)  # keeps other processes of this program out
            path = (self.folder / sheet).resolve()
            beside = path.with_name(f".{sheet}-{uuid.uuid4().hex}")
            try:
                with beside.open("xb") as stream:
                    if path.exists():  # its own mode; a new one's is the folder's usual
                        beside.chmod(path.stat().st_mode & 0o777)
                    stream.write(data)
                    stream.flush()
                    os.fsync(stream.fileno())
                    written = os.fstat(stream.fileno())
                if self._read(sheet) != draft.before:
                    return None
                os.replace(beside, path)  # noqa: PTH105
            finally:
                beside.unlink(missing_ok=True)
            with contextlib.suppress(OSError):  # it is in place, come what may
                sync(path.parent)
            return written

    def add(self, sheet: str, entry: str, row: Mapping[str, str]) -> Stored:
        """Draft a row and put it, whoever else writes; raises as `draft`."""
        return self._made(lambda: self.draft(sheet, entry, row))

    def strike(self, sheet: str, name: str, reason: str) -> Stored:
        """Draft a row struck out and put it; raises as `draft_struck`."""
        return self._made(lambda: self.draft_struck(sheet, name, reason))

    def _made(self, drafted: Callable[[], Draft]) -> Stored:
        while True:
            draft = drafted()
            if not draft.stored.fresh or self.put(draft):
                return draft.stored

    def entries(self, sheet: str) -> dict[str, Stored]:
        """Return the rows of a sheet that came in as entries, by id."""
        return {each.row[ENTRY]: each for each in self.rows(sheet) if each.row.get(ENTRY)}

    def rows(self, sheet: str) -> list[Stored]:
        """Return every row of a sheet."""
        _, text = self._opened(sheet)
        return [Stored(sheet, text.lines[k], row) for k, row in text.rows()]

    def _opened(self, sheet: str) -> tuple[bytes | None, _Text]:
        """Return a sheet's bytes, None where there is none, and its text taken apart."""
        data = self._read(sheet)
        return data, _split(sheet, data, self.own)

    def _read(self, sheet: str) -> bytes | None:
        if sheet not in COLUMNS:
            raise InputError.at(sheet, "takes no entries", f"one of {', '.join(COLUMNS)}")
        try:
            return (self.folder / sheet).read_bytes()
        except FileNotFoundError:
            return None


def filled(sheet: str, row: Mapping[str, str]) -> bool:
    """Tell whether a row says anything yet: the readers pass over one that nobody has filled in."""
    held = SHEETS[sheet].holds
    return not held or any(map(row.get, (*held, SKIP)))


def _checked(sheet: str, row: Mapping[str, str], columns: Sequence[str]) -> dict[str, str]:
    """Return the cells of an entry, or complain of a name or a text that cannot be one.

    An entry may use the columns that a sheet of its kind begins with, and those of the file's own.
    """
    cells = {}
    for name, cell in row.items():
        if name not in (*COLUMNS[sheet], *columns, ENTRY, SKIP):
            raise InputError.at(
                sheet, f'has no column "{name[:80]}"', f"{', '.join(COLUMNS[sheet])}"
            )
        if len(cell) > MOST_SIGNS or any(ord(sign) < 32 or ord(sign) == 127 for sign in cell):
            raise InputError.at(
                sheet, f"{name}: no such text fits a cell", "one line of plain text"
            )
        if cell.strip():
            cells[name] = cell.strip()
    return cells


def _split(sheet: str, data: bytes | None, own: Mapping[str, str]) -> _Text:
    """Take a sheet's text apart; a new one where there is none."""
    if data is None or not data.strip():
        names = [*COLUMNS[sheet], ENTRY]
        text = _Text([], [names], [1], 0, list(names), ",", "\n", "utf-8")
        text.records.append(text.record(names))
        return text
    try:
        decoded, encoding = decode_text(data)
        delimiter = sniff_delimiter(decoded)
    except Refused as error:
        raise InputError.at(sheet, error.what, error.remedy) from None
    if delimiter == " ":
        if len(decoded.split("\n", 1)[0].split()) > 1:
            raise InputError.at(sheet, "is parted by blanks", "save it with commas to enter rows")
        delimiter = ","
    codec = {"UTF-8": "utf-8", "UTF-16": "utf-16", "Windows-1252": "cp1252"}[encoding]
    if codec == "utf-8" and data.startswith(b"\xef\xbb\xbf"):
        codec = "utf-8-sig"
    end = "\r\n" if "\r\n" in decoded else "\n"
    text = _Text([], [], [], 0, [], delimiter, end, codec)
    # Taken apart as the readers take it: a quote in a comment, or as a ditto mark, opens nothing.
    lines = io.StringIO(decoded, newline="").readlines()
    told = without_comments(io.StringIO(with_dittos(decoded, delimiter), newline=""), [])
    reader = csv.reader(told, delimiter=delimiter, skipinitialspace=True)
    start = 0
    try:
        for cells in reader:
            text.records.append("".join(lines[start : reader.line_num]))
            blank = not any(c.strip() for c in cells)
            text.cells.append([] if blank else cells)
            text.lines.append(start + 1)
            start = reader.line_num
    except csv.Error as error:
        raise InputError.at(sheet, f"cannot be split ({error})", "check its quotes") from None
    filled = [k for k, cells in enumerate(text.cells) if cells]
    if not filled:
        raise InputError.at(sheet, "has no header line", f"begin with {', '.join(COLUMNS[sheet])}")
    at, text.columns = header_of(sheet, [text.cells[k] for k in filled], own)
    text.header = filled[at]
    if not text.records[-1].endswith(("\n", "\r")):
        text.records[-1] += end
    return text


def _widen(sheet: str, text: _Text, names: list[str]) -> None:
    """Add columns at the right; rows that stand keep their own text and gain empty cells.

    What stands past the last column would come to stand in the new one: as a reason in ``skip``.
    """
    if not names:
        return
    width = len(text.columns)
    for k in range(text.header, len(text.records)):
        if not text.cells[k]:
            continue
        if any(each.strip() for each in text.cells[k][width:]):
            past = Origin(sheet, text.lines[k])
            remedy = "write it in a column, such as note, before rows are entered here"
            raise InputError.at(past, "a text stands past the last column", remedy)
        bare = text.records[k].rstrip("\r\n")
        tail = text.records[k][len(bare) :]
        gap = [""] * max(0, width - len(text.cells[k]))
        more = [*gap, *(names if k == text.header else [""] * len(names))]
        text.records[k] = bare + "".join(text.delimiter + each for each in more) + tail
        text.cells[k] = [*text.cells[k], *more]
    text.columns += names


def _row_of(text: _Text, name: str) -> int | None:
    """Return the record of this entry id, or of this text in the first column."""
    rows = list(text.rows())
    by_entry = (k for k, row in rows if row.get(ENTRY) == name)
    by_name = (k for k, _ in rows if text.cells[k][0].strip() == name)
    return next(itertools.chain(by_entry, by_name), None)


def _local(cell: str, text: _Text) -> str:
    """Return a cell's decimal points as this file writes them.

    A spreadsheet of a land that writes commas parts its cells by semicolons.
    """
    if text.delimiter != ";":
        return cell
    commas = any(_COMMA_NUMBER.fullmatch(c.strip()) for cells in text.cells for c in cells)
    points = any(_NUMBER.fullmatch(c.strip()) for cells in text.cells for c in cells)
    if points or not commas:
        return cell
    return " ".join(
        each.replace(".", ",") if _NUMBER.fullmatch(each) else each for each in cell.split(" ")
    )


def _same(sheet: str, text: _Text, at: int, cells: Mapping[str, str]) -> Stored:
    """Return the row that stands, or say that an id was used for another."""
    stands = dict(zip(text.columns, (c.strip() for c in text.cells[at]), strict=False))
    wanted = {name: _local(cell, text) for name, cell in cells.items()}
    if any(stands.get(name, "") != cell for name, cell in wanted.items() if name != SKIP):
        raise ConflictError(f"{sheet}:{text.lines[at]}: this id stands there with another row")
    return Stored(sheet, text.lines[at], stands, fresh=False)
