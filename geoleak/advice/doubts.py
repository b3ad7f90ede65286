"""What a site says against its own answer, and what to do about it before anybody digs.

A chance, however high, rests on all that was written down being so. Where rows contradict each
other, or the line that the stake stands on is none, no chance makes up for it: it is done again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from functools import partial
from pathlib import Path

import numpy as np

from geoleak.advice import heard
from geoleak.advice.records import BELIEVED, Case, Doubt
from geoleak.evidence import (
    AGAIN,
    LOUD,
    SAME_SOUND_M,
    SIGMAS_95,
    StopTests,
    is_another,
    read_off,
    speaks_against,
    surely_louder_db,
    tests_of,
)
from geoleak.hydraulics import CONTRADICTS, NAME_VALVE, equivalent_hole_m, hole_mm, repaired
from geoleak.posterior import LISTENED_M
from geoleak.record import replace
from geoleak.site import Note
from geoleak.survey import (
    NO_DECIBELS,
    SWAPPED,
    SurveyedStop,
    chainage_of,
    found_places,
    is_later,
    on_a_leg,
)

# With less than this a meter shows drips of a tap or a cistern; leaks that are heard on the ground
# pass more (common practice, no source).
DRIP_L_PER_MIN = 0.1
# A stop test is asked for so often at one place (common practice, no source).
STOPS = 2
# Warnings of a route's fit that say that the marks are in no order to dig by.
NO_LINE = ("no_line", "mark_order")
# Notes that say that nobody stated how good the rover was.
UNSTATED = ("precision_assumed", "precision_by_scatter")
SHOOT = (
    "shoot the marks again with a rover good to a hand, or say how good this one was (precision)"
)
LOCATE = (
    "locate the pipe again here, connected to it itself, with marks closer together, and shoot "
    "those: the rover is good enough, the line through its points is not"
)
MARK = "shoot the points at both ends of that gap again, and mark the pipe between"
THEN_LOUD = (
    "as loud again: a second leak is there, or a sound of its own; push a rod at it too. As the "
    "others let expect: the row was wrong, strike it out (skip)"
)
STOP = (
    "make a stop test on the ground there; where it is quiet now, what was heard has stopped: "
    "strike out (skip) the rows read while it sounded, and read the line anew"
)
PUSH = "push the rod again, down to the pipe itself: the stop test heard the sound go on"
TRACE = "trace the pipe here and shoot its marks: the line was drawn, not traced"


def ends_swapped(case: Case) -> Iterator[Doubt]:
    """Return that start and end of the stake's leg look swapped: no place is where it says."""
    for note in case.notes("ends_swapped"):
        yield Doubt(
            note.what, f"check start and end of {case.leg.name} in site.toml, and swap them"
        )


def no_line(case: Case) -> Iterator[Doubt]:
    """Return that the marks of the stake's leg make no line in the order they stand in."""
    name = case.leg.name
    if case.notes(*NO_LINE[: 1 if case.leg.leg.order == "file" else None]):
        yield Doubt(
            f"the marks of {name} make no line in their order",
            f"check the order and the codes of the marks of {name} on the ground; then give each "
            'line its own leg, or say order = "found" (order = "file": as they stand is right)',
        )


def timed_over_a_gap(case: Case) -> Iterator[Doubt]:
    """Return that delays alone tell the place, over pipe that nobody marked or a slipped point."""
    survey, dig = case.survey, case.dig
    told_by = ((survey.surface, case.raised(SIGMAS_95)), (survey.rod, True))
    for rows, told in told_by:
        if np.any(told & rows.near(dig.leg, dig.stake_m, LISTENED_M)):
            return
    for gap in case.notes("gap")[:1] if survey.delays else ():
        yield Doubt(
            "delays alone tell the place, over pipe without a mark between "
            f"{' and '.join(gap.rows)}",
            f"{MARK}; or listen at the place itself",
        )


def hole_at_a_gap(case: Case) -> Iterator[Doubt]:
    """Return that a hole that is believed touches pipe without marks, as a slipped point leaves."""
    fit, length = case.leg.fit, case.leg.route.length_m
    for one, two in (gap.rows for gap in case.notes("gap") if case.dig.chance >= BELIEVED):
        marks = dict(zip(fit.marks.ids, fit.mark_chainage_m, strict=True))
        low, high = marks.get(one, 0.0), marks.get(two, length)
        if any(leg == case.dig.leg and a < high and b > low for leg, a, b in case.dig.pieces):
            yield Doubt(f"the hole touches pipe without a mark between {one} and {two}", MARK)
            return


