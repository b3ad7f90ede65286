"""What sounds at the pipe away from the hole: a rod or a contact, where the ground is quiet."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geoleak.advice.heard import BELIEVED, PAST_M, PUSHES
from geoleak.advice.records import Case, Doubt, Place
from geoleak.evidence import surely_louder_db
from geoleak.posterior import RODS
from geoleak.survey import Levels, Survey
from geoleak.units import format_length

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
        east, north = (
            ground.easting_m - rows.easting_m[far],
            ground.northing_m - rows.northing_m[far],
        )
        stops = loud and not (case.raised() & (np.hypot(east, north) <= PAST_M)).any()
        said = "is loud too, as if something else sounded there"
    leg, at = int(rows.leg[far]), float(rows.chainage_m[far])
    twice = int(np.sum((rows.leg == leg) & (np.abs(where - at) < FAR_AGAIN_M))) > 1
    if apart and twice:
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
    places: tuple[Place, ...] = ((leg, at, 0.0),)
    if leg == dig.leg:
        places = (*places, (leg, 0.5 * (at + dig.stake_m), 0.0))
    yield Doubt(
        f"rod reading {rows.named(far)} {said}: {level[far]:.0f} dB there, {best:.0f} dB by the "
        "hole",
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
    out = np.maximum(np.min(within, axis=0), 0.0)
    by = np.abs(at - dig.stake_m) <= PAST_M
    top = int(np.argmax(level))
    inside = bool(out.min() <= IN_HOLE_M)
    best = float(level[out <= max(out.min(), IN_HOLE_M)].max())
    error = surely_louder_db(case.survey) if inside else 0.0
    if out[top] <= IN_HOLE_M or level[top] <= best + error:
        return
    if by.any() and not by[top]:
        return
    named, unit = rows.named(int(on[top])), case.survey.site.length_unit
    yield Doubt(
        "the rod is loudest outside the hole, "
        f"{format_length(float(out[top]), unit=unit)} past its end: reading {named} "
        f"{level[top]:.0f} dB, {best:.0f} dB {'in it' if inside else 'at the push nearest to it'}",
        f"push the rod at the stake, and again at reading {named}, down to the pipe",
        places=((dig.leg, dig.stake_m, 0.0), (dig.leg, float(at[top]), 0.0)),
        kind="rod",
        then=f"loud at {named} again: the leak is there and its sound comes up along the trench; "
        "enter both, the hole moves. Loudest at the stake: strike the row out (skip)",
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
        about_it = rows is survey.rod
        if len(loud) == 0 or len(survey.rod) >= (PUSHES if about_it else 1):
            continue
        names = " and ".join(f"{rows.named(k)} {rows.level_db[k]:.0f} dB" for k in loud)
        plural = "s" * (len(loud) > 1)
        yield Doubt(
            f"the ground tells nothing ({ground:.0f} dB), but {rows.kind} reading{plural} {names} "
            f"{'are' if plural else 'is'} loud: something sounds at the pipe",
            "push a rod down to the pipe at these places, and read the ground over each; go on "
            "from the loudest",
            places=_about(survey, rows, loud) if about_it else _between(survey, rows, loud),
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
    """Return places at the loudest reading and beside it along the pipe."""
    leg, at = int(rows.leg[loud[0]]), float(rows.chainage_m[loud[0]])
    length = survey.legs[leg].route.length_m
    return tuple((leg, at + step, 0.0) for step in ABOUT_M if 0.0 <= at + step <= length)


def _between(survey: Survey, rows: Levels, loud: list[int]) -> tuple[Place, ...]:
    """Return places between the loud contacts of the loudest one's leg; of one, on its leg."""
    leg = int(rows.leg[loud[0]])
    at = [float(rows.chainage_m[k]) for k in loud if int(rows.leg[k]) == leg]
    low, high = (min(at), max(at)) if len(at) > 1 else (0.0, survey.legs[leg].route.length_m)
    return tuple((leg, low + share * (high - low), 0.0) for share in BETWEEN)
