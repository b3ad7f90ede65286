"""The heavy-tailed likelihood of one mark's sideways error.

Most marks scatter as a normal; a few followed another line and lie anywhere. The density is
``(1 - e) N(r; 0, sigma) + e Cauchy(r; s)``: near the pipe it weighs like least squares (nothing is
lost on clean marks), far off its pull dies away as 1/r, so that a stray neither bends the route
nor has to be thrown out (contaminated normal: Huber, "Robust estimation of a location
parameter", Ann. Math. Statist. 35, 1964; Cauchy tail: Lange, Little & Taylor, "Robust statistical
modeling using the t distribution", JASA 84, 1989).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

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
