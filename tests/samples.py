"""The sample sites, each surveyed and answered once for all tests that only look."""

from __future__ import annotations

from functools import cache
from typing import NamedTuple

from geoleak import read_site
from geoleak.posterior import InferenceOptions, Posterior, infer
from geoleak.result import Result, build_result
from geoleak.route import one_blas_thread
from geoleak.survey import Survey, survey_site
from tests.spoilt_sites import SITES

SHIPPED = InferenceOptions()
"""As a user has it, whatever the tests of the moment take."""


class Sample(NamedTuple):
    """A site on its way to its answer."""

    survey: Survey
    posterior: Posterior
    result: Result


@cache
def sample(name: str) -> Sample:
    """Return a sample site as `geoleak.locate` works it out."""
    with one_blas_thread():
        survey = survey_site(read_site(SITES / name))
        posterior = infer(survey, options=SHIPPED)
        return Sample(survey, posterior, build_result(survey, posterior))
