"""The page on the site folder is true: its examples are read as they stand."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from geoleak.readers import read_site
from geoleak.readers.sheet import Kind
from geoleak.readers.sheets import KINDS, READINGS, TAPES
from geoleak.site import Site
from geoleak.site.settings import (
    Codes,
    Crew,
    Job,
    LevelSettings,
    LocateRequest,
    NetworkSettings,
    PointFile,
    PriorSettings,
    Settings,
    StatedLeg,
    Table,
    Utility,
)

PAGE = Path(__file__).parent.parent / "shared" / "site_folder.md"
BLOCK = re.compile(r"^```(\w+)([^\n]*)\n(.*?)^```$", re.MULTILINE | re.DOTALL)


def blocks() -> list[tuple[str, str, str]]:
    text = PAGE.read_text(encoding="utf-8")
    return [(m[1], m[2].strip(), m[3]) for m in BLOCK.finditer(text)]


def toml(name: str) -> str:
    return next(body for kind, _, body in blocks() if kind == "toml" and f": {name}" in body)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for kind, head, body in blocks():
        if kind == "csv":
            (tmp_path / head.split()[0]).write_text(body, encoding="utf-8")
    (tmp_path / "gas.geojson").write_text('{"type": "FeatureCollection", "features": []}')
    return tmp_path


def read(folder: Path, name: str) -> Site:
    (folder / "site.toml").write_text(toml(name), encoding="utf-8")
    return read_site(folder)


def test_the_full_example_reads_with_every_sheet(folder: Path) -> None:
    site = read(folder, "full")
    assert [leg.name for leg in site.legs] == ["yard", "branch"]
    assert site.leg("branch").joins_at == "103"
    assert [each.id for each in site.readings] == ["1", "2", "3", "4", "5", "6", "7"]
    assert site.readings[6].skip == "bus"
    assert len(site.delays) == 2 and len(site.isolations) == 2 and len(site.calibrations) == 2
    assert site.fittings and site.sightings and site.holes and site.past_leaks and site.meter
    assert site.points["104"].note == "by the fence"
    # The page shows no column that is used by nothing (not_used).
    assert {note.code for note in site.notes} == {"readings_blank"}


def test_the_smallest_example_reads(folder: Path) -> None:
    for name in ("readings", "delays", "fittings", "isolations", "calibration", "holes"):
        (folder / f"{name}.csv").unlink()
    for name in ("sightings", "leaks_past", "meter"):
        (folder / f"{name}.csv").unlink()
    site = read(folder, "smallest")
    assert site.legs[0].mark_ids == ("101", "102", "103", "104")
    assert {note.code for note in site.notes} == {"no_readings", "precision_assumed"}


TABLES = (
    Settings, PointFile, StatedLeg, Codes, LevelSettings, Crew, PriorSettings, Utility,
    NetworkSettings, LocateRequest, Job,
)  # fmt: skip


@pytest.mark.parametrize("model", TABLES)
def test_every_key_is_on_the_page(model: type[Table]) -> None:
    page = PAGE.read_text(encoding="utf-8")
    for field in model.model_fields.values():
        key = str(field.validation_alias)
        assert re.search(rf"\b{key}\b", page), key


@pytest.mark.parametrize("kind", [READINGS, TAPES, *KINDS.values()], ids=lambda kind: kind.file)
def test_every_column_is_on_the_page(kind: Kind) -> None:
    page = PAGE.read_text(encoding="utf-8")
    for name in (kind.file, *kind.columns):
        assert re.search(rf"\b{name}\b", page), name
