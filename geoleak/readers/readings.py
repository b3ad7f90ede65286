"""readings.csv: what was heard, where."""

from __future__ import annotations

from collections.abc import Iterable

from geoleak import tables
from geoleak.errors import Origin
from geoleak.readers.collector import Collector, listed
from geoleak.readers.numbers import number
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import SheetRow, open_sheet
from geoleak.site import Reading, ReadingKind

NAME = "readings.csv"
KINDS = ("surface", "contact", "gas", "bar_hole")
COLUMNS = (
    "reading", "kind", "place", "level", "low_hz", "high_hz", "surface", "background", "gain_db",
    "session", "recording", "skip", "note",
)  # fmt: skip
_NUMERIC = ("level", "low_hz", "high_hz", "background", "gain_db")


def read_readings(collector: Collector, places: PlaceReader) -> tuple[Reading, ...]:
    """Return the readings of the folder; rows nobody has filled in are named and left out."""
    sheet = open_sheet(
        NAME, known=COLUMNS, needed=("place",), numeric=_NUMERIC,
        collector=collector, places=places,
    )  # fmt: skip
    if sheet is None:
        return ()
    if "level" not in sheet.columns and "recording" not in sheet.columns:
        sheet.complain(
            sheet.rows.origin(0), 'there is no column "level"', 'add "level" or "recording"'
        )
        return ()
    if "kind" not in sheet.columns:
        collector.note(
            "kind_assumed", f'{sheet.label} has no column "kind": all are read as surface readings',
            Origin(sheet.label, 1),
        )  # fmt: skip
    surfaces: dict[str, str] = {}
    found: list[Reading] = []
    seen: dict[str, int] = {}
    blank: list[str] = []
    for row in sheet:
        reading = _reading(row, surfaces, seen)
        if reading is None:
            continue
        if not reading.levels and not reading.skip and reading.recording is None:
            blank.append(reading.place.text)
            continue
        found.append(reading)
    if blank:
        collector.note(
            "readings_blank",
            f"rows without a level left out: {listed(blank)}",
            Origin(sheet.label),
        )
    return tuple(found)


def _reading(row: SheetRow, surfaces: dict[str, str], seen: dict[str, int]) -> Reading | None:
    skip = row.text("skip")
    identifier = row.text("reading") or str(row.index)
    line = row.sheet.rows.numbers[row.index]
    if identifier in seen:
        row.complain(
            "reading", f'"{identifier}" stands at line {seen[identifier]} too',
            "number each reading once; repeats at a place go into one level cell",
        )  # fmt: skip
    seen[identifier] = line
    place = row.place("place")
    low, high = row.number("low_hz", low=0), row.number("high_hz", above=0)
    if low is not None and high is not None and not low < high:
        row.complain(
            "low_hz", f"{low:g} Hz is not below high_hz {high:g} Hz", "write the lower edge first"
        )
    kind: ReadingKind = row.choice("kind", KINDS) or "surface"
    levels, surface = _levels(row), _surface(row, surfaces)
    background, gain_db = row.number("background"), row.number("gain_db")
    if row.failed or place is None:
        return None
    return Reading(
        id=identifier,
        kind=kind,
        place=place,
        levels=levels,
        low_hz=low,
        high_hz=high,
        surface=surface,
        background=background,
        gain_db=gain_db,
        session=row.text("session"),
        recording=row.text("recording") or None,
        skip=skip,
        note=row.text("note"),
        extra=row.extra(),
        origin=row.origin(),
    )


def _levels(row: SheetRow) -> tuple[float, ...]:
    """Return the repeats of a level cell, parted by blanks, semicolons or slashes."""
    cell = row.text("level")
    parts = cell.replace(";", " ").replace("/", " ").split()
    found = []
    for part in parts:
        try:
            found.append(number(part, decimal=row.sheet.decimal))
        except ValueError as error:
            what, _, remedy = str(error).partition("; ")
            row.complain("level", what, remedy)
            return ()
    return tuple(found)


def _surface(row: SheetRow, known: dict[str, str]) -> str | None:
    """Return the table's name of a surface; ``known`` remembers what was looked up."""
    cell = row.text("surface")
    if not cell:
        return None
    if cell not in known:
        try:
            known[cell] = tables.surface(cell).name
        except tables.UnknownNameError as error:
            what, _, remedy = str(error).partition("; ")
            row.complain("surface", what, remedy)
            return None
    return known[cell]


def check_recordings(named: Iterable[tuple[str | None, Origin]], collector: Collector) -> None:
    """Complain about recordings that lead out of the folder or are not there."""
    for text, origin in named:
        if not text:
            continue
        head, sign, tail = text.rpartition("#")
        name = head if sign and tail.isdigit() else text
        path = collector.inside(name, origin)
        if path is not None and not path.is_file():
            collector.complain(
                origin, f'there is no recording "{name}"', "put it into the site's folder"
            )
