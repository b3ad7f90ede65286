"""``geoleak plan``: spacing that pins a leak, fittings that tell, valves that part the pipe."""

from __future__ import annotations

import shutil
from dataclasses import replace

import numpy as np
import pytest

import geoleak
from geoleak.advice import plan as plan_module
from geoleak.advice.plan import Plan, first_fittings, first_valves, plan_visit
from geoleak.reports.plan import PlanReport
from geoleak.survey import survey_site
from tests.command import REPO, run
from tests.site_folders import TOML, write_folder

LONG = TOML.replace('start = "201"', 'start = "201"\nend = "203"\nmaterial = "copper"')


def lane(place, *, spacing_ft=3.0, length_ft=120.0, toml=LONG):
    """Return a straight lane: marks every few feet, a fitting at each end and one in the middle."""
    count = int(length_ft / spacing_ft) + 1
    rows = [f"{1000 + k},{783300 + spacing_ft * k:.2f},1987800.00,495,WL" for k in range(count)]
    rows += [
        f"201,{783300:.2f},1987800.5,495,MTR",
        f"202,{783300 + length_ft / 2:.2f},1987800.5,495,WV",
        f"203,{783300 + length_ft:.2f},1987800.5,495,WV",
    ]
    folder = write_folder(place, {"points.csv": "\n".join(rows) + "\n", "site.toml": toml})
    (folder / "readings.csv").unlink()
    return folder, survey_site(geoleak.read_site(folder))


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(plan_module, "TRIES", 4)
    monkeypatch.setattr(plan_module, "SPACINGS_FT", (2.0, 10.0))


def test_closer_readings_pin_more_leaks(tmp_path, quick) -> None:
    _, survey = lane(tmp_path)
    (leg,) = plan_visit(survey).legs
    (near, often), (far, seldom) = leg.by_spacing
    assert (near, far) == pytest.approx((0.6096, 3.048))
    assert often > seldom
    assert leg.reading_spacing_m == near
    assert leg.mark_spacing_m == survey.site.crew.dig_length_m
    assert leg.marks_now_m == pytest.approx(3 * 1200 / 3937, rel=0.01)


def test_same_site_same_plan(tmp_path, quick) -> None:
    _, survey = lane(tmp_path)
    assert plan_visit(survey) == plan_visit(survey)


def test_marks_too_far_apart_are_said_before_driving_out(tmp_path, quick) -> None:
    folder, _ = lane(tmp_path, spacing_ft=20.0)
    ran = run("plan", folder)
    assert "marks every 20.0 ft will not do for a 5.0 ft hole" in ran.out
    page = (folder / "out" / "plan.html").read_text(encoding="utf-8")
    # A phone takes a page without it to be 980 pixels wide.
    assert '<meta name="viewport" content="width=device-width' in page
    folder, _ = lane(tmp_path, spacing_ft=5.0)
    assert "will not do" not in run("plan", folder).out


def test_the_valve_that_halves_the_pipe_comes_first(tmp_path) -> None:
    _, survey = lane(tmp_path)
    # The ends part nothing.
    assert first_valves(survey) == ("202",)


def test_the_fitting_that_tells_most_comes_first(tmp_path) -> None:
    # By symmetry the two ends tell the same, mirrored; the middle hears every leak but cannot say
    # on which side. Copper carries: one end tells near from far, so an end is first, then the
    # other, and the middle last.
    _, survey = lane(tmp_path, length_ft=600.0)
    order = first_fittings(survey, np.random.default_rng(3))
    assert set(order) == {"201", "202", "203"}
    assert order[-1] == "202"


def test_json_and_minutes(tmp_path, quick) -> None:
    folder, _ = lane(tmp_path)
    said = run("plan", folder, "--json").json
    assert set(said) == {"legs", "fittings_first", "valves", "minutes"}
    readings = said["legs"][0]["readings"] + len(said["fittings_first"])
    assert said["minutes"] == pytest.approx(2.0 * readings)


def test_sample_site_plans(tmp_path, quick) -> None:
    folder = tmp_path / "school_loop"
    shutil.copytree(REPO / "sample_sites" / "school_loop", folder)
    said = run("plan", folder, "--json").json
    assert [each["leg"] for each in said["legs"]] == ["main", "branch"]
    assert not (folder / "out" / "result.json").exists()


def test_a_plan_rests_on_no_row_of_a_visit(tmp_path):
    """Whatever sheet is added, its rows are not known before driving out."""
    _, survey = lane(tmp_path)
    visit = ("delays", "isolations", "sightings", "holes")
    told, rows = (*visit, "readings", "stop_tests", "meter", "found"), (*visit, "stops")
    site = replace(survey.site, **dict.fromkeys(told, (1,)))
    unread = plan_module._unread(replace(survey, site=site, **dict.fromkeys(rows, (1,))))
    assert not any(getattr(unread.site, name) for name in told)
    assert not any(getattr(unread, name) for name in rows)
    assert unread.legs == survey.legs and unread.site.legs and unread.points


@pytest.mark.parametrize(("count", "more"), [(8, ""), (9, " and 1 more")])
def test_eight_fittings_are_named_and_the_rest_counted(tmp_path, count: int, more: str) -> None:
    _, survey = lane(tmp_path)
    told = PlanReport(survey, Plan((), (), (), 0.0, 2.0))._named(tuple(map(str, range(count))))
    assert told == "0, 1, 2, 3, 4, 5, 6, 7" + more
