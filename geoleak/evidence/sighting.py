"""Things seen at the surface: wet, warm, sunk or green ground. Weak and wide, by table."""

from __future__ import annotations

from typing import Literal

import numpy as np

from geoleak.evidence.base import Belief, Candidates, Evidence, Hint, Judged, KindFit, Nodes
from geoleak.record import Floats
from geoleak.site import Note
from geoleak.survey import Survey, SurveyedSighting
from geoleak.tables import setting


def gather(survey: Survey) -> Evidence | None:
    """Return the sightings of a survey as evidence; None where there are none."""
    return SightingEvidence(survey) if survey.sightings else None


class SightingEvidence:
    """All sightings of one survey."""

    kind = "sighting"
    tells_of: Literal["sound", "leak"] = "leak"
    nuisances: tuple[str, ...] = ()

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        self.rows = len(survey.sightings)

    def _log_ratio(self, each: SurveyedSighting, places: Candidates) -> Floats:
        """Return the log odds a sighting gives a place, against one far away."""
        row = setting(f"sighting_{each.sighting.what}")
        away = np.hypot(places.easting_m - each.easting_m, places.northing_m - each.northing_m)
        out: Floats = np.log1p((row.value - 1.0) * np.exp(-0.5 * (away / row.spread) ** 2))
        return out

    def log_likelihood(self, places: Candidates, nodes: Nodes) -> Judged:
        """Judge every place by what was seen near it."""
        value = np.zeros(len(places))
        for each in self.survey.sightings:
            value += self._log_ratio(each, places)
        return Judged(value[None, :], np.zeros(1))

    def hints(self) -> tuple[Hint, ...]:
        """Return the pipe about each sighting."""
        return tuple(
            Hint(s.leg, s.chainage_m - 10.0, s.chainage_m + 10.0, 0.5)
            for s in self.survey.sightings
        )

    def fit(self, belief: Belief, rng: np.random.Generator) -> KindFit:
        """Sightings never contradict: the ground is wet for many reasons."""
        near = [float(np.mean(self._log_ratio(s, belief.places))) for s in self.survey.sightings]
        count = sum(value > 0.5 for value in near)
        text = f"{count} of {self.rows} sightings near the place"
        return KindFit(self.kind, self.rows, 1.0, text, True)

    def notes(self) -> tuple[Note, ...]:
        """Return nothing: a sighting needs no comment."""
        return ()