def sets_out(case: Case, *, shot: bool) -> Iterator[Doubt]:
    """Return that the stake may stand farther from the pipe than the hole reaches.

    ``shot``: the line is that of traced marks; not so: it was drawn.
    """
    leg, dig = case.leg.leg, case.dig
    if (not leg.drawn and leg.marks_by not in ("records", "assumed")) is not shot:
        return
    for sigma, reach, way in zip(dig.sigma_m, dig.reach_m, ("along", "across"), strict=True):
        off = SIGMAS_95 * sigma
        if off > reach:
            yield Doubt(
                f"the stake sets out within {case.length(off)} {way} the pipe (95 %), the hole "
                f"reaches {case.length(reach)}",
                (LOCATE if _rover_m(case) <= reach else SHOOT) if shot else TRACE,
            )
            return


def _rover_m(case: Case) -> float:
    """Return within what the rover sets a point out (95 %); infinity where nobody stated it."""
    survey = case.survey
    if any(note.code in UNSTATED for note in (*survey.site.notes, *survey.warnings)):
        return np.inf
    sigma = [each.sigma_m for each in survey.points if not each.taped]
    bias = survey.site.point_file.rover_bias_m
    return SIGMAS_95 * float(np.hypot(np.median(sigma), bias)) if sigma else np.inf


def unheard(case: Case) -> Iterator[Doubt]:
    """Return that no reading tells of the stretch that the hole opens."""
    survey = case.survey
    if survey.delays or any(h.hole.outcome is not None for h in survey.holes):
        return
    for leg, start, end in case.dig.pieces:
        depth = float(np.mean(survey.legs[leg].fit.depth_m(np.array([start, end]))))
        reach = max(LISTENED_M, 2.0 * depth)
        for rows in survey.levels:
            near = (rows.chainage_m > start - reach) & (rows.chainage_m < end + reach)
            if np.any((rows.leg == leg) & near):
                return
    yield Doubt("nobody has listened at this place yet")


def nothing_heard(case: Case) -> Iterator[Doubt]:
    """Return that the readings are likelier without a leak."""
    if case.silent:
        yield Doubt(
            f"nothing stands out over the background: odds {case.posterior.no_leak_odds:.2g} to 1 "
            "for no leak where you listened"
        )


def misread(case: Case, *, code: str) -> Iterator[Doubt]:
    """Return that the sheet of levels means something else than it says, by the code of a note."""
    for note in case.survey.warnings:
        if note.code == code:
            yield Doubt(note.what, f"look at the sheet first: {note.remedy}")


def far_too_loud(case: Case) -> Iterator[Doubt]:
    """Return a reading far louder than the rest lets a leak make it."""
    survey = case.survey
    for note in (each for each in case.posterior.warnings if each.code == LOUD):
        job = AGAIN.format(f"reading {note.rows[0]}")
        for rows in (survey.surface, survey.contact, survey.rod):
            kind = "rod" if rows is survey.rod else "redo"
            for k in (k for k, each in enumerate(rows.id) if each in note.rows):
                place = (int(rows.leg[k]), float(rows.chainage_m[k]), 0.0)
                yield Doubt(note.what, job, "reading_minutes", (place,), kind=kind, then=THEN_LOUD)


def meter_still(case: Case) -> Iterator[Doubt]:
    """Return that the meter stood still long enough while something is heard."""
    if case.survey.meter is not None and case.survey.meter.verdict == "none_seen":
        yield Doubt(
            "the meter does not turn with every tap shut: what leaks? A leak heard so would turn "
            "it",
            "watch the meter once more with everything shut and the supply open; where it stands "
            "still, what sounds is no leak beyond it: stop it, or trace the pipe before the "
            "meter. Rows that are not of this pipe's meter are struck out (skip)",
        )


def meter_contradicts(case: Case) -> Iterator[Doubt]:
    """Return that the meter turned in one run with everything shut and stood still in another."""
    meter = case.survey.meter
    for note in meter.warnings if meter else ():
        if note.code == CONTRADICTS:
            yield Doubt(note.what, note.remedy)


def house_valve_unnamed(case: Case) -> Iterator[Doubt]:
    """Return that a valve that nobody named changes the meter: what leaks may lie past the stake.

    It is told by the likeliest side: the same flow with the valve shut leaves no doubt.
    """
    sides = case.survey.meter.sides if case.survey.meter else None
    if sides and case.survey.house_valve is None and max(sides, key=sides.__getitem__) != "before":
        yield Doubt(
            "the meter turns less with the house valve shut: what leaks is past that valve, and "
            "no point is said to be it",
            NAME_VALVE,
        )


