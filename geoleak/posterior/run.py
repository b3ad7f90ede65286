"""One inference under way: smooth evidence at knots, everything on cells, draws from it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from geoleak.evidence import (
    Belief,
    Candidates,
    Evidence,
    Hint,
    LevelEvidence,
    Nodes,
    candidates,
    gather,
    log_sum_exp,
    prior,
)
from geoleak.posterior.grid import Cells, Line, first_knots, interpolate, knots_to_add
from geoleak.posterior.quadrature import Normal, log_weights
from geoleak.record import Bools, Floats, Ints, Record, replace
from geoleak.survey import Survey

# Stretches this far (nats) under the top hold no chance worth a finer knot.
DEPTH_OF_FIELD = 12.0
# Nodes this far (nats) under the one that counts most are not judged again.
DEAD = 10.0
# Nodes are doubled until length of the 95 % set, sigma and chance in a hole move by less than this.
SETTLED = 0.03
# ... and until the posterior rests on so many nodes' worth; at first a few are sent ahead.
ENOUGH = 30.0
SCOUTS = 4
# Nodes times knots, beyond which no more are added: a long pipe where little was told.
MOST_WORK = 60_000
FEW_UNKNOWNS = 6
ANSWER_STEP_M = 0.01


class InferenceOptions(Record, kw_only=True):
    """How the posterior is computed.

    Attributes
    ----------
    nodes : int
        Quadrature nodes over the shared unknowns to begin with; more are added until the answer
        settles or ``most_nodes`` are reached.
    finest_m : float
        Shortest cell.
    draws : int
        Draws from the posterior for the checks of fit.
    seed : int
        Of those draws: same input, same answer.
    without : frozenset of str
        Kinds of evidence and prior factors that are switched off.
    """

    nodes: int = 32
    most_nodes: int = 512
    draws: int = 64
    seed: int = 20260504
    finest_m: float = 0.05
    without: frozenset[str] = frozenset()


@dataclass(slots=True, eq=False)
class Run:
    """One inference under way: the evidence and what it says at the knots."""

    survey: Survey
    options: InferenceOptions
    smooth: tuple[Evidence, ...]
    exact: tuple[Evidence, ...]
    nodes: Nodes
    hints: tuple[Hint, ...]
    knots: Line
    by_kind: dict[str, Floats]
    """Log likelihood of each smooth kind, shape (nodes, knots)."""
    unheard: dict[str, Floats]
    """Log likelihood of each smooth kind that nothing of the leak reaches, shape (nodes,)."""
    decoy: dict[str, float]
    """Chance that such a kind shows something on the pipe all the same."""
    places: Candidates = field(init=False)
    """The knots as places, each with the pipe half-way to its neighbours."""
    exact_there: Floats = field(init=False)
    """Log likelihood of the exact kinds at the knots, shape (knots,)."""
    log_prior: Floats = field(init=False)
    """Log prior and exact evidence of the pipe each knot stands for, shape (knots,)."""

    def __post_init__(self) -> None:
        self.stand_at(self.knots)

    def stand_at(self, knots: Line) -> None:
        """Take other knots, and judge there what no node changes."""
        self.knots, self.places = knots, as_candidates(self.survey, knots)
        self.exact_there = judge_exact(self, self.places)[0]
        factor = prior.log_factor(self.survey, self.places, without=self.options.without)[0]
        self.log_prior = np.log(np.maximum(self.places.weight, 1e-12)) + factor + self.exact_there

    @property
    def per_node(self) -> Floats:
        """Log likelihood of all smooth kinds, nodes weighed, shape (nodes, knots)."""
        return self.together(tuple(self.by_kind))

    def together(self, kinds: tuple[str, ...]) -> Floats:
        """Return the log likelihood of some smooth kinds, nodes weighed, shape (nodes, knots)."""
        total = np.repeat(self.nodes.log_weight[:, None], len(self.knots), axis=1)
        for kind in kinds:
            total = total + self.by_kind[kind]
        return total

    def elsewhere(self, kinds: tuple[str, ...]) -> float:
        """Return the log likelihood of some smooth kinds for a leak on no traced leg.

        It is out of hearing, or what a kind shows is something else, anywhere on the pipe.
        """
        total = self.nodes.log_weight
        weight = self.places.weight
        for kind in kinds:
            off, share = self.unheard[kind], self.decoy[kind]
            if share > 0.0:
                shown = self.by_kind[kind] + np.log(np.maximum(weight, 1e-300))
                off = np.logaddexp(np.log1p(-share) + off, np.log(share) + log_sum_exp(shown, 1))
            total = total + off
        return float(log_sum_exp(total))

    @property
    def silent(self) -> Floats:
        """Log likelihood of all smooth kinds that nothing reaches, nodes weighed, (nodes,)."""
        total = self.nodes.log_weight
        for kind in self.by_kind:
            total = total + self.unheard[kind]
        return total


def begin(survey: Survey, options: InferenceOptions) -> Run:
    """Gather the evidence and judge the smooth kinds at knots and nodes, finer near the peaks."""
    kinds = gather(survey, without=options.without)
    smooth = tuple(each for each in kinds if each.nuisances)
    exact = tuple(each for each in kinds if not each.nuisances)
    names = tuple(dict.fromkeys(name for each in smooth for name in each.nuisances))
    # A quadratic of many unknowns needs more nodes to be fitted to.
    nodes = Nodes.over(names, count=options.nodes * (2 if len(names) > FEW_UNKNOWNS else 1))
    hints = tuple(h for each in kinds for h in each.hints()) + prior.hints(survey)
    knots = first_knots(survey, tuple(h for each in smooth for h in each.hints()))
    places = as_candidates(survey, knots)
    judged = {each.kind: each.log_likelihood(places, nodes) for each in smooth}
    run = Run(
        survey=survey,
        options=options,
        smooth=smooth,
        exact=exact,
        nodes=nodes,
        hints=hints,
        knots=knots,
        by_kind={kind: each.on_pipe for kind, each in judged.items()},
        unheard={kind: each.elsewhere for kind, each in judged.items()},
        decoy={kind: each.decoy for kind, each in judged.items()},
    )
    if smooth:
        _refine_all(run)
        _add_nodes_until_settled(run)
    return run


def _add_nodes_until_settled(run: Run) -> None:
    """Add nodes where the posterior is until more of them move the answer no more.

    A few at a time while the normal they are drawn from still has to find the posterior, then each
    time as many as there are.
    """
    drawn = [(len(run.nodes), Normal.prior(run.nodes.deviates.shape[1]))]
    most = run.options.most_nodes
    for _ in range(SCOUTS):
        if _counting(run) > ENOUGH or _is_too_much(run) or len(run.nodes) >= most:
            break
        _add_nodes(run, drawn, round(0.375 * drawn[0][0]))
    before = _answer(run)
    while len(run.nodes) < most and not _is_too_much(run):
        _add_nodes(run, drawn, min(len(run.nodes), most - len(run.nodes)))
        now = _answer(run)
        moved = float(np.max(np.abs(now - before) / np.append(now[:2], 1.0)))
        if moved < SETTLED and _counting(run) > ENOUGH:
            return
        before = now


def _is_too_much(run: Run) -> bool:
    """Tell whether twice the nodes would cost more than an answer to so vague a site is worth."""
    return 2 * len(run.nodes) * int(_live_knots(run).sum()) > MOST_WORK


def _counting(run: Run) -> float:
    """Return how many nodes of equal weight the posterior rests on: (sum w)^2 / sum w^2."""
    value = log_sum_exp(run.per_node + run.log_prior, axis=1)
    share = np.exp(value - value.max())
    return float(share.sum() ** 2 / (share**2).sum())


def _add_nodes(run: Run, drawn: list[tuple[int, Normal]], count: int) -> None:
    """Judge so many more nodes at the knots that count."""
    live = _live_knots(run)
    more = []
    for part, normal in _where_to_look(run, live):
        many = max(1, round(part * count))
        more.append(normal.nodes(many, after=len(run.nodes)))
        drawn.append((many, normal))
    _judge_nodes(run, np.concatenate(more), live)
    run.nodes = replace(run.nodes, log_weight=log_weights(run.nodes.deviates, drawn))
    _refine_all(run)


def _where_to_look(run: Run, live: Bools) -> list[tuple[float, Normal]]:
    """Return densities to draw more nodes from, and their shares.

    Most where the unknowns are if the leak is at the best place, some where they are if it is not
    (a leak elsewhere asks for other ground), and a few wherever the prior is.
    """
    places = run.places
    value = run.per_node - run.nodes.log_weight[:, None] + run.log_prior
    best = int(np.argmax(log_sum_exp(run.per_node) + run.log_prior))
    away = np.hypot(
        places.easting_m - places.easting_m[best], places.northing_m - places.northing_m[best]
    )
    near = live & (away < 2.0 * run.survey.site.crew.dig_length_m)
    rest = np.column_stack([value[:, live & ~near], run.silent - run.nodes.log_weight])
    deviates = run.nodes.deviates
    return [
        (0.625, Normal.fitted(deviates, log_sum_exp(value[:, near], axis=1))),
        (0.25, Normal.fitted(deviates, log_sum_exp(rest, axis=1))),
        (0.125, Normal.prior(deviates.shape[1])),
    ]


def _judge_nodes(run: Run, deviates: Floats, live: Bools) -> None:
    """Judge more nodes at the knots that count; elsewhere all nodes say what those so far did."""
    nodes = Nodes.even(run.nodes.names, deviates)
    places = run.places.take(np.flatnonzero(live))
    for each in run.smooth:
        kind = each.narrowed(DEPTH_OF_FIELD) if isinstance(each, LevelEvidence) else each
        judged = kind.log_likelihood(places, nodes)
        known = run.by_kind[each.kind]
        mean = log_sum_exp(known + run.nodes.log_weight[:, None])
        value = np.repeat(mean[None, :], len(nodes), axis=0)
        value[:, live] = judged.on_pipe
        run.by_kind[each.kind] = np.concatenate([known, value])
        run.unheard[each.kind] = np.concatenate([run.unheard[each.kind], judged.elsewhere])
    run.nodes = Nodes.even(run.nodes.names, np.concatenate([run.nodes.deviates, deviates]))


def live_nodes(run: Run) -> Bools:
    """Tell which nodes count for something in the posterior."""
    value = log_sum_exp(run.per_node + run.log_prior, axis=1)
    return np.asarray(value > value.max() - DEAD)


def _live_knots(run: Run) -> Bools:
    """Tell which knots may hold chance worth counting, with those beside them."""
    score = log_sum_exp(run.per_node) + run.log_prior
    live = score > score.max() - DEPTH_OF_FIELD
    wide = live.copy()
    same = run.knots.same_leg()
    wide[1:] |= live[:-1] & same
    wide[:-1] |= live[1:] & same
    return wide


def _answer(run: Run) -> Floats:
    """Return length of the 95 % set, sigma about the best place and chance in a hole there."""
    knots = run.knots
    score = log_sum_exp(run.per_node) + run.log_prior
    score -= np.log(np.maximum(run.places.weight, 1e-12))
    live = _live_knots(run)
    leg, chainage, step = [], [], []
    for number in np.unique(knots.leg[live]):
        at = knots.chainage_m[live & (knots.leg == number)]
        count = int(np.clip((at[-1] - at[0]) / ANSWER_STEP_M, 1, 10_000)) + 1
        x = np.linspace(at[0], at[-1], count)
        chainage.append(x)
        leg.append(np.full(count, number))
        step.append(np.full(count, max(x[-1] - x[0], 1e-3) / count))
    legs, at, width = np.concatenate(leg), np.concatenate(chainage), np.concatenate(step)
    density = interpolate(knots, score, legs, at)
    mass = np.exp(density - density.max()) * width
    mass /= mass.sum()
    order = np.argsort(-density, kind="stable")
    length = float(np.interp(0.95, np.cumsum(mass[order]), np.cumsum(width[order])))
    best = int(np.argmax(density))
    away = np.where(legs == legs[best], np.abs(at - at[best]), np.inf)
    hole = run.survey.site.crew.dig_length_m
    near = away < 2.0 * hole
    share = mass[near] / mass[near].sum()
    mean = share @ at[near]
    sigma = float(np.sqrt(share @ (at[near] - mean) ** 2 + ANSWER_STEP_M**2))
    return np.array([length, sigma, float(mass[away < 0.5 * hole].sum())])


def as_candidates(survey: Survey, line: Line) -> Candidates:
    """Give every knot the pipe half-way to its neighbours."""
    same = line.same_leg()
    half = np.where(same, 0.5 * np.diff(line.chainage_m), 0.0)
    width = np.concatenate([half, [0.0]]) + np.concatenate([[0.0], half])
    return candidates(survey, line.leg, line.chainage_m, width / max(width.sum(), 1e-9))


def judge_exact(
    run: Run, places: Candidates, *, tells_of: tuple[str, ...] = ("sound", "leak")
) -> tuple[Floats, float]:
    """Return the log likelihood of the kinds without shared unknowns, on the pipe and off it."""
    value, elsewhere = np.zeros(len(places)), 0.0
    none = Nodes.over((), count=1)
    for each in run.exact:
        if each.tells_of not in tells_of:
            continue
        judged = each.log_likelihood(places, none)
        value += judged.on_pipe[0]
        elsewhere += float(judged.elsewhere[0])
    return value, elsewhere


def _refine_all(run: Run) -> None:
    for _ in range(4):
        if not _refine(run):
            break


def _refine(run: Run) -> bool:
    """Add knots where the density bends; nodes that no longer count are not judged again."""
    guide = log_sum_exp(run.per_node) + run.exact_there
    floor, finest = float(guide.max()) - DEPTH_OF_FIELD, 0.3 * run.places.depth_m
    leg, chainage = knots_to_add(run.knots, guide, floor=floor, finest_m=finest)
    if len(leg) == 0:
        return False
    live = live_nodes(run)
    added = candidates(run.survey, leg, chainage, np.full(len(leg), 1e-9))
    knots, order = run.knots.merged(leg, chainage)
    for each in run.smooth:
        value = np.full((len(run.nodes), len(leg)), -np.inf)
        value[live] = each.log_likelihood(added, run.nodes.only(live)).on_pipe
        run.by_kind[each.kind] = np.concatenate([run.by_kind[each.kind], value], axis=1)[:, order]
    run.stand_at(knots)
    return True


def draw(run: Run, cells: Cells, mass: Floats, count: int, rng: np.random.Generator) -> Belief:
    """Draw places and nodes from the posterior on the pipe."""
    rows = np.sort(rng.choice(len(cells), size=count, p=mass / mass.sum()))
    chainage = cells.from_m[rows] + rng.random(count) * cells.width_m[rows]
    return draw_at(run, cells.leg[rows], chainage, rng)


def draw_at(
    run: Run,
    leg: Ints,
    chainage_m: Floats,
    rng: np.random.Generator,
    *,
    ticks: Floats | None = None,
) -> Belief:
    """Draw the node that goes with each of some places.

    ``ticks`` (one a place) are uniform numbers to use in place of random ones.
    """
    count = len(leg)
    places = candidates(run.survey, leg, chainage_m, np.full(count, 1.0 / count))
    share = interpolate(run.knots, np.maximum(run.per_node, -1e9), leg, chainage_m).T
    share = np.exp(share - share.max(axis=1, keepdims=True))
    total = np.cumsum(share, axis=1)
    chosen = rng.random(count) if ticks is None else ticks
    node = (total < (chosen * total[:, -1])[:, None]).sum(axis=1)
    return Belief(places, run.nodes, np.minimum(node, len(run.nodes) - 1).astype(np.int64))
