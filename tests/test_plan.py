"""``geoleak plan``: spacing that pins a leak, fittings that tell, valves that part the pipe."""

from __future__ import annotations

import shutil

import numpy as np
import pytest

import geoleak
from geoleak.advice import plan as plan_module
from geoleak.advice.plan import Plan, first_fittings, first_valves, plan_visit
from geoleak.posterior import InferenceOptions
from geoleak.record import replace
from geoleak.reports.plan import PlanReport, write_plan
from geoleak.survey import survey_site
from tests.command import REPO, run
from tests.site_folders import TOML, write_folder

LONG = TOML.replace('start = "201"', 'start = "201"\nend = "203"\nmaterial = "copper"')


def lane(place, *, spacing_ft=3.0, length_ft=120.0, valve_at=0.5, toml=LONG):
    """Return a straight lane: marks every few feet, a fitting at each end and one between."""
    count = int(length_ft / spacing_ft) + 1
    rows = [f"{1000 + k},{783300 + spacing_ft * k:.2f},1987800.00,495,WL" for k in range(count)]
    rows += [
        f"201,{783300:.2f},1987800.5,495,MTR",
        f"202,{783300 + length_ft * valve_at:.2f},1987800.5,495,WV",
        f"203,{783300 + length_ft:.2f},1987800.5,495,WV",
    ]
    folder = write_folder(place, {"points.csv": "\n".join(rows) + "\n", "site.toml": toml})
    (folder / "readings.csv").unlink()
    return folder, survey_site(geoleak.read_site(folder))


@pytest.fixture
def quick(monkeypatch):
    monkeypatch.setattr(plan_module, "TRIES", 4)
    monkeypatch.setattr(plan_module, "SPACINGS_FT", (2.0, 10.0))


@pytest.fixture
def pinned(monkeypatch):
    """Every leak tried is pinned: for what does not hang on how many are."""
    monkeypatch.setattr(plan_module, "_is_pinned", lambda *_: True)


def test_closer_readings_pin_more_leaks_every_time(tmp_path, quick) -> None:
    _, survey = lane(tmp_path)
    plan = plan_visit(survey)
    assert plan_visit(survey) == plan
    (leg,) = plan.legs
    (near, often), (far, seldom) = leg.by_spacing
    assert (near, far) == pytest.approx((0.6096, 3.048))
    assert often > seldom
    assert leg.reading_spacing_m == near
    assert leg.mark_spacing_m == survey.site.crew.dig_length_m
    assert leg.marks_now_m == pytest.approx(3 * 1200 / 3937, rel=0.01)


def test_marks_too_far_apart_are_said_before_driving_out(tmp_path, pinned) -> None:
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


@pytest.mark.parametrize(("valve_at", "valves"), [(0.04, ()), (0.06, ("202",)), (0.96, ())])
def test_a_valve_that_parts_off_a_twentieth_is_not_shut(tmp_path, valve_at, valves) -> None:
    _, survey = lane(tmp_path, spacing_ft=60.0, length_ft=600.0, valve_at=valve_at)
    assert first_valves(survey) == valves


def test_the_fitting_that_tells_most_comes_first(tmp_path) -> None:
    # By symmetry the two ends tell the same, mirrored; the middle hears every leak but cannot say
    # on which side. Copper carries: one end tells near from far, so an end is first, then the
    # other, and the middle last.
    _, survey = lane(tmp_path, length_ft=600.0)
    order = first_fittings(survey, np.random.default_rng(3))
    assert set(order) == {"201", "202", "203"}
    assert order[-1] == "202"


@pytest.mark.parametrize(
    ("material", "length_ft", "place"),
    [
        ("ductile_iron", 600.0, 2),
        ("copper", 800.0, 2),
        ("copper", 1200.0, 1),
        ("pvc", 120.0, 2),
        ("pvc", 300.0, 0),
    ],
)
def test_the_middle_comes_sooner_where_no_end_hears_the_whole_pipe(
    tmp_path, material, length_ft, place
) -> None:
    toml = LONG.replace("copper", material)
    _, survey = lane(tmp_path, spacing_ft=length_ft / 10, length_ft=length_ft, toml=toml)
    assert first_fittings(survey, np.random.default_rng(0)).index("202") == place


@pytest.mark.parametrize("factor", [0.5, 2])
@pytest.mark.parametrize("name", ["HEARD_SIGMA_DB", "CONTACT_SIGMA_DB", "SAMPLES"])
def test_what_is_guessed_of_scatter_does_not_order_fittings(
    tmp_path, monkeypatch, name, factor
) -> None:
    _, survey = lane(tmp_path, spacing_ft=60.0, length_ft=600.0)
    monkeypatch.setattr(plan_module, name, int(getattr(plan_module, name) * factor))
    assert first_fittings(survey, np.random.default_rng(3))[-1] == "202"


# Of twelve leaks tried: how many each spacing pins, and the one that is asked for.
@pytest.mark.parametrize(("pinned", "spacing_ft"), [((12, 11), 10.0), ((12, 10), 2.0)])
def test_a_wider_spacing_may_miss_one_leak_more_of_those_tried(
    tmp_path, monkeypatch, pinned, spacing_ft
) -> None:
    monkeypatch.setattr(plan_module, "SPACINGS_FT", (2.0, 10.0))
    told = iter(k < most for most in pinned for k in range(12))
    monkeypatch.setattr(plan_module, "_is_pinned", lambda *_: next(told))
    _, survey = lane(tmp_path, length_ft=122.0)
    (leg,) = plan_visit(survey).legs
    assert leg.reading_spacing_m == pytest.approx(spacing_ft * 0.3048)
    assert [chance for _, chance in leg.by_spacing] == [each / 12 for each in pinned]


