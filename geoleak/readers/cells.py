"""What a cell of a sheet may hold: each reads one; `Refused` says what is wrong with it.

A blank cell is read by `identifier`, `own_id` and `place` alone.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime

from geoleak import tables
from geoleak.errors import Refused, did_you_mean
from geoleak.readers import numbers
from geoleak.readers.headers import folded
from geoleak.readers.sheet import Cell, Sheet
from geoleak.site import Place
from geoleak.units import FLOW_UNITS_L_PER_S, PRESSURE_UNITS_KPA, VOLUME_UNITS_L, parse_length


def choice(*words: str) -> Cell:
    """Return what reads one of several words."""

    def read(row: Sheet, column: str) -> str:
        cell = row.text(column)
        word = cell.casefold().replace(" ", "_").replace("-", "_")
        if word not in words:
            near = f"{did_you_mean(cell, words)} ".lstrip()
            raise tables.UnknownNameError(f'"{cell}" is not known', f"{near}use {', '.join(words)}")
        return word

    return read


def identifier(row: Sheet, column: str) -> str:
    """Return a row's id, its number where it has none."""
    return row.text(column) or str(row.index)


def own_id(row: Sheet, column: str) -> str:
    """Return an id that no other row may have."""
    own = identifier(row, column)
    if not row.text("skip"):
        first, row.seen[own] = row.seen.get(own), row.line
        if first is not None:
            pooled = "; repeats at a place go into one level cell"
            remedy = f"number each once{pooled if 'level' in row.kind.columns else ''}"
            raise Refused(f'"{own}" stands at line {first} too', remedy)
    return own


def place(row: Sheet, column: str) -> Place:
    """Return a place."""
    return row.places.read(row.text(column), decimal=row.decimal)


def point(row: Sheet, column: str) -> str:
    """Return the id of a point that exists."""
    cell = row.text(column)
    if cell not in row.places.points:
        place(row, column)
        raise Refused(f'"{cell}" is not a point', "write a point's id alone")
    return cell


def yes_no(row: Sheet, column: str) -> bool:
    """Return whether a cell says yes."""
    cell = row.text(column)
    yes = cell.casefold() in ("yes", "y", "true", "1", "x")
    if not yes and cell.casefold() not in ("no", "n", "false", "0"):
        raise tables.UnknownNameError(f'"{cell}" is neither yes nor no', "write yes or no")
    return yes


def number(*, unit: str = "", per: float = 1.0, **limits: float) -> Cell:
    """Return what reads a number and divides it by ``per``; its ``unit`` may stand behind it."""

    def read(row: Sheet, column: str) -> float:
        cell = row.text(column)
        figure = cell[: -len(unit)] if unit and cell.casefold().endswith(unit) else cell
        if not figure.strip():
            raise Refused(f'"{cell}" is no figure', "write one, or leave the cell empty")
        return _within(numbers.number(figure, decimal=row.decimal), figure, **limits) / per

    return read


def _within(value: float, cell: str, *, above: float = -math.inf, low: float = -math.inf) -> float:
    if value <= above or value < low:
        limit = f"above {above:g}" if above > low else f"{low:g} or more"
        raise Refused(f'"{cell}" is out of range', f"write {limit}")
    return value


def length(*, usual: numbers.Usual | None = None, **limits: float) -> Cell:
    """Return what reads a length in metres, and asks about one that is not usual."""

    def read(row: Sheet, column: str) -> float:
        cell, unit = row.text(column), row.places.unit
        metres = _metres(row, cell)
        asked = usual and numbers.looks_numeric(cell) and numbers.doubt(cell, metres, usual, unit)
        if asked and metres > 0:
            raise asked
        return _within(metres, cell, **limits)

    return read


