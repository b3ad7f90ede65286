"""Prior times evidence: the probability of every place, over all legs and elsewhere.

And whether it deserves belief: fit of each kind, contradictions, silence, a second leak.
"""

from __future__ import annotations

from collections.abc import Mapping
from itertools import combinations
from types import MappingProxyType
from typing import Any

import numpy as np

from geoleak.errors import SiteDataError
from geoleak.evidence import (
    FREEDOM,
    PER_DB,
    Belief,
    Candidates,
    Deviates,
    KindFit,
    LevelDraws,
    LevelEvidence,
    candidates,
    log_sum_exp,
    prior,
)
from geoleak.posterior.grid import (
    Cells,
    Peak,
    Piece,
    emptied,
    find_peaks,
    highest_density_set,
    interpolate,
)
from geoleak.posterior.rivals import RIVALS, Explanation, checked, settle, smeared
from geoleak.posterior.run import InferenceOptions, Run, begin, draw
from geoleak.record import Bools, Floats, Record, field, replace
from geoleak.site import Note
from geoleak.survey import Survey
from geoleak.units import format_station


class LevelCurve(Record, eq=False):
    """What the fit expects a surface reading to show along one leg, for the profile picture."""

    leg: int
    chainage_m: Floats
    expected_db: Floats
    low_db: Floats
    high_db: Floats
    """Edges of the central 90 % of a new reading."""


class Posterior(Record, eq=False):
    """Probability of every place.

    Attributes
    ----------
    cells : Cells
        k cells.
    mass : ndarray, shape (k,)
        Probability of each cell; with ``elsewhere`` it sums to one.
    elsewhere : float
        Probability that the leak is on no traced leg.
    leg_probability : ndarray, shape (number of legs,)
    explanations : tuple of Explanation
        What may explain the sound, "line" (the leak straight below) first, "elsewhere" last.
    interval_50, interval_80, interval_95 : tuple of Piece
        Shortest sets of pipe that hold a share of `heard`: if what is heard is the leak. Of the
        whole mass where another maker of the sound is likelier than not.
    offered : ndarray, shape (k,)
        The mass without stretches that a hole exposed and found dry: nobody digs there again.
    peaks : tuple of Peak
        The leading peak (the one that one hole finds most of) first.
    """

    cells: Cells
    mass: Floats
    offered: Floats
    elsewhere: float
    leg_probability: Floats
    explanations: tuple[Explanation, ...]
    interval_50: tuple[Piece, ...]
    interval_80: tuple[Piece, ...]
    interval_95: tuple[Piece, ...]
    peaks: tuple[Peak, ...]
    curves: tuple[LevelCurve, ...] = ()
    fits: tuple[KindFit, ...] = ()
    no_leak_odds: float | None = None
    """Odds of "nothing heard at all" to one leak in the listened stretch, where it can be told."""
    second_leak: Peak | None = None
    """A second source that the data decisively ask for."""
    held_chance: float = 1.0
    """Chance of what the intervals are of: heard, on a traced leg, in no hole bare and dry."""
    even: Floats | None = None
    """Prior of each cell without the share of where the crew listened, over the prior in use."""
    prior_factors: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    warnings: tuple[Note, ...] = ()
    run: Run | None = None
    """The inference behind it, for advice on the same survey; no part of the answer."""

    @property
    def line(self) -> Explanation:
        """The leak straight below the sound, on the traced pipe."""
        return self.explanations[0]

    @property
    def rivals(self) -> tuple[Explanation, ...]:
        """The explanations that rival it, in the order of `RIVALS`."""
        return tuple(each for each in self.explanations if each.name in RIVALS)

    @property
    def heard(self) -> Floats:
        """Chance that the leak is in each cell and is what is heard, shape (k,)."""
        return self.line.mass + sum(e.mass for e in self.rivals if e.name == "displaced")


def infer(survey: Survey, *, options: InferenceOptions | None = None) -> Posterior:
    """Return the probability of every place on the traced legs, and of elsewhere.

    Parameters
    ----------
    survey : Survey
    options : InferenceOptions, optional

    Raises
    ------
    SiteDataError
        If there is no pipe.
    """
    if not survey.legs:
        raise SiteDataError("no leg of pipe was traced; mark at least one leg")
    run = begin(survey, options or InferenceOptions())
    return describe(run, *settle(run))


