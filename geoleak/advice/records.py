"""What stops a dig, what a dig opens, and the answer as every doubt looks at it."""

from __future__ import annotations

from dataclasses import dataclass

from geoleak.advice.spots import Spots
from geoleak.evidence import StopTests
from geoleak.posterior import SILENT, Posterior
from geoleak.site import Note
from geoleak.survey import Survey, SurveyedLeg

# Leg number, chainage_m, aside_m (right positive).
Place = tuple[int, float, float]


@dataclass(frozen=True, slots=True)
class Doubt:
    """One reason not to dig, whatever the chance is.

    ``job`` says what to do first; nothing: what the next readings tell. ``minutes`` names the
    setting of what it takes, ``"reading_minutes"`` at each of ``places``, which are as in `Check`.
    ``code`` is its key in `DOUBTS`.
    """

    text: str
    job: str = ""
    minutes: str = "check_redo_minutes"
    places: tuple[Place, ...] = ()
    note: Note | None = None
    kind: str = "redo"
    code: str = ""


@dataclass(frozen=True, slots=True)
class Dig:
    """What is to be opened: pieces of pipe, the stake, the errors of setting it out."""

    pieces: tuple[tuple[int, float, float], ...]
    leg: int
    stake_m: float
    sigma_m: tuple[float, float]
    """Along and across the pipe."""
    reach_m: tuple[float, float]
    """Half the hole's length and half its width."""
    aside_chance: float
    """Chance that the hole is dry for a line beside the traced one."""
    chance: float = 1.0
    """Chance that the hole holds the leak."""


@dataclass(frozen=True, slots=True, eq=False)
class Case:
    """One answer and what it rests on, worked out once for all who doubt it."""

    survey: Survey
    posterior: Posterior
    dig: Dig
    leg: SurveyedLeg
    """The stake's."""
    spots: Spots
    """Its surface readings."""
    stops: StopTests
    silent: bool
    """The readings are likelier without a leak."""

    @classmethod
    def of(cls, survey: Survey, posterior: Posterior, dig: Dig) -> Case:
        """Return the case of an answer."""
        odds = posterior.no_leak_odds
        silent = odds is not None and odds > SILENT
        spots, stops = Spots.of(survey, dig.leg), StopTests(survey)
        return cls(survey, posterior, dig, survey.legs[dig.leg], spots, stops, silent)
