"""What bends of buried pipe are like, before any mark is looked at.

The figures are our own reading of common practice (no source): most bends are one of the usual
fittings, laid with some play; pipe is also pulled and sprung to other angles.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]

FITTING_RAD = np.deg2rad([11.25, 22.5, 45.0, 90.0])
"""Deflections of usual bends (1/32, 1/16, 1/8, 1/4 bend; common practice, no source)."""
PLAY_RAD = np.deg2rad(3.0)
"""Play of the joints beside a fitting: one sigma."""
FITTINGS_SHARE = 0.8
"""How many of the sharp bends are a usual fitting."""
TWO_FITTINGS_SHARE = 0.01
"""How many turn farther at one point than one fitting can: two of them close together."""
ONE_FITTING_RAD = np.deg2rad(100.0)
ARC_SHARE = 0.2
"""How many bends are swept."""
TANGENT_RANGE = 100.0
"""Longest tangent length of a swept bend over the shortest."""
BEND_EVERY_M = 20.0
"""Pipe between one bend and the next, on the average."""


def turn_cost(turn: Floats, sharp: Bools) -> tuple[Floats, Floats, Floats, Floats]:
    """Return -2 ln density of turns, its pull, and the stiffness for a step and for the spread.

    Parameters
    ----------
    turn : (...) array
        Radians, right positive.
    sharp : (...) array of bool
        Rounded corners may turn by anything.

    Returns
    -------
    cost : (...) array
        -2 ln of the density per radian.
    pull, stiff, curved : (...) arrays
        Half the slope of the cost; the weight of the squares that lie above it (for a step that
        cannot make it worse); half its second derivative, 0 at least.
    """
    size = np.abs(turn)
    away = size[..., None] - FITTING_RAD
    width = PLAY_RAD
    core = (
        FITTINGS_SHARE
        / (8.0 * np.sqrt(2 * np.pi) * width)
        * np.exp(-0.5 * np.minimum((away / width) ** 2, 1400.0))
    )
    rest = 1.0 - FITTINGS_SHARE - TWO_FITTINGS_SHARE
    flat = np.where(size <= ONE_FITTING_RAD, rest / (2 * ONE_FITTING_RAD), 0.0)
    flat += TWO_FITTINGS_SHARE / 4.4
    total = core.sum(axis=-1) + flat
    share = core / total[..., None]
    force = away / width**2
    stiff = share.sum(axis=-1) / width**2
    pull = (share * force).sum(axis=-1)
    curved = np.maximum(stiff - (share * force**2).sum(axis=-1) + pull**2, 0.0)
    cost = np.where(sharp, -2.0 * np.log(total), -2.0 * np.log(1.0 / (2 * np.deg2rad(110.0))))
    zero = np.zeros_like(total)
    return (
        cost,
        np.where(sharp, np.sign(turn) * pull, zero),
        np.where(sharp, stiff, zero),
        np.where(sharp, curved, zero),
    )


def bend_charge(sharp: int, arcs: int) -> float:
    """Return -2 ln of the prior density of so many bends at given places, one a metre."""
    each = -2.0 * np.log(1.0 / BEND_EVERY_M)
    swept = -2.0 * np.log(ARC_SHARE / np.log(TANGENT_RANGE))
    return sharp * (each - 2.0 * np.log(1.0 - ARC_SHARE)) + arcs * (each + swept)
