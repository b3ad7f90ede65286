"""One inference under way: smooth evidence at knots, everything on cells, draws from it.

Nodes where the posterior is: a normal fitted to what some nodes said, and their weights.

Nodes spread over the prior alone miss a sharp posterior: loud, dense readings fix soil, depth and
error far better than the prior does. So the log likelihood, summed over places, is taken for a
quadratic of the unknowns (Laplace's method from above: no derivatives), the next nodes stand where
that puts the posterior, and all nodes together are weighed by the balance heuristic, so that a bad
fit costs efficiency and never the answer.

Source: Owen, Zhou (2000), "Safe and effective importance sampling", J. Am. Stat. Assoc. 95, 135;
Veach, Guibas (1995), SIGGRAPH (balance heuristic). Both from memory.
"""

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
    StopTests,
    candidates,
    gather,
    log_sum_exp,
    normal_nodes,
    prior,
)
from geoleak.posterior.grid import Cells, edges_of, interpolate, knots_to_add
from geoleak.record import Bools, Floats, Ints, Record
from geoleak.survey import Survey, taken

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
    """One inference under way: the evidence and what it says at the knots.

    ``smooth`` depends on nodes and is judged at knots, ``exact`` does not and is judged anywhere.
    """

    survey: Survey
    options: InferenceOptions
    smooth: tuple[LevelEvidence, ...]
    exact: tuple[Evidence, ...]
    stops: StopTests
    nodes: Nodes
    hints: tuple[Hint, ...]
    places: Candidates
    """The knots as places, each with the pipe half-way to its neighbours."""
    by_kind: dict[str, Floats] = field(default_factory=dict)
    """Log likelihood of each smooth kind, shape (nodes, knots)."""
    unheard: dict[str, Floats] = field(default_factory=dict)
    """Log likelihood of each smooth kind that nothing of the leak reaches, shape (nodes,)."""
    exact_there: Floats = field(init=False)
    """Log likelihood of the exact kinds at the knots, shape (knots,)."""
    log_prior: Floats = field(init=False)
    """Log prior and exact evidence of the pipe each knot stands for, shape (knots,)."""

    def __post_init__(self) -> None:
        self.stand_at(self.places)

    def stand_at(self, places: Candidates) -> None:
        """Take other knots, and judge there what no node changes."""
        self.places = places
        self.exact_there = judge_exact(self, places)[0]
        factor = prior.log_factor(self.survey, places, without=self.options.without)[0]
        self.log_prior = np.log(np.maximum(places.weight, 1e-12)) + factor + self.exact_there

    @property
    def per_node(self) -> Floats:
        """Log likelihood of all smooth kinds, nodes weighed, shape (nodes, knots)."""
        return self.together(tuple(self.by_kind))

    @property
    def score(self) -> Floats:
        """Log posterior of the pipe each knot stands for, shape (knots,)."""
        return log_sum_exp(self.per_node) + self.log_prior

    @property
    def by_node(self) -> Floats:
        """Log posterior of each node, shape (nodes,)."""
        return log_sum_exp(self.per_node + self.log_prior, axis=1)

    def together(self, kinds: tuple[str, ...]) -> Floats:
        """Return the log likelihood of some smooth kinds, nodes weighed, shape (nodes, knots)."""
        total = np.repeat(self.nodes.log_weight[:, None], len(self.places), axis=1)
        for kind in kinds:
            total = total + self.by_kind[kind]
        return total

    def elsewhere(self, kinds: tuple[str, ...]) -> float:
        """Return the log likelihood of some smooth kinds for a leak on no traced leg.

        It is out of hearing, or what a kind shows is something else, anywhere on the pipe.
        """
        total = self.nodes.log_weight
        for each in (each for each in self.smooth if each.kind in kinds):
            off, share = self.unheard[each.kind], each.decoy
            if share > 0.0:
                shown = self.by_kind[each.kind] + np.log(np.maximum(self.places.weight, 1e-300))
                off = np.logaddexp(np.log1p(-share) + off, np.log(share) + log_sum_exp(shown, 1))
            total = total + off
        return float(log_sum_exp(total))

    @property
    def silent(self) -> Floats:
        """Log likelihood of all smooth kinds that nothing reaches, nodes weighed, (nodes,)."""
        return np.sum([self.nodes.log_weight, *self.unheard.values()], axis=0)


