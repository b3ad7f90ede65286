"""Twice the nodes move the answer by less than 3 %: 30 sites, faint and loud, on slabs and off."""

from __future__ import annotations

import numpy as np
import pytest

from geoleak.posterior import run as inference
from geoleak.posterior.infer import InferenceOptions, infer
from tests.trials.faint_trial import without_rivals
from tests.trials.field import draw_faint, draw_field

pytestmark = pytest.mark.long


def answer(posterior):
    peak, cells = posterior.peaks[0], posterior.cells
    length = sum(b - a for _, a, b in posterior.interval_95)
    near = np.abs(cells.chainage_m - peak.median_m) < 0.75
    return np.array([length, peak.sigma_m, posterior.mass[near].sum()])


def test_doubling_the_nodes_moves_length_sigma_and_chance_by_under_three_per_cent(monkeypatch):
    moved = []
    for i in range(30):
        rng = np.random.default_rng([77, i])
        site = draw_faint(rng) if i % 2 else draw_field(rng, slab=i % 4 == 0)
        survey = without_rivals(site.survey)
        posterior = infer(survey)
        count = len(posterior.run.nodes)
        with monkeypatch.context() as patch:
            # As many again as settled it, and no stop before them.
            patch.setattr(inference, "SETTLED", 0.0)
            patch.setattr(inference, "MOST_NODES", 2 * count)
            patch.setattr(inference, "MOST_WORK", 10**9)
            twice = infer(survey, options=InferenceOptions())
        a, b = answer(posterior), answer(twice)
        moved.append(np.abs([a[0] / b[0] - 1, a[1] / b[1] - 1, a[2] - b[2]]))
    moved = np.array(moved)
    assert np.all(np.quantile(moved, 0.9, axis=0) < 0.03), moved
    assert np.all(np.median(moved, axis=0) < 0.01), moved
