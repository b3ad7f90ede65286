"""Routes that turn back or jog within a step, and locators that jump to another line for a block.

Run as ``python -m tests.trials.tight_routes --routes 60``: for each kind the error of the length,
good marks taken for strays, marks of the block among the strays, and what the fit says.
"""

from __future__ import annotations

import argparse
import time
from collections import Counter
from dataclasses import dataclass

import numpy as np

from geoleak.record import replace
from geoleak.route import fit_route
from geoleak.route.alignment import Alignment
from tests.trials.random_routes import RandomRoute, marked
from tests.trials.route_trial import PLACES, aside, marks_of, told_the_bends

# Straights as a fixed length, or a range of metres, with the turn in degrees after each.
SHAPES: dict[str, tuple[tuple[tuple[float, float], float], ...]] = {
    "hairpin": (((6.0, 15.0), 90.0), ((1.1, 1.1), 90.0), ((6.0, 15.0), 0.0)),
    "two hairpins": (
        ((6.0, 12.0), 90.0), ((1.1, 1.1), 90.0), ((6.0, 10.0), -90.0),
        ((1.1, 1.1), -90.0), ((6.0, 12.0), 0.0),
    ),
    "s-bend": (((6.0, 15.0), 90.0), ((1.1, 1.1), -90.0), ((6.0, 15.0), 0.0)),
    "two s-bends": (
        ((5.0, 12.0), 90.0), ((1.1, 1.1), -90.0), ((3.0, 8.0), -90.0), ((1.1, 1.1), 90.0),
        ((5.0, 12.0), 0.0),
    ),
    "loop aside": (
        ((5.0, 12.0), 90.0), ((1.5, 3.0), -90.0), ((1.1, 2.5), -90.0), ((1.5, 3.0), 90.0),
        ((5.0, 12.0), 0.0),
    ),
    "jog": (((5.0, 15.0), 45.0), ((0.8, 1.6), -45.0), ((5.0, 15.0), 0.0)),
    "block aside": (((15.0, 30.0), 0.0),),
    "block aside, bend": (((8.0, 20.0), 45.0), ((8.0, 20.0), 0.0)),
}  # fmt: skip


def tight_route(kind: str, rng: np.random.Generator) -> tuple[RandomRoute, np.ndarray]:
    """Return a route of a kind with its marks, and which of them followed another line."""
    heading = rng.uniform(0, 2 * np.pi)
    side = rng.choice([-1.0, 1.0])
    points = [np.zeros(2)]
    for (low, high), turn in SHAPES[kind]:
        points.append(
            points[-1] + rng.uniform(low, high) * np.array([np.sin(heading), np.cos(heading)])
        )
        heading += np.deg2rad(turn) * side
    line = np.array(points)
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    shape = Alignment(line, np.zeros(len(line)))
    route = marked(rng, line, along, len(line) - 2, False, shape, 0.8)
    block = np.zeros(len(route.marks), dtype=bool)
    if kind.startswith("block"):
        count = int(rng.integers(4, min(9, len(block) - 5)))
        first = int(rng.integers(3, len(block) - count - 2))
        block[first : first + count] = True
        _, unit = route.at(route.feet_chainage_m)
        right = np.stack([unit[:, 1], -unit[:, 0]], axis=1)
        aside = rng.choice([-1.0, 1.0]) * rng.uniform(1.0, 2.0)
        route = replace(route, marks=route.marks + np.where(block, aside, 0.0)[:, None] * right)
    return route, block


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one route gave."""

    length_error: float
    told_error: float
    z: float
    inside: float
    """Share of places that lie within 1.96 sigma sideways."""
    good_lost: int
    block_left: int
    codes: tuple[str, ...]
    seconds: float


def one(kind: str, rng: np.random.Generator) -> Outcome:
    """Fit one route of a kind."""
    route, block = tight_route(kind, rng)
    began = time.process_time()
    fit = fit_route(marks_of(route))
    took = time.process_time() - began
    at = np.linspace(0.0, fit.route.length_m, PLACES + 2)[1:-1]
    away = np.abs(aside(route, fit.route, at))
    stray = np.zeros(len(block), dtype=bool)
    stray[fit.strays] = True
    return Outcome(
        fit.route.length_m / route.length_m - 1.0,
        told_the_bends(route).length_m / route.length_m - 1.0,
        (fit.route.length_m - route.length_m) / fit.length_sigma_m,
        float(np.mean(away <= 1.96 * fit.sigma_across_m(at))),
        int((stray & ~block & ~route.stray).sum()),
        int((block & ~stray).sum()),
        tuple(sorted({each.code for each in fit.warnings})),
        took,
    )


def main() -> None:
    """Print one line a kind."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--routes", type=int, default=60)
    parser.add_argument("--seed", type=int, default=20261126)
    parser.add_argument("--kinds", nargs="+", default=list(SHAPES), choices=list(SHAPES))
    asked = parser.parse_args()
    print(
        "kind                 median %   told %   worst %   >3 %   |z|<2   sideways 95 %   lost"
        "   routes   s"
    )
    for kind in asked.kinds:
        rng = np.random.default_rng([asked.seed, list(SHAPES).index(kind)])
        found = [one(kind, rng) for _ in range(asked.routes)]
        error = 100 * np.array([each.length_error for each in found])
        told = 100 * np.array([each.told_error for each in found])
        z = np.array([each.z for each in found])
        lost = np.array([each.good_lost for each in found])
        said = Counter(code for each in found for code in each.codes)
        took = np.mean([each.seconds for each in found])
        worst = error[np.argmax(np.abs(error))]
        print(
            f"{kind:20s} {np.median(np.abs(error)):8.2f} {np.median(np.abs(told)):8.2f}"
            f" {worst:9.1f}"
            f" {(np.abs(error) > 3).sum():6d} {np.mean(np.abs(z) < 2):7.2f}"
            f" {np.mean([each.inside for each in found]):14.3f}"
            f" {lost.sum():6d} {(lost >= 3).sum():8d}   {took:.2f}   {dict(said)}",
            flush=True,
        )


if __name__ == "__main__":
    main()
