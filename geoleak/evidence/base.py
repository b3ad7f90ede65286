"""What every kind of evidence keeps to, and the candidate places it judges.

A kind is a class that is made from a survey; `geoleak.evidence` lists them. Its figures are rows of
tables/evidence.csv; what a sheet of its own asks for stands in DEVELOPERS.md.

Unknowns that several kinds share (pipe loss, soil loss, depth ...) are standard normal deviates on
common quadrature nodes: points of an additive recurrence (a Kronecker sequence on the generalised
golden ratio). No random numbers: same input, same nodes. Source: M. Roberts (2018), "The
unreasonable effectiveness of quasirandom sequences"; theory in Niederreiter (1992), Random Number
Generation and Quasi-Monte Carlo Methods, SIAM, chapter 3 (both from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from statistics import NormalDist
from typing import Literal

import numpy as np

from geoleak.record import Floats, Ints, NDArray, Record
from geoleak.site import Note
from geoleak.survey import Survey, taken

Piece = tuple[int, float, float]
"""A stretch of pipe: leg number, from_m, to_m."""


class KindFit(Record):
    """How well one kind of evidence agrees with the posterior.

    ``p_value`` is posterior-predictive; ``text`` says it in a line ("14 readings agree with one
    leak, 17 dB over background at the peak").
    """

    kind: str
    rows: int
    p_value: float
    text: str
    agrees: bool
    redo: str = ""
    """What to do again first where it does not agree; nothing: the next readings tell."""
    against: bool = False
    """Whether it speaks against the place and yet allows it."""


class Candidates(Record, eq=False):
    """Places that are judged, k of them: on a leg, beside it or past its end.

    Attributes
    ----------
    leg : ndarray of int, shape (k,)
    chainage_m, weight : ndarray, shape (k,)
        The place on the leg; ``weight`` is the prior mass a place stands for (sums to one over
        the pipe).
    easting_m, northing_m : ndarray, shape (k,)
    depth_m, depth_sigma_m : ndarray, shape (k,)
        Centre of the pipe below the ground.
    branch_m : ndarray, shape (k,)
        Untraced pipe between the place and the leg; 0 on it.
    """

    survey: Survey
    leg: Ints
    chainage_m: Floats
    weight: Floats
    easting_m: Floats
    northing_m: Floats
    depth_m: Floats
    depth_sigma_m: Floats
    branch_m: Floats

    def __len__(self) -> int:
        return len(self.leg)

    def take(self, rows: NDArray[np.intp]) -> Candidates:
        """Return some of the places."""
        return taken(self, rows)

    def path(self, leg: Ints, chainage_m: Floats, *, per_metre: Floats | None = None) -> Floats:
        """Return distances along the network to other places, shape (k, len(leg)).

        Parameters
        ----------
        leg, chainage_m : ndarray, shape (n,)
        per_metre : ndarray, shape (legs,), optional
            Cost of a metre of each leg (dB for a loss); metres without it. Places that no pipe
            joins are infinitely far.
        """
        along = self.survey.network.distance(
            (self.leg, self.chainage_m), (leg, chainage_m), weights=per_metre
        )
        if not self.branch_m.any():
            return along
        branch = self.branch_m if per_metre is None else self.branch_m * per_metre[self.leg]
        return along + branch[:, None]

    def tees(self, leg: Ints, chainage_m: Floats) -> Floats:
        """Return how many tees the way to other places runs through, shape (k, n)."""
        if len(self.survey.legs) == 1:
            return np.zeros((len(self), len(leg)))
        passed = self.survey.network.tees_passed((self.leg, self.chainage_m), (leg, chainage_m))
        return np.maximum(passed, 0).astype(float)


def candidates(
    survey: Survey,
    leg: Ints,
    chainage_m: Floats,
    weight: Floats | None = None,
    *,
    aside_m: Floats | None = None,
) -> Candidates:
    """Return places with their position and depth, from leg and chainage.

    Parameters
    ----------
    survey : Survey
    leg : ndarray of int, shape (k,)
    chainage_m : ndarray, shape (k,)
        Before 0 or past the leg's length it lies on the last run carried on straight.
    weight : ndarray, shape (k,), optional
        Without it all are even.
    aside_m : ndarray, shape (k,), optional
        How far from the line, positive to the right.
    """
    count = len(leg)
    weight = np.full(count, 1.0 / max(count, 1)) if weight is None else weight
    aside = np.zeros(count) if aside_m is None else aside_m
    on_leg = chainage_m.copy()
    place = np.zeros((count, 2))
    depth = np.ones(count)
    depth_sigma = np.zeros(count)
    for number in np.unique(leg):
        rows = np.flatnonzero(leg == number)
        fit = survey.legs[int(number)].fit
        at, length = chainage_m[rows], fit.route.length_m
        past = bool(np.any((at < 0.0) | (at > length)))
        place[rows] = np.asarray(fit.route.position(at, aside[rows], extrapolate=past))[:, :2]
        on_leg[rows] = np.clip(at, 0.0, length)
        depth[rows] = fit.depth_m(on_leg[rows])
        depth_sigma[rows] = fit.depth_sigma_m(on_leg[rows])
    depth = np.where(np.isfinite(depth) & (depth > 0.05), depth, 1.0)
    depth_sigma = np.where(np.isfinite(depth_sigma), np.maximum(depth_sigma, 0.0), 0.3)
    branch = np.abs(chainage_m - on_leg) + np.abs(aside)
    return Candidates(
        survey, leg, on_leg, weight, place[:, 0], place[:, 1], depth, depth_sigma, branch
    )


def golden_root(dimensions: int) -> float:
    """Return the positive root of x**(d + 1) = x + 1: the golden ratio for one dimension."""
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    return root


def uniform_nodes(count: int, dimensions: int, *, after: int = 0) -> Floats:
    """Return low-discrepancy points of the unit cube, shape (count, dimensions).

    ``after`` so many points of the same sequence.
    """
    steps = golden_root(dimensions) ** -np.arange(1.0, dimensions + 1)
    rows = np.arange(after + 1, after + count + 1)[:, None]
    return np.mod(0.5 + rows * steps[None, :], 1.0)


def normal_deviates(share: Floats) -> Floats:
    """Return the standard normal deviates that shares of the chance lie under, same shape."""
    inverse = NormalDist().inv_cdf
    return np.array([inverse(each) for each in share.ravel().tolist()]).reshape(share.shape)


def normal_nodes(count: int, dimensions: int, *, after: int = 0) -> Floats:
    """Return nodes as standard normal deviates, shape (count, dimensions); columns are balanced."""
    cube = uniform_nodes(count, dimensions, after=after)
    deviates = normal_deviates(np.clip(cube, 1e-6, 1 - 1e-6))
    if count > 1:
        deviates = deviates - deviates.mean(axis=0)
        deviates = deviates / np.maximum(deviates.std(axis=0), 1e-9)
    if count > 2 * dimensions:
        # Columns without correlation: second moments are then those of the normal exactly.
        factor = np.linalg.cholesky(deviates.T @ deviates / count)
        deviates = np.linalg.solve(factor, deviates.T).T
    return deviates


class Nodes(Record, eq=False):
    """Quadrature nodes over the named unknowns, each of which is standard normal.

    Attributes
    ----------
    names : tuple of str
        One per column.
    deviates : ndarray, shape (nodes, len(names))
    log_weight : ndarray, shape (nodes,)
        Log of the share of the prior that a node stands for; the shares sum to one.
    """

    names: tuple[str, ...]
    deviates: Floats
    log_weight: Floats

    @classmethod
    def over(cls, names: Iterable[str], *, count: int) -> Nodes:
        """Return `count` nodes over the different names (one node where there is no name)."""
        unique = tuple(dict.fromkeys(names))
        if not unique:
            return cls.even((), np.zeros((1, 0)))
        return cls.even(unique, normal_nodes(count, len(unique)))

    @classmethod
    def even(cls, names: tuple[str, ...], deviates: Floats) -> Nodes:
        """Return nodes of equal weight."""
        return cls(names, deviates, np.full(len(deviates), -np.log(len(deviates))))

    def __len__(self) -> int:
        return len(self.deviates)

    def column(self, name: str) -> Floats:
        """Return the deviates of one unknown, shape (nodes,); zeros where it is not unknown."""
        if name not in self.names:
            return np.zeros(len(self))
        return self.deviates[:, self.names.index(name)]


class Hint(Record):
    """A stretch where the likelihood may change fast: cells there are at most ``step_m`` long."""

    leg: int
    from_m: float
    to_m: float
    step_m: float


class Belief(Record, eq=False):
    """Weighted draws from the posterior, for fits and predictions.

    Attributes
    ----------
    places : Candidates
        d draws of the leak's place.
    nodes : Nodes
        All nodes of the run.
    node : ndarray of int, shape (d,)
        The node that goes with each draw.
    """

    places: Candidates
    nodes: Nodes
    node: Ints

    def __len__(self) -> int:
        return len(self.node)


class Evidence:
    """One kind of evidence of one survey.

    It depends on no shared unknown and is judged on the finished cells, so it may jump from place
    to place. `LevelEvidence` shares unknowns: it has its own ways to be judged and to fit.

    Attributes
    ----------
    kind : str
    tells_of : {"sound", "leak"}
        Of where a sound comes from, whatever makes it, or of the leak itself.
    rows : int
        0: nobody recorded this kind.
    """

    kind: str
    tells_of: Literal["sound", "leak"] = "leak"
    rows: int

    def judge(self, places: Candidates) -> tuple[Floats, float]:
        """Return the log likelihood of every place, shape (k,), and of no traced leg."""
        raise NotImplementedError

    def fit(self, belief: Belief, places: Candidates, mass: Floats) -> KindFit:
        """Check the rows against the posterior: draws from it, and the chance at every place."""
        raise NotImplementedError

    def hints(self) -> tuple[Hint, ...]:
        """Return where cells must be short."""
        return ()

    def notes(self) -> tuple[Note, ...]:
        """Return what the person should know about these rows."""
        return ()


def joined(pieces: Iterable[Piece], *, gap_m: float = 0.0) -> tuple[Piece, ...]:
    """Return stretches of pipe in order, those of a leg that overlap or nearly touch as one."""
    found: list[Piece] = []
    for leg, start, end in sorted(pieces):
        if end <= start:
            continue
        if found and found[-1][0] == leg and start - found[-1][2] <= gap_m:
            found[-1] = (leg, found[-1][1], max(found[-1][2], end))
        else:
            found.append((leg, start, end))
    return tuple(found)


def log_sum_exp(values: Floats, axis: int = 0) -> Floats:
    """Return the log of the summed exponentials along an axis; -inf where all are."""
    top = np.max(values, axis=axis, keepdims=True)
    safe = np.where(np.isfinite(top), top, 0.0)
    with np.errstate(divide="ignore"):
        out: Floats = np.log(np.exp(values - safe).sum(axis=axis)) + np.squeeze(safe, axis=axis)
    return out
