"""Point files as rovers and people leave them: what comes out, and what is said. All invented."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geoleak.crs import crs_info, to_own_datum
from geoleak.readers import read_site
from geoleak.readers.headers import spellings
from geoleak.readers.point_checks import DRMS
from geoleak.site import Codes
from geoleak.survey import survey_site
from geoleak.units import INTERNATIONAL_FOOT_M, US_SURVEY_FOOT_M
from tests.site_folders import TOML, complaints_of, write_folder
from tests.test_readers_points import NAD83_2011, NC_FTUS, UTM32, codes, read, refused

E, N = 529235.676, 5684361.289
AZ_FT = "EPSG:2223"  # Arizona east, international feet


# --- ids -------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", ["Pt.-Nr.", "Shot", "Pt Name", "N° point", "Pkt. Nr"])
def test_ids_are_known_in_more_words(tmp_path: Path, name: str) -> None:
    table, _ = read(tmp_path, f"{name};e;n;code\n33;{E};{N};WL\n34;{E + 2};{N};WL\n")
    assert list(table) == ["33", "34"]


def test_a_header_without_a_known_id_is_refused_with_the_likely_column(tmp_path: Path) -> None:
    text = f"Team,Stake,e,n,code\nA,33,{E},{N},WL\nA,34,{E + 2},{N},WL\n"
    (line,) = refused(tmp_path, text)
    assert line.startswith("points.csv:1: no column is known as the point id")
    assert line.endswith('state it: columns = {id = "Stake"} in [points]')
    assert list(read(tmp_path, text, columns={"id": "Stake"})[0]) == ["33", "34"]


def test_a_row_without_an_id_is_set_aside_and_no_other_takes_its_place(tmp_path: Path) -> None:
    text = f"id,e,n\n1,{E},{N}\n,{E + 1},{N}\n3,{E + 2},{N}\n"
    table, notes = read(tmp_path, text)
    assert list(table) == ["1", "3"] and table["3"].easting == E + 2
    assert [n.text for n in notes if n.code == "no_id"] == [
        "rows without a point id left out: line 3"
    ]


# --- fix and precision -----------------------------------------------------------------------


def test_neither_fix_nor_precision_is_said_unless_corrections_are(tmp_path: Path) -> None:
    text = f"id,e,n\n1,{E},{N}\n"
    assert codes(read(tmp_path, text)[1]) == set()
    _, notes = read(tmp_path, text, corrections="")
    assert codes(notes) == {"precision_assumed"} and "2 cm" in notes[0].text
    assert codes(read(tmp_path, text.replace("n\n1", "n,hrms\n1").replace(f"{N}\n", f"{N},0.01\n"),
                      corrections="")[1]) == set()  # fmt: skip


@pytest.mark.parametrize("word", ["4", "fest", "Lösung 2"])
def test_a_fix_nobody_knows_is_said(tmp_path: Path, word: str) -> None:
    _, notes = read(tmp_path, f"id,e,n,fix\n1,{E},{N},{word}\n", corrections="")
    assert {"precision_assumed"} < codes(notes)
    assert any(word.split()[0] in note.text for note in notes)


def test_way_points_and_coarse_degrees_are_metres(tmp_path: Path) -> None:
    gpx = (
        '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
        '<wpt lat="35.9022" lon="-79.0410"><name>M1</name></wpt></gpx>'
    )
    table, notes = read(tmp_path, gpx, NAD83_2011, name="p.gpx")
    assert table["M1"].sigma_horizontal_m == 3.0 and "coarse_positions" in codes(notes)
    for decimals, sigma in ((6, 3.0), (7, None)):
        text = f"id,lat,lon\n1,{35.7:.{decimals}f},{-79.7:.{decimals}f}\n"
        point = read(tmp_path, text, NAD83_2011)[0]["1"]
        assert point.sigma_horizontal_m == sigma, decimals


BARE = f"id,e,n,z,hrms\n1,{E},{N},100,0.300\n"


@pytest.mark.parametrize(
    ("text", "crs", "unit", "stated", "sigma", "said"),
    [
        # On a metre grid the heights are metres, and so is the precision beside them.
        (BARE, UTM32, "ft", None, 0.300, True),
        (BARE, UTM32, "m", None, 0.300, False),
        (BARE, UTM32, "ft", "ft", 0.300 * INTERNATIONAL_FOOT_M, False),
        (BARE.replace("hrms", "hrms (ft)"), UTM32, "m", None, 0.300 * INTERNATIONAL_FOOT_M, False),
        (BARE.replace(",z,", ",z (ft),"), UTM32, "m", None, 0.300 * INTERNATIONAL_FOOT_M, True),
        ("id,e,n,hrms\n1,1987800,783300,0.300\n", NC_FTUS, "m", None, 0.300 * US_SURVEY_FOOT_M,
         True),
    ],
)  # fmt: skip
def test_a_bare_precision_is_in_the_unit_of_the_heights(
    tmp_path: Path, text: str, crs: str, unit: str, stated: str | None, sigma: float, said: bool
) -> None:
    table, notes = read(tmp_path, text, crs, unit=unit, precision_unit=stated)
    assert table["1"].sigma_horizontal_m == pytest.approx(sigma, rel=1e-9)
    assert ("precision_unit_assumed" in codes(notes)) == said


def test_a_bare_depth_is_in_the_unit_of_lengths(tmp_path: Path) -> None:
    text = f"id,e,n,depth\n1,{E},{N},3\n"
    assert read(tmp_path, text, unit="ft")[0]["1"].depth_m == pytest.approx(0.9144)
    assert read(tmp_path, text, unit="m")[0]["1"].depth_m == 3.0


def test_2drms_is_twice_the_distance_rms(tmp_path: Path) -> None:
    table, notes = read(tmp_path, f"id,e,n,2DRMS\n1,{E},{N},0.06\n")
    # Distance rms of two equal axes is sqrt(2) sigma; 2DRMS is two of it.
    assert table["1"].sigma_horizontal_m == pytest.approx(0.06 / (2 * 2**0.5))
    assert pytest.approx(2**0.5) == DRMS and "precision_2drms" in codes(notes)


@pytest.mark.parametrize(("hrms", "known"), [(0.099, True), (0.101, False)])
def test_a_scheme_is_believed_where_its_fixed_points_are_fine(
    tmp_path: Path, hrms: float, known: bool
) -> None:
    text = f"id,e,n,q,hrms\n1,{E},{N},4,{hrms}\n2,{E + 1},{N},5,0.5\n"
    table, _ = read(tmp_path, text)
    assert table["1"].status == ("fixed" if known else "unknown")


def test_no_spelling_is_the_code_of_one_maker() -> None:
    assert not {"cq1d", "cq2d", "hsdv", "vsdv", "hqual"} & set(spellings("points"))


# --- repeats ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("apart", "hrms", "one"),
    [
        (0.49, "", True),
        (0.51, "", False),
        # Five sigmas of the difference of two shots: 5 * sqrt(2) * 0.1 = 0.707 m.
        (0.70, "0.1", True),
        (0.72, "0.1", False),
    ],
)
def test_how_far_apart_two_shots_of_one_point_may_lie(
    tmp_path: Path, apart: float, hrms: str, one: bool
) -> None:
    text = f"id,e,n,hrms\n7,529235,5684361,{hrms}\n7,{529235 + apart:.3f},5684361,{hrms}\n"
    if one:
        assert read(tmp_path, text)[0]["7"].observations == 2
    else:
        assert "apart" in refused(tmp_path, text)[0]


# --- a grid beside degrees -------------------------------------------------------------------

PLACES = {
    "EPSG:27700": (-1.5, 52.5), "EPSG:28992": (5.4, 52.1), "EPSG:31370": (4.5, 50.6),
    "EPSG:21781": (7.6, 46.9), "EPSG:5514": (15.5, 49.8), "EPSG:31467": (9.2, 50.0),
    "EPSG:3003": (9.5, 45.0), "EPSG:2100": (23.0, 38.5), "EPSG:27572": (2.4, 47.0),
    "EPSG:31287": (14.5, 47.5),
}  # fmt: skip


@pytest.mark.parametrize("crs", PLACES)
def test_wgs84_degrees_beside_a_grid_on_an_older_datum_agree(tmp_path: Path, crs: str) -> None:
    lon, lat = PLACES[crs]
    info = crs_info(crs, length_unit="m")
    assert info.projection is not None
    own = to_own_datum(info.projection, lon, lat).forward(lon, lat)
    e, n = (float(v) for v in info.projection.from_lonlat(*own))
    text = "id;e;n;lat;lon\n" + f"1;{e:.3f};{n:.3f};{lat:.9f};{lon:.9f}\n"
    table, notes = read(tmp_path, text, crs)
    assert table["1"].easting == pytest.approx(e, abs=1e-3)
    assert codes(notes) == {"degrees_on_another_datum"}
    # A degree mistyped in its second decimal is a kilometre: no datum explains that.
    (line,) = refused(tmp_path, text.replace(f"{lat:.9f}", f"{lat + 0.01:.9f}"), crs)
    assert "from northing and easting" in line


@pytest.mark.parametrize(("away", "agrees"), [(4.9, True), (5.1, False)])
def test_degrees_on_the_own_datum_agree_to_five_metres(
    tmp_path: Path, away: float, agrees: bool
) -> None:
    info = crs_info("EPSG:6346", length_unit="m")  # NAD83(2011) / UTM 17N
    e, n = 680_000.0, 3_975_000.0
    lon, lat = (float(v[0]) for v in info.lonlat(np.array([e]), np.array([n])))
    text = f"id,e,n,lat,lon\n1,{e + away},{n},{lat:.10f},{lon:.10f}\n"
    _, notes = read(tmp_path, text, "EPSG:6346")
    assert ("degrees_on_another_datum" in codes(notes)) != agrees


# --- rows and dialects -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "expected", "said"),
    [
        (f"id,e,n,fix\nB,,,no solution\n1,{E},{N},fixed\nC,,,fixed\n", ["1"], "no_position"),
        (f"id,e,n,z,hrms,note\n1,{E},{N},1,0.01,a\n2,{E + 1},{N}\n3,{E + 2},{N},1,0.01\n",
         ["1", "2", "3"], "short_rows"),
        (f"id,e,n,z\n,[m],[m],[m]\n1,{E},{N},5\n", ["1"], None),
        (f"id,e,n,z\n,(m),(m),(m)\n1,{E},{N},5\n", ["1"], None),
        (f"Date,Time,id,e,n\n2026-05-04,10:31:00,1,{E},{N}\n", ["1"], "column_chosen"),
        ("id   e           n            z\n1    529235,676  5684361,289  183,4\n"
         "2    529236,676  5684361,289  183,5\n", ["1", "2"], None),
        ("Nr  Rechts  Hoch\n", None, None),
    ],
    ids=["no solution", "short", "units in brackets", "units in round ones", "time first",
         "blanks and decimal commas", "words unknown"],
)  # fmt: skip
def test_what_can_be_read_is_read_with_one_note(
    tmp_path: Path, text: str, expected: list[str] | None, said: str | None
) -> None:
    if expected is None:
        assert len(refused(tmp_path, text)) == 1
        return
    table, notes = read(tmp_path, text)
    assert list(table) == expected
    assert codes(notes) == ({said} if said else set()), notes
    assert table["1"].easting == pytest.approx(E)


def test_a_layer_without_geometry_is_one_line(tmp_path: Path) -> None:
    import pyogrio.raw

    names = [np.array(["a", "b"], dtype=object)]
    pyogrio.raw.write(tmp_path / "t.gpkg", None, names, ["name"], driver="GPKG", crs=None,
                      geometry_type=None)  # fmt: skip
    from geoleak.errors import InputError

    with pytest.raises(InputError) as caught:
        read(tmp_path, (tmp_path / "t.gpkg").read_bytes(), name="p.gpkg")
    (line,) = caught.value.lines()
    assert "table without geometry" in line


# --- line work in codes ----------------------------------------------------------------------

LINES = """\
101,783300.00,1987800.00,495.1,{0}
102,783304.00,1987803.00,495.2,WTR
103,783308.00,1987806.00,495.3,WTR
104,783312.00,1987809.00,495.4,{1}
201,783296.00,1987797.00,495.0,MTR
301,783320.00,1987790.00,495.6,BC
"""


@pytest.mark.parametrize(
    ("begin", "end"),
    [("WTR B", "WTR E"), ("WTR.ST", "WTR.END"), ("WTR BEG", "WTR*"), ("WTR *", "WTR cls")],
)
def test_the_leg_keeps_the_ends_that_line_work_words_mark(
    tmp_path: Path, begin: str, end: str
) -> None:
    toml = TOML.replace('"WL"', '"WTR"').replace('start = "201"\n', "")
    site = read_site(
        write_folder(tmp_path, {"site.toml": toml, "points.csv": LINES.format(begin, end)})
    )
    assert site.legs[0].mark_ids == ("101", "102", "103", "104")
    assert site.points["101"].code == begin


def test_a_leg_whose_codes_begin_two_lines_is_asked_about(tmp_path: Path) -> None:
    toml = TOML.replace('"WL"', '"WTR"')
    text = LINES.format("WTR B", "WTR E").replace("495.3,WTR", "495.3,WTR B")
    site = read_site(write_folder(tmp_path, {"site.toml": toml, "points.csv": text}))
    (note,) = [each for each in site.notes if each.code == "line_begins_twice"]
    assert "101, 103" in note.text


def test_codes_with_blanks_and_brackets_are_themselves(tmp_path: Path) -> None:
    toml = TOML.replace('code = "WL"', 'code = "WL[1]"').replace('"WV"', '"gate valve"')
    text = LINES.format("WL[1]", "WL[1]").replace(",WTR", ",WL[1]").replace(",BC", ",gate valve")
    site = read_site(write_folder(tmp_path, {"site.toml": toml, "points.csv": text}))
    assert site.legs[0].mark_ids == ("101", "102", "103", "104")
    assert site.codes.is_fitting("gate valve") and not Codes.matches("WL1", ("WL[1]",))
    assert Codes.matches("WL[1]", ("WL*",))
    lines = complaints_of(tmp_path, {"site.toml": toml.replace("WL[1]", "WL[2]"),
                                     "points.csv": text})  # fmt: skip
    assert 'no point has code "WL[2]"; did you mean "WL[1]"?' in lines[0]


@pytest.mark.parametrize(
    ("fix", "hrms", "sigma_m"),
    [("fixed", "", 0.02), ("float", "", 0.4), ("single", "", 1.5), ("?", "", 0.02),
     ("float", "0.1", 0.1 * US_SURVEY_FOOT_M), ("fixed", "0.001", 0.005)],
)  # fmt: skip
def test_what_a_fix_is_good_to_where_the_file_states_nothing(
    tmp_path: Path, fix: str, hrms: str, sigma_m: float
) -> None:
    # Common practice, no source: 2 cm fixed, 40 cm float, 1.5 m single; never below 5 mm.
    rows = LINES.format("WL", "WL").replace("WTR", "WL").splitlines()
    text = "id,n,e,z,code,fix,hrms\n" + "".join(f"{row},fixed,\n" for row in rows)
    text = text.replace("BC,fixed,", f"BC,{fix},{hrms}")
    toml = TOML.replace('layout = "pnezd"\n', "")
    survey = survey_site(read_site(write_folder(tmp_path, {"site.toml": toml, "points.csv": text})))
    (corner,) = [each for each in survey.points if each.point.id == "301"]
    assert corner.sigma_m == pytest.approx(sigma_m, rel=1e-9)


def test_lines_before_the_header_and_below_the_points_are_named(tmp_path: Path) -> None:
    text = (
        "Job: 4471  Crew 2\nDatum NAD83   Geoid none\n\nPointName\tNorth\tEast\tCode\n"
        f"7\t{N}\t{E}\tWL\n8\t{N}\t{E + 2}\tWL\nTotal points: 2\n"
    )
    table, notes = read(tmp_path, text)
    assert list(table) == ["7", "8"] and table["8"].origin.line == 6
    said = {note.code: note.text for note in notes}
    assert "Job: 4471" in said["preamble"]
    assert said["no_position"].endswith("Total points: 2")


def test_a_thousand_in_a_number_is_refused_with_its_place(tmp_path: Path) -> None:
    lines = refused(tmp_path, 'id;e;n\n"S1";"324 512,112";"5 811 204,456"\n')
    assert lines[0].startswith("points.csv:2:6: easting") and "thousands separator" in lines[0]


@pytest.mark.parametrize(
    ("away_m", "aside_m", "asked"),
    [(4.9, 0.3, True), (5.1, 0.3, False), (2.0, 0.9, True), (2.0, 1.1, False)],
)
def test_a_branch_that_begins_beside_a_fitting_is_asked_about(
    tmp_path: Path, away_m: float, aside_m: float, asked: bool
) -> None:
    toml = """crs = "local"