def meter_hardly_turns(case: Case) -> Iterator[Doubt]:
    """Return that the meter passes next to nothing while a leak is heard.

    One that raises the ground would turn it: nobody digs before it was watched longer, or a stop
    test tells that the sound dies with the supply.
    """
    survey = case.survey
    flow = survey.meter.flow if survey.meter and survey.meter.verdict == "leak" else None
    if flow is None or case.silent or 60.0 * flow.l_per_s >= DRIP_L_PER_MIN:
        return
    pressures = [each.leg.pressure_kpa for each in survey.legs if each.leg.pressure_kpa]
    hole = (
        f", as a hole of {hole_mm(equivalent_hole_m(flow.l_per_s, max(pressures)))} passes"
        if pressures
        else ""
    )
    yield Doubt(
        f"the meter hardly turns: {60.0 * flow.l_per_s:.2g} L/min{hole}, little for what is heard",
        "watch the meter longer with everything shut, and listen for something else that sounds "
        "there; where it still hardly turns make a stop test at the loudest place: what goes on "
        "with the supply shut is not this leak",
        stops=bool(case.raised().any())
        and not case.stops.stopped(case.dig.leg, case.dig.stake_m, "supply_shut"),
    )


def bare_and_dry(case: Case) -> Iterator[Doubt]:
    """Return that the leak is likeliest where a hole laid the pipe bare and it was dry."""
    inside = float(case.posterior.mass.sum() - case.posterior.offered.sum())
    if inside >= BELIEVED:
        yield Doubt(
            f"{inside:.0%} that it is where a hole laid the pipe bare and dry",
            "look at the bare pipe again, all round and to the ends of the hole, and listen on it "
            "both ways; a row of holes.csv that is wrong is corrected",
        )


def found_already(case: Case) -> Iterator[Doubt]:
    """Return that a leak found here explains what was heard, and the meter turns after it.

    What was read later than the repair, by its date, tells of another; nothing undated does.
    """
    survey, dig = case.survey, case.dig
    site = survey.site
    if repaired(site) is not False:
        return
    read = [each for each in site.readings if not each.skip]
    for row, at in found_places(survey, site.found):
        chainage = chainage_of(survey, at)
        holds = any(leg == at.leg and a <= chainage <= b for leg, a, b in dig.pieces)
        near = at.leg == dig.leg and abs(chainage - dig.stake_m) < SAME_SOUND_M
        after = sum(is_later(each.date, row.date or "") for each in read)
        if not (on_a_leg(at) and (holds or near)) or 0 < after == len(read):
            continue
        yield Doubt(
            f"{'the hole holds' if holds else 'within hearing is'} the leak already found, "
            f"{case.station(at.leg, chainage)}: it explains what was heard up to its repair, and "
            f"{after} of {len(read)} readings are dated after it",
            "read the line anew: strike out (skip) the readings up to the repair, and give the "
            "new ones a date later than that of found.csv (2026-05-04 or 2026-05-04 15:00)",
        )


def misfits(case: Case, *, redo: bool) -> Iterator[Doubt]:
    """Return the kinds of evidence that do not agree, with what to do again or without."""
    for fit in case.posterior.fits:
        if not fit.agrees and bool(fit.redo) is redo:
            yield Doubt(fit.text, fit.redo)


def told_another(stops: StopTests) -> bool:
    """Tell whether the stop tests that still count say that the sound is not the leak.

    One that only went on with the supply shut is made once more first: the valve may pass.
    """
    asked, tests = 1 if stops.silenced() else STOPS, stops.made
    done = (t for t in tests if len(tests_of(tests, t.leg, t.chainage_m)) >= asked)
    return is_another(stops.survey, tuple(done))


def another_maker(case: Case) -> Iterator[Doubt]:
    """Return that the tests that still count say that what is heard is not the leak."""
    if not told_another(case.stops):
        return
    tests = case.stops.made
    failed, rows = _failed(case, tests)
    test = (*failed, *tests)[0]
    text = (
        f"the stop test says that what is heard {case.station(test.leg, test.chainage_m)} is not "
        f"the leak: {rows or ', '.join(map(_row, tests))}"
    )
    levels, off = read_off(case.survey, test)
    least = test.as_found_db - surely_louder_db(case.survey)
    loud = next((levels.named(k) for k in off.tolist() if levels.level_db[k] >= least), "")
    if loud and case.stops.stopped(test.leg, test.chainage_m, "all_off"):
        yield _doubt(
            test,
            f"{text}; but read with everything off it is as loud ({loud})",
            "make the stop test again there, twice; strike out (skip) the row that was wrong, of "
            "checks.csv or of readings.csv",
            "stop",
        )
        return
    yield _doubt(
        test,
        text,
        "stop what makes the sound, or wait until it stops; strike out (skip) the rows read "
        "meanwhile, read the line anew",
        "redo",
    )


