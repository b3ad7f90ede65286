"""The legs joined, and drawn mains in the working frame.

Legs join where one runs from another, at shared points, and as drawn; drawn lines lie somewhere,
meet one another, and traced legs correct them.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from geoleak.crs import Frame, Projection, brought
from geoleak.errors import Complaint, CrsError, GeometryError, InputError, SiteDataError, listed
from geoleak.linref import Route, RouteSet
from geoleak.network import Joint, Network, joints_of_routes
from geoleak.record import Floats, Record, replace
from geoleak.site import DrawnLine, DrawnNetwork, Leg, Note, Site
from geoleak.survey.records import SurveyedLeg, SurveyedPoint
from geoleak.units import format_length

if TYPE_CHECKING:
    from geoleak.route import Spliced


FAR_M = 5000.0
"""A drawing that comes no nearer to the site's points than this is said to be elsewhere."""
LIKELY_SIGMAS = 2.0
"""Marks that all lie this near to one drawn line are probably of the same pipe."""
Placed = tuple[int, Floats, bool]
"""Number of a line, its vertices as they run, and whether it is turned."""


def _refused(network: DrawnNetwork, what: str, remedy: str) -> InputError:
    return InputError([Complaint(network.origin, what, remedy)])


def drawn_in_site_crs(site: Site) -> tuple[Floats, Floats] | None:
    """Return easting and northing of a drawing in the site's CRS, to centre a frame on.

    Good to metres, which is all that a centre needs. None where there is no drawing.
    """
    network = site.network
    if network is None:
        return None
    east, north = np.concatenate([line.vertices for line in network.lines]).T
    if site.is_local:
        return east, north
    try:
        e, n, _ = brought(network.crs, Projection.of(site.crs), east, north)
    except CrsError as error:
        raise _refused(network, error.what, error.remedy) from error
    sound = np.isfinite(e) & np.isfinite(n)
    if not sound.any():
        what = f"no line of it lies where {network.crs} leads to {site.crs}"
        raise _refused(network, what, "check the file's CRS and the site's")
    return e[sound], n[sound]


class Chain(Record, eq=False):
    """Drawn lines end to end.

    ``starts`` says, by the number of each line, where it begins and whether it is turned.
    """

    vertices: Floats
    starts: Mapping[int, tuple[float, bool]]


