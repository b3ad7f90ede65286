"""Holes: how much of the posterior a window of pipe holds, and which window holds most."""

from __future__ import annotations

import math

import numpy as np

from geoleak.posterior import Cells, Piece, Posterior, emptied
from geoleak.record import Floats, Record
from geoleak.survey import Survey

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
        rows = np.flatnonzero(cells.leg == leg)
        edges = np.append(cells.from_m[rows], cells.to_m[rows[-1]])
        return cls(leg, edges, np.concatenate([[0.0], np.cumsum(mass[rows])]))

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


def window_with_tee(
    posterior: Posterior,
    survey: Survey,
    leg: LegMass,
    length_m: float,
    *,
    holding_m: float,
    sigma_m: float,
) -> tuple[tuple[Piece, ...], float]:
    """Return the best hole that holds the stake, following a tee where that finds more.

    Part of the length may turn into a leg that joins within reach of the stake; the straight part
    then reaches from the stake to the tee at least.
    """
    start, end, chance = best_window(leg, length_m, holding_m=holding_m, sigma_m=sigma_m)
    pieces: tuple[Piece, ...] = ((leg.leg, start, end),)
    for at, branch, joint in _tees(survey, leg.leg):
        if abs(at - holding_m) >= length_m:
            continue
        side = LegMass.of(posterior.cells, branch, posterior.offered)
        for turned in np.linspace(0.1, 0.9, 9) * length_m:
            low, high = sorted((at, holding_m))
            straight = length_m - turned
            if high - low > straight:
                continue
            first = np.linspace(max(0.0, high - straight), min(low, leg.length_m), 9)
            last = np.minimum(first + straight, leg.length_m)
            held = leg.inside(first, last, sigma_m=sigma_m)
            i = int(np.argmax(held))
            for a, b in ((joint, joint + turned), (joint - turned, joint)):
                a, b = max(a, 0.0), min(b, side.length_m)
                if b - a < 0.02:
                    continue
                more = float(side.inside(np.array(a), np.array(b), sigma_m=sigma_m))
                # Worth the corner only where it finds clearly more.
                if held[i] + more > chance + 0.01:
                    chance = float(held[i]) + more
                    pieces = ((leg.leg, float(first[i]), float(last[i])), (branch, a, b))
    return pieces, chance


def _tees(survey: Survey, leg: int) -> list[tuple[float, int, float]]:
    """Return where other legs join a leg: chainage here, the other leg, chainage there."""
    found = []
    for joint in survey.network.joints:
        if joint.leg_a == leg and joint.leg_b != leg:
            found.append((joint.chainage_a_m, joint.leg_b, joint.chainage_b_m))
        elif joint.leg_b == leg and joint.leg_a != leg:
            found.append((joint.chainage_b_m, joint.leg_a, joint.chainage_a_m))
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
