"""Legs of a survey: measured chainage, joins, rings, and what is refused, as `check` says it."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geoleak.errors import InputError
from geoleak.reports.check import RouteReport
from tests.command import run
from tests.lane import FOOT, TOML, lane, readings, write_lane

# A wheel that reads 1 % long from the meter on: 100 ft of pipe are 101 ft by the wheel.
WHEEL = "point,measured\n201,0\n120,106.05\n"


def test_measured_chainage_places_and_fitted_chainage_prints(tmp_path: Path) -> None:
    sheet = readings("1,surface,lane@50.5,30", "2,surface,104,31")
    survey = lane(tmp_path, readings=sheet, calibration=WHEEL)
    # 50.5 ft by the wheel are 50 ft of pipe; mark 104 stands at 25 ft however it is measured.
    assert survey.surface.chainage_m == pytest.approx([50 * FOOT, 25 * FOOT], abs=1e-6)
    assert survey.legs[0].route.measured_m(50 * FOOT) == pytest.approx(50.5 * FOOT, abs=1e-6)
    assert survey.legs[0].route.length_m == pytest.approx(105 * FOOT, abs=1e-6)
    printed = "\n".join(RouteReport(survey).lines())
    assert "leg lane: 105.00 ft" in printed
    assert "106.05" not in printed
    assert "lane@40 in the sheets are as measured on the ground" in printed
    assert "0+25.00  mark 104" in printed
    assert [w.code for w in survey.warnings].count("measured_chainage") == 1


@pytest.mark.parametrize(
    ("power", "said"), [(0.96, True), (-0.96, True), (0.94, False), (-0.94, False), (1.06, False)]
)
def test_a_wheel_in_the_other_unit_is_said(tmp_path: Path, power: float, said: bool) -> None:
    measured = 105.0 * (1.0 / 0.3048) ** power
    survey = lane(tmp_path, calibration=f"point,measured\n201,0\n120,{measured:.4f}\n")
    told = [w for w in survey.warnings if w.code == "feet_for_metres"]
    assert bool(told) is said
    for each in told:
        assert "feet and metres look mixed" in each.text and each.origin.line == 2


def test_without_calibration_nothing_is_said_of_it(tmp_path: Path) -> None:
    survey = lane(tmp_path)
    assert "measured" not in "\n".join(RouteReport(survey).lines())


def test_calibration_that_runs_backwards(tmp_path: Path) -> None:
    rows = "point,measured\n201,0\n104,50\n108,40\n"
    ran = run("check", write_lane(tmp_path, calibration=rows))
    assert ran.code == 2
    assert "calibration.csv:4" in ran.err
    assert "correct one of the two" in ran.err


@pytest.mark.parametrize(
    ("aside_ft", "many", "said"),
    [(1.55, 6, True), (-1.55, 6, True), (1.75, 6, False), (0.2, 4, False), (0.2, 5, True)],
)
def test_a_pipe_traced_twice_is_asked_about(tmp_path, aside_ft, many, said) -> None:
    """Half a metre aside is 1.64 ft; so few marks tell nothing."""
    more = tuple(f"{401 + k},{1010 + 5 * k},{500 + aside_ft},100,AG" for k in range(many))
    leg = '[[leg]]\nname = "again"\ncode = "AG"\ndepth = 3\n\n[codes]'
    survey = lane(tmp_path, toml=TOML.replace("[codes]", leg), more=more)
    told = [each.text for each in survey.warnings if each.code == "traced_twice"]
    assert bool(told) is said
    assert all("leg again runs along leg lane" in each for each in told)


BRANCH = '[[leg]]\nname = "branch"\npoints = "401-404"\ndepth = 3\n'
OFF = tuple(f"{401 + k},1050,{500 + 5 * k},100," for k in range(4))


@pytest.mark.parametrize(
    ("legs", "words"),
    [
        (BRANCH + 'from = "branch"\n', '"branch" would join itself'),
        (BRANCH + 'from = "lnae"\n', 'did you mean "lane"'),
        (BRANCH + 'from = "garden"\n', 'there is no leg "garden"'),
        (BRANCH + 'from = "lane at 999"\n', 'there is no point "999"'),
        (BRANCH + 'start = "999"\n', 'there is no point "999"'),
        (BRANCH + 'end = "MTR9"\n', 'there is no point "MTR9"'),
        (BRANCH.replace("401-404", "401"), "runs through 1 point"),
        (BRANCH.replace("401-404", "401-402").replace("branch", "lane"), 'is called "lane" too'),
        (
            BRANCH + 'from = "c"\n[[leg]]\nname = "c"\npoints = "101-104"\nfrom = "branch"\n',
            "is a circle",
        ),
        (BRANCH.replace('"401-404"', '"301, 202"') + 'from = "lane at 301"\n', "comes no nearer"),
    ],
)
def test_legs_that_cannot_be(tmp_path: Path, legs: str, words: str) -> None:
    toml = TOML.replace("[codes]", legs + "\n[codes]")
    ran = run("check", write_lane(tmp_path, toml=toml, more=OFF))
    assert ran.code == 2
    assert ran.out == ""
    assert words in ran.err
    assert "site.toml:" in ran.err
    assert "Traceback" not in ran.err


def test_all_marks_on_one_spot(tmp_path: Path) -> None:
    toml = TOML.replace("[codes]", BRANCH + "\n[codes]")
    spot = tuple(f"{401 + k},1050,{500 + 0.01 * k},100," for k in range(4))
    ran = run("check", write_lane(tmp_path, toml=toml, more=spot))
    assert ran.code == 1
    assert "one spot" in ran.err
    assert "site.toml:" in ran.err


def test_a_branch_joins_where_it_comes_nearest(tmp_path: Path) -> None:
    toml = TOML.replace("[codes]", BRANCH + 'from = "lane"\n\n[codes]')
    survey = lane(tmp_path, toml=toml, more=OFF)
    (joint,) = survey.network.joints
    assert (joint.leg_a, joint.leg_b) == (1, 0)
    assert joint.chainage_a_m == 0.0
    assert joint.chainage_b_m == pytest.approx(55 * FOOT, abs=1e-3)
    # 20 ft along the lane from 35 to 55, then 10 ft up the branch.
    pipe = survey.network.distance(([0], [35 * FOOT]), ([1], [10 * FOOT]))[0, 0]
    assert pipe == pytest.approx(30 * FOOT, abs=2e-3)


def test_legs_that_do_not_join_are_said(tmp_path: Path) -> None:
    toml = TOML.replace("[codes]", BRANCH + "\n[codes]")
    survey = lane(tmp_path, toml=toml, more=OFF)
    (note,) = [w for w in survey.warnings if w.code == "legs_apart"]
    assert "lane; branch" in note.text
    assert np.isinf(survey.network.distance(([0], [1.0]), ([1], [1.0]))[0, 0])


def test_the_boundary_is_a_chainage(tmp_path: Path) -> None:
    toml = TOML.replace('start = "201"\n', 'start = "201"\nboundary = "103"\n')
    assert lane(tmp_path, toml=toml).legs[0].boundary_m == pytest.approx(20 * FOOT, abs=1e-6)


SHOWN = "delay,first,second,shown_distance,shown_length,shown_speed\nD1,201,202,41,{},4200\n"


def test_the_delay_behind_a_screen_s_figures(tmp_path: Path) -> None:
    """(2 x - L) / c = (82 - 90) / 4200 s: 1.905 ms nearer the first sensor."""
    survey = lane(tmp_path, delays=SHOWN.format(90))
    assert survey.delays[0].delay_s == pytest.approx(-8 / 4200)
    # The pipe is 105 ft from meter to valve: the leak is (105 - 8) / 2 = 48.5 ft from the first.
    (note,) = [w for w in survey.warnings if w.code == "shown_length"]
    assert note.text == (
        "delay D1: your screen said 41.0 ft with 90.0 ft at 4,200 ft/s; with the pipe as traced, "
        "105.0 ft between the sensors, it is 48.5 ft"
    )


def test_a_screen_that_had_the_length_right_is_not_corrected(tmp_path: Path) -> None:
    survey = lane(tmp_path, delays=SHOWN.format(105))
    assert not [w for w in survey.warnings if w.code == "shown_length"]


def test_a_shown_delay_that_the_pipe_cannot_hold(tmp_path: Path) -> None:
    survey = lane(tmp_path, delays=SHOWN.format(300).replace(",41,", ",10,"))
    (note,) = [w for w in survey.warnings if w.code == "shown_length"]
    assert "comes from outside them" in note.text


def test_a_lead_lengthens_the_way_between_sensors(tmp_path: Path) -> None:
    survey = lane(tmp_path, delays=SHOWN.format(105), fittings="point,lead\n202,5\n")
    (note,) = [w for w in survey.warnings if w.code == "shown_length"]
    assert "110.0 ft between the sensors, it is 43.5 ft" in note.text


@pytest.mark.parametrize(("away_m", "joined"), [(4.9, True), (5.1, False)])
def test_a_leg_runs_from_another_within_five_metres(
    tmp_path: Path, away_m: float, joined: bool
) -> None:
    toml = TOML.replace("[codes]", BRANCH + 'from = "lane"\n[codes]')
    marks = tuple(f"{401 + k},1050,{500 + away_m / FOOT + 5 * k:.4f},100," for k in range(4))
    if joined:
        assert len(lane(tmp_path, toml=toml, more=marks).network.joints) == 1
    else:
        with pytest.raises(InputError, match="comes no nearer than 16"):
            lane(tmp_path, toml=toml, more=marks)
