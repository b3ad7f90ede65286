"""What a cell of a sheet may hold: each reads one; `Refused` says what is wrong with it."""

from __future__ import annotations

import re
from collections.abc import Mapping
from contextlib import suppress
from datetime import datetime
from typing import Any

from geoleak import tables
from geoleak.errors import Refused, did_you_mean
from geoleak.readers import numbers
from geoleak.readers.headers import folded
from geoleak.readers.sheet import Cell, Sheet
from geoleak.units import FLOW_UNITS_L_PER_S, PRESSURE_UNITS_KPA, VOLUME_UNITS_L


def choice(*words: str, default: str | None = None) -> Cell:
    """Return what reads one of several words; blank is the default."""

    def read(row: Sheet, column: str) -> str | None:
        cell = row.text(column)
        word = cell.casefold().replace(" ", "_").replace("-", "_")
        if word and word not in words:
            near = f"{did_you_mean(cell, words)} ".lstrip()
            raise tables.UnknownNameError(f'"{cell}" is not known', f"{near}use {', '.join(words)}")
        return word or default

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


def number(*, per: float = 1.0, **limits: Any) -> Cell:
    """Return what reads a number and divides it by ``per``; its ``unit`` may stand behind it."""

    def read(row: Sheet, column: str) -> float | None:
        value = row.number(row.text(column), **limits)
        return None if value is None else value / per

    return read


def length(**limits: Any) -> Cell:
    """Return what reads a length, in metres."""
    return lambda row, column: row.length(row.text(column), **limits)


def filled(read: Cell, *, must: bool) -> Cell:
    """Return what reads a cell where it is filled in, as it ``must`` be or may."""

    def only(row: Sheet, column: str) -> Any:
        there = row.required(column) if must else row.text(column)
        return read(row, column) if there else None

    return only


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


def surface(row: Sheet, column: str) -> str | None:
    """Return the surface that a cell names, whole or in one of its words: "wet grass"."""
    cell, found = row.text(column), set()
    for word in cell.split():
        with suppress(tables.UnknownNameError):
            found.add(tables.surface(word).name)
    if not cell:
        return None
    return found.pop() if len(found) == 1 else tables.surface(cell).name


def speed(row: Sheet, column: str) -> float | None:
    """Return a speed such as ``4200``, ``"4200 ft/s"`` or ``"1280 m/s"`` in metres a second."""
    shown = row.text(column)
    cell = re.sub(r"\s*(/\s*s(ec)?|ps)\s*$", "", re.sub(r"\s*fps\s*$", " ft/s", shown))
    if not cell:
        return None
    try:
        speed = row.length_of(cell)
    except Refused:
        such = 'write one such as 4200 or "1280 m/s"'
        raise Refused(f'"{shown}" is not a speed', such) from None
    if not 10 <= speed <= 6000:
        raise Refused(f'"{shown}" is {speed:.4g} m/s, which no pipe has', "check its unit")
    return speed


def valves(row: Sheet, column: str) -> tuple[str, ...]:
    """Return the points of the shut valves, parted by blanks, semicolons, commas or plus signs."""
    cell, points = row.required(column), row.places.points
    if cell in points:
        return (cell,)
    names = [each for each in re.split(r"[\s,;+]+", cell) if each]
    for name in names:
        if name not in points:
            near = did_you_mean(name, points) or "name valves by their point ids"
            raise Refused(f'there is no point "{name}"', near)
    return tuple(dict.fromkeys(names))


def fitting(row: Sheet, column: str) -> str | None:
    """Return what was worked: a point, or words for a valve that is not on file, and say so."""
    cell = row.text(column)
    if cell and cell not in row.places.points:
        what = f'fitting: there is no point "{cell}"; it is kept as words'
        near = did_you_mean(cell, row.places.points)
        text = f"{what}: {near}" if near else what
        row.collector.note("fitting_not_on_file", text, row.origin(column))
    return cell or None


def supply(row: Sheet, column: str) -> str | None:
    """Return where the water of a test enters: a point or a leg."""
    cell = row.text(column)
    if cell and cell not in row.places.points and cell not in row.places.legs:
        near = did_you_mean(cell, row.places.legs) or "name where the water enters"
        raise Refused(f'"{cell}" is neither a point nor a leg', near)
    return cell or None


def units(row: Sheet, column: str) -> None:
    """Judge the units that the unit cell names: one of flow, one of pressure, or both."""
    known = (*FLOW_UNITS_L_PER_S, *PRESSURE_UNITS_KPA)
    words = dict.fromkeys(re.findall(r"[^\s,;]+", plain(row.text("unit"))))
    for word in words:
        if word not in known:
            what = f'"{word}" is no unit of flow or pressure'
            raise Refused(what, f"use {', '.join(known)}")
    for kind in (FLOW_UNITS_L_PER_S, PRESSURE_UNITS_KPA):
        named = [word for word in words if word in kind]
        if len(named) > 1:
            raise Refused(f'"{named[1]}" stands beside "{named[0]}"', "keep one of the two")


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
        if cell and not row.text("skip"):
            text = f"{column}: {error.what}, so nothing is told by it: {error.remedy}, or the day"
            row.say_once("date_unread", text)
    return cell


def year(row: Sheet, column: str) -> int | None:
    """Return a year, None where blank."""
    cell = row.text(column)
    value = row.number(cell)
    if value is not None and (value != int(value) or not 1800 <= value <= 2200):
        raise Refused(f'"{cell}" is out of range', "write 1800 to 2200")
    return None if value is None else int(value)


def plain(text: str) -> str:
    """Return a unit as the tables of units spell it."""
    return text.casefold().replace("³", "3")


def quantity(units: Mapping[str, float], what: str) -> Cell:
    """Return what reads figures with their own unit (``"62 psi"``) or in the unit cell's."""

    def read(row: Sheet, column: str) -> float | None:
        cell = row.text(column)
        head, _, tail = cell.rpartition(" ")
        unit: str | None = plain(tail)
        if not head or unit not in units:
            head = cell
            unit = next(
                (
                    word
                    for word in re.findall(r"[^\s,;]+", plain(row.text("unit")))
                    if word in units
                ),
                None,
            )
        value = row.number(head, low=0)
        if value is not None and unit is None:
            remedy = f"write one of {', '.join(units)} in unit"
            raise Refused(f'"{cell}" has no unit of {what}', remedy)
        return None if value is None else value * units[str(unit)]

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