def begin(survey: Survey, options: InferenceOptions) -> Run:
    """Gather the evidence and judge the smooth kinds at knots and nodes, finer near the peaks."""
    kinds = gather(survey, without=options.without)
    smooth = tuple(each for each in kinds if isinstance(each, LevelEvidence))
    names = tuple(dict.fromkeys(name for each in smooth for name in each.nuisances))
    edges = edges_of(survey, tuple(h for each in smooth for h in each.hints()))
    leg = np.repeat([number for number, _ in edges], [len(at) for _, at in edges])
    run = Run(
        survey=survey,
        options=options,
        smooth=smooth,
        exact=tuple(each for each in kinds if not isinstance(each, LevelEvidence)),
        stops=StopTests(survey),
        # A quadratic of many unknowns needs more nodes to be fitted to.
        nodes=Nodes.over(names, count=options.nodes * (2 if len(names) > FEW_UNKNOWNS else 1)),
        hints=tuple(h for each in kinds for h in each.hints()) + prior.hints(survey),
        places=as_candidates(survey, leg, np.concatenate([at for _, at in edges])),
    )
    for each in smooth:
        run.by_kind[each.kind] = each.log_likelihood(run.places, run.nodes)
        run.unheard[each.kind] = each.silent(run.places, run.nodes)
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
    value = run.by_node
    share = np.exp(value - value.max())
    return float(share.sum() ** 2 / (share**2).sum())


def _add_nodes(run: Run, drawn: list[tuple[int, Normal]], count: int) -> None:
    """Judge so many more nodes at the knots that count.

    Elsewhere all nodes say what those so far did.
    """
    live, more = _live_knots(run), []
    for part, normal in _where_to_look(run, live):
        many = max(1, round(part * count))
        more.append(normal.nodes(many, after=len(run.nodes)))
        drawn.append((many, normal))
    nodes = Nodes.even(run.nodes.names, np.concatenate(more))
    places = run.places.take(np.flatnonzero(live))
    for each in run.smooth:
        on_pipe = each.narrowed(DEPTH_OF_FIELD).log_likelihood(places, nodes)
        known = run.by_kind[each.kind]
        mean = log_sum_exp(known + run.nodes.log_weight[:, None])
        value = np.repeat(mean[None, :], len(nodes), axis=0)
        value[:, live] = on_pipe
        run.by_kind[each.kind] = np.concatenate([known, value])
        unheard = each.silent(places, nodes)
        run.unheard[each.kind] = np.concatenate([run.unheard[each.kind], unheard])
    deviates = np.concatenate([run.nodes.deviates, nodes.deviates])
    run.nodes = Nodes(run.nodes.names, deviates, log_weights(deviates, drawn))
    _refine_all(run)


def _where_to_look(run: Run, live: Bools) -> list[tuple[float, Normal]]:
    """Return densities to draw more nodes from, and their shares.

    Most where the unknowns are if the leak is at the best place, some where they are if it is not
    (a leak elsewhere asks for other ground), and a few wherever the prior is.
    """
    places, deviates, log_weight = run.places, run.nodes.deviates, run.nodes.log_weight
    value = run.per_node - log_weight[:, None] + run.log_prior
    best = int(np.argmax(run.score))
    east = places.easting_m - places.easting_m[best]
    away = np.hypot(east, places.northing_m - places.northing_m[best])
    near = live & (away < 2.0 * run.survey.site.crew.dig_length_m)
    rest = np.column_stack([value[:, live & ~near], run.silent - log_weight])
    return [
        (0.625, Normal.fitted(deviates, log_sum_exp(value[:, near], axis=1))),
        (0.25, Normal.fitted(deviates, log_sum_exp(rest, axis=1))),
        (0.125, Normal.prior(deviates.shape[1])),
    ]


def live_nodes(run: Run) -> Bools:
    """Tell which nodes count for something in the posterior."""
    value = run.by_node
    return np.asarray(value > value.max() - DEAD)


