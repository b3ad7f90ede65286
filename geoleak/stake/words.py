"""What is said about ties: which side, how steep, and what to shoot where they are missing."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Protocol

import numpy as np
import numpy.typing as npt

from geoleak.units import unit_m

Floats = npt.NDArray[np.float64]
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


class Placed(Protocol):
    """A feature with a name and a place."""

    @property
    def name(self) -> str:
        """Return what it is called."""

    @property
    def easting_m(self) -> float:
        """Return its easting."""

    @property
    def northing_m(self) -> float:
        """Return its northing."""


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
    factor = unit_m(unit)
    name, decimals = ("m", 3) if unit == "m" else ("ft", 2)
    way = "up" if rise_m > 0 else "down"
    return (
        f"the ground goes {way} {abs(rise_m) / factor:.1f} {name} to the stake: hold the tape "
        f"level (laid on the slope it reads {along / factor:.{decimals}f} {name})"
    )


def what_to_shoot(near: Sequence[Placed], stake: Floats, tape_length_m: float, unit: str) -> str:
    """Return what to shoot so that ties can be given."""
    factor = unit_m(unit)
    reach = f"{tape_length_m / factor:.0f} {'m' if unit == 'm' else 'ft'}"
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
