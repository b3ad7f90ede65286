"""The CSV sheets of a site folder: what each row becomes, and what is refused where."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.check_values import check_value
from tests.command import at_length
from tests.site_folders import TOML, complaints_of, site_of, toml_with

HEAD = "reading,kind,place,level,low_hz,high_hz,surface,background,recording,skip,note\n"


def test_a_full_row(tmp_path: Path) -> None:
    text = (
        "reading,kind,place,level,low_hz,high_hz,surface,background,gain_db,session,recording,"
        "skip,note,wind\n"
        'R1,contact,201,34 31.5 -33,100,700,Paving,20,6,am,,,"loud, steady",light\n'
    )
    reading = site_of(tmp_path, {"readings.csv": text}).readings[0]
    assert (reading.id, reading.kind, reading.levels) == ("R1", "contact", (34.0, 31.5, -33.0))
    assert (reading.low_hz, reading.high_hz, reading.surface) == (100, 700, "paving")
    assert (reading.background, reading.gain_db, reading.session) == (20, 6, "am")
    assert reading.note == "loud, steady" and dict(reading.extra) == {"wind": "light"}
    assert reading.origin.line == 2 and reading.place.point == "201"


def test_decimal_commas_in_a_semicolon_file(tmp_path: Path) -> None:
    text = (
        "reading;kind;place;level;background\nR1;surface;101;27,4 28,5;20,5\nR2;surface;102;30;\n"
    )
    first, second = site_of(tmp_path, {"readings.csv": text}).readings
    assert (first.levels, first.background) == ((27.4, 28.5), 20.5)
    assert second.levels == (30.0,)


def test_blank_rows_are_noted_and_skipped_ones_kept(tmp_path: Path) -> None:
    text = HEAD + "1,surface,101,,,,,,,,\n2,surface,102,,,,,,,bus,\n3,surface,103,40,,,,,,,\n"
    site = site_of(tmp_path, {"readings.csv": text})
    assert [(each.id, each.skip) for each in site.readings] == [("2", "bus"), ("3", "")]
    assert any(note.code == "readings_blank" and "101" in note.text for note in site.notes)


def test_a_recording_stands_in_place_of_a_level(tmp_path: Path) -> None:
    row = HEAD + "1,surface,101,,,,,,pair.wav#2,,\n"
    site = site_of(tmp_path, {"readings.csv": row, "pair.wav": b"RIFF"})
    assert site.readings[0].recording == "pair.wav#2"
    lines = complaints_of(tmp_path, {"readings.csv": row.replace("pair", "other")})
    assert "no recording" in lines[0]
    lines = complaints_of(tmp_path, {"readings.csv": row.replace("pair", "../pair")})
    assert "leads out" in lines[0]


@pytest.mark.parametrize(
    ("row", "column", "words"),
    [
        ("1,surface,109,40,,,,,,,", 11, 'no point "109"'),
        ("1,surfaces,101,40,,,,,,,", 3, 'did you mean "surface"'),
        ("1,surface,101,loud,,,,,,,", 15, "not a number"),
        ("1,surface,101,40 nan,,,,,,,", 15, "finite"),
        ("1,surface,101,1e999,,,,,,,", 15, "finite"),
        ("1,surface,101,40,700,100,,,,,", 18, "not below high_hz"),
        ("1,surface,101,40,-5,,,,,,", 18, "0 or more"),
        ("1,surface,101,40,,,cobbels,,,,", 20, "surface"),
        ("1,surface,101,40,,,,inf,,,", 21, "finite"),
        ('1,surface,101,"34,5",,,,,,,', 15, "decimal comma"),
    ],
)
def test_a_bad_cell_is_named_where_it_stands(
    tmp_path: Path, row: str, column: int, words: str
) -> None:
    lines = complaints_of(tmp_path, {"readings.csv": HEAD + row + "\n"})
    assert len(lines) == 1, lines
    assert lines[0].startswith(f"elm_lane/readings.csv:2:{column}: "), lines[0]
    assert words in lines[0]


def test_several_files_complain_together_in_order(tmp_path: Path) -> None:
    lines = complaints_of(
        tmp_path,
        {
            **toml_with('"201"', '"999"'),
            "readings.csv": HEAD + "1,surface,101,x,,,,,,,\n2,surface,909,4,,,,,,,\n",
            "delays.csv": "first,second,delay_ms\n101,102,\n",
        },
    )
    places = [line.split(": ")[0].removeprefix("elm_lane/") for line in lines]
    assert places == ["site.toml:12:9", "readings.csv:2:15", "readings.csv:3:11", "delays.csv:2:9"]


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("level,surface\n40,grass\n", 'no column "place"'),
        ("place,surface\n101,grass\n", 'no column "level"'),
        ("place,level,level\n101,40,41\n", "stands twice"),
        ("reading,place,level\n1,101,40\n1,102,41\n", "line 2 too"),
        ("reading,place,level,surface\n1,101\n", "2 fields, where 4"),
        ("reading,place,level\n1,101,40,5,6\n", "5 fields, where 3"),
    ],
)
def test_a_sheet_out_of_shape(tmp_path: Path, text: str, words: str) -> None:
    assert words in complaints_of(tmp_path, {"readings.csv": text})[0]


@pytest.mark.parametrize("data", [b"", b"\x00\x01\x02", "place".encode("utf-16-le")])
def test_a_sheet_that_is_no_text(tmp_path: Path, data: bytes) -> None:
    lines = complaints_of(tmp_path, {"readings.csv": data})
    assert len(lines) == 1 and lines[0].startswith("elm_lane/readings.csv: ")


def test_a_misspelt_column_is_noted(tmp_path: Path) -> None:
    site = site_of(tmp_path, {"readings.csv": "place,level,backgruond\n101,40,20\n"})
    assert dict(site.readings[0].extra) == {"backgruond": "20"}
    assert any(note.code == "column_not_known" and "background" in note.text for note in site.notes)


def test_a_point_on_two_legs_needs_its_leg(tmp_path: Path) -> None:
    toml = toml_with("[codes]", '[[leg]]\nname = "spur"\npoints = "104, 202"\n\n[codes]')
    sheet = "place,level\n104,40\n"
    lines = complaints_of(tmp_path, {**toml, "readings.csv": sheet})
    assert 'write "yard 104"' in lines[0]
    site = site_of(tmp_path, {**toml, "readings.csv": sheet.replace("104", "spur 104")})
    assert site.readings[0].place.leg == "spur"


# --- delays ----------------------------------------------------------------------------------


def test_delays_as_measured_and_as_shown(tmp_path: Path) -> None:
    text = (
        "delay,first,second,delay_ms,sigma_ms,speed_check,shown_distance,shown_length,shown_speed\n"
        "D1,201,202,-1.81,0.4,yes,,,\nD2,201,202,,,,41,90,4200\nD3,201,202,,,,12 m,27 m,1280 m/s\n"
    )
    first, second, third = site_of(tmp_path, {"delays.csv": text}).delays
    foot = check_value("reader_us_survey_foot_m").expected
    assert (first.delay_s, first.sigma_s, first.speed_check) == (-0.00181, 0.0004, True)
    assert second.shown_distance_m == pytest.approx(41 * foot)
    assert second.shown_speed_m_per_s == pytest.approx(4200 * foot)
    assert (third.shown_length_m, third.shown_speed_m_per_s) == (27.0, 1280.0)


DELAY_HEAD = (
    "first,second,delay_ms,sigma_ms,shown_distance,shown_length,shown_speed,recording_first\n"
)


@pytest.mark.parametrize(
    ("row", "words"),
    [
        ("201,202,,,,,,", "no delay"),
        ("201,202,1.5,,41,90,4200,", "both delay_ms and"),
        ("201,202,,,41,90,,", "without shown_speed"),
        ("201,201,1.5,,,,,", "is the first place too"),
        ("201,202,1.5,0,,,,", "above 0"),
        ("201,202,x,,,,,", "not a number"),
        ("201,202,,,41,90,42000,", "no pipe has"),
        ("201,202,,,41,90,fast,", "not a speed"),
        ("201,202,,,,,,a.wav", "one of two recordings"),
        ("201,999,1.5,,,,,", 'no point "999"'),
    ],
)
def test_delays_that_say_too_little_or_too_much(tmp_path: Path, row: str, words: str) -> None:
    lines = complaints_of(tmp_path, {"delays.csv": DELAY_HEAD + row + "\n"})
    assert len(lines) == 1, lines
    assert words in lines[0]


# --- the small ones --------------------------------------------------------------------------


def test_the_small_sheets(tmp_path: Path) -> None:
    site = site_of(
        tmp_path,
        {
            "fittings.csv": "point,lead,note\n201,3.5,riser\n202,1 m,\n",
            "isolations.csv": "isolation,valves,result,flow_before,flow_after,unit,"
            "pressure_before,pressure_after,supply\n"
            "I1,201 202,slower,3,1,gpm,,,201\nI2,202,,,,,62 psi,40 psi,yard\n",
            "calibration.csv": "point,measured\n101,0\n104,15.2 ft\n",
            "sightings.csv": "place,what,note\n102 up 1,wet,soggy\n",
            "holes.csv": "hole,from,to,pipe_exposed,outcome,water_from\n"
            "H1,yard@4,yard@9,yes,dry,up\n",
            "leaks_past.csv": "place,year\n103,1999\n",
            "meter.csv": "time,reading,unit,run,state\n"
            "2026-05-04 07:00,1234.5,gal_us,a,All  taps shut\n",
            "found.csv": "outcome,place,depth,cause,from,to,pipe_exposed\n"
            "leak,103 up 1,3,joint,,,yes\ndry,,,,yard@2,yard@6,no\ndry,102,,,,,\n",
            "checks.csv": "check,kind,place,fitting,as_found,all_off,fitting_worked\n"
            "C1,stop,103,201,40 42,41,22\nC2,stop,101,,,,\n",
        },
    )
    foot = check_value("reader_us_survey_foot_m").expected
    gallon = check_value("reader_us_gallon_l").expected
    assert [each.lead_m for each in site.fittings] == pytest.approx([3.5 * foot, 1.0])
    one, two = site.isolations
    assert one.valves == ("201", "202") and one.result == "slower"
    assert one.flow_before_l_per_s == pytest.approx(3 * gallon / 60, rel=1e-6)
    assert one.supply == "201" and two.supply == "yard"
    psi = check_value("reader_psi_kpa").expected
    assert two.pressure_before_kpa == pytest.approx(62 * psi, rel=1e-6)
    assert site.calibrations[1].measured_m == pytest.approx(15.2 * foot)
    assert (site.sightings[0].what, site.sightings[0].place.point) == ("wet", "102")
    hole = site.holes[0]
    assert (hole.pipe_exposed, hole.outcome, hole.water_from) == (True, "dry", "up")
    assert site.past_leaks[0].year == 1999
    row = site.meter[0]
    assert (row.reading, row.unit, row.state) == (1234.5, "gal_us", "all shut")
    assert row.step == pytest.approx(0.1) and row.time.isoformat() == "2026-05-04T07:00:00"
    assert any(note.code == "meter_timezone" for note in site.notes)
    leak, _, about = site.found
    assert (leak.outcome, leak.cause, leak.pipe_exposed) == ("leak", "joint", True)
    assert leak.depth_m == pytest.approx(3 * foot)
    # A dry hole counts as dug, a leak that was found does not.
    assert [each.id for each in site.holes] == [
        "H1",
        "in line 3 of found.csv",
        "in line 4 of found.csv",
    ]
    assert site.holes[1].pipe_exposed is False and site.holes[1].outcome == "dry"
    ends = (site.holes[2].start.up_m, site.holes[2].finish.up_m)
    assert ends == pytest.approx((-2.5 * foot, 2.5 * foot)) and about.place is not None
    (test,) = site.stop_tests
    assert (test.id, test.fitting, test.as_found) == ("C1", "201", (40.0, 42.0))
    assert (test.all_off, test.fitting_worked, test.supply_shut) == ((41.0,), (22.0,), ())
    assert any(note.code == "readings_blank" and "101" in note.text for note in site.notes)
    assert len(site.inputs) == 12


@pytest.mark.parametrize(
    ("unit", "litres_a_second"),
    [
        ("L/min", 1 / 60),
        ("m³/h", 1000 / 3600),
        ("gpm", check_value("reader_us_gallon_l").expected / 60),
        ("igpm", check_value("reader_imperial_gallon_l").expected / 60),
    ],
)
def test_units_of_flow(tmp_path: Path, unit: str, litres_a_second: float) -> None:
    text = f"valves,flow_before,flow_after,unit\n202,2,0,{unit}\n"
    test = site_of(tmp_path, {"isolations.csv": text}).isolations[0]
    assert test.flow_before_l_per_s == pytest.approx(2 * litres_a_second, rel=1e-6)
    assert test.flow_after_l_per_s == 0.0


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("fittings.csv", "point,lead\n201,-1\n", "0 or more"),
        ("fittings.csv", "point,lead\n201,1\n201,2\n", "twice"),
        ("fittings.csv", "point,lead\n201 up 2,1\n", "id alone"),
        ("isolations.csv", "valves,result\n201 999,same\n", 'no point "999"'),
        ("isolations.csv", "valves,result\n201,stoped\n", 'did you mean "stopped"'),
        ("isolations.csv", "valves,result\n201,\n", "neither what happened"),
        ("isolations.csv", "valves,flow_before,flow_after,unit\n201,3,1,\n", "no unit of flow"),
        ("isolations.csv", "valves,flow_before,flow_after,unit\n201,3,1,pints\n", '"pints"'),
        ("calibration.csv", "point,measured\nyard@5,3\n", "not a point"),
        ("sightings.csv", "place,what\n101,damp\n", '"damp"'),
        ("holes.csv", "from,to,pipe_exposed\n101,102,perhaps\n", "yes or no"),
        ("readings.csv", "place,level,kind,depth\n101,40,rod,18\n", "18.0 ft: is that meant?"),
        ("found.csv", "outcome,place,depth\nleak,101,38\n", 'as in "30 in" or "3 ft"'),
        ("leaks_past.csv", "place,year\n101,99\n", "1800 to 2200"),
        ("meter.csv", "time,reading,unit\n,5,L\n", "fill it in"),
        ("meter.csv", "time,reading,unit\n2026-05-04 07:00,nan,L\n", "finite"),
        ("meter.csv", "time,reading,unit\n7 am,5,L\n", "not a time"),
        ("meter.csv", "time,reading,unit\n2026-05-04,5,gallons\n", "US or an imperial gallon"),
        ("meter.csv", "time,reading,unit\n2026-05-04,5,pints\n", "gal_us"),
        ("found.csv", "outcome,place\nleak,\n", "not where"),
        ("found.csv", "outcome,place\ndry,\n", "two ends"),
        ("found.csv", "outcome,place\ndry,E 1987803 N 783304\n", "how far the dry hole"),
        ("found.csv", "outcome,place\nwet,101\n", '"wet"'),
        ("found.csv", "outcome,place,date\nleak,101,May\n", "not a time"),
        ("checks.csv", "kind,place,as_found\nacross,101,40\n", "use stop"),
        ("checks.csv", "place,all_off\n101,40\n", "whether the sound fell"),
        ("readings.csv", "place,level,depth\n101,40,1\n", "no rod reading"),
        ("readings.csv", "place,level,everything_off\n101,40,some\n", "yes or no"),
    ],
)
def test_the_small_sheets_complain(tmp_path: Path, name: str, text: str, words: str) -> None:
    lines = complaints_of(tmp_path, {name: text})
    assert any(line.startswith(f"elm_lane/{name}:") and words in line for line in lines), lines


@pytest.mark.parametrize(
    ("name", "text", "fits", "past"),
    [
        ("readings.csv", "place,level,high_hz\n101,40,{}\n", "0.5", "0"),
        ("readings.csv", "kind,place,level,depth\nrod,101,40,{}\n", "0.5 m", "0 m"),
        ("meter.csv", "time,reading,unit\n2026-05-04 07:00,{},L\n", "0", "-0.5"),
        ("tapes.csv", "point,from,distance\n201,101,{}\n", "0.5 m", "0 m"),
    ],
)
def test_a_figure_begins_at_nothing(
    tmp_path: Path, name: str, text: str, fits: str, past: str
) -> None:
    """A register may read 0; no depth, taped line or upper end of a band is 0."""
    assert "is out of range" in complaints_of(tmp_path, {name: text.format(past)})[0]
    assert site_of(tmp_path, {name: text.format(fits)}).points


def test_a_valve_that_is_not_on_file_was_worked_all_the_same(tmp_path: Path) -> None:
    rows = "101,40,,22\n102,40,stopcock in footpath,22\n"
    site = site_of(tmp_path, {"checks.csv": "place,as_found,fitting,fitting_worked\n" + rows})
    tests = site.stop_tests
    assert [each.fitting_worked for each in tests] == [(22.0,)] * 2
    assert [each.fitting for each in tests] == [None, "stopcock in footpath"]
    (said,) = [str(each) for each in site.notes if each.code == "fitting_not_on_file"]
    assert "checks.csv:3:8" in said and '"stopcock in footpath"; it is kept' in said


@at_length("count", [10_000], [100_000])
def test_a_hundred_thousand_readings(tmp_path: Path, count: int) -> None:
    rows = "".join(f"{k},surface,10{k % 4 + 1},{k % 50},grass\n" for k in range(count))
    site = site_of(tmp_path, {"readings.csv": "reading,kind,place,level,surface\n" + rows})
    assert len(site.readings) == count
    assert site.readings[-1].levels == (49.0,)


def test_hostile_text_stays_text_and_one_line(tmp_path: Path) -> None:
    nasty = "<img src=x onerror=alert(1)>`${1}\\"
    text = f'reading,place,level,note\nR1,101,40,"{nasty}\nsecond line"\nR2,{nasty},41,\n'
    lines = complaints_of(tmp_path, {"readings.csv": text})
    assert len(lines) == 1 and lines[0].startswith("elm_lane/readings.csv:4:4: ")
    good = text.replace(f"R2,{nasty}", "R2,102")
    assert site_of(tmp_path, {"readings.csv": good}).readings[0].note == f"{nasty}\nsecond line"


def test_a_rod_and_everything_off(tmp_path: Path) -> None:
    text = (
        "kind,place,level,depth,everything_off,entry\n"
        "rod,101 right 0.5,40,2 ft,yes,a-1\nsurface,102,30,,no,\nsurface,103,31,,,\n"
    )
    rod, told, open_ = site_of(tmp_path, {"readings.csv": text}).readings
    foot = check_value("reader_us_survey_foot_m").expected
    assert (rod.kind, rod.entry) == ("rod", "a-1") and rod.depth_m == pytest.approx(2 * foot)
    assert rod.place.aside_m == pytest.approx(0.5 * foot)
    assert (rod.everything_off, told.everything_off, open_.everything_off) == (True, False, None)


METER = "time,reading,unit,run,skip\n"


@pytest.mark.parametrize(
    ("rows", "settings", "words"),
    [
        ("2026-05-04 07:00,99,L,,\n2026-05-04 08:00,1,L,,\n", "", "falls from 99 to 1"),
        ("2026-05-04 07:00,99,L,,\n2026-05-04 08:00,1,L,,\n", "[meter]\ndigits = 2\n", ""),
        (
            "2026-05-04 07:00,99,L,,\n2026-05-04 08:00,1,L,,\n2026-05-04 09:00,0,L,,\n",
            "[meter]\ndigits = 2\n",
            "falls from 1 to 0",
        ),
        ("2026-05-04 07:00,99,L,a,\n2026-05-04 08:00,1,L,b,\n", "", ""),
        ("2026-05-04 08:00,99,L,,\n2026-05-04 07:00,1,L,,\n", "", ""),  # by time, not by row
        ("2026-05-04 07:00,99,L,,\n2026-05-04 08:00,1,L,,misread\n", "", ""),
        ("2026-05-04 07:00,1,L,,\n2026-05-04 08:00,2,m3,,\n", "", "in one run"),
        ("2026-05-04 07:00,1,L,,\n2026-05-04T08:00Z,2,L,,\n", "", "no offset"),
        (
            "2026-05-04 07:00,1,L,,\n2026-05-04T18:00Z,2,L,,\n",
            '[meter]\ntimezone = "America/New_York"\n',
            "",
        ),
    ],
)
def test_a_register_runs_forward(tmp_path: Path, rows: str, settings: str, words: str) -> None:
    files = {"site.toml": TOML + settings, "meter.csv": METER + rows}
    if words:
        assert any(words in line for line in complaints_of(tmp_path, files))
    else:
        assert site_of(tmp_path, files).meter


@pytest.mark.parametrize(
    ("name", "text"),
    [
        ("readings.csv", "reading,kind,place,level,skip\n1,shout,909,loud,typo\n2,,101,40,\n"),
        ("readings.csv", "reading,place,level,skip\n1,101,40,\n1,102,41,again\n"),
        ("readings.csv", "place,level,skip,session\n101,40,,\n102,4,bus,a,b\n"),
        ("delays.csv", "first,second,delay_ms,skip\n101,909,,typo\n"),
        ("isolations.csv", "valves,result,skip\n909,,typo\n"),
        ("fittings.csv", "point,lead,skip\n909,x,typo\n"),
        ("calibration.csv", "point,measured,skip\n909,x,typo\n"),
        ("tapes.csv", "point,from,distance,skip\n909,910,x,typo\n"),
        ("meter.csv", "time,reading,unit,skip\n7 am,x,gal,typo\n"),
        ("found.csv", "outcome,place,skip\nwet,909,typo\n"),
        ("checks.csv", "place,as_found,skip\n909,x,typo\n"),
        ("holes.csv", "from,to,skip\n909,910,typo\n"),
        ("sightings.csv", "place,what,skip\n909,damp,typo\n"),
        ("leaks_past.csv", "place,year,skip\n909,99,typo\n"),
    ],
)
def test_skip_strikes_a_wrong_row_too(tmp_path: Path, name: str, text: str) -> None:
    site = site_of(tmp_path, {name: text})
    assert len([each for each in site.readings if not each.skip]) <= 2
    assert not (site.delays or site.isolations or site.fittings or site.meter or site.found)
    assert not (site.holes or site.tapes or site.stop_tests or site.calibrations)


@pytest.mark.parametrize(
    ("name", "head"),
    [("readings.csv", "reading,kind,place,level"), ("checks.csv", "check,kind,place,as_found")],
)
def test_a_row_whose_only_text_stands_past_the_last_column(
    tmp_path: Path, name: str, head: str
) -> None:
    site = site_of(tmp_path, {name: f"{head}\n1,,101,40\n,,,,see overleaf\n"})
    assert len(site.readings if name == "readings.csv" else site.stop_tests) == 1
    assert any("see overleaf" in note.text for note in site.notes)


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("readings.csv", "place,kind,depth,level\n101,rodd,2 ft,40\n", 'did you mean "rod"'),
        ("checks.csv", "place,as_found,all_off\n101,4O,30\n", '"4O"'),
        ("readings.csv", "place,level,low_hz\n101,40,hz\n", '"hz" is no figure'),
    ],
)
def test_one_slip_is_one_complaint(tmp_path: Path, name: str, text: str, words: str) -> None:
    lines = complaints_of(tmp_path, {name: text})
    assert len(lines) == 1 and words in lines[0]


@pytest.mark.parametrize(("day", "noted"), [("31.05.2026", True), ("2026-05-31 07:00", False)])
def test_a_date_that_is_none_is_kept_and_noted(tmp_path: Path, day: str, noted: bool) -> None:
    site = site_of(tmp_path, {"readings.csv": f"place,level,date\n101,40,{day}\n102,41,\n"})
    said = [str(each.origin.line) + each.text for each in site.notes if each.code == "date_unread"]
    assert site.readings[0].date == day and len(said) == noted
    assert all(each.startswith('2date: "31.05.2026" is not a time') for each in said)
