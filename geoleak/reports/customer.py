"""`geoleak report`: what was tested, found, dug and proven, for whoever pays for it.

One list of sections, written as a PDF and as one HTML file that fetches nothing. Every figure is
one of result.json, closeout.json or the meter's runs; photos of the site's folder are scaled,
upright and without their place.
"""

from __future__ import annotations

import base64
import io
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from pathlib import Path
from typing import Any, NamedTuple

from reportlab.lib.pagesizes import A4
from reportlab.lib.styles import ParagraphStyle
from reportlab.platypus import Image, KeepTogether, Paragraph, SimpleDocTemplate, Spacer

from geoleak.cautions import ADVICE, CALL_FIRST, PRIVATE_LINES
from geoleak.errors import Complaint, InputError
from geoleak.export import drawing, words
from geoleak.export.documents import rendered
from geoleak.export.folder import beside
from geoleak.export.pdf import Drawing
from geoleak.export.plan import plan_picture
from geoleak.export.profile import describe, profile_picture
from geoleak.record import replace
from geoleak.reports.meter import MeterReport
from geoleak.result import Result
from geoleak.site import NOWHERE, Site

KINDS = {
    "surface": ("reading on the ground", "readings on the ground"),
    "contact": ("reading on a fitting", "readings on fittings"),
    "rod": ("reading on a rod", "readings on a rod"),
    "gas": ("gas reading", "gas readings"),
    "bar_hole": ("bar-hole reading", "bar-hole readings"),
}
STOPPED = {
    "as_found": "as found",
    "all_off": "with every tap and machine off",
    "fitting_worked": "with the fitting worked",
    "supply_shut": "with the supply shut",
}
LOST = (
    "The loss is what the meter shows now, carried back as if the leak had been as large all the "
    "time; it may have begun smaller."
)
METHOD = (
    "A leak makes noise. Its level was read along the pipe, whose line was fitted through marks "
    "measured on the ground; from all readings together the chance of every place along "
    "the pipe was computed, and of there being no leak on the traced line at all.",
    "The percentages are chances, not certainties: of ten places given at 90 %, one is expected to "
    "be wrong. What else may make the sound, or carry it, is weighed with shares that are partly "
    "guesses.",
    ADVICE,
    CALL_FIRST + " " + PRIVATE_LINES,
)
# Figures of a picture in points, as wide as a letter or an A4 page allows.
WIDE, TALL = 500.0, 188.0
MOST_BYTES, MOST_LOGO_BYTES = 30_000_000, 2_000_000
# A photo's own file may say few bytes and mean a wall of pixels.
MOST_PIXELS = 80_000_000
LONGEST, LONGEST_LOGO = 1400, 400
# EXIF: where a camera writes latitude and longitude.
GPS_TAG = 0x8825


class Photo(NamedTuple):
    """A JPEG as it goes into a report, with its size in pixels and its name."""

    name: str
    data: bytes
    width: int
    height: int


class Section(NamedTuple):
    """A heading, what is said under it, and its pictures with the words for them."""

    head: str
    said: Sequence[str] = ()
    pictures: Sequence[tuple[drawing.Picture, str]] = ()
    photos: Sequence[Photo] = ()


