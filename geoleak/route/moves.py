"""The structures one move away from a fit: bends dropped, merged, rounded, or laid afresh.

Every move puts other vertices in place of a few. Where marks are cut into straights, as for a first
guess, it is at the best cut of the marks, in order, into runs, by dynamic programming (Bellman, "On
the approximation of curves by line segments using dynamic programming", Comm. ACM 4, 1961; Jackson
et al., "An algorithm for optimal partitioning of data on an interval", IEEE Signal Process. Lett.
12, 2005), each run's misfit from prefix sums in O(1), and starts that can never win again dropped
(Killick, Fearnhead & Eckley, "Optimal detection of changepoints with a linear computational cost",
JASA 107, 2012).

Blocks of marks in a row that stand aside of the rest: a detour of the pipe or another line. A
locator that jumps to another line paints a block of good-looking marks a metre or two aside and
then returns; pipe that steps round an obstacle looks the same. Marks alone cannot tell, so both
lines are kept, at even odds (a guess of ours: no source), and both lengths are said.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from geoleak.record import Floats, Ints, Record
from geoleak.route.alignment import GREATEST_TURN_RAD, LEAST_RUN_M, Alignment, Stack, hints
from geoleak.route.solve import BEND_EVERY_M, FITTING_RAD, Observations, Solution, solve_many, split

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
    shape = fit.shape
    plain = [
        fitting(shape.laid(first, first + dropped))
        for dropped in (1, 2)
        for first in range(1, shape.runs - dropped + 1)
    ]
    plain += [*_merges(shape), *_roundings(shape)]
    aside = [detour(fit, marks, row) for row in outlier_rows(fit)]
    return plain + mended([*_relayings(fit, marks), *aside])


def _merges(shape: Alignment) -> Iterator[Alignment]:
    """Yield shapes in which neighbouring bends of one sense become one arc or one bend."""
    for first in range(1, shape.runs):
        for last in range(first + 1, min(first + 6, shape.runs)):
            turns = shape.turn[first : last + 1]
            if np.any(np.sign(turns) != np.sign(turns[0])) or abs(turns.sum()) > 2.2:
                break
            u, v = shape.unit[first - 1], shape.unit[last]
            a, b = shape.vertices[first - 1], shape.vertices[last + 1]
            cross, reach = _crossing((a, u), (b, v))
            if abs(cross) < 1e-3:
                continue
            corner = a + u * reach
            out = float(np.hypot(*(b - corner)))
            if reach <= LEAST_RUN_M or out <= LEAST_RUN_M or (b - corner) @ v <= 0:
                continue
            room = min(reach - shape.tangent_m[first - 1], out - shape.tangent_m[last + 1])
            for share in (0.9, 0.5, 0.0):
                yield shape.laid(first, last + 1, corner, max(share * room, 0.0))


def _roundings(shape: Alignment) -> Iterator[Alignment]:
    """Yield shapes with one bend rounded, or one arc made sharp."""
    length, tangent = shape.lengths, shape.tangent_m
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
    length, tangent = shape.lengths, shape.tangent_m.copy()
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
    length, unit = shape.lengths, shape.unit
    for k in np.flatnonzero(np.abs(shape.turn) > GREATEST_TURN_RAD)[::-1]:
        back, on = (min(BEVEL_M, 0.4 * each) for each in (length[k - 1], length[k]))
        corner = shape.vertices[k]
        pair = np.stack([corner - back * unit[k - 1], corner + on * unit[k]])
        shape = fitting(shape.laid(k, k + 1, pair))
    while shape.runs > 1 and not shape.allowed():
        size = np.abs(shape.turn[1:-1])
        near = np.minimum(shape.lengths[:-1], shape.lengths[1:])
        # The sharpest reversal goes first, then the straighter end of the shortest straight.
        sharp = bool(np.any(size > GREATEST_TURN_RAD))
        worst = int(np.argmax(size) if sharp else np.lexsort((size, near))[0])
        shape = fitting(shape.laid(worst + 1, worst + 2))
    return shape


CUT_CHARGE = 3.0
"""Times ln of the number of marks: the charge for a further straight."""
PAIR_CHARGE = 5.0
"""What a run of only two marks costs: its line fits them for nothing."""
LONE_CHARGE = 12.0


MOST_IN_TABLE = 48
"""So many ends of runs are worked out at once; then hopeless starts are dropped."""


def cut_charge(count: int) -> float:
    """Return what a further straight costs while so many marks are cut into first guesses.

    It grows with ln(number of marks), as in the Bayesian information criterion with the freedom of
    where a bend stands counted in (Schwarz, Ann. Stat. 6, 1978; Zhang & Siegmund, Biometrics 63,
    2007).
    """
    return CUT_CHARGE * float(np.log(max(count, 4)))


def last_starts(sums: Floats, charge: float, shares: tuple[float, ...]) -> Ints:
    """Return (n + 1, shares) where the last run of the best cut of the first 0, 1 ... marks begins.

    Parameters
    ----------
    sums : (n + 1, 6) array
        Of the marks, as `prefix_sums` gives them.
    charge : float
        Cost of each further run, in units of chi-square.
    shares : tuple of float
        Shares of this cost, and of what runs of few marks cost, at which the marks are cut.
    """
    count, share = len(sums) - 1, np.array(shares)
    # What runs of so few marks cost, whose lines fit them for nothing.
    few = np.zeros((max(count, 2) + 1, len(share)))
    few[1:3] = np.outer([LONE_CHARGE, PAIR_CHARGE], share)
    cost = np.empty((count + 1, len(share)))
    cost[0] = -charge * share
    came = np.zeros((count + 1, len(share)), dtype=np.int64)
    alive = np.zeros(1, dtype=np.int64)
    for first in range(1, count + 1, MOST_IN_TABLE):
        stops = np.arange(first, min(first + MOST_IN_TABLE, count + 1))
        starts = np.append(alive, stops)
        table = _misfit(sums[stops, None] - sums[starts])[..., None]
        charges = few[stops[:, None] - starts]
        spent = np.concatenate([cost[alive], np.empty((len(stops), len(share)))])
        for row, stop in enumerate(stops):
            known = len(alive) + row
            total = spent[:known] + table[row, :known]
            charged = total + charges[row, :known]
            came[stop] = starts[charged.argmin(axis=0)]
            cost[stop] = spent[known] = charged.min(axis=0) + charge * share
        # A start is dropped when it can win at no share.
        keep = (total <= cost[stop] + share * LONE_CHARGE).any(axis=1)
        alive = np.append(starts[:known][keep], stop)
    return came


def traced_back(came: Ints) -> list[int]:
    """Return the first mark of each run of the best cut of all marks, from its `last_starts`."""
    starts: list[int] = []
    stop = len(came) - 1
    while stop > 0:
        stop = int(came[stop])
        starts.append(stop)
    return starts[::-1]


def prefix_sums(points: Floats, weight: Floats) -> Floats:
    """Return running sums (n + 1, 6) of weight times 1, x, y, xx, xy, yy about the mean."""
    centred = points - points.mean(axis=0)
    x, y = centred[:, 0], centred[:, 1]
    terms = np.stack([np.ones_like(x), x, y, x * x, x * y, y * y], axis=1)
    return np.concatenate([np.zeros((1, 6)), np.cumsum(terms * weight[:, None], axis=0)])


def cut_costs(sums: Floats, *, between: int = 0) -> Floats:
    """Return the misfit of two lines for a cut after 2, 3 ... marks, so many between left out.

    From the running sums (n + 1, 6) over the marks, which may begin anywhere.
    """
    stop = len(sums) - 2
    before, after = sums[2 : stop - between], sums[2 + between : stop]
    return _misfit(before - sums[0]) + _misfit(sums[-1] - after)


def cut_misfit(sums: Floats, starts: Sequence[int]) -> float:
    """Return the misfit of marks cut into lines at `starts`, which need not meet, from sums."""
    bounds = sums[[*starts, len(sums) - 1]]
    return float(_misfit(bounds[1:] - bounds[:-1]).sum())


def _misfit(total: Floats) -> Floats:
    """Return the weighted squares of distance from the best line, from sums over runs (..., 6)."""
    mass, x, y, xx, xy, yy = np.moveaxis(total, -1, 0)
    # A run that ends before it begins, in a table, has none of it or less.
    weight = np.maximum(np.abs(mass), 1e-300)
    xx, xy, yy = xx - x**2 / weight, xy - x * y / weight, yy - y**2 / weight
    half = 0.5 * (xx + yy)
    spread = np.hypot(0.5 * (xx - yy), xy)
    return np.maximum(half - spread, 0.0)


def line_of(points: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return centroid and unit direction (from first towards last mark) of the best line."""
    centre = weight @ points / weight.sum()
    moved = points - centre
    scatter = (moved * weight[:, None]).T @ moved
    angle = 0.5 * np.arctan2(2 * scatter[0, 1], scatter[0, 0] - scatter[1, 1])
    direction = np.array([np.cos(angle), np.sin(angle)])
    if direction @ (points[-1] - points[0]) < 0:
        direction = -direction
    return centre, direction


