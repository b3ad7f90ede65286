"""Where a leak is likely before anything was heard: even per metre, times stated factors."""

from __future__ import annotations

import numpy as np

from geoleak.evidence.base import Candidates, Hint, Piece, joined
from geoleak.record import Bools, Floats
from geoleak.survey import Survey
from geoleak.tables import setting

Spot = tuple[int, float]
# Metals that rust through under the ground (common practice, no source).
RUSTING = frozenset({"galvanized_steel", "steel", "cast_iron", "ductile_iron"})


def log_factor(
    survey: Survey, places: Candidates, *, without: frozenset[str] = frozenset()
) -> tuple[Floats, dict[str, float]]:
    """Return the log of the prior factor at each place, shape (k,), and the factors in use.

    Parameters
    ----------
    survey : Survey
    places : Candidates
    without : frozenset of str
        Factors that are switched off: ``"joints"``, ``"past_leaks"``, ``"recent_excavation"``,
        ``"age"``, ``"material"``, ``"listened"``. A factor of 1 in the site file is off as well.
    """
    chosen, leg = survey.site.prior, places.leg
    found = {
        name: (factor, np.log1p((factor - 1.0) * _nearness(places, spots, reach)))
        for name, factor, spots, reach in _spots(survey)
        if factor > 0
    }
    if chosen.age > 0:
        # A leg of no stated year counts as the newest.
        years = [each.leg.installed for each in survey.legs]
        newest = max(filter(None, years), default=0)
        older = np.array([newest - (year or newest) for year in years], dtype=float)
        log_age = np.log(chosen.age) * older[leg] / setting("age_years").value
        found["age"] = chosen.age, log_age
    rusting = np.array([each.leg.material in RUSTING for each in survey.legs])
    # It weighs legs against one another: one kind of pipe throughout leaves nothing to weigh.
    if chosen.material > 0 and 0 < rusting.sum() < len(rusting):
        found["material"] = chosen.material, np.log(chosen.material) * rusting[leg]
    if "surface" not in without:
        found["listened"] = _share_listened(survey), listened_factor(survey, places)
    value, used = np.zeros(len(places)), {}
    for name, (factor, log) in found.items():
        if name not in without and factor != 1.0 and log.any():
            used[name] = factor
            value += log
    return value, used


def listened_factor(survey: Survey, places: Candidates) -> Floats:
    """Return the log of what listening there adds to a place's chance per metre, shape (k,).

    A crew listens where it suspects; nothing where the stretch holds that share by its length.
    """
    share = _share_listened(survey)
    heard = listened_to(survey, places)
    even = float(places.weight[heard].sum() / max(places.weight.sum(), 1e-300))
    if not 0 < even < share:
        return np.zeros(len(places))
    inside, outside = np.log(share / even), np.log((1.0 - share) / (1.0 - even))
    return np.asarray(np.where(heard, inside, outside), dtype=float)


def _share_listened(survey: Survey) -> float:
    """Return the share of the chance where the crew listened: a few readings are no search yet."""
    places = len(np.unique(survey.surface.place))
    search = 1.0 - np.exp(-places / setting("listened_places").value)
    return float(survey.site.prior.listened * search)


def listened_to(survey: Survey, places: Candidates) -> Bools:
    """Tell which places are in the stretch where the ground was listened to."""
    found = np.zeros(len(places), dtype=bool)
    for leg, start, end in _stretches(survey):
        at = places.chainage_m
        found |= (places.leg == leg) & (at > start) & (at < end)
    return found


def _stretches(survey: Survey) -> tuple[Piece, ...]:
    """Return the stretches about the surface readings, overlapping ones joined."""
    reach, rows = setting("listened_reach").value, survey.surface
    places = zip(rows.leg.tolist(), rows.chainage_m.tolist(), strict=True)
    return joined((leg, at - reach, at + reach) for leg, at in places)


def _spots(survey: Survey) -> list[tuple[str, float, list[Spot], float]]:
    """Return name, factor, places and reach in metres of the factors that sit at places."""
    chosen = survey.site.prior
    joints: list[Spot] = [(p.leg or 0, p.chainage_m or 0.0) for p in survey.fittings]
    for joint in survey.network.joints:
        joints += [(joint.leg_a, joint.chainage_a_m), (joint.leg_b, joint.chainage_b_m)]
    past = [(p.leg, p.chainage_m) for p in survey.past_leaks]
    # Holes of this job were dug after the leak began: only earlier repairs count as excavations.
    years = [p.past_leak.year or 0 for p in survey.past_leaks]
    recent = max(years, default=0) - setting("recent_years").value
    dug = [at for at, year in zip(past, years, strict=True) if year and year >= recent]
    return [
        ("joints", chosen.joints, sorted(set(joints)), setting("joint_reach").value),
        ("past_leaks", chosen.past_leaks, past, setting("past_leak_reach").value),
        ("recent_excavation", chosen.recent_excavation, dug, setting("excavation_reach").value),
    ]


def _nearness(places: Candidates, spots: list[Spot], reach_m: float) -> Floats:
    """Return 1 at a spot, falling as a normal curve of width `reach_m` along its leg."""
    best = np.zeros(len(places))
    for leg in {leg for leg, _ in spots}:
        rows = np.flatnonzero(places.leg == leg)
        at = np.unique([c for number, c in spots if number == leg])
        here = places.chainage_m[rows]
        right = np.clip(np.searchsorted(at, here), 0, len(at) - 1)
        left = np.maximum(right - 1, 0)
        away = np.minimum(np.abs(here - at[left]), np.abs(here - at[right]))
        best[rows] = np.exp(-0.5 * (away / reach_m) ** 2)
    return best


def hints(survey: Survey) -> tuple[Hint, ...]:
    """Return where the prior changes fast."""
    found = []
    for _, factor, spots, reach in _spots(survey):
        if factor == 1.0:
            continue
        found += [Hint(leg, c - 3 * reach, c + 3 * reach, 0.5 * reach) for leg, c in spots]
    if survey.site.prior.listened > 0:
        # One cell ends where the stretch does.
        found += [Hint(leg, a, b, max(b - a, 0.01)) for leg, a, b in _stretches(survey)]
    return tuple(found)
