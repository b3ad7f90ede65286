"""The ways of spoiling a site that the tests try, each with the exit code and the words due."""

from __future__ import annotations

import json
from collections.abc import Callable

from tests.spoilt_sites import Spoilt, add, again, away, points, put, readings, recode, toml, write

ALDER, QUARRY, SCHOOL = "alder_court", "quarry_road", "school_loop"
LONG = "x" * 300
HOSTILE = (
    "</script><script>document.title='ran'</script><img src=x onerror=alert(1)>",
    "`${document.title='ran'}` a\\\\b\\\\u0041 {{ 7*7 }} {% raw %}",
    "=cmd|'/C calc'!A0",
    "\u202eeert dlo\u202c \u200f",
    "+1+1 @SUM(A1) -2",
    "老井胡同 بئر قديمة",
    LONG,
    "\\u001b[2J\\u0007",
    "'; DROP TABLE pipe; --",
)


def _all_equal(lines: list[str]) -> list[str]:
    return [lines[0]] + [
        ",".join(["22" if k == 3 else cell for k, cell in enumerate(line.split(","))])
        for line in lines[1:]
        if "surface" in line
    ]


Change = Callable[[list[str]], list[str]]


def _only(*names: str) -> Change:
    return lambda lines: [lines[0]] + [line for line in lines[1:] if line.split(",")[0] in names]


def _hundreds(lines: list[str]) -> list[str]:
    return lines + [f"H{k},surface,109,{27 + k % 3},100,700,grass,," for k in range(400)]


def _swapped(lines: list[str]) -> list[str]:
    cells = [line.split(",") for line in lines]
    return [",".join([c[0], c[2], c[1], *c[3:]]) for c in cells]


def _in_metres(lines: list[str]) -> list[str]:
    cells = [line.split(",") for line in lines]
    return [
        ",".join([c[0], *(f"{float(each) * 1200 / 3937:.3f}" for each in c[1:4]), c[4]])
        for c in cells
    ]


def _marks(*names: str) -> Change:
    return lambda lines: [
        line for line in lines if not line.endswith(",WL") or line.split(",")[0] in names
    ]


HOLES = "hole,from,to,pipe_exposed,outcome\n"


def _gas(line: list[list[float]]) -> str:
    shape = {"type": "LineString", "coordinates": line}
    feature = {"type": "Feature", "properties": {}, "geometry": shape}
    return json.dumps({"type": "FeatureCollection", "features": [feature] if line else []})


_NO_ENDS = toml('start = "201"                  # the meter\nend = "202"                    # the '
                'hose bib at the house\n', "")  # fmt: skip

