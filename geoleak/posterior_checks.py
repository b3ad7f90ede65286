"""Does the posterior deserve belief: fit of each kind, contradictions, silence, a second leak."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from geoleak.evidence.base import Belief, Candidates, candidates, log_sum_exp
from geoleak.evidence.level_model import PER_DB, LevelDraws, LevelEvidence
from geoleak.evidence.nuisance import Nodes
from geoleak.evidence.robust import FREEDOM, marginal
from geoleak.inference import KindFit, LevelCurve, Peak
from geoleak.posterior import Run, as_candidates
from geoleak.posterior_grid import Cells, interpolate
from geoleak.units import format_station

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Two kinds contradict each other when together they are this much less likely than apart.
CONTRADICTION = 0.02
# A second leak is said when it makes the readings this many times more likely.
DECISIVE = 20.0
SECOND_DRAWS = 24
LISTENED_M = 3.0
CURVE_STEP_M = 0.5


@dataclass(frozen=True, slots=True)
class Checks:
    """What the checks found."""

    fits: tuple[KindFit, ...]
    curves: tuple[LevelCurve, ...]
    no_leak_odds: float | None
    second_leak: Peak | None


def check(run: Run, cells: Cells, mass: Floats, belief: Belief, rng: np.random.Generator) -> Checks:
    """Run every check on draws from the posterior."""
    fits = tuple(each.fit(belief, rng) for each in (*run.smooth, *run.exact))
    surface = next((e for e in run.smooth if isinstance(e, LevelEvidence)), None)
    curves: tuple[LevelCurve, ...] = ()
    second = None
    if surface is not None and surface.kind == "surface":
        draws = surface.draws(belief, rng)
        curves = level_curves(run, surface, draws, rng)
        second = second_leak(run, surface, draws, rng)
    return Checks(fits + contradictions(run, cells), curves, no_leak_odds(run), second)


def no_leak_odds(run: Run) -> float | None:
    """Return how much likelier silence is than one leak in the stretch listened to.

    The prior of the two is even: the odds are what the readings alone say.
    """
    levels = [e for e in run.smooth if isinstance(e, LevelEvidence) and e.kind != "gas"]
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
    places = as_candidates(run.survey, run.knots)
    weight = np.where(near, places.weight, 0.0)
    weight = weight / max(weight.sum(), 1e-300)
    leak = log_sum_exp(log_sum_exp(run.per_node) + np.log(np.maximum(weight, 1e-300)))
    return float(np.exp(np.clip(log_sum_exp(run.silent) - leak, -700, 700)))


def contradictions(run: Run, cells: Cells) -> tuple[KindFit, ...]:
    """Return a misfit for every two kinds that point to different places."""
    width = cells.width_m / cells.width_m.sum()
    places = candidates(run.survey, cells.leg, cells.chainage_m, width)
    alone: dict[str, Floats] = {
        kind: interpolate(run.knots, log_sum_exp(value), cells.leg, cells.chainage_m)
        for kind, value in run.by_kind.items()
    }
    none = Nodes.over((), count=1)
    for each in run.exact:
        alone[each.kind] = each.log_likelihood(places, none).on_pipe[0]
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


def second_leak(
    run: Run, evidence: LevelEvidence, draws: LevelDraws, rng: np.random.Generator
) -> Peak | None:
    """Return a second source where the readings decisively ask for one.

    The ratio of the evidence of two sources to that of one is the mean, over draws from the
    one-source posterior, of the likelihood ratio with the second source's place and strength
    summed over their prior.
    """
    knots = np.flatnonzero(_near_readings(run, evidence))
    if len(evidence.pooled) < 6 or len(knots) < 3:
        return None
    places = as_candidates(run.survey, run.knots).take(knots)
    prior = np.log(np.maximum(places.weight, 1e-300) / places.weight.sum())
    total = np.zeros(len(knots))
    count = min(SECOND_DRAWS, len(draws.belief))
    for i in range(count):
        total += np.exp(np.clip(_two_to_one(evidence, draws, i, places, prior), -700, 600)) / count
    ratio = total.sum()
    if ratio < DECISIVE:
        return None
    return _second_peak(places, total / ratio)


def _near_readings(run: Run, evidence: LevelEvidence) -> npt.NDArray[np.bool_]:
    near = np.zeros(len(run.knots), dtype=bool)
    for leg, at in zip(evidence.pooled.leg, evidence.pooled.chainage_m, strict=True):
        near |= (run.knots.leg == leg) & (np.abs(run.knots.chainage_m - at) < 1.0)
    return near


def _two_to_one(
    evidence: LevelEvidence, draws: LevelDraws, i: int, places: Candidates, prior: Floats
) -> Floats:
    """Return the log likelihood ratio for a second source at every place, prior included."""
    rows = np.arange(len(evidence.pooled))
    data = evidence.data(rows)
    first = draws.belief.places
    ground = evidence.ground(places, draws.belief.nodes, int(draws.belief.node[i]))
    power = evidence.gain(evidence.geometry(places, rows), ground, rows)
    strength = evidence.strengths_db[1::2]
    weight = evidence.log_prior[1::2] - log_sum_exp(evidence.log_prior[1::2])
    one = np.exp(PER_DB * draws.strength_db[i]) * draws.power[i]
    both = power[None] + one / np.exp(PER_DB * strength)[:, None, None]
    added = np.log1p(np.exp(PER_DB * (strength[:, None, None] + ground.signal_db)) * both)
    added = ground.slope * (added / PER_DB + ground.floor_db)
    two = marginal(data, added, scale=ground.scale).log_likelihood + weight[:, None]
    alone = ground.slope * (
        np.log1p(one * np.exp(PER_DB * ground.signal_db)) / PER_DB + ground.floor_db
    )
    base = float(marginal(data, alone, scale=ground.scale).log_likelihood)
    apart = np.hypot(places.easting_m - first.easting_m[i], places.northing_m - first.northing_m[i])
    far = np.where(apart > np.maximum(2.0, 2.0 * places.depth_m), 0.0, -np.inf)
    out: Floats = log_sum_exp(two, axis=0) - base + prior + far
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
        from_m=float(at[np.searchsorted(total, 0.05)]),
        to_m=float(at[min(np.searchsorted(total, 0.95), len(at) - 1)]),
        mass=float(share[rows].sum()),
        median_m=float(np.interp(0.5, total, at)),
        sigma_m=float(np.sqrt(max(part @ (at - mean) ** 2, 0.05**2))),
    )


def level_curves(
    run: Run, evidence: LevelEvidence, draws: LevelDraws, rng: np.random.Generator
) -> tuple[LevelCurve, ...]:
    """Return what the fit expects of a new reading on the line of each leg listened to."""
    found = []
    for leg in np.unique(evidence.pooled.leg).tolist():
        rows = np.flatnonzero(evidence.pooled.leg == leg)
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
