"""The posterior against a model written anew from shared/method/evidence.md, one site a kind.

Nothing here is imported of evidence/: the page says what the model is, the tables hold its figures,
emcee (Foreman-Mackey et al. 2013, PASP 125, 306) samples place and every unknown of it.
"""

from __future__ import annotations

import numpy as np
import pytest

from geoleak.posterior.infer import infer
from geoleak.survey.records import PipePlace, SurveyedDelay
from geoleak.tables import material, setting, soil
from tests import synthetic
from tests.command import at_length

emcee = pytest.importorskip("emcee")
LENGTH = 30.0
LEVEL_SIGMA, PLACE_SIGMA = 2.5, 1.5


def t4(z):
    """Log density of Student's t with four degrees of freedom: log(3/8) - 5/2 log(1 + z^2/4)."""
    return np.log(0.375) - 2.5 * np.log1p(z * z / 4.0)


def level_chances(level, ratio, floor, scale, place_variance, gusty, memory=0.0):
    """Log likelihood of readings (walkers, rows) with the leak's power over the background.

    Rows in order along the line, their errors alike by `memory`.
    """
    share = 1.0 / (1.0 + ratio)
    level_variance = LEVEL_SIGMA**2 * (1.0 - gusty + gusty * share**2)
    sigma = 0.831 * scale * np.sqrt(place_variance + level_variance)
    error = level - floor - 10.0 * np.log10(1.0 + ratio)
    beside = np.pad(error, ((0, 0), (1, 1)))
    fresh = error - 0.5 * memory * (beside[:, :-2] + beside[:, 2:])
    return (t4(fresh / sigma) - np.log(sigma)).sum(axis=1)


def surface_model(at, level, *, depth, depth_sigma, listened):
    """Place, strength, floor, and deviates of soil, pipe, carried share, depth, error."""
    ground, pipe = soil("unknown"), material("pvc")
    gust, meter = setting("gust_sigma").value, setting("meter_sigma").value
    gusty = gust**2 / (gust**2 + meter**2)
    alike = setting("error_memory")
    memory = alike.value * np.exp(-(at[1] - at[0]) / alike.spread)
    reach = setting("listened_reach").value
    first, last = max(at.min() - reach, 0.0), min(at.max() + reach, LENGTH)
    even = (last - first) / LENGTH

    def log_posterior(theta):
        place, strength, floor = (theta[:, i, None] for i in range(3))
        z = theta[:, 3:]
        deep = np.maximum(depth + depth_sigma * z[:, 3, None], 0.15)
        loss = ground.loss_db_per_m * np.exp(ground.loss_log_sigma * z[:, 0, None])
        along = np.abs(at - place)
        straight = np.hypot(along, deep)
        direct = 20 * np.log10(deep / straight) - loss * (straight - deep)
        carried = -12.0 + 6.0 * z[:, 2, None]
        piped = carried - pipe.loss_db_per_m * np.exp(pipe.loss_log_sigma * z[:, 1, None]) * along
        gain = 10 ** (direct / 10) + 10 ** (piped / 10)
        scale = np.exp(0.25 * z[:, 4, None])
        place2 = PLACE_SIGMA**2
        rows = (floor, scale, place2, gusty, memory)
        heard = level_chances(level, 10 ** (strength / 10) * gain, *rows)
        silent = level_chances(level, 0.0 * gain, *rows)
        value = np.logaddexp(np.log(0.8) + heard, np.log(0.2) + silent)
        inside = (theta[:, 0] > first) & (theta[:, 0] < last)
        value += np.where(inside, np.log(listened / even), np.log((1 - listened) / (1 - even)))
        value -= 0.5 * ((theta[:, 1] - 14.0) / 7.0) ** 2
        value -= 0.5 * ((theta[:, 2] - np.median(level)) / 30.0) ** 2
        return value - 0.5 * (z**2).sum(axis=1)

    return log_posterior, 5


def contact_model(at, level):
    """Place, strength, floor, and deviates of the pipe's loss and the error."""
    pipe = material("pvc")
    gust, meter = setting("gust_sigma").value, setting("meter_sigma").value
    gusty = gust**2 / (gust**2 + meter**2)

    def log_posterior(theta):
        place, strength, floor = (theta[:, i, None] for i in range(3))
        z = theta[:, 3:]
        loss = pipe.loss_db_per_m * np.exp(pipe.loss_log_sigma * z[:, 0, None])
        ratio = 10 ** ((strength - loss * np.abs(at - place)) / 10)
        scale = np.exp(0.25 * z[:, 1, None])
        value = level_chances(level, ratio, floor, scale, PLACE_SIGMA**2 + 3.0**2, gusty)
        value -= 0.5 * ((theta[:, 1] - 30.0) / 12.0) ** 2
        value -= 0.5 * ((theta[:, 2] - np.median(level)) / 30.0) ** 2
        return value - 0.5 * (z**2).sum(axis=1)

    return log_posterior, 2


