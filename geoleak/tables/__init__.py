"""Published constants as data files, each row with its source.

Each table is a CSV file beside this module whose column names carry the units. Every row says where
its figures come from and how far that goes: ``flag`` is ``published``, ``library``,
``common practice`` or ``from memory``.

>>> from geoleak import tables
>>> tables.material("Ductile iron").youngs_modulus_gpa
165.0
>>> tables.band("pvc", "listen").high_hz
1500.0
"""

from __future__ import annotations

import csv
import functools
from collections.abc import Callable
from importlib import resources
from typing import Any, Literal

from geoleak.errors import Refused, one_slip_away
from geoleak.record import Record


class UnknownNameError(Refused, LookupError):
    """A name that stands in no row of a table; the remedy names the nearest that does."""


class Material(Record):
    """What a pipe is made of.

    ``loss_db_per_m`` is the median loss of leak noise along the pipe in the band around
    ``loss_reference_hz``; ``loss_log_sigma`` is the standard deviation of its natural logarithm.
    In the thin-wall model the loss grows in proportion to frequency. ``wave_speed_spread`` is the
    relative standard deviation of a measured wave speed about the computed one.
    """

    name: str
    also: tuple[str, ...]
    label: str
    kind: Literal["metal", "plastic", "cement"]
    youngs_modulus_gpa: float
    modulus_sigma_gpa: float
    poisson: float
    loss_db_per_m: float
    loss_log_sigma: float
    loss_reference_hz: float
    wave_speed_spread: float
    source: str
    flag: str


class Soil(Record):
    """Ground between pipe and surface: loss beyond spreading, in the band about a reference."""

    name: str
    also: tuple[str, ...]
    label: str
    loss_db_per_m: float
    loss_log_sigma: float
    loss_reference_hz: float
    wave_speed_m_per_s: float
    quality_factor: float
    source: str
    flag: str


class Surface(Record):
    """What the sensor stands on: louder or quieter than soil, and how far it smears the peak."""

    name: str
    also: tuple[str, ...]
    label: str
    is_hard: bool
    louder_db: float
    louder_sigma_db: float
    smear_m: float
    smear_sigma_m: float
    source: str
    flag: str


class Band(Record):
    """A band to start with; a measured one is better."""

    material: str
    use: Literal["listen", "delay"]
    low_hz: float
    high_hz: float
    source: str
    flag: str


class Setting(Record):
    """A weight of the evidence: median or mean with its spread (one sigma; 0: taken as known)."""

    name: str
    value: float
    spread: float
    unit: str
    source: str
    flag: str


class PipeSize(Record):
    """Outside diameter and wall of a nominal size, as its standard has them."""

    standard: str
    also: tuple[str, ...]
    nominal_in: float
    outside_mm: float
    wall_mm: float
    source: str
    flag: str


@functools.cache
def material(name: str) -> Material:
    """Return the pipe material of this name (or of another spelling of it).

    Raises
    ------
    UnknownNameError
        With the nearest known name.
    """
    return _named(Material, "materials", name)


@functools.cache
def soil(name: str) -> Soil:
    """Return the soil of this name; raises `UnknownNameError`."""
    return _named(Soil, "soils", name)


@functools.cache
def surface(name: str) -> Surface:
    """Return the surface of this name; raises `UnknownNameError`."""
    return _named(Surface, "surfaces", name)


def band(material_name: str | None, use: Literal["listen", "delay"]) -> Band:
    """Return the band to start with for a material: its own row, its kind's, or the general one.

    Parameters
    ----------
    material_name : str or None
        None where the material is not known.
    use : {"listen", "delay"}
        To listen in, or to time the noise between two sensors.

    Raises
    ------
    UnknownNameError
        For an unknown material.
    """
    found = None if material_name is None else material(material_name)
    keys = ("any",) if found is None else (found.name, found.kind, "any")
    rows = {each.material: each for each in bands() if each.use == use}
    return next(rows[key] for key in keys if key in rows)


