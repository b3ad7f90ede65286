"""The output folder: all of it or nothing, nobody else's files touched; stakes.csv."""

from __future__ import annotations

import csv
import io
import json
import math
import shutil
import subprocess
from pathlib import Path
from typing import get_type_hints

import pytest

import geoleak
from geoleak.errors import GeoleakError, InputError
from geoleak.export.folder import EXTRAS, LIST_NAME, write_all
from geoleak.export.stakes import rows, write_stakes
from geoleak.record import replace
from geoleak.site import PointStyle
from geoleak.units import unit_m
from tests.command import at_length
from tests.results import (
    EVERY_SITE,
    HOSTILE,
    feet_site,
    hostile_site,
    listen_on_site,
    local_site,
    metric_site,
    with_leak,
)
from tests.trials.frozen import write_site

README = Path(__file__).parent.parent / "README.md"
ALWAYS = {"result.json", "leak.geojson", "map.html", "stakes.csv"}


def _contents(folder):
    return {each.name: each.read_bytes() for each in folder.iterdir()}


@pytest.mark.parametrize("name", EVERY_SITE)
def test_every_output_is_written_and_the_same_each_time(name, tmp_path):
    result = EVERY_SITE[name]()
    paths = write_all(result, tmp_path / "a")
    assert {each.name for each in paths} >= ALWAYS - (
        {"leak.geojson"} if name == "local" else set()
    )
    assert all(each.is_file() and each.parent == tmp_path / "a" for each in paths)
    write_all(EVERY_SITE[name](), tmp_path / "b")
    assert _contents(tmp_path / "a") == _contents(tmp_path / "b")
    assert sorted(each.name for each in tmp_path.iterdir()) == ["a", "b"]


def test_help_and_readme_name_the_files_that_are_written(tmp_path):
    from geoleak.cli.commands import locate
    from geoleak.cli.found import batch

    names = [path.name for path in write_all(feet_site(), tmp_path / "out")]
    words = list(EXTRAS)
    told = " ".join((locate.__doc__ or "").split())
    readme = README.read_text("utf-8")
    for name in names:
        assert name in told and f"| `{name}` |" in readme
    for command, more in ((locate, []), (batch, ["parquet"])):
        hint = get_type_hints(command, include_extras=True)["also"].__metadata__[0]
        assert hint.metavar == "|".join([*more, *words])
    for word in words:
        assert f"`--also {word}`" in readme
    assert "`--street-tiles`" in readme


def test_its_own_folder_is_written_again_and_stale_files_go(tmp_path):
    out = tmp_path / "out"
    write_all(feet_site(), out)
    write_all(local_site(), out)
    assert not (out / "leak.geojson").exists()
    assert json.loads((out / "result.json").read_text("utf-8"))["site"]["local"] is True


def test_a_folder_with_other_files_is_refused_and_left_alone(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "photos.txt").write_text("mine")
    with pytest.raises(InputError, match=r"photos\.txt.*--force"):
        write_all(feet_site(), out)
    assert _contents(out) == {"photos.txt": b"mine"}


def test_force_keeps_other_peoples_files(tmp_path):
    out = tmp_path / "out"
    out.mkdir()
    (out / "photos.txt").write_text("mine")
    (out / "result.json").write_text("somebody's")
    (out / "folder").mkdir()
    (out / "folder" / "deep.txt").write_text("mine too")
    write_all(feet_site(), out, force=True)
    assert (out / "photos.txt").read_text() == "mine"
    assert (out / "folder" / "deep.txt").read_text() == "mine too"
    assert json.loads((out / "result.json").read_text("utf-8"))["run"]["id"] == "7f3a91"
    with pytest.raises(InputError, match=r"folder, photos\.txt"):
        write_all(feet_site(), out)


def test_an_output_changed_by_hand_is_not_overwritten(tmp_path):
    out = tmp_path / "out"
    write_all(feet_site(), out)
    (out / "stakes.csv").write_text("my own notes")
    with pytest.raises(InputError, match=r"stakes\.csv \(changed since\)"):
        write_all(feet_site(), out)
    assert (out / "stakes.csv").read_text() == "my own notes"
    write_all(feet_site(), out, force=True)
    assert (out / "stakes.csv").read_text() != "my own notes"


def test_a_result_that_cannot_be_written_changes_nothing(tmp_path):
    out = tmp_path / "out"
    write_all(feet_site(), out)
    before = _contents(out)
    with pytest.raises(GeoleakError, match="nothing was written"):
        write_all(with_leak(feet_site(), chainage_m=math.nan), out)
    assert _contents(out) == before
    assert [each.name for each in tmp_path.iterdir()] == ["out"]