REFUSED = (
    # The reference system, the unit, the axes.
    Spoilt("no_crs", ALDER, (toml('crs = "EPSG:6543"', "# "),), 2, ("crs",)),
    Spoilt("empty_crs", ALDER, (toml('"EPSG:6543"', '""'),), 2, ("site.toml:2:", "crs")),
    Spoilt("unknown_crs", ALDER, (toml("EPSG:6543", "EPSG:654399"),), 2, ("EPSG:654399",)),
    Spoilt("crs_text", ALDER, (toml("EPSG:6543", "North Carolina"),), 2, ("North Carolina",)),
    Spoilt("vertical_crs", ALDER, (toml("EPSG:6543", "EPSG:5703"),), 2, ("EPSG:5703",)),
    Spoilt("geocentric_crs", ALDER, (toml("EPSG:6543", "EPSG:4978"),), 2, ("EPSG:4978",)),
    Spoilt("web_mercator", ALDER, (toml("EPSG:6543", "EPSG:3857"),), 2, ("EPSG:3857",)),
    Spoilt("no_unit", ALDER, (toml('length_unit = "ftUS"', ""),), 2, ("length_unit",)),
    Spoilt("unknown_unit", ALDER, (toml('"ftUS"', '"feet"'),), 2, ("feet", "ftUS")),
    Spoilt("unknown_unit_of_a_length", ALDER, (toml("3.1 ft", "3.1 cubits"),), 2, ("cubits",)),
    Spoilt("swapped_axes", ALDER, (again("points.csv", _swapped),), 2, ("swapped",)),
    Spoilt("swapped_layout", ALDER, (toml('"pnezd"', '"penzd"'),), 2, ("swapped",)),
    Spoilt("no_layout", ALDER, (toml("layout =", "# layout ="),), 2, ("layout",)),
    Spoilt("feet_as_metres", ALDER, (toml("EPSG:6543", "EPSG:6542"),), 2, ("fit as feet",)),
    Spoilt("degrees_as_grid", SCHOOL, (toml("EPSG:6318", "EPSG:6428"),), 2, ("rover.csv",)),
    Spoilt("grid_as_degrees", ALDER, (toml("EPSG:6543", "EPSG:6318"),), 2, ("points.csv",)),
    Spoilt("grid_crs_in_degrees", SCHOOL, (toml("EPSG:6428", "EPSG:4269"),), 2, ("grid_crs",)),
    # Numbers that are none.
    Spoilt("nan", ALDER, (points("783278.697", "NaN"),), 2, ("points.csv:3:5",)),
    Spoilt("infinity", ALDER, (points("783278.697", "inf"),), 2, ("points.csv:3:5",)),
    Spoilt("overflow", ALDER, (points("783278.697", "1e999"),), 2, ("points.csv:3:5",)),
    Spoilt("text_in_number", ALDER, (points("783278.697", "78327B.697"),), 2, ("78327B.697",)),
    Spoilt("level_nan", ALDER, (readings("22 22", "nan 22"),), 2, ("readings.csv:2:",)),
    Spoilt("level_text", ALDER, (readings("22 22", "loud"),), 2, ("loud",)),
    Spoilt("level_infinite", ALDER, (readings("22 22", "-inf"),), 2, ("readings.csv:2:",)),
    Spoilt("level_huge", ALDER, (readings("22 22", "22000"),), 2, ("readings.csv:2:",)),
    Spoilt("background_text", ALDER, (readings("grass,20,", "grass,dark,"),), 2, ("dark",)),
    Spoilt("toml_nan", ALDER, (toml("dig_when = 0.85", "dig_when = nan"),), 2, ("dig_when",)),
    Spoilt("toml_inf", ALDER, (toml('gate = "6 ft"', "gate = inf"),), 2, ("gate",)),
    Spoilt("toml_infinite_text", ALDER, (toml('"6 ft"', '"inf ft"'),), 2, ("gate",)),
    Spoilt("negative_depth", ALDER, (toml('"3.1 ft"', '"-3.1 ft"'),), 2, ("depth",)),
    Spoilt("deep_depth", ALDER, (toml('"3.1 ft"', '"3100 ft"'),), 2, ("depth",)),
    Spoilt(
        "dig_when_over_one", ALDER, (toml("dig_when = 0.85", "dig_when = 85"),), 2, ("dig_when",)
    ),
    Spoilt(
        "boiling", ALDER, (toml("water_temperature = 14", "water_temperature = 140"),), 2, ("140",)
    ),
    # Files.
    Spoilt(
        "short_row",
        ALDER,
        (points("783278.697,1987829.145,495.510,WL", "783278.697"),),
        2,
        ("points.csv:3",),
    ),
    Spoilt("empty_points", ALDER, (write("points.csv", ""),), 2, ("points.csv", "empty")),
    Spoilt("blank_points", ALDER, (write("points.csv", "\n \n,,,\n"),), 2, ("points.csv",)),
    Spoilt(
        "binary_points", ALDER, (write("points.csv", bytes(range(256)) * 8),), 2, ("points.csv",)
    ),
    Spoilt(
        "zip_points", ALDER, (write("points.csv", b"PK\x03\x04" + bytes(200)),), 2, ("points.csv",)
    ),
    Spoilt(
        "binary_readings",
        ALDER,
        (write("readings.csv", b"\x00\x01\x02" * 99),),
        2,
        ("readings.csv",),
    ),
    Spoilt("binary_toml", ALDER, (write("site.toml", b"\xff\xfe\x00\xd8" * 9),), 2, ("site.toml",)),
    Spoilt("empty_toml", ALDER, (write("site.toml", ""),), 2, ("site.toml",)),
    Spoilt("toml_unclosed", ALDER, (toml('"ftUS"', '"ftUS'),), 2, ("site.toml:3",)),
    Spoilt("toml_twice", ALDER, (toml("[points]", "[points]\n[points]"),), 2, ("site.toml",)),
    Spoilt("no_points_file", ALDER, (away("points.csv"),), 2, ("points.csv",)),
    Spoilt("no_toml", ALDER, (away("site.toml"),), 2, ("site.toml",)),
    Spoilt(
        "file_leaves_folder",
        ALDER,
        (toml('"points.csv"', '"../points.csv"'),),
        2,
        ("../points.csv",),
    ),
    Spoilt("file_absolute", ALDER, (toml('"points.csv"', '"/etc/passwd"'),), 2, ("/etc/passwd",)),
    Spoilt("file_is_folder", ALDER, (toml('"points.csv"', '"."'),), 2, ("site.toml",)),
    Spoilt(
        "utility_leaves_folder",
        ALDER,
        (toml('"gas.geojson"', '"../../gas.geojson"'),),
        2,
        ("gas.geojson",),
    ),
    Spoilt("utility_missing", ALDER, (away("gas.geojson"),), 2, ("gas.geojson",)),
    Spoilt("utility_no_json", ALDER, (write("gas.geojson", "{]"),), 2, ("gas.geojson",)),
    Spoilt(
        "recording_leaves_folder",
        QUARRY,
        (put("readings.csv", ";near.wav", ";../near.wav"),),
        2,
        ("../near.wav",),
    ),
    Spoilt("recording_missing", QUARRY, (away("near.wav"),), 2, ("near.wav",)),
    Spoilt(
        "recording_no_wav", QUARRY, (write("pair.wav", b"RIFF" + bytes(100)),), 2, ("pair.wav",)
    ),
    Spoilt(
        "recording_channel",
        QUARRY,
        (put("delays.csv", "pair.wav#2", "pair.wav#7"),),
        2,
        ("pair.wav",),
    ),
    Spoilt("utility_of_nothing", ALDER, (write("gas.geojson", _gas([])),), 2, ("gas.geojson",)),
    Spoilt(
        "utility_nan",
        ALDER,
        (write("gas.geojson", _gas([[float("nan"), 1], [2, 3]])),),
        2,
        ("gas.geojson",),
    ),
    Spoilt(
        "utility_out_of_range",
        ALDER,
        (write("gas.geojson", _gas([[1000, 1000], [2000, 3000]])),),
        2,
        ("gas.geojson",),
    ),
    Spoilt("utility_on_a_local_site", ALDER, (toml("EPSG:6543", "local"),), 2, ("gas.geojson",)),
    Spoilt(
        "quote_never_closes",
        ALDER,
        (readings("irrigation clicking", '"irrigation'),),
        2,
        ("readings.csv:14", "quote"),
    ),
    Spoilt("nul_in_text", ALDER, (readings("irrigation", "irri\x00gation"),), 2, ("readings.csv",)),
    Spoilt("title_with_controls", ALDER, (toml("Alder", "A\\u001b[2J"),), 2, ("site.toml:1",)),
    # Limits.
    Spoilt("gate_zero", ALDER, (toml('gate = "6 ft"', 'gate = "0 ft"'),), 2, ("gate",)),
    Spoilt(
        "dig_length_tiny",
        ALDER,
        (toml('dig_length = "6 ft"', 'dig_length = "0.01 ft"'),),
        2,
        ("dig_length",),
    ),
    Spoilt(
        "elsewhere_1", ALDER, (add("site.toml", "[prior]\nelsewhere = 1\n"),), 2, ("elsewhere",)
    ),
    Spoilt(
        "level_sigma_0",
        ALDER,
        (toml('level_scale = "db"', "level_sigma = 1e-9"),),
        2,
        ("level_sigma",),
    ),
    Spoilt(
        "elevation_of_no_land",
        ALDER,
        (points("495.510", "4955100"),),
        2,
        ("points.csv:3:", "elevation"),
    ),
    Spoilt(
        "start_is_end", ALDER, (toml('end = "202"', 'end = "201"'),), 2, ("site.toml:16", "start")
    ),
    Spoilt(
        "sighting_far",
        ALDER,
        (write("sightings.csv", "place,what\nE 1 N 1,wet\n"),),
        2,
        ("sightings.csv:2",),
    ),
    Spoilt(
        "hole_off_the_pipe",
        ALDER,
        (add("holes.csv", HOLES + "1,304,304,yes,dry\n"),),
        2,
        ("holes.csv:2",),
    ),
    Spoilt(
        "past_leak_off_the_pipe",
        ALDER,
        (write("leaks_past.csv", "place,year\n304,1999\n"),),
        2,
        ("leaks_past.csv:2",),
    ),
    # Points, legs, places.
    Spoilt("one_mark", ALDER, (_NO_ENDS, again("points.csv", _marks("107"))), 2, ("yard",)),
    Spoilt("no_marks", ALDER, (_NO_ENDS, again("points.csv", _marks())), 2, ("WL",)),
    Spoilt(
        "two_marks_on_a_spot",
        ALDER,
        (
            _NO_ENDS,
            again("points.csv", _marks("107")),
            add(
                "points.csv",
                "108,783297.126,1987844.436,495,WL\n109,783297.126,1987844.436,495,WL\n",
            ),
            again("points.csv", lambda ls: [x for x in ls if not x.startswith("107,")]),
        ),
        2,
        ("one spot",),
    ),
    Spoilt(
        "unknown_mark_in_reading",
        ALDER,
        (readings("surface,104", "surface,9104"),),
        2,
        ("9104", "readings.csv:2"),
    ),
    Spoilt(
        "unknown_leg_in_place", ALDER, (readings("surface,104", "surface,yrad@4"),), 2, ("yrad",)
    ),
    Spoilt("place_beyond_leg", ALDER, (readings("surface,104", "surface,yard@400"),), 2, ("400",)),
    Spoilt("place_empty", ALDER, (readings("surface,104", "surface,"),), 2, ("readings.csv:2",)),
    Spoilt(
        "place_nan", ALDER, (readings("surface,104", "surface,yard@nan"),), 2, ("readings.csv:2",)
    ),
    Spoilt(
        "place_far",
        ALDER,
        (readings("surface,104", "surface,E 1.0 N 2.0"),),
        2,
        ("readings.csv:2",),
    ),
    Spoilt(
        "gate_exceeded",
        ALDER,
        (readings("surface,104", "surface,304"),),
        2,
        ("gate", "readings.csv:2"),
    ),
    Spoilt(
        "kind_unknown", ALDER, (readings("S1,surface", "S1,sruface"),), 2, ("sruface", "surface")
    ),
    Spoilt("surface_unknown", ALDER, (readings("grass,20", "gras,20"),), 2, ("gras", "grass")),
    Spoilt("same_reading_twice", ALDER, (readings("S2,", "S1,"),), 2, ("S1",)),
    Spoilt(
        "point_twice_elsewhere", ALDER, (points("102,783281.805", "101,783981.805"),), 2, ("101",)
    ),
    Spoilt("unknown_material", ALDER, (toml('"pvc"', '"pvcc"'),), 2, ("pvcc", "pvc")),
    Spoilt(
        "unknown_key",
        ALDER,
        (toml("length_unit", "lenght_unit"),),
        2,
        ("lenght_unit", "length_unit"),
    ),
    Spoilt("unknown_start", ALDER, (toml('start = "201"', 'start = "2001"'),), 2, ("2001",)),
    Spoilt("wall_over_bore", ALDER, (toml("0.133 in", "1.33 in"),), 2, ("wall",)),
    Spoilt(
        "no_leg",
        ALDER,
        (again("site.toml", lambda ls: [x for k, x in enumerate(ls) if not 11 <= k <= 22]),),
        2,
        ("leg",),
    ),
    Spoilt("leg_names_twice", SCHOOL, (toml('name = "branch"', 'name = "main"'),), 2, ("main",)),
    Spoilt("from_unknown", SCHOOL, (toml('from = "main"', 'from = "mian"'),), 2, ("mian",)),
    Spoilt("from_itself", SCHOOL, (toml('from = "main"', 'from = "branch"'),), 2, ("itself",)),
    Spoilt(
        "from_in_a_circle",
        SCHOOL,
        (toml('name = "main"', 'name = "main"\nfrom = "branch"'),),
        2,
        ("circle",),
    ),
    Spoilt("leg_name_empty", ALDER, (toml('name = "yard"', 'name = ""'),), 2, ("name",)),
    Spoilt(
        "levels_outside_limits",
        ALDER,
        (toml('level_scale = "db"', "level_limits = [0, 25]"),),
        2,
        ("level_limits",),
    ),
    Spoilt(
        "limits_swapped",
        ALDER,
        (toml('level_scale = "db"', "level_limits = [99, 0]"),),
        2,
        ("level_limits",),
    ),
    Spoilt("readings_empty", ALDER, (write("readings.csv", ""),), 2, ("readings.csv",)),
    Spoilt("readings_no_level_column", ALDER, (readings("level", "lvel"),), 2, ("level",)),
    Spoilt("band_swapped", ALDER, (readings("150,700", "700,150"),), 2, ("readings.csv:2",)),
    Spoilt(
        "delay_one_place",
        QUARRY,
        (put("delays.csv", "D1;2001;2002", "D1;2001;2001"),),
        2,
        ("delays.csv:2",),
    ),
    Spoilt("delay_no_number", QUARRY, (put("delays.csv", "1,79", "nan"),), 2, ("delays.csv:2",)),
    Spoilt(
        "delay_sigma_zero", QUARRY, (put("delays.csv", "1,79;0,4", "1,79;0"),), 2, ("delays.csv:2",)
    ),
    Spoilt(
        "hole_two_legs",
        SCHOOL,
        (add("holes.csv", HOLES + "1,main@3,branch@9,yes,dry\n"),),
        2,
        ("holes.csv:2",),
    ),
    Spoilt(
        "hole_outcome",
        ALDER,
        (add("holes.csv", HOLES + "1,yard@3,yard@9,yes,moist\n"),),
        2,
        ("moist",),
    ),
    Spoilt(
        "calibration_falls",
        ALDER,
        (add("calibration.csv", "point,measured\n101,30\n110,20\n120,10\n"),),
        2,
        ("calibration.csv",),
    ),
    Spoilt(
        "isolation_unknown_valve",
        ALDER,
        (add("isolations.csv", "isolation,valves,result\n1,9203,stopped\n"),),
        2,
        ("9203",),
    ),
)