class CustomerReport:
    """The report: its letterhead and its sections.

    Parameters
    ----------
    site : Site
    result : Result
        The answer that was dug under, or that stands now.
    entries : sequence of Mapping
        Of closeout.json, oldest first.
    keep_position : bool, default False
        Leave in photos where they were taken.

    Raises
    ------
    InputError
        For a photo or a logo that is none.
    """

    def __init__(
        self,
        site: Site,
        result: Result,
        entries: Sequence[Mapping[str, Any]],
        *,
        keep_position: bool = False,
    ) -> None:
        promised = [each["promised"]["verdict"] for each in entries]
        if promised and "dig" not in promised:
            # What was written down since may carry a stake: none stood when it was dug.
            result = replace(result, decision=replace(result.decision, verdict="listen_on"))
        self.site, self.result, self.entries = site, result, entries
        self.unit, self.title = result.site.length_unit, words.plain(site.title)
        self.meter = MeterReport(site) if site.meter else None
        job, date = site.job, result.run.date
        told = (job.company, job.number and f"Job {job.number}", job.address,
                job.technician and f"Technician: {job.technician}",
                job.instruments and f"Instruments: {job.instruments}")  # fmt: skip
        self.letterhead = [words.plain(each) for each in told if each]
        self.dated = f"Surveyed {date}" if date else "Date of the survey not stated"
        photos = photos_of(site, site.photos, keep_position=keep_position)
        logo = photos_of(site, (job.logo,), keep_position=False, logo=True) if job.logo else ()
        self.logo = logo[0] if logo else None
        holes = (each.properties for each in result.features if each.kind == "dug")
        dug = [*dict.fromkeys(_hole_dug(each, self.unit) for each in holes)]
        dug += [line for each in entries for line in hole_lines(each, self.unit)]
        sections = (
            Section("In short", [*self._short()]),
            Section("What was tested", [*self._tested()]),
            self._where(),
            Section("How sure that was", [*self._odds()]),
            Section("What the dig showed", dug),
            Section("Water lost", [*self._lost()]),
            Section("Photos", photos=photos),
            Section("How it was worked out, and what it does not say", METHOD),
        )
        self.sections = [each for each in sections if any(each[1:])]

    def _short(self) -> Iterator[str]:
        result, meter = self.result, self.meter
        leak = next((each for each in self.entries if each["outcome"] == "leak"), None)
        if leak is not None:
            depth, cause = leak["leak"]["depth_m"], leak["leak"]["cause"]
            said = "A leak was found and dug up"
            said += f", {words.length(depth, self.unit)} down" if depth else ""
            yield said + (f"; cause: {words.plain(cause)}." if cause else ".")
            yield from _against_stake(leak, self.unit)
            now = "After the repair the meter"
            if leak["repaired"]:
                yield f"{now} stood still with every tap shut: the repair is proven."
            elif leak["repaired"] is not None:
                yield f"{now} still turns with every tap shut: there is more."
        elif self.entries:
            yield "A hole was dug and was dry; the search goes on."
        elif result.decision.verdict == "dig":
            yield f"A leak is expected at {_place(result)}."
            chance = words.chance(result.decision.chance_in_hole)
            yield f"The chance that it lies in the hole drawn below is {chance}."
        else:
            so_far = "The readings so far do not settle where the leak is"
            yield f"{so_far}; nothing should be dug up yet."
        if meter is not None and leak is None:
            yield {
                "leak": "The meter shows that water is lost with every tap shut.",
                "none_seen": "The meter showed no flow with every tap shut.",
                "cannot_tell": "The meter was watched, but does not settle whether water is lost.",
            }[meter.test.verdict]

    def _tested(self) -> Iterator[str]:
        site, result = self.site, self.result
        for leg in result.legs:
            of = f" of {leg.material.replace('_', ' ')}" if leg.material else ""
            yield f"Pipe {leg.name}: {words.length(leg.length_m, self.unit)}{of} was traced."
        for kind, count in Counter(each.kind for each in result.readings).items():
            one, more = KINDS.get(kind, (f"{kind} reading", f"{kind} readings"))
            yield f"{count} {one if count == 1 else more}."
        for test in site.stop_tests:
            levels = ((text, getattr(test, name)) for name, text in STOPPED.items())
            told = [f"{sum(each) / len(each):.0f} {text}" for text, each in levels if each]
            worked = f"; the fitting was {test.fitting}" if test.fitting else ""
            yield f"Stop test at {test.place.text}: the sound read {', '.join(told)}{worked}."
        for rows, one, more, end in (
            (site.delays, "delay was timed between two", "delays were timed between", " sensors"),
            (site.isolations, "shut-off test was", "shut-off tests were", " made"),
            (site.sightings, "sign of water was", "signs of water were", " noted"),
        ):
            if rows:
                yield f"{len(rows)} {one if len(rows) == 1 else more}{end}."
        if self.meter is not None:
            yield from (f"Meter: {line}" for line in self.meter.lines()[1:2])

    def _where(self) -> Section:
        result, leg = self.result, self.result.leak.leg
        plan, scale = plan_picture(result, WIDE, TALL, size=9)
        along = profile_picture(result, leg, width=WIDE, height=TALL, size=9)
        at = words.station(result.leak.chainage_m, self.unit)
        lead = f"The best place so far, not to dig, is {at}."
        if result.decision.verdict == "dig":
            stands = "stood" if self.entries else "stands"
            lead = f"The stake {stands} at {_place(result)}. Top of pipe: {words.depth(result)}."
        pictures = [(plan, f"Plan, north up, {scale}."), (along, describe(result, leg))]
        return Section("Where", [lead], pictures)

    def _odds(self) -> Iterator[str]:
        result, decision = self.result, self.result.decision
        found = min(99, round(100 * decision.chance_in_hole))
        if decision.verdict == "dig":
            like_this = "Of a hundred holes dug on evidence like this"
            yield f"{like_this}, about {found} would find the leak."
        else:
            yield f"A hole at the best place so far would find the leak {found} times in a hundred."
        yield words.elsewhere(result).capitalize() + "."
        if result.leak.side:
            sides = ", ".join(f"{name} {words.chance(p)}" for name, p in result.leak.side.items())
            yield f"Whose side of the boundary: {words.plain(sides)}."

    def _lost(self) -> Iterator[str]:
        if self.meter is not None and self.meter.test.verdict == "leak":
            for line in self.meter.lines():
                if line[:4] in ("size", "hole", "    "):
                    yield f"{line[7:8].upper()}{line[8:]}."
            if self.site.metering.since:
                yield LOST

    def write(self, folder: Path) -> list[Path]:
        """Write report.pdf and report.html into a folder, both or neither; return their paths."""
        paths = [folder / "report.pdf", folder / "report.html"]
        with beside(*paths) as (pdf, page):
            self._write_pdf(pdf)
            text = rendered(
                "customer.html",
                title=self.title,
                report=self,
                svg=drawing.to_svg,
                b64=lambda data: base64.b64encode(data).decode(),
            )
            page.write_text(text, encoding="utf-8")
        return paths

    def _write_pdf(self, path: Path) -> None:
        """Write the report as a PDF of two or three pages."""
        plain, small = 10.5, 8.5
        story: list[Any] = [_image(self.logo, 60.0)] if self.logo else []
        story += [_text(line, small) for line in self.letterhead]
        story += [_text(self.title, 17, bold=True, before=8), _text(self.dated, small)]
        for section in self.sections:
            head = _text(section.head, 12.5, bold=True, before=9)
            said = [_text(line, plain) for line in section.said]
            story += [KeepTogether([head, *said[:2]]), *said[2:]]
            for picture, told in section.pictures:
                story.append(KeepTogether([Drawing(picture), _text(told, small), Spacer(1, 4)]))
            for photo in section.photos:
                story.append(KeepTogether([_image(photo, 230.0), _text(photo.name, small)]))

        def foot(canvas: Any, document: Any) -> None:
            canvas.setFont(drawing.font(), 8)
            canvas.drawString(48, 30, drawing.shown(self.title)[:90])
            canvas.drawRightString(A4[0] - 48, 30, f"page {document.page}")

        document = SimpleDocTemplate(
            str(path), pagesize=A4, leftMargin=48, rightMargin=47, topMargin=44, bottomMargin=48,
            title=self.title, author=self.letterhead[0] if self.letterhead else "",
            subject="Leak report", creator="geoleak", lang="en", invariant=1,
        )  # fmt: skip
        document.build(story, onFirstPage=foot, onLaterPages=foot)


