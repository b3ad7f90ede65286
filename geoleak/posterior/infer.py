"""Prior times evidence: the probability of every place, over all legs and elsewhere."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from geoleak.errors import SiteDataError
from geoleak.evidence import candidates, prior
from geoleak.posterior.checks import check
from geoleak.posterior.grid import Cells
from geoleak.posterior.records import Places, Posterior
from geoleak.posterior.run import InferenceOptions, Run, begin, draw, settle
from geoleak.posterior.sets import find_peaks, highest_density_set
from geoleak.survey import Survey

Floats = npt.NDArray[np.float64]

__all__ = ["InferenceOptions", "infer"]


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
    cells, mass, elsewhere = settle(run)
    return describe(run, cells, mass, elsewhere)


def describe(run: Run, cells: Cells, mass: Floats, elsewhere: float) -> Posterior:
    """Put the posterior into its record, with its checks."""
    survey = run.survey
    places = candidates(survey, cells.leg, cells.chainage_m, mass)
    on_pipe = mass if mass.sum() > 0 else cells.width_m / cells.width_m.sum()
    sets = {level: highest_density_set(cells, on_pipe, level) for level in (0.5, 0.8, 0.95)}
    rng = np.random.default_rng(run.options.seed)
    belief = draw(run, cells, on_pipe, run.options.draws, rng)
    peaks = find_peaks(cells, on_pipe, sets[0.95], window_m=survey.site.crew.dig_length_m)
    if mass.sum() <= 0:
        peaks = tuple(replace(peak, mass=0.0) for peak in peaks)
    found = check(run, cells, belief, peaks, rng)
    factors = prior.log_factor(survey, places, without=run.options.without)[1]
    return Posterior(
        places=Places(
            leg=cells.leg,
            chainage_m=cells.chainage_m,
            width_m=cells.width_m,
            easting_m=places.easting_m,
            northing_m=places.northing_m,
            depth_m=places.depth_m,
        ),
        mass=mass,
        elsewhere=elsewhere,
        leg_probability=np.bincount(cells.leg, weights=mass, minlength=len(survey.legs)).astype(
            np.float64
        ),
        interval_50=sets[0.5],
        interval_80=sets[0.8],
        interval_95=sets[0.95],
        peaks=peaks,
        curves=found.curves,
        fits=found.fits,
        no_leak_odds=found.no_leak_odds,
        second_leak=found.second_leak,
        prior_factors=MappingProxyType(factors),
        warnings=tuple(n for each in (*run.smooth, *run.exact) for n in each.notes()),
        run=run,
    )
