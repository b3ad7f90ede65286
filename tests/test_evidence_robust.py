"""Heavy-tailed levels: Laplace's method against integration, censoring against the exact tail."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from geoleak.evidence.base import Nodes, golden_root, normal_nodes
from geoleak.evidence.pooling import Rows, distribution, log_density, marginal
from tests.check_values import check_value


def rows(level, *, sigma=2.5, censored=None, session=None, on_floor=None, memory=None):
    level = np.asarray(level, dtype=float)
    n = len(level)
    session = np.zeros(n, dtype=int) if session is None else np.asarray(session)
    return Rows(
        level=level,
        sigma=np.full(n, sigma),
        on_floor=np.ones(n) if on_floor is None else np.asarray(on_floor, dtype=float),
        session=session,
        sessions=int(session.max()) + 1,
        censored=np.zeros(n, dtype=int) if censored is None else np.asarray(censored),
        floor_mean=40.0,
        floor_sigma=30.0,
        offset_sigma=4.0,
        memory=np.zeros(n) if memory is None else np.asarray(memory),
    )


def by_integration(data, added, scale=1.0):
    """Integrate the floor by a fine rule, sessions not asked for."""
    floor = np.linspace(-120, 200, 60001)
    total = stats.norm.logpdf(floor, data.floor_mean, data.floor_sigma)
    for i in range(len(data)):
        z = (data.level[i] - data.on_floor[i] * floor - added[i]) / (data.sigma[i] * scale)
        if data.censored[i] > 0:
            total = total + stats.t.logsf(z, 4)
        elif data.censored[i] < 0:
            total = total + stats.t.logcdf(z, 4)
        else:
            total = total + stats.t.logpdf(z, 4) - np.log(data.sigma[i] * scale)
    top = total.max()
    return top + np.log(np.trapezoid(np.exp(total - top), floor))


def test_the_t_of_four_degrees_matches_scipy():
    z = np.linspace(-60, 60, 241)
    assert distribution(z) == pytest.approx(stats.t.cdf(z, 4), rel=1e-9)
    assert log_density(z) == pytest.approx(stats.t.logpdf(z, 4), abs=1e-12)
    value = check_value("t4_cdf_minus_3")
    assert float(distribution(np.array(-3.0))) == pytest.approx(value.expected, abs=value.tolerance)


@pytest.mark.parametrize("count", [3, 8, 40])
def test_floor_integrated_as_by_quadrature(count):
    rng = np.random.default_rng(count)
    added = np.abs(rng.normal(0, 8, count))
    data = rows(41 + added + 2.5 * rng.standard_t(4, count))
    found = marginal(data, added[None, :], scale=1.2).log_likelihood[0]
    # Laplace's method errs by some 1/n; what counts is the ratio between two candidates.
    other = np.zeros(count)
    found_other = marginal(data, other[None, :], scale=1.2).log_likelihood[0]
    exact = by_integration(data, added, 1.2) - by_integration(data, other, 1.2)
    assert found - found_other == pytest.approx(exact, abs=0.5 if count < 8 else 0.15)
    assert found == pytest.approx(by_integration(data, added, 1.2), abs=0.25)


def test_censored_rows_count_their_tail():
    rng = np.random.default_rng(4)
    added = np.linspace(0, 25, 12)
    level = np.minimum(41 + added + rng.normal(0, 2, 12), 55.0)
    data = rows(level, censored=(level >= 55.0).astype(int))
    found = marginal(data, added[None, :]).log_likelihood[0]
    assert found == pytest.approx(by_integration(data, added), abs=0.15)
    # Taken as measured, readings at the limit would speak against so loud a leak.
    assert found > marginal(rows(level), added[None, :]).log_likelihood[0] + 5.0


def test_lower_limit_is_the_mirror_of_the_upper():
    added = np.array([0.0, 3.0, 6.0])
    up = rows([50.0, 44.0, 47.0], censored=[1, 0, 0])
    down = rows([30.0, 36.0, 33.0], censored=[-1, 0, 0])
    one = marginal(up, added[None, :]).log_likelihood[0]
    assert marginal(down, -added[None, :]).log_likelihood[0] == pytest.approx(one, abs=1e-9)


def test_rows_with_their_own_background_stand_on_no_floor():
    data = rows([12.0, 3.0, 41.0, 40.0], on_floor=[0, 0, 1, 1])
    added = np.array([10.0, 2.0, 0.0, 0.0])
    found = marginal(data, added[None, :]).log_likelihood[0]
    assert found == pytest.approx(by_integration(data, added), abs=0.35)


def test_rows_share_their_error_with_those_beside_them():
    """The density of independent errors mixed by a matrix, the floor integrated numerically."""
    rng = np.random.default_rng(6)
    memory = np.append(0.0, rng.uniform(0.0, 0.6, 11))
    added = np.linspace(0, 12, 12)
    data = rows(41 + added + rng.normal(0, 2.5, 12), memory=memory)
    found = marginal(data, added[None, :])
    floor = np.linspace(20, 60, 8001)
    error = data.level[:, None] - added[:, None] - floor
    mixed = np.eye(12) - 0.5 * (np.diag(memory[1:], 1) + np.diag(memory[1:], -1))
    total = stats.t.logpdf(mixed @ error, 4, scale=2.5).sum(axis=0)
    total += stats.norm.logpdf(floor, 40, 30)
    exact = total.max() + np.log(np.trapezoid(np.exp(total - total.max()), floor))
    assert found.log_likelihood[0] == pytest.approx(exact, abs=0.15)
    assert found.floor[0, 0] == pytest.approx(floor[np.argmax(total)], abs=0.05)
    # It is a correlation, nearly: of errors whose mixed ones are independent.
    root = np.linalg.inv(np.eye(40) - 0.075 * (np.eye(40, k=1) + np.eye(40, k=-1)))
    covariance = root @ root.T
    assert covariance[20, 21] / covariance[20, 20] == pytest.approx(0.15, abs=0.002)
    assert covariance[20, 20] == pytest.approx(1.0, abs=0.04)


def test_sessions_integrate_as_a_double_integral():
    rng = np.random.default_rng(9)
    session = np.array([0, 0, 0, 0, 1, 1, 1])
    level = np.where(session == 0, 41.0, 47.0) + rng.normal(0, 2, 7)
    data = rows(level, session=session)
    found = marginal(data, np.zeros((1, 7))).log_likelihood[0]
    floors = np.linspace(20, 70, 501)
    each = []
    for s in (0, 1):
        z = (level[session == s][:, None] - floors) / 2.5
        each.append((stats.t.logpdf(z, 4) - np.log(2.5)).sum(axis=0))
    apart = np.subtract.outer(floors, floors)
    # Two floors, each the common one plus its own offset: their joint normal prior.
    cov = np.array([[900 + 16, 900], [900, 900 + 16.0]])
    grid = np.stack(np.meshgrid(floors, floors, indexing="ij"), axis=-1)
    prior = stats.multivariate_normal([40, 40], cov).logpdf(grid)
    assert apart.shape == prior.shape
    total = prior + each[0][:, None] + each[1][None, :]
    top = total.max()
    exact = top + np.log(np.exp(total - top).sum() * (floors[1] - floors[0]) ** 2)
    assert found == pytest.approx(exact, abs=0.3)


def test_thirty_two_bits_are_enough():
    rng = np.random.default_rng(3)
    added = np.abs(rng.normal(0, 8, (50, 40)))
    data = rows(41 + added[7] + rng.normal(0, 2, 40))
    wide = marginal(data, added).log_likelihood
    narrow = marginal(data, added.astype(np.float32)).log_likelihood
    assert narrow == pytest.approx(wide, abs=2e-3)


def test_nodes_are_balanced_and_repeatable():
    assert golden_root(1) == pytest.approx((1 + 5**0.5) / 2, abs=1e-12)
    nodes = normal_nodes(32, 7)
    assert nodes.mean(axis=0) == pytest.approx(np.zeros(7), abs=1e-12)
    assert nodes.std(axis=0) == pytest.approx(np.ones(7), abs=1e-12)
    correlation = np.corrcoef(nodes.T) - np.eye(7)
    assert np.abs(correlation).max() < 1e-9
    assert np.array_equal(nodes, normal_nodes(32, 7))


def test_nodes_integrate_a_smooth_function():
    """E exp(0.3 (a + b)) = exp(0.09) for two standard normal deviates."""
    nodes = Nodes.over(["a", "b", "a"], count=64)
    assert nodes.names == ("a", "b")
    value = np.exp(0.3 * (nodes.column("a") + nodes.column("b"))).mean()
    assert value == pytest.approx(np.exp(0.09), abs=0.02)
    assert np.array_equal(nodes.column("not asked for"), np.zeros(64))
