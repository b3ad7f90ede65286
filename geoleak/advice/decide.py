"""Dig here, or listen on: the stake, the hole, the next hole, and why, in plain words.

A hole is a window of pipe: how much of the posterior it holds, and which holds most.
"""

from __future__ import annotations

import math

import numpy as np

from geoleak.advice.checks import Check, InHole, again, next_check, redo, rod_begun
from geoleak.advice.doubts import doubts_of
from geoleak.advice.next_readings import NextReading, next_readings, value_of_reading
from geoleak.advice.records import Case, Dig, Doubt, percent
from geoleak.evidence import speaks_against
from geoleak.posterior import Cells, Piece, Posterior, cumulative, emptied
from geoleak.record import Floats, Record
from geoleak.survey import Survey, past_ends_m
from geoleak.units import format_station, unit_m

# A crew listens where it suspects, and that counts; but nobody digs on it alone: with every metre
# of pipe alike the hole must hold this much still (common practice, no source).
EVEN_WHEN = 0.75
# What a hole leaves out is said against it from these chances on (common practice, no source):
# another place or no traced line; pipe farther aside than the hole is wide.
LEFT_OUT, ASIDE = 0.05, 0.03
STEP_M = 0.02
# A next hole with less chance than this is not named.
LEAST_THEN = 0.02
# Gauss-Hermite nodes and weights for a standard normal (setting-out error along the pipe).
_Z, _W = np.polynomial.hermite_e.hermegauss(7)
_W = _W / _W.sum()


class DigWindow(Record):
    """A stretch to open, in one piece or following a tee, with the chance that it holds the leak.

    ``chance`` counts elsewhere, setting out, and a pipe that lies farther aside than the hole.
    """

    pieces: tuple[Piece, ...]
    length_m: float
    chance: float


class LegMass(Record, eq=False):
    """Cumulative probability along one leg: `edges_m` (k + 1,) and the mass before each."""

    leg: int
    edges_m: Floats
    before: Floats

    @classmethod
    def of(cls, cells: Cells, leg: int, mass: Floats) -> LegMass:
        """Return the cumulative mass of a leg, from the mass of every cell."""
        return cls(leg, *cumulative(cells, np.flatnonzero(cells.leg == leg), mass))

    @property
    def length_m(self) -> float:
        """Length of the leg."""
        return float(self.edges_m[-1])

    def inside(self, from_m: Floats, to_m: Floats, *, sigma_m: float = 0.0) -> Floats:
        """Return the chance that windows hold, shape of `from_m`, as if set out with an error.

        The hole moves as a whole by a normal error of `sigma_m` along the pipe.
        """
        start, end = np.asarray(from_m, dtype=float), np.asarray(to_m, dtype=float)
        total = np.zeros(np.broadcast(start, end).shape)
        for z, w in zip(_Z, _W, strict=True):
            shift = sigma_m * z
            upper = np.interp(end + shift, self.edges_m, self.before)
            lower = np.interp(start + shift, self.edges_m, self.before)
            total += w * (upper - lower)
        return total


def chance_across(sigma_m: float, half_width_m: float) -> float:
    """Return the chance that the pipe lies within the width of the hole."""
    if sigma_m <= 0:
        return 1.0
    return math.erf(half_width_m / (sigma_m * math.sqrt(2.0)))


