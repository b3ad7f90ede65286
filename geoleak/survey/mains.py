"""Drawn mains in the working frame: where they lie, where they join, which legs correct them."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING

import numpy as np

from geoleak.crs import Frame, Projection, brought
from geoleak.errors import Complaint, CrsError, GeometryError, InputError
from geoleak.linref import Route, RouteSet
from geoleak.network import Joint, joints_of_routes
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
        if joint.leg_a not in leg_of or joint.leg_b not in leg_of:
            continue
        sides = []
        for line, drawn_m in (
            (joint.leg_a, joint.chainage_a_m),
            (joint.leg_b, joint.chainage_b_m),
        ):
            each = leg_of[line]
            at = each.chainage_m(line, drawn_m, mains.routes[line].length_m)
            length = legs[each.number].route.length_m
            sides.append((each.number, min(max(at, 0.0), length)))
        (a, at_a), (b, at_b) = sides
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