def _even(run: Run, places: Candidates, cells: Cells) -> tuple[Floats | None, dict[str, float]]:
    """Return the prior as if nobody had chosen where to listen over that in use, and the factors.

    None where that share is not in use.
    """
    without = run.options.without
    chosen, factors = prior.log_factor(run.survey, places, without=without)
    if "listened" not in factors:
        return None, factors
    even = prior.log_factor(run.survey, places, without=without | {"listened"})[0]
    width = np.log(cells.width_m)
    ratio = even - log_sum_exp(even + width) - chosen + log_sum_exp(chosen + width)
    return np.exp(ratio), factors


def describe(run: Run, cells: Cells, explanations: tuple[Explanation, ...]) -> Posterior:
    """Put the posterior into its record, with its checks."""
    survey = run.survey
    mass: Floats = np.sum([each.mass for each in explanations], axis=0)
    places = candidates(survey, cells.leg, cells.chainage_m, cells.width_m)
    chance = {each.name: each.chance for each in explanations}
    line, on_pipe = explanations[0].mass, mass
    if chance.get("fitting", 0.0) < 0.5:
        on_pipe = np.sum([e.mass for e in explanations if e.name in ("line", "displaced")], axis=0)
    # Where a hole laid the pipe bare and it was dry.
    gone = tuple(
        (each.leg, each.from_m, each.to_m)
        for each in survey.holes
        if each.hole.outcome == "dry" and each.hole.pipe_exposed
    )
    on_pipe = emptied(cells, on_pipe, gone)
    even = emptied(cells, cells.width_m / cells.width_m.sum(), gone)
    held = float(on_pipe.sum())
    on_pipe = on_pipe if held > 0 else even
    half, most, nearly_all = (highest_density_set(cells, on_pipe, k) for k in (0.5, 0.8, 0.95))
    rng = np.random.default_rng(run.options.seed)
    belief = draw(run, cells, line if line.sum() > 0 else even, rng)
    peaks = find_peaks(cells, on_pipe, nearly_all, window_m=survey.site.crew.dig_length_m)
    if mass.sum() <= 0:
        peaks = tuple(replace(peak, mass=0.0) for peak in peaks)
    done = checked(run.stops, peaks[0].leg, peaks[0].median_m) if peaks else frozenset()
    even_prior, factors = _even(run, places, cells)
    return Posterior(
        cells=cells,
        mass=mass,
        offered=emptied(cells, mass, gone),
        elsewhere=sum(each.off_pipe for each in explanations),
        leg_probability=np.bincount(cells.leg, mass, len(survey.legs)).astype(float),
        explanations=tuple(replace(e, checked=e.name in done) for e in explanations),
        interval_50=half,
        interval_80=most,
        interval_95=nearly_all,
        peaks=peaks,
        held_chance=held,
        even=even_prior,
        prior_factors=MappingProxyType(factors),
        run=run,
        **_belief_deserved(run, cells, places, mass, belief, peaks, rng),
    )


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


def _belief_deserved(
    run: Run,
    cells: Cells,
    places: Candidates,
    mass: Floats,
    belief: Belief,
    peaks: tuple[Peak, ...],
    rng: np.random.Generator,
) -> dict[str, Any]:
    """Return what of `Posterior` tells whether to believe it, from draws and the mass of cells."""
    odds = no_leak_odds(run)
    fits: list[KindFit] = []
    notes = [note for each in (*run.smooth, *run.exact) for note in each.notes()]
    found: dict[str, Any] = {"no_leak_odds": odds}
    for each in run.smooth:
        draws = each.draws(belief, rng.random((len(belief), 3)))
        silent = odds is not None and odds > SILENT and each.kind in ("surface", "contact")
        off = each.offsets(draws)
        fits += each.fits_of(draws, off, rng, silent=silent)
        notes += each.outliers(off)
        if each.kind == "surface":
            found["curves"] = level_curves(run, each, draws, rng)
            found["second_leak"] = second_leak(run, each, draws, peaks[0], rng) if peaks else None
    fits += [each.fit(belief, places, mass) for each in run.exact]
    fits += contradictions(run, cells, places)
    return found | {"fits": tuple(fits), "warnings": tuple(notes)}


