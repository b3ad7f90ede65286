"""Random buried routes and the marks a crew would paint over them; truth known exactly."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from geoleak.record import Record
from geoleak.route.alignment import Alignment

Floats = NDArray[np.float64]
ANGLES_DEG = (11.25, 22.5, 45.0, 90.0)
"""Deflections of usual pipe bends (1/32, 1/16, 1/8 and 1/4 bend; common practice, no source)."""
FOOT_M = 0.3048


class RandomRoute(Record):
    """A true line (fine vertices) and the marks made over it."""

    line: Floats
    chainage_m: Floats
    marks: Floats
    feet_chainage_m: Floats
    stray: NDArray[np.bool_]
    depth_m: float
    sigma_across_m: float
    sigma_along_m: float
    bends: int
    curved: bool
    structure: Alignment
    """The true points of intersection, with the tangent length of a swept curve."""

    @property
    def length_m(self) -> float:
        """True length between the feet of the first and the last mark."""
        return float(self.feet_chainage_m[-1] - self.feet_chainage_m[0])

    def at(self, chainage_m: Floats) -> tuple[Floats, Floats]:
        """Return true positions and directions at chainages of the whole line."""
        where = np.clip(np.searchsorted(self.chainage_m, chainage_m) - 1, 0, len(self.line) - 2)
        step = self.line[where + 1] - self.line[where]
        length = np.hypot(step[:, 0], step[:, 1])
        unit = step / length[:, None]
        return self.line[where] + (chainage_m - self.chainage_m[where])[:, None] * unit, unit


class Habits(Record):
    """What random routes are like beside their fixed habits; see `random_route`."""

    stray_to_m: float = 0.8
    any_angle: bool = False
    """Bends of any angle from 10 to 95 degrees in place of usual fittings."""
    long: bool = False
    """20 to 40 bends, 12 m apart on the average, in place of short routes."""


def random_route(rng: np.random.Generator, habits: Habits | None = None) -> RandomRoute:
    """Draw a route of 15 to 60 m: 0 to 3 bends, one route in five with a swept curve instead.

    Marks every 3 to 5 ft (crew's habit for the day, each with some jitter), depth 0.6 to 1.5 m,
    locator error 5 to 10 % of depth, rover and paint 1.2 cm, 1 mark in 40 a stray that followed
    something else by 0.3 m to `stray_to_m` (at 0.8 m the dots joined lie 0.11 m aside, rms).
    """
    habits = habits or Habits()
    curved = bool(rng.random() < 0.2) and not habits.long
    bends = 0 if curved else int(rng.integers(0, 4))
    total = rng.uniform(15.0, 60.0)
    heading = rng.uniform(0, 2 * np.pi)
    if habits.long:
        bends = int(rng.integers(20, 41))
        total = bends * 12.0
    if curved:
        line, structure = _swept(rng, total, heading)
    else:
        line, structure = _bent(rng, total, heading, bends, habits)
    step = np.hypot(*np.diff(line, axis=0).T)
    chainage = np.concatenate([[0.0], np.cumsum(step)])
    return marked(rng, line, chainage, bends, curved, structure, habits.stray_to_m)


def _bent(
    rng: np.random.Generator, total: float, heading: float, bends: int, habits: Habits
) -> tuple[Floats, Alignment]:
    if habits.long:
        # Drawing all places at once would hardly ever leave every two of them apart.
        at = np.sort(rng.uniform(0.0, total - 1.5 * (bends + 1), bends))
        at += 1.5 * np.arange(1, bends + 1)
    else:
        while True:
            at = np.sort(rng.uniform(0.0, total, bends))
            if np.all(np.diff(np.concatenate([[0.0], at, [total]])) >= 1.5):
                break
    side = 1.0
    points = [np.zeros(2)]
    for length in np.diff(np.concatenate([[0.0], at, [total]])):
        direction = np.array([np.sin(heading), np.cos(heading)])
        points.append(points[-1] + length * direction)
        angle = rng.uniform(10.0, 95.0) if habits.any_angle else rng.choice(ANGLES_DEG)
        # A long main zigzags: were each bend to either side, it would run over itself.
        side = -side if habits.long else rng.choice([-1.0, 1.0])
        heading += np.deg2rad(angle) * side
    return np.array(points), Alignment(np.array(points), np.zeros(len(points)))


def _swept(rng: np.random.Generator, total: float, heading: float) -> tuple[Floats, Alignment]:
    share = rng.uniform(0.3, 1.0)
    before = rng.uniform(0.0, 1.0 - share) * total
    turn = np.deg2rad(rng.uniform(25.0, 90.0)) * rng.choice([-1.0, 1.0])
    along = np.concatenate([[0.0], np.linspace(before, before + share * total, 400), [total]])
    along = np.unique(along)
    angle = heading + turn * np.clip((along - before) / (share * total), 0.0, 1.0)
    middle = 0.5 * (angle[1:] + angle[:-1])
    step = np.diff(along)[:, None] * np.stack([np.sin(middle), np.cos(middle)], axis=1)
    line = np.concatenate([np.zeros((1, 2)), np.cumsum(step, axis=0)])
    tangent = share * total / abs(turn) * np.tan(abs(turn) / 2)
    corner = (before + tangent) * np.array([np.sin(heading), np.cos(heading)])
    vertices = np.array([line[0], corner, line[-1]])
    return line, Alignment(vertices, np.array([0.0, tangent * (1 - 1e-6), 0.0]))


def marked(
    rng: np.random.Generator,
    line: Floats,
    chainage: Floats,
    bends: int,
    curved: bool,
    structure: Alignment,
    stray_to_m: float,
) -> RandomRoute:
    total = chainage[-1]
    spacing = rng.uniform(3.0, 5.0) * FOOT_M
    count = max(4, round(total / spacing) + 1)
    at = np.linspace(0.0, total, count)
    at[1:-1] += rng.uniform(-0.15, 0.15, count - 2) * spacing
    depth = rng.uniform(0.6, 1.5)
    sigma = rng.uniform(0.05, 0.10) * depth
    rover = 0.012
    stray = rng.random(count) < 1 / 40
    aside = sigma * rng.standard_normal(count)
    aside[stray] += rng.choice([-1.0, 1.0], stray.sum()) * rng.uniform(0.3, stray_to_m, stray.sum())
    where = np.clip(np.searchsorted(chainage, at) - 1, 0, len(line) - 2)
    step = line[where + 1] - line[where]
    unit = step / np.hypot(step[:, 0], step[:, 1])[:, None]
    foot = line[where] + (at - chainage[where])[:, None] * unit
    right = np.stack([unit[:, 1], -unit[:, 0]], axis=1)
    marks = foot + aside[:, None] * right + rover * rng.standard_normal((count, 2))
    return RandomRoute(
        line,
        chainage,
        marks,
        at,
        stray,
        depth,
        float(np.hypot(sigma, rover)),
        rover,
        bends,
        curved,
        structure,
    )
