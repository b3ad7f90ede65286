"""Holes already dug: what an open hole says of the stretch it opens and of either side."""

from __future__ import annotations

from typing import Literal

import numpy as np

from geoleak.evidence.base import Belief, Candidates, Evidence, Hint, Judged, KindFit, Nodes
from geoleak.record import Floats
from geoleak.site import Note
from geoleak.survey import Survey, SurveyedHole
from geoleak.tables import setting

# A hole whose outcome had less chance than this of the likeliest one contradicts the rest: with a
# leak in an exposed stretch missed three times in a hundred, where the rest gave it 99 %.
UNEXPECTED = 0.04


def gather(survey: Survey) -> Evidence | None:
    """Return the holes whose outcome is known as evidence; None where there are none."""
    told = tuple(h for h in survey.holes if h.hole.outcome is not None)
    return HoleEvidence(survey, told) if told else None


class HoleEvidence:
    """All holes of one survey with an outcome."""

    kind = "hole"
    tells_of: Literal["sound", "leak"] = "leak"
    nuisances: tuple[str, ...] = ()

    def __init__(self, survey: Survey, holes: tuple[SurveyedHole, ...]) -> None:
        self.survey = survey
        self.holes = holes
        self.rows = len(holes)

    def log_likelihood(self, places: Candidates, nodes: Nodes) -> Judged:
        """Judge every place by what each hole showed."""
        value = np.zeros(len(places))
        elsewhere = 0.0
        for each in self.holes:
            value += np.log(self._chance(each, places))
            elsewhere += float(np.log(_far(each)))
        return Judged(value[None, :], np.array([elsewhere]))

    def _chance(self, each: SurveyedHole, places: Candidates) -> Floats:
        """Return the chance of a hole's outcome for a leak at every place.

        The three outcomes add up to one at every place: a leak in the stretch is seen, or missed;
        water runs in from a leak nearby more often than from anything else.
        """
        hole = each.hole
        middle = 0.5 * (each.from_m + each.to_m)
        path = places.path(np.array([each.leg]), np.array([middle]))[:, 0]
        away = np.maximum(path - 0.5 * (each.to_m - each.from_m), 0.0)
        inside = (places.leg == each.leg) & (away <= 0)
        near = np.exp(-0.5 * (away / setting("hole_wet_reach").value) ** 2)
        other = setting("hole_wet_by_other").value
        wet = other + (1.0 - other) * setting("hole_wet_chance").value * near
        exposed = "hole_exposed" if hole.pipe_exposed else "hole_not_exposed"
        seen = np.where(inside, setting(exposed).value, setting("hole_second_leak").value)
        if hole.outcome == "leak":
            return seen
        if hole.outcome == "dry":
            return (1.0 - seen) * (1.0 - wet)
        chance = (1.0 - seen) * wet
        return chance if hole.water_from is None else chance * self._side(each, places, middle)

    def _side(self, each: SurveyedHole, places: Candidates, middle: float) -> Floats:
        """Water runs in from the leak's side more often than from the other."""
        right = setting("water_side").value
        up = places.chainage_m > middle
        from_there = up if each.hole.water_from == "up" else ~up
        side = np.where(from_there, right, 1.0 - right)
        return np.where(places.leg == each.leg, side, 0.5)

    def hints(self) -> tuple[Hint, ...]:
        """Return the holes and some metres on either side."""
        reach = 3.0 * setting("hole_wet_reach").value
        wide = tuple(Hint(h.leg, h.from_m - reach, h.to_m + reach, 0.5) for h in self.holes)
        ends = tuple(
            Hint(h.leg, end - 0.1, end + 0.1, 0.05)
            for h in self.holes
            for end in (h.from_m, h.to_m)
        )
        exact = tuple(
            Hint(h.leg, h.from_m, h.to_m, max(h.to_m - h.from_m, 0.01)) for h in self.holes
        )
        return wide + ends + exact

    def fit(self, belief: Belief, rng: np.random.Generator) -> KindFit:
        """Tell whether what the holes showed is explained on the pipe."""
        share = np.full(len(belief), 1.0 / len(belief))
        return self.fit_of(belief.places, share, 0.0)

    def fit_of(self, places: Candidates, mass: Floats, elsewhere: float) -> KindFit:
        """Tell whether a posterior without each hole would have expected what it showed.

        The posterior with a hole has already moved to where the hole agrees. Without it, its
        weights are those over the chance of the outcome: the outcome's chance is the harmonic
        mean of those chances.

        Parameters
        ----------
        places : Candidates
            k places.
        mass : ndarray, shape (k,)
            Their chances, holes counted.
        elsewhere : float
            Chance of no place of them.
        """
        told = []
        for each in self.holes:
            rest = float((mass / np.maximum(self._chance(each, places), 1e-12)).sum())
            expected = 1.0 / max(rest + elsewhere / _far(each), 1e-12)
            told.append(expected / _most(each))
        worst = int(np.argmin(told))
        agrees = told[worst] >= UNEXPECTED
        text = f"{self.rows} hole{'s' * (self.rows > 1)} counted"
        if not agrees:
            text = f"hole {self.holes[worst].hole.id} contradicts the rest of the evidence"
        return KindFit(self.kind, self.rows, min(1.0, told[worst]), text, agrees)

    def notes(self) -> tuple[Note, ...]:
        """Return holes that found the leak, and a dry hole over a whole leg."""
        found = []
        for each in self.holes:
            length = self.survey.legs[each.leg].route.length_m
            name = self.survey.legs[each.leg].name
            if each.hole.outcome == "leak":
                text = f"hole {each.hole.id} found a leak: what follows holds if that was the leak"
                found.append(Note("leak_found", text, each.hole.origin))
            elif each.hole.outcome == "dry" and each.to_m - each.from_m > 0.98 * length:
                text = f"hole {each.hole.id} was dry over the whole of {name}"
                found.append(Note("dry_over_whole_leg", text, each.hole.origin))
        return tuple(found)


def _far(each: SurveyedHole) -> float:
    """Return the chance of an outcome when the leak is far away, or on no traced leg."""
    seen, wet = setting("hole_second_leak").value, setting("hole_wet_by_other").value
    outcome = each.hole.outcome
    if outcome == "leak":
        return seen
    if outcome == "dry":
        return (1.0 - seen) * (1.0 - wet)
    return (1.0 - seen) * wet * (1.0 if each.hole.water_from is None else 0.5)


def _most(each: SurveyedHole) -> float:
    """Return the chance of an outcome that needs no explaining."""
    return _far(each) if each.hole.outcome == "dry" else 1.0
