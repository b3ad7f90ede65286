"""The answer as it stands: what `locate` would write at this moment, kept fresh as entries come."""

from __future__ import annotations

import contextlib
import datetime
import threading
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.errors import GeoleakError, InputError
from geoleak.readers import read_site
from geoleak.serve.book import COLUMNS, Book, ConflictError, Stored

if TYPE_CHECKING:
    from geoleak.result import Result
    from geoleak.site import Site
    from geoleak.survey import Ground, Survey

# Sheets that move readings and checks, never the ground they were taken on.
_MOVING = frozenset({*COLUMNS, "delays.csv", "meter.csv"})


@dataclass(frozen=True, slots=True, eq=False)
class Answer:
    """What the folder says now; ``result`` is None while its data allow none, and why.

    ``number`` counts changes; ``survey`` stays from the last folder that could be read.
    """

    number: int
    result: Result | None
    survey: Survey | None
    complaint: tuple[str, ...] = ()


class Live:
    """One site folder, watched.

    Parameters
    ----------
    folder : Path
    now : callable, optional
        Gives local time, to judge a locate request by.
    """

    def __init__(
        self, folder: Path, *, now: Callable[[], datetime.datetime] = datetime.datetime.now
    ) -> None:
        self.folder = folder
        self.book = Book(folder)
        self.said: list[str] = []
        """What happened to entries that somebody's own edit had left out."""
        self._now = now
        self._one = threading.RLock()
        self._ground: tuple[Any, Ground] | None = None
        self._stamp: dict[str, tuple[int, int]] = {}
        self._taken: dict[str, dict[str, Mapping[str, str]]] = {name: {} for name in COLUMNS}
        self.answer = Answer(0, None, None, ("not read yet",))
        self.refresh()

    def refresh(self) -> Answer:
        """Return the answer, worked out anew where a file of the folder has changed."""
        with self._one:
            stamp = self._stamps()
            if stamp != self._stamp:
                self._put_back()
                # Stamped before it is read: what changes meanwhile is seen the next time.
                self._stamp = self._stamps()
                self._work_out()
            return self.answer

    def add(self, sheet: str, entry: str, row: Mapping[str, str]) -> Stored:
        """Take an entry: checked by the folder's own readers, written, then worked out.

        Raises
        ------
        InputError
            What the readers say of the row; nothing is written.
        ConflictError
            For a known id with another row.
        GeoleakError
            Where the sheet cannot be written.
        """
        with self._one:
            try:
                self._try(sheet, entry, row)
                stored = self.book.add(sheet, entry, row)
            except OSError as error:
                raise _unwritten(sheet, error) from error
            self._taken[sheet][entry] = dict(row)
            self.refresh()
            return stored

    def strike(self, sheet: str, name: str, reason: str) -> Stored:
        """Strike a row out and work the answer out; raises as `Book.strike`."""
        with self._one:
            try:
                stored = self.book.strike(sheet, name, reason)
            except OSError as error:
                raise _unwritten(sheet, error) from error
            self.refresh()
            return stored

    def _try(self, sheet: str, entry: str, row: Mapping[str, str]) -> None:
        """Read the folder as it would be with the row, and raise what that newly complains of."""
        drafted = self.book.drafted(sheet, entry, row)
        if drafted is None:
            return
        before = set(self.answer.complaint)
        try:
            self._survey(read_site(self.folder, instead={sheet: drafted}))
        except InputError as error:
            new = [each for each in error.complaints if self.below([str(each)])[0] not in before]
            if new:
                raise InputError(new) from None
        except GeoleakError:
            return  # the folder allows no answer yet, for a reason that is not this row's

    def _work_out(self) -> None:
        from geoleak.posterior import infer
        from geoleak.result import build_result

        number, survey = self.answer.number + 1, None
        try:
            survey = self._survey(read_site(self.folder))
            result = build_result(survey, infer(survey), now=self._now())
            self.answer = Answer(number, result, survey)
        except GeoleakError as error:
            self.answer = Answer(
                number, None, survey or self.answer.survey, tuple(self.below(error.lines()))
            )

    def below(self, lines: Iterable[str]) -> list[str]:
        """Return complaints that name each file by its place in the site's folder."""
        return [line.replace(f"{self.folder.as_posix()}/", "") for line in lines]

    def _survey(self, site: Site) -> Survey:
        """Return the survey of a site; the ground is fitted once and kept while it is the same."""
        from geoleak.survey import ground_of, survey_site

        of = {name: sha for name, sha in site.inputs.items() if Path(name).name not in _MOVING}
        if self._ground is None or self._ground[0] != of:
            self._ground = (of, ground_of(site))
        return survey_site(site, ground=self._ground[1])

    def _stamps(self) -> dict[str, tuple[int, int]]:
        found = {}
        for path in self.folder.iterdir():
            if not path.name.startswith(".") and path.name != "out":
                with contextlib.suppress(FileNotFoundError):
                    seen = path.stat()
                    found[path.name] = (seen.st_mtime_ns, seen.st_size)
        return found

    def _put_back(self) -> None:
        """Bring back entries that a file edited by hand no longer holds; take up new ones.

        Somebody's editor may have held the file as it was before they came in. A row is struck out
        by its ``skip``, so one that is gone was not meant to go.
        """
        for sheet, taken in self._taken.items():
            with contextlib.suppress(GeoleakError, OSError):
                stands = self.book.entries(sheet)
                lost = [entry for entry in taken if entry not in stands]
                for entry in lost:
                    with contextlib.suppress(ConflictError):
                        self.book.add(sheet, entry, taken[entry])
                if lost:
                    self.said.append(
                        f"{sheet} was changed by another hand and had lost {len(lost)} "
                        f"{'entry' if len(lost) == 1 else 'entries'}: put back; strike a row out "
                        "to take it away"
                    )
                for entry, stored in stands.items():
                    cells = {name: cell for name, cell in stored.row.items() if cell}
                    cells.pop("entry", None)
                    taken[entry] = {n: c for n, c in cells.items() if n in COLUMNS[sheet]}


def _unwritten(sheet: str, error: OSError) -> GeoleakError:
    return GeoleakError(f"{sheet} could not be written ({error.strerror or error}); keep the entry")
