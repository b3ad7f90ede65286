"""What a site says against its own answer, and what to do about it before anybody digs.

A chance, however high, rests on all that was written down being so. Where rows contradict each
other, or the line that the stake stands on is none, no chance makes up for it: it is done again.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from geoleak.advice.elsewhere import loud_in_silence, rod_elsewhere
from geoleak.advice.heard import BELIEVED, alone, beside, one_side, past_the_loudest
from geoleak.advice.records import Dig, Doubt
from geoleak.evidence import (
    AGAIN,
    LOUD,
    StopTests,
    heard_otherwise,
    is_another,
    speaks_against,
    tests_of,
)
from geoleak.posterior import SILENT, Posterior
from geoleak.site import Note
from geoleak.survey import SWAPPED, Survey, SurveyedStop
from geoleak.units import format_length

# How near a reading must be for a place to count as listened to, beside twice the depth.
LISTENED_M = 3.0
# A setting-out error is held against the hole at 95 %: so many sigmas of a normal either way.
SIGMAS_95 = 1.96
# A stop test is asked for so often at one place (common practice, no source).
STOPS = 2
# Warnings of a route's fit that say that the marks are in no order to dig by.
NO_LINE = ("no_line", "mark_order")
SHOOT = (
    "shoot the marks again with a rover good to a hand, or say how good this one was (precision)"
)
TRACE = "trace the pipe here and shoot its marks: the line was drawn, not traced"


def doubts_of(survey: Survey, posterior: Posterior, dig: Dig) -> tuple[Doubt, ...]:
    """Return the reasons not to dig, the one to see to first ahead."""
    silent = posterior.no_leak_odds is not None and posterior.no_leak_odds > SILENT
    traced = survey.legs[dig.leg].leg
    shot = not traced.drawn and traced.marks_by not in ("records", "assumed")
    return (
        # Readings at marks that may stand anywhere tell nothing; a drawn line is traced once it
        # was heard where.
        *_swapped(survey, dig),
        *(_setting_out(survey, dig, SHOOT) if shot else ()),
        *_columns_swapped(survey),
        *loud_in_silence(survey, dig, silent=silent),
        *_unheard(survey, posterior, dig, silent=silent),
        *_other_sound(survey, dig),
        *_stop_tests(survey, dig),
        *_meter(survey),
        *_bare_and_dry(posterior),
        *_misfits(posterior, redo=True),
        *rod_elsewhere(survey, dig),
        *_loud(survey, posterior),
        *(() if shot else _setting_out(survey, dig, TRACE)),
        *_no_line(survey, dig),
        *_timed_over_a_gap(survey, dig),
        *(() if silent else past_the_loudest(survey, dig)),
        *(() if silent else alone(survey, dig)),
        *beside(survey, posterior, dig, silent=silent),
        *one_side(survey, dig),
        *_misfits(posterior, redo=False),
    )


def _unheard(survey: Survey, posterior: Posterior, dig: Dig, *, silent: bool) -> Iterator[Doubt]:
    if not listened(survey, dig.pieces):
        yield Doubt("nobody has listened at this place yet")
    if silent:
        yield Doubt(
            f"nothing stands out over the background: odds {posterior.no_leak_odds:.2g} to 1 "
            "for no leak where you listened"
        )


def listened(survey: Survey, pieces: tuple[tuple[int, float, float], ...]) -> bool:
    """Tell whether any reading tells of the stretch that a hole opens."""
    for leg, start, end in pieces:
        depth = float(np.mean(survey.legs[leg].fit.depth_m(np.array([start, end]))))
        reach = max(LISTENED_M, 2.0 * depth)
        for rows in survey.levels:
            near = (rows.chainage_m > start - reach) & (rows.chainage_m < end + reach)
            if np.any((rows.leg == leg) & near):
                return True
    return bool(survey.delays) or any(h.hole.outcome is not None for h in survey.holes)


def _misfits(posterior: Posterior, *, redo: bool) -> Iterator[Doubt]:
    """Return the kinds of evidence that do not agree, with what to do again or without."""
    for fit in posterior.fits:
        if not fit.agrees and bool(fit.redo) is redo:
            yield Doubt(fit.text, fit.redo)


def _loud(survey: Survey, posterior: Posterior) -> Iterator[Doubt]:
    """Return a reading far louder than the rest lets a leak make it."""
    for note in posterior.warnings:
        if note.code != LOUD:
            continue
        name = note.text.partition(" at ")[0]
        for rows in (survey.surface, survey.contact, survey.rod):
            for k in (k for k, each in enumerate(rows.id) if f"reading {each}" == name):
                place = (int(rows.leg[k]), float(rows.chainage_m[k]), 0.0)
                kind = "rod" if rows is survey.rod else "redo"
                minutes = "check_rod_minutes" if kind == "rod" else "reading_minutes"
                text, job = note.text.partition(":")[0], AGAIN.format(name)
                yield Doubt(text, job, minutes, (place,), kind=kind)


def _columns_swapped(survey: Survey) -> Iterator[Doubt]:
    """Return that level and background stand in each other's column."""
    for note in survey.warnings:
        if note.code == SWAPPED:
            text, _, job = note.text.partition("; ")
            yield Doubt(text, f"look at the sheet first: {job}")


