"""A picture as a list of plain shapes, so that page and sheet show the same one: SVG and PDF.

Coordinates are in the picture's own units, x to the right and y down. Text is drawn in fonts that
travel with the file, of any script they hold. A PDF draws letters one after another from the left:
Arabic letters take the form that their neighbours ask for (Unicode presentation forms), and runs of
right-to-left letters are turned round: the parts of the Unicode bidirectional algorithm that one
line of a title needs.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Sequence
from functools import cache, lru_cache
from itertools import groupby
from math import cos, pi, sin
from pathlib import Path
from typing import Any

from msgspec import Struct, field

from geoleak.export.words import markup_safe, plain
from geoleak.record import Record

Points = Sequence[tuple[float, float]]
FONTS = {
    "GeoleakSans": "DejaVuSansCondensed.ttf",
    "GeoleakSans-Bold": "DejaVuSansCondensed-Bold.ttf",
}
RIGHT = ("R", "AL")
FORMS = ("isolated", "final", "initial", "medial")
LAM = chr(0x0644)
MIRRORED = str.maketrans("()[]{}<>«»", ")(][}{><»«")
"""Brackets turned, as reading from the right asks."""


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
        wide = width_of(self.text, self.size, bold=self.bold)
        left = self.x - {"start": 0.0, "middle": wide / 2, "end": wide}[self.anchor]
        return left, self.y - 0.78 * self.size, left + wide, self.y + 0.22 * self.size


class Picture(Struct):
    """A picture being drawn."""

    width: float
    height: float
    items: list[Shape | Disc | Words] = field(default_factory=list)

    def line(self, points: Points, colour: str, width: float = 1.0, **style: Any) -> None:
        """Draw an open line; ``style`` as in `Shape`."""
        self.items.append(Shape(tuple(points), colour, width, **style))

    def area(self, points: Points, fill: str | None, **style: Any) -> None:
        """Draw a closed area."""
        self.items.append(Shape(tuple(points), fill=fill, closed=True, **style))

    def box(
        self, left: float, top: float, right: float, bottom: float, fill: str | None, **style: Any
    ) -> None:
        """Draw an upright rectangle."""
        self.area([(left, top), (right, top), (right, bottom), (left, bottom)], fill, **style)

    def disc(self, x: float, y: float, radius: float, fill: str, *stroke: Any) -> None:
        """Draw a circle; colour and width of its stroke as in `Disc`."""
        self.items.append(Disc(x, y, radius, fill, *stroke))

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
    return (
        f'<svg class="picture" viewBox="0 0 {picture.width:g} {picture.height:g}" role="img" '
        f'aria-labelledby="{title_id} {description_id}" xmlns="http://www.w3.org/2000/svg">\n'
        f'<title id="{title_id}">{markup_safe(title)}</title>\n'
        f'<desc id="{description_id}">{markup_safe(description)}</desc>\n'
        + "".join(f"{_svg(each)}\n" for each in picture.items) + "</svg>"
    )  # fmt: skip


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
    wide = width_of(item.text, item.size, bold=item.bold)
    left = -{"start": 0.0, "middle": wide / 2, "end": wide}[item.anchor]
    canvas.saveState()
    canvas.translate(item.x, height - item.y)
    canvas.rotate(90 if item.turned else 0)
    if item.halo:
        canvas.setFillGray(1)
        canvas.rect(left - 1, -2, wide + 2, item.size + 1, stroke=0, fill=1)
    canvas.setFillColor(item.colour if item.colour == "#ffffff" else "#000000")
    canvas.setFont(font(bold=item.bold), item.size)
    canvas.drawString(left, 0, shown(item.text))
    canvas.restoreState()


@cache
def _glyphs() -> frozenset[int]:
    """Register the fonts and return the characters that both hold."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    fonts = Path(__file__).parent / "assets" / "fonts"
    made = [TTFont(name, str(fonts / file)) for name, file in FONTS.items()]
    for each in made:
        pdfmetrics.registerFont(each)
    return frozenset.intersection(*(frozenset(each.face.charToGlyph) for each in made))


def font(*, bold: bool = False) -> str:
    """Return the name of a font, registered with reportlab."""
    _glyphs()
    return list(FONTS)[bold]


@lru_cache(4096)
def width_of(text: object, size: float, *, bold: bool = False) -> float:
    """Return how wide a line of text is as it is drawn."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    return float(stringWidth(shown(text), font(bold=bold), size))


def missing(text: object) -> bool:
    """Tell whether the fonts lack letters of a text."""
    return held(text) != unicodedata.normalize("NFC", plain(text))


def held(text: object) -> str:
    """Return text in reading order whose every letter the fonts hold, "…" for the others."""
    runs = groupby(unicodedata.normalize("NFC", plain(text)), lambda c: ord(c) in _glyphs())
    return "".join("".join(run) if there else "…" for there, run in runs)


@lru_cache(4096)
def shown(text: object) -> str:
    """Return a line of text as it is drawn from the left."""
    return as_drawn(held(text))


def as_drawn(text: str) -> str:
    """Return text in the order and the shapes in which it is drawn from the left."""
    if not any(unicodedata.bidirectional(c) in RIGHT for c in text):
        return text
    runs = _runs(_joined(text))
    turned = [part[::-1].translate(MIRRORED) if right else part for part, right in runs]
    return "".join(turned[::-1] if _from_right(text) else turned)


@cache
def _shapes() -> dict[str, dict[str, str]]:
    """Return the forms of each Arabic letter and of lam followed by an alef."""
    forms: dict[str, dict[str, str]] = {}
    for code in (*range(0xFB50, 0xFC00), *range(0xFE70, 0xFEFD)):
        form, *codes = (unicodedata.decomposition(chr(code)) or "<>").split()
        letters = "".join(chr(int(each, 16)) for each in codes)
        if form.strip("<>") in FORMS and (len(letters) == 1 or letters[0] == LAM):
            forms.setdefault(letters, {}).setdefault(form.strip("<>"), chr(code))
    return forms


def _joined(text: str) -> str:
    """Return text with each Arabic letter in the form that its neighbours ask for."""
    forms = _shapes()
    bare = "".join(c for c in text if not 0x064B <= ord(c) <= 0x065F)  # vowel signs have no place
    letters = re.findall("|".join([*(each for each in forms if len(each) == 2), "."]), bare)
    made = []
    for last, here, following in zip(["", *letters], letters, [*letters[1:], ""], strict=False):
        own = forms.get(here, {})
        before = "initial" in forms.get(last[-1:], {})
        after = "initial" in own and "final" in forms.get(following[:1], {})
        made.append(own.get(FORMS[before + 2 * after], here))
    return "".join(made)


def _runs(text: str) -> list[tuple[str, bool]]:
    """Return stretches of one direction; what has none goes with its neighbours, else the line's.

    True is from the right.
    """
    kinds = (unicodedata.bidirectional(c) for c in text)
    sides = "".join("R" if k in RIGHT else "L" if k in ("L", "EN", "AN") else "-" for k in kinds)
    # Of a line from the left: letters from the right, with what stands between two of them.
    right = _from_right(text)
    runs, at = [], 0
    for found in re.finditer("L(?:[-L]*L)?" if right else "R(?:[-R]*R)?", sides):
        runs += [(text[at : found.start()], right), (text[found.start() : found.end()], not right)]
        at = found.end()
    return [run for run in (*runs, (text[at:], right)) if run[0]]


def _from_right(text: str) -> bool:
    """Tell whether a line begins at the right, as its first letter asks."""
    return next(d in RIGHT for d in map(unicodedata.bidirectional, text) if d in (*RIGHT, "L"))
