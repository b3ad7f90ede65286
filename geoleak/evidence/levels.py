"""What surface, contact, gas and bar-hole levels have in common.

Each reads level = floor + 10 log10(1 + strength x gain) + coupling + error. A kind says how its
gain falls off (`gain`), what one node of the shared unknowns means for it (`ground`) and how
strong the source is over the background a priori; everything else stands here.
"""

from __future__ import annotations

import copy
from collections.abc import Iterator
from typing import Literal, Self

import numpy as np

from geoleak.evidence.base import (
    Belief,
    Candidates,
    Evidence,
    Hint,
    KindFit,
    Nodes,
    log_sum_exp,
    normal_deviates,
)
from geoleak.evidence.pooling import FREEDOM, Marginal, Pooled, log_scatter, marginal, pool, tiled
from geoleak.record import Bools, Floats, Ints, Record, replace
from geoleak.site import NOWHERE, Note
from geoleak.survey import HEARD, Levels, Survey, taken
from geoleak.tables import setting
from geoleak.units import format_length

# A reading this many scales of its error off what the rest lets expect is named: by the tails the
# model itself has (t of 4 degrees), one sound reading in 750 is (where the line runs: a guess).
OUTLIER_SCALES = 8.0

# One this many scales off does not count as agreeing: of t's of 4 degrees one in 40, of normal
# errors, which readings rather have, one in 270 (common practice, no source).
UNLIKE_SCALES = 3.5
# So many of those are named in a line.
MOST_NAMED = 4

Deviates = dict[str, Floats]

PER_DB = float(np.log(10.0) / 10.0)
STRENGTH_STEP_DB = 3.0
# Sizes in an array while nodes are judged: what a processor's cache holds (measured).
CHUNK = 64_000
MISFIT, FEW_ROWS = 0.01, 3
# Of a note: a reading far louder than the rest lets expect, which another sound may make.
LOUD = "reading_loud"
AGAIN = (
    "take {} again with everything off, with the survey's meter and gain, and shoot the place "
    "again; what stays louder than one leak here can make it is a second leak or a sound of its "
    "own: find which before its row is struck out (skip)"
)


class Ground(Record, kw_only=True, eq=False):
    """What nodes mean for a kind.

    Shapes are those of `LevelEvidence.deviates`, the last axis that of the rows read.

    Attributes
    ----------
    scale : float or ndarray, shape (..., 1)
        Factor on every sigma (slope included).
    signal_db, floor_db : ndarray, shape (..., n)
        Added to what the leak brings to a row, and to the row whatever the leak does.
    slope : float or ndarray, shape (..., 1)
        Steps of the meter for one dB.
    gusts : float or ndarray, shape (..., 1)
        Share of one reading's variance that is the background's.
    own : dict
        The kind's own quantities by name, which its `gain` takes.
    """

    scale: float | Floats
    signal_db: Floats
    floor_db: Floats
    slope: float | Floats
    gusts: float | Floats
    own: Deviates


class LevelDraws(Record, eq=False):
    """Posterior draws of one kind's own unknowns, d of them.

    Attributes
    ----------
    belief : Belief
    strength_db : ndarray, shape (d,)
        Minus infinity where the leak cannot be heard.
    floor : ndarray, shape (d, sessions)
    expected, sigma : ndarray, shape (d, n)
        Level expected at each row read, and the scale of its error.
    """

    belief: Belief
    strength_db: Floats
    floor: Floats
    expected: Floats
    sigma: Floats


class Offsets(Record, eq=False):
    """How far n rows lie off what draws expect of them.

    Attributes
    ----------
    db : ndarray, shape (n,)
        The middle of the draws, positive where louder.
    unlike, far : ndarray of bool, shape (n,)
        Too far to agree, and so far that no leak makes it.
    """

    db: Floats
    unlike: Bools
    far: Bools


def pipe_loss(survey: Survey) -> tuple[Floats, float]:
    """Return the median loss of each leg in dB/m, shape (legs,), and the spread of its logarithm.

    The spread is one number: all legs are taken to err the same way, by the widest of them.
    """
    known = survey.site.tables
    unknown = known.setting("pipe_loss_unknown")
    named = [each.leg.material and known.material(each.leg.material) for each in survey.legs]
    rows = [
        (row.loss_db_per_m, row.loss_log_sigma) if row else (unknown.value, unknown.spread)
        for row in named
    ]
    median, spread = np.array(rows).T
    return median, float(spread.max())


