"""Wave speeds of the legs as a few unknown slownesses (seconds a metre), Gaussian a priori."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from geoleak import tables
from geoleak.evidence.settings import setting
from geoleak.survey import Survey

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True, slots=True, eq=False)
class Speeds:
    """Slowness of each kind of pipe.

    Attributes
    ----------
    group : ndarray of int, shape (legs,)
        Which slowness a leg has.
    slowness : ndarray, shape (groups,)
        Seconds a metre.
    covariance : ndarray, shape (groups, groups)
    """

    group: Ints
    slowness: Floats
    covariance: Floats

    @property
    def count(self) -> int:
        """Number of groups."""
        return len(self.slowness)

    def updated(self, metres: Floats, delay_s: float, sigma_s: float) -> tuple[Speeds, float]:
        """Return the slownesses after timing known metres, and how many sigma off it was.

        The conjugate normal update of a linear observation.
        """
        pull = self.covariance @ metres
        variance = float(metres @ pull) + sigma_s**2
        off = delay_s - float(metres @ self.slowness)
        gain = pull / variance
        learned = replace(
            self,
            slowness=np.maximum(self.slowness + gain * off, 1e-4),
            covariance=self.covariance - np.outer(gain, pull),
        )
        return learned, abs(off) / float(np.sqrt(variance))


def prior_speeds(survey: Survey) -> Speeds:
    """Return slownesses from material, bore, wall and water temperature, one a kind of pipe."""
    keys = [
        (each.leg.material, each.leg.outside_diameter_m, each.leg.wall_m) for each in survey.legs
    ]
    unique = list(dict.fromkeys(keys))
    temperature = survey.site.water_temperature_c
    speed = np.array([_speed(*key, temperature) for key in unique])
    slowness = 1.0 / speed[:, 0]
    return Speeds(
        group=np.array([unique.index(key) for key in keys], dtype=np.int64),
        slowness=slowness,
        covariance=np.diag((slowness * speed[:, 1] / speed[:, 0]) ** 2),
    )


def _speed(
    material: str | None, outside_m: float | None, wall_m: float | None, temperature_c: float
) -> tuple[float, float]:
    """Return speed and sigma; of a pipe whose bore or wall is not stated, that of its kind."""
    if material is not None and outside_m is not None and wall_m is not None:
        from geoleak.acoustics import wave_speed

        found = wave_speed(material, outside_m, wall_m, temperature_c)
        return found.value, found.sigma
    kind = "unknown" if material is None else tables.material(material).kind
    row = setting(f"speed_{kind}")
    return row.value, row.spread