def _live_knots(run: Run) -> Bools:
    """Tell which knots may hold chance worth counting, with those beside them."""
    score = run.score
    live = score > score.max() - DEPTH_OF_FIELD
    wide = live.copy()
    same = run.places.leg[1:] == run.places.leg[:-1]
    wide[1:] |= live[:-1] & same
    wide[:-1] |= live[1:] & same
    return wide


def _answer(run: Run) -> Floats:
    """Return length of the 95 % set, sigma about the best place and chance in a hole there."""
    places = run.places
    score = run.score - np.log(np.maximum(places.weight, 1e-12))
    live = _live_knots(run)
    leg, chainage, step = [], [], []
    for number in np.unique(places.leg[live]):
        at = places.chainage_m[live & (places.leg == number)]
        count = int(np.clip((at[-1] - at[0]) / ANSWER_STEP_M, 1, 10_000)) + 1
        x = np.linspace(at[0], at[-1], count)
        chainage.append(x)
        leg.append(np.full(count, number))
        step.append(np.full(count, max(x[-1] - x[0], 1e-3) / count))
    legs, at, width = np.concatenate(leg), np.concatenate(chainage), np.concatenate(step)
    density = interpolate(places, score, legs, at)
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


def as_candidates(survey: Survey, leg: Ints, chainage_m: Floats) -> Candidates:
    """Give every knot the pipe half-way to its neighbours."""
    half = np.where(leg[1:] == leg[:-1], 0.5 * np.diff(chainage_m), 0.0)
    width = np.append(half, 0.0) + np.append(0.0, half)
    return candidates(survey, leg, chainage_m, width / max(width.sum(), 1e-9))


def judge_exact(
    run: Run, places: Candidates, *, tells_of: tuple[str, ...] = ("sound", "leak")
) -> tuple[Floats, float]:
    """Return the log likelihood of the kinds without shared unknowns, on the pipe and off it."""
    value, elsewhere = np.zeros(len(places)), 0.0
    for each in (each for each in run.exact if each.tells_of in tells_of):
        on_pipe, off = each.judge(places)
        value += on_pipe
        elsewhere += off
    return value, elsewhere


def _refine_all(run: Run) -> None:
    """Add knots where the density bends; nodes that no longer count are not judged again."""
    for _ in range(4):
        guide = log_sum_exp(run.per_node) + run.exact_there
        floor, finest = float(guide.max()) - DEPTH_OF_FIELD, 0.3 * run.places.depth_m
        leg, chainage = knots_to_add(run.places, guide, floor=floor, finest_m=finest)
        if len(leg) == 0:
            return
        live = live_nodes(run)
        added = candidates(run.survey, leg, chainage, np.full(len(leg), 1e-9))
        legs = np.concatenate([run.places.leg, leg])
        every = np.concatenate([run.places.chainage_m, chainage])
        order = np.lexsort((every, legs))
        for each in run.smooth:
            value = np.full((len(run.nodes), len(leg)), -np.inf)
            value[live] = each.log_likelihood(added, taken(run.nodes, live))
            held = np.concatenate([run.by_kind[each.kind], value], axis=1)
            run.by_kind[each.kind] = held[:, order]
        run.stand_at(as_candidates(run.survey, legs[order], every[order]))


def draw(run: Run, cells: Cells, mass: Floats, rng: np.random.Generator) -> Belief:
    """Draw places and nodes from the posterior on the pipe."""
    count = run.options.draws
    rows = np.sort(rng.choice(len(cells), size=count, p=mass / mass.sum()))
    chainage = cells.from_m[rows] + rng.random(count) * cells.width_m[rows]
    return draw_at(run, cells.leg[rows], chainage, rng.random(count))


def draw_at(run: Run, leg: Ints, chainage_m: Floats, ticks: Floats) -> Belief:
    """Draw the node that goes with each of some places, by a uniform number each (`ticks`)."""
    places = candidates(run.survey, leg, chainage_m)
    share = interpolate(run.places, np.maximum(run.per_node, -1e9), leg, chainage_m).T
    share = np.exp(share - share.max(axis=1, keepdims=True))
    total = np.cumsum(share, axis=1)
    node = (total < (ticks * total[:, -1])[:, None]).sum(axis=1)
    return Belief(places, run.nodes, np.minimum(node, len(run.nodes) - 1).astype(np.int64))


