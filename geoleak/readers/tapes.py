"""tapes.csv: points known by distances taped from other points, where no rover stood."""

from __future__ import annotations

import math
from collections import defaultdict
from collections.abc import Sequence

from geoleak.errors import MOST_COMPLAINTS, did_you_mean
from geoleak.readers.collector import Collector
from geoleak.readers.headings import open_sheet
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import Sheet, records
from geoleak.readers.sheets import TAPES
from geoleak.site import Point, PointTable, Tape

Row = tuple[int, list[str], Tape]
"""Where a row stands, its cells, and what it says."""


def read_tapes(
    collector: Collector, points: PointTable, unit: str
) -> tuple[tuple[Tape, ...], PointTable]:
    """Return the tapes of the folder, and the points with those that only tapes know.

    A point that the rover's files do not hold is added to `points` without a position (nan): the
    survey works it out in metres on the ground. One that they do hold keeps its position; its
    tapes check it.

    Parameters
    ----------
    collector : Collector
    points : PointTable
        Of the rover's files.
    unit : {"m", "ft", "ftUS"}
        Of bare lengths.
    """
    sheet = open_sheet(TAPES, collector, PlaceReader(points=points, legs=[], unit=unit))
    if sheet is None:
        return (), points
    rows = [(row.index, row.cells, tape) for row, tape in records(sheet) if not row.text("skip")]
    at = sheet.columns["point"]
    names = [*points, *(cells[at].strip() for _, cells, _ in rows)]
    known, read = set(names), defaultdict[str, list[Row]](list)
    for index, cells, tape in rows:
        sheet.back_to(index, cells)
        if not sheet.full:
            _judge_start(sheet, known, names)
        if tape is not None and not sheet.failed:
            read[tape.point].append((index, cells, tape))
    shot = set(points)
    for name, held in read.items():
        _check(name, held, sheet, shot=name in shot)
    made = [_point(name, [each[2] for each in held])
            for name, held in read.items() if name not in shot]  # fmt: skip
    tapes = tuple(tape for held in read.values() for *_, tape in held)
    return tapes, points.with_points(made) if made else points


def _judge_start(row: Sheet, known: set[str], names: Sequence[str]) -> None:
    name, start = row.text("point"), row.text("from")
    if start and start not in known:
        near = did_you_mean(start, names) if row.said < MOST_COMPLAINTS else ""  # as are shown
        row.complain("from", f'there is no point "{start}"', near or "shoot it first")
    if name and name == start:
        row.complain("from", f'"{name}" is taped from itself', "name the feature the tape is on")


def _check(name: str, held: Sequence[Row], sheet: Sheet, *, shot: bool) -> None:
    """Complain where the tapes of one point cannot fix it, whatever they read."""
    starts = set()
    for index, cells, tape in held:
        if tape.start in starts:
            sheet.back_to(index, cells)
            sheet.complain("from", f'"{name}" has two tapes from "{tape.start}"', "keep one row")
        starts.add(tape.start)
    sides = {tape.side for *_, tape in held if tape.side}
    sheet.back_to(*held[0][:2])
    if len(sides) > 1:
        sheet.complain("side", f'"{name}" is said to lie left and right', "keep one of the two")
    if len(held) == 1 and not shot:
        what = f'"{name}" has one tape and no rover position'
        sheet.complain("point", what, "tape it from a second feature")
    if len(held) == 2 and not sides and not shot:
        remedy = f'looking from "{held[0][2].start}" to "{held[1][2].start}"'
        what = f'two tapes put "{name}" at two places'
        sheet.complain("side", what, f"write left or right: {remedy}")


def _point(name: str, tapes: Sequence[Tape]) -> Point:
    """Return a point that tapes alone know, with the first code and note they state."""
    code, note = (
        next((getattr(each, key) for each in tapes if getattr(each, key)), "")
        for key in ("code", "note")
    )
    nan, many = math.nan, len(tapes)
    return Point(name, nan, nan, code, note=note, observations=many, origin=tapes[0].origin)
