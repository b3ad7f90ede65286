"""Simulation-based calibration, short; ``python -m tests.trials.calibration`` runs it long."""

from __future__ import annotations

import numpy as np
import pytest

from geoleak.closeout.record import exact_p
from tests.check_values import check_value
from tests.command import at_length
from tests.trials.calibration import calibrate
from tests.trials.ranks import CRITICAL, chi_square

SEED = 20261125


def test_critical_value():
    value = check_value("chi2_19_999")
    assert value.expected == pytest.approx(CRITICAL, abs=value.tolerance)
    stats = pytest.importorskip("scipy.stats")
    assert stats.chi2.ppf(0.999, 19) == pytest.approx(CRITICAL, abs=value.tolerance)


@at_length(
    ("kind", "sites", "seed"),
    [("surface", 20, SEED), ("delay", 40, SEED), ("hole", 66, SEED)],
    [("surface", 60, SEED), ("delay", 60, SEED), ("all", 60, SEED), ("hole", 250, 5)],
)
def test_truths_are_evenly_spread_in_the_posterior(kind, sites, seed, few_nodes):
    """Talts et al. 2018; sharpened and flattened posteriors fare worse, or the check is blind."""
    found = calibrate(kind, sites, seed=seed)
    assert found.right < CRITICAL
    assert found.sharpened > found.right
    assert found.flattened > found.right
    if sites >= 250:  # enough for both to fail outright
        assert found.sharpened > CRITICAL
        assert found.flattened > CRITICAL
    error = np.sqrt(0.95 * 0.05 / sites)
    assert found.coverage_95 == pytest.approx(0.95, abs=4 * error)


def test_the_check_fails_on_uneven_ranks():
    even = (np.arange(1000) + 0.5) / 1000
    assert chi_square(even) == 0.0
    assert chi_square(even**1.3) > CRITICAL


def test_exact_binomial():
    stats = pytest.importorskip("scipy.stats")
    exact = stats.binomtest(17, 20, 0.9).pvalue
    assert exact_p([True] * 17 + [False] * 3, [0.9] * 20) == pytest.approx(exact)
