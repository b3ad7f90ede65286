"""What a site says against its own answer, and what to do about it before anybody digs.

A chance, however high, rests on all that was written down being so. Where rows contradict each
other, or the line that the stake stands on is none, no chance makes up for it: it is done again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import partial

import numpy as np

from geoleak.advice.elsewhere import loud_in_silence, rod_elsewhere
from geoleak.advice.heard import BELIEVED, beside, loud_alone, one_side, past_the_loudest
from geoleak.advice.marks import ends_swapped, no_line, sets_out, timed_over_a_gap
from geoleak.advice.records import Case, Doubt
from geoleak.advice.tested import another_maker, failed_test, other_level
from geoleak.evidence import AGAIN, LOUD
from geoleak.posterior import LISTENED_M
from geoleak.survey import SWAPPED


def doubts_of(case: Case) -> tuple[Doubt, ...]:
    """Return the reasons not to dig, the one to see to first ahead."""
    return tuple(replace(each, code=code) for code, found in DOUBTS.items() for each in found(case))


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


def columns_swapped(case: Case) -> Iterator[Doubt]:
    """Return that level and background stand in each other's column."""
    for note in case.survey.warnings:
        if note.code == SWAPPED:
            yield Doubt(note.what, f"look at the sheet first: {note.remedy}")


def far_too_loud(case: Case) -> Iterator[Doubt]:
    """Return a reading far louder than the rest lets a leak make it."""
    survey = case.survey
    for note in (each for each in case.posterior.warnings if each.code == LOUD):
        job = AGAIN.format(f"reading {note.rows[0]}")
        for rows in (survey.surface, survey.contact, survey.rod):
            rod = rows is survey.rod
            kind, minutes = ("rod", "check_rod_minutes") if rod else ("redo", "reading_minutes")
            for k in (k for k, each in enumerate(rows.id) if each in note.rows):
                place = (int(rows.leg[k]), float(rows.chainage_m[k]), 0.0)
                yield Doubt(note.what, job, minutes, (place,), kind=kind)


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


def bare_and_dry(case: Case) -> Iterator[Doubt]:
    """Return that the leak is likeliest where a hole laid the pipe bare and it was dry."""
    inside = float(case.posterior.mass.sum() - case.posterior.offered.sum())
    if inside >= BELIEVED:
        yield Doubt(
            f"{inside:.0%} that it is where a hole laid the pipe bare and dry",
            "look at the bare pipe again, all round and to the ends of the hole, and listen on it "
            "both ways; a row of holes.csv that is wrong is corrected",
        )


def misfits(case: Case, *, redo: bool) -> Iterator[Doubt]:
    """Return the kinds of evidence that do not agree, with what to do again or without."""
    for fit in case.posterior.fits:
        if not fit.agrees and bool(fit.redo) is redo:
            yield Doubt(fit.text, fit.redo)


# Every reason not to dig, the one to see to first ahead. Readings at marks that may stand anywhere
# tell nothing; a drawn line is traced once it was heard where.
DOUBTS: dict[str, Callable[[Case], Iterator[Doubt]]] = {
    "ends_swapped": ends_swapped,
    "coarse_marks": partial(sets_out, shot=True),
    "columns_swapped": columns_swapped,
    "loud_in_silence": loud_in_silence,
    "unheard": unheard,
    "nothing_heard": nothing_heard,
    "other_level": other_level,
    "another_maker": another_maker,
    "failed_test": failed_test,
    "meter_still": meter_still,
    "bare_and_dry": bare_and_dry,
    "misfit": partial(misfits, redo=True),
    "rod_elsewhere": rod_elsewhere,
    "far_too_loud": far_too_loud,
    "coarse_drawing": partial(sets_out, shot=False),
    "no_line": no_line,
    "timed_over_a_gap": timed_over_a_gap,
    "past_the_loudest": past_the_loudest,
    "loud_alone": loud_alone,
    "beside": beside,
    "one_side": one_side,
    "vague": partial(misfits, redo=False),
}
