"""Which reading to take next, and what it is expected to bring, before it is taken.

The posterior is cut into strata of equal chance along the pipe; each holds some draws of the
unknowns. A reading not taken yet is simulated from every one of some draws, the strata are weighed
again by its likelihood (averaged over the draws within), and the length of the new 95 % set is
taken: its mean is the reading's worth (pre-posterior analysis: Raiffa & Schlaifer 1961, Applied
Statistical Decision Theory; Lindley 1956, Ann. Math. Stat. 27, 986; both from memory).
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import compress

import numpy as np

from geoleak.advice.checks import reading_minutes
from geoleak.evidence import (
    FREEDOM,
    ContactEvidence,
    LevelEvidence,
    Pooled,
    SurfaceEvidence,
    uniform_nodes,
)
from geoleak.posterior import (
    Cells,
    InferenceOptions,
    Piece,
    Posterior,
    Run,
    begin,
    cumulative,
    draw_at,
    highest_density_set,
)
from geoleak.record import Floats, Record, replace
from geoleak.survey import Levels, Survey, levels_on_line

# Readings that could be taken, and the marks or fittings they stand at.
Places = Iterator[tuple[Pooled, list[str | None]]]
STRATA = 48
DRAWS_EACH = 8
OUTCOMES = 48
MOST_PLACES = 32
APART_M = 0.3
AT_MARK_M = 0.25
# A finer step than this between two places to listen at cannot be kept by hand.
STEP_M = 0.25


class NextReading(Record):
    """A reading worth taking next and how long the 95 % interval is expected to be after it."""

    kind: str
    leg: int
    chainage_m: float
    point: str | None
    expected_interval_95_m: float


class Foresight(Record, eq=False):
    """Simulated outcomes of each candidate reading: the chance of each stratum after it."""

    strata: Cells
    mass: Floats
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
    cells = posterior.cells
    mass = posterior.mass if posterior.mass.sum() > 0 else cells.width_m / cells.width_m.sum()
    sets = [*posterior.interval_80, *posterior.interval_95]
    sets += highest_density_set(cells, mass, 0.99)
    strata, held = stratify(cells, mass, STRATA, at=tuple(sets))
    run = posterior.run
    if run is None or run.survey is not survey:
        run = begin(survey, InferenceOptions())
    rng = np.random.default_rng(run.options.seed)
    # Draws within every stratum evenly. Every stratum uses the same uniform numbers, so that two
    # differ by their places and not by the luck of their draws.
    ticks = uniform_nodes(DRAWS_EACH, 4)
    inside = (np.arange(DRAWS_EACH) + 0.5) / DRAWS_EACH
    at = strata.from_m[:, None] + inside[None, :] * strata.width_m[:, None]
    ticks = np.tile(ticks, (len(strata), 1))
    belief = draw_at(run, np.repeat(strata.leg, DRAWS_EACH), at.ravel(), ticks[:, 0])
    found: list[tuple[NextReading, Floats]] = []
    for evidence, new, points in _candidates(survey, posterior, run):
        drawn = evidence.draws if evidence in run.smooth else evidence.prior_draws
        expected, sigma = (
            each.T.reshape(len(new), len(strata), DRAWS_EACH)
            for each in evidence.foresee(drawn(belief, ticks[:, 1:]), new)
        )
        for c, point in enumerate(points):
            after = foreseen_masses(held, expected[c], sigma[c], rng, outcomes=OUTCOMES)
            length = float(set_length(after, strata.width_m).mean())
            place = int(new.leg[c]), float(new.chainage_m[c])
            found.append((NextReading(evidence.kind, *place, point, length), after))
    found.sort(key=lambda each: each[0].expected_interval_95_m)
    chosen = _spread(found, most)
    return Foresight(strata, held, tuple(r for r, _ in chosen), tuple(a for _, a in chosen))


def _spread(found: list[tuple[NextReading, Floats]], most: int) -> list[tuple[NextReading, Floats]]:
    """Take the best, leaving out those within half a metre of one already taken."""
    chosen: list[tuple[NextReading, Floats]] = []
    for one, after in found:
        alike = (r for r, _ in chosen if (r.leg, r.kind) == (one.leg, one.kind))
        if len(chosen) < most and all(abs(r.chainage_m - one.chainage_m) >= 0.5 for r in alike):
            chosen.append((one, after))
    return chosen


def _candidates(
    survey: Survey, posterior: Posterior, run: Run
) -> Iterator[tuple[LevelEvidence, Pooled, list[str | None]]]:
    """Yield readings that could be taken, by kind; a kind not read yet starts from its prior."""
    kinds = {each.kind: each for each in run.smooth}
    peak = posterior.peaks[0]

    def one_row(kind: str) -> Levels:
        return levels_on_line(kind, survey.legs, peak.leg, np.array([peak.median_m]))

    surface = kinds.get("surface") or SurfaceEvidence(replace(survey, surface=one_row("surface")))
    asked: list[tuple[LevelEvidence, Places]] = [
        (surface, _surface_places(survey, posterior, surface))
    ]
    contact = kinds.get("contact")
    if contact is None and survey.fittings:
        contact = ContactEvidence(replace(survey, contact=one_row("contact")))
        contact.pooled.chainage_m[:] = np.inf
    if contact is not None:
        asked.append((contact, _untouched(survey, contact)))
    for evidence, places in asked:
        if parts := list(places):
            names = [name for _, some in parts for name in some]
            yield evidence, Pooled.joined([new for new, _ in parts]), names


def _surface_places(survey: Survey, posterior: Posterior, evidence: LevelEvidence) -> Places:
    """Yield places on the line in and about the 95 % set, at marks where there are some."""
    spans = [(leg, a - 1.0, b + 1.0) for leg, a, b in posterior.interval_95]
    step = max(STEP_M, sum(b - a for _, a, b in spans) / MOST_PLACES)
    for leg, a, b in spans:
        low, high = max(0.0, a), min(survey.legs[leg].route.length_m, b)
        at = np.linspace(low, high, max(2, int((high - low) / step) + 1))
        at, names = _at_marks(survey, leg, at)
        rows = np.flatnonzero(evidence.pooled.leg == leg)
        taken = evidence.pooled.chainage_m[rows] if len(survey.surface) else np.zeros(0)
        free = np.array([not np.any(np.abs(taken - x) < APART_M) for x in at], dtype=bool)
        for hole in survey.holes:  # an open hole is no ground to listen on, nor is its backfill
            if hole.leg == leg:
                free &= (at < hole.from_m) | (at > hole.to_m)
        if free.any():
            like = rows if len(rows) else np.arange(len(evidence.pooled))
            yield evidence.pooled.beside(like, leg, at[free], survey), list(compress(names, free))


def _at_marks(survey: Survey, leg: int, at: Floats) -> tuple[Floats, list[str | None]]:
    """Move places onto marks that stand within a hand's breadth, and name those."""
    marks = [p for p in survey.points if p.leg == leg and p.kind == "mark"]
    if not marks:
        return at, [None] * len(at)
    where = np.array([p.chainage_m for p in marks], dtype=float)
    nearest = np.argmin(np.abs(where - at[:, None]), axis=1)
    close = np.abs(where[nearest] - at) < AT_MARK_M
    moved = np.where(close, where[nearest], at)
    names = [marks[k].point.id if on else None for k, on in zip(nearest, close, strict=True)]
    keep = np.append(True, np.diff(moved) > 1e-6)
    return moved[keep], list(compress(names, keep))


