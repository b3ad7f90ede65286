"""Points taped from features where no rover stood: placed, adjusted, or refused with their row."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest

from geoleak.errors import InputError
from geoleak.survey.build import survey_site
from geoleak.survey.records import Survey, SurveyedPoint
from tests.site_folders import complaints_of, site_of, write_folder

TOML = """\
title = "Elm Lane"
crs = "local"
length_unit = "m"

[points]
file = "points.csv"
layout = "penzd"

[[leg]]
name = "yard"
code = "WL"
depth = 1

[codes]
feature = ["BC"]

[crew]
tape_sigma = 0.02
"""
# Corners on a 3-4-5 grid, so that a tape can be checked in the head.
POINTS = """\
101,0,0,,WL
102,4,0,,WL
103,8,0,,WL
301,0,6,,BC
302,16,6,,BC
303,8,-6,,BC
304,8,6,,BC
"""


def folder(tapes: str, **more: str) -> dict[str, str | bytes]:
    return {"site.toml": TOML, "points.csv": POINTS, "readings.csv": "reading,kind,place,level\n",
            "tapes.csv": tapes, **more}  # fmt: skip


def surveyed(place: Path, tapes: str, **more: str) -> Survey:
    return survey_site(site_of(place, folder(tapes, **more)))


def point(survey: Survey, name: str) -> SurveyedPoint:
    return next(each for each in survey.points if each.point.id == name)


def refused(place: Path, tapes: str) -> str:
    with pytest.raises(InputError) as caught:
        surveyed(place, tapes)
    (line,) = caught.value.lines()
    return line


def test_two_tapes_and_a_side(tmp_path: Path) -> None:
    # 10 m from (0, 6) and from (16, 6): 8 across and 6 up or down, so (8, 12) or (8, 0).
    text = "point,from,distance,side\n201,301,10,{}\n201,302,10,\n"
    left = point(surveyed(tmp_path, text.format("left")), "201")
    right = point(surveyed(tmp_path, text.format("right")), "201")
    assert (left.easting_m, left.northing_m) == pytest.approx((8.0, 12.0), abs=1e-9)
    assert (right.easting_m, right.northing_m) == pytest.approx((8.0, 0.0), abs=1e-9)
    assert left.taped
    assert not point(surveyed(tmp_path, text.format("left")), "301").taped


def test_the_sigma_follows_from_tape_feature_and_geometry(tmp_path: Path) -> None:
    # Tapes along (8, 6)/10 and (-8, 6)/10 of equal weight 1/s2: the normal matrix is diagonal,
    # 2 * 0.64 / s2 along east and 2 * 0.36 / s2 along north; north is the worse of the two.
    found = point(surveyed(tmp_path, "point,from,distance,side\n201,301,10,left\n201,302,10,\n"),
                  "201")  # fmt: skip
    each = math.hypot(0.02, 0.02)  # the tape's and the feature's own
    assert found.sigma_m == pytest.approx(each / math.sqrt(2 * 0.36), rel=1e-9)


def test_three_tapes_are_adjusted_and_need_no_side(tmp_path: Path) -> None:
    # True place (8, 0); the third tape, from (8, -6), reads 3 cm long.
    rows = "point,from,distance\n201,301,10\n201,302,10\n201,303,6.03\n"
    found = point(surveyed(tmp_path, rows), "201")
    at = np.array([(0.0, 6.0), (16.0, 6.0), (8.0, -6.0)])
    read = np.array([10.0, 10.0, 6.03])
    # Least squares by a plain grid search, independent of the adjustment's own steps.
    north = np.linspace(-0.05, 0.05, 100_001)
    miss = [np.hypot(8.0 - e, north - n) - r for (e, n), r in zip(at, read, strict=True)]
    best = north[np.argmin(np.sum(np.square(miss), axis=0))]
    assert found.easting_m == pytest.approx(8.0, abs=1e-9)
    assert found.northing_m == pytest.approx(best, abs=2e-6)
    assert 0.005 < found.northing_m < 0.03


def test_tapes_that_miss_widen_the_point_and_are_named(tmp_path: Path) -> None:
    exact = "point,from,distance\n201,301,10\n201,302,10\n201,303,6\n"
    off = exact.replace(",6\n", ",6.25\n")
    good, bad = surveyed(tmp_path, exact), surveyed(tmp_path, off)
    assert point(bad, "201").sigma_m > 2.0 * point(good, "201").sigma_m
    assert not [w for w in good.warnings if w.code.startswith("tapes")]
    (note,) = [w for w in bad.warnings if w.code == "tapes_disagree"]
    assert '"303"' in note.text


# By hand: of what the third tape is long, 1 / 1.72 moves the point and 0.42 is left to it, with
# equal sigmas of its tapes. Three sigmas of a tape are named; six sigmas of tape and feature, and
# 15 cm, are refused.
@pytest.mark.parametrize(
    ("tape_sigma", "long_m", "said"),
    [("0.02", 0.14, ""), ("0.02", 0.146, "named"), ("0.01", 0.36, "named"),
     ("0.01", 0.371, "refused"), ("0.04", 0.66, "named"), ("0.04", 0.675, "refused")],
)  # fmt: skip
def test_what_a_tape_may_miss_by(tmp_path: Path, tape_sigma: str, long_m: float, said: str) -> None:
    toml = TOML.replace("tape_sigma = 0.02", f"tape_sigma = {tape_sigma}")
    rows = f"point,from,distance\n201,301,10\n201,302,10\n201,303,{6 + long_m}\n"
    if said == "refused":
        with pytest.raises(InputError, match='the one from "303" misses by'):
            surveyed(tmp_path, rows, **{"site.toml": toml})
    else:
        notes = surveyed(tmp_path, rows, **{"site.toml": toml}).warnings
        assert ("tapes_disagree" in {each.code for each in notes}) is (said == "named")


def test_a_taped_mark_is_a_mark_of_its_leg(tmp_path: Path) -> None:
    rows = "point,from,distance,side,code\n104,304,7.2111025509,right,WL\n104,303,7.2111025509,,\n"
    survey = surveyed(tmp_path, rows)  # sqrt(4^2 + 6^2) from (8, 6) and (8, -6): (12, 0) or (4, 0)
    assert survey.site.legs[0].mark_ids == ("101", "102", "103", "104")
    mark = point(survey, "104")
    assert mark.kind == "mark"
    assert abs(mark.easting_m - 8.0) == pytest.approx(4.0, abs=1e-6)
    assert mark.northing_m == pytest.approx(0.0, abs=1e-6)


def test_left_and_right_are_of_the_line_from_the_first_to_the_second(tmp_path: Path) -> None:
    # From (8, 6) to (8, -6) one looks south: left is east.
    rows = "point,from,distance,side\n201,304,7.2111025509,left\n201,303,7.2111025509,\n"
    assert point(surveyed(tmp_path, rows), "201").easting_m == pytest.approx(12.0, abs=1e-6)
    turned = "point,from,distance,side\n201,303,7.2111025509,left\n201,304,7.2111025509,\n"
    assert point(surveyed(tmp_path, turned), "201").easting_m == pytest.approx(4.0, abs=1e-6)


def test_a_point_taped_from_a_taped_point(tmp_path: Path) -> None:
    # 201 at (8, 12); 202 is 6 below it and 8 from (16, 6): at (8, 6), right of the way to 302.
    rows = "point,from,distance,side\n202,201,6,right\n202,302,8,\n201,301,10,left\n201,302,10,\n"
    survey = surveyed(tmp_path, rows)
    found = point(survey, "202")
    assert (found.easting_m, found.northing_m) == pytest.approx((8.0, 6.0), abs=1e-9)
    assert found.sigma_m > point(survey, "201").sigma_m > 0.02


@pytest.mark.parametrize(
    ("rows", "words"),
    [
        ("201,301,10,\n201,302,10,\n", "two tapes put"),
        ("201,301,10,left\n", "one tape"),
        ("201,301,10,left\n201,999,10,\n", 'no point "999"'),
        ("201,201,10,left\n201,302,10,\n", "taped from itself"),
        ("201,301,10,left\n201,302,10,right\n", "left and right"),
        ("201,301,-3,left\n201,302,10,\n", "out of range"),
        ("201,301,10,left\n201,301,11,\n", "two tapes from"),
        ("201,301,ten,left\n201,302,10,\n", "not a length"),
        ("201,301,10,aft\n201,302,10,\n", "not known"),
    ],
)
def test_rows_that_fix_nothing_are_refused_with_their_line(
    tmp_path: Path, rows: str, words: str
) -> None:
    lines = complaints_of(tmp_path, folder("point,from,distance,side\n" + rows))
    assert any(words in line for line in lines), lines
    assert all("tapes.csv:" in line for line in lines)


def test_tapes_that_cannot_meet(tmp_path: Path) -> None:
    line = refused(tmp_path, "point,from,distance,side\n201,301,5,left\n201,302,6,\n")
    assert "tapes.csv:2" in line
    assert "cannot meet" in line
    assert "16.00 m" in line


def test_features_in_line_with_the_point(tmp_path: Path) -> None:
    line = refused(tmp_path, "point,from,distance,side\n201,301,6,left\n201,302,10,\n")
    assert "in line" in line


def test_three_features_in_line_leave_two_answers(tmp_path: Path) -> None:
    rows = "point,from,distance\n201,301,10\n201,304,6\n201,302,10\n"
    assert "two places" in refused(tmp_path, rows)


def test_a_tape_misread_by_a_metre(tmp_path: Path) -> None:
    rows = "point,from,distance\n201,301,10\n201,302,10\n201,303,7\n201,304,6\n"
    assert "disagree" in refused(tmp_path, rows)


def test_points_taped_from_one_another(tmp_path: Path) -> None:
    rows = "point,from,distance,side\n201,202,5,left\n201,301,5,\n202,201,5,left\n202,302,5,\n"
    assert "from one another only" in refused(tmp_path, rows)


def test_tapes_of_a_shot_point_check_it(tmp_path: Path) -> None:
    # 103 was shot at (8, 0): 10 m from both corners. Read 9.5 it would stand 0.87 m off.
    good = surveyed(tmp_path, "point,from,distance,side\n103,301,10,right\n103,302,10,\n")
    assert not [w for w in good.warnings if w.code == "tapes_check"]
    bad = surveyed(tmp_path, "point,from,distance,side\n103,301,9.5,right\n103,302,9.5,\n")
    (note,) = [w for w in bad.warnings if w.code == "tapes_check"]
    # sqrt(9.5^2 - 8^2) = 5.123 below the corners in place of 6
    assert "0.88 m" in note.text
    assert (point(bad, "103").easting_m, point(bad, "103").northing_m) == (8.0, 0.0)


def test_tapes_that_cross_flatly_are_said(tmp_path: Path) -> None:
    # (8, 6.4) seen from (0, 6) and (16, 6): 2.9 degrees above the line on either side.
    long = math.hypot(8.0, 0.4)
    rows = f"point,from,distance,side\n201,301,{long},left\n201,302,{long},\n"
    survey = surveyed(tmp_path, rows)
    (note,) = [w for w in survey.warnings if w.code == "tapes_flat"]
    crossing = math.degrees(2 * math.atan2(0.4, 8.0))
    assert f"cross at {crossing:.0f} degrees" in note.text


@pytest.mark.parametrize(("aside_m", "flat"), [(1.40, True), (1.42, False)])
def test_twenty_degrees_are_no_flat_crossing(tmp_path: Path, aside_m: float, flat: bool) -> None:
    long = math.hypot(8.0, aside_m)
    rows = f"point,from,distance,side\n201,301,{long},left\n201,302,{long},\n"
    codes = {each.code for each in surveyed(tmp_path, rows).warnings}
    assert ("tapes_flat" in codes) is flat


def test_a_struck_out_row_is_no_tape(tmp_path: Path) -> None:
    rows = "point,from,distance,side,skip\n201,301,10,left,\n201,302,10,,\n201,303,99,,slipped\n"
    assert point(surveyed(tmp_path, rows), "201").northing_m == pytest.approx(12.0)


def test_in_survey_feet_on_a_grid(tmp_path: Path) -> None:
    """On a real grid a tape reads ground metres, not grid ones."""
    tapes = "point,from,distance,side\n401,301,41.0,left\n401,202,30.0,\n"
    survey = survey_site(site_of(tmp_path, {"tapes.csv": tapes}))
    at = {each.point.id: np.array([each.easting_m, each.northing_m]) for each in survey.points}
    foot = 1200 / 3937
    assert np.hypot(*(at["401"] - at["301"])) == pytest.approx(41.0 * foot, abs=1e-9)
    assert np.hypot(*(at["401"] - at["202"])) == pytest.approx(30.0 * foot, abs=1e-9)
    taped = next(each for each in survey.points if each.point.id == "401")
    back = survey.frame.to_working(taped.point.easting, taped.point.northing)
    np.testing.assert_allclose(back, at["401"], atol=1e-6)


def test_a_taped_point_is_no_check_point_for_a_rover(tmp_path: Path) -> None:
    import geoleak

    tapes = "point,from,distance,side\n401,301,41.0,left\n401,202,30.0,\n"
    result = geoleak.locate(geoleak.read_site(write_folder(tmp_path, {"tapes.csv": tapes})))
    checks = [each.label for each in result.stakes if each.kind == "check_point"]
    assert checks
    assert "CHECK POINT 401" not in checks


def test_a_taped_point_in_a_range_of_marks(tmp_path: Path) -> None:
    rows = "point,from,distance,side\n104,304,7.2111025509,left\n104,303,7.2111025509,\n"
    toml = TOML.replace('code = "WL"', 'points = "101-104"')
    survey = surveyed(tmp_path, rows, **{"site.toml": toml})
    assert survey.site.legs[0].mark_ids == ("101", "102", "103", "104")
    assert survey.legs[0].route.length_m == pytest.approx(12.0, abs=1e-3)
