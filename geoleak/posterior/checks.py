"""Does the posterior deserve belief: fit of each kind, contradictions, silence, a second leak."""

from __future__ import annotations

from itertools import combinations

import numpy as np

from geoleak.evidence import (
    FREEDOM,
    PER_DB,
    Belief,
    Candidates,
    Deviates,
    HoleEvidence,
    KindFit,
    LevelDraws,
    LevelEvidence,
    Nodes,
    candidates,
    log_sum_exp,
)
from geoleak.posterior.grid import Cells, Peak, interpolate
from geoleak.posterior.rivals import smeared
from geoleak.posterior.run import Run
from geoleak.record import Bools, Floats, Ints, Record
from geoleak.site import Note
from geoleak.units import format_station

# Two kinds contradict each other when together they are this much less likely than apart. Where
# they agree it happens with a chance under this (Markov's inequality); a delay that may be of the
# wrong noise (one in twenty) never falls under that share.
CONTRADICTION = 0.08
# Odds of silence over a leak above which "nothing was heard" is said.
SILENT = 1.0
# How near a reading must be for a place to count as listened to.
LISTENED_M = 3.0
CURVE_STEP_M = 0.5
# A second leak is said when it makes the readings this many times more likely: "strong" on the
# scale of Jeffreys (1961), Theory of Probability, appendix B (from memory).
DECISIVE = 10.0
# Three neighbouring readings this far (sigma) over the fit call for the search.
STANDING_OUT = 1.3
PLACES = 36
# After the nodes that count most: a ratio (its log) from which the rest cannot make a leak of it.
FIRST_NODES, HOPELESS = 10, -2.0
LOUDER_DB = np.array([-12.0, -6.0, 0.0, 3.0])


class LevelCurve(Record, eq=False):
    """What the fit expects a surface reading to show along one leg, for the profile picture."""

    leg: int
    chainage_m: Floats
    expected_db: Floats
    low_db: Floats
    high_db: Floats
    """Edges of the central 90 % of a new reading."""


class Checks(Record):
    """What the checks found."""

    fits: tuple[KindFit, ...]
    curves: tuple[LevelCurve, ...]
    no_leak_odds: float | None
    second_leak: Peak | None
    notes: tuple[Note, ...] = ()


def check(
    run: Run,
    cells: Cells,
    mass: Floats,
    belief: Belief,
    peaks: tuple[Peak, ...],
    rng: np.random.Generator,
) -> Checks:
    """Run every check on draws from the posterior, holes on all of it (`mass`, a chance a cell)."""
    fits: list[KindFit] = []
    notes: list[Note] = []
    curves: tuple[LevelCurve, ...] = ()
    second = None
    odds = no_leak_odds(run)
    for each in (*run.smooth, *run.exact):
        if isinstance(each, HoleEvidence):
            width = np.ones(len(cells))
            places = candidates(run.survey, cells.leg, cells.chainage_m, width)
            fits.append(each.fit_of(places, mass, max(1.0 - float(mass.sum()), 0.0)))
            continue
        if not isinstance(each, LevelEvidence):
            fits.append(each.fit(belief, rng))
            continue
        draws = each.draws(belief, rng)
        silent = odds is not None and odds > SILENT and each.kind in ("surface", "contact")
        off = each.offsets(draws)
        fits += each.fits_of(draws, off, rng, silent=silent)
        notes += each.outliers(off)
        if each.kind == "surface":
            curves = level_curves(run, each, draws, rng)
            second = second_leak(run, each, draws, peaks[0], rng) if peaks else None
    fits += contradictions(run, cells)
    return Checks(tuple(fits), curves, odds, second, tuple(notes))


def no_leak_odds(run: Run) -> float | None:
    """Return how much likelier silence is than one leak in the stretch listened to.

    The prior of the two is even: the odds are what the readings alone say.
    """
    sounds = [e for e in run.smooth if isinstance(e, LevelEvidence)]
    levels = [e for e in sounds if e.kind not in ("gas", "bar_hole")]
    if not levels:
        return None
    near = np.zeros(len(run.knots), dtype=bool)
    for each in levels:
        pooled = each.pooled
        reach = LISTENED_M if each.kind != "contact" else np.inf
        for leg, at in zip(pooled.leg, pooled.chainage_m, strict=True):
            near |= (run.knots.leg == leg) & (np.abs(run.knots.chainage_m - at) < reach)
    if not near.any():
        return None
    weight = np.where(near, run.places.weight, 0.0)
    weight = weight / max(weight.sum(), 1e-300)
    leak = log_sum_exp(log_sum_exp(run.per_node) + np.log(np.maximum(weight, 1e-300)))
    return float(np.exp(np.clip(log_sum_exp(run.silent) - leak, -700, 700)))


