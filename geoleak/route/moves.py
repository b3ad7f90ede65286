"""The structures one move away from a fit: bends dropped, merged, rounded, or laid afresh.

Every move puts other vertices in place of a few. Where marks are cut into straights anew, the first
guesses of `partition` say where.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from geoleak.route.alignment import GREATEST_TURN_RAD, LEAST_RUN_M, Alignment, Stack, hints
from geoleak.route.blocks import MOST_ON_LINK, detour, outlier_rows
from geoleak.route.model import BEND_EVERY_M, FITTING_RAD, split
from geoleak.route.partition import (
    LONE_CHARGE,
    cut_charge,
    cut_costs,
    cut_misfit,
    first_vertices,
    foot_on,
    last_starts,
    line_of,
    prefix_sums,
    traced_back,
)
from geoleak.route.solve import Observations, Solution

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]

CUTS_AGAIN = (0.25, 0.5)
"""Shares of the charge at which a few neighbouring straights are cut afresh."""
MOST_REPLACED = 3
"""Neighbouring straights that are cut afresh or give way to a step aside at once."""
BEVEL_M = 1.5
"""How far from a reversal the two bends stand that take its place in a first guess."""
BEND_LEAST = 2.0 * float(np.log(BEND_EVERY_M))
"""A further bend costs no less, and one of an odd angle about as much again."""
LEAST_ROUNDED_M = 0.2
"""An arc of a shorter tangent is not tried."""


def proposals(fit: Solution, marks: Observations) -> list[Alignment]:
    """Return the structures one move away."""
    plain = [shape for move in (_drops, _merges, _roundings) for shape in move(fit, marks)]
    return plain + mended([shape for move in (_relayings, _detours) for shape in move(fit, marks)])


def _drops(fit: Solution, _marks: Observations) -> Iterator[Alignment]:
    """Yield shapes without one bend, or two neighbours."""
    for count in (1, 2):
        for first in range(1, fit.shape.runs - count + 1):
            yield fitting(fit.shape.laid(first, first + count))


def _merges(fit: Solution, _marks: Observations) -> Iterator[Alignment]:
    """Yield shapes in which neighbouring bends of one sense become one arc or one bend."""
    shape = fit.shape
    _, unit, turn = shape.parts
    for first in range(1, shape.runs):
        for last in range(first + 1, min(first + 6, shape.runs)):
            turns = turn[first : last + 1]
            if np.any(np.sign(turns) != np.sign(turns[0])) or abs(turns.sum()) > 2.2:
                break
            u, v = unit[first - 1], unit[last]
            a, b = shape.vertices[first - 1], shape.vertices[last + 1]
            cross = u[0] * v[1] - u[1] * v[0]
            if abs(cross) < 1e-3:
                continue
            reach = ((b[0] - a[0]) * v[1] - (b[1] - a[1]) * v[0]) / cross
            corner = a + u * reach
            out = float(np.hypot(*(b - corner)))
            if reach <= LEAST_RUN_M or out <= LEAST_RUN_M or (b - corner) @ v <= 0:
                continue
            room = min(reach - shape.tangent_m[first - 1], out - shape.tangent_m[last + 1])
            for share in (0.9, 0.5, 0.0):
                yield shape.laid(first, last + 1, corner, max(share * room, 0.0))


def _roundings(fit: Solution, _marks: Observations) -> Iterator[Alignment]:
    """Yield shapes with one bend rounded, or one arc made sharp."""
    shape = fit.shape
    length, _, _ = shape.parts
    tangent = shape.tangent_m
    for k in range(1, shape.runs):
        room = min(length[k - 1] - tangent[k - 1], length[k] - tangent[k + 1])
        for wider in (0.0,) if tangent[k] > 0 else (0.85 * room, 0.4 * room):
            if tangent[k] > 0 or wider > LEAST_ROUNDED_M:
                yield shape.laid(k, k + 1, shape.vertices[k], wider)


def _relayings(fit: Solution, marks: Observations) -> Iterator[Alignment]:
    """Yield shapes in which one to three neighbouring straights are laid afresh.

    Lines that need not meet fit no worse than any shape with as many bends: where even they gain
    less than the bends cost, none is tried.
    """
    shape = fit.shape
    deviance = split(fit.where.offset_m, marks.sigma_m)[0]
    stated = marks.sigma_m**-2.0
    every, robust = (prefix_sums(marks.points, weight) for weight in (stated, fit.weight))
    for first, last, held, starts in _stretches(shape, marks, every):
        points, weight = marks.points[held], stated[held]
        plain, sums = (each[held.start : held.stop + 1] for each in (every, robust))
        if last == first + 1:
            for each in (plain, sums):
                starts += [[0, cut] for cut in best_cuts(each)]
        spare = float(deviance[held].sum()) + 2.0 * BEND_LEAST * (last - first - 1)
        # The vertices around the stretch stay, but for the route's own ends.
        own = slice(int(first > 0), -1 if last < shape.runs else None)
        at = first + own.start, last + int(last == shape.runs)
        for cuts in dict.fromkeys(map(tuple, starts)):
            if 0 < BEND_LEAST * (len(cuts) - 1) <= spare - cut_misfit(sums, cuts):
                yield shape.laid(*at, first_vertices(points, weight, list(cuts))[own])
        apart = cut_costs(sums, between=min(MOST_ON_LINK, len(points) - 4))
        if spare - apart.min() >= 2.0 * BEND_LEAST:
            for line in _steps(points, weight, plain):
                yield shape.laid(*at, line[own])


def _stretches(
    shape: Alignment, marks: Observations, sums: Floats
) -> Iterator[tuple[int, int, slice, list[list[int]]]]:
    """Yield one to three neighbouring straights first..last-1, the marks on them, their best cuts.

    Cut once for the longest: where the last run begins is known for every mark on the way.
    """
    # In order: where pipe turns back, the nearest straight is often the wrong one.
    begin = np.searchsorted(hints(shape.stack, marks.points)[0], np.arange(shape.runs + 1))
    for first in range(shape.runs):
        most = min(first + MOST_REPLACED, shape.runs)
        longest = sums[begin[first] : begin[most] + 1]
        came = last_starts(longest, cut_charge(len(marks.points)), CUTS_AGAIN)
        for last in range(first + 1, most + 1):
            held = slice(int(begin[first]), int(begin[last]))
            if (count := held.stop - held.start) >= 4:
                yield first, last, held, [traced_back(each) for each in came[: count + 1].T]


def _steps(points: Floats, weight: Floats, sums: Floats) -> Iterator[Floats]:
    """Yield lines (4, 2) of two bends a step apart, where two lines fit the marks best.

    Pipe that steps aside or turns back within a metre or two: few marks or none stand on the link,
    and the first of the two bends alone gains nothing.
    """
    between, cut = _best_gap(sums)
    one = line_of(points[:cut], weight[:cut])
    two = line_of(points[cut + between :], weight[cut + between :])
    for pair in _links(one, two, points[cut - 1], points[cut + between]):
        yield np.stack([foot_on(one, points[0]), *pair, foot_on(two, points[-1])])


def _best_gap(sums: Floats) -> tuple[int, int]:
    """Return how many marks stand between two lines that fit the others best, and where."""
    best = (np.inf, 0, 0)
    for between in range(min(MOST_ON_LINK, len(sums) - 5) + 1):
        costs = cut_costs(sums, between=between)
        cut = int(np.argmin(costs))
        best = min(best, (float(costs[cut]) + between * LONE_CHARGE, between, cut + 2))
    return best[1:]


def _links(
    one: tuple[Floats, Floats], two: tuple[Floats, Floats], before: Floats, after: Floats
) -> Iterator[Floats]:
    """Yield the two ends (2, 2) of a short straight between two lines, at fittings' angles."""
    near, far = foot_on(one, before), foot_on(two, after)
    reach = float((far - near) @ one[1])
    if one[1] @ two[1] < 0:
        # Pipe that turns back does so beyond both marks.
        corner = near + one[1] * (max(reach, 0.0) + LEAST_RUN_M)
        yield np.stack([corner, foot_on(two, corner)])
        return
    half = near + 0.5 * reach * one[1]
    aside = float(np.hypot(*(foot_on(two, half) - half)))
    for angle in FITTING_RAD[1:]:
        if aside < LEAST_RUN_M * np.sin(angle):
            continue
        run = 0.5 * aside / np.tan(angle)
        # Between the marks beside it, or from the one on, or up to the other.
        for at in (0.5 * reach, run, reach - run):
            middle = near + at * one[1]
            yield np.stack([middle - run * one[1], foot_on(two, middle) + run * two[1]])


