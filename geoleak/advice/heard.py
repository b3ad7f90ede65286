"""What the readings about the stake say against it: louder past it, beside it, or nowhere near.

A leak's sound falls off over its depth. What is as loud a metre aside as on the line, or loud at
one spot and at none beside it, may be a leak; it is heard again before anybody digs for it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoleak.advice.records import Dig, Doubt, Place
from geoleak.evidence import SAME_SOUND_M
from geoleak.posterior import Posterior
from geoleak.survey import Survey
from geoleak.tables import setting
from geoleak.units import format_length, unit_m

# Sigmas of the difference of two readings from which one is louder than the other: 95 % of a
# normal, one-sided.
LOUDER_SIGMAS = 1.645
# Past the loudest place somebody must have listened within this, where pipe goes on so far; and as
# near are the neighbours that a leak raises (common practice, no source).
PAST_M = 2.0
# So many pushes of a rod are asked for at one place; after fewer the check itself asks for more.
PUSHES = 5
# A reading so many sigmas under the background is none of that ground (common practice, no source).
UNDER_SIGMAS = 5.0
# A rival more likely than not is what there is to look for.
BELIEVED = 0.5
# The background is the middle of so many places out of hearing at least.
QUIET_PLACES = 3
Floats = npt.NDArray[np.float64]
Mask = npt.NDArray[np.bool_]


@dataclass(frozen=True, slots=True, eq=False)
class Spots:
    """Surface readings of one leg, those of one place, session and surface as one, n of them.

    ``like`` numbers the session and surface; ``readings`` counts the readings of a spot.
    """

    leg: int
    chainage_m: Floats
    offset_m: Floats
    place: Floats
    """Easting and northing, shape (n, 2)."""
    level_db: Floats
    readings: Floats
    like: npt.NDArray[np.int_]
    id: tuple[str, ...]

    @classmethod
    def of(cls, survey: Survey, leg: int) -> Spots:
        """Return the spots of a leg."""
        rows = survey.surface
        on = np.flatnonzero((rows.leg == leg) & (rows.censored == 0))
        names = sorted({each or "" for each in rows.surface})
        surface = np.array([names.index(rows.surface[k] or "") for k in on], dtype=np.int64)
        like = rows.session[on] * max(len(names), 1) + surface
        at = np.round(10.0 * np.stack([rows.chainage_m[on], rows.offset_m[on]]))
        key = np.vstack([like, at]).astype(np.int64)
        _, first, group = np.unique(key, axis=1, return_index=True, return_inverse=True)
        weight = np.maximum(rows.repeats[on], 1).astype(float)
        count = np.bincount(group.ravel(), weights=weight, minlength=len(first))
        total = np.bincount(group.ravel(), weights=weight * rows.level_db[on], minlength=len(first))
        return cls(
            leg,
            rows.chainage_m[on][first],
            rows.offset_m[on][first],
            np.column_stack([rows.easting_m[on][first], rows.northing_m[on][first]]),
            total / np.maximum(count, 1.0),
            count.astype(float),
            like[first].astype(np.int_),
            tuple(rows.id[on[k]] for k in first),
        )

    @property
    def aside(self) -> Mask:
        """Tell which stand beside the line, farther than a trench is wide."""
        return np.asarray(np.abs(self.offset_m) >= setting("rival_aside_nearest").value)

    def about(self, chainage_m: float) -> Mask:
        """Tell which are within hearing of a place."""
        return np.asarray(np.abs(self.chainage_m - chainage_m) < SAME_SOUND_M)

    def named(self, survey: Survey, k: int) -> str:
        """Return a spot's reading, its place and its level."""
        rows = survey.surface
        return f"{rows.named(rows.id.index(self.id[k]))} {self.level_db[k]:.0f} dB"

    def quiet_db(self, k: int) -> float | None:
        """Return the background of a spot: the middle of the line out of hearing of it."""
        out = ~self.about(self.chainage_m[k]) & ~self.aside & (self.like == self.like[k])
        return float(np.median(self.level_db[out])) if out.sum() >= QUIET_PLACES else None

    def expected_db(self, survey: Survey, k: int, away_m: Floats, quiet_db: float) -> Floats:
        """Return the levels some way off if spot ``k`` stands over a leak, in middling soil.

        Spherical spreading and the soil's loss from the depth of the pipe, over the background.
        """
        depth = float(survey.legs[self.leg].fit.depth_m(self.chainage_m[k : k + 1])[0])
        depth = depth if np.isfinite(depth) and depth > 0.0 else 1.0
        ray = np.hypot(away_m, depth)
        lost = 20.0 * np.log10(ray / depth)
        lost = lost + survey.site.tables.soil().loss_db_per_m * (ray - depth)
        heard = 10.0 ** (max(self.level_db[k] - quiet_db, 0.0) / 10.0) - 1.0
        out: Floats = quiet_db + 10.0 * np.log10(1.0 + heard * 10.0 ** (-lost / 10.0))
        return out