class LevelEvidence(Evidence):
    """Level readings of one kind in one survey, pooled by place."""

    kind = "levels"
    tells_of: Literal["sound", "leak"] = "sound"
    noun = "readings"
    error_name = "level_error"
    source: str
    """Setting of the source's strength over the background."""
    decoy_name = "other_sound"
    coupling_name = ""
    """Setting of coupling error on top of the meter's own, where there is more."""
    unknowns: tuple[str, ...] = ()
    """Shared unknowns that it depends on whatever was read."""
    reach_m = 45.0
    block_m = 40.0
    block_rows = 90

    def __init__(self, survey: Survey, pooled: Pooled | None = None) -> None:
        self.survey = survey
        self.readings: Levels = getattr(survey, self.kind)
        if pooled is None:
            coupling = setting(self.coupling_name).value if self.coupling_name else 0.0
            pooled = pool(self.readings, survey.site.levels, coupling_db=coupling)
        self.pooled = pooled
        self.rows = int(pooled.readings)
        self.strength = strength = survey.site.tables.setting(self.source)
        self.decoy = setting(self.decoy_name).value
        self.loss_db_per_m, self.loss_spread = pipe_loss(survey)
        self.error = survey.site.tables.setting("level_error_log")
        half = np.ceil(2.6 * strength.spread / STRENGTH_STEP_DB)
        step = np.arange(-half, half + 1) * STRENGTH_STEP_DB
        self.strengths_db = strength.value + step
        log_prior: Floats = -0.5 * (step / strength.spread) ** 2
        self.log_prior: Floats = log_prior - log_sum_exp(log_prior)
        # The greatest log likelihood that each strength came to so far.
        self.best = np.full(len(self.strengths_db), -np.inf)
        self.nuisances = self.unknowns
        if pooled.is_display:
            self.nuisances = (*self.nuisances, "display_slope")
        if (pooled.repeats > 1.0).any():
            self.nuisances = (*self.nuisances, "gusts")

    # -- what a kind says of itself ----------------------------------------------------------

    def ground(self, places: Candidates, deviates: Deviates) -> Ground:
        """Turn deviates of the shared unknowns into this kind's quantities."""
        raise NotImplementedError

    def deviates(self, nodes: Nodes, which: Ints) -> Deviates:
        """Return the deviates of every unknown that this kind depends on, an axis added for rows.

        ``which`` nodes goes with the places: (d,) one with each, (m, 1) each of m with every one.
        """
        return {name: nodes.column(name)[which][..., None] for name in self.nuisances}

    def error_scale(self, deviates: Deviates) -> Floats:
        """Return the factor on every sigma."""
        return np.exp(self.error.value + self.error.spread * deviates[self.error_name])

    def gusts(self, deviates: Deviates) -> float | Floats:
        """Return the share of one reading's variance that is the background's."""
        meter, gust = setting("meter_sigma"), setting("gust_sigma")
        odds = (gust.value / meter.value) ** 2 * np.exp(gust.spread * deviates.get("gusts", 0.0))
        return odds / (1.0 + odds)

    def common(
        self,
        deviates: Deviates,
        own: Deviates,
        *,
        lifted_db: float | Floats = 0.0,
        louder_db: float | Floats = 0.0,
        gusts: float | Floats = 0.0,
    ) -> Ground:
        """Return the ground with a kind's own quantities, the background lifted in each row.

        ``louder_db`` is what each row adds to the leak as well.
        """
        slope: float | Floats = 1.0
        if "display_slope" in deviates:
            shown = setting("display_slope")
            slope = shown.value * np.exp(shown.spread * deviates["display_slope"])
        lifted = lifted_db + np.zeros(len(self.pooled))
        return Ground(
            scale=self.error_scale(deviates) * slope,
            signal_db=louder_db - self.background_db(lifted, slope=slope),
            floor_db=self.pooled.on_floor * (lifted + self.pooled.gain_db),
            slope=slope,
            gusts=gusts,
            own=own,
        )

    def distance2(self, places: Candidates, rows: Ints) -> Floats:
        """Return squared distances on the ground from places to rows, shape (k, n)."""
        east = places.easting_m[:, None] - self.pooled.easting_m[None, rows]
        north = places.northing_m[:, None] - self.pooled.northing_m[None, rows]
        return east * east + north * north

    def path_db(self, places: Candidates, rows: Ints) -> Floats:
        """Return median losses along the pipe from places to rows in dB, shape (k, n)."""
        leg, chainage = self.pooled.leg[rows], self.pooled.chainage_m[rows]
        return places.path(leg, chainage, per_metre=self.loss_db_per_m)

    def gain(self, where: tuple[Floats, ...], ground: Ground, rows: Ints) -> Floats:
        """Return the source's power at each row against that at the source, shape (k, n)."""
        raise NotImplementedError

    def geometry(self, places: Candidates, rows: Ints) -> tuple[Floats, ...]:
        """Return arrays of shape (k, n) that `gain` needs and no node changes."""
        raise NotImplementedError

    # -- the model -----------------------------------------------------------------------------

    def over_background(
        self, power: Floats, ground: Ground, rows: Ints, strengths_db: Floats
    ) -> Floats:
        """Return the leak's power at each row over the background's there, shape (e, ..., n)."""
        factor = (np.exp(PER_DB * ground.signal_db[..., rows]) * power).astype(np.float32)
        strength = np.exp(PER_DB * strengths_db).astype(np.float32)
        return np.asarray(np.multiply.outer(strength, factor))

    def weigh(self, ratio: Floats, ground: Ground, rows: Ints) -> tuple[Marginal, Floats, Floats]:
        """Return the likelihood of the rows under some leak.

        Parameters
        ----------
        ratio : ndarray, shape (..., n)
            Power of the leak, or of several together, over the background's.

        Returns
        -------
        found : Marginal
            Of shape (...).
        added : ndarray, shape (..., n)
            What the leak adds to each row, in the meter's units.
        relief : ndarray, shape (..., n)
            Factor on each row's variance.
        """
        total = ratio + np.float32(1.0)
        relief = self.relief(total, ground, rows)
        added = self.added(total, ground, rows)
        found = marginal(self.data(rows), added, scale=ground.scale, relief=relief)
        told = np.flatnonzero(self.pooled.repeats[rows] > 1.0)
        if len(told):
            quiet = total[..., told].astype(float) ** -2
            relative = 1.0 - ground.gusts + ground.gusts * quiet
            held = rows[told]
            squares, repeats = self.pooled.squares_db2[held], self.pooled.repeats[held]
            stated = self.pooled.reading_sigma_db**2
            more = log_scatter(squares, repeats, relative, stated)
            found = Marginal(found.log_likelihood + more, found.floor)
        return found, added, relief

    def added(self, total: Floats, ground: Ground, rows: Ints) -> Floats:
        """Return the level over bare ground of a total power over the background's."""
        added: Floats = np.log(total) * np.asarray(ground.slope / PER_DB, dtype=total.dtype)
        lifted = ground.slope * ground.floor_db[..., rows]
        if lifted.any():
            added += tiled(lifted.astype(total.dtype), total)
        return added

    def relief(self, total: Floats, ground: Ground, rows: Ints) -> Floats:
        """Return the factor on each row's variance: gusts move only the background's share."""
        gusty = tiled((ground.gusts * self.pooled.gusty[rows]).astype(total.dtype), total)
        relief = 1.0 / total
        relief *= relief
        relief *= gusty
        relief += 1.0 - gusty
        return relief

    def background_db(self, lifted_db: Floats, *, slope: float | Floats) -> Floats:
        """Return what the leak's noise must overcome in each row, over bare ground, shape (..., n).

        A measured background holds the gain and what the ground lifts already: both come off
        before the middle one is taken for bare ground.

        Parameters
        ----------
        lifted_db : ndarray, shape (..., n)
            What the ground of each row adds to the background.
        slope : float or ndarray, shape (..., 1)
            Steps of the meter for one dB.
        """
        rows = self.pooled
        own = rows.on_floor == 0
        if not own.any():
            return lifted_db + rows.own_background_db / slope
        measured = rows.own_background_db / slope - rows.gain_db
        middle = np.median((measured - lifted_db)[..., own], axis=-1, keepdims=True)
        return np.where(own, measured - middle, lifted_db + rows.own_background_db / slope)

    def data(self, rows: Ints) -> Pooled:
        """Return some rows; neighbours count only where both are judged."""
        if len(rows) == len(self.pooled):
            return self.pooled
        part = taken(self.pooled, rows)
        return replace(part, memory=np.where(np.diff(rows, prepend=-1) == 1, part.memory, 0.0))

    def log_likelihood(self, places: Candidates, nodes: Nodes) -> Floats:
        """Judge every place under every node, the source's strength integrated out.

        Shape (nodes, k).
        """
        deviates = self.deviates(nodes, np.arange(len(nodes))[:, None])
        everything = np.arange(len(self.pooled))
        nothing = np.zeros(len(nodes))
        if len(everything) > self.block_rows:
            anywhere = self._anywhere(places, nodes)
            nothing = self._silent(anywhere, everything)
        on_pipe = np.repeat(nothing[:, None], len(places), axis=1)
        for block, rows in self._blocks(places):
            if len(rows) == 0:
                continue
            # Readings out of reach say the same of every place in the block.
            far = 0.0 if len(rows) == len(everything) else nothing - self._silent(anywhere, rows)
            # So many pairs of a node and a place keep an array in the cache.
            pairs = max(1, CHUNK // (len(self.strengths_db) * len(rows)))
            for members in np.split(block, range(pairs, len(block), pairs)):
                part = places.take(members)
                where, unheard = self.geometry(part, rows), self.unheard(part)
                many = max(1, pairs // len(members))
                for start in range(0, len(nodes), many):
                    own = {name: each[start : start + many] for name, each in deviates.items()}
                    value = self._judge(where, self.ground(part, own), rows, unheard)
                    on_pipe[start : start + many, members] = value
            on_pipe[:, block] += np.reshape(far, (-1, 1))
        return on_pipe

    def _judge(
        self, where: tuple[Floats, ...], ground: Ground, rows: Ints, unheard: Floats
    ) -> Floats:
        """Return the log likelihood of the rows under some nodes, shape (nodes, k)."""
        strengths, log_prior = self.strengths(unheard)
        ratio = self.over_background(self.gain(where, ground, rows), ground, rows, strengths)
        each = self.weigh(ratio, ground, rows)[0].log_likelihood + log_prior[:, None, :]
        if len(rows) == len(self.pooled):
            top = each.max(axis=(1, 2))[-len(self.best) :]
            np.maximum(self.best, top, out=self.best)
        return log_sum_exp(each)

    def narrowed(self, nats: float) -> Self:
        """Return the same kind without the strengths that nowhere came near the likeliest one."""
        if not np.isfinite(self.best).any():
            return self
        keep = self.best > self.best.max() - nats
        other = copy.copy(self)
        other.strengths_db, other.log_prior = self.strengths_db[keep], self.log_prior[keep]
        other.best = self.best[keep]
        return other

    def strengths(self, unheard: Floats) -> tuple[Floats, Floats]:
        """Return the strengths a leak may have, nothing at all among them, and their log prior.

        Parameters
        ----------
        unheard : ndarray, shape (k,)
            Chance at each place that a leak there cannot be heard.

        Returns
        -------
        strengths_db : ndarray, shape (e,)
        log_prior : ndarray, shape (e, k)
        """
        if not unheard.any():
            return self.strengths_db, np.repeat(self.log_prior[:, None], len(unheard), axis=1)
        heard = np.log1p(-unheard)[None, :] + self.log_prior[:, None]
        return (
            np.append(-np.inf, self.strengths_db),
            np.concatenate([np.log(np.maximum(unheard, 1e-300))[None, :], heard]),
        )

    def unheard(self, places: Candidates) -> Floats:
        """Return the chance that a leak at each place cannot be heard, shape (k,)."""
        return np.zeros(len(places))

    def silent(self, places: Candidates, nodes: Nodes) -> Floats:
        """Return the log likelihood of all rows when no leak is heard, shape (nodes,)."""
        return self._silent(self._anywhere(places, nodes), np.arange(len(self.pooled)))

    def _anywhere(self, places: Candidates, nodes: Nodes) -> Ground:
        """Return the ground of nodes as it is whatever the place, taken at the first."""
        deviates = self.deviates(nodes, np.arange(len(nodes))[:, None])
        return self.ground(places.take(np.arange(min(1, len(places)))), deviates)

    def _silent(self, ground: Ground, rows: Ints) -> Floats:
        nothing: Floats = np.zeros((np.size(ground.scale), 1, len(rows)), dtype=np.float32)
        return self.weigh(nothing, ground, rows)[0].log_likelihood[:, 0]

    def _blocks(self, places: Candidates) -> Iterator[tuple[Ints, Ints]]:
        """Yield groups of places, each with the rows near enough to tell of them."""
        pooled = self.pooled
        if len(pooled) <= self.block_rows:
            yield np.arange(len(places)), np.arange(len(pooled))
            return
        number = np.floor(places.chainage_m / self.block_m).astype(np.int64)
        _, group = np.unique(np.stack([places.leg, number]), axis=1, return_inverse=True)
        group = group.ravel()
        order = np.argsort(group, kind="stable")
        for members in np.split(order, np.flatnonzero(np.diff(group[order])) + 1):
            east, north = places.easting_m[members], places.northing_m[members]
            near = np.flatnonzero(
                (pooled.easting_m > east.min() - self.reach_m)
                & (pooled.easting_m < east.max() + self.reach_m)
                & (pooled.northing_m > north.min() - self.reach_m)
                & (pooled.northing_m < north.max() + self.reach_m)
            )
            yield members, near

    # -- draws -----------------------------------------------------------------------------------

    def hints(self) -> tuple[Hint, ...]:
        """Return the listened stretches: one hint around every pooled place."""
        return tuple(
            Hint(int(leg), float(at) - 6.0, float(at) + 6.0, 1.0)
            for leg, at in zip(self.pooled.leg, self.pooled.chainage_m, strict=True)
        )

    def notes(self) -> tuple[Note, ...]:
        """Return notes on the readings."""
        return self.pooled.notes

    def fits_of(
        self, draws: LevelDraws, off: Offsets, rng: np.random.Generator, *, silent: bool = False
    ) -> tuple[KindFit, ...]:
        """Compare the readings with draws of place, node and strength, each with its floor.

        Where they agree, those that do not are told beside them, each with its place; but not
        those that `outliers` names as louder than a leak can be. ``silent``: the readings are
        likelier without any leak, so no peak is spoken of.

        The discrepancy is the sum of log(1 + z^2 / nu) (posterior-predictive check, Gelman,
        Meng, Stern 1996, Statistica Sinica 6, 733; from memory). Errors count against the scale
        that was stated, as surely as it is known: one that grew to swallow a misfit hides none.
        """
        data = self.data(np.arange(len(self.pooled)))
        error = data.fresh(data.level - draws.expected) / self._stated(draws)
        error = error[:, data.censored == 0]
        other = rng.standard_t(FREEDOM, size=error.shape)
        other *= np.exp(self.error.spread * rng.standard_normal((len(error), 1)))
        seen, drawn = (np.log1p(e**2 / FREEDOM).sum(axis=1) for e in (error, other))
        p_value = float((np.sum(drawn >= seen) + 0.5) / (len(error) + 1))
        count = self._readings_of(off.unlike)
        agrees = p_value >= MISFIT and count < self.rows
        # What was pooled of readings that contradict one another is no agreement of theirs.
        off_or_apart = count if silent else self._readings_of(off.unlike | self._apart())
        text = self._fit_text(draws, off_or_apart, agrees=agrees, silent=silent)
        if agrees and off_or_apart == self.rows:
            agrees = False
            text = f"{self.rows} {self.noun} contradict those taken at the same place"
        # Of a few rows that do not agree it is known which to take again; of many it is not.
        few = not agrees and self.rows < FEW_ROWS
        names = (self.readings.named(k) for k in range(self.rows)) if few else ()
        redo = AGAIN.format(" and ".join(names)) if few else ""
        fit = KindFit(self.kind, self.rows, p_value, text, agrees, redo)
        rows = np.flatnonzero(off.unlike & ~(off.far & (off.db > 0.0)))
        if silent or not agrees or len(rows) == 0:
            return (fit,)
        named = [
            f"{self.readings.named(int(self.pooled.reading[row]))} {abs(off.db[row]):.0f} dB "
            f"{'louder' if off.db[row] > 0 else 'quieter'}"
            for row in rows[:MOST_NAMED]
        ]
        more = f" and {len(rows) - MOST_NAMED} more" if len(rows) > MOST_NAMED else ""
        text = f"{self.noun} that do not agree: {', '.join(named)}{more}"
        text += " than the others let expect"
        return fit, KindFit(f"{self.kind} against", len(rows), 0.0, text, True, against=True)

    def _stated(self, draws: LevelDraws) -> Floats:
        """Return the scale of each row's error as it was stated, shape (d, n)."""
        scale = self.error_scale(self.deviates(draws.belief.nodes, draws.belief.node))
        return draws.sigma / scale * np.exp(self.error.value)

    def offsets(self, draws: LevelDraws) -> Offsets:
        """Return how far each row lies off what the draws expect of it.

        Unlike by the scale that was stated: one that grew to swallow a misfit hides none. What is
        quieter beside the line agrees, and a detector's figures are pooled otherwise.
        """
        error = self.data(np.arange(len(self.pooled))).level - draws.expected
        db = np.median(error, axis=0)
        stated, grown = (
            np.abs(np.median(error / scale, axis=0)) for scale in (self._stated(draws), draws.sigma)
        )
        told = (self.pooled.censored == 0) & (self.pooled.reading >= 0) & (self.kind in HEARD)
        told &= ~(self.aside & (db < 0.0))
        return Offsets(db, told & (stated > UNLIKE_SCALES), told & (grown > OUTLIER_SCALES))

    @property
    def aside(self) -> Bools:
        """Tell which rows stand beside the line, where another may lie."""
        return np.asarray(np.abs(self.pooled.offset_m) >= setting("rival_aside_nearest").value)

    def _apart(self) -> Bools:
        """Tell which pooled rows hold readings that lie far apart at one place."""
        notes = (each for each in self.survey.warnings if each.code == "readings_apart")
        named = {row for each in notes for row in each.rows}
        ids = self.readings.id
        return np.array([k >= 0 and ids[k] in named for k in self.pooled.reading.tolist()])

    def _readings_of(self, rows: Bools) -> int:
        """Return how many readings of the sheet some pooled rows hold."""
        held, kept = self.readings, self.pooled.reading[rows]
        alike = held.place[:, None] == held.place[kept]
        alike &= held.session[:, None] == held.session[kept]
        return int(alike.any(axis=1).sum())

    def outliers(self, off: Offsets) -> list[Note]:
        """Name the readings far off what all the others let expect, each with its row.

        Beside the line a reading may be off for what lies there: it was not read badly.
        """
        readings, notes = self.readings, []
        for row in np.flatnonzero(off.far).tolist():
            k = int(self.pooled.reading[row])
            where = self.survey.legs[int(readings.leg[k])]
            at = format_length(float(readings.chainage_m[k]), unit=self.survey.site.length_unit)
            over, aside = off.db[row] > 0, self.aside[row]
            what = (
                f"reading {readings.id[k]} at {at} of leg {where.name} is about "
                f"{abs(off.db[row]):.0f} dB {'over' if over else 'under'} what the others let "
                "expect"
            )
            remedy = "" if aside else "take it again, and check its place"
            origin = readings.origin[k] if readings.origin else NOWHERE
            code = LOUD if over and not aside else "reading_off"
            notes.append(Note(code, what, origin, remedy, rows=(readings.id[k],)))
        return notes

    def _fit_text(self, draws: LevelDraws, off: int, *, agrees: bool, silent: bool) -> str:
        count = f"{self.rows - off} of {self.rows}" if 0 < off < self.rows else str(self.rows)
        one = count == "1"
        noun = self.noun.removesuffix("s") if one else self.noun
        if agrees and silent:
            return f"{count} {noun} {'holds' if one else 'hold'} no clear sign of a leak"
        if agrees:
            word = "agrees" if one else "agree"
        else:
            word = "does not agree" if one else "do not agree"
        text = f"{count} {noun} {word} with one leak"
        if silent:
            return text
        excess = 10.0 * np.log10(1.0 + np.exp(PER_DB * draws.strength_db))
        return f"{text}, {np.median(excess):.0f} dB over background at the peak"

    def draws(self, belief: Belief, ticks: Floats) -> LevelDraws:
        """Draw the strength and the floor that go with each drawn place and node.

        Parameters
        ----------
        belief : Belief
            d draws.
        ticks : ndarray, shape (d, 3)
            Uniform numbers: the strength's, its place between two steps of the grid, and (as a
            normal deviate's share) the floor's.
        """
        rows = np.arange(len(self.pooled))
        data = self.data(rows)
        deviate = normal_deviates(np.clip(ticks[:, 2], 1e-9, 1 - 1e-9))
        ground = self.ground(belief.places, self.deviates(belief.nodes, belief.node))
        power = self.gain(self.geometry(belief.places, rows), ground, rows)
        strengths, log_prior = self.strengths(self.unheard(belief.places))
        ratio = self.over_background(power, ground, rows, strengths)
        judged, added, relief = self.weigh(ratio, ground, rows)
        score = judged.log_likelihood + log_prior
        total = np.cumsum(np.exp(score - score.max(axis=0)), axis=0)
        pick = (total < ticks[:, 0] * total[-1]).sum(axis=0)
        picked = (pick, np.arange(len(belief)))
        # Between the steps of the grid, strengths are as likely as at them.
        strength = strengths[pick] + STRENGTH_STEP_DB * (ticks[:, 1] - 0.5)
        at_mode = judged.floor[picked]
        # How far the floor is known: its width with every row counted.
        weight = data.fresh(data.on_floor) ** 2 / (data.sigma * ground.scale) ** 2
        weight = weight.sum(axis=-1, keepdims=True) * (FREEDOM + 1) / (FREEDOM + 3)
        width = 1.0 / np.sqrt(weight + 1.0 / data.floor_sigma**2)
        return LevelDraws(
            belief,
            strength,
            at_mode + width * deviate[:, None],
            added[picked] + at_mode @ data.membership.T,
            data.sigma * ground.scale * np.sqrt(relief[picked]),
        )

    def prior_draws(self, belief: Belief, ticks: Floats) -> LevelDraws:
        """Draw strengths from their prior, for a kind that nobody has read yet.

        The floor is taken to be found with the first readings: 0, give or take 3 dB. ``ticks`` as
        in `draws`.
        """
        deviate = normal_deviates(np.clip(ticks, 1e-6, 0.999))
        none = np.zeros((len(belief), 0))
        return LevelDraws(
            belief,
            self.strength.value + self.strength.spread * deviate[:, 0],
            3.0 * deviate[:, 2:],
            none,
            none,
        )

    def foresee(
        self, draws: LevelDraws, pooled: Pooled, *, heard: bool = True
    ) -> tuple[Floats, Floats]:
        """Return what each draw expects of readings not taken yet, and the scale of their error.

        Parameters
        ----------
        draws : LevelDraws
            d draws.
        pooled : Pooled
            n readings to be taken; only their places and settings count.
        heard : bool
            False: nothing is heard, whatever the draw's place.

        Returns
        -------
        expected, sigma : ndarray, shape (d, n)
        """
        other = copy.copy(self)
        other.pooled = pooled
        rows = np.arange(len(pooled))
        belief = draws.belief
        ground = other.ground(belief.places, other.deviates(belief.nodes, belief.node))
        power = np.zeros((len(belief), len(rows)))
        if heard:
            power = other.gain(other.geometry(belief.places, rows), ground, rows)
            power = power * np.exp(PER_DB * draws.strength_db[:, None])
        total = 1.0 + other.over_background(power, ground, rows, np.zeros(1))[0].astype(float)
        floor = draws.floor[:, pooled.session]
        expected = other.added(total, ground, rows) + pooled.on_floor * floor
        sigma = pooled.sigma * ground.scale * np.sqrt(other.relief(total, ground, rows))
        return expected, sigma
