"""The profile along one leg: levels over chainage with the fit, the chance under it."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

from geoleak.export import colours, words
from geoleak.export.drawing import Picture
from geoleak.export.level_scales import drawn_scale, level_range, plotted
from geoleak.result import NextReadingSummary, ProfileLeg, ReadingSummary, Result
from geoleak.units import unit_m

SCALE_WORDS = {
    "db": "Level, dB",
    "amplitude": "Level, dB (of the amplitude)",
    "display": "Level as displayed",
}
Scale = Callable[[float], float]


@dataclass(frozen=True, slots=True)
class Frame:
    """Where one panel stands in the picture and what it spans."""

    left: float
    right: float
    top: float
    bottom: float
    x_from: float
    x_to: float
    y_from: float
    y_to: float

    def x(self, value: float) -> float:
        """Return the picture's x of a chainage, held at the panel's edges."""
        share = (value - self.x_from) / (self.x_to - self.x_from)
        return self.left + min(1.0, max(0.0, share)) * (self.right - self.left)

    def y(self, value: float) -> float:
        """Return the picture's y of a value, held at the panel's edges."""
        share = (value - self.y_from) / (self.y_to - self.y_from)
        return self.bottom - min(1.0, max(0.0, share)) * (self.bottom - self.top)


def profile_picture(
    result: Result, leg: str, *, width: float = 420, height: float = 400, size: float = 13
) -> Picture:
    """Return the profile of a leg.

    Parameters
    ----------
    result : Result
    leg : str
        Name of a leg in ``result.profile``.
    width, height : float
        Of the picture.
    size : float
        Height of its text.
    """
    profile = next(each for each in result.profile if each.leg == leg)
    readings = plotted(result, leg)
    span = _span(result, profile, readings)
    picture = Picture(width, height)
    left, right = 4.4 * size, width - 0.8 * size
    top, split = 2.9 * size, height * (0.62 if readings else 0.2)
    bottom = height - 3.2 * size
    if readings:
        levels = Frame(left, right, top, split, *span, *_level_span(profile, readings))
        _draw_levels(picture, levels, result, profile, readings, size)
    else:
        picture.words(
            (left + right) / 2, split - size, "no readings along this leg", size, anchor="middle"
        )
    density = max(profile.density_per_m, default=0.0) or 1.0
    chances = Frame(left, right, split + 1.6 * size, bottom, *span, 0.0, density * 1.08)
    _draw_chance(picture, chances, result, profile, size)
    _draw_stations(picture, chances, result, size)
    if result.decision.verdict == "dig":
        _draw_hole_and_stake(picture, chances, top, result, leg, size)
    else:
        _draw_next(picture, chances, top, result, leg, size)
    _draw_key(picture, chances, size)
    return picture


def describe(result: Result, leg: str) -> str:
    """Return the profile in words, for who cannot see it."""
    unit = result.site.length_unit
    readings = plotted(result, leg)
    text = f"Level against chainage along {leg}"
    if readings:
        loudest = max(readings, key=lambda each: each.level_db)
        where = words.station(loudest.chainage_m, unit)
        text += f": {len(readings)} readings, the highest {loudest.level_db:.0f} at {where}"
    if leg == result.leak.leg:
        dig = result.decision.verdict == "dig"
        what = "The stake stands" if dig else "The best place so far, not to dig, is"
        text += f". {what} at {words.station(result.leak.chainage_m, unit)}"
        pieces = words.pieces(result.leak.interval_95, unit, leg=leg)
        text += f"; 95 % of the chance lies within {pieces}"
    return text + "."


def _span(
    result: Result, profile: ProfileLeg, readings: Sequence[ReadingSummary]
) -> tuple[float, float]:
    """Return the stretch to show: readings, 95 % interval and what is advised, with a margin."""
    low, high = profile.chainage_m[0], profile.chainage_m[-1]
    ends = [each.chainage_m for each in readings]
    for stretch in (*result.leak.interval_95, *result.decision.hole.pieces):
        if stretch[0] == profile.leg:
            ends += stretch[1:]
    ends += [each.chainage_m for _, each in _next_on(result, profile.leg)]
    if ends:
        margin = max(0.06 * (max(ends) - min(ends)), 0.5)
        low, high = max(low, min(ends) - margin), min(high, max(ends) + margin)
    return (low, high) if high > low else (low - 0.5, low + 0.5)


def _level_span(profile: ProfileLeg, readings: Sequence[ReadingSummary]) -> tuple[float, float]:
    span = colours.usual_span([each.level_db for each in readings]) or (0.0, 1.0)
    curve = [v for v in profile.expected_db if math.isfinite(v)]
    low, high = min([span[0], *curve]), max([span[1], *curve])
    margin = max(0.12 * (high - low), 1.0)
    return low - margin, high + margin


def _draw_levels(
    picture: Picture,
    frame: Frame,
    result: Result,
    profile: ProfileLeg,
    readings: Sequence[ReadingSummary],
    size: float,
) -> None:
    picture.box(frame.left, frame.top, frame.right, frame.bottom, "#f7f8f9")
    inside = [
        i for i, c in enumerate(profile.expected_chainage_m) if frame.x_from <= c <= frame.x_to
    ]
    if inside and profile.low_db and profile.high_db:
        along = [frame.x(profile.expected_chainage_m[i]) for i in inside]
        upper = [(x, frame.y(profile.high_db[i])) for x, i in zip(along, inside, strict=True)]
        lower = [(x, frame.y(profile.low_db[i])) for x, i in zip(along, inside, strict=True)]
        picture.area(upper + lower[::-1], colours.BAND)
    _draw_level_axis(picture, frame, result, size)
    if inside:
        curve = [
            (frame.x(profile.expected_chainage_m[i]), frame.y(profile.expected_db[i]))
            for i in inside
        ]
        picture.line(curve, colours.CURVE, 2.0)
    low, high = level_range(result) or (0.0, 0.0)
    for each in readings:
        _draw_reading(picture, frame, each, low, high, size)


def _draw_reading(
    picture: Picture, frame: Frame, each: ReadingSummary, low: float, high: float, size: float
) -> None:
    """Draw one reading as a disc in its colour.

    A stray stands at the panel's edge with its level beside it.
    """
    x, y = frame.x(each.chainage_m), frame.y(each.level_db)
    if not frame.y_from <= each.level_db <= frame.y_to:
        on_right = x < (frame.left + frame.right) / 2
        picture.words(
            x + (0.7 if on_right else -0.7) * size,
            y + (0.9 if each.level_db > frame.y_to else -0.2) * size,
            f"{each.level_db:.0f}{' above' if each.level_db > frame.y_to else ' below'}",
            size,
            anchor="start" if on_right else "end",
            halo=True,
        )
    fill = colours.level_colour(each.level_db, low, high)
    picture.disc(x, y, 0.42 * size, fill, colours.INK, 1.4)


def _draw_level_axis(picture: Picture, frame: Frame, result: Result, size: float) -> None:
    for value in round_steps(frame.y_from, frame.y_to, 5):
        y = frame.y(value)
        picture.line([(frame.left, y), (frame.right, y)], "#d5dade", 0.8)
        picture.words(frame.left - 0.5 * size, y + 0.35 * size, f"{value:g}", size, anchor="end")
    label = SCALE_WORDS.get(result.level_scale, "Level")
    if drawn_scale(result) == "recording":
        label = "Level, dB re full scale"
    middle = (frame.top + frame.bottom) / 2
    picture.words(1.1 * size, middle, label, size, anchor="middle", turned=True)


def _draw_chance(
    picture: Picture, frame: Frame, result: Result, profile: ProfileLeg, size: float
) -> None:
    picture.box(frame.left, frame.top, frame.right, frame.bottom, "#f7f8f9")
    pairs = list(zip(profile.chainage_m, profile.density_per_m, strict=True))
    _fill_under(picture, frame, pairs, frame.x_from, frame.x_to, "#e3e8ec")
    intervals = {
        95: result.leak.interval_95,
        80: result.leak.interval_80,
        50: result.leak.interval_50,
    }
    for percent, stretches in intervals.items():
        for leg, start, end in stretches:
            if leg == profile.leg:
                _fill_under(picture, frame, pairs, start, end, colours.INTERVAL[percent])
    outline = [(frame.x(c), frame.y(d)) for c, d in pairs if frame.x_from <= c <= frame.x_to]
    if len(outline) > 1:
        picture.line(outline, colours.INK, 1.4)
    middle = (frame.top + frame.bottom) / 2
    picture.words(1.1 * size, middle, "Chance", size, anchor="middle", turned=True)


def _draw_key(picture: Picture, frame: Frame, size: float) -> None:
    """Say what the shades mean, over everything else."""
    picture.box(frame.left, frame.top - 1.3 * size, frame.left + 12.6 * size, frame.top, "#ffffff")
    x = frame.left
    for percent in (50, 80, 95):
        picture.box(
            x, frame.top - 1.05 * size, x + size, frame.top - 0.2 * size, colours.INTERVAL[percent]
        )
        picture.words(x + 1.3 * size, frame.top - 0.25 * size, f"{percent} %", size)
        x += 4.2 * size


def _fill_under(
    picture: Picture,
    frame: Frame,
    pairs: Sequence[tuple[float, float]],
    start: float,
    end: float,
    fill: str,
) -> None:
    start, end = max(start, frame.x_from), min(end, frame.x_to)
    if end <= start:
        return
    inner = [(c, d) for c, d in pairs if start < c < end]
    edge = [(start, _at(pairs, start)), *inner, (end, _at(pairs, end))]
    curve = [(frame.x(c), frame.y(d)) for c, d in edge]
    picture.area([(curve[0][0], frame.bottom), *curve, (curve[-1][0], frame.bottom)], fill)


def _at(pairs: Sequence[tuple[float, float]], chainage_m: float) -> float:
    """Return the density drawn at a chainage: on the straight line between two of its points."""
    before = pairs[0]
    for after in pairs:
        if after[0] >= chainage_m:
            gap = after[0] - before[0]
            share = (chainage_m - before[0]) / gap if gap > 0 else 0.0
            return before[1] + share * (after[1] - before[1])
        before = after
    return before[1]


def _draw_stations(picture: Picture, frame: Frame, result: Result, size: float) -> None:
    unit = result.site.length_unit
    factor = unit_m(unit)
    picture.line([(frame.left, frame.bottom), (frame.right, frame.bottom)], colours.INK, 1.2)
    most = max(3, int((frame.right - frame.left) / (5.2 * size)))
    for value in round_steps(frame.x_from / factor, frame.x_to / factor, most):
        x = frame.x(value * factor)
        picture.line([(x, frame.bottom), (x, frame.bottom + 0.4 * size)], colours.INK, 1.2)
        text = tick_station(value, unit)
        picture.words(x, frame.bottom + 1.5 * size, text, size, anchor="middle")
    note = f"Station along the leg, {words.unit_word(unit)}"
    middle = (frame.left + frame.right) / 2
    picture.words(middle, frame.bottom + 2.8 * size, note, size, anchor="middle")


def tick_station(value: float, unit: str) -> str:
    """Return a station of whole units without decimals, 0+40; with one where it has them."""
    size = 1000 if unit == "m" else 100
    whole, rest = divmod(round(value, 1), size)
    digits = f"{rest:g}"
    pad = (3 if unit == "m" else 2) - len(digits.split(".")[0])
    return f"{whole:.0f}+{'0' * pad}{digits}"


def _draw_hole_and_stake(
    picture: Picture, frame: Frame, top: float, result: Result, leg: str, size: float
) -> None:
    for name, start, end in result.decision.hole.pieces:
        if name != leg:
            continue
        left, right = frame.x(start), frame.x(end)
        for x in (left, right):
            picture.line([(x, top), (x, frame.bottom)], colours.INK, 1.2, dash=(5, 4))
        picture.area(
            [(left, top - 5), (right, top - 5), (right, top), (left, top)],
            "#ffffff",
            stroke=colours.INK,
            width=1.6,
        )
        # Clear of the stake's sign, which a short hole does not reach past.
        beside = max(right, frame.x(result.leak.chainage_m) + 0.7 * size) + 0.4 * size
        picture.words(beside, top - 0.1 * size, "hole", size, halo=True)
    if leg != result.leak.leg:
        return
    x = frame.x(result.leak.chainage_m)
    picture.line([(x, top - 0.5 * size), (x, frame.bottom)], "#000000", 2.2)
    picture.target(x, top - 1.1 * size, 0.75 * size)
    text = f"stake {words.station(result.leak.chainage_m, result.site.length_unit)}"
    on_right = x < (frame.left + frame.right) / 2
    picture.words(
        x + (1.2 if on_right else -1.2) * size,
        top - 1.2 * size,
        text,
        size * 1.1,
        anchor="start" if on_right else "end",
        bold=True,
        halo=True,
    )


def _next_on(result: Result, leg: str) -> list[tuple[int, NextReadingSummary]]:
    """Return the next readings on a leg with their numbers; none where the verdict is to dig."""
    if result.decision.verdict == "dig":
        return []
    return [(k, e) for k, e in enumerate(result.next_readings, start=1) if e.leg == leg]


def _draw_next(
    picture: Picture, frame: Frame, top: float, result: Result, leg: str, size: float
) -> None:
    """Draw where to listen next, numbered; the best place so far as a thin dotted line."""
    if leg == result.leak.leg:
        x = frame.x(result.leak.chainage_m)
        picture.line([(x, top), (x, frame.bottom)], colours.INK, 1.0, dash=(1.5, 3))
        lines = [frame.x(each.chainage_m) - x for _, each in _next_on(result, leg)]
        crossed = any(0 <= away < 6 * size for away in lines) or frame.right - x < 6 * size
        anchor, shift = ("end", -0.4) if crossed else ("start", 0.4)
        picture.words(
            x + shift * size, top + 1.1 * size, "best so far", size, anchor=anchor, halo=True
        )
    ahead = _next_on(result, leg)
    for number, each in reversed(ahead):
        x = frame.x(each.chainage_m)
        picture.line([(x, top), (x, frame.bottom)], colours.INK, 1.6, dash=(5, 3))
        picture.numbered(x, top - 0.9 * size, 0.85 * size, number)
    if ahead:
        text = "listen next"
        at = max(frame.x(each.chainage_m) for _, each in ahead) + 1.3 * size
        if at + 6.5 * size < picture.width:
            picture.words(at, top - 0.55 * size, text, size, bold=True, halo=True)


def round_steps(low: float, high: float, most: int) -> list[float]:
    """Return at most `most` round values (1, 2 or 5 times a power of ten) from low to high."""
    span = high - low
    if not (math.isfinite(span) and span > 0):
        return [low]
    power = 10.0 ** math.floor(math.log10(span / most))
    step = next(s * power for s in (1, 2, 5, 10, 20) if span / (s * power) <= most)
    first = math.ceil(low / step - 1e-9)
    last = math.floor(high / step + 1e-9)
    return [round(i * step, 10) for i in range(first, last + 1)]
