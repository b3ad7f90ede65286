"""What a point file shows of itself, and what only a person can say, for a new site folder."""

from __future__ import annotations

import re
from collections.abc import Mapping
from itertools import pairwise
from pathlib import Path
from typing import Literal

import numpy as np

from geoleak import readers
from geoleak.crs import CrsInfo, crs_info
from geoleak.errors import InputError, Origin, Refused
from geoleak.record import Record, replace
from geoleak.site import Codes, PointFile

CodeUse = Literal["mark", "fitting", "feature", "other"]
Layout = Literal["pnezd", "penzd"]

# Words of the trade in codes and descriptions; common practice, no one source.
_WORDS: dict[CodeUse, re.Pattern[str]] = {
    "other": re.compile(r"^(cp|ctrl|control|base|bm|ref|tbm|check.*)\d*$", re.IGNORECASE),
    "fitting": re.compile(
        r"^(wv|gv|bv|cv|valve|.*valve.*|mtr.*|meter.*|.*meter|hyd.*|fh|hb|hose.*|bib.*|tap|spigot"
        r"|curb|cs|stop|.*stop|corp.*|riser|ars?v|schieber|zaehler|zähler|vanne|compteur|valvula"
        r"|medidor)$",
        re.IGNORECASE,
    ),
    "feature": re.compile(
        r"^(bc|bldg.*|build.*|house.*|corner.*|cor|pp|pole|lp|tp|post|wall.*|kerb|curbcor|mh"
        r"|manhole|cb|nail|column|gebaeude|gebäude|mast|ecke)$",
        re.IGNORECASE,
    ),
}
EVERY_UNIT = ("m", "ftUS", "ft")
_FEWEST_MARKS = 3
_SAMPLE = 4
_LOCAL = crs_info("local", length_unit="m")


class ColumnGuess(Record):
    """One column of the file: its header (or number), role ("" if none) and first cells."""

    name: str
    role: str
    sample: tuple[str, ...]


class CodeGuess(Record):
    """One point code: how many points, what it looks like, and the first and last id."""

    code: str
    count: int
    use: CodeUse
    first_id: str
    last_id: str


class PointFileGuess(Record):
    """What was understood of a point file.

    ``layout`` is set only where the evidence decides. ``easting`` and ``northing`` are medians as
    read (in the order of ``layout or "pnezd"`` for a file that is not ``ordered``: it has no
    header, or calls its axes X and Y alone); degrees where ``in_degrees``.
    """

    path: Path
    rows: int
    has_header: bool
    ordered: bool
    columns: tuple[ColumnGuess, ...]
    layout: Layout | None
    in_degrees: bool
    easting: float
    northing: float
    unit_candidates: tuple[str, ...]
    codes: tuple[CodeGuess, ...]
    notes: tuple[str, ...]
    stated_columns: tuple[tuple[str, str], ...] = ()

    def codes_for(self, use: CodeUse) -> tuple[str, ...]:
        """Return the codes that look like this use."""
        return tuple(each.code for each in self.codes if each.use == use)


def understand(
    path: str | Path, *, crs: str | None = None, columns: Mapping[str, str] | None = None
) -> PointFileGuess:
    """Return what a point file shows of itself.

    Parameters
    ----------
    path : str or Path
        The rover's file.
    crs : str, optional
        The CRS, where it is known already: then it may decide the layout.
    columns : mapping of str to str, optional
        Column by role, where the file's own words do not say.

    Raises
    ------
    InputError
        If the file cannot be read as points, or the CRS is unknown.
    """
    path = Path(path)
    collector = readers.Collector(path.parent)
    info = _info(crs)
    spec = PointFile(files=(path.name,), layout="pnezd", columns=dict(columns or {}))
    context = readers.PointContext(spec, info or _LOCAL, "m", collector, {})
    table = readers.read_table(path.name, Origin(path.as_posix()), context)
    is_layer = path.suffix.casefold() in readers.LAYER_SUFFIXES
    if table.column("id") is None and not is_layer:
        what, likely = readers.no_ids(table)
        collector.complain(Origin(path.as_posix(), 1), what, f'state it: --columns id="{likely}"')
    in_degrees, east, north = _middle(table)
    collector.finish()
    ordered = (table.has_header and not table.header.axis_letters) or is_layer
    layout = None if ordered else _decided(info, east, north)
    if layout == "penzd":
        east, north = north, east
    return PointFileGuess(
        path=path,
        rows=len(table),
        has_header=table.has_header or is_layer,
        ordered=ordered,
        columns=_columns(table, layout),
        layout=layout,
        in_degrees=in_degrees,
        easting=east,
        northing=north,
        unit_candidates=_units(table, in_degrees),
        codes=_codes(table),
        notes=tuple(n.text for n in collector.notes if n.code != "layout_not_used"),
        stated_columns=tuple((columns or {}).items()),
    )


def decide_layout(guess: PointFileGuess, crs: str) -> Layout | None:
    """Return the layout of a file that tells none if exactly one fits the CRS's area of use."""
    if guess.ordered:
        return None
    pair = guess.easting, guess.northing
    return _decided(_info(crs), *(reversed(pair) if guess.layout == "penzd" else pair))


