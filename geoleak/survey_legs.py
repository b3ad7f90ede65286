"""The legs of a site fitted and joined."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from geoleak.errors import Complaint, GeoleakError, InputError, SiteDataError
from geoleak.network import Joint, Network
from geoleak.route import FixedPoint, MarkArray, RouteFit, RouteOptions, fit_route
from geoleak.site import Leg, Note, Site
from geoleak.survey import SurveyedLeg, SurveyedPoint
from geoleak.units import format_length

# Where nothing states a depth: what the inference assumes, and how little that is worth
# (services mostly lie 0.5 to 1.5 m deep; common practice, no source).
ASSUMED_DEPTH_M = 0.9
ASSUMED_DEPTH_SIGMA_M = 0.3
# A leg said to join another must come this near to it; farther is a wrong name, not a tee.
JOIN_WITHIN_M = 5.0


def fit_legs(
    site: Site, points: Mapping[str, SurveyedPoint]
) -> tuple[tuple[SurveyedLeg, ...], list[Note]]:
    """Return every leg with its fitted route, and what the fits have to say.

    Raises
    ------
    SiteDataError
        Where the marks of a leg allow no route, with the place of the leg in site.toml.
    """
    legs: list[SurveyedLeg] = []
    notes: list[Note] = []
    for number, leg in enumerate(site.legs):
        marks, assumed = _marks(site, leg, points)
        options = RouteOptions(
            order="found" if leg.order == "found" else "given",
            fit=leg.fit,
            depth_to=leg.depth_to,
            outside_diameter_m=leg.outside_diameter_m,
            length_unit=site.length_unit,
            leg=leg.name,
        )
        try:
            fit = fit_route(marks, options=options)
        except GeoleakError as error:
            raise SiteDataError(f"{leg.origin}: {error}") from error
        fit, measured = _calibrated(site, leg, fit, points)
        notes += [Note(each.code, each.text, leg.origin) for each in fit.warnings]
        notes += measured
        if assumed:
            notes.append(_depth_note(site, leg))
        boundary = _boundary(leg, fit, points)
        legs.append(SurveyedLeg(number=number, leg=leg, fit=fit, boundary_m=boundary))
    if not legs:
        raise SiteDataError("site.toml names no leg; a site needs one [[leg]] with its marks")
    return tuple(legs), notes


def _depth_note(site: Site, leg: Leg) -> Note:
    assumed = format_length(ASSUMED_DEPTH_M, unit=site.length_unit)
    spread = format_length(ASSUMED_DEPTH_SIGMA_M, unit=site.length_unit)
    return Note(
        "depth_unknown",
        f'no depth is stated for leg "{leg.name}": the inference takes {assumed}, give or take '
        f"{spread}, and no depth is printed; state depth in [[leg]] or with the marks",
        leg.origin,
    )


def depth_is_known(site: Site, leg: Leg) -> bool:
    """Tell whether anything states how deep a leg lies."""
    return leg.depth_m is not None or any(
        site.points[name].depth_m is not None for name in leg.mark_ids
    )


def _marks(site: Site, leg: Leg, points: Mapping[str, SurveyedPoint]) -> tuple[MarkArray, bool]:
    """Return the marks of a leg as arrays, and whether its depth had to be assumed."""
    shot = [points[name] for name in leg.mark_ids]
    known = depth_is_known(site, leg)
    fallback = leg.depth_m
    if fallback is None:
        stated = [p.point.depth_m for p in shot if p.point.depth_m is not None]
        fallback = float(np.median(stated)) if stated else ASSUMED_DEPTH_M
    depth = np.array([fallback if p.point.depth_m is None else p.point.depth_m for p in shot])
    rover = np.array([p.sigma_m for p in shot])
    locator = np.array([max(site.crew.locator_sigma(d), 0.01) for d in depth])
    spread = None if known else np.full(len(shot), ASSUMED_DEPTH_SIGMA_M)
    marks = MarkArray(
        easting_m=np.array([p.easting_m for p in shot]),
        northing_m=np.array([p.northing_m for p in shot]),
        height_m=np.array([p.height_m for p in shot]),
        depth_m=depth,
        sigma_across_m=np.hypot(locator, rover),
        sigma_along_m=np.hypot(0.03, rover),
        ids=leg.mark_ids,
        locator_bias_m=np.array([site.crew.locator_bias(d) for d in depth]),
        rover_bias_m=site.point_file.rover_bias_m,
        depth_sigma_m=spread,
        depth_shared_m=spread,
        marks_by=leg.marks_by,
        start=_fixed(leg.start, points),
        end=_fixed(leg.end, points),
    )
    return marks, not known


def _fixed(name: str | None, points: Mapping[str, SurveyedPoint]) -> FixedPoint | None:
    if name is None:
        return None
    each = points[name]
    depth = each.point.depth_m
    return FixedPoint(
        id=name,
        easting_m=each.easting_m,
        northing_m=each.northing_m,
        # A fitting is shot at its lid or riser: the pipe below stands within a hand of it.
        sigma_m=math.hypot(each.sigma_m, 0.05),
        height_m=each.height_m,
        depth_m=math.nan if depth is None else depth,
    )


def _calibrated(
    site: Site, leg: Leg, fit: RouteFit, points: Mapping[str, SurveyedPoint]
) -> tuple[RouteFit, list[Note]]:
    """Give the route the chainages that a wheel or tape measured, where there are any."""
    own = set(leg.mark_ids) | {leg.start, leg.end}
    rows = [
        row
        for row in site.calibrations
        if row.leg == leg.name or (row.leg is None and (row.point in own or len(site.legs) == 1))
    ]
    if not rows:
        return fit, []
    places = np.array([[points[r.point].easting_m, points[r.point].northing_m] for r in rows])
    chainage = fit.route.snap(places).chainage_m
    order = np.argsort(chainage)
    measured = np.array([row.measured_m for row in rows])
    try:
        route = fit.route.calibrated(np.asarray(chainage)[order], measured[order])
    except GeoleakError as error:
        raise InputError([Complaint(rows[0].origin, str(error))]) from error
    note = Note(
        "measured_chainage",
        f'leg "{leg.name}": places such as "{leg.name}@40" are read as chainage measured on the '
        "ground (calibration.csv); every printed chainage is along the fitted route",
        rows[0].origin,
    )
    return replace(fit, route=route), [note]


def _boundary(leg: Leg, fit: RouteFit, points: Mapping[str, SurveyedPoint]) -> float | None:
    if leg.boundary is None:
        return None
    at = points[leg.boundary]
    return float(fit.route.snap(np.array([at.easting_m, at.northing_m])).chainage_m)


def join_legs(
    site: Site, legs: tuple[SurveyedLeg, ...], points: Mapping[str, SurveyedPoint]
) -> tuple[Network, list[Note]]:
    """Return the network: each leg with ``from`` joined at its named point or nearest place."""
    joints: list[Joint] = []
    complaints: list[Complaint] = []
    for each in legs:
        if each.leg.joins is None:
            continue
        other = next(leg for leg in legs if leg.name == each.leg.joins)
        here, there, apart = _join(each, other, points)
        if apart > JOIN_WITHIN_M:
            away = format_length(apart, unit=site.length_unit)
            complaints.append(
                Complaint(
                    each.leg.origin,
                    f'leg "{each.name}" runs from "{other.name}" but comes no nearer than {away}',
                    "correct from, or give the leg a start at the tee",
                )
            )
            continue
        joints.append(Joint(each.number, here, other.number, there))
    if complaints:
        raise InputError(complaints)
    network = Network([leg.route for leg in legs], joints)
    return network, _apart_notes(site, legs, network)


def _join(
    leg: SurveyedLeg, other: SurveyedLeg, points: Mapping[str, SurveyedPoint]
) -> tuple[float, float, float]:
    """Return chainage here, chainage there and how far apart they stand."""
    if leg.leg.joins_at is not None:
        at = points[leg.leg.joins_at]
        place = np.array([at.easting_m, at.northing_m])
        here, there = leg.route.snap(place), other.route.snap(place)
        return (
            float(here.chainage_m),
            float(there.chainage_m),
            float(max(here.distance_m, there.distance_m)),
        )
    # A leg joins where it starts, unless its other end is the one that lies on the other leg.
    ends = (0.0, leg.route.length_m)
    snaps = [other.route.snap(np.asarray(leg.route.position(end))[:2]) for end in ends]
    nearest = int(np.argmin([snap.distance_m for snap in snaps]))
    snap = snaps[nearest]
    return ends[nearest], float(snap.chainage_m), float(snap.distance_m)


def _apart_notes(site: Site, legs: tuple[SurveyedLeg, ...], network: Network) -> list[Note]:
    groups = network.components()
    if len(groups) < 2:
        return []
    said = "; ".join(", ".join(legs[k].name for k in group) for group in groups)
    text = f"the legs do not all join: {said}; say from = ... where one runs from another"
    return [Note("legs_apart", text, legs[0].leg.origin)]
