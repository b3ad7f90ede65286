"""The fitted route of a leg: the line, its bends, its marks, and how well it is known."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from geoleak.record import Record
from geoleak.route.marks import Bend, MarkArray
from geoleak.route.profile import Smooth
from geoleak.route.spread import Spread
from geoleak.site import Note

if TYPE_CHECKING:
    from geoleak.linref import Route

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


class StraightRun(Record):
    """A straight (or the stretch of an arc) of the route and the marks on it."""

    from_m: float
    to_m: float
    first_mark: str
    last_mark: str
    """Ids of the first and last mark on it; empty where it holds none."""
    curved: bool = False


class RouteFit(Record, eq=False):
    """The route fitted through the marks of one leg.

    Chainage counts from the leg's start along the fitted line. Sigma is one standard deviation.

    Attributes
    ----------
    route : geoleak.linref.Route
        The line; 3-D (height of the pipe's centre) where heights of the ground are known.
    marks : MarkArray
        As given.
    order : (n,) array of int
        Indices of the marks in the order that was used.
    bends : tuple of Bend
    runs : tuple of StraightRun
        In order of chainage; arcs are runs of their own, ``curved``.
    mark_chainage_m, mark_residual_m : (n,) arrays
        Of each mark as given; the residual is positive to the right.
    mark_weight : (n,) array
        Chance that the mark belongs to this pipe, 0 to 1.
    strays : (s,) array of int
        Indices of marks that do not.
    sigma_scale : float
        What the stated sigma was multiplied by, in view of the marks' own scatter.
    length_sigma_m : float
        Of the whole length, the marks' own errors and the shared ones together.
    warnings : tuple of Note
        Codes ``stray_mark``, ``mark_order``, ``gap``, ``marks_too_close``, ``route_assumed``,
        ``repeated_marks``, ``scatter``, ``no_line``, ``another_line``.
    """

    route: Route
    marks: MarkArray
    order: Ints
    bends: tuple[Bend, ...]
    runs: tuple[StraightRun, ...]
    mark_chainage_m: Floats
    mark_residual_m: Floats
    mark_weight: Floats
    strays: Ints
    sigma_scale: float
    length_sigma_m: float
    warnings: tuple[Note, ...]
    spread: Spread
    depth: Smooth
    """Depth to the centre of the pipe."""
    depth_shared: Smooth
    """Sigma of depth that all marks share."""
    outside_diameter_m: float | None

    def sigma_across_m(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return the sideways sigma of the line at chainages, from the marks' own errors."""
        chainage, shape = self._inside(chainage_m)
        return np.sqrt(self.spread.own_at(chainage)[:, 1, 1]).reshape(shape)

    def sigma_along_m(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return the along-pipe sigma of the place at a chainage counted from the start.

        It holds the start's own error and what bends add; between two places on one straight
        it is common to both and cancels: see `path_sigma_m`.
        """
        chainage, shape = self._inside(chainage_m)
        return np.sqrt(self.spread.own_at(chainage)[:, 0, 0]).reshape(shape)

    def sigma_locator_bias_m(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return the sideways sigma of the locator's shared error alone."""
        chainage, shape = self._inside(chainage_m)
        return np.abs(self.spread.locator_at(chainage)[:, 1]).reshape(shape)

    def covariance(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return the covariance (k, 2, 2) of easting and northing at chainages, everything in it.

        A single chainage gives (2, 2).
        """
        chainage, shape = self._inside(chainage_m)
        local = self.spread.own_at(chainage)
        pushed = self.spread.locator_at(chainage)
        local = local + pushed[:, :, None] * pushed[:, None, :]
        angle = np.deg2rad(np.asarray(self.route.bearing_deg(chainage), dtype=float))
        along = np.stack([np.sin(angle), np.cos(angle)], axis=1)
        right = np.stack([along[:, 1], -along[:, 0]], axis=1)
        turn = np.stack([along, right], axis=2)
        full = turn @ local @ np.swapaxes(turn, 1, 2) + self.marks.rover_bias_m**2 * np.eye(2)
        return np.asarray(full.reshape((*shape, 2, 2)))

    def path_sigma_m(self, from_m: float, to_m: float) -> float:
        """Return the sigma of the pipe's length between two places on the fitted line.

        For places fixed on the ground; on one straight it is 0, across a bend it is not.
        """
        self._inside([from_m, to_m])
        own = self.spread.between(from_m, to_m)
        pushed = self.spread.locator_at(np.array([from_m, to_m]))[:, 0]
        return float(np.hypot(own, pushed[1] - pushed[0]))

    def depth_m(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return the depth from the ground to the centre of the pipe."""
        chainage, shape = self._inside(chainage_m)
        return self.depth.at(chainage).reshape(shape)

    def crown_depth_m(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return the depth to the crown (the top) of the pipe."""
        return self.depth_m(chainage_m) - 0.5 * (self.outside_diameter_m or 0.0)

    def depth_sigma_m(self, chainage_m: npt.ArrayLike) -> Floats:
        """Return the sigma of the depth: the marks' own part smoothed, the shared part whole."""
        chainage, shape = self._inside(chainage_m)
        own = self.depth.sigma(chainage)
        return np.hypot(own, self.depth_shared.at(chainage)).reshape(shape)

    def straight_run(self, chainage_m: float) -> StraightRun:
        """Return the straight run (or arc) that holds a chainage, with its marks."""
        chainage, _ = self._inside(chainage_m)
        for run in self.runs:
            if chainage[0] <= run.to_m:
                return run
        return self.runs[-1]

    def _inside(self, chainage_m: npt.ArrayLike) -> tuple[Floats, tuple[int, ...]]:
        """Return chainages as (k,) and their shape; outside the route is refused."""
        from geoleak.errors import GeometryError

        chainage = np.asarray(chainage_m, dtype=float)
        flat = np.atleast_1d(chainage).ravel()
        length = float(self.route.length_m)
        outside = ~((flat >= -1e-6) & (flat <= length + 1e-6))
        if outside.any():
            raise GeometryError(
                f"chainage {flat[outside][0]:.3f} m is not on the route (0 to {length:.3f} m); "
                "give a place between its ends"
            )
        return np.clip(flat, 0.0, length), chainage.shape