def best_cuts(sums: Floats, *, most: int = 2) -> list[int]:
    """Return where one run of marks is best cut into two lines, well apart from one another."""
    totals = cut_costs(sums)
    out: list[int] = []
    for place in np.argsort(totals, kind="stable"):
        cut = int(place) + 2
        if all(abs(cut - each) > 2 for each in out):
            out.append(cut)
        if len(out) == most:
            break
    return out


def fitting(shape: Alignment) -> Alignment:
    """Return the shape with arcs shortened until they fit their straights."""
    if not shape.tangent_m.any():
        return shape
    length, _, _ = shape.parts
    tangent = shape.tangent_m.copy()
    for k in shape.arcs:
        tangent[k] = min(tangent[k], 0.45 * min(length[k - 1], length[k]))
    return Alignment(shape.vertices, tangent)


def mended(shapes: Sequence[Alignment]) -> list[Alignment]:
    """Return shapes changed until each can lie in a trench.

    One impossible corner must not lose all the others of a first guess: a reversal becomes two
    bends a step apart, which is what pipe that turns back has; what is still wrong is left out.
    """
    if not shapes:
        return []
    stack = Stack.of(shapes)
    fine = stack.allowed() & ~stack.tangent_m.any(axis=1)
    return [each if good else _mended(each) for each, good in zip(shapes, fine, strict=True)]


def _mended(shape: Alignment) -> Alignment:
    shape = fitting(shape)
    length, unit, turn = shape.parts
    for k in np.flatnonzero(np.abs(turn) > GREATEST_TURN_RAD)[::-1]:
        back, on = (min(BEVEL_M, 0.4 * each) for each in (length[k - 1], length[k]))
        corner = shape.vertices[k]
        pair = np.stack([corner - back * unit[k - 1], corner + on * unit[k]])
        shape = fitting(shape.laid(k, k + 1, pair))
    while shape.runs > 1 and not shape.allowed():
        length, _, turn = shape.parts
        size = np.abs(turn[1:-1])
        near = np.minimum(length[:-1], length[1:])
        # The sharpest reversal goes first, then the straighter end of the shortest straight.
        if np.any(size > GREATEST_TURN_RAD):
            worst = int(np.argmax(size))
        else:
            worst = int(np.lexsort((size, near))[0])
        shape = fitting(shape.laid(worst + 1, worst + 2))
    return shape


def _detours(fit: Solution, marks: Observations) -> Iterator[Alignment]:
    """Yield shapes led along three outlier marks and more in a row."""
    return (detour(fit, marks, row) for row in outlier_rows(fit))
