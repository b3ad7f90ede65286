"""Joint robust fits of all vertices of routes of given structure, many structures at once.

Levenberg-Marquardt on the equivalent least squares of the heavy-tailed likelihood (iteratively
reweighted; Holland & Welsch, Commun. Stat. A6, 1977) and of what bends are like, each step kept
only if the fit gains and the route stays one that can lie in a trench. What the fit believes:

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

from collections.abc import Iterator, Sequence
from typing import Any, NamedTuple

import numpy as np
from msgspec.structs import astuple

from geoleak.record import Bools, Floats, Ints, Record
from geoleak.route.alignment import Alignment, Feet, Stack, feet_of, hints, jacobian

MOST_STEPS = 16
FIRST_STEPS = 3
"""After so many steps a proposal that is hopelessly behind is given up."""
MOST_TRIES = 5
LONG = 300
"""Of more marks than this the normal equations are summed band by band,"""
RUNS_AT_ONCE = 8
"""so many straights at a time."""
LITTLE_GAIN = 0.01

STRAY_SHARE = 0.03
"""Chance that a mark is a stray before it is looked at; about 1 in 40 in the trade's experience."""
TAIL_OF_SIGMA = 6.0
TAIL_LEAST_M = 0.30

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


class Observations(Record):
    """Marks in order, ready to fit.

    ``fixed`` points belong to the pipe as shot (a meter): no locator error, never a stray.
    """

    points: Floats
    sigma_m: Floats
    sigma_along_m: Floats
    fixed: Bools

    def part(self, first: int, stop: int) -> Observations:
        """Return the marks first..stop-1."""
        cut = slice(first, stop)
        return Observations(*(each[cut] for each in astuple(self)))


class Solution(Record):
    """A fitted alignment and how the marks lie about it.

    ``cost`` is -2 ln of the likelihood of the marks and of the density of the turns. ``score`` is
    -2 ln of the evidence, up to a constant: the cost, the posterior's volume over the prior's
    (Laplace) and what bends cost. ``scale`` is what the marks' stated sigma was multiplied by.
    """

    shape: Alignment
    cost: float
    score: float
    where: Feet
    weight: Floats
    sound: Floats
    scale: float = 1.0

    @property
    def kind(self) -> tuple[int, int]:
        """Number of straights and of arcs."""
        return self.shape.runs, len(self.shape.arcs)


class _State(NamedTuple):
    """Where the fits of a stack stand: its arrays, and the normal equations there."""

    vertices: Floats
    tangent_m: Floats
    runs: Ints
    run: Ints
    cost: Floats
    matrix: Floats
    right: Floats

    @property
    def stack(self) -> Stack:
        """The stack, of the width that its equations have."""
        return Stack(self.vertices, self.tangent_m, self.runs, self.matrix.shape[1])

    def taken(self, rows: Ints) -> _State:
        """Return some rows."""
        return _State._make(each[rows] for each in self)


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


def residuals(
    stack: Stack, marks: Observations, sigma_m: Floats, hint: Ints
) -> tuple[Feet, Floats, Floats, Floats]:
    """Return feet, cost (p,), weight (p, n) and chance of being sound (p, n)."""
    where = feet_of(stack, marks.points, hint)
    deviance, weight, sound = split(where.offset_m, sigma_m)
    if marks.fixed.any():
        at = marks.fixed
        weight[:, at] = np.broadcast_to(sigma_m, weight.shape)[:, at] ** -2.0
        deviance[:, at] = where.offset_m[:, at] ** 2 * weight[:, at]
        sound[:, at] = 1.0
    cost = deviance.sum(axis=1)
    for _, _, gap, sigma in _ends(stack, marks):
        cost += (gap / sigma) ** 2
    return where, cost, weight, sound


def _ends(stack: Stack, marks: Observations) -> list[tuple[Ints, Floats, Floats, float]]:
    """Return vertex (p,), direction (p, 2), gap (p,) along the pipe and its sigma at both ends."""
    each = np.arange(len(stack))
    out = []
    for (vertex, way), mark in zip(stack.ends, (0, -1), strict=True):
        gap = ((marks.points[mark] - stack.vertices[each, vertex]) * way).sum(axis=1)
        out.append((vertex, way, gap, float(marks.sigma_along_m[mark])))
    return out


def turn_slopes(stack: Stack) -> Floats:
    """Return the derivatives (p, k - 1, size) of the turns at inner vertices."""
    length, east, north, _ = stack.parts
    rows, most = length.shape
    out = np.zeros((rows, most - 1, stack.size))
    inverse = np.where(stack.used, 1.0 / np.maximum(length, 1e-6), 0.0)
    east, north = north * inverse, -east * inverse
    corner = np.arange(most - 1)
    column = 2 * corner
    for axis, way in ((0, east), (1, north)):
        out[:, corner, column + axis] = way[:, :-1]
        out[:, corner, column + 2 + axis] = -way[:, :-1] - way[:, 1:]
        out[:, corner, column + 4 + axis] = way[:, 1:]
    return out


