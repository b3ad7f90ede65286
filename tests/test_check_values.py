"""Every number that tests stand on has a source and says what kind of number it is."""

from __future__ import annotations

import csv

import pytest

from tests.check_values import COLUMNS, FLAGS, FOLDER, every_check_value


def test_every_row_has_a_source_and_a_flag() -> None:
    rows = every_check_value()
    assert len(rows) > 50
    for row in rows:
        assert row.source.strip(), f"{row.id} has no source"
        assert row.flag in FLAGS, f"{row.id}: flag {row.flag!r}"
        assert row.unit.strip(), f"{row.id} has no unit"
        assert row.tolerance >= 0, row.id


@pytest.mark.parametrize("path", sorted(FOLDER.glob("*.csv")), ids=lambda p: p.name)
def test_columns_are_the_same_in_every_file(path) -> None:
    with path.open(encoding="utf-8", newline="") as handle:
        assert tuple(next(csv.reader(handle))) == COLUMNS