def _place(result: Result) -> str:
    return ", ".join(filter(None, (words.leak_station(result), words.near_marks(result))))


def _hole_dug(hole: Mapping[str, Any], unit: str) -> str:
    low, high = (words.station(hole[key], unit) for key in ("from_m", "to_m"))
    bare = {"yes": ", the pipe laid bare", "no": ", the pipe not reached"}.get(
        hole.get("exposed", ""), ""
    )
    return words.plain(
        f"The hole on {hole['leg']} {low} to {high}: {hole.get('outcome', 'opened')}{bare}."
    )


def hole_lines(entry: Mapping[str, Any], unit: str) -> list[str]:
    """Return one hole of closeout.json as a customer reads it."""
    when = f"{entry['date']}: " if entry.get("date") else ""
    the, a = ("the", "a") if when else ("The", "A")
    leak = entry["leak"]
    if entry["outcome"] == "dry":
        return [f"{when}{a} hole was dug where {_chance_given(entry)}; it was dry."]
    if leak["leg"] is None:
        return [f"{when}{the} leak was on no line that had been traced."]
    said = f"{when}{the} leak was at {leak['leg']} {words.station(leak['chainage_m'], unit)}."
    return [words.plain(line) for line in (said, *_against_stake(entry, unit))]


def _chance_given(entry: Mapping[str, Any]) -> str:
    return f"the chance was given as {words.chance(entry['promised']['chance_in_hole'])}"


