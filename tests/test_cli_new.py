"""`geoleak new`: with options, and asked on a terminal."""

from __future__ import annotations

import csv
import json
import os
import shutil
import sys
import tomllib
from pathlib import Path

import pytest

from geoleak.readers import read_site
from tests.command import fingerprint, on_terminal, run
from tests.spoilt_sites import SITES

pytestmark = pytest.mark.usefixtures("few_nodes")

POINTS = SITES / "alder_court" / "points.csv"


@pytest.fixture(scope="module", autouse=True)
def looked_up(tmp_path_factory: pytest.TempPathFactory) -> None:
    """Import and look up once what every fork would for itself."""
    folder = tmp_path_factory.mktemp("new") / "alder_court"
    assert run("new", POINTS, folder, "--crs", "EPSG:6543", "--unit", "ftUS").code == 0


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


PIPE = [
    ("Codes of the marks", ""),
    ("Codes of fittings", "MTR* WV HB"),
    ("Codes of fixed things", "BC PP"),
    ("Depth of the pipe", "three"),
    ("is not a length", "3 ft"),
    ("Material", "PVC"),
    ("Outside diameter", "1.315"),
    ("is that meant", "1.315 in"),
    ("Where does the pipe itself end", "banana"),
    ("none of start, end, both", "end"),
    ("taps and machines be off", "yes"),
]


def test_on_a_terminal_it_asks_and_offers_what_fits_the_place(points: Path) -> None:
    site = points.parent / "yard"
    ran = on_terminal(
        ["new", points, site],
        [
            ("Where is this", "Raleigh, NC"),
            ("CRS: a number above", "1"),
            ("not in feet of 0.3048 m", "yards"),
            ("none of m, ft, ftUS", "feet"),
            *PIPE,
        ],
    )
    assert ran.code == 0, ran.out
    assert "NAD83(2011) / North Carolina (ftUS)" in ran.out
    assert "the points lie at latitude 35.90" in ran.out and "is that the place?" in ran.out
    stated = tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))
    assert (stated["crs"], stated["length_unit"]) == ("EPSG:6543", "ftUS")
    (leg,) = stated["leg"]
    assert (leg["code"], leg["depth"], leg["material"]) == ("WL", "3 ft", "PVC")
    assert (leg["outside_diameter"], leg["ends_here"]) == ("1.315 in", ["end"])
    assert stated["readings"]["everything_off"] is True
    assert stated["codes"]["fitting"] == ["MTR*", "WV", "HB"]
    assert run("check", site).code == 0


def test_an_epsg_number_is_taken_at_the_prompt(points: Path) -> None:
    site = points.parent / "yard"
    ran = on_terminal(
        ["new", points, site],
        [("Where is this", "999999"), ("not a CRS that PROJ knows", "6543"),
         ("Unit of lengths", ""), *PIPE],
    )  # fmt: skip
    assert ran.code == 0, ran.out
    stated = tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))
    assert (stated["crs"], stated["length_unit"]) == ("EPSG:6543", "ftUS")


def test_columns_nobody_knows_are_shown_and_asked_about(points: Path) -> None:
    rows = [line.split(",") for line in points.read_text().splitlines()]
    points.write_text("Ax;Bx;Cx;Dx\n" + "".join(f"{e};{n};{i};{c}\n" for i, n, e, _, c in rows))
    site = points.parent / "yard"
    ran = on_terminal(
        ["new", points, site, "--crs", "EPSG:6543"],
        [
            ("Column of the id", "Cx"), ("Column of the northing", "Bx"),
            ("Column of the easting", "Ax"), ("Column of the latitude", ""),
            ("Column of the longitude", ""), ("Column of the elevation", ""),
            ("Column of the code", "Dx"), ("Unit of lengths", ""), *PIPE,
        ],
    )  # fmt: skip
    assert ran.code == 0, ran.out
    assert "which column is what cannot be told" in ran.out and rows[0][1] in ran.out
    stated = tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))
    assert stated["points"]["columns"] == {
        "id": "Cx", "northing": "Bx", "easting": "Ax", "code": "Dx"
    }  # fmt: skip


