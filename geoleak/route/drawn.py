"""Routes taken from a drawing, as drawn or corrected by a stretch that was traced.

A drawing states no error of its own: one sigma is given for all of it. Half of its variance is
taken as a shift of the whole line, which changes no length; the other half as each vertex's own
(our own split: common practice, no source), which lengthens or shortens the line where it turns.
"""

from __future__ import annotations

import numpy as np

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.record import Floats, Record, replace
from geoleak.route.marks import Bend, MarkArray
from geoleak.route.result import RouteFit, Smooth, Spread, StraightRun, interpolated, together
from geoleak.site import Note
from geoleak.units import format_length

OWN_SHARE = 0.5
"""Share of a drawing's variance that each vertex has for itself."""
MOST_BINS = 16
"""Stretches in which the error of a drawn length is kept."""
BEND_DEG = 5.0
"""Flatter corners of a drawing are not called bends."""
TOUCH_M = 1e-6


class Drawing(Record):
    """What is said of a drawn line beside its vertices.

    ``depth_m`` is to the centre; ``depth_sigma_m`` of that. ``length_unit`` is of texts only.
    """

    sigma_m: float
    depth_m: float
    depth_sigma_m: float
    outside_diameter_m: float | None = None
    length_unit: str = "m"
    leg: str = ""


class Turns(Record, eq=False):
    """Error of a line's length from its vertices: where each part of it sets in, its variance.

    ``low_m``, ``high_m`` (b,) bound the stretch over which part b sets in: a hair about one
    corner, or a whole stretch of a line with many.
    """

    low_m: Floats
    high_m: Floats
    variance: Floats

    def rows(self, chainage_m: Floats) -> Floats:
        """Return the share (n, b) of each part that lies before chainages."""
        return np.clip((chainage_m[:, None] - self.low_m) / (self.high_m - self.low_m), 0.0, 1.0)

    @property
    def nodes_m(self) -> Floats:
        """Chainages between which the rows are straight."""
        return np.unique(np.concatenate([self.low_m, self.high_m]))


