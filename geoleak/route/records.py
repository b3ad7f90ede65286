"""What the route fit takes: marks as arrays, points that belong to the pipe, options."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
import numpy.typing as npt

from geoleak.errors import GeometryError, SiteDataError
from geoleak.site import MarksBy

Floats = npt.NDArray[np.float64]
DepthTo = Literal["centre", "crown", "wire", "sonde"]


@dataclass(frozen=True, slots=True)
class FixedPoint:
    """A shot point that is on the pipe itself (a meter, a valve): no locator error.

    ``sigma_m`` is per axis; ``height_m`` (nan: unknown) and ``depth_m`` (nan: as the marks near
    it) are of the ground and of the pipe below it.
    """

    id: str
    easting_m: float
    northing_m: float
    sigma_m: float
    height_m: float = np.nan
    depth_m: float = np.nan


@dataclass(frozen=True, slots=True, eq=False)
class MarkArray:
    """The marks of one leg, in the order given by number or file.

    Parameters
    ----------
    easting_m, northing_m : (n,) arrays
        Working CRS, metres on the ground.
    height_m : (n,) array
        Height of the ground; nan where unknown.
    depth_m : (n,) array
        Measured depth to what `RouteOptions.depth_to` says.
    sigma_across_m : (n,) array
        Sideways sigma of each mark that is its own: locator at its depth, combined with the rover.
    sigma_along_m : (n,) array
        Sigma along the pipe: rover and paint.
    locator_bias_m : (n,) array
        Sideways sigma that all marks share (a distorted field); grows with depth, never averages.
    rover_bias_m : float
        Sigma per axis that every point of the session shares.
    depth_sigma_m : (n,) array or None
        A mark's own sigma of depth; None: 5 % of depth, 2 cm at least.
    depth_shared_m : (n,) array or None
        Sigma of depth that the marks share; None: 5 % of depth.
    ids : tuple of str
    marks_by : str
        How the trace was found; see `geoleak.site.Leg`.
    start, end : FixedPoint or None
        The leg runs on to these.

    Raises
    ------
    SiteDataError
        If the arrays disagree in length, or a position, a depth or a sigma is not usable.
    """

    easting_m: Floats
    northing_m: Floats
    height_m: Floats
    depth_m: Floats
    sigma_across_m: Floats
    sigma_along_m: Floats
    ids: tuple[str, ...]
    locator_bias_m: Floats | None = None
    rover_bias_m: float = 0.015
    depth_sigma_m: Floats | None = None
    depth_shared_m: Floats | None = None
    marks_by: MarksBy = "signal"
    start: FixedPoint | None = None
    end: FixedPoint | None = None

    def __post_init__(self) -> None:
        for name in ("easting_m", "northing_m", "height_m", "depth_m", "sigma_across_m"):
            object.__setattr__(self, name, _column(self, name))
        depth = self.depth_m
        object.__setattr__(self, "sigma_along_m", _column(self, "sigma_along_m"))
        if self.locator_bias_m is None:
            object.__setattr__(self, "locator_bias_m", np.zeros(len(depth)))
        if self.depth_sigma_m is None:
            object.__setattr__(self, "depth_sigma_m", np.maximum(0.05 * np.abs(depth), 0.02))
        if self.depth_shared_m is None:
            object.__setattr__(self, "depth_shared_m", 0.05 * np.abs(depth))
        for name in ("locator_bias_m", "depth_sigma_m", "depth_shared_m"):
            object.__setattr__(self, name, _column(self, name))
        for name in ("easting_m", "northing_m", "depth_m"):
            self._refuse(name, ~np.isfinite(getattr(self, name)), "a finite number of metres")
        for name in ("sigma_across_m", "sigma_along_m", "depth_sigma_m"):
            value = getattr(self, name)
            self._refuse(name, ~(np.isfinite(value) & (value > 0)), "a sigma above 0")
        for name in ("locator_bias_m", "depth_shared_m"):
            value = getattr(self, name)
            self._refuse(name, ~(np.isfinite(value) & (value >= 0)), "a sigma of 0 or more")

    def _refuse(self, name: str, wrong: npt.NDArray[np.bool_], right: str) -> None:
        if wrong.any():
            row = int(np.flatnonzero(wrong)[0])
            raise SiteDataError(
                f"mark {self.ids[row]}: {name} is {getattr(self, name)[row]}; give {right}"
            )

    def __len__(self) -> int:
        return len(self.ids)


def _column(marks: MarkArray, name: str) -> Floats:
    value = np.array(getattr(marks, name), dtype=float)
    if value.ndim == 0:
        value = np.full(len(marks.ids), float(value))
    if value.shape != (len(marks.ids),):
        raise SiteDataError(
            f"marks: {name} has shape {value.shape} beside {len(marks.ids)} ids; give one each"
        )
    value.setflags(write=False)
    return value


@dataclass(frozen=True, slots=True)
class RouteOptions:
    """How a route is fitted.

    ``order`` is ``"given"`` (as the marks stand) or ``"found"`` (from the geometry); ``fit`` is
    ``"runs"`` or ``"marks"`` (the dots joined). ``scale_sigma`` lets the marks' own scatter correct
    the stated sigma (a prior of 12 marks' worth stands for the statement). ``length_unit`` is of
    the texts in warnings only.
    """

    order: Literal["given", "found"] = "given"
    fit: Literal["runs", "marks"] = "runs"
    depth_to: DepthTo = "centre"
    outside_diameter_m: float | None = None
    scale_sigma: bool = True
    length_unit: Literal["m", "ft", "ftUS"] = "m"
    leg: str = ""


@dataclass(frozen=True, slots=True)
class Bend:
    """A bend of the fitted route. ``deflection_deg`` is positive to the right."""

    chainage_m: float
    deflection_deg: float
    radius_m: float = 0.0
    """0 for a sharp bend."""
    from_m: float = 0.0
    to_m: float = 0.0
    sigma_chainage_m: float = field(default=np.nan)


def check_distinct(points: Floats, sigma_along_m: Floats, leg: str) -> None:
    """Refuse marks that make no line.

    Raises
    ------
    GeometryError
        With fewer than two distinct points.
    """
    name = f'leg "{leg}"' if leg else "the leg"
    if len(points) < 2:
        raise GeometryError(
            f"{name} has {len(points)} mark(s); a route needs two distinct points: shoot more "
            "marks, or give the leg a start or an end"
        )
    spread = float(np.max(np.hypot(*(points - points[0]).T)))
    least = max(0.05, 3.0 * float(np.median(sigma_along_m)))
    if spread < least:
        raise GeometryError(
            f"{name}: all {len(points)} marks lie on one spot (within {spread:.3f} m); a route "
            "needs two distinct points: look for a column read twice or a point shot repeatedly"
        )
