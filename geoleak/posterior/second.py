"""Whether the readings ask for two leaks.

The evidence of two sources against that of one, by the ratio of their likelihoods averaged over
the one-source posterior, node by node: a node that explains one leak badly may explain two well,
so every node is tried, with its own weight.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from geoleak.evidence import (
    PER_DB,
    Candidates,
    LevelDraws,
    LevelEvidence,
    candidates,
    log_sum_exp,
    marginal,
)
from geoleak.posterior.records import Peak
from geoleak.posterior.run import Run, as_candidates

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# A second leak is said when it makes the readings this many times more likely: "strong" on the
# scale of Jeffreys (1961), Theory of Probability, appendix B (from memory).
DECISIVE = 10.0
# Three neighbouring readings this far (sigma) over the fit call for the search.
STANDING_OUT = 1.3
PLACES = 36
# After the nodes that count most: a ratio (its log) from which the rest cannot make a leak of it.
FIRST_NODES, HOPELESS = 10, -2.0
LOUDER_DB = np.array([-12.0, -6.0, 0.0, 3.0])


def second_leak(
    run: Run,
    evidence: LevelEvidence,
    draws: LevelDraws,
    leading: Peak,
    rng: np.random.Generator,
) -> Peak | None:
    """Return a second source, away from the leading peak, where the readings ask for one."""
    if len(evidence.pooled) < 6 or not _something_left(evidence, draws):
        return None
    places = _second_places(run, evidence)
    if len(places) < 3:
        return None
    prior = np.log(places.weight / places.weight.sum())
    knots = as_candidates(run.survey, run.knots)
    posterior = run.per_node + np.log(np.maximum(knots.weight, 1e-12))
    node_weight = log_sum_exp(posterior, axis=1)
    node_weight -= log_sum_exp(node_weight)
    total = np.full((len(run.nodes), len(places)), -np.inf)
    by_weight = np.argsort(-node_weight, kind="stable")
    for tried, j in enumerate(by_weight[node_weight[by_weight] > -25.0]):
        if tried == FIRST_NODES and float(log_sum_exp(total.ravel())) < HOPELESS:
            return None
        share = np.exp(posterior[j] - posterior[j].max())
        first = knots.take(rng.choice(len(share), size=1, p=share / share.sum()))
        total[j] = node_weight[j] + _two_to_one(run, evidence, first, int(j), places) + prior
    at_place = log_sum_exp(total)
    if log_sum_exp(at_place) < np.log(DECISIVE):
        return None
    one = np.ones(1)
    first = candidates(run.survey, np.array([leading.leg]), leading.median_m * one, one)
    share = np.exp(at_place - at_place.max()) * (_apart(places, first) > _nearest(places))
    return _second_peak(places, share) if share.sum() > 0 else None


def _apart(places: Candidates, one: Candidates) -> Floats:
    out: Floats = np.hypot(
        places.easting_m - one.easting_m[0], places.northing_m - one.northing_m[0]
    )
    return out


def _nearest(places: Candidates) -> Floats:
    """Return how near two leaks may be and still be told apart: twice the depth."""
    return np.maximum(2.0, 2.0 * places.depth_m)


def _something_left(evidence: LevelEvidence, draws: LevelDraws) -> bool:
    """Tell whether neighbouring readings stand over the fit."""
    pooled = evidence.pooled
    sigma = pooled.sigma_db * np.median(draws.scale)
    over = (pooled.level - np.median(draws.expected, axis=0)) / sigma
    order = np.lexsort((pooled.chainage_m, pooled.leg))
    three = np.convolve(np.clip(over[order], -3, 3), np.ones(3) / 3, mode="valid")
    return bool(np.max(three) > STANDING_OUT)


def _second_places(run: Run, evidence: LevelEvidence) -> Candidates:
    """Return some evenly spread places along the stretch listened to."""
    pooled = evidence.pooled
    leg, chainage = [], []
    for number in np.unique(pooled.leg).tolist():
        at = pooled.chainage_m[pooled.leg == number]
        length = run.survey.legs[number].route.length_m
        low, high = max(0.0, at.min() - 1.0), min(length, at.max() + 1.0)
        count = max(3, round(PLACES * len(at) / len(pooled)))
        chainage.append(np.linspace(low, high, count))
        leg.append(np.full(count, number))
    places, where = np.concatenate(leg), np.concatenate(chainage)
    return candidates(run.survey, places, where, np.full(len(places), 1.0 / len(places)))


def _two_to_one(
    run: Run, evidence: LevelEvidence, first: Candidates, j: int, places: Candidates
) -> Floats:
    """Return the log likelihood ratio of two sources to one, strengths summed over, by place."""
    rows = np.arange(len(evidence.pooled))
    data = evidence.data(rows)
    ground = evidence.ground(first, run.nodes, j)
    one = evidence.gain(evidence.geometry(first, rows), ground, rows)
    alone = marginal(
        data, evidence.added(one, ground, rows, evidence.strengths_db)[:, 0], scale=ground.scale
    ).log_likelihood
    alone = alone + evidence.log_prior
    best = float(evidence.strengths_db[int(np.argmax(alone))])
    ground = evidence.ground(places, run.nodes, j)
    power = evidence.gain(evidence.geometry(places, rows), ground, rows)
    second = evidence.strengths_db[::2]
    weight = evidence.log_prior[::2] - log_sum_exp(evidence.log_prior[::2])
    signal = np.exp(PER_DB * ground.signal_db)
    lifted = (ground.slope * ground.floor_db).astype(np.float32)
    strong = np.exp(PER_DB * second)[:, None, None]
    loud = (strong * (power * signal)[None]).astype(np.float32)
    terms = []
    for louder in LOUDER_DB:
        level = best + louder
        one_loud = np.exp(PER_DB * level) * one[0]
        both = loud + (signal * one_loud).astype(np.float32)
        np.log(both + np.float32(1.0), out=both)
        both *= np.float32(ground.slope / PER_DB)
        if lifted.any():
            both += lifted
        two = marginal(data, both, scale=ground.scale).log_likelihood
        own = -0.5 * ((level - evidence.strength.value) / evidence.strength.spread) ** 2
        step = 3.0 if louder >= 0 else 6.0
        own += np.log(step / (evidence.strength.spread * np.sqrt(2 * np.pi)))
        terms.append(log_sum_exp(two + weight[:, None], axis=0) + own)
    far = np.where(_apart(places, first) > _nearest(places), 0.0, -np.inf)
    out: Floats = log_sum_exp(np.array(terms)) - float(log_sum_exp(alone)) + far
    return out


def _second_peak(places: Candidates, share: Floats) -> Peak:
    """Return the stretch about the likeliest place of the second source."""
    top = int(np.argmax(share))
    near = (places.leg == places.leg[top]) & (
        np.abs(places.chainage_m - places.chainage_m[top]) < 4.0
    )
    rows = np.flatnonzero(near)
    part = share[rows] / share[rows].sum()
    at = places.chainage_m[rows]
    mean = float(part @ at)
    total = np.cumsum(part)
    return Peak(
        leg=int(places.leg[top]),
        from_m=float(at[int(np.searchsorted(total, 0.05))]),
        to_m=float(at[min(int(np.searchsorted(total, 0.95)), len(at) - 1)]),
        mass=float(share[rows].sum()),
        median_m=float(np.interp(0.5, total, at)),
        sigma_m=float(np.sqrt(max(part @ (at - mean) ** 2, 0.05**2))),
    )