def _metres(row: Sheet, cell: str) -> float:
    if numbers.looks_numeric(cell):
        # A bare number keeps to the sheet's decimal sign.
        return parse_length(numbers.number(cell, decimal=row.decimal), unit=row.places.unit)
    text = cell.replace(",", ".") if row.decimal == "," else cell
    try:
        return parse_length(text, unit=row.places.unit)
    except Refused as error:
        if "thousands" in error.what:
            raise
        such = 'write one such as "3.5 ft", "1.1 m" or 3.5'
        raise Refused(f'"{cell}" is not a length', such) from None


_NOTHING = ("nothing", "nothingheard", "notheard", "none", "noneheard", "nosound", "silent",
            "silence", "nh", "nil")  # fmt: skip
# "52-54" and "52 to 54" swing between two figures; "31 -33" is a figure and one below zero.
_SWING = re.compile(r"(?<=\d)(?:\s*(?:\u2013|to|\.\.)\s*|-|\s+-\s+)(?=\d)")


def levels(row: Sheet, column: str) -> tuple[float, ...]:
    """Return the repeats of a level cell, parted by blanks, semicolons or slashes.

    Nothing heard is the least that the meter shows; a detector of gas shows 0.
    """
    if row.text(column) in ("-", "--"):
        what, remedy = '"-" may mean two things', "write nothing heard, or leave it empty"
        raise tables.UnknownNameError(what, remedy)
    text = re.sub(r"(?<=[\d\s])db\b", "", row.text(column), flags=re.IGNORECASE)
    if folded(text) in _NOTHING:
        floor = 0.0 if row.text("kind") in ("gas", "bar_hole") else row.floor
        if floor is None:
            what = "nothing heard is a reading at the meter's floor, which is not stated"
            remedy = (
                "write level_limits = [0, 99] in [readings], or new --level-limits 0,99: what "
                "the meter shows at least and at most"
            )
            raise tables.UnknownNameError(what, remedy)
        return (floor,)
    if _SWING.search(text):
        row.say_once("level_swings", f'a level such as "{text}" is read as two repeats')
        text = _SWING.sub(" ", text)
    parts = re.split(r"[\s;/]+", text)
    return tuple(numbers.number(each, decimal=row.decimal) for each in parts if each)


def surface(row: Sheet, column: str) -> str:
    """Return the surface that a cell names, whole or in one of its words: "wet grass"."""
    cell, found = row.text(column), set()
    for word in cell.split():
        with suppress(tables.UnknownNameError):
            found.add(tables.surface(word).name)
    return found.pop() if len(found) == 1 else tables.surface(cell).name


def speed(row: Sheet, column: str) -> float:
    """Return a speed such as ``4200``, ``"4200 ft/s"`` or ``"1280 m/s"`` in metres a second."""
    shown = row.text(column)
    cell = re.sub(r"\s*(/\s*s(ec)?|ps)\s*$", "", re.sub(r"\s*fps\s*$", " ft/s", shown))
    try:
        speed = _metres(row, cell)
    except Refused:
        such = 'write one such as 4200 or "1280 m/s"'
        raise Refused(f'"{shown}" is not a speed', such) from None
    if not 10 <= speed <= 6000:
        raise Refused(f'"{shown}" is {speed:.4g} m/s, which no pipe has', "check its unit")
    return speed


def valves(row: Sheet, column: str) -> tuple[str, ...]:
    """Return the points of the shut valves, parted by blanks, semicolons, commas or plus signs."""
    cell, points = row.text(column), row.places.points
    if cell in points:
        return (cell,)
    names = [each for each in re.split(r"[\s,;+]+", cell) if each]
    for name in names:
        if name not in points:
            near = did_you_mean(name, points) or "name valves by their point ids"
            raise Refused(f'there is no point "{name}"', near)
    return tuple(dict.fromkeys(names))


def fitting(row: Sheet, column: str) -> str:
    """Return what was worked: a point, or words for a valve that is not on file, and say so."""
    cell = row.text(column)
    if cell not in row.places.points:
        what = f'fitting: there is no point "{cell}"; it is kept as words'
        text = ": ".join(filter(None, (what, did_you_mean(cell, row.places.points))))
        row.collector.note("fitting_not_on_file", text, row.origin(column))
    return cell


