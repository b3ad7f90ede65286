"""Which check tells the leak from what rivals it, and whether it is worth its minutes.

A check is worth making where the dry holes it is expected to spare cost more than it does. What
a rival would make dry is its chance with the leak outside the hole; a rival that nobody checked
is taken `caution` times as common as stated, one rival at a time.
"""

from __future__ import annotations

import numpy as np

from geoleak.advice.doubts import STOPS
from geoleak.advice.heard import ACROSS_M, PAST_M, PUSHES
from geoleak.advice.records import Doubt, Place
from geoleak.evidence import SAME_SOUND_M, StopTests, tests_of
from geoleak.posterior import Explanation, Posterior, free_ends, pushes
from geoleak.record import Record
from geoleak.survey import Survey
from geoleak.tables import setting, surface

# Steps of a rod along the pipe: three pushes come first (after two of them a third of the sounds
# that came up 0.5 to 2 m along a trench were dug for in vain); where doubt is left two more, at
# the place and on from it in quarter metres, the loud side ahead, none this near another (common
# practice, no source).
ROD_M, ROD_APART_M = (-1.0, 0.0, 1.0), 0.3
ROD_MORE_M = (0.0, *(sign * 0.25 * k for sign in (1.0, -1.0) for k in range(1, 5)))
# How far past an end the first reading of a trace that goes on stands.
TRACE_M = 1.0
# The first survey read once more: at this many places at most, evenly over it.
AGAIN_PLACES = 16
# Less chance of a dry hole than this is not worth naming a check for where nothing else is asked.
LEAST = 0.005
# Which rivals a check tells from the leak straight below; a rod, pushed with everything off, what
# stops with taps and machines as well.
TELLS = {
    "stop": ("fitting",),
    "across": ("aside",),
    "trace_on": ("beyond",),
    "rod": ("displaced", "aside", "fitting"),
}


class Check(Record):
    """One check to make.

    ``places`` are (leg number, chainage_m, aside_m, right positive); past an end the chainage is
    below 0 or over the leg's length. ``rival`` is what it tells most of.
    """

    kind: str
    places: tuple[Place, ...]
    minutes: float
    rival: str
    chance_if_passed: float
    spared: float
    """Share of dry holes it is expected to spare."""
    worth: bool
    fitting: str | None = None
    """The fitting to work in a stop test."""
    job: str = ""
    """What to do, where it is no check of a rival but something to do again."""
    then: str = ""
    """What its outcomes mean, where those of its kind do not say it."""


class InHole(Record):
    """A hole against every explanation: its chance, and with the leak in the hole."""

    explanations: tuple[Explanation, ...]
    held: tuple[float, ...]

    @property
    def chance(self) -> float:
        """Chance that the hole holds the leak, whatever explains the sound."""
        return sum(self.held)

    @property
    def if_heard(self) -> float:
        """Chance that it does if what is heard is the leak, straight below."""
        line = self.explanations[0]
        return self.held[0] / line.chance if line.chance > 0 else 0.0

    def missed(self, name: str, *, times: float = 1.0) -> float:
        """Return the chance that a rival is so and the hole dry, taken so many times as common."""
        for each, held in zip(self.explanations, self.held, strict=True):
            if each.name == name:
                more = 1.0 + (times - 1.0) * each.chance
                return times * max(each.chance - held, 0.0) / more
        return 0.0

    def passed(self, finds: dict[str, float]) -> float:
        """Return the chance in the hole once a check has found nothing of the rivals it tells."""
        left = [1.0 - finds.get(each.name, 0.0) for each in self.explanations]
        total = sum(w * e.chance for w, e in zip(left, self.explanations, strict=True))
        return sum(w * h for w, h in zip(left, self.held, strict=True)) / max(total, 1e-12)


def dry_hole_minutes(survey: Survey) -> float:
    """Return what a dry hole costs in the crew's minutes: from the site's money, else a day."""
    crew = survey.site.crew
    if crew.dry_hole_cost is None or not crew.hour_cost:
        return setting("dry_hole_minutes").value
    return 60.0 * (crew.dry_hole_cost + (crew.dig_cost or 0.0)) / crew.hour_cost