def told_another(survey: Survey) -> bool:
    """Tell whether the stop tests that still count say that the sound is not the leak.

    One that only went on with the supply shut is made once more first: the valve may pass.
    """
    stops = StopTests(survey)
    asked = STOPS if not stops.silenced() else 1
    tests = stops.tests
    done = (t for t in tests if len(tests_of(tests, t.leg, t.chainage_m)) >= asked)
    return is_another(survey, tuple(done))


def _stop_tests(survey: Survey, dig: Dig) -> Iterator[Doubt]:
    """Return a test that still counts and says that the sound at the hole is not the leak."""
    tests, another = StopTests(survey).tests, told_another(survey)
    here = tests if another else tests_of(tests, dig.leg, dig.stake_m)
    told = [(each, speaks_against(survey, each)) for each in here]
    failed = [each for each, said in told if said]
    if not failed and not another:
        return
    passed = ", ".join(_row(each) for each, said in told if not said)
    rows = "; ".join(f"{_row(each)}, {said}" for each, said in told if said)
    text = f"the stop test speaks against the leak: {rows or passed}"
    if failed and passed:
        text = f"the stop tests contradict each other: {rows}; but {passed} passes"
    job = (
        "make the stop test again at the loudest place, with a tap past the valve run dry; strike "
        "out (skip) the row of checks.csv that was wrong"
    )
    if another:
        text = f"the stop test says that what is heard here is not the leak: {rows or passed}"
        job = (
            "stop what makes the sound, or wait until it stops; strike out (skip) the rows read "
            "meanwhile, read the line anew"
        )
    first = (*failed, *here)[0]
    note = Note("stop_test_against", text, first.test.origin)
    at = ((first.leg, first.chainage_m, 0.0),)
    yield Doubt(text, job, "check_stop_minutes", at, note, "redo" if another else "stop")


def _other_sound(survey: Survey, dig: Dig) -> Iterator[Doubt]:
    """Return a test at the stake that did not begin at the level read there, and none that did."""
    stops = StopTests(survey)
    here = [t for t in tests_of(survey.stops, dig.leg, dig.stake_m) if not stops.overtaken(t)]
    told = [(each, heard_otherwise(survey, each)) for each in here]
    if not told or any(levels is None for _, levels in told):
        return
    each, levels = told[-1]
    low, high = levels or (0.0, 0.0)
    read = f"{low:.0f}" if round(low) == round(high) else f"{low:.0f} to {high:.0f}"
    text = f"the stop test {_row(each)} found {each.as_found_db:.0f} where {read} was read"
    yield Doubt(
        text,
        "make the stop test again where it is loudest, with the survey's meter and gain; where "
        "the sound has gone by itself, wait for it and read the line anew",
        "check_stop_minutes",
        ((each.leg, each.chainage_m, 0.0),),
        Note("stop_test_elsewhere", text, each.test.origin),
        "stop",
    )


