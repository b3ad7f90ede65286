"""The sample sites, each surveyed and answered once for all tests that only look."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from functools import cache, partial
from importlib import import_module
from typing import NamedTuple

import pytest

from geoleak import read_site
from geoleak.posterior import InferenceOptions, Posterior, infer
from geoleak.result import Result, build_result
from geoleak.route import one_blas_thread
from geoleak.survey import Survey, survey_site
from tests.spoilt_sites import SITES

SHIPPED = InferenceOptions()
"""As a user has it, whatever the tests of the moment take."""


@contextlib.contextmanager
def by_few_nodes() -> Iterator[None]:
    """Answer as roughly as the first nodes do."""
    with pytest.MonkeyPatch.context() as at:
        rough = partial(InferenceOptions, most_nodes=64)
        for asks in ("geoleak.posterior.infer", "geoleak.advice.next_readings"):
            at.setattr(import_module(asks), "InferenceOptions", rough)
        yield


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
