"""The stake: where it may stand, why, and the stakes beside it.

Everything is in the working frame, metres on the ground. Sigma is one standard deviation; the
setting-out ellipse says where the stake itself may stand, not how far the leak's own place is
spread along the pipe (that is the interval).
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, Protocol

import numpy as np
import numpy.typing as npt

from geoleak.errors import GeometryError
from geoleak.units import format_station, unit_m

if TYPE_CHECKING:
    from geoleak.linref import Route

Floats = npt.NDArray[np.float64]
ELLIPSE_95 = math.sqrt(-2 * math.log(0.05))
"""Radius, in sigmas, that holds 95 % of a two-dimensional normal: 2.44775 (chi-square, 2 dof)."""
BEND_REACH_M = 0.3
"""Square to the pipe is taken over this much pipe either side of the stake."""

StakeKind = Literal[
    "stake", "offset_stake", "hole_start", "hole_end", "next_reading", "check_point"
]


class FittedLine(Protocol):
    """What this module needs of a fitted route."""

    @property
    def route(self) -> Route:
        """Return the line."""

    def covariance(self, chainage_m: float) -> Floats:
        """Return the covariance (2, 2) of easting and northing at a chainage."""

    def sigma_along_m(self, chainage_m: float) -> Floats:
        """Return the sigma along the pipe, from the marks' own errors."""

    def sigma_across_m(self, chainage_m: float) -> Floats:
        """Return the sigma across the pipe, from the marks' own errors."""

    def sigma_locator_bias_m(self, chainage_m: float) -> Floats:
        """Return the sigma across the pipe that all marks share through the locator."""


@dataclass(frozen=True, slots=True)
class ErrorSource:
    """One source of error of the stake: one standard deviation along and across the pipe."""

    source: str
    sigma_along_m: float
    sigma_across_m: float


@dataclass(frozen=True, slots=True)
class StakePoint:
    """One stake to set out. ``offset_m`` is positive to the right of the pipe."""

    kind: StakeKind
    label: str
    easting_m: float
    northing_m: float
    chainage_m: float
    offset_m: float = 0.0


def ellipse(
    covariance_m2: npt.ArrayLike, *, radius_sigmas: float = 1.0
) -> tuple[Floats, Floats, Floats]:
    """Return semi-major and semi-minor axis and the bearing of the major axis.

    Parameters
    ----------
    covariance_m2 : array_like, shape (..., 2, 2)
        Of easting and northing, square metres.
    radius_sigmas : float
        1 for the standard ellipse, `ELLIPSE_95` for the one that holds 95 %.

    Returns
    -------
    semi_major_m, semi_minor_m, bearing_deg : ndarray, shape (...)
        Bearing clockwise from north in [0, 180); 0 for a circle.

    Raises
    ------
    GeometryError
        If it is no covariance: not finite, not symmetric, or negative in some direction.
    """
    covariance = np.asarray(covariance_m2, dtype=float)
    if covariance.shape[-2:] != (2, 2):
        raise GeometryError(f"a covariance has shape (..., 2, 2), not {covariance.shape}")
    if not np.isfinite(covariance).all():
        raise GeometryError("a covariance holds a number that is not finite")
    east, north = covariance[..., 0, 0], covariance[..., 1, 1]
    cross, other = covariance[..., 0, 1], covariance[..., 1, 0]
    scale = np.maximum(np.maximum(np.abs(east), np.abs(north)), 1e-300)
    if (np.abs(cross - other) > 1e-9 * scale).any():
        raise GeometryError("a covariance is not symmetric")
    middle, half = (east + north) / 2, np.hypot((east - north) / 2, cross)
    smallest = middle - half
    if (smallest < -1e-9 * scale).any():
        raise GeometryError("a covariance is negative in some direction")
    bearing = np.degrees(np.arctan2(2 * cross, north - east)) / 2
    bearing = np.where(half <= 1e-12 * scale, 0.0, np.mod(bearing, 180.0))
    return (
        radius_sigmas * np.sqrt(middle + half),
        radius_sigmas * np.sqrt(np.maximum(smallest, 0.0)),
        bearing[()],
    )


def setting_out_covariance(
    fit: FittedLine,
    chainage_m: float,
    *,
    rover_sigma_m: float,
    lonlat_accuracy_m: float | None = None,
) -> Floats:
    """Return the covariance (2, 2) of where the stake stands, easting and northing.

    The fitted line with its shared parts, and the rover that sets it out; with
    `lonlat_accuracy_m` (taken per axis, which is on the safe side) for a stake found by phone.
    """
    extra = rover_sigma_m**2 + (lonlat_accuracy_m or 0.0) ** 2
    covariance: Floats = np.asarray(fit.covariance(chainage_m)) + extra * np.eye(2)
    return covariance