def reading_minutes(survey: Survey) -> float:
    """Return what one reading takes, as stated or by the table."""
    stated = survey.site.crew.reading_minutes
    return setting("reading_minutes").value if stated is None else stated


def next_check(
    stops: StopTests, posterior: Posterior, hole: InHole, stake_m: float, middle_m: float
) -> Check | None:
    """Return the check that spares most dry holes a minute; None where none tells anything.

    Parameters
    ----------
    stops : StopTests
        Of the survey.
    posterior : Posterior
    hole : InHole
    stake_m, middle_m : float
        Chainage of the stake and of the hole's middle on the leading peak's leg.
    """
    survey, leg = stops.survey, posterior.peaks[0].leg
    rivals = {e.name: e for e in posterior.rivals}
    price = dry_hole_minutes(survey)
    best: Check | None = None
    for kind, names in TELLS.items():
        told = [n for n in names if n in rivals and not _is_made(survey, kind, rivals[n], stake_m)]
        if not told:
            continue
        finds = {name: _finds(stops, kind, rivals[name]) for name in told}
        plain = {name: hole.missed(name) * finds[name] for name in told}
        rival = max(told, key=lambda name: plain[name])
        # One rival at a time, if nothing is known of it, is taken as commoner than stated.
        caution = 1.0 if _is_known(survey, rivals[rival], stake_m) else survey.site.prior.caution
        spared = sum(plain.values()) - plain[rival]
        spared += hole.missed(rival, times=caution) * finds[rival]
        places = places_of(survey, kind, leg, stake_m, middle_m)
        minutes = minutes_of(survey, kind, places, f"check_{kind}_minutes")
        if kind == "rod" and not stops.off_near(leg, stake_m):
            minutes += setting("all_off_minutes").value
        if spared < LEAST or not places:
            continue
        check = Check(
            kind,
            places,
            minutes,
            rival,
            hole.passed(finds),
            spared,
            spared * price > minutes,
            beside(survey, leg, stake_m) if kind == "stop" else None,
        )
        if best is None or spared / minutes > best.spared / best.minutes:
            best = check
    return best


def minutes_of(survey: Survey, kind: str, places: tuple[Place, ...], name: str) -> float:
    """Return what a check takes at some places: by its setting, but for readings and rods.

    A rod is pushed through soft ground and drilled through a slab, which is where the nearest
    reading within `PAST_M` says so.
    """
    if kind != "rod":
        read = reading_minutes(survey) * len(places)
        if name == "reading_minutes":
            return read
        return setting(name).value + read * (name == "all_off_minutes")
    rows, minutes = survey.surface, 0.0
    for leg, at, _ in places:
        away = np.where(rows.leg == leg, np.abs(rows.chainage_m - at), np.inf)
        ground = rows.surface[int(np.argmin(away))] if away.min(initial=np.inf) < PAST_M else None
        hard = ground is not None and surface(ground).is_hard
        minutes += setting("rod_drill_minutes" if hard else "rod_push_minutes").value
    return minutes


def _is_known(survey: Survey, rival: Explanation, stake_m: float) -> bool:
    """Tell whether any check was made here that tells of a rival."""
    by_rod = rival.name in TELLS["rod"] and rival.name not in TELLS["stop"]
    return rival.checked or (by_rod and pushes(survey, rival.place[0], stake_m) >= len(ROD_M))


def _is_made(survey: Survey, kind: str, rival: Explanation, stake_m: float) -> bool:
    """Tell whether a check was made here as often as it is asked for.

    Listening with everything off is no stop test yet. A stop test or a rod that left doubt is asked
    for once more.
    """
    leg = rival.place[0]
    if kind == "rod":
        return pushes(survey, leg, stake_m) >= PUSHES
    if kind != "stop":
        return rival.checked
    return len(tests_of(survey.stops, leg, stake_m)) >= STOPS


def rod_begun(survey: Survey, leg: int, chainage_m: float) -> bool:
    """Tell whether a rod was pushed near a place, and not as often as it is asked for."""
    return 0 < pushes(survey, leg, chainage_m) < PUSHES


