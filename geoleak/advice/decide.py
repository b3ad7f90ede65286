"""Dig here, or listen on: the stake, the hole, the next hole, and why, in plain words."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np

from geoleak.advice.checks import Check, InHole, again, next_check, redo, rod_begun
from geoleak.advice.doubts import doubts_of
from geoleak.advice.next_readings import NextReading, next_readings, value_of_reading
from geoleak.advice.records import Case, Dig, Doubt
from geoleak.advice.windows import (
    DigWindow,
    LegMass,
    best_window,
    chance_across,
    then_windows,
    window_with_tee,
)
from geoleak.evidence import speaks_against, tests_of
from geoleak.posterior import Peak, Posterior
from geoleak.record import Floats, Record
from geoleak.survey import Survey
from geoleak.tables import setting
from geoleak.units import format_length, format_station, unit_m

SettingOut = tuple[float, float] | Callable[[int, float], tuple[float, float]]

# A crew listens where it suspects, and that counts; but nobody digs on it alone: with every metre
# of pipe alike the hole must hold this much still (common practice, no source).
EVEN_WHEN = 0.75
# What a hole leaves out is said against it from these chances on (common practice, no source):
# another place or no traced line; pipe farther aside than the hole is wide.
LEFT_OUT, ASIDE = 0.05, 0.03


class Decision(Record):
    """Dig, check first or listen on, with reasons in plain words."""

    verdict: str
    """``"dig"``, ``"check_first"`` or ``"listen_on"``."""
    reasons: tuple[str, ...]
    leg: int
    stake_m: float
    hole: DigWindow
    in_hole: InHole
    """What the hole holds under each explanation."""
    then: tuple[DigWindow, ...] = ()
    chance_by_length: tuple[tuple[float, float], ...] = ()
    """(hole length in metres, chance in it), for a crew that may open more or less."""
    next_readings: tuple[NextReading, ...] = ()
    value_of_reading: float | None = None
    """Expected saving of one more reading over digging now, in the user's currency."""
    check: Check | None = None
    """What tells the leak from its rivals; with "check_first" only."""
    doubts: tuple[Doubt, ...] = ()
    """What stopped a dig, the one to see to first ahead; the first of the reasons tell them."""


def decide(
    survey: Survey,
    posterior: Posterior,
    *,
    setting_out_sigma: SettingOut,
    hole_half_width_m: float,
    most_readings: int = 3,
) -> Decision:
    """Return what to do: dig or listen on, with the hole and the reasons.

    Parameters
    ----------
    survey : Survey
    posterior : Posterior
    setting_out_sigma : (along_m, across_m) or callable of (leg, chainage_m)
        How far the stake may stand from the pipe it is meant for.
    hole_half_width_m : float
        Half the width of the hole, across the pipe.
    most_readings : int
        How many next readings to name; 0 leaves them and their value out.
    """
    crew = survey.site.crew
    peak = posterior.peaks[0]
    sigma = (
        setting_out_sigma(peak.leg, peak.median_m)
        if callable(setting_out_sigma)
        else setting_out_sigma
    )
    across = chance_across(sigma[1], hole_half_width_m)
    hole = _hole(survey, posterior, peak, crew.dig_length_m, sigma[0], across)
    in_hole = _in_hole(posterior, hole, sigma[0], across)
    opened = Dig(
        hole.pieces,
        peak.leg,
        peak.median_m,
        sigma,
        (0.5 * crew.dig_length_m, hole_half_width_m),
        in_hole.missed("aside"),
        hole.chance,
    )
    case = Case.of(survey, posterior, opened)
    told = doubts_of(case)
    doubts = tuple(each for each in told if each.stops)
    verdict, check, more = _verdict(case, hole, in_hole, doubts)
    against = (
        *(each.text for each in doubts),
        *more,
        *(f"{each.text}: {each.job}" for each in told if not each.stops),
        *_against(case, hole, across, coarse=any(each.code == "coarse_points" for each in told)),
    )
    ahead = next_readings(survey, posterior, most=most_readings) if most_readings else None
    return Decision(
        verdict=verdict,
        reasons=(
            *(f"against: {text}" for text in dict.fromkeys(against)),
            *_for(case, hole, {each.code for each in told}),
        ),
        leg=peak.leg,
        stake_m=peak.median_m,
        hole=hole,
        then=then_windows(posterior, hole, crew.dig_length_m, sigma_m=sigma[0], across=across),
        chance_by_length=_by_length(survey, posterior, peak, sigma[0], across),
        next_readings=ahead.readings if ahead else (),
        value_of_reading=value_of_reading(survey, ahead, hole.chance) if ahead else None,
        check=check,
        in_hole=in_hole,
        doubts=doubts,
    )


def _inside(posterior: Posterior, hole: DigWindow, mass: Floats, *, sigma_m: float = 0.0) -> float:
    """Return how much of a mass on the cells a hole holds."""
    return sum(
        float(along.inside(np.array(start), np.array(end), sigma_m=sigma_m))
        for leg, start, end in hole.pieces
        for along in (LegMass.of(posterior.cells, leg, mass),)
    )


