"""Files that would cost too much: each limit holds to the last one, and what is past it is said."""

from __future__ import annotations

import io
import json
import os
import re
import time
import zipfile
from collections.abc import Callable
from pathlib import Path

import pytest

from geoleak.errors import LONGEST_ECHO, Complaint, InputError, Origin
from geoleak.readers import read_site, read_utility_file, table
from tests.fuzz_targets import TARGETS
from tests.site_folders import POINTS, TOML, complaints_of, site_of, write_folder
from tests.test_readers_toml import complaints_of_folder


def test_a_cell_is_echoed_up_to_eighty_characters(tmp_path: Path) -> None:
    for cell in ("x" * 5000, 'q"' * 2000, "word " * 1000):
        line = complaints_of(tmp_path, {"readings.csv": f"place,level\n{cell!s},40\n101,40\n"})[0]
        assert len(line) < 500
    assert LONGEST_ECHO == 80  # what shared/site_folder.md promises
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
    for size, words in ((1_000_000, "leg"), (1_000_001, "more than 1")):
        text = TOML.partition("[[leg]]")[0]
        text += "#" * (size - len(text) - 1) + "\n"
        assert words in complaints_of(tmp_path, {"site.toml": text})[0]
    row = "101,40\n"
    text = "place,level\n" + row
    left = 20_000_000 - len(text)
    text = "#" * (left % 100_000) + ("#" * 99_999 + "\n") * (left // 100_000) + text
    assert len(site_of(tmp_path, {"readings.csv": text}).readings) == 1
    assert "more than 20" in complaints_of(tmp_path, {"readings.csv": text + "\n"})[0]


@pytest.mark.parametrize(
    ("most", "held", "said"),
    [
        (2_000, lambda k: "".join(f'[[utility]]\nname = "{n}"\n' for n in range(k)),
         "utility has 2001 entries"),
        (2_000, lambda k: "".join(f"k{n} = 1\n" for n in range(k - 2)),
         "codes has 2001 entries"),
        (20_000, lambda k: f'k = "{"x" * k}"\n', "k: a text of 20001 characters"),
    ],
)  # fmt: skip
def test_a_list_or_text_of_too_much(
    tmp_path: Path, most: int, held: Callable[[int], str], said: str
) -> None:
    within, past = (complaints_of(tmp_path, {"site.toml": TOML + held(most + k)}) for k in (0, 1))
    assert len(past) == 1 and said in past[0] and "write at most" in past[0]
    assert "write at most" not in within[0]


def test_a_leg_of_too_many_marks(tmp_path: Path) -> None:
    rows = "".join(f"{k},{783300 + k}.0,1987800.0,495.1,WL\n" for k in range(900, 3900))
    points = POINTS.replace(",WL", ",BC") + rows
    assert len(site_of(tmp_path, {"points.csv": points}).legs[0].mark_ids) == 3000
    (line,) = complaints_of(tmp_path, {"points.csv": points + "9999,783290.0,1987800.0,495.1,WL\n"})
    assert "has 3001 marks, more than 3000; part it" in line


def test_a_point_file_of_too_many_columns(tmp_path: Path) -> None:
    for count in (200, 201):
        head = ["Point,Northing,Easting,Elev,Code", *(f"c{k}" for k in range(count - 5))]
        rows = [row + "," * (count - 5) for row in POINTS.splitlines()]
        files = {"points.csv": "\n".join([",".join(head), *rows])}
        if count == 200:
            assert len(site_of(tmp_path, files).points) == 7
        else:
            assert complaints_of(tmp_path, files)[0].endswith("201 columns; export at most 200")


NO_HEIGHTS = "".join(
    f"{p},{c},{n},{e}\n" for p, n, e, _, c in (row.split(",") for row in POINTS.splitlines())
)


@pytest.mark.parametrize(
    ("name", "head", "row"),
    [
        ("readings.csv", "reading,kind,place,level\n", "R{0},surface,nowhere {0},40\n"),
        ("points.csv", POINTS, "9{},1\n"),
        ("points.csv", "Point,Code,Northing,Easting\n" + NO_HEIGHTS, "9{},1,2,3,4\n"),
    ],
)
def test_what_is_wrong_with_every_row_is_said_of_the_first_ones(
    tmp_path: Path, name: str, head: str, row: str
) -> None:
    rows = map(row.format, range(1000))
    folder = write_folder(tmp_path, {name: head + "".join(rows)})
    with pytest.raises(InputError) as caught:
        read_site(folder)
    assert len(caught.value.complaints) == 500


@pytest.mark.parametrize("row", ["T{0},101,6\n", "T,101,6\n", "T{0},9{0},6\n"])
def test_tapes_are_judged_in_a_time_that_grows_with_their_number(tmp_path: Path, row: str) -> None:
    text = "point,from,distance\n" + "".join(map(row.format, range(5_000)))
    start = time.process_time()
    assert complaints_of(tmp_path, {"tapes.csv": text})
    assert time.process_time() - start < 1.0


def workbook_of(sheet_xml: bytes, path: Path) -> Path:
    """Write a workbook whose first sheet is this text."""
    seed = zipfile.ZipFile(io.BytesIO(TARGETS["xlsx"].seeds()[0]))
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as book:
        for name in seed.namelist():
            own = name == "xl/worksheets/sheet1.xml"
            book.writestr(name, sheet_xml if own else seed.read(name))
    return path


def unpacked(path: Path) -> int:
    return sum(each.file_size for each in zipfile.ZipFile(path).infolist())


@pytest.mark.parametrize("small", [True, False])
def test_a_workbook_that_unpacks_to_too_much(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, small: bool
) -> None:
    """By its bytes, and, where there are as many, by how many times its size they are."""
    if not small:
        monkeypatch.setattr(table, "MOST_UNPACKED", 0)
    folder = TARGETS["xlsx"].lay_out(tmp_path)
    path = folder / "points.xlsx"
    plain = zipfile.ZipFile(path).read("xl/worksheets/sheet1.xml")

    def padded(signs: int) -> Path:
        return workbook_of(plain.replace(b"</sheetData>", b"</sheetData>" + b" " * signs), path)

    signs = 10_000_000 - unpacked(path) if small else 0
    while not small and unpacked(padded(signs)) <= 20 * path.stat().st_size:
        signs += 500
    padded(signs if small else signs - 1000)
    assert len(read_site(folder).points) == 7
    padded(signs + 1)
    assert "the spreadsheet unpacks to" in complaints_of_folder(folder)[0]


def test_a_workbook_that_lies_about_its_width(tmp_path: Path) -> None:
    folder = TARGETS["xlsx"].lay_out(tmp_path)
    path = folder / "points.xlsx"
    plain = zipfile.ZipFile(path).read("xl/worksheets/sheet1.xml")
    wide = re.sub(rb'<dimension ref="[^"]*"', b'<dimension ref="A1:XFD1048576"', plain)
    assert wide != plain
    workbook_of(wide, path)
    assert len(read_site(folder).points) == 7


@pytest.mark.parametrize("count", [200, 201])
def test_a_layer_of_too_many_fields(tmp_path: Path, count: int) -> None:
    point = {"type": "Point", "coordinates": [1987800.0, 783300.0]}
    crs = {"type": "name", "properties": {"name": "urn:ogc:def:crs:EPSG::6543"}}
    fields = {f"k{k}": k for k in range(count)}
    path = tmp_path / "gas.geojson"
    path.write_text(
        json.dumps({"type": "Feature", "crs": crs, "geometry": point, "properties": fields})
    )
    if count == 200:
        assert len(read_utility_file(path, label="gas.geojson").shapes) == 1
    else:
        with pytest.raises(InputError, match="has 201 fields; export at most 200"):
            read_utility_file(path, label="gas.geojson")


def test_any_other_file_past_its_size(tmp_path: Path) -> None:
    folder = write_folder(tmp_path)
    os.truncate(folder / "points.csv", 400_000_001)
    line = complaints_of_folder(folder)[0]
    assert '"points.csv" has 400.0 MB, more than 400' in line


def test_a_header_of_too_many_cells(tmp_path: Path) -> None:
    head = ",".join(["place", "level", *(f"c{k}" for k in range(198))])
    row = "101,40" + "," * 198
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
    text = TOML + ".".join(["a"] * 20) + " = 1\n"
    assert "unknown key" in complaints_of(tmp_path, {"site.toml": text})[0]
    text = TOML + ".".join(["a"] * 21) + " = 1\n"
    assert "more than 20 parts" in complaints_of(tmp_path, {"site.toml": text})[0]