class DrawnMains:
    """The lines of a site's network file in the working frame.

    Attributes
    ----------
    vertices : list of ndarray, shape (n, 2)
    routes : list of Route
        Both in the order of the file.
    sigma_m : float
        As stated, with what the way from the file's CRS adds.
    notes : list of Note

    Raises
    ------
    InputError
        If the file's CRS does not lead to the site's.
    """

    def __init__(self, site: Site, frame: Frame, network: DrawnNetwork) -> None:
        self.site = site
        self.network = network
        self.notes: list[Note] = []
        self.sigma_m = network.stated.sigma_m
        self.join_within_m = network.stated.join_within_m
        self.vertices = self._projected(frame)
        self.routes = [Route.from_vertices(line) for line in self.vertices]
        self._index = {line.feature: k for k, line in enumerate(network.lines)}

    def _projected(self, frame: Frame) -> list[Floats]:
        network = self.network
        to_working: Callable[..., tuple[Floats, Floats]] = frame.to_working
        if not frame.is_local:
            try:
                to_working, accuracy_m, notes = frame.way_from(
                    network.crs, coordinate_epoch=self.site.coordinate_epoch
                )
            except CrsError as error:
                raise _refused(network, error.what, error.remedy) from error
            self.sigma_m = math.hypot(self.sigma_m, accuracy_m)
            self.notes += [replace(each, origin=network.origin) for each in notes]
        e, n = to_working(*np.concatenate([line.vertices for line in network.lines]).T)
        bounds = np.cumsum([len(line.vertices) for line in network.lines])[:-1]
        lines = np.split(np.column_stack([e, n]), bounds)
        lost = [
            Complaint(
                network.origin,
                f"feature {stated.feature} lies where {network.crs} does not lead to "
                f"{self.site.crs}",
                "check the file's CRS and the site's",
            )
            for stated, line in zip(network.lines, lines, strict=True)
            if not np.isfinite(line).all()
        ]
        if lost:
            raise InputError(lost)
        return lines

    def is_drawn(self, leg: Leg) -> bool:
        """Tell whether a leg is a line of the drawing and nothing else."""
        return leg.origin == self.network.origin

    def number(self, line: DrawnLine) -> int:
        """Return which line of the file this is."""
        return self._index[line.feature]

    def route_of(self, chain: Chain) -> Route | None:
        """Return the route of a chain that is one line as drawn."""
        number, (_, turned) = next(iter(chain.starts.items()))
        return None if turned or len(chain.starts) > 1 else self.routes[number]

    def chain(self, lines: Sequence[DrawnLine], *, leg: str) -> Chain:
        """Return lines put end to end, in whatever order and direction they are drawn.

        Raises
        ------
        GeometryError
            If they do not make one line.
        """
        first, *left = map(self.number, lines)
        order = [(first, self.vertices[first], False)]
        while left:
            grown = self._next(order, left)
            if grown is None:
                name = self.network.lines[left[0]].name
                raise GeometryError(
                    f'leg "{leg}": line "{name}" does not meet the end of the other lines that it '
                    "names; name lines that follow one another"
                )
            at, each = grown
            order.insert(at, each)
            left.remove(each[0])
        starts: dict[int, tuple[float, bool]] = {}
        at_m, before = 0.0, order[0][1][0]
        for number, line, turned in order:
            at_m += float(np.hypot(*(line[0] - before)))
            starts[number] = (at_m, turned)
            at_m, before = at_m + self.routes[number].length_m, line[-1]
        return Chain(np.concatenate([line for _, line, _ in order]), starts)

    def _next(self, order: Sequence[Placed], left: Sequence[int]) -> tuple[int, Placed] | None:
        """Return a line that goes on at either end of those in order, and where it goes."""
        near = max(self.join_within_m, 1e-6)
        head, tail = order[0][1][0], order[-1][1][-1]
        for number in left:
            for turned in (False, True):
                line = self.vertices[number][:: -1 if turned else 1]
                if np.hypot(*(line[0] - tail)) <= near:
                    return len(order), (number, line, turned)
                if np.hypot(*(line[-1] - head)) <= near:
                    return 0, (number, line, turned)
        return None

    def far_note(self, points: Mapping[str, SurveyedPoint]) -> list[Note]:
        """Say where the drawing lies nowhere near the site's points."""
        at = np.array([(p.easting_m, p.northing_m) for p in points.values()])
        if not len(at):
            return []
        every = np.concatenate(self.vertices)
        away = float(np.hypot(*(every - np.median(at, axis=0)).T).min())
        if away < FAR_M:
            return []
        text = (
            f"its nearest line is {format_length(away, unit=self.site.length_unit)} from the "
            "site's points: check its CRS, or whether it is the drawing of this place"
        )
        return [Note("network_far", text, self.network.origin)]

    def matched(
        self, legs: Sequence[Leg], points: Mapping[str, SurveyedPoint]
    ) -> tuple[tuple[Leg, ...], list[Note]]:
        """Return the legs, those whose marks follow a drawn line within reach correcting it.

        Only where ``marks_within`` is stated; otherwise it is said that one pipe may stand twice.
        """
        drawn_only = {self.number(leg.drawn[0]): leg for leg in legs if self.is_drawn(leg)}
        if not drawn_only:
            return tuple(legs), []
        numbers = list(drawn_only)
        routes = RouteSet.of([self.routes[k] for k in numbers])
        stated = self.network.stated
        within = stated.marks_within_m
        reach = LIKELY_SIGMAS * self.sigma_m if within is None else within
        notes: list[Note] = []
        made: dict[str, Leg] = {}
        for leg in legs:
            made[leg.name] = leg
            lines = [] if leg.drawn else self._beside(leg, points, routes, numbers, reach)
            if not lines:
                continue
            names = ", ".join(f'"{self.network.lines[k].name}"' for k in lines)
            if within is None or not all(k in drawn_only for k in lines):
                text = (
                    f'the marks of leg "{leg.name}" all lie within '
                    f"{format_length(reach, unit=self.site.length_unit)} of {names} in "
                    f"{stated.file}: if that is the same pipe it stands here twice; write "
                    f"line = [{names}] in [[leg]]"
                )
                notes.append(Note("traced_and_drawn", text, leg.origin))
                continue
            made[leg.name] = leg.with_lines([drawn_only.pop(k) for k in lines])
            text = f'the marks of leg "{leg.name}" correct {names} in {stated.file}'
            notes.append(Note("leg_on_line", text, leg.origin))
        left = {leg.name for leg in drawn_only.values()}
        return tuple(
            leg for leg in made.values() if leg.name in left or not self.is_drawn(leg)
        ), notes

    def _beside(
        self,
        leg: Leg,
        points: Mapping[str, SurveyedPoint],
        routes: RouteSet,
        numbers: Sequence[int],
        reach_m: float,
    ) -> list[int]:
        """Return the lines that all marks of a leg lie along, in order; none where one does not."""
        at = np.array([(points[m].easting_m, points[m].northing_m) for m in leg.mark_ids])
        if len(at) < 2:
            return []
        snap = routes.snap(at, rival_within_m=None)
        if float(np.max(snap.distance_m)) > reach_m:
            return []
        found = list(dict.fromkeys(numbers[int(k)] for k in snap.route))
        try:
            self.chain([self.network.lines[k] for k in found], leg=leg.name)
        except GeometryError:
            return []
        return found


