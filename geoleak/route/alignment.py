"""The shape of a route: points of intersection joined by straights, each corner sharp or rounded.

As a surveyor sets out a centre line: ``vertices`` are the points of intersection (PI),
``tangent_m`` the distance from a PI to the tangent point of the arc that rounds it (0: a sharp
bend). The radius follows as ``tangent / tan(deflection / 2)`` (elementary geometry).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

SAGITTA_M = 0.0005
"""How far a chord of the drawn arc may leave the arc."""
LEAST_RUN_M = 0.35
"""Shorter straights between two bends are refused: no two fittings stand closer in a trench."""
GREATEST_TURN_RAD = np.deg2rad(125.0)
"""A sharper turn at one point is a reversal, which no single fitting makes."""
FLAT_RAD = 1e-6


@dataclass(frozen=True, slots=True)
class Alignment:
    """Points of intersection and tangent lengths.

    Parameters
    ----------
    vertices : (k + 1, 2) array
        Easting, northing of the start, the PIs and the end; metres.
    tangent_m : (k + 1,) array
        Tangent length at each; 0 at both ends and at sharp bends.
    """

    vertices: Floats
    tangent_m: Floats
    _memo: dict[str, Any] = field(default_factory=dict, repr=False, compare=False)

    @property
    def runs(self) -> int:
        """Number of straights."""
        return len(self.vertices) - 1

    @property
    def arcs(self) -> Ints:
        """Indices of the rounded corners."""
        if "arcs" not in self._memo:
            self._memo["arcs"] = (self.tangent_m > 0.0).nonzero()[0]
        return self._memo["arcs"]

    def parts(self) -> tuple[Floats, Floats, Floats]:
        """Return the straights' lengths (k,), unit directions (k, 2), and turns (k + 1,) in rad.

        A turn to the right is positive; the ends turn by 0.
        """
        if "parts" not in self._memo:
            step = self.vertices[1:] - self.vertices[:-1]
            length = np.hypot(step[:, 0], step[:, 1])
            unit = step / np.maximum(length, 1e-12)[:, None]
            turn = np.zeros(len(self.vertices))
            if len(unit) > 1:
                before, after = unit[:-1], unit[1:]
                cross = before[:, 1] * after[:, 0] - before[:, 0] * after[:, 1]
                turn[1:-1] = np.arctan2(cross, (before * after).sum(axis=1))
            self._memo["parts"] = (length, unit, turn)
        return self._memo["parts"]

    def allowed(self) -> bool:
        """Tell whether no straight is too short, no turn a reversal and no arcs overlap."""
        length, _, turn = self.parts()
        if np.any(np.abs(turn) > np.where(self.tangent_m > 0, 2.6, GREATEST_TURN_RAD)):
            return False
        free = length - self.tangent_m[:-1] - self.tangent_m[1:]
        rounded = (self.tangent_m[:-1] > 0) | (self.tangent_m[1:] > 0)
        if np.any(free[rounded] < -1e-9):
            return False
        return bool(np.all(length >= LEAST_RUN_M)) and bool(np.all(self.tangent_m >= 0))

    def parameters(self) -> Floats:
        """Return the free numbers: vertices row by row, then tangent lengths of the arcs."""
        return np.concatenate([self.vertices.ravel(), self.tangent_m[self.arcs]])

    def moved(self, step: Floats) -> Alignment:
        """Return the alignment with `step` added to its `parameters`."""
        size = self.vertices.size
        tangent = self.tangent_m.copy()
        tangent[self.arcs] = np.maximum(tangent[self.arcs] + step[size:], 1e-3)
        return Alignment(self.vertices + step[:size].reshape(-1, 2), tangent)

    def centres(self) -> tuple[Floats, Floats, Floats]:
        """Return centre (k + 1, 2), radius (k + 1,) and turn of each corner; radius 0 if sharp."""
        if "centres" not in self._memo:
            _, unit, turn = self.parts()
            centre = self.vertices.copy()
            radius = np.zeros(len(turn))
            for k in self.arcs:
                half = abs(turn[k]) / 2
                if half < FLAT_RAD:
                    continue
                radius[k] = self.tangent_m[k] / np.tan(half)
                right = np.array([unit[k - 1, 1], -unit[k - 1, 0]])
                centre[k] += radius[k] * np.sign(turn[k]) * right - self.tangent_m[k] * unit[k - 1]
            self._memo["centres"] = (centre, radius, turn)
        return self._memo["centres"]

    def length_m(self) -> float:
        """Return the length along straights and arcs."""
        length, _, turn = self.parts()
        _, radius, _ = self.centres()
        return float(np.sum(length) + np.sum(radius * np.abs(turn) - 2 * self.tangent_m))

    def drawn_share(self) -> float:
        """Return the length of the line as drawn (arcs in chords) over its true length."""
        if "drawn" not in self._memo:
            step = np.diff(self.polyline(), axis=0)
            self._memo["drawn"] = float(np.hypot(step[:, 0], step[:, 1]).sum() / self.length_m())
        return float(self._memo["drawn"])

    def stations(self) -> Floats:
        """Return chainages (k + 1, 2) at which each corner begins and ends."""
        length, _, turn = self.parts()
        _, radius, _ = self.centres()
        around = radius * np.abs(turn)
        around = np.where(radius > 0, around, 2 * self.tangent_m)
        free = length - self.tangent_m[:-1] - self.tangent_m[1:]
        begin = np.concatenate([[0.0], np.cumsum(free + around[:-1])])
        return np.stack([begin, begin + around], axis=1)

    def polyline(self) -> Floats:
        """Return the vertices (m, 2) of the line with arcs drawn as fine chords."""
        _, unit, turn = self.parts()
        centre, radius, _ = self.centres()
        pieces: list[Floats] = []
        for k, vertex in enumerate(self.vertices):
            if radius[k] <= 0:
                pieces.append(vertex[None, :])
                continue
            step = 2 * np.arccos(max(1 - SAGITTA_M / radius[k], 0.5))
            count = max(2, int(np.ceil(abs(turn[k]) / step)) + 1)
            first = vertex - self.tangent_m[k] * unit[k - 1] - centre[k]
            angle = -np.linspace(0.0, turn[k], count)
            cos, sin = np.cos(angle), np.sin(angle)
            pieces.append(
                centre[k]
                + np.stack(
                    [first[0] * cos - first[1] * sin, first[0] * sin + first[1] * cos], axis=1
                )
            )
        return np.concatenate(pieces)

    def positions(self, chainage_m: Floats) -> tuple[Floats, Floats]:
        """Return positions (m, 2) and unit directions (m, 2) at chainages, exact on arcs.

        Before the start and beyond the end the first and last straight run on.
        """
        _, unit, turn = self.parts()
        centre, radius, _ = self.centres()
        station = self.stations()
        chainage = np.asarray(chainage_m, dtype=float)
        run = np.clip(np.searchsorted(station[1:-1, 1], chainage, side="right"), 0, self.runs - 1)
        along = chainage - station[run, 1] + self.tangent_m[run]
        direction = unit[run].copy()
        point = self.vertices[run] + along[:, None] * direction
        corner = np.minimum(run + 1, self.runs)
        on_arc = (radius[corner] > 0) & (chainage > station[corner, 0])
        if np.any(on_arc):
            k = corner[on_arc]
            angle = -np.sign(turn[k]) * (chainage[on_arc] - station[k, 0]) / radius[k]
            cos, sin = np.cos(angle), np.sin(angle)
            first = self.vertices[k] - self.tangent_m[k, None] * unit[k - 1] - centre[k]
            point[on_arc, 0] = centre[k, 0] + first[:, 0] * cos - first[:, 1] * sin
            point[on_arc, 1] = centre[k, 1] + first[:, 0] * sin + first[:, 1] * cos
            old = unit[k - 1]
            direction[on_arc, 0] = old[:, 0] * cos - old[:, 1] * sin
            direction[on_arc, 1] = old[:, 0] * sin + old[:, 1] * cos
        return point, direction


@dataclass(frozen=True, slots=True)
class Feet:
    """Where each mark stands beside an alignment.

    ``offset_m`` is signed (right positive); ``run`` is the straight, ``corner`` the arc or sharp
    bend the mark is nearest to (-1: a straight). ``share`` is the place along the straight, 0 to 1.
    """

    offset_m: Floats
    run: Ints
    corner: Ints
    share: Floats
    normal: Floats
    """(n, 2) direction in which the offset grows."""


def feet(shape: Alignment, points: Floats, hint: Ints) -> Feet:
    """Return the nearest place of each mark among the straights beside its `hint`.

    Looking only one straight to either side keeps the two legs of a hairpin apart.
    """
    length, unit, _ = shape.parts()
    count, runs = len(points), shape.runs
    best = np.full(count, np.inf)
    run = np.clip(hint, 0, runs - 1)
    chosen = run.copy()
    corner = np.full(count, -1, dtype=np.int64)
    along_chosen = np.zeros(count)
    for shift in (0, -1, 1):
        k = run + shift
        valid = (k >= 0) & (k < runs)
        k = np.clip(k, 0, runs - 1)
        relative = points - shape.vertices[k]
        along = np.sum(relative * unit[k], axis=1)
        low, high = shape.tangent_m[k], length[k] - shape.tangent_m[k + 1]
        # The first and last straight run on past the ends: a mark there is still beside the line.
        low = np.where(k == 0, -np.inf, low)
        high = np.where(k == runs - 1, np.inf, high)
        inside = np.minimum(np.maximum(along, low), high)
        across = relative[:, 0] * unit[k, 1] - relative[:, 1] * unit[k, 0]
        distance = np.where(valid, np.hypot(across, along - inside), np.inf)
        better = distance < best - 1e-12
        best = np.where(better, distance, best)
        chosen = np.where(better, k, chosen)
        along_chosen = np.where(better, along, along_chosen)
        corner = np.where(
            better, np.where(along < low, k, np.where(along > high, k + 1, -1)), corner
        )
    _onto_arcs(shape, points, run, best, chosen, corner)
    normal = np.stack([unit[chosen, 1], -unit[chosen, 0]], axis=1)
    offset = np.sum((points - shape.vertices[chosen]) * normal, axis=1)
    _from_corners(shape, points, corner, offset, normal)
    share = along_chosen / np.maximum(length[chosen], 1e-12)
    return Feet(offset, chosen, corner, share, normal)


def _from_corners(
    shape: Alignment, points: Floats, corner: Ints, offset: Floats, normal: Floats
) -> None:
    """Measure marks nearest to an arc or a sharp bend from its centre (in place)."""
    bent = corner >= 0
    if not np.any(bent):
        return
    centre, radius, turn = shape.centres()
    k = corner[bent]
    spoke = points[bent] - centre[k]
    reach = np.maximum(np.hypot(spoke[:, 0], spoke[:, 1]), 1e-9)
    side = np.where(turn[k] >= 0, -1.0, 1.0)
    offset[bent] = side * (reach - radius[k])
    normal[bent] = side[:, None] * spoke / reach[:, None]


def _onto_arcs(
    shape: Alignment, points: Floats, run: Ints, best: Floats, chosen: Ints, corner: Ints
) -> None:
    """Give marks that are nearest to an arc to that arc (in place)."""
    if not len(shape.arcs):
        return
    _, unit, _ = shape.parts()
    centre, radius, _ = shape.centres()
    for k in shape.arcs:
        if radius[k] <= 0:
            continue
        near = np.flatnonzero((run >= k - 2) & (run <= k + 1))
        relative = points[near] - shape.vertices[k]
        past_start = relative @ unit[k - 1] >= -shape.tangent_m[k]
        before_end = relative @ unit[k] <= shape.tangent_m[k]
        spoke = points[near] - centre[k]
        distance = np.abs(np.hypot(spoke[:, 0], spoke[:, 1]) - radius[k])
        better = past_start & before_end & (distance <= best[near])
        hit = near[better]
        best[hit] = distance[better]
        corner[hit] = k
        chosen[hit] = np.where(np.abs(run[hit] - k) <= np.abs(run[hit] - k + 1), k, k - 1)


def jacobian(shape: Alignment, where: Feet) -> Floats:
    """Return the derivatives (n, parameters) of the offsets by the alignment's parameters."""
    count = len(where.offset_m)
    size = shape.vertices.size
    arcs = shape.arcs
    out = np.zeros((count, size + len(arcs)))
    rows = (where.corner < 0).nonzero()[0]
    run, share = where.run[rows], where.share[rows]
    for axis in (0, 1):
        normal = where.normal[rows, axis]
        out[rows, 2 * run + axis] = -(1 - share) * normal
        out[rows, 2 * run + 2 + axis] = -share * normal
    bent = np.flatnonzero(where.corner >= 0)
    if not len(bent):
        return out
    rounded = np.isin(where.corner[bent], arcs)
    sharp = bent[~rounded]
    for axis in (0, 1):
        out[sharp, 2 * where.corner[sharp] + axis] = -where.normal[sharp, axis]
    for place, k in enumerate(arcs):
        rows = np.flatnonzero(where.corner == k)
        if len(rows):
            _arc_rows(shape, where, int(k), size + place, rows, out)
    return out


