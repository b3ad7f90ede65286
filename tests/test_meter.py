"""``geoleak meter``: from the sheet to a verdict, a size and a side."""

from __future__ import annotations

import datetime

import pytest

import geoleak
from geoleak.hydraulics import PRESSURE_EXPONENT, meter_test, repaired
from geoleak.reports.meter import MeterReport
from tests.command import run
from tests.site_folders import TOML, write_folder

pytestmark = pytest.mark.usefixtures("few_nodes")

HEAD = "time,reading,unit,run,state\n"


def rows(*readings: float, unit="gal_us", name="a", state="all shut", minutes=10.0, start=0) -> str:
    begin = datetime.datetime(2026, 5, 4, 7, start, 1, tzinfo=datetime.UTC)
    return "".join(
        f"{(begin + datetime.timedelta(minutes=minutes * k)).isoformat()},{value},{unit},{name},"
        f"{state}\n"
        for k, value in enumerate(readings)
    )


def report(place, text: str, more: str = "") -> MeterReport:
    files = {"meter.csv": HEAD + text, "site.toml": TOML + more}
    return MeterReport(geoleak.read_site(write_folder(place, files)))


def test_a_leak_its_size_its_money_and_its_hole(tmp_path) -> None:
    toml = TOML.replace('start = "201"', 'start = "201"\npressure = "60 psi"\nmaterial = "pvc"')
    folder = write_folder(
        tmp_path,
        {
            # 0.5 gal/min: 5 gal in ten minutes, read to 0.1.
            "meter.csv": HEAD + rows("1234.5", "1239.5", "1244.5", "1249.5"),
            "site.toml": toml + '[meter]\nprice = 8\nper = "CCF"\nsince = "2026-04-04"\n',
        },
    )
    said = run("meter", folder, "--json").json
    gal = 3.785411784
    assert said["verdict"] == "leak"
    assert said["flow_l_per_min"] == pytest.approx(0.5 * gal, rel=0.01)
    assert said["per_day_l"] == pytest.approx(720 * gal, rel=0.01)
    assert said["since_l"] == pytest.approx(30 * 720 * gal, rel=0.01)
    # 21,600 gal at 8 a hundred cubic feet (748.052 gal).
    assert said["cost_since"] == pytest.approx(21600 / 748.052 * 8, rel=0.01)
    # Public chart: 1/16 in at 60 psi passes over 800 gal a day.
    assert said["equivalent_hole_m"] == pytest.approx(0.0254 / 16 * (720 / 830) ** 0.5, rel=0.03)
    printed = run("meter", folder).out
    for words in ("LEAK   0.5 gal/min", "720 gal a day", "since 2026-04-04", "licensed person"):
        assert words in printed
    # A month is a twelfth of 365.25 days.
    assert f"{720 * 365.25 / 12:,.0f} gal a month" in printed
    middle, spread = PRESSURE_EXPONENT["plastic"]
    less = [100 * (1 - 0.8**n) for n in (middle - spread, middle + spread)]
    assert f"with a fifth less pressure {less[0]:.0f} to {less[1]:.0f} % less of it" in printed
    # Nothing is written.
    assert not (folder / "out").exists()


@pytest.mark.parametrize(
    ("material", "low", "high"),
    [("steel", 11, 18), ("concrete", 14, 22), ("pvc", 16, 27), ("", 14, 25)],
)
def test_what_a_fifth_less_pressure_saves_goes_by_the_pipe(tmp_path, material, low, high) -> None:
    """A fixed hole (0.8 ** 0.5) is one sigma under a metal pipe's; a split plastic one opens."""
    toml = TOML.replace('start = "201"', 'start = "201"\npressure = "60 psi"')
    if material:
        toml = toml.replace('start = "201"', f'start = "201"\nmaterial = "{material}"')
    files = {"meter.csv": HEAD + rows("1234.5", "1239.5", "1244.5"), "site.toml": toml}
    said = MeterReport(geoleak.read_site(write_folder(tmp_path, files))).lines()
    assert any(f"with a fifth less pressure {low} to {high} % less" in each for each in said)


def test_since_may_have_its_time(tmp_path) -> None:
    lines = report(tmp_path, rows("1.0", "6.0"), '[meter]\nsince = "2026-04-04 07:00"\n').lines()
    assert any("since 2026-04-04 07:00" in each for each in lines)


@pytest.mark.parametrize("unit", ["gal_us", "gal_imp", "ft3", "CCF", "L", "m3"])
def test_every_unit_of_a_bill(tmp_path, unit) -> None:
    litres = {"gal_us": 3.785411784, "gal_imp": 4.54609, "ft3": 28.316846592,
              "CCF": 2831.6846592, "L": 1.0, "m3": 1000.0}[unit]  # exact definitions  # fmt: skip
    test = meter_test(report(tmp_path, rows("10.00", "11.00", "12.00", unit=unit)).site)
    assert test.flow.l_per_s == pytest.approx(litres / 600, rel=0.01)


