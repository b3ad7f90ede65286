"""The profile along one leg: levels over chainage with the fit, the chance under it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence

import numpy as np

from geoleak.export import ahead, colours, words
from geoleak.export.colours import drawn_scale, edges_of, plotted
from geoleak.export.drawing import Picture, width_of
from geoleak.record import Record
from geoleak.result import ProfileLeg, ReadingSummary, Result
from geoleak.units import unit_m

SCALE_WORDS = {
    "db": "Level, dB",
    "amplitude": "Level, dB (of the amplitude)",
    "display": "Level as displayed",
}
GROUND, GRID = "#f7f8f9", "#d5dade"
Marks = Iterable[tuple[float, str]]
"""Values along an axis, each with its text."""


class Panel(Record):
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

    def curve(self, along: Sequence[float], values: Sequence[float]) -> list[tuple[float, float]]:
        """Return the part of a curve that stands within the panel, in the picture."""
        return [
            (self.x(c), self.y(v))
            for c, v in zip(along, values, strict=True)
            if self.x_from <= c <= self.x_to
        ]

    def axes(
        self,
        picture: Picture,
        size: float,
        *,
        x: Marks = (),
        y: Marks = (),
        x_name: str = "",
        y_name: str = "",
        upright: bool = False,
    ) -> None:
        """Draw lines across at the marks of y, ticks at those of x (lines where `upright`), names.

        `size` is the text's.
        """
        for value, text in y:
            at = self.y(value)
            picture.line([(self.left, at), (self.right, at)], GRID, 0.8)
            picture.words(self.left - 0.5 * size, at + 0.35 * size, text, size, anchor="end")
        for value, text in x:
            at, top, low = self.x(value), self.top if upright else self.bottom, self.bottom
            colour = GRID if upright else colours.INK
            picture.line([(at, top), (at, low + 0.4 * size)], colour, 1.0)
            # A browser's own font runs wider than the sheet's.
            most = picture.width - 0.55 * width_of(text, size)
            picture.words(min(at, most), low + 1.5 * size, text, size, anchor="middle")
        across, half = (self.left + self.right) / 2, (self.top + self.bottom) / 2
        picture.words(across, self.bottom + 2.8 * size, x_name, size, anchor="middle")
        picture.words(1.1 * size, half, y_name, size, anchor="middle", turned=True)


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
    return _Drawing(result, leg, Picture(width, height), size).draw()


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
        what = {"dig": "The stake stands", "closed": "The stake stood"}.get(
            result.stands, "The best place so far, not to dig, is"
        )
        text += f". {what} at {words.station(result.leak.chainage_m, unit)}"
        text += f"; 95 % of the chance lies within {words.likely(result)}"
    return text + "."


class _Drawing:
    """The profile being drawn."""

    def __init__(self, result: Result, leg: str, picture: Picture, size: float) -> None:
        self.result, self.leg, self.picture, self.size = result, leg, picture, size
        self.unit, self.dig = result.site.length_unit, result.stands == "dig"
        self.profile: ProfileLeg = next(each for each in result.profile if each.leg == leg)
        self.readings = plotted(result, leg)
        told = [] if self.dig else [each.properties for each in ahead.places(result)]
        self.ahead = [(t["number"], t["chainage_m"]) for t in told if t["leg"] == leg]
        self.top = 2.9 * size
        self.sides = (4.4 * size, picture.width - 0.8 * size)

    def draw(self) -> Picture:
        picture, size, span = self.picture, self.size, self.span()
        # The two panels share what titles, key and stations leave.
        room = picture.height - self.top - 4.8 * size
        split = self.top + room * (0.62 if self.readings else 0.1)
        if self.readings:
            self.levels(Panel(*self.sides, self.top, split, *span, *self.level_span()))
        else:
            middle = sum(self.sides) / 2
            picture.words(middle, split - size, "no readings along this leg", size, anchor="middle")
        density = max(self.profile.density_per_m, default=0.0) or 1.0
        bottom = picture.height - 3.2 * size
        chances = Panel(*self.sides, split + 1.6 * size, bottom, *span, 0.0, density * 1.08)
        self.chance(chances)
        self.stations(chances)
        if self.dig:
            self.hole_and_stake(chances)
        else:
            self.next_places(chances)
        self.key(chances)
        return picture

    def span(self) -> tuple[float, float]:
        """Return the stretch to show: readings, 95 % and what is advised, with a margin."""
        low, high = self.profile.chainage_m[0], self.profile.chainage_m[-1]
        ends = [each.chainage_m for each in self.readings]
        ends += [at_m for _, at_m in self.ahead]
        for name, *stretch in (*self.result.leak.interval_95, *self.result.decision.hole.pieces):
            ends += stretch if name == self.leg else []
        if ends:
            margin = max(0.06 * (max(ends) - min(ends)), 0.5)
            low, high = max(low, min(ends) - margin), min(high, max(ends) + margin)
        return (low, high) if high > low else (low - 0.5, low + 0.5)

    def level_span(self) -> tuple[float, float]:
        span = colours.usual_span([each.level_db for each in self.readings]) or (0.0, 1.0)
        curve = [v for v in self.profile.expected_db if math.isfinite(v)]
        low, high = min([span[0], *curve]), max([span[1], *curve])
        margin = max(0.12 * (high - low), (colours.LEAST_SPAN_DB - high + low) / 2, 1.0)
        return low - margin, high + margin

    def levels(self, panel: Panel) -> None:
        picture, profile = self.picture, self.profile
        picture.box(panel.left, panel.top, panel.right, panel.bottom, GROUND)
        along = profile.expected_chainage_m
        if profile.low_db and profile.high_db:
            band = panel.curve(along, profile.high_db) + panel.curve(along, profile.low_db)[::-1]
            picture.area(band, colours.BAND)
        most = min(5, max(1, int((panel.bottom - panel.top) / (1.5 * self.size))))
        label = SCALE_WORDS.get(self.result.level_scale, "Level")
        if drawn_scale(self.result) == "recording":
            label = "Level, dB re full scale"
        marks = [(value, f"{value:g}") for value in round_steps(panel.y_from, panel.y_to, most)]
        panel.axes(picture, self.size, y=marks, y_name=label)
        curve = panel.curve(along, profile.expected_db)
        if curve:
            picture.line(curve, colours.CURVE, 2.0)
        edges = edges_of(self.result)
        for each in self.readings:
            self.reading(panel, each, colours.level_colour(each.level_db, edges))

    def reading(self, panel: Panel, each: ReadingSummary, fill: str) -> None:
        """Draw one reading; an outlier stands at the panel's edge with its level beside it."""
        x, y, size = panel.x(each.chainage_m), panel.y(each.level_db), self.size
        above = each.level_db > panel.y_to
        if above or each.level_db < panel.y_from:
            text = f"{each.level_db:.0f} {'above' if above else 'below'}"
            self.beside(panel, x, y + (0.9 if above else -0.2) * size, 0.7, text)
        self.picture.disc(x, y, 0.42 * size, fill, colours.INK, 1.4)

    def beside(
        self, panel: Panel, x: float, y: float, away: float, text: str, *, bold: bool = False
    ) -> None:
        """Write beside a place, on the side where the panel has more room."""
        right = x < (panel.left + panel.right) / 2
        x += (away if right else -away) * self.size
        anchor = "start" if right else "end"
        self.picture.words(x, y, text, self.size, anchor=anchor, bold=bold, halo=True)

    def chance(self, panel: Panel) -> None:
        leak = self.result.leak
        self.picture.box(panel.left, panel.top, panel.right, panel.bottom, GROUND)
        self.fill_under(panel, panel.x_from, panel.x_to, "#e3e8ec")
        shades = ((95, leak.interval_95), (80, leak.interval_80), (50, leak.interval_50))
        for percent, stretches in shades:
            for leg, start, end in stretches:
                if leg == self.leg:
                    self.fill_under(panel, start, end, colours.INTERVAL[percent])
        outline = panel.curve(self.profile.chainage_m, self.profile.density_per_m)
        if len(outline) > 1:
            self.picture.line(outline, colours.INK, 1.4)
        panel.axes(self.picture, self.size, y_name="Chance")

    def fill_under(self, panel: Panel, start: float, end: float, fill: str) -> None:
        start, end = max(start, panel.x_from), min(end, panel.x_to)
        if end <= start:
            return
        along, density = self.profile.chainage_m, self.profile.density_per_m
        at = [start, *(c for c in along if start < c < end), end]
        curve = panel.curve(at, [float(v) for v in np.interp(at, along, density)])
        self.picture.area([(curve[0][0], panel.bottom), *curve, (curve[-1][0], panel.bottom)], fill)

    def key(self, panel: Panel) -> None:
        """Say what the shades mean, over everything else."""
        size, x, low = self.size, panel.left, panel.top - 0.25 * self.size
        self.picture.box(x, panel.top - 1.3 * size, x + 12.6 * size, panel.top, "#ffffff")
        for percent in (50, 80, 95):
            self.picture.box(x, low - 0.8 * size, x + size, low, colours.INTERVAL[percent])
            self.picture.words(x + 1.3 * size, low, f"{percent} %", size)
            x += 4.2 * size

    def stations(self, panel: Panel) -> None:
        size, factor, low = self.size, unit_m(self.unit), panel.bottom
        self.picture.line([(panel.left, low), (panel.right, low)], colours.INK, 1.2)
        most = max(3, int((panel.right - panel.left) / (5.2 * size)))
        steps = round_steps(panel.x_from / factor, panel.x_to / factor, most)
        panel.axes(
            self.picture,
            size,
            x=[(value * factor, tick_station(value, self.unit)) for value in steps],
            x_name=f"Station along the leg, {words.unit_word(self.unit)}",
        )

    def hole_and_stake(self, panel: Panel) -> None:
        picture, size, top = self.picture, self.size, self.top
        stake_x = panel.x(self.result.leak.chainage_m)
        for name, start, end in self.result.decision.hole.pieces:
            if name != self.leg:
                continue
            left, right = panel.x(start), panel.x(end)
            for x in (left, right):
                picture.line([(x, top), (x, panel.bottom)], colours.INK, 1.2, dash=(5, 4))
            picture.box(left, top - 5, right, top, "#ffffff", stroke=colours.INK, width=1.6)
            # Clear of the stake's sign, which a short hole does not reach past.
            beside = max(right, stake_x + 0.7 * size) + 0.4 * size
            picture.words(beside, top - 0.1 * size, "hole", size, halo=True)
        if self.leg == self.result.leak.leg:
            picture.line([(stake_x, top - 0.5 * size), (stake_x, panel.bottom)], "#000000", 2.2)
            picture.target(stake_x, top - 1.1 * size, 0.75 * size)
            text = f"stake {words.station(self.result.leak.chainage_m, self.unit)}"
            self.beside(panel, stake_x, top - 1.2 * size, 1.2, text, bold=True)

    def next_places(self, panel: Panel) -> None:
        """Draw where to listen next, numbered; the best place so far as a thin dotted line."""
        picture, size, top = self.picture, self.size, self.top
        if self.leg == self.result.leak.leg:
            x = panel.x(self.result.leak.chainage_m)
            picture.line([(x, top), (x, panel.bottom)], colours.INK, 1.0, dash=(1.5, 3))
            lines = [panel.x(at_m) - x for _, at_m in self.ahead]
            crossed = any(0 <= away < 6 * size for away in lines) or panel.right - x < 6 * size
            left = crossed and x - panel.left > 6 * size
            anchor, shift = ("end", -0.4) if left else ("start", 0.4)
            low = top + 1.1 * size
            said = "the stake stood" if self.result.closed else "best so far"
            picture.words(x + shift * size, low, said, size, anchor=anchor, halo=True)
        said = "check here" if self.result.decision.check else "listen next"
        placed = sorted(self.ahead, key=lambda pair: pair[1])
        feet = [panel.x(at_m) for _, at_m in placed]
        if ahead.many(self.result):
            for x in feet:
                picture.disc(x, top - 0.7 * size, 2.0, "#000000", "#000000")
            picture.words(
                panel.right, top - 1.3 * size, said, size, anchor="end", bold=True, halo=True
            )
            return
        signs: list[float] = []
        for x in feet:
            signs.append(max(x, signs[-1] + 2.0 * size) if signs else x)
        # Signs too near each other stand apart, about the middle of their places.
        moved = sum(signs) - sum(feet)
        signs = [max(at - moved / len(signs), panel.left) for at in signs] if moved else signs
        for x, at in zip(feet, signs, strict=True):
            foot = [(at, top - 0.9 * size), (x, top), (x, panel.bottom)]
            picture.line(foot, colours.INK, 1.6, dash=(5, 3))
        for (number, _), at in zip(placed, signs, strict=True):
            picture.numbered(at, top - 0.9 * size, 0.85 * size, number)
        if signs:
            at = signs[-1] + 1.3 * size
            if at + 6.5 * size < picture.width:
                picture.words(at, top - 0.55 * size, said, size, bold=True, halo=True)


def tick_station(value: float, unit: str) -> str:
    """Return a station of whole units without decimals, 0+40; with one where it has them."""
    return words.station(value * unit_m(unit), unit).rstrip("0").rstrip(".")


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