def _against_stake(entry: Mapping[str, Any], unit: str) -> Iterator[str]:
    """Yield how far from the stake a leak lay, and whether in the hole; nothing if not known."""
    along, chance = entry["along_m"], _chance_given(entry)
    if along is not None:
        away = f"It lay {words.length(abs(along), unit)} along the pipe from the"
        inside = "inside" if entry["in_hole"] else "outside"
        if entry["promised"]["verdict"] == "dig":
            yield f"{away} stake, {inside} the hole that was drawn, where {chance}."
        else:
            yield f"{away} best place so far; no hole was advised there, {chance}."


def _text(line: str, size: float, *, bold: bool = False, before: float = 0.0) -> Paragraph:
    style = ParagraphStyle(
        "text",
        fontName=drawing.font(bold=bold),
        fontSize=size,
        leading=1.35 * size,
        spaceBefore=before,
        spaceAfter=3,
    )
    return Paragraph(escape(drawing.shown(line)), style)


def _image(photo: Photo, tall: float) -> Image:
    scale = min(WIDE / photo.width, tall / photo.height)
    size = (scale * photo.width, scale * photo.height)
    return Image(io.BytesIO(photo.data), *size, hAlign="LEFT")


def photos_of(
    site: Site, names: Sequence[str], *, keep_position: bool, logo: bool = False
) -> list[Photo]:
    """Return photos of a site, ready for a report.

    Raises
    ------
    InputError
        For each file that is no photo, or too large a one.
    """
    wrong: list[Complaint] = []
    found = []
    origin = site.origins.get("job.logo" if logo else "photos.file", NOWHERE)
    for name in names:
        try:
            found.append(_photo(site, name, keep_position=keep_position, logo=logo))
        except (OSError, ValueError, SyntaxError) as error:
            why = str(error) if isinstance(error, ValueError) else "is no JPEG, PNG or TIFF"
            wrong.append(Complaint(origin, f'"{name}" {why}', "name a photo of the site's folder"))
    if wrong:
        raise InputError(wrong)
    return found


def _photo(site: Site, name: str, *, keep_position: bool, logo: bool) -> Photo:
    from PIL import Image, ImageOps

    path = site.folder / name
    most = MOST_LOGO_BYTES if logo else MOST_BYTES
    if path.stat().st_size > most:
        raise ValueError(f"is larger than {most // 1_000_000} MB")
    with Image.open(path, formats=("JPEG", "PNG", "TIFF")) as opened:
        if opened.width * opened.height > MOST_PIXELS:
            raise ValueError(f"has more than {MOST_PIXELS // 1_000_000} million pixels")
        position = opened.getexif().get_ifd(GPS_TAG) if keep_position else {}
        with_mask = ImageOps.exif_transpose(opened).convert("RGBA")
    made = Image.new("RGB", with_mask.size, "white")
    made.paste(with_mask, mask=with_mask.getchannel("A"))
    made.thumbnail((LONGEST_LOGO if logo else LONGEST,) * 2)
    exif = Image.Exif()
    if position:
        exif[GPS_TAG] = dict(position)
    stream = io.BytesIO()
    made.save(stream, "JPEG", quality=85, exif=exif)
    return Photo(name, stream.getvalue(), *made.size)
