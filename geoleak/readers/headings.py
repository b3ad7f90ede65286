"""The headings of a sheet: which row they are, which column each stands for."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from types import MappingProxyType

from geoleak.errors import Complaint, InputError, Origin, did_you_mean, listed
from geoleak.readers import text as texts
from geoleak.readers.collector import Collector, refused
from geoleak.readers.headers import folded, spellings
from geoleak.readers.numbers import looks_numeric
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import Kind, Sheet

MOST_BYTES = 20_000_000
_MOST_ABOVE = 10
_NO_EXTRA: Mapping[str, str] = MappingProxyType({})


def open_sheet(
    kind: Kind,
    collector: Collector,
    places: PlaceReader,
    own: Mapping[str, str] = _NO_EXTRA,
) -> Sheet | None:
    """Return a CSV file of the folder as a sheet; ``None`` where there is none or it is unfit.

    ``own`` are columns that the sheet calls by a word of its own: that word by ours.
    """
    name = kind.file
    if name in collector.instead or (collector.folder / name).exists():
        with collector.taking():
            return _opened(kind, collector, places, own)
    return None


def _opened(kind: Kind, collector: Collector, places: PlaceReader, own: Mapping[str, str]) -> Sheet:
    label, known = collector.label(kind.file), kind.columns
    data = collector.read_bytes(kind.file, Origin(label), most=MOST_BYTES)
    text = texts.decoded(data, label, collector)
    sign = texts.sniff_delimiter(text)
    rows = texts.split_rows(texts.with_dittos(text, sign), label=label, delimiter=sign)
    if not rows.cells:
        raise refused(Origin(label), "the file is empty", f"begin it with {','.join(known)}")
    if len(rows.cells[0]) > texts.MOST_COLUMNS:
        what = f"the header line has {len(rows.cells[0])} columns"
        raise refused(rows.origin(0), what, f"write at most {texts.MOST_COLUMNS}")
    if at := header_row(rows.cells, kind, own):
        lines = [" ".join(filter(None, row)) for row in rows.cells[:at]]
        text = f"lines above the header are left out: {listed(map(repr, lines))}"
        collector.note("preamble", text[:300], rows.origin(0))
        rows.cells, rows.numbers = rows.cells[at:], rows.numbers[at:]
    columns, repeats = _columns(rows, kind, collector, own)
    missing = []
    for each in (name for name in kind.needed if name not in columns):
        near = did_you_mean(each, [name for name in columns if name not in known])
        if each == "place" and not near:
            near = likely_column(rows, "place", places.points.__contains__)
        remedy = near or f"the header line may hold {', '.join(known)}"
        missing.append(Complaint(rows.origin(0), f'there is no column "{each}"', remedy))
    if missing:
        raise InputError(missing)
    texts.note_commented(rows, len(rows.cells[0]), collector)
    return Sheet(kind, rows, columns, repeats, collector, places)


def _named(header: Sequence[str], kind: Kind, own: Mapping[str, str]) -> list[tuple[str, bool]]:
    """Return what each heading stands for (blank: nothing here), and whether it is its own name.

    A heading that ``own`` states, or the name of the column, goes before what crews call it; of
    several that they do, the one spelt most plainly.
    """
    words = [folded(cell) for cell in header]
    stated = {folded(word): name for name, word in own.items()}
    plain = {folded(name): name for name in kind.columns if name not in own}
    rovers = {"id": "place", "note": "note"}
    of_points = {w: rovers[r] for w, r in spellings("points").items() if r in rovers}
    taken = {plain.get(word) for word in words}
    crews: dict[str, str] = {}
    for word, name in {**spellings("sheets"), **of_points, **spellings("sheets")}.items():
        if name in plain.values() and name not in taken and word in words and word not in plain:
            crews[word] = name
            taken.add(name)
    return [
        (stated.get(word) or plain.get(word) or crews.get(word, ""), word in stated | plain)
        for word in words
    ]


def header_row(rows: Sequence[Sequence[str]], kind: Kind, own: Mapping[str, str]) -> int:
    """Return which of the first rows names the columns that must be there; the first where none."""
    top = [{name for name, _ in _named(row, kind, own)} for row in rows[:_MOST_ABOVE]]
    return next((k for k, names in enumerate(top) if set(kind.needed) <= names), 0)


def column_names(header: Sequence[str], kind: Kind, own: Mapping[str, str]) -> list[str]:
    """Return the column that each heading is read as; one that means nothing here is its own."""
    names: list[str] = []
    for cell, (name, _) in zip(header, _named(header, kind, own), strict=True):
        names.append(name if name and name not in names else cell.strip().casefold())
    return names


def likely_column(rows: texts.Rows, name: str, fits: Callable[[str], bool]) -> str:
    """Return how to state the first column most of whose cells fit a name, blank where none is."""
    for at, heading in enumerate(rows.cells[0]):
        cells = [row[at].strip() for row in rows.cells[1:] if at < len(row)]
        if heading.strip() and sum(map(fits, cells)) > len(cells) / 2:
            word = heading.strip()
            stated = f'columns = {{{name} = "{word}"}} in [readings], or new --columns'
            return f'state it: {stated} "{word}={name}"'
    return ""


def _columns(
    rows: texts.Rows, kind: Kind, collector: Collector, own: Mapping[str, str]
) -> tuple[dict[str, int], list[int]]:
    """Return field index by name, and the columns of further repeats of the level."""
    header, known = rows.cells[0], kind.columns
    while len(header) > 1 and not header[-1].strip() and not _figures(rows, len(header) - 1):
        header.pop()
    words = [folded(cell) for cell in header]
    for name, word in own.items():
        if folded(word) not in words:
            what = f'there is no column "{word}", which columns calls {name}'
            collector.complain(rows.origin(0), what, "correct columns in site.toml")
    columns: dict[str, int] = {}
    more: list[int] = []
    plain = _named([word.rstrip("0123456789") for word in words], kind, own)
    for at, (name, its_own) in enumerate(_named(header, kind, own)):
        cell = header[at].strip()
        if not name and "level" in known and _repeats(rows, at, plain[at][0], columns, more):
            if "level" in columns:
                more.append(at)
                continue
            name = "level"
        if name and not its_own and name not in columns:
            text = f'the column "{cell}" is read as {name}'
            collector.note("column_taken", text, rows.origin(0, at))
        elif not its_own:
            kept = "_".join(cell.split())
            name = (f"{kept} (kept)" if kept in known else kept) or f"column {at + 1}"
        if name in columns:
            what = f'the column "{name}" stands twice'
            collector.complain(rows.origin(0, at), what, "keep one of them")
            continue
        columns[name] = at
    free = [each for each in known if each not in columns]
    for name, at in columns.items():
        near = "" if name in known or len(name) <= 3 else did_you_mean(name, free)
        if near:
            text = f'the column "{name}" is kept but not used; {near}'
            collector.note("column_not_known", text, rows.origin(0, at))
    return columns, more


def _repeats(
    rows: texts.Rows, at: int, plain: str, columns: Mapping[str, int], more: Sequence[int]
) -> bool:
    """Tell whether a column repeats the level: "level 2", or blank below a merged heading."""
    if plain == "level" and rows.cells[0][at].strip()[-1].isdigit():
        return True
    if rows.cells[0][at].strip() or columns.get("level", -2) + len(more) + 1 != at:
        return False
    return _figures(rows, at)


def _figures(rows: texts.Rows, at: int) -> bool:
    """Tell whether most cells below a heading that are filled in are numbers."""
    cells = [row[at] for row in rows.cells[1:] if at < len(row) and row[at].strip()]
    return sum(map(looks_numeric, cells)) > len(cells) / 2
