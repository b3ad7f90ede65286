"""Does the posterior deserve belief: fit of each kind, contradictions, silence, a second leak."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations

import numpy as np
import numpy.typing as npt

from geoleak.evidence import (
    FREEDOM,
    Belief,
    KindFit,
    LevelDraws,
    LevelEvidence,
    Nodes,
    candidates,
    log_sum_exp,
)
from geoleak.posterior.grid import Cells, interpolate
from geoleak.posterior.records import LevelCurve, Peak
from geoleak.posterior.run import Run, as_candidates
from geoleak.posterior.second import second_leak
from geoleak.units import format_station

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

# Two kinds contradict each other when together they are this much less likely than apart. Where
# they agree it happens with a chance under this (Markov's inequality); a delay that may be of the
# wrong noise (one in twenty) never falls under that share.
CONTRADICTION = 0.08
# Odds of silence over a leak above which "nothing was heard" is said.
SILENT = 1.0
LISTENED_M = 3.0
CURVE_STEP_M = 0.5


@dataclass(frozen=True, slots=True)
class Checks:
    """What the checks found."""

    fits: tuple[KindFit, ...]
    curves: tuple[LevelCurve, ...]
    no_leak_odds: float | None
    second_leak: Peak | None


def check(
    run: Run, cells: Cells, belief: Belief, peaks: tuple[Peak, ...], rng: np.random.Generator
) -> Checks:
    """Run every check on draws from the posterior."""
    fits: list[KindFit] = []
    curves: tuple[LevelCurve, ...] = ()
    second = None
    odds = no_leak_odds(run)
    for each in (*run.smooth, *run.exact):
        if not isinstance(each, LevelEvidence):
            fits.append(each.fit(belief, rng))
            continue
        draws = each.draws(belief, rng)
        silent = odds is not None and odds > SILENT and each.kind in ("surface", "contact")
        fits.append(each.fit_of(draws, rng, silent=silent))
        if each.kind == "surface":
            curves = level_curves(run, each, draws, rng)
            second = second_leak(run, each, draws, peaks[0], rng) if peaks else None
    fits += contradictions(run, cells)
    return Checks(tuple(fits), curves, odds, second)


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
