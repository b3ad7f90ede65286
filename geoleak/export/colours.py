"""Colours. Other services wear the American Public Works Association's; the rest are ours.

Ours keep their order of lightness in grey and for readers who confuse red with green: readings go
from pale sand to dark plum, intervals from pale to dark blue, the stake is black and white.
"""

from __future__ import annotations

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
APWA_MEANING = {
    "white": "proposed excavation",
    "pink": "temporary survey marks",
    "red": "electric",
    "yellow": "gas, oil, steam",
    "orange": "communication",
    "blue": "drinking water",
    "purple": "reclaimed water, irrigation",
    "green": "sewer, drain",
}
UNKNOWN_SERVICE = "#9aa3a8"
CASING = "#14202b"
INK = "#14202b"
PAPER = "#ffffff"
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


def level_colour(level: float, low: float, high: float) -> str:
    """Return the ramp's colour for a level between the quietest and the loudest."""
    return LEVEL_RAMP[level_step(level, low, high)]


def level_step(level: float, low: float, high: float) -> int:
    """Return the step of the ramp, 0 (quietest) to 4."""
    if high <= low:
        return len(LEVEL_RAMP) // 2
    share = (level - low) / (high - low)
    return min(len(LEVEL_RAMP) - 1, max(0, int(share * len(LEVEL_RAMP))))


def level_edges(low: float, high: float) -> list[tuple[str, float, float]]:
    """Return (colour, from, to) of every step, for the legend."""
    if high <= low:
        return [(LEVEL_RAMP[len(LEVEL_RAMP) // 2], low, high)]
    step = (high - low) / len(LEVEL_RAMP)
    return [(c, low + i * step, low + (i + 1) * step) for i, c in enumerate(LEVEL_RAMP)]


def usual_span(levels: Sequence[float]) -> tuple[float, float] | None:
    """Return the quietest and the loudest of the levels, strays left out.

    A reading of another meter or scale may lie tens of decibels off; were it let in, all others
    would wear one colour. A stray lies more than three times the middle half's width outside it
    (the outer fence of Tukey 1977), and at least 10 dB.
    """
    ordered = sorted(levels)
    if not ordered:
        return None
    low, high = ordered[len(ordered) // 4], ordered[(3 * len(ordered) - 1) // 4]
    fence = max(3 * (high - low), 10.0)
    kept = [each for each in ordered if low - fence <= each <= high + fence]
    return kept[0], kept[-1]
