"""Ties: taped distances from fixed features that find the stake again without a rover.

Everything is in the working frame, where a length is what a level tape reads. Two tapes meet at
two places; which of them is the stake is said in words.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from geoleak.stake.stake import ELLIPSE_95, ellipse
from geoleak.survey import TapePoint, tape_covariance
from geoleak.units import format_length, unit_m

if TYPE_CHECKING:
    from geoleak.survey import SurveyedPoint

Floats = npt.NDArray[np.float64]

LEAST_CROSSING_DEG = 20.0
"""Flatter than this no pair of tapes is given. Common practice, no source."""
GOOD_CROSSING_DEG = 30.0
"""Flatter than this is said. Common practice, no source."""
LEAST_TAPE_M = 0.3
MOST_FEATURES = 40
"""Only the nearest features are tried: 40 give 9,880 triples."""


_COMPASS = (
    "north",
    "north-east",
    "east",
    "south-east",
    "south",
    "south-west",
    "west",
    "north-west",
)


@dataclass(frozen=True, slots=True)
class Tie:
    """A tape from a fixed feature to the stake, as the tape reads (ground, level)."""

    feature: str
    note: str
    distance_m: float
    """Rounded as it is printed: to 0.01 ft or 1 mm."""
    bearing_deg: float
    """From the feature to the stake, clockwise from grid north."""
    slope: str = ""


@dataclass(frozen=True, slots=True)
class Ties:
    """The chosen tapes, or why there are none.

    Attributes
    ----------
    points : tuple of TapePoint
        Three, or two where no third helps, or none: where the tapes are held.
    ties : tuple of Tie
        The tape from each.
    texts : tuple of str
        Which side the stake lies on, how well it is found, and what is missing.
    side : str
        ``"left"`` or ``"right"`` of the line from the first feature to the second.
    crossing_deg : float
        How square the best pair of tapes crosses, 0 to 90; nan without ties.
    setting_out_sigma_m : float
        Root of the summed variances in both directions (dRMS); nan without ties.
    """

    points: tuple[TapePoint, ...]
    ties: tuple[Tie, ...]
    texts: tuple[str, ...]
    side: str = ""
    crossing_deg: float = math.nan
    setting_out_sigma_m: float = math.nan


def tape_points(points: Iterable[SurveyedPoint]) -> tuple[TapePoint, ...]:
    """Return surveyed features as points to hold a tape on; the code says what each one is."""
    return tuple(
        TapePoint(
            each.point.id,
            each.easting_m,
            each.northing_m,
            each.height_m,
            each.sigma_m,
            each.point.note or each.point.code,
        )
        for each in points
    )


def choose_ties(
    points: Sequence[TapePoint],
    *,
    easting_m: float,
    northing_m: float,
    height_m: float = math.nan,
    tape_length_m: float,
    tape_sigma_m: float,
    unit: str,
    bearing_to_grid: Callable[[float], float] | None = None,
) -> Ties:
    """Choose the features whose tapes to the stake cross best.

    Of all triples within reach of the tape, the one with the smallest setting-out error, and of
    equally good ones the one with the shorter tapes.

    Parameters
    ----------
    points : sequence of TapePoint
    easting_m, northing_m, height_m : float
        The stake; height nan where unknown.
    tape_length_m, tape_sigma_m : float
        Longest tape, and one standard deviation of one taped distance.
    unit : {"m", "ft", "ftUS"}
        Of the printed distances: to 0.01 ft, or to 1 mm.
    bearing_to_grid : callable, optional
        Turns a bearing of the working frame into one of the printed grid.
    """
    stake = np.array([easting_m, northing_m])
    near = _usable(points, stake, tape_length_m)
    place = _Place(
        stake, height_m, tape_sigma_m, unit, bearing_to_grid or (lambda bearing: bearing)
    )
    if len(near) < 2:
        return _none(what_to_shoot(near, stake, tape_length_m, unit))
    best = _best(near, stake, tape_sigma_m)
    if best is None:
        names = ", ".join(each.name for each in near[:3])
        return _none(
            f"no ties: {names} stand in line with the stake, so their tapes do not cross; "
            + what_to_shoot(near, stake, tape_length_m, unit)
        )
    return _made(best, place)


@dataclass(frozen=True, slots=True, eq=False)
class _Place:
    stake: Floats
    height_m: float
    tape_sigma_m: float
    unit: str
    to_grid: Callable[[float], float]


def _none(text: str) -> Ties:
    return Ties((), (), (text,))


def _usable(points: Sequence[TapePoint], stake: Floats, tape_length_m: float) -> list[TapePoint]:
    kept: list[TapePoint] = []
    for each in sorted(points, key=lambda p: (_away(p, stake), p.id)):
        away = _away(each, stake)
        if not (LEAST_TAPE_M <= away <= tape_length_m and math.isfinite(each.sigma_m)):
            continue
        # A corner shot twice is one corner.
        if all(math.hypot(*(_xy(each) - _xy(other))) > 0.1 for other in kept):
            kept.append(each)
        if len(kept) == MOST_FEATURES:
            break
    return kept


def _xy(point: TapePoint) -> Floats:
    return np.array([point.easting_m, point.northing_m])


def _away(point: TapePoint, stake: Floats) -> float:
    away = math.hypot(*(_xy(point) - stake))
    return away if math.isfinite(away) else math.inf


def _best(
    near: Sequence[TapePoint], stake: Floats, tape_sigma_m: float
) -> tuple[TapePoint, ...] | None:
    """Return the triple (or pair) with the smallest error whose best pair crosses well enough."""
    at = np.array([_xy(each) for each in near])
    to = stake - at
    length = np.hypot(to[:, 0], to[:, 1])
    unit = to / length[:, None]
    sine = np.abs(unit[:, None, 0] * unit[None, :, 1] - unit[:, None, 1] * unit[None, :, 0])
    weight = 1 / (tape_sigma_m**2 + np.array([each.sigma_m for each in near]) ** 2)
    for size in (3, 2):
        if len(near) < size:
            continue
        choice = np.array(list(itertools.combinations(range(len(near)), size)))
        pairs = list(itertools.combinations(range(size), 2))
        cross = np.max([sine[choice[:, i], choice[:, j]] for i, j in pairs], axis=0)
        u, w = unit[choice], weight[choice]
        ee = np.sum(w * u[..., 0] ** 2, axis=1)
        nn = np.sum(w * u[..., 1] ** 2, axis=1)
        en = np.sum(w * u[..., 0] * u[..., 1], axis=1)
        with np.errstate(divide="ignore", invalid="ignore"):
            variance = (ee + nn) / (ee * nn - en**2)
        # Past a tenth of a millimetre the shorter tapes are the better ones.
        rank = np.round(np.sqrt(np.abs(variance)), 4) + 1e-9 * length[choice].sum(axis=1)
        rank[cross < math.sin(math.radians(LEAST_CROSSING_DEG))] = np.inf
        best = int(np.argmin(rank))
        if np.isfinite(rank[best]):
            return tuple(near[k] for k in choice[best])
    return None


def _made(chosen: tuple[TapePoint, ...], place: _Place) -> Ties:
    ordered = _baseline_first(chosen, place.stake)
    ties = tuple(_tie(each, place) for each in ordered)
    at = np.array([_xy(each) for each in ordered])
    sigma = np.hypot(place.tape_sigma_m, [each.sigma_m for each in ordered])
    covariance = tape_covariance(at, place.stake, sigma)
    drms = math.sqrt(float(np.trace(covariance)))
    major, _, bearing = ellipse(covariance, radius_sigmas=ELLIPSE_95)
    crossing = _crossing_deg(at[0], at[1], place.stake)
    texts = [side_words(ordered[0].name, ordered[1].name, at[0], at[1], place.stake, place.to_grid)]
    texts.append(
        f"tapes cross at {crossing:.0f} degrees: the stake is found within "
        f"{_tape(float(major), place.unit)} ({compass_word(place.to_grid(float(bearing)))}, 95 %) "
        f"with a tape good to {_tape(place.tape_sigma_m, place.unit)}"
    )
    if crossing < GOOD_CROSSING_DEG:
        texts.append("the tapes cross flatly: pull them tight, or shoot a feature farther round")
    if len(ties) == 2:
        texts.append("two ties only, so nothing checks them: no third feature is within reach")
    side = side_of(at[0], at[1], place.stake)
    return Ties(ordered, ties, tuple(texts), side, crossing, drms)


def _baseline_first(chosen: tuple[TapePoint, ...], stake: Floats) -> tuple[TapePoint, ...]:
    """Put the two that cross squarest first; the side is told of the line between them."""
    first, second = max(
        itertools.combinations(chosen, 2),
        key=lambda pair: round(_crossing_deg(_xy(pair[0]), _xy(pair[1]), stake), 6),
    )
    return (first, second, *(each for each in chosen if each not in (first, second)))


def _crossing_deg(a: Floats, b: Floats, stake: Floats) -> float:
    one, two = stake - a, stake - b
    sine = abs(one[0] * two[1] - one[1] * two[0])
    return math.degrees(math.atan2(sine, abs(float(one @ two))))


def _tie(point: TapePoint, place: _Place) -> Tie:
    to = place.stake - _xy(point)
    length = math.hypot(*to)
    bearing = math.degrees(math.atan2(to[0], to[1])) % 360
    factor, decimals = unit_m(place.unit), _decimals(place.unit)
    shown_m = round(length / factor, decimals) * factor
    rise = place.height_m - point.height_m
    slope = slope_words(rise, length, place.tape_sigma_m, place.unit)
    return Tie(point.id, point.note, shown_m, place.to_grid(bearing), slope)


def _decimals(unit: str) -> int:
    """Return the digits that a tape is read to: 1 mm, or 0.01 ft."""
    return 3 if unit == "m" else 2


def _tape(metres: float, unit: str) -> str:
    return format_length(metres, unit=unit, decimals=_decimals(unit))


def compass_word(bearing_deg: float) -> str:
    """Return the nearest of the eight directions.

    >>> compass_word(350.0)
    'north'
    """
    return _COMPASS[round(bearing_deg / 45) % 8]


def side_of(first_xy: Floats, second_xy: Floats, stake: Floats) -> str:
    """Return ``"left"`` or ``"right"`` of the line from the first place to the second."""
    along, to = second_xy - first_xy, stake - first_xy
    return "left" if along[0] * to[1] - along[1] * to[0] > 0 else "right"


def side_words(
    first: str,
    second: str,
    first_xy: Floats,
    second_xy: Floats,
    stake: Floats,
    to_grid: Callable[[float], float],
) -> str:
    """Return which of the two places the tapes meet at is the stake."""
    along, side = second_xy - first_xy, side_of(first_xy, second_xy, stake)
    bearing = math.degrees(math.atan2(along[0], along[1])) + (-90 if side == "left" else 90)
    return (
        f"two tapes meet at two places: standing at {first} and facing {second}, the stake is on "
        f"your {side}, the {compass_word(to_grid(bearing % 360))} side of the line between them"
    )


def slope_words(rise_m: float, level_m: float, tape_sigma_m: float, unit: str) -> str:
    """Return a note where a tape laid on the ground would read longer than a level one.

    Empty where the heights are not known or the difference is less than the tape's own error.
    """
    if not math.isfinite(rise_m):
        return ""
    along = math.hypot(level_m, rise_m)
    if along - level_m <= tape_sigma_m:
        return ""
    way, rise = "up" if rise_m > 0 else "down", format_length(abs(rise_m), unit=unit, decimals=1)
    return (
        f"the ground goes {way} {rise} to the stake: hold the tape level (laid on the slope it "
        f"reads {_tape(along, unit)})"
    )


def what_to_shoot(near: Sequence[TapePoint], stake: Floats, tape_length_m: float, unit: str) -> str:
    """Return what to shoot so that ties can be given."""
    reach = format_length(tape_length_m, unit=unit, decimals=0)
    if not near:
        return (
            f"no ties: no fixed feature within {reach} of the stake; shoot three (building "
            "corners, poles, hydrants) spread around it and code them as features"
        )
    to = np.array([near[0].easting_m, near[0].northing_m]) - stake
    bearing = math.degrees(math.atan2(to[0], to[1]))
    square = (compass_word((bearing + 90) % 360), compass_word((bearing - 90) % 360))
    words = f"shoot a fixed feature {square[0]} or {square[1]} of the stake, within {reach} of it"
    if len(near) == 1:
        return f"no ties: only {near[0].name} is within {reach} of the stake; {words}"
    return words