def test_a_standing_register_gives_an_upper_limit(tmp_path) -> None:
    said = report(tmp_path, rows("7.1", "7.1", "7.1", minutes=15)).to_dict()
    assert said["verdict"] == "none_seen"
    assert said["per_day_l"] is None
    # (1 - sqrt .05) counts in 30 minutes.
    assert said["flow_upper_95_l_per_min"] == pytest.approx(0.7764 * 0.3785 / 30, rel=0.01)


def test_coarser_than_the_change_is_said_with_how_long_to_watch(tmp_path) -> None:
    made = report(tmp_path, rows("7", "8", minutes=5))
    assert made.test.verdict == "cannot_tell"
    assert made.to_dict()["flow_l_per_min"] is None
    assert "watch for" in "\n".join(made.lines())


def test_house_and_yard_are_told_apart(tmp_path) -> None:
    both = rows("10.0", "15.0") + rows("15.0", "15.0", name="b", state="house valve shut", start=30)
    odds = report(tmp_path, both).to_dict()["sides"]
    assert odds["beyond"] > 0.9
    yard = rows("10.0", "15.0") + rows("15.0", "20.0", name="b", state="house valve shut", start=30)
    assert report(tmp_path, yard).to_dict()["sides"]["before"] > 0.95


def test_no_run_with_everything_shut_is_no_verdict(tmp_path) -> None:
    made = report(tmp_path, rows("10.0", "15.0", state="tap running"))
    assert made.test.verdict == "cannot_tell"
    assert "all shut" in made.test.warnings[0].text


def test_a_run_after_the_repair_proves_it_or_not(tmp_path) -> None:
    before = rows("10.0", "15.0", "20.0")
    still = rows("20.0", "20.0", "20.0", name="After", start=50)
    more = rows("20.0", "25.0", "30.0", name="after", start=50)
    assert repaired(report(tmp_path, before + still).site) is True
    assert repaired(report(tmp_path, before + more).site) is False
    assert repaired(report(tmp_path, before).site) is None
    # The verdict is told of the time before.
    assert report(tmp_path, before + still).test.verdict == "leak"


def test_runs_of_one_state_that_contradict_each_other_tell_nothing(tmp_path) -> None:
    turns = rows("10.0", "15.0", "20.0")
    still = ("20.0", "20.0", "20.0")
    made = report(tmp_path, turns + rows(*still, name="c", start=50))
    said, printed = made.to_dict(), "\n".join(made.lines())
    assert said["verdict"] == "cannot_tell" and "runs with everything shut contradict" in printed
    assert {each["code"] for each in said["warnings"]} == {"meter_contradicts"}
    assert 'run "a" (lines 2 to 4) and stands still in run "c" (lines 5 to 7)' in printed
    assert repaired(made.site) is None
    # What flows is not less than the still run leaves.
    assert said["flow_upper_95_l_per_min"] > 1
    # After a repair the meter may stand still; so may whole gallons for two minutes.
    for other in (
        rows(*still, name="c", state="after", start=50),
        rows("20", "20", name="c", minutes=2, start=50),
    ):
        assert report(tmp_path, turns + other).test.verdict == "leak"
    # A drip that the shorter still run leaves open.
    drips = rows("10.0", "10.1", "10.2", minutes=15) + rows("10.2", "10.2", name="c", minutes=3)
    assert report(tmp_path, drips).test.verdict == "leak"
    house = {"state": "house valve shut"}
    both = rows("20.0", "25.0", name="c", start=50, **house) + rows("25", "25.0", name="d", **house)
    test = report(tmp_path, turns + both).test
    assert test.verdict == "leak" and test.sides is None
    assert "house_valve_contradicts" in {each.code for each in test.warnings}


def test_rollover_and_a_register_that_runs_back(tmp_path) -> None:
    text = rows("98.0", "99.5", "1.0", minutes=10)
    made = report(tmp_path, text, "[meter]\ndigits = 2\n")
    assert made.test.flow.l_per_s == pytest.approx(1.5 * 3.785411784 / 600, rel=0.05)
    folder = write_folder(tmp_path, {"meter.csv": HEAD + text})
    ran = run("meter", folder)
    assert ran.code == 2
    assert "falls from 99.5 to 1" in ran.err


@pytest.mark.parametrize(("litres", "counts"), [(10_010, True), (10_040, False)])
def test_what_no_meter_passes_is_a_question_and_no_leak(tmp_path, litres, counts) -> None:
    # 10 min and a second at 1,000 L/min are 10,017 L, and one count is 10 L.
    shut = rows("12.00", f"{12 + litres / 1000:.2f}", unit="m3")
    house = rows("12.00", "12.00", unit="m3", name="b", state="house valve shut", start=30)
    made = report(tmp_path, shut + house, '[meter]\nhouse_valve = "201"\n')
    assert (made.test.verdict == "leak") is counts
    assert (made.test.sides is not None) is counts
    if not counts:
        (note,) = made.test.warnings
        assert "faster than a customer's meter turns (1,000 L/min)" in note.text
        assert note.origin.line == 3 and "CANNOT TELL" in "\n".join(made.lines())


