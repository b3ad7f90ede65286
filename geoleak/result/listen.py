"""Where to listen next, as points: for the rover, for maps, and for a phone."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Literal

import numpy as np

from geoleak.advice import Decision
from geoleak.stake import StakePoint
from geoleak.units import format_station

if TYPE_CHECKING:
    from geoleak.result.records import Feature, Result
    from geoleak.result.work import StakeWork
    from geoleak.survey import Survey, SurveyedLeg

KIND: Literal["next_reading"] = "next_reading"


def wants_listening(decision: Decision) -> bool:
    """Tell whether a further reading is suggested: always to listen on, or where it would pay."""
    return decision.verdict != "dig" or (decision.value_of_reading or 0.0) > 0.0


def listening_points(
    survey: Survey, decision: Decision
) -> tuple[tuple[SurveyedLeg, StakePoint], ...]:
    """Return the places of the next readings with their legs, the most telling first.

    A contact reading stands at the fitting as it was shot, every other on the fitted line.
    """
    unit = survey.site.length_unit
    shots = {each.point.id: each for each in survey.points}
    made = []
    for number, each in enumerate(decision.next_readings, start=1):
        leg = survey.legs[each.leg]
        east, north = (float(v) for v in np.asarray(leg.route.position(each.chainage_m))[:2])
        shot = shots.get(each.point) if each.point and each.kind == "contact" else None
        if shot is not None:
            east, north = shot.easting_m, shot.northing_m
        station = format_station(each.chainage_m, unit=unit)
        label = f"LISTEN {number} {each.kind.replace('_', ' ')} {leg.name} {station}"
        made.append((leg, StakePoint(KIND, label, east, north, each.chainage_m)))
    return tuple(made)


def next_reading_features(
    bare: Result, work: StakeWork, draw: Callable[..., Feature]
) -> Iterator[Feature]:
    """Return the places to listen at as features; none where the verdict is to dig."""
    points = [(stake, point) for stake, point in work.stake_points if stake.kind == KIND]
    if not points:
        return
    rows = zip(points, bare.next_readings, work.next_lonlat_accuracy_m, strict=True)
    for number, ((stake, point), each, accuracy_m) in enumerate(rows, start=1):
        yield draw(
            KIND,
            stake.id,
            point,
            label=f"LISTEN {number}",
            number=number,
            reading_kind=each.kind,
            place=each.place,
            leg=each.leg,
            chainage_m=each.chainage_m,
            expected_interval_95_m=each.expected_interval_95_m,
            elevation_m=stake.elevation_m,
            lonlat_accuracy_m=accuracy_m,
        )
