"""What the sheets say, put on the pipe: scales, places and supplies as the survey takes them."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from geoleak.errors import InputError
from geoleak.reports.check import CheckReport
from geoleak.survey.build import survey_site
from geoleak.survey.records import Survey
from tests.site_folders import TOML, site_of, toml_with

AMPLITUDE = toml_with("[codes]", '[readings]\nlevel_scale = "amplitude"\n\n[codes]')
LOCAL = toml_with("EPSG:6543", "local")


def survey_of(place: Path, files: dict[str, str | bytes]) -> Survey:
    return survey_site(site_of(place, files))


def complaint_of(place: Path, files: dict[str, str | bytes]) -> str:
    with pytest.raises(InputError) as caught:
        survey_of(place, files)
    (line,) = caught.value.lines()
    return line.partition("elm_lane/")[2]


def readings(*rows: str) -> dict[str, str | bytes]:
    return {"readings.csv": "\n".join(["reading,kind,place,level,background", *rows]) + "\n"}


def test_an_amplitude_background_is_put_in_decibels_as_its_level_is(tmp_path: Path) -> None:
    files = {**AMPLITUDE, **readings("R1,surface,101,100,10", "R2,surface,102,1000,")}
    heard = survey_of(tmp_path, files).surface
    np.testing.assert_allclose(heard.level_db, [40.0, 60.0])
    np.testing.assert_allclose(heard.background_db, [20.0, math.nan])


def test_an_amplitude_background_of_nothing_is_refused(tmp_path: Path) -> None:
    files = {**AMPLITUDE, **readings("R1,surface,101,100,0")}
    assert "reading R1: an amplitude of 0 has no level" in complaint_of(tmp_path, files)


def test_a_background_on_a_decibel_scale_stays(tmp_path: Path) -> None:
    heard = survey_of(tmp_path, readings("R1,surface,101,34,20")).surface
    assert heard.background_db.tolist() == [20.0]


@pytest.mark.parametrize("kind", ["gas", "bar_hole"])
def test_a_detector_shows_more_than_any_meter_of_sound(tmp_path: Path, kind: str) -> None:
    survey = survey_of(tmp_path, readings(f"R1,{kind},101,5,", f"R2,{kind},102,1800,"))
    levels = survey.gas if kind == "gas" else survey.bar_hole
    assert levels.level_db.tolist() == [5.0, 1800.0]


def test_no_meter_of_sound_shows_as_much(tmp_path: Path) -> None:
    assert "1800 is no level in dB" in complaint_of(tmp_path, readings("R1,surface,101,1800,"))


@pytest.mark.parametrize("calibration", [None, "point,measured\n101,25\n104,40\n"])
def test_a_leg_named_as_supply_feeds_from_its_start(
    tmp_path: Path, calibration: str | None
) -> None:
    files: dict[str, str | bytes] = {
        "isolations.csv": "isolation,valves,result,supply\nI1,202,stopped,yard\n"
    }
    if calibration is not None:
        files["calibration.csv"] = calibration
    (test,) = survey_of(tmp_path, files).isolations
    assert test.supply is not None
    assert (test.supply.leg, test.supply.chainage_m, test.supply.lead_m) == (0, 0.0, 0.0)


def test_a_measured_place_beyond_the_leg_is_named_with_its_row(tmp_path: Path) -> None:
    files = {
        "calibration.csv": "point,measured\n101,5\n104,20\n",
        **readings("R1,surface,yard@900,5,"),
    }
    said = complaint_of(tmp_path, files)
    assert said.startswith('readings.csv:2: "yard@900" is at 900.1 ft of leg "yard"')


def test_a_measured_place_just_past_the_end_is_the_end(tmp_path: Path) -> None:
    files = {
        "calibration.csv": "point,measured\n101,5\n104,20\n",
        **readings("R1,surface,yard@21,5,"),
    }
    survey = survey_of(tmp_path, files)
    assert survey.surface.chainage_m[0] == survey.legs[0].route.length_m


def test_degrees_on_a_local_site_are_named_with_their_row(tmp_path: Path) -> None:
    said = complaint_of(tmp_path, {**LOCAL, **readings("R1,surface,lat 35.9 lon -79,5,")})
    assert said.startswith('readings.csv:2: "lat 35.9 lon -79": a local site has no longitude')


@pytest.mark.parametrize("speed", ["4200 fps", "4200 ft/s", "4200fps", "4200"])
def test_feet_a_second_however_the_screen_writes_them(tmp_path: Path, speed: str) -> None:
    row = f"D1,101,104,5,16,{speed}\n"
    files: dict[str, str | bytes] = {
        "site.toml": TOML,
        "delays.csv": "delay,first,second,shown_distance,shown_length,shown_speed\n" + row,
    }
    (delay,) = survey_of(tmp_path, files).delays
    # 5 ft of 16 ft at 4,200 ft/s: (2 x 5 - 16) / 4200 s, the foot cancels.
    assert delay.delay_s == pytest.approx(-6 / 4200)


def test_a_comma_with_a_unit_is_decimal_where_the_sheet_says_so(tmp_path: Path) -> None:
    sheet = "point;from;distance;side\nX;101;11,234 ft;left\nX;104;11,5;\n"
    site = site_of(tmp_path, {"tapes.csv": sheet})
    feet = [tape.distance_m * 3937 / 1200 for tape in site.tapes]
    np.testing.assert_allclose(feet, [11.234, 11.5])


def test_a_comma_with_a_unit_may_be_a_thousand_elsewhere(tmp_path: Path) -> None:
    sheet = 'point,from,distance,side\nX,101,"1,234 ft",left\nX,104,11.5,\n'
    with pytest.raises(InputError) as caught:
        site_of(tmp_path, {"tapes.csv": sheet})
    assert '"1,234 ft" may hold a thousands separator' in caught.value.lines()[0]


def test_measured_chainage_of_a_point_off_the_pipe_is_refused(tmp_path: Path) -> None:
    files: dict[str, str | bytes] = {"calibration.csv": "point,measured\n101,5\n301,20\n"}
    said = complaint_of(tmp_path, files)
    assert said.startswith('calibration.csv:3: point 301 is 20.0 ft from leg "yard"')


@pytest.mark.parametrize(("kind", "taken"), [("contact", True), ("surface", False)])
def test_a_contact_reading_reaches_as_far_as_its_lead(
    tmp_path: Path, kind: str, taken: bool
) -> None:
    files: dict[str, str | bytes] = {
        "fittings.csv": "point,lead\n301,20 ft\n",
        **readings(f"R1,{kind},301,50,"),
    }
    if taken:
        heard = survey_of(tmp_path, files).contact
        assert heard.lead_m[0] == pytest.approx(20 * 1200 / 3937)
    else:
        assert "20.0 ft from the nearest leg" in complaint_of(tmp_path, files)


def test_two_sensors_at_one_place_are_named(tmp_path: Path) -> None:
    files: dict[str, str | bytes] = {"delays.csv": "delay,first,second,delay_ms\nD1,101,yard@5,1\n"}
    assert 'both sensors are at "101"' in complaint_of(tmp_path, files)


@pytest.mark.parametrize(("apart_m", "named"), [(0.14, True), (0.16, False)])
def test_sensors_a_hands_breadth_apart_time_nothing(
    tmp_path: Path, apart_m: float, named: bool
) -> None:
    row = f"D1,yard@3 m,yard@{3 + apart_m} m,1"
    files: dict[str, str | bytes] = {"delays.csv": f"delay,first,second,delay_ms\n{row}\n"}
    if named:
        assert "both sensors are at" in complaint_of(tmp_path, files)
    else:
        assert len(survey_of(tmp_path, files).delays) == 1


@pytest.mark.parametrize(("stated_ms", "sigma_s"), [("", 0.0005), ("0.2", 0.0002)])
def test_a_cursor_resolves_half_a_millisecond_where_nothing_is_stated(
    tmp_path: Path, stated_ms: str, sigma_s: float
) -> None:
    sheet = f"delay,first,second,delay_ms,sigma_ms\nD1,101,104,1,{stated_ms}\n"
    (delay,) = survey_of(tmp_path, {"delays.csv": sheet}).delays
    assert delay.sigma_s == pytest.approx(sigma_s)


@pytest.mark.parametrize("unit", ["gpm l/s", "psi, bar"])
def test_two_units_of_one_thing_are_named(tmp_path: Path, unit: str) -> None:
    columns = "isolation,valves,result,unit"
    files: dict[str, str | bytes] = {"isolations.csv": f'{columns}\nI1,202,same,"{unit}"\n'}
    assert "keep one of the two" in complaint_of(tmp_path, files)


@pytest.mark.parametrize(
    ("place", "feet_right"),
    [("102 right 1", 1.0), ("102 left 2", -2.0), ("yard@12 left 0.5 m", -0.5 / 0.3048006096)],
)
def test_a_place_aside_is_that_far_from_the_line(
    tmp_path: Path, place: str, feet_right: float
) -> None:
    on, aside = place.split(" ")[0], readings(f"R1,surface,{place},40,")
    at = survey_of(tmp_path, aside).surface
    line = survey_of(tmp_path, readings(f"R1,surface,{on},40,")).surface
    moved = (at.offset_m - line.offset_m)[0] / 0.3048006096
    assert moved == pytest.approx(feet_right, abs=1e-6)
    assert at.chainage_m[0] == pytest.approx(line.chainage_m[0], abs=1e-9)
    # The leg runs at a bearing whose tangent is 3/4: right of it is east and south.
    east, north = at.easting_m[0] - line.easting_m[0], at.northing_m[0] - line.northing_m[0]
    wanted = np.array([0.8, -0.6]) * feet_right * 0.3048006096
    np.testing.assert_allclose([east, north], wanted, atol=2e-3)


@pytest.mark.parametrize(
    ("place", "passes"),
    [
        ("102 right 4.99 m", True),
        ("102 right 5.05 m", False),
        ("E 1987806.98 N 783301.02", True),  # 4.97 ft aside
        ("E 1987815.98 N 783294.27", True),  # 16.2 ft, 4.95 m aside
        ("E 1987817.40 N 783293.20", False),  # 5.49 m aside
    ],
)
def test_a_stated_offset_passes_the_gate_up_to_five_metres(
    tmp_path: Path, place: str, passes: bool
) -> None:
    files = readings(f"R1,surface,{place},40,")
    if passes:
        assert len(survey_of(tmp_path, files).surface) == 1
    else:
        assert "from the nearest leg" in complaint_of(tmp_path, files)


def test_a_stop_test_stands_on_the_pipe_in_decibels(tmp_path: Path) -> None:
    head = "check,place,fitting,as_found,all_off,fitting_worked,supply_shut\n"
    sheet = head + "C1,102,201,100 1000,100,,\n"
    survey = survey_of(tmp_path, {**AMPLITUDE, "checks.csv": sheet})
    (stop,) = survey.stops
    assert (stop.leg, stop.test.fitting) == (0, "201")
    assert stop.as_found_db == pytest.approx(50.0) and stop.all_off_db == pytest.approx(40.0)
    assert math.isnan(stop.fitting_worked_db) and math.isnan(stop.supply_shut_db)
    assert "also    1 stop test" in CheckReport(survey).lines()
    bad = {**AMPLITUDE, "checks.csv": sheet.replace("100 1000", "0")}
    assert "check C1: an amplitude of 0" in complaint_of(tmp_path, bad)


def test_a_dry_hole_of_the_close_out_is_evidence_and_a_leak_is_not(tmp_path: Path) -> None:
    sheet = "outcome,place,from,to,pipe_exposed\ndry,,102,103,yes\nleak,104,,,\n"
    (hole,) = survey_of(tmp_path, {"found.csv": sheet}).holes
    assert hole.hole.outcome == "dry" and hole.hole.pipe_exposed is True


EXPOSED = "hole,from,to,pipe_exposed,outcome\n"


@pytest.mark.parametrize(
    ("dry", "leak", "contradicts"),
    [
        ("1,yard@5,yard@9,yes,dry", "2,yard@6,yard@8,yes,leak", True),
        ("1,yard@5,yard@9,yes,dry", "2,yard@5,yard@9,yes,leak", True),
        ("1,yard@5,yard@9,yes,dry", "2,yard@8,yard@11,yes,leak", False),
        ("1,yard@5,yard@9,no,dry", "2,yard@6,yard@8,yes,leak", False),
        ("1,yard@5,yard@9,yes,wet", "2,yard@6,yard@8,yes,leak", False),
    ],
)
def test_a_leak_inside_a_hole_dug_dry_is_a_contradiction(
    tmp_path: Path, dry: str, leak: str, contradicts: bool
) -> None:
    files = {"holes.csv": f"{EXPOSED}{dry}\n{leak}\n"}
    if contradicts:
        assert complaint_of(tmp_path, files) == (
            "holes.csv:3: the leak of hole 2 lies inside the hole of holes.csv:2, dry with the "
            "pipe exposed; correct the wrong row of the two, or skip it"
        )
    else:
        assert len(survey_of(tmp_path, files).holes) == 2


@pytest.mark.parametrize(("at", "contradicts"), [(8.966, True), (8.97, False), (9.2, False)])
def test_a_leak_found_inside_a_dry_hole_is_a_contradiction(
    tmp_path: Path, at: float, contradicts: bool
) -> None:
    # At the edge (0.01 m is 0.033 ft) it may have come to light when the hole was made longer.
    sheet = f"outcome,place,from,to,pipe_exposed\ndry,,yard@5,yard@9,yes\nleak,yard@{at},,,yes\n"
    if contradicts:
        assert complaint_of(tmp_path, {"found.csv": sheet}).startswith(
            f'found.csv:3: the leak found at "yard@{at}" lies inside the hole of found.csv:2, '
        )
    else:
        assert len(survey_of(tmp_path, {"found.csv": sheet}).holes) == 1