def test_answers_are_kept_when_the_end_fails_and_taken_up_again(points: Path) -> None:
    site = points.parent / "yard"
    asked = [("Where is this", "6543"), ("Unit of lengths", ""), ("Codes of the marks", "ZZ"),
             *PIPE[1:]]  # fmt: skip
    ran = on_terminal(["new", points, site], asked)
    assert ran.code == 2 and "--resume" in ran.out and not site.exists()
    assert (points.parent / "yard.answers.json").is_file()
    again = run("new", points, site, "--resume", "--marks", "WL")
    assert again.code == 0, again.err
    stated = tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))
    assert stated["leg"][0]["material"] == "PVC" and stated["crs"] == "EPSG:6543"
    assert not (points.parent / "yard.answers.json").exists()
    assert run("new", points, points.parent / "other", "--resume").code == 2


def test_one_goes_back_to_an_answer_given_wrongly(points: Path) -> None:
    site = points.parent / "yard"
    back = [
        *PIPE[:3], ("Depth of the pipe", "30 ft"), ("Material", "<"), ("Depth of the pipe", "3 ft"),
        *PIPE[5:],
    ]  # fmt: skip
    asked = [("Where is this", "6543"), ("Unit of lengths", "<"), ("Where is this", "6543"),
             ("Unit of lengths", ""), *back]  # fmt: skip
    ran = on_terminal(["new", points, site], asked)
    assert ran.code == 0 and "< goes back" in ran.out, ran.out
    (leg,) = tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))["leg"]
    assert (leg["depth"], leg["material"], leg["ends_here"]) == ("3 ft", "PVC", ["end"])


def test_a_kept_answer_is_asked_again_by_its_name(points: Path) -> None:
    site = points.parent / "yard"
    asked = [("Where is this", "2264"), ("Unit of lengths", ""), ("Codes of the marks", "ZZ"),
             *PIPE[1:]]  # fmt: skip
    assert on_terminal(["new", points, site], asked).code == 2
    ran = on_terminal(
        ["new", points, site, "--resume"],
        [
            ("Which of these to ask again", "deepness crs"),
            ("is none of them", "crs everything_off"), ("Where is this", "6543"),
            ("Codes of the marks", "WL"), *PIPE[1:3], ("taps and machines be off", "no"),
        ],
    )  # fmt: skip
    assert ran.code == 0 and "material           PVC" in ran.out, ran.out
    stated = tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))
    assert (stated["crs"], stated["leg"][0]["material"]) == ("EPSG:6543", "PVC")
    assert stated["readings"]["everything_off"] is False


def test_without_a_rover_marks_are_taped_from_two_corners(tmp_path: Path) -> None:
    site = tmp_path / "lane"
    ran = on_terminal(
        ["new", "tapes", site],
        [
            ("Unit of lengths", "ft"), ("Tape from corner A to corner B", "40"),
            ("left or right", ""),
            ("Mark 1: tape from A", "20"), ("Mark 1: tape from B", "30"),
            ("Mark 2: tape from A", "25 ft"), ("Mark 2: tape from B", "28' 0\""),
            ("Mark 3: tape from A", "wide"), ("is not a length", "30"),
            ("Mark 3: tape from B", "26"), ("Mark 4: tape from A", ""), *PIPE[3:],
        ],
    )  # fmt: skip
    assert ran.code == 0, ran.out
    checked = run("check", site)
    assert checked.code == 0 and "2 features, 3 marks" in checked.out, checked.err
    # The law of cosines: M1 lies (20^2 + 40^2 - 30^2) / (2 * 40) = 13.75 ft along A to B.
    rows = {row["id"]: row for row in json.loads(run("check", site, "--json").out)["points"]}
    assert rows["M1"]["easting"] == pytest.approx(13.75, abs=1e-3)
    assert rows["M1"]["northing"] == pytest.approx((20**2 - 13.75**2) ** 0.5, abs=1e-3)
    assert run("new", "tapes", tmp_path / "other").code == 2


