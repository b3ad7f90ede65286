"""Colours. Other services wear the American Public Works Association's; the rest are ours.

Ours keep their order of lightness in grey and for readers who confuse red with green: readings go
from pale sand to dark plum, intervals from pale to dark blue, the stake is black and white.
"""

from __future__ import annotations

import bisect
import math
from collections.abc import Sequence

APWA = {
    "white": "#ffffff",
    "pink": "#ff69b4",
    "red": "#e0202a",
    "yellow": "#ffd400",
    "orange": "#ff8200",
    "blue": "#1d74d0",
    "purple": "#8a3fb5",
    "green": "#1f9c43",
}
"""APWA Uniform Color Code names; the code names colours, the screen values are ours."""
UNKNOWN_SERVICE = "#9aa3a8"
CASING = "#14202b"
INK = "#14202b"
PIPE = "#14202b"
INTERVAL = {95: "#bcd9ee", 80: "#6ba9d6", 50: "#1f66a8"}
LEVEL_RAMP = ("#f6e7b4", "#f2bb5c", "#dd7f3b", "#a83f5b", "#4c1d63")
"""Quiet to loud; lightness falls at every step."""
CURVE = "#8c2d4d"
BAND = "#ead3da"
FIXED = "#5a6670"


def service_colour(name: str | None) -> str:
    """Return the screen colour of an APWA colour name; grey where it is none."""
    return APWA.get((name or "").strip().lower(), UNKNOWN_SERVICE)


LEAST_SPAN_DB = 6.0
"""An axis of levels shows as much: differences of a decibel are then seen as small."""
LEAST_STEP_DB = 2
"""A step of the ramp: below it readings do not differ (their repeatability is 2 to 3 dB)."""
PEAK_OVER_DB = 40.0
"""A leak's peak stands out by less over the upper quarter of the readings; common practice."""


def level_edges(low: float, high: float) -> list[float]:
    """Return the levels where one colour of the ramp gives way to the next: whole decibels.

    The steps are alike and centred on the levels; the lowest and the highest are open.
    """
    steps = len(LEVEL_RAMP)
    step = max(math.ceil((high - low) / steps), LEAST_STEP_DB)
    # Half a decibel goes down: a step holds its upper edge, not its lower one.
    start = math.ceil((low + high - steps * step) / 2 - 0.5)
    return [start + k * step for k in range(1, steps)]


def level_colour(level: float, edges: Sequence[float]) -> str:
    """Return the ramp's colour for a level."""
    return LEVEL_RAMP[bisect.bisect_left(edges, level)]


def usual_span(levels: Sequence[float]) -> tuple[float, float] | None:
    """Return the quietest and the loudest of the levels, strays left out.

    A reading of another meter or scale may lie tens of decibels off; were it let in, all others
    would wear one colour. A quiet stray lies more than three times the middle half's width below
    it (the outer fence of Tukey 1977), and at least 10 dB; a loud one also more than any peak.
    """
    ordered = sorted(levels)
    if not ordered:
        return None
    low, high = ordered[len(ordered) // 4], ordered[(3 * len(ordered) - 1) // 4]
    fence = max(3 * (high - low), 10.0)
    loudest = high + max(fence, PEAK_OVER_DB)
    kept = [each for each in ordered if low - fence <= each <= loudest]
    return kept[0], kept[-1]
