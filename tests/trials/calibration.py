"""Simulation-based calibration of every kind of evidence: ``python -m tests.trials.calibration``.

Truths are drawn from the prior, readings from the model; the truth's place in the posterior must
then be evenly spread (Talts et al. 2018, arXiv:1804.06788). Posteriors sharpened and flattened on
purpose must fail the same test.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass

import numpy as np

from geoleak.posterior.infer import infer
from tests.trials.model_sites import SITES
from tests.trials.ranks import CRITICAL, chi_square, covers, place_in_posterior


@dataclass(frozen=True, slots=True)
class Calibration:
    """Chi-squares of the ranks (19 degrees of freedom) and coverage of the sets."""

    kind: str
    sites: int
    right: float
    sharpened: float
    flattened: float
    coverage_50: float
    coverage_80: float
    coverage_95: float


def calibrate(kind: str, sites: int, *, seed: int = 20261125) -> Calibration:
    """Run one kind."""
    rng = np.random.default_rng(seed)
    places = np.empty((3, sites))
    held: list[tuple[bool, bool, bool]] = []
    for i in range(sites):
        survey, truth = SITES[kind](rng)
        posterior = infer(survey)
        for k, power in enumerate((1.0, 2.0, 0.5)):
            places[k, i] = place_in_posterior(posterior, truth, rng, sharpen=power)
        if truth.leg is not None:
            held.append(
                tuple(
                    covers(posterior, truth, pieces)
                    for pieces in (
                        posterior.interval_50,
                        posterior.interval_80,
                        posterior.interval_95,
                    )
                )
            )
    coverage = np.mean(np.array(held, dtype=float), axis=0)
    return Calibration(kind, sites, *(chi_square(row) for row in places), *coverage.tolist())


def main(arguments: list[str] | None = None) -> int:
    """Print the table; the exit code is 1 where a kind fails."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=1000)
    parser.add_argument("--kinds", nargs="*", default=list(SITES))
    parser.add_argument("--seed", type=int, default=20261125)
    chosen = parser.parse_args(arguments)
    print("| kind | sites | chi2 | sharpened | flattened | 50 % | 80 % | 95 % | s |")
    print("| --- | --- | --- | --- | --- | --- | --- | --- | --- |")
    failed = False
    for kind in chosen.kinds:
        start = time.perf_counter()
        c = calibrate(kind, chosen.sites, seed=chosen.seed)
        took = time.perf_counter() - start
        failed |= c.right > CRITICAL
        print(
            f"| {kind} | {c.sites} | {c.right:.1f} | {c.sharpened:.1f} | {c.flattened:.1f} | "
            f"{c.coverage_50:.3f} | {c.coverage_80:.3f} | {c.coverage_95:.3f} | {took:.0f} |",
            flush=True,
        )
    print(f"99.9 % point of chi-square, 19 degrees of freedom: {CRITICAL}")
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
