"""The documentation's site: every command shown runs, every link leads somewhere."""

from __future__ import annotations

import importlib.util
import json
import os
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

pytestmark = pytest.mark.usefixtures("few_nodes")

DOCS = Path(__file__).parent.parent / "shared" / "docs"


@pytest.fixture(scope="module")
def hooks() -> ModuleType:
    spec = importlib.util.spec_from_file_location("docs_hooks", DOCS / "hooks.py")
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.long
def test_the_site_builds_with_strict_links(tmp_path: Path) -> None:
    for needed in ("mkdocs", "material", "mkdocstrings", "matplotlib"):
        pytest.importorskip(needed)
    config = str(DOCS / "mkdocs.yml")
    done = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "-q", "--strict", "-f", config, "-d", tmp_path],
        env=os.environ | {"NO_MKDOCS_2_WARNING": "1"},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    tutorial = (tmp_path / "tutorial.html").read_text(encoding="utf-8")
    assert tutorial.count('<svg class="picture"') == 2
    assert "DIG" in tutorial and "$ geoleak" in tutorial
    python = (tmp_path / "python.html").read_text(encoding="utf-8")
    # A page of names without their docstrings would build as well.
    assert "Arrays" in python or "Parameters" in python
    for name in ("site_folder.html", "method/rivals.html", "answer/map.html", "first_stake.ipynb"):
        assert (tmp_path / name).stat().st_size > 1000, name


@pytest.mark.parametrize("what", ["plan", "profile"])
def test_a_picture_of_a_site_is_drawn(hooks: ModuleType, tmp_path: Path, what: str) -> None:
    scratch = hooks.Scratch(tmp_path)
    drawn = scratch.picture("What is seen.", "sample_sites/alder_court", what)
    assert drawn.count("<svg") == 1 and drawn.endswith("*What is seen.*")


def test_the_notebook_runs(hooks: ModuleType) -> None:
    pytest.importorskip("matplotlib").use("Agg")
    told = [given for kind, _, given in hooks.run_notebook() if kind == "code"]
    assert told[1].startswith("<Result 'Alder Court, yard service': ")
    # By hand: from (30, 40), 50 along, 30 more up the second run; (40, 70) is 10 to its right.
    assert told[-1] == "(80.0, 10.0)"


def test_the_notebook_is_one(hooks: ModuleType) -> None:
    held = json.loads(hooks.NOTEBOOK.read_text(encoding="utf-8"))
    assert (held["nbformat"], held["nbformat_minor"]) == (4, 5)
    assert len({cell["id"] for cell in held["cells"]}) == len(held["cells"])
    assert all(not cell["outputs"] for cell in held["cells"] if cell["cell_type"] == "code")


def test_every_command_stands_on_the_first_page() -> None:
    from typer.main import get_command

    from geoleak.cli.commands import app

    page = (DOCS / "pages" / "index.md").read_text(encoding="utf-8")
    assert set(re.findall(r"^\|[^|]*\| `geoleak (\w+)", page, re.M)) == set(
        get_command(app).commands
    )


@pytest.mark.parametrize(
    ("fence", "complaint"),
    [
        ('```console says="DIG"\n$ geoleak check sites/slab\n```\n', 'does not say "DIG"'),
        ("```console\n$ geoleak check nowhere\n```\n", "ended with 2"),
        ("```console until=cautions\n$ geoleak check sites/slab\n```\n", "no line that"),
    ],
)
def test_a_page_that_says_what_is_not_so_is_refused(
    hooks: ModuleType, tmp_path: Path, fence: str, complaint: str
) -> None:
    scratch = hooks.Scratch(tmp_path)
    with pytest.raises(hooks.Untrue, match=complaint):
        hooks.FENCE.sub(scratch.replace, fence)
