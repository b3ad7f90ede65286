"""What the readings about the stake say against it: louder past it, beside it, or nowhere near.

A leak's sound falls off over its depth. What is as loud a metre aside as on the line, or loud at
one spot and at none beside it, may be a leak; it is heard again before anybody digs for it.

What sounds at the pipe away from the hole: a rod or a contact, where the ground is quiet.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geoleak.advice.records import BELIEVED, Case, Doubt, Place, percent
from geoleak.evidence import LOUDER_SIGMAS, SAME_SOUND_M, surely_louder_db, tests_of
from geoleak.posterior import RODS
from geoleak.site import Note
from geoleak.survey import Levels, Survey, is_later, past_ends_m

# Past the loudest place somebody must have listened within this, where pipe goes on so far; and as
# near are the neighbours that a leak raises (common practice, no source).
PAST_M = 2.0
# So many pushes of a rod are asked for at one place, `RODS` of them at first.
PUSHES = 5
# A reading so many sigmas under the background is none of that ground (common practice, no source).
UNDER_SIGMAS = 5.0
# Offsets of readings left and right of a place: two tell one side from the other.
ACROSS_M = (-1.5, 1.5)


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
    at, on_line = float(spots.chainage_m[top]), spots.chainage_m[beside]
    down = on_line[on_line < at].max(initial=max(at - PAST_M, 0.0))
    up = on_line[on_line > at].min(initial=min(at + PAST_M, case.leg.route.length_m))
    yield Doubt(
        f"reading {case.survey.surface.id[spots.row[top]]} is loud alone: a leak under it would "
        f"raise the line within {case.length(PAST_M)} by some {share @ due:.0f} dB, "
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
        here &= ~rows.aside
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
        (way * ((each.chainage_m or 0.0) - at_m), each.point.id)
        for each in survey.fittings
        if each.leg == leg
    ]
    there = min((each for each in ahead if each[0] > 0.0), default=None)
    if there is not None:
        return f"toward {there[1]}"
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
    yield Doubt(
        f"{abs(over):.0f} dB louder {case.length(float(out.min()))} to the {loud} than to the "
        f"{other}: the pipe may lie to the {loud} of the line",
        f"locate it again across; open the hole to the {loud} first",
        stops=False,
    )


def apart(case: Case) -> Iterator[Doubt]:
    """Return readings that contradict others taken alike at the same place.

    At the stake they are taken again; elsewhere they may tell that the sound has changed.
    """
    for note in (each for each in case.survey.warnings if each.code == "readings_apart"):
        yield from [*_apart_here(case, note)] or _changed_since(case, note)


def _apart_here(case: Case, note: Note) -> Iterator[Doubt]:
    survey, dig = case.survey, case.dig
    for rows in (survey.surface, survey.contact, survey.rod):
        here = np.isin(rows.id, note.rows)
        # A contact tells of the pipe from wherever it stands.
        if rows is not survey.contact:
            here &= rows.near(dig.leg, dig.stake_m, SAME_SOUND_M)
        for k in np.flatnonzero(here)[:1].tolist():
            kind = "rod" if rows is survey.rod else "redo"
            yield Doubt(note.what, note.remedy, "reading_minutes", (_place(rows, k),), note, kind)


def _changed_since(case: Case, note: Note) -> Iterator[Doubt]:
    """Return, of readings of two days, that the stake's place was read before the later one."""
    survey, here = case.survey, (case.dig.leg, case.dig.stake_m)
    dates = {each.id: each.date for each in survey.site.readings}
    days = sorted({dates.get(each, "")[:10] for each in note.rows} - {""})
    if len(days) < 2:
        return
    for rows in (survey.surface, survey.contact, survey.rod):
        near = np.flatnonzero(rows.near(*here, SAME_SOUND_M)).tolist()
        read = filter(None, (dates.get(rows.id[k], "") for k in near))
        if any(not is_later(days[-1], each[:10]) for each in read):
            return
    yield Doubt(
        f"{note.what}: the sound has changed since the stake's place was read",
        f"read the stake's place again, as on {days[-1]}",
        "reading_minutes",
        ((*here, 0.0),),
        note,
        then=f"quiet now: strike out (skip) the rows of {days[0]}. Loud as before: one of "
        "two leaks is there",
    )


