"""Where the truth falls in the posterior, and whether those places are evenly spread."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from geoleak.posterior.infer import Posterior

BINS = 20
# 99.9 % point of chi-square with 19 degrees of freedom (checked against scipy in the tests).
CRITICAL = 43.8202


@dataclass(frozen=True, slots=True)
class Truth:
    """The leak: a leg and a chainage, or on no traced leg (``leg`` None)."""

    leg: int | None
    chainage_m: float = 0.0


def place_in_posterior(
    posterior: Posterior, truth: Truth, rng: np.random.Generator, *, sharpen: float = 1.0
) -> float:
    """Return the share of the posterior before the truth (elsewhere stands last), in 0..1.

    ``sharpen`` raises the density to that power: to show that the check can fail.
    """
    places = posterior.cells
    density = posterior.mass / places.width_m
    mass = np.append(density**sharpen * places.width_m, 0.0)
    total = places.width_m.sum()
    mass[-1] = (posterior.elsewhere / total) ** sharpen * total
    mass /= mass.sum()
    before = np.concatenate([[0.0], np.cumsum(mass)])
    if truth.leg is None:
        return float(before[-2] + rng.random() * mass[-1])
    rows = np.flatnonzero(places.leg == truth.leg)
    start = places.chainage_m[rows] - 0.5 * places.width_m[rows]
    i = int(np.clip(np.searchsorted(start, truth.chainage_m, side="right") - 1, 0, len(rows) - 1))
    inside = np.clip((truth.chainage_m - start[i]) / places.width_m[rows[i]], 0.0, 1.0)
    return float(before[rows[i]] + inside * mass[rows[i]])


def chi_square(values: np.ndarray) -> float:
    """Return the chi-square of ranks over equal bins, 19 degrees of freedom."""
    counts = np.histogram(values, bins=BINS, range=(0.0, 1.0))[0]
    expected = len(values) / BINS
    return float(((counts - expected) ** 2 / expected).sum())


def covers(posterior: Posterior, truth: Truth, pieces) -> bool:
    """Tell whether a set of pieces holds the truth."""
    return any(
        leg == truth.leg and start - 1e-9 <= truth.chainage_m <= end + 1e-9
        for leg, start, end in pieces
    )