def louder_aside(survey: Survey, dig: Dig) -> tuple[Place, bool] | None:
    """Return the spot beside the hole that is too loud for a leak on the line, if any is.

    Louder than the loudest on the line by more than the error of two readings: surely. Louder than
    it at all, and than a leak below it lets be by more than that error: to be read again; surely
    when it was.
    """
    spots, one = Spots.of(survey, dig.leg), survey.site.levels.level_sigma_db
    near, aside = spots.about(dig.stake_m), spots.aside
    for k in np.flatnonzero(near & aside)[np.argsort(-spots.level_db[near & aside], kind="stable")]:
        like = np.flatnonzero(near & ~aside & (spots.like == spots.like[k]))
        if len(like) == 0:
            continue
        top = int(like[np.argmax(spots.level_db[like])])
        over, quiet = float(spots.level_db[k] - spots.level_db[top]), spots.quiet_db(top)
        error = LOUDER_SIGMAS * one * float(np.sqrt((1.0 / spots.readings[[k, top]]).sum()))
        place = (dig.leg, float(spots.chainage_m[k]), float(spots.offset_m[k]))
        if over > error:
            return place, True
        if over <= 0.0 or quiet is None:
            continue
        off = np.abs(spots.offset_m[[k]])
        if spots.level_db[k] > spots.expected_db(survey, top, off, quiet)[0] + error:
            return place, bool(spots.readings[k] >= 2.0)
    return None


def alone(survey: Survey, dig: Dig) -> Iterator[Doubt]:
    """Return that the loudest spot is loud alone: a leak would raise those beside it.

    Of what it would raise the line within `PAST_M` by, more is missing than the error of readings,
    and no spot there is raised by that much.
    """
    spots, levels = Spots.of(survey, dig.leg), survey.site.levels
    line = np.flatnonzero(spots.about(dig.stake_m) & ~spots.aside)
    if len(line) == 0:
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
        named = " and ".join(spots.named(survey, k) for k in low.tolist())
        yield Doubt(
            f"by the loudest spot far under the background of {quiet:.0f} dB: reading {named}",
            f"take reading {named} again: no ground is so quiet, the figure is a slip",
            "reading_minutes",
            tuple((dig.leg, float(at), 0.0) for at in spots.chainage_m[low]),
        )
        return
    error = LOUDER_SIGMAS * one
    raised = spots.level_db[beside] - quiet
    due = spots.expected_db(survey, top, away[beside], quiet) - quiet
    share = due / max(float(due.sum()), 1e-9)
    missing = float(share @ (due - raised))
    if raised.max() > error or missing <= error * float(np.sqrt(1.0 + share @ share)):
        return
    at, unit = float(spots.chainage_m[top]), survey.site.length_unit
    on_line = spots.chainage_m[beside]
    down = on_line[on_line < at].max(initial=at - PAST_M)
    up = on_line[on_line > at].min(initial=at + PAST_M)
    yield Doubt(
        f"reading {spots.id[top]} is loud alone: a leak under it would raise the line within "
        f"{format_length(PAST_M, unit=unit)} by some {share @ due:.0f} dB, and none is raised",
        "read it again, and half-way to its neighbours; what stays loud at one spot alone is on "
        "the surface (a cover, a step): strike it out (skip)",
        "reading_minutes",
        ((dig.leg, at, 0.0), *((dig.leg, 0.5 * (at + each), 0.0) for each in (down, up))),
    )


def surely_louder_db(survey: Survey) -> float:
    """Return by how much one reading must be over another to be louder, the error of two."""
    return LOUDER_SIGMAS * float(np.sqrt(2.0)) * survey.site.levels.level_sigma_db


def past_the_loudest(survey: Survey, dig: Dig) -> Iterator[Doubt]:
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
        if level[top] <= level[inner] + (surely_louder_db(survey) if rod else 0.0):
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
            "check_rod_minutes" if rod else "reading_minutes",
            tuple((dig.leg, at + way * PAST_M * share, 0.0) for share in (0.5, 1.0)),
            kind="rod" if rod else "redo",
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


def one_side(survey: Survey, dig: Dig) -> Iterator[Doubt]:
    """Return that only one side of the line was heard: a line on the other is not ruled out."""
    spots = Spots.of(survey, dig.leg)
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


def beside(survey: Survey, posterior: Posterior, dig: Dig, *, silent: bool) -> Iterator[Doubt]:
    """Return that it is too loud beside the line, or that a line beside it is believed."""
    found = None if silent else louder_aside(survey, dig)
    rival = next((e for e in posterior.rivals if e.name == "aside"), None)
    if found is not None:
        (place, sure), said = found, "louder {} than on the line"
    elif rival is not None and rival.checked and dig.aside_chance >= BELIEVED:
        place, sure, said = rival.place, True, "likelier on another line, {}"
    else:
        return
    side = "right" if place[2] > 0 else "left"
    unit = survey.site.length_unit
    aside = f"{abs(place[2]) / unit_m(unit):.1f} {'m' if unit == 'm' else 'ft'} to the {side}"
    if not sure:
        job = f"read {aside} again, as far on the other side, and on the line between"
        places = tuple((place[0], place[1], off) for off in (place[2], -place[2], 0.0))
        yield Doubt(said.format(aside), job, "reading_minutes", places, kind="across")
        return
    yield Doubt(
        said.format(aside),
        f"trace the line that lies about {aside} and read along it and across it: it is a leg of "
        "its own (a reading that was put down wrong is struck out)",
        "check_trace_on_minutes",
        (place,),
    )
