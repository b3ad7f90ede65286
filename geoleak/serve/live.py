"""The answer as it stands: what `locate` would write at this moment, kept fresh as entries come."""

from __future__ import annotations

import contextlib
import datetime
import os
import threading
import time
from collections.abc import Callable, Iterable, Mapping
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.errors import GeoleakError, InputError
from geoleak.export.folder import files_of
from geoleak.readers import SHEETS, read_site
from geoleak.record import Record
from geoleak.serve.book import COLUMNS, Book, ConflictError, Draft, Stored, filled

if TYPE_CHECKING:
    from geoleak.result import Result
    from geoleak.site import Site
    from geoleak.survey import Ground, Survey

# Sheets that move readings and checks, never the ground they were taken on.
_MOVING = frozenset({*COLUMNS, "delays.csv", "meter.csv"})

# A file that an editor is writing is left alone until it has not changed for so long.
SETTLE_S = 0.2
MOST_WAITS = 10


class Answer(Record, eq=False):
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
        # Whoever works the answer out holds the first; the second only where files are looked at.
        self._working, self._one = threading.Lock(), threading.Lock()
        self._ground: tuple[Any, Ground] | None = None
        self._stamp: dict[str, tuple[int, int, int]] = {}
        self._due = False
        self._tried: Survey | None = None
        self._taken: dict[str, dict[str, Mapping[str, str]]] = {name: {} for name in COLUMNS}
        self._struck: dict[str, dict[str, str]] = {name: {} for name in COLUMNS}
        self.answer = Answer(0, None, None, ("not read yet",))
        self.refresh()

    def refresh(self) -> Answer:
        """Return the answer, worked out anew where entries came or a file has changed.

        Entries are taken meanwhile; they stand in the next answer.
        """
        with self._working:
            with self._one:
                stamp = self._settled()
                if stamp != self._stamp:
                    self._put_back()
                    # Stamped before it is read: what changes meanwhile is seen the next time.
                    self._stamp = self._stamps()
                    self._due, self._tried = True, None
                due, survey, self._due = self._due, self._tried, False
            if due:
                try:
                    self.answer = self._worked_out(survey)
                except BaseException:
                    self._due = True  # what came stays due: no old answer passes for a new one
                    raise
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
        drafted = partial(self.book.draft, sheet, entry, row)
        return self._take(drafted, lambda: self._taken[sheet].update({entry: dict(row)}))

    def strike(self, sheet: str, name: str, reason: str) -> Stored:
        """Strike a row out and work the answer out; raises as `add`."""
        drafted = partial(self.book.draft_struck, sheet, name, reason)
        return self._take(drafted, lambda: self._struck[sheet].update({name: reason}))

    def _take(self, drafted: Callable[[], Draft], remember: Callable[[], None]) -> Stored:
        """Try a draft and write it; the survey that was tried is what `refresh` works on."""
        while True:
            with self._one:
                if self._stamps() == self._stamp:
                    draft = drafted()
                    if not draft.stored.fresh or self._written(draft):
                        remember()
                        return draft.stored
            self.refresh()  # another hand is at it: never a draft upon half a file

    def _written(self, draft: Draft) -> bool:
        survey, sheet = self._try(draft), draft.stored.sheet
        try:
            if self._stamps().get(sheet) != self._stamp.get(sheet):
                return False
            written = self.book.put(draft)
        except OSError as error:
            why = error.strerror or error
            raise GeoleakError(f"{sheet} could not be written ({why}); keep the entry") from error
        if written is None:
            return False
        # What changed beside this sheet, or in it since, still differs: the next refresh sees it.
        self._stamp = {**self._stamp, sheet: _stamp(written)}
        self._due, self._tried = True, survey
        return True

    def _try(self, draft: Draft) -> Survey | None:
        """Return the survey of the folder with a draft in it; raise what is newly complained of."""
        stored, before = draft.stored, set(self.answer.complaint)
        if not filled(stored.sheet, stored.row):
            held = ", ".join(SHEETS[stored.sheet].holds)
            what = f"nothing that was read: {held} are blank"
            raise InputError.at(stored.sheet, what, "fill one in")
        try:
            return self._survey(read_site(self.folder, instead={draft.stored.sheet: draft.data}))
        except InputError as error:
            new = [each for each in error.complaints if self.below([str(each)])[0] not in before]
            if new:
                raise InputError(new) from None
        except GeoleakError:
            pass  # the folder allows no answer yet, for a reason that is not this row's
        return None

    def _worked_out(self, survey: Survey | None) -> Answer:
        from geoleak.posterior import infer
        from geoleak.result import build_result

        number = self.answer.number + 1
        try:
            survey = survey or self._survey(read_site(self.folder))
            return Answer(number, build_result(survey, infer(survey), now=self._now()), survey)
        except GeoleakError as error:
            said = tuple(self.below(error.lines()))
            return Answer(number, None, survey or self.answer.survey, said)

    def below(self, lines: Iterable[str]) -> list[str]:
        """Return complaints that name each file by its place in the site's folder."""
        return [line.replace(f"{self.folder.as_posix()}/", "") for line in lines]

    def _survey(self, site: Site) -> Survey:
        """Return the survey of a site; the ground is fitted once and kept while it is the same."""
        from geoleak.survey import ground_of, survey_site

        self.book.own = site.levels.columns
        of = {name: sha for name, sha in site.inputs.items() if Path(name).name not in _MOVING}
        kept = self._ground
        if kept is None or kept[0] != of:
            self._ground = kept = (of, ground_of(site))
        return survey_site(site, ground=kept[1])

    def _stamps(self) -> dict[str, tuple[int, int, int]]:
        """Return what changes when a file of the folder does, by its place in it."""
        found = {}
        for path in files_of(self.folder):
            with contextlib.suppress(FileNotFoundError):
                found[path.relative_to(self.folder).as_posix()] = _stamp(path.stat())
        return found

    def _settled(self) -> dict[str, tuple[int, int, int]]:
        """Return the stamps, of a changed folder once it rests: an editor may be half through."""
        stamp = self._stamps()
        for _ in range(MOST_WAITS if stamp != self._stamp else 0):
            time.sleep(SETTLE_S)
            before, stamp = stamp, self._stamps()
            if stamp == before:
                break
        return stamp

    def _put_back(self) -> None:
        """Bring back what a file edited by hand no longer holds; take up what it newly holds.

        Somebody's editor may have held the file as it was before entries came in. A row is struck
        out by its ``skip``, so one that is gone was not meant to go. A reason in ``skip`` that is
        gone is put back once: taken out again, it is meant.
        """
        for sheet, taken in self._taken.items():
            back = 0
            with contextlib.suppress(GeoleakError, OSError):
                stands = self.book.entries(sheet)
                lost = [entry for entry in taken if entry not in stands]
                for entry in lost:
                    with contextlib.suppress(ConflictError):
                        self.book.add(sheet, entry, taken[entry])
                self._say(sheet, len(lost), "rows", "strike a row out to take it away")
                for entry, stored in stands.items():
                    cells = {name: cell for name, cell in stored.row.items() if cell}
                    taken[entry] = {n: c for n, c in cells.items() if n in COLUMNS[sheet]}
            struck = self._struck[sheet]
            for name, reason in list(struck.items()):
                with contextlib.suppress(ConflictError, GeoleakError, OSError):
                    if self.book.strike(sheet, name, reason).fresh:
                        del struck[name]
                        back += 1
            self._say(sheet, back, "reasons in skip", "take it out again if the row counts")

    def _say(self, sheet: str, lost: int, of_what: str, remedy: str) -> None:
        if lost:
            self.said.append(
                f"{sheet} was changed by another hand and {of_what} were lost ({lost}): put back; "
                f"{remedy}"
            )


def _stamp(seen: os.stat_result) -> tuple[int, int, int]:
    return seen.st_ino, seen.st_mtime_ns, seen.st_size
