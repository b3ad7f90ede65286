"""The plan sketch: pipe, hole, stake, ties and services near the stake, to a round scale.

North of the printed grid is up. Readable in black and white: what differs, differs in form.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import shapely

from geoleak.export import colours, listen_words, words
from geoleak.export.drawing import Picture
from geoleak.result import Feature, Result
from geoleak.units import unit_m

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

POINT_M = 0.0254 / 72
SCALES_M = (20, 25, 40, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 1500, 2000)
"""Denominators of the scale on a metric sheet."""
SCALES_FT = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200)
"""Feet to an inch on a sheet in feet."""
BAR_SHARES = (1, 2, 5, 10, 20, 25, 50, 100)


@dataclass(frozen=True, slots=True)
class Plan:
    """The sketch and the words for its scale."""

    picture: Picture
    scale: str


@dataclass(frozen=True, slots=True)
class _View:
    """From the printed grid to the picture."""

    east: float
    north: float
    points_per_unit: float
    width: float
    height: float
    lift: float
    """How far the middle stands above the picture's: the scale bar holds the lower edge."""

    def at(self, easting: float, northing: float) -> tuple[float, float]:
        return (
            self.width / 2 + (easting - self.east) * self.points_per_unit,
            self.height / 2 - self.lift - (northing - self.north) * self.points_per_unit,
        )

    def window(self, margin: float = 2.0) -> BaseGeometry:
        scale = self.points_per_unit
        half = (self.width / 2 - margin) / scale
        up, down = self.height / 2 - self.lift - margin, self.height / 2 + self.lift - margin
        return shapely.box(
            self.east - half, self.north - down / scale, self.east + half, self.north + up / scale
        )


def plan_picture(result: Result, width: float, height: float, size: float = 9.0) -> Plan:
    """Return the plan sketch for a box of `width` x `height` points, text `size` points high."""
    view, scale = _fitted(result, width, height, size)
    picture = Picture(width, height)
    picture.box(0, 0, width, height, "#ffffff")
    for draw in (_intervals, _services, _ties, _pipe, _hole):
        draw(picture, view, result, size)
    _points(picture, view, result, size)
    if result.decision.verdict == "dig":
        _stake(picture, view, result, size)
    else:
        _next_places(picture, view, result, size)
    _scale_bar(picture, view, result, size)
    _north(picture, size)
    picture.area(
        [(0, 0), (width, 0), (width, height), (0, height)], None, stroke="#000000", width=0.8
    )
    return Plan(picture, scale)


def _fitted(result: Result, width: float, height: float, size: float) -> tuple[_View, str]:
    """Return the largest round scale at which hole, ties and features fit, or places to listen."""
    where, unit = result.leak.position, result.site.length_unit
    grid_m = unit_m(where.unit)
    shapes = [f.grid for f in _of(result, "hole", "tie")]
    ahead = [f.grid for f in listen_words.features(result)]
    if result.decision.verdict != "dig" and ahead:
        shapes = [each.buffer(3.0 / grid_m) for each in ahead]
    else:
        stake = shapely.Point(where.easting, where.northing)
        shapes.append(stake.buffer(4.0 / grid_m))
    west, south, east, north = shapely.unary_union(shapes).bounds
    need_w, need_h = (east - west) * grid_m, (north - south) * grid_m
    room_w, room_h = (width - 6 * size) * POINT_M, (height - 5.4 * size) * POINT_M
    if unit == "m":
        ratios = [(float(n), f"scale 1:{n}") for n in SCALES_M]
    else:
        ratios = [(n * 12.0, f"scale 1 in = {n} ft") for n in SCALES_FT]
    fitting = [r for r in ratios if need_w / r[0] <= room_w and need_h / r[0] <= room_h]
    ratio, text = fitting[0] if fitting else ratios[-1]
    middle = ((west + east) / 2, (south + north) / 2)
    view = _View(*middle, grid_m / ratio / POINT_M, width, height, 1.4 * size)
    return view, text


def _lines(shape: BaseGeometry) -> Iterator[list[tuple[float, float]]]:
    for each in getattr(shape, "geoms", [shape]):
        if each.geom_type == "LineString" and not each.is_empty:
            yield [c[:2] for c in each.coords]


def _clipped(feature: Feature, view: _View) -> list[list[tuple[float, float]]]:
    inside = shapely.force_2d(feature.grid).intersection(view.window())
    return [[view.at(*c) for c in line] for line in _lines(inside)]


def _of(result: Result, *kinds: str) -> list[Feature]:
    return [each for each in result.features if each.kind in kinds]


def _intervals(picture: Picture, view: _View, result: Result, size: float) -> None:
    for each in _of(result, "interval"):
        if each.properties.get("percent") == 95:
            for line in _clipped(each, view):
                picture.line(line, "#c4c9cd", 1.5 * size)


