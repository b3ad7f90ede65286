"""Where tapes meet: a place from level distances to known points, and how well it is known.

Everything is in the working frame, where a length is what a level tape reads.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoleak.errors import GeometryError

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class TapePoint:
    """A fixed feature to hold a tape on. ``height_m`` is nan where unknown."""

    id: str
    easting_m: float
    northing_m: float
    height_m: float = math.nan
    sigma_m: float = 0.0
    note: str = ""

    @property
    def name(self) -> str:
        """The id, with what it is where that is known."""
        return f"{self.id} ({self.note})" if self.note else self.id


def position_from_tapes(
    points: Sequence[TapePoint], distances_m: Sequence[float], *, side: str | None = None
) -> Floats:
    """Return the place (2,) that tapes from two or more points meet at.

    Parameters
    ----------
    points : sequence of TapePoint
    distances_m : sequence of float
        Level distances.
    side : {"left", "right"}, optional
        Of the line from the first point to the second. Needed with two points, and where all
        points stand in line.

    Returns
    -------
    ndarray, shape (2,)
        Easting and northing; least squares over all tapes.

    Raises
    ------
    GeometryError
        Fewer than two, tapes that do not meet, or two answers and no side to choose by.
    """
    if len(points) < 2 or len(points) != len(distances_m):
        raise GeometryError(f"{len(points)} points and {len(distances_m)} tapes fix no place")
    if side not in (None, "left", "right"):
        raise GeometryError(f'side "{side}" is neither "left" nor "right"')
    at = np.array([[each.easting_m, each.northing_m] for each in points])
    length = np.asarray(distances_m, dtype=float)
    starts = swing(at[0], at[1], float(length[0]), float(length[1]))
    if side is not None:
        return refined(at, length, starts[0 if side == "left" else 1])
    misfit = [_misfit(at, length, each) for each in starts]
    scale = float(np.max(np.ptp(at, axis=0)))
    if abs(misfit[0] - misfit[1]) <= max(1e-6, 1e-3 * scale):
        raise GeometryError(
            f"tapes from {points[0].id} and {points[1].id} meet at two places; "
            "say which side of the line between them"
        )
    return refined(at, length, starts[int(np.argmin(misfit))])


def swing(
    first: npt.ArrayLike, second: npt.ArrayLike, first_m: float, second_m: float
) -> tuple[Floats, Floats]:
    """Return the two places where two tapes meet: left of the line first to second, and right.

    Raises
    ------
    GeometryError
        If the tapes do not meet (or the points are one).
    """
    a, b = np.asarray(first, dtype=float), np.asarray(second, dtype=float)
    apart = float(np.hypot(*(b - a)))
    if not (apart > 0 and first_m > 0 and second_m > 0):
        raise GeometryError("two tapes need two points apart and two distances over 0")
    slack = 1e-9 * apart
    if first_m + second_m < apart - slack:
        raise GeometryError(
            f"tapes of {first_m:.3f} m and {second_m:.3f} m do not reach one another "
            f"over {apart:.3f} m; tape again"
        )
    if abs(first_m - second_m) > apart + slack:
        raise GeometryError(
            f"tapes of {first_m:.3f} m and {second_m:.3f} m from points {apart:.3f} m apart "
            "never meet; tape again"
        )
    along = (b - a) / apart
    left = np.array([-along[1], along[0]])
    run = (apart**2 + first_m**2 - second_m**2) / (2 * apart)
    aside = math.sqrt(max(0.0, first_m**2 - run**2))
    foot = a + run * along
    return foot + aside * left, foot - aside * left


def tape_covariance(points: npt.ArrayLike, stake: npt.ArrayLike, sigma_m: npt.ArrayLike) -> Floats:
    """Return the covariance (2, 2) of a place taped from points with these sigmas.

    Parameters
    ----------
    points : array_like, shape (k, 2)
    stake : array_like, shape (2,)
    sigma_m : array_like, shape (k,) or a number
        Of each tape; the feature's own sigma adds to it in quadrature.

    Raises
    ------
    GeometryError
        If the tapes run in one line and fix no place.
    """
    at = np.asarray(points, dtype=float)
    to = np.asarray(stake, dtype=float) - at
    unit = to / np.hypot(to[:, 0], to[:, 1])[:, None]
    weight = 1 / np.broadcast_to(np.asarray(sigma_m, dtype=float), len(at)) ** 2
    normal = (unit * weight[:, None]).T @ unit
    if np.linalg.det(normal) <= 1e-12 * np.trace(normal) ** 2:
        raise GeometryError("the tapes run in one line and fix no place; choose another feature")
    covariance: Floats = np.linalg.inv(normal)
    return covariance


def refined(at: Floats, length: Floats, start: Floats) -> Floats:
    """Gauss-Newton over all tapes from one of the two answers."""
    place = start.copy()
    if len(at) == 2:
        return place
    for _ in range(20):
        to = place - at
        away = np.maximum(np.hypot(to[:, 0], to[:, 1]), 1e-12)
        step = np.linalg.lstsq(to / away[:, None], length - away, rcond=None)[0]
        place = place + step
        if float(np.abs(step).max()) < 1e-12:
            break
    return place


def _misfit(at: Floats, length: Floats, place: Floats) -> float:
    away = np.hypot(place[0] - at[:, 0], place[1] - at[:, 1])
    return float(np.sqrt(np.mean((away - length) ** 2)))
