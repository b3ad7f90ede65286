"""Levels of a source at the pipe, heard through the soil: on the ground, and through a rod.

At each place of the ground arrive, as powers, the background and the leak: a source at the depth
of the pipe (spherical spreading and soil loss) and noise carried along the pipe and radiated on
its way. A hard slab is louder and smears the peak; how much of that it also does to the
background is not known and is integrated out, like every other unknown. The coupling of a place
is shared by all readings there. `geoleak.evidence.pooling` integrates out the floor.

A rod pushed down to the pipe tells of the leak itself: at the depth of the pipe sound comes from
the leak through the soil between, not up along the trench, and the level falls fast within a
metre. Its coupling, floor and strength are its own, never pooled with the surface's.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from geoleak import tables
from geoleak.evidence.base import Candidates
from geoleak.evidence.levels import PER_DB, Deviates, Ground, LevelEvidence
from geoleak.evidence.pooling import Pooled
from geoleak.record import Floats, Ints, replace
from geoleak.site import Leg
from geoleak.survey import Survey
from geoleak.tables import setting


class BuriedEvidence(LevelEvidence):
    """Levels of a source at the pipe that reach a sensor through the soil and along the pipe."""

    def soil_and_pipe(self, places: Candidates, deviates: Deviates) -> dict[str, Floats]:
        """Turn deviates into the depth of the source, the losses, the share the pipe carries."""
        soil, share = self.survey.site.tables.soil(), setting("carried_share")
        spread = np.maximum(places.depth_sigma_m, 0.05 * places.depth_m)[:, None]
        z = deviates
        return {
            "depth_m": np.maximum(places.depth_m[:, None] + z["depth"] * spread, 0.15),
            "soil_db_per_m": soil.loss_db_per_m * np.exp(soil.loss_log_sigma * z["soil_loss"]),
            "carried": np.exp(PER_DB * (share.value + share.spread * z["carried_share"])),
            "pipe_factor": np.exp(self.loss_spread * z["pipe_loss"]),
        }

    def geometry(self, places: Candidates, rows: Ints) -> tuple[Floats, ...]:
        """Return squared distances on the ground, and losses along the pipe in dB."""
        return self.distance2(places, rows), self.path_db(places, rows)


class SurfaceEvidence(BuriedEvidence):
    """Surface levels of one survey."""

    kind = "surface"
    source = "source_over_background"
    unknowns = "pipe_loss", "soil_loss", "depth", "carried_share", "level_error"

    def __init__(self, survey: Survey) -> None:
        super().__init__(survey)
        self.pooled = replace(self.pooled, memory=_memory(self.pooled))
        # Of a slab only where one was read on.
        hard = self.pooled.is_hard
        if hard.any():
            slab = ("smear",) if hard.all() else ("smear", "slab", "slab_lift")
            self.nuisances = (*self.unknowns, *slab, *self.nuisances[len(self.unknowns) :])

    def ground(self, places: Candidates, deviates: Deviates) -> Ground:
        """Turn deviates into depths, losses and offsets of each row."""
        z, rows = deviates, self.pooled
        lift: float | Floats = 0.0
        slab = rows.louder_db
        if "slab" in z:
            # Shares evenly spread between 0 and 1 (logistic form of a normal deviate).
            lift = 1.0 / (1.0 + np.exp(-1.702 * z["slab_lift"]))
            slab = slab + rows.is_hard * z["slab"] * rows.louder_sigma_db
        elif rows.is_hard.all():
            slab = slab - slab.mean()
        own = self.soil_and_pipe(places, z)
        own["smear_m"] = np.maximum(rows.smear_m + z.get("smear", 0.0) * rows.smear_sigma_m, 0.0)
        return self.common(z, own, lifted_db=lift * slab, louder_db=slab, gusts=self.gusts(z))

    def unheard(self, places: Candidates) -> Floats:
        """Return the chance that a leak at each place cannot be heard, shape (k,).

        Odds double with every doubling of a great depth, and under large plastic pipe.
        """
        stated = self.survey.site.prior.inaudible
        if stated == 0:
            return np.zeros(len(places))
        deep = np.maximum(places.depth_m / setting("inaudible_depth").value, 0.5)
        odds = stated / (1.0 - stated) * np.where(deep >= 1.0, 2.0 * deep, 1.0)
        large = np.array([_is_large_plastic(each.leg) for each in self.survey.legs])
        odds = odds * np.where(large[places.leg], 2.0, 1.0)
        return np.minimum(odds / (1.0 + odds), 0.5)

    def gain(self, where: tuple[Floats, ...], ground: Ground, rows: Ints) -> Floats:
        """Return the leak's power at each row against that straight above it, shape (..., n)."""
        distance2, path_db = where
        own = ground.own
        depth, smear = own["depth_m"], own["smear_m"][..., rows]
        flat2 = distance2
        if smear.any():
            flat2 = (np.sqrt(distance2 + smear * smear) - smear) ** 2
        straight = np.sqrt(flat2 + depth * depth)
        loss = PER_DB * own["soil_db_per_m"]
        power = (depth / straight) ** 2 * np.exp(-loss * (straight - depth))
        above = np.sqrt(self.pooled.offset_m[None, rows] ** 2 + depth * depth)
        along = own["carried"] * np.exp(-PER_DB * own["pipe_factor"] * path_db)
        return power + along * (depth / above) * np.exp(-loss * (above - depth))