def test_two_readings_at_one_time_are_said(tmp_path) -> None:
    text = rows("10.0", "15.0") + rows("15.1", "20.0", start=10)
    made = report(tmp_path, text)
    assert any("stand at the time of another" in each.text for each in made.test.warnings)


def test_a_site_without_a_meter_sheet(tmp_path) -> None:
    ran = run("meter", write_folder(tmp_path))
    assert ran.code == 1
    assert "meter.csv" in ran.err


@pytest.mark.parametrize(
    ("times", "short"),
    [
        (("07:00",), "a single reading tells no flow"),
        (("07:00", "07:03"), "watched for 180 s only: with times to the minute a flow needs more "
         "than 180 s"),
        (("07:00:01", "07:00:04"), "watched for 3 s only: with times to the second a flow needs "
         "more than 3 s"),
    ],
)  # fmt: skip
def test_a_watch_that_is_too_short_says_what_is_short(tmp_path, times, short) -> None:
    text = "".join(f"2026-05-04 {each},10.0,gal_us,a,all shut\n" for each in times)
    folder = write_folder(tmp_path, {"meter.csv": HEAD + text})
    assert f'run "a" of meter.csv: {short}' in run("meter", folder).err


def test_the_meter_moves_the_odds_to_one_side_by_what_it_says(tmp_path) -> None:
    from geoleak.posterior import infer
    from geoleak.survey import survey_site
    from tests.test_plan import LONG, lane

    def before_the_middle(more: str, meter: str) -> float:
        folder, _ = lane(tmp_path, toml=LONG + more)
        (folder / "readings.csv").unlink(missing_ok=True)
        (folder / "meter.csv").write_text(HEAD + meter)
        survey = survey_site(geoleak.read_site(folder))
        cells = infer(survey)
        half = survey.legs[0].route.length_m / 2
        mass = cells.mass / cells.mass.sum()
        return float(mass[cells.cells.chainage_m < half].sum())

    shut = rows("10.0", "15.0")
    house = rows("15.0", "15.0", name="b", state="house valve shut", start=30)
    even = before_the_middle("", shut + house)
    assert even == pytest.approx(0.5, abs=0.1)
    told = before_the_middle('[meter]\nhouse_valve = "202"\n', shut + house)
    odds = meter_test(report(tmp_path, shut + house).site).sides
    # By its stated likelihood: the prior on each side times the odds of the two runs.
    first, second = odds["before"] + odds["both"] / 2, odds["beyond"] + odds["both"] / 2
    assert told == pytest.approx(even * first / (even * first + (1 - even) * second), abs=0.01)
    # A slipped point moves nothing.
    slipped = rows("10.0", "15000.0")
    valve = '[meter]\nhouse_valve = "202"\n'
    assert before_the_middle(valve, slipped + house) == pytest.approx(even, abs=1e-9)
    yard = rows("15.0", "20.0", name="b", state="house valve shut", start=30)
    assert before_the_middle('[meter]\nhouse_valve = "202"\n', shut + yard) > 0.9


@pytest.mark.parametrize(
    ("times", "asks"), [(("23:50", "00:20"), True), (("00:20", "23:50"), False)]
)
def test_a_date_that_was_not_moved_past_midnight_is_asked_about(tmp_path, times, asks) -> None:
    """The counts rise as they were written, and fall by their times."""
    counts = ("100.0", "154.0") if asks else ("154.0", "100.0")
    text = "".join(
        f"2026-05-04 {time},{count},L,a,all shut\n"
        for time, count in zip(times, counts, strict=True)
    )
    said = run("meter", write_folder(tmp_path, {"meter.csv": HEAD + text})).err
    assert "the register falls from 154 to 100" in said
    assert ("was the date moved on past midnight?" in said) is asks


@pytest.mark.parametrize(("last", "doubted"), [("15.0", True), ("17.0", True), ("20.0", False)])
def test_a_house_valve_that_nobody_named_is_asked_for(tmp_path, last, doubted) -> None:
    """All, or most, of the flow gone with the valve shut is past it; the same flow is before it."""
    from types import SimpleNamespace

    from geoleak.advice.doubts import house_valve_unnamed

    text = rows("10.0", "15.0") + rows("15.0", last, name="b", state="house valve shut", start=30)
    test = report(tmp_path, text).test
    said = [each for each in test.warnings if each.code == "house_valve_unnamed"]
    assert [each.origin.line for each in said] == [4]
    assert 'house_valve = "<point id>" in [meter]' in said[0].text
    for valve, found in ((None, doubted), (object(), False)):
        case = SimpleNamespace(survey=SimpleNamespace(meter=test, house_valve=valve))
        assert [each.stops for each in house_valve_unnamed(case)] == [True] * found


@pytest.mark.parametrize(("minutes", "told"), [(719.9, False), (720.0, True)])
def test_a_day_s_series_without_a_state_is_a_logger_s(tmp_path, minutes, told) -> None:
    text = rows("100", "160", "220", minutes=minutes, state="")
    assert (report(tmp_path, text).test.flow is not None) is told
