"""The legs of a survey joined: where one runs from another, at shared points, as drawn."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np

from geoleak.errors import Complaint, InputError, SiteDataError, listed
from geoleak.network import Joint, Network
from geoleak.site import Note, Site
from geoleak.survey.legs import FittedLegs
from geoleak.survey.mains import DrawnMains, drawn_joints
from geoleak.survey.records import SurveyedLeg, SurveyedPoint
from geoleak.units import format_length

# A leg said to join another must come this near to it; farther is a wrong name, not a tee.
JOIN_WITHIN_M = 5.0
# Two joints of the same legs no farther apart than this are one tee.
SAME_TEE_M = 1.0
MOST_NAMED = 6


def join_legs(
    site: Site,
    fitted: FittedLegs,
    points: Mapping[str, SurveyedPoint],
    mains: DrawnMains | None = None,
) -> tuple[Network, list[Note]]:
    """Return the network: each leg with ``from`` joined at its named point or nearest place.

    Legs that name one point are joined there, where it starts or ends one of them. Drawn lines
    are joined where the drawing joins them.

    Raises
    ------
    InputError
        Where a leg comes nowhere near the leg it is said to run from.
    """
    legs = fitted.legs
    joints: list[Joint] = []
    complaints: list[Complaint] = []
    if mains is not None:
        joints += drawn_joints(mains, fitted.on_drawing, legs)
    named = {leg.name: leg for leg in legs}
    for each in legs:
        if each.leg.joins is None:
            continue
        other = named.get(each.leg.joins) or _corrected(each.leg.joins, legs)
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
    joints += _shared_points(legs, points, joints)
    network = Network([leg.route for leg in legs], joints)
    return network, _apart_notes(site, legs, network, points)


def _shared_points(
    legs: Sequence[SurveyedLeg], points: Mapping[str, SurveyedPoint], known: Sequence[Joint]
) -> list[Joint]:
    """Return joints at points that start or end one leg and belong to another as well."""
    ends: dict[str, list[int]] = {}
    owners: dict[str, list[int]] = {}
    for each in legs:
        own = {name for name in (each.leg.start, each.leg.end) if name is not None}
        for name in own:
            ends.setdefault(name, []).append(each.number)
        for name in own | set(each.leg.mark_ids):
            owners.setdefault(name, []).append(each.number)
    found: list[Joint] = []
    for name, mine in ends.items():
        first = mine[0]
        here = _chainage_of(legs[first], name, points)
        for other in owners[name]:
            if other == first:
                continue
            joint = Joint(first, here, other, _chainage_of(legs[other], name, points))
            if not any(same_joint(joint, each) for each in [*known, *found]):
                found.append(joint)
    return found


def _chainage_of(leg: SurveyedLeg, name: str, points: Mapping[str, SurveyedPoint]) -> float:
    at = points[name]
    snap = leg.route.snap(np.array([at.easting_m, at.northing_m]), rival_within_m=None)
    return float(snap.chainage_m)


def same_joint(one: Joint, other: Joint) -> bool:
    """Tell whether two joints are one tee, said twice."""
    a, b = (one.leg_a, one.chainage_a_m), (one.leg_b, one.chainage_b_m)
    there = ((other.leg_a, other.chainage_a_m), (other.leg_b, other.chainage_b_m))
    return any(
        all(
            mine[0] == its[0] and abs(mine[1] - its[1]) <= SAME_TEE_M
            for mine, its in zip(pair, there, strict=True)
        )
        for pair in ((a, b), (b, a))
    )


def _corrected(name: str, legs: Sequence[SurveyedLeg]) -> SurveyedLeg:
    """Return the leg that stands in place of a drawn line of this name."""
    for each in legs:
        if any(line.name == name for line in each.leg.drawn):
            return each
    raise SiteDataError(f'there is no leg "{name}" to run from; correct from in [[leg]]')


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


def _apart_notes(
    site: Site,
    legs: tuple[SurveyedLeg, ...],
    network: Network,
    points: Mapping[str, SurveyedPoint],
) -> list[Note]:
    groups = network.components()
    if len(groups) < 2:
        return []
    said = "; ".join(
        listed([legs[k].name for k in group], most=MOST_NAMED) for group in groups[:MOST_NAMED]
    )
    if len(groups) > MOST_NAMED:
        said += f"; and {len(groups) - MOST_NAMED} more groups"
    text = f"the legs do not all join: {said}; say from = ... where one runs from another"
    return [
        Note("legs_apart", text, legs[0].leg.origin),
        *_fitting_notes(site, legs, groups, points),
    ]


def _fitting_notes(
    site: Site,
    legs: tuple[SurveyedLeg, ...],
    groups: Sequence[Sequence[int]],
    points: Mapping[str, SurveyedPoint],
) -> list[Note]:
    """Ask of each leg that stands alone whether it runs from the nearest fitting of another."""
    import shapely

    fittings = [each for each in points.values() if each.kind == "fitting"]
    if not fittings:
        return []
    at = shapely.points([(each.easting_m, each.northing_m) for each in fittings])
    lines = [shapely.LineString(leg.route.vertices_m[:, :2]) for leg in legs]
    notes = []
    for alone in [group[0] for group in groups if len(group) == 1][:MOST_NAMED]:
        start = shapely.Point(lines[alone].coords[0])
        away = shapely.distance(at, start)
        for k in away.argsort():
            if away[k] > TEE_REACH_M:
                break
            on = [n for n, line in enumerate(lines)
                  if n != alone and line.distance(at[k]) <= FITTING_ON_LEG_M]  # fmt: skip
            if on:
                fitting, other = fittings[k].point.id, legs[on[0]].name
                apart = format_length(float(away[k]), unit=site.length_unit)
                text = (
                    f'leg "{legs[alone].name}" begins {apart} from {fitting} on leg "{other}": '
                    f'does it run from there? Then write from = "{other} {fitting}"'
                )
                notes.append(Note("leg_near_fitting", text, legs[alone].leg.origin))
                break
    return notes


TEE_REACH_M = 5.0
"""A branch whose first mark stands this near a fitting of another leg is asked about."""
FITTING_ON_LEG_M = 1.0
