"""Tracer gas at the surface and in bar holes: weak, wide, in any unit of the detector.

Readings count as powers (10 log10 of reading plus one step), so that one model serves: a floor,
and a plume that thins out with distance. Gas drifts under slabs and along trenches, hence the
width; each of the two kinds can be switched off.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from geoleak.evidence.base import Candidates
from geoleak.evidence.levels import Deviates, Ground, LevelEvidence
from geoleak.evidence.pooling import pool
from geoleak.record import Floats, Ints, replace
from geoleak.site import LevelSettings
from geoleak.survey import Levels, Survey
from geoleak.tables import setting


class TracerEvidence(LevelEvidence):
    """Gas or bar-hole readings of one survey."""

    tells_of: Literal["sound", "leak"] = "leak"
    error_name = "gas_error"
    source = "gas_strength"
    unknowns = "plume_width", "gas_error"

    def __init__(self, survey: Survey, levels: Levels) -> None:
        self.kind = levels.kind
        self.noun = "gas readings" if levels.kind == "gas" else "bar-hole readings"
        self.width = setting(f"{levels.kind}_width")
        spread = setting(f"{levels.kind}_error").value
        own = LevelSettings(level_sigma_db=spread, place_sigma_db=spread)
        # Negative readings are a detector's zero.
        level, background = (
            10.0 * np.log10(1.0 + np.maximum(each, 0.0))
            for each in (levels.level_db, levels.background_db)
        )
        none = np.full(len(levels), np.nan)
        powers = replace(
            levels,
            level_db=level,
            background_db=background,
            gain_db=none,
            surface=(None,) * len(none),
        )
        super().__init__(survey, pool(powers, own))

    def ground(self, places: Candidates, deviates: Deviates) -> Ground:
        """Turn deviates into a width and an error."""
        width = self.width.value * np.exp(self.width.spread * deviates["plume_width"])
        return self.common(deviates, {"width_m": width})

    def geometry(self, places: Candidates, rows: Ints) -> tuple[Floats, ...]:
        """Return squared distances on the ground."""
        return (self.distance2(places, rows),)

    def gain(self, where: tuple[Floats, ...], ground: Ground, rows: Ints) -> Floats:
        """Return the gas at each row against that straight above the leak, shape (..., n)."""
        return 1.0 / (1.0 + where[0] / ground.own["width_m"] ** 2) ** 1.5
