"""Random lines and points for tests of linear referencing, each from a seed."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
CENTRE = np.array([615_000.0, 4_020_000.0])


def winding(vertices: int, *, seed: int, bend: float = 0.3, step: float = 3.0) -> Floats:
    """Return a line that winds: each run turned by a random angle (rad) from the one before."""
    rng = np.random.default_rng(seed)
    heading = np.cumsum(rng.normal(0.0, bend, vertices))
    runs = step * rng.uniform(0.2, 1.8, vertices)[:, None]
    steps = np.column_stack([np.cos(heading), np.sin(heading)]) * runs
    return np.cumsum(steps, axis=0) + CENTRE


def tangle(vertices: int, *, seed: int) -> Floats:
    """Return a random walk: a line that crosses itself everywhere."""
    return np.cumsum(np.random.default_rng(seed).normal(0.0, 2.0, (vertices, 2)), axis=0) + CENTRE


def around(vertices: Floats, count: int, *, seed: int, wide: float = 20.0) -> Floats:
    """Return points scattered over the line's surroundings."""
    low, high = vertices.min(axis=0) - wide, vertices.max(axis=0) + wide
    return np.random.default_rng(seed).uniform(low, high, (count, 2))


def beside(vertices: Floats, count: int, *, seed: int, wide: float = 3.0) -> Floats:
    """Return points near the line."""
    rng = np.random.default_rng(seed)
    return vertices[rng.integers(0, len(vertices), count)] + rng.normal(0.0, wide, (count, 2))
