"""A column of cells to numbers: all at once where it is clean, cell by cell where it is not."""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np

from geoleak.errors import Refused
from geoleak.readers.numbers import angle, number
from geoleak.readers.point_table import FloatArray

MOST_BAD_CELLS = 200
Bad = list[tuple[int, Refused]]


def floats(cells: Sequence[str], *, decimal: str) -> tuple[FloatArray, Bad]:
    """Return a column's numbers (NaN where a cell is blank) and its bad cells.

    Parameters
    ----------
    cells : sequence of str, length n
    decimal : {".", ","}

    Returns
    -------
    values : ndarray, shape (n,)
    bad : list of (int, Refused)
        Row and what is wrong of cells that are no finite number, at most 200.
    """
    quick = _all_at_once(cells, decimal)
    if quick is not None:
        return quick, []
    return _one_by_one(cells, lambda cell: number(cell, decimal=decimal))


def angles(cells: Sequence[str], *, decimal: str) -> tuple[FloatArray, Bad]:
    """Return a column of decimal degrees or degrees, minutes and seconds; as `floats`."""
    quick = _all_at_once(cells, decimal)
    if quick is not None:
        return quick, []
    return _one_by_one(cells, lambda cell: angle(cell, decimal=decimal))


def _all_at_once(cells: Sequence[str], decimal: str) -> FloatArray | None:
    joined = "".join(cells)
    if "_" in joined or not joined.isascii():  # float() takes 1_000 and digits of other scripts
        return None
    if decimal == ",":
        if "." in joined:
            return None
        cells = [cell.replace(",", ".") for cell in cells]
    try:
        values = np.fromiter(map(float, cells), dtype=np.float64, count=len(cells))
    except ValueError:
        return None
    return values if np.isfinite(values).all() else None


def _one_by_one(cells: Sequence[str], read: Callable[[str], float]) -> tuple[FloatArray, Bad]:
    values = np.full(len(cells), np.nan)
    bad: Bad = []
    for row, cell in enumerate(cells):
        if not cell.strip():
            continue
        try:
            values[row] = read(cell)
        except Refused as error:
            bad.append((row, error))
            if len(bad) >= MOST_BAD_CELLS:
                break
    return values, bad