def sizes() -> tuple[PipeSize, ...]:
    """Return every nominal size of pipe, in the order of the file."""
    return rows_of(PipeSize, "sizes")


def standard_in(words: str) -> tuple[str, str]:
    """Return what is left of a material as crews write it, and the standard of sizes it names.

    >>> standard_in("PVC Sch. 40")
    ('PVC', 'sch 40')
    >>> standard_in("ductile iron")
    ('ductile iron', '')
    """
    folded = " ".join(words.replace(".", " ").replace(",", " ").split())
    spellings = {each: row.standard for row in sizes() for each in (row.standard, *row.also)}
    for each in sorted(spellings, key=len, reverse=True):
        head, found, tail = folded.casefold().partition(each.replace("_", " "))
        if found and not tail and head.endswith(" "):
            return folded[: len(head)].strip(), spellings[each]
    return words, ""


def pipe_size(standard: str, nominal_in: float) -> PipeSize:
    """Return the pipe of a nominal size, made to a standard (``"sch 40"``).

    Raises
    ------
    Refused
        With the sizes that the standard has.
    """
    made = {row.nominal_in: row for row in sizes() if row.standard == standard}
    for size, row in made.items():
        if abs(size - nominal_in) < 0.01:
            return row
    listing = ", ".join(f"{size:g}" for size in made)
    raise Refused(f"{standard} has no size of {nominal_in:g} in", f"it has {listing} in")


def bands() -> tuple[Band, ...]:
    """Return every starting band, in the order of the file."""
    return rows_of(Band, "bands")


@functools.cache
def settings() -> dict[str, Setting]:
    """Return every weight of the evidence, of rival explanations and of checks by name."""
    return {row.name: row for file in ("evidence", "rivals") for row in rows_of(Setting, file)}


def setting(name: str) -> Setting:
    """Return one weight of the evidence."""
    return settings()[name]


@functools.cache
def goes_on(code: str) -> float:
    """Return how far a pipe past a fitting of this code is as common as past an end without one.

    1 for a code that is no word of the table: a valve, a hydrant or a tee ends nothing.

    >>> goes_on("HB2"), goes_on("WV")
    (0.3, 1.0)
    """
    word = _fold(code).rstrip("0123456789_.#")
    rows = ((row["goes_on"], [row["name"], *row["also"].split(";")]) for row in _rows("fittings"))
    return next((float(share) for share, words in rows if word in map(_fold, words)), 1.0)


def names(table: str) -> tuple[str, ...]:
    """Return the names in ``"materials"``, ``"soils"`` or ``"surfaces"``, in the file's order."""
    return tuple(row["name"] for row in _rows(table))


def _named(kind: Any, table: str, name: str) -> Any:
    spellings = {each: row for row in rows_of(kind, table) for each in (*row.also, row.name)}
    found = spellings.get(_fold(name))
    if found is None:
        word = one_slip_away(_fold(name), spellings)
        near = f'did you mean "{spellings[word].name}"? ' if word else ""
        what = f'unknown {table.removesuffix("s")} "{name}"'
        raise UnknownNameError(what, f"{near}known are {', '.join(names(table))}")
    return found


def _fold(name: str) -> str:
    return "_".join(name.strip().lower().replace("-", " ").replace("_", " ").split())


@functools.cache
def _rows(table: str) -> tuple[dict[str, str], ...]:
    text = resources.files(__name__).joinpath(f"{table}.csv").read_text(encoding="utf-8")
    return tuple(csv.DictReader(text.splitlines()))


_READ: dict[Any, Callable[[str], Any]] = {
    "float": float,
    "bool": "yes".__eq__,
    "tuple[str, ...]": lambda text: tuple(_fold(each) for each in text.split(";") if each),
}


@functools.cache
def rows_of(kind: Any, table: str) -> tuple[Any, ...]:
    """Return the rows of a table as records, in the order of the file."""
    read = {name: _READ.get(of, str) for name, of in kind.__annotations__.items()}
    return tuple(kind(**{n: of(row[n]) for n, of in read.items()}) for row in _rows(table))