def past_believed(case: Case) -> Iterator[Doubt]:
    """Return that the leak is likelier past an end of the traced line than on it."""
    for rival in (e for e in case.posterior.rivals if e.name == "beyond" and e.chance >= BELIEVED):
        leg, at, _ = rival.place
        end = f"the {'start' if at <= 0.0 else 'end'} of {case.survey.legs[leg].name}"
        yield Doubt(
            f"{percent(rival.chance)} that it is past {end}, where nothing is traced",
            f"trace the pipe on past {end}, reading every {case.length(1.0, decimals=0)} until it "
            "falls; shoot its marks: the last is its end (ends_here is for an end that was seen)",
            "check_trace_on_minutes",
            (rival.place,),
            kind="trace_on",
        )


def _place(rows: Levels, k: int) -> Place:
    """Return where a reading was taken, on the line unless it stands beside it."""
    aside = float(rows.offset_m[k]) if rows.aside[k] else 0.0
    return int(rows.leg[k]), float(rows.chainage_m[k]), aside


def beside(case: Case) -> Iterator[Doubt]:
    """Return that it is too loud beside the line, or that a line beside it is believed."""
    found = None if case.silent else louder_aside(case)
    rival = case.believed_aside
    if found is not None:
        (place, sure), said = found, "louder {} than on the line"
    elif rival is not None and rival.checked:
        place, sure, said = rival.place, True, "likelier on another line, {}"
    else:
        return
    aside = f"{case.length(abs(place[2]), decimals=1)} to the {'right' if place[2] > 0 else 'left'}"
    if not sure:
        job = f"read {aside} again, as far on the other side, and on the line between"
        places = tuple((place[0], place[1], at) for at in (place[2], -place[2], 0.0))
        yield Doubt(said.format(aside), job, "reading_minutes", places, kind="across")
        return
    yield _another_line(case, said.format(aside), place)


def _another_line(case: Case, text: str, place: Place) -> Doubt:
    """Return what a place that is too loud beside the line asks for: the line there is traced.

    A pump beside the pipe is as loud, and silenced in minutes: that comes first.
    """
    aside = f"{case.length(abs(place[2]), decimals=1)} to the {'right' if place[2] > 0 else 'left'}"
    here = case.dig.leg, case.dig.stake_m
    if case.stops.off_near(*here) or tests_of(case.stops.tests, *here):
        return Doubt(
            text,
            f"trace the line that lies about {aside} and read along it and across it: it is a leg "
            "of its own (a reading that was put down wrong is struck out)",
            "check_trace_on_minutes",
            (place,),
        )
    return Doubt(
        text,
        "turn every tap, pump and machine off and read the loudest place on the line again",
        "all_off_minutes",
        ((*here, 0.0),),
        kind="stop",
        then="goes quiet: it was a tap or a machine, not the leak. Stays: trace the line that lies "
        f"about {aside}",
    )


# A rod or a contact so far over the ground's middle level is loud (common practice, no source).
LOUD_DB = 20.0
# A rod nearer to the hole's ends than this stands as good as in it: a push is put down so well
# (common practice, no source).
IN_HOLE_M = 0.3
# A rod within this of another was pushed at its place again (common practice, no source).
FAR_AGAIN_M = 0.5
# Pushes of a rod about a loud one, and between two loud contacts, as shares of the way.
ABOUT_M, BETWEEN = (-1.0, 0.0, 1.0), (0.25, 0.5, 0.75)