def equations(
    stack: Stack, marks: Observations, where: Feet, weight: Floats
) -> tuple[Floats, Floats, Floats]:
    """Return J'WJ (p, m, m) of the marks, the downhill right-hand side (p, m), and J (p, n, m)."""
    slope = jacobian(stack, where)
    if len(stack) == 1 and len(marks.points) > LONG:
        matrix, right = _in_bands(stack, where, weight, slope)
    else:
        weighted = (slope * weight[..., None]).transpose(0, 2, 1)
        matrix = weighted @ slope
        right = -(weighted @ where.offset_m[..., None])[..., 0]
    each = np.arange(len(stack))
    for vertex, way, gap, sigma in _ends(stack, marks):
        for i in (0, 1):
            right[each, 2 * vertex + i] += way[:, i] * gap / sigma**2
            for j in (0, 1):
                matrix[each, 2 * vertex + i, 2 * vertex + j] += way[:, i] * way[:, j] / sigma**2
    return matrix, right, slope


def _in_bands(stack: Stack, where: Feet, weight: Floats, slope: Floats) -> tuple[Floats, Floats]:
    """Return J'WJ and the right-hand side of one long route, a few straights at a time.

    A mark moves with the corners beside it alone: all other products are zero.
    """
    coordinates = 2 * (stack.most + 1)
    matrix, right = np.zeros((stack.size, stack.size)), np.zeros(stack.size)
    for first in range(0, stack.most, RUNS_AT_ONCE):
        stop = first + RUNS_AT_ONCE
        rows = np.flatnonzero((where.run[0] >= first) & (where.run[0] < stop))
        near = np.arange(max(2 * (first - 1), 0), min(2 * (stop + 2), coordinates))
        columns = np.concatenate([near, np.arange(coordinates, stack.size)])
        part = slope[0][np.ix_(rows, columns)]
        weighted = (part * weight[0, rows, None]).T
        matrix[np.ix_(columns, columns)] += weighted @ part
        right[columns] -= weighted @ where.offset_m[0, rows]
    return matrix[None], right[None]


def with_turns(
    stack: Stack, matrix: Floats, right: Floats, *, curved: bool
) -> tuple[Floats, Floats, Floats]:
    """Return the equations with what the turns of inner vertices add, and their cost (p,).

    ``curved``: by the cost's own curvature, not by that of squares that lie above it.
    """
    if stack.most < 2:
        return matrix, right, np.zeros(len(stack))
    inner = np.arange(1, stack.most)[None, :] < stack.runs[:, None]
    sharp = inner & (stack.tangent_m[:, 1:-1] == 0)
    cost, pull, *weights = turn_cost(stack.parts[3][:, 1:-1], sharp)
    rows = turn_slopes(stack)
    lever = rows.transpose(0, 2, 1)
    return (
        matrix + (lever * weights[curved][:, None, :]) @ rows,
        right - (lever @ pull[..., None])[..., 0],
        np.where(inner, cost, 0.0).sum(axis=1),
    )


def _state(stack: Stack, marks: Observations, sigma_m: Floats, hint: Ints) -> _State:
    where, cost, weight, _ = residuals(stack, marks, sigma_m, hint)
    matrix, right, _ = equations(stack, marks, where, weight)
    matrix, right, turns = with_turns(stack, matrix, right, curved=False)
    fixed = stack.vertices, stack.tangent_m, stack.runs
    return _State(*fixed, where.run, cost + turns, matrix, right)


def solve_many(
    shapes: Sequence[Alignment],
    marks: Observations,
    hint: Ints | None = None,
    *,
    sigma_m: Floats | None = None,
    give_up: Floats | None = None,
    most_steps: int = MOST_STEPS,
) -> list[Solution | None]:
    """Return the best alignment near each shape; None where none is allowed or it was given up.

    Parameters
    ----------
    shapes : sequence of Alignment
    marks : Observations
    hint : (p, n) array, optional
        The straight that each mark belongs to; the nearest in order if left out.
    sigma_m : (p, n) array, optional
        In place of the marks' own.
    give_up : (p,) array, optional
        A fit that costs more than this after its first steps is not followed.
    most_steps : int
        A fit is done after so many, or when a step gains less than `LITTLE_GAIN`.
    """
    found: list[Solution | None] = [None] * len(shapes)
    if not len(shapes):
        return found
    whole = Stack.of(shapes)
    who = np.flatnonzero(whole.allowed())
    if not len(who):
        return found
    sound = whole.taken(who)
    held = hints(sound, marks.points) if hint is None else hint[who]
    shown = (len(shapes), len(marks.points))
    sigma = np.broadcast_to(marks.sigma_m if sigma_m is None else sigma_m, shown)[who]
    limit = np.full(len(who), np.inf) if give_up is None else give_up[who]
    first = _state(sound, marks, sigma, held)
    ended = list(_descended(first, marks, sigma, limit, most_steps))
    if not ended:
        return found
    rows = np.concatenate([each for each, _ in ended])
    states = _State._make(map(np.concatenate, zip(*(state for _, state in ended), strict=True)))
    for row, solution in zip(who[rows], _solutions(states, marks, sigma[rows]), strict=True):
        found[row] = solution
    return found


