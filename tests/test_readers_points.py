"""Point files of many styles, all invented: what is read, what is noted, what is refused."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from geoleak.crs import crs_info
from geoleak.errors import InputError
from geoleak.readers import table
from geoleak.readers.collector import Collector
from geoleak.readers.headers import read_header
from geoleak.readers.numbers import angle, number, unpacked
from geoleak.readers.points import read_points
from geoleak.readers.table import PointContext
from geoleak.readers.text import Rows, split_rows
from geoleak.site import Note, PointFile, PointTable
from geoleak.units import US_SURVEY_FOOT_M
from tests.check_values import check_value

UTM32 = "EPSG:25832"
NC_FTUS = "EPSG:6543"
NAD83_2011 = "EPSG:6318"


def read(
    place: Path,
    content: str | bytes,
    crs: str = UTM32,
    *,
    unit: str = "m",
    name: str = "points.csv",
    corrections: str = "network RTK",
    **spec: object,
) -> tuple[PointTable, list[Note]]:
    data = content if isinstance(content, bytes) else content.encode("utf-8")
    (place / name).write_bytes(data)
    collector = Collector(place)
    point_file = PointFile(files=(name,)).model_copy(update=spec)
    info = crs_info(crs, length_unit=unit)
    context = PointContext(point_file, info, unit, collector, {}, corrections)
    table = read_points(context)
    collector.finish()
    assert table is not None
    return table, collector.notes


def refused(
    place: Path, content: str | bytes, crs: str = UTM32, *, unit: str = "m", **spec: object
) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(place, content, crs, unit=unit, **spec)
    return [line.replace(f"{place.as_posix()}/", "") for line in caught.value.lines()]


def codes(notes: list[Note]) -> set[str]:
    return {note.code for note in notes}


EXPECTED = {"7": (529235.676, 5684361.289), "8": (529237.45, 5684362.321)}
STYLES = {
    "comma": "Point,Northing,Easting,Elev,Code\n"
    "7,5684361.289,529235.676,183.4,WL\n8,5684362.321,529237.450,183.5,WL\n",
    "semicolon and decimal comma": "Punkt;Rechtswert;Hochwert;Höhe;Code\n"
    "7;529235,676;5684361,289;183,4;WL\n8;529237,450;5684362,321;183,5;WL\n",
    "tab": "Name\tEast\tNorth\tZ\tCode\n"
    "7\t529235.676\t5684361.289\t183.4\tWL\n8\t529237.450\t5684362.321\t183.5\tWL\n",
    "blanks": "No   E           N            H      Code\n"
    "7    529235.676  5684361.289  183.4  WL\n8    529237.450  5684362.321  183.5  WL\n",
    "units row": "Point,Easting,Northing,Elevation,Code\n,m,m,m,\n"
    "7,529235.676,5684361.289,183.4,WL\n8,529237.450,5684362.321,183.5,WL\n",
    "units in brackets": "Point ID,Easting (m),Northing [m],Elev. (m),Feature Code\n"
    "7,529235.676,5684361.289,183.4,WL\n8,529237.450,5684362.321,183.5,WL\n",
    "comments": "# exported in May\n% by hand\nid,e,n,z,code\n# none\n"
    "7,529235.676,5684361.289,183.4,WL\n\n8,529237.450,5684362.321,183.5,WL\n",
    "trailing delimiters": "id,e,n,z,code\n"
    "7,529235.676,5684361.289,183.4,WL,\n8,529237.450,5684362.321,183.5,WL,,\n",
    "trailing delimiter in the header too": "id,e,n,z,code,\n"
    "7,529235.676,5684361.289,183.4,WL,\n8,529237.450,5684362.321,183.5,WL,\n",
    "blank rows": "id,e,n,z,code\n,,,,\n7,529235.676,5684361.289,183.4,WL\n,,,,\n"
    "8,529237.450,5684362.321,183.5,WL\n",
    "quoted": '"id","e","n","z","code"\n"7","529235.676","5684361.289","183.4","WL"\n'
    '"8","529237.450","5684362.321","183.5","WL"\n',
    "spanish": "Punto,Este,Norte,Cota,Código\n"
    "7,529235.676,5684361.289,183.4,WL\n8,529237.450,5684362.321,183.5,WL\n",
    "precision beside": "id,Easting RMS,e,n,z,code,Northing RMS\n"
    "7,0.01,529235.676,5684361.289,183.4,WL,0.02\n8,0.01,529237.45,5684362.321,183.5,WL,0.02\n",
}


@pytest.mark.parametrize("style", STYLES)
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_every_style_gives_the_same_points(tmp_path: Path, style: str, ending: str) -> None:
    table, notes = read(tmp_path, STYLES[style].replace("\n", ending))
    assert notes == []
    assert {key: (p.easting, p.northing) for key, p in table.items()} == EXPECTED
    assert [p.code for p in table.values()] == ["WL", "WL"]
    assert table["7"].elevation_m == pytest.approx(183.4)
    assert table["8"].elevation_m == pytest.approx(183.5)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "cp1252", "utf-16"])
def test_encodings(tmp_path: Path, encoding: str) -> None:
    table, notes = read(tmp_path, STYLES["semicolon and decimal comma"].encode(encoding))
    assert list(table) == ["7", "8"]
    assert ("encoding" in codes(notes)) == (encoding in ("cp1252", "utf-16"))


def test_the_layout_of_a_file_without_a_header(tmp_path: Path) -> None:
    text = "7,5684361.289,529235.676,183.4,WL\n8,5684362.321,529237.45,183.5,WL\n"
    table, _ = read(tmp_path, text, layout="pnezd")
    assert {key: (p.easting, p.northing) for key, p in table.items()} == EXPECTED
    lines = refused(tmp_path, text)
    assert lines[0].startswith("points.csv:1: ") and 'layout = "pnezd"' in lines[0]
    lines = refused(tmp_path, text, layout="penzd")
    assert len(lines) == 1
    assert "outside the area" in lines[0] and "swapped" in lines[0]


def test_a_state_plane_northing_smaller_than_its_easting_is_right(tmp_path: Path) -> None:
    text = "1,783260.786,1987805.010,495.5,WL\n2,783262.786,1987805.010,495.5,WL\n"
    table, _ = read(tmp_path, text, NC_FTUS, unit="ftUS", layout="pnezd")
    assert table["1"].northing == 783260.786
    assert table["1"].elevation_m == pytest.approx(495.5 * US_SURVEY_FOOT_M, abs=1e-9)


def test_unquoted_commas_in_the_last_column_are_its_own(tmp_path: Path) -> None:
    text = "7,5684361.289,529235.676,183.4,WL,by fence, wet\n8,5684362.321,529237.45,183.5,WL\n"
    table, _ = read(tmp_path, text, layout="pnezd")
    assert (table["7"].code, table["7"].note) == ("WL", "by fence, wet")
    headed = "id,e,n,code,remarks\n7,529235.676,5684361.289,WL,by fence, wet\n"
    assert read(tmp_path, headed)[0]["7"].note == "by fence, wet"


def test_a_quoted_line_break_keeps_the_line_numbers(tmp_path: Path) -> None:
    text = 'id,e,n,code,note\n7,529235.676,5684361.289,WL,"two\nlines"\n8,529237.45,x5684362,WL,\n'
    lines = refused(tmp_path, text)
    assert lines == [
        'points.csv:4:13: northing: "x5684362" is not a number; write digits only, without a unit'
    ]


@pytest.mark.parametrize(
    ("text", "place", "words"),
    [
        ("id,e,n,code\n7,529235,5684361,WL\n8,529237,WL\n", "3:1", "3 fields, where 4"),
        (
            "id,e,n,z,depth\n7,529235,5684361,12,1\n8,529237,5684362,1\n",
            "3:1",
            "4 fields, where 5",
        ),
        ("id,e,n,z\n7,529235,5684361,1\n8,529237,5,684361,1\n", "3:1", "5 fields, where 4"),
        ("id,e,n,code\n7,529235,nan,WL\n", "2:10", "not a finite number"),
        ("id,e,n,code\n7,inf,5684361,WL\n", "2:3", "not a finite number"),
        ("id,e,n,code\n7,1e999,5684361,WL\n", "2:3", "not a finite number"),
        ("id,e,n,code\n7,529235,,WL\n", "2:10", "northing is missing"),
        ("id,e,n,code\n,529235,5684361,WL\n", "2:1", "id is missing"),
        ("id;e;n;code\n7;529.235,67;5684361,2;WL\n", "2:3", "thousands separator"),
        ('id,e,n,code\n7,"529,235.67",5684361.2,WL\n', "2:3", "thousands separator"),
        ('id,e,n,code\n7,"529235,67",5684361.2,WL\n', "2:3", "decimal comma"),
        ("id;e;n;code\n7;529235,67;5684361.2;WL\n8;529237,67;5684362,2;WL\n", "2:13", "point"),
        ("id,e,n,code\n7,5_29235,5684361,WL\n", "2:3", "not a number"),
        ("id,e,n,hrms\n7,529235,5684361,-0.01\n", "2:18", "below zero"),
        ("id,e,n,depth\n7,529235,5684361,-3\n", "2:18", "below zero"),
        ("id,lat,lon\n7,51.3,9.4\n", "2:3", "latitude and longitude only"),
        ("id,foo,bar,baz\n7,529235,5684361,1\n", "1", "neither a point nor a header"),
        ("id,east,code\n7,529235,WL\n", "2", "northing"),
        ("id,e,n,easting,code\n7,529235,5684361,529235,WL\n", "2:3", "could both be"),
        ("id,e (ft),n (ft)\n7,529235,5684361\n", "2:10", "is in foot"),
        ('id,e,n,note\n7,529235,5684361,"' + "open\n" * 300, "2", "quote"),
    ],
)
def test_a_spoilt_file_is_refused_at_its_place(
    tmp_path: Path, text: str, place: str, words: str
) -> None:
    lines = refused(tmp_path, text)
    assert len(lines) == 1, lines
    assert lines[0].startswith(f"points.csv:{place}: "), lines[0]
    assert words in lines[0]


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"", "empty"),
        (b"\n \n", "empty"),
        (b"# only a comment\n", "no points"),
        (b"id,e,n,code\n", "no points"),
        (b"PK\x03\x04 rest", "spreadsheet"),
        (bytes(range(256)) * 4, "binary"),
        ("id,e,n\n1,2,3\n".encode("utf-16-le"), "UTF-16"),
        (b"\x89PNG\r\n", "picture"),
    ],
)
def test_what_is_no_text_is_said_plainly(tmp_path: Path, data: bytes, words: str) -> None:
    lines = refused(tmp_path, data)
    assert len(lines) == 1
    assert words in lines[0]


def test_many_complaints_are_shown_up_to_twenty(tmp_path: Path) -> None:
    rows = "".join(f"{k},x,5684361,WL\n" for k in range(50))
    lines = refused(tmp_path, "id,e,n,code\n" + rows)
    assert len(lines) == 21
    assert lines[-1] == "and 30 more like these"


@pytest.mark.parametrize(
    ("crs", "unit", "east", "north", "words"),
    [
        ("EPSG:6428", "ftUS", 3_100_000 * 0.3048, 1_800_000 * 0.3048, "fit as metres"),
        # A place in North Carolina: 783,300 N, 1,987,800 E in US survey feet.
        ("EPSG:32119", "m", 1987800.0, 783300.0, "fit as"),
        ("EPSG:2229", "ftUS", 1987800.0, 783300.0, "outside the area"),
        (NC_FTUS, "ftUS", -79.04, 35.9, "look like degrees"),
        (NAD83_2011, "ftUS", 1987800.0, 783300.0, "look like grid"),
        (NAD83_2011, "ftUS", 35.9, -79.04, "swapped"),
        (NAD83_2011, "ftUS", 79.04, 35.9, "sign turned"),
    ],
)
def test_coordinates_outside_the_area_of_use_say_why(
    tmp_path: Path, crs: str, unit: str, east: float, north: float, words: str
) -> None:
    text = f"id,easting,northing\n1,{east},{north}\n2,{east},{north}\n"
    lines = refused(tmp_path, text, crs, unit=unit)
    assert len(lines) == 1, lines
    assert words in lines[0] and crs in lines[0]


def test_one_stray_row_is_named_alone(tmp_path: Path) -> None:
    text = "id,e,n\n1,529235,5684361\n2,529236,5684362\n3,52923,568436\n"
    lines = refused(tmp_path, text)
    assert len(lines) == 1
    assert lines[0].startswith("points.csv:4:") and "unlike the other points" in lines[0]


def test_a_local_grid_is_not_checked_against_any_area(tmp_path: Path) -> None:
    table, _ = read(tmp_path, "id,e,n\n1,5,6\n2,7,8\n", "local", unit="ft")
    assert table["2"].easting == 7.0


# --- degrees ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "degrees"),
    [
        ("35°54'07.9\"N", 35 + 54 / 60 + 7.9 / 3600),
        ("35 54 07.9 N", 35 + 54 / 60 + 7.9 / 3600),
        ("N35:54:07.9", 35 + 54 / 60 + 7.9 / 3600),
        ("-79 02 27.6", -(79 + 2 / 60 + 27.6 / 3600)),
        ("79°02'27.6\"W", -(79 + 2 / 60 + 27.6 / 3600)),
        ("35d54m7.9s", 35 + 54 / 60 + 7.9 / 3600),
        ("35° 54.1317'", 35 + 54.1317 / 60),
        ("35.902204", 35.902204),
        ("0°30'0\"S", -0.5),
    ],
)
def test_angles(text: str, degrees: float) -> None:
    assert angle(text) == pytest.approx(degrees, abs=1e-12)


@pytest.mark.parametrize("text", ["35 61 00", "35 10 60", "N35S", "-35 10 N", "north", ""])
def test_what_is_no_angle(text: str) -> None:
    with pytest.raises(ValueError, match=r".+"):
        angle(text)


def test_packed_degrees_unpack_exactly() -> None:
    assert unpacked(35.5407900) == pytest.approx(35 + 54 / 60 + 7.9 / 3600, abs=1e-12)
    assert unpacked(-79.0227600) == pytest.approx(-(79 + 2 / 60 + 27.6 / 3600), abs=1e-12)
    assert unpacked(35.54) == pytest.approx(35.9, abs=1e-12)  # not 53 minutes 100 seconds


def test_the_grid_is_used_and_degrees_check_it(tmp_path: Path) -> None:
    good = "id,e,n,lat,lon\n7,529235.676,5684361.289,{},{}\n"
    info = crs_info(UTM32, length_unit="m")
    lon, lat = (float(v[0]) for v in info.lonlat(np.array([529235.676]), np.array([5684361.289])))
    table, _ = read(tmp_path, good.format(f"{lat:.9f}", f"{lon:.9f}"))
    assert table["7"].easting == 529235.676
    lines = refused(tmp_path, good.format(f"{lat + 0.01:.9f}", f"{lon:.9f}"))
    assert "1112 m" in lines[0] and "packed" in lines[0]
    table, notes = read(tmp_path, good.format(_packed(lat), _packed(lon)))
    assert table["7"].easting == 529235.676
    assert "packed as DD.MMSSsss; the grid is used" in notes[0].text


def _packed(degrees: float) -> str:
    whole, rest = divmod(abs(degrees), 1)
    minutes, rest = divmod(rest * 60, 1)
    return f"{whole + minutes / 100 + rest * 60 / 10000:.9f}"


def test_degrees_that_could_be_packed_are_noted(tmp_path: Path) -> None:
    text = "id,lat,lon\n1,35.541234,-79.023456\n2,35.541236,-79.023458\n"
    assert "packed_degrees" in codes(read(tmp_path, text, NAD83_2011)[1])
    clear = text.replace("35.541236", "35.741236").replace("35.541234", "35.761234")
    assert "packed_degrees" in codes(read(tmp_path, text, NAD83_2011)[1])
    assert "packed_degrees" not in codes(read(tmp_path, clear, NAD83_2011)[1])


def test_degrees_as_text_in_a_file(tmp_path: Path) -> None:
    text = "id,Latitude,Longitude\n1,35°54'07.9\"N,79°02'27.6\"W\n"
    table, _ = read(tmp_path, text, NAD83_2011)
    assert table["1"].northing == pytest.approx(35.90219444, abs=1e-8)
    assert table["1"].easting == pytest.approx(-79.041, abs=1e-8)


# --- precision and fix -----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("meaning", "horizontal", "vertical"),
    [
        ("1 sigma", None, None),
        ("2d rms", "reader_drms_per_sigma", None),
        ("95 %", "reader_r95_per_sigma", "reader_z95"),
    ],
)
def test_precision_columns_become_sigmas(
    tmp_path: Path, meaning: str, horizontal: str | None, vertical: str | None
) -> None:
    text = "id,e,n,hrms,vrms\n7,529235.676,5684361.289,0.030,0.040\n"
    point = read(tmp_path, text, precision_is=meaning)[0]["7"]
    across = check_value(horizontal).expected if horizontal else 1.0
    up = check_value(vertical).expected if vertical else 1.0
    assert point.sigma_horizontal_m == pytest.approx(0.030 / across, rel=5e-5)
    assert point.sigma_vertical_m == pytest.approx(0.040 / up, rel=5e-5)


def test_precision_in_feet_and_in_millimetres(tmp_path: Path) -> None:
    text = "id,e,n,HRMS (ft),VRMS (mm)\n7,529235.676,5684361.289,0.1,25\n"
    point = read(tmp_path, text)[0]["7"]
    assert point.sigma_horizontal_m == pytest.approx(0.03048)
    assert point.sigma_vertical_m == pytest.approx(0.025)


def test_two_axes_make_one_sigma_and_a_zero_is_not_stated(tmp_path: Path) -> None:
    text = "id,e,n,Easting RMS,Northing RMS\n7,529235,5684361,0.03,0.04\n8,529236,5684361,0,0\n"
    table, notes = read(tmp_path, text)
    assert table["7"].sigma_horizontal_m == pytest.approx(math.hypot(0.03, 0.04) / math.sqrt(2))
    assert table["8"].sigma_horizontal_m is None
    assert "precision_zero" in codes(notes)


def test_a_depth_of_zero_is_not_stated(tmp_path: Path) -> None:
    table, notes = read(tmp_path, "id,e,n,depth\n7,529235,5684361,1.1\n8,529236,5684361,0\n")
    assert [point.depth_m for point in table.values()] == [1.1, None]
    assert "depth_zero" in codes(notes)


def test_float_and_single_are_kept_and_named(tmp_path: Path) -> None:
    text = "id,e,n,Fix Type\n1,529235,5684361,Fixed\n2,529236,5684361,RTK Float\n3,529237,5684361,Single\n"  # noqa: E501
    table, notes = read(tmp_path, text)
    assert [p.status for p in table.values()] == ["fixed", "float", "single"]
    texts = {note.code: note.text for note in notes}
    assert texts["float_solution"].endswith(": 2") and texts["single_solution"].endswith(": 3")


@pytest.mark.parametrize(
    ("rows", "scheme", "expected"),
    [
        ([("4", 0.01), ("5", 0.4)], None, ["fixed", "float"]),
        ([("1", 0.01), ("2", 0.4)], None, ["fixed", "float"]),
        ([("1", None), ("2", None)], None, ["unknown", "unknown"]),
        ([("1", None), ("2", None)], "gga", ["single", "single"]),
        ([("1", None), ("2", None)], "1 fixed, 2 float", ["fixed", "float"]),
    ],
)
def test_numeric_fixes_need_a_scheme_or_a_precision_column(
    tmp_path: Path,
    rows: list[tuple[str, float | None]],
    scheme: str | None,
    expected: list[str],
) -> None:
    text = "id,e,n,q,hrms\n" + "".join(
        f"{k},{529235 + k},5684361,{q},{h if h else ''}\n" for k, (q, h) in enumerate(rows)
    )
    table, notes = read(tmp_path, text, status_scheme=scheme)
    assert [p.status for p in table.values()] == expected
    assert ("fix_scheme_unknown" in codes(notes)) == ("unknown" in expected)


def test_repeats_are_averaged_with_their_weights(tmp_path: Path) -> None:
    text = (
        "id,e,n,z,hrms\n7,529235.00,5684361.00,10,0.01\n8,529236,5684361,10,0.01\n"
        "7,529235.05,5684361.10,10.5,0.02\n"
    )
    table, notes = read(tmp_path, text)
    # Weights 4 to 1, so a fifth of the way: the inverse-variance mean.
    assert table["7"].easting == pytest.approx(529235.01, abs=1e-6)
    assert table["7"].northing == pytest.approx(5684361.02, abs=1e-6)
    assert table["7"].elevation_m == pytest.approx(10.1)
    assert table["7"].sigma_horizontal_m == pytest.approx(0.02 / math.sqrt(5))
    assert table["7"].observations == 2
    assert list(table) == ["7", "8"]
    assert "repeated_points" in codes(notes)


def test_one_number_for_two_places_is_refused(tmp_path: Path) -> None:
    lines = refused(tmp_path, "id,e,n\n7,529235,5684361\n7,529245,5684361\n")
    assert lines[0].startswith("points.csv:3:1: ")
    assert "line 2" in lines[0] and "10 m apart" in lines[0]


def test_a_base_row_without_a_solution_is_left_out_with_a_note(tmp_path: Path) -> None:
    text = "id,e,n,solution\nBASE,,,none\n7,529235,5684361,fixed\nB2,0,0,\n"
    table, notes = read(tmp_path, text)
    assert list(table) == ["7"]
    note = next(note for note in notes if note.code == "no_position")
    assert "BASE, B2" in note.text and note.origin.line == 2


def test_unknown_columns_are_passed_through(tmp_path: Path) -> None:
    table, _ = read(tmp_path, "id,e,n,Photo,PDOP\n7,529235,5684361,a.jpg,1.2\n")
    assert dict(table["7"].extra) == {"Photo": "a.jpg", "PDOP": "1.2"}


def test_stated_columns(tmp_path: Path) -> None:
    text = "nr,Y,X\n7,5684361.289,529235.676\n"
    point = read(tmp_path, text, columns={"northing": "Y", "easting": "X"})[0]["7"]
    assert (point.easting, point.northing) == EXPECTED["7"]
    lines = refused(tmp_path, text, columns={"nothing": "Y", "easting": "W"})
    assert 'did you mean "northing"?' in lines[0] and 'no column "W"' in lines[1]


def test_x_north_y_east_is_an_error_that_says_so(tmp_path: Path) -> None:
    lines = refused(tmp_path, "nr,X,Y\n7,5684361.289,529235.676\n")
    assert "swapped" in lines[0] and "columns" in lines[0]


LOCAL_XY = "nr,X,Y,Z\n7,197.013,94.014,201.5\n8,191.001,109.992,201.5\n"


@pytest.mark.parametrize("letters", [("X", "Y"), ("x coord", "y coord"), ("X-Coordinate", "Y")])
def test_x_and_y_of_a_local_grid_are_asked_about(tmp_path: Path, letters) -> None:
    text = LOCAL_XY.replace("X,Y", ",".join(letters))
    (line,) = refused(tmp_path, text, crs="local")
    x, y = letters
    assert line.startswith("points.csv:1: ")
    assert f'"{x}" and "{y}": which is north is not stated' in line
    assert f'columns = {{northing = "{x}", easting = "{y}"}}' in line


@pytest.mark.parametrize(
    ("spec", "x_is_north"),
    [
        ({"layout": "pnezd"}, True),
        ({"layout": "penzd"}, False),
        ({"columns": {"northing": "X", "easting": "Y"}}, True),
        ({"columns": {"northing": "Y", "easting": "X"}}, False),
    ],
)
def test_what_is_stated_tells_x_from_y(tmp_path: Path, spec, x_is_north: bool) -> None:
    table, notes = read(tmp_path, LOCAL_XY, crs="local", **spec)
    point = table["7"]
    found = (point.northing, point.easting) if x_is_north else (point.easting, point.northing)
    assert found == (197.013, 94.014)
    assert "layout_not_used" not in codes(notes)


def test_the_area_of_use_tells_x_from_y_where_one_order_alone_lies_in_it(tmp_path: Path) -> None:
    assert read(tmp_path, "nr,X,Y\n7,529235.676,5684361.289\n")[0]["7"].easting == 529235.676
    both = "nr,X,Y\n7,600000,600100\n"  # a point of north-west Africa, and one beside it
    (line,) = refused(tmp_path, both, crs="EPSG:32629")
    assert '"X" and "Y": which is north is not stated' in line
    assert read(tmp_path, "nr,X,Y\n7,9.1,9.2\n", crs="EPSG:4326")[0]["7"].easting == 9.1


def test_a_comment_that_looks_like_a_point_is_noted(tmp_path: Path) -> None:
    _, notes = read(tmp_path, "id,e,n,z\n#7,529235,5684361,1\n8,529235,5684361,1\n")
    assert [n.origin.line for n in notes if n.code == "comment_like_a_point"] == [2]


def test_header_words_of_several_countries() -> None:
    header = read_header(["Matricule", "X", "Y", "Hauteur", "Código", "Lateral RMS", "Ell Ht"])
    assert header.roles == {
        "id": 0,
        "easting": 1,
        "northing": 2,
        "elevation": 3,
        "code": 4,
        "horizontal_precision": 5,
        "ellipsoidal_height": 6,
    }
    assert header.axis_letters


@pytest.mark.parametrize("text", ["1.234,56", "1,234.56", "1'234.5", "1 234", "--1", "1e", "٣", ""])
def test_numbers_that_only_look_like_one(text: str) -> None:
    for decimal in (".", ","):
        with pytest.raises(ValueError, match=";"):
            number(text, decimal=decimal)


# --- several files, other formats ------------------------------------------------------------


def test_a_list_of_files_in_order(tmp_path: Path) -> None:
    (tmp_path / "b.csv").write_text("id,e,n,hrms\n9,529240,5684361,0.02\n")
    (tmp_path / "a.csv").write_text("id,e,n,code\n7,529235,5684361,WL\n")
    collector = Collector(tmp_path)
    spec = PointFile(files=("b.csv", "a.csv"))
    context = PointContext(spec, crs_info(UTM32, length_unit="m"), "m", collector, {})
    table = read_points(context)
    collector.finish()
    assert table is not None
    assert list(table) == ["9", "7"]
    assert (table["9"].sigma_horizontal_m, table["7"].sigma_horizontal_m) == (0.02, None)
    assert (table["9"].code, table["7"].code) == ("", "WL")
    assert table["7"].origin.file.endswith("a.csv") and table["7"].origin.line == 2


def test_a_spreadsheet_of_the_same_columns(tmp_path: Path) -> None:
    openpyxl = pytest.importorskip("openpyxl")
    book = openpyxl.Workbook()
    for row in (["Point", "Easting", "Northing", "Code"], [7.0, 529235.676, 5684361.289, "WL"]):
        book.active.append(row)
    book.active.append(["8", 529237.45, "x", "WL"])
    book.save(tmp_path / "p.xlsx")
    data = (tmp_path / "p.xlsx").read_bytes()
    with pytest.raises(InputError, match=r"p\.xlsx:3:3: northing: \"x\" is not a number"):
        read(tmp_path, data, name="p.xlsx")
    book.active["C3"] = 5684362.321
    book.save(tmp_path / "p.xlsx")
    table, _ = read(tmp_path, (tmp_path / "p.xlsx").read_bytes(), name="p.xlsx")
    assert {key: (p.easting, p.northing) for key, p in table.items()} == EXPECTED


@pytest.mark.parametrize("suffix", ["gpkg", "geojson", "shp"])
def test_layers_through_gdal(tmp_path: Path, suffix: str) -> None:
    geopandas = pytest.importorskip("geopandas")
    frame = geopandas.GeoDataFrame(
        {"name": ["7", "8"], "code": ["WL", "WL"], "hrms": [0.01, None]},
        geometry=geopandas.points_from_xy(*zip(*EXPECTED.values(), strict=True)),
        crs=UTM32,
    )
    if suffix == "geojson":
        frame = frame.to_crs("EPSG:4326")
    frame.to_file(tmp_path / f"p.{suffix}")
    data = (tmp_path / f"p.{suffix}").read_bytes()
    table, _ = read(tmp_path, data, name=f"p.{suffix}")
    assert list(table) == ["7", "8"]
    for key, (east, north) in EXPECTED.items():
        # GeoJSON through GDAL keeps seven decimals of a degree: a centimetre.
        assert table[key].easting == pytest.approx(east, abs=0.02 if suffix == "geojson" else 1e-6)
        assert table[key].northing == pytest.approx(north, abs=0.02)
    assert (table["7"].sigma_horizontal_m, table["8"].sigma_horizontal_m) == (0.01, None)


def test_way_points_of_a_handheld(tmp_path: Path) -> None:
    text = (
        '<gpx version="1.1" creator="test" xmlns="http://www.topografix.com/GPX/1/1">'
        '<wpt lat="35.9022" lon="-79.0410"><ele>151.0</ele><name>M1</name><sym>WL</sym></wpt>'
        "</gpx>"
    )
    table, _ = read(tmp_path, text, NAD83_2011, unit="ft", name="p.gpx")
    assert (table["M1"].northing, table["M1"].easting) == pytest.approx((35.9022, -79.0410))
    assert (table["M1"].elevation_m, table["M1"].code) == (151.0, "WL")


def test_heights_of_a_layer_in_degrees_are_metres_whatever_the_site_measures_in(
    tmp_path: Path,
) -> None:
    text = (
        '{"type": "FeatureCollection", "features": [{"type": "Feature", "properties": '
        '{"name": "M1"}, "geometry": {"type": "Point", "coordinates": [-79.041, 35.9022, 151.0]}}]}'
    )
    table, notes = read(tmp_path, text, NC_FTUS, unit="ftUS", name="p.geojson")
    assert table["M1"].elevation_m == pytest.approx(151.0)
    assert "layer_transformed" in codes(notes)


@pytest.mark.parametrize(
    ("own", "site", "said"),
    [
        ("EPSG:4258", UTM32, None),  # one datum: nothing is lost
        ("EPSG:4326", UTM32, "they may lie 1 m aside"),  # EPSG operation 1149
        ("EPSG:31467", UTM32, "they may lie 1 m aside"),  # the registry's figure for this part
        ("EPSG:4326", NC_FTUS, "they may lie 2 m aside"),  # stated 0 m, which is no accuracy
    ],
)
def test_a_layer_on_another_datum_says_how_far_its_points_may_lie(
    tmp_path: Path, own: str, site: str, said: str | None
) -> None:
    geopandas = pytest.importorskip("geopandas")
    place = (-79.0, 35.9) if site == NC_FTUS else (9.0, 50.0)
    places = geopandas.points_from_xy([place[0], place[0] + 1e-4], [place[1], place[1]])
    frame = geopandas.GeoDataFrame({"name": ["1", "2"]}, geometry=places, crs="EPSG:4326")
    frame.to_crs(own).to_file(tmp_path / "own.gpkg")
    data = (tmp_path / "own.gpkg").read_bytes()
    unit = "ftUS" if site == NC_FTUS else "m"
    _, notes = read(tmp_path, data, site, unit=unit, name="p.gpkg")
    (text,) = [each.text for each in notes if each.code == "layer_transformed"]
    assert (said or site) in text and ("aside" in text) == (said is not None)


def test_layers_that_are_none(tmp_path: Path) -> None:
    geopandas = pytest.importorskip("geopandas")
    from shapely.geometry import LineString

    frame = geopandas.GeoDataFrame({"name": ["a"]}, geometry=[LineString([(0, 0), (1, 1)])])
    frame.to_file(tmp_path / "p.gpkg")
    data = (tmp_path / "p.gpkg").read_bytes()
    with pytest.raises(InputError, match="feature 1 is a LineString"):
        read(tmp_path, data, name="p.gpkg")
    with pytest.raises(InputError, match="cannot be read"):
        read(tmp_path, b"not a layer", name="q.gpkg")


# --- long files ------------------------------------------------------------------------------


def long_text(rows: int = 400) -> str:
    return "id,e,n,z,code,hrms,fix\n" + "".join(
        f"{k},{529000 + k / 8},{5684000 + k / 4},{k % 9}.5,{'WL' if k % 2 else 'BC'},0.01,fixed\n"
        for k in range(1, rows + 1)
    )


@pytest.fixture
def splits(monkeypatch: pytest.MonkeyPatch) -> list[int]:
    """How many lines each text has that is split row by row."""
    counted: list[int] = []

    def counting(text: str, *, label: str, delimiter: str) -> Rows:
        counted.append(text.count("\n"))
        return split_rows(text, label=label, delimiter=delimiter)

    monkeypatch.setattr(table, "split_rows", counting)
    return counted


@pytest.mark.parametrize("ending", ["\n", "\r\n"])
def test_an_even_file_reads_the_same_at_once_and_row_by_row(
    tmp_path: Path, ending: str, splits: list[int]
) -> None:
    text = long_text().replace("\n", ending)
    fast, _ = read(tmp_path, text, name="p.csv")
    assert splits == [200]  # its head alone
    careful, _ = read(tmp_path, text.replace("id,", '"id",', 1), name="p.csv")
    assert splits[1] == 401
    assert list(fast) == list(careful)
    assert dict(fast) == dict(careful)
    assert fast.ids_with_code("BC") == careful.ids_with_code("BC")
    assert "401" not in fast and "007" not in fast and "7" in fast


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("\n1500,", "\n#1500,", None),
        ("\n1500,", "\n\n1500,", None),
        ("\n1500,", '\n"1500",', None),
        ("\n1500,529187.5,", "\n1500,nan,", "p.csv:1501:6: easting"),
        ("\n1500,529187.5,", "\n1500,inf,", "p.csv:1501:6: easting"),
        ("\n1500,529187.5,", "\n1500,529_187.5,", "p.csv:1501:6: easting"),
        ("\n1500,529187.5,", "\n1500,", "p.csv:1501:1: this row has 6 fields"),
        ("\n1500,529187.5,", "\n1500,1,529187.5,", None),
        ("0.01,fixed\n1501,", "0.01\n1501,", None),  # it ends early: a note names it
        ("0.01,fixed\n1501,", "0.01,fixed,extra\n1501,", "p.csv:1501:1: this row has 8"),
        ("0.01,fixed\n1501,", "0.01,fixed\n\n\n1501,", None),
        ("5684375.0,6.5,", "5684375.0,nan,", "p.csv:1501:25: elevation"),
        # One field too many and one too few: the count of all signs is right.
        ("0.01,fixed\n1501,529187.625,", "0.01,fixed,x\n1501,", "p.csv:1501:1: this row has 8"),
    ],
)
def test_whatever_is_odd_deep_in_a_long_file_is_found(
    tmp_path: Path, old: str, new: str, said: str | None
) -> None:
    text = long_text(2000)  # the spoilt row lies far below the head
    assert old in text
    if said:
        lines = refused(tmp_path, text.replace(old, new), name="p.csv")
        assert any(line.startswith(said) for line in lines), lines
    elif "1500,1," not in new:
        table, _ = read(tmp_path, text.replace(old, new), name="p.csv")
        assert ("1500" in table) != (new == "\n#1500,")
        assert table["1501"].origin.line == 1502 + new.count("\n") - old.count("\n")


def test_ids_and_codes_keep_their_zeros_and_blank_cells_are_not_stated(tmp_path: Path) -> None:
    text = long_text(2000).replace("5684375.0,6.5,BC", "5684375.0,,007").replace("\n9,", "\n09,")
    table, _ = read(tmp_path, text, name="p.csv")
    assert table["1500"].elevation_m is None and table["1501"].elevation_m == 7.5
    assert "09" in table and "9" not in table


N = range(8, 400)  # enough to be read at once


@pytest.mark.parametrize("first", ["007", "7"])
def test_an_id_keeps_its_noughts_in_the_first_row_too(tmp_path: Path, first: str) -> None:
    rows = [f"{name},{5684361 + k},{529235 + k},183.4,WL" for k, name in enumerate([first, *N])]
    table, _ = read(tmp_path, "\n".join(rows), layout="pnezd")
    assert list(table) == [first, *map(str, N)]
