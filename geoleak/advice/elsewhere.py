"""What sounds at the pipe away from the hole: a rod or a contact, where the ground is quiet."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

from geoleak.advice.heard import BELIEVED, PAST_M, PUSHES
from geoleak.advice.records import Case, Doubt, Place
from geoleak.evidence import RAISED_SIGMAS, surely_louder_db
from geoleak.survey import Levels, Survey

# A rod or a contact so far over the ground's middle level is loud (common practice, no source).
LOUD_DB = 20.0
# Pushes of a rod about a loud one, and between two loud contacts, as shares of the way.
ABOUT_M, BETWEEN = (-1.0, 0.0, 1.0), (0.25, 0.5, 0.75)
Floats = npt.NDArray[np.float64]


def rod_elsewhere(case: Case) -> Iterator[Doubt]:
    """Return a rod away from the hole that is as loud as the best by it, errors counted.

    At the depth of the pipe sound falls by some 10 dB within `PAST_M`: two such places are two
    sounds.
    """
    rows, dig = case.survey.rod, case.dig
    if len(rows) == 0:
        return
    stake = np.asarray(case.leg.route.position(np.array([dig.stake_m])))[0, :2]
    by = np.hypot(rows.easting_m - stake[0], rows.northing_m - stake[1]) <= PAST_M
    if not by.any() or by.all():
        return
    level = _at_one_gain(rows)
    best, far = float(level[by].max()), int(np.argmax(np.where(by, -np.inf, level)))
    if level[far] < best - surely_louder_db(case.survey):
        return
    leg, at = int(rows.leg[far]), float(rows.chainage_m[far])
    places: tuple[Place, ...] = ((leg, at, 0.0),)
    if leg == dig.leg:
        places = (*places, (leg, 0.5 * (at + dig.stake_m), 0.0))
    yield Doubt(
        f"rod reading {rows.named(far)} is as loud as any by the hole or louder: {level[far]:.0f} "
        f"dB there, {best:.0f} dB by the hole",
        f"push the rod again at reading {rows.named(far)} and half-way to the hole, down to the "
        "pipe; what stays loud there has a source of its own: look for the leak there too, or find "
        "what sounds and strike the row out (skip)",
        "rod_push_minutes",
        places,
        kind="rod",
    )


def loud_in_silence(case: Case) -> Iterator[Doubt]:
    """Return that a rod or a contact is loud where the ground tells nothing.

    Either the readings are likelier without a leak, or no ground is raised and no hole believed.
    Asked for a rod beside it once: what is faint there too is left to the next readings.
    """
    survey = case.survey
    if len(survey.surface) == 0:
        return
    levels, heard = survey.site.levels, _at_one_gain(survey.surface)
    ground = float(np.median(heard))
    raised = RAISED_SIGMAS * float(np.hypot(levels.level_sigma_db, levels.place_sigma_db))
    if not case.silent and (case.dig.chance >= BELIEVED or float(heard.max()) - ground > raised):
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
            "rod_push_minutes",
            _about(survey, rows, loud) if about_it else _between(survey, rows, loud),
            kind="rod",
        )
        return


def _loud(rows: Levels, ground_db: float) -> list[int]:
    """Return the readings that are loud over their own background, else over the ground's."""
    own = np.isfinite(rows.background_db)
    over = np.where(own, rows.level_db - rows.background_db, _at_one_gain(rows) - ground_db)
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


def _at_one_gain(rows: Levels) -> Floats:
    """Return the levels with each row's own gain taken off."""
    out: Floats = rows.level_db - np.where(np.isfinite(rows.gain_db), rows.gain_db, 0.0)
    return out
