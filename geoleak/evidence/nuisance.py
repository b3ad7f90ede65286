"""Shared quadrature nodes: the unknowns that several kinds of evidence have in common.

Each unknown (pipe loss, soil loss, depth ...) is a standard normal deviate; a kind of evidence
turns it into its own quantity. Nodes are points of an additive recurrence (a Kronecker sequence
on the generalised golden ratio), mapped to normal deviates, centred and scaled so that every
column has mean nought and unit variance, and no two are correlated. No random numbers: same
input, same nodes.

Source: M. Roberts (2018), "The unreasonable effectiveness of quasirandom sequences"; the theory
of Kronecker sequences is in Niederreiter (1992), Random Number Generation and Quasi-Monte Carlo
Methods, SIAM, chapter 3 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from statistics import NormalDist

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


def golden_root(dimensions: int) -> float:
    """Return the positive root of x**(d + 1) = x + 1: the golden ratio for one dimension."""
    root = 2.0
    for _ in range(60):
        root = (1.0 + root) ** (1.0 / (dimensions + 1))
    return root


def uniform_nodes(count: int, dimensions: int) -> Floats:
    """Return low-discrepancy points of the unit cube, shape (count, dimensions)."""
    steps = golden_root(dimensions) ** -np.arange(1.0, dimensions + 1)
    rows = np.arange(1, count + 1)[:, None]
    points: Floats = np.mod(0.5 + rows * steps[None, :], 1.0)
    return points


def normal_nodes(count: int, dimensions: int) -> Floats:
    """Return nodes as standard normal deviates, shape (count, dimensions); columns are balanced."""
    inverse = NormalDist().inv_cdf
    cube = np.clip(uniform_nodes(count, dimensions), 1e-6, 1 - 1e-6)
    deviates = np.array([[inverse(float(u)) for u in row] for row in cube])
    deviates = deviates.reshape(count, dimensions)
    if count > 1:
        deviates = deviates - deviates.mean(axis=0)
        deviates = deviates / np.maximum(deviates.std(axis=0), 1e-9)
    if count > 2 * dimensions:
        # Columns without correlation: second moments are then those of the normal exactly.
        factor = np.linalg.cholesky(deviates.T @ deviates / count)
        deviates = np.linalg.solve(factor, deviates.T).T
    return deviates


@dataclass(frozen=True, slots=True, eq=False)
class Nodes:
    """Quadrature nodes of equal weight over the named unknowns.

    Attributes
    ----------
    names : tuple of str
        One per column.
    deviates : ndarray, shape (nodes, len(names))
        Standard normal.
    """

    names: tuple[str, ...]
    deviates: Floats

    @classmethod
    def over(cls, names: Iterable[str], *, count: int) -> Nodes:
        """Return `count` nodes over the different names (one node where there is no name)."""
        unique = tuple(dict.fromkeys(names))
        if not unique:
            return cls((), np.zeros((1, 0)))
        return cls(unique, normal_nodes(count, len(unique)))

    def __len__(self) -> int:
        return len(self.deviates)

    def column(self, name: str) -> Floats:
        """Return the deviates of one unknown, shape (nodes,); zeros where it is not unknown."""
        if name not in self.names:
            return np.zeros(len(self))
        return self.deviates[:, self.names.index(name)]

    def only(self, keep: npt.NDArray[np.bool_]) -> Nodes:
        """Return the nodes that `keep` (shape (nodes,)) marks."""
        return Nodes(self.names, self.deviates[keep])
