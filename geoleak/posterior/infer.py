"""Prior times evidence: the probability of every place, over all legs and elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

import numpy as np

from geoleak.errors import SiteDataError
from geoleak.evidence import Candidates, KindFit, candidates, log_sum_exp, prior
from geoleak.posterior.checks import LevelCurve, check
from geoleak.posterior.grid import Cells, Peak, Piece, emptied, find_peaks, highest_density_set
from geoleak.posterior.rivals import RIVALS, Explanation, checked, settle
from geoleak.posterior.run import InferenceOptions, Run, begin, draw
from geoleak.record import Floats, Record, field, replace
from geoleak.site import Note
from geoleak.survey import Survey


class Posterior(Record, eq=False):
    """Probability of every place.

    Attributes
    ----------
    cells : Cells
        k cells.
    mass : ndarray, shape (k,)
        Probability of each cell; with ``elsewhere`` it sums to one.
    elsewhere : float
        Probability that the leak is on no traced leg.
    leg_probability : ndarray, shape (number of legs,)
    explanations : tuple of Explanation
        What may explain the sound, "line" (the leak straight below) first, "elsewhere" last.
    interval_50, interval_80, interval_95 : tuple of Piece
        Shortest sets of pipe that hold a share of `heard`: if what is heard is the leak. Of the
        whole mass where another maker of the sound is likelier than not.
    offered : ndarray, shape (k,)
        The mass without stretches that a hole exposed and found dry: nobody digs there again.
    peaks : tuple of Peak
        The leading peak (the one that one hole finds most of) first.
    """

    cells: Cells
    mass: Floats
    offered: Floats
    elsewhere: float
    leg_probability: Floats
    explanations: tuple[Explanation, ...]
    interval_50: tuple[Piece, ...]
    interval_80: tuple[Piece, ...]
    interval_95: tuple[Piece, ...]
    peaks: tuple[Peak, ...]
    curves: tuple[LevelCurve, ...] = ()
    fits: tuple[KindFit, ...] = ()
    no_leak_odds: float | None = None
    """Odds of "nothing heard at all" to one leak in the listened stretch, where it can be told."""
    second_leak: Peak | None = None
    """A second source that the data decisively ask for."""
    held_chance: float = 1.0
    """Chance of what the intervals are of: heard, on a traced leg, in no hole bare and dry."""
    even: Floats | None = None
    """Prior of each cell without the share of where the crew listened, over the prior in use."""
    prior_factors: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    warnings: tuple[Note, ...] = ()
    run: Run | None = None
    """The inference behind it, for advice on the same survey; no part of the answer."""

    @property
    def line(self) -> Explanation:
        """The leak straight below the sound, on the traced pipe."""
        return self.explanations[0]

    @property
    def rivals(self) -> tuple[Explanation, ...]:
        """The explanations that rival it, in the order of `RIVALS`."""
        return tuple(each for each in self.explanations if each.name in RIVALS)

    @property
    def heard(self) -> Floats:
        """Chance that the leak is in each cell and is what is heard, shape (k,)."""
        return self.line.mass + sum(e.mass for e in self.rivals if e.name == "displaced")


def infer(survey: Survey, *, options: InferenceOptions | None = None) -> Posterior:
    """Return the probability of every place on the traced legs, and of elsewhere.

    Parameters
    ----------
    survey : Survey
    options : InferenceOptions, optional

    Raises
    ------
    SiteDataError
        If there is no pipe.
    """
    chosen = options or InferenceOptions()
    if not survey.legs:
        raise SiteDataError("no leg of pipe was traced; mark at least one leg")
    run = begin(survey, chosen)
    cells, explanations = settle(run)
    return describe(run, cells, explanations)


def _even(run: Run, places: Candidates, cells: Cells) -> tuple[Floats | None, dict[str, float]]:
    """Return the prior as if nobody had chosen where to listen over that in use, and the factors.

    None where that share is not in use.
    """
    without = run.options.without
    chosen, factors = prior.log_factor(run.survey, places, without=without)
    if "listened" not in factors:
        return None, factors
    even = prior.log_factor(run.survey, places, without=without | {"listened"})[0]
    width = np.log(cells.width_m)
    ratio = even - log_sum_exp(even + width) - chosen + log_sum_exp(chosen + width)
    return np.exp(ratio), factors


def exposed_dry(survey: Survey) -> tuple[Piece, ...]:
    """Return the stretches where a hole laid the pipe bare and it was dry."""
    return tuple(
        (each.leg, each.from_m, each.to_m)
        for each in survey.holes
        if each.hole.outcome == "dry" and each.hole.pipe_exposed
    )


def describe(run: Run, cells: Cells, explanations: tuple[Explanation, ...]) -> Posterior:
    """Put the posterior into its record, with its checks."""
    survey = run.survey
    mass: Floats = np.sum([each.mass for each in explanations], axis=0)
    elsewhere = sum(each.off_pipe for each in explanations)
    places = candidates(survey, cells.leg, cells.chainage_m, cells.width_m)
    by_name = {each.name: each for each in explanations}
    line = by_name["line"].mass
    another = by_name["fitting"].chance if "fitting" in by_name else 0.0
    on_pipe = mass
    if another < 0.5:
        on_pipe = line + by_name["displaced"].mass if "displaced" in by_name else line
    gone = exposed_dry(survey)
    on_pipe = emptied(cells, on_pipe, gone)
    even = emptied(cells, cells.width_m / cells.width_m.sum(), gone)
    held = float(on_pipe.sum())
    on_pipe = on_pipe if held > 0 else even
    sets = {level: highest_density_set(cells, on_pipe, level) for level in (0.5, 0.8, 0.95)}
    rng = np.random.default_rng(run.options.seed)
    belief = draw(run, cells, line if line.sum() > 0 else even, run.options.draws, rng)
    peaks = find_peaks(cells, on_pipe, sets[0.95], window_m=survey.site.crew.dig_length_m)
    if mass.sum() <= 0:
        peaks = tuple(replace(peak, mass=0.0) for peak in peaks)
    done = checked(survey, peaks[0].leg, peaks[0].median_m) if peaks else frozenset()
    explanations = tuple(replace(e, checked=e.name in done) for e in explanations)
    found = check(run, cells, mass, belief, peaks, rng)
    even_prior, factors = _even(run, places, cells)
    return Posterior(
        cells=cells,
        mass=mass,
        offered=emptied(cells, mass, gone),
        elsewhere=elsewhere,
        leg_probability=np.bincount(cells.leg, weights=mass, minlength=len(survey.legs)).astype(
            np.float64
        ),
        explanations=explanations,
        interval_50=sets[0.5],
        interval_80=sets[0.8],
        interval_95=sets[0.95],
        peaks=peaks,
        curves=found.curves,
        fits=found.fits,
        no_leak_odds=found.no_leak_odds,
        second_leak=found.second_leak,
        held_chance=held,
        even=even_prior,
        prior_factors=MappingProxyType(factors),
        warnings=(
            *(n for each in (*run.smooth, *run.exact) for n in each.notes()),
            *found.notes,
        ),
        run=run,
    )
