"""How long inference and advice take: ``python -m tests.benchmarks.bench_inference``.

One leg of 100 m with 40 readings (goal 100 ms), a network of 20 km with 500 readings (goal 2 s),
and the three best next readings (goal 1 s). Wall clock and processor time, best of several.
"""

from __future__ import annotations

import sys
import time

import numpy as np

from geoleak.advice.decide import decide
from geoleak.linref import Route
from geoleak.network.network import Joint
from geoleak.posterior.infer import infer
from geoleak.record import replace
from geoleak.survey.records import Survey
from tests import synthetic


def one_leg(rng: np.random.Generator) -> Survey:
    """Return a service of 100 m with 40 readings over a leak."""
    route = synthetic.straight(100.0)
    chainage = 25.0 + 1.2 * np.arange(40)
    return _with_readings([route], (), np.zeros(40, dtype=int), chainage, (0, 47.3), rng)


def big_network(rng: np.random.Generator, *, teeth: int = 20) -> Survey:
    """Return twice as many legs of 500 m in a comb, 500 readings along three of them."""
    main = [Route.from_vertices([(500.0 * i, 0.0), (500.0 * (i + 1), 0.0)]) for i in range(teeth)]
    side = [
        Route.from_vertices([(500.0 * i, 0.0), (500.0 * i, 500.0)]) for i in range(1, teeth + 1)
    ]
    joints = [Joint(i, 500.0, i + 1, 0.0) for i in range(teeth - 1)]
    joints += [Joint(i, 500.0, teeth + i, 0.0) for i in range(teeth)]
    leg = np.repeat([4, 5, teeth + 4], [200, 200, 100])
    chainage = np.concatenate([1.5 * np.arange(200), 1.5 * np.arange(200), 1.5 * np.arange(100)])
    return _with_readings([*main, *side], joints, leg, chainage, (5, 140.2), rng)


def _with_readings(routes, joints, leg, chainage, leak, rng) -> Survey:
    rows = synthetic.levels("surface", chainage, 0.0, leg=leg, routes=routes)
    place = np.stack([rows.easting_m, rows.northing_m], axis=1)
    source = np.asarray(routes[leak[0]].position(leak[1]))[:2]
    path = np.hypot(np.hypot(*(place - source).T), 1.0)
    power = 10 ** ((20.0 - 20 * np.log10(path) - 4.0 * (path - 1.0)) / 10)
    level = 40.0 + 10 * np.log10(1 + power) + rng.normal(0, 2.5, len(leg))
    rows = replace(rows, level_db=level)
    return synthetic.survey(routes, joints=joints, surface=rows)


def best(work, times: int) -> tuple[float, float]:
    """Return the least wall-clock and processor seconds of some runs."""
    wall, used = [], []
    for _ in range(times):
        start, busy = time.perf_counter(), time.process_time()
        work()
        wall.append(time.perf_counter() - start)
        used.append(time.process_time() - busy)
    return min(wall), min(used)


def main() -> int:
    """Print the table."""
    rng = np.random.default_rng(20261125)
    small, large = one_leg(rng), big_network(rng)
    found = infer(small)
    print("| what | wall s | processor s |")
    print("| --- | --- | --- |")
    for name, work, times in (
        ("100 m, 40 readings: posterior", lambda: infer(small), 10),
        (
            "100 m, 40 readings: advice with next readings",
            lambda: decide(small, found, setting_out_sigma=(0.05, 0.08), hole_half_width_m=0.3),
            5,
        ),
        ("20 km in 40 legs, 500 readings: posterior", lambda: infer(large), 2),
    ):
        wall, used = best(work, times)
        print(f"| {name} | {wall:.3f} | {used:.3f} |", flush=True)
    peak = infer(large).peaks[0]
    print(f"the large network's leak: leg {peak.leg} at {peak.median_m:.1f} m (truth 5 at 140.2 m)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