GIVEN = ("--crs", "EPSG:6543", "--unit", "ftUS", "--marks", "WL")


def test_readings_taken_along_say_all_that_they_said(points: Path) -> None:
    sheet = points.parent / "mine.csv"
    sheet.write_text(
        "place,level,kind,depth,everything_off,date,entry,low_hz,skip,note,wind\n"
        '101,1234567 0.1,rod,1.5 m,yes,2026-05-04 07:00,a1,100,,"loud, clear",calm\n'
        "102,41,,,no,,,,wrong,,\n"
    )
    site = points.parent / "yard"
    ran = run("new", points, site, *GIVEN, "--readings", sheet)
    assert ran.code == 0, ran.err
    one, two = read_site(site).readings
    assert one.levels == (1234567.0, 0.1) and (one.date, one.entry) == ("2026-05-04 07:00", "a1")
    assert (one.kind, one.depth_m, one.everything_off, one.low_hz) == ("rod", 1.5, True, 100.0)
    assert (one.note, dict(one.extra)) == ("loud, clear", {"wind": "calm"})
    assert (two.everything_off, two.skip, two.date, two.depth_m) == (False, "wrong", "", None)
    assert "1234567 0.1" in (site / "readings.csv").read_text()


def test_readings_with_headings_of_one_s_own_are_taken_along(points: Path) -> None:
    sheet = points.parent / "mine.csv"
    sheet.write_text("Halt,dB,what,Weather\n101,34,surface,dry\n102,41,surface,dry\n")
    site = points.parent / "yard"
    ran = run("new", points, site, *GIVEN, "--readings", sheet)
    assert ran.code == 2 and not site.exists()
    assert ran.err.startswith(f'{sheet}:1: there is no column "place"'), ran.err
    assert 'new --columns "Halt=place"' in ran.err
    ran = run("new", points, site, *GIVEN, "--readings", sheet, "--columns", "Halt=place")
    assert ran.code == 0, ran.err
    written = list(csv.DictReader((site / "readings.csv").read_text().splitlines()))
    assert [(row["place"], row["level"], row["Weather"]) for row in written] == [
        ("101", "34", "dry"), ("102", "41", "dry")
    ]  # fmt: skip
    assert "columns" not in tomllib.loads((site / "site.toml").read_text()).get("readings", {})
    assert [(each.place.point, each.levels) for each in read_site(site).readings] == [
        ("101", (34.0,)), ("102", (41.0,))
    ]  # fmt: skip
    ran = run("new", points, site, *GIVEN, "--columns", "Halt=nothing")
    assert ran.code == 2 and 'columns "Halt=nothing" is not known' in ran.err


def test_nothing_heard_wants_the_meter_s_limits_and_names_the_sheet_that_is_there(
    points: Path,
) -> None:
    sheet, site = points.parent / "mine.csv", points.parent / "yard"
    sheet.write_text("Mark,dB\n101,34\n102,nothing heard\n")
    ran = run("new", points, site, *GIVEN, "--readings", sheet)
    assert ran.code == 2 and ran.err.startswith(f"{sheet}:3:5: level: nothing heard"), ran.err
    assert "--level-limits 0,99" in ran.err
    ran = run("new", points, site, *GIVEN, "--readings", sheet, "--level-limits", "3,99")
    assert 'the column "Mark" is read as place' in ran.out
    assert ran.code == 0 and read_site(site).readings[1].levels == (3.0,), ran.err


