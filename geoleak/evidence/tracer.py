"""Tracer gas at the surface and in bar holes: weak, wide, in any unit of the detector.

Readings count as powers (10 log10 of reading plus one step), so that one model serves: a floor,
and a plume that thins out with distance. Gas drifts under slabs and along trenches, hence the
width; each of the two kinds can be switched off.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from geoleak.evidence.base import Candidates, Evidence
from geoleak.evidence.levels import Deviates, Ground, LevelEvidence
from geoleak.evidence.pooling import pool
from geoleak.record import Floats, Ints, replace
from geoleak.site import LevelSettings
from geoleak.survey import Levels, Survey
from geoleak.tables import setting


def gather_gas(survey: Survey) -> Evidence | None:
    """Return the surface gas readings as evidence; None where there are none."""
    return TracerEvidence(survey, survey.gas) if len(survey.gas) else None


def gather_bar_hole(survey: Survey) -> Evidence | None:
    """Return the bar-hole readings as evidence; None where there are none."""
    return TracerEvidence(survey, survey.bar_hole) if len(survey.bar_hole) else None


class Plume(Ground, kw_only=True, eq=False):
    """Nodes of the plume: how far it reaches."""

    width_m: Floats


class TracerEvidence(LevelEvidence[Plume]):
    """Gas or bar-hole readings of one survey."""

    tells_of: Literal["sound", "leak"] = "leak"
    error_name = "gas_error"

    def __init__(self, survey: Survey, levels: Levels) -> None:
        self.kind = levels.kind
        self.noun = "gas readings" if levels.kind == "gas" else "bar-hole readings"
        self.width = setting(f"{levels.kind}_width")
        spread = setting(f"{levels.kind}_error").value
        own = LevelSettings(level_sigma_db=spread, place_sigma_db=spread)
        super().__init__(
            survey,
            pool(_as_powers(levels), own),
            setting("gas_strength"),
            setting("other_sound").value,
        )

    def unknowns(self) -> tuple[str, ...]:
        """Return the width of the plume and the error's scale."""
        return "plume_width", "gas_error"

    def ground(self, places: Candidates, deviates: Deviates) -> Plume:
        """Turn deviates into a width and an error."""
        width = self.width.value * np.exp(self.width.spread * deviates["plume_width"])
        return Plume(**self.common(deviates), width_m=width)

    def geometry(self, places: Candidates, rows: Ints) -> tuple[Floats, ...]:
        """Return squared distances on the ground."""
        return (self.distance2(places, rows),)

    def gain(self, where: tuple[Floats, ...], ground: Plume, rows: Ints) -> Floats:
        """Return the gas at each row against that straight above the leak, shape (..., n)."""
        out: Floats = 1.0 / (1.0 + where[0] / ground.width_m**2) ** 1.5
        return out


def _as_powers(levels: Levels) -> Levels:
    """Return the readings as 10 log10(1 + reading); negative readings are a detector's zero."""

    def power(values: Floats) -> Floats:
        out: Floats = 10.0 * np.log10(1.0 + np.maximum(values, 0.0))
        return out

    return replace(
        levels,
        level_db=power(levels.level_db),
        background_db=power(levels.background_db),
        gain_db=np.full(len(levels), np.nan),
        surface=(None,) * len(levels),
    )