def foot_on(line: tuple[Floats, Floats], point: Floats) -> Floats:
    """Return the foot (2,) of a point on a line given by a point and a unit direction."""
    centre, unit = line
    return np.asarray(centre + unit * ((point - centre) @ unit))


def first_vertices(points: Floats, weight: Floats, starts: list[int]) -> Floats:
    """Return vertices (k + 1, 2): ends on their lines, bends where neighbouring lines meet.

    Where two lines meet far from the gap between their marks, the middle of the gap stands in.
    """
    stops = [*starts[1:], len(points)]
    lines = []
    for start, stop in zip(starts, stops, strict=True):
        if stop - start == 1:
            low, high = max(start - 1, 0), min(stop + 1, len(points))
            direction = points[high - 1] - points[low]
            direction = direction / max(float(np.hypot(*direction)), 1e-9)
            lines.append((points[start], direction))
        else:
            lines.append(line_of(points[start:stop], weight[start:stop]))
    vertices = [foot_on(lines[0], points[0])]
    for start, one, two in zip(starts[1:], lines, lines[1:], strict=False):
        before, after = points[start - 1], points[start]
        middle = 0.5 * (foot_on(one, before) + two[0] + two[1] * ((after - two[0]) @ two[1]))
        cross, reach = _crossing(one, two)
        corner = one[0] + one[1] * reach
        near = np.hypot(*(corner - middle)) <= 1.5 * np.hypot(*(after - before))
        vertices.append(corner if abs(cross) >= 0.02 and near else middle)
    return np.array([*vertices, foot_on(lines[-1], points[-1])])


