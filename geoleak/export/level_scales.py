"""Which readings share a scale of levels: only those may share an axis or a ramp of colours.

A contact sensor hears the pipe and a surface sensor the ground; a recording is in dB re full
scale, a meter in its own dB. Levels of two such scales do not compare.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter

from geoleak.export import colours, words
from geoleak.result import ReadingSummary, Result

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
    return colours.usual_span(
        [each.level_db for each in result.readings if sign(each, result, scale) == "level"]
    )


def level_edges(result: Result) -> list[float]:
    """Return the levels where one colour of the drawn scale gives way to the next."""
    return colours.level_edges(*(level_range(result) or (0.0, 0.0)))


def unit_word(result: Result) -> str:
    """Return the unit of the drawn scale."""
    if result.level_scale == "display":
        return ""
    return "dB re full scale" if drawn_scale(result) == "recording" else "dB"


def steps(result: Result) -> list[tuple[str, str]]:
    """Return the steps of the drawn scale for a key: colour, levels in words."""
    edges = level_edges(result)
    unit = f" {unit_word(result)}".rstrip()
    said = [f"reading up to {edges[0]:.0f}{unit}"]
    said += [f"{low:.0f} to {high:.0f}{unit}" for low, high in itertools.pairwise(edges)]
    return list(zip(colours.LEVEL_RAMP, [*said, f"over {edges[-1]:.0f}{unit}"], strict=True))


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
