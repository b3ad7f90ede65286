"""The answer as a technician reads it to a crew over the phone: plain lines of text."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable

from geoleak.export import words
from geoleak.export.told import told
from geoleak.result import Result

WIDTH = 100
HEAD = 8


def lines(result: Result) -> list[str]:
    """Return what `locate` prints, no line wider than 100 columns.

    Parameters
    ----------
    result : Result

    Returns
    -------
    list of str
        Plain text, figures in the site's length unit, rounded to what is known.
    """
    said, indent = told(result), " " * HEAD
    made = [_title(result)]
    made += _wrapped(said.line, "", indent)
    made += _wrapped(said.bar, "", indent)
    for head, rows in (*said.first, *said.facts, *said.rest):
        first = f"{head.lower():<{HEAD - 1}} "
        for row in rows:
            made += _wrapped(row, first, indent)
            first = indent
    head, cautions = said.cautions
    made += ["", f"{head}:"] if cautions else []
    return made + [line for each in cautions for line in _wrapped(each, "  - ", "    ")]


def _title(result: Result) -> str:
    """Return the head line: the site on the left, the run on the right."""
    run = words.run(result)
    title = _cut(words.plain(result.site.title), WIDTH - len(run) - 2)
    return title + " " * max(2, WIDTH - _columns(title) - len(run)) + run


def _wrapped(text: str, first: str, later: str) -> Iterable[str]:
    """Yield text broken at 100 columns; figures stay beside their unit."""
    text = words.BEFORE_UNIT.sub("\x00", text)
    for row in textwrap.wrap(
        text, WIDTH, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    ):
        # Where wide letters make it wider than it is long it is cut again.
        while _columns(row) > WIDTH:
            cut = len(_cut(row, WIDTH))
            yield row[:cut].replace("\x00", " ").rstrip()
            row = later + row[cut:]
        yield row.replace("\x00", " ").rstrip()


def _columns(text: str) -> int:
    """Return the columns of a terminal that text fills: two for a wide letter."""
    return sum(
        0 if unicodedata.combining(c) else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def _cut(text: str, room: int) -> str:
    """Return as much of the text as fits."""
    while _columns(text) > room:
        text = text[:-1]
    return text
