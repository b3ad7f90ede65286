"""One line listened to over a leak by hand, and what is asked of it: rivals, checks, verdict."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from functools import cache

import numpy as np

from geoleak.advice.decide import Decision, decide
from geoleak.hydraulics import meter_test
from geoleak.posterior import Explanation, infer
from geoleak.record import replace
from geoleak.site import MeterRow, Point
from geoleak.survey.records import Survey, SurveyedPoint
from tests import synthetic

# Rods to both sides of the leak, closer about it.
FIVE = (46.3, 46.8, 47.3, 47.8, 48.3)


def heard(at, leak, *, strength=20.0, aside=0.0, depth=1.0, loss=4.0, offset=0.0):
    """Levels over a leak by hand: spherical spreading and soil loss over a background of 40."""
    straight = np.sqrt((at - leak) ** 2 + (offset - aside) ** 2 + depth**2)
    leak_db = strength - 20 * np.log10(straight / depth) - loss * (straight - depth)
    return 10 * np.log10(10**4.0 * (1 + 10 ** (leak_db / 10)))


def fitting(name, at_m, code="") -> SurveyedPoint:
    return SurveyedPoint(
        Point(name, at_m, 0.0, code), at_m, 0.0, 0.0, 0.02, "fitting", 0, at_m, 0.0
    )


def listened_for(
    leak=47.3, *, seed=1, first=30.0, last=65.0, off=False, fittings=(), strength=20.0, **parts
) -> Survey:
    """A line of 100 m read at every metre, of which some was listened to."""
    route = synthetic.straight()
    at = np.arange(first, last, 1.0)
    level = heard(at, leak, strength=strength)
    level = level + np.random.default_rng(seed).normal(0, 1.5, len(at))
    rows = synthetic.levels("surface", at, level, route=route)
    rows = replace(rows, everything_off=np.full(len(at), off))
    points = tuple(fitting(f"F{i}", where) for i, where in enumerate(fittings))
    return synthetic.survey([route], surface=rows, points=points, rivals=True, **parts)


# What many tests begin with is put together, and answered, once.
listened = cache(listened_for)
judged = cache(infer)


def explained(survey: Survey, name: str) -> Explanation:
    return next(e for e in judged(survey).explanations if e.name == name)


def chance(survey: Survey, name: str) -> float:
    return explained(survey, name).chance


def against_line(survey: Survey, name: str) -> float:
    """Return the odds of an explanation to the leak straight below."""
    return chance(survey, name) / judged(survey).line.chance


def decided(survey: Survey, posterior=None) -> Decision:
    """Decide on a stake set out to 5 cm and a hole 0.9 m wide, no next readings asked."""
    sure = {"setting_out_sigma": (0.05, 0.05), "hole_half_width_m": 0.45, "most_readings": 0}
    return decide(survey, posterior or judged(survey), **sure)


def asked(survey: Survey) -> tuple[str, str | None]:
    """Return the verdict, and the kind of the check that comes first."""
    decision = decided(survey)
    return decision.verdict, decision.check and decision.check.kind


def stopped(survey: Survey, *tests) -> Survey:
    return replace(survey, stops=tests)


def pushed(survey: Survey, at, level, **columns) -> Survey:
    """The survey with a rod pushed at places on its line."""
    rows = synthetic.levels("rod", np.asarray(at), level, route=survey.legs[0].route, **columns)
    return replace(survey, rod=rows)


def rodded(survey: Survey, at, leak, *, aside=0.0) -> Survey:
    """Levels through a rod by hand: a source of 36 dB at its tip over a background of 36."""
    near = np.sqrt((np.asarray(at) - leak) ** 2 + aside**2 + 0.15**2)
    return pushed(
        survey, at, 36 + 10 * np.log10(1 + 10 ** ((36 - 20 * np.log10(near / 0.15)) / 10))
    )


def ended(survey: Survey, *ends: str) -> Survey:
    """The survey with its line told to end where it was traced to."""
    leg = survey.legs[0]
    return replace(survey, legs=(replace(leg, leg=leg.leg.model_copy(update={"ends_here": ends})),))


def stated(survey: Survey, *, crew=None, **prior: float) -> Survey:
    """The survey with its site's prior, or crew, stated otherwise."""
    site = survey.site
    prior_ = site.prior.model_copy(update=prior)
    return replace(survey, site=replace(site, prior=prior_, crew=crew or site.crew))


def across(survey: Survey, leak, aside) -> Survey:
    """The survey with six readings left and right of 47.3."""
    rows = survey.surface
    out = np.array([-3.0, -2.0, -1.0, 1.0, 2.0, 3.0])
    level = heard(47.3, leak, aside=aside, offset=out)
    level = level + np.random.default_rng(5).normal(0, 1.0, 6)
    both = synthetic.levels(
        "surface",
        np.concatenate([rows.chainage_m, np.full(6, 47.3)]),
        np.concatenate([rows.level_db, level]),
        route=survey.legs[0].route,
        offset_m=np.concatenate([rows.offset_m, out]),
    )
    return replace(survey, surface=both)


@cache
def documented(rod=FIVE) -> Survey:
    """Everything off, ends known, read aside, a rod pushed over a loud, dense survey."""
    survey = across(listened(fittings=(0.0, 100.0)), 47.3, 0.0)
    rows = survey.surface
    survey = replace(survey, surface=replace(rows, everything_off=np.ones(len(rows), dtype=bool)))
    return rodded(survey, rod, 47.3) if rod else survey


@cache
def gone_on(count: int) -> Survey:
    """A survey whose sound went on with the supply shut, so many times."""
    survey = listened(first=35.0, last=60.0)
    return stopped(survey, *[synthetic.stop(47.3, off=60.0, worked=60.0, shut=60.0)] * count)


def watched(survey: Survey, *readings: float) -> Survey:
    """The survey with its meter read so many half hours apart, every tap shut."""
    start = datetime(2026, 5, 4, 10, tzinfo=UTC)
    rows = tuple(
        MeterRow(start + timedelta(minutes=30 * k), each, "L", step=0.1, state="all shut")
        for k, each in enumerate(readings)
    )
    site = replace(survey.site, meter=rows)
    return replace(survey, site=site, meter=meter_test(site))