def _descended(
    state: _State,
    marks: Observations,
    sigma_m: Floats,
    limit: Floats,
    most_steps: int,
) -> Iterator[tuple[Ints, _State]]:
    """Yield rows with their states as they are done; rows that cost more than `limit` are left."""
    who = np.arange(len(sigma_m))
    damping = np.full(len(who), 1e-3)
    steps, tries = np.zeros(len(who)), np.zeros(len(who))
    while len(who):
        trial, fine, hoped = _stepped(state, marks, sigma_m[who], damping)
        better = fine & (trial.cost < state.cost)
        gain = np.where(better, state.cost - trial.cost, 0.0)
        if better.all():
            state = trial
        elif better.any():
            state = _State._make(_chosen(better, *each) for each in zip(trial, state, strict=True))
        damping = np.where(better, np.maximum(damping * 0.2, 1e-7), damping * 8.0)
        steps, tries = steps + better, np.where(better, 0, tries + 1)
        over = (better & (gain < LITTLE_GAIN)) | (hoped < LITTLE_GAIN)
        over |= (tries >= MOST_TRIES) | (steps >= most_steps)
        hopeless = (steps >= FIRST_STEPS) & (state.cost > limit[who])
        ended, going = np.flatnonzero(over & ~hopeless), np.flatnonzero(~(over | hopeless))
        if len(ended):
            yield who[ended], state.taken(ended)
        if len(going) < len(who):
            state, who = state.taken(going), who[going]
            damping, steps, tries = damping[going], steps[going], tries[going]


def _chosen(better: Bools, now: Any, was: Any) -> Any:
    return np.where(better.reshape(-1, *[1] * (was.ndim - 1)), now, was)


def _stepped(
    state: _State, marks: Observations, sigma_m: Floats, damping: Floats
) -> tuple[_State, Bools, Floats]:
    """Return the state one damped step on, which of its routes are allowed, and the gain hoped."""
    size = state.matrix.shape[1]
    diagonal = np.einsum("pii->pi", state.matrix)
    ridge = np.maximum(diagonal, 1e-3 * diagonal.max(axis=1)[:, None]) * damping[:, None]
    damped = state.matrix.copy()
    damped[:, np.arange(size), np.arange(size)] += ridge
    step = np.asarray(np.linalg.solve(damped, state.right[..., None])[..., 0], dtype=float)
    moved = state.stack.moved(step)
    hoped = (state.right * step).sum(axis=1)
    return _state(moved, marks, sigma_m, state.run), moved.allowed(), hoped


def _solutions(state: _State, marks: Observations, sigma_m: Floats) -> list[Solution]:
    stack = state.stack
    where, _, weight, sound = residuals(stack, marks, sigma_m, state.run)
    matrix, _ = curvature(stack, marks, where, weight)
    arcs = (stack.tangent_m > 0.0).sum(axis=1)
    score = state.cost + volume(stack, matrix, marks.points)
    score += bend_charge(stack.runs - 1 - arcs, arcs)
    return [
        Solution(stack.shape(row), float(state.cost[row]), float(score[row]), where.row(row), *own)
        for row, own in enumerate(zip(weight, sound, strict=True))
    ]


def curvature(
    stack: Stack, marks: Observations, where: Feet, weight: Floats
) -> tuple[Floats, Floats]:
    """Return the curvature (p, m, m) of half the cost, and J (p, n, m) of the marks."""
    matrix, right, slope = equations(stack, marks, where, weight)
    return with_turns(stack, matrix, right, curved=True)[0], slope


def misfit(shape: Alignment, marks: Observations, hint: Ints) -> Solution:
    """Return how the marks lie about an alignment, without moving it."""
    stack = shape.stack
    return _solutions(_state(stack, marks, marks.sigma_m, hint[None, :]), marks, marks.sigma_m)[0]


def normal_equations(state: Solution, marks: Observations) -> tuple[Floats, Floats]:
    """Return the curvature (m, m) of half the cost, free parts held, and J (n, m) of the marks."""
    stack = state.shape.stack
    where = Feet(*(each[None] for each in astuple(state.where)))
    matrix, slope = curvature(stack, marks, where, state.weight[None])
    return matrix[0] + np.diag(weak_prior(stack, marks.points)[0]), slope[0]
