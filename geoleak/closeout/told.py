"""What one closed-out site says of the values that answers rest on, its leak's place being known.

With the place known the readings tell of the ground: the unknowns that were integrated out while
the leak was looked for have a posterior of their own at that place. Taken for a normal, with the
prior it was read under divided out, that leaves the site's own word on each value.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from geoleak import tables
from geoleak.evidence import (
    Belief,
    Candidates,
    DelayEvidence,
    LevelEvidence,
    Nodes,
    SurfaceEvidence,
    candidates,
    gather,
    log_sum_exp,
    pipe_loss,
    prior_speeds,
)
from geoleak.posterior import Normal, Posterior, log_weights
from geoleak.record import Record, field
from geoleak.survey import Survey
from geoleak.tables.learned import SHARES

Floats = npt.NDArray[np.float64]

# Nodes a round; nodes that strengths are drawn at, and how many there; the draws' seed.
NODES, DRAWN, EACH, SEED = 128, 40, 8, 20261126
# A posterior that kept this much of the prior's variance learned nothing (common practice).
KEPT = 0.97
# Nodes of equal weight that a posterior must rest on to be taken for a normal (common practice).
LEAST_NODES = 8.0
# A sharp posterior is found from the prior in a few steps, each from what the last one found.
ROUNDS = 5
# A leak that may not have been heard at all tells nothing of a source's strength: the chance that
# it was heard is at least this (common practice).
LEAST_HEARD = 0.9
# A delay this many sigma off the place found is of the wrong peak, or another pipe's.
WRONG_PEAK = 3.0


class Seen(Record):
    """One site's word on one value: a normal likelihood on the scale that it is learned on.

    Attributes
    ----------
    name : str
        A row of the learned tables.
    mean, sd : float
    centre, spread : float
        The shipped value and its spread, on the same scale.
    """

    name: str
    mean: float
    sd: float
    centre: float
    spread: float


class Told(Record):
    """What one site says.

    Attributes
    ----------
    site, date : str
    seen : tuple of Seen
    shares : mapping of str to float
        Chance of each explanation of the sound, given where the leak was; ``"line"`` among them.
    """

    site: str
    date: str
    seen: tuple[Seen, ...]
    shares: Mapping[str, float] = field(default_factory=dict)


def word(name: str, mean: float, variance: float, centre: float, spread: float) -> list[Seen]:
    """Return a site's own word on a value: its posterior without the prior it was read under.

    Parameters
    ----------
    mean, variance : float
        Of the posterior of the standardised value.
    centre, spread : float
        What 0 and 1 stand for.
    """
    if not 0.0 < variance < KEPT:
        return []
    own = 1.0 / (1.0 / variance - 1.0)
    at = mean / variance * own
    return [Seen(name, centre + spread * at, spread * float(np.sqrt(own)), centre, spread)]


def words_of(survey: Survey, leg: int, chainage_m: float) -> list[Seen]:
    """Return what the readings of a survey say of the ground, the leak at a place of a leg."""
    kinds = gather(survey)
    place = candidates(survey, np.array([leg]), np.array([chainage_m]), np.ones(1))
    found: list[Seen] = []
    smooth = [each for each in kinds if isinstance(each, LevelEvidence)]
    if smooth:
        nodes = _nodes(smooth, place)
        weight = np.exp(nodes.log_weight)
        if 1.0 / float((weight**2).sum()) >= LEAST_NODES:
            found += _of_levels(survey, leg, smooth, place, nodes)
    for each in kinds:
        if isinstance(each, DelayEvidence):
            found += _of_delays(survey, each, place)
    return found


def _nodes(kinds: list[LevelEvidence], place: Candidates) -> Nodes:
    """Return nodes with their posterior weights at one place: first the prior's, then near it."""
    names = tuple(dict.fromkeys(name for each in kinds for name in each.nuisances))
    nodes = Nodes.over(names, count=NODES)
    value = _judged(kinds, place, nodes)
    drawn = [(NODES, Normal.prior(len(names)))]
    for _ in range(ROUNDS):
        fitted = Normal.fitted(nodes.deviates, value)
        more = Nodes.even(names, fitted.nodes(NODES, after=len(nodes)))
        value = np.concatenate([value, _judged(kinds, place, more)])
        nodes = Nodes.even(names, np.concatenate([nodes.deviates, more.deviates]))
        drawn.append((NODES, fitted))
    score = value + log_weights(nodes.deviates, drawn)
    return Nodes(names, nodes.deviates, score - log_sum_exp(score))


def _judged(kinds: list[LevelEvidence], place: Candidates, nodes: Nodes) -> Floats:
    total = np.zeros(len(nodes))
    for each in kinds:
        total = total + each.log_likelihood(place, nodes).on_pipe[:, 0]
    return total