def _in_hole(posterior: Posterior, hole: DigWindow, sigma_m: float, across: float) -> InHole:
    """Return what the hole holds under each explanation."""
    open_share = posterior.offered / np.maximum(posterior.mass, 1e-300)
    held = (
        min(_inside(posterior, hole, each.mass * open_share, sigma_m=sigma_m), each.chance)
        for each in posterior.explanations
    )
    return InHole(posterior.explanations, tuple(across * each for each in held))


def _even_chance(posterior: Posterior, hole: DigWindow, in_hole: InHole) -> float:
    """Return the chance in the hole with every metre of pipe alike, listened to or not."""
    if posterior.even is None:
        return hole.chance
    weighed = posterior.mass * posterior.even
    before = _inside(posterior, hole, posterior.mass)
    total = float(weighed.sum()) + posterior.elsewhere
    return in_hole.chance * _inside(posterior, hole, weighed) / max(before * total, 1e-12)


def _verdict(
    case: Case, hole: DigWindow, in_hole: InHole, doubts: tuple[Doubt, ...]
) -> tuple[str, Check | None, tuple[str, ...]]:
    """Return the verdict, the check to make first, and what has to be said of it."""
    survey, posterior, dig_when = case.survey, case.posterior, case.survey.site.crew.dig_when
    another = any(each.code == "another_maker" for each in doubts)
    if another and (once_more := again(case.stops, in_hole)) is not None:
        return "check_first", once_more, ()
    if doubts:
        first = redo(survey, doubts[0], in_hole)
        return ("listen_on" if first is None else "check_first"), first, ()
    (_, start, end), stake = hole.pieces[0], posterior.peaks[0].median_m
    known = max(in_hole.if_heard, hole.chance) >= dig_when
    # A rod that moved the place leaves doubt that no reading at the surface settles.
    if not (known or rod_begun(survey, posterior.peaks[0].leg, stake)):
        return "listen_on", None, ()
    check = next_check(case.stops, posterior, in_hole, stake, 0.5 * (start + end))
    clears = hole.chance >= dig_when
    even = _even_chance(posterior, hole, in_hole)
    if clears and even < EVEN_WHEN:
        said = f"only {percent(even)} if pipe nobody listened to is as likely as the rest"
        return ("listen_on" if check is None else "check_first"), check, (said,)
    if check is not None and (check.worth or not clears):
        return "check_first", check, ()
    return ("dig" if clears else "listen_on"), None, ()


def _hole(
    survey: Survey,
    posterior: Posterior,
    peak: Peak,
    length_m: float,
    sigma_m: float,
    across: float,
) -> DigWindow:
    along = LegMass.of(posterior.cells, peak.leg, posterior.offered)
    pieces, chance = window_with_tee(
        posterior, survey, along, length_m, holding_m=peak.median_m, sigma_m=sigma_m
    )
    return DigWindow(pieces, sum(b - a for _, a, b in pieces), min(chance, 1.0) * across)


def _by_length(
    survey: Survey, posterior: Posterior, peak: Peak, sigma_m: float, across: float
) -> tuple[tuple[float, float], ...]:
    """Return chance against length, in whole feet or quarter metres about the crew's own."""
    unit = survey.site.length_unit
    step = 0.25 if unit == "m" else unit_m(unit)
    middle = survey.site.crew.dig_length_m
    first = max(1, round(0.4 * middle / step))
    last = max(first + 1, round(2.0 * middle / step))
    out = []
    for count in range(first, last + 1):
        hole = _hole(survey, posterior, peak, count * step, sigma_m, across)
        out.append((min(count * step, hole.length_m), hole.chance))
        if hole.length_m < count * step - 1e-6:  # all the pipe there is
            break
    return tuple(out)


def _for(case: Case, hole: DigWindow, doubted: set[str]) -> tuple[str, ...]:
    """Return what speaks for the place; ``doubted``: codes of what is said against it."""
    mute = ("surface", "contact") if case.silent else ()
    mute = (*mute, "rod") if doubted & {"rod_outside", "silent_rod", "rods_alike"} else mute
    fits = (f for f in case.posterior.fits if f.agrees and not f.against and f.kind not in mute)
    return (*_checked(case, hole, mute), *(each.text for each in fits))