def test_a_file_in_the_way_and_an_unknown_word_are_refused(tmp_path):
    (tmp_path / "out").write_text("a file")
    with pytest.raises(InputError, match="is a file, not a folder"):
        write_all(feet_site(), tmp_path / "out")
    with pytest.raises(InputError, match='"shp" is no file geoleak writes'):
        write_all(feet_site(), tmp_path / "other", also=["shp"])
    assert not (tmp_path / "other").exists()


def test_a_gis_that_only_looked_does_not_block(tmp_path):
    out = tmp_path / "out"
    write_all(feet_site(), out)
    listed = json.loads((out / LIST_NAME).read_text("utf-8"))
    listed["files"]["site.gpkg"] = "0" * 64
    (out / LIST_NAME).write_text(json.dumps(listed))
    for name in ("site.gpkg", "site.gpkg-wal", "site.gpkg-shm"):
        (out / name).write_bytes(b"x")
    write_all(feet_site(), out)
    assert not (out / "site.gpkg-wal").exists()


def _read(result):
    return list(csv.reader(io.StringIO("\n".join(rows(result)))))


@pytest.mark.parametrize("layout", ["pnezd", "penzd"])
@pytest.mark.parametrize("build", [feet_site, metric_site, local_site])
def test_stakes_come_back_as_the_rovers_columns(build, layout):
    result = build(layout=layout)
    read = _read(result)
    assert len(read) == len(result.stakes) and {len(row) for row in read} == {5}
    first = read[0]
    where = result.leak.position
    northing, easting = (1, 2) if layout == "pnezd" else (2, 1)
    assert float(first[northing]) == pytest.approx(where.northing, abs=6e-4)
    assert float(first[easting]) == pytest.approx(where.easting, abs=6e-4)
    assert float(first[3]) * unit_m(where.unit) == pytest.approx(result.leak.elevation_m, abs=6e-4)
    blank = [row for row in read if row[3] == ""]
    assert len(blank) == sum(each.elevation_m is None for each in result.stakes)


HEADED = PointStyle(
    ("id", "", "easting", "northing", "code", "elevation", "horizontal_precision"),
    ("Punkt", "Bemerkung", "Rechtswert", "Hochwert", "Kode", "Höhe (m)", "HRMS"),
    ";",
    ",",
)


def test_stakes_follow_the_first_point_file():
    result = replace(metric_site(), point_style=HEADED)
    lines = rows(result)
    assert lines[0] == "Punkt;Bemerkung;Rechtswert;Hochwert;Kode;Höhe (m);HRMS"
    first = lines[1].split(";")
    where = result.leak.position
    assert first == [
        "900",
        "",
        f"{where.easting:.3f}".replace(".", ","),
        f"{where.northing:.3f}".replace(".", ","),
        "LEAK yard",
        "71,260",
        "",
    ]
    assert {line.count(";") for line in lines} == {6}


@pytest.mark.parametrize(
    ("style", "head", "columns"),
    [
        # A file in degrees: the grid stands in their place, and the headings say so.
        (
            PointStyle(("id", "latitude", "longitude", "code"), ("Pt", "Lat", "Lon", "Code")),
            "Pt,Northing,Easting,Code",
            (1, 2),
        ),
        # Degrees beside the grid stay empty; a file without codes gets a column for the text.
        (
            PointStyle(
                ("id", "latitude", "longitude", "easting", "northing"),
                ("Pt", "Lat", "Lon", "E", "N"),
                "\t",
            ),
            "Pt\tLat\tLon\tE\tN\tDescription",
            (4, 3),
        ),
        # Columns parted by blanks cannot hold the empty elevation of the hole's ends.
        (PointStyle(delimiter=" "), None, (1, 2)),
    ],
)
def test_stakes_are_always_in_the_grid(style, head, columns):
    result = replace(feet_site(), point_style=style)
    lines = rows(result)
    if head:
        assert lines.pop(0) == head
    cells = lines[0].split("," if style.delimiter == " " else style.delimiter)
    where = result.leak.position
    assert float(cells[columns[0]]) == pytest.approx(where.northing, abs=6e-4)
    assert float(cells[columns[1]]) == pytest.approx(where.easting, abs=6e-4)
    assert "LEAK yard" in cells
    if head and "Lat" in head:
        assert cells[1] == cells[2] == ""


LAYOUT_FILES = {
    "pnezd": ("points.csv", "layout = 'pnezd'", "{i},{n},{e},{z},{c}", None, ",", "."),
    "penzd": ("points.txt", "layout = 'penzd'", "{i}\t{e}\t{n}\t{z}\t{c}", None, "\t", "."),
    "german": ("punkte.csv", "", "{c};{i};{e};{n};{z}", "Code;Punkt;E;N;H", ";", ","),
    "english": (
        "points.csv",
        "",
        "{i},{c},{n},{e},{z}",
        "Name,Code,Northing,Easting,Elev",
        ",",
        ".",
    ),
}


