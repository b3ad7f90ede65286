"""One inference under way: smooth evidence at knots, everything on cells, draws from it."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

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
    first_knots,
    interpolate,
    knots_to_add,
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
    rivals : bool
        Weigh what may explain the sound beside a leak straight below.
    without : frozenset of str
        Kinds of evidence and prior factors that are switched off.
    """

    nodes: int = 32
    draws: int = 64
    seed: int = 20260504
    finest_m: float = 0.05
    rivals: bool = False
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
    elsewhere: dict[str, Floats]
    silent: Floats
    """Log likelihood of each smooth kind elsewhere, and of all with nothing heard, (nodes,)."""

    @property
    def per_node(self) -> Floats:
        """Log likelihood of all smooth kinds together, shape (nodes, knots)."""
        return self.together(tuple(self.by_kind))

    def together(self, kinds: tuple[str, ...]) -> Floats:
        """Return the log likelihood of some smooth kinds together, shape (nodes, knots)."""
        total = np.zeros((len(self.nodes), len(self.knots)))
        for kind in kinds:
            total = total + self.by_kind[kind]
        return total


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
    elsewhere = {each.kind: j.elsewhere for each, j in zip(smooth, judged, strict=True)}
    silent = np.zeros(len(nodes))
    for each in judged:
        silent = silent + (each.elsewhere if each.silent is None else each.silent)
    run = Run(survey, options, smooth, exact, nodes, hints, knots, by_kind, elsewhere, silent)
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
