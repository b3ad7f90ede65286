"""Limits of the readers: each with a case on either side."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoleak.errors import InputError, Refused
from geoleak.new.guess import first_cells, understand
from geoleak.new.questions import offered
from geoleak.new.write import NewSite
from geoleak.readers import read_site
from geoleak.readers.drawings import read_utility_file
from geoleak.readers.text import decode_text, sniff_delimiter
from tests.site_folders import complaints_of, site_of
from tests.test_readers_points import codes, read, refused
from tests.test_survey_network import write

E, N = 529235.0, 5684361.0
PLACES = "place,level\n"


@pytest.mark.parametrize(
    ("apart", "hrms", "one"),
    [(0.49, "", True), (0.51, "", False), (7.0, "1", True), (7.2, "1", False)],
)
def test_repeats_this_far_apart_are_one_point(
    tmp_path: Path, apart: float, hrms: str, one: bool
) -> None:
    # Half a metre, or five sigma of the difference of two shots: 5 * sqrt(2) * 1 m.
    text = f"id,e,n,hrms\n7,{E},{N},{hrms}\n7,{E + apart},{N},{hrms}\n"
    if one:
        assert read(tmp_path, text)[0]["7"].observations == 2
    else:
        assert "m apart" in refused(tmp_path, text)[0]


@pytest.mark.parametrize(("away", "said"), [(49_900, False), (50_100, True)])
def test_a_point_this_far_from_the_others_is_named(tmp_path: Path, away: int, said: bool) -> None:
    _, notes = read(tmp_path, f"id,e,n\n1,{E},{N}\n2,{E + 1},{N}\n3,{E},{N + away}\n")
    assert ("far_point" in codes(notes)) == said


@pytest.mark.parametrize(("by", "fits"), [("1000 m", True), ("1001 m", False)])
def test_a_place_is_moved_at_most_a_kilometre(tmp_path: Path, by: str, fits: bool) -> None:
    files = {"readings.csv": f"{PLACES}101 up {by},40\n"}
    if fits:
        assert site_of(tmp_path, files).readings[0].place.up_m == 1000
    else:
        assert "name a nearer mark" in complaints_of(tmp_path, files)[0]


@pytest.mark.parametrize(
    ("cell", "role", "most"), [("-1", "hrms", 20), ("x", "hrms", 200), ("9999", "z", 20)]
)
def test_rows_that_are_wrong_alike_are_named_so_often(
    tmp_path: Path, cell: str, role: str, most: int
) -> None:
    rows = "".join(f"{k},{E + k},{N},{cell}\n" for k in range(250))
    with pytest.raises(InputError) as caught:
        read(tmp_path, f"id,e,n,{role}\n{rows}")
    assert len(caught.value.complaints) == most


@pytest.mark.parametrize(("role", "low", "high"), [("elev", -600, 9000), ("ellh", -700, 9100)])
def test_a_height_is_of_this_planet(tmp_path: Path, role: str, low: int, high: int) -> None:
    """From below the lowest shore to above the highest summit: common practice, no source."""
    for metres, out in ((low - 1, True), (low + 1, False), (high - 1, False), (high + 1, True)):
        text = f"id,e,n,{role} (m)\n1,{E},{N},{metres}\n"
        if out:
            assert f"is {metres} m; check the figure" in refused(tmp_path, text)[0]
        else:
            assert read(tmp_path, text)[0]["1"].easting == E


@pytest.mark.parametrize(("depth", "fits"), [(29.9, True), (30.1, False)])
def test_no_mark_lies_deeper_than_thirty_metres(tmp_path: Path, depth: float, fits: bool) -> None:
    text = f"id,e,n,depth (m)\n1,{E},{N},{depth}\n"
    if fits:
        assert read(tmp_path, text)[0]["1"].depth_m == depth
    else:
        assert f"is {depth} m; check the figure" in refused(tmp_path, text)[0]


@pytest.mark.parametrize(("above", "found"), [(9, True), (10, False)])
def test_ten_rows_of_a_sheet_hold_its_headings(tmp_path: Path, above: int, found: bool) -> None:
    files = {"readings.csv": "Job,12\n" * above + f"{PLACES}101,40\n"}
    if found:
        assert len(site_of(tmp_path, files).readings) == 1
    else:
        assert "place" in complaints_of(tmp_path, files)[0]


@pytest.mark.parametrize(("above", "found"), [(29, True), (30, False)])
def test_thirty_lines_hold_the_header(tmp_path: Path, above: int, found: bool) -> None:
    text = "Job\n" * above + "id,e,n\n" + "".join(f"{k},{E + k},{N}\n" for k in range(200))
    if found:
        assert len(read(tmp_path, text)[0]) == 200
    else:
        assert "neither a point nor a header" in refused(tmp_path, text)[0]


@pytest.mark.parametrize(("lines", "closes"), [(195, True), (205, False)])
def test_a_cell_of_two_hundred_lines_is_a_quote_left_open(
    tmp_path: Path, lines: int, closes: bool
) -> None:
    cell = '"' + "loud\n" * lines + '"'
    files = {"readings.csv": f"place,level,note\n101,40,{cell}\n102,41,\n"}
    if closes:
        assert len(site_of(tmp_path, files).readings) == 2
    else:
        assert ":2: a quote opens here" in complaints_of(tmp_path, files)[0]


@pytest.mark.parametrize(("count", "marks"), [(2, ()), (3, ("QQ",))])
def test_three_points_of_a_code_may_be_marks(
    tmp_path: Path, count: int, marks: tuple[str, ...]
) -> None:
    path = tmp_path / "p.csv"
    path.write_text("id,e,n,code\n" + "".join(f"{k},{E + k},{N},QQ\n" for k in range(count)))
    assert understand(path).codes_for("mark") == marks


@pytest.mark.parametrize(("depth", "kept"), [(29.9, 29.9), (30.1, None)])
def test_a_service_lies_at_most_thirty_metres_deep(
    tmp_path: Path, depth: float, kept: float | None
) -> None:
    path = tmp_path / "gas.geojson"
    path.write_text(
        f'{{"type": "Feature", "properties": {{"depth": {depth}}},'
        ' "geometry": {"type": "Point", "coordinates": [-79.04, 35.9]}}'
    )
    assert read_utility_file(path, label="gas").shapes[0].depth_m == kept


@pytest.mark.parametrize(("diameter", "kept", "said"), [(4.9, 4.9, False), (5.1, None, True)])
def test_no_main_is_wider_than_five_metres(
    tmp_path: Path, diameter: float, kept: float | None, said: bool
) -> None:
    site = read_site(write(tmp_path, od=[f"{diameter} m", None, None]))
    assert site.legs[0].outside_diameter_m == kept
    assert ("diameter_not_likely" in codes(list(site.notes))) == said


@pytest.mark.parametrize(("before", "read_it"), [(950_000, False), (1_050_000, True)])
def test_a_binary_file_is_known_by_its_first_million_signs(before: int, read_it: bool) -> None:
    data = b"a,b,c,d\n" * (before // 8) + b"\x01" * 20_000
    if read_it:
        assert decode_text(data)[1] == "UTF-8"
    else:
        with pytest.raises(Refused, match="binary file"):
            decode_text(data)


@pytest.mark.parametrize(
    ("sign", "count", "binary"),
    [
        (1, 2, False), (1, 3, True), (8, 3, True), (9, 3, False), (13, 3, False), (14, 3, True),
        (26, 3, True), (27, 3, False), (126, 3, False), (127, 3, True),
    ],
)  # fmt: skip
def test_signs_that_no_text_holds_make_a_file_binary(sign: int, count: int, binary: bool) -> None:
    """Controls but tab to carriage return and escape, which terminals write; two are a slip."""
    data = b"a,b\n" * 100 + bytes([sign]) * count
    if binary:
        with pytest.raises(Refused, match="binary file"):
            decode_text(data)
    else:
        assert decode_text(data)[1] == "UTF-8"


@pytest.mark.parametrize(("held", "sign"), [(48, ";"), (47, ",")])
def test_the_delimiter_is_what_four_fifths_of_sixty_lines_hold(held: int, sign: str) -> None:
    lines = ["a;b,c"] * held + ["a,b"] * (100 - held)
    assert sniff_delimiter("\n".join(lines)) == sign


@pytest.mark.parametrize(("row", "known"), [(199, True), (200, False)])
def test_the_decimal_sign_stands_in_the_first_two_hundred_lines(
    tmp_path: Path, row: int, known: bool
) -> None:
    rows = [f"{k};{int(E) + k};{int(N)}" for k in range(1, 251)]
    rows[row - 1] += ",5"
    text = "id;e;n\n" + "\n".join(rows) + "\n"
    if known:
        assert read(tmp_path, text)[0][str(row)].northing == N + 0.5
    else:
        assert "has a decimal comma" in refused(tmp_path, text)[0]


def test_a_newcomer_is_shown_four_cells_of_a_column_and_nine_grids(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    path.write_text("Ax;e;n\n" + "".join(f"{k};1987850;783300\n" for k in range(9)))
    assert first_cells(path)[0] == ("Ax", ("0", "1", "2"))
    guess = understand(path, columns={"id": "Ax"})
    assert guess.columns[0].sample == ("0", "1", "2", "3")
    assert len(offered(NewSite(), guess, "North Carolina")) == 9