def budget(
    fit: FittedLine,
    chainage_m: float,
    *,
    rover_bias_m: float,
    rover_sigma_m: float,
    lonlat_accuracy_m: float | None = None,
) -> tuple[ErrorSource, ...]:
    """Return the sources of error of the stake, along and across the pipe, and their total.

    Parameters
    ----------
    fit : FittedLine
        As `geoleak.route.fit_route` returns it.
    chainage_m : float
        The stake.
    rover_bias_m : float
        Sigma per axis that all points of the session share; it never averages out.
    rover_sigma_m : float
        Sigma per axis of the rover when it sets the stake out.
    lonlat_accuracy_m : float, optional
        Adds a row for a stake found by longitude and latitude.

    Returns
    -------
    tuple of ErrorSource
        The last row is the total; its square is the sum of the squares above it.
    """
    rows = [
        ErrorSource(
            "fitted line (marks)",
            float(fit.sigma_along_m(chainage_m)),
            float(fit.sigma_across_m(chainage_m)),
        ),
        ErrorSource(
            "locator, shared by all marks",
            _shared_along(fit, chainage_m, rover_bias_m),
            float(fit.sigma_locator_bias_m(chainage_m)),
        ),
        ErrorSource("rover, shared by the session", rover_bias_m, rover_bias_m),
        ErrorSource("rover, setting out", rover_sigma_m, rover_sigma_m),
    ]
    if lonlat_accuracy_m is not None:
        rows.append(
            ErrorSource("longitude and latitude by phone", lonlat_accuracy_m, lonlat_accuracy_m)
        )
    total = ErrorSource(
        "total",
        math.sqrt(sum(row.sigma_along_m**2 for row in rows)),
        math.sqrt(sum(row.sigma_across_m**2 for row in rows)),
    )
    return (*rows, total)


def _shared_along(fit: FittedLine, chainage_m: float, rover_bias_m: float) -> float:
    """Return what the locator's shared error adds along the pipe: past a bend it is not 0."""
    bearing = math.radians(float(fit.route.bearing_deg(chainage_m)))
    along = np.array([math.sin(bearing), math.cos(bearing)])
    whole = float(along @ np.asarray(fit.covariance(chainage_m)) @ along)
    return math.sqrt(max(0.0, whole - float(fit.sigma_along_m(chainage_m)) ** 2 - rover_bias_m**2))


def pipe_bearing_deg(route: Route, chainage_m: float, *, reach_m: float = BEND_REACH_M) -> float:
    """Return the bearing of the pipe at a stake, over a little pipe either side of it.

    At a bend that is the bearing square to which an offset stake reads the same both ways.
    """
    low, high = max(0.0, chainage_m - reach_m), min(route.length_m, chainage_m + reach_m)
    first, second = np.asarray(route.position(np.array([low, high])))
    return math.degrees(math.atan2(second[0] - first[0], second[1] - first[1])) % 360


def on_bend(route: Route, chainage_m: float, *, reach_m: float = BEND_REACH_M) -> bool:
    """Tell whether the pipe turns by over 5 degrees within reach of a chainage."""
    low, high = max(0.0, chainage_m - reach_m), min(route.length_m, chainage_m + reach_m)
    before, after = float(route.bearing_deg(low)), float(route.bearing_deg(high))
    return abs((after - before + 180) % 360 - 180) > 5.0


def leak_stake(route: Route, chainage_m: float, *, unit: str, label: str = "LEAK") -> StakePoint:
    """Return the stake itself."""
    east, north = (float(v) for v in np.asarray(route.position(chainage_m)))
    text = f"{label} {format_station(chainage_m, unit=unit)}"
    return StakePoint("stake", text, east, north, chainage_m)


def offset_stakes(
    route: Route,
    chainage_m: float,
    offset_m: float,
    *,
    unit: str,
    depth_m: float | None = None,
    ground_m: tuple[float, float, float] | None = None,
) -> tuple[StakePoint, StakePoint]:
    """Return the stakes to the left and to the right, square to the pipe.

    Parameters
    ----------
    route : Route
    chainage_m : float
        The stake they stand off from.
    offset_m : float
        Distance, positive.
    unit : {"m", "ft", "ftUS"}
        Of the labels.
    depth_m : float, optional
        Ground to crown at the stake; without it the label says that it is unknown.
    ground_m : tuple of three floats, optional
        Height of the ground at the stake, at the left and at the right offset stake. With it the
        cut is counted from the ground at the offset stake; without it the ground counts as level.

    Returns
    -------
    left, right : StakePoint
        Labelled offset distance with its side, cut ("C", ground less crown), station: the order
        that construction stakes carry (military engineering training manual 14081).
    """
    if not (math.isfinite(offset_m) and offset_m > 0):
        raise GeometryError(f"an offset of {offset_m} m makes no offset stake; give one over 0")
    east, north = (float(v) for v in np.asarray(route.position(chainage_m)))
    bearing = math.radians(pipe_bearing_deg(route, chainage_m))
    station = format_station(chainage_m, unit=unit)
    distance = _length_text(offset_m, unit)
    found = []
    for index, (side, sign) in enumerate((("L", -1.0), ("R", 1.0)), start=1):
        if depth_m is None:
            cut = "depth unknown"
        else:
            rise = ground_m[index] - ground_m[0] if ground_m is not None else 0.0
            cut = f"C {_length_text(depth_m + rise, unit)}"
        found.append(
            StakePoint(
                "offset_stake",
                f"({distance} {side}) {cut} {station}",
                east + sign * offset_m * math.cos(bearing),
                north - sign * offset_m * math.sin(bearing),
                chainage_m,
                sign * offset_m,
            )
        )
    return found[0], found[1]


