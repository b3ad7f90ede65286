"""The meter with every tap shut, and with the house valve shut besides: on which side it leaks."""

from __future__ import annotations

from typing import Literal

import numpy as np

from geoleak.evidence.base import Belief, Candidates, Evidence, Hint, Judged, KindFit, Nodes
from geoleak.evidence.isolation import Parts
from geoleak.record import Floats
from geoleak.site import Note
from geoleak.survey import PipePlace, Survey

# Below this chance of the place's side the two contradict: common practice, no source.
AGAINST = 0.1


def gather(survey: Survey) -> Evidence | None:
    """Return what the meter's runs tell of the side; None where they tell nothing of it."""
    if survey.house_valve is None or survey.meter is None:
        return None
    sides = survey.meter.sides
    return None if sides is None else MeterEvidence(survey, survey.house_valve, sides)


class MeterEvidence:
    """The two runs of one survey: the odds of a leak before and beyond the house valve.

    A leak on both sides is told of by neither; it is as likely from any place.
    """

    kind = "meter"
    tells_of: Literal["sound", "leak"] = "leak"
    nuisances: tuple[str, ...] = ()
    rows = 1

    def __init__(self, survey: Survey, valve: PipePlace, sides: dict[str, float]) -> None:
        self.survey = survey
        self.valve = valve
        self.parts = Parts(survey, (valve,))
        self.both = sides["both"]
        # Both sides leaking, the sound is of either.
        self.before = sides["before"] + 0.5 * sides["both"]
        self.beyond = sides["beyond"] + 0.5 * sides["both"]

    def _chances(self, places: Candidates) -> Floats:
        fed = self.parts.of(np.zeros(1, dtype=np.int64), np.zeros(1))[0]
        beyond = self.parts.of(places.leg, places.chainage_m) != fed
        return np.where(beyond, self.beyond, self.before)

    def log_likelihood(self, places: Candidates, nodes: Nodes) -> Judged:
        """Judge every place by its side; elsewhere may hang on either."""
        elsewhere = np.log(0.5 * (self.before + self.beyond))
        return Judged(np.log(self._chances(places))[None, :], np.array([elsewhere]))

    def hints(self) -> tuple[Hint, ...]:
        """Return the valve: cells beside it are short."""
        at = self.valve.chainage_m
        return (Hint(self.valve.leg, at - 0.5, at + 0.5, 0.1),)

    def fit(self, belief: Belief, rng: np.random.Generator) -> KindFit:
        """Tell whether the place is on the side that the meter names."""
        mean = float(self._chances(belief.places).mean())
        agrees = mean >= AGAINST
        side = "beyond" if self.beyond > self.before else "before"
        text, redo, against = f"the meter says {side} the house valve", "", mean < 0.5
        if not agrees:
            text += ": the readings point to the other side"
            redo = (
                "shut the house valve again and watch the meter; where it says the same, listen "
                f"{side} the house valve"
            )
        elif against:
            text += f", or on both sides ({self.both:.0%}): then another leak is {side} it"
        return KindFit(self.kind, 1, mean, text, agrees, redo, against)

    def notes(self) -> tuple[Note, ...]:
        """Return nothing: the runs speak for themselves."""
        return ()
