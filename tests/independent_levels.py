"""Levels and a delay over one straight leg, written from shared/method/evidence.md and its table.

Nothing of the package is used. A place is a distance along a line; places and floors are summed on
a grid, all other unknowns by importance sampling: one half of the draws from the prior, the other
from a normal fitted to the likeliest place. Two seeds tell the error of the sums. Rivals are off.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.interpolate import CubicSpline
from scipy.special import logsumexp
from scipy.stats import multivariate_normal, norm, qmc

Floats = NDArray[np.float64]
CELL_M = 0.05
KNOT_M = 0.25
UNKNOWNS = 9


@dataclass(frozen=True)
class Kind:
    """What the page says of one kind of reading, in decibels."""

    strength: tuple[float, float]
    level: float
    place: float
    gusts: float = 1.9**2 / (1.9**2 + 1.6**2)
    memory: float = 0.0
    inaudible: float = 0.0
    other: float = 0.05


KINDS = {
    "surface": Kind((14, 7), 2.5, 1.5, memory=0.07, inaudible=0.2),
    "contact": Kind((30, 12), 2.5, 3.0, gusts=0.0, other=0.5),
    "gas": Kind((20, 10), 4.0, 4.0, gusts=0.0),
}


@dataclass(frozen=True, kw_only=True)
class Line:
    """A leg of PVC and what was heard above it in a band about 500 Hz: metres and decibels."""

    length_m: float
    depth_m: float
    depth_sigma_m: float
    at_m: Floats
    level_db: Floats
    concrete: NDArray[np.bool_]
    """Readings on a slab; the others on ground that nobody described."""
    kind: str = "surface"


@dataclass(frozen=True)
class Answer:
    """The chance of every cell of pipe; with ``elsewhere`` it sums to one."""

    middle_m: Floats
    chance: Floats
    elsewhere: float

    def within(self, low_m: float, high_m: float) -> float:
        """Return the chance between two chainages; a cell that an end cuts counts in part."""
        half = CELL_M / 2
        part = np.minimum(self.middle_m + half, high_m) - np.maximum(self.middle_m - half, low_m)
        return float(self.chance @ np.clip(part / CELL_M, 0, 1))

    def densest(self, level: float) -> NDArray[np.bool_]:
        """Return which cells hold ``level`` of the chance on the pipe, the densest first."""
        order = np.argsort(-self.chance)
        filled = np.cumsum(self.chance[order])
        inside = np.zeros(len(order), bool)
        inside[order[: 1 + np.searchsorted(filled, level * filled[-1])]] = True
        return inside

    def piece(self, level: float, at_m: float) -> tuple[float, float]:
        """Return the ends of that piece of the densest ``level`` which holds a chainage."""
        inside = self.densest(level)
        low = high = int(np.argmin(np.abs(self.middle_m - at_m)))
        while low > 0 and inside[low - 1]:
            low -= 1
        while high < len(inside) - 1 and inside[high + 1]:
            high += 1
        return self.middle_m[low] - CELL_M / 2, self.middle_m[high] + CELL_M / 2

    def median(self, low_m: float, high_m: float) -> float:
        """Return the chainage that halves the chance between two others."""
        edges = np.append(self.middle_m - CELL_M / 2, self.middle_m[-1] + CELL_M / 2)
        mass = np.append(0, np.cumsum(self.chance))
        ends = np.interp([low_m, high_m], edges, mass)
        return float(np.interp(ends.mean(), mass, edges))


def prior(line: Line) -> tuple[Floats, Floats]:
    """Return the middles of the cells and the chance of each: 0.95 in all, 0.05 is elsewhere."""
    cells = np.arange(CELL_M / 2, line.length_m, CELL_M)
    near = np.abs(cells[:, None] - line.at_m).min(axis=1) <= 2
    there = max(0.8 * (1 - np.exp(-len(line.at_m) / 5)), near.mean())
    if line.kind != "surface":
        there = near.mean()
    return cells, 0.95 * np.where(near, there / near.sum(), (1 - there) / max((~near).sum(), 1))


def log_evidence(line: Line, z: Floats, place_m: float | None) -> Floats:
    """Return the log-likelihood for each draw of the unknowns, the floor summed over.

    ``place_m`` None: background alone.
    """
    y, kind = line.level_db, KINDS[line.kind]
    unknown = [z[:, k, None] for k in range(UNKNOWNS)]
    shared = norm.cdf(unknown[7])
    louder = np.where(line.concrete, 6 + 4 * unknown[5], 0)
    power = np.zeros((len(z), len(y)))
    if place_m is not None:
        along = np.abs(line.at_m - place_m)
        smear = np.where(line.concrete, np.maximum(2.286 + 0.381 * unknown[6], 0), 0)
        aside = np.hypot(along, smear) - smear
        depth = np.maximum(line.depth_m + line.depth_sigma_m * unknown[2], 0.1)
        r = np.hypot(aside, depth)
        soil, pipe = 4.0 * np.exp(0.6 * unknown[0]), 1.25 * np.exp(0.5 * unknown[1])
        straight = (depth / r) ** 2 * 10 ** (-soil * (r - depth) / 10)
        carried = 10 ** ((-12 + 6 * unknown[3] - pipe * along) / 10)
        along_pipe = 10 ** (-pipe * along / 10)
        plume = (1 + (along / (2 * np.exp(0.5 * unknown[3]))) ** 2) ** -1.5
        g = {"surface": straight + carried, "contact": along_pipe, "gas": plume}[line.kind]
        strength = kind.strength[0] + kind.strength[1] * unknown[8] + (1 - shared) * louder
        power = 10 ** (strength / 10) * g
    background = 1 / (1 + power)
    whole, gusts = kind.place**2 + kind.level**2, kind.gusts * kind.level**2
    sigma = np.sqrt(whole - gusts + gusts * background**2)
    scale = 0.831 * np.exp(0.25 * unknown[4]) * sigma
    # In scales of its own an error, less what the rows before and after share in, is independent.
    half = kind.memory * np.exp(-np.diff(line.at_m) / 3) / 2
    alone = np.eye(len(y)) - np.diag(half, 1) - np.diag(half, -1)
    rest = ((y - shared * louder + 10 * np.log10(background)) / scale) @ alone.T
    slope = (1 / scale) @ alone.T
    floors = np.arange(y.min() - 10, np.median(y) + 5, 0.8)
    product = np.ones((len(z), len(floors)))
    for k in range(len(y)):
        product *= 1 + (rest[:, k, None] - floors * slope[:, k, None]) ** 2 / 4
    weighed = norm.logpdf(floors, np.median(y), 30) - 2.5 * np.log(product)
    return logsumexp(weighed, axis=1) - np.log(scale).sum(axis=1)


def draws(line: Line, knots: Floats, seed: int, log2: int) -> tuple[Floats, Floats]:
    """Return deviates of the unknowns and the log-weight of each draw against their prior."""
    u = qmc.Sobol(UNKNOWNS, seed=np.random.default_rng(seed)).random_base2(log2)
    z = norm.ppf(np.clip(u, 1e-9, 1 - 1e-9))
    first, second = np.split(z, 2)  # each half of the sequence is even over the cube by itself
    some = first[:256]
    best = max(knots[::2], key=lambda knot: float(logsumexp(log_evidence(line, some, knot))))
    logs = log_evidence(line, first, best)
    weight = np.exp((logs - logs.max()) / 2)  # flattened: a wide guess costs less than a narrow one
    middle = np.average(first, axis=0, weights=weight)
    spread = np.cov(first.T, aweights=weight)
    guess = multivariate_normal(middle, spread)
    z = np.vstack([first, middle + second @ np.linalg.cholesky(spread).T])
    plain = norm.logpdf(z).sum(axis=1)
    return z, plain - np.logaddexp(plain, guess.logpdf(z)) + np.log(2)


def solve(line: Line, *, seed: int, log2: int) -> Answer:
    """Return the posterior over the cells."""
    knots = np.arange(0, line.length_m + KNOT_M, KNOT_M)
    z, weight = draws(line, knots, seed, log2)
    count = np.log(len(z))
    silent = logsumexp(weight + log_evidence(line, z, None)) - count
    heard = [logsumexp(weight + log_evidence(line, z, knot)) - count for knot in knots]
    cells, chance = prior(line)
    audible = np.exp(CubicSpline(knots, heard)(cells) - silent)
    kind = KINDS[line.kind]
    on = chance * (kind.inaudible + (1 - kind.inaudible) * audible)
    off = 0.05 * ((1 - kind.other) + kind.other * on.sum() / 0.95)
    return Answer(cells, on / (on.sum() + off), off / (on.sum() + off))


def solve_delay(
    length_m: float, delay_s: float, sigma_s: float, speed: tuple[float, float]
) -> Answer:
    """Return the posterior from one delay between sensors at both ends of the leg."""
    middle = np.arange(CELL_M / 2, length_m, CELL_M)
    slowness, slowness_sigma = 1 / speed[0], speed[1] / speed[0] ** 2
    ahead = 2 * middle - length_m
    path = np.hypot(0.1, 0.002 * ahead) * slowness
    error = np.sqrt(sigma_s**2 + path**2 + (ahead * slowness_sigma) ** 2)
    anything = 1 / (2 * (length_m * (slowness + 2 * slowness_sigma) + sigma_s))
    right = norm.pdf(delay_s, ahead * slowness, error)
    on = 0.95 * (0.95 * right + 0.05 * anything) / len(middle)
    off = 0.05 * anything
    return Answer(middle, on / (on.sum() + off), off / (on.sum() + off))
