"""Points of the rover's files, and a few that only tapes know."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence

from geoleak.readers.point_table import Columns, FloatArray, PointTable
from geoleak.site import Point


class TapedPoints(PointTable):
    """A `PointTable` with points added behind those of its files.

    ``easting``, ``northing`` and ``codes`` stay those of the files.
    """

    __slots__ = ("added", "base")

    def __init__(self, base: PointTable, added: Mapping[str, Point]) -> None:
        super().__init__(base._columns)
        self.base = base
        self.added = dict(added)

    @property
    def ids(self) -> Sequence[str]:
        """Ids in file order, the taped ones last."""
        return [*self.base.ids, *self.added]

    @property
    def easting(self) -> FloatArray:
        """Eastings of the files' points."""
        return self.base.easting

    @property
    def northing(self) -> FloatArray:
        """Northings of the files' points."""
        return self.base.northing

    @property
    def codes(self) -> Sequence[str]:
        """Codes of the files' points."""
        return self.base.codes

    def __len__(self) -> int:
        return len(self.base) + len(self.added)

    def __iter__(self) -> Iterator[str]:
        yield from self.base
        yield from self.added

    def __contains__(self, key: object) -> bool:
        return key in self.added or key in self.base

    def __getitem__(self, key: str) -> Point:
        return self.added[key] if key in self.added else self.base[key]

    def code_names(self) -> list[str]:
        """Return the different codes, without the blank one."""
        more = [each.code for each in self.added.values() if each.code]
        return list(dict.fromkeys([*self.base.code_names(), *more]))

    def ids_with_code(self, code: str) -> list[str]:
        """Return the ids of the points of a code, in file order."""
        more = [key for key, each in self.added.items() if each.code == code]
        return [*self.base.ids_with_code(code), *more]

    def ids_between(self, head: str, low: int, high: int) -> list[str]:
        """Return the ids of this beginning whose number lies between two, in file order."""
        found = self.base.ids_between(head, low, high)
        for key in self.added:
            tail = key.removeprefix(head)
            if key.startswith(head) and tail.isdecimal() and low <= int(tail) <= high:
                found.append(key)
        return found

    def place_of(self, key: str) -> int:
        """Return where an id stands in the file order; raises ``KeyError``."""
        if key in self.added:
            return len(self.base) + list(self.added).index(key)
        return self.base.place_of(key)

    def at(self, index: int) -> Point:
        """Return the point at a place of the file order."""
        if index < len(self.base):
            return self.base.at(index)
        return list(self.added.values())[index - len(self.base)]


def no_points() -> PointTable:
    """Return a table of no points, for a site that has a network alone."""
    import numpy as np

    none = np.zeros(0)
    return PointTable(Columns([], none, none, [], [], []))
