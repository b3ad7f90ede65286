"""dig_sheet.pdf: one page for the crew. Letter where the site is in feet, else A4.

Readable in black and white, in sun, at arm's length: hole, depth and stake at 18 points or more,
nothing under 9. Fonts travel inside the file. Where the verdict is to listen on the page is a
sheet to listen by: `geoleak.export.listening_sheet`.
"""

from __future__ import annotations

from pathlib import Path

from geoleak.export import listen_words, spoken, words
from geoleak.export.listening_sheet import ListeningSheet
from geoleak.export.pdf import Page
from geoleak.export.sheet import A4, BIG, CODE, LETTER, MARGIN, SMALL, Rows, Sheet, geo_text
from geoleak.result import Result

BOXES = (
    ("Found at (from the stake)", 1.25),
    ("Depth to crown", 0.9),
    ("Cause", 1.4),
    ("Meter stopped?  yes / no", 1.2),
    ("Date, name", 1.25),
)


def write_dig_sheet(result: Result, path: str | Path) -> Path:
    """Write the dig sheet, or the sheet to listen by, and return its path."""
    path = Path(path)
    dig = result.decision.verdict == "dig"
    page = Page(
        path,
        A4 if result.site.length_unit == "m" else LETTER,
        title=words.plain(f"{result.site.title}: {'dig' if dig else 'listening'} sheet"),
        about=words.plain(f"{words.verdict(result)}, {words.run(result)}"),
    )
    sheet = DigSheet(page, result) if dig else ListeningSheet(page, result)
    sheet.draw()
    page.save()
    return path


def geo_uri(result: Result) -> str:
    """Return the stake as a geo URI; a local site has none."""
    return geo_text(result.leak.lonlat, result.leak.lonlat_accuracy_m)


class DigSheet(Sheet):
    """The page for who digs."""

    def draw(self) -> None:
        """Draw the page."""
        top = self.head(self.page.height - MARGIN)
        top = self.answer(top)
        floor = self.cautions(self.boxes(MARGIN), "Before digging")
        columns = [self._left_rows(), self._right_rows()]
        self.middle(top, floor, columns, self.result.leak.leg, "grey: 95 % of the chance")

    def answer(self, top: float) -> float:
        """Write verdict, hole, depth and stake, large; return the height that is left."""
        page, result = self.page, self.result
        right = page.width - MARGIN - (CODE if result.leak.lonlat else 0) - 8
        station = words.station(result.leak.chainage_m, result.site.length_unit)
        y = self.badge(top, f"{result.leak.leg} {station}", right)
        y = self.lines([self._chance()], 12, right, y)
        y -= 8
        y = self.lines(self._big_lines(right - MARGIN), BIG, right, y)
        uri = geo_uri(result)
        if uri:
            self.code(top, uri, [words.lonlat(result), words.lonlat_accuracy(result)])
        y -= 2
        if result.not_before:
            rows = page.wrapped(words.not_before(result), 12, self.room - 16, bold=True)[:3]
            tall = 15 * len(rows) + 7
            page.frame(MARGIN, y - tall + 12, self.room, tall, line=2.5)
            for k, row in enumerate(rows):
                page.text(MARGIN + 8, y - 3 - 15 * k, row, 12, bold=True, room=self.room - 16)
            y -= tall + 2
        return y

    def _chance(self) -> str:
        decision, unit = self.result.decision, self.result.site.length_unit
        size = f"{words.length(decision.hole.length_m, unit)} long"
        size += f", {words.length(decision.hole.width_m, unit)} wide"
        elsewhere = words.chance(self.result.leak.probability_elsewhere)
        return (
            f"{words.chance(decision.chance_in_hole)} chance in the hole ({size}); "
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
        assumed = any(e.assumed for e in result.legs if e.name == result.leak.leg)
        return [*rows, "ROUTE ASSUMED, not traced"] if assumed else rows

    def _crown(self) -> str:
        """Return the depth to the crown with its sigma."""
        leak, unit = self.result.leak, self.result.site.length_unit
        text = words.length(leak.depth_m, unit)
        if leak.depth_m is None or leak.depth_sigma_m is None:
            return text
        return f"{text} ± {words.number(leak.depth_sigma_m, unit)}"

    def _left_rows(self) -> Rows:
        """Services first, because a crew dies of them; then the ties."""
        result = self.result
        rows: Rows = [("Other services", True)]
        told = words.services(result)
        rows += [(each, False) for each in told or ["none are stated: that is no proof of none"]]
        rows.append(("Ties, taped level to the stake", True))
        rows += [(each, False) for each in spoken.ties(result)]
        if not result.ties and not result.ties_text:
            rows.append(("no usable fixed feature: set out by the rover alone", False))
        return rows

    def _right_rows(self) -> Rows:
        """Return stake, what next, pipe and hole."""
        result = self.result
        rows: Rows = [("Stake", True)]
        paint = words.near_marks(result)
        if paint:
            rows.append((paint, False))
        rows.append((f"{words.grid_name(result)}; sets out within {words.ellipse(result)}", False))
        check = spoken.first_check(result)
        if check:
            rows.append((check[0].upper() + check[1:], False))
        rows += [(each, False) for each in spoken.side(result)]
        holes = spoken.next_holes(result)
        if listen_words.advised(result):
            holes = [*listen_words.numbered(result), *holes]
        if holes:
            rows.append(("Next", True))
            rows += [(each[0].upper() + each[1:], False) for each in holes[:3]]
        rows += [("Pipe and grid", True), (self.pipe(), False), (self.grid(), False)]
        if result.leak.lonlat is None:
            rows.append(("Site grid: no longitude and latitude", False))
        notes = [words.told(each) for each in result.decision.hole.notes]
        if notes:
            rows.append(("The hole", True))
            rows += [(each, False) for each in notes]
        return rows

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