def supply(row: Sheet, column: str) -> str:
    """Return where the water of a test enters: a point or a leg."""
    cell = row.text(column)
    if cell not in row.places.points and cell not in row.places.legs:
        near = did_you_mean(cell, row.places.legs) or "name where the water enters"
        raise Refused(f'"{cell}" is neither a point nor a leg', near)
    return cell


def units(row: Sheet, column: str) -> None:
    """Judge the units that the unit cell names: one of flow, one of pressure, or both."""
    words = dict.fromkeys(_units(row))
    for word in words:
        if word not in FLOW_UNITS_L_PER_S | PRESSURE_UNITS_KPA:
            known = ", ".join((*FLOW_UNITS_L_PER_S, *PRESSURE_UNITS_KPA))
            raise Refused(f'"{word}" is no unit of flow or pressure', f"use {known}")
    for kind in (FLOW_UNITS_L_PER_S, PRESSURE_UNITS_KPA):
        named = [word for word in words if word in kind]
        if len(named) > 1:
            raise Refused(f'"{named[1]}" stands beside "{named[0]}"', "keep one of the two")


def _units(row: Sheet) -> list[str]:
    return re.findall(r"[^\s,;]+", plain(row.text("unit")))


def time(row: Sheet, column: str) -> datetime:
    """Return a moment."""
    cell = row.text(column)
    try:
        return datetime.fromisoformat(cell)
    except ValueError:
        raise Refused(f'"{cell}" is not a time', "write one such as 2026-05-04 07:00") from None


def day(row: Sheet, column: str) -> str:
    """Return a date as it is written."""
    time(row, column)
    return row.text(column)


def date(row: Sheet, column: str) -> str:
    """Return a date as it is written, which may be anything; what is none is noted."""
    cell = row.text(column)
    try:
        time(row, column)
    except Refused as error:
        if not row.text("skip"):
            text = f"{column}: {error.what}, so nothing is told by it: {error.remedy}, or the day"
            row.say_once("date_unread", text)
    return cell


def year(row: Sheet, column: str) -> int:
    """Return a year."""
    cell = row.text(column)
    value = numbers.number(cell, decimal=row.decimal)
    if value != int(value) or not 1800 <= value <= 2200:
        raise Refused(f'"{cell}" is out of range', "write 1800 to 2200")
    return int(value)


def plain(text: str) -> str:
    """Return a unit as the tables of units spell it."""
    return text.casefold().replace("³", "3")


def quantity(units: Mapping[str, float], what: str) -> Cell:
    """Return what reads figures with their own unit (``"62 psi"``) or in the unit cell's."""

    def read(row: Sheet, column: str) -> float:
        cell = row.text(column)
        head, _, tail = cell.rpartition(" ")
        unit: str | None = plain(tail)
        if not head or unit not in units:
            head, unit = cell, next((word for word in _units(row) if word in units), None)
        value = _within(numbers.number(head, decimal=row.decimal), head, low=0)
        if unit is None:
            remedy = f"write one of {', '.join(units)} in unit"
            raise Refused(f'"{cell}" has no unit of {what}', remedy)
        return value * units[unit]

    return read


def volume_unit(row: Sheet, column: str) -> str:
    """Return the unit that a register counts in."""
    cell = row.text(column)
    unit = {plain(each): each for each in VOLUME_UNITS_L}.get(plain(cell))
    if unit is None:
        two = plain(cell).rstrip("s") in ("gal", "gallon")
        what = f'"{cell}" may be a US or an imperial gallon' if two else f'"{cell}" is not known'
        raise Refused(what, f"write one of {', '.join(VOLUME_UNITS_L)}")
    return unit


def state(row: Sheet, column: str) -> str:
    """Return the state of a run: one of those that mean something, or what is written."""
    cell = row.text(column)
    folded = " ".join(cell.casefold().split()).replace("all taps shut", "all shut")
    return folded if folded in ("all shut", "house valve shut", "after") else cell