def _arc_rows(shape: Alignment, where: Feet, k: int, column: int, rows: Ints, out: Floats) -> None:
    """Fill the derivatives of marks on one arc: centre and radius move with three PIs."""
    _, _, turn = shape.parts()
    side = -1.0 if turn[k] >= 0 else 1.0
    delta = 1e-5
    base = np.append(shape.vertices[k - 1 : k + 2].ravel(), shape.tangent_m[k])
    moved = base + delta * np.concatenate([np.eye(7), -np.eye(7)])
    centre, radius = _arcs_of(moved)
    shift = (centre[:7] - centre[7:]) / (2 * delta)
    growth = (radius[:7] - radius[7:]) / (2 * delta)
    columns = [*range(2 * k - 2, 2 * k + 4), column]
    out[np.ix_(rows, columns)] = -where.normal[rows] @ shift.T - side * growth


def _arcs_of(numbers: Floats) -> tuple[Floats, Floats]:
    """Return centres (m, 2) and radii (m,) from rows of three PIs and a tangent length."""
    a, b, c, tangent = numbers[:, 0:2], numbers[:, 2:4], numbers[:, 4:6], numbers[:, 6]
    u, v = b - a, c - b
    u = u / np.hypot(u[:, 0], u[:, 1])[:, None]
    v = v / np.hypot(v[:, 0], v[:, 1])[:, None]
    turn = np.arctan2(u[:, 1] * v[:, 0] - u[:, 0] * v[:, 1], (u * v).sum(axis=1))
    radius = tangent / np.tan(np.maximum(np.abs(turn), 2 * FLAT_RAD) / 2)
    right = np.stack([u[:, 1], -u[:, 0]], axis=1)
    centre = b + (radius * np.sign(turn))[:, None] * right - tangent[:, None] * u
    return centre, radius
