"""Ties: taped distances from fixed features that find the stake again without a rover.

Everything is in the working frame, where a length is what a level tape reads. Two tapes meet at
two places; which of them is the stake is said in words.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Sequence

import numpy as np

from geoleak.record import Floats, Record
from geoleak.stake.stake import ELLIPSE_95, ellipse
from geoleak.survey import TapePoint, tape_covariance
from geoleak.units import format_length, unit_m

LEAST_CROSSING_DEG = 20.0
"""Flatter than this no pair of tapes is given. Common practice, no source."""
GOOD_CROSSING_DEG = 30.0
"""Flatter than this is said. Common practice, no source."""
LEAST_TAPE_M = 0.3
MOST_FEATURES = 40
"""Only the nearest features are tried: 40 give 9,880 triples."""

_WAYS = ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"]


class Tie(Record):
    """A tape from a fixed feature to the stake, as the tape reads (ground, level)."""

    feature: str
    note: str
    distance_m: float
    """Rounded as it is printed: to 0.01 ft or 1 mm."""
    bearing_deg: float
    """From the feature to the stake, clockwise from grid north."""
    slope: str = ""


class Ties(Record):
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
    """

    points: tuple[TapePoint, ...]
    ties: tuple[Tie, ...]
    texts: tuple[str, ...]
    side: str = ""
    crossing_deg: float = math.nan


def choose_ties(
    points: Iterable[TapePoint],
    stake: Floats,
    *,
    height_m: float = math.nan,
    tape_length_m: float,
    tape_sigma_m: float,
    unit: str,
    to_grid: Callable[[float], float] = float,
) -> Ties:
    """Choose the features whose tapes to the stake cross best.

    Of all triples within reach of the tape, the one with the smallest setting-out error, and of
    equally good ones the one with the shorter tapes.

    Parameters
    ----------
    points : iterable of TapePoint
    stake : ndarray, shape (2,)
        Easting and northing.
    height_m : float
        Of the stake; nan where unknown.
    tape_length_m, tape_sigma_m : float
        Longest tape, and one standard deviation of one taped distance.
    unit : {"m", "ft", "ftUS"}
        Of the printed distances: to 0.01 ft, or to 1 mm.
    to_grid : callable
        Turns a bearing of the working frame into one of the printed grid.
    """
    near = _usable(points, stake, tape_length_m)
    best = _best(near, stake, tape_sigma_m) if len(near) > 1 else None
    if best is None:
        text = what_to_shoot(near, stake, tape_length_m, unit)
        if len(near) > 1:
            names = ", ".join(each.name for each in near[:3])
            why = f"{names} stand in line with the stake, so their tapes do not cross"
            text = f"no ties: {why}; {text}"
        return Ties((), (), (text,))
    # The two that cross squarest come first: the side is told of the line between them.
    first, second = max(
        itertools.combinations(best, 2),
        key=lambda pair: round(_crossing_deg(_xy(pair[0]), _xy(pair[1]), stake), 6),
    )
    ordered = (first, second, *(each for each in best if each not in (first, second)))
    at = np.array([_xy(each) for each in ordered])
    sigma = np.hypot(tape_sigma_m, [each.sigma_m for each in ordered])
    major, _, bearing = ellipse(tape_covariance(at, stake, sigma), radius_sigmas=ELLIPSE_95)
    crossing, side = _crossing_deg(at[0], at[1], stake), side_of(at[0], at[1], stake)
    away = _bearing_deg(at[1] - at[0]) + (-90 if side == "left" else 90)
    texts = [
        f"two tapes meet at two places: standing at {first.name} and facing {second.name}, the "
        f"stake is on your {side}, the {compass_word(to_grid(away % 360))} side of the line "
        "between them",
        f"tapes cross at {crossing:.0f} degrees: the stake is found within "
        f"{_tape(float(major), unit)} ({compass_word(to_grid(float(bearing)))}, 95 %) "
        f"with a tape good to {_tape(tape_sigma_m, unit)}",
    ]
    if crossing < GOOD_CROSSING_DEG:
        texts.append("the tapes cross flatly: pull them tight, or shoot a feature farther round")
    if len(ordered) == 2:
        texts.append("two ties only, so nothing checks them: no third feature is within reach")
    ties, factor = [], unit_m(unit)
    for each in ordered:
        to = stake - _xy(each)
        level_m = math.hypot(*to)
        slope = slope_words(height_m - each.height_m, level_m, tape_sigma_m, unit)
        shown_m = round(level_m / factor, _decimals(unit)) * factor
        ties.append(Tie(each.id, each.note, shown_m, to_grid(_bearing_deg(to) % 360), slope))
    return Ties(ordered, tuple(ties), tuple(texts), side, crossing)


def _usable(points: Iterable[TapePoint], stake: Floats, tape_length_m: float) -> list[TapePoint]:
    """Return the features within reach of the tape, the nearest first."""
    kept: list[TapePoint] = []
    away = {each: math.hypot(*(_xy(each) - stake)) for each in points}
    usable = (p for p in away if LEAST_TAPE_M <= away[p] <= tape_length_m)
    for each in sorted(usable, key=lambda p: (away[p], p.id)):
        # A corner shot twice is one corner.
        alone = all(math.hypot(*(_xy(each) - _xy(other))) > 0.1 for other in kept)
        if alone and math.isfinite(each.sigma_m) and len(kept) < MOST_FEATURES:
            kept.append(each)
    return kept


def _xy(point: TapePoint) -> Floats:
    return np.array([point.easting_m, point.northing_m])


def _bearing_deg(to: Floats) -> float:
    return math.degrees(math.atan2(to[0], to[1]))


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


def _crossing_deg(a: Floats, b: Floats, stake: Floats) -> float:
    one, two = stake - a, stake - b
    sine = abs(one[0] * two[1] - one[1] * two[0])
    return math.degrees(math.atan2(sine, abs(float(one @ two))))


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
    return _WAYS[round(bearing_deg / 45) % 8]


def side_of(first_xy: Floats, second_xy: Floats, stake: Floats) -> str:
    """Return ``"left"`` or ``"right"`` of the line from the first place to the second."""
    along, to = second_xy - first_xy, stake - first_xy
    return "left" if along[0] * to[1] - along[1] * to[0] > 0 else "right"


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
    bearing = _bearing_deg(_xy(near[0]) - stake)
    square = (compass_word((bearing + 90) % 360), compass_word((bearing - 90) % 360))
    words = f"shoot a fixed feature {square[0]} or {square[1]} of the stake, within {reach} of it"
    if len(near) == 1:
        return f"no ties: only {near[0].name} is within {reach} of the stake; {words}"
    return words
