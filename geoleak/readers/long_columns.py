"""Columns of text that a million rows share little of: numbers as ids, few words many times."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import Any, overload

import numpy as np
from numpy.typing import NDArray


class NumberedIds(Sequence[str]):
    """Ids that are whole numbers without leading zeros, kept as integers."""

    __slots__ = ("_order", "numbers")

    def __init__(self, numbers: NDArray[np.int64]) -> None:
        self.numbers = numbers
        self._order: NDArray[np.intp] | None = None

    def __len__(self) -> int:
        return len(self.numbers)

    @overload
    def __getitem__(self, at: int) -> str: ...
    @overload
    def __getitem__(self, at: slice) -> list[str]: ...
    def __getitem__(self, at: Any) -> Any:
        found = self.numbers[at]
        return [str(each) for each in found.tolist()] if isinstance(at, slice) else str(int(found))

    def __iter__(self) -> Iterator[str]:
        return map(str, self.numbers.tolist())

    def __contains__(self, key: object) -> bool:
        return self.find(key) is not None

    def find(self, key: object) -> int | None:
        """Return where an id stands, or ``None``."""
        if not isinstance(key, str) or not key.isascii() or not key.isdecimal() or len(key) > 18:
            return None
        if key != str(int(key)) or not len(self.numbers):
            return None
        if self._order is None:
            self._order = np.argsort(self.numbers, kind="stable")
        place = int(np.searchsorted(self.numbers, int(key), sorter=self._order))
        if place == len(self.numbers):
            return None
        row = int(self._order[place])
        return row if self.numbers[row] == int(key) else None

    def all_different(self) -> bool:
        """Tell whether no id stands twice."""
        if (np.diff(self.numbers) > 0).all():
            return True
        return len(np.unique(self.numbers)) == len(self.numbers)


class CodedText(Sequence[str]):
    """Cells that repeat few words: an index into them per row."""

    __slots__ = ("rows", "words")

    def __init__(self, words: Sequence[str], rows: NDArray[np.integer[Any]]) -> None:
        self.words = list(words)
        self.rows = rows

    def __len__(self) -> int:
        return len(self.rows)

    @overload
    def __getitem__(self, at: int) -> str: ...
    @overload
    def __getitem__(self, at: slice) -> list[str]: ...
    def __getitem__(self, at: Any) -> Any:
        found = self.rows[at]
        return [self.words[each] for each in found] if isinstance(at, slice) else self.words[found]

    def __iter__(self) -> Iterator[str]:
        return map(self.words.__getitem__, self.rows.tolist())

    def stripped(self) -> CodedText:
        """Return the same cells without blanks around them."""
        return CodedText([word.strip() for word in self.words], self.rows)

    def rows_of(self, word: str) -> NDArray[np.intp]:
        """Return the rows that hold a word."""
        at = [index for index, each in enumerate(self.words) if each == word]
        return np.flatnonzero(np.isin(self.rows, at))


def distinct(cells: Sequence[str]) -> list[str]:
    """Return the different cells of a column, in order of first sight where that is cheap."""
    if isinstance(cells, CodedText):
        return list(dict.fromkeys(cells.words))
    return list(dict.fromkeys(cells))
