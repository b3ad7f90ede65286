"""Chainage measured by wheel, tape or rod counter, brought onto the fitted legs."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import pairwise

import numpy as np

from geoleak.errors import Complaint, GeoleakError, InputError
from geoleak.record import Floats, replace
from geoleak.route import RouteFit
from geoleak.site import Calibration, Leg, Note, Site
from geoleak.survey.records import SurveyedPoint
from geoleak.units import format_length, unit_m

# So near to the log of a foot's share of a metre is no wheel's error (common practice, no source).
MIXED = 0.05


def calibrations_by_leg(site: Site) -> list[list[Calibration]]:
    """Return the calibration rows of every leg."""
    found: list[list[Calibration]] = [[] for _ in site.legs]
    numbers = {leg.name: k for k, leg in enumerate(site.legs)}
    owners: dict[str, list[int]] = {}
    for number, leg in enumerate(site.legs) if site.calibrations else ():
        for name in dict.fromkeys([*leg.mark_ids, leg.start, leg.end]):
            if name is not None:
                owners.setdefault(name, []).append(number)
    for row in site.calibrations:
        if row.leg is not None:
            if row.leg in numbers:
                found[numbers[row.leg]].append(row)
        elif len(site.legs) == 1:
            found[0].append(row)
        else:
            for number in owners.get(row.point, ()):
                found[number].append(row)
    return found


def calibrated(
    site: Site,
    leg: Leg,
    fit: RouteFit,
    points: Mapping[str, SurveyedPoint],
    rows: Sequence[Calibration],
) -> tuple[RouteFit, list[Note]]:
    """Give the route the chainages that a wheel or tape measured, where there are any.

    Raises
    ------
    InputError
        Where measured chainage falls along the leg, or its point does not stand on it.
    """
    if not rows:
        return fit, []
    places = np.array([[points[r.point].easting_m, points[r.point].northing_m] for r in rows])
    snap = fit.route.snap(places)
    _refuse_aside(site, leg, rows, np.asarray(snap.distance_m))
    chainage = snap.chainage_m
    order = np.argsort(chainage, kind="stable")
    measured = np.array([row.measured_m for row in rows])
    for one, two in pairwise(order):
        if measured[two] <= measured[one]:
            raise InputError([_falls(rows[one], rows[two], site.length_unit)])
    try:
        route = fit.route.calibrated(np.asarray(chainage)[order], measured[order])
    except GeoleakError as error:
        raise InputError([Complaint(rows[0].origin, str(error))]) from error
    notes = _mixed(leg, rows, np.asarray(chainage)[order], measured[order])
    note = Note(
        "measured_chainage",
        f'leg "{leg.name}": places such as "{leg.name}@40" are read as chainage measured on the '
        "ground (calibration.csv); every printed chainage is along the fitted route",
        rows[0].origin,
    )
    return replace(fit, route=route), [note, *notes]


def _mixed(
    leg: Leg,
    rows: Sequence[Calibration],
    chainage_m: Floats,
    measured_m: Floats,
) -> list[Note]:
    """Return that the measured length is the route's in the other unit, feet for metres."""
    if len(rows) < 2:
        return []
    times = float(np.ptp(measured_m) / np.ptp(chainage_m))
    if abs(abs(np.log(times)) / np.log(1.0 / unit_m("ft")) - 1.0) > MIXED:
        return []
    what = f'leg "{leg.name}" measures {times:.2f} times its route: feet and metres look mixed'
    remedy = 'write the unit behind each figure of calibration.csv, such as "49.2 ft"'
    return [Note("feet_for_metres", what, rows[0].origin, remedy)]


def _refuse_aside(site: Site, leg: Leg, rows: Sequence[Calibration], distance_m: Floats) -> None:
    """Refuse measured chainage of points that do not stand on the leg: it would bend the scale."""
    leads = {each.point: each.lead_m for each in site.fittings}
    complaints = []
    for row, away_m in zip(rows, distance_m.tolist(), strict=True):
        if away_m > site.levels.gate_m + leads.get(row.point, 0.0):
            away = format_length(away_m, unit=site.length_unit)
            what = f'point {row.point} is {away} from leg "{leg.name}"'
            remedy = "measure at points of the pipe, or name the leg it stands on in column leg"
            complaints.append(Complaint(row.origin, what, remedy))
    if complaints:
        raise InputError(complaints)


def _falls(one: Calibration, two: Calibration, unit: str) -> Complaint:
    before, here = (format_length(row.measured_m, unit=unit) for row in (one, two))
    return Complaint(
        two.origin,
        f"point {two.point} is measured at {here}, but point {one.point} before it at {before}",
        "measured chainage must rise along the leg: correct one of the two",
    )
