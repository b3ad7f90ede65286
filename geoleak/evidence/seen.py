"""What was seen: holes already dug, and wet, warm, sunk or green ground."""

from __future__ import annotations

import numpy as np

from geoleak.evidence.base import Belief, Candidates, Evidence, Hint, KindFit
from geoleak.record import Floats
from geoleak.site import Note
from geoleak.survey import Survey, SurveyedHole, SurveyedSighting
from geoleak.tables import setting

# A hole whose outcome had less chance than this of the likeliest one contradicts the rest: with a
# leak in an exposed stretch missed three times in a hundred, where the rest gave it 99 %.
UNEXPECTED = 0.04
# What was seen counts as near a place whose odds it raises by so much (nats).
NEAR = 0.5


class HoleEvidence(Evidence):
    """All holes of one survey with an outcome: what each says of its stretch and either side."""

    kind = "hole"

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        self.holes = tuple(h for h in survey.holes if h.hole.outcome is not None)
        self.rows = len(self.holes)

    def judge(self, places: Candidates) -> tuple[Floats, float]:
        """Judge every place by what each hole showed."""
        value, elsewhere = np.zeros(len(places)), 0.0
        for each in self.holes:
            value += np.log(self._chance(each, places))
            elsewhere += float(np.log(_far(each)))
        return value, elsewhere

    def _chance(self, each: SurveyedHole, places: Candidates) -> Floats:
        """Return the chance of a hole's outcome for a leak at every place.

        The three outcomes add up to one at every place: a leak in the stretch is seen, or missed;
        water runs in from a leak nearby more often than from anything else, and from the leak's
        side more often than from the other.
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
        if hole.water_from is None:
            return (1.0 - seen) * wet
        right = setting("water_side").value
        from_there = (places.chainage_m > middle) == (hole.water_from == "up")
        side = np.where(from_there, right, 1.0 - right)
        return (1.0 - seen) * wet * np.where(places.leg == each.leg, side, 0.5)

    def hints(self) -> tuple[Hint, ...]:
        """Return the holes, their ends and some metres on either side."""
        reach, found = 3.0 * setting("hole_wet_reach").value, []
        for h in self.holes:
            found.append(Hint(h.leg, h.from_m - reach, h.to_m + reach, 0.5))
            found += [Hint(h.leg, end - 0.1, end + 0.1, 0.05) for end in (h.from_m, h.to_m)]
            found.append(Hint(h.leg, h.from_m, h.to_m, max(h.to_m - h.from_m, 0.01)))
        return tuple(found)

    def fit(self, belief: Belief, places: Candidates, mass: Floats) -> KindFit:
        """Tell whether a posterior without each hole would have expected what it showed.

        The posterior with a hole has already moved to where the hole agrees. Without it, its
        weights are those over the chance of the outcome: the outcome's chance is the harmonic
        mean of those chances.
        """
        elsewhere, told = max(1.0 - float(mass.sum()), 0.0), []
        for each in self.holes:
            rest = float((mass / np.maximum(self._chance(each, places), 1e-12)).sum())
            expected = 1.0 / max(rest + elsewhere / _far(each), 1e-12)
            # Over the chance of an outcome that needs no explaining.
            told.append(expected / (_far(each) if each.hole.outcome == "dry" else 1.0))
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
            leg = self.survey.legs[each.leg]
            if each.hole.outcome == "leak":
                text = f"hole {each.hole.id} found a leak: what follows holds if that was the leak"
                found.append(Note("leak_found", text, each.hole.origin))
            elif each.hole.outcome == "dry" and each.to_m - each.from_m > 0.98 * leg.route.length_m:
                text = f"hole {each.hole.id} was dry over the whole of {leg.name}"
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


class SightingEvidence(Evidence):
    """All sightings of one survey. Weak and wide, by table."""

    kind = "sighting"

    def __init__(self, survey: Survey) -> None:
        self.sightings = survey.sightings
        self.rows = len(survey.sightings)

    def _log_ratio(self, each: SurveyedSighting, places: Candidates) -> Floats:
        """Return the log odds a sighting gives a place, against one far away."""
        row = setting(f"sighting_{each.sighting.what}")
        away = np.hypot(places.easting_m - each.easting_m, places.northing_m - each.northing_m)
        return np.log1p((row.value - 1.0) * np.exp(-0.5 * (away / row.spread) ** 2))

    def judge(self, places: Candidates) -> tuple[Floats, float]:
        """Judge every place by what was seen near it."""
        value = np.zeros(len(places))
        for each in self.sightings:
            value += self._log_ratio(each, places)
        return value, 0.0

    def hints(self) -> tuple[Hint, ...]:
        """Return the pipe about each sighting."""
        return tuple(
            Hint(s.leg, s.chainage_m - 10.0, s.chainage_m + 10.0, 0.5) for s in self.sightings
        )

    def fit(self, belief: Belief, places: Candidates, mass: Floats) -> KindFit:
        """Sightings never contradict: the ground is wet for many reasons."""
        near = [float(np.mean(self._log_ratio(s, belief.places))) for s in self.sightings]
        count = sum(value > NEAR for value in near)
        text = f"{count} of {self.rows} sightings near the place"
        return KindFit(self.kind, self.rows, 1.0, text, True)
