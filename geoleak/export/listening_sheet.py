"""The page where the verdict is to listen on: where to listen next, and boxes for the levels."""

from __future__ import annotations

from geoleak.export import listen_words, spoken, words
from geoleak.export.sheet import BIG, CODE, LEAD, MARGIN, SMALL, Rows, Sheet, geo_text

BOXES = (
    ("No.", 0.35),
    ("Kind", 0.75),
    ("Place, as in readings.csv", 1.6),
    ("Station", 1.05),
    ("Level", 0.6),
    ("again", 0.6),
    ("again", 0.6),
    ("Background", 0.85),
    ("Surface", 0.8),
)
"""Column of the table of levels, its share of the width."""
TALL, BLANK_ROWS, MOST_BIG = 21.0, 2, 4


class ListeningSheet(Sheet):
    """The page for who goes on listening: no stake, no hole."""

    def draw(self) -> None:
        """Draw the page."""
        result = self.result
        top = self.head(self.page.height - MARGIN)
        top = self.answer(top)
        floor = self.cautions(self.boxes(MARGIN), "While listening")
        first = result.next_readings[0].leg if result.next_readings else result.leak.leg
        columns = [self._why(), self._places()]
        caption = "numbers: listen next" if result.next_readings else "grey: 95 % of the chance"
        self.middle(top, floor, columns, first, caption)

    def answer(self, top: float) -> float:
        """Write the verdict and the places to listen at, large; return the height that is left."""
        page, result = self.page, self.result
        uri, told = self._phone()
        right = page.width - MARGIN - (CODE if uri else 0) - 8
        y = self.badge(top, "do not dig yet", right)
        if not result.next_readings:
            y = self.lines(["No reading left would tell more: see why"], 12, right, y)
        if result.next_readings:
            first = result.next_readings[0]
            said = listen_words.expected(first, result.site.length_unit)
            y = self.lines([f"Listen next, the most telling first: after 1 {said}"], 12, right, y)
        y -= 8
        rows = [
            f"{k}: {each.kind.replace('_', ' ')} {listen_words.place(each, result)}"
            for k, each in enumerate(result.next_readings[:MOST_BIG], start=1)
        ]
        assumed = any(e.assumed for e in result.legs if e.name == result.leak.leg)
        y = self.lines([*rows, *(["ROUTE ASSUMED, not traced"] if assumed else [])], BIG, right, y)
        if not uri:
            return y - 2
        self.code(top, uri, told)
        return min(y - 2, top - CODE - 11 * len(told) - 4)

    def _phone(self) -> tuple[str, list[str]]:
        """Return the first next reading as a geo URI, and what stands under its code."""
        at, accuracy = listen_words.phone(self.result)
        if not at:
            return "", []
        first = next(e for e in listen_words.features(self.result) if e.lonlat is not None)
        where = first.lonlat.centroid if first.lonlat is not None else None
        lonlat = None if where is None else (where.x, where.y)
        uri = geo_text(lonlat, first.properties.get("lonlat_accuracy_m"))
        return uri, ["to place 1", at, accuracy]

    def _why(self) -> Rows:
        """Return the reasons, and the best place so far in one modest line."""
        result = self.result
        unit, leg = result.site.length_unit, result.leak.leg
        rows: Rows = [("Why", True), *((each, False) for each in spoken.why(result))]
        told = listen_words.best_so_far(result)
        rows += [("So far", True), (told[0].upper() + told[1:], False)]
        likely = words.plain(words.pieces(result.leak.interval_95, unit, leg=leg))
        rows.append((f"95 % of the chance lies within {likely}", False))
        return rows + [(each, False) for each in spoken.side(result)]

    def _places(self) -> Rows:
        """Return what each reading brings, how a rover gets there, pipe and grid."""
        result = self.result
        rows: Rows = [("Next", True)] if result.next_readings else []
        rows += [(each, False) for each in listen_words.numbered(result)]
        names = [each.id for each in result.stakes if each.kind == "next_reading"]
        if names:
            rows.append((f"Points {', '.join(names)} of stakes.csv", False))
        check = spoken.first_check(result)
        if check:
            rows.append((check[0].upper() + check[1:], False))
        rows += [("Pipe and grid", True), (self.pipe(), False), (self.grid(), False)]
        if result.site.local:
            rows.append(("Site grid: no longitude and latitude", False))
        return rows

    def boxes(self, floor: float) -> float:
        """Draw the table to write levels in, from the floor up; return the new floor."""
        page, result = self.page, self.result
        rows = [
            (
                str(number),
                each.kind.replace("_", " "),
                each.place,
                listen_words.station(each, result),
            )
            for number, each in enumerate(result.next_readings, start=1)
        ]
        rows += [("", "", "", "")] * BLANK_ROWS
        whole = sum(share for _, share in BOXES)
        y = floor
        for row in reversed(rows):
            x = MARGIN
            for column, (_, share) in enumerate(BOXES):
                wide = self.room * share / whole
                page.frame(x, y, wide, TALL)
                if column < len(row) and row[column]:
                    page.text(x + 4, y + 7, row[column], SMALL, bold=column == 0, room=wide - 6)
                x += wide
            y += TALL
        x = MARGIN
        for text, share in BOXES:
            wide = self.room * share / whole
            page.text(x + 4, y + 4, text, SMALL, room=wide - 6)
            x += wide
        note = "Levels: the lowest steady level; background with the water shut off, or on like"
        note += " ground well away"
        page.text(MARGIN, y + 4 + LEAD + 3, "Write in", 11, bold=True)
        page.text(MARGIN + 56, y + 4 + LEAD + 3, note, SMALL, room=self.room - 56)
        return y + 2 * LEAD + 14
