"""What the sheets for the crew share: head, answer, pictures, columns of text, cautions, code."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from geoleak.export import words
from geoleak.export.level_scales import not_drawn
from geoleak.export.pdf import Page
from geoleak.export.plan_picture import plan_picture
from geoleak.export.profile_picture import profile_picture
from geoleak.result import Result

LETTER, A4 = (612.0, 792.0), (595.2756, 841.8898)
MARGIN = 30.0
SMALL, BIG = 9.0, 18.0
LEAD = 10.8
CODE = 84.0
Rows = list[tuple[str, bool]]
"""Lines of text; true for a bold one."""


def geo_text(lonlat: tuple[float, float] | None, accuracy_m: float | None) -> str:
    """Return a place as a geo URI (RFC 5870); ``u`` is its uncertainty in metres.

    The CRS is WGS 84, the URI's own default. An accuracy that is not known is left out, because
    RFC 5870 reads a missing ``u`` as unknown.
    """
    if lonlat is None:
        return ""
    lon, lat = lonlat
    text = f"geo:{lat:.6f},{lon:.6f}"
    if accuracy_m is None or not math.isfinite(accuracy_m):
        return text
    return f"{text};u={math.ceil(accuracy_m * 10 - 1e-9) / 10:g}"


@dataclass(slots=True)
class Sheet:
    """One page about one result, being drawn."""

    page: Page
    result: Result

    @property
    def room(self) -> float:
        """Width between the margins."""
        return self.page.width - 2 * MARGIN

    def head(self, top: float) -> float:
        """Write the site and the run; return the height that is left."""
        page, result = self.page, self.result
        run = words.run(result)
        wide = page.text(page.width - MARGIN, top - 10, run, 10, anchor="end", bold=True)
        page.text(MARGIN, top - 10, result.site.title, 12, bold=True, room=self.room - wide - 14)
        job = result.job
        told = [
            f"job {job.number}" if job.number else "",
            job.address,
            f"by {job.technician}" if job.technician else "",
        ]
        line = ", ".join(each for each in told if each)
        y = top - 22
        if line:
            page.text(MARGIN, y, line, SMALL, room=self.room)
            y -= LEAD
        if page.unshown:
            note = (
                "Some letters of the title are not in this sheet's fonts (…); map.html shows all."
            )
            page.text(MARGIN, y, note, SMALL, room=self.room)
            y -= LEAD
        page.rule(MARGIN, y + 7, page.width - MARGIN, y + 7, 1.5)
        return y

    def badge(self, top: float, title: str, right: float) -> float:
        """Write the verdict in a frame and a title beside it; return the height that is left."""
        page, y = self.page, top - 20
        dig = self.result.decision.verdict == "dig"
        text = words.verdict(self.result)
        wide = page.width_of(text, 22, bold=True)
        page.frame(MARGIN, y - 6, wide + 14, 27, line=2, fill=0.0 if dig else None, dash=not dig)
        page.text(MARGIN + 7, y, text, 22, bold=True, grey=1.0 if dig else 0.0)
        left = MARGIN + wide + 24
        size = 22 if page.width_of(page.shown(title), 22, bold=True) <= right - left else BIG
        page.text(left, y, title, size, bold=True, room=right - left)
        return y - 20

    def lines(self, rows: Sequence[str], size: float, right: float, y: float) -> float:
        """Write bold lines, broken where they are too wide."""
        for row in rows:
            for part in self.page.wrapped(row, size, right - MARGIN, bold=True):
                self.page.text(MARGIN, y, part, size, bold=True)
                y -= size * 1.17
        return y

    def code(self, top: float, uri: str, told: Sequence[str]) -> None:
        """Draw a QR code in the upper right corner with lines of text under it."""
        page = self.page
        page.code(uri, page.width - MARGIN - CODE, top - CODE + 3, CODE)
        for k, row in enumerate(told):
            page.text(page.width - MARGIN, top - CODE - 3 - 11 * k, row, SMALL, anchor="end")

    def middle(
        self, top: float, floor: float, columns: Sequence[Rows], leg: str, caption: str
    ) -> None:
        """Draw plan and profile, and write two columns beneath them."""
        half = (self.room - 12) / 2
        wrapped = [self._wrap(rows, half) for rows in columns]
        aside = self.page.wrapped(not_drawn(self.result, leg), SMALL, half)
        # The second column starts lower by what is said under the profile.
        tallest = max(len(wrapped[0]), len(wrapped[1]) + len(aside)) * LEAD + 6
        tall = min(310.0, max(146.0, top - floor - tallest - 22))
        y = top - tall
        plan = plan_picture(self.result, half, tall)
        self.page.picture(plan.picture, MARGIN, y)
        right = MARGIN + half + 12
        if leg in [each.leg for each in self.result.profile if each.chainage_m]:
            picture = profile_picture(self.result, leg, width=half, height=tall, size=SMALL)
            self.page.picture(picture, right, y)
        said = f"Plan, {plan.scale}; grid north is up; {caption}"
        self.page.text(MARGIN, y - 11, said, SMALL, room=half)
        below = words.plain(f"Level and chance along {leg}")
        self.page.text(right, y - 11, below, SMALL, room=half)
        wrapped[1] = [*((row, False) for row in aside), *wrapped[1]]
        fits = max(1, int((y - 14 - floor) / LEAD))
        for k, rows in enumerate(wrapped):
            self._column(rows, MARGIN + k * (half + 12), y - 24, half, fits)

    def _wrap(self, rows: Sequence[tuple[str, bool]], room: float) -> list[tuple[str, bool]]:
        return [
            (part, bold)
            for row, bold in rows
            for part in self.page.wrapped(row, SMALL, room, bold=bold)
        ]

    def _column(
        self, rows: Sequence[tuple[str, bool]], x: float, y: float, room: float, fits: int
    ) -> None:
        shown = list(rows)
        if len(shown) > fits:
            shown = [*shown[: fits - 1], ("… more in result.json", False)]
        for k, (row, bold) in enumerate(shown):
            self.page.text(x, y - k * LEAD, row, SMALL, bold=bold, room=room)

    def pipe(self) -> str:
        """Return material, diameter and trace of the leak's leg."""
        result = self.result
        leg = next((e for e in result.legs if e.name == result.leak.leg), None)
        if leg is None:
            return "not stated"
        size = (
            words.diameter(leg.outside_diameter_m, result.site.length_unit) + " outside"
            if leg.outside_diameter_m
            else "diameter not stated"
        )
        traced = {"signal": "traced by signal", "sonde": "traced by sonde", "probe": "probed"}
        how = traced.get(leg.marks_by, "route assumed")
        material = (leg.material or "material not stated").replace("_", " ")
        return f"{material}, {size}; {how}"

    def grid(self) -> str:
        """Return the grid's combined factor and convergence, and the rover's corrections."""
        site = self.result.site
        text = (
            f"Combined factor {site.combined_factor:.7f}, convergence {site.convergence_deg:+.4f}°"
        )
        if site.local:
            text = "Grid is ground: no factor, no convergence"
        return text + (f"; rover corrected by {site.corrections}" if site.corrections else "")

    def cautions(self, floor: float, head: str) -> float:
        """Write every caution in two columns from the floor up; return the new floor."""
        page, result = self.page, self.result
        half = (self.room - 12) / 2
        rows = [words.told(each) for each in result.cautions]
        lines: list[str] = []
        for row in rows:
            parts = page.wrapped(row, SMALL, half - 9)
            lines += [f"• {parts[0]}", *(f"  {each}" for each in parts[1:])] if parts else []
        split = self._split(lines)
        columns = [lines[:split], lines[split:]]
        tall = max(len(each) for each in columns) * LEAD
        top = floor + tall + 18
        for k, column in enumerate(columns):
            for j, line in enumerate(column):
                shift = 0.0 if line.startswith("•") else 7.0
                page.text(
                    MARGIN + k * (half + 12) + shift,
                    floor + tall - 3 - j * LEAD,
                    line.strip(),
                    SMALL,
                    room=half,
                )
        page.text(MARGIN, floor + tall + 8, head, 11, bold=True)
        page.rule(MARGIN, top + 3, page.width - MARGIN, top + 3, 1.5)
        return top + 6

    @staticmethod
    def _split(lines: Sequence[str]) -> int:
        """Return where the second column starts: at a caution, near the middle."""
        starts = [k for k, line in enumerate(lines) if line.startswith("•")] or [0]
        return min(starts, key=lambda k: max(k, len(lines) - k))
