"""One inference under way: smooth evidence at knots, everything on cells, draws from it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geoleak.errors import SiteDataError
from geoleak.evidence import (
    Belief,
    Candidates,
    Evidence,
    Hint,
    Nodes,
    candidates,
    gather,
    log_sum_exp,
    prior,
)
from geoleak.posterior.grid import (
    Cells,
    Line,
    first_cells,
    first_knots,
    interpolate,
    knots_to_add,
    parts_to_split,
)
from geoleak.survey import Survey

Floats = npt.NDArray[np.float64]

# Stretches this far (nats) under the top hold no chance worth a finer knot.
DEPTH_OF_FIELD = 12.0


@dataclass(frozen=True, slots=True, kw_only=True)
class InferenceOptions:
    """How the posterior is computed.

    Attributes
    ----------
    nodes : int
        Quadrature nodes over the shared unknowns.
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
    draws: int = 64
    seed: int = 20260504
    finest_m: float = 0.05
    without: frozenset[str] = field(default_factory=frozenset)


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
    elsewhere: Floats
    silent: Floats
    """Log likelihood of the smooth kinds elsewhere and with nothing heard, shape (nodes,)."""

    @property
    def per_node(self) -> Floats:
        """Log likelihood of all smooth kinds together, shape (nodes, knots)."""
        if not self.by_kind:
            return np.zeros((len(self.nodes), len(self.knots)))
        return np.sum(list(self.by_kind.values()), axis=0)


def begin(survey: Survey, options: InferenceOptions) -> Run:
    """Gather the evidence and judge the smooth kinds at knots, finer near the peaks."""
    kinds = gather(survey, without=options.without)
    smooth = tuple(each for each in kinds if each.nuisances)
    exact = tuple(each for each in kinds if not each.nuisances)
    nodes = Nodes.over((n for each in smooth for n in each.nuisances), count=options.nodes)
    hints = tuple(h for each in kinds for h in each.hints()) + prior.hints(survey)
    knots = first_knots(survey, tuple(h for each in smooth for h in each.hints()))
    judged = [each.log_likelihood(as_candidates(survey, knots), nodes) for each in smooth]
    by_kind = {each.kind: j.on_pipe for each, j in zip(smooth, judged, strict=True)}
    off = np.zeros((2, len(nodes)))
    for each in judged:
        off[0] += each.elsewhere
        off[1] += each.elsewhere if each.silent is None else each.silent
    run = Run(survey, options, smooth, exact, nodes, hints, knots, by_kind, off[0], off[1])
    if smooth:
        for _ in range(4):
            if not _refine(run):
                break
    return run


def as_candidates(survey: Survey, line: Line) -> Candidates:
    """Give every knot the pipe half-way to its neighbours."""
    same = line.same_leg()
    half = np.where(same, 0.5 * np.diff(line.chainage_m), 0.0)
    width = np.concatenate([half, [0.0]]) + np.concatenate([[0.0], half])
    return candidates(survey, line.leg, line.chainage_m, width / max(width.sum(), 1e-9))


def judge_exact(run: Run, places: Candidates) -> tuple[Floats, float]:
    """Return the log likelihood of the kinds without shared unknowns, on the pipe and off it."""
    value, elsewhere = np.zeros(len(places)), 0.0
    none = Nodes.over((), count=1)
    for each in run.exact:
        judged = each.log_likelihood(places, none)
        value += judged.on_pipe[0]
        elsewhere += float(judged.elsewhere[0])
    return value, elsewhere


def _refine(run: Run) -> bool:
    """Add knots where the density bends; nodes that no longer count are not judged again."""
    together = run.per_node
    density = log_sum_exp(together)
    places = as_candidates(run.survey, run.knots)
    guide = density + judge_exact(run, places)[0]
    leg, chainage = knots_to_add(
        run.knots, guide, floor=float(guide.max()) - DEPTH_OF_FIELD, finest_m=0.3 * places.depth_m
    )
    if len(leg) == 0:
        return False
    weight = log_sum_exp(
        together + guide - density + np.log(np.maximum(places.weight, 1e-12)), axis=1
    )
    live = weight > weight.max() - 10.0
    added = candidates(run.survey, leg, chainage, np.full(len(leg), 1e-9))
    run.knots, order = run.knots.merged(leg, chainage)
    for each in run.smooth:
        value = np.full((len(run.nodes), len(leg)), -np.inf)
        value[live] = each.log_likelihood(added, run.nodes.only(live)).on_pipe
        run.by_kind[each.kind] = np.concatenate([run.by_kind[each.kind], value], axis=1)[:, order]
    return True


def settle(run: Run) -> tuple[Cells, Floats, float]:
    """Return cells, their probabilities and the probability of elsewhere."""
    cells = first_cells(run.survey, run.hints)
    for share in (2e-3, 2e-4):
        mass, _ = _weigh(run, cells)
        parts = parts_to_split(cells, mass, finest_m=run.options.finest_m, share=share)
        cells = cells.split(parts)
    mass, elsewhere = _weigh(run, cells)
    return cells, mass, elsewhere


def _weigh(run: Run, cells: Cells) -> tuple[Floats, float]:
    """Put prior and evidence together on the cells."""
    survey = run.survey
    width = cells.width_m
    places = candidates(survey, cells.leg, cells.chainage_m, width / width.sum())
    log_prior = np.log(width) + prior.log_factor(survey, places, without=run.options.without)[0]
    log_prior -= log_sum_exp(log_prior)
    chance = float(np.clip(survey.site.prior.elsewhere, 0.0, 1.0))
    value, elsewhere = judge_exact(run, places)
    smooth = log_sum_exp(run.per_node) - np.log(len(run.nodes))
    on_pipe = value + interpolate(run.knots, smooth, cells.leg, cells.chainage_m)
    off_pipe = elsewhere + float(log_sum_exp(run.elsewhere)) - np.log(len(run.nodes))
    with np.errstate(divide="ignore"):
        score = np.append(np.log1p(-chance) + log_prior + on_pipe, np.log(chance) + off_pipe)
    top = score.max()
    if not np.isfinite(top):
        raise SiteDataError(
            "the evidence rules out every place on the pipe and elsewhere; "
            "look for a contradiction in isolations and holes"
        )
    share = np.exp(score - top)
    share /= share.sum()
    return share[:-1], float(share[-1])


def draw(run: Run, cells: Cells, mass: Floats, count: int, rng: np.random.Generator) -> Belief:
    """Draw places and nodes from the posterior on the pipe."""
    rows = np.sort(rng.choice(len(cells), size=count, p=mass / mass.sum()))
    chainage = cells.from_m[rows] + rng.random(count) * cells.width_m[rows]
    return draw_at(run, cells.leg[rows], chainage, rng)


def draw_at(
    run: Run,
    leg: npt.NDArray[np.int64],
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
    share = np.empty((count, len(run.nodes)))
    together = np.maximum(run.per_node, -1e9)
    for j in range(len(run.nodes)):
        share[:, j] = interpolate(run.knots, together[j], leg, chainage_m)
    share = np.exp(share - share.max(axis=1, keepdims=True))
    total = np.cumsum(share, axis=1)
    chosen = rng.random(count) if ticks is None else ticks
    node = (total < (chosen * total[:, -1])[:, None]).sum(axis=1)
    return Belief(places, run.nodes, np.minimum(node, len(run.nodes) - 1).astype(np.int64))
