"""A block of rows that was pasted twice counts once, and is said to stand there twice."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoleak.readers import read_site
from tests.lane import readings, write_lane

FIRST = [f"{k},surface,{101 + k},{30 + k} {31 + k}," for k in range(6)]
COLUMNS = "reading,kind,place,level,note"


def counted(folder: Path, *rows: str):
    """Return the ids that count, and what is said of pasted rows."""
    sheet = readings(*rows, columns=COLUMNS)
    site = read_site(write_lane(folder, readings=sheet))
    notes = [each.text for each in site.notes if each.code == "rows_pasted"]
    return [each.id for each in site.readings if not each.skip], notes


def again(rows, *, start=10, note=""):
    return [f"{start + k},{each.partition(',')[2]}{note}" for k, each in enumerate(rows)]


def test_a_block_pasted_again_counts_once(tmp_path: Path) -> None:
    ids, notes = counted(tmp_path, *FIRST, *again(FIRST), *again(FIRST, start=20))
    assert ids == list("012345")
    assert [each.partition(":")[0] for each in notes] == [
        "lines 8 to 13 are lines 2 to 7 again",
        "lines 14 to 19 are lines 2 to 7 again",
    ]


@pytest.mark.parametrize(("count", "pasted"), [(7, False), (8, True)])
def test_a_few_figures_alike_are_chance(tmp_path: Path, count: int, pasted: bool) -> None:
    """Eight of them: at one in four each, once in 65,000."""
    single = [f"{k},surface,{101 + k},{30 + k}," for k in range(8)]
    ids, notes = counted(tmp_path, *single, *again(single[:count]))
    assert len(ids) == (8 if pasted else 8 + count) and bool(notes) is pasted


def test_rows_that_say_more_were_read_again(tmp_path: Path) -> None:
    ids, notes = counted(tmp_path, *FIRST, *again(FIRST, note="read again"))
    assert len(ids) == 12 and not notes


def test_a_line_read_again_on_another_day_counts(tmp_path: Path) -> None:
    rows = [f"{row}{day}" for day in ("2026-05-11", "2026-05-12") for row in FIRST]
    rows = [f"{k},{each.partition(',')[2]}" for k, each in enumerate(rows)]
    sheet = readings(*rows, columns=COLUMNS.replace("note", "date"))
    assert not any(each.skip for each in read_site(write_lane(tmp_path, readings=sheet)).readings)


def test_other_levels_at_the_same_places_count(tmp_path: Path) -> None:
    other = [each.replace(" 3", " 4") for each in FIRST]
    ids, notes = counted(tmp_path, *FIRST, *again(other))
    assert len(ids) == 12 and not notes
