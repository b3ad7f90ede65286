"""Levels through a rod pushed down to the pipe: they tell of the leak itself.

At the depth of the pipe sound comes from the leak through the soil between, not up along the
trench: the level falls fast within a metre. Beside that stands what the pipe carries. Coupling,
floor and strength are a rod's own, never pooled with the surface's.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import numpy.typing as npt

from geoleak.evidence.base import Candidates, Evidence
from geoleak.evidence.levels import PER_DB, Deviates, Ground, LevelEvidence
from geoleak.evidence.pooling import pool
from geoleak.survey import Survey
from geoleak.tables import setting

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def gather(survey: Survey) -> Evidence | None:
    """Return the rod readings of a survey as evidence; None where there are none."""
    return RodEvidence(survey) if len(survey.rod) else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Underground(Ground):
    """Nodes about a rod's tip: depth of the pipe, losses, share carried by the pipe."""

    depth_m: Floats
    soil_db_per_m: Floats
    carried: Floats
    pipe_factor: Floats


class RodEvidence(LevelEvidence[Underground]):
    """Rod readings of one survey."""

    kind = "rod"
    noun = "rod readings"
    tells_of: Literal["sound", "leak"] = "leak"
    error_name = "rod_error"
    reach_m = 20.0

    def __init__(self, survey: Survey) -> None:
        self.soil = survey.site.tables.soil()
        coupling = setting("rod_coupling").value
        pooled = pool(survey.rod, survey.site.levels, coupling_db=coupling)
        super().__init__(survey, pooled, setting("rod_strength"), setting("other_sound").value)
        self.tip_m = _tips(survey, pooled.leg, pooled.easting_m, pooled.northing_m)

    def unknowns(self) -> tuple[str, ...]:
        """Return soil loss, depth, pipe loss, the carried share, the error's scale."""
        names = ("pipe_loss", "soil_loss", "depth", "carried_share", "rod_error")
        return (*names, "display_slope") if self.pooled.is_display else names

    def ground(self, places: Candidates, deviates: Deviates) -> Underground:
        """Turn deviates into depths and losses."""
        z = deviates
        share = setting("carried_share")
        spread = np.maximum(places.depth_sigma_m, 0.05 * places.depth_m)
        slope = self.slope(z)
        return Underground(
            depth_m=np.maximum(places.depth_m[:, None] + z["depth"] * spread[:, None], 0.15),
            soil_db_per_m=self.soil.loss_db_per_m
            * np.exp(self.soil.loss_log_sigma * z["soil_loss"]),
            carried=np.exp(PER_DB * (share.value + share.spread * z["carried_share"])),
            pipe_factor=np.exp(self.loss_spread * z["pipe_loss"]),
            scale=self.error_scale(z) * slope,
            signal_db=-self.background_db(np.zeros(len(self.pooled)), slope=slope),
            floor_db=self.pooled.on_floor * self.pooled.gain_db,
            slope=slope,
        )

    def geometry(self, places: Candidates, rows: Ints) -> tuple[Floats, ...]:
        """Return squared distances on the ground, and losses along the pipe in dB."""
        return self.distance2(places, rows), self.path_db(places, rows)

    def gain(self, where: tuple[Floats, ...], ground: Underground, rows: Ints) -> Floats:
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
