"""Contact levels: how loud the pipe is at its fittings.

Noise loses so many dB a metre along the pipe (by material, and in proportion to frequency), and
some at every tee. Strength, floor, coupling and the loss itself are integrated
out; the loss is the same unknown that the surface levels have.
"""

from __future__ import annotations

from statistics import NormalDist

import numpy as np

from geoleak import tables
from geoleak.evidence.base import Candidates, KindFit
from geoleak.evidence.levels import PER_DB, Deviates, Ground, LevelDraws, LevelEvidence, Offsets
from geoleak.evidence.pooling import QUIET_PLACES, T_SCALE
from geoleak.record import Floats, Ints, replace
from geoleak.tables import setting

# Two contacts contradict each other where no loss within so many sigma of the pipe's and of a tee's
# makes their difference, and so little chance is left to their own errors in all pairs of them
# (common practice, no source).
LOSS_SIGMAS, CHANCE = 3.0, 0.05
AGAIN = (
    "read the contacts {} again, with everything off, the sensor on bare metal, the survey's meter "
    "and gain; what stays louder than one leak here can make it is a second leak or a sound of its "
    "own: find which before its row is struck out (skip)"
)


class ContactEvidence(LevelEvidence):
    """Contact levels of one survey."""

    kind = "contact"
    noun = "contact readings"
    error_name = "contact_error"
    source, decoy_name, coupling_name = "contact_strength", "contact_untraced", "contact_coupling"
    unknowns = "pipe_loss", "tee_loss", "contact_error"
    reach_m = 400.0
    block_m = 100.0

    def _band_factor(self) -> Floats:
        """Loss grows with frequency (thin-wall model): middle of the band over the table's."""
        centre = np.sqrt(self.pooled.low_hz * self.pooled.high_hz)
        named = [each.leg.material for each in self.survey.legs]
        reference = [tables.material(k).loss_reference_hz if k else np.nan for k in named]
        factor = centre / np.array(reference)[self.pooled.leg]
        return np.where(factor > 0, np.clip(factor, 0.1, 10.0), 1.0)

    def ground(self, places: Candidates, deviates: Deviates) -> Ground:
        """Turn deviates into losses and the error's scale."""
        z, tee = deviates, setting("tee_loss")
        own = {
            "pipe_factor": np.exp(self.loss_spread * z["pipe_loss"]),
            "tee_db": np.maximum(0.0, tee.value + tee.spread * z["tee_loss"]),
        }
        return self.common(z, own, gusts=self.gusts(z))

    def geometry(self, places: Candidates, rows: Ints) -> tuple[Floats, ...]:
        """Return median losses along the pipe in dB, and how many tees it runs through."""
        pooled = self.pooled
        path_db = (
            self.path_db(places, rows) + (pooled.lead_m * self.loss_db_per_m[pooled.leg])[rows]
        )
        tees = places.tees(pooled.leg[rows], pooled.chainage_m[rows])
        return path_db * self._band_factor()[None, rows], tees

    def gain(self, where: tuple[Floats, ...], ground: Ground, rows: Ints) -> Floats:
        """Return the noise at each fitting against that at the leak, shape (..., n)."""
        path_db, tees = where
        lost = ground.own["pipe_factor"] * path_db + ground.own["tee_db"] * tees
        return np.exp(-PER_DB * np.minimum(lost, 300.0))

    def fits_of(
        self, draws: LevelDraws, off: Offsets, rng: np.random.Generator, *, silent: bool = False
    ) -> tuple[KindFit, ...]:
        """Compare the readings with draws; two that contradict each other are read again."""
        fit, *more = super().fits_of(draws, off, rng, silent=silent)
        rows, told = self.readings, None if silent else self._worst_pair(draws)
        if told is not None:
            said = " and ".join(f"{rows.named(k)} {rows.level_db[k]:.0f} dB" for k in told)
            text = (
                f"{self.rows} contact readings do not agree with one leak: {said} contradict each "
                "other, no loss on the way makes that"
            )
            again = AGAIN.format(" and ".join(rows.named(k) for k in told))
            return (replace(fit, text=text, agrees=False, redo=again),)
        if not silent and self._dead():
            names = " and ".join(rows.named(k) for k in range(len(rows)))
            text = f"contact {names}: no louder than the quietest ground; is the sensor sound?"
            fit = replace(fit, text=text, against=True)
        return fit, *more

    def _worst_pair(self, draws: LevelDraws) -> tuple[int, int] | None:
        """Return the two readings least likely to differ so by a loss along the pipe.

        The farther one may be quieter by the greatest loss on the way that it has more of, and
        never louder. None where the errors of any pair make it with more than little chance.
        """
        pooled, rows = self.pooled, self.readings
        told = np.flatnonzero((pooled.reading >= 0) & (pooled.censored == 0))
        path_db, tees = (np.minimum(each, 1e3) for each in self.geometry(draws.belief.places, told))
        tee = setting("tee_loss")
        lost = np.exp(LOSS_SIGMAS * self.loss_spread) * path_db
        more = np.maximum(lost[:, None, :] - lost[:, :, None], 0.0)
        more += (tee.value + LOSS_SIGMAS * tee.spread) * np.maximum(
            tees[:, None] - tees[..., None], 0.0
        )
        level = rows.level_db[pooled.reading[told]] - pooled.gain_db[told]
        sigma = pooled.sigma[told] / T_SCALE
        over = level[:, None] - level - np.median(more, axis=0)
        over = over / np.hypot(sigma[:, None], sigma)
        over[pooled.session[told][:, None] != pooled.session[told]] = 0.0
        pairs = len(told) * (len(told) - 1)
        chance = pairs * NormalDist().cdf(-float(over.max(initial=0.0)))
        if pairs == 0 or chance >= CHANCE:
            return None
        one, two = np.unravel_index(int(np.argmax(over)), over.shape)
        low, high = sorted(int(pooled.reading[told[k]]) for k in (one, two))
        return low, high

    def _dead(self) -> bool:
        """Tell whether no contact is louder than the quietest ground that was read."""
        ground, mine = self.survey.surface, self.readings
        if len(ground) < QUIET_PLACES or len(mine) == 0:
            return False
        quiet = np.nanmin([ground.level_db, ground.background_db])
        return bool((mine.level_db <= quiet).all() and (mine.censored == 0).all())
