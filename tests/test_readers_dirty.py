"""Sheets and site.toml as crews leave them: what is taken, what is said, what is asked for."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

import geoleak
from geoleak import tables
from geoleak.errors import did_you_mean
from tests.site_folders import TOML, complaints_of, site_of, write_folder

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


@pytest.mark.parametrize(
    "heading", ["bkgd", "BG", "Background (dB)", "background level", "Ambient"]
)
def test_a_background_is_known_by_what_crews_call_it(tmp_path: Path, heading: str) -> None:
    site = site_of(tmp_path, {"readings.csv": f"Mark,dB,{heading}\n101,40,22\n102,41,\n"})
    assert [each.background for each in site.readings] == [22.0, None]


@pytest.mark.parametrize("header", ["noise,mark,level 1,level 2", "noise,mark,dB,dB 2"])
def test_noise_beside_a_level_is_no_level_and_said_to_be_unused(
    tmp_path: Path, header: str
) -> None:
    site = site_of(tmp_path, {"readings.csv": f"{header}\n22,101,40,41\n23,102,41,43\n"})
    assert [each.levels for each in site.readings] == [(40.0, 41.0), (41.0, 43.0)]
    assert "kept, but used by nothing here: noise" in [each.text for each in site.notes]


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


@pytest.mark.parametrize(
    ("name", "text", "said"),
    [
        ("readings.csv", "place,level,wind,gust\n101,34,light,\n", "wind"),
        ("isolations.csv", "valves,result,minutes\n202,same,10\n", "minutes"),
        ("holes.csv", "from,to,depth_reached\n101,102,3\n", "depth_reached"),
        ("isolations.csv", "valves,result,minutes\n202,same,\n", None),
        ("readings.csv", "place,level,wind\n101,34,\n", None),
    ],
)
def test_what_nothing_uses_is_said(tmp_path: Path, name: str, text: str, said: str | None) -> None:
    notes = [note.text for note in site_of(tmp_path, {name: text}).notes if note.code == "not_used"]
    assert notes == ([f"kept, but used by nothing here: {said}"] if said else [])


CHECK = "check,kind,place,as_found,all_off\nC1,stop,104,36,20\n"


@pytest.mark.parametrize(
    ("name", "meant"),
    [("check.csv", "checks.csv"), ("Holes.csv", "holes.csv"), ("leaks past.CSV", "leaks_past.csv"),
     ("readings.csv.csv", "readings.csv"), ("tape.csv.txt", "tapes.csv")],
)  # fmt: skip
def test_a_sheet_whose_name_is_a_slip_away_is_refused(tmp_path: Path, name, meant) -> None:
    (line,) = complaints_of(tmp_path, {name: CHECK})
    assert f"{name}: unknown sheet {name}; did you mean {meant}? rename it" in line


@pytest.mark.parametrize(
    ("name", "text", "meant"),
    [
        ("cheks.csv", "anything", "checks.csv"),
        ("checks.txt", "rang the owner", "checks.csv"),
        ("tuesday.csv", CHECK, "checks.csv"),
        ("tuesday.csv", CHECK.replace(",", ";"), "checks.csv"),
        ("tuesday.csv", CHECK.replace("as_found", "colour"), None),
        ("tuesday.csv", "place\n104\n", None),
        ("survey.csv", "point,northing,easting,elevation,code\n", None),
        (".checks.csv", CHECK, None),
        ("checks.wav", CHECK, None),
    ],
)
def test_a_file_that_seems_a_sheet_is_said_to_be_unused(tmp_path: Path, name, text, meant) -> None:
    site = site_of(tmp_path, {name: text})
    said = [note.text for note in site.notes if note.code == "sheet_not_used"]
    asked = f"{name} is not used: no sheet is called so; did you mean {meant}?"
    assert said == ([asked] if meant else [])


def test_a_sheet_under_another_name_of_the_same_file_is_read(tmp_path: Path) -> None:
    folder = write_folder(tmp_path, {"checks.csv": CHECK})
    (folder / "Checks.csv").hardlink_to(folder / "checks.csv")
    assert geoleak.read_site(folder).stop_tests


# --- what nobody is likely to have meant -------------------------------------------------------


def leg_with(line: str) -> dict[str, str | bytes]:
    return {"site.toml": TOML.replace('code = "WL"', f'code = "WL"\n{line}')}


@pytest.mark.parametrize(
    ("line", "words"),
    [
        ("depth = 30", "30 is taken as 30.0 ft"),  # inches were meant
        ("depth = 12.01", "taken as"),
        ("depth = 0.49", "taken as"),
        ("outside_diameter = 1.315", "taken as"),  # inches, on a site in feet
        ('outside_diameter = "1.315"', "taken as"),  # quotes make no unit
        ("outside_diameter = 0.51", "taken as"),
        ("outside_diameter = 0.019", "taken as"),
        ("outside_diameter = 1.0\nwall = 0.133", "taken as"),
        ("wall = 0.09", "taken as"),
    ],
)
def test_a_bare_number_that_no_pipe_has_is_asked_about(
    tmp_path: Path, line: str, words: str
) -> None:
    lines = complaints_of(tmp_path, leg_with(line))
    assert any(words in each and "with its unit" in each for each in lines), lines
    assert lines[0].startswith("elm_lane/site.toml:12:")


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("depth = 11.99", False),
        ("depth = 3", False),
        ('depth = "30 in"', False),
        ('depth = "11.9 ft"', False),
        ('depth = "12.1 ft"', True),
        ('depth = "30 ft"', True),
        ('depth = "15.1 cm"', False),
        ('depth = "14.9 cm"', True),
        ("outside_diameter = 0.49", False),
        ("outside_diameter = 0.49\nwall = 0.08", False),
        ('outside_diameter = "16 in"', False),
        ('outside_diameter = "2.59 m"', False),
        ('outside_diameter = "2.61 m"', True),
        ('outside_diameter = "6.4 mm"', False),
        ('outside_diameter = "6.3 mm"', True),
        ('outside_diameter = "2 m"\nwall = "249 mm"', False),
        ('outside_diameter = "2 m"\nwall = "251 mm"', True),
        ('outside_diameter = "1 in"\nwall = "0.51 mm"', False),
        ('outside_diameter = "1 in"\nwall = "0.49 mm"', True),
    ],
)
def test_with_its_unit_it_is_taken_and_said(tmp_path: Path, line: str, said: bool) -> None:
    site = site_of(tmp_path, leg_with(line))
    assert any(note.code == "unusual" for note in site.notes) is said


@pytest.mark.parametrize(
    ("length", "said"),
    [("19.9", False), ('"6.1 m"', True), ('"15 m"', True), ('"0.31 m"', False), ('"0.29 m"', True)],
)
def test_a_hole_that_nobody_digs_is_said(tmp_path: Path, length: str, said: bool) -> None:
    site = site_of(tmp_path, {"site.toml": f"{TOML}\n[crew]\ndig_length = {length}\n"})
    assert ["crew.dig_length" in n.text for n in site.notes if n.code == "unusual"] == [True] * said


@pytest.mark.parametrize("length", ["20.1", "0.9"])
def test_a_bare_length_of_a_hole_that_nobody_digs_is_asked_about(tmp_path, length: str) -> None:
    (line,) = complaints_of(tmp_path, {"site.toml": f"{TOML}\n[crew]\ndig_length = {length}\n"})
    assert f"crew.dig_length: {length} is taken as" in line


@pytest.mark.parametrize(
    ("value", "celsius"),
    [("12", 12.0), ("35", 35.0), ('"60 F"', 15.5556), ('"60 C"', 60.0), ('"54 °F"', 12.2222)],
)
def test_water_may_be_in_fahrenheit(tmp_path: Path, value: str, celsius: float) -> None:
    files = {"site.toml": TOML.replace("[points]", f"water_temperature = {value}\n[points]")}
    assert site_of(tmp_path, files).water_temperature_c == pytest.approx(celsius, abs=1e-3)


@pytest.mark.parametrize(
    ("value", "words"),
    [("60", '"60 F"'), ("35.1", '"35.1 F"'), ('"lukewarm"', '"54 F"'), ('"-5 C"', "0 or")],
)
def test_hot_water_is_asked_about(tmp_path: Path, value: str, words: str) -> None:
    files = {"site.toml": TOML.replace("[points]", f"water_temperature = {value}\n[points]")}
    assert words in complaints_of(tmp_path, files)[0]


# --- trade sizes ------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "inches"),
    [('"3/4 in"', 0.75), ('"1 1/4 in"', 1.25), ("'1-1/2\"'", 1.5), ('"1 1/2 inch"', 1.5)],
)
def test_fractions_of_an_inch(tmp_path: Path, text: str, inches: float) -> None:
    site = site_of(tmp_path, leg_with(f"outside_diameter = {text}"))
    assert site.legs[0].outside_diameter_m == pytest.approx(inches * 0.0254, rel=3e-6)


@pytest.mark.parametrize(
    ("material", "size", "name", "outside_in", "wall_in"),
    [
        # ASTM D1785 and ASME B36.10, ASTM B88, AWWA C900: from memory.
        ("pvc sch 40", "3/4 in", "pvc", 1.050, 0.113),
        ("PVC Schedule 80", "1 in", "pvc", 1.315, 0.179),
        ("PVC, Sch. 40", "6 in", "pvc", 6.625, 0.280),
        ("steel sch40", "2 in", "steel", 2.375, 0.154),
        ("copper type L", "3/4 in", "copper", 0.875, 0.045),
        ("copper type K", "1 in", "copper", 1.125, 0.065),
        ("pvc c900 dr 18", "6 in", "pvc", 6.90, 0.383),
    ],
)
def test_a_nominal_size_has_the_diameter_of_its_standard(
    tmp_path: Path, material: str, size: str, name: str, outside_in: float, wall_in: float
) -> None:
    site = site_of(tmp_path, leg_with(f'material = "{material}"\nsize = "{size}"'))
    leg = site.legs[0]
    assert leg.material == name
    assert (leg.outside_diameter_m or 0) / 0.0254 == pytest.approx(outside_in, abs=0.002)
    assert (leg.wall_m or 0) / 0.0254 == pytest.approx(wall_in, abs=0.0015)
    (said,) = [note.text for note in site.notes if note.code == "size_taken"]
    assert re.search(rf"is {str(outside_in)[:3]}\d+ in \(.* mm\) outside", said)


def test_what_is_stated_beats_the_nominal_size(tmp_path: Path) -> None:
    lines = 'material = "pvc sch 40"\nsize = "1 in"\nwall = "4 mm"'
    leg = site_of(tmp_path, leg_with(lines)).legs[0]
    assert leg.wall_m == 0.004 and leg.outside_diameter_m == pytest.approx(0.0334, abs=1e-5)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        ('size = "1 in"', "only by a standard"),
        ('material = "pvc"\nsize = "1 in"', '"copper type L"'),
        ('material = "pvc sch 40"\nsize = "1.1 in"', "no size of 1.1 in; it has 0.5, 0.75, 1"),
        ('material = "pvcc sch 40"\nsize = "1 in"', 'did you mean "pvc"'),
    ],
)
def test_sizes_that_no_standard_has(tmp_path: Path, lines: str, words: str) -> None:
    assert any(words in each for each in complaints_of(tmp_path, leg_with(lines)))


def test_a_standard_without_a_size_is_said_to_be_unused(tmp_path: Path) -> None:
    site = site_of(tmp_path, leg_with('material = "pvc sch 40"'))
    assert site.legs[0].material == "pvc"
    assert any(note.code == "not_used" and "sch 40" in note.text for note in site.notes)


def test_ratios_of_the_size_table_are_those_of_its_standards() -> None:
    ratios = {"sdr 21": 21, "sdr 26": 26, "sdr 9 ips": 9, "sdr 11 ips": 11, "sdr 11 cts": 11,
              "dr 14": 14, "dr 18": 18, "dr 25": 25}  # fmt: skip
    for row in tables.rows_of(tables.PipeSize, "sizes"):
        if row.standard in ratios:
            # A least wall stands in the small sizes.
            ratio = row.outside_mm / row.wall_mm
            assert 0.75 * ratios[row.standard] < ratio < 1.02 * ratios[row.standard], row
        if row.standard.startswith("type") or "cts" in row.standard:
            assert row.outside_mm == pytest.approx((row.nominal_in + 0.125) * 25.4, abs=0.01)


@pytest.mark.parametrize(
    ("unit", "depth", "code", "said"),
    [
        ("m", "0.44", "depth_bare", "0.44 m, shallower than most pipes; check it"),
        ("m", "0.46", None, ""),
        ("m", "2.39", None, ""),
        ("m", "2.95", "depth_bare", "2.95 m, deeper than most pipes; were it 2.95 ft, it would"),
        ("m", "2.41", "depth_bare", "were it 2.41 ft, it would be 0.73 m; check it"),
        ("ft", "0.9", "depth_bare", "0.9 ft, shallower than most pipes; were it 0.9 m, it would"),
        ("m", '"0.9 ft"', "depth_other_unit", "0.27 m, shallower than most pipes; were it 0.9 m"),
        ("m", '"0.4 m"', None, ""),
        ("ft", '"1.2 ft"', None, ""),
        ("m", '"1 ft"', "depth_other_unit", "were it 1 m"),
    ],
)
def test_a_depth_in_the_wrong_unit_is_asked_about(
    tmp_path: Path, unit: str, depth: str, code: str | None, said: str
) -> None:
    held = leg_with(f"depth = {depth}")
    held["site.toml"] = re.sub(r'length_unit = "\w+"', f'length_unit = "{unit}"', held["site.toml"])
    notes = [n for n in site_of(tmp_path, held).notes if n.code.startswith("depth_")]
    assert [n.code for n in notes] == [code] * (code is not None)
    assert all(said in n.text for n in notes)


@pytest.mark.parametrize(
    ("place", "asked"),
    [("1 down 0,5 m", True), ("1 up 0,5", False), ("1 up 0,5 dB", False), ("1,5 m", False)],
)
def test_a_comma_in_a_place_is_named_as_the_cause(tmp_path: Path, place: str, asked: bool) -> None:
    sheet = f"reading,kind,place,level,surface\na,surface,{place},38,\n"
    lines = complaints_of(tmp_path, {"site.toml": TOML, "readings.csv": sheet})
    told = [each for each in lines if "its comma looks decimal" in each]
    assert bool(told) is asked
    assert not asked or f'put the place in quotes, "{place}"' in told[0]