length_unit = "m"
[points]
file = "points.csv"
layout = "penzd"
[[leg]]
name = "main"
code = "WM"
[[leg]]
name = "branch"
code = "WB"
[codes]
fitting = ["WV"]
"""
    rows = ["1,0,0,,WM", "2,20,0,,WM", "3,40,0,,WM", f"9,20,{aside_m},,WV",
            f"11,20,{aside_m + away_m},,WB", f"12,20,{20 + away_m},,WB"]  # fmt: skip
    files = {"site.toml": toml, "points.csv": "\n".join(rows) + "\n", "readings.csv": None}
    folder = write_folder(tmp_path, {k: v for k, v in files.items() if v})
    (folder / "readings.csv").unlink()
    survey = survey_site(read_site(folder))
    said = [note.text for note in survey.warnings if note.code == "leg_near_fitting"]
    assert len(said) == asked
    if asked:
        assert said[0].endswith('does it run from there? Then write from = "main 9"')


def test_vertical_precision_is_said_to_be_kept_and_not_used(tmp_path: Path) -> None:
    table, notes = read(tmp_path, f"id,e,n,code,VRMS (m)\n1,{E},{N},WL,0.03\n")
    assert table["1"].sigma_vertical_m == pytest.approx(0.03)
    assert [each.text for each in notes if each.code == "vertical_precision"] == [
        "vertical precision is kept and not used: depths count from the ground as shot"
    ]


@pytest.mark.parametrize(
    ("depth", "unit", "asked"),
    [
        ("30", "ft", True),  # inches were meant
        ("12.0", "ft", False), ("12.1", "ft", True),
        ("0.17", "ft", False), ("0.16", "ft", True),  # 5 cm
        ("36", "m", True), ("1.2", "m", False), ("0", "m", False),
    ],
)  # fmt: skip
def test_a_bare_depth_that_no_pipe_has_is_asked_about_once(
    tmp_path: Path, depth: str, unit: str, asked: bool
) -> None:
    text = f"id,e,n,depth\n1,{E},{N},{depth}\n2,{E + 2},{N},{depth}\n"
    if not asked:
        read(tmp_path, text, unit=unit)
        return
    line = refused(tmp_path, text, unit=unit)[0]
    assert line.startswith("points.csv:2:") and "(so in 2 rows): is that meant?" in line
    assert 'depth_unit = "in" in [points]' in line


def test_a_depth_whose_unit_is_stated_is_taken_and_said(tmp_path: Path) -> None:
    text = f"id,e,n,depth\n1,{E},{N},30\n2,{E + 2},{N},150\n"
    table, notes = read(tmp_path, text, unit="ft", depth_unit="in")
    assert table["1"].depth_m == pytest.approx(0.762)
    assert [n.text for n in notes if n.code == "unusual"] == [
        'depth "150" is taken as 12.5 ft: more or less than pipe is likely to have; check it'
    ]
    table, notes = read(tmp_path, text.replace("depth", "depth (in)"), unit="ft", depth_unit="ft")
    assert table["1"].depth_m == pytest.approx(0.762) and "unusual" in codes(notes)


US = 1200 / 3937


@pytest.mark.parametrize(
    ("text", "crs", "depth", "sigma"),
    [
        ('Pt|N|E|Z|TYPE|Depth\n33|783300|1987800|495|WL|3\' 2"\n', NC_FTUS, 38 / 12 * US, None),
        ("Pt,N,E,Z,D,Depth\n33,783300 usft,1987800 usft,150.876 m,WL,38 in\n", NC_FTUS,
         38 / 12 * US, None),
        ("Point,North,East,Height,Descriptor,Hor. Prec.\n[],[usft],[usft],[usft],[],[usft]\n"
         "33,783300,1987800,495,WL,0.03\n", NC_FTUS, None, 0.03 * US),
        ("Point;Position;;;Quality;Feature\nNo.;Northing;Easting;Elev.;HRMS;Code\n"
         "33;783300;1987800;495;0.03;WL\n", NC_FTUS, None, 0.03 * US),
        ('"Punktnr.";"Hochwert";"Rechtswert";"Höhe";"Kode";"Lagegenauigkeit"\n'
         '"33";"783300,0";"1987800,0";"495,0";"WL";"0,03 m"\n', NC_FTUS, None, 0.03),
    ],
)  # fmt: skip
def test_layouts_of_other_programs(
    tmp_path: Path, text: str, crs: str, depth: float | None, sigma: float | None
) -> None:
    for data in (text.encode(), text.encode("utf-16")):
        table, _ = read(tmp_path, data, crs, unit="ftUS")
        point = table["33"]
        assert (point.easting, point.northing) == pytest.approx((1987800, 783300), rel=1e-14)
        assert point.code == "WL"
        assert point.elevation_m == pytest.approx(495 * US, abs=1e-3)
        assert (point.depth_m, point.sigma_horizontal_m) == pytest.approx((depth, sigma))


def test_a_listing_by_station_and_offset_is_told_what_to_do(tmp_path: Path) -> None:
    text = "Alignment: service\n\nStation   Offset   Elev   Desc\n0+04.00   R 0.1   495.5   WL\n"
    (line,) = refused(tmp_path, text)
    assert "holds no coordinates" in line and line.endswith("tape the marks: geoleak new tapes")


def test_a_unit_that_is_none_in_a_cell_is_refused(tmp_path: Path) -> None:
    (line,) = refused(tmp_path, f"id,e,n\n1,{E} rods,{N}\n")
    assert 'unknown unit "rods"' in line


def test_the_column_that_holds_the_codes_is_named(tmp_path: Path) -> None:
    text = "Pt,N,E,Z,Beschr\n" + "".join(f"{k},{783300 + 9 * k},1987800,495,WL\n" for k in (1, 2))
    toml = TOML.replace('layout = "pnezd"\n', "").replace('start = "201"\n', "")
    lines = complaints_of(tmp_path, {"points.csv": text, "site.toml": toml})
    assert lines[0].endswith(
        'state columns = {code = "Beschr"} in [points], or new --columns code="Beschr"'
    )


@pytest.mark.parametrize(
    ("crs", "heading", "said"),
    [
        # The two feet differ by 2 in a million: of hypot(1987800, 783300) ft 4.27 ft.
        (NC_FTUS, "ft", "taken as US survey feet, the unit of EPSG:6543; were they international"),
        (NC_FTUS, "ftUS", ""),
        (NC_FTUS, "", ""),
        (AZ_FT, "ft", "taken as international feet, the unit of EPSG:2223; were they US survey"),
    ],
)
def test_which_foot_a_heading_means_is_said_for_coordinates(
    tmp_path: Path, crs: str, heading: str, said: str
) -> None:
    unit = f" ({heading})" if heading else ""
    east, north = (1987800.0, 783300.0) if crs == NC_FTUS else (700000.0, 1000000.0)
    _, notes = read(tmp_path, f"id,e{unit},n{unit}\n7,{east},{north}\n", crs, unit="ft")
    told = [each.text for each in notes if each.code == "foot_taken"]
    off = "4.27 ft" if crs == NC_FTUS else "2.44 ft"
    assert len(told) == bool(said) and all(said in each and off in each for each in told)


@pytest.mark.parametrize(("second", "noted"), [("2.95", True), ("1.1", False)])
def test_depths_of_a_column_are_asked_about_where_most_are_no_pipe_s(
    tmp_path: Path, second: str, noted: bool
) -> None:
    text = f"id,e,n,depth\n1,{E},{N},2.95\n2,{E + 2},{N},{second}\n"
    _, notes = read(tmp_path, text, unit="m")
    assert [n.text for n in notes if n.code == "depth_bare"] == [
        "depth: 2.95 is taken as 2.95 m, deeper than most pipes; were it 2.95 ft, it would be "
        "0.90 m; check it and write its unit"
    ] * noted
