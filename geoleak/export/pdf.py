"""The page of a PDF: fonts that travel with the file, wrapped text, and drawn pictures."""

from __future__ import annotations

import unicodedata
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from geoleak.export import words
from geoleak.export.drawing import Disc, Picture, Shape, Words
from geoleak.export.scripts import as_drawn

FONTS = Path(__file__).parent / "assets" / "fonts"
PLAIN, BOLD = "GeoleakSans", "GeoleakSans-Bold"
FILES = {PLAIN: "DejaVuSansCondensed.ttf", BOLD: "DejaVuSansCondensed-Bold.ttf"}
SMALLEST = 9.0


@cache
def _glyphs() -> frozenset[int]:
    """Register the fonts and return the characters that both hold."""
    from reportlab.pdfbase import pdfmetrics
    from reportlab.pdfbase.ttfonts import TTFont

    held = []
    for name, file in FILES.items():
        font = TTFont(name, str(FONTS / file))
        pdfmetrics.registerFont(font)
        held.append(set(font.face.charToGlyph))
    return frozenset(held[0] & held[1])


class Page:
    """One page being drawn; x to the right, y up, in points."""

    def __init__(self, path: Path, size: tuple[float, float], *, title: str, about: str) -> None:
        from reportlab.pdfgen.canvas import Canvas

        _glyphs()
        self.width, self.height = size
        self.unshown = False
        self.canvas: Any = Canvas(
            str(path), pagesize=size, invariant=1, pageCompression=1, initialFontName=PLAIN
        )
        self.canvas.setTitle(title)
        self.canvas.setSubject(about)
        self.canvas.setCreator("geoleak")

    def shown(self, text: object) -> str:
        """Return text whose every letter these fonts hold; `unshown` notes that some were not."""
        clean = unicodedata.normalize("NFC", words.plain(text))
        made = []
        for c in clean:
            if ord(c) in _glyphs():
                made.append(c)
                continue
            self.unshown = True
            if not made or made[-1] != "…":
                made.append("…")
        return as_drawn("".join(made))

    def width_of(self, text: str, size: float, *, bold: bool = False) -> float:
        """Return how wide a line is."""
        from reportlab.pdfbase.pdfmetrics import stringWidth

        return float(stringWidth(text, BOLD if bold else PLAIN, size))

    def text(
        self,
        x: float,
        y: float,
        text: object,
        size: float,
        *,
        bold: bool = False,
        anchor: str = "start",
        room: float | None = None,
        grey: float = 0.0,
    ) -> float:
        """Write one line, cut where it is wider than `room`, and return its width."""
        line = self.shown(text)
        if room is not None and self.width_of(line, size, bold=bold) > room:
            while line and self.width_of(line + "…", size, bold=bold) > room:
                line = line[:-1]
            line = line.rstrip() + "…"
        wide = self.width_of(line, size, bold=bold)
        self.canvas.setFillGray(grey)
        self.canvas.setFont(BOLD if bold else PLAIN, size)
        self.canvas.drawString(x - {"start": 0.0, "middle": wide / 2, "end": wide}[anchor], y, line)
        return wide

    def wrapped(self, text: object, size: float, room: float, *, bold: bool = False) -> list[str]:
        """Return a text broken into lines no wider than `room`."""
        lines: list[str] = []
        line = ""
        for word in words.plain(text).split(" "):
            longer = f"{line} {word}" if line else word
            if self.width_of(longer, size, bold=bold) <= room or not line:
                line = longer
            else:
                lines.append(line)
                line = word
            while self.width_of(line, size, bold=bold) > room and len(line) > 1:
                cut = len(line)
                while cut > 1 and self.width_of(line[:cut], size, bold=bold) > room:
                    cut -= 1
                lines.append(line[:cut])
                line = line[cut:]
        return [*lines, line] if line else lines

    def rule(self, x1: float, y1: float, x2: float, y2: float, width: float = 0.8) -> None:
        """Draw a black line."""
        self.canvas.setStrokeGray(0)
        self.canvas.setLineWidth(width)
        self.canvas.line(x1, y1, x2, y2)

    def frame(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        line: float = 0.8,
        fill: float | None = None,
        dash: bool = False,
    ) -> None:
        """Draw a rectangle, filled with a grey where asked."""
        self.canvas.setStrokeGray(0)
        self.canvas.setLineWidth(line)
        self.canvas.setDash([4, 3] if dash else [])
        if fill is not None:
            self.canvas.setFillGray(fill)
        self.canvas.rect(x, y, width, height, stroke=1 if line else 0, fill=fill is not None)
        self.canvas.setDash([])

    def picture(self, picture: Picture, x: float, y: float) -> None:
        """Draw a picture with its lower left corner at x, y."""
        for item in picture.items:
            if isinstance(item, Shape):
                self._shape(item, x, y + picture.height)
            elif isinstance(item, Disc):
                self._disc(item, x, y + picture.height)
            else:
                self._words(item, x, y + picture.height)

    def _shape(self, item: Shape, x: float, top: float) -> None:
        path = self.canvas.beginPath()
        for k, (px, py) in enumerate(item.points):
            (path.lineTo if k else path.moveTo)(x + px, top - py)
        if item.closed:
            path.close()
        self._pen(item.stroke, item.width, item.fill)
        self.canvas.setDash(list(item.dash))
        self.canvas.drawPath(path, stroke=int(bool(item.stroke)), fill=int(bool(item.fill)))
        self.canvas.setDash([])

    def _disc(self, item: Disc, x: float, top: float) -> None:
        self._pen(item.stroke, item.width, item.fill)
        self.canvas.circle(x + item.x, top - item.y, item.radius, stroke=1, fill=1)

    def _pen(self, stroke: str | None, width: float, fill: str | None) -> None:
        from reportlab.lib.colors import HexColor

        self.canvas.setLineJoin(1)
        if stroke:
            self.canvas.setStrokeColor(HexColor(stroke))
            self.canvas.setLineWidth(width)
        if fill:
            self.canvas.setFillColor(HexColor(fill))

    def _words(self, item: Words, x: float, top: float) -> None:
        size = max(item.size, SMALLEST)
        at_x, at_y = x + item.x, top - item.y
        self.canvas.saveState()
        if item.turned:
            self.canvas.translate(at_x, at_y)
            self.canvas.rotate(90)
            at_x = at_y = 0.0
        if item.halo:
            wide = self.width_of(self.shown(item.text), size, bold=item.bold)
            left = at_x - {"start": 0.0, "middle": wide / 2, "end": wide}[item.anchor]
            self.canvas.setFillGray(1)
            self.canvas.rect(left - 1, at_y - 2, wide + 2, size + 1, stroke=0, fill=1)
        grey = 1.0 if item.colour == "#ffffff" else 0.0
        self.text(at_x, at_y, item.text, size, bold=item.bold, anchor=item.anchor, grey=grey)
        self.canvas.restoreState()

    def code(self, text: str, x: float, y: float, size: float) -> None:
        """Draw a QR code with a quiet zone of four modules, black on white."""
        from reportlab.graphics.barcode.qrencoder import QRCode, QRErrorCorrectLevel

        code = QRCode(None, QRErrorCorrectLevel.M)
        code.addData(text)
        code.make()
        count = code.getModuleCount()
        step = size / (count + 8)
        self.canvas.setFillGray(1)
        self.canvas.rect(x, y, size, size, stroke=0, fill=1)
        self.canvas.setFillGray(0)
        path = self.canvas.beginPath()
        for row in range(count):
            for start, end in _dark(code, row, count):
                low = y + size - (row + 5) * step
                path.rect(x + (start + 4) * step, low, (end - start) * step, step)
        self.canvas.drawPath(path, stroke=0, fill=1)

    def save(self) -> None:
        """Finish the file."""
        self.canvas.showPage()
        self.canvas.save()


def _dark(code: Any, row: int, count: int) -> Iterator[tuple[int, int]]:
    """Return the stretches of dark modules of a row: from, to (not included)."""
    start = None
    for column in range(count + 1):
        dark = column < count and code.isDark(row, column)
        if dark and start is None:
            start = column
        elif not dark and start is not None:
            yield start, column
            start = None
