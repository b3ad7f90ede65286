"""Processor time of a route fit against the number of marks and the longest run.

Run as ``python -m tests.benchmarks.bench_route``. Target: 1,000 marks in 2 s or less and 3,000 in
4 s, growing no faster than marks times the longest run.
"""

from __future__ import annotations

import time

import numpy as np

from geoleak.route import MarkArray, fit_route

SPACING_M = 1.2
SIGMA_M = 0.07
CASES = (
    (250, 20),
    (500, 20),
    (1000, 20),
    (2000, 20),
    (3000, 20),
    (1000, 100),
    (250, 250),
    (1000, 1000),
)


def marks(count: int, run: int) -> MarkArray:
    """Return so many marks with a bend after every `run` of them."""
    rng = np.random.default_rng(count + run)
    at = np.arange(count) // run
    turns = np.deg2rad(rng.choice([11.25, 22.5, 45.0, 90.0], at[-1] + 1))
    heading = np.cumsum(turns * np.where(np.arange(len(turns)) % 2, 1.0, -1.0))[at]
    step = SPACING_M * np.stack([np.sin(heading), np.cos(heading)], axis=1)
    points = np.cumsum(step, axis=0) + SIGMA_M * rng.standard_normal((count, 2))
    return MarkArray(
        easting_m=points[:, 0],
        northing_m=points[:, 1],
        height_m=100.0 + 0.03 * rng.standard_normal(count),
        depth_m=np.full(count, 0.9),
        sigma_across_m=np.full(count, SIGMA_M),
        sigma_along_m=np.full(count, 0.015),
        ids=tuple(str(1 + i) for i in range(count)),
    )


def main() -> None:
    """Print one line a case."""
    print(f"{'marks':>6} {'run':>5} {'bends':>6} {'seconds':>8} {'us/(marks x run)':>17}")
    for count, run in CASES:
        array = marks(count, run)
        took = []
        for _ in range(3):
            began = time.process_time()
            fit = fit_route(array)
            took.append(time.process_time() - began)
        best = min(took)
        share = 1e6 * best / (count * run)
        print(f"{count:6d} {run:5d} {len(fit.bends):6d} {best:8.3f} {share:17.2f}")


if __name__ == "__main__":
    main()
