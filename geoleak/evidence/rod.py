"""Levels through a rod pushed down to the pipe: they tell of the leak itself.

At the depth of the pipe sound comes from the leak through the soil between, not up along the
trench: the level falls fast within a metre. Beside that stands what the pipe carries. Coupling,
floor and strength are a rod's own, never pooled with the surface's.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from geoleak.evidence.base import Candidates, Evidence
from geoleak.evidence.levels import PER_DB, BuriedEvidence, Deviates, SoilAndPipe
from geoleak.evidence.pooling import pool
from geoleak.record import Floats, Ints
from geoleak.survey import Survey
from geoleak.tables import setting


def gather(survey: Survey) -> Evidence | None:
    """Return the rod readings of a survey as evidence; None where there are none."""
    return RodEvidence(survey) if len(survey.rod) else None


class RodEvidence(BuriedEvidence[SoilAndPipe]):
    """Rod readings of one survey."""

    kind = "rod"
    noun = "rod readings"
    tells_of: Literal["sound", "leak"] = "leak"
    error_name = "rod_error"
    reach_m = 20.0

    def __init__(self, survey: Survey) -> None:
        coupling = setting("rod_coupling").value
        pooled = pool(survey.rod, survey.site.levels, coupling_db=coupling)
        super().__init__(survey, pooled, setting("rod_strength"), setting("other_sound").value)
        self.tip_m = _tips(survey, pooled.leg, pooled.easting_m, pooled.northing_m)

    def unknowns(self) -> tuple[str, ...]:
        """Return soil loss, depth, pipe loss, the carried share, the error's scale."""
        return "pipe_loss", "soil_loss", "depth", "carried_share", "rod_error"

    def ground(self, places: Candidates, deviates: Deviates) -> SoilAndPipe:
        """Turn deviates into depths and losses."""
        return SoilAndPipe(**self.soil_and_pipe(places, deviates), **self.common(deviates))

    def gain(self, where: tuple[Floats, ...], ground: SoilAndPipe, rows: Ints) -> Floats:
        """Return the leak's power at each tip against that at a tip beside it, shape (..., n)."""
        distance2, path_db = where
        depth = ground.depth_m
        tip = self.tip_m[None, rows]
        above = np.where(np.isfinite(tip), np.maximum(depth - tip, 0.0), 0.0)
        near = setting("rod_standoff").value
        straight = np.sqrt(distance2 + above * above + near * near)
        loss = PER_DB * ground.soil_db_per_m
        power = (near / straight) ** 2 * np.exp(-loss * (straight - near))
        # Carried noise leaves the pipe as from a line: it gains less on the way down to it.
        aside = np.sqrt(self.pooled.offset_m[None, rows] ** 2 + above * above + near * near)
        along = ground.carried * np.exp(-PER_DB * ground.pipe_factor * path_db)
        out: Floats = power + along * (near / depth) * (near / aside)
        return out


def _tips(survey: Survey, leg: Ints, easting_m: Floats, northing_m: Floats) -> Floats:
    """Return how deep the tip of each pooled row stood, nan where not stated, shape (n,)."""
    rows = survey.rod
    away = np.hypot(
        easting_m[:, None] - rows.easting_m[None, :], northing_m[:, None] - rows.northing_m[None, :]
    )
    away = np.where(leg[:, None] == rows.leg[None, :], away, np.inf)
    out: Floats = rows.tip_depth_m[np.argmin(away, axis=1)]
    return out
