"""Which reading to take next, and what it is worth against digging now."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geoleak.advice.foresight import (
    Strata,
    best_window_chance,
    foreseen_masses,
    set_length,
    stratify,
)
from geoleak.advice.records import NextReading
from geoleak.evidence import (
    Belief,
    ContactEvidence,
    LevelEvidence,
    Pooled,
    SurfaceEvidence,
    uniform_nodes,
)
from geoleak.posterior import (
    Cells,
    InferenceOptions,
    Posterior,
    Run,
    begin,
    draw_at,
    highest_density_set,
)
from geoleak.survey import Levels, Survey, SurveyedPoint

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

STRATA = 48
DRAWS_EACH = 8
OUTCOMES = 48
MOST_PLACES = 32
APART_M = 0.3
AT_MARK_M = 0.25
# A finer step than this between two places to listen at cannot be kept by hand.
STEP_M = 0.25


@dataclass(frozen=True, slots=True, eq=False)
class Foresight:
    """Simulated outcomes of each candidate reading."""

    strata: Strata
    readings: tuple[NextReading, ...]
    masses: tuple[Floats, ...]


def next_readings(survey: Survey, posterior: Posterior, *, most: int = 3) -> Foresight:
    """Return the readings expected to leave the shortest 95 % set, best first.

    Parameters
    ----------
    survey : Survey
    posterior : Posterior
        Of this survey.
    most : int
        How many to return.
    """
    places = posterior.places
    half = 0.5 * places.width_m
    mass = posterior.mass if posterior.mass.sum() > 0 else places.width_m / places.width_m.sum()
    cells = Cells(places.leg, places.chainage_m - half, places.chainage_m + half)
    sets = [*posterior.interval_80, *posterior.interval_95]
    sets += highest_density_set(cells, mass, 0.99)
    strata = stratify(cells.leg, cells.from_m, cells.to_m, mass, STRATA, at=tuple(sets))
    run = posterior.run
    if not isinstance(run, Run) or run.survey is not survey:
        run = begin(survey, InferenceOptions())
    rng = np.random.default_rng(run.options.seed)
    ticks = uniform_nodes(DRAWS_EACH, 4)
    belief = _belief(run, strata, ticks, rng)
    readings: list[NextReading] = []
    outcomes: list[Floats] = []
    own = np.tile(ticks[:, 1:], (len(strata), 1))
    for evidence, new, points in _candidates(survey, posterior, run):
        drawn = (
            evidence.draws(belief, rng, ticks=own)
            if any(evidence is each for each in run.smooth)
            else evidence.prior_draws(belief, own)
        )
        expected, sigma = evidence.foresee(drawn, new)
        for c in range(len(new)):
            shape = (len(strata), DRAWS_EACH)
            after = foreseen_masses(
                strata.mass,
                expected[:, c].reshape(shape),
                sigma[:, c].reshape(shape),
                rng,
                outcomes=OUTCOMES,
            )
            length = float(set_length(after, strata.length_m).mean())
            readings.append(
                NextReading(
                    evidence.kind, int(new.leg[c]), float(new.chainage_m[c]), points[c], length
                )
            )
            outcomes.append(after)
    order = sorted(range(len(readings)), key=lambda i: readings[i].expected_interval_95_m)
    chosen = _spread(order, readings, most)
    return Foresight(strata, tuple(readings[i] for i in chosen), tuple(outcomes[i] for i in chosen))


def _spread(order: list[int], readings: list[NextReading], most: int) -> list[int]:
    """Take the best, leaving out those within half a metre of one already taken."""
    chosen: list[int] = []
    for i in order:
        one = readings[i]
        near = any(
            readings[k].leg == one.leg
            and readings[k].kind == one.kind
            and abs(readings[k].chainage_m - one.chainage_m) < 0.5
            for k in chosen
        )
        if not near:
            chosen.append(i)
        if len(chosen) == most:
            break
    return chosen


def _belief(run: Run, strata: Strata, ticks: Floats, rng: np.random.Generator) -> Belief:
    """Draw places within every stratum (evenly), each with a node that goes with it.

    Every stratum uses the same uniform numbers, so that two strata differ by their places and not
    by the luck of their draws.
    """
    inside = (np.arange(DRAWS_EACH) + 0.5) / DRAWS_EACH
    chainage = strata.from_m[:, None] + inside[None, :] * (strata.to_m - strata.from_m)[:, None]
    leg = np.repeat(strata.leg, DRAWS_EACH)
    return draw_at(run, leg, chainage.ravel(), rng, ticks=np.tile(ticks[:, 0], len(strata)))


def _candidates(
    survey: Survey, posterior: Posterior, run: Run
) -> list[tuple[LevelEvidence, Pooled, list[str | None]]]:
    """Return readings that could be taken, by kind; a kind not read yet starts from its prior."""
    found: list[tuple[LevelEvidence, Pooled, list[str | None]]] = []
    kinds = {each.kind: each for each in run.smooth}
    surface = kinds.get("surface") or SurfaceEvidence(
        replace(survey, surface=one_row("surface", survey, posterior))
    )
    if isinstance(surface, SurfaceEvidence):
        new, points = _surface_places(survey, posterior, surface)
        if new is not None:
            found.append((surface, new, points))
    contact = kinds.get("contact")
    if contact is None and survey.fittings:
        contact = ContactEvidence(replace(survey, contact=one_row("contact", survey, posterior)))
        contact.pooled.chainage_m[:] = np.inf
    if isinstance(contact, ContactEvidence):
        new, points = _untouched(survey, contact)
        if new is not None:
            found.append((contact, new, points))
    return found


def one_row(kind: str, survey: Survey, posterior: Posterior) -> Levels:
    """Return a blank reading at the leading peak: a pattern for readings not taken yet."""
    peak = posterior.peaks[0]
    nan, whole = np.array([np.nan]), np.zeros(1, dtype=np.int64)
    place = np.asarray(survey.legs[peak.leg].route.position(np.array([peak.median_m])))
    return Levels(
        kind=kind,
        id=("",),
        leg=whole + peak.leg,
        chainage_m=np.array([peak.median_m]),
        offset_m=np.zeros(1),
        easting_m=place[:, 0],
        northing_m=place[:, 1],
        level_db=np.zeros(1),
        repeats=whole + 1,
        background_db=nan,
        place=whole,
        session=whole,
        sessions=("",),
        surface=(None,),
        censored=whole,
        gain_db=nan,
        low_hz=nan,
        high_hz=nan,
        lead_m=np.zeros(1),
        rival_leg=whole - 1,
        rival_chainage_m=nan,
    )


def _surface_places(
    survey: Survey, posterior: Posterior, evidence: SurfaceEvidence
) -> tuple[Pooled | None, list[str | None]]:
    """Return places on the line in and about the 95 % set, at marks where there are some."""
    spans = [(leg, a - 1.0, b + 1.0) for leg, a, b in posterior.interval_95]
    total = sum(b - a for _, a, b in spans)
    step = max(STEP_M, total / MOST_PLACES)
    parts: list[Pooled] = []
    points: list[str | None] = []
    for leg, a, b in spans:
        length = survey.legs[leg].route.length_m
        low, high = max(0.0, a), min(length, b)
        at = np.linspace(low, high, max(2, int((high - low) / step) + 1))
        at, names = _at_marks(survey, leg, at)
        rows = np.flatnonzero(evidence.pooled.leg == leg)
        taken = evidence.pooled.chainage_m[rows] if len(survey.surface) else np.zeros(0)
        free = np.array([not np.any(np.abs(taken - x) < APART_M) for x in at], dtype=bool)
        if not free.any():
            continue
        like = rows if len(rows) else np.arange(len(evidence.pooled))
        parts.append(evidence.pooled.beside(like, leg, at[free], survey))
        points += [name for name, keep in zip(names, free, strict=True) if keep]
    return (Pooled.joined(parts), points) if parts else (None, points)


def _at_marks(survey: Survey, leg: int, at: Floats) -> tuple[Floats, list[str | None]]:
    """Move places onto marks that stand within a hand's breadth, and name those."""
    marks = [
        (p.chainage_m, p.point.id)
        for p in survey.points
        if p.leg == leg and p.kind == "mark" and p.chainage_m is not None
    ]
    if not marks:
        return at, [None] * len(at)
    where = np.array([m[0] for m in marks])
    moved, names = at.copy(), []
    for i, x in enumerate(at):
        k = int(np.argmin(np.abs(where - x)))
        close = abs(where[k] - x) < AT_MARK_M
        if close:
            moved[i] = where[k]
        names.append(marks[k][1] if close else None)
    keep = np.concatenate([[True], np.diff(moved) > 1e-6])
    return moved[keep], [name for name, k in zip(names, keep, strict=True) if k]


