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
