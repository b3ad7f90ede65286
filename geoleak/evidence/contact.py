"""Contact levels: how loud the pipe is at its fittings.

Noise loses so many dB a metre along the pipe (by material, and in proportion to frequency), and
some at every tee. Strength, floor, coupling and the loss itself are integrated
out; the loss is the same unknown that the surface levels have.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geoleak import tables
from geoleak.evidence.base import Candidates, Evidence
from geoleak.evidence.levels import PER_DB, Deviates, Ground, LevelEvidence
from geoleak.evidence.pooling import pool
from geoleak.evidence.stop import of_the_leak
from geoleak.survey import Survey
from geoleak.tables import setting

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


def gather(survey: Survey) -> Evidence | None:
    """Return the contact readings of a survey as evidence; None where there are none."""
    rows = of_the_leak(survey, survey.contact)
    if rows is not survey.contact:
        survey = replace(survey, contact=rows)
    return ContactEvidence(survey) if len(rows) else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Pipe(Ground):
    """Nodes of the pipe: factor on every loss, and dB lost at a tee."""

    pipe_factor: Floats
    tee_db: Floats


class ContactEvidence(LevelEvidence[Pipe]):
    """Contact levels of one survey."""

    kind = "contact"
    noun = "contact readings"
    error_name = "contact_error"
    reach_m = 400.0
    block_m = 100.0

    def __init__(self, survey: Survey) -> None:
        coupling = setting("contact_coupling").value
        pooled = pool(survey.contact, survey.site.levels, coupling_db=coupling)
        super().__init__(
            survey, pooled, setting("contact_strength"), setting("contact_untraced").value
        )

    def unknowns(self) -> tuple[str, ...]:
        """Return the pipe's loss, a tee's loss, the error's scale."""
        return "pipe_loss", "tee_loss", "contact_error"

    def _band_factor(self) -> Floats:
        """Loss grows with frequency (thin-wall model): middle of the band over the table's."""
        centre = np.sqrt(self.pooled.low_hz * self.pooled.high_hz)
        factor = np.ones(len(self.pooled))
        for i, leg in enumerate(self.pooled.leg.tolist()):
            material = self.survey.legs[leg].leg.material
            if material is not None and np.isfinite(centre[i]) and centre[i] > 0:
                factor[i] = centre[i] / tables.material(material).loss_reference_hz
        return np.clip(factor, 0.1, 10.0)

    def ground(self, places: Candidates, deviates: Deviates) -> Pipe:
        """Turn deviates into losses and the error's scale."""
        z, tee = deviates, setting("tee_loss")
        return Pipe(
            **self.common(z),
            pipe_factor=np.exp(self.loss_spread * z["pipe_loss"]),
            tee_db=np.maximum(0.0, tee.value + tee.spread * z["tee_loss"]),
            gusts=self.gusts(z),
        )

    def geometry(self, places: Candidates, rows: Ints) -> tuple[Floats, ...]:
        """Return median losses along the pipe in dB, and how many tees it runs through."""
        pooled = self.pooled
        path_db = (
            self.path_db(places, rows) + (pooled.lead_m * self.loss_db_per_m[pooled.leg])[rows]
        )
        tees = places.tees(pooled.leg[rows], pooled.chainage_m[rows])
        return path_db * self._band_factor()[None, rows], tees

    def gain(self, where: tuple[Floats, ...], ground: Pipe, rows: Ints) -> Floats:
        """Return the noise at each fitting against that at the leak, shape (..., n)."""
        path_db, tees = where
        lost = ground.pipe_factor * path_db + ground.tee_db * tees
        out: Floats = np.exp(-PER_DB * np.minimum(lost, 300.0))
        return out