# The fitted normal is drawn this much wider: tails heavier than a normal's are then reached.
WIDER = 1.15
# Prior variances of the quadratic's slopes, curvatures and cross terms (nats): a fit to few nodes
# leans on the prior's own normal.
SLOPE, CURVATURE, CROSS = 400.0, 400.0, 25.0


class Normal(Record, eq=False):
    """A normal density over the unknowns: ``mean`` (d,), ``root`` (d, d) of its covariance."""

    mean: Floats
    root: Floats

    @classmethod
    def prior(cls, dimensions: int) -> Normal:
        """Return the standard normal."""
        return cls(np.zeros(dimensions), np.eye(dimensions))

    @classmethod
    def fitted(cls, deviates: Floats, log_likelihood: Floats) -> Normal:
        """Return where a quadratic through the log likelihood puts the posterior.

        Parameters
        ----------
        deviates : ndarray, shape (n, d)
            Nodes.
        log_likelihood : ndarray, shape (n,)
            Of each node, places summed over; the prior of the unknowns is not in it.
        """
        count, size = deviates.shape
        # Nodes that rule everything out bend no quadratic.
        top = float(np.max(log_likelihood))
        log_likelihood = np.maximum(log_likelihood, top - 1e3 if np.isfinite(top) else 0.0)
        score = log_likelihood - 0.5 * (deviates**2).sum(axis=1)
        order = np.sort(score)[::-1]
        # The better half of the nodes counts: the quadratic is to hold near the top.
        fall = max(float(order[0] - order[count // 2]), 1.0)
        weight = np.exp(np.maximum((score - order[0]) / (0.25 * fall), -30.0))
        one, two = np.triu_indices(size, 1)
        columns = [np.ones((count, 1)), deviates, -0.5 * deviates**2]
        table = np.hstack([*columns, -deviates[:, one] * deviates[:, two]])
        spread = np.concatenate(
            [[1e6], np.full(size, SLOPE), np.full(size, CURVATURE), np.full(len(one), CROSS)]
        )
        value = log_likelihood - log_likelihood.max()
        normal = table.T @ (weight[:, None] * table) + np.diag(1.0 / spread)
        found = np.linalg.solve(normal, table.T @ (weight * value))
        slope, curvature = found[1 : size + 1], np.diag(found[size + 1 : 2 * size + 1])
        curvature[one, two] = curvature[two, one] = found[2 * size + 1 :]
        values, vectors = np.linalg.eigh(np.eye(size) + curvature)
        values = np.maximum(values, 0.6)
        mean = vectors @ ((vectors.T @ slope) / values)
        mean *= min(1.0, 4.0 / max(float(np.linalg.norm(mean)), 1e-9))
        return cls(mean, WIDER * vectors / np.sqrt(values))

    def nodes(self, count: int, *, after: int) -> Floats:
        """Return nodes of this density, shape (count, d), of the sequence's points after some."""
        return self.mean + normal_nodes(count, len(self.mean), after=after) @ self.root.T

    def log_density(self, deviates: Floats) -> Floats:
        """Return the log density at nodes, shape (n,), less the constant all normals share."""
        off = np.linalg.solve(self.root, (deviates - self.mean).T)
        return -0.5 * (off**2).sum(axis=0) - float(np.linalg.slogdet(self.root)[1])


def log_weights(deviates: Floats, drawn: list[tuple[int, Normal]]) -> Floats:
    """Return the log weight of every node, shape (n,); they sum to one.

    Parameters
    ----------
    deviates : ndarray, shape (n, d)
    drawn : list of (count, Normal)
        How many nodes came of which density (balance heuristic).
    """
    total = sum(count for count, _ in drawn)
    mixed = np.logaddexp.reduce(
        [np.log(count / total) + each.log_density(deviates) for count, each in drawn]
    )
    weight = Normal.prior(deviates.shape[1]).log_density(deviates) - mixed
    return weight - np.logaddexp.reduce(weight)
