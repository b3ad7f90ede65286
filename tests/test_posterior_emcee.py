"""The posterior against a Markov chain over every unknown (emcee), one site of each kind."""

from __future__ import annotations

import numpy as np
import pytest

from geoleak.evidence.base import Nodes, candidates
from geoleak.evidence.contact import ContactEvidence
from geoleak.evidence.delay import DelayEvidence
from geoleak.evidence.robust import FREEDOM
from geoleak.evidence.surface import SurfaceEvidence
from geoleak.evidence.tracer import TracerEvidence
from geoleak.posterior.infer import infer
from geoleak.survey.records import PipePlace, SurveyedDelay
from tests import synthetic

emcee = pytest.importorskip("emcee")
LENGTH = 30.0


def levels_log_posterior(kind, survey):
    """Return the log density over place, strength, floor and every shared unknown."""
    rows = np.arange(len(kind.pooled))
    data = kind.data(rows)
    count = len(kind.nuisances)

    def log_posterior(theta):
        place, strength, floor = theta[:3]
        z = theta[3:]
        if not 0 < place < LENGTH:
            return -np.inf
        at = candidates(survey, np.array([0]), np.array([place]), np.array([1.0]))
        ground = kind.ground(at, Nodes.even(kind.nuisances, z[None, :]), 0)
        power = kind.gain(kind.geometry(at, rows), ground, rows)
        total = 1.0 + kind.over_background(power, ground, rows, np.array([strength]))[0, 0]
        added = kind.added(total, ground, rows)
        sigma = data.sigma * ground.scale * np.sqrt(kind.relief(total, ground, rows))
        error = (data.level - floor - added) / sigma
        value = -0.5 * (FREEDOM + 1) * np.log1p(error**2 / FREEDOM).sum() - np.log(sigma).sum()
        value -= 0.5 * ((strength - kind.strength.value) / kind.strength.spread) ** 2
        value -= 0.5 * ((floor - data.floor_mean) / data.floor_sigma) ** 2
        return float(value - 0.5 * z @ z)

    return log_posterior, 3 + count


def sampled(log_posterior, start, steps=2500, seed=3):
    walkers, size = start.shape
    np.random.seed(seed)  # noqa: NPY002 - emcee draws from the global state
    sampler = emcee.EnsembleSampler(walkers, size, log_posterior)
    sampler.run_mcmc(start, steps)
    chain = sampler.get_chain(discard=steps // 3, flat=True)[:, 0]
    length = sampler.get_autocorr_time(tol=0)[0]
    return chain, len(chain) / max(length, 1.0)


def quantiles(posterior, levels):
    edges = np.append(posterior.cells.chainage_m - 0.5 * posterior.cells.width_m, LENGTH)
    total = np.concatenate([[0.0], np.cumsum(posterior.mass)]) / posterior.mass.sum()
    return np.interp(levels, total, edges)


def compare(posterior, chain, effective):
    levels = np.array([0.1, 0.25, 0.5, 0.75, 0.9])
    mine = quantiles(posterior, levels)
    # The share of the chain below each of our quantiles, within Monte Carlo error and 3 %.
    share = np.array([(chain < q).mean() for q in mine])
    error = 3 * np.sqrt(levels * (1 - levels) / effective) + 0.03
    assert np.all(np.abs(share - levels) < error), (levels, share, error)


def start_at(place, floor, strength, count, rng, walkers=32):
    start = 0.3 * rng.standard_normal((walkers, count))
    start[:, 0] += place
    start[:, 1] += strength
    start[:, 2] += floor
    return start


@pytest.mark.parametrize("kind", ["surface", "contact", "gas"])
def test_levels(kind):
    rng = np.random.default_rng(11)
    route = synthetic.straight(LENGTH)
    if kind == "surface":
        chainage = np.arange(8.0, 24.0, 1.2)
        path = np.hypot(chainage - 15.4, 1.0)
        level = 40 + 10 * np.log10(1 + 10 ** (1.6 - 2 * np.log10(path) - 0.3 * (path - 1)))
        make, strength, place = SurfaceEvidence, 14.0, 15.4
    elif kind == "contact":
        chainage = np.array([0.5, 8.0, 15.0, 22.0, 29.5])
        level = 60.0 - 1.0 * np.abs(chainage - 15.0)
        make, strength, place = ContactEvidence, 30.0, 15.0
    else:
        chainage = np.arange(3.0, 28.0, 3.0)
        level = 2.0 + 200.0 / (1 + (chainage - 15.0) ** 2 / 4) ** 1.5
        make, strength, place = (lambda s: TracerEvidence(s, s.gas)), 20.0, 15.0
    level = level + (0 if kind == "gas" else 1.5 * rng.standard_normal(len(chainage)))
    rows = synthetic.levels(kind, chainage, level, route=route)
    survey = synthetic.survey([route], joint_factor=1.0, **{kind: rows})
    evidence = make(survey)
    log_posterior, count = levels_log_posterior(evidence, survey)
    start = start_at(place, float(np.median(evidence.pooled.level)), strength, count, rng)
    chain, effective = sampled(log_posterior, start, steps=400)
    compare(infer(survey), chain, effective)


def test_delay():
    rng = np.random.default_rng(12)
    route = synthetic.straight(LENGTH)
    ends = (PipePlace(0, 0.0), PipePlace(0, LENGTH))
    delay = SurveyedDelay("d", *ends, (2 * 9.0 - LENGTH) / 1250, 1e-3)
    survey = synthetic.survey([route], delays=(delay,), material="copper", joint_factor=1.0)
    kind = DelayEvidence(survey)
    mean, sigma = kind.speeds.slowness[0], np.sqrt(kind.speeds.covariance[0, 0])
    noise = kind._noise(delay)

    def log_posterior(theta):
        place, z = theta
        if not 0 < place < LENGTH:
            return -np.inf
        off = (delay.delay_s - (2 * place - LENGTH) * (mean + sigma * z)) / noise
        good = (1 - kind.wrong) * np.exp(-0.5 * off**2) / (noise * np.sqrt(2 * np.pi))
        return float(np.log(good + kind.wrong / (2 * kind.span_s[0])) - 0.5 * z * z)

    start = np.stack([rng.uniform(5, 13, 40), 0.3 * rng.standard_normal(40)], axis=1)
    chain, effective = sampled(log_posterior, start, steps=1200)
    compare(infer(survey), chain, effective)
