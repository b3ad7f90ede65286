"""Before driving out: how close to read, which fittings to touch, which valves to shut.

How close readings must stand is found by trying: leaks as loud as published measurements over real
ones are put along each leg, heard through plain ground at every spacing, and answered by the same
inference that will judge the real readings.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from geoleak.advice.checks import reading_minutes
from geoleak.advice.decide import LegMass, best_window
from geoleak.evidence import Parts, pipe_loss
from geoleak.posterior import RIVALS, InferenceOptions, begin, settle
from geoleak.record import Floats, Ints, Record, replace
from geoleak.site import Site
from geoleak.survey import PipePlace, Survey, levels_on_line, no_levels

Progress = Callable[[float], None]

# Level at the surface straight above real leaks in pipe 0.4 to 1.0 m deep, over background:
# J. Water Supply: Research and Technology-AQUA 54(8), 519 (2005), abstract.
LOUDNESS_DB = (7.5, 12.5)
# Spacings that are tried, in metres and in feet: what a crew paints.
SPACINGS_M = (0.5, 0.75, 1.0, 1.5, 2.0, 3.0)
SPACINGS_FT = (2.0, 3.0, 4.0, 5.0, 8.0, 10.0)
TRIES = 12
# The widest spacing that digs nearly as often as the best one is enough: common practice, no
# source. With twelve tries a difference of one is nothing.
NEARLY = 1.5 / TRIES
# A leak is tried on a stretch this long of a longer leg, and a fitting is to tell such stretches
# from one another.
STRETCH_M = 20.0
# Nodes of such an answer: what fewer of them change is less than a try more or less.
QUICK = InferenceOptions(nodes=16, most_nodes=48)
# A contact reading tells a leak so far off by this much, dB: source over background at a fitting
# and how far that varies from leak to leak (common practice, no source).
HEARD_DB, HEARD_SIGMA_DB, CONTACT_SIGMA_DB = 30.0, 10.0, 5.0
SAMPLES = 400
# A valve that parts off less of the pipe than this is not worth shutting: common practice, no
# source.
WORTH_SHUTTING = 0.05
# First a round at so many spacings, then so many readings about the loudest: common practice, no
# source. A finer first round finds no leak that this one misses, and takes a day.
COARSE, FINE = 4, 12


class LegPlan(Record):
    """What one leg asks for. ``by_spacing`` is (metres, chance that the readings carry a hole).

    ``readings`` counts a round every `COARSE` spacings, and `FINE` about the loudest place.
    """

    leg: str
    length_m: float
    mark_spacing_m: float
    marks_now_m: float | None
    reading_spacing_m: float
    chance_of_dig: float
    by_spacing: tuple[tuple[float, float], ...]
    readings: int


class Plan(Record):
    """The visit: legs, fittings and valves in the order that tells most, and its minutes."""

    legs: tuple[LegPlan, ...]
    fittings_first: tuple[str, ...]
    valves: tuple[str, ...]
    minutes: float
    reading_minutes: float


def plan_visit(survey: Survey, *, seed: int = 20261126, progress: Progress | None = None) -> Plan:
    """Return the plan of a visit.

    Parameters
    ----------
    survey : Survey
        Traced, taped, drawn or assumed legs; readings need not be there.
    seed : int
        Of the leaks that are tried: same site, same plan.
    progress : callable, optional
        Gets 0 to 1.
    """
    rng = np.random.default_rng(seed)
    legs, unread = [], _unread(survey)
    for done, leg in enumerate(survey.legs):
        legs.append(_leg_plan(unread, leg.number, rng))
        if progress is not None:
            progress((done + 1) / len(survey.legs))
    minutes = reading_minutes(survey)
    fittings = first_fittings(survey, rng)
    count = sum(each.readings for each in legs) + len(fittings)
    return Plan(tuple(legs), fittings, first_valves(survey), minutes * count, minutes)


def _leg_plan(survey: Survey, number: int, rng: np.random.Generator) -> LegPlan:
    leg = survey.legs[number]
    unit_m = 1.0 if survey.site.length_unit == "m" else 0.3048
    wanted = SPACINGS_M if unit_m == 1.0 else SPACINGS_FT
    length = leg.route.length_m
    found: list[tuple[float, float]] = []
    for spacing in (each * unit_m for each in wanted):
        # Where nothing is pinned wider spacings are not tried.
        if spacing <= length and (not found or found[-1][1] > 0):
            found.append((spacing, _chance_of_dig(survey, number, spacing, rng)))
    if not found:
        found = [(length, 0.0)]
    best = max(chance for _, chance in found)
    spacing, chance = max(each for each in found if each[1] >= best - NEARLY)
    marks = np.sort([
        p.chainage_m for p in survey.points
        if p.kind == "mark" and p.leg == number and p.chainage_m is not None
    ])  # fmt: skip
    return LegPlan(
        leg=leg.name,
        length_m=length,
        mark_spacing_m=survey.site.crew.dig_length_m,
        marks_now_m=float(np.median(np.diff(marks))) if len(marks) > 2 else None,
        reading_spacing_m=spacing,
        chance_of_dig=chance,
        by_spacing=tuple(found),
        readings=min(int(length / spacing), int(length / (COARSE * spacing)) + FINE) + 1,
    )


def _chance_of_dig(survey: Survey, number: int, spacing: float, rng: np.random.Generator) -> float:
    length = survey.legs[number].route.length_m
    dug = 0
    for _ in range(TRIES):
        half = min(STRETCH_M, length) / 2
        middle = rng.uniform(half, length - half) if length > 2 * half else length / 2
        low = middle - half
        at = np.arange(low + rng.uniform(0, min(spacing, 2 * half)), middle + half, spacing)
        leak = float(rng.uniform(low, middle + half))
        rows = levels_on_line("surface", survey.legs, number, at)
        heard = replace(rows, level_db=_heard(survey, number, at, leak, rng))
        dug += _is_pinned(replace(survey, surface=heard), number)
    return dug / TRIES


def _is_pinned(survey: Survey, number: int) -> bool:
    """Tell whether a hole on a leg would hold the leak, what is heard being the leak."""
    run = begin(survey, QUICK)
    cells, (line, *_) = settle(run)
    along = LegMass.of(cells, number, line.mass)
    crew = survey.site.crew
    # A stake from good marks is set out to 0.1 m: nothing to a hole as long as a bucket is wide.
    _, _, chance = best_window(along, crew.dig_length_m, holding_m=None, sigma_m=0.0)
    return chance >= crew.dig_when


# What is known before anybody drives out; rows of every other sheet are what a visit brings.
KNOWN_BEFORE = frozenset(
    {
        "legs", "points", "fittings", "calibrations", "past_leaks", "utilities", "tapes", "photos",
        "notes", "warnings",
    }
)  # fmt: skip


def _unread(survey: Survey) -> Survey:
    """Return a site nobody read yet, whose readings will tell of the leak: no rivals."""
    levels = survey.site.levels.model_copy(update={"level_scale": "db", "level_limits": None})
    alone = survey.site.prior.model_copy(update=dict.fromkeys(RIVALS, 0.0))
    site = replace(survey.site, levels=levels, prior=alone, **_none_of(survey.site))
    kinds: dict[str, Any] = {
        kind: no_levels(kind) for kind in ("contact", "gas", "bar_hole", "rod")
    }
    return replace(survey, site=site, **kinds, **_none_of(survey))


def _none_of(record: Site | Survey) -> dict[str, Any]:
    rows = (name for name in record.__struct_fields__ if isinstance(getattr(record, name), tuple))
    return {name: () for name in rows if name not in KNOWN_BEFORE}


def _heard(
    survey: Survey, number: int, at: Floats, leak: float, rng: np.random.Generator
) -> Floats:
    """Return levels over a background of 30 dB: spreading and loss in plain ground, and scatter."""
    leg, levels = survey.legs[number], survey.site.levels
    depth = max(0.3, float(leg.fit.depth_m(np.array([leak]))[0]))
    loss = survey.site.tables.soil().loss_db_per_m
    path = np.hypot(at - leak, depth)
    over = rng.uniform(*LOUDNESS_DB) - 20 * np.log10(path / depth) - loss * (path - depth)
    # The level over background straight above is that of leak and background together.
    power = np.maximum(10 ** (over / 10) - 1, 0.0)
    scatter = math.hypot(levels.level_sigma_db, levels.place_sigma_db)
    return 30.0 + 10 * np.log10(1 + power) + rng.normal(0, scatter, len(at))


def first_fittings(survey: Survey, rng: np.random.Generator) -> tuple[str, ...]:
    """Return fittings in the order in which touching them tells most about where the leak is.

    The pipe is cut into stretches of `STRETCH_M`; one fitting after another is taken whose
    reading, beside those already taken, is expected to leave least doubt about the stretch
    (expected entropy over simulated leaks and loudnesses).
    """
    fittings = survey.fittings
    if not fittings:
        return ()
    leg, at, stretch = _leaks(survey, rng)
    loss = pipe_loss(survey)[0][leg]
    source = rng.normal(HEARD_DB, HEARD_SIGMA_DB, len(leg))
    places = (leg, at)
    ends = (np.array([each.leg for each in fittings]),
            np.array([each.chainage_m for each in fittings], dtype=float))  # fmt: skip
    metres = survey.network.distance(places, ends)
    metres = np.where(np.isfinite(metres), metres, 1e6)
    level = 10 * np.log10(1 + 10 ** np.clip((source[:, None] - loss[:, None] * metres) / 10, -9, 9))
    noisy = level + rng.normal(0, CONTACT_SIGMA_DB, level.shape)
    left, taken = list(range(len(fittings))), []
    fit = np.zeros((len(leg), len(leg)))
    while left:
        doubts = []
        for k in left:
            more = fit - 0.5 * ((noisy[:, None, k] - level[None, :, k]) / CONTACT_SIGMA_DB) ** 2
            doubts.append((_doubt(more, stretch), k))
        _, best = min(doubts)
        taken.append(best)
        left.remove(best)
        fit = fit - 0.5 * ((noisy[:, None, best] - level[None, :, best]) / CONTACT_SIGMA_DB) ** 2
    return tuple(fittings[k].point.id for k in taken)


def _doubt(fit: Floats, stretch: Ints) -> float:
    """Return the mean entropy over stretches, for log-likelihoods (simulated, supposed)."""
    weight = np.exp(fit - fit.max(axis=1, keepdims=True))
    weight /= weight.sum(axis=1, keepdims=True)
    chance = weight @ np.eye(int(stretch.max()) + 1)[stretch]
    return float(-(chance * np.log(np.maximum(chance, 1e-300))).sum(axis=1).mean())


def _leaks(survey: Survey, rng: np.random.Generator) -> tuple[Ints, Floats, Ints]:
    lengths = np.array([each.route.length_m for each in survey.legs])
    leg = rng.choice(len(lengths), SAMPLES, p=lengths / lengths.sum())
    at = rng.random(SAMPLES) * lengths[leg]
    parts = np.maximum(1, np.round(lengths / STRETCH_M)).astype(int)
    start = np.concatenate([[0], np.cumsum(parts)[:-1]])
    within = np.minimum((at / lengths[leg] * parts[leg]).astype(int), parts[leg] - 1)
    return leg, at, start[leg] + within


def first_valves(survey: Survey) -> tuple[str, ...]:
    """Return fittings that may be valves by how evenly shutting them parts the pipe.

    What is not parted at all is left out. Which of them are valves the crew knows.
    """
    lengths = np.array([each.route.length_m for each in survey.legs])
    steps = [np.linspace(0, length, max(2, int(length))) for length in lengths]
    leg = np.concatenate([np.full(len(each), k) for k, each in enumerate(steps)])
    at = np.concatenate(steps)
    even = []
    for each in survey.fittings:
        valve = PipePlace(each.leg or 0, each.chainage_m or 0.0, each.lead_m)
        part = Parts(survey, (valve,)).of(leg, at)
        share = float(np.mean(part == part[0]))
        if WORTH_SHUTTING < share < 1 - WORTH_SHUTTING:
            even.append((abs(share - 0.5), each.point.id))
    return tuple(name for _, name in sorted(even))
