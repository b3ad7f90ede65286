"""The error tree: one root, messages a person can act on, one place for exit codes."""

from __future__ import annotations

import re
from collections.abc import Iterable
from functools import lru_cache
from itertools import islice, takewhile
from typing import NamedTuple

from geoleak.record import Record

MOST_COMPLAINTS = 20
LONGEST_ECHO = 80
MOST_COMPARED = 20_000
"""Words that one is compared with, which takes a tenth of a second."""
_LONG = re.compile(rf'"[^"]{{{LONGEST_ECHO + 1},}}"|\S{{{4 * LONGEST_ECHO},}}')


def _cut(match: re.Match[str]) -> str:
    text = match[0]
    end = '"' if text.endswith('"') else ""
    return text[: LONGEST_ECHO - 2] + "..." + end


class Origin(NamedTuple):
    """Where a value stands: a file, a line and a column, both counted from 1.

    ``line`` or ``column`` is 0 where there is none to name (a whole file, a command line).
    """

    file: str
    line: int = 0
    column: int = 0

    def __str__(self) -> str:
        return ":".join(str(each) for each in self if each)


class Complaint(Record):
    """One thing wrong in an input: where, what (with the value), and what would be right."""

    origin: Origin
    what: str
    remedy: str = ""

    def __str__(self) -> str:
        text = "; ".join(filter(None, (f"{self.origin}: {self.what}", self.remedy)))
        # A file's own line breaks must not turn one complaint into several printed lines, nor a
        # cell of a thousand letters fill the screen.
        return " ".join(_LONG.sub(_cut, text).split())


class GeoleakError(Exception):
    """Root of every error geoleak raises on purpose.

    ``exit_code`` is what the command line returns for it.
    """

    exit_code = 1

    def lines(self) -> list[str]:
        """Return the message as the lines that go to stderr."""
        return [" ".join(str(self).split())]


class Refused(GeoleakError, ValueError):
    """One value that cannot be taken: what is wrong with it, and what would be right.

    Whoever knows where the value stands makes a `Complaint` of it.
    """

    exit_code = 2

    def __init__(self, what: str, remedy: str = "") -> None:
        self.what = what
        self.remedy = remedy
        super().__init__(f"{what}; {remedy}" if remedy else what)


class InputError(GeoleakError):
    """The command line or an input file is wrong; carries every complaint found.

    Parameters
    ----------
    complaints : iterable of Complaint
        At least one. All are kept in ``complaints``; `lines` shows the first 20.
    """

    exit_code = 2

    def __init__(self, complaints: Iterable[Complaint]) -> None:
        self.complaints = tuple(complaints)
        if not self.complaints:
            raise ValueError("an InputError needs at least one complaint")
        super().__init__("\n".join(str(each) for each in self.complaints))

    @classmethod
    def at(cls, where: Origin | str, what: str, remedy: str = "") -> InputError:
        """Return the error of one complaint."""
        origin = where if isinstance(where, Origin) else Origin(where)
        return cls([Complaint(origin, what, remedy)])

    def lines(self) -> list[str]:
        """Return one line a complaint, and how many more there are past the twentieth."""
        shown = [str(each) for each in self.complaints[:MOST_COMPLAINTS]]
        more = len(self.complaints) - len(shown)
        if more:
            shown.append(f"and {more} more like these")
        return shown


class SiteDataError(GeoleakError):
    """The site's files are well-formed, but do not allow an answer."""


class GeometryError(GeoleakError, ValueError):
    """A route, a chainage or a position outside what the geometry allows."""


class AcousticsError(GeoleakError, ValueError):
    """A recording, a band or a pipe that does not allow the number asked for."""


class RecordingError(AcousticsError):
    """A recording that is missing or cannot be read."""

    exit_code = 2


class CrsError(Refused):
    """A coordinate reference system that is missing, unknown, or of no use for the job."""


def one_slip_away(word: str, known: Iterable[str]) -> str:
    """Return the one known word that a slip of the pen away was meant, or nothing.

    A slip is one letter more, less or other, or two changed about; case, blanks and hyphens do not
    count. Where several known words are that near, as numbers are, none is offered: a wrong
    suggestion that is taken up moves a reading to another place. Of a million words none is sought.
    """
    words = list(islice(known, MOST_COMPARED + 1))
    if len(words) > MOST_COMPARED:
        return ""
    folded = underscored(word)
    near = dict.fromkeys(each for each in words if _one_slip(folded, underscored(each)))
    return next(iter(near)) if len(near) == 1 else ""


@lru_cache(maxsize=2 * MOST_COMPARED)
def underscored(word: str) -> str:
    """Return a word without case, its blanks and hyphens as underscores."""
    return "_".join(word.casefold().replace("-", " ").replace("_", " ").split())


def _one_slip(one: str, other: str) -> bool:
    if abs(len(one) - len(other)) > 1:
        return False
    if min(len(one), len(other)) > 2 and one[0] != other[0] and one[-1] != other[-1]:
        return False  # most words, at once
    for _ in range(2):  # what is alike at the head goes, then what is alike at the tail
        pairs = zip(one, other, strict=False)
        alike = len(list(takewhile(lambda pair: pair[0] == pair[1], pairs)))
        one, other = one[alike:][::-1], other[alike:][::-1]
    return max(len(one), len(other)) <= 1 or (len(one) == 2 and one == other[::-1])


def did_you_mean(word: str, known: Iterable[str]) -> str:
    """Return ``did you mean "..."?`` for the word one slip away, or nothing."""
    near = one_slip_away(word, known)
    return f'did you mean "{near}"?' if near else ""


def listed(words: Iterable[str], *, most: int = 10) -> str:
    """Return words for a sentence, cut after ``most``."""
    items = list(words)
    text = ", ".join(items[:most])
    return text + (f" and {len(items) - most} more" if len(items) > most else "")


def shown(value: object) -> str:
    """Return a value as a complaint shows it."""
    text = f'"{value}"' if isinstance(value, str) else str(value)
    return text if len(text) <= 60 else text[:57] + "..."