def failed_test(case: Case) -> Iterator[Doubt]:
    """Return a test that still counts and speaks against the leak at the hole."""
    tests = case.tests
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


def unclear_test(case: Case) -> Iterator[Doubt]:
    """Return a test at the hole in which the sound changed by more than errors and did not stop.

    It is asked for once more, and then only said.
    """
    error = SIGMAS_95 * float(np.sqrt(2.0)) * case.survey.site.levels.level_sigma_db
    for each in (test for test in case.tests if not speaks_against(case.survey, test)):
        parts = {
            "taps and machines off": each.all_off_db,
            "a fitting worked": each.fitting_worked_db,
        }
        for way, level in parts.items():
            fall = each.as_found_db - level
            if np.isnan(fall) or abs(fall) <= error:
                continue
            doubt = _doubt(
                each,
                f"stop test {_row(each)}, {each.as_found_db:.0f} to {level:.0f} dB with {way}: "
                + ("part of the sound has stopped" if fall > 0.0 else "something louder began"),
                "make it again, each level twice, and find what changes",
                "stop",
                "stop_test_unclear",
            )
            yield replace(doubt, stops=len(case.tests) < STOPS)


def silent_rod(case: Case) -> Iterator[Doubt]:
    """Return that with everything off a rod hears nothing where the ground was loud.

    A stop test there tells which: the sound has stopped, or the rod was not at the pipe.
    """
    for each in case.faint_rods:
        text = (
            f"{_row(each)}, with everything off it is fainter than the ground was "
            f"({each.all_off_db:.0f} against {each.as_found_db:.0f} dB): what was heard has "
            "stopped, or is not at this pipe"
        )
        made = tests_of(case.stops.made, each.leg, each.chainage_m)
        if not made:
            yield _doubt(each, text, STOP, "stop")
        elif not _failed(case, made)[0]:
            yield _doubt(each, text, PUSH, "rod")


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
    if not other or case.tests:
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


# Every reason not to dig, the one to see to first ahead. Readings at marks that may stand anywhere
# tell nothing; a drawn line is traced once it was heard where.
DOUBTS: tuple[tuple[str, Callable[[Case], Iterator[Doubt]]], ...] = (
    ("ends_swapped", ends_swapped),
    ("coarse_points", partial(sets_out, shot=True)),
    ("columns_swapped", partial(misread, code=SWAPPED)),
    ("no_decibels", partial(misread, code=NO_DECIBELS)),
    ("loud_in_silence", heard.loud_in_silence),
    ("silent_rod", silent_rod),
    ("rod_outside", heard.rod_outside),
    ("rod_elsewhere", heard.rod_elsewhere),
    ("found_already", found_already),
    ("unheard", unheard),
    ("nothing_heard", nothing_heard),
    ("other_level", other_level),
    ("another_maker", another_maker),
    ("failed_test", failed_test),
    ("unclear_test", unclear_test),
    ("meter_still", meter_still),
    ("meter_contradicts", meter_contradicts),
    ("house_valve_unnamed", house_valve_unnamed),
    ("meter_hardly_turns", meter_hardly_turns),
    ("bare_and_dry", bare_and_dry),
    ("misfit", partial(misfits, redo=True)),
    ("readings_apart", heard.apart),
    ("far_too_loud", far_too_loud),
    ("coarse_points", partial(sets_out, shot=False)),
    ("no_line", no_line),
    ("timed_over_a_gap", timed_over_a_gap),
    ("past_believed", heard.past_believed),
    ("past_the_loudest", heard.past_the_loudest),
    ("loud_alone", heard.loud_alone),
    ("hole_at_a_gap", hole_at_a_gap),
    ("beside", heard.beside),
    ("one_side", heard.one_side),
    ("lopsided", heard.lopsided),
    ("rods_alike", heard.rods_alike),
    ("misfit", partial(misfits, redo=False)),
)


def doubts_of(case: Case) -> tuple[Doubt, ...]:
    """Return the reasons not to dig, the one to see to first ahead; some are only said."""
    return tuple(replace(each, code=code) for code, found in DOUBTS for each in found(case))