def contradictions(run: Run, cells: Cells) -> tuple[KindFit, ...]:
    """Return a misfit for every two kinds that point to different places.

    Sound that comes up some way along the trench is no contradiction.
    """
    width = cells.width_m / cells.width_m.sum()
    places = candidates(run.survey, cells.leg, cells.chainage_m, width)
    alone: dict[str, Floats] = {
        kind: interpolate(run.knots, log_sum_exp(value), cells.leg, cells.chainage_m)
        for kind, value in run.by_kind.items()
    }
    moved = run.survey.site.prior.displaced
    if "surface" in alone and moved > 0:
        away = np.log(moved) + smeared(cells, alone["surface"])
        alone["surface"] = np.logaddexp(alone["surface"] + np.log1p(-moved), away)
    none = Nodes.over((), count=1)
    for each in run.exact:
        alone[each.kind] = each.log_likelihood(places, none).on_pipe[0]
    # A hole points nowhere; what it contradicts its own fit tells.
    alone.pop("hole", None)
    rows = {each.kind: each.rows for each in (*run.smooth, *run.exact)}
    log_width = np.log(width)
    found = []
    for one, two in combinations(alone, 2):
        apart = log_sum_exp(alone[one] + log_width) + log_sum_exp(alone[two] + log_width)
        together = log_sum_exp(alone[one] + alone[two] + log_width)
        ratio = float(np.exp(np.clip(together - apart, -700, 700)))
        if ratio < CONTRADICTION:
            text = (
                f"{_name(one)} points to {_best(run, cells, alone[one])}, "
                f"{_name(two)} to {_best(run, cells, alone[two])}: they contradict each other"
            )
            found.append(KindFit(f"{one} and {two}", rows[one] + rows[two], ratio, text, False))
    return tuple(found)


def _name(kind: str) -> str:
    return kind.replace("_", " ")


def _best(run: Run, cells: Cells, value: Floats) -> str:
    i = int(np.argmax(value))
    unit = run.survey.site.length_unit
    leg = run.survey.legs[int(cells.leg[i])].name
    return f"{leg} {format_station(float(cells.chainage_m[i]), unit=unit)}"


def _on_main_scale(run: Run, evidence: LevelEvidence, rows: Ints) -> Ints:
    """Return the rows of a meter, where there are any: a curve is drawn on one scale."""
    recorded = run.survey.surface.recorded_sessions
    metered = rows[~np.isin(evidence.pooled.session[rows], recorded)]
    return metered if len(metered) else rows


def level_curves(
    run: Run, evidence: LevelEvidence, draws: LevelDraws, rng: np.random.Generator
) -> tuple[LevelCurve, ...]:
    """Return what the fit expects of a new reading on the line of each leg listened to."""
    found = []
    for leg in np.unique(evidence.pooled.leg).tolist():
        rows = _on_main_scale(run, evidence, np.flatnonzero(evidence.pooled.leg == leg))
        at = evidence.pooled.chainage_m[rows]
        length = run.survey.legs[leg].route.length_m
        low, high = max(0.0, at.min() - 3.0), min(length, at.max() + 3.0)
        count = int(np.clip(np.ceil((high - low) / CURVE_STEP_M), 2, 400)) + 1
        chainage = np.linspace(low, high, count)
        new = evidence.pooled.beside(rows, leg, chainage, run.survey)
        expected, sigma = evidence.foresee(draws, new)
        drawn = expected + sigma * rng.standard_t(FREEDOM, size=expected.shape)
        found.append(
            LevelCurve(
                leg=leg,
                chainage_m=chainage,
                expected_db=expected.mean(axis=0),
                low_db=np.quantile(drawn, 0.05, axis=0),
                high_db=np.quantile(drawn, 0.95, axis=0),
            )
        )
    return tuple(found)


