"""Sheets of a site folder that nothing reads, for their name: a stop test in ``check.csv``."""

from __future__ import annotations

import re
from collections.abc import Iterable
from pathlib import Path

from geoleak.errors import Origin, Refused, one_slip_away
from geoleak.readers.collector import Collector
from geoleak.readers.headers import folded
from geoleak.readers.sheets import SHEETS, TAPES
from geoleak.readers.text import decode_text, sniff_delimiter

KINDS = {**SHEETS, TAPES.file: TAPES}


def name_strays(collector: Collector) -> None:
    """Complain of a sheet whose name is a slip away from one that is read; name the other sheets.

    A file that is a sheet by its header or nearly by its name is noted: it is not used.
    """
    for path in _unread(collector):
        label = Origin(collector.label(path.name))
        meant = _meant(path.name)
        if meant and ".csv" in path.name.casefold():
            remedy = f"did you mean {meant}? rename it, or take it out of the folder"
            collector.complain(label, f"unknown sheet {path.name}", remedy)
            continue
        near = one_slip_away(path.stem, (Path(name).stem for name in KINDS))
        like = meant or (f"{near}.csv" if near else _by_header(path))
        if like:
            text = f"{path.name} is not used: no sheet is called so; did you mean {like}?"
            collector.note("sheet_not_used", text, label)


def _unread(collector: Collector) -> Iterable[Path]:
    """Return the tables of the folder itself that were not read under any name."""
    try:
        there = sorted(collector.folder.iterdir())
    except OSError:
        return []
    read = [collector.folder / name for name in (*collector.inputs, *KINDS)]
    # A disk that tells no capitals from small letters reads Checks.csv as checks.csv.
    known = {(s.st_dev, s.st_ino) for s in (each.stat() for each in read if each.exists())}
    return [
        path
        for path in there
        if path.suffix.casefold() in (".csv", ".tsv", ".txt")
        and not path.name.startswith((".", "~"))
        and path.is_file()
        and (path.stat().st_dev, path.stat().st_ino) not in known
    ]


def _meant(name: str) -> str:
    """Return the sheet whose name this is but for case, number, blanks or a second ending."""
    words = re.sub(r"(\.(csv|tsv|txt))+$", "", name.casefold())
    return next((each for each in KINDS if _bare(words) == _bare(Path(each).stem)), "")


def _bare(words: str) -> str:
    return "".join(filter(str.isalnum, words)).removesuffix("s")


def _by_header(path: Path) -> str:
    """Return the sheet whose columns a file has: all that it needs, and no other."""
    try:
        with path.open("rb") as stream:
            line, _ = decode_text(stream.readline(10_000))  # no header is longer
        header = line.strip().split(sniff_delimiter(line))
    except (OSError, Refused):
        return ""
    names = {folded(each) for each in header}
    for name, kind in KINDS.items():
        mine = {folded(each) for each in (*kind.columns, "entry")}
        if len(names) > 1 and names <= mine and {folded(each) for each in kind.needed} <= names:
            return name
    return ""