def hole_stakes(
    route: Route, from_m: float, to_m: float, *, unit: str
) -> tuple[StakePoint, StakePoint]:
    """Return the stakes at both ends of the hole, on the pipe (ends are held to the route)."""
    ends = (max(0.0, min(from_m, to_m)), min(route.length_m, max(from_m, to_m)))
    kinds: tuple[StakeKind, StakeKind] = ("hole_start", "hole_end")
    found = []
    for kind, word, chainage in zip(kinds, ("START", "END"), ends, strict=True):
        east, north = (float(v) for v in np.asarray(route.position(chainage)))
        label = f"HOLE {word} {format_station(chainage, unit=unit)}"
        found.append(StakePoint(kind, label, east, north, chainage))
    return found[0], found[1]


def free_ids(used: Iterable[str], count: int) -> tuple[str, ...]:
    """Return ids above the highest number used, so that a rover overwrites no point.

    Digits at the end of an id count too ("BC201"); ids without any are passed over.
    """
    highest = 0
    for each in used:
        digits = ""
        for letter in reversed(each.strip()):
            if not (letter.isascii() and letter.isdigit()):
                break
            digits = letter + digits
        if digits:
            highest = max(highest, int(digits))
    return tuple(str(highest + step) for step in range(1, count + 1))


def _length_text(metres: float, unit: str) -> str:
    return f"{metres / unit_m(unit):.{2 if unit == 'm' else 1}f} {'m' if unit == 'm' else 'ft'}"


@dataclass(frozen=True, slots=True)
class ShotPoint:
    """A shot point that may serve as a check point. ``sigma_m`` is per axis."""

    id: str
    easting_m: float
    northing_m: float
    sigma_m: float
    fixed: bool = True
    """Whether its solution was fixed (or is not known to be anything less)."""


@dataclass(frozen=True, slots=True)
class CheckPoint:
    """A point to occupy before staking, and what it must read within."""

    id: str
    easting_m: float
    northing_m: float
    within_m: float
    text: str


def check_points(
    points: Sequence[ShotPoint],
    *,
    easting_m: float,
    northing_m: float,
    rover_sigma_m: float,
    unit: str,
    count: int = 2,
) -> tuple[CheckPoint, ...]:
    """Return the shot points that a rover should occupy before it sets out the stake.

    The best of them by their own sigma, near the stake and apart from one another: two that stand
    apart also betray a turned or a scaled frame. ``within_m`` is 3 sigma of the difference of two
    shots, and 0.1 ft (or 3 cm) at least: less is noise. Common practice, no source.
    """
    least = 0.03 if unit == "m" else 0.1 * unit_m(unit)
    usable = [
        each
        for each in points
        if all(map(math.isfinite, (each.easting_m, each.northing_m, each.sigma_m)))
    ]
    solid = [each for each in usable if each.fixed] or usable
    chosen: list[ShotPoint] = []
    while solid and len(chosen) < count:
        best = min(
            solid, key=lambda each: (_check_cost(each, chosen, easting_m, northing_m), each.id)
        )
        chosen.append(best)
        solid = [each for each in solid if _apart(each, best) > 1.0]
    return tuple(_check(each, rank, least, rover_sigma_m, unit) for rank, each in enumerate(chosen))


def _apart(one: ShotPoint, two: ShotPoint) -> float:
    return math.hypot(one.easting_m - two.easting_m, one.northing_m - two.northing_m)


def _check_cost(
    point: ShotPoint, chosen: Sequence[ShotPoint], easting_m: float, northing_m: float
) -> float:
    # A walk of 100 m counts as a centimetre of sigma; a second point gains by standing apart.
    walk = math.hypot(point.easting_m - easting_m, point.northing_m - northing_m)
    gain = min((_apart(point, each) for each in chosen), default=0.0)
    return point.sigma_m + 1e-4 * walk - 5e-4 * min(gain, 50.0)


def _check(
    point: ShotPoint, rank: int, least_m: float, rover_sigma_m: float, unit: str
) -> CheckPoint:
    within = max(least_m, 3 * math.hypot(point.sigma_m, rover_sigma_m))
    factor, decimals, name = (unit_m(unit), 2, "m") if unit == "m" else (unit_m(unit), 1, "ft")
    # Rounded up: a stricter figure than it was reckoned would stop good work.
    shown = math.ceil(within / factor * 10**decimals - 1e-6) / 10**decimals
    order = "first" if rank == 0 else "too"
    text = f"occupy {point.id} {order}: it must read within {shown:.{decimals}f} {name}, or stop"
    return CheckPoint(point.id, point.easting_m, point.northing_m, shown * factor, text)