def rod_elsewhere(case: Case) -> Iterator[Doubt]:
    """Return the loudest rod away from the hole where it has a sound of its own, errors counted.

    At the depth of the pipe sound falls by some 10 dB within `PAST_M`: a rod past that as loud as
    the best by the hole hears another. Past twice that, so does one past quieter rods, or a loud
    one with none on the way; but it stops no dig where it is faint, or the ground tells of it.
    """
    survey, rows, dig = case.survey, case.survey.rod, case.dig
    stake = np.asarray(case.leg.route.position(np.array([dig.stake_m])))[0, :2]
    away = np.hypot(rows.easting_m - stake[0], rows.northing_m - stake[1])
    by = away <= PAST_M
    if not by.any() or by.all() or case.faint_rods:
        return
    level, error = rows.at_one_gain_db, surely_louder_db(survey)
    if np.ptp(level) <= error:  # the pipe carries it: `rods_alike`
        return
    best, far = float(level[by].max()), int(np.argmax(np.where(by, -np.inf, level)))
    said, stops = "is as loud as any by the hole or louder", True
    quieter = level[far] < best - error
    if quieter:
        if not (away > 2.0 * PAST_M).any():
            return
        far = int(np.argmax(np.where(away > 2.0 * PAST_M, level, -np.inf)))
    on, where = rows.leg == dig.leg, rows.chainage_m
    between = ~by & on & on[far] & ((where - where[far]) * (dig.stake_m - where) > 0.0)
    apart = between.any() and bool(level[between].min() < level[far] - error)
    if quieter:
        loud = far in _loud(rows, case.ground_db)
        if not (apart if between.any() else loud):
            return
        ground = survey.surface
        east = ground.easting_m - rows.easting_m[far]
        over_it = np.hypot(east, ground.northing_m - rows.northing_m[far]) <= PAST_M
        stops = loud and not (case.raised() & over_it).any()
        said = "is loud too, as if something else sounded there"
    leg, at = int(rows.leg[far]), float(rows.chainage_m[far])
    if apart and rows.near(leg, at, FAR_AGAIN_M).sum() > 1:
        yield Doubt(
            f"two sounds: rod reading {rows.named(far)} {level[far]:.0f} dB, by the hole "
            f"{best:.0f} dB, quieter between",
            "make a stop test at this place; what dies with the supply there is a leak. The other "
            "is tested, or dug, after it",
            "check_stop_minutes",
            ((dig.leg, dig.stake_m, 0.0),),
            kind="stop",
            stops=stops and not case.stops.stopped(dig.leg, dig.stake_m, "supply_shut"),
        )
        return
    text = (
        f"rod reading {rows.named(far)} {said}: {level[far]:.0f} dB there, {best:.0f} dB by the "
        "hole"
    )
    there = _place(rows, far)
    if leg == dig.leg and there[2] and level[far] > best + error:
        yield _another_line(case, text, there)
        return
    half = (leg, 0.5 * (at + dig.stake_m), 0.5 * there[2])
    places = (there, half) if leg == dig.leg else (there,)
    yield Doubt(
        text,
        f"push the rod again at reading {rows.named(far)} and half-way to the hole, down to the "
        "pipe; what stays loud there has a source of its own: look for the leak there too, or find "
        "what sounds and strike the row out (skip)",
        places=places,
        kind="rod",
        then="as loud half-way: the pipe carries it, likelier one leak by the hole. Loud there and "
        "quieter half-way: two sounds, the leak may be either. Faint there: the row was wrong",
        stops=stops,
    )


def rod_outside(case: Case) -> Iterator[Doubt]:
    """Return that the pipe is loudest outside the hole, rods nearer to it or in it being quieter.

    Errors are counted where a rod was pushed in the hole; where none was, one is. Sound comes up
    along a trench where it finds a way: through the rod it falls about the leak. Two sounds, by
    the hole and away from it, are `rod_elsewhere`.
    """
    rows, dig = case.survey.rod, case.dig
    on = np.flatnonzero((rows.leg == dig.leg) & (np.abs(rows.offset_m) <= PAST_M))
    at, level = rows.chainage_m[on], rows.at_one_gain_db[on]
    within = [np.maximum(start - at, at - end) for leg, start, end in dig.pieces if leg == dig.leg]
    if len(on) == 0 or not within or case.faint_rods:
        return
    past = past_ends_m(case.survey, rows)[on]
    out = np.maximum(np.min(within, axis=0), 0.0) + past
    by = np.abs(at - dig.stake_m) <= PAST_M
    top = int(np.argmax(level))
    inside = bool(out.min() <= IN_HOLE_M)
    best = float(level[out <= max(out.min(), IN_HOLE_M)].max())
    error = surely_louder_db(case.survey) if inside else 0.0
    if out[top] <= IN_HOLE_M or level[top] <= best + error:
        return
    if by.any() and not by[top]:
        return
    named = rows.named(int(on[top]))
    dry = (h for h in case.survey.holes if h.hole.outcome == "dry" and h.hole.pipe_exposed)
    if any(h.leg == dig.leg and h.from_m <= at[top] <= h.to_m for h in dry):
        return  # no rod is pushed in a hole that laid the pipe bare: `bare_and_dry`
    if past[top]:
        end = case.leg.name
        yield Doubt(
            f"the rod is loudest past the end of {end}: reading {named} {level[top]:.0f} dB, "
            f"{best:.0f} dB {'in the hole' if inside else 'at the push nearest to it'}",
            f"trace the pipe on past the end of {end}, shoot its marks, make the last of them its "
            "end and listen there; ends_here is for an end that was seen",
        )
        return
    yield Doubt(
        f"the rod is loudest outside the hole, {case.length(float(out[top]))} past its end: "
        f"reading {named} {level[top]:.0f} dB, {best:.0f} dB "
        f"{'in it' if inside else 'at the push nearest to it'}",
        f"push the rod at place 1, and again at place 2 (reading {named}), down to the pipe",
        places=((dig.leg, dig.stake_m, 0.0), (dig.leg, float(at[top]), 0.0)),
        kind="rod",
        then="loud at place 2 again: the leak is there and its sound comes up along the trench; "
        "enter both, the hole moves. Loudest at place 1: strike the row out (skip)",
    )