def _untouched(survey: Survey, evidence: LevelEvidence) -> Places:
    """Yield the fittings on the network that no contact sensor has touched."""
    pooled, count = evidence.pooled, 0
    for each in survey.fittings:
        leg, at = each.leg or 0, each.chainage_m or 0.0
        touched = np.any((pooled.leg == leg) & (np.abs(pooled.chainage_m - at) < APART_M))
        if not touched and count < MOST_PLACES:
            rows, count = np.arange(len(pooled)), count + 1
            yield pooled.beside(rows, leg, np.array([at]), survey), [each.point.id]


def value_of_reading(survey: Survey, foresight: Foresight, chance_now: float) -> float | None:
    """Return what the best next reading is expected to save over digging now, in money.

    A dry hole wastes a dig (`dig_cost`) and costs `dry_hole_cost` on top; a reading costs its
    minutes. None where the site states no costs, or there is no reading to take.
    """
    crew = survey.site.crew
    if crew.dig_cost is None or crew.dry_hole_cost is None or not foresight.masses:
        return None
    price = reading_minutes(survey) / 60.0 * (crew.hour_cost or 0.0)
    strata, length = foresight.strata, crew.dig_length_m
    now = float(best_window_chance(strata, foresight.mass[None, :], length)[0])
    on_pipe = float(foresight.mass.sum())
    best = max(
        float((best_window_chance(strata, masses, length) * on_pipe).mean()) - now
        for masses in foresight.masses
    )
    # The gain in chance is carried over to the hole that counts everything else as well.
    share = chance_now / now if now > 0 else 0.0
    return (crew.dig_cost + crew.dry_hole_cost) * best * share - price


