"""Every call of a command to a disk fails in turn, alone and with all after it: some 15 minutes."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.command import run
from tests.failing_disk import NEEDS_CC, retitled
from tests.test_failing_disk import stays_whole

pytestmark = [pytest.mark.long, NEEDS_CC]
EVERY = [word for each in ("kml", "gpx", "dxf", "landxml") for word in ("--also", each)]


@pytest.mark.parametrize("once", [True, False])
@pytest.mark.parametrize("options", [["report"], ["locate"], ["locate", *EVERY]], ids=len)
def test_an_answer_stays_whole_whichever_call_fails(
    located: Path, tmp_path: Path, options: list[str], once: bool
) -> None:
    command, *more = options
    assert run(command, located, *more).code == 0
    retitled(located)
    assert stays_whole(tmp_path, located, command, *more, once=once) > 25


@pytest.mark.parametrize("once", [True, False])
def test_a_folder_that_holds_other_files_stays_whole(
    located: Path, tmp_path: Path, once: bool
) -> None:
    (located / "out" / "photo.txt").write_text("mine")
    retitled(located)
    assert stays_whole(tmp_path, located, "locate", "--force", once=once) > 100