def _of_levels(
    survey: Survey, leg: int, kinds: list[LevelEvidence], place: Candidates, nodes: Nodes
) -> list[Seen]:
    known = survey.site.tables
    weight = np.exp(nodes.log_weight)
    mean = weight @ nodes.deviates
    variance = weight @ (nodes.deviates - mean) ** 2
    soil, error = known.soil(), known.setting("level_error_log")
    median, wide = pipe_loss(survey)
    material = survey.legs[leg].leg.material
    pipe = f"pipe_loss.{material}" if material else "pipe_loss_unknown"
    rows = {
        "soil_loss": ("soil_loss", float(np.log(soil.loss_db_per_m)), soil.loss_log_sigma),
        "pipe_loss": (pipe, float(np.log(median[leg])), wide),
        "level_error": ("level_error_log", error.value, error.spread),
    }
    found: list[Seen] = []
    for unknown, (name, centre, spread) in rows.items():
        if unknown in nodes.names:
            k = nodes.names.index(unknown)
            found += word(name, float(mean[k]), float(variance[k]), centre, spread)
    for each in kinds:
        if isinstance(each, SurfaceEvidence):
            found += _of_strength(each, place, nodes)
    return found


def _of_strength(kind: SurfaceEvidence, place: Candidates, nodes: Nodes) -> list[Seen]:
    """Return what surface levels say of the source over the background."""
    share = np.cumsum(np.exp(nodes.log_weight))
    node = np.searchsorted(share / share[-1], (np.arange(DRAWN) + 0.5) / DRAWN)
    many = place.take(np.zeros(DRAWN * EACH, dtype=np.intp))
    belief = Belief(many, nodes, np.repeat(node, EACH))
    strength = kind.draws(belief, np.random.default_rng(SEED)).strength_db
    heard = strength[np.isfinite(strength)]
    if len(heard) < LEAST_HEARD * len(strength):
        return []
    row = kind.strength
    off = (heard - row.value) / row.spread
    name = "source_over_background"
    return word(name, float(off.mean()), float(off.var()), row.value, row.spread)


def _of_delays(survey: Survey, kind: DelayEvidence, place: Candidates) -> list[Seen]:
    """Return what delays say of the wave speed in each kind of pipe, the place being known."""
    before, now = prior_speeds(survey), kind.speeds
    system = kind.system(place)
    metres = system.coefficient[0]
    off = np.array([each.delay_s for each in kind.timed]) - metres @ now.slowness
    variance = metres @ now.covariance @ metres.T + kind.noise_s2
    good = system.reachable[0] & (np.abs(off) < WRONG_PEAK * np.sqrt(np.diag(variance)))
    # One linear Gaussian system of the delays that are of the leak.
    pull = now.covariance @ metres[good].T
    gain = pull @ np.linalg.inv(variance[np.ix_(good, good)])
    slowness = now.slowness + gain @ off[good]
    covariance = now.covariance - gain @ pull.T
    found: list[Seen] = []
    for number in range(before.count):
        leg = survey.legs[int(np.argmax(before.group == number))].leg
        slow, sigma = before.slowness[number], np.sqrt(before.covariance[number, number])
        # Speed grows as slowness falls, by the same parts: both normals are narrow.
        mean = (slow - slowness[number]) / sigma
        kept = covariance[number, number] / sigma**2
        centre, spread = 1.0 / slow, sigma / slow**2
        name = f"speed_{tables.material(leg.material).kind if leg.material else 'unknown'}"
        if leg.material and leg.outside_diameter_m and leg.wall_m:
            name, centre, spread = f"speed_ratio.{leg.material}", 1.0, sigma / slow
        found += word(name, float(mean), float(kept), float(centre), float(spread))
    return found


def shares_at(posterior: Posterior, leg: int | None, chainage_m: float | None) -> dict[str, float]:
    """Return the chance of each explanation, given where the leak was.

    Parameters
    ----------
    posterior : Posterior
    leg : int or None
        None: on no traced line.
    chainage_m : float or None
    """
    if leg is None or chainage_m is None:
        chance = {each.name: each.off_pipe for each in posterior.explanations}
    else:
        cells = posterior.cells
        away = np.where(cells.leg == leg, np.abs(cells.chainage_m - chainage_m), np.inf)
        cell = int(np.argmin(away))
        chance = {each.name: float(each.mass[cell]) for each in posterior.explanations}
    total = sum(chance.values())
    if total <= 0:
        return {}
    return {name: chance.get(name, 0.0) / total for name in ("line", *SHARES)}
