"""What many tests begin with: a copy of Alder Court that they may write into."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from tests.command import REPO, run
from tests.spoilt_sites import SITES


def pytest_configure() -> None:
    """Let the processes that tests start share their compiled modules: half of a start's time."""
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
    os.environ["PYTHONPYCACHEPREFIX"] = str(REPO / ".pytest_cache" / "compiled")


@pytest.fixture(scope="session")
def answered(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Alder Court with its answer, only read from."""
    folder = tmp_path_factory.mktemp("answered") / "alder_court"
    shutil.copytree(SITES / "alder_court", folder, ignore=shutil.ignore_patterns("out"))
    assert run("locate", folder).code == 0
    return folder


@pytest.fixture
def alder(tmp_path: Path) -> Path:
    """Alder Court without an answer."""
    folder = tmp_path / "alder_court"
    shutil.copytree(SITES / "alder_court", folder, ignore=shutil.ignore_patterns("out"))
    return folder


@pytest.fixture
def located(answered: Path, tmp_path: Path) -> Path:
    """Alder Court with its answer."""
    return shutil.copytree(answered, tmp_path / "alder_court")
