"""What many closed-out sites teach: shipped guesses pulled towards them, no further than they bear.

One site's word: its leak's place being known, the readings tell of the ground. The unknowns that
were integrated out while the leak was looked for have a posterior of their own at that place; taken
for a normal, with the prior it was read under divided out, that is the site's word on each value.

Each value is a hierarchy: sites scatter about their region's middle, and that about the shipped
value. The shipped spread is both together, so a region without a closed-out site has the shipped
row back. Sites weigh as under Student's t, so that one that is wrong hardly moves anything.

Source: Gelman, Carlin, Stern, Rubin, Bayesian Data Analysis, chapter 5 (hierarchical normal model);
Lange, Little, Taylor (1989), J. Am. Stat. Assoc. 84, 881 (weights under t). Both from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path

import numpy as np

from geoleak import tables
from geoleak.closeout.found import as_dug
from geoleak.closeout.record import read_entries
from geoleak.errors import GeoleakError
from geoleak.evidence import (
    FREEDOM,
    T_SCALE,
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
from geoleak.export.folder import put_text
from geoleak.posterior import Normal, Posterior, infer, log_weights
from geoleak.readers import read_site
from geoleak.record import Floats, Record, field, replace
from geoleak.site import PriorSettings
from geoleak.survey import Survey, survey_site
from geoleak.tables import setting
from geoleak.tables.learned import HEAD, SHARES, Learned, Tables, learnables, to_toml

# Part of the shipped variance that is the region's, not the site's (common practice, no source).
REGION = 0.25
# Closed-out sites that the shipped scatter counts for (common practice, no source).
SCATTER_SITES = 10.0
# A learned spread is no less than this part of the shipped one (common practice, no source).
LEAST_SPREAD = 0.5
# Closed-out sites that the shipped shares count for (common practice, no source).
SHARE_SITES = 100.0
# A site whose sound was likelier something else than the leak tells nothing of the ground.
LEAST_LINE = 0.5
STEPS = 60


def refit(seen: Sequence[Seen]) -> Learned:
    """Return one value as some sites bear it out.

    Parameters
    ----------
    seen : sequence of Seen
        Of one name, one a site; all read under the shipped value.
    """
    mean, own = np.array([each.mean for each in seen]), np.array([each.sd for each in seen]) ** 2
    centre, spread = (float(np.mean([getattr(e, k) for e in seen])) for k in ("centre", "spread"))
    region, shipped = REGION * spread**2, (1.0 - REGION) * spread**2
    middle, scatter, sure = centre, shipped, region
    for _ in range(STEPS):
        off = mean - middle
        # The t that fits a normal scatter best: weights of one, but for sites far off.
        weight = (FREEDOM + 1.0) / (FREEDOM + off**2 / (T_SCALE**2 * (scatter + own)))
        precision = weight / (scatter + own)
        sure = 1.0 / (1.0 / region + float(precision.sum()))
        middle = float(sure * (centre / region + precision @ mean))
        # Each site's own value lies between its word and the middle.
        pull = scatter / (scatter + own)
        square = weight / T_SCALE**2 * (pull * (mean - middle)) ** 2 + pull * own
        scatter = (SCATTER_SITES * shipped + float(square.sum())) / (SCATTER_SITES + len(seen))
    wide = max(float(np.sqrt(scatter + sure)), LEAST_SPREAD * spread)
    return Learned(seen[0].name, middle, wide, len(seen), float(np.sqrt(sure)))


def shares(told: Sequence[Told]) -> list[Learned]:
    """Return the shares of the explanations: shipped counts, and a site's chances added to them."""
    heard = [each.shares for each in told if each.shares]
    if not heard:
        return []
    shipped, total = shipped_shares(), SHARE_SITES + len(heard)
    kind, found = learnables()["share"], []
    for name in SHARES:
        share = (SHARE_SITES * shipped[name] + sum(each[name] for each in heard)) / total
        value = float(np.clip(share, kind.low, kind.high))
        sd = float(np.sqrt(value * (1.0 - value) / (total + 1.0)))
        found.append(Learned(f"share.{name}", value, sd, len(heard), sd))
    return found


def shipped_shares() -> dict[str, float]:
    """Return the shares of explanations as ``[prior]`` has them where a site states none."""
    stated = PriorSettings()
    return {name: float(getattr(stated, name)) for name in SHARES}


