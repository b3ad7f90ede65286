"""Where a person with tapes ends up: an oracle of its own, by scipy's least squares."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.optimize import least_squares


def place_by_tapes(
    at_m: Sequence[tuple[float, float]], distances_m: Sequence[float], *, side: str | None = None
) -> np.ndarray:
    """Return the place (2,) that tapes from points (k, 2) fit best, on one side of the first two.

    ``side`` is left or right of the line from the first point to the second; without it the side
    that fits better.
    """
    at, length = np.asarray(at_m, dtype=float), np.asarray(distances_m, dtype=float)
    along = at[1] - at[0]
    aside = np.array([-along[1], along[0]])
    found = []
    for sign in {"left": (1.0,), "right": (-1.0,), None: (1.0, -1.0)}[side]:
        start = at[:2].mean(axis=0) + 0.5 * sign * aside
        found.append(
            least_squares(
                lambda place: np.hypot(*(place - at).T) - length, start, xtol=1e-14, ftol=1e-14
            )
        )
    return np.asarray(min(found, key=lambda each: float(each.cost)).x)
