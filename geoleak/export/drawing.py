"""A picture as a list of plain shapes, so that page and sheet show the same one: SVG and PDF.

Coordinates are in the picture's own units, x to the right and y down.
"""

from __future__ import annotations

from collections.abc import Sequence
from math import cos, pi, sin
from typing import Any

from msgspec import Struct, field

from geoleak.export import scripts
from geoleak.export.words import markup_safe
from geoleak.record import Record

Points = Sequence[tuple[float, float]]


class Shape(Record):
    """A line (``closed`` false) or an area, with its stroke and fill (None: none)."""

    points: tuple[tuple[float, float], ...]
    stroke: str | None = None
    width: float = 1.0
    fill: str | None = None
    closed: bool = False
    dash: tuple[float, ...] = ()


class Disc(Record):
    """A circle."""

    x: float
    y: float
    radius: float
    fill: str
    stroke: str
    width: float = 1.0


class Words(Record):
    """A line of text; ``anchor`` is start, middle or end; ``turned`` reads upwards."""

    x: float
    y: float
    text: str
    size: float
    anchor: str = "start"
    colour: str = "#14202b"
    bold: bool = False
    turned: bool = False
    halo: bool = False

    def box(self) -> tuple[float, float, float, float]:
        """Return left, top, right and bottom of a level line of text, set in the sheet's font."""
        wide = scripts.width_of(self.text, self.size, bold=self.bold)
        left = self.x - {"start": 0.0, "middle": wide / 2, "end": wide}[self.anchor]
        return left, self.y - 0.78 * self.size, left + wide, self.y + 0.22 * self.size


class Picture(Struct):
    """A picture being drawn."""

    width: float
    height: float
    items: list[Shape | Disc | Words] = field(default_factory=list)

    def line(
        self, points: Points, colour: str, width: float = 1.0, *, dash: tuple[float, ...] = ()
    ) -> None:
        """Draw an open line."""
        self.items.append(Shape(tuple(points), stroke=colour, width=width, dash=dash))

    def area(
        self, points: Points, fill: str | None, *, stroke: str | None = None, width: float = 1.0
    ) -> None:
        """Draw a closed area."""
        self.items.append(Shape(tuple(points), stroke=stroke, width=width, fill=fill, closed=True))

    def box(
        self,
        left: float,
        top: float,
        right: float,
        bottom: float,
        fill: str | None,
        *,
        stroke: str | None = None,
        width: float = 1.0,
    ) -> None:
        """Draw an upright rectangle."""
        corners = [(left, top), (right, top), (right, bottom), (left, bottom)]
        self.area(corners, fill, stroke=stroke, width=width)

    def disc(
        self, x: float, y: float, radius: float, fill: str, stroke: str, width: float = 1.0
    ) -> None:
        """Draw a circle."""
        self.items.append(Disc(x, y, radius, fill, stroke, width))

    def words(self, x: float, y: float, text: str, size: float, **style: Any) -> None:
        """Write a line of text; ``style`` as in `Words`."""
        self.items.append(Words(x, y, text, size, **style))

    def target(self, x: float, y: float, radius: float) -> None:
        """Draw the stake's sign: a disc quartered black and white, as a surveyor's target."""
        self.disc(x, y, radius, "#ffffff", "#000000", radius / 4)
        for start in (0.0, pi):
            turns = [start + i * pi / 16 for i in range(9)]
            arc = [(x + radius * cos(turn), y + radius * sin(turn)) for turn in turns]
            self.area([(x, y), *arc], "#000000")

    def numbered(self, x: float, y: float, radius: float, number: int) -> None:
        """Draw the sign of a place to listen at: a black disc with its number in white."""
        self.disc(x, y, radius, "#000000", "#ffffff", radius / 6)
        size, at = 1.35 * radius, y + 0.486 * radius
        self.words(x, at, str(number), size, anchor="middle", colour="#ffffff", bold=True)


def to_svg(picture: Picture, *, name: str, title: str, description: str) -> str:
    """Return a picture as an inline SVG element that a screen reader can name."""
    title_id, description_id = f"{name}-title", f"{name}-description"
    parts = [
        f'<svg class="picture" viewBox="0 0 {picture.width:g} {picture.height:g}" role="img" '
        f'aria-labelledby="{title_id} {description_id}" xmlns="http://www.w3.org/2000/svg">',
        f'<title id="{title_id}">{markup_safe(title)}</title>',
        f'<desc id="{description_id}">{markup_safe(description)}</desc>',
        *(_svg(each) for each in picture.items),
        "</svg>",
    ]
    return "\n".join(parts)


def _svg(item: Shape | Disc | Words) -> str:
    if isinstance(item, Disc):
        return (
            f'<circle cx="{item.x:.1f}" cy="{item.y:.1f}" r="{item.radius:.1f}" '
            f'fill="{item.fill}" stroke="{item.stroke}" stroke-width="{item.width:.1f}"/>'
        )
    if isinstance(item, Words):
        turn = f' transform="rotate(-90 {item.x:.1f} {item.y:.1f})"' if item.turned else ""
        weight = ' font-weight="700"' if item.bold else ""
        halo = ' paint-order="stroke" stroke="#ffffff" stroke-width="4"' if item.halo else ""
        return (
            f'<text x="{item.x:.1f}" y="{item.y:.1f}" font-size="{item.size:g}" '
            f'text-anchor="{item.anchor}" fill="{item.colour}"{weight}{halo}{turn}>'
            f"{markup_safe(item.text)}</text>"
        )
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in item.points)
    element = "polygon" if item.closed else "polyline"
    stroke = 'stroke="none"'
    if item.stroke:
        stroke = f'stroke="{item.stroke}" stroke-width="{item.width:g}" stroke-linejoin="round"'
    dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in item.dash)}"' if item.dash else ""
    return f'<{element} points="{points}" fill="{item.fill or "none"}" {stroke}{dash}/>'


def to_pdf(picture: Picture, canvas: Any) -> None:
    """Draw a picture on a reportlab canvas with its lower left corner at the origin."""
    for item in picture.items:
        if isinstance(item, Words):
            _pdf_words(item, canvas, picture.height)
            continue
        canvas.setLineJoin(1)
        canvas.setLineWidth(item.width)
        if item.stroke:
            canvas.setStrokeColor(item.stroke)
        if item.fill:
            canvas.setFillColor(item.fill)
        drawn = {"stroke": int(bool(item.stroke)), "fill": int(bool(item.fill))}
        if isinstance(item, Disc):
            canvas.circle(item.x, picture.height - item.y, item.radius, **drawn)
            continue
        path = canvas.beginPath()
        for k, (x, y) in enumerate(item.points):
            (path.lineTo if k else path.moveTo)(x, picture.height - y)
        if item.closed:
            path.close()
        canvas.setDash(list(item.dash))
        canvas.drawPath(path, **drawn)
        canvas.setDash([])


def _pdf_words(item: Words, canvas: Any, height: float) -> None:
    shown = scripts.shown(item.text)
    wide = scripts.width_of(item.text, item.size, bold=item.bold)
    left = -{"start": 0.0, "middle": wide / 2, "end": wide}[item.anchor]
    canvas.saveState()
    canvas.translate(item.x, height - item.y)
    canvas.rotate(90 if item.turned else 0)
    if item.halo:
        canvas.setFillGray(1)
        canvas.rect(left - 1, -2, wide + 2, item.size + 1, stroke=0, fill=1)
    canvas.setFillColor(item.colour if item.colour == "#ffffff" else "#000000")
    canvas.setFont(scripts.font(bold=item.bold), item.size)
    canvas.drawString(left, 0, shown)
    canvas.restoreState()
