"""Joint robust fits of all vertices of routes of given structure, many structures at once.

Levenberg-Marquardt on the equivalent least squares of the heavy-tailed likelihood (iteratively
reweighted; Holland & Welsch, Commun. Stat. A6, 1977) and of what bends are like, each step kept
only if the fit gains and the route stays one that can lie in a trench.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from geoleak.record import Record
from geoleak.route.alignment import Alignment, Feet, Stack, feet_of, hints, jacobian
from geoleak.route.model import bend_charge, split, turn_cost, volume, weak_prior

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

MOST_STEPS = 16
FIRST_STEPS = 3
"""After so many steps a proposal that is hopelessly behind is given up."""
MOST_TRIES = 5
LONG = 300
"""Of more marks than this the normal equations are summed band by band,"""
RUNS_AT_ONCE = 8
"""so many straights at a time."""
LITTLE_GAIN = 0.01


class Observations(Record):
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


class _State(Struct, eq=False):
    """Where the fits of a stack stand."""

    stack: Stack
    run: Ints
    cost: Floats
    matrix: Floats
    right: Floats


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


def _turns(stack: Stack) -> tuple[Floats, Floats, Floats, Floats]:
    """Return what the turns of inner vertices cost (p,), and pull, stiffness, curvature there."""
    inner = np.arange(1, stack.most)[None, :] < stack.runs[:, None]
    cost, pull, stiff, curved = turn_cost(
        stack.parts[3][:, 1:-1], inner & (stack.tangent_m[:, 1:-1] == 0)
    )
    return np.where(inner, cost, 0.0).sum(axis=1), pull, stiff, curved


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
    stack: Stack, matrix: Floats, right: Floats, pull: Floats, stiff: Floats
) -> tuple[Floats, Floats]:
    """Return the equations with what the turns add."""
    if stack.most < 2:
        return matrix, right
    rows = turn_slopes(stack)
    lever = rows.transpose(0, 2, 1)
    return (
        matrix + (lever * stiff[:, None, :]) @ rows,
        right - (lever @ pull[..., None])[..., 0],
    )


def _state(stack: Stack, marks: Observations, sigma_m: Floats, hint: Ints) -> _State:
    where, cost, weight, _ = residuals(stack, marks, sigma_m, hint)
    matrix, right, _ = equations(stack, marks, where, weight)
    if stack.most > 1:
        turns, pull, stiff, _ = _turns(stack)
        cost = cost + turns
        matrix, right = with_turns(stack, matrix, right, pull, stiff)
    return _State(stack, where.run, cost, matrix, right)


def _combined(make: Callable[..., Any], *states: _State) -> _State:
    """Return the state whose arrays `make` makes of those of some states, kept at their width."""

    def each(records: Sequence[object], *names: str) -> list[Any]:
        return [make(*(getattr(one, name) for one in records)) for name in names]

    stacks = [one.stack for one in states]
    vertices, tangent, runs = each(stacks, "vertices", "tangent_m", "runs")
    stack = Stack(vertices, tangent, runs, stacks[0].size)
    return _State(stack, *each(states, "run", "cost", "matrix", "right"))


def _bettered(old: _State, new: _State, better: NDArray[np.bool_]) -> _State:
    """Return the state in which the rows that gained are replaced."""
    if better.all():
        return new
    if not better.any():
        return old

    def chosen(was: Floats, now: Floats) -> Floats:
        return np.where(better.reshape(-1, *[1] * (was.ndim - 1)), now, was)

    return _combined(chosen, old, new)


def _taken(state: _State, rows: Ints) -> _State:
    """Return some rows of a state."""
    return _combined(lambda whole: whole[rows], state)


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
    solutions = _solutions(
        _combined(lambda *a: np.concatenate(a), *(state for _, state in ended)), marks, sigma[rows]
    )
    for row, solution in zip(who[rows], solutions, strict=True):
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
        state = _bettered(state, trial, better)
        damping = np.where(better, np.maximum(damping * 0.2, 1e-7), damping * 8.0)
        steps, tries = steps + better, np.where(better, 0, tries + 1)
        over = (better & (gain < LITTLE_GAIN)) | (hoped < LITTLE_GAIN)
        over |= (tries >= MOST_TRIES) | (steps >= most_steps)
        hopeless = (steps >= FIRST_STEPS) & (state.cost > limit[who])
        ended, going = np.flatnonzero(over & ~hopeless), np.flatnonzero(~(over | hopeless))
        if len(ended):
            yield who[ended], _taken(state, ended)
        if len(going) < len(who):
            state, who = _taken(state, going), who[going]
            damping, steps, tries = damping[going], steps[going], tries[going]


def _stepped(
    state: _State, marks: Observations, sigma_m: Floats, damping: Floats
) -> tuple[_State, NDArray[np.bool_], Floats]:
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
        Solution(
            stack.shape(row),
            float(state.cost[row]),
            float(score[row]),
            where.row(row),
            weight[row],
            sound[row],
        )
        for row in range(len(stack))
    ]


def curvature(
    stack: Stack, marks: Observations, where: Feet, weight: Floats
) -> tuple[Floats, Floats]:
    """Return the curvature (p, m, m) of half the cost, and J (p, n, m) of the marks."""
    matrix, right, slope = equations(stack, marks, where, weight)
    if stack.most > 1:
        _, pull, _, curved = _turns(stack)
        matrix, _ = with_turns(stack, matrix, right, pull, curved)
    return matrix, slope


def misfit(shape: Alignment, marks: Observations, hint: Ints) -> Solution:
    """Return how the marks lie about an alignment, without moving it."""
    stack = shape.stack
    return _solutions(_state(stack, marks, marks.sigma_m, hint[None, :]), marks, marks.sigma_m)[0]


def normal_equations(state: Solution, marks: Observations) -> tuple[Floats, Floats]:
    """Return the curvature (m, m) of half the cost, free parts held, and J (n, m) of the marks."""
    stack = state.shape.stack
    where = Feet(*(getattr(state.where, name)[None] for name in Feet.__struct_fields__))
    matrix, slope = curvature(stack, marks, where, state.weight[None])
    return matrix[0] + np.diag(weak_prior(stack, marks.points)[0]), slope[0]