def gas_model(at, reading):
    """Place, strength, floor, and deviates of the plume's width and the error."""
    level = 10 * np.log10(1.0 + reading)

    def log_posterior(theta):
        place, strength, floor = (theta[:, i, None] for i in range(3))
        z = theta[:, 3:]
        width = 2.0 * np.exp(0.5 * z[:, 0, None])
        ratio = 10 ** (strength / 10) * (1.0 + ((at - place) / width) ** 2) ** -1.5
        sigma = 0.831 * np.exp(0.25 * z[:, 1, None]) * np.hypot(4.0, 4.0)
        error = level - floor - 10 * np.log10(1.0 + ratio)
        value = (t4(error / sigma) - np.log(sigma)).sum(axis=1)
        value -= 0.5 * ((theta[:, 1] - 20.0) / 10.0) ** 2
        value -= 0.5 * ((theta[:, 2] - np.median(level)) / 30.0) ** 2
        return value - 0.5 * (z**2).sum(axis=1)

    return log_posterior, 2


def sampled(log_posterior, start, steps, seed=3):
    walkers, size = start.shape

    def on_the_pipe(theta):
        on = (theta[:, 0] > 0) & (theta[:, 0] < LENGTH)
        return np.where(on, log_posterior(theta), -np.inf)

    np.random.seed(seed)  # noqa: NPY002 - emcee draws from the global state
    sampler = emcee.EnsembleSampler(walkers, size, on_the_pipe, vectorize=True)
    sampler.run_mcmc(start, steps)
    chain = sampler.get_chain(discard=steps // 3, flat=True)[:, 0]
    length = sampler.get_autocorr_time(tol=0)[0]
    return chain, len(chain) / max(length, 1.0)


def compare(posterior, chain, effective):
    """The share of the chain below each of our quantiles, within Monte Carlo error and 2 %."""
    levels = np.array([0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95])
    total = np.concatenate([[0.0], np.cumsum(posterior.line.mass)])
    edges = np.append(posterior.cells.from_m, LENGTH)
    mine = np.interp(levels, total / total[-1], edges)
    share = np.array([(chain < q).mean() for q in mine])
    error = 3 * np.sqrt(levels * (1 - levels) / effective) + 0.02
    assert np.all(np.abs(share - levels) < error), (levels, share, error)


def start_at(place, strength, floor, count, rng, walkers=40):
    start = 0.3 * rng.standard_normal((walkers, 3 + count))
    return start + np.array([place, strength, floor, *np.zeros(count)])


@at_length("strength", [11.0], [18.0])
def test_surface(strength):
    rng = np.random.default_rng(11)
    at = np.arange(8.0, 24.0, 1.0)
    path = np.hypot(at - 15.4, 1.0)
    direct = strength - 20 * np.log10(path) - 3.0 * (path - 1.0)
    level = 40 + 10 * np.log10(1 + 10 ** (direct / 10)) + 1.5 * rng.standard_normal(len(at))
    rows = synthetic.levels("surface", at, level, route=synthetic.straight(LENGTH))
    survey = synthetic.survey([synthetic.straight(LENGTH)], surface=rows, joint_factor=1.0)
    listened = 0.8 * (1.0 - np.exp(-len(at) / 5.0))
    model, count = surface_model(at, level, depth=1.0, depth_sigma=0.1, listened=listened)
    start = start_at(15.4, strength, 40.0, count, rng)
    compare(infer(survey), *sampled(model, start, 6000))


def test_contact():
    rng = np.random.default_rng(12)
    at = np.array([0.5, 8.0, 15.0, 22.0, 29.5])
    level = 60.0 - 1.0 * np.abs(at - 15.0) + 1.5 * rng.standard_normal(5)
    rows = synthetic.levels("contact", at, level, route=synthetic.straight(LENGTH))
    survey = synthetic.survey([synthetic.straight(LENGTH)], contact=rows, joint_factor=1.0)
    model, count = contact_model(at, level)
    compare(infer(survey), *sampled(model, start_at(15.0, 30.0, 45.0, count, rng), 6000))


def test_gas():
    rng = np.random.default_rng(13)
    at = np.arange(3.0, 28.0, 3.0)
    reading = 2.0 + 200.0 / (1 + (at - 15.0) ** 2 / 4) ** 1.5
    rows = synthetic.levels("gas", at, reading, route=synthetic.straight(LENGTH))
    survey = synthetic.survey([synthetic.straight(LENGTH)], gas=rows, joint_factor=1.0)
    model, count = gas_model(at, reading)
    compare(infer(survey), *sampled(model, start_at(15.0, 20.0, 5.0, count, rng), 4000))


def test_delay():
    """Metal pipe, bore not stated: slowness normal about 1/1250 with a tenth; one in 20 wrong."""
    rng = np.random.default_rng(14)
    ends = (PipePlace(0, 0.0), PipePlace(0, LENGTH))
    delay, timing = (2 * 9.0 - LENGTH) / 1250, 1e-3
    rows = (SurveyedDelay("d", *ends, delay, timing),)
    survey = synthetic.survey(
        [synthetic.straight(LENGTH)], delays=rows, material="copper", joint_factor=1.0
    )
    slow, spread = 1 / 1250, 0.1 / 1250
    noise = np.hypot(timing, np.hypot(0.1, 0.002 * LENGTH) * slow)
    longest = LENGTH * (slow + 2 * spread)

    def log_posterior(theta):
        off = (delay - (2 * theta[:, 0] - LENGTH) * (slow + spread * theta[:, 1])) / noise
        good = 0.95 * np.exp(-0.5 * off**2) / (noise * np.sqrt(2 * np.pi))
        return np.log(good + 0.05 / (2 * longest)) - 0.5 * theta[:, 1] ** 2

    start = np.stack([rng.uniform(5, 13, 40), 0.3 * rng.standard_normal(40)], axis=1)
    compare(infer(survey), *sampled(log_posterior, start, 3000))
