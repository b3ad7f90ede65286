"""What the posterior hands on: plain frozen records, no computation.

A piece of pipe is ``(leg number, from_m, to_m)``. Places are candidate cells of the pipe:
cell k covers ``chainage_m[k] +- width_m[k] / 2`` of leg ``leg[k]``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from geoleak.evidence import KindFit
from geoleak.site import Note

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]
Piece = tuple[int, float, float]


@dataclass(frozen=True, slots=True, eq=False)
class Places:
    """Candidate cells over all legs, k of them, in order of leg and chainage.

    Attributes
    ----------
    leg : ndarray of int, shape (k,)
    chainage_m, width_m : ndarray, shape (k,)
    easting_m, northing_m : ndarray, shape (k,)
        Working CRS.
    depth_m : ndarray, shape (k,)
        Centre of the pipe below the ground.
    """

    leg: Ints
    chainage_m: Floats
    width_m: Floats
    easting_m: Floats
    northing_m: Floats
    depth_m: Floats

    def __len__(self) -> int:
        return len(self.leg)


@dataclass(frozen=True, slots=True)
class Peak:
    """One connected stretch of the posterior that stands out.

    ``mass`` is the chance that the leak is in it; ``median_m`` splits that chance in half.
    """

    leg: int
    from_m: float
    to_m: float
    mass: float
    median_m: float
    sigma_m: float


@dataclass(frozen=True, slots=True, eq=False)
class LevelCurve:
    """What the fit expects a surface reading to show along one leg, for the profile picture."""

    leg: int
    chainage_m: Floats
    expected_db: Floats
    low_db: Floats
    high_db: Floats
    """Edges of the central 90 % of a new reading."""


@dataclass(frozen=True, slots=True, eq=False)
class Posterior:
    """Probability of every place.

    Attributes
    ----------
    places : Places
    mass : ndarray, shape (k,)
        Probability of each cell; with ``elsewhere`` it sums to one.
    elsewhere : float
        Probability that the leak is on no traced leg.
    leg_probability : ndarray, shape (number of legs,)
    peaks : tuple of Peak
        The leading peak (the one that one hole finds most of) first.
    """

    places: Places
    mass: Floats
    elsewhere: float
    leg_probability: Floats
    interval_50: tuple[Piece, ...]
    interval_80: tuple[Piece, ...]
    interval_95: tuple[Piece, ...]
    peaks: tuple[Peak, ...]
    curves: tuple[LevelCurve, ...] = ()
    fits: tuple[KindFit, ...] = ()
    no_leak_odds: float | None = None
    """Odds of "nothing heard at all" to one leak in the listened stretch, where it can be told."""
    second_leak: Peak | None = None
    """A second source that the data decisively ask for."""
    prior_factors: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    warnings: tuple[Note, ...] = ()
    run: object = field(default=None, repr=False)
    """The inference behind it, for advice on the same survey; no part of the answer."""
