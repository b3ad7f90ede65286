"""Columns of points with rows taken out, and several files' columns end to end."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from geoleak.readers.point_table import Columns
from geoleak.readers.text_source import Raw


def only_rows(held: Columns, kept: NDArray[np.bool_]) -> Columns:
    """Return the rows of a mask."""
    rows = [int(each) for each in np.flatnonzero(kept)]

    def pick(cells: Sequence[str] | None) -> list[str] | None:
        return None if cells is None else [cells[row] for row in rows]

    return Columns(
        ids=[held.ids[row] for row in rows],
        easting=held.easting[kept],
        northing=held.northing[kept],
        codes=pick(held.codes) or [],
        files=pick(held.files) or [],
        lines=[held.lines[row] for row in rows],
        numbers={name: values[kept] for name, values in held.numbers.items()},
        status=None if held.status is None else held.status[kept],
        times=pick(held.times),
        notes=pick(held.notes),
        extra={name: pick(cells) or [] for name, cells in held.extra.items()},
    )


def raw_only(raw: Raw, kept: NDArray[np.bool_]) -> Raw:
    """Return the same file whose row numbers are those of the kept rows, for origins."""
    rows = [int(each) for each in np.flatnonzero(kept)]
    locate = raw.locate
    return Raw(
        raw.label,
        raw.header,
        [],
        [raw.lines[row] for row in rows],
        lambda row, index: locate(rows[row], index),
        positions_checked=raw.positions_checked,
    )


def joined(parts: list[Columns]) -> Columns:
    """Return several files' columns end to end."""
    sizes = [len(part.ids) for part in parts]

    def strings(cells: list[Sequence[str] | None]) -> list[str] | None:
        if all(each is None for each in cells):
            return None
        joined: list[str] = []
        for each, size in zip(cells, sizes, strict=True):
            joined.extend([""] * size if each is None else each)
        return joined

    names = dict.fromkeys(name for part in parts for name in part.numbers)
    extras = dict.fromkeys(name for part in parts for name in part.extra)
    status = None
    if any(part.status is not None for part in parts):
        status = np.concatenate(
            [
                np.zeros(size, np.int8) if part.status is None else part.status
                for part, size in zip(parts, sizes, strict=True)
            ]
        )
    return Columns(
        ids=[each for part in parts for each in part.ids],
        easting=np.concatenate([part.easting for part in parts]),
        northing=np.concatenate([part.northing for part in parts]),
        codes=[each for part in parts for each in part.codes],
        files=[each for part in parts for each in part.files],
        lines=[each for part in parts for each in part.lines],
        numbers={
            name: np.concatenate(
                [
                    part.numbers.get(name, np.full(size, np.nan))
                    for part, size in zip(parts, sizes, strict=True)
                ]
            )
            for name in names
        },
        status=status,
        times=strings([part.times for part in parts]),
        notes=strings([part.notes for part in parts]),
        extra={name: strings([p.extra.get(name) for p in parts]) or [] for name in extras},
    )