def _row(each: SurveyedStop) -> str:
    where = each.test.origin
    return f"{each.test.id} ({Path(where.file).name}:{where.line})" if where.line else each.test.id


def _meter(survey: Survey) -> Iterator[Doubt]:
    if survey.meter is None or survey.meter.verdict != "none_seen":
        return
    yield Doubt(
        "the meter does not turn with every tap shut: what leaks? A leak heard so would turn it",
        "watch the meter once more with everything shut and the supply open; where it stands "
        "still, what sounds is no leak beyond it: stop it, or trace the pipe before the meter. "
        "Rows that are not of this pipe's meter are struck out (skip)",
    )


def _bare_and_dry(posterior: Posterior) -> Iterator[Doubt]:
    """Return that the leak is likeliest where a hole laid the pipe bare and it was dry."""
    inside = float(posterior.mass.sum() - posterior.offered.sum())
    if inside >= BELIEVED:
        yield Doubt(
            f"{inside:.0%} that it is where a hole laid the pipe bare and dry",
            "look at the bare pipe again, all round and to the ends of the hole, and listen on it "
            "both ways; a row of holes.csv that is wrong is corrected",
        )


def _swapped(survey: Survey, dig: Dig) -> Iterator[Doubt]:
    """Return that start and end of the stake's leg look swapped: no place is where it says."""
    leg = survey.legs[dig.leg]
    for note in leg.fit.warnings:
        if note.code == "ends_swapped":
            text = note.text.removeprefix(f"{leg.name}: ")
            job = f"check start and end of {leg.name} in site.toml, and swap them"
            yield Doubt(text, job)


def _no_line(survey: Survey, dig: Dig) -> Iterator[Doubt]:
    """Return that the marks of the stake's leg make no line in the order they stand in."""
    leg = survey.legs[dig.leg]
    codes = NO_LINE[:1] if leg.leg.order == "file" else NO_LINE
    for note in leg.fit.warnings:
        if note.code in codes:
            yield Doubt(
                f"the marks of {leg.name} make no line in their order",
                f"check the order and the codes of the marks of {leg.name} on the ground; then "
                'give each line its own leg, or say order = "found" (order = "file": as they '
                "stand is right)",
            )
            return


def _timed_over_a_gap(survey: Survey, dig: Dig) -> Iterator[Doubt]:
    """Return that delays alone tell the place, over pipe that nobody marked or a slipped point."""
    leg = survey.legs[dig.leg]
    for rows in (survey.surface, survey.rod):
        if np.any(np.abs(rows.chainage_m[rows.leg == dig.leg] - dig.stake_m) < LISTENED_M):
            return
    for note in leg.fit.warnings if survey.delays else ():
        if note.code == "gap":
            yield Doubt(
                f"delays alone tell the place, over {note.text.rpartition(':')[0]}",
                "shoot the points at both ends of that gap again, and mark the pipe between; or "
                "listen at the place itself",
            )
            return


def _setting_out(survey: Survey, dig: Dig, job: str) -> Iterator[Doubt]:
    """Return that the stake may stand farther from the pipe than the hole reaches."""
    unit = survey.site.length_unit
    for sigma, reach, way in zip(dig.sigma_m, dig.reach_m, ("along", "across"), strict=True):
        off = SIGMAS_95 * sigma
        if off > reach:
            yield Doubt(
                f"the stake sets out within {format_length(off, unit=unit)} {way} the pipe (95 %), "
                f"the hole reaches {format_length(reach, unit=unit)}",
                job,
            )
            return