ANSWERED = (
    Spoilt(
        "many_things_at_once",
        ALDER,
        (
            toml('depth = "3.1 ft"', 'boundary = "304"'),
            toml('material = "pvc"', ""),
            add("site.toml", "[prior]\nelsewhere = 0\n"),
            write("gas.geojson", _gas([[10, 50], [11, 51]])),
        ),
        0,
        ("depth", "boundary 304", "under 1 % that", "gas.geojson", "km of the"),
    ),
    Spoilt(
        "apart_in_a_frame_that_moves",
        SCHOOL,
        (toml("EPSG:6318", "EPSG:9000"), toml('from = "main"', "")),
        0,
        ("epoch", "do not all join"),
    ),
    Spoilt("points_utf16", ALDER, (recode("points.csv", "utf-16"),), 0),
    Spoilt("readings_utf16", ALDER, (recode("readings.csv", "utf-16"),), 0),
    Spoilt(
        "readings_cp1252",
        ALDER,
        (readings("irrigation", "Bew\u00e4sserung"), recode("readings.csv", "cp1252")),
        0,
    ),
    Spoilt("all_readings_equal", ALDER, (again("readings.csv", _all_equal),), 0, ("LISTEN ON",)),
    Spoilt("one_reading", ALDER, (again("readings.csv", _only("S8")),), 0, ("LISTEN ON",)),
    Spoilt("hundreds_at_one_place", ALDER, (again("readings.csv", _hundreds),), 0, ("yard 0+4",)),
    Spoilt(
        "delay_longer_than_pipe", QUARRY, (put("delays.csv", "1,79;0,4", "1830;0,4"),), 0, ("D1",)
    ),
    Spoilt(
        "all_dry_hole", ALDER, (add("holes.csv", HOLES + "1,yard@0,yard@97.9,yes,dry\n"),), 0, ()
    ),
    Spoilt("at_the_limit", ALDER, (toml('level_scale = "db"', "level_limits = [19, 50]"),), 0, ()),
    Spoilt(
        "skipped_all",
        ALDER,
        (
            readings("background,note", "background,skip"),
            again("readings.csv", lambda ls: [ls[0]] + [x + "no" for x in ls[1:]]),
        ),
        0,
        ("LISTEN ON",),
    ),
    Spoilt("no_readings", ALDER, (away("readings.csv"),), 0, ("LISTEN ON", "nobody has listened")),
    Spoilt(
        "readings_without_level",
        ALDER,
        (again("readings.csv", lambda ls: [ls[0], "S1,surface,104,,,,,,"]),),
        0,
        ("LISTEN ON", "nobody has listened"),
    ),
    Spoilt(
        "readings_header_only",
        ALDER,
        (again("readings.csv", lambda ls: ls[:1]),),
        0,
        ("LISTEN ON", "nobody has listened"),
    ),
    Spoilt("crs_number", ALDER, (toml('"EPSG:6543"', "6543"),), 0, ("yard 0+4",)),
    Spoilt("toml_utf16", ALDER, (recode("site.toml", "utf-16"),), 0, ("UTF-16",)),
    Spoilt(
        "metres_as_feet",
        ALDER,
        (again("points.csv", _in_metres),),
        0,
        ("is the unit of their coordinates right (crs)?",),
    ),
    Spoilt("far_mark", ALDER, (points("783278.697", "785278.697"),), 0, ("mark",)),
    Spoilt(
        "hole_at_peak",
        ALDER,
        (add("holes.csv", HOLES + "1,yard@36,yard@48,yes,dry\n"),),
        0,
        ("CHECK FIRST", "contradict"),
    ),
    Spoilt(
        "hole_of_no_length",
        ALDER,
        (add("holes.csv", HOLES + "1,yard@40,yard@40,yes,dry\n"),),
        0,
        (),
    ),
    Spoilt(
        "two_leaks_found",
        ALDER,
        (add("holes.csv", HOLES + "1,yard@10,yard@14,yes,leak\n2,yard@60,yard@64,yes,leak\n"),),
        0,
        ("LISTEN ON",),
    ),
    Spoilt(
        "valves_contradict",
        ALDER,
        (add("isolations.csv", "isolation,valves,result\n1,203,stopped\n2,203,same\n"),),
        0,
        ("shut-off test",),
    ),
    Spoilt(
        "linear_meter_taken_as_db",
        ALDER,
        (toml('level_scale = "db"', 'level_scale = "amplitude"'),),
        0,
        (),
    ),
    Spoilt(
        "service_axes_swapped",
        ALDER,
        (write("gas.geojson", _gas([[35.9, -79.0], [35.91, -79.01]])),),
        0,
        ("km of the",),
    ),
    Spoilt(
        "delay_huge", QUARRY, (put("delays.csv", "1,79;0,4", "1e9;0,4"),), 0, ("CHECK FIRST", "D1")
    ),
    Spoilt("delay_sigma_huge", QUARRY, (put("delays.csv", "1,79;0,4", "1,79;1e9"),), 0, ()),
    Spoilt("frame_is_an_ensemble", SCHOOL, (toml("EPSG:6318", "EPSG:4326"),), 0, ("frame",)),
    Spoilt(
        "precision_absurd",
        SCHOOL,
        (put("rover.csv", "1639.409,WM,0.014", "1639.409,WM,1400"),),
        0,
        (),
    ),
    Spoilt(
        "a_leak_found_is_never_evidence",
        ALDER,
        (write("found.csv", "outcome,place,depth,cause\nleak,105,3 ft,root\n"),),
        0,
        ("CLOSED: leak found at yard 0+18.2", "23.9 ft from the stake toward the meter"),
    ),
)
