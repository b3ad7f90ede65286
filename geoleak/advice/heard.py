"""What the readings about the stake say against it: louder past it, beside it, or nowhere near.

A leak's sound falls off over its depth. What is as loud a metre aside as on the line, or loud at
one spot and at none beside it, may be a leak; it is heard again before anybody digs for it.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geoleak.advice.records import Case, Doubt, Place
from geoleak.evidence import LOUDER_SIGMAS, SAME_SOUND_M, surely_louder_db
from geoleak.posterior import RODS
from geoleak.survey import Survey
from geoleak.tables import setting
from geoleak.units import format_length

# Past the loudest place somebody must have listened within this, where pipe goes on so far; and as
# near are the neighbours that a leak raises (common practice, no source).
PAST_M = 2.0
# So many pushes of a rod are asked for at one place, `RODS` of them at first.
PUSHES = 5
# A reading so many sigmas under the background is none of that ground (common practice, no source).
UNDER_SIGMAS = 5.0
# A rival more likely than not is what there is to look for.
BELIEVED = 0.5


def louder_aside(case: Case) -> tuple[Place, bool] | None:
    """Return the spot beside the hole that is too loud for a leak on the line, if any is.

    Louder than the loudest on the line by more than the error of two readings: surely. Louder than
    it at all, and than a leak below it lets be by more than that error: to be read again; surely
    when it was.
    """
    spots, dig = case.spots, case.dig
    near, aside = spots.about(dig.stake_m), spots.aside
    for k in np.flatnonzero(near & aside)[np.argsort(-spots.level_db[near & aside], kind="stable")]:
        like = np.flatnonzero(near & ~aside & (spots.like == spots.like[k]))
        if len(like) == 0:
            continue
        top = int(like[np.argmax(spots.level_db[like])])
        over, quiet = float(spots.level_db[k] - spots.level_db[top]), spots.quiet_db(top)
        error = surely_louder_db(case.survey, *spots.readings[[k, top]])
        place = (dig.leg, float(spots.chainage_m[k]), float(spots.offset_m[k]))
        if over > error:
            return place, True
        if over <= 0.0 or quiet is None:
            continue
        off = np.abs(spots.offset_m[[k]])
        if spots.level_db[k] > spots.expected_db(top, off, quiet)[0] + error:
            return place, bool(spots.readings[k] >= 2.0)
    return None


def loud_alone(case: Case) -> Iterator[Doubt]:
    """Return that the loudest spot is loud alone: a leak would raise those beside it.

    Of what it would raise the line within `PAST_M` by, more is missing than the error of readings,
    and no spot there is raised by that much.
    """
    spots, dig, levels = case.spots, case.dig, case.survey.site.levels
    line = np.flatnonzero(spots.about(dig.stake_m) & ~spots.aside)
    if len(line) == 0 or case.silent:
        return
    top = int(line[np.argmax(spots.level_db[line])])
    away = np.hypot(*(spots.place - spots.place[top]).T)
    beside = (away > 0.0) & (away <= PAST_M) & (spots.like == spots.like[top]) & ~spots.aside
    quiet = spots.quiet_db(top)
    if quiet is None or not beside.any():
        return
    one = float(np.hypot(levels.level_sigma_db, levels.place_sigma_db))
    low = line[spots.level_db[line] < quiet - UNDER_SIGMAS * one]
    if beside[low].any():
        named = " and ".join(spots.named(k) for k in low.tolist())
        yield Doubt(
            f"by the loudest spot far under the background of {quiet:.0f} dB: reading {named}",
            f"take reading {named} again: no ground is so quiet, the figure is a slip",
            "reading_minutes",
            tuple((dig.leg, float(at), 0.0) for at in spots.chainage_m[low]),
        )
        return
    error = LOUDER_SIGMAS * one
    raised = spots.level_db[beside] - quiet
    due = spots.expected_db(top, away[beside], quiet) - quiet
    share = due / max(float(due.sum()), 1e-9)
    missing = float(share @ (due - raised))
    if raised.max() > error or missing <= error * float(np.sqrt(1.0 + share @ share)):
        return
    at, unit = float(spots.chainage_m[top]), case.survey.site.length_unit
    on_line, length = spots.chainage_m[beside], case.survey.legs[dig.leg].route.length_m
    down = on_line[on_line < at].max(initial=max(at - PAST_M, 0.0))
    up = on_line[on_line > at].min(initial=min(at + PAST_M, length))
    yield Doubt(
        f"reading {case.survey.surface.id[spots.row[top]]} is loud alone: a leak under it would "
        f"raise the line within {format_length(PAST_M, unit=unit)} by some {share @ due:.0f} dB, "
        "and none is raised",
        "read it again, and half-way to its neighbours; what stays loud at one spot alone is on "
        "the surface (a cover, a step): strike it out (skip)",
        "reading_minutes",
        (
            (dig.leg, at, 0.0),
            *((dig.leg, 0.5 * (at + each), 0.0) for each in (down, up) if each != at),
        ),
    )


def past_the_loudest(case: Case) -> Iterator[Doubt]:
    """Return that nobody knows whether it is louder still past the loudest place heard.

    Of the readings on the line, and of the pushes of a rod by the stake.
    """
    survey, dig, length = case.survey, case.dig, case.leg.route.length_m
    any_kind = np.concatenate([e.chainage_m[e.leg == dig.leg] for e in survey.levels])
    for rows in () if case.silent else (survey.surface, survey.rod):
        rod = rows is survey.rod
        here = rows.leg == dig.leg
        listened_to = rows.chainage_m[here] if rod else any_kind
        here &= np.abs(rows.offset_m) < setting("rival_aside_nearest").value
        places = np.unique(rows.chainage_m[here])
        if len(places) < (RODS if rod else 2):
            continue
        level = np.array([rows.level_db[here & (rows.chainage_m == at)].max() for at in places])
        top = int(np.argmax(level))
        if top not in (0, len(places) - 1) or abs(places[top] - dig.stake_m) >= SAME_SOUND_M:
            continue
        at, inner = float(places[top]), 1 if top == 0 else len(places) - 2
        # The first pushes end where it fell; after all of them the error of two counts.
        error = surely_louder_db(survey) if rod and len(places) >= PUSHES else 0.0
        if level[top] <= level[inner] + error:
            continue
        way = 1.0 if top else -1.0
        ahead = way * (listened_to - at)
        room = (length - at) if top else at
        if room < PAST_M or np.any((ahead > 0.0) & (ahead <= PAST_M)):
            continue
        said, do = ("by the rod", "push the rod") if rod else ("heard on the ground", "read")
        toward = _toward(survey, dig.leg, at, way)
        yield Doubt(
            f"the loudest place {said} is the last one {toward}: it may be louder past it",
            f"{do} further {toward}, past the loudest place, until it falls",
            "reading_minutes",
            tuple((dig.leg, at + way * step, 0.0) for step in ((0.5, 1.0) if rod else (1.0, 2.0))),
            kind="rod" if rod else "redo",
            then="louder further on: enter it, the hole moves. Falls there: likelier where it was",
        )


def _toward(survey: Survey, leg: int, at_m: float, way: float) -> str:
    """Return a direction (way: 1 up the line, -1 down) by the nearest fitting that lies there."""
    ahead = [
        (way * (each.chainage_m - at_m), each.point.id)
        for each in survey.points
        if each.kind == "fitting" and each.leg == leg and each.chainage_m is not None
    ]
    there = [each for each in ahead if each[0] > 0.0]
    if there:
        return f"toward {min(there)[1]}"
    return f"toward the {'far end' if way > 0 else 'start'} of {survey.legs[leg].name}"


def one_side(case: Case) -> Iterator[Doubt]:
    """Return that only one side of the line was heard: a line on the other is not ruled out."""
    spots, dig = case.spots, case.dig
    off = spots.offset_m[spots.about(dig.stake_m) & spots.aside]
    if len(off) == 0 or off.min() < 0.0 < off.max():
        return
    far = float(-off[np.argmax(np.abs(off))])
    heard, other = ("left", "right") if far > 0 else ("right", "left")
    yield Doubt(
        f"only the {heard} of the line has been heard: what sounds on the {other} is not known",
        f"read the {other} too, as far out as the {heard}",
        "reading_minutes",
        ((dig.leg, dig.stake_m, far),),
        kind="across",
    )


def lopsided(case: Case) -> Iterator[Doubt]:
    """Return that one side of the line is surely louder than the other: the pipe may lie there.

    The loudest spot of each side counts, both as far out to within half.
    """
    spots, near = case.spots, case.spots.about(case.dig.stake_m) & case.spots.aside
    sides = [np.flatnonzero(near & (sign * spots.offset_m > 0.0)) for sign in (-1.0, 1.0)]
    if not all(map(len, sides)) or case.silent:
        return
    left, right = (int(side[np.argmax(spots.level_db[side])]) for side in sides)
    over = float(spots.level_db[right] - spots.level_db[left])
    error = surely_louder_db(case.survey, *spots.readings[[left, right]])
    out = np.abs(spots.offset_m[[left, right]])
    if abs(over) <= error or out.max() > 1.5 * out.min() or spots.like[left] != spots.like[right]:
        return
    loud, other = ("right", "left") if over > 0.0 else ("left", "right")
    away = format_length(float(out.min()), unit=case.survey.site.length_unit)
    yield Doubt(
        f"{abs(over):.0f} dB louder {away} to the {loud} than to the {other}: the pipe may lie to "
        f"the {loud} of the line",
        f"locate it again across; open the hole to the {loud} first",
        stops=False,
    )


def apart(case: Case) -> Iterator[Doubt]:
    """Return readings at the stake that contradict others taken alike at the same place."""
    survey, dig = case.survey, case.dig
    for note in (each for each in survey.warnings if each.code == "readings_apart"):
        for rows in (survey.surface, survey.contact, survey.rod):
            here = np.isin(rows.id, note.rows)
            # A contact tells of the pipe from wherever it stands.
            if rows is not survey.contact:
                here &= (rows.leg == dig.leg) & (
                    np.abs(rows.chainage_m - dig.stake_m) < SAME_SOUND_M
                )
            for k in np.flatnonzero(here)[:1].tolist():
                kind = "rod" if rows is survey.rod else "redo"
                off = float(rows.offset_m[k])
                aside = off if abs(off) >= setting("rival_aside_nearest").value else 0.0
                place = (int(rows.leg[k]), float(rows.chainage_m[k]), aside)
                yield Doubt(note.what, note.remedy, "reading_minutes", (place,), note, kind)


def beside(case: Case) -> Iterator[Doubt]:
    """Return that it is too loud beside the line, or that a line beside it is believed."""
    found = None if case.silent else louder_aside(case)
    rival = next((e for e in case.posterior.rivals if e.name == "aside"), None)
    if found is not None:
        (place, sure), said = found, "louder {} than on the line"
    elif rival is not None and rival.checked and case.dig.aside_chance >= BELIEVED:
        place, sure, said = rival.place, True, "likelier on another line, {}"
    else:
        return
    off = format_length(abs(place[2]), unit=case.survey.site.length_unit, decimals=1)
    aside = f"{off} to the {'right' if place[2] > 0 else 'left'}"
    if not sure:
        job = f"read {aside} again, as far on the other side, and on the line between"
        places = tuple((place[0], place[1], at) for at in (place[2], -place[2], 0.0))
        yield Doubt(said.format(aside), job, "reading_minutes", places, kind="across")
        return
    yield Doubt(
        said.format(aside),
        f"trace the line that lies about {aside} and read along it and across it: it is a leg of "
        "its own (a reading that was put down wrong is struck out)",
        "check_trace_on_minutes",
        (place,),
    )
