"""What the marks say against the line that the stake stands on."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np

from geoleak.advice.records import Case, Doubt
from geoleak.evidence import SIGMAS_95
from geoleak.posterior import LISTENED_M
from geoleak.units import format_length

# Warnings of a route's fit that say that the marks are in no order to dig by.
NO_LINE = ("no_line", "mark_order")
SHOOT = (
    "shoot the marks again with a rover good to a hand, or say how good this one was (precision)"
)
TRACE = "trace the pipe here and shoot its marks: the line was drawn, not traced"


def ends_swapped(case: Case) -> Iterator[Doubt]:
    """Return that start and end of the stake's leg look swapped: no place is where it says."""
    for note in case.leg.fit.warnings:
        if note.code == "ends_swapped":
            job = f"check start and end of {case.leg.name} in site.toml, and swap them"
            yield Doubt(note.what, job)


def no_line(case: Case) -> Iterator[Doubt]:
    """Return that the marks of the stake's leg make no line in the order they stand in."""
    name = case.leg.name
    codes = NO_LINE[:1] if case.leg.leg.order == "file" else NO_LINE
    if any(note.code in codes for note in case.leg.fit.warnings):
        yield Doubt(
            f"the marks of {name} make no line in their order",
            f"check the order and the codes of the marks of {name} on the ground; then give each "
            'line its own leg, or say order = "found" (order = "file": as they stand is right)',
        )


def timed_over_a_gap(case: Case) -> Iterator[Doubt]:
    """Return that delays alone tell the place, over pipe that nobody marked or a slipped point."""
    survey, dig = case.survey, case.dig
    for rows in (survey.surface, survey.rod):
        if np.any(np.abs(rows.chainage_m[rows.leg == dig.leg] - dig.stake_m) < LISTENED_M):
            return
    gaps = [note for note in case.leg.fit.warnings if note.code == "gap"]
    if survey.delays and gaps:
        yield Doubt(
            "delays alone tell the place, over pipe without a mark between "
            f"{' and '.join(gaps[0].rows)}",
            "shoot the points at both ends of that gap again, and mark the pipe between; or "
            "listen at the place itself",
        )


def sets_out(case: Case, *, shot: bool) -> Iterator[Doubt]:
    """Return that the stake may stand farther from the pipe than the hole reaches.

    ``shot``: the line is that of traced marks; not so: it was drawn.
    """
    leg, dig, unit = case.leg.leg, case.dig, case.survey.site.length_unit
    if (not leg.drawn and leg.marks_by not in ("records", "assumed")) is not shot:
        return
    for sigma, reach, way in zip(dig.sigma_m, dig.reach_m, ("along", "across"), strict=True):
        off = SIGMAS_95 * sigma
        if off > reach:
            yield Doubt(
                f"the stake sets out within {format_length(off, unit=unit)} {way} the pipe (95 %), "
                f"the hole reaches {format_length(reach, unit=unit)}",
                SHOOT if shot else TRACE,
            )
            return
