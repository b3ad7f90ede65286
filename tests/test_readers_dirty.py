"""Sheets and site.toml as crews leave them: what is taken, what is said, what is asked for."""

from __future__ import annotations

import os
import time
from pathlib import Path

import pytest

from geoleak.errors import LONGEST_ECHO, Complaint, Origin, did_you_mean
from geoleak.readers import sheet, toml
from tests.site_folders import TOML, complaints_of, site_of, write_folder
from tests.test_readers_toml import complaints_of_folder

LIMITS = TOML + "[readings]\nlevel_limits = [3, 99]\n"


@pytest.mark.parametrize(
    ("text", "levels"),
    [
        ("place,level\n101,34;31;33\n102,40\n103,41;42\n", [(34, 31, 33), (40,), (41, 42)]),
        ("place,level\n101,34 31 33\n102,40/41\n", [(34, 31, 33), (40, 41)]),
        ("place;level\n101;34,5 31\n102;40\n", [(34.5, 31), (40,)]),
        ("place\tlevel\n101\t34;31\n", [(34, 31)]),
        ("Mark,dB\n101,34\n", [(34,)]),
        ("no,mark,dB,remarks,what\n1,101,34,by the tree,surface\n", [(34,)]),
        ("place,level\n101,nothing heard\n102,Nothing\n103,34\n", [(3,), (3,), (34,)]),
        ("place,kind,level\n101,gas,nothing\n", [(0,)]),
    ],
)
def test_sheets_as_crews_write_them(
    tmp_path: Path, text: str, levels: list[tuple[float, ...]]
) -> None:
    site = site_of(tmp_path, {"site.toml": LIMITS, "readings.csv": text})
    assert [each.levels for each in site.readings] == levels
    assert site.readings[0].place.point == "101"


def test_a_heading_that_is_taken_is_said(tmp_path: Path) -> None:
    site = site_of(tmp_path, {"readings.csv": "Mark,dB,Wind\n101,34,light\n"})
    said = [note.text for note in site.notes if note.code == "column_taken"]
    assert said == ['the column "Mark" is read as place', 'the column "dB" is read as level']
    assert dict(site.readings[0].extra) == {"Wind": "light"}
    # Where the sheet has the column itself, another word for it is kept beside it.
    site = site_of(tmp_path, {"readings.csv": "place,level,point\n101,34,x\n"})
    assert dict(site.readings[0].extra) == {"point": "x"}
    assert not [note for note in site.notes if note.code == "column_taken"]


def test_columns_of_readings_are_stated_where_no_word_tells(tmp_path: Path) -> None:
    stated = TOML + '[readings]\ncolumns = {place = "Wo", level = "Pegel"}\n'
    files = {"site.toml": stated, "readings.csv": "Wo,Pegel,level\n101,34,9\n"}
    site = site_of(tmp_path, files)
    assert site.readings[0].levels == (34.0,) and site.readings[0].place.point == "101"
    lines = complaints_of(tmp_path, {**files, "readings.csv": "Ort,Pegel\n101,34\n"})
    assert any('there is no column "Wo", which columns calls place' in line for line in lines)


def test_nothing_heard_needs_the_meters_floor(tmp_path: Path) -> None:
    text = "place,level\n101,nothing heard\n102,nothing heard\n"
    (line,) = complaints_of(tmp_path, {"readings.csv": text})
    assert "level_limits" in line and "(in 2 rows)" in line


def test_one_unknown_word_is_said_once_with_its_count(tmp_path: Path) -> None:
    rows = "".join(f"10{k % 4 + 1},loud,lava,34\n" for k in range(30))
    lines = complaints_of(tmp_path, {"readings.csv": "place,kind,surface,level\n" + rows})
    assert len(lines) == 2
    assert all("readings.csv:2:" in line and "(in 30 rows)" in line for line in lines)


@pytest.mark.parametrize(
    ("word", "known", "offered"),
    [
        ("1033", ["33", "103"], "103"),  # 33 is two slips away
        ("33", ["1033"], ""),
        ("108", ["101", "107"], ""),  # both as near: which one nobody knows
        ("yrad", ["yard", "main"], "yard"),
        ("surfaces", ["surface"], "surface"),
        ("stoped", ["stopped"], "stopped"),
        ("dig-lenght", ["dig_length"], "dig_length"),
        ("cobbels", ["cobbles"], "cobbles"),
        ("pvx", ["pvc", "pe"], "pvc"),
        ("stoppped off", ["stopped"], ""),
        ("", ["a"], "a"),
    ],
)
def test_only_what_is_one_slip_away_is_offered(word: str, known: list[str], offered: str) -> None:
    assert did_you_mean(word, known) == (f'did you mean "{offered}"?' if offered else "")


