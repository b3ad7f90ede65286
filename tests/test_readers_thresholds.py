"""Limits of the readers: each with a case on either side."""

from __future__ import annotations

from pathlib import Path

import pytest

from geoleak.errors import InputError
from geoleak.new.guess import understand
from geoleak.readers.services import read_utility_file
from tests.site_folders import complaints_of, site_of
from tests.test_readers_points import codes, read, refused

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
