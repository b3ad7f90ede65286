"""The ground about a stake: a plane through the heights of shot points near it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
REACH_M = 25.0
"""Ground farther away than this says nothing of the slope at a stake (our own figure)."""
LEAST_SPREAD_M = 1.0
"""Points must spread this far (root mean square) both ways before a slope is read off them."""
MISFIT_M = 0.25
"""Ground that is rougher than this about the plane is no plane: the slope is not used."""


@dataclass(frozen=True, slots=True)
class GroundPlane:
    """Height of the ground as a plane: ``height_m`` at the stake and its rise east and north."""

    easting_m: float
    northing_m: float
    height_m: float
    rise_east: float
    rise_north: float

    def height_at_m(self, easting_m: float, northing_m: float) -> float:
        """Return the height of the ground at a place."""
        east, north = easting_m - self.easting_m, northing_m - self.northing_m
        return self.height_m + self.rise_east * east + self.rise_north * north


def ground_plane(
    points_m: npt.ArrayLike, *, easting_m: float, northing_m: float
) -> GroundPlane | None:
    """Fit the ground about a stake by least squares; None where the points do not allow it.

    Parameters
    ----------
    points_m : array_like, shape (n, 3)
        Easting, northing and height of shot points; nan heights are passed over.
    easting_m, northing_m : float
        The stake.

    Returns
    -------
    GroundPlane or None
        None with fewer than four points in reach, points in one line (marks along the pipe alone
        do not tell the slope across it), or ground that is no plane.
    """
    points = np.asarray(points_m, dtype=float).reshape(-1, 3)
    away = points[:, :2] - (easting_m, northing_m)
    near = np.isfinite(points).all(axis=1) & (np.hypot(away[:, 0], away[:, 1]) <= REACH_M)
    away, height = away[near], points[near, 2]
    if len(height) < 4:
        return None
    centred = away - away.mean(axis=0)
    narrowest = np.linalg.svd(centred, compute_uv=False)[-1] / np.sqrt(len(centred))
    if narrowest < LEAST_SPREAD_M:
        return None
    design = np.column_stack([np.ones(len(height)), away])
    found, *_ = np.linalg.lstsq(design, height, rcond=None)
    if np.sqrt(np.mean((design @ found - height) ** 2)) > MISFIT_M:
        return None
    return GroundPlane(easting_m, northing_m, float(found[0]), float(found[1]), float(found[2]))
