"""Colours, and which readings share a scale of levels: only those may share an axis or a ramp.

Other services wear the American Public Works Association's colours; the rest are ours. Ours keep
their order of lightness in grey and for readers who confuse red with green: readings go from pale
sand to dark plum, intervals from pale to dark blue, the stake is black and white.

A contact sensor hears the pipe and a surface sensor the ground; a recording is in dB re full
scale, a meter in its own dB. Levels of two such scales do not compare.
"""

from __future__ import annotations

import bisect
import itertools
import math
from collections import Counter
from collections.abc import Sequence

from geoleak.export import words
from geoleak.result import ReadingSummary, Result

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
INK = "#14202b"
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


MOST_TOLD = 8
OTHER_KINDS = {"contact": "contact", "gas": "gas", "bar_hole": "bar hole", "rod": "rod"}

# A reading as far off the line as this is one taken left or right of it on purpose.
ASIDE_M = 0.7


def drawn_scale(result: Result) -> str:
    """Return the scale of most surface readings, which axis and colours follow."""
    count = Counter(each.level_from for each in result.readings if each.kind == "surface")
    return max(("meter", "recording"), key=lambda each: count[each])


def sign(reading: ReadingSummary, result: Result, scale: str = "") -> str:
    """Return how a reading is drawn: "level", or "other" for one on a scale of its own."""
    on_scale = reading.kind == "surface" and reading.level_from == (scale or drawn_scale(result))
    if on_scale and math.isfinite(reading.level_db):
        return "level"
    return "contact" if reading.kind == "contact" else "other"


def plotted(result: Result, leg: str) -> list[ReadingSummary]:
    """Return the readings over a leg that share the drawn scale; none of those taken aside."""
    return [
        each
        for each in result.readings
        if each.leg == leg and sign(each, result) == "level" and abs(each.offset_m) < ASIDE_M
    ]


def level_range(result: Result) -> tuple[float, float] | None:
    """Return the quietest and the loudest level of the drawn scale, strays left out."""
    scale = drawn_scale(result)
    return usual_span(
        [each.level_db for each in result.readings if sign(each, result, scale) == "level"]
    )


def edges_of(result: Result) -> list[float]:
    """Return the levels where one colour of the drawn scale gives way to the next."""
    return level_edges(*(level_range(result) or (0.0, 0.0)))


def steps(result: Result) -> list[tuple[str, str]]:
    """Return the steps of the drawn scale for a key: colour, levels in words."""
    edges = edges_of(result)
    unit = " dB re full scale" if drawn_scale(result) == "recording" else " dB"
    unit = "" if result.level_scale == "display" else unit
    said = [f"reading up to {edges[0]:.0f}{unit}"]
    said += [f"{low:.0f} to {high:.0f}{unit}" for low, high in itertools.pairwise(edges)]
    return list(zip(LEVEL_RAMP, [*said, f"over {edges[-1]:.0f}{unit}"], strict=True))


def not_drawn(result: Result, leg: str) -> str:
    """Return the readings of a leg that are on other scales, for the line under its picture."""
    unit = result.site.length_unit
    others = [
        each
        for each in result.readings
        if each.leg == leg and sign(each, result) != "level" and math.isfinite(each.level_db)
    ]
    told = []
    for name, alike in itertools.groupby(others[:MOST_TOLD], _name):
        at = (f"{e.level_db:.0f} at {words.station(e.chainage_m, unit)}" for e in alike)
        told.append(f"{name} {', '.join(at)}")
    if not told:
        return ""
    more = f" and {len(others) - MOST_TOLD} more" if len(others) > MOST_TOLD else ""
    return f"On scales of their own, not drawn: {'; '.join(told)}{more}"


def _name(reading: ReadingSummary) -> str:
    kind = OTHER_KINDS.get(reading.kind, "")
    source = reading.level_from if not kind or reading.level_from == "recording" else ""
    return " ".join(each for each in (kind, source) if each)
