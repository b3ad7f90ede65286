"""Nodes where the posterior is: a normal fitted to what some nodes said, and their weights.

Nodes spread over the prior alone miss a sharp posterior: loud, dense readings fix soil, depth and
error far better than the prior does. So the log likelihood, summed over places, is taken for a
quadratic of the unknowns (Laplace's method from above: no derivatives), the next nodes stand where
that puts the posterior, and all nodes together are weighed by the balance heuristic, so that a bad
fit costs efficiency and never the answer.

Source: Owen, Zhou (2000), "Safe and effective importance sampling", J. Am. Stat. Assoc. 95, 135;
Veach, Guibas (1995), SIGGRAPH (balance heuristic). Both from memory.
"""

from __future__ import annotations

import numpy as np

from geoleak.evidence import normal_nodes
from geoleak.record import Floats, Record

# The fitted normal is drawn this much wider: tails heavier than a normal's are then reached.
WIDER = 1.15
# Prior variances of the quadratic's slopes, curvatures and cross terms (nats): a fit to few nodes
# leans on the prior's own normal.
SLOPE, CURVATURE, CROSS = 400.0, 400.0, 25.0


class Normal(Record, eq=False):
    """A normal density over the unknowns: ``mean`` (d,), ``root`` (d, d) of its covariance."""

    mean: Floats
    root: Floats

    @classmethod
    def prior(cls, dimensions: int) -> Normal:
        """Return the standard normal."""
        return cls(np.zeros(dimensions), np.eye(dimensions))

    @classmethod
    def fitted(cls, deviates: Floats, log_likelihood: Floats) -> Normal:
        """Return where a quadratic through the log likelihood puts the posterior.

        Parameters
        ----------
        deviates : ndarray, shape (n, d)
            Nodes.
        log_likelihood : ndarray, shape (n,)
            Of each node, places summed over; the prior of the unknowns is not in it.
        """
        count, size = deviates.shape
        # Nodes that rule everything out bend no quadratic.
        top = float(np.max(log_likelihood))
        log_likelihood = np.maximum(log_likelihood, top - 1e3 if np.isfinite(top) else 0.0)
        score = log_likelihood - 0.5 * (deviates**2).sum(axis=1)
        order = np.sort(score)[::-1]
        # The better half of the nodes counts: the quadratic is to hold near the top.
        fall = max(float(order[0] - order[count // 2]), 1.0)
        weight = np.exp(np.maximum((score - order[0]) / (0.25 * fall), -30.0))
        one, two = np.triu_indices(size, 1)
        columns = [np.ones((count, 1)), deviates, -0.5 * deviates**2]
        table = np.hstack([*columns, -deviates[:, one] * deviates[:, two]])
        spread = np.concatenate(
            [[1e6], np.full(size, SLOPE), np.full(size, CURVATURE), np.full(len(one), CROSS)]
        )
        value = log_likelihood - log_likelihood.max()
        normal = table.T @ (weight[:, None] * table) + np.diag(1.0 / spread)
        found = np.linalg.solve(normal, table.T @ (weight * value))
        slope, curvature = found[1 : size + 1], np.diag(found[size + 1 : 2 * size + 1])
        curvature[one, two] = curvature[two, one] = found[2 * size + 1 :]
        values, vectors = np.linalg.eigh(np.eye(size) + curvature)
        values = np.maximum(values, 0.6)
        mean = vectors @ ((vectors.T @ slope) / values)
        mean *= min(1.0, 4.0 / max(float(np.linalg.norm(mean)), 1e-9))
        return cls(mean, WIDER * vectors / np.sqrt(values))

    def nodes(self, count: int, *, after: int) -> Floats:
        """Return nodes of this density, shape (count, d), of the sequence's points after some."""
        out: Floats = self.mean + normal_nodes(count, len(self.mean), after=after) @ self.root.T
        return out

    def log_density(self, deviates: Floats) -> Floats:
        """Return the log density at nodes, shape (n,), less the constant all normals share."""
        off = np.linalg.solve(self.root, (deviates - self.mean).T)
        return -0.5 * (off**2).sum(axis=0) - float(np.linalg.slogdet(self.root)[1])


def log_weights(deviates: Floats, drawn: list[tuple[int, Normal]]) -> Floats:
    """Return the log weight of every node, shape (n,); they sum to one.

    Parameters
    ----------
    deviates : ndarray, shape (n, d)
    drawn : list of (count, Normal)
        How many nodes came of which density (balance heuristic).
    """
    total = sum(count for count, _ in drawn)
    mixed = np.logaddexp.reduce(
        [np.log(count / total) + each.log_density(deviates) for count, each in drawn]
    )
    weight = Normal.prior(deviates.shape[1]).log_density(deviates) - mixed
    return weight - np.logaddexp.reduce(weight)
