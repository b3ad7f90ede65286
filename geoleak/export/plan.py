"""The plan sketch: pipe, hole, stake, ties and services near the stake, to a round scale.

North of the printed grid is up. Readable in black and white: what differs, differs in form. Names
and figures stand where they cover neither pipe nor marks nor each other; what finds no such place
is left to the text beside the sketch.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator

import shapely
from msgspec import Struct, field

from geoleak.export import ahead, colours, words
from geoleak.export.drawing import Picture, Words
from geoleak.result import Feature, Result
from geoleak.units import unit_m

POINT_M = 0.0254 / 72
SCALES_M = (20, 25, 40, 50, 75, 100, 125, 150, 200, 250, 300, 400, 500, 750, 1000, 1500, 2000)
"""Denominators of the scale on a metric sheet."""
SCALES_FT = (1, 2, 3, 4, 5, 6, 8, 10, 12, 15, 20, 25, 30, 40, 50, 60, 80, 100, 150, 200)
"""Feet to an inch on a sheet in feet."""
BAR_SHARES = (1, 2, 5, 10, 20, 25, 50, 100)
FAR_TIE = 2.0
"""A tie so many times longer than the second shortest runs off the sketch: two tapes set out a
stake, and a third from far away would shrink them to nothing. Ours, no source."""
Spot = tuple[float, float, str, float]
"""Where a line of text may stand: x, foot, anchor, and how far that is from what it names."""


def plan_picture(
    result: Result, width: float, height: float, size: float = 9.0
) -> tuple[Picture, str]:
    """Return the sketch in a box of `width` x `height` points, and the words for its scale."""
    sketch = _Sketch(result, Picture(width, height), size)
    scale = sketch.fit()
    sketch.draw()
    return sketch.picture, scale


class _Sketch(Struct):
    """The sketch being drawn."""

    result: Result
    picture: Picture
    size: float
    east: float = 0.0
    north: float = 0.0
    points_per_unit: float = 1.0
    solid: list[shapely.Geometry] = field(default_factory=list)
    """What no name may cover, in the picture's coordinates."""
    numbers: list[shapely.Geometry] = field(default_factory=list)
    """Signs of the places to listen at."""
    lines: list[shapely.Geometry] = field(default_factory=list)
    """Tapes and services: a name covers them only where it finds no other place."""

    @property
    def foot(self) -> float:
        """Lower edge of the map; scale bar and north arrow stand under it."""
        return self.picture.height - 2.4 * self.size

    @property
    def dig(self) -> bool:
        return self.result.stands == "dig"

    def fit(self) -> str:
        """Choose the largest round scale at which hole, ties, or places to listen at, fit."""
        where, unit, size = self.result.leak.position, self.result.site.length_unit, self.size
        grid_m = unit_m(where.unit)
        aims = [each.grid for each in (*ahead.places(self.result), *self.of("found"))]
        if not self.dig and aims:
            shapes = [each.buffer(3.0 / grid_m) for each in aims]
        else:
            shapes = [shapely.Point(where.easting, where.northing).buffer(4.0 / grid_m)]
            shapes += [f.grid for f in self.of("hole")]
            ties = sorted((f.grid for f in self.of("tie")), key=lambda each: each.length)
            shapes += [each for each in ties if each.length <= FAR_TIE * ties[:2][-1].length]
        west, south, east, north = shapely.unary_union(shapes).bounds
        room = ((self.picture.width - 6 * size) * POINT_M, (self.foot - 4 * size) * POINT_M)
        need = ((east - west) * grid_m, (north - south) * grid_m)
        if unit == "m":
            ratios = [(float(n), f"scale 1:{n}") for n in SCALES_M]
        else:
            ratios = [(n * 12.0, f"scale 1 in = {n} ft") for n in SCALES_FT]
        fits = (r for r in ratios if need[0] <= room[0] * r[0] and need[1] <= room[1] * r[0])
        ratio, text = next(fits, ratios[-1])
        self.east, self.north = (west + east) / 2, (south + north) / 2
        self.points_per_unit = grid_m / ratio / POINT_M
        return text

    def at(self, shape: shapely.Geometry) -> shapely.Geometry:
        """Return a shape of the printed grid in the picture's coordinates."""
        scale, middle = self.points_per_unit, (self.picture.width / 2, self.foot / 2)
        return shapely.transform(
            shapely.force_2d(shape),
            lambda xy: (xy - (self.east, self.north)) * (scale, -scale) + middle,
        )

    def window(self, margin: float = 2.0) -> shapely.Geometry:
        return shapely.box(margin, margin, self.picture.width - margin, self.foot - margin)

    def of(self, *kinds: str) -> list[Feature]:
        return [each for each in self.result.features if each.kind in kinds]

    def strokes(self, *kinds: str) -> Iterator[tuple[Feature, shapely.Geometry]]:
        """Return the stretches of line that stand in the window, with their features."""
        for each in self.of(*kinds):
            inside = shapely.get_parts(self.at(each.grid).intersection(self.window()))
            lines = (part for part in inside if part.geom_type == "LineString" and part.length > 0)
            yield from ((each, line) for line in lines)

    def spots(self, *kinds: str) -> Iterator[tuple[Feature, shapely.Geometry]]:
        """Return the points that stand in the window, with their features."""
        here = self.window(7.0)
        for each in self.of(*kinds):
            if each.grid.geom_type == "Point" and self.at(each.grid).within(here):
                yield each, self.at(each.grid)

    def draw(self) -> None:
        picture = self.picture
        picture.box(0, 0, picture.width, picture.height, "#ffffff")
        for each, line in self.strokes("interval"):
            if each.properties.get("percent") == 95:
                picture.line(line.coords, "#c4c9cd", 1.5 * self.size)
        services = list(self.services())
        ties = list(self.ties())
        self.pipe()
        fixed = list(self.fixed())
        dug = [("dug", self.around(line.centroid, 5.0), False) for _, line in self.strokes("dug")]
        signs = list(self.signs())
        picture.line([(0, self.foot), (picture.width, self.foot)], "#000000", 0.8)
        self.scale_bar()
        self.arrow()
        picture.box(0, 0, picture.width, picture.height, None, stroke="#000000", width=0.8)
        # Names come last, the most needed first: a place once taken is taken.
        for text, spots, bold in (*signs, *dug, *ties, *services, *fixed, *self.mark_names()):
            self.name(text, spots, bold=bold)

    def services(self) -> Iterator[tuple[str, Iterable[Spot], bool]]:
        most = int((self.picture.width - 8 * self.size) / (0.6 * self.size))

        def label(each: Feature) -> str:
            tone = each.properties.get("colour")
            text = words.plain(each.properties.get("name") or each.id)
            text += f" ({tone})" if tone else ""
            return text if len(text) <= most else text[: most - 1] + "…"

        for each, line in self.strokes("utility"):
            colour = colours.service_colour(each.properties.get("colour"))
            self.picture.line(line.coords, "#000000", 3.4)
            self.picture.line(line.coords, colour, 2.0)
            self.lines.append(line.buffer(2.0))
            places = [line.interpolate(k, normalized=True) for k in (0.06, 0.94, 0.25, 0.75, 0.5)]
            yield label(each), [spot for at in places for spot in self.around(at, 5.0)], False
        for each, at in self.spots("utility"):
            colour = colours.service_colour(each.properties.get("colour"))
            self.picture.disc(at.x, at.y, 3.5, colour, "#000000", 1.2)
            self.solid.append(at.buffer(4.0))
            yield label(each), self.around(at, 6.0), False

    def ties(self) -> Iterator[tuple[str, Iterable[Spot], bool]]:
        distances = {each.feature: each.distance_m for each in self.result.ties}
        inside = self.window()
        for each, line in self.strokes("tie"):
            self.picture.line(line.coords, "#000000", 0.9, dash=(1.5, 2.5))
            self.lines.append(line)
            name = str(each.properties.get("feature", ""))
            if name not in distances:
                continue
            text = words.length(distances[name], self.result.site.length_unit, decimals=2)
            if not self.at(each.grid).within(inside):
                text += f" to {words.plain(name)}"
            along = [line.interpolate(k, normalized=True) for k in (0.36, 0.5, 0.25, 0.62, 0.75)]
            on = [(at.x, at.y + 0.35 * self.size, "middle", 0.0) for at in along]
            beside = [spot for at in along for spot in self.around(at, 3.0, steps=2)]
            yield text, [*on, *beside], True

    def pipe(self) -> None:
        assumed = {each.name for each in self.result.legs if each.assumed}
        for each, line in self.strokes("route"):
            name = str(each.properties.get("leg", each.id))
            dash = (7.0, 4.0) if name in assumed else ()
            self.picture.line(line.coords, "#000000", 2.2, dash=dash)
            self.solid.append(line.buffer(1.1))
        for _, line in self.strokes("dug"):
            # An open tube over the pipe: what was dug up.
            self.picture.line(line.coords, "#000000", 7.0)
            self.picture.line(line.coords, "#ffffff", 4.6)
            self.solid.append(line.buffer(3.5))
        for _, at in self.spots("mark"):
            self.picture.disc(at.x, at.y, 1.7, "#ffffff", "#000000", 0.8)
            self.solid.append(at.buffer(2.1))
        for each in self.of("hole"):
            for part in shapely.get_parts(self.at(each.grid)):
                outline = list(part.exterior.coords[:-1])
                self.picture.area(outline, None, stroke="#ffffff", width=4.0)
                self.picture.area(outline, None, stroke="#000000", width=2.0)
                self.solid.append(part.exterior.buffer(1.0))

        sloped = self.result.decision.hole.sloped_outline_wkt
        if self.dig and sloped:
            edge = self.at(shapely.from_wkt(sloped)).exterior.intersection(self.window())
            for part in shapely.get_parts(edge):
                self.picture.line(list(part.coords), "#000000", 0.6, dash=(4.0, 2.0))
                self.lines.append(part)

    def fixed(self) -> Iterator[tuple[str, Iterable[Spot], bool]]:
        """Draw fittings and the features that tapes are held on."""
        tied = {each.feature for each in self.result.ties}
        for each, at in self.spots("feature", "fitting"):
            if each.kind == "feature" and tied and each.id not in tied:
                continue
            if each.kind == "feature":
                self.picture.box(
                    at.x - 3.2, at.y - 3.2, at.x + 3.2, at.y + 3.2, "#000000", stroke="#000000",
                    width=1.2,
                )  # fmt: skip
            else:
                corners = list(at.buffer(4.5, quad_segs=1).exterior.coords[:-1])
                self.picture.area(corners, "#ffffff", stroke="#000000", width=1.2)
            self.solid.append(at.buffer(4.5))
            yield words.point_name(each), self.around(at, 6.5), False

    def signs(self) -> Iterator[tuple[str, Iterable[Spot], bool]]:
        """Draw a leak found and the stake or, to listen on, the places to listen at, numbered."""
        for _, at in self.spots("found"):
            for turn in (1, -1):
                arm = 0.5 * self.size
                ends = [(at.x - arm, at.y - turn * arm), (at.x + arm, at.y + turn * arm)]
                self.picture.line(ends, "#ffffff", 5.0)
                self.picture.line(ends, "#000000", 2.6)
            self.solid.append(at.buffer(0.6 * self.size))
            yield "FOUND", self.around(at, 0.8 * self.size), True
        if not self.dig:
            for each in ahead.places(self.result):
                at = self.at(each.grid).centroid
                if at.within(self.window()):
                    self.numbered(at, int(each.properties.get("number", 0)))
            return
        where = self.result.leak.position
        at = self.at(shapely.Point(where.easting, where.northing))
        self.picture.target(at.x, at.y, 0.45 * self.size)
        self.solid.append(at.buffer(0.6 * self.size))
        yield "STAKE", self.around(at, 0.8 * self.size), True

    def numbered(self, at: shapely.Geometry, number: int) -> None:
        """Draw a place's number on it, or beside it with a line where another stands there."""
        from shapely import affinity

        radius = 0.95 * self.size
        self.picture.disc(at.x, at.y, 2.0, "#000000", "#000000")
        if ahead.many(self.result):
            self.solid.append(at.buffer(2.0))
            return
        turns = [k * math.pi / 4 for k in range(8)]
        rings = [(r * math.sin(t), r * math.cos(t)) for r in (2.5, 4.0, 6.0) for t in turns]
        here = at.buffer(radius + 1)
        beside = [affinity.translate(here, x * radius, y * radius) for x, y in rings]
        free = [] if shapely.intersects(self.numbers, here).any() else [here]
        free += [
            each
            for each in beside
            if self.window(1.0).contains(each) and not shapely.intersects(self.solid, each).any()
        ]
        sign = (free or [here])[0]
        self.numbers.append(sign)
        self.solid.append(sign)
        self.picture.line([(at.x, at.y), sign.centroid.coords[0]], "#000000", 1.0)
        self.picture.numbered(sign.centroid.x, sign.centroid.y, radius, number)

    def mark_names(self) -> Iterator[tuple[str, Iterable[Spot], bool]]:
        """Name the marks that the answer is told from."""
        near = self.result.near
        named = {near.mark, near.next_mark} if near and self.dig else set()
        if not self.dig:
            told = (str(e.properties["place"]) for e in ahead.places(self.result))
            found = (ahead.FROM_MARK.match(each) for each in told)
            named = {match["mark"] for match in found if match}
        marks = [(each, at) for each, at in self.spots("mark") if each.id in named]
        middle = 0.35 * self.size
        for each, at in marks:
            # Nearer to another of them a name would be taken for that one's.
            others = [other for _, other in marks if other is not at]
            free = []
            for spot in self.around(at, 3.0, steps=5):
                place = shapely.Point(spot[0], spot[1] - middle)
                if all(place.distance(at) < place.distance(other) for other in others):
                    free.append(spot)
            yield words.plain(each.id), free, False

    def around(self, at: shapely.Geometry, away: float, *, steps: int = 7) -> Iterator[Spot]:
        """Return where a name may stand about a place, the nearest first."""
        size = self.size
        for step in (0.0, 0.8, 1.6, 2.6, 4.0, 6.0, 8.5)[:steps]:
            r = away + step * size
            for turn in range(8):
                right, up = math.sin(turn * math.pi / 4), math.cos(turn * math.pi / 4)
                anchor = "start" if right > 0.1 else "end" if right < -0.1 else "middle"
                foot = at.y - r * up + size * (0.35 - 0.4 * up)
                yield at.x + r * right, foot, anchor, step * size

    def name(self, text: str, spots: Iterable[Spot], *, bold: bool) -> None:
        """Write a name at the first of its places that is free; nowhere if none is."""
        size = self.size + (text == "STAKE")
        every, inside = list(spots), self.window(3.0)
        for taken in ([*self.solid, *self.lines], self.solid):
            for x, foot, anchor, away in every:
                made = Words(x, foot, text, size, anchor=anchor, bold=bold, halo=True)
                box = shapely.box(*made.box())
                if not inside.contains(box) or shapely.dwithin(taken, box, 1.0).any():
                    continue
                if away > 2 * size:  # a thin line from the name to what it names
                    first = shapely.Point(every[0][0], every[0][1] - 0.35 * self.size)
                    line = shapely.shortest_line(box, first)
                    self.picture.line(line.coords, "#000000", 0.5)
                self.picture.items.append(made)
                self.solid.append(box)
                return

    def scale_bar(self) -> None:
        unit, size = self.result.site.length_unit, self.size
        per = unit_m(unit) / unit_m(self.result.leak.position.unit) * self.points_per_unit
        share = max((s for s in BAR_SHARES if s * per <= 0.4 * self.picture.width), default=1)
        left, low, wide = 3 * size, self.foot + 1.6 * size, share * per
        self.picture.box(left, low - 4, left + wide / 2, low, "#000000")
        self.picture.box(left, low - 4, left + wide, low, None, stroke="#000000", width=0.8)
        self.picture.words(left - 0.4 * size, low, "0", size, anchor="end")
        self.picture.words(left + wide + 0.4 * size, low, f"{share} {words.unit_word(unit)}", size)

    def arrow(self) -> None:
        x, top, size = self.picture.width - 2.6 * self.size, self.foot + 0.4 * self.size, self.size
        half, tail, notch = 0.5 * size, top + 1.6 * size, top + 1.2 * size
        self.picture.area([(x, top), (x + half, tail), (x, notch), (x - half, tail)], "#000000")
        self.picture.words(x + 0.9 * size, tail, "N", size + 1, bold=True)