def stratify(
    cells: Cells, mass: Floats, count: int, *, at: tuple[Piece, ...] = ()
) -> tuple[Cells, Floats]:
    """Cut cells (in order of leg and chainage) into about `count` pieces of equal chance.

    Returned with the chance of each, elsewhere not counted. Pieces are cut as well at the ends of
    the stretches `at` (highest-density sets), so that thin tails are not lumped with the peak
    beside them.
    """
    total = float(mass.sum())
    pieces = []
    for number in np.unique(cells.leg).tolist():
        rows = np.flatnonzero(cells.leg == number)
        edges, before = cumulative(cells, rows, mass)
        if before[-1] <= 0:
            continue
        parts = max(1, round(count * before[-1] / total))
        # A rising line to invert: a trace of chance per metre where there is none.
        before = before + 1e-12 * (edges - edges[0])
        cuts = np.interp(np.linspace(0, before[-1], parts + 1), before, edges)
        ends = [end for piece in at if piece[0] == number for end in piece[1:]]
        cuts = np.unique(np.clip(np.append(cuts, ends), edges[0], edges[-1]))
        held = np.diff(np.interp(cuts, edges, before))
        piece = np.stack([np.full(len(held), number), cuts[:-1], cuts[1:], held])
        pieces.append(piece[:, np.diff(cuts) > 1e-6])
    leg, start, end, held = np.concatenate(pieces, axis=1)
    return Cells(leg.astype(np.int64), start, end), held


def set_length(mass: Floats, length_m: Floats) -> Floats:
    """Return the length of the highest-density 95 % set of pieces, shape of ``mass[..., 0]``.

    The last piece taken counts by the share of it that is needed.
    """
    order = np.argsort(-mass / length_m, axis=-1, kind="stable")
    sorted_mass = np.take_along_axis(mass, order, axis=-1)
    lengths = np.take_along_axis(np.broadcast_to(length_m, mass.shape), order, axis=-1)
    total = np.cumsum(sorted_mass, axis=-1)
    goal = 0.95 * total[..., -1:]
    needed = np.clip((goal - (total - sorted_mass)) / np.maximum(sorted_mass, 1e-300), 0.0, 1.0)
    return (lengths * needed).sum(axis=-1)


def log_error(z: Floats, freedom: float) -> Floats:
    """Return the log density of an error of unit scale, less its constant."""
    if np.isinf(freedom):
        return -0.5 * z * z
    return -0.5 * (freedom + 1.0) * np.log1p(z * z / freedom)


def foreseen_masses(
    mass: Floats,
    expected: Floats,
    sigma: Floats,
    rng: np.random.Generator,
    *,
    outcomes: int,
    freedom: float = FREEDOM,
) -> Floats:
    """Return the strata's chances after each simulated reading, shape (outcomes, s).

    Parameters
    ----------
    mass : ndarray, shape (s,)
        Chances now.
    expected, sigma : ndarray, shape (s, r)
        What each of r draws in a stratum expects of the reading, and the scale of its error.
    rng : numpy.random.Generator
    outcomes : int
        Readings simulated.
    freedom : float
        Of the error's t distribution; infinite for a normal error.
    """
    count, draws = expected.shape
    # Outcomes spread over the strata by their chance (systematic sampling: less noise).
    share = np.cumsum(mass) / mass.sum()
    ticks = (np.arange(outcomes) + rng.random()) / outcomes
    source = np.minimum(np.searchsorted(share, ticks), count - 1)
    draw = rng.integers(0, draws, outcomes)
    noise = (
        rng.standard_normal(outcomes)
        if np.isinf(freedom)
        else rng.standard_t(freedom, size=outcomes)
    )
    reading = expected[source, draw] + sigma[source, draw] * noise
    z = (reading[:, None, None] - expected[None]) / sigma[None]
    density = np.exp(log_error(z, freedom)) / sigma[None]
    likelihood = density.mean(axis=2)
    after = mass[None, :] * likelihood
    return after / np.maximum(after.sum(axis=1, keepdims=True), 1e-300)


def best_window_chance(strata: Cells, mass: Floats, window_m: float) -> Floats:
    """Return the most that a window of pipe holds under each row of chances, shape (m,)."""
    best = np.zeros(len(mass))
    for number in np.unique(strata.leg):
        rows = np.flatnonzero(strata.leg == number)
        for i, each in enumerate(mass):
            edges, before = cumulative(strata, rows, each)
            starts = np.append(edges, edges - window_m)
            starts = np.unique(np.clip(starts, edges[0], edges[-1]))
            ends = np.minimum(starts + window_m, edges[-1])
            held = np.interp(ends, edges, before) - np.interp(starts, edges, before)
            best[i] = max(best[i], float(held.max()))
    return best
