"""The published numbers that the tests stand on, read from shared/check_values/*.csv."""

from __future__ import annotations

import csv
import functools
from dataclasses import dataclass
from pathlib import Path

FOLDER = Path(__file__).parent.parent / "shared" / "check_values"
COLUMNS = ("id", "quantity", "inputs", "expected", "unit", "tolerance", "source", "flag")
FLAGS = ("published", "library", "computed", "common practice", "from memory")
TABLE_FLAGS = tuple(flag for flag in FLAGS if flag != "computed")


@dataclass(frozen=True, slots=True)
class CheckValue:
    """One number with where it comes from."""

    id: str
    quantity: str
    inputs: str
    expected: float
    unit: str
    tolerance: float
    source: str
    flag: str


@functools.cache
def _table() -> dict[str, CheckValue]:
    table: dict[str, CheckValue] = {}
    for path in sorted(FOLDER.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as handle:
            for row in csv.DictReader(handle):
                if row["id"] in table:
                    raise ValueError(f"{path.name}: check value {row['id']} stands twice")
                table[row["id"]] = CheckValue(
                    **{
                        **{key: row[key] for key in COLUMNS},
                        "expected": float(row["expected"]),
                        "tolerance": float(row["tolerance"]),
                    }
                )
    return table


def check_value(identifier: str) -> CheckValue:
    """Return the check value of this id."""
    return _table()[identifier]


def every_check_value() -> list[CheckValue]:
    """Return all rows, for the test that refuses one without a source."""
    return list(_table().values())