def best_window(
    leg: LegMass, length_m: float, *, holding_m: float | None, sigma_m: float
) -> tuple[float, float, float]:
    """Return (from, to, chance) of the best window of a leg.

    Parameters
    ----------
    leg : LegMass
    length_m : float
        Longest window.
    holding_m : float or None
        A chainage the window must hold.
    sigma_m : float
        Setting-out error along the pipe.
    """
    length = min(length_m, leg.length_m)
    low, high = 0.0, leg.length_m - length
    if holding_m is not None:
        low = max(low, holding_m - length)
        high = min(high, holding_m)
    high = max(high, low)
    count = int(np.clip(np.ceil((high - low) / STEP_M), 1, 4000)) + 1
    start = np.linspace(low, high, count)
    chance = leg.inside(start, start + length, sigma_m=sigma_m)
    # Of equal windows the middle one: the stake then stands as far from both ends as it can.
    best = np.flatnonzero(chance >= chance.max() - 1e-9)
    i = int(best[len(best) // 2])
    return float(start[i]), float(start[i] + length), float(chance[i])


class Holes(Record, eq=False):
    """Holes about the leading peak: set out along the pipe with an error, the pipe in them."""

    survey: Survey
    posterior: Posterior
    sigma_m: float
    """Setting-out error along the pipe."""
    across: float
    """Chance that the pipe lies within the width of the hole."""

    def best(self, length_m: float) -> DigWindow:
        """Return the best hole that holds the stake, following a tee where that finds more.

        Part of the length may turn into a leg that joins within reach of the stake; the straight
        part then reaches from the stake to the tee at least.
        """
        cells, offered, sigma = self.posterior.cells, self.posterior.offered, self.sigma_m
        peak = self.posterior.peaks[0]
        stake, leg = peak.median_m, LegMass.of(cells, peak.leg, offered)
        start, end, chance = best_window(leg, length_m, holding_m=stake, sigma_m=sigma)
        pieces: tuple[Piece, ...] = ((leg.leg, start, end),)
        for at, branch, joint in _tees(self.survey, leg.leg):
            if abs(at - stake) >= length_m:
                continue
            side = LegMass.of(cells, branch, offered)
            for turned in np.linspace(0.1, 0.9, 9) * length_m:
                low, high = sorted((at, stake))
                straight = length_m - turned
                if high - low > straight:
                    continue
                first = np.linspace(max(0.0, high - straight), min(low, leg.length_m), 9)
                last = np.minimum(first + straight, leg.length_m)
                held = leg.inside(first, last, sigma_m=sigma)
                i = int(np.argmax(held))
                for a, b in ((joint, joint + turned), (joint - turned, joint)):
                    a, b = max(a, 0.0), min(b, side.length_m)
                    if b - a < 0.02:
                        continue
                    more = float(side.inside(np.array(a), np.array(b), sigma_m=sigma))
                    # Worth the corner only where it finds clearly more.
                    if held[i] + more > chance + 0.01:
                        chance = float(held[i]) + more
                        pieces = ((leg.leg, float(first[i]), float(last[i])), (branch, a, b))
        return DigWindow(pieces, sum(b - a for _, a, b in pieces), min(chance, 1.0) * self.across)

    def held(self, hole: DigWindow, mass: Floats, *, sigma_m: float = 0.0) -> float:
        """Return how much of a mass on the cells a hole holds."""
        cells, total = self.posterior.cells, 0.0
        for leg, start, end in hole.pieces:
            along = LegMass.of(cells, leg, mass)
            total += float(along.inside(np.array(start), np.array(end), sigma_m=sigma_m))
        return total

    def by_explanation(self, hole: DigWindow) -> InHole:
        """Return what the hole holds under each explanation."""
        posterior = self.posterior
        open_share = posterior.offered / np.maximum(posterior.mass, 1e-300)
        held = tuple(
            self.across
            * min(self.held(hole, each.mass * open_share, sigma_m=self.sigma_m), each.chance)
            for each in posterior.explanations
        )
        return InHole(posterior.explanations, held)

    def even_chance(self, hole: DigWindow, in_hole: InHole) -> float:
        """Return the chance in the hole with every metre of pipe alike, listened to or not."""
        posterior = self.posterior
        if posterior.even is None:
            return hole.chance
        weighed = posterior.mass * posterior.even
        total = self.held(hole, posterior.mass) * (float(weighed.sum()) + posterior.elsewhere)
        return in_hole.chance * self.held(hole, weighed) / max(total, 1e-12)

    def by_length(self) -> tuple[tuple[float, float], ...]:
        """Return chance against length, in whole feet or quarter metres about the crew's own."""
        unit, middle = self.survey.site.length_unit, self.survey.site.crew.dig_length_m
        step = 0.25 if unit == "m" else unit_m(unit)
        first = max(1, round(0.4 * middle / step))
        last = max(first + 1, round(2.0 * middle / step))
        out = []
        for count in range(first, last + 1):
            hole = self.best(count * step)
            out.append((min(count * step, hole.length_m), hole.chance))
            if hole.length_m < count * step - 1e-6:  # all the pipe there is
                break
        return tuple(out)

    def second(self) -> float:
        """Return what a hole like the first would hold of the second peak alone."""
        other, cells = self.posterior.peaks[1], self.posterior.cells
        inside = (cells.chainage_m >= other.from_m) & (cells.chainage_m <= other.to_m)
        along = LegMass.of(cells, other.leg, np.where(inside, self.posterior.offered, 0.0))
        length, middle = self.survey.site.crew.dig_length_m, other.median_m
        window = best_window(along, length, holding_m=middle, sigma_m=self.sigma_m)
        return window[2] * self.across


def _tees(survey: Survey, leg: int) -> list[tuple[float, int, float]]:
    """Return where other legs join a leg: chainage here, the other leg, chainage there."""
    found = []
    for j in survey.network.joints:
        one, two = (j.leg_a, j.chainage_a_m), (j.leg_b, j.chainage_b_m)
        for (here, at), (other, there) in ((one, two), (two, one)):
            if here == leg != other:
                found.append((at, other, there))
    return found


def then_windows(
    posterior: Posterior, first: DigWindow, length_m: float, *, sigma_m: float, across: float
) -> tuple[DigWindow, ...]:
    """Return the next three holes, each the best of what the ones before it leave.

    Their chances are those once the first hole is dry.
    """
    left = max(1.0 - first.chance, 1e-9)
    mass = emptied(posterior.cells, posterior.offered, first.pieces)
    legs = np.unique(posterior.cells.leg).tolist()
    found: list[DigWindow] = []
    for _ in range(3):
        best: tuple[float, int, float, float] = (0.0, -1, 0.0, 0.0)
        for leg in legs:
            along = LegMass.of(posterior.cells, leg, mass)
            if along.before[-1] <= best[0]:
                continue
            start, end, chance = best_window(along, length_m, holding_m=None, sigma_m=sigma_m)
            if chance > best[0]:
                best = (chance, leg, start, end)
        chance, leg, start, end = best
        if chance / left < LEAST_THEN:
            break
        window = DigWindow(((leg, start, end),), end - start, min(chance * across / left, 1.0))
        found.append(window)
        mass = emptied(posterior.cells, mass, window.pieces)
    return tuple(found)


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
    setting_out_sigma: tuple[float, float],
    hole_half_width_m: float,
    most_readings: int = 3,
) -> Decision:
    """Return what to do: dig or listen on, with the hole and the reasons.

    Parameters
    ----------
    survey : Survey
    posterior : Posterior
    setting_out_sigma : (along_m, across_m)
        How far the stake may stand from the pipe it is meant for.
    hole_half_width_m : float
        Half the width of the hole, across the pipe.
    most_readings : int
        How many next readings to name; 0 leaves them and their value out.
    """
    length, peak, along_m = survey.site.crew.dig_length_m, posterior.peaks[0], setting_out_sigma[0]
    across = chance_across(setting_out_sigma[1], hole_half_width_m)
    holes = Holes(survey, posterior, along_m, across)
    hole = holes.best(length)
    in_hole = holes.by_explanation(hole)
    opened = Dig(
        hole.pieces,
        peak.leg,
        peak.median_m,
        setting_out_sigma,
        (0.5 * length, hole_half_width_m),
        in_hole.missed("aside"),
        hole.chance,
    )
    case = Case.of(survey, posterior, opened)
    told = doubts_of(case)
    doubts, codes = tuple(each for each in told if each.stops), {each.code for each in told}
    verdict, check, more = _verdict(case, holes, hole, in_hole, doubts)
    against = (
        *(each.text for each in doubts),
        *more,
        *(f"{each.text}: {each.job}" for each in told if not each.stops),
        *_against(case, holes, hole, coarse="coarse_points" in codes),
    )
    ahead = next_readings(survey, posterior, most=most_readings) if most_readings else None
    return Decision(
        verdict=verdict,
        reasons=(
            *(f"against: {text}" for text in dict.fromkeys(against)),
            *_for(case, hole, codes),
        ),
        leg=peak.leg,
        stake_m=peak.median_m,
        hole=hole,
        then=then_windows(posterior, hole, length, sigma_m=along_m, across=across),
        chance_by_length=holes.by_length(),
        next_readings=ahead.readings if ahead else (),
        value_of_reading=value_of_reading(survey, ahead, hole.chance) if ahead else None,
        check=check,
        in_hole=in_hole,
        doubts=doubts,
    )


def _verdict(
    case: Case, holes: Holes, hole: DigWindow, in_hole: InHole, doubts: tuple[Doubt, ...]
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
    even = holes.even_chance(hole, in_hole)
    if clears and even < EVEN_WHEN:
        said = f"only {percent(even)} if pipe nobody listened to is as likely as the rest"
        return ("listen_on" if check is None else "check_first"), check, (said,)
    if check is not None and (check.worth or not clears):
        dry = f"{percent(check.spared)} of such holes may be dry for what this check tells"
        said = f"{dry}: worth its {check.minutes:.0f} min"
        return "check_first", check, (said,) * check.worth
    return ("dig" if clears else "listen_on"), None, ()


def _for(case: Case, hole: DigWindow, doubted: set[str]) -> tuple[str, ...]:
    """Return what speaks for the place; ``doubted``: codes of what is said against it."""
    mute = ("surface", "contact") if case.silent else ()
    mute = (*mute, "rod") if doubted & {"rod_outside", "silent_rod", "rods_alike"} else mute
    fits = (f for f in case.posterior.fits if f.agrees and not f.against and f.kind not in mute)
    return (*_checked(case, hole, mute), *(each.text for each in fits))


def _against(case: Case, holes: Holes, hole: DigWindow, *, coarse: bool) -> tuple[str, ...]:
    """Return what speaks against the place and does not stop the dig by itself.

    ``coarse``: the points' own error is wider than a hole, so a line beside is no finding.
    """
    survey, posterior = case.survey, case.posterior
    found = [f.text for f in posterior.fits if f.against and f.agrees]
    meter = survey.meter
    told = meter and (meter.flow or any(each.code == "meter_run" for each in meter.warnings))
    if meter and told and meter.verdict == "cannot_tell":
        found.append("the meter cannot tell whether anything leaks")
    found += _holes_dug(case, hole)
    if hole.chance < survey.site.crew.dig_when:
        chance, least = percent(hole.chance), percent(survey.site.crew.dig_when)
        just = "just under " * (chance == least)
        size = case.length(hole.length_m)
        found.append(f"{just}{chance} in a {size} hole; the crew digs from {least}")
    if len(posterior.peaks) > 1 and posterior.peaks[1].mass > LEFT_OUT:
        other = posterior.peaks[1]
        found.append(
            f"a second place is possible: {case.station(other.leg, other.median_m)} "
            f"({percent(holes.second())} in such a hole)"
        )
    if posterior.second_leak is not None:
        other = posterior.second_leak
        place = case.station(other.leg, other.median_m)
        found.append(f"the readings ask for two leaks: the other near {place}")
    if posterior.elsewhere > LEFT_OUT:
        blamed = " as shot: the points are too coarse to tell" if coarse else ""
        off = f"{percent(posterior.elsewhere)} that the leak is not on any traced line"
        found.append(off + blamed)
    if (out := 1 - holes.across) > ASIDE:
        found.append(f"{percent(out)} that the pipe lies farther aside than the hole is wide")
    return tuple(found)


def _checked(case: Case, hole: DigWindow, mute: tuple[str, ...]) -> list[str]:
    """Return what the checks made so far have told of the place, but of kinds that are mute."""
    survey, posterior = case.survey, case.posterior
    rows, rod, found = survey.surface, survey.rod, []
    leg, start, end = hole.pieces[0]
    about = leg, 0.5 * (start + end), 0.5 * (end - start) + 1.0
    near, by_rod = rows.near(*about), rod.near(*about)
    done = {e.name for e in posterior.rivals if e.checked}
    off = (rows.everything_off[near], rod.everything_off[by_rod])
    if near.any() and all(each.all() for each in off):
        found.append("everything was off while listening")
    for test in case.tests:
        if not speaks_against(survey, test) and np.isfinite(test.supply_shut_db):
            found.append(f"stop test {test.test.id}: the sound dies with the supply")
    aside, on_line = near & rows.aside, near & ~rows.aside
    both = "aside" in done and aside.any() and on_line.any()
    if both and rows.level_db[aside].max() <= rows.level_db[on_line].max():
        out = rows.offset_m[aside]
        sides = [k for k, way in (("left", -1.0), ("right", 1.0)) if (way * out > 0).any()]
        far = case.length(float(np.abs(out).max()))
        found.append(f"nothing louder up to {far} {' or '.join(sides)}")
    pushed = np.flatnonzero(rod.leg == leg)
    if "displaced" in done and len(pushed) and "rod" not in mute:
        top = pushed[int(np.argmax(rod.level_db[pushed]))]
        off = rod.aside[top] or past_ends_m(survey, rod)[top]
        if start <= rod.chainage_m[top] <= end and not off:
            found.append("a rod is loudest in this hole")
    return found


def _holes_dug(case: Case, hole: DigWindow) -> list[str]:
    """Return what dry holes dug so far mean for the next: deepen it, or why it is not there."""
    found = []
    for each in (row for row in case.survey.holes if row.hole.outcome == "dry"):
        end = format_station(each.to_m, unit=case.survey.site.length_unit)
        name, stretch = each.hole.id, f"{case.station(each.leg, each.from_m)} to {end}"
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
