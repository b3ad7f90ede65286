"""What a site says against its own answer, and what to do about it before anybody digs.

A chance, however high, rests on all that was written down being so. Where rows contradict each
other, or the line that the stake stands on is none, no chance makes up for it: it is done again.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from geoleak.evidence import SAME_SOUND_M, StopTests, is_another, speaks_against, tests_of
from geoleak.posterior import SILENT, Posterior
from geoleak.site import Note
from geoleak.survey import Survey, SurveyedStop
from geoleak.tables import setting
from geoleak.units import format_length, unit_m

# How near a reading must be for a place to count as listened to, beside twice the depth.
LISTENED_M = 3.0
# A setting-out error is held against the hole at 95 %: so many sigmas of a normal either way.
SIGMAS_95 = 1.96
# Sigmas of the difference of two readings from which one aside is louder than the line: 95 % of a
# normal, one-sided.
LOUDER_SIGMAS = 1.645
# A stop test is asked for so often at one place (common practice, no source).
STOPS = 2
# Past the loudest place somebody must have listened within this, where pipe goes on so far: common
# practice, no source.
PAST_M = 2.0
# So many pushes of a rod are asked for at one place; after fewer the check itself asks for more.
PUSHES = 5
# A rival more likely than not is what there is to look for.
BELIEVED = 0.5
# Warnings of a route's fit that say that the marks are in no order to dig by.
NO_LINE = ("no_line", "mark_order")
SHOOT = (
    "shoot the marks again with a rover good to a hand, or say how good this one was (precision)"
)
TRACE = "trace the pipe here and shoot its marks: the line was drawn, not traced"
Place = tuple[int, float, float]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason not to dig, whatever the chance is.

    ``job`` says what to do first; nothing: what the next readings tell. ``places`` as in `Check`.
    """

    text: str
    job: str = ""
    minutes: str = "check_redo_minutes"
    places: tuple[Place, ...] = ()
    note: Note | None = None
    kind: str = "redo"


@dataclass(frozen=True, slots=True)
class Dig:
    """What is to be opened: pieces of pipe, the stake, the errors of setting it out."""

    pieces: tuple[tuple[int, float, float], ...]
    leg: int
    stake_m: float
    sigma_m: tuple[float, float]
    """Along and across the pipe."""
    reach_m: tuple[float, float]
    """Half the hole's length and half its width."""
    aside_chance: float
    """Chance that the hole is dry for a line beside the traced one."""