def _services(picture: Picture, view: _View, result: Result, size: float) -> None:
    taken: list[tuple[float, float, float]] = []
    names: list[tuple[list[tuple[float, float]], str]] = []
    for each in _of(result, "utility"):
        colour = colours.service_colour(each.properties.get("colour"))
        name = str(each.properties.get("name") or each.id)
        tone = each.properties.get("colour")
        label = f"{name} ({tone})" if tone else name
        for line in _clipped(each, view):
            picture.line(line, "#000000", 3.4)
            picture.line(line, colour, 2.0)
            names.append((line, label))
        if each.grid.geom_type == "Point" and each.grid.within(view.window()):
            x, y = view.at(each.grid.x, each.grid.y)
            picture.disc(x, y, 3.5, colour, "#000000", 1.2)
            picture.words(x + 6, y + 3, label, size, halo=True)
    # Names come last: the next line would be drawn over them.
    for line, label in names:
        _beside(picture, line, label, size, taken)


def _beside(
    picture: Picture,
    line: list[tuple[float, float]],
    text: str,
    size: float,
    taken: list[tuple[float, float, float]],
) -> None:
    """Write a name at an end of a line, inside the sketch: the farther one where it is free.

    `taken` holds (left, right, foot) of the names written before.
    """
    most = int((picture.width - 8 * size) / (0.6 * size))
    shown = text if len(text) <= most else text[: most - 1] + "…"
    room = 0.55 * size * len(shown)
    middle = (picture.width / 2, picture.height / 2)
    ends = sorted((line[0], line[-1]), key=lambda end: -math.dist(end, middle))
    places = [_name_at(picture, end, room, size) for end in ends]

    def free(place: tuple[float, float]) -> bool:
        left, foot = place
        return not any(
            left < right + 2 and left + room > start - 2 and abs(foot - other) < 1.1 * size
            for start, right, other in taken
        )

    left, foot = next((each for each in places if free(each)), places[0])
    taken.append((left, left + room, foot))
    picture.words(left, foot, shown, size, halo=True)


def _name_at(
    picture: Picture, end: tuple[float, float], room: float, size: float
) -> tuple[float, float]:
    """Return where a name as wide as `room` starts beside the end of a line."""
    x, y = end
    left = min(max(x - room / 2, 4), picture.width - room - 4)
    below = 1.4 if y > picture.height / 2 else -0.6
    foot = min(max(y + below * size, 1.4 * size), picture.height - 3.2 * size)
    # The north arrow holds the upper right corner.
    if foot < 5 * size:
        left = min(left, picture.width - room - 4 * size)
    return left, foot


def _ties(picture: Picture, view: _View, result: Result, size: float) -> None:
    distances = {each.feature: each.distance_m for each in result.ties}
    unit = result.site.length_unit
    for each in _of(result, "tie"):
        for line in _clipped(each, view):
            picture.line(line, "#000000", 0.9, dash=(1.5, 2.5))
        distance = distances.get(str(each.properties.get("feature", "")))
        lines = list(_lines(each.grid))
        if distance is None or not lines:
            continue
        (ax, ay), (bx, by) = lines[0][0], lines[0][-1]
        x, y = view.at(ax + 0.36 * (bx - ax), ay + 0.36 * (by - ay))
        picture.words(
            x,
            y + 0.35 * size,
            words.length(distance, unit, decimals=2),
            size,
            anchor="middle",
            bold=True,
            halo=True,
        )


def _pipe(picture: Picture, view: _View, result: Result, size: float) -> None:
    assumed = {each.name for each in result.legs if each.assumed}
    for each in _of(result, "route"):
        name = str(each.properties.get("leg", each.id))
        for line in _clipped(each, view):
            picture.line(line, "#000000", 2.2, dash=(7, 4) if name in assumed else ())
    here = view.window(4.0)
    for each in _of(result, "mark"):
        if each.grid.geom_type == "Point" and each.grid.within(here):
            x, y = view.at(each.grid.x, each.grid.y)
            picture.disc(x, y, 1.7, "#ffffff", "#000000", 0.8)


def _hole(picture: Picture, view: _View, result: Result, size: float) -> None:
    for each in _of(result, "hole"):
        for part in getattr(each.grid, "geoms", [each.grid]):
            if part.geom_type != "Polygon":
                continue
            outline = [view.at(*c[:2]) for c in part.exterior.coords[:-1]]
            picture.area(outline, None, stroke="#ffffff", width=4.0)
            picture.area(outline, None, stroke="#000000", width=2.0)