@at_length("layout", ["penzd", "german"], ["pnezd", "english"])
def test_a_site_gets_its_stakes_back_as_it_wrote_its_points(layout, tmp_path):
    """A rover file of each layout goes in; what comes out is read by the same reader again."""
    name, stated, row, head, delimiter, decimal = LAYOUT_FILES[layout]
    folder = tmp_path / "site"
    write_site(folder, 1)  # a grid in metres, points with a header line
    source = list(csv.DictReader((folder / "points.csv").read_text("utf-8").splitlines()))
    lines = [head] if head else []
    for each in source:
        values = {
            "i": each["Point"], "n": each["Northing"], "e": each["Easting"], "z": each["Elev"],
            "c": each["Code"],
        }  # fmt: skip
        figures = {k: v.replace(".", decimal) if k in "nez" else v for k, v in values.items()}
        lines.append(row.format(**figures))
    (folder / "points.csv").unlink()
    (folder / name).write_text("\n".join(lines) + "\n", encoding="utf-8")
    toml = (folder / "site.toml").read_text("utf-8")
    toml = toml.replace('file = "points.csv"', f'file = "{name}"\n{stated}')
    (folder / "site.toml").write_text(toml, encoding="utf-8")
    result = geoleak.locate(geoleak.read_site(folder))
    written = rows(result)
    assert (written[0] == head) if head else (written[0].count(delimiter) == 4)
    text = "\n".join([*lines, *(written[1:] if head else written)])
    (folder / name).write_text(text + "\n", encoding="utf-8")
    points = geoleak.read_site(folder).points
    assert len(result.stakes) > 0
    for each in result.stakes:
        again = points[each.id]
        assert again.easting == pytest.approx(each.easting, abs=6e-4)
        assert again.northing == pytest.approx(each.northing, abs=6e-4)
        if each.elevation_m is not None:
            assert again.elevation_m == pytest.approx(each.elevation_m, abs=6e-4)


def test_a_german_spreadsheet_keeps_the_figures(tmp_path):
    """LibreOffice in German reads 238748,908 as that number and 183.959 as 183959."""
    office = shutil.which("soffice") or shutil.which("libreoffice")
    if not office:
        pytest.skip("needs LibreOffice (Debian: libreoffice-calc-nogui)")
    result = replace(metric_site(), point_style=HEADED)
    path = write_stakes(result, tmp_path / "stakes.csv")
    # Semicolons (59), double quotes (34), UTF-8 (76), from line 1, language German (1031).
    taken = "--infilter=CSV:59,34,76,1,,1031,false,true"
    profile = f"-env:UserInstallation=file://{tmp_path}/office"
    asked = [office, profile, "--headless", taken, "--convert-to", "xlsx", "--outdir"]
    subprocess.run([*asked, str(tmp_path), str(path)], check=True, capture_output=True)
    openpyxl = pytest.importorskip("openpyxl")
    table = list(openpyxl.load_workbook(tmp_path / "stakes.xlsx").active.values)
    where = result.leak.position
    assert table[1][2] == pytest.approx(where.easting, abs=6e-4)
    assert table[1][3] == pytest.approx(where.northing, abs=6e-4)
    assert table[1][5] == pytest.approx(71.26)


def test_ids_are_kept_and_the_stake_stands_first():
    result = feet_site()
    turned = replace(result, stakes=result.stakes[::-1])
    assert _read(turned)[0][0] == "900"
    assert {row[0] for row in _read(turned)} == {each.id for each in result.stakes}


def test_to_listen_on_a_rover_gets_places_to_listen_at_and_no_stake():
    result = listen_on_site()
    read = _read(result)
    assert [row[4].split()[0] for row in read] == ["LISTEN", "LISTEN", "check", "check"]
    text = "\n".join(rows(result))
    assert "LEAK" not in text and "hole" not in text and "of the stake" not in text
    where = result.leak.position
    for row in read:
        apart = math.hypot(float(row[1]) - where.northing, float(row[2]) - where.easting)
        assert apart > 0.5, "the best place so far would be set out"
    # Even where a result lists a stake by mistake, or nothing at all.
    wrong = replace(result, stakes=(*feet_site().stakes, *result.stakes))
    assert "LEAK" not in "\n".join(rows(wrong))
    assert rows(replace(result, stakes=())) == []


def test_no_text_becomes_a_formula_or_another_column():
    result = hostile_site()
    label = replace(result.stakes[0], label='=HYPERLINK("x"),2\n@x', id="+1")
    read = _read(replace(result, stakes=(label, *result.stakes[1:])))
    for row in read:
        assert len(row) == 5
        for text in (row[0], row[4]):
            assert not text.startswith(("=", "+", "-", "@"))
    assert "HYPERLINK" in read[0][4]
    assert HOSTILE.split()[0] in " ".join(row[4] for row in read)