def rods_alike(case: Case) -> Iterator[Doubt]:
    """Return that the rods by the stake are alike: the pipe carries what they hear, it is said."""
    rows, dig = case.survey.rod, case.dig
    by = (rows.leg == dig.leg) & (np.abs(rows.chainage_m - dig.stake_m) <= PAST_M)
    level = rows.at_one_gain_db[by]
    if by.sum() < RODS or case.faint_rods or np.ptp(level) > surely_louder_db(case.survey):
        return
    yield Doubt(
        f"the rods are alike, {level.min():.0f} to {level.max():.0f} dB: the pipe carries the "
        "sound, they tell no place on it",
        "go by the ground",
        stops=False,
    )


def loud_in_silence(case: Case) -> Iterator[Doubt]:
    """Return that a rod or a contact is loud where the ground tells nothing.

    Either the readings are likelier without a leak, or no ground is raised and no hole believed.
    Asked for a rod beside it once: what is faint there too is left to the next readings.
    """
    survey, ground = case.survey, case.ground_db
    if len(survey.surface) == 0:
        return
    if not case.silent and (case.dig.chance >= BELIEVED or case.raised().any()):
        return
    for rows in (survey.rod, survey.contact):
        loud = _loud(rows, ground)
        if len(loud) == 0 or len(survey.rod) >= (PUSHES if rows is survey.rod else 1):
            continue
        names = " and ".join(f"{rows.named(k)} {rows.level_db[k]:.0f} dB" for k in loud)
        plural = "s" * (len(loud) > 1)
        text = (
            f"the ground tells nothing ({ground:.0f} dB), but {rows.kind} reading{plural} {names} "
            f"{'are' if plural else 'is'} loud: something sounds at the pipe"
        )
        top = loud[0]
        if rows is survey.rod and rows.aside[top] and rows.leg[top] == case.dig.leg:
            yield _another_line(case, text, _place(rows, top))
            return
        line = case.believed_aside
        if line is not None and not line.checked:
            yield Doubt(
                text,
                f"read {case.length(ACROSS_M[1], decimals=1)} to the left of the line there and as "
                "far to the right: likelier another line than this one",
                "reading_minutes",
                tuple((*line.place[:2], out) for out in ACROSS_M),
                kind="across",
            )
            return
        yield Doubt(
            text,
            "push a rod down to the pipe at these places, and read the ground over each; go on "
            "from the loudest",
            places=_about(survey, rows, loud),
            kind="rod",
            then="loud at one place and falling to both sides: likelier the leak; go on there. As "
            "loud at all: the pipe carries it, go on towards the loudest. Faint throughout: the "
            "loud row was wrong",
        )
        return


def _loud(rows: Levels, ground_db: float) -> list[int]:
    """Return the readings that are loud over their own background, else over the ground's."""
    own = np.isfinite(rows.background_db)
    over = np.where(own, rows.level_db - rows.background_db, rows.at_one_gain_db - ground_db)
    found: list[int] = np.flatnonzero(over >= LOUD_DB).tolist()
    return sorted(found, key=lambda k: -rows.level_db[k])


def _about(survey: Survey, rows: Levels, loud: list[int]) -> tuple[Place, ...]:
    """Return places at the loudest rod and beside it; of contacts, between those of its leg.

    Of one contact alone, along its leg.
    """
    leg = int(rows.leg[loud[0]])
    length = survey.legs[leg].route.length_m
    at = [float(rows.chainage_m[k]) for k in loud if rows.leg[k] == leg]
    if rows is survey.rod:
        return tuple((leg, at[0] + step, 0.0) for step in ABOUT_M if 0.0 <= at[0] + step <= length)
    low, high = (min(at), max(at)) if len(at) > 1 else (0.0, length)
    return tuple((leg, low + share * (high - low), 0.0) for share in BETWEEN)