def _against(case: Case, hole: DigWindow, across: float, *, coarse: bool) -> tuple[str, ...]:
    """Return what speaks against the place and does not stop the dig by itself.

    ``coarse``: the points' own error is wider than a hole, so a line beside is no finding.
    """
    survey, posterior = case.survey, case.posterior
    unit = survey.site.length_unit
    crew = survey.site.crew
    found = [f.text for f in posterior.fits if f.against and f.agrees]
    meter = survey.meter
    told = meter and (meter.flow or any(each.code == "meter_run" for each in meter.warnings))
    if meter and told and meter.verdict == "cannot_tell":
        found.append("the meter cannot tell whether anything leaks")
    found += _holes_dug(survey, hole)
    if hole.chance < crew.dig_when:
        found.append(
            f"{percent(hole.chance)} in a {format_length(hole.length_m, unit=unit)} hole; "
            f"the crew digs from {percent(crew.dig_when)}"
        )
    if len(posterior.peaks) > 1 and posterior.peaks[1].mass > LEFT_OUT:
        other, second = posterior.peaks[1], _second_chance(survey, posterior, case.dig.sigma_m[0])
        found.append(
            f"a second place is possible: {survey.legs[other.leg].name} "
            f"{format_station(other.median_m, unit=unit)} "
            f"({percent(second * across)} in such a hole)"
        )
    if posterior.second_leak is not None:
        other = posterior.second_leak
        found.append(
            "the readings ask for two leaks: the other near "
            f"{survey.legs[other.leg].name} {format_station(other.median_m, unit=unit)}"
        )
    if posterior.elsewhere > LEFT_OUT:
        blamed = " as shot: the points are too coarse to tell" if coarse else ""
        off = f"{percent(posterior.elsewhere)} that the leak is not on any traced line"
        found.append(off + blamed)
    if across < 1 - ASIDE:
        found.append(
            f"{percent(1 - across)} that the pipe lies farther aside than the hole is wide"
        )
    return tuple(found)


def _second_chance(survey: Survey, posterior: Posterior, sigma_m: float) -> float:
    """Return what a hole like the first would hold of the second peak alone."""
    other, cells = posterior.peaks[1], posterior.cells
    inside = (cells.chainage_m >= other.from_m) & (cells.chainage_m <= other.to_m)
    along = LegMass.of(cells, other.leg, np.where(inside, posterior.offered, 0.0))
    length, middle = survey.site.crew.dig_length_m, other.median_m
    return best_window(along, length, holding_m=middle, sigma_m=sigma_m)[2]


def _checked(case: Case, hole: DigWindow, mute: tuple[str, ...]) -> list[str]:
    """Return what the checks made so far have told of the place, but of kinds that are mute."""
    survey, posterior = case.survey, case.posterior
    unit, rows = survey.site.length_unit, survey.surface
    leg, start, end = hole.pieces[0]
    near = (rows.leg == leg) & (rows.chainage_m > start - 1.0) & (rows.chainage_m < end + 1.0)
    done = {e.name for e in posterior.rivals if e.checked}
    found = []
    rod = survey.rod
    by_rod = (rod.leg == leg) & (rod.chainage_m > start - 1.0) & (rod.chainage_m < end + 1.0)
    off = (rows.everything_off[near], rod.everything_off[by_rod])
    if near.any() and all(each.all() for each in off):
        found.append("everything was off while listening")
    for test in tests_of(case.stops.made, leg, case.dig.stake_m):
        if not speaks_against(survey, test) and np.isfinite(test.supply_shut_db):
            found.append(f"stop test {test.test.id}: the sound dies with the supply")
    aside = near & (np.abs(rows.offset_m) >= setting("rival_aside_nearest").value)
    on_line = near & ~aside
    if "aside" in done and aside.any() and on_line.any():
        loudest = float(rows.level_db[on_line].max())
        if float(rows.level_db[aside].max()) <= loudest:
            off = rows.offset_m[aside]
            out = format_length(float(np.abs(off).max()), unit=unit)
            sides = [
                side for side, sign in (("left", -1.0), ("right", 1.0)) if (sign * off > 0).any()
            ]
            found.append(f"nothing louder up to {out} {' or '.join(sides)}")
    pushed = np.flatnonzero(rod.leg == leg)
    if "displaced" in done and len(pushed) and "rod" not in mute:
        at = float(rod.chainage_m[pushed[int(np.argmax(rod.level_db[pushed]))]])
        if start <= at <= end:
            found.append("a rod is loudest in this hole")
    return found


def _holes_dug(survey: Survey, hole: DigWindow) -> list[str]:
    """Return what dry holes dug so far mean for the next: deepen it, or why it is not there."""
    unit, found = survey.site.length_unit, []
    for each in (row for row in survey.holes if row.hole.outcome == "dry"):
        ends = (format_station(at, unit=unit) for at in (each.from_m, each.to_m))
        name, stretch = each.hole.id, f"{survey.legs[each.leg].name} {' to '.join(ends)}"
        if each.hole.pipe_exposed:
            found.append(f"hole {name} laid the pipe bare and dry at {stretch}: not there again")
        elif any(
            leg == each.leg and a < each.to_m and b > each.from_m for leg, a, b in hole.pieces
        ):
            found.append(
                f"hole {name} did not reach the pipe at {stretch}: deepen it first"
                if each.hole.pipe_exposed is not None
                else f"hole {name} is dry at {stretch}; if it did not reach the pipe, deepen it "
                "first"
            )
    return found


def percent(chance: float) -> str:
    """Return a chance in whole per cent, never 0 % or 100 %."""
    if chance < 0.01:
        return "under 1 %"
    if chance > 0.99:
        return "over 99 %"
    return f"{round(100 * chance)} %"
