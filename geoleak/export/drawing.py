"""A picture as a list of plain shapes, so that page and dig sheet show the same one.

Coordinates are in the picture's own units, x to the right and y down.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field

from geoleak.export.words import markup_safe

Points = Sequence[tuple[float, float]]


@dataclass(frozen=True, slots=True)
class Shape:
    """A line (``closed`` false) or an area, with its stroke and fill (None: none)."""

    points: tuple[tuple[float, float], ...]
    stroke: str | None = None
    width: float = 1.0
    fill: str | None = None
    closed: bool = False
    dash: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True)
class Disc:
    """A circle."""

    x: float
    y: float
    radius: float
    fill: str
    stroke: str
    width: float = 1.0


@dataclass(frozen=True, slots=True)
class Words:
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


@dataclass(slots=True)
class Picture:
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

    def box(self, left: float, top: float, right: float, bottom: float, fill: str | None) -> None:
        """Draw an upright rectangle."""
        self.area([(left, top), (right, top), (right, bottom), (left, bottom)], fill)

    def disc(
        self, x: float, y: float, radius: float, fill: str, stroke: str, width: float = 1.0
    ) -> None:
        """Draw a circle."""
        self.items.append(Disc(x, y, radius, fill, stroke, width))

    def words(self, x: float, y: float, text: str, size: float, **style: object) -> None:
        """Write a line of text; ``style`` as in `Words`."""
        self.items.append(Words(x, y, text, size, **style))  # type: ignore[arg-type]

    def target(self, x: float, y: float, radius: float) -> None:
        """Draw the stake's sign: a disc quartered black and white, as a surveyor's target."""
        from math import cos, pi, sin

        self.disc(x, y, radius, "#ffffff", "#000000", radius / 4)
        for start in (0.0, pi):
            arc = [
                (x + radius * cos(start + i * pi / 16), y + radius * sin(start + i * pi / 16))
                for i in range(9)
            ]
            self.area([(x, y), *arc], "#000000")

    def numbered(self, x: float, y: float, radius: float, number: int) -> None:
        """Draw the sign of a place to listen at: a black disc with its number in white."""
        self.disc(x, y, radius, "#000000", "#ffffff", radius / 6)
        size = 1.35 * radius
        self.words(
            x, y + 0.36 * size, str(number), size, anchor="middle", colour="#ffffff", bold=True
        )


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
    if isinstance(item, Shape):
        return _svg_shape(item)
    if isinstance(item, Disc):
        return (
            f'<circle cx="{item.x:.1f}" cy="{item.y:.1f}" r="{item.radius:.1f}" '
            f'fill="{item.fill}" stroke="{item.stroke}" stroke-width="{item.width:.1f}"/>'
        )
    turn = f' transform="rotate(-90 {item.x:.1f} {item.y:.1f})"' if item.turned else ""
    weight = ' font-weight="700"' if item.bold else ""
    halo = ' paint-order="stroke" stroke="#ffffff" stroke-width="4"' if item.halo else ""
    return (
        f'<text x="{item.x:.1f}" y="{item.y:.1f}" font-size="{item.size:g}" '
        f'text-anchor="{item.anchor}" fill="{item.colour}"{weight}{halo}{turn}>'
        f"{markup_safe(item.text)}</text>"
    )


def _svg_shape(item: Shape) -> str:
    points = " ".join(f"{x:.1f},{y:.1f}" for x, y in item.points)
    element = "polygon" if item.closed else "polyline"
    stroke = (
        f'stroke="{item.stroke}" stroke-width="{item.width:g}" stroke-linejoin="round"'
        if item.stroke
        else 'stroke="none"'
    )
    dash = f' stroke-dasharray="{" ".join(f"{d:g}" for d in item.dash)}"' if item.dash else ""
    return f'<{element} points="{points}" fill="{item.fill or "none"}" {stroke}{dash}/>'
