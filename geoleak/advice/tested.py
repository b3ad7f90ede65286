"""What stop tests say against the leak at the hole."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from geoleak.advice.records import Case, Doubt
from geoleak.evidence import StopTests, is_another, speaks_against, tests_of
from geoleak.site import Note
from geoleak.survey import SurveyedStop

# A stop test is asked for so often at one place (common practice, no source).
STOPS = 2


def told_another(stops: StopTests) -> bool:
    """Tell whether the stop tests that still count say that the sound is not the leak.

    One that only went on with the supply shut is made once more first: the valve may pass.
    """
    asked, tests = 1 if stops.silenced() else STOPS, stops.tests
    done = (t for t in tests if len(tests_of(tests, t.leg, t.chainage_m)) >= asked)
    return is_another(stops.survey, tuple(done))


def another_maker(case: Case) -> Iterator[Doubt]:
    """Return that the tests that still count say that what is heard is not the leak."""
    if not told_another(case.stops):
        return
    tests = case.stops.tests
    failed, rows = _failed(case, tests)
    yield _doubt(
        (*failed, *tests)[0],
        "the stop test says that what is heard here is not the leak: "
        f"{rows or ', '.join(map(_row, tests))}",
        "stop what makes the sound, or wait until it stops; strike out (skip) the rows read "
        "meanwhile, read the line anew",
        "redo",
    )


def failed_test(case: Case) -> Iterator[Doubt]:
    """Return a test that still counts and speaks against the leak at the hole."""
    tests = tests_of(case.stops.tests, case.dig.leg, case.dig.stake_m)
    failed, rows = _failed(case, tests)
    if not failed or told_another(case.stops):
        return
    text = f"the stop test speaks against the leak: {rows}"
    if passed := ", ".join(_row(each) for each in tests if each not in failed):
        text = f"the stop tests contradict each other: {rows}; but {passed} passes"
    yield _doubt(
        failed[0],
        text,
        "make the stop test again at the loudest place, with a tap past the valve run dry; strike "
        "out (skip) the row of checks.csv that was wrong",
        "stop",
    )


def _failed(case: Case, tests: tuple[SurveyedStop, ...]) -> tuple[list[SurveyedStop], str]:
    """Return the tests that speak against the leak, and what each of them says."""
    told = [(each, speaks_against(case.survey, each)) for each in tests]
    rows = "; ".join(f"{_row(each)}, {why}" for each, why in told if why)
    return [each for each, why in told if why], rows


def _doubt(
    test: SurveyedStop, text: str, job: str, kind: str, code: str = "stop_test_against"
) -> Doubt:
    at = ((test.leg, test.chainage_m, 0.0),)
    note = Note(code, text, test.test.origin)
    return Doubt(text, job, "check_stop_minutes", at, note, kind)


def other_level(case: Case) -> Iterator[Doubt]:
    """Return a test at the stake that did not begin at the level read there, and none that did."""
    here = case.dig.leg, case.dig.stake_m
    other = [(t, levels) for t, levels in case.stops.otherwise if tests_of((t,), *here)]
    if not other or tests_of(case.stops.tests, *here):
        return
    each, (low, high) = other[-1]
    read = f"{low:.0f}" if round(low) == round(high) else f"{low:.0f} to {high:.0f}"
    text = f"the stop test {_row(each)} found {each.as_found_db:.0f} where {read} was read"
    yield _doubt(
        each,
        text,
        "make the stop test again where it is loudest, with the survey's meter and gain; where "
        "the sound has gone by itself, wait for it and read the line anew",
        "stop",
        "stop_test_elsewhere",
    )


def _row(each: SurveyedStop) -> str:
    where = each.test.origin
    return f"{each.test.id} ({Path(where.file).name}:{where.line})" if where.line else each.test.id
