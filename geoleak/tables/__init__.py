"""Published constants as data files, each row with its source.

Each table is a CSV file beside this module whose column names carry the units. Every row of a
file says where its figures come from and how far that goes: ``flag`` is ``published``, ``library``,
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

from geoleak.errors import Refused, one_slip_away, underscored
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


class Soil(Record):
    """Ground between pipe and surface: loss beyond spreading, in the band about a reference."""

    name: str
    also: tuple[str, ...]
    label: str
    loss_db_per_m: float
    loss_log_sigma: float
    loss_reference_hz: float


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


class Band(Record):
    """A band to start with; a measured one is better."""

    material: str
    use: Literal["listen", "delay"]
    low_hz: float
    high_hz: float


class Setting(Record):
    """A weight of the evidence: median or mean with its spread (one sigma; 0: taken as known)."""

    name: str
    value: float
    spread: float
    unit: str


class PipeSize(Record):
    """Outside diameter and wall of a nominal size, as its standard has them."""

    standard: str
    also: tuple[str, ...]
    nominal_in: float
    outside_mm: float
    wall_mm: float


def material(name: str) -> Material:
    """Return the pipe material of this name (or of another spelling of it).

    Raises
    ------
    UnknownNameError
        With the nearest known name.
    """
    return _named(Material, "materials", name)


def soil(name: str) -> Soil:
    """Return the soil of this name; raises `UnknownNameError`."""
    return _named(Soil, "soils", name)


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
    rows = {each.material: each for each in rows_of(Band, "bands") if each.use == use}
    return next(rows[key] for key in keys if key in rows)


def standard_in(words: str) -> tuple[str, str]:
    """Return what is left of a material as crews write it, and the standard of sizes it names.

    >>> standard_in("PVC Sch. 40")
    ('PVC', 'sch 40')
    >>> standard_in("ductile iron")
    ('ductile iron', '')
    """
    folded = " ".join(words.replace(".", " ").replace(",", " ").split())
    spellings = {
        each: row.standard
        for row in rows_of(PipeSize, "sizes")
        for each in (row.standard, *row.also)
    }
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
    made = {row.nominal_in: row for row in rows_of(PipeSize, "sizes") if row.standard == standard}
    for size, row in made.items():
        if abs(size - nominal_in) < 0.01:
            return row
    listing = ", ".join(f"{size:g}" for size in made)
    raise Refused(f"{standard} has no size of {nominal_in:g} in", f"it has {listing} in")


@functools.cache
def settings() -> dict[str, Setting]:
    """Return every weight of the evidence, of rival explanations and of checks by name."""
    return {row.name: row for file in ("evidence", "rivals") for row in rows_of(Setting, file)}


def setting(name: str) -> Setting:
    """Return one weight of the evidence."""
    return settings()[name]


@functools.cache
def fitting_of(code: str) -> tuple[str, float]:
    """Return what a fitting of this code is, and how far a pipe past it is as common as past none.

    "" and 1 for a code that is no word of the table: a valve, a hydrant or a tee ends nothing.

    >>> fitting_of("HB2"), fitting_of("WV")
    (('faucet', 0.3), ('', 1.0))
    """
    word = underscored(code).rstrip("0123456789_.#")
    rows = (
        (row["name"], float(row["goes_on"]), [row["name"], *row["also"].split(";")])
        for row in csv_rows(__name__, "fittings")
    )
    found = ((name, share) for name, share, words in rows if word in map(underscored, words))
    return next(found, ("", 1.0))


def names(table: str) -> tuple[str, ...]:
    """Return the names in ``"materials"``, ``"soils"`` or ``"surfaces"``, in the file's order."""
    return tuple(row["name"] for row in csv_rows(__name__, table))


@functools.cache
def _named(kind: Any, table: str, name: str) -> Any:
    spellings = {each: row for row in rows_of(kind, table) for each in (*row.also, row.name)}
    found = spellings.get(underscored(name))
    if found is None:
        word = one_slip_away(underscored(name), spellings)
        near = f'did you mean "{spellings[word].name}"? ' if word else ""
        what = f'unknown {table.removesuffix("s")} "{name}"'
        raise UnknownNameError(what, f"{near}known are {', '.join(names(table))}")
    return found


@functools.cache
def csv_rows(package: str, table: str) -> tuple[dict[str, str], ...]:
    """Return the rows of a package's CSV file, each by the file's headings."""
    text = resources.files(package).joinpath(f"{table}.csv").read_text("utf-8")
    return tuple(csv.DictReader(text.splitlines()))


_READ: dict[Any, Callable[[str], Any]] = {
    "float": float,
    "bool": "yes".__eq__,
    "tuple[str, ...]": lambda text: tuple(underscored(each) for each in text.split(";") if each),
}


@functools.cache
def rows_of(kind: Any, table: str) -> tuple[Any, ...]:
    """Return the rows of a table as records, in the order of the file."""
    read = {name: _READ.get(of, str) for name, of in kind.__annotations__.items()}
    return tuple(
        kind(**{n: of(row[n]) for n, of in read.items()}) for row in csv_rows(__name__, table)
    )
