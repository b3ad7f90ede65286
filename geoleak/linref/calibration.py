"""Chainage as a wheel, tape or rod counter measured it, against chainage along the route."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from geoleak.errors import GeometryError
from geoleak.linref.segments import Floats


@dataclass(frozen=True, slots=True, eq=False)
class Calibration:
    """Pairs of route chainage and measured chainage (k,), both strictly increasing, in metres."""

    chainage_m: Floats
    measured_m: Floats

    @classmethod
    def from_pairs(
        cls, chainage_m: npt.ArrayLike, measured_m: npt.ArrayLike, *, length_m: float
    ) -> Calibration:
        """Check the pairs and put them in order of chainage.

        Raises
        ------
        GeometryError
            If there is no pair, a pair lies off the route, or the measured chainage does not rise
            with the chainage.
        """
        chainage = np.atleast_1d(np.asarray(chainage_m, dtype=np.float64))
        measured = np.atleast_1d(np.asarray(measured_m, dtype=np.float64))
        if chainage.ndim != 1 or chainage.shape != measured.shape or len(chainage) == 0:
            raise GeometryError(
                f"{chainage.shape} chainages against {measured.shape} measured ones; "
                "give as many of one as of the other, at least one"
            )
        if not (np.isfinite(chainage).all() and np.isfinite(measured).all()):
            raise GeometryError("a calibration pair is not finite; leave that pair out")
        off = (chainage < -1e-9) | (chainage > length_m + 1e-9)
        if off.any():
            raise GeometryError(
                f"calibration at chainage {chainage[off][0]:.3f} m is off the route "
                f"(0 to {length_m:.3f} m); calibrate at points of the route"
            )
        pairs = np.unique(np.column_stack([np.clip(chainage, 0.0, length_m), measured]), axis=0)
        _refuse_backwards(pairs)
        for column in (chainage := pairs[:, 0].copy(), measured := pairs[:, 1].copy()):
            column.flags.writeable = False
        return cls(chainage, measured)

    def to_measured(self, chainage_m: Floats) -> Floats:
        """Return measured chainage; outside the pairs the nearest stretch's scale runs on."""
        return _interpolate(chainage_m, self.chainage_m, self.measured_m)

    def to_chainage(self, measured_m: Floats) -> Floats:
        """Return route chainage of measured chainage; the inverse of `to_measured`."""
        return _interpolate(measured_m, self.measured_m, self.chainage_m)

    def part(self, from_m: float, to_m: float) -> Calibration:
        """Return the calibration of a slice: measured chainages stay as they are."""
        inside = self.chainage_m[(self.chainage_m > from_m) & (self.chainage_m < to_m)]
        chainage = np.concatenate([[from_m], inside, [to_m]])
        return Calibration(chainage - from_m, self.to_measured(chainage))

    def turned(self, length_m: float) -> Calibration:
        """Return the calibration seen from the other end, measured from there."""
        far = self.to_measured(np.array([length_m]))
        return Calibration(length_m - self.chainage_m[::-1], far - self.measured_m[::-1])


def _refuse_backwards(pairs: Floats) -> None:
    step = np.diff(pairs, axis=0)
    wrong = np.flatnonzero((step[:, 0] <= 0) | (step[:, 1] <= 0))
    if len(wrong):
        here, there = pairs[wrong[0]], pairs[wrong[0] + 1]
        raise GeometryError(
            f"measured chainage runs backwards or stands still: {here[1]:.3f} m at chainage "
            f"{here[0]:.3f} m, then {there[1]:.3f} m at {there[0]:.3f} m; correct one of the two"
        )


def _interpolate(value: Floats, known: Floats, wanted: Floats) -> Floats:
    if len(known) == 1:
        return value - known[0] + wanted[0]
    piece = np.clip(np.searchsorted(known, value, side="right") - 1, 0, len(known) - 2)
    slope = (wanted[piece + 1] - wanted[piece]) / (known[piece + 1] - known[piece])
    result: Floats = wanted[piece] + (value - known[piece]) * slope
    return result
