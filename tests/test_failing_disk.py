"""A disk that fails inside the writes of GDAL, SQLite and reportlab: old or new, whole."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from tests.command import run
from tests.failing_disk import NEEDS_CC, failing, retitled
from tests.test_serve import heard

pytestmark = [pytest.mark.usefixtures("few_nodes"), NEEDS_CC]


def stays_whole(place: Path, site: Path, command: str, *more: str, **how: Any) -> int:
    """Check what came of each failing call; return how many there were."""
    rows = failing(place, site, command, str(site), *more, **how)
    for each in rows:
        assert each.tidy, each
        if each.code == 0:
            assert (each.stands, each.err) == ("new", ""), each
            continue
        assert (each.code, each.out, len(each.err.splitlines())) == (1, "", 1), each
        assert "could not be written" in each.err, each
        assert "unexpected" not in each.err, each
        assert each.stands == "old" or "nor put back" in each.err, each
        # One that fails but once can always be taken back.
        assert "nor put back" not in each.err or not how.get("once", True), each
    assert 1 in {each.code for each in rows}
    return len(rows)


def test_an_answer_stays_whole_whichever_call_fails(tmp_path: Path) -> None:
    lane = heard(tmp_path)
    assert run("locate", lane).code == 0
    retitled(lane)
    assert stays_whole(tmp_path, lane, "locate", tries=3) > 3
