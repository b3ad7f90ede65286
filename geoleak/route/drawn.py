"""Routes taken from a drawing, as drawn or corrected by a stretch that was traced.

A drawing states no error of its own: one sigma is given for all of it. Half of its variance is
taken as a shift of the whole line, which changes no length; the other half as each vertex's own
(our own split: common practice, no source), which lengthens or shortens the line where it turns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.route.marks import Bend, MarkArray
from geoleak.route.profile import Smooth
from geoleak.route.result import RouteFit, StraightRun
from geoleak.route.spread import Spread
from geoleak.site import Note
from geoleak.units import format_length

Floats = npt.NDArray[np.float64]

OWN_SHARE = 0.5
"""Share of a drawing's variance that each vertex has for itself."""
MOST_BINS = 16
"""Stretches in which the error of a drawn length is kept."""
BEND_DEG = 5.0
"""Flatter corners of a drawing are not called bends."""
TOUCH_M = 1e-6


@dataclass(frozen=True, slots=True)
class Drawing:
    """What is said of a drawn line beside its vertices.

    ``depth_m`` is to the centre; ``depth_sigma_m`` of that. ``length_unit`` is of texts only.
    """

    sigma_m: float
    depth_m: float
    depth_sigma_m: float
    outside_diameter_m: float | None = None
    length_unit: str = "m"
    leg: str = ""


@dataclass(frozen=True, slots=True, eq=False)
class Turns:
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