def no_leak_odds(run: Run) -> float | None:
    """Return how much likelier silence is than one leak in the stretch listened to.

    The prior of the two is even: the odds are what the readings alone say.
    """
    levels = [e for e in run.smooth if e.kind not in ("gas", "bar_hole")]
    if not levels:
        return None
    places = run.places
    near: Bools = np.zeros(len(places), dtype=np.bool_)
    for each in levels:
        reach = LISTENED_M if each.kind != "contact" else np.inf
        for leg, at in zip(each.pooled.leg, each.pooled.chainage_m, strict=True):
            near |= (places.leg == leg) & (np.abs(places.chainage_m - at) < reach)
    if not near.any():
        return None
    weight = np.where(near, places.weight, 0.0)
    weight = weight / max(weight.sum(), 1e-300)
    leak = log_sum_exp(log_sum_exp(run.per_node) + np.log(np.maximum(weight, 1e-300)))
    return float(np.exp(np.clip(log_sum_exp(run.silent) - leak, -700, 700)))


def contradictions(run: Run, cells: Cells, places: Candidates) -> tuple[KindFit, ...]:
    """Return a misfit for every two kinds that point to different places.

    Sound that comes up some way along the trench is no contradiction.
    """
    alone: dict[str, Floats] = {
        kind: interpolate(run.places, log_sum_exp(value), cells.leg, cells.chainage_m)
        for kind, value in run.by_kind.items()
    }
    moved = run.survey.site.prior.displaced
    if "surface" in alone and moved > 0:
        away = np.log(moved) + smeared(cells, alone["surface"])
        alone["surface"] = np.logaddexp(alone["surface"] + np.log1p(-moved), away)
    # A hole points nowhere; what it contradicts its own fit tells.
    alone |= {each.kind: each.judge(places)[0] for each in run.exact if each.kind != "hole"}
    rows = {each.kind: each.rows for each in (*run.smooth, *run.exact)}
    log_width = np.log(cells.width_m / cells.width_m.sum())
    found = []
    for one, two in combinations(alone, 2):
        apart = log_sum_exp(alone[one] + log_width) + log_sum_exp(alone[two] + log_width)
        together = log_sum_exp(alone[one] + alone[two] + log_width)
        ratio = float(np.exp(np.clip(together - apart, -700, 700)))
        if ratio < CONTRADICTION:
            a, b = (kind.replace("_", " ") for kind in (one, two))
            here, there = (_best(run, cells, alone[kind]) for kind in (one, two))
            text = f"{a} points to {here}, {b} to {there}: they contradict each other"
            found.append(KindFit(f"{one} and {two}", rows[one] + rows[two], ratio, text, False))
    return tuple(found)


def _best(run: Run, cells: Cells, value: Floats) -> str:
    i = int(np.argmax(value))
    unit = run.survey.site.length_unit
    leg = run.survey.legs[int(cells.leg[i])].name
    return f"{leg} {format_station(float(cells.chainage_m[i]), unit=unit)}"


def level_curves(
    run: Run, evidence: LevelEvidence, draws: LevelDraws, rng: np.random.Generator
) -> tuple[LevelCurve, ...]:
    """Return what the fit expects of a new reading on the line of each leg listened to."""
    found = []
    for leg in np.unique(evidence.pooled.leg).tolist():
        rows = np.flatnonzero(evidence.pooled.leg == leg)
        # A curve is drawn on one scale: that of a meter, where there is one.
        recorded = run.survey.surface.recorded_sessions
        metered = rows[~np.isin(evidence.pooled.session[rows], recorded)]
        rows = metered if len(metered) else rows
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
    leads = candidates(run.survey, np.array([leading.leg]), np.array([leading.median_m]))
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
    places = []
    for number in np.unique(pooled.leg).tolist():
        at = pooled.chainage_m[pooled.leg == number]
        length = run.survey.legs[number].route.length_m
        low, high = max(0.0, at.min() - 1.0), min(length, at.max() + 1.0)
        count = max(3, round(PLACES * len(at) / len(pooled)))
        places.append((np.full(count, number), np.linspace(low, high, count)))
    return candidates(run.survey, *map(np.concatenate, zip(*places, strict=True)))


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
    return log_sum_exp(np.array(terms)) - log_sum_exp(score)[:, None] + far


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
