"""site.toml: units, limits, unknown keys, where each complaint stands."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError
from pyproj import CRS

from geoleak.new.write import quoted
from geoleak.readers.toml import TomlFile, places_of
from geoleak.site import (
    Crew,
    Job,
    LevelSettings,
    LocateRequest,
    MeterSettings,
    NetworkSettings,
    PointFile,
    PriorSettings,
    Settings,
    StatedLeg,
)
from tests.check_values import check_value
from tests.command import SIGNS
from tests.site_folders import TOML, complaints_of, site_of, toml_with, write_folder


def with_lines(*lines: str) -> dict[str, str | bytes]:
    return {"site.toml": TOML + "\n".join(lines) + "\n"}


def test_a_folder_gives_the_records_it_states(tmp_path: Path) -> None:
    site = site_of(tmp_path)
    assert (site.title, site.crs, site.length_unit) == ("Elm Lane", "EPSG:6543", "ftUS")
    leg = site.leg("yard")
    assert leg.mark_ids == ("101", "102", "103", "104")
    assert leg.start == "201"
    assert site.codes.is_fitting("MTR") and site.codes.is_feature("BC")
    assert site.points["201"].code == "MTR"
    assert [each.levels for each in site.readings] == [(34.0, 31.0, 33.0), (41.0,)]
    assert set(site.inputs) == {"site.toml", "points.csv", "readings.csv"}
    assert all(len(each) == 64 for each in site.inputs.values())
    assert site.origins["points.layout"].line == 7


def test_lengths_take_their_own_unit_and_bare_ones_the_sites(tmp_path: Path) -> None:
    site = site_of(
        tmp_path,
        with_lines("[crew]", "dig_length = 5", 'tape_sigma = "2 cm"', 'offset_stake = "3\'6\\""'),
    )
    foot = check_value("reader_us_survey_foot_m").expected
    assert site.crew.dig_length_m == pytest.approx(5 * foot, abs=1e-12)
    assert site.crew.tape_sigma_m == pytest.approx(0.02)
    assert site.crew.offset_stake_m == pytest.approx(3.5 * foot, abs=1e-12)


@pytest.mark.parametrize(
    ("text", "metres", "fraction"),
    [
        ('"0.1 depth"', None, 0.1),
        ('"10 % depth"', None, 0.1),
        ('"8% of depth"', None, 0.08),
        ('"0,1 depth"', None, 0.1),
        ('"3 cm"', 0.03, None),
    ],
)
def test_the_locator_sigma_is_a_length_or_a_fraction_of_depth(
    tmp_path: Path, text: str, metres: float | None, fraction: float | None
) -> None:
    crew = site_of(tmp_path, with_lines("[crew]", f"locator_sigma = {text}")).crew
    assert crew.locator_sigma.length_m == metres
    assert crew.locator_sigma.of_depth == pytest.approx(fraction)
    expected = metres if metres is not None else (fraction or 0) * 2
    assert crew.locator_sigma.at(2.0) == pytest.approx(expected)


def test_pressure_has_its_unit(tmp_path: Path) -> None:
    site = site_of(tmp_path, toml_with('code = "WL"', 'code = "WL"\npressure = "62 psi"'))
    value = check_value("reader_psi_kpa")
    assert site.legs[0].pressure_kpa == pytest.approx(62 * value.expected, abs=62 * value.tolerance)


def test_a_head_of_water_is_a_pressure(tmp_path: Path) -> None:
    site = site_of(tmp_path, toml_with('code = "WL"', 'code = "WL"\npressure = "40 mH2O"'))
    value = check_value("reader_conventional_water_kpa")
    assert site.legs[0].pressure_kpa == pytest.approx(40 * value.expected, abs=1e-6)


def test_all_complaints_come_together_in_the_order_of_the_file(tmp_path: Path) -> None:
    bad = TOML.replace('"ftUS"', '"feet"').replace("title", "titel")
    lines = complaints_of(tmp_path, {"site.toml": bad + "[crew]\ndig_when = 1.5\ndig_lenght = 3\n"})
    places = [line.split(": ")[0] for line in lines]
    assert places == [
        "elm_lane/site.toml:1:1",
        "elm_lane/site.toml:3:15",
        "elm_lane/site.toml:18:12",
        "elm_lane/site.toml:19:1",
    ]
    assert 'did you mean "title"?' in lines[0]
    assert '"feet"' in lines[1] and '"ftUS"' in lines[1]
    assert "1.5" in lines[2] and "at most 1" in lines[2]
    assert 'did you mean "dig_length"?' in lines[3]


@pytest.mark.parametrize(
    ("files", "place", "words"),
    [
        (toml_with('crs = "EPSG:6543"\n', ""), "1:1", ("crs is missing", '"local"')),
        (toml_with("EPSG:6543", "EPSG:999999"), "2:7", ("not a CRS", "EPSG:6543")),
        (toml_with("EPSG:6543", "EPSG:3857"), "2:7", ("web map", "rover")),
        (toml_with("EPSG:6543", "EPSG:5703"), "2:7", ("heights only",)),
        (toml_with("[points]\n", "[points\n"), "5:8", ("not TOML",)),
        (toml_with('"WL"', "7 apples"), "11:10", ("not TOML",)),
        (toml_with('"WL"', '"WLL"'), "11:8", ("no point has code", 'did you mean "WL"')),
        (toml_with('start = "201"', 'start = "2O1"'), "12:9", ('"2O1"', "did you mean")),
        (toml_with("[[leg]]", "[leg]"), "9:1", ("[[leg]]",)),
        (with_lines("[crew]", "tape_sigma = 0"), "18:14", ("not above 0",)),
        (with_lines("[crew]", "dig_length = nan"), "18:14", ("finite",)),
        (with_lines("[crew]", "dig_length = true"), "18:14", ("not a length",)),
        (with_lines("[crew]", 'dig_length = "5 furlongs"'), "18:14", ("furlongs", "3.5 ft")),
        (with_lines("[crew]", 'dig_when = "0.9"'), "18:12", ("without quotes",)),
        (with_lines("[crew]", "dig_cost = inf"), "18:12", ("finite",)),
        (with_lines("[readings]", "level_limits = [99, 0]"), "18:16", ("[0, 99]",)),
        (with_lines("[readings]", "level_sigma = 0"), "18:15", ("0.1 or more",)),
        (with_lines("[prior]", "elsewhere = -0.1"), "18:13", ("-0.1",)),
        (with_lines("[prior]", "joints = true"), "18:10", ("false",)),
        (
            with_lines("[[utility]]", 'name = "gas"', 'codes = ["BC"]', 'colour = "yelow"'),
            "20:10",
            ('did you mean "yellow"?',),
        ),
        (with_lines("[[utility]]", 'name = "gas"'), "18:8", ("neither file nor codes",)),
        (with_lines("[locate_request]", 'expires = "4 May"'), "18:11", ("2026-05-04",)),
        (
            with_lines("[locate_request]", "valid_from = 2026-05-04", "expires = 2026-05-01"),
            "19:11",
            ("before valid_from",),
        ),
        (toml_with('file = "points.csv"', 'file = "../points.csv"'), "6:8", ("leads out",)),
        (toml_with('file = "points.csv"', 'file = "/etc/passwd"'), "6:8", ("leads out",)),
        (toml_with('file = "points.csv"', 'file = "point.csv"'), "6:8", ('"points.csv"?',)),
        (toml_with('layout = "pnezd"', 'layout = "pnzed"'), "7:10", ('did you mean "pnezd"?',)),
    ],
)
def test_each_mistake_is_named_where_it_stands(
    tmp_path: Path, files: dict[str, str | bytes], place: str, words: tuple[str, ...]
) -> None:
    lines = complaints_of(tmp_path, files)
    assert len(lines) == 1, lines
    assert lines[0].startswith(f"elm_lane/site.toml:{place}: "), lines[0]
    for word in words:
        assert word in lines[0]


def test_a_list_where_a_word_belongs_is_no_word_known(tmp_path: Path) -> None:
    lines = complaints_of(tmp_path, toml_with('layout = "pnezd"', 'decimal = [","]'))
    assert ' is not known; use ".", ","' in lines[0]


def test_a_file_reached_through_a_link_out_of_the_folder_is_refused(tmp_path: Path) -> None:
    secret = tmp_path / "secret.csv"
    secret.write_text("101,1,2,3,WL\n")
    folder = write_folder(tmp_path)
    (folder / "points.csv").unlink()
    (folder / "points.csv").symlink_to(secret)
    lines = complaints_of_folder(folder)
    assert "leads out" in lines[0]


def complaints_of_folder(folder: Path) -> list[str]:
    from geoleak.errors import InputError
    from geoleak.readers import read_site

    with pytest.raises(InputError) as caught:
        read_site(folder)
    return caught.value.lines()


def test_no_folder_and_no_site_toml_are_two_things(tmp_path: Path) -> None:
    assert "no folder" in complaints_of_folder(tmp_path / "nowhere")[0]
    assert "no site.toml" in complaints_of_folder(tmp_path)[0]


def test_files_for_later_are_looked_for_in_the_folder(tmp_path: Path) -> None:
    lines = with_lines(
        "[tables]", 'file = "t.toml"', "[photos]", 'file = ["a.jpg"]', "[job]", 'logo = "l.png"'
    )
    site = site_of(
        tmp_path,
        {
            **lines,
            "t.toml": "[learned]\nsites = 3\n",
            "a.jpg": b"\xff\xd8\xff",
            "l.png": b"\x89PNG",
        },
    )
    assert (site.tables.file, site.photos, site.job.logo) == ("t.toml", ("a.jpg",), "l.png")
    assert {"t.toml", "a.jpg", "l.png"} <= set(site.inputs)
    for name in ("t.toml", "a.jpg", "l.png"):
        (tmp_path / "elm_lane" / name).unlink()
    found = complaints_of_folder(tmp_path / "elm_lane")
    assert [line.partition(": ")[0].rpartition(":")[0][-2:] for line in found] == ["18", "20", "22"]
    assert all("there is no file" in line for line in found)


def test_what_a_check_needs_of_site_toml(tmp_path: Path) -> None:
    stated = with_lines(
        "[readings]", "everything_off = true",
        "[prior]", "fitting = false", "aside = 0.1", "caution = 2",
        "[meter]", "digits = 5", 'timezone = "America/New_York"', 'price = 4.1', 'per = "CCF"',
    )  # fmt: skip
    stated["site.toml"] = str(stated["site.toml"]).replace('start = "201"', 'ends_here = "end"')
    site = site_of(tmp_path, stated)
    assert site.levels.everything_off and site.legs[0].ends_here == ("end",)
    assert (site.prior.fitting, site.prior.aside, site.prior.caution) == (0.0, 0.1, 2.0)
    assert (site.metering.digits, site.metering.per, site.metering.price) == (5, "CCF", 4.1)
    assert site.metering.timezone == "America/New_York"


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (("[readings]", 'everything_off = "perhaps"'), "neither true nor false"),
        (("[prior]", "fitting = true"), "not a share"),
        (("[prior]", "aside = 1.0"), "less than 1"),
        (("[prior]", "caution = 0.5"), "1 or more"),
        (("[prior]", "inaudible = 0.6"), "at most 0.5"),
        (("[meter]", 'timezone = "Alder Court"'), "not a time zone"),
        (("[meter]", 'per = "gal"'), '"gal_us"'),
        (("[meter]", "digits = 2.5"), "whole number"),
        (("[meter]", "resolution = 0"), "not above 0"),
        (("[tables]", "n = 1"), "file is missing"),
        (("[crew]", "dig_length = 5000"), "is 1524 m, more than 100 m"),
    ],
)
def test_new_keys_complain(tmp_path: Path, lines: tuple[str, ...], words: str) -> None:
    assert any(words in line for line in complaints_of(tmp_path, with_lines(*lines)))


def test_an_end_that_ends_here_is_the_start_or_the_end(tmp_path: Path) -> None:
    lines = complaints_of(tmp_path, toml_with('start = "201"', 'ends_here = ["end", "middle"]'))
    assert len(lines) == 1 and "site.toml:12:13: leg[1].ends_here[2]" in lines[0]
    assert '"middle" is not known; use "start", "end"' in lines[0]


def test_a_network_file_may_not_lead_out_of_the_folder(tmp_path: Path) -> None:
    lines = complaints_of(tmp_path, with_lines("[network]", 'file = "../mains.gpkg"'))
    assert "leads out" in lines[0]


LEGS = TOML.partition("[codes]")[0]


@pytest.mark.parametrize(
    ("legs", "words"),
    [
        ('[[leg]]\nname = "yard"\npoints = "101-102"\n', "is called"),
        ('[[leg]]\nname = "b"\nfrom = "b"\npoints = "101-102"\n', "join itself"),
        ('[[leg]]\nname = "b"\nfrom = "yrad"\npoints = "101-102"\n', 'did you mean "yard"?'),
        ('[[leg]]\nname = "b"\nfrom = "yard 999"\npoints = "101-102"\n', '"999"'),
        ('[[leg]]\nname = "b"\npoints = "500-600"\n', "no point lies"),
        ('[[leg]]\nname = "b"\npoints = "104-101"\n', "does not rise"),
        ('[[leg]]\nname = "b"\npoints = "101"\n', "runs through 1 point"),
        ('[[leg]]\nname = "b"\n', "runs through no points"),
        ('[[leg]]\nname = "b"\ncode = "WL"\npoints = "101-104"\n', "code is stated too"),
        ('[[leg]]\nname = "b@c"\npoints = "101-104"\n', "holds an @"),
        ('[[leg]]\nname = "b"\npoints = "101-104"\nmaterial = "pvcc"\n', "pvc"),
        (
            '[[leg]]\nname = "b"\npoints = "101-104"\noutside_diameter = "1 in"\nwall = "1 in"\n',
            "half of outside_diameter",
        ),
        (
            '[[leg]]\nname = "b"\npoints = "101-102"\nfrom = "c"\n'
            '[[leg]]\nname = "c"\npoints = "103-104"\nfrom = "b"\n',
            "is a circle",
        ),
    ],
)
def test_legs_that_cannot_be(tmp_path: Path, legs: str, words: str) -> None:
    lines = complaints_of(tmp_path, {"site.toml": LEGS + legs, "readings.csv": "place,level\n"})
    assert len(lines) == 1, lines
    assert words in lines[0]


def test_marks_are_in_order_of_number_or_of_the_file(tmp_path: Path) -> None:
    points = (
        "10,783300,1987800,1,WL\n9,783304,1987803,1,WL\n11,783308,1987806,1,WL\n"
        "201,783296,1987797,1,M\n"
    )
    files: dict[str, str | bytes] = {"points.csv": points, "readings.csv": "reading,place,level\n"}
    assert site_of(tmp_path, files).legs[0].mark_ids == ("9", "10", "11")
    files |= toml_with('code = "WL"', 'code = "WL"\norder = "file"')
    assert site_of(tmp_path, files).legs[0].mark_ids == ("10", "9", "11")


def test_codes_take_a_tail_and_points_a_range(tmp_path: Path) -> None:
    points = "A9,783300,1987800,1,WL1\nA10,783304,1987803,1,WL2\nB1,783308,1987806,1,WX\n"
    base: dict[str, str | bytes] = {"points.csv": points, "readings.csv": "reading,place,level\n"}
    for key in ('code = "WL*"', 'code = ["WL1", "WL2"]', 'points = "A9-A10"', 'points = "A9, A10"'):
        toml = TOML.replace('code = "WL"\nstart = "201"', key)
        assert site_of(tmp_path, {**base, "site.toml": toml}).legs[0].mark_ids == ("A9", "A10"), key


def test_a_leg_may_join_at_a_named_point(tmp_path: Path) -> None:
    extra = '[[leg]]\nname = "side run"\nfrom = "yard 103"\npoints = "202, 301"\n'
    site = site_of(tmp_path, {"site.toml": LEGS + extra})
    assert (site.leg("side run").joins, site.leg("side run").joins_at) == ("yard", "103")


EVERY_SHAPE = '''\
title = """two
lines \\""" here"""
'quoted key' = 'C:\\path'  # a comment = not a key
a.b."c d" = [1, 2,
  [3, "x # y"],  # comment ] inside
]
point = {x = 1, y = {z = "}"}}
when = 2026-05-04T07:00:00
[[leg]]
name = "one"
[leg.more]
k = 1
[[leg]]
name = "two"
'''


def paths_of(value: Any, path: tuple[str | int, ...] = ()) -> set[tuple[str | int, ...]]:
    if isinstance(value, dict):
        items: list[tuple[str | int, Any]] = list(value.items())
    elif isinstance(value, list):
        items = list(enumerate(value))
    else:
        return {path}
    return {path} | {each for key, inner in items for each in paths_of(inner, (*path, key))}


def test_every_key_that_tomllib_reads_has_its_place() -> None:
    found = places_of(EVERY_SHAPE)
    keys = {
        path for path in paths_of(tomllib.loads(EVERY_SHAPE)) - {()} if "point" not in path[:-1]
    }
    assert {path for path in keys if path[:3] != ("a", "b", "c d")} <= set(found)
    file = TomlFile({}, found, "any.toml")
    # What a list or a table of one line holds stands where it begins.
    assert str(file.origin("a", "b", "c d", 2, 1)) == "any.toml:4:13"
    assert str(file.origin("point", "y", "z")) == str(file.origin("point")) == "any.toml:7:9"
    assert str(file.origin("leg", 1, "name", key=True)) == "any.toml:14:1"
    assert str(file.origin("leg", 0, "more", "k", key=True)) == "any.toml:12:1"
    assert str(file.origin("quoted key")) == "any.toml:3:16"


@given(st.dictionaries(st.text(SIGNS, max_size=8), st.text(SIGNS, max_size=20), max_size=6))
def test_the_scanner_walks_any_text_that_quoting_makes(table: dict[str, str]) -> None:
    text = "".join(f"{quoted(key)} = {quoted(value)}\n" for key, value in table.items())
    assert tomllib.loads(text) == table
    assert set(places_of(text)) == {(key,) for key in table}


@pytest.mark.parametrize(
    ("start", "end", "ends_before"),
    [
        ('"2026-05-04 07:00"', "2026-05-04", False),  # a day without a time is the whole day
        ("2026-05-04", '"2026-05-04 17:00"', False),
        ('"2026-05-04 07:00"', '"2026-05-04 06:00"', True),
        ('"2026-05-04 07:00"', "2026-05-03", True),
    ],
)
def test_a_request_may_end_on_the_day_it_begins(
    tmp_path: Path, start: str, end: str, ends_before: bool
) -> None:
    files = with_lines("[locate_request]", f"valid_from = {start}", f"expires = {end}")
    if ends_before:
        assert any("lies before valid_from" in line for line in complaints_of(tmp_path, files))
    else:
        assert site_of(tmp_path, files).locate_request.expires is not None


@pytest.mark.parametrize(("unit", "metres"), [("m", 1.5), ("ft", 1.524), ("ftUS", 6000 / 3937)])
def test_a_crew_in_feet_opens_five_feet_unless_told_otherwise(
    tmp_path: Path, unit: str, metres: float
) -> None:
    changed = toml_with('length_unit = "ftUS"', f'length_unit = "{unit}"')
    assert site_of(tmp_path, changed).crew.dig_length_m == pytest.approx(metres, abs=1e-12)


# -- how far a figure may go, and what stands where nobody states it ------------------------------

# Past these it is a slip of the unit or the pen: common practice, no source.
RANGES = [
    (PointFile, "rover_bias", (0.001, 10), (0, 10.1)),
    (StatedLeg, "depth", (0.01, 30), (0, 30.1)),
    (StatedLeg, "size", (0.01, 2), (0, 2.1)),
    (StatedLeg, "outside_diameter", (0.01, 5), (0, 5.1)),
    (StatedLeg, "wall", (0.001, 0.5), (0, 0.51)),
    (StatedLeg, "pressure", ("0.1 kPa", "5000 kPa"), ("0 kPa", "5001 kPa")),
    (StatedLeg, "installed", (1800, 2200), (1799, 2201)),
    (StatedLeg, "name", ("x", "x" * 80), ("", "x" * 81)),
    (StatedLeg, "side", ("", "x" * 80), ("x" * 81,)),
    (StatedLeg, "start", ("x", "x" * 2000), ("", "x" * 2001)),
    (LevelSettings, "level_sigma", (0.1, 30), (0.09, 30.1)),
    (LevelSettings, "place_sigma", (0.1, 30), (0.09, 30.1)),
    (LevelSettings, "gate", (0.01, 100), (0, 101)),
    (Crew, "dig_length", (0.11, 100), (0.1, 101)),
    (Crew, "dig_when", (0.01, 1), (0, 1.01)),
    (Crew, "locator_sigma", (0.01, 10, "2 depth", "1 % depth"), (0, 10.1, "0 depth", "2.1 depth")),
    (Crew, "tape_sigma", (0.001, 5), (0, 5.1)),
    (Crew, "tape_length", (0.01, 1000), (0, 1001)),
    (Crew, "offset_stake", (0.01, 100), (0, 101)),
    (Crew, "bucket_width", (0.01, 5), (0, 5.1)),
    (Crew, "tolerance_zone", (0.01, 10), (0, 10.1)),
    (Crew, "dig_cost", (0,), (-0.01,)),
    (PriorSettings, "elsewhere", (0, 0.99), (-0.01, 0.991)),
    (PriorSettings, "listened", (0, 0.999), (-0.01, 1)),
    (PriorSettings, "inaudible", (0, 0.5), (-0.01, 0.51)),
    (PriorSettings, "joints", (0.01, 1000), (0, 1001)),
    (PriorSettings, "caution", (1, 100), (0.99, 101)),
    (NetworkSettings, "sigma", (0.01, 50), (0, 51)),
    (NetworkSettings, "join_within", (0.001, 5), (0, 5.1)),
    (NetworkSettings, "marks_within", (0.01, 50), (0, 51)),
    (LocateRequest, "number", ("", "x" * 80), ("x" * 81,)),
    (Job, "number", ("", "x" * 200), ("x" * 201,)),
    (Job, "technician", ("", "x" * 200), ("x" * 201,)),
    (Job, "company", ("", "x" * 200), ("x" * 201,)),
    (Job, "address", ("", "x" * 2000), ("x" * 2001,)),
    (MeterSettings, "resolution", (0.001,), (0,)),
    (MeterSettings, "digits", (1, 12), (0, 13)),
    (Settings, "title", ("", "x" * 500), ("x" * 501,)),
    (Settings, "crs", ("x", "x" * 20_000), ("",)),
    (Settings, "grid_crs", ("x", "x" * 20_000), ("",)),
    (Settings, "coordinate_epoch", (1980, 2200), (1979, 2201)),
    (Settings, "water_temperature", (0, 35, "100 C", "212 F"), (-1, 35.1, "101 C", "213 F")),
    (Settings, "mean_height", (-600, 9000), (9001,)),
]
NEEDED: dict[type, dict[str, str]] = {
    PointFile: {"file": "p.csv"},
    StatedLeg: {"name": "yard"},
    NetworkSettings: {"file": "mains.gpkg"},
    Settings: {"crs": "local", "length_unit": "m"},
}


@pytest.mark.parametrize(("model", "key", "fits", "past"), RANGES)
def test_a_figure_may_go_so_far(model: Any, key: str, fits: tuple, past: tuple) -> None:
    def read(value: object) -> None:
        stated = {**NEEDED.get(model, {}), key: value}
        model.model_validate(stated, context={"unit": "m"})

    for value in fits:
        read(value)
    for value in past:
        with pytest.raises(ValidationError, match=key):
            read(value)


def test_a_crs_may_be_written_out_in_full(tmp_path: Path) -> None:
    text = CRS("EPSG:6543").to_wkt()
    site = site_of(tmp_path, toml_with('"EPSG:6543"', f"'''{text}'''"))
    assert len(text) > 2000 and CRS(site.crs) == CRS("EPSG:6543")


# Common practice, no source; the tolerance zone: 18 in, as most states of the US, from memory.
UNSTATED = {
    Settings: {"water_temperature_c": 10.0},
    PointFile: {"rover_bias_m": 0.015},
    LevelSettings: {"level_sigma_db": 2.5, "place_sigma_db": 1.5, "gate_m": 2.0},
    Crew: {
        "dig_length_m": 1.5, "dig_when": 0.9, "tape_sigma_m": 0.015, "tape_length_m": 30.0,
        "offset_stake_m": 1.5, "bucket_width_m": 0.6, "tolerance_zone_m": 18 * 0.0254,
    },
    PriorSettings: {
        "elsewhere": 0.05, "listened": 0.8, "inaudible": 0.2, "joints": 2.0, "past_leaks": 2.0,
        "recent_excavation": 2.0, "age": 1.0, "material": 1.5, "fitting": 0.06, "aside": 0.05,
        "beyond": 0.04, "displaced": 0.1, "caution": 3.0,
    },
    NetworkSettings: {"sigma_m": 1.5, "join_within_m": 0.05},
}  # fmt: skip


@pytest.mark.parametrize("model", UNSTATED)
def test_what_stands_where_nobody_states_it(model: Any) -> None:
    read = model.model_validate(NEEDED.get(model, {}), context={"unit": "m"})
    figures = {name: each for name, each in read if isinstance(each, float)}
    assert figures == pytest.approx(UNSTATED[model])


def test_a_crew_in_feet_digs_in_whole_feet() -> None:
    crew = Crew.model_validate({}, context={"unit": "ft"})
    metres = crew.dig_length_m, crew.offset_stake_m, crew.tape_length_m, crew.bucket_width_m
    assert metres == pytest.approx((5 * 0.3048, 5 * 0.3048, 100 * 0.3048, 2 * 0.3048))
    assert (crew.locator_sigma.of_depth, crew.locator_bias.of_depth) == (0.1, 0.03)