# --- limits -----------------------------------------------------------------------------------


def test_a_cell_is_echoed_up_to_eighty_characters(tmp_path: Path) -> None:
    for cell in ("x" * 5000, 'q"' * 2000, "word " * 1000):
        line = complaints_of(tmp_path, {"readings.csv": f"place,level\n{cell!s},40\n101,40\n"})[0]
        assert len(line) < 500
    cut = str(Complaint(Origin("a"), f'"{"x" * (LONGEST_ECHO + 1)}" is wrong'))
    kept = str(Complaint(Origin("a"), f'"{"x" * LONGEST_ECHO}" is wrong'))
    assert cut == f'a: "{"x" * (LONGEST_ECHO - 3)}..." is wrong' and "..." not in kept


@pytest.mark.parametrize("name", ["site.toml", "points.csv", "readings.csv", "delays.csv"])
def test_a_pipe_is_no_file(tmp_path: Path, name: str) -> None:
    folder = write_folder(tmp_path)
    (folder / name).unlink(missing_ok=True)
    os.mkfifo(folder / name)
    assert "is a pipe or a device" in complaints_of_folder(folder)[0]


def test_files_past_their_size_are_refused(tmp_path: Path) -> None:
    most = toml.MOST_BYTES
    for size, words in ((most, "leg"), (most + 1, "more than 1")):
        text = TOML.partition("[[leg]]")[0]
        text += "#" * (size - len(text) - 1) + "\n"
        assert words in complaints_of(tmp_path, {"site.toml": text})[0]
    row = "101,40\n"
    text = "place,level\n" + row
    left = sheet.MOST_BYTES - len(text)
    text = "#" * (left % 100_000) + ("#" * 99_999 + "\n") * (left // 100_000) + text
    assert len(site_of(tmp_path, {"readings.csv": text}).readings) == 1
    assert "more than 20" in complaints_of(tmp_path, {"readings.csv": text + "\n"})[0]


def test_a_header_of_too_many_cells(tmp_path: Path) -> None:
    head = ",".join(["place", "level", *(f"c{k}" for k in range(sheet.MOST_COLUMNS - 2))])
    row = "101,40" + "," * (sheet.MOST_COLUMNS - 2)
    assert site_of(tmp_path, {"readings.csv": f"{head}\n{row}\n"}).readings
    line = complaints_of(tmp_path, {"readings.csv": f"{head},more\n{row},\n"})[0]
    assert "201 columns" in line


@pytest.mark.parametrize(
    "line",
    [
        ".".join(["a"] * 100_000) + " = 1",
        f"[{'.'.join(['a'] * 100_000)}]",
        "k = {" + ".".join(["a"] * 100_000) + " = 1}",
        "k = " + "[" * 50_000 + "]" * 50_000,
        "k = " + "9" * 500_000,
        "\n".join(f"k{n} = 1" for n in range(60_000)),
        "\n".join(f"[t{n}]" for n in range(60_000)),
        "\n".join("[[utility]]" for n in range(60_000)),
        'k = "' + "\\\\" * 200_000,
        "k = '''" + "'" * 200_000,
        "# " + ". " * 300_000,
    ],
    ids=range(11),
)
def test_site_toml_that_costs_too_much_is_refused_at_once(tmp_path: Path, line: str) -> None:
    start = time.process_time()
    lines = complaints_of(tmp_path, {"site.toml": TOML + line + "\nx = \n"})
    assert lines and all(len(each) < 1000 for each in lines)
    assert time.process_time() - start < 2.0


def test_a_key_of_a_few_parts_is_read(tmp_path: Path) -> None:
    text = TOML + ".".join(["a"] * toml.MOST_PARTS) + " = 1\n"
    assert "unknown key" in complaints_of(tmp_path, {"site.toml": text})[0]
    text = TOML + ".".join(["a"] * (toml.MOST_PARTS + 1)) + " = 1\n"
    assert "more than 20 parts" in complaints_of(tmp_path, {"site.toml": text})[0]