def learn(told: Sequence[Told]) -> tuple[Tables, dict[str, tuple[float, float]]]:
    """Return the learned tables of some sites, and the shipped value and spread of each row."""
    by_name: dict[str, list[Seen]] = {}
    for site in told:
        for each in site.seen:
            by_name.setdefault(each.name, []).append(each)
    rows, before = [], {}
    for name in sorted(by_name):
        kind, fitted = learnables()[name.partition(".")[0]], refit(by_name[name])
        first = by_name[name][0]
        value, shipped = fitted.value, first.centre
        if kind.logarithm:
            value, shipped = float(np.exp(value)), float(np.exp(shipped))
        rows.append(replace(fitted, value=float(np.clip(value, kind.low, kind.high))))
        before[name] = (shipped, first.spread)
    rows += shares(told)
    before |= {f"share.{name}": (value, 0.0) for name, value in shipped_shares().items()}
    dates = sorted(each.date for each in told if each.date)
    ends = (dates[0], dates[-1]) if dates else ("", "")
    return Tables(tuple(rows), "", "", len(told), *ends), before


def told_of(folder: Path) -> Told | None:
    """Return what a site folder tells; None where no leak was found there yet.

    It is read as it was dug, on the shipped values whatever ``[tables]`` it names: what was learned
    once must not count twice.
    """
    entry = next((each for each in read_entries(folder) if each["outcome"] == "leak"), None)
    if entry is None:
        return None
    survey = survey_site(as_dug(read_site(folder, tables=Tables())))
    found = entry["leak"]
    number = next((k for k, leg in enumerate(survey.legs) if leg.name == found["leg"]), None)
    chances = shares_at(infer(survey), number, found["chainage_m"])
    aside = abs(entry["across_m"] or 0.0) >= setting("rival_aside_nearest").value
    if aside and chances:
        chances = dict.fromkeys(chances, 0.0) | {"aside": 1.0}
    seen = []
    if number is not None and chances.get("line", 0.0) >= LEAST_LINE:
        # A sound that may have been something else says that much less of the ground.
        less = float(np.sqrt(chances["line"]))
        seen = [
            replace(each, sd=each.sd / less)
            for each in words_of(survey, number, found["chainage_m"])
        ]
    return Told(folder.name, entry.get("date") or "", tuple(seen), chances)


def learn_from(
    folders: Iterable[Path], *, tell: Callable[[], None]
) -> tuple[Tables, dict[str, tuple[float, float]], list[str]]:
    """Return what site folders teach, the shipped rows, and why some were left out.

    ``tell`` is called after each.
    """
    told, left = [], []
    for folder in folders:
        try:
            each = told_of(folder)
        except GeoleakError as error:
            left.append(f"{folder.name}: {error.lines()[0]}")
        else:
            told += [each] if each else []
        tell()
    return (*learn(told), left)


def write_learned(found: Tables, shipped: dict[str, tuple[float, float]], path: Path) -> Path:
    """Write learned tables.

    Raises
    ------
    GeoleakError
        Where another file stands there, or no site taught anything.
    """
    if not found.rows:
        raise GeoleakError("no closed-out site teaches anything: no leak was found on a leg yet")
    if path.exists() and not path.read_bytes().startswith(HEAD.encode()):
        raise GeoleakError(f"{path} is no file of learned values; name another")
    return put_text(path, to_toml(found, shipped))


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
        total = total + each.log_likelihood(place, nodes)[:, 0]
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
    ticks = np.random.default_rng(SEED).random((len(belief), 3))
    strength = kind.draws(belief, ticks).strength_db
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
    coefficient, reachable = kind.system(place)
    metres = coefficient[0]
    off = np.array([each.delay_s for each in kind.timed]) - metres @ now.slowness
    variance = metres @ now.covariance @ metres.T + kind.noise_s2
    good = reachable[0] & (np.abs(off) < WRONG_PEAK * np.sqrt(np.diag(variance)))
    # One linear Gaussian system of the delays that are of the leak.
    pull = now.covariance @ metres[good].T
    gain = pull @ np.linalg.inv(variance[np.ix_(good, good)])
    slowness = now.slowness + gain @ off[good]
    covariance = now.covariance - gain @ pull.T
    found: list[Seen] = []
    for number in range(len(before.slowness)):
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