def test_a_size_is_nominal_and_an_outside_diameter_is_one(points: Path) -> None:
    site = points.parent / "yard"
    ran = run("new", points, site, *GIVEN, "--material", "pvc sch 40", "--size", "1 in")
    assert ran.code == 0, ran.err
    # ASTM D1785: 1 in of schedule 40 is 1.315 in outside.
    assert read_site(site).legs[0].outside_diameter_m == pytest.approx(1.315 * 0.0254, abs=1e-5)
    other = points.parent / "other"
    assert run("new", points, other, *GIVEN, "--outside", "1.2 in").code == 0
    assert read_site(other).legs[0].outside_diameter_m == pytest.approx(1.2 * 0.0254, abs=1e-5)
    assert run("new", points, points.parent / "x", *GIVEN, "--size", "1 in").code == 2


@pytest.mark.parametrize(("every_ft", "said"), [(6.2, False), (6.3, True)])
def test_marks_too_far_apart_for_the_hole_are_said_at_once(
    points: Path, every_ft: float, said: bool
) -> None:
    # A crew in feet opens 5 ft at once; a quarter more between marks is let pass.
    rows = [f"{k},{783300 + k * every_ft:.3f},1987800,495,WL" for k in range(9)]
    points.write_text("\n".join(rows) + "\n")
    ran = run("new", points, points.parent / "yard", *GIVEN)
    assert ran.code == 0, ran.err
    assert ("a 5.0 ft hole wants one every 5.0 ft" in ran.out) == said, ran.out


def test_stopping_at_a_question_writes_nothing(points: Path) -> None:
    """In a process of its own: how an end of input is read hangs on the interpreter's own stdin."""
    pty = pytest.importorskip("pty")
    before = fingerprint(points.parent)
    child, terminal = pty.fork()
    if child == 0:
        words = [sys.executable, "-m", "geoleak", "new", str(points), str(points.parent / "yard")]
        os.execv(sys.executable, words)
    shown, sent = "", False
    try:
        while piece := os.read(terminal, 65536).decode("utf-8", "replace"):
            shown += piece
            if not sent and "Where is this" in shown:
                sent = bool(os.write(terminal, b"\x04"))
    except OSError:  # Linux says so when the child has closed its end
        pass
    assert os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]) == 130
    assert "nothing was written" in shown and "Traceback" not in shown
    assert fingerprint(points.parent) == before


def test_a_stated_layout_is_used_to_find_the_crs(tmp_path: Path) -> None:
    # Middle of Nashville in the state's plane, US feet: easting first, and no header to say so.
    rows = "".join(f"{k},{1738000 + 5 * k}.00,{664000 + 3 * k}.00,500.0,WL\n" for k in range(1, 9))
    (tmp_path / "plain.csv").write_text(rows)
    ran = run("new", tmp_path / "plain.csv", tmp_path / "site", "--near", "Tennessee", "--unit",
              "ftUS", "--marks", "WL", "--layout", "penzd")  # fmt: skip
    assert "6576" in ran.out + ran.err or "2274" in ran.out + ran.err


@pytest.mark.parametrize(("said", "layout"), [("n", "pnezd"), ("easting", "penzd")])
def test_x_and_y_of_a_local_grid_are_asked_about(tmp_path: Path, said: str, layout: str) -> None:
    points, site = tmp_path / "xy.csv", tmp_path / "yard"
    marks = (f"{k},{100 + 2 * k}.5,{50 + k}.25,0,WL\n" for k in range(1, 9))
    points.write_text("Nr,X,Y,Z,Code\n" + "".join(marks))
    bare = ["new", points, site, "--crs", "local", "--unit", "m", "--marks", "WL"]
    ran = run(*bare)
    assert ran.code == 2 and not site.exists()
    assert "which of the file's X and Y is north is open" in ran.err
    blank = ("of the marks", "of fittings", "of fixed", "Depth", "Material", "diameter", "end, if",
             "be off")  # fmt: skip
    ran = on_terminal(bare, [("northing or easting", said), *((word, "") for word in blank)])
    assert ran.code == 0, ran.out
    stated = tomllib.loads((site / "site.toml").read_text(encoding="utf-8"))
    assert stated["points"]["layout"] == layout
    mark = read_site(site).points["3"]
    assert (mark.northing, mark.easting)[:: 1 if said == "n" else -1] == (106.5, 53.25)
