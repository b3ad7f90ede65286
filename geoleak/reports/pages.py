"""HTML pages that fetch nothing: the frame of every report, and the customer's with its PDF."""

from __future__ import annotations

import base64
import io
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.export import scripts
from geoleak.export.drawing import to_pdf, to_svg
from geoleak.reports.photos import Photo

if TYPE_CHECKING:
    from geoleak.reports.customer import CustomerReport

STYLE = """
:root { color-scheme: light; }
body { font: 17px/1.5 system-ui, sans-serif; max-width: 46rem; margin: 0 auto; padding: 1rem;
  color: #14202b; background: #fff; overflow-wrap: anywhere; }
h1 { font-size: 1.6rem; line-height: 1.2; }
h2 { font-size: 1.2rem; margin: 1.6rem 0 .4rem; }
figure { margin: 1rem 0; min-width: 0; }
figcaption { font-size: .9rem; margin-top: .3rem; }
svg, figure img { width: 100%; height: auto; display: block; }
@media print { h2 { break-after: avoid; } figure, li { break-inside: avoid; } }
"""
"""Of every page; narrow as a phone it stays readable."""
CUSTOMER = """
h2 { border-bottom: 1px solid #8a949d; }
header p { margin: 0; }
header img { max-height: 5rem; }
"""


def page(title: str, body: str, *, style: str = "") -> str:
    """Return one HTML page; `body` is markup, `title` text, `style` what the page's own is."""
    return (
        '<!doctype html>\n<html lang="en"><head><meta charset="utf-8">'
        '<meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>{escape(title)}</title><style>{STYLE}{style}</style></head>"
        f"<body>{body}</body></html>\n"
    )


def html_page(report: CustomerReport) -> str:
    """Return the report as one HTML file."""
    body = []
    for section in report.sections:
        body.append(f"<h2>{escape(section.head)}</h2>")
        body += [f"<p>{escape(line)}</p>" for line in section.said]
        for number, (picture, said) in enumerate(section.pictures):
            drawn = to_svg(picture, name=f"picture{number}", title=section.head, description=said)
            body.append(f"<figure>{drawn}<figcaption>{escape(said)}</figcaption></figure>")
        for photo in section.photos:
            body.append(
                f"<figure>{_image(photo)}<figcaption>{escape(photo.name)}</figcaption></figure>"
            )
    logo = _image(report.logo) if report.logo else ""
    head = "".join(f"<p>{escape(line)}</p>" for line in report.letterhead)
    shown = (
        f"<header>{logo}{head}<h1>{escape(report.title)}</h1><p>{_dated(report)}</p></header>"
        f"<main>{''.join(body)}</main>"
    )
    return page(report.title, shown, style=CUSTOMER)


def _dated(report: CustomerReport) -> str:
    return f"Surveyed {report.date}" if report.date else "Date of the survey not stated"


def _image(photo: Photo) -> str:
    data = base64.b64encode(photo.data).decode()
    return (
        f'<img alt="{escape(photo.name)}" width="{photo.width}" height="{photo.height}" '
        f'src="data:image/jpeg;base64,{data}">'
    )


def write_pdf(report: CustomerReport, path: Path) -> None:
    """Write the report as a PDF of two or three pages."""
    from reportlab.lib.pagesizes import A4
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import (
        Flowable,
        Image,
        KeepTogether,
        Paragraph,
        SimpleDocTemplate,
        Spacer,
    )

    class Drawn(Flowable):
        """A picture of the drawing layer."""

        def __init__(self, picture: Any) -> None:
            super().__init__()
            self.picture, self.width, self.height = picture, picture.width, picture.height

        def draw(self) -> None:
            to_pdf(self.picture, self.canv)

    def style(size: float, *, bold: bool = False, before: float = 0.0) -> ParagraphStyle:
        name = scripts.font(bold=bold)
        return ParagraphStyle(
            f"{size}{bold}", fontName=name, fontSize=size, leading=1.35 * size, spaceBefore=before,
            spaceAfter=3,
        )  # fmt: skip

    plain, small = style(10.5), style(8.5)

    def text(line: str, of: ParagraphStyle) -> Any:
        return Paragraph(escape(scripts.shown(line)), of)

    def photo_of(photo: Photo, tall: float) -> Any:
        scale = min(WIDE / photo.width, tall / photo.height)
        return Image(
            io.BytesIO(photo.data), scale * photo.width, scale * photo.height, hAlign="LEFT"
        )

    WIDE = 500.0
    story: list[Any] = [photo_of(report.logo, 60.0)] if report.logo else []
    story += [text(line, small) for line in report.letterhead]
    story += [text(report.title, style(17, bold=True, before=8)), text(_dated(report), small)]
    for section in report.sections:
        head = text(section.head, style(12.5, bold=True, before=9))
        said = [text(line, plain) for line in section.said]
        story.append(KeepTogether([head, *said[:2]]))
        story += said[2:]
        for picture, words in section.pictures:
            story.append(KeepTogether([Drawn(picture), text(words, small), Spacer(1, 4)]))
        for photo in section.photos:
            story.append(KeepTogether([photo_of(photo, 230.0), text(photo.name, small)]))

    def foot(canvas: Any, document: Any) -> None:
        canvas.setFont(scripts.font(), 8)
        canvas.drawString(48, 30, scripts.shown(report.title)[:90])
        canvas.drawRightString(A4[0] - 48, 30, f"page {document.page}")

    document = SimpleDocTemplate(
        str(path), pagesize=A4, leftMargin=48, rightMargin=47, topMargin=44, bottomMargin=48,
        title=report.title, author=report.letterhead[0] if report.letterhead else "",
        subject="Leak report", creator="geoleak", lang="en", invariant=1,
    )  # fmt: skip
    document.build(story, onFirstPage=foot, onLaterPages=foot)
