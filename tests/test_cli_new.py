"""`geoleak new`: with options, and asked on a terminal."""

from __future__ import annotations

import csv
import shutil
import tomllib
from pathlib import Path

import pytest

from tests.command import fingerprint, on_terminal, run
from tests.spoilt_sites import SITES

POINTS = SITES / "alder_court" / "points.csv"


@pytest.fixture
def points(tmp_path: Path) -> Path:
    path = tmp_path / "rover.csv"
    shutil.copyfile(POINTS, path)
    return path


def test_with_options_it_writes_a_site_that_check_passes(points: Path) -> None:
    site = points.parent / "yard"
    ran = run(
        "new", points, site, "--crs", "EPSG:6543", "--unit", "ftUS", "--marks", "WL",
        "--fittings", "MTR*", "--features", "BC", "--depth", "3 ft", "--title", "Yard",
    )  # fmt: skip
    assert ran.code == 0, ran.err
    assert ran.err == ""
    stated = tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))
    assert stated["crs"] == "EPSG:6543"
    assert stated["length_unit"] == "ftUS"
    assert stated["points"]["layout"] == "pnezd"
    with (site / "readings.csv").open(encoding="utf-8", newline="") as handle:
        rows = list(csv.DictReader(handle))
    assert [row["place"] for row in rows] == [str(number) for number in range(101, 125)]
    assert all(row["level"] == "" for row in rows)
    checked = run("check", site)
    assert checked.code == 0, checked.err
    assert "24 marks" in checked.out


def test_it_shows_what_it_understood(points: Path) -> None:
    site = points.parent / "yard"
    ran = run("new", points, site, "--crs", "EPSG:6543", "--unit", "ftUS")
    assert "northing" in ran.out
    assert "WL" in ran.out
    assert f"written to {site}" in ran.out


def test_without_a_terminal_every_missing_option_is_named_at_once(points: Path) -> None:
    before = fingerprint(points.parent)
    ran = run("new", points, points.parent / "yard")
    assert ran.code == 2
    assert ran.out == ""
    for option in ("--crs", "--unit", "--layout"):
        assert option in ran.err
    assert all(line.startswith(points.as_posix()) for line in ran.lines)
    assert fingerprint(points.parent) == before


def test_candidates_for_the_crs_are_named_by_place(points: Path) -> None:
    ran = run("new", points, points.parent / "yard", "--unit", "ftUS", "--near", "North Carolina")
    assert ran.code == 2
    assert "EPSG:6543 (NAD83(2011) / North Carolina (ftUS))" in ran.err


def test_marks_that_no_code_tells_are_asked_for_with_the_codes_there_are(points: Path) -> None:
    points.write_text("1,783278.7,1987829.1,495.5,AA\n2,783281.8,1987831.7,495.4,BB\n")
    ran = run("new", points, points.parent / "yard", "--crs", "EPSG:6543", "--unit", "ftUS")
    assert ran.code == 2
    assert "--marks CODE or --numbers" in ran.err
    assert "AA (1), BB (1)" in ran.err


def test_a_folder_that_holds_files_is_refused(points: Path) -> None:
    site = points.parent / "yard"
    site.mkdir()
    (site / "keep.txt").write_text("mine")
    before = fingerprint(points.parent)
    ran = run("new", points, site, "--crs", "EPSG:6543", "--unit", "ftUS")
    assert ran.code == 2
    assert fingerprint(points.parent) == before


@pytest.mark.parametrize(
    ("option", "word"),
    [
        (("--crs", "EPSG:654399"), "EPSG:654399"),
        (("--crs", "EPSG:6542"), "in none"),
        (("--crs", "EPSG:6543", "--layout", "penzd"), "swapped"),
        (("--crs", "EPSG:6543", "--marks", "ZZ"), "ZZ"),
        (("--crs", "EPSG:6543", "--numbers", "900-950"), "900-950"),
        (("--crs", "EPSG:6543", "--depth", "three"), "three"),
    ],
)
def test_what_does_not_fit_is_refused_and_nothing_written(
    points: Path, option: tuple[str, ...], word: str
) -> None:
    before = fingerprint(points.parent)
    ran = run("new", points, points.parent / "yard", "--unit", "ftUS", *option)
    assert ran.code == 2
    assert ran.out == ""
    assert word in ran.err
    assert fingerprint(points.parent) == before


@pytest.mark.parametrize("content", [b"", b"\x00\x01" * 50, b"PK\x03\x04" + bytes(99), b"\n \n"])
def test_a_file_that_holds_no_points(points: Path, content: bytes) -> None:
    points.write_bytes(content)
    ran = run("new", points, points.parent / "yard", "--crs", "EPSG:6543", "--unit", "ftUS")
    assert ran.code == 2
    assert ran.out == ""
    assert len(ran.lines) == 1
    assert not (points.parent / "yard").exists()


def test_on_a_terminal_it_asks_and_offers_what_fits_the_place(points: Path) -> None:
    site = points.parent / "yard"
    ran = on_terminal(
        ["new", points, site],
        [
            ("Unit of lengths", "feet"),
            ("none of m, ft, ftUS", "ftUS"),
            ("Where is this", "North Carolina"),
            ("CRS: a number above", "EPSG:6543"),
            ("Codes of the marks", ""),
            ("Codes of fittings", "MTR* WV HB"),
            ("Codes of fixed things", "BC PP"),
            ("Depth of the pipe", "3 ft"),
        ],
    )
    assert ran.code == 0, ran.out
    assert "NAD83(2011) / North Carolina (ftUS)" in ran.out
    stated = tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))
    assert stated["crs"] == "EPSG:6543"
    assert stated["leg"][0]["code"] == "WL"
    assert stated["leg"][0]["depth"] == "3 ft"
    assert stated["codes"]["fitting"] == ["MTR*", "WV", "HB"]
    assert run("check", site).code == 0


def test_stopping_at_a_question_writes_nothing(points: Path) -> None:
    before = fingerprint(points.parent)
    ran = on_terminal(["new", points, points.parent / "yard"], [("Unit of lengths", "\x04")])
    assert ran.code == 130
    assert "nothing was written" in ran.out
    assert "Traceback" not in ran.out
    assert fingerprint(points.parent) == before