def _untouched(survey: Survey, evidence: ContactEvidence) -> tuple[Pooled | None, list[str | None]]:
    """Return the fittings on the network that no contact sensor has touched."""
    pooled = evidence.pooled

    def touched(p: SurveyedPoint) -> bool:
        away = np.abs(pooled.chainage_m - (p.chainage_m or 0.0))
        return bool(np.any((pooled.leg == p.leg) & (away < APART_M)))

    free = [p for p in survey.fittings if not touched(p)][:MOST_PLACES]
    parts = [
        pooled.beside(
            np.arange(len(pooled)), int(p.leg or 0), np.array([p.chainage_m or 0.0]), survey
        )
        for p in free
    ]
    return (Pooled.joined(parts), [p.point.id for p in free]) if parts else (None, [])


def value_of_reading(survey: Survey, foresight: Foresight, chance_now: float) -> float | None:
    """Return what the best next reading is expected to save over digging now, in money.

    A dig costs `dig_cost`, a dry hole `dry_hole_cost` on top; a reading costs its minutes. None
    where the site states no costs, or there is no reading to take.
    """
    crew = survey.site.crew
    if crew.dig_cost is None or crew.dry_hole_cost is None or not foresight.masses:
        return None
    minutes = crew.reading_minutes or 0.0
    price = minutes / 60.0 * (crew.hour_cost or 0.0)
    now = float(
        best_window_chance(foresight.strata, foresight.strata.mass[None, :], crew.dig_length_m)[0]
    )
    best = -np.inf
    on_pipe = float(foresight.strata.mass.sum())
    for masses in foresight.masses:
        after = best_window_chance(foresight.strata, masses, crew.dig_length_m) * on_pipe
        best = max(best, float(after.mean()) - now)
    # The gain in chance is carried over to the hole that counts everything else as well.
    share = chance_now / now if now > 0 else 0.0
    return crew.dry_hole_cost * best * share - price