def _finds(stops: StopTests, kind: str, rival: Explanation) -> float:
    """Return the chance that a check tells a rival from the leak."""
    leg, at, _ = rival.place
    again = kind == "rod" and pushes(stops.survey, leg, at) >= len(ROD_M)
    finds = 1.0 if kind == "stop" else setting(f"{kind}_{'again_' * again}finds").value
    if rival.name != "fitting":
        return finds
    shot, off = rival.point is not None, kind == "rod"
    return finds * stops.told_apart(leg, at, shot=shot, off=off)


def beside(survey: Survey, leg: int, chainage_m: float) -> str | None:
    """Return the shot fitting nearest to a place, where one is within hearing of it."""
    near = {
        abs((p.chainage_m or 0.0) - chainage_m): p.point.id for p in survey.fittings if p.leg == leg
    }
    away = min(near, default=np.inf)
    return near[away] if away < SAME_SOUND_M else None


def places_of(
    survey: Survey, kind: str, leg: int, stake_m: float, middle_m: float
) -> tuple[Place, ...]:
    """Return where a check is made."""
    if kind == "across":
        return tuple((leg, middle_m, out) for out in ACROSS_M)
    if kind == "rod":
        return tuple((leg, each, 0.0) for each in _rod_places(survey, leg, middle_m))
    if kind == "trace_on":
        ends = [e for e in free_ends(survey) if e.leg == leg and not e.closed]
        end = min(ends, key=lambda e: abs(e.at_m - stake_m))
        return ((leg, -TRACE_M if end.at_m == 0.0 else end.at_m + TRACE_M, 0.0),)
    return ((leg, stake_m, 0.0),)


def _rod_places(survey: Survey, leg: int, middle_m: float) -> list[float]:
    """Return where a rod is pushed next, along the pipe.

    Where nothing was read within `PAST_M` on one side of the hole it may be louder still on that
    side, and the rod is pushed there.
    """
    length, rows, rod = survey.legs[leg].route.length_m, survey.surface, survey.rod
    ahead = rows.chainage_m[rows.leg == leg] - middle_m
    ahead = ahead[np.abs(ahead) <= PAST_M]
    unheard = float(bool((ahead < 0.0).any())) - float(bool((ahead > 0.0).any()))
    made = pushes(survey, leg, middle_m)
    first = made < len(ROD_M)
    count = (len(ROD_M) if first else PUSHES) - made
    on = rod.leg == leg
    taken, loud = rod.chainage_m[on].tolist(), 1.0
    if not first:
        loud = 1.0 if rod.chainage_m[on][np.argmax(rod.level_db[on])] >= middle_m else -1.0
    places: list[float] = []
    for step in ROD_M if first else ROD_MORE_M:
        at = middle_m + (step + unheard if first else loud * step)
        at = min(max(at, 0.0), length)
        if all(abs(at - other) >= ROD_APART_M for other in (*taken, *places)):
            places.append(at)
    return sorted(places[:count])


def again(stops: StopTests, hole: InHole) -> Check | None:
    """Return the first survey once more, where a stop test told that something else was heard."""
    survey, rows = stops.survey, stops.survey.surface
    old = np.flatnonzero(~rows.everything_off & (np.abs(rows.offset_m) < 1.0))
    if len(old) == 0 or rows.everything_off.any() or not stops.silenced():
        return None
    heard_at = np.unique(np.stack([rows.leg[old], rows.chainage_m[old]], axis=1), axis=0)
    most = min(len(heard_at), AGAIN_PLACES)
    kept = heard_at[np.linspace(0, len(heard_at) - 1, most).round().astype(int)]
    places = tuple((int(leg), float(at), 0.0) for leg, at in kept)
    minutes = minutes_of(survey, "again", places, "reading_minutes")
    return Check("again", places, minutes, "fitting", hole.if_heard, 1.0, True)


def redo(survey: Survey, doubt: Doubt, hole: InHole) -> Check | None:
    """Return what a doubt asks for first; None where the next readings tell."""
    if not doubt.job:
        return None
    minutes = minutes_of(survey, doubt.kind, doubt.places, doubt.minutes)
    told = (doubt.kind, doubt.places, minutes, "", hole.if_heard, 1.0, True)
    return Check(*told, job=doubt.job, then=doubt.then)