def _crossing(one: tuple[Floats, Floats], two: tuple[Floats, Floats]) -> tuple[float, float]:
    """Return the sine of the turn between two lines, and how far along the first they meet."""
    (a, u), (b, v) = one, two
    cross = float(u[0] * v[1] - u[1] * v[0])
    gap = float((b[0] - a[0]) * v[1] - (b[1] - a[1]) * v[0])
    return cross, gap / cross if cross else 0.0


LEAST_IN_BLOCK = 3
"""Outlier marks in a row that no longer pass for single slips of the locator."""
ASIDE_M = (0.5, 3.0)
"""How far aside a block stands: nearer is scatter, farther nobody takes for this pipe."""
LONGEST_LINK_M = 4.5
MOST_ON_LINK = 2
"""Pipe steps aside within a short straight that hardly a mark stands on."""
STRAIGHT_ON_RAD = np.deg2rad(8.0)


class Block(Record, eq=False):
    """Marks in a row aside of a line (indices, in order), and the fit of the other answer.

    ``followed`` tells whether the line in use runs along the marks; ``aside_m`` is their mean
    offset, right positive, from the line without them.
    """

    marks: Ints
    aside_m: float
    followed: bool
    other: Solution


def outlier_rows(fit: Solution) -> list[Ints]:
    """Return the rows of three outlier marks and more, in order, on one side of the line."""
    side = np.where(fit.sound < 0.5, np.sign(fit.where.offset_m), 0.0)
    edges = np.flatnonzero(np.diff(np.concatenate([[0.0], side, [0.0]])))
    rows = [np.arange(low, high) for low, high in pairwise(edges)]
    return [row for row in rows if len(row) >= LEAST_IN_BLOCK and side[row[0]] != 0.0]


