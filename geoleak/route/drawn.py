"""Routes taken from a drawing.

A drawing states no error of its own: one sigma is given for all of it. Half of its variance is
taken as a shift of the whole line, which changes no length; the other half as each vertex's own
(our own split: common practice, no source), which lengthens or shortens the line where it turns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoleak.linref import Route
from geoleak.route.profile import Smooth
from geoleak.route.records import Bend, MarkArray
from geoleak.route.result import RouteFit, StraightRun
from geoleak.route.spread import Spread

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
