"""dig_sheet.pdf: one page for the crew. Letter where the site is in feet, else A4.

Readable in black and white, in sun, at arm's length: hole, depth and stake at 18 points or more,
nothing under 9. Fonts travel inside the file.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from geoleak.export import spoken, words
from geoleak.export.pdf import Page
from geoleak.export.plan_picture import plan_picture
from geoleak.export.profile_picture import profile_picture
from geoleak.result import Result

LETTER, A4 = (612.0, 792.0), (595.2756, 841.8898)
MARGIN = 30.0
SMALL, BIG = 9.0, 18.0
LEAD = 10.8
CODE = 84.0
BOXES = (
    ("Found at (from the stake)", 1.25),
    ("Depth to crown", 0.9),
    ("Cause", 1.4),
    ("Meter stopped?  yes / no", 1.2),
    ("Date, name", 1.25),
)


def write_dig_sheet(result: Result, path: str | Path) -> Path:
    """Write the dig sheet and return its path."""
    path = Path(path)
    size = A4 if result.site.length_unit == "m" else LETTER
    page = Page(
        path,
        size,
        title=words.plain(f"{result.site.title}: dig sheet"),
        about=words.plain(f"{words.verdict(result)}, {words.run(result)}"),
    )
    sheet = _Sheet(page, result)
    top = sheet.head(size[1] - MARGIN)
    top = sheet.answer(top)
    floor = sheet.boxes(MARGIN)
    floor = sheet.cautions(floor)
    sheet.middle(top, floor)
    page.save()
    return path


def geo_uri(result: Result) -> str:
    """Return the stake as a geo URI (RFC 5870); ``u`` is its uncertainty in metres.

    The CRS is WGS 84, the URI's own default. An accuracy that is not known is left out, because
    RFC 5870 reads a missing ``u`` as unknown.
    """
    if result.leak.lonlat is None:
        return ""
    lon, lat = result.leak.lonlat
    text = f"geo:{lat:.6f},{lon:.6f}"
    accuracy = result.leak.lonlat_accuracy_m
    if accuracy is None or not math.isfinite(accuracy):
        return text
    return f"{text};u={math.ceil(accuracy * 10 - 1e-9) / 10:g}"


@dataclass(slots=True)
class _Sheet:
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

    def answer(self, top: float) -> float:
        """Write verdict, hole, depth and stake, large; return the height that is left."""
        page, result = self.page, self.result
        right = page.width - MARGIN - (CODE if result.leak.lonlat else 0) - 8
        y = top - 20
        dig = result.decision.verdict == "dig"
        text = words.verdict(result)
        wide = page.width_of(text, 22, bold=True)
        page.frame(MARGIN, y - 6, wide + 14, 27, line=2, fill=0.0 if dig else None, dash=not dig)
        page.text(MARGIN + 7, y, text, 22, bold=True, grey=1.0 if dig else 0.0)
        station = words.station(result.leak.chainage_m, result.site.length_unit)
        page.text(
            MARGIN + wide + 24,
            y,
            f"{result.leak.leg} {station}",
            22,
            bold=True,
            room=right - MARGIN - wide - 24,
        )
        y -= 20
        y = self._lines([self._chance()], 12, right, y)
        y -= 8
        y = self._lines(self._big_lines(right - MARGIN), BIG, right, y)
        self._code(top)
        y -= 2
        if result.not_before:
            rows = page.wrapped(words.not_before(result), 12, self.room - 16, bold=True)[:3]
            tall = 15 * len(rows) + 7
            page.frame(MARGIN, y - tall + 12, self.room, tall, line=2.5)
            for k, row in enumerate(rows):
                page.text(MARGIN + 8, y - 3 - 15 * k, row, 12, bold=True, room=self.room - 16)
            y -= tall + 2
        return y

    def _lines(self, rows: Sequence[str], size: float, right: float, y: float) -> float:
        """Write bold lines, broken where they are too wide."""
        for row in rows:
            for part in self.page.wrapped(row, size, right - MARGIN, bold=True):
                self.page.text(MARGIN, y, part, size, bold=True)
                y -= size * 1.17
        return y

    def _chance(self) -> str:
        decision, unit = self.result.decision, self.result.site.length_unit
        size = f"{words.length(decision.hole.length_m, unit)} long"
        size += f", {words.length(decision.hole.width_m, unit)} wide"
        elsewhere = words.chance(self.result.leak.probability_elsewhere)
        start = "" if decision.verdict == "dig" else "Do not dig yet. Best hole so far: "
        return (
            f"{start}{words.chance(decision.chance_in_hole)} chance in the hole ({size}); "
            f"{elsewhere} that the leak is on no traced leg"
        )

    def _big_lines(self, room: float) -> list[str]:
        """Return hole, depth and stake, each on one line of 18 points where that can be."""
        result = self.result
        hole = f"Hole {words.hole_reach(result)}"
        if self.page.width_of(hole, BIG, bold=True) > room and hole[10].isdigit():
            hole = hole.replace("Hole from ", "Hole ", 1)
        depth = "Depth NOT KNOWN: find the pipe by hand"
        if result.leak.depth_m is not None:
            depth = f"Crown of the pipe {self._crown()} down"
        rows = [hole, depth, f"Stake {words.position(result)}"]
        if result.decision.verdict != "dig" and result.next_readings:
            places = " and ".join(each.place for each in result.next_readings[:2])
            rows.insert(0, f"Listen next at {places}")
        assumed = any(e.assumed for e in result.legs if e.name == result.leak.leg)
        return [*rows, "ROUTE ASSUMED, not traced"] if assumed else rows

    def _crown(self) -> str:
        """Return the depth to the crown with its sigma."""
        leak, unit = self.result.leak, self.result.site.length_unit
        text = words.length(leak.depth_m, unit)
        if leak.depth_m is None or leak.depth_sigma_m is None:
            return text
        return f"{text} ± {words.number(leak.depth_sigma_m, unit)}"

    def _code(self, top: float) -> None:
        result, page = self.result, self.page
        uri = geo_uri(result)
        if not uri:
            return
        left = page.width - MARGIN - CODE
        page.code(uri, left, top - CODE + 3, CODE)
        edge = page.width - MARGIN
        page.text(edge, top - CODE - 3, words.lonlat(result), SMALL, anchor="end")
        page.text(edge, top - CODE - 14, words.lonlat_accuracy(result), SMALL, anchor="end")

    def middle(self, top: float, floor: float) -> None:
        """Draw plan and profile, and write the tables beneath them."""
        columns = [self._left_rows(), self._right_rows()]
        half = (self.room - 12) / 2
        wrapped = [self._wrap(rows, half) for rows in columns]
        tallest = max(len(rows) for rows in wrapped) * LEAD + 6
        space = top - floor
        tall = min(310.0, max(146.0, space - tallest - 22))
        y = top - tall
        plan = plan_picture(self.result, half, tall)
        self.page.picture(plan.picture, MARGIN, y)
        legs = [each.leg for each in self.result.profile if each.chainage_m]
        if self.result.leak.leg in legs:
            picture = profile_picture(
                self.result, self.result.leak.leg, width=half, height=tall, size=SMALL
            )
            self.page.picture(picture, MARGIN + half + 12, y)
        caption = f"Plan, {plan.scale}; grid north is up; grey: 95 % of the chance"
        self.page.text(MARGIN, y - 11, caption, SMALL, room=half)
        below = "Level and chance along the leg"
        self.page.text(MARGIN + half + 12, y - 11, below, SMALL, room=half)
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

    def _left_rows(self) -> list[tuple[str, bool]]:
        """Services first, because a crew dies of them; then the ties."""
        result = self.result
        rows = [("Other services", True)]
        told = [words.plain(each.text) for each in result.services]
        rows += [(each, False) for each in told or ["none are stated: that is no proof of none"]]
        rows.append(("Ties, taped level to the stake", True))
        rows += [(each, False) for each in spoken.ties(result)]
        if not result.ties and not result.ties_text:
            rows.append(("no usable fixed feature: set out by the rover alone", False))
        return rows

    def _right_rows(self) -> list[tuple[str, bool]]:
        """Return stake, what next, pipe and hole."""
        result = self.result
        rows = [("Stake", True)]
        paint = words.near_marks(result)
        if paint:
            rows.append((paint, False))
        rows.append((f"{words.grid_name(result)}; sets out within {words.ellipse(result)}", False))
        check = spoken.first_check(result)
        if check:
            rows.append((check[0].upper() + check[1:], False))
        rows += [(each, False) for each in spoken.side(result)]
        holes = spoken.next_holes(result)
        if result.decision.verdict != "dig":
            holes = [*spoken.next_readings(result), *holes]
        if holes:
            rows.append(("Next", True))
            rows += [(each[0].upper() + each[1:], False) for each in holes[:3]]
        rows += [("Pipe and grid", True), (self._pipe(), False), (self._grid(), False)]
        if result.leak.lonlat is None:
            rows.append(("Site grid: no longitude and latitude", False))
        notes = [words.plain(each) for each in result.decision.hole.notes]
        if notes:
            rows.append(("The hole", True))
            rows += [(each, False) for each in notes]
        return rows

    def _pipe(self) -> str:
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
        return f"{leg.material or 'material not stated'}, {size}; {how}"

    def _grid(self) -> str:
        site = self.result.site
        text = (
            f"Combined factor {site.combined_factor:.7f}, convergence {site.convergence_deg:+.4f}°"
        )
        if site.local:
            text = "Grid is ground: no factor, no convergence"
        return text + (f"; rover corrected by {site.corrections}" if site.corrections else "")

    def cautions(self, floor: float) -> float:
        """Write every caution in two columns from the floor up; return the new floor."""
        page, result = self.page, self.result
        half = (self.room - 12) / 2
        rows = ["Dig by hand or vacuum inside the tolerance zone."] if not result.cautions else []
        boxed = words.plain(result.not_before or "").lower()
        told = [words.plain(each) for each in result.cautions]
        # What stands in the box above is not said twice.
        rows += [each for each in told if not boxed or boxed not in each.lower()]
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
        page.text(MARGIN, floor + tall + 8, "Before digging", 11, bold=True)
        page.rule(MARGIN, top + 3, page.width - MARGIN, top + 3, 1.5)
        return top + 6

    @staticmethod
    def _split(lines: Sequence[str]) -> int:
        """Return where the second column starts: at a caution, near the middle."""
        starts = [k for k, line in enumerate(lines) if line.startswith("•")] or [0]
        return min(starts, key=lambda k: max(k, len(lines) - k))

    def boxes(self, floor: float) -> float:
        """Draw the stake's label and the boxes to fill in after the dig; return the new floor."""
        page, result = self.page, self.result
        label = (
            f"{result.leak.leg} {words.station(result.leak.chainage_m, result.site.length_unit)}, "
            f"crown {self._crown()}, {words.run(result)}"
        )
        page.frame(MARGIN, floor, self.room, 19, dash=True)
        page.text(
            MARGIN + 6, floor + 6, f"Stake label:  {label}", 10, bold=True, room=self.room - 12
        )
        y = floor + 25
        x, whole = MARGIN, sum(share for _, share in BOXES)
        for text, share in BOXES:
            wide = self.room * share / whole
            page.frame(x, y, wide, 38)
            page.text(x + 4, y + 28, text, SMALL, room=wide - 6)
            x += wide
        page.text(MARGIN, y + 43, "After the dig", 11, bold=True)
        return y + 58