def detour(fit: Solution, marks: Observations, row: Ints) -> Alignment:
    """Return the line led along a row of marks: out to them by a short link, and back."""
    shape, points = fit.shape, marks.points
    other = line_of(points[row], marks.sigma_m[row] ** -2.0)
    first, last = int(fit.where.run[row[0]]), int(fit.where.run[row[-1]])
    # Where the row is the first or the last of all, the line begins or ends on it.
    leaves, joins = [foot_on(other, points[0])], [foot_on(other, points[-1])]
    for at, run, link in ((row[0], first, leaves), (row[-1] + 1, last, joins)):
        if 0 < at < len(points):
            middle = points[at - 1 : at + 1].mean(axis=0)
            turn = foot_on((shape.vertices[run], shape.unit[run]), middle)
            link[:] = [turn, foot_on(other, turn)]
    begin = first + 1 if len(leaves) == 2 else 0
    stop = last + 1 if len(joins) == 2 else len(shape.vertices)
    return shape.laid(begin, stop, [*leaves, *joins[::-1]])


def blocks(fit: Solution, marks: Observations) -> list[Block]:
    """Return the blocks aside: those that the line leaves out and those that it follows."""
    rows = outlier_rows(fit)
    led = solve_many([detour(fit, marks, row) for row in rows], marks)
    found = [
        Block(row, _aside(fit, row), False, other)
        for row, other in zip(rows, led, strict=True)
        if other is not None
    ]
    for other in solve_many(list(_without_steps(fit)), marks):
        for row in [] if other is None else outlier_rows(other):
            assert other is not None
            # A stray or two of the row's own do not make the line run past it.
            if np.mean(fit.sound[row] > 0.5) > 0.5:
                found.append(Block(row, _aside(other, row), True, other))
    kept: list[Block] = []
    for each in found:
        if ASIDE_M[0] <= abs(each.aside_m) <= ASIDE_M[1] and not any(
            np.intersect1d(each.marks, other.marks).size for other in kept
        ):
            kept.append(each)
    return kept


def _aside(fit: Solution, row: Ints) -> float:
    return float(fit.where.offset_m[row].mean())


def _without_steps(fit: Solution) -> Iterator[Alignment]:
    """Yield the line led straight on past each stretch that steps take it aside to.

    A pair of steps out and back again; or one step and a parallel straight that ends at a bend,
    where the step back cannot be seen.
    """
    shape = fit.shape
    length, turn = shape.lengths, shape.turn
    on_run = np.bincount(fit.where.run, minlength=shape.runs)
    step = np.zeros(shape.runs)
    inner = slice(1, shape.runs - 1)
    step[inner] = np.where(
        (length[inner] <= LONGEST_LINK_M)
        & (on_run[inner] <= MOST_ON_LINK)
        & (turn[1:-2] * turn[2:-1] < 0),
        np.sign(turn[1:-2]),
        0.0,
    )
    parallel = np.zeros(shape.runs, dtype=bool)
    parallel[inner] = np.abs(turn[1:-2] + turn[2:-1]) <= STRAIGHT_ON_RAD
    for out in np.flatnonzero(step).tolist():
        for back in (out + 2, out + 3):
            if back < shape.runs - 1 and step[back] == -step[out]:
                yield _straight_on(shape, out, back)
    for at in np.flatnonzero((step != 0.0) & parallel).tolist():
        if at + 2 < shape.runs:
            yield _straight_on(shape, at, at + 1)
        if at > 1:
            yield _straight_on(shape, at - 1, at)


def _straight_on(shape: Alignment, first: int, last: int) -> Alignment:
    """Return a shape without its straights first..last, those beside them led on till they meet."""
    one, two = ((shape.vertices[k], shape.unit[k]) for k in (first - 1, last + 1))
    cross, reach = _crossing(one, two)
    if abs(cross) <= np.sin(STRAIGHT_ON_RAD):
        return shape.laid(first, last + 2)
    return shape.laid(first, last + 2, one[0] + reach * one[1])
