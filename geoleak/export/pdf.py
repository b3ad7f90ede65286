"""A one-page PDF that a screen reader follows: titled, dated, in reading order, pictures in words.

reportlab writes no structure of its own, so the marked content and its tree (ISO 32000-1, 14.7 and
14.8) are written here; what carries no tag is marked as an artifact.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from html import escape
from pathlib import Path
from typing import Any

from reportlab import rl_config
from reportlab.graphics.barcode.qr import QrCode
from reportlab.lib.enums import TA_LEFT, TA_RIGHT
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.utils import simpleSplit
from reportlab.pdfbase.pdfdoc import PDFArray, PDFDictionary, PDFInfo, PDFName, PDFString
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable, Paragraph

from geoleak.export.drawing import Picture, as_drawn, font, held, to_pdf
from geoleak.export.words import BEFORE_UNIT

# Streams as bytes, not as text in base 85: smaller by a fifteenth, and sooner by 8 ms.
rl_config.useA85 = 0

Held = tuple[tuple[str, str], ...]
"""Elements that hold a tagged piece, outermost first: (structure type, name)."""


class Document(Canvas):
    """One page being drawn, and the tree of its structure."""

    def __init__(
        self, path: Path, size: tuple[float, float], *, title: str, about: str, date: str
    ) -> None:
        super().__init__(
            str(path), size, invariant=1, pageCompression=1, initialFontName=font(),
            lang="en",
        )  # fmt: skip
        info = self._doc.info = _Info(date)
        info.title, info.subject, info.creator = title, about, "geoleak"
        self._code.append("/Artifact BMC")
        self._pieces: list[tuple[str, str, Held]] = []

    @contextmanager
    def tag(self, role: str, *, alt: str = "", within: Held = ()) -> Iterator[None]:
        """Tag what is drawn meanwhile with a standard structure type and a text in its place."""
        self._code.append(f"EMC /{role} <</MCID {len(self._pieces)}>> BDC")
        self._pieces.append((role, alt, within))
        yield
        self._code.append("EMC /Artifact BMC")

    def save(self) -> None:
        """Finish the page, write the tree and the file."""
        self._code.append("EMC")
        self.showPage()
        document, page = self._doc, self._doc.Pages.pages[0]
        page.__NoDefault__ = [*page.__NoDefault__, "StructParents", "Tabs"]
        page.StructParents, page.Tabs = 0, PDFName("S")
        root = PDFDictionary({"Type": PDFName("StructTreeRoot"), "K": PDFArray([])})
        made: dict[Held, Any] = {(): root}

        def element(path: Held) -> Any:
            """Return the element that a path ends in, made where it is new."""
            if path not in made:
                parent = element(path[:-1])
                made[path] = PDFDictionary(
                    {
                        "Type": PDFName("StructElem"),
                        "S": PDFName(path[-1][0]),
                        "P": document.Reference(parent),
                        "K": PDFArray([]),
                    }
                )
                parent["K"].sequence.append(document.Reference(made[path]))
            return made[path]

        order = []
        for number, (role, alt, within) in enumerate(self._pieces):
            piece = element((("Document", ""), *within, (role, f"piece {number}")))
            piece["Pg"], piece["K"] = document.Reference(page), number
            if alt:
                piece["Alt"] = PDFString(alt)
            order.append(document.Reference(piece))
        root["ParentTree"] = PDFDictionary({"Nums": PDFArray([0, PDFArray(order)])})
        catalog = document.Catalog
        catalog.StructTreeRoot = root
        catalog.MarkInfo = PDFDictionary({"Marked": "true"})
        catalog.ViewerPreferences = PDFDictionary({"DisplayDocTitle": "true"})
        super().save()


class _Info(PDFInfo):
    """What the file says of itself; its date is the run's own, and none where that has none."""

    def __init__(self, date: str) -> None:
        super().__init__()
        self.date = "".join(c for c in date[:10] if c.isdigit())

    def format(self, document: Any) -> Any:
        told = {"Title": self.title, "Subject": self.subject, "Creator": self.creator}
        if len(self.date) == 8:
            told |= {"CreationDate": f"D:{self.date}", "ModDate": f"D:{self.date}"}
        rows = {key: PDFString(text) for key, text in told.items()}
        return PDFDictionary(rows).format(document)


class _Tagged:
    """A flowable that draws itself as one tagged piece."""

    role, alt = "P", ""
    within: Held = ()

    def drawOn(self, canvas: Any, x: float, y: float, _sW: float = 0) -> None:
        with canvas.tag(self.role, alt=self.alt, within=self.within):
            super().drawOn(canvas, x, y, _sW)  # type: ignore[misc]


class Text(_Tagged, Paragraph):
    """Lines of text no wider than `room`, in reading order whatever their script.

    `head` stands before the first word, bold.
    """

    def __init__(
        self,
        text: object,
        size: float,
        room: float,
        *,
        bold: bool = False,
        right: bool = False,
        grey: float = 0.0,
        bullet: bool = False,
        head: str = "",
        role: str = "P",
        within: Held = (),
    ) -> None:
        name, said = font(bold=bold), BEFORE_UNIT.sub("\xa0", held(text))
        style = ParagraphStyle(
            "text",
            fontName=name,
            fontSize=size,
            leading=1.15 * size,
            alignment=TA_RIGHT if right else TA_LEFT,
            textColor=(grey, grey, grey),
            leftIndent=1.1 * size if bullet else 0,
            splitLongWords=1,
            bulletFontName=name,
            bulletFontSize=size,
        )
        if as_drawn(said) != said:
            # Lines are broken in reading order; only then are right-to-left letters turned.
            lines = simpleSplit(f"{head} {said}".strip(), name, size, room - style.leftIndent)
            head = ""
            shown = "<br/>".join(escape(as_drawn(line)) for line in lines)
        else:
            shown = escape(said)
        if head:
            shown = f'<font name="{font(bold=True)}">{escape(head)}</font> {shown}'
        super().__init__(shown, style, bulletText="•" if bullet else None)
        self.role, self.within = role, within
        self._wrapped = -1.0, 0.0

    def wrap(self, availWidth: float, availHeight: float) -> tuple[float, float]:
        """Return the width and how tall the lines are; broken once for each width."""
        if self._wrapped[0] != availWidth:
            self._wrapped = super().wrap(availWidth, availHeight)
        return self._wrapped


class Drawing(Flowable):
    """A picture of the drawing layer."""

    def __init__(self, picture: Picture) -> None:
        super().__init__()
        self.picture, self.width, self.height = picture, picture.width, picture.height

    def draw(self) -> None:
        """Draw the picture where the page puts it."""
        to_pdf(self.picture, self.canv)


class Figure(_Tagged, Drawing):
    """A picture with the words for who cannot see it."""

    role = "Figure"

    def __init__(self, picture: Picture, alt: str) -> None:
        super().__init__(picture)
        self.alt = held(alt)


class Code(_Tagged, QrCode):
    """A QR code with its quiet zone of four modules."""

    role = "Figure"

    def __init__(self, text: str, size: float) -> None:
        super().__init__(text, width=size, height=size, qrLevel="M")
        self.alt = f"QR code: {text}"
