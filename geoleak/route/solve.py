"""One joint robust fit of all vertices of a route of given structure.

Levenberg-Marquardt on the equivalent least squares of the heavy-tailed likelihood (iteratively
reweighted; Holland & Welsch, Commun. Stat. A6, 1977), each step kept only if the true likelihood
gains and the route stays one that can lie in a trench.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from geoleak.route.alignment import Alignment, Feet, feet, jacobian
from geoleak.route.robust import split

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_STEPS = 14
LITTLE_GAIN = 0.01


@dataclass(frozen=True, slots=True)
class Observations:
    """Marks in order, ready to fit.

    ``fixed`` points belong to the pipe as shot (a meter): no locator error, never a stray.
    """

    points: Floats
    sigma_m: Floats
    sigma_along_m: Floats
    fixed: NDArray[np.bool_]

    def part(self, first: int, stop: int) -> Observations:
        """Return the marks first..stop-1."""
        cut = slice(first, stop)
        return Observations(
            self.points[cut], self.sigma_m[cut], self.sigma_along_m[cut], self.fixed[cut]
        )


@dataclass(frozen=True, slots=True)
class Solution:
    """A fitted alignment and how the marks lie about it.

    ``deviance`` is the sum over the marks, without any charge for bends.
    """

    shape: Alignment
    deviance: float
    where: Feet
    weight: Floats
    sound: Floats

    def per_run(self) -> Ints:
        """Return how many marks each straight holds (those on an arc count on both sides)."""
        held = np.bincount(self.where.run, minlength=self.shape.runs)
        for k in self.shape.arcs:
            on = int(np.sum(self.where.corner == k))
            held[k - 1] += on
            held[k] += on
        return held


def misfit(shape: Alignment, marks: Observations, hint: Ints) -> Solution:
    """Return how the marks lie about an alignment, without moving it."""
    where = feet(shape, marks.points, hint)
    deviance, weight, sound = split(where.offset_m, marks.sigma_m)
    if marks.fixed.any():
        at = marks.fixed
        deviance[at] = (where.offset_m[at] / marks.sigma_m[at]) ** 2
        weight[at] = marks.sigma_m[at] ** -2.0
        sound[at] = 1.0
    total = float(deviance.sum())
    for _, gap, sigma in _end_gaps(shape, marks):
        total += (gap / sigma) ** 2
    return Solution(shape, total, where, weight, sound)


def _end_gaps(shape: Alignment, marks: Observations) -> list[tuple[int, float, float]]:
    """Return vertex, gap along the pipe and its sigma for the first and the last mark."""
    vertices = shape.vertices
    out = []
    for vertex, inner, mark in ((0, 1, 0), (shape.runs, shape.runs - 1, len(marks.points) - 1)):
        direction = vertices[vertex] - vertices[inner]
        direction = direction / max(float(np.hypot(direction[0], direction[1])), 1e-12)
        gap = float((marks.points[mark] - vertices[vertex]) @ direction)
        out.append((vertex, gap, float(marks.sigma_along_m[mark])))
    return out


def normal_equations(state: Solution, marks: Observations) -> tuple[Floats, Floats, Floats]:
    """Return J'WJ, the downhill right-hand side, and J (for shared errors)."""
    slope = jacobian(state.shape, state.where)
    weighted = slope * state.weight[:, None]
    matrix = weighted.T @ slope
    right = -weighted.T @ state.where.offset_m
    vertices = state.shape.vertices
    for vertex, gap, sigma in _end_gaps(state.shape, marks):
        inner = 1 if vertex == 0 else vertex - 1
        direction = vertices[vertex] - vertices[inner]
        direction = direction / max(float(np.hypot(direction[0], direction[1])), 1e-12)
        cut = slice(2 * vertex, 2 * vertex + 2)
        matrix[cut, cut] += np.outer(direction, direction) / sigma**2
        right[cut] += direction * gap / sigma**2
    return matrix, right, slope


def solve(
    shape: Alignment, marks: Observations, hint: Ints, *, most_steps: int = MOST_STEPS
) -> Solution | None:
    """Return the best alignment of this structure near `shape`; None where none is allowed."""
    if not shape.allowed():
        return None
    state = misfit(shape, marks, hint)
    damping = 1e-3
    for _ in range(most_steps):
        matrix, right, _ = normal_equations(state, marks)
        diagonal = np.diag(matrix)
        ridge = np.maximum(diagonal, 1e-3 * diagonal.max())
        gain = 0.0
        for _ in range(6):
            step = np.asarray(np.linalg.solve(matrix + np.diag(damping * ridge), right), float)
            moved = state.shape.moved(step)
            if moved.allowed():
                trial = misfit(moved, marks, state.where.run)
                if trial.deviance < state.deviance:
                    gain = state.deviance - trial.deviance
                    state = trial
                    damping = max(damping * 0.2, 1e-7)
                    break
            damping *= 8.0
        if gain < LITTLE_GAIN:
            break
    return state
