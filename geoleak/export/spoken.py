"""The answer as a technician reads it to a crew over the phone: plain lines of text."""

from __future__ import annotations

import textwrap
import unicodedata
from collections.abc import Iterable
from functools import partial

from geoleak.export import words
from geoleak.export.told import told
from geoleak.result import Result

WIDTH = 100
HEAD = 8


def lines(result: Result, *, width: int = WIDTH) -> list[str]:
    """Return what `locate` prints.

    Parameters
    ----------
    result : Result
    width : int
        Columns that no line is wider than.

    Returns
    -------
    list of str
        Plain text, figures in the site's length unit, rounded to what is known.
    """
    said, indent = told(result), " " * HEAD
    wrapped = partial(_wrapped, width=width)
    made = _title(result, width)
    made += wrapped(said.line, "", indent)
    made += wrapped(said.bar, "", indent)
    for head, rows in (*said.first, *said.facts, *said.rest):
        first = f"{head.lower():<{HEAD - 1}} "
        for row in rows:
            made += wrapped(row, first, indent)
            first = indent
    head, cautions = said.cautions
    made += ["", f"{head}:"] if cautions else []
    return made + [line for each in cautions for line in wrapped(each, "  - ", "    ")]


def _title(result: Result, width: int) -> list[str]:
    """Return the head: the site on the left, the run on the right, below it on a narrow page."""
    run = words.run(result)
    if width < WIDTH:
        return [_cut(words.plain(result.site.title), width), run]
    title = _cut(words.plain(result.site.title), width - len(run) - 2)
    return [title + " " * max(2, width - _columns(title) - len(run)) + run]


def _wrapped(text: str, first: str, later: str, *, width: int) -> Iterable[str]:
    """Yield text broken at some columns; figures stay beside their unit."""
    text = words.BEFORE_UNIT.sub("\x00", text)
    for row in textwrap.wrap(
        text, width, initial_indent=first, subsequent_indent=later, break_on_hyphens=False
    ):
        # Where wide letters make it wider than it is long it is cut again.
        while _columns(row) > width:
            cut = len(_cut(row, width))
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
