"""The volume that a fit leaves of what was possible: Occam's share of a structure's evidence.

By Laplace's approximation (Kass & Raftery, "Bayes factors", JASA 90, 1995).
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoleak.route.stack import Stack

Floats = NDArray[np.float64]


def loose(stack: Stack, points: Floats) -> Floats:
    """Return weights (p, m) that hold what the data leave free.

    Where a bend of nearly no angle stands along the pipe is not in the data, nor does it matter.
    """
    step = points[1:] - points[:-1]
    spacing = float(np.median(np.hypot(step[:, 0], step[:, 1])))
    out = np.zeros((len(stack), stack.size))
    number = np.arange(stack.most + 1)[None, :]
    inner = (number > 0) & (number < stack.runs[:, None])
    out[:, : 2 * (stack.most + 1)] = np.repeat(inner, 2, axis=1) * (1.5 * spacing) ** -2.0
    row, corner, rank = stack.arcs
    if len(row):
        out[row, 2 * (stack.most + 1) + rank] = (0.5 * stack.tangent_m[row, corner]) ** -2.0
    return out


def room(stack: Stack, matrix: Floats, points: Floats) -> Floats:
    """Return -2 ln of the volume (p,) that the posterior leaves of the prior's.

    The prior is even in the length and the direction of each straight, so in the coordinates of
    the vertices its density falls as one over the lengths; even in ln of an arc's tangent.
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
    held[:, each, each] += loose(stack, points) + ~used
    _, log_det = np.linalg.slogdet(held)
    out = log_det - used.sum(axis=1) * np.log(2 * np.pi)
    out += 2.0 * np.where(stack.used, np.log(np.maximum(length, 1e-6)), 0.0).sum(axis=1)
    if len(rows):
        np.add.at(out, rows, 2.0 * np.log(stack.tangent_m[rows, corner]))
    return np.asarray(out)