def _points(picture: Picture, view: _View, result: Result, size: float) -> None:
    here, tied = view.window(7.0), {each.feature for each in result.ties}
    named, signs = _named_marks(result), _signs(view, result)
    for each in _of(result, "feature", "fitting", "mark"):
        if each.grid.geom_type != "Point" or not each.grid.within(here):
            continue
        if each.kind == "feature" and tied and each.id not in tied:
            continue
        x, y = view.at(each.grid.x, each.grid.y)
        if each.kind == "mark":
            clear = all(math.dist((x, y), sign) > 3 * size for sign in signs)
            if each.id in named and clear:
                picture.words(x, y + 1.9 * size, each.id, size, anchor="middle", halo=True)
            continue
        half = 3.2
        corners = [(x - half, y - half), (x + half, y - half), (x + half, y + half)]
        corners.append((x - half, y + half))
        fill = "#000000"
        if each.kind == "fitting":
            corners = [(x, y - 4.5), (x + 4.5, y), (x, y + 4.5), (x - 4.5, y)]
            fill = "#ffffff"
        picture.area(corners, fill, stroke="#000000", width=1.2)
        # A name stands on the side away from the stake, where no tape runs.
        stake = view.at(result.leak.position.easting, result.leak.position.northing)
        shift = 7.0 if all(math.dist((x, y), sign) > size for sign in signs) else 1.4 * size
        room = shift + 0.6 * size * len(each.id)
        anchor = "start" if x >= stake[0] else "end"
        if x + room > picture.width - 3:
            anchor = "end"
        elif x - room < 3:
            anchor = "start"
        picture.words(
            x + (shift if anchor == "start" else -shift),
            y + 0.35 * size,
            each.id,
            size,
            anchor=anchor,
            halo=True,
        )


def _named_marks(result: Result) -> set[str | None]:
    """Return the marks that the answer is told from."""
    if result.decision.verdict != "dig":
        found = (listen_words.FROM_MARK.match(e.place) for e in result.next_readings)
        return {match["mark"] for match in found if match}
    return {result.near.mark, result.near.next_mark} if result.near else set()


def _signs(view: _View, result: Result) -> list[tuple[float, float]]:
    """Return where the stake's sign stands, or those of the places to listen at."""
    if result.decision.verdict == "dig":
        return [view.at(result.leak.position.easting, result.leak.position.northing)]
    return [view.at(*e.grid.coords[0][:2]) for e in listen_words.features(result)]


def _stake(picture: Picture, view: _View, result: Result, size: float) -> None:
    where = result.leak.position
    x, y = view.at(where.easting, where.northing)
    picture.target(x, y, 0.45 * size)
    angle = math.radians(_free_bearing(view, result))
    right, down = math.sin(angle), -math.cos(angle)
    anchor = "start" if right > 0.4 else "end" if right < -0.4 else "middle"
    at = (x + 1.3 * size * right, y + 1.6 * size * down + 0.35 * size)
    picture.words(*at, "STAKE", size + 1, anchor=anchor, bold=True, halo=True)


def _free_bearing(view: _View, result: Result) -> float:
    """Return the one of eight bearings from the stake that tapes and pipe leave most room."""
    where = result.leak.position
    taken = []
    near = shapely.Point(where.easting, where.northing).buffer(30.0 / view.points_per_unit)
    for each in _of(result, "tie", "route"):
        for line in _lines(shapely.force_2d(each.grid).intersection(near)):
            for east, north in (line[0], line[-1]):
                if math.dist((east, north), (where.easting, where.northing)) > 1e-6:
                    across, up = east - where.easting, north - where.northing
                    taken.append(math.degrees(math.atan2(across, up)))
    room = {
        bearing: min((abs((bearing - each + 180) % 360 - 180) for each in taken), default=0.0)
        for bearing in range(0, 360, 45)
    }
    return float(max(room, key=lambda each: room[each]))


def _next_places(picture: Picture, view: _View, result: Result, size: float) -> None:
    """Draw the places to listen at, numbered, and the legs' names where they are several."""
    for each in reversed(listen_words.features(result)):
        if each.grid.geom_type == "Point" and each.grid.within(view.window(2.0)):
            x, y = view.at(each.grid.x, each.grid.y)
            picture.numbered(x, y, 0.95 * size, int(each.properties.get("number", 0)))


def _scale_bar(picture: Picture, view: _View, result: Result, size: float) -> None:
    unit = result.site.length_unit
    per = unit_m(unit) / unit_m(result.leak.position.unit) * view.points_per_unit
    share = max((s for s in BAR_SHARES if s * per <= 0.4 * picture.width), default=BAR_SHARES[0])
    left, low, wide = size, picture.height - size, share * per
    text = f"{share} {words.unit_word(unit)}"
    picture.box(left - 3, low - 1.9 * size, left + wide + 3.2 * size, low + 4, "#ffffff")
    picture.box(left, low - 4, left + wide / 2, low, "#000000")
    picture.area(
        [(left, low - 4), (left + wide, low - 4), (left + wide, low), (left, low)],
        None,
        stroke="#000000",
        width=0.8,
    )
    picture.words(left, low - 0.8 * size, "0", size)
    picture.words(left + wide, low - 0.8 * size, text, size, anchor="middle")


def _north(picture: Picture, size: float) -> None:
    x, top = picture.width - 1.6 * size, 0.8 * size
    picture.box(x - 1.2 * size, top - 3, x + 1.2 * size, top + 3.6 * size, "#ffffff")
    picture.area(
        [(x, top), (x + 5, top + 2.2 * size), (x, top + 1.7 * size), (x - 5, top + 2.2 * size)],
        "#000000",
    )
    picture.words(x, top + 3.3 * size, "N", size + 1, anchor="middle", bold=True)