def turns_of(vertices: Floats, sigma_m: float) -> Turns:
    """Return how far a drawn line's length may be off, corner by corner."""
    step = np.diff(vertices, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    step, length = step[length > 0], length[length > 0]
    unit = step / length[:, None]
    variance = OWN_SHARE * sigma_m**2 * np.sum((unit[1:] - unit[:-1]) ** 2, axis=1)
    at = np.cumsum(length)[:-1]
    if len(at) <= MOST_BINS:
        hair = 0.25 * np.minimum(np.minimum(length[:-1], length[1:]), 4.0 * TOUCH_M)
        return Turns(at - hair, at + hair, variance)
    edges = np.linspace(0.0, float(length.sum()), MOST_BINS + 1)
    which = np.clip(np.searchsorted(edges, at, side="right") - 1, 0, MOST_BINS - 1)
    binned = np.bincount(which, weights=variance, minlength=MOST_BINS).astype(np.float64)
    return Turns(edges[:-1], edges[1:], binned)


def bends_of(vertices: Floats, *, from_m: float = 0.0) -> tuple[Bend, ...]:
    """Return the corners of a drawn line that turn by `BEND_DEG` or more."""
    step = np.diff(vertices[:, :2], axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    step, length = step[length > 0], length[length > 0]
    cross = step[:-1, 1] * step[1:, 0] - step[:-1, 0] * step[1:, 1]
    turn = np.degrees(np.arctan2(cross, np.sum(step[:-1] * step[1:], axis=1)))
    at = from_m + np.cumsum(length)[:-1]
    return tuple(
        Bend(float(at[k]), float(turn[k]), 0.0, float(at[k]), float(at[k]))
        for k in np.flatnonzero(np.abs(turn) >= BEND_DEG)
    )


def level_smooth(chainage_m: Floats, value: float, sigma: float) -> Smooth:
    """Return one value all along, its error shared by every place."""
    count = len(chainage_m)
    return Smooth(chainage_m, np.full(count, value), np.full((count, count), sigma**2))


def drawn_fit(vertices: Floats, drawing: Drawing, *, route: Route | None = None) -> RouteFit:
    """Return a drawn line as a route without marks.

    Parameters
    ----------
    vertices : ndarray, shape (n, 2)
        Working CRS, metres on the ground.
    drawing : Drawing
    route : Route, optional
        Of these vertices, where it is made already.

    Raises
    ------
    GeometryError
        With fewer than two distinct vertices.
    """
    route = route or Route.from_vertices(vertices)
    turns = turns_of(vertices, drawing.sigma_m)
    nodes = np.unique(np.clip([0.0, *turns.nodes_m, route.length_m], 0.0, route.length_m))
    square = drawing.sigma_m**2
    own = np.broadcast_to(square * np.eye(2), (len(nodes), 2, 2)).copy()
    spread = Spread(
        nodes, own, np.zeros((len(nodes), 2)), turns.rows(nodes), np.diag(turns.variance)
    )
    ends, none = np.array([0.0, route.length_m]), np.zeros(0)
    marks = MarkArray(
        none, none, none, none, none, none, ids=(), marks_by="records", rover_bias_m=0.0
    )
    return RouteFit(
        route=route,
        marks=marks,
        order=np.zeros(0, dtype=np.int64),
        bends=bends_of(vertices),
        runs=(StraightRun(0.0, route.length_m, "", ""),),
        mark_chainage_m=none,
        mark_residual_m=none,
        mark_weight=none,
        strays=np.zeros(0, dtype=np.int64),
        sigma_scale=1.0,
        length_sigma_m=float(np.sqrt(turns.variance.sum() + 2.0 * OWN_SHARE * square)),
        warnings=(),
        spread=spread,
        depth=level_smooth(ends, drawing.depth_m, drawing.depth_sigma_m),
        depth_shared=level_smooth(ends, 0.0, 0.0),
        outside_diameter_m=drawing.outside_diameter_m,
    )


BLEND_OF_JUMP = 20.0
"""A drawn line is drawn over to the traced one along this many times the distance aside."""
REACH_SIGMAS = 4.0
LEAST_REACH_M = 5.0


class Spliced(Record, eq=False):
    """A drawn line with a traced stretch in place of its own.

    ``fit`` is the whole leg, in the direction of the traced stretch; ``drawn`` the line as drawn,
    turned the same way. ``from_m``, ``to_m`` bound the stretch on the leg; ``drawn_from_m``,
    ``drawn_to_m`` what it replaces on the drawn line.
    """

    fit: RouteFit
    drawn: Route
    turned: bool
    from_m: float
    to_m: float
    drawn_from_m: float
    drawn_to_m: float

    def chainage_m(self, drawn_m: float) -> float:
        """Return the leg's chainage of a place on the drawn line as it was given."""
        at = self.drawn.length_m - drawn_m if self.turned else drawn_m
        length = self.fit.route.length_m
        if at < self.drawn_from_m:
            return at * self.from_m / self.drawn_from_m
        if at > self.drawn_to_m:
            rest = self.drawn.length_m - self.drawn_to_m
            return self.to_m + (at - self.drawn_to_m) * (length - self.to_m) / rest
        place = np.asarray(self.drawn.position(at))
        if self.to_m - self.from_m <= TOUCH_M:
            return self.from_m
        part = self.fit.route.slice(self.from_m, self.to_m)
        return self.from_m + float(part.snap(place, rival_within_m=None).chainage_m)


def spliced(vertices: Floats, fit: RouteFit, drawing: Drawing) -> Spliced:
    """Put a traced stretch in place of the drawn line between its first and last mark.

    Beyond them the drawn line goes on. What it is shifted by at the seam dies out along
    `BLEND_OF_JUMP` times that distance, so that no step lengthens the pipe; its far ends stay.

    Raises
    ------
    GeometryError
        If the traced stretch does not run along the drawn line.
    """
    drawn, turned, (low, high), jumps = _against(vertices, fit, drawing)
    before = _tail(drawn, low, jumps[0], start=True)
    after = _tail(drawn, high, jumps[1], start=False)
    middle = np.asarray(fit.route.vertices_m)
    if len(before) + len(after):
        # A drawing has no heights: half a profile would pass for a whole one.
        middle = middle[:, :2]
    route = Route.from_vertices(np.concatenate([p for p in (before, middle, after) if len(p)]))
    first, last = len(before), len(before) + len(middle) - 1
    seam, end = (float(route.vertex_chainage_m[k]) for k in (first, last))
    line = np.asarray(route.vertices_m)[:, :2]
    tails = []
    for part, at, far, jump in ((line[: first + 1], seam, 0.0, jumps[0]),
                                (line[last:], end, route.length_m, jumps[1])):  # fmt: skip
        if len(part) > 1:
            turns = turns_of(part, drawing.sigma_m)
            tails.append(_Tail(part, at, far, _blend(abs(far - at), jump), turns))
    return Spliced(_whole(fit, drawing, route, tails, seam), drawn, turned, seam, end, low, high)


def _against(
    vertices: Floats, fit: RouteFit, drawing: Drawing
) -> tuple[Route, bool, tuple[float, float], tuple[Floats, Floats]]:
    """Return the drawn line in the traced direction, where the stretch sits, and the two jumps."""
    drawn = Route.from_vertices(vertices)
    traced = fit.route
    ends = np.asarray(traced.position(np.array([0.0, traced.length_m])))[:, :2]
    name = f'leg "{drawing.leg}"' if drawing.leg else "the leg"
    if drawn.is_closed:
        raise GeometryError(f"{name}: a drawn ring cannot be corrected; draw it as two lines")
    snap = drawn.snap(ends, rival_within_m=None)
    turned = bool(snap.chainage_m[0] > snap.chainage_m[1])
    if turned:
        drawn = drawn.reversed()
        snap = drawn.snap(ends, rival_within_m=None)
    reach = max(LEAST_REACH_M, REACH_SIGMAS * drawing.sigma_m)
    # Marks may run on past the end of a drawing: along the line that is no distance from it.
    aside = np.where(snap.end == 0, snap.distance_m, np.abs(snap.offset_m))
    low, high = (float(v) for v in snap.chainage_m)
    unit = drawing.length_unit
    if aside.max() > reach:
        away = format_length(float(aside.max()), unit=unit)
        raise GeometryError(
            f"{name} lies {away} aside of the line that it names; name the line along which its "
            "marks run"
        )
    run = traced.length_m - float(np.abs(snap.beyond_m).sum())
    if abs((high - low) - run) > 0.5 * max(run, 0.0) + reach:
        along, between = (format_length(v, unit=unit) for v in (run, high - low))
        raise GeometryError(
            f"{name}: its marks run {along}, the drawn line between them {between}; name the line "
            "along which they run, all of it"
        )
    feet = np.asarray(drawn.position(np.array([low, high])))
    return drawn, turned, (low, high), (ends[0] - feet[0], ends[1] - feet[1])


def _tail(drawn: Route, at_m: float, jump: Floats, *, start: bool) -> Floats:
    """Return the vertices of the drawn line beyond the traced stretch, (0, 2) where none is."""
    rest = at_m if start else drawn.length_m - at_m
    size = float(np.hypot(*jump))
    if rest <= max(size, 0.1):
        return np.zeros((0, 2))
    blend = _blend(rest, jump)
    part = drawn.slice(0.0, at_m) if start else drawn.slice(at_m, drawn.length_m).reversed()
    # Both tails read from their far end to the seam here.
    inner = rest - blend
    chainage = np.unique(np.append(part.vertex_chainage_m[:-1], inner))
    share = np.clip((chainage - inner) / blend, 0.0, 1.0)
    line = np.asarray(part.position(chainage))[:, :2] + share[:, None] * jump
    return line if start else line[::-1]


def _blend(rest_m: float, jump: Floats) -> float:
    """Return how far from the seam the drawing holds whole again, `rest_m` being all there is."""
    return float(min(rest_m, max(BLEND_OF_JUMP * np.hypot(*jump), 1.0)))


class _Tail(Record, eq=False):
    """A drawn tail: vertices with the seam's, chainages of seam and far end on the whole leg."""

    line: Floats
    seam_m: float
    far_m: float
    blend_m: float
    turns: Turns

    @property
    def begin_m(self) -> float:
        return min(self.seam_m, self.far_m)

    @property
    def leads(self) -> bool:
        return self.far_m < self.seam_m

    @property
    def whole_m(self) -> float:
        """Chainage from which on the drawing's own sigma holds whole."""
        return self.seam_m + (-self.blend_m if self.leads else self.blend_m)

    def bends(self) -> tuple[Bend, ...]:
        if self.leads:
            return bends_of(self.line[:-1])
        ahead = float(np.hypot(*(self.line[1] - self.line[0])))
        return bends_of(self.line[1:], from_m=self.seam_m + ahead)

    def spread(self, seam: Floats, sigma_m: float) -> tuple[Floats, Floats]:
        """Return chainages (n,) between which the spread is even, and the covariance (n, 2, 2).

        The traced line's at the seam, which is left out, then wider.
        """
        held = np.unique([*(self.turns.nodes_m + self.begin_m), self.whole_m, self.far_m])
        beyond = (held - self.seam_m) / (self.far_m - self.seam_m)
        nodes = held[(beyond > 0.0) & (beyond <= 1.0)]
        share = np.clip(np.abs(nodes - self.seam_m) / self.blend_m, 0.0, 1.0)[:, None, None]
        return nodes, np.asarray((1.0 - share) * seam + share * sigma_m**2 * np.eye(2))


def _whole(
    traced: RouteFit, drawing: Drawing, route: Route, tails: list[_Tail], seam_m: float
) -> RouteFit:
    """Return the traced stretch and the drawn tails as one route."""
    bends = [
        replace(b, chainage_m=b.chainage_m + seam_m, from_m=b.from_m + seam_m, to_m=b.to_m + seam_m)
        for b in traced.bends
    ]
    bends += [bend for tail in tails for bend in tail.bends()]
    runs = [replace(r, from_m=r.from_m + seam_m, to_m=r.to_m + seam_m) for r in traced.runs]
    runs += [StraightRun(t.begin_m, max(t.seam_m, t.far_m), "", "") for t in tails]
    sigma = drawing.sigma_m
    extra = sum(float(t.turns.variance.sum()) + OWN_SHARE * sigma**2 for t in tails)
    depth = replace(traced.depth, knots_m=traced.depth.knots_m + seam_m)
    profile = [depth]
    for tail in tails:
        ends = np.unique([tail.far_m, tail.whole_m])
        level = level_smooth(ends, drawing.depth_m, drawing.depth_sigma_m)
        profile.insert(0 if tail.leads else len(profile), level)
    values, covariance = together([(each.values[None], each.covariance) for each in profile])
    depth = Smooth(np.concatenate([each.knots_m for each in profile]), values[0], covariance)
    shared = traced.depth_shared
    level_m = np.interp(depth.knots_m - seam_m, shared.knots_m, shared.values, left=0.0, right=0.0)
    return replace(
        traced,
        route=route,
        bends=tuple(sorted(bends, key=lambda bend: bend.chainage_m)),
        runs=tuple(sorted(runs, key=lambda run: run.from_m)),
        mark_chainage_m=traced.mark_chainage_m + seam_m,
        length_sigma_m=float(np.hypot(traced.length_sigma_m, np.sqrt(extra))),
        warnings=(*traced.warnings, *_notes(drawing, tails, seam_m, traced.route.length_m)),
        spread=_spread(traced.spread, sigma, tails, seam_m),
        depth=depth,
        depth_shared=replace(depth, values=level_m, covariance=np.zeros_like(covariance)),
    )


def _spread(inner: Spread, sigma_m: float, tails: list[_Tail], seam_m: float) -> Spread:
    """Return the spread of the whole."""
    pieces = [(inner.nodes_m + seam_m, inner.own)]
    for tail in tails:
        beyond = tail.spread(inner.own[0 if tail.leads else -1], sigma_m)
        pieces.insert(0 if tail.leads else len(pieces), beyond)
    at, own = (np.concatenate(each) for each in zip(*pieces, strict=True))
    here = at - seam_m
    shift = interpolated(here, inner.nodes_m, inner.locator, left=0.0, right=0.0)
    rows = interpolated(here, inner.nodes_m, inner.along_rows)
    turns = [(each.turns.rows(at - each.begin_m), np.diag(each.turns.variance)) for each in tails]
    columns, moments = together([(rows, inner.parameters), *turns])
    return Spread(at, own, shift, columns, moments)


def _notes(drawing: Drawing, tails: list[_Tail], seam_m: float, traced_m: float) -> list[Note]:
    if not tails:
        return []
    low, high, wide = (
        format_length(each, unit=drawing.length_unit)
        for each in (seam_m, seam_m + traced_m, 2.0 * drawing.sigma_m)
    )
    leg = f"{drawing.leg}: " if drawing.leg else ""
    text = (
        f"{leg}traced from {low} to {high}; beyond its marks it follows the drawing, which may "
        f"lie {wide} or more aside"
    )
    return [Note("route_drawn", text)]