def _memory(pooled: Pooled) -> Floats:
    """Return how alike the error of each row is to that of the row before, shape (n,).

    A gust outlasts a reading, and the ground is alike over some metres: errors of neighbours are
    alike, the more the nearer they stand. A reading at a limit, and a background, tell no error.
    """
    row = setting("error_memory")
    away = np.hypot(np.diff(pooled.easting_m), np.diff(pooled.northing_m))
    alike = np.diff([pooled.session, pooled.leg, pooled.on_floor]) == 0
    told = (pooled.censored == 0) & (pooled.reading >= 0)
    near = alike.all(axis=0) & told[1:] & told[:-1]
    return np.append(0.0, np.where(near, row.value * np.exp(-away / row.spread), 0.0))


def _is_large_plastic(leg: Leg) -> bool:
    if leg.material is None or tables.material(leg.material).kind != "plastic":
        return False
    return (leg.outside_diameter_m or 0.0) >= setting("inaudible_bore").value


class RodEvidence(BuriedEvidence):
    """Rod readings of one survey."""

    kind = "rod"
    noun = "rod readings"
    tells_of: Literal["sound", "leak"] = "leak"
    error_name = "rod_error"
    source, coupling_name = "rod_strength", "rod_coupling"
    unknowns = "pipe_loss", "soil_loss", "depth", "carried_share", "rod_error"
    reach_m = 20.0

    def __init__(self, survey: Survey) -> None:
        super().__init__(survey)
        rows, pooled = survey.rod, self.pooled
        # How deep the tip of each pooled row stood, nan where not stated.
        east = pooled.easting_m[:, None] - rows.easting_m
        away = np.hypot(east, pooled.northing_m[:, None] - rows.northing_m)
        away = np.where(pooled.leg[:, None] == rows.leg, away, np.inf)
        self.tip_m: Floats = rows.tip_depth_m[np.argmin(away, axis=1)]

    def ground(self, places: Candidates, deviates: Deviates) -> Ground:
        """Turn deviates into depths and losses."""
        return self.common(deviates, self.soil_and_pipe(places, deviates))

    def gain(self, where: tuple[Floats, ...], ground: Ground, rows: Ints) -> Floats:
        """Return the leak's power at each tip against that at a tip beside it, shape (..., n)."""
        distance2, path_db = where
        own, tip, near = ground.own, self.tip_m[None, rows], setting("rod_standoff").value
        depth = own["depth_m"]
        above = np.where(np.isfinite(tip), np.maximum(depth - tip, 0.0), 0.0)
        straight = np.sqrt(distance2 + above * above + near * near)
        loss = PER_DB * own["soil_db_per_m"]
        power = (near / straight) ** 2 * np.exp(-loss * (straight - near))
        # Carried noise leaves the pipe as from a line: it gains less on the way down to it.
        aside = np.sqrt(self.pooled.offset_m[None, rows] ** 2 + above * above + near * near)
        along = own["carried"] * np.exp(-PER_DB * own["pipe_factor"] * path_db)
        return power + along * (near / depth) * (near / aside)
