"""What the fit believes: how marks err, what bends are like, what volume a fit leaves.

Marks. Most scatter as a normal; a few followed another line and lie anywhere. The density is
``(1 - e) N(r; 0, sigma) + e Cauchy(r; s)``: near the pipe it weighs like least squares (nothing is
lost on clean marks), far off its pull dies away as 1/r, so that an outlier neither bends the route
nor has to be thrown out (contaminated normal: Huber, "Robust estimation of a location
parameter", Ann. Math. Statist. 35, 1964; Cauchy tail: Lange, Little & Taylor, "Robust statistical
modeling using the t distribution", JASA 84, 1989).

Bends. The figures are our own reading of common practice (no source): most are one of the usual
fittings, laid with some play; pipe is also pulled and sprung to other angles.

Volume. Occam's share of a structure's evidence, by Laplace's approximation (Kass & Raftery,
"Bayes factors", JASA 90, 1995).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoleak.route.alignment import Stack

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

STRAY_SHARE = 0.03
"""Chance that a mark is a stray before it is looked at; about 1 in 40 in the trade's experience."""
TAIL_OF_SIGMA = 6.0
TAIL_LEAST_M = 0.30


def split(residual_m: Floats, sigma_m: Floats) -> tuple[Floats, Floats, Floats]:
    """Return deviance, weight and chance of being sound for each residual.

    Parameters
    ----------
    residual_m, sigma_m : (n,) arrays
        Sideways residual and its sigma, metres.

    Returns
    -------
    deviance : (n,) array
        -2 ln(density / density of a sound mark with no error): 0 at best.
    weight : (n,) array
        What multiplies residual**2 in the equivalent least squares, 1/m2.
    sound : (n,) array
        Probability, 0 to 1, that the mark belongs to the normal part.
    """
    tail = np.maximum(TAIL_OF_SIGMA * sigma_m, TAIL_LEAST_M)
    square = residual_m * residual_m
    core = (1.0 - STRAY_SHARE) * np.exp(-0.5 * np.minimum(square / (sigma_m * sigma_m), 1400.0))
    far = STRAY_SHARE * np.sqrt(2.0 / np.pi) * sigma_m * tail / (tail * tail + square)
    total = core + far
    sound = core / total
    deviance = -2.0 * np.log(total)
    weight = sound / (sigma_m * sigma_m) + (1.0 - sound) * 2.0 / (tail * tail + square)
    return deviance, weight, sound


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


def bend_charge(sharp: Ints, arcs: Ints) -> Floats:
    """Return -2 ln of the prior density (p,) of so many bends at given places, one a metre."""
    each = -2.0 * np.log(1.0 / BEND_EVERY_M)
    swept = -2.0 * np.log(ARC_SHARE / np.log(TANGENT_RANGE))
    return np.asarray(sharp * (each - 2.0 * np.log(1.0 - ARC_SHARE)) + arcs * (each + swept))


def weak_prior(stack: Stack, points: Floats) -> Floats:
    """Return weights (p, m) that hold what the data leave free.

    Where along the pipe a bend of nearly no angle, or a step between two marks, stands is not in
    the data: within the gap between two marks (one sigma: half their usual spacing).
    """
    step = points[1:] - points[:-1]
    spacing = float(np.median(np.hypot(step[:, 0], step[:, 1])))
    out = np.zeros((len(stack), stack.size))
    number = np.arange(stack.most + 1)[None, :]
    inner = (number > 0) & (number < stack.runs[:, None])
    out[:, : 2 * (stack.most + 1)] = np.repeat(inner, 2, axis=1) * (0.5 * spacing) ** -2.0
    row, corner, rank = stack.arcs
    if len(row):
        out[row, 2 * (stack.most + 1) + rank] = (stack.tangent_m[row, corner] / 6.0) ** -2.0
    return out


def volume(stack: Stack, matrix: Floats, points: Floats) -> Floats:
    """Return -2 ln of the volume (p,) that the posterior leaves of the prior's.

    The prior is even in the length and the direction of each straight, so in the coordinates of
    the vertices its density falls as one over the lengths; even in ln of an arc's tangent.
    Infinite where the marks do not determine the fit, as where no mark stands on an end straight.
    """
    length = stack.parts[0]
    rows, corner, rank = stack.arcs
    used = np.zeros((len(stack), stack.size), dtype=bool)
    used[:, : 2 * (stack.most + 1)] = (
        np.arange(2 * (stack.most + 1))[None, :] < 2 * (stack.runs + 1)[:, None]
    )
    used[rows, 2 * (stack.most + 1) + rank] = True
    each = np.arange(stack.size)
    held = matrix.copy()
    held[:, each, each] += weak_prior(stack, points) + ~used
    sign, log_det = np.linalg.slogdet(held)
    out = np.where(sign > 0, log_det, np.inf) - used.sum(axis=1) * np.log(2 * np.pi)
    out += 2.0 * np.where(stack.used, np.log(np.maximum(length, 1e-6)), 0.0).sum(axis=1)
    if len(rows):
        np.add.at(out, rows, 2.0 * np.log(stack.tangent_m[rows, corner]))
    return np.asarray(out)