class OnLeg(Record, eq=False):
    """How a leg follows its drawn lines: chainage on the drawing to chainage on the leg."""

    number: int
    chain: Chain
    spliced: Spliced | None

    def chainage_m(self, line: int, drawn_m: float, length_m: float) -> float:
        """Return the leg's chainage of a place on one of its lines."""
        start, turned = self.chain.starts[line]
        at = start + (length_m - drawn_m if turned else drawn_m)
        return at if self.spliced is None else self.spliced.chainage_m(at)


def drawn_joints(
    mains: DrawnMains, on_legs: Sequence[OnLeg], legs: Sequence[SurveyedLeg]
) -> list[Joint]:
    """Return the joints that the drawing shows, on the legs as they were fitted."""
    leg_of = {line: each for each in on_legs for line in each.chain.starts}
    found: list[Joint] = []
    for joint in joints_of_routes(mains.routes, tolerance_m=mains.join_within_m):
        ends = ((joint.leg_a, joint.chainage_a_m), (joint.leg_b, joint.chainage_b_m))
        if any(line not in leg_of for line, _ in ends):
            continue
        (a, at_a), (b, at_b) = (
            (each.number, min(max(at, 0.0), legs[each.number].route.length_m))
            for line, drawn_m in ends
            for each in (leg_of[line],)
            for at in (each.chainage_m(line, drawn_m, mains.routes[line].length_m),)
        )
        if a == b and abs(at_a - at_b) <= 2.0 * mains.join_within_m + 1e-6:
            continue  # where two lines of one leg meet
        found.append(Joint(a, at_a, b, at_b))
    return found


