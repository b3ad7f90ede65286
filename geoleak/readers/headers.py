"""Which column of a file is what: header spellings by role, kept in headers.csv.

Case, accents, punctuation and a unit in brackets do not count.
"""

from __future__ import annotations

import functools
import re
import unicodedata
from collections.abc import Mapping, Sequence

from geoleak.record import Record, field, replace
from geoleak.tables import csv_rows

ROLES: dict[str, str] = {
    "id": "point id",
    "northing": "northing",
    "easting": "easting",
    "latitude": "latitude",
    "longitude": "longitude",
    "elevation": "elevation",
    "ellipsoidal_height": "ellipsoidal height",
    "code": "code",
    "horizontal_precision": "horizontal precision",
    "vertical_precision": "vertical precision",
    "easting_precision": "easting precision",
    "northing_precision": "northing precision",
    "status": "fix",
    "time": "time",
    "depth": "depth",
    "note": "note",
}
"""Roles of a point file's columns, and what a person calls them."""
NUMERIC_ROLES = frozenset(ROLES) - {"id", "code", "status", "time", "note"}
# Spellings that some country uses for the other axis: never decided by the header alone.
_AXIS_LETTERS = {"x", "y", "coordx", "coordy", "xcoord", "ycoord", "xcoordinate", "ycoordinate"}
# Of two columns of one role the one that stands first here is taken.
_PLAIN_FIRST = (
    "pointid", "pointnumber", "pointno", "name", "id", "point", "elevation", "elev", "z", "status",
    "solution", "fix", "time", "datetime", "timestamp", "note", "notes", "northing", "n", "easting",
    "e",
)  # fmt: skip


@functools.cache
def spellings(kind: str) -> Mapping[str, str]:
    """Return role by folded spelling for points, mains, services, sheets, fixes or units.

    The spellings are from memory and from exports of several countries; there is no one source.
    """
    rows = [row for row in csv_rows("geoleak.readers", "headers") if row["file"] == kind]
    return {word: row["role"] for row in rows for word in row["spellings"].split()}


def folded(text: str) -> str:
    """Return a header without case, accents, punctuation and a bracketed unit."""
    bare = re.sub(r"[\(\[\{<].*?[\)\]\}>]", " ", text)
    if not re.sub(r"[\W_]+", "", bare):
        bare = text
    apart = unicodedata.normalize("NFKD", bare.casefold().replace("ß", "ss"))
    return "".join(sign for sign in apart if sign.isalnum())


def unit_word(text: str) -> str | None:
    """Return the unit a word names, or ``None``; ``"foot"`` is a foot of unknown kind."""
    return spellings("units").get(re.sub(r"[\W_]+", "", text.casefold()))


def header_unit(text: str) -> str | None:
    """Return the unit a header states, in brackets or as its last word."""
    match = re.search(r"[\(\[\{<]\s*(.*?)\s*[\)\]\}>]", text)
    if match and (unit := unit_word(match.group(1))):
        return unit
    parts = re.split(r"[\W_]+", text.strip())
    return unit_word(parts[-1]) if len(parts) > 1 else None


def role_of(text: str, kind: str = "points") -> str | None:
    """Return the role a heading of a kind of file stands for, with or without its unit behind it.

    Examples
    --------
    >>> role_of("Elev (ft)"), role_of("DIAM_MM", "mains"), role_of("remarks", "mains")
    ('elevation', 'nominal', None)
    """
    known, word = spellings(kind), folded(text)
    bare = (word.removesuffix(unit) for unit in spellings("units") if len(word) > len(unit) + 1)
    return next((known[each] for each in (word, *bare) if each in known), None)


class Header(Record):
    """Columns by role: role -> field index; units stated; what is left over by name.

    ``doubled`` holds (role, column taken, column passed over); ``axis_letters`` says that the axes
    are known by x and y alone: which of them is north is another matter in each country.
    """

    roles: Mapping[str, int]
    names: tuple[str, ...]
    units: Mapping[str, str] = field(default_factory=dict)
    doubled: tuple[tuple[str, int, int], ...] = ()
    axis_letters: bool = False

    def laid_out(self, layout: str) -> Header:
        """Return the header with its two axes in the order of a layout, pnezd or penzd."""
        if not {"northing", "easting"} <= self.roles.keys():
            return self
        axes = ("northing", "easting") if layout == "pnezd" else ("easting", "northing")
        places = sorted((self.roles["northing"], self.roles["easting"]))
        of = {at: self.units.get(role) for role, at in self.roles.items()}
        roles = {**self.roles, **dict(zip(axes, places, strict=True))}
        units = {role: unit for role, at in roles.items() if (unit := of[at])}
        return replace(self, roles=roles, units=units)

    def extra(self) -> dict[str, int]:
        """Return the columns that have no role, by their name."""
        taken = set(self.roles.values())
        return {
            name or f"column {index + 1}": index
            for index, name in enumerate(self.names)
            if index not in taken
        }


def read_header(cells: Sequence[str]) -> Header:
    """Return what the cells of a header line stand for."""
    roles: dict[str, int] = {}
    doubled: list[tuple[str, int, int]] = []
    rank = {word: place for place, word in enumerate(_PLAIN_FIRST)}
    plain = [rank.get(folded(cell), len(rank)) for cell in cells]
    for index, role in enumerate(map(role_of, cells)):
        used = roles.setdefault(role, index) if role is not None else index
        if role is not None and used != index:
            roles[role], other = sorted((used, index), key=plain.__getitem__)
            doubled.append((role, roles[role], other))
    if "code" not in roles and "note" in roles:
        # A description is the code where there is no other.
        roles["code"] = roles.pop("note")
    stated = {role: header_unit(cells[index]) for role, index in roles.items()}
    axis = [cells[roles[each]] for each in ("northing", "easting") if each in roles]
    return Header(
        roles,
        tuple(each.strip() for each in cells),
        {role: unit for role, unit in stated.items() if unit},
        tuple(doubled),
        bool(axis) and all(folded(each) in _AXIS_LETTERS for each in axis),
    )