@pytest.mark.parametrize(
    ("unit", "metre", "painted"),
    [("ftUS", 0.3048, (2, 3, 4, 5, 8, 10)), ("m", 1.0, (0.5, 0.75, 1, 1.5, 2, 3))],
)
def test_spacings_that_a_crew_paints_are_tried(tmp_path, pinned, unit, metre, painted) -> None:
    _, survey = lane(tmp_path)
    survey = replace(survey, site=replace(survey.site, length_unit=unit))
    tried = plan_module._leg_plan(survey, 0, np.random.default_rng(1)).by_spacing
    assert [spacing / metre for spacing, _ in tried] == pytest.approx(painted)


def test_a_round_at_every_fourth_spacing_then_twelve_readings_about_the_loudest(
    tmp_path, monkeypatch, pinned
) -> None:
    monkeypatch.setattr(plan_module, "SPACINGS_FT", (2.0,))
    for length_ft, readings in ((122.0, 15 + 12 + 1), (25.0, 12 + 1)):
        _, survey = lane(tmp_path, length_ft=length_ft)
        plan = plan_visit(survey)
        assert plan.legs[0].readings == readings
        assert "every 8.0 ft first, then every 2.0 ft" in "".join(PlanReport(survey, plan).lines())


def test_a_leak_is_tried_on_twenty_metres_and_as_loud_as_published(tmp_path, monkeypatch) -> None:
    """Levels straight above the pipe: 7.5 to 12.5 dB over background.

    Source: J. Water Supply: Research and Technology-AQUA 54(8), 519 (2005), abstract.
    """
    heard = []
    monkeypatch.setattr(plan_module, "SPACINGS_FT", (1.0,))
    monkeypatch.setattr(plan_module, "TRIES", 200)
    told = lambda survey, _: heard.append(survey.surface) is not None  # noqa: E731
    monkeypatch.setattr(plan_module, "_is_pinned", told)
    sure = "\n[readings]\nlevel_sigma = 0.1\nplace_sigma = 0.1\n"
    _, survey = lane(tmp_path, spacing_ft=60.0, length_ft=600.0, toml=LONG + sure)
    plan_module._chance_of_dig(survey, 0, 0.3048, np.random.default_rng(1))
    assert all(19.5 < np.ptp(rows.chainage_m) <= 20.0 for rows in heard)
    above = np.array([rows.level_db.max() for rows in heard]) - 30.0
    assert above.min() == pytest.approx(7.5, abs=0.4)
    assert above.max() == pytest.approx(12.5, abs=0.4)


def test_fewer_nodes_change_less_than_a_try(tmp_path, monkeypatch) -> None:
    _, survey = lane(tmp_path, length_ft=30.0)
    monkeypatch.setattr(plan_module, "TRIES", 6)
    unread, chances = plan_module._unread(survey), []
    for options in (plan_module.QUICK, InferenceOptions()):
        monkeypatch.setattr(plan_module, "QUICK", options)
        rng = np.random.default_rng(1)
        chances.append(plan_module._chance_of_dig(unread, 0, 0.6096, rng))
    assert 0.0 < chances[0] < 1.0
    assert abs(chances[0] - chances[1]) <= 1 / 6


def test_json_and_minutes(tmp_path, pinned) -> None:
    folder, _ = lane(tmp_path)
    said = run("plan", folder, "--json").json
    assert set(said) == {"legs", "fittings_first", "valves", "minutes"}
    readings = said["legs"][0]["readings"] + len(said["fittings_first"])
    assert said["minutes"] == pytest.approx(2.0 * readings)


def test_sample_site_plans(tmp_path, pinned) -> None:
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


def test_what_spares_a_second_drive_is_told_in_the_site_s_unit(tmp_path) -> None:
    _, survey = lane(tmp_path)
    for unit, aside, step in (("ftUS", "6 ft", "2 ft"), ("m", "2 m", "half a metre")):
        site = replace(survey.site, length_unit=unit)
        report = PlanReport(replace(survey, site=site), Plan((), (), (), 0.0, 2.0))
        write_plan(report, tmp_path / "plan.html")
        page = " ".join((tmp_path / "plan.html").read_text().replace("<br>", " ").split())
        for said in (" ".join(" ".join(report.lines()).split()), page):
            assert "every tap, pump and appliance off while listening (everything_off yes)" in said
            assert "on past the loudest mark until it falls" in said
            assert f"a level some {aside} to both sides" in said
            assert f"a rod there, everything off, going on {step} at a time" in said


@pytest.mark.parametrize(("count", "more"), [(8, ""), (9, " and 1 more")])
def test_eight_fittings_are_named_and_the_rest_counted(tmp_path, count: int, more: str) -> None:
    _, survey = lane(tmp_path)
    told = PlanReport(survey, Plan((), (), (), 0.0, 2.0))._named(tuple(map(str, range(count))))
    assert told == "0, 1, 2, 3, 4, 5, 6, 7" + more