def network_notes(mains: DrawnMains, legs: Sequence[SurveyedLeg], assumed: int) -> list[Note]:
    """Return what is to be said of all drawn legs at once."""
    unit = mains.site.length_unit
    origin = mains.network.origin
    only = [leg for leg in legs if not len(leg.fit.marks) and leg.leg.drawn]
    notes = []
    if only:
        wide = format_length(2.0 * mains.sigma_m, unit=unit)
        count = f"{len(only)} legs are" if len(only) > 1 else f'leg "{only[0].name}" is'
        text = (
            f"{count} drawn from records, not traced: route assumed; the pipe may lie {wide} "
            "or more aside"
        )
        notes.append(Note("route_assumed", text, origin))
    if assumed:
        what = f"{assumed} drawn legs" if assumed > 1 else "a drawn leg"
        text = (
            f"no depth is stated for {what}: the inference takes a usual one and no depth is "
            "printed; state depth in [network], or as an attribute of the lines"
        )
        notes.append(Note("depth_unknown", text, origin))
    return notes


# A leg said to join another must come this near to it; farther is a wrong name, not a tee.
JOIN_WITHIN_M = 5.0
# Two joints of the same legs no farther apart than this are one tee.
SAME_TEE_M = 1.0
MOST_NAMED = 6


def join_legs(
    site: Site,
    legs: tuple[SurveyedLeg, ...],
    on_drawing: Sequence[OnLeg],
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
    complaints: list[Complaint] = []
    joints = [] if mains is None else drawn_joints(mains, on_drawing, legs)
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
    ends: dict[str, int] = {}
    owners: dict[str, list[int]] = {}
    for each in legs:
        own = {name for name in (each.leg.start, each.leg.end) if name is not None}
        for name in own:
            ends.setdefault(name, each.number)
        for name in own | set(each.leg.mark_ids):
            owners.setdefault(name, []).append(each.number)
    found: list[Joint] = []
    for name, first in ends.items():
        for other in owners[name]:
            if other != first:
                here, there = (_snapped(legs[k], points[name])[0] for k in (first, other))
                joint = Joint(first, here, other, there)
                if not any(same_joint(joint, each) for each in [*known, *found]):
                    found.append(joint)
    return found


def _snapped(leg: SurveyedLeg, at: SurveyedPoint) -> tuple[float, float]:
    """Return the chainage on a leg nearest to a point, and how far off it is."""
    place = np.array([at.easting_m, at.northing_m])
    snap = leg.route.snap(place, rival_within_m=None)
    return float(snap.chainage_m), float(snap.distance_m)


def same_joint(one: Joint, other: Joint) -> bool:
    """Tell whether two joints are one tee, said twice."""
    a, b = (one.leg_a, one.chainage_a_m), (one.leg_b, one.chainage_b_m)
    there = ((other.leg_a, other.chainage_a_m), (other.leg_b, other.chainage_b_m))
    return any(
        all(
            leg == its_leg and abs(at - its_at) <= SAME_TEE_M
            for (leg, at), (its_leg, its_at) in zip(pair, there, strict=True)
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
        (here, away), (there, apart) = _snapped(leg, at), _snapped(other, at)
        return here, there, max(away, apart)
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
    """Say which legs do not join, and ask of one that stands alone whether it runs from a fitting.

    That is the nearest fitting of another leg to its start.
    """
    import shapely

    groups = network.components()
    if len(groups) < 2:
        return []
    said = "; ".join(
        listed([legs[k].name for k in group], most=MOST_NAMED) for group in groups[:MOST_NAMED]
    )
    if len(groups) > MOST_NAMED:
        said += f"; and {len(groups) - MOST_NAMED} more groups"
    text = f"the legs do not all join: {said}; say from = ... where one runs from another"
    notes = [Note("legs_apart", text, legs[0].leg.origin)]
    fittings = [each for each in points.values() if each.kind == "fitting"]
    if not fittings:
        return notes
    at = shapely.points([(each.easting_m, each.northing_m) for each in fittings])
    lines = [shapely.LineString(leg.route.vertices_m[:, :2]) for leg in legs]
    for alone in [group[0] for group in groups if len(group) == 1][:MOST_NAMED]:
        away = shapely.distance(at, shapely.Point(lines[alone].coords[0]))
        for k in (k for k in away.argsort() if away[k] <= TEE_REACH_M):
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