def second_leak(
    run: Run,
    evidence: LevelEvidence,
    draws: LevelDraws,
    leading: Peak,
    rng: np.random.Generator,
) -> Peak | None:
    """Return a second source, away from the leading peak, where the readings ask for one.

    The evidence of two sources against that of one, by the ratio of their likelihoods averaged
    over the one-source posterior, node by node: a node that explains one leak badly may explain
    two well, so every node is tried, with its own weight.
    """
    if len(evidence.pooled) < 6 or not _something_left(evidence, draws):
        return None
    places = _second_places(run, evidence)
    if len(places) < 3:
        return None
    prior = np.log(places.weight / places.weight.sum())
    posterior = run.per_node + np.log(np.maximum(run.places.weight, 1e-12))
    node_weight = log_sum_exp(posterior, axis=1)
    node_weight -= log_sum_exp(node_weight)
    by_weight = np.argsort(-node_weight, kind="stable")
    by_weight = by_weight[node_weight[by_weight] > -25.0]
    held = np.exp(posterior[by_weight] - posterior[by_weight].max(axis=1, keepdims=True))
    held = np.cumsum(held, axis=1)
    drawn = (held < rng.random((len(held), 1)) * held[:, -1:]).sum(axis=1)
    where = evidence.geometry(places, np.arange(len(evidence.pooled)))
    total = np.full((len(by_weight), len(places)), -np.inf)
    for start in range(0, len(by_weight), FIRST_NODES):
        if start == FIRST_NODES and float(log_sum_exp(total.ravel())) < HOPELESS:
            return None
        some = slice(start, start + FIRST_NODES)
        first = run.places.take(drawn[some])
        deviates = evidence.deviates(run.nodes, by_weight[some])
        ratio = _two_to_one(evidence, first, deviates, places, where)
        total[some] = node_weight[by_weight[some], None] + ratio + prior
    at_place = log_sum_exp(total)
    if log_sum_exp(at_place) < np.log(DECISIVE):
        return None
    one = np.ones(1)
    leads = candidates(run.survey, np.array([leading.leg]), leading.median_m * one, one)
    share = np.exp(at_place - at_place.max()) * _told_apart(places, leads)[0]
    return _second_peak(places, share) if share.sum() > 0 else None


def _told_apart(places: Candidates, others: Candidates) -> Bools:
    """Tell which places are too far from each other place for one peak, (others, places)."""
    east = places.easting_m - others.easting_m[:, None]
    north = places.northing_m - others.northing_m[:, None]
    return np.asarray(np.hypot(east, north) > np.maximum(2.0, 2.0 * places.depth_m))


def _something_left(evidence: LevelEvidence, draws: LevelDraws) -> bool:
    """Tell whether neighbouring readings stand over the fit."""
    pooled = evidence.pooled
    off = pooled.level - np.median(draws.expected, axis=0)
    over = off / np.median(draws.sigma, axis=0)
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
    evidence: LevelEvidence,
    first: Candidates,
    deviates: Deviates,
    places: Candidates,
    where: tuple[Floats, ...],
) -> Floats:
    """Return the log likelihood ratio of two sources to one, strengths summed over, (m, k).

    Parameters
    ----------
    first : Candidates
        m places of the first source, one a node.
    deviates : Deviates
        Of the m nodes.
    places, where : Candidates, tuple of ndarray
        k places of the second source and their geometry.
    """
    rows = np.arange(len(evidence.pooled))
    ground = evidence.ground(first, deviates)
    power = evidence.gain(evidence.geometry(first, rows), ground, rows)
    alone = evidence.over_background(power, ground, rows, evidence.strengths_db)
    score = evidence.weigh(alone, ground, rows)[0].log_likelihood + evidence.log_prior[:, None]
    best = np.argmax(score, axis=0)
    alone = alone[best, np.arange(len(best))][:, None, :]
    ground = evidence.ground(places, {name: each[:, None] for name, each in deviates.items()})
    second = evidence.strengths_db[::2]
    weight = evidence.log_prior[::2] - log_sum_exp(evidence.log_prior[::2])
    loud = evidence.over_background(evidence.gain(where, ground, rows), ground, rows, second)
    terms = []
    for louder in LOUDER_DB:
        level = evidence.strengths_db[best] + louder
        both = loud + np.float32(np.exp(PER_DB * louder)) * alone
        two = evidence.weigh(both, ground, rows)[0].log_likelihood + weight[:, None, None]
        own = -0.5 * ((level - evidence.strength.value) / evidence.strength.spread) ** 2
        step = 3.0 if louder >= 0 else 6.0
        own += np.log(step / (evidence.strength.spread * np.sqrt(2 * np.pi)))
        terms.append(log_sum_exp(two) + own[:, None])
    far = np.where(_told_apart(places, first), 0.0, -np.inf)
    out: Floats = log_sum_exp(np.array(terms)) - log_sum_exp(score)[:, None] + far
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