def doubts_of(survey: Survey, posterior: Posterior, dig: Dig) -> tuple[Doubt, ...]:
    """Return the reasons not to dig, the one to see to first ahead."""
    silent = posterior.no_leak_odds is not None and posterior.no_leak_odds > SILENT
    traced = survey.legs[dig.leg].leg
    shot = not traced.drawn and traced.marks_by not in ("records", "assumed")
    return (
        # Readings at marks that may stand anywhere tell nothing; a drawn line is traced once it
        # was heard where.
        *(_setting_out(survey, dig, SHOOT) if shot else ()),
        *_unheard(survey, posterior, dig, silent=silent),
        *_stop_tests(survey, dig),
        *_meter(survey),
        *_bare_and_dry(posterior),
        *_misfits(posterior, redo=True),
        *(() if shot else _setting_out(survey, dig, TRACE)),
        *_no_line(survey, dig),
        *(() if silent else _past_the_loudest(survey, dig)),
        *_beside(survey, posterior, dig, silent=silent),
        *_one_side(survey, dig),
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


def _by_the_stake(survey: Survey, dig: Dig) -> tuple[Mask, Mask]:
    """Return which surface readings stand within hearing of the stake, and which of them aside."""
    rows = survey.surface
    near = (rows.leg == dig.leg) & (np.abs(rows.chainage_m - dig.stake_m) < SAME_SOUND_M)
    return near, near & (np.abs(rows.offset_m) >= setting("rival_aside_nearest").value)


def _surely_louder_db(survey: Survey) -> float:
    return LOUDER_SIGMAS * float(np.sqrt(2.0)) * survey.site.levels.level_sigma_db


def louder_aside(survey: Survey, dig: Dig) -> Place | None:
    """Return the reading beside the hole that is louder than the line there, if any is.

    Read on the same surface in the same session, and louder than the loudest on the line by more
    than the error of two readings.
    """
    rows, sure = survey.surface, _surely_louder_db(survey)
    near, aside = _by_the_stake(survey, dig)
    surface = np.array(rows.surface, dtype=object)
    for k in np.flatnonzero(aside)[np.argsort(-rows.level_db[aside], kind="stable")]:
        like: Mask = near & ~aside & (rows.session == rows.session[k])
        like &= surface == surface[k]
        if like.any() and rows.level_db[k] > rows.level_db[like].max() + sure:
            return int(rows.leg[k]), float(rows.chainage_m[k]), float(rows.offset_m[k])
    return None


def _past_the_loudest(survey: Survey, dig: Dig) -> Iterator[Doubt]:
    """Return that nobody knows whether it is louder still past the loudest place heard.

    Of the readings on the line, and of the pushes of a rod by the stake.
    """
    length = survey.legs[dig.leg].route.length_m
    any_kind = np.concatenate([e.chainage_m[e.leg == dig.leg] for e in survey.levels])
    for rows in (survey.surface, survey.rod):
        rod = rows is survey.rod
        here = rows.leg == dig.leg
        listened_to = rows.chainage_m[here] if rod else any_kind
        here &= np.abs(rows.offset_m) < setting("rival_aside_nearest").value
        places = np.unique(rows.chainage_m[here])
        if len(places) < (PUSHES if rod else 2):
            continue
        level = np.array([rows.level_db[here & (rows.chainage_m == at)].max() for at in places])
        top = int(np.argmax(level))
        if top not in (0, len(places) - 1) or abs(places[top] - dig.stake_m) >= SAME_SOUND_M:
            continue
        at, inner = float(places[top]), 1 if top == 0 else len(places) - 2
        if level[top] <= level[inner] + (_surely_louder_db(survey) if rod else 0.0):
            continue
        way = 1.0 if top else -1.0
        ahead = way * (listened_to - at)
        room = (length - at) if top else at
        if room < PAST_M or np.any((ahead > 0.0) & (ahead <= PAST_M)):
            continue
        said, do = ("by the rod", "push the rod") if rod else ("heard on the ground", "read")
        on = "up" if top else "down"
        yield Doubt(
            f"the loudest place {said} is the last one {on}-chainage: it may be louder past it",
            f"{do} further {on}-chainage, past the loudest place, until it falls",
            "check_rod_minutes" if rod else "check_across_minutes",
            tuple((dig.leg, at + way * PAST_M * share, 0.0) for share in (0.5, 1.0)),
            kind="rod" if rod else "redo",
        )


def _one_side(survey: Survey, dig: Dig) -> Iterator[Doubt]:
    """Return that only one side of the line was heard: a line on the other is not ruled out."""
    _, aside = _by_the_stake(survey, dig)
    off = survey.surface.offset_m[aside]
    if len(off) == 0 or off.min() < 0.0 < off.max():
        return
    far = float(-off[np.argmax(np.abs(off))])
    heard, other = ("left", "right") if far > 0 else ("right", "left")
    yield Doubt(
        f"only the {heard} of the line has been heard: what sounds on the {other} is not known",
        f"read the {other} too, as far out as the {heard}",
        "check_across_minutes",
        ((dig.leg, dig.stake_m, far),),
        kind="across",
    )


def _beside(survey: Survey, posterior: Posterior, dig: Dig, *, silent: bool) -> Iterator[Doubt]:
    """Return that it is louder beside the line, or that a line beside it is believed."""
    place = None if silent else louder_aside(survey, dig)
    rival = next((e for e in posterior.rivals if e.name == "aside"), None)
    if place is not None:
        said = "louder {} than on the line"
    elif rival is not None and rival.checked and dig.aside_chance >= BELIEVED:
        place, said = rival.place, "likelier on another line, {}"
    else:
        return
    side = "right" if place[2] > 0 else "left"
    unit = survey.site.length_unit
    aside = f"{abs(place[2]) / unit_m(unit):.1f} {'m' if unit == 'm' else 'ft'} to the {side}"
    yield Doubt(
        said.format(aside),
        f"trace the line that lies about {aside} and read along it and across it: it is a leg of "
        "its own (a reading that was put down wrong is struck out)",
        "check_trace_on_minutes",
        (place,),
    )
