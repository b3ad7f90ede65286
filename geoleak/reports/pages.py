"""The customer's report as files: one HTML page that fetches nothing, and a PDF."""

from __future__ import annotations

import base64
import io
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Image, KeepTogether, Paragraph, SimpleDocTemplate, Spacer

from geoleak.export import scripts
from geoleak.export.drawing import to_svg
from geoleak.export.pdf import Drawing
from geoleak.export.templates import rendered
from geoleak.reports.photos import Photo

if TYPE_CHECKING:
    from geoleak.reports.customer import CustomerReport

WIDE = 500.0


def html_page(report: CustomerReport) -> str:
    """Return the report as one HTML file."""

    def b64(data: bytes) -> str:
        return base64.b64encode(data).decode()

    return rendered("customer.html", title=report.title, report=report, svg=to_svg, b64=b64)


def _text(line: str, size: float, *, bold: bool = False, before: float = 0.0) -> Paragraph:
    style = ParagraphStyle(
        "text",
        fontName=scripts.font(bold=bold),
        fontSize=size,
        leading=1.35 * size,
        spaceBefore=before,
        spaceAfter=3,
    )
    return Paragraph(escape(scripts.shown(line)), style)


def _photo(photo: Photo, tall: float) -> Image:
    scale = min(WIDE / photo.width, tall / photo.height)
    size = (scale * photo.width, scale * photo.height)
    return Image(io.BytesIO(photo.data), *size, hAlign="LEFT")


def write_pdf(report: CustomerReport, path: Path) -> None:
    """Write the report as a PDF of two or three pages."""
    plain, small = 10.5, 8.5
    story: list[Any] = [_photo(report.logo, 60.0)] if report.logo else []
    story += [_text(line, small) for line in report.letterhead]
    story += [_text(report.title, 17, bold=True, before=8), _text(report.dated, small)]
    for section in report.sections:
        head, *said = (
            _text(section.head, 12.5, bold=True, before=9),
            *(_text(line, plain) for line in section.said),
        )
        story += [KeepTogether([head, *said[:2]]), *said[2:]]
        for picture, words in section.pictures:
            story.append(KeepTogether([Drawing(picture), _text(words, small), Spacer(1, 4)]))
        for photo in section.photos:
            story.append(KeepTogether([_photo(photo, 230.0), _text(photo.name, small)]))

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
