"""The ground about a stake, for the cut on offset stakes."""

from __future__ import annotations

import numpy as np
import pytest

from geoleak.stake.ground import ground_plane


def shot(rng: np.random.Generator, count: int, *, across: float) -> np.ndarray:
    xy = rng.uniform(-1, 1, (count, 2)) * (15.0, across) + (500.0, 900.0)
    height = 100.0 + 0.04 * (xy[:, 0] - 500.0) - 0.1 * (xy[:, 1] - 900.0)
    return np.column_stack([xy, height])


def test_a_plane_comes_back() -> None:
    points = shot(np.random.default_rng(1), 12, across=8.0)
    points[3, 2] = np.nan
    plane = ground_plane(points, easting_m=502.0, northing_m=901.0)
    assert plane is not None
    assert plane.height_m == pytest.approx(100.0 + 0.08 - 0.1, abs=1e-9)
    rise = plane.height_at_m(502.0, 903.0) - plane.height_m
    assert rise == pytest.approx(-0.2, abs=1e-9)


def test_marks_in_one_line_do_not_tell_the_slope_across_it() -> None:
    points = shot(np.random.default_rng(2), 30, across=0.1)
    assert ground_plane(points, easting_m=500.0, northing_m=900.0) is None


def test_rough_or_distant_or_scanty_ground_is_no_plane() -> None:
    points = shot(np.random.default_rng(3), 20, across=8.0)
    rough = points + (0, 0, 1) * np.random.default_rng(4).normal(0, 0.6, (20, 1))
    assert ground_plane(rough, easting_m=500.0, northing_m=900.0) is None
    assert ground_plane(points, easting_m=900.0, northing_m=900.0) is None
    assert ground_plane(points[:3], easting_m=500.0, northing_m=900.0) is None
