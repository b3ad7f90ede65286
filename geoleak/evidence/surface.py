"""Surface levels: how loud the ground is above and beside the pipe.

At each place of the ground arrive, as powers, the background and the leak: a source at the depth
of the pipe (spherical spreading and soil loss) and noise carried along the pipe and radiated on
its way. A hard slab is louder and smears the peak; how much of that it also does to the
background is not known and is integrated out, like every other unknown. The coupling of a place
is shared by all readings there. `geoleak.evidence.robust` integrates out the floor.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from geoleak import tables
from geoleak.evidence.base import (
    Belief,
    Candidates,
    Evidence,
    Hint,
    Judged,
    log_sum_exp,
)
from geoleak.evidence.nuisance import Nodes
from geoleak.evidence.pooling import Pooled, pool
from geoleak.evidence.robust import FREEDOM, Rows, marginal
from geoleak.evidence.settings import pipe_loss, setting
from geoleak.inference import KindFit
from geoleak.site import Note
from geoleak.survey import Survey

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

PER_DB = float(np.log(10.0) / 10.0)
STRENGTH_STEP_DB = 3.0
REACH_M = 45.0
BLOCK_ROWS = 90
BLOCK_M = 40.0
CHUNK = 120_000
MISFIT = 0.01


def gather(survey: Survey) -> Evidence | None:
    """Return the surface readings of a survey as evidence; None where there are none."""
    if len(survey.surface) == 0:
        return None
    return SurfaceEvidence(survey)


@dataclass(frozen=True, slots=True, eq=False)
class Ground:
    """What one node says of the ground, the pipe and the meter (see `SurfaceEvidence.ground`)."""

    depth_m: Floats
    soil_db_per_m: float
    carried: float
    pipe_factor: float
    scale: float
    smear_m: Floats
    signal_db: Floats
    floor_db: Floats
    slope: float


@dataclass(slots=True, eq=False)
class SurfaceEvidence:
    """Surface levels of one survey, pooled by place."""

    survey: Survey
    kind: str = "surface"
    rows: int = 0
    nuisances: tuple[str, ...] = ()
    pooled: Pooled = field(init=False)
    strengths_db: Floats = field(init=False)
    log_prior: Floats = field(init=False)
    soil: tables.Soil = field(init=False)
    loss_db_per_m: Floats = field(init=False)
    loss_spread: float = field(init=False)

    def __post_init__(self) -> None:
        self.pooled = pool(self.survey.surface, self.survey.site.levels)
        self.rows = len(self.survey.surface)
        self.soil = tables.soil("unknown")
        self.loss_db_per_m, self.loss_spread = pipe_loss(self.survey)
        strength = setting("source_over_background")
        half = np.ceil(2.6 * strength.spread / STRENGTH_STEP_DB)
        step = np.arange(-half, half + 1) * STRENGTH_STEP_DB
        self.strengths_db = strength.value + step
        log_prior = -0.5 * (step / strength.spread) ** 2
        self.log_prior = log_prior - log_sum_exp(log_prior)
        self.nuisances = self._nuisances()

    def _nuisances(self) -> tuple[str, ...]:
        names = ["soil_loss", "depth", "pipe_loss", "carried_share", "level_error"]
        hard = self.pooled.is_hard
        if hard.any():
            names.append("smear")
        if hard.any() and not hard.all():
            names += ["slab", "slab_lift"]
        if self.pooled.is_display:
            names.append("display_slope")
        return tuple(names)

    # -- the model -----------------------------------------------------------------------------

    def ground(self, places: Candidates, nodes: Nodes, j: int) -> Ground:
        """Turn the deviates of node j into depths, losses and offsets of each row."""
        z = {name: float(nodes.column(name)[j]) for name in self.nuisances}
        soil = self.soil
        share = setting("carried_share")
        rows = self.pooled
        depth = places.depth_m + z["depth"] * np.maximum(
            places.depth_sigma_m, 0.05 * places.depth_m
        )
        lift = _share(z.get("slab_lift", 0.0)) if "slab_lift" in z else 0.0
        slab = np.where(rows.is_hard, rows.louder_db + z.get("slab", 0.0) * rows.louder_sigma_db,
                        rows.louder_db)
        if "slab" not in z and rows.is_hard.all():
            slab = rows.louder_db - rows.louder_db.mean()
        slope = 1.0
        if rows.is_display:
            shown = setting("display_slope")
            slope = float(shown.value * np.exp(shown.spread * z["display_slope"]))
        return Ground(
            depth_m=np.maximum(depth, 0.15),
            soil_db_per_m=soil.loss_db_per_m * np.exp(soil.loss_log_sigma * z["soil_loss"]),
            carried=float(np.exp(PER_DB * (share.value + share.spread * z["carried_share"]))),
            pipe_factor=float(np.exp(self.loss_spread * z["pipe_loss"])),
            scale=float(np.exp(setting("level_error_log").spread * z["level_error"])) * slope,
            smear_m=np.maximum(rows.smear_m + z.get("smear", 0.0) * rows.smear_sigma_m, 0.0),
            signal_db=(1.0 - lift) * slab - rows.own_background_db / slope,
            floor_db=rows.on_floor * lift * slab + rows.gain_db,
            slope=slope,
        )

    def gain(self, distance2: Floats, path_db: Floats, ground: Ground, rows: Ints) -> Floats:
        """Return the leak's power at each row against that straight above it, shape (k, n)."""
        depth = ground.depth_m[:, None]
        smear = ground.smear_m[None, rows]
        flat2 = distance2
        if smear.any():
            flat2 = (np.sqrt(distance2 + smear * smear) - smear) ** 2
        straight = np.sqrt(flat2 + depth * depth)
        loss = PER_DB * ground.soil_db_per_m
        power = (depth / straight) ** 2 * np.exp(-loss * (straight - depth))
        aside2 = self.pooled.offset_m[None, rows] ** 2
        above = np.sqrt(aside2 + depth * depth)
        along = ground.carried * np.exp(-PER_DB * ground.pipe_factor * path_db)
        return power + along * (depth / above) * np.exp(-loss * (above - depth))

    def added(self, power: Floats, ground: Ground, rows: Ints, strengths_db: Floats) -> Floats:
        """Return what the leak adds to each row, in the meter's units, shape (e, k, n)."""
        factor = (np.exp(PER_DB * ground.signal_db[rows]) * power).astype(np.float32)
        strength = np.exp(PER_DB * strengths_db).astype(np.float32)[:, None, None]
        added: Floats = strength * factor[None]
        added += 1.0
        np.log(added, out=added)
        added *= np.float32(ground.slope / PER_DB)
        lifted = ground.slope * ground.floor_db[rows]
        if lifted.any():
            added += lifted.astype(np.float32)
        return added

    def data(self, rows: Ints) -> Rows:
        """Return the rows as the robust likelihood takes them."""
        pooled = self.pooled
        return Rows(
            level=pooled.level[rows],
            sigma=pooled.sigma_db[rows],
            on_floor=pooled.on_floor[rows],
            session=pooled.session[rows],
            sessions=pooled.sessions,
            censored=pooled.censored[rows],
            floor_mean=pooled.floor_mean,
            floor_sigma=30.0,
            offset_sigma=setting("session_offset").value,
        )

    def predict(
        self, place: Candidates, nodes: Nodes, strength_db: float, rng: np.random.Generator
    ) -> Floats:
        """Draw one reading for every row, floor at its prior mean, shape (n,).

        Parameters
        ----------
        place : Candidates
            The leak: one place, or none for a leak that is not heard.
        nodes : Nodes
            One node.
        strength_db : float
            Level over the background straight above the leak.
        rng : numpy.random.Generator
        """
        rows = np.arange(len(self.pooled))
        ground = self.ground(place, nodes, 0)
        added = ground.slope * ground.floor_db
        if len(place):
            power = self.gain(*self._geometry(place, rows), ground, rows)
            added = self.added(power, ground, rows, np.array([strength_db]))[0, 0].astype(float)
        data = self.data(rows)
        noise = data.sigma * ground.scale * rng.standard_t(FREEDOM, size=len(rows))
        offset = rng.normal(0.0, data.offset_sigma, data.sessions) * (data.sessions > 1)
        return data.floor_mean * data.on_floor + data.membership @ offset + added + noise

    # -- the contract --------------------------------------------------------------------------

    def log_likelihood(self, places: Candidates, nodes: Nodes) -> Judged:
        """Judge every place under every node, the source's strength integrated out."""
        count = len(nodes)
        everything = np.arange(len(self.pooled))
        nothing = np.empty(count)
        on_pipe = np.empty((count, len(places)))
        for block, rows in self._blocks(places):
            part = places.take(block)
            where = self._geometry(part, rows)
            for j in range(count):
                ground = self.ground(part, nodes, j)
                value, silent = self._judge(where, ground, rows)
                on_pipe[j, block] = value - silent
        for j in range(count):
            ground = self.ground(places.take(np.arange(min(1, len(places)))), nodes, j)
            nothing[j] = self._silent(ground, everything)
        on_pipe += nothing[:, None]
        return Judged(on_pipe, self._elsewhere(on_pipe, nothing, places))

    def _elsewhere(self, on_pipe: Floats, nothing: Floats, places: Candidates) -> Floats:
        """Nothing is heard of a leak elsewhere, but the sound heard may be something else."""
        chance = setting("other_sound").value
        decoy = log_sum_exp(on_pipe + np.log(np.maximum(places.weight, 1e-300)), axis=1)
        out: Floats = np.logaddexp(np.log1p(-chance) + nothing, np.log(chance) + decoy)
        return out

    def _geometry(self, places: Candidates, rows: Ints) -> tuple[Floats, Floats]:
        pooled = self.pooled
        east = places.easting_m[:, None] - pooled.easting_m[None, rows]
        north = places.northing_m[:, None] - pooled.northing_m[None, rows]
        path_db = places.path(
            pooled.leg[rows], pooled.chainage_m[rows], per_metre=self.loss_db_per_m
        )
        return east * east + north * north, path_db

    def _judge(
        self, where: tuple[Floats, Floats], ground: Ground, rows: Ints
    ) -> tuple[Floats, float]:
        data = self.data(rows)
        power = self.gain(*where, ground, rows)
        out = np.empty(len(power))
        size = max(1, CHUNK // (len(self.strengths_db) * max(1, len(rows))))
        for start in range(0, len(power), size):
            part = slice(start, start + size)
            added = self.added(power[part], ground, rows, self.strengths_db)
            each = marginal(data, added, scale=ground.scale).log_likelihood
            out[part] = log_sum_exp(each + self.log_prior[:, None], axis=0)
        return out, self._silent(ground, rows)

    def _silent(self, ground: Ground, rows: Ints) -> float:
        """Return the log likelihood of the rows when no leak is heard in any of them."""
        added = ground.slope * ground.floor_db[rows]
        return float(marginal(self.data(rows), added, scale=ground.scale).log_likelihood)

    def _blocks(self, places: Candidates) -> list[tuple[Ints, Ints]]:
        """Return groups of places, each with the rows near enough to tell of them."""
        pooled = self.pooled
        if len(pooled) <= BLOCK_ROWS:
            return [(np.arange(len(places)), np.arange(len(pooled)))]
        number = np.floor(places.chainage_m / BLOCK_M).astype(np.int64)
        _, group = np.unique(np.stack([places.leg, number]), axis=1, return_inverse=True)
        order = np.argsort(group, kind="stable")
        blocks = []
        for members in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
            if len(members) == 0:
                continue
            east, north = places.easting_m[members], places.northing_m[members]
            near = np.flatnonzero(
                (pooled.easting_m > east.min() - REACH_M)
                & (pooled.easting_m < east.max() + REACH_M)
                & (pooled.northing_m > north.min() - REACH_M)
                & (pooled.northing_m < north.max() + REACH_M)
            )
            blocks.append((members, near))
        return blocks

    def hints(self) -> tuple[Hint, ...]:
        """Return the listened stretches: one hint around every pooled place."""
        return tuple(
            Hint(int(leg), float(at) - 6.0, float(at) + 6.0, 1.0)
            for leg, at in zip(self.pooled.leg, self.pooled.chainage_m, strict=True)
        )

    def notes(self) -> tuple[Note, ...]:
        """Return notes on the readings."""
        return self.pooled.notes

    def fit(self, belief: Belief, rng: np.random.Generator) -> KindFit:
        """Compare the readings with what the posterior expects of them.

        Draws of place, node and strength, each with its floor; the check is on the sum of
        squared, heavy-tailed errors (posterior-predictive, Gelman, Meng, Stern 1996).
        """
        rows = np.arange(len(self.pooled))
        if not np.any(self.pooled.own_background_db < 1e3):
            return KindFit(self.kind, 0, 1.0, "no surface reading to compare", True)
        seen, drawn, excess = self._discrepancies(belief, rows, rng)
        p_value = float(np.mean(drawn >= seen) + 0.5 / (len(belief) + 1))
        agrees = p_value >= MISFIT
        word = "agree with one leak" if agrees else "do not agree with one leak"
        text = f"{self.rows} readings {word}, {np.median(excess):.0f} dB over background at the peak"
        return KindFit(self.kind, self.rows, min(1.0, p_value), text, agrees)

    def _discrepancies(
        self, belief: Belief, rows: Ints, rng: np.random.Generator
    ) -> tuple[Floats, Floats, Floats]:
        data = self.data(rows)
        where = self._geometry(belief.places, rows)
        seen, drawn, excess = np.empty((3, len(belief)))
        for i in range(len(belief)):
            one = belief.places.take(np.array([i]))
            ground = self.ground(one, belief.nodes, int(belief.node[i]))
            power = self.gain(where[0][i : i + 1], where[1][i : i + 1], ground, rows)
            added = self.added(power, ground, rows, self.strengths_db)[:, 0]
            judged = marginal(data, added, scale=ground.scale)
            score = judged.log_likelihood + self.log_prior
            score = np.exp(score - score.max())
            pick = int(rng.choice(len(score), p=score / score.sum()))
            sigma = data.sigma * ground.scale
            floor = data.membership @ judged.floor[pick]
            error = (data.level - added[pick] - floor) / sigma
            error = error[data.censored == 0]
            other = rng.standard_t(FREEDOM, size=len(error))
            seen[i] = np.log1p(error**2 / FREEDOM).sum()
            drawn[i] = np.log1p(other**2 / FREEDOM).sum()
            excess[i] = 10.0 * np.log10(1.0 + np.exp(PER_DB * self.strengths_db[pick]))
        return seen, drawn, excess


def _share(deviate: float) -> float:
    """Turn a normal deviate into a share, evenly spread between 0 and 1 (logistic form)."""
    return float(1.0 / (1.0 + np.exp(-1.702 * deviate)))