def _no_marks() -> MarkArray:
    none = np.zeros(0)
    return MarkArray(none, none, none, none, none, none, ids=(), marks_by="records",
                     rover_bias_m=0.0)  # fmt: skip


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
    ends = np.array([0.0, route.length_m])
    none = np.zeros(0)
    return RouteFit(
        route=route,
        marks=_no_marks(),
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


@dataclass(frozen=True, slots=True, eq=False)
class Spliced:
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
    line = np.concatenate([part for part in (before, middle, after) if len(part)])
    route = Route.from_vertices(line)
    seam = float(route.vertex_chainage_m[len(before)])
    end = float(route.vertex_chainage_m[len(before) + len(middle) - 1])
    whole = _Whole(fit, drawing, route, before, after, seam, end, jumps)
    return Spliced(whole.fit(), drawn, turned, seam, end, low, high)


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
    blend = min(rest, max(BLEND_OF_JUMP * size, 1.0))
    part = drawn.slice(0.0, at_m) if start else drawn.slice(at_m, drawn.length_m).reversed()
    # Both tails read from their far end to the seam here.
    inner = rest - blend
    chainage = np.unique(np.append(part.vertex_chainage_m[:-1], inner))
    share = np.clip((chainage - inner) / blend, 0.0, 1.0)
    line = np.asarray(part.position(chainage))[:, :2] + share[:, None] * jump
    return line if start else line[::-1]


@dataclass(frozen=True, slots=True, eq=False)
class _Whole:
    """Puts the figures of the traced stretch and of the drawn tails into one `RouteFit`."""

    traced: RouteFit
    drawing: Drawing
    route: Route
    before: Floats
    after: Floats
    seam_m: float
    end_m: float
    jumps: tuple[Floats, Floats]

    def fit(self) -> RouteFit:
        traced, route = self.traced, self.route
        marks_m = traced.mark_chainage_m + self.seam_m
        bends = [
            Bend(b.chainage_m + self.seam_m, b.deflection_deg, b.radius_m, b.from_m + self.seam_m,
                 b.to_m + self.seam_m, b.sigma_chainage_m)
            for b in traced.bends
        ]  # fmt: skip
        bends += bends_of(self.before)
        bends += bends_of(self.after, from_m=self._after_m())
        spread, extra = self._spread()
        return RouteFit(
            route=route,
            marks=traced.marks,
            order=traced.order,
            bends=tuple(sorted(bends, key=lambda each: each.chainage_m)),
            runs=self._runs(),
            mark_chainage_m=marks_m,
            mark_residual_m=traced.mark_residual_m,
            mark_weight=traced.mark_weight,
            strays=traced.strays,
            sigma_scale=traced.sigma_scale,
            length_sigma_m=float(np.hypot(traced.length_sigma_m, np.sqrt(extra))),
            warnings=(*traced.warnings, *self._notes()),
            spread=spread,
            depth=self._depth(),
            depth_shared=self._depth_shared(),
            outside_diameter_m=traced.outside_diameter_m,
        )

    def _after_m(self) -> float:
        return float(self.route.vertex_chainage_m[-len(self.after)]) if len(self.after) else 0.0

    def _blend_m(self, number: int) -> float:
        """Return how far from the seam the drawing's own sigma holds whole."""
        rest = self.seam_m if number == 0 else self.route.length_m - self.end_m
        return float(min(rest, max(BLEND_OF_JUMP * np.hypot(*self.jumps[number]), 1.0)))

    def _runs(self) -> tuple[StraightRun, ...]:
        runs = [
            StraightRun(r.from_m + self.seam_m, r.to_m + self.seam_m, r.first_mark, r.last_mark,
                        r.curved)
            for r in self.traced.runs
        ]  # fmt: skip
        if len(self.before):
            runs.insert(0, StraightRun(0.0, self.seam_m, "", ""))
        if len(self.after):
            runs.append(StraightRun(self.end_m, self.route.length_m, "", ""))
        return tuple(runs)

    def _spread(self) -> tuple[Spread, float]:
        """Return the spread of the whole, and the variance of length that the tails add."""
        inner = self.traced.spread
        square = self.drawing.sigma_m**2
        nodes, own = [inner.nodes_m + self.seam_m], [inner.own]
        turns: list[tuple[Turns, float]] = []
        if len(self.before):
            line = np.concatenate([self.before, self._vertex(self.seam_m)])
            turn = turns_of(line, self.drawing.sigma_m)
            held = np.unique([0.0, self.seam_m - self._blend_m(0), *turn.nodes_m])
            held = held[(held >= 0.0) & (held < self.seam_m)]
            nodes.insert(0, held)
            own.insert(0, self._ramp(self.seam_m - held, inner.own[0], number=0))
            turns.append((turn, 0.0))
        if len(self.after):
            line = np.concatenate([self._vertex(self.end_m), self.after])
            turn = turns_of(line, self.drawing.sigma_m)
            length = self.route.length_m
            held = np.unique([*(turn.nodes_m + self.end_m), self.end_m + self._blend_m(1), length])
            held = held[(held > self.end_m) & (held <= length)]
            nodes.append(held)
            own.append(self._ramp(held - self.end_m, inner.own[-1], number=1))
            turns.append((turn, self.end_m))
        at = np.concatenate(nodes)
        shift = np.stack(
            [self._inside(at, inner.nodes_m, inner.locator[:, k]) for k in (0, 1)], axis=1
        )
        columns = [
            np.stack([np.interp(at - self.seam_m, inner.nodes_m, c) for c in inner.along_rows.T],
                     axis=1)
        ]  # fmt: skip
        variances = [inner.parameters]
        for turn, begin in turns:
            columns.append(turn.rows(at - begin))
            variances.append(np.diag(turn.variance))
        extra = sum(float(turn.variance.sum()) + OWN_SHARE * square for turn, _ in turns)
        spread = Spread(
            at, np.concatenate(own), shift, np.concatenate(columns, axis=1), _blocks(variances)
        )
        return spread, extra

    def _ramp(self, beyond_m: Floats, seam: Floats, *, number: int) -> Floats:
        """Return the covariance (n, 2, 2) of a tail: the traced line's at the seam, then wider."""
        share = np.clip(beyond_m / self._blend_m(number), 0.0, 1.0)[:, None, None]
        far = self.drawing.sigma_m**2 * np.eye(2)
        return np.asarray((1.0 - share) * seam + share * far)

    def _vertex(self, chainage_m: float) -> Floats:
        return np.asarray(self.route.position(chainage_m))[None, :2]

    def _inside(self, at_m: Floats, nodes_m: Floats, values: Floats) -> Floats:
        """Return values of the traced stretch, nothing on the drawn tails."""
        return np.interp(at_m - self.seam_m, nodes_m, values, left=0.0, right=0.0)

    def _depth(self) -> Smooth:
        inner, drawing = self.traced.depth, self.drawing
        knots, values = [inner.knots_m + self.seam_m], [inner.values]
        blocks = [inner.covariance]
        tails = ((self.before, 0.0, self.seam_m - self._blend_m(0)),
                 (self.after, self.end_m + self._blend_m(1), self.route.length_m))  # fmt: skip
        for number, (tail, low, high) in enumerate(tails):
            if not len(tail):
                continue
            level = level_smooth(np.unique([low, high]), drawing.depth_m, drawing.depth_sigma_m)
            place = 0 if number == 0 else len(knots)
            knots.insert(place, level.knots_m)
            values.insert(place, level.values)
            blocks.insert(place, level.covariance)
        return Smooth(np.concatenate(knots), np.concatenate(values), _blocks(blocks))

    def _depth_shared(self) -> Smooth:
        inner = self.traced.depth_shared
        at = self._depth().knots_m
        values = self._inside(at, inner.knots_m, inner.values)
        return Smooth(at, values, np.zeros((len(at), len(at))))

    def _notes(self) -> list[Note]:
        if not len(self.before) and not len(self.after):
            return []
        unit = self.drawing.length_unit
        low, high = (format_length(v, unit=unit) for v in (self.seam_m, self.end_m))
        wide = format_length(2.0 * self.drawing.sigma_m, unit=unit)
        leg = f"{self.drawing.leg}: " if self.drawing.leg else ""
        text = (
            f"{leg}traced from {low} to {high}; beyond its marks it follows the drawing, which may "
            f"lie {wide} or more aside"
        )
        return [Note("route_drawn", text)]


def _blocks(parts: list[Floats]) -> Floats:
    """Return square matrices as blocks on the diagonal of one."""
    size = sum(len(part) for part in parts)
    whole = np.zeros((size, size))
    at = 0
    for part in parts:
        whole[at : at + len(part), at : at + len(part)] = part
        at += len(part)
    return whole
