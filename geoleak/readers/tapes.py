"""tapes.csv: points known by distances taped from other points, where no rover stood."""

from __future__ import annotations

import copy
import math
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

from geoleak.errors import did_you_mean
from geoleak.readers.collector import Collector
from geoleak.readers.headings import open_sheet
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import Sheet, records
from geoleak.readers.sheets import TAPES
from geoleak.site import Point, PointTable, Tape


@dataclass(frozen=True, slots=True)
class Taped:
    """The tapes of a site, and its points with those that only tapes know."""

    tapes: tuple[Tape, ...]
    points: PointTable


def read_tapes(collector: Collector, points: PointTable, *, unit: str) -> Taped:
    """Return the tapes of the folder.

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
    places = PlaceReader(points=points, legs=[], unit=unit)
    sheet = open_sheet(TAPES, collector, places)
    if sheet is None:
        return Taped((), points)
    rows = [(copy.copy(row), tape) for row, tape in records(sheet) if not row.text("skip")]
    fresh = {row.text("point") for row, _ in rows if row.text("point") not in points}
    read: dict[str, list[tuple[Sheet, Tape]]] = defaultdict(list)
    for row, tape in rows:
        _judge_start(row, points, fresh)
        if not row.failed:
            read[tape.point].append((row, tape))
    for name, held in read.items():
        _check(name, held, shot=name in points)
    made = {name: _point(name, [tape for _, tape in held]) for name, held in read.items()
            if name not in points}  # fmt: skip
    tapes = tuple(tape for held in read.values() for _, tape in held)
    return Taped(tapes, points.with_points(list(made.values())) if made else points)


def _judge_start(row: Sheet, points: PointTable, fresh: set[str]) -> None:
    name, start = row.text("point"), row.text("from")
    if start and start not in points and start not in fresh:
        near = did_you_mean(start, [*points, *fresh])
        row.complain("from", f'there is no point "{start}"', near or "shoot it first")
    if name and name == start:
        row.complain("from", f'"{name}" is taped from itself', "name the feature the tape is on")


def _check(name: str, held: Sequence[tuple[Sheet, Tape]], *, shot: bool) -> None:
    """Complain where the tapes of one point cannot fix it, whatever they read."""
    row = held[0][0]
    starts = [tape.start for _, tape in held]
    for at, (again, tape) in enumerate(held):
        if tape.start in starts[:at]:
            again.complain("from", f'"{name}" has two tapes from "{tape.start}"', "keep one row")
    sides = {tape.side for _, tape in held if tape.side}
    if len(sides) > 1:
        row.complain("side", f'"{name}" is said to lie left and right', "keep one of the two")
    if shot:
        return
    if len(held) == 1:
        row.complain(
            "point", f'"{name}" has one tape and no rover position', "tape it from a second feature"
        )
    elif len(held) == 2 and not sides:
        row.complain(
            "side", f'two tapes put "{name}" at two places',
            f'write left or right: looking from "{starts[0]}" to "{starts[1]}"',
        )  # fmt: skip


def _point(name: str, tapes: Sequence[Tape]) -> Point:
    return Point(
        id=name,
        easting=math.nan,
        northing=math.nan,
        code=next((each.code for each in tapes if each.code), ""),
        note=next((each.note for each in tapes if each.note), ""),
        observations=len(tapes),
        origin=tapes[0].origin,
    )
