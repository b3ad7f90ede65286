"""Surface levels: how loud the ground is above and beside the pipe.

At each place of the ground arrive, as powers, the background and the leak: a source at the depth
of the pipe (spherical spreading and soil loss) and noise carried along the pipe and radiated on
its way. A hard slab is louder and smears the peak; how much of that it also does to the
background is not known and is integrated out, like every other unknown. The coupling of a place
is shared by all readings there. `geoleak.evidence.robust` integrates out the floor.
"""

from __future__ import annotations

import numpy as np

from geoleak import tables
from geoleak.evidence.base import Candidates, Evidence
from geoleak.evidence.levels import PER_DB, BuriedEvidence, Deviates, SoilAndPipe
from geoleak.evidence.pooling import Pooled, pool
from geoleak.evidence.stop import of_the_leak
from geoleak.record import Floats, Ints, replace
from geoleak.site import Leg
from geoleak.survey import Survey
from geoleak.tables import setting


def gather(survey: Survey) -> Evidence | None:
    """Return the surface readings of a survey as evidence; None where there are none."""
    rows = of_the_leak(survey, survey.surface)
    if rows is not survey.surface:
        survey = replace(survey, surface=rows)
    return SurfaceEvidence(survey) if len(rows) else None


class SoilAndSlab(SoilAndPipe, kw_only=True, eq=False):
    """Nodes of the ground: how far a slab smears beside the rest."""

    smear_m: Floats


class SurfaceEvidence(BuriedEvidence[SoilAndSlab]):
    """Surface levels of one survey."""

    kind = "surface"

    def __init__(self, survey: Survey) -> None:
        known = survey.site.tables
        pooled = pool(survey.surface, survey.site.levels)
        source = known.setting("source_over_background")
        super().__init__(survey, pooled, source, setting("other_sound").value)
        self.memory = _memory(pooled)

    def unknowns(self) -> tuple[str, ...]:
        """Return soil loss, depth, pipe loss ...; of a slab only where one was read on."""
        names = ["pipe_loss", "soil_loss", "depth", "carried_share", "level_error"]
        hard = self.pooled.is_hard
        if hard.any():
            names.append("smear")
        if hard.any() and not hard.all():
            names += ["slab", "slab_lift"]
        return tuple(names)

    def ground(self, places: Candidates, deviates: Deviates) -> SoilAndSlab:
        """Turn deviates into depths, losses and offsets of each row."""
        z, rows = deviates, self.pooled
        lift: float | Floats = 0.0
        slab = rows.louder_db
        if "slab" in z:
            lift = _share(z["slab_lift"])
            slab = slab + rows.is_hard * z["slab"] * rows.louder_sigma_db
        elif rows.is_hard.all():
            slab = slab - slab.mean()
        common = self.common(z, lift * slab)
        common["signal_db"] = common["signal_db"] + slab
        smear = np.maximum(rows.smear_m + z.get("smear", 0.0) * rows.smear_sigma_m, 0.0)
        return SoilAndSlab(
            **self.soil_and_pipe(places, z), **common, smear_m=smear, gusts=self.gusts(z)
        )

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

    def gain(self, where: tuple[Floats, ...], ground: SoilAndSlab, rows: Ints) -> Floats:
        """Return the leak's power at each row against that straight above it, shape (..., n)."""
        distance2, path_db = where
        depth = ground.depth_m
        smear = ground.smear_m[..., rows]
        flat2 = distance2
        if smear.any():
            flat2 = (np.sqrt(distance2 + smear * smear) - smear) ** 2
        straight = np.sqrt(flat2 + depth * depth)
        loss = PER_DB * ground.soil_db_per_m
        power = (depth / straight) ** 2 * np.exp(-loss * (straight - depth))
        above = np.sqrt(self.pooled.offset_m[None, rows] ** 2 + depth * depth)
        along = ground.carried * np.exp(-PER_DB * ground.pipe_factor * path_db)
        out: Floats = power + along * (depth / above) * np.exp(-loss * (above - depth))
        return out


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


def _share(deviates: Floats) -> Floats:
    """Turn normal deviates into shares, evenly spread between 0 and 1 (logistic form)."""
    out: Floats = 1.0 / (1.0 + np.exp(-1.702 * deviates))
    return out
