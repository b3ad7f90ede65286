"""Two recorders, two clocks: an offset and a skew, each with its error."""

from __future__ import annotations

import math

from geoleak.errors import AcousticsError
from geoleak.record import Record


class Clocks(Record):
    """How the second recorder's clock stands against the first's.

    ``offset_s`` is what the second reads minus what the first reads at one instant, at the start
    of the recordings; ``skew_ppm`` how many millionths faster the second counts. Sigmas are
    standard deviations. One recorder with two channels needs none of it.
    """

    offset_s: float = 0.0
    offset_sigma_s: float = 0.0
    skew_ppm: float = 0.0
    skew_sigma_ppm: float = 0.0

    def __post_init__(self) -> None:
        """Refuse what no clock does."""
        if not all(map(math.isfinite, (self.offset_s, self.skew_ppm))):
            raise AcousticsError("clock offset and skew must be finite numbers")
        if not (0 <= self.offset_sigma_s < math.inf and 0 <= self.skew_sigma_ppm < math.inf):
            raise AcousticsError("a clock's sigma must be zero or more")
        if abs(self.skew_ppm) > 1000:
            raise AcousticsError(
                f"a clock skew of {self.skew_ppm:g} ppm; recorders keep within 1000 ppm, check the "
                "unit (parts per million)"
            )

    def apparent_shift_s(self, time_s: float) -> float:
        """Return what the clocks add to a delay (first minus second), seconds.

        ``time_s`` is read on the second recorder; the first then reads that much less offset.
        """
        skew = self.skew_ppm * 1e-6
        return -(self.offset_s + skew * (time_s - self.offset_s) / (1 + skew))

    def sigma_s(self, duration_s: float) -> float:
        """Return the standard deviation the clocks leave on a delay, seconds.

        The delay refers to the middle of the recording, the offset to its start.
        """
        return math.hypot(self.offset_sigma_s, self.skew_sigma_ppm * 1e-6 * duration_s / 2)
