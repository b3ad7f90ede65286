"""Points held as columns: a mapping from point id to `Point` that makes records when asked."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from geoleak.errors import Origin
from geoleak.readers.long_columns import CodedText, NumberedIds, distinct
from geoleak.site import Point, PointStatus

FloatArray = NDArray[np.float64]
STATUSES: tuple[PointStatus, ...] = ("unknown", "fixed", "float", "single")


@dataclass(slots=True)
class Columns:
    """The columns of a point file. NaN stands for "not stated" in here and never leaves."""

    ids: Sequence[str]
    easting: FloatArray
    northing: FloatArray
    codes: Sequence[str]
    files: Sequence[str]
    lines: Sequence[int]
    numbers: dict[str, FloatArray] = field(default_factory=dict)
    """elevation_m, ellipsoidal_height_m, sigma_horizontal_m, sigma_vertical_m, depth_m."""
    status: NDArray[np.int8] | None = None
    """Index into ``STATUSES``."""
    times: Sequence[str] | None = None
    notes: Sequence[str] | None = None
    observations: NDArray[np.int32] | None = None
    extra: dict[str, Sequence[str]] = field(default_factory=dict)


class PointTable(Mapping[str, Point]):
    """Points by id, in file order; a million of them stay a handful of arrays."""

    __slots__ = ("_columns", "_index", "_made")

    def __init__(self, columns: Columns) -> None:
        self._columns = columns
        self._index: dict[str, int] | None = None
        self._made: dict[int, Point] = {}

    @property
    def ids(self) -> Sequence[str]:
        """Ids in file order."""
        return self._columns.ids

    @property
    def easting(self) -> FloatArray:
        """Eastings (or longitudes) in the CRS's axis unit, shape (n,)."""
        return self._columns.easting

    @property
    def northing(self) -> FloatArray:
        """Northings (or latitudes) in the CRS's axis unit, shape (n,)."""
        return self._columns.northing

    @property
    def codes(self) -> Sequence[str]:
        """Codes in file order."""
        return self._columns.codes

    def __len__(self) -> int:
        return len(self._columns.ids)

    def __iter__(self) -> Iterator[str]:
        return iter(self._columns.ids)

    def __contains__(self, key: object) -> bool:
        return self._find(key) is not None

    def __getitem__(self, key: str) -> Point:
        index = self._find(key)
        if index is None:
            raise KeyError(key)
        return self.at(index)

    def _find(self, key: object) -> int | None:
        ids = self._columns.ids
        if isinstance(ids, NumberedIds):
            return ids.find(key)
        if self._index is None:
            self._index = dict(zip(ids, range(len(ids)), strict=True))
        return self._index.get(key) if isinstance(key, str) else None

    def code_names(self) -> list[str]:
        """Return the different codes, without the blank one."""
        return [code for code in distinct(self._columns.codes) if code]

    def ids_with_code(self, code: str) -> list[str]:
        """Return the ids of the points of a code, in file order."""
        codes, ids = self._columns.codes, self._columns.ids
        if isinstance(codes, CodedText):
            return [ids[int(row)] for row in codes.rows_of(code)]
        return [each for each, own in zip(ids, codes, strict=True) if own == code]

    def ids_between(self, head: str, low: int, high: int) -> list[str]:
        """Return the ids that are ``head`` and a number within limits, in file order."""
        ids = self._columns.ids
        if isinstance(ids, NumberedIds):
            if head:
                return []
            rows = np.flatnonzero((ids.numbers >= low) & (ids.numbers <= high))
            return [ids[int(row)] for row in rows]
        numbered = re.compile(re.escape(head) + r"([0-9]{1,18})")
        matches = ((each, numbered.fullmatch(each)) for each in ids)
        return [each for each, match in matches if match and low <= int(match[1]) <= high]

    def place_of(self, key: str) -> int:
        """Return where an id stands in the file order; raises ``KeyError``."""
        index = self._find(key)
        if index is None:
            raise KeyError(key)
        return index

    def at(self, index: int) -> Point:
        """Return the point at a place of the file order."""
        made = self._made.get(index)
        if made is None:
            made = self._made[index] = self._make(index)
        return made

    def _make(self, index: int) -> Point:
        held = self._columns
        numbers: dict[str, Any] = {}
        for name, values in held.numbers.items():
            value = float(values[index])
            numbers[name] = value if math.isfinite(value) else None
        extra = {name: cells[index] for name, cells in held.extra.items() if cells[index]}
        return Point(
            id=held.ids[index],
            easting=float(held.easting[index]),
            northing=float(held.northing[index]),
            code=held.codes[index],
            status="unknown" if held.status is None else STATUSES[held.status[index]],
            time="" if held.times is None else held.times[index],
            note="" if held.notes is None else held.notes[index],
            observations=1 if held.observations is None else int(held.observations[index]),
            extra=MappingProxyType(extra),
            origin=Origin(held.files[index], held.lines[index]),
            **numbers,
        )