def _info(crs: str | None) -> CrsInfo | None:
    if crs is None:
        return None
    try:
        return crs_info(crs, length_unit="m")
    except Refused as error:
        raise InputError.at("--crs", error.what, error.remedy) from None


def _middle(table: readers.Table) -> tuple[bool, float, float]:
    """Return whether positions are degrees, and the medians of easting and northing."""
    context = replace(table.context, info=_LOCAL)
    if not table.has("northing", "easting") and table.has("latitude", "longitude"):
        quiet = replace(context, collector=readers.Collector(context.collector.folder))
        read = replace(table, context=quiet)
        return True, _median(read.numbers("longitude")), _median(read.numbers("latitude"))
    pair = readers.read_positions(replace(table, context=context))
    east, north = map(_median, pair)
    return not table.has_header and max(abs(east), abs(north)) <= 180, east, north


def _median(values: np.ndarray) -> float:
    there = values[np.isfinite(values)]
    return float(np.median(there)) if there.size else 0.0


def _decided(info: CrsInfo | None, east: float, north: float) -> Layout | None:
    """Return the one order of axes that lies in the CRS's area of use."""
    if info is None or info.crs is None:
        return None
    both = np.array([east, north])
    as_pnezd, as_penzd = info.in_area(*info.lonlat(both, both[::-1])).tolist()
    if as_pnezd == as_penzd:
        return None
    return "pnezd" if as_pnezd else "penzd"


def _columns(table: readers.Table, layout: Layout | None) -> tuple[ColumnGuess, ...]:
    by_index = {index: role for role, index in table.header.roles.items()}
    words = dict(readers.ROLES)
    ordered = table.has_header and not table.header.axis_letters
    if not ordered and layout is None:
        words["northing"] = words["easting"] = "northing or easting"
    elif not ordered and layout == "penzd":
        words["northing"], words["easting"] = words["easting"], words["northing"]
    found = []
    for index, name in enumerate(table.header.names):
        role = by_index.get(index, "")
        label = name if table.has_header else f"column {index + 1}"
        cells = [row[index] for row in table.head[:_SAMPLE] if index < len(row)]
        if not table.head:
            cells = [
                each if isinstance(each, str) else f"{each:.10g}"
                for each in table.cells[index].head(_SAMPLE)
            ]
        sample = tuple(cell.strip() for cell in cells)
        found.append(ColumnGuess(label, words.get(role, ""), sample))
    return tuple(found)


def _units(table: readers.Table, in_degrees: bool) -> tuple[str, ...]:
    """Return the units the coordinates may be in; one where the header says so."""
    if in_degrees:
        return EVERY_UNIT
    stated = {table.header.units.get(role) for role in ("northing", "easting")} - {None}
    if stated == {"foot"}:
        return ("ftUS", "ft")
    return (str(*stated),) if len(stated) == 1 and stated <= {*EVERY_UNIT} else EVERY_UNIT


def _codes(table: readers.Table) -> tuple[CodeGuess, ...]:
    cells = table.texts("code")
    ids = table.texts("id")
    if cells is None:
        return ()
    members: dict[str, list[str]] = {}
    for own, cell in zip(
        map(str, range(1, len(table) + 1)) if ids is None else ids, cells, strict=True
    ):
        members.setdefault(Codes.line_work(cell)[0], []).append(own)
    members.pop("", None)
    most = max((len(own) for code, own in members.items() if not _kind(code)), default=0)
    found = []
    for code, own in sorted(members.items(), key=lambda each: -len(each[1])):
        ordered = sorted(own, key=readers.number_order) if len(own) < 10_000 else own
        # Marks shot along a leg are mostly consecutive numbers.
        numbers = sorted(int(each) for each in own if each.isdecimal())
        near = sum(b - a <= 2 for a, b in pairwise(numbers)) >= 0.8 * (len(numbers) - 1)
        run = near and len(numbers) >= max(2, 0.8 * len(own))
        many = len(own) >= _FEWEST_MARKS and (len(own) == most or (len(own) >= most / 4 and run))
        use: CodeUse = _kind(code) or ("mark" if many else "other")
        found.append(CodeGuess(code, len(own), use, ordered[0], ordered[-1]))
    return tuple(found)


def _kind(code: str) -> CodeUse | None:
    """Return what the words of the trade make of a code, None where they do not know it."""
    word = code.split()[0]
    return next((use for use, words in _WORDS.items() if words.match(word)), None)


def first_cells(path: Path) -> list[tuple[str, tuple[str, ...]]]:
    """Return each column of a text file, by its first cell, with the three below it.

    For a file whose words nobody knows; empty where it is no text.
    """
    try:
        text, _ = readers.decode_text(path.read_bytes())
        lines = [each for each in text.splitlines() if each.strip(" \t,;|#%")][:_SAMPLE]
        split = readers.split_rows(
            "\n".join(lines), label=path.name, delimiter=readers.sniff_delimiter(text)
        )
    except (OSError, Refused, InputError):
        return []
    top = split.cells
    width = max(map(len, top), default=0)
    columns = zip(*(row + [""] * (width - len(row)) for row in top), strict=True)
    return [(cells[0].strip() or f"column {k}", cells[1:]) for k, cells in enumerate(columns, 1)]
