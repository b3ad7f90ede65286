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
from collections.abc import Callable, Iterable, Iterator, Mapping
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


class _Line(Struct):
    """One record of a sheet: its own bytes as text, its cells (none in a blank one), its line."""

    text: str
    cells: list[str]
    number: int


class _Sheet(Struct):
    """A sheet's text taken apart into records that keep their own bytes.

    ``columns`` are what the header's words are read as: a crew's own word stands for ours.
    """

    name: str
    before: bytes | None
    lines: list[_Line]
    header: int
    columns: list[str]
    delimiter: str
    end: str
    encoding: str

    def rows(self) -> Iterator[tuple[_Line, dict[str, str]]]:
        """Give (record, cells by column) of every row below the header."""
        for line in self.lines[self.header + 1 :]:
            if line.cells:
                cells = (cell.strip() for cell in line.cells)
                yield line, dict(zip(self.columns, cells, strict=False))

    def called(self, name: str) -> tuple[_Line, dict[str, str]] | None:
        """Return the row of this entry id, or with this text in the first column."""
        rows = list(self.rows())
        by_entry = (each for each in rows if each[1].get(ENTRY) == name)
        by_name = (each for each in rows if each[0].cells[0].strip() == name)
        return next(itertools.chain(by_entry, by_name), None)

    def text_of(self, cells: list[str]) -> str:
        """Return one record of cells as this file writes one."""
        stream = io.StringIO()
        csv.writer(stream, delimiter=self.delimiter, lineterminator="").writerow(cells)
        return stream.getvalue() + self.end

    def local(self, cell: str) -> str:
        """Return a cell's decimal points as this file writes them.

        A spreadsheet of a land that writes commas parts its cells by semicolons.
        """
        if self.delimiter != ";":
            return cell
        there = [each.strip() for line in self.lines for each in line.cells]
        if any(map(_NUMBER.fullmatch, there)) or not any(map(_COMMA_NUMBER.fullmatch, there)):
            return cell
        return " ".join(
            each.replace(".", ",") if _NUMBER.fullmatch(each) else each for each in cell.split(" ")
        )

    def checked(self, row: Mapping[str, str]) -> dict[str, str]:
        """Return the cells of an entry, or complain of a name or a text that cannot be one.

        An entry may use the columns that a sheet of its kind begins with, and the file's own.
        """
        usual = COLUMNS[self.name]
        for name, cell in row.items():
            if name not in (*usual, *self.columns, ENTRY, SKIP):
                raise InputError.at(self.name, f'has no column "{name[:80]}"', ", ".join(usual))
            if len(cell) > MOST_SIGNS or any(ord(sign) < 32 or ord(sign) == 127 for sign in cell):
                what = f"{name}: no such text fits a cell"
                raise InputError.at(self.name, what, "one line of plain text")
        return {name: cell.strip() for name, cell in row.items() if cell.strip()}

    def widen(self, names: Iterable[str]) -> None:
        """Add columns that are not there; rows that stand keep their text and gain empty cells.

        What stands past the last column would come to stand in the new one: as a reason in
        ``skip``.
        """
        names, width = [each for each in names if each not in self.columns], len(self.columns)
        for line in self.lines[self.header :] if names else ():
            if not line.cells:
                continue
            if any(each.strip() for each in line.cells[width:]):
                past = Origin(self.name, line.number)
                remedy = "write it in a column, such as note, before rows are entered here"
                raise InputError.at(past, "a text stands past the last column", remedy)
            bare = line.text.rstrip("\r\n")
            more = [""] * max(0, width - len(line.cells))
            more += names if line is self.lines[self.header] else [""] * len(names)
            added = "".join(self.delimiter + each for each in more)
            line.text = bare + added + line.text[len(bare) :]
            line.cells += more
        self.columns += names

    def draft(self, number: int, row: Mapping[str, str], *, fresh: bool = True) -> Draft:
        """Return the sheet as it stands here; raises InputError for a sign its encoding lacks."""
        try:
            data = "".join(line.text for line in self.lines).encode(self.encoding)
        except UnicodeEncodeError as error:
            sign = ascii(error.object[error.start])
            what = f"{sign} cannot be written in this file ({self.encoding})"
            remedy = "leave it out, or save the sheet as UTF-8"
            raise InputError.at(self.name, what, remedy) from None
        return Draft(Stored(self.name, number, row, fresh=fresh), self.before, data)


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
        text = self._opened(sheet)
        cells = text.checked({**row, ENTRY: entry})
        local = {name: text.local(cell) for name, cell in cells.items()}
        if stands := text.called(entry):
            line, there = stands
            if any(there.get(name, "") != cell for name, cell in local.items() if name != SKIP):
                raise ConflictError(f"{sheet}:{line.number}: this id stands there with another row")
            return text.draft(line.number, there, fresh=False)
        text.widen(cells)
        number = sum(line.text.count("\n") for line in text.lines) + 1
        added = text.text_of([local.get(name, "") for name in text.columns])
        text.lines.append(_Line(added, [], number))
        return text.draft(number, cells)

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
        text = self._opened(sheet)
        found = text.called(name)
        if found is None:
            raise InputError.at(sheet, f'no row is called "{name}"', "read the list again")
        text.checked({SKIP: reason})
        text.widen([SKIP])
        line, row = found
        stands = row.get(SKIP, "")
        if stands not in ("", reason):
            raise ConflictError(f"{sheet}:{line.number}: struck out already ({stands})")
        cells = line.cells + [""] * (len(text.columns) - len(line.cells))
        cells[text.columns.index(SKIP)] = reason
        line.text = text.text_of(cells)
        row = dict(zip(text.columns, (c.strip() for c in cells), strict=False))
        return text.draft(line.number, row, fresh=not stands)

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
        return [Stored(sheet, line.number, row) for line, row in self._opened(sheet).rows()]

    def _opened(self, sheet: str) -> _Sheet:
        return _split(sheet, self._read(sheet), self.own)

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


def _split(sheet: str, data: bytes | None, own: Mapping[str, str]) -> _Sheet:
    """Take a sheet's text apart; a new one where there is none."""
    if data is None or not data.strip():
        names = [*COLUMNS[sheet], ENTRY]
        text = _Sheet(sheet, data, [], 0, names, ",", "\n", "utf-8")
        text.lines.append(_Line(text.text_of(names), [*names], 1))
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
    # Taken apart as the readers take it: a quote in a comment, or as a ditto mark, opens nothing.
    raw = io.StringIO(decoded, newline="").readlines()
    told = without_comments(io.StringIO(with_dittos(decoded, delimiter), newline=""), [])
    reader = csv.reader(told, delimiter=delimiter, skipinitialspace=True)
    lines: list[_Line] = []
    start = 0
    try:
        for cells in reader:
            filled = cells if any(cell.strip() for cell in cells) else []
            lines.append(_Line("".join(raw[start : reader.line_num]), filled, start + 1))
            start = reader.line_num
    except csv.Error as error:
        raise InputError.at(sheet, f"cannot be split ({error})", "check its quotes") from None
    told_of = [k for k, line in enumerate(lines) if line.cells]
    if not told_of:
        raise InputError.at(sheet, "has no header line", f"begin with {', '.join(COLUMNS[sheet])}")
    at, columns = header_of(sheet, [lines[k].cells for k in told_of], own)
    if not lines[-1].text.endswith(("\n", "\r")):
        lines[-1].text += end
    return _Sheet(sheet, data, lines, told_of[at], columns, delimiter, end, codec)
