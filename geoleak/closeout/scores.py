"""How one closed-out site's odds did: where the leak fell in them, and proper scores.

Source of the scores: Gneiting, Raftery (2007), "Strictly proper scoring rules, prediction, and
estimation", J. Am. Stat. Assoc. 102, 359 (from memory).
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from geoleak.record import Record

Floats = npt.NDArray[np.float64]


class Scores(Record):
    """How the odds along the pipe did, given that the leak is on a traced leg at all.

    Attributes
    ----------
    quantile : float
        Chance put before the place found, legs in their order (the probability integral
        transform): uniform over many sites where the odds are honest.
    log_score : float
        Log of the chance per metre at the place found; -inf where there was none.
    crps_m : float or None
        Continuous ranked probability score along the leak's leg: the mean distance that a place
        drawn from the odds is off, less half of that between two such places. A single stated
        place scores its error. None where that leg was given no chance at all.
    """

    quantile: float
    log_score: float
    crps_m: float | None


def scores(result: Mapping[str, Any], found: str, chainage: float) -> Scores | None:
    """Return the scores of a result, the leak found at a chainage of a leg that it knows."""
    before = total = 0.0
    held: tuple[Floats, Floats, Floats] | None = None
    for leg in result["profile"]:
        at, density = np.asarray(leg["chainage_m"]), np.asarray(leg["density_per_m"])
        if len(at) < 2:
            continue
        mass = np.concatenate([[0.0], np.cumsum(np.diff(at) * (density[1:] + density[:-1]) / 2)])
        total += float(mass[-1])
        if leg["leg"] == found:
            before += float(np.interp(chainage, at, mass))
            held = at, density, mass
        elif held is None:
            before += float(mass[-1])
    if held is None or total <= 0:
        return None
    at, density, mass = held
    here = float(np.interp(chainage, at, density, left=0.0, right=0.0)) / total
    log = math.log(here) if here > 0 else -math.inf
    crps = _crps(at, mass / mass[-1], chainage) if mass[-1] > 0 else None
    return Scores(before / total, log, crps)


def _crps(at: Floats, below: Floats, truth: float) -> float:
    """Return the integral of (chance below, less a step at the truth) squared, linear between."""
    along = np.unique(np.append(at, truth))
    held = np.interp(along, at, below, left=0.0, right=1.0)
    cut = int(np.searchsorted(along, truth))
    before = _integral_of_square(along[: cut + 1], held[: cut + 1])
    return before + _integral_of_square(along[cut:], 1.0 - held[cut:])


def _integral_of_square(at: Floats, value: Floats) -> float:
    """Return the integral of the square of a line through points."""
    one, two = value[:-1], value[1:]
    return float((np.diff(at) * (one * one + one * two + two * two)).sum() / 3.0)


def loudest_error_m(result: Mapping[str, Any], leg: str, chainage: float) -> float | None:
    """Return how far the loudest surface reading of the leak's leg stood from the leak."""
    rows = [r for r in result["readings"] if r["kind"] == "surface" and r["leg"] == leg]
    if not rows:
        return None
    return abs(max(rows, key=lambda each: each["level_db"])["chainage_m"] - chainage)
