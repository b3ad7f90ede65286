"""What one more reading is expected to bring, worked out before it is taken.

The posterior is cut into strata of equal chance along the pipe; each holds some draws of the
unknowns. A reading not taken yet is simulated from every one of some draws, the strata are weighed
again by its likelihood (averaged over the draws within), and the length of the new 95 % set is
taken: its mean is the reading's worth (pre-posterior analysis: Raiffa & Schlaifer 1961, Applied
Statistical Decision Theory; Lindley 1956, Ann. Math. Stat. 27, 986; both from memory).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoleak.evidence import FREEDOM
from geoleak.posterior import Piece

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Strata:
    """The posterior in pieces of equal chance, s of them, in order along the pipe.

    Attributes
    ----------
    leg : ndarray of int, shape (s,)
    from_m, to_m : ndarray, shape (s,)
    mass : ndarray, shape (s,)
        Chance of each, elsewhere not counted; sums to one less the chance elsewhere.
    """

    leg: Ints
    from_m: Floats
    to_m: Floats
    mass: Floats

    @property
    def length_m(self) -> Floats:
        """Length of each piece."""
        return np.maximum(self.to_m - self.from_m, 1e-6)

    def __len__(self) -> int:
        return len(self.leg)


def stratify(
    leg: Ints,
    from_m: Floats,
    to_m: Floats,
    mass: Floats,
    count: int,
    *,
    at: tuple[Piece, ...] = (),
) -> Strata:
    """Cut cells (in order of leg and chainage) into about `count` pieces of equal chance.

    Pieces are cut as well at the ends of the stretches `at` (highest-density sets), so that thin
    tails are not lumped with the peak beside them.
    """
    total = float(mass.sum())
    pieces: list[tuple[int, float, float, float]] = []
    for number in np.unique(leg).tolist():
        rows = np.flatnonzero(leg == number)
        own = float(mass[rows].sum())
        if own <= 0:
            continue
        edges = np.append(from_m[rows], to_m[rows[-1]])
        before = np.concatenate([[0.0], np.cumsum(mass[rows])])
        parts = max(1, round(count * own / total))
        # A rising line to invert: a trace of chance per metre where there is none.
        before = before + 1e-12 * (edges - edges[0])
        cuts = np.interp(np.linspace(0, before[-1], parts + 1), before, edges)
        ends = [end for piece in at if piece[0] == number for end in piece[1:]]
        cuts = np.unique(np.clip(np.append(cuts, ends), edges[0], edges[-1]))
        held = np.diff(np.interp(cuts, edges, before))
        thin = np.diff(cuts) > 1e-6
        pieces += [
            (number, a, b, m)
            for a, b, m in zip(cuts[:-1][thin], cuts[1:][thin], held[thin], strict=True)
        ]
    array = np.array(pieces)
    return Strata(array[:, 0].astype(np.int64), array[:, 1], array[:, 2], array[:, 3])


def set_length(mass: Floats, length_m: Floats, level: float = 0.95) -> Floats:
    """Return the length of the highest-density set of pieces, shape of ``mass[..., 0]``.

    The last piece taken counts by the share of it that is needed.
    """
    order = np.argsort(-mass / length_m, axis=-1, kind="stable")
    sorted_mass = np.take_along_axis(mass, order, axis=-1)
    lengths = np.take_along_axis(np.broadcast_to(length_m, mass.shape), order, axis=-1)
    total = np.cumsum(sorted_mass, axis=-1)
    goal = level * total[..., -1:]
    needed = np.clip((goal - (total - sorted_mass)) / np.maximum(sorted_mass, 1e-300), 0.0, 1.0)
    out: Floats = (lengths * needed).sum(axis=-1)
    return out


def log_error(z: Floats, freedom: float) -> Floats:
    """Return the log density of an error of unit scale, less its constant."""
    if np.isinf(freedom):
        return -0.5 * z * z
    return -0.5 * (freedom + 1.0) * np.log1p(z * z / freedom)


def foreseen_masses(
    mass: Floats,
    expected: Floats,
    sigma: Floats,
    rng: np.random.Generator,
    *,
    outcomes: int,
    freedom: float = FREEDOM,
) -> Floats:
    """Return the strata's chances after each simulated reading, shape (outcomes, s).

    Parameters
    ----------
    mass : ndarray, shape (s,)
        Chances now.
    expected, sigma : ndarray, shape (s, r)
        What each of r draws in a stratum expects of the reading, and the scale of its error.
    rng : numpy.random.Generator
    outcomes : int
        Readings simulated.
    freedom : float
        Of the error's t distribution; infinite for a normal error.
    """
    count, draws = expected.shape
    # Outcomes spread over the strata by their chance (systematic sampling: less noise).
    share = np.cumsum(mass) / mass.sum()
    ticks = (np.arange(outcomes) + rng.random()) / outcomes
    source = np.minimum(np.searchsorted(share, ticks), count - 1)
    draw = rng.integers(0, draws, outcomes)
    noise = (
        rng.standard_normal(outcomes)
        if np.isinf(freedom)
        else rng.standard_t(freedom, size=outcomes)
    )
    reading = expected[source, draw] + sigma[source, draw] * noise
    z = (reading[:, None, None] - expected[None]) / sigma[None]
    density = np.exp(log_error(z, freedom)) / sigma[None]
    likelihood = density.mean(axis=2)
    after = mass[None, :] * likelihood
    out: Floats = after / np.maximum(after.sum(axis=1, keepdims=True), 1e-300)
    return out


def best_window_chance(strata: Strata, mass: Floats, window_m: float) -> Floats:
    """Return the most that a window of pipe holds under each row of chances, shape (m,)."""
    best = np.zeros(len(mass))
    for number in np.unique(strata.leg):
        rows = np.flatnonzero(strata.leg == number)
        edges = np.append(strata.from_m[rows], strata.to_m[rows[-1]])
        zero = np.zeros((len(mass), 1))
        before = np.concatenate([zero, np.cumsum(mass[:, rows], axis=1)], axis=1)
        starts = np.unique(np.clip(np.concatenate([edges, edges - window_m]), edges[0], edges[-1]))
        ends = np.minimum(starts + window_m, edges[-1])
        for i in range(len(mass)):
            held = np.interp(ends, edges, before[i]) - np.interp(starts, edges, before[i])
            best[i] = max(best[i], float(held.max()))
    return best
