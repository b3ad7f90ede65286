"""dig_sheet.pdf: one page for the crew. Letter where the site is in feet, else A4.

Readable in black and white, in sun, at arm's length: hole, depth and stake at 18 points or more,
nothing under 9. Fonts travel inside the file. What it says are the parts of `geoleak.export.told`;
each verdict has its own boxes to write in, and only to dig is there anything to dig by.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import accumulate, chain
from pathlib import Path
from typing import Any

from reportlab.platypus import Flowable, Spacer, Table

from geoleak.export import ahead, words
from geoleak.export.colours import not_drawn
from geoleak.export.drawing import font, missing, width_of
from geoleak.export.pdf import Code, Document, Figure, Text
from geoleak.export.plan import plan_picture
from geoleak.export.profile import describe, profile_picture
from geoleak.export.told import Part, told
from geoleak.result import Result

LETTER, A4 = (612.0, 792.0), (595.2756, 841.8898)
MARGIN, GAP, CODE = 30.0, 12.0, 100.0
SMALL, BIG = 9.0, 18.0
PICTURE = (114.0, 310.0)
"""Least and greatest height of plan and profile; they take what text leaves."""
BLANK_ROWS = 2
ELSEWHERE = ("Phone", "Write", "Notes", "Likely")
"""Parts that stand beside the code and over the boxes, or in the other outputs alone."""
AGAINST = "against: "
MOST_AGAINST = 4
"""Whoever digs is told why not, so many reasons of it, and nothing of why."""
Columns = Sequence[tuple[str, float]]
"""Heads of a table to write in, each with its share of the width."""
AFTER_THE_DIG: Columns = (
    ("Found at (from the stake)", 1.25),
    ("Top of pipe", 0.9),
    ("Cause", 1.4),
    ("Meter stopped?  yes / no", 1.2),
    ("Date, name", 1.25),
)
LEVELS: Columns = (
    ("No.", 0.35),
    ("Kind", 0.75),
    ("Place, as in readings.csv", 1.6),
    ("Station", 1.05),
    ("Level", 0.6),
    ("again", 0.6),
    ("again", 0.6),
    ("All off?", 0.65),
    ("Background", 0.85),
    ("Surface", 0.8),
)
STOPS: Columns = (
    ("Place, as in checks.csv", 1.5),
    ("As found", 0.8),
    ("Taps, machines off", 1.1),
    ("Fitting worked", 1.1),
    ("Supply shut", 0.9),
    ("Which fitting", 1.2),
)
CHECKED: Columns = (
    ("No.", 0.35),
    ("Check", 0.75),
    ("Place, as in readings.csv", 2.0),
    ("Level", 0.7),
    ("again", 0.7),
    ("again", 0.7),
    ("Everything off?", 1.0),
    ("Surface", 0.8),
)
KINDS = {
    "dig": "dig", "check_first": "check", "listen_on": "listening", "closed": "closed job's"
}  # fmt: skip
"""What a sheet is called in its title."""
MOST_TALL = 8
"""With more rows than this a table's rows are narrow."""


def write_dig_sheet(result: Result, path: Path) -> Path:
    """Write the page that the verdict calls for and return its path."""
    _Sheet(result).write(path)
    return path


def geo_uri(lonlat: tuple[float, float] | None, accuracy_m: float | None) -> str:
    """Return a place as a geo URI (RFC 5870); ``u`` is its uncertainty in metres.

    The CRS is WGS 84, the URI's own default. An accuracy that is not known is left out, because
    RFC 5870 reads a missing ``u`` as unknown. No place, no URI.
    """
    if lonlat is None:
        return ""
    lon, lat = lonlat
    text = f"geo:{lat:.6f},{lon:.6f}"
    if accuracy_m is None or not math.isfinite(accuracy_m):
        return text
    return f"{text};u={math.ceil(accuracy_m * 10 - 1e-9) / 10:g}"


class _Sheet:
    """The page: head, answer, pictures, columns of text, cautions, boxes."""

    def __init__(self, result: Result) -> None:
        self.result, self.told = result, told(result)
        self.unit = result.site.length_unit
        self.size = A4 if self.unit == "m" else LETTER
        self.room = self.size[0] - 2 * MARGIN
        self.half = (self.room - GAP) / 2

    def boxes(self) -> list[Flowable]:
        """Return what is written in by hand."""
        result, stands = self.result, self.result.stands
        if stands == "closed":
            return []
        if stands == "dig":
            label = f"Stake label:  {self.told.place}, top of pipe {words.depth(result)}, "
            return [
                Text("After the dig", 11, self.room, bold=True, role="H2"),
                Spacer(1, 3),
                self.table(AFTER_THE_DIG, [], 34),
                Spacer(1, 5),
                self.framed(label + words.run(result), 10, line=0.8, dash=(4, 3)),
            ]
        if stands == "check_first":
            check = ahead.check_of(result)
            if check.kind not in ahead.SHEETS:
                return []
            if check.kind == "stop":
                return self.write_in(ahead.write_in(result), STOPS, [[check.places[0]]])
            rows = [[str(k), check.kind, place] for k, place in enumerate(check.places, start=1)]
            if check.kind == "rod":  # it goes on from the loudest until it falls
                rows += [["", check.kind]] * BLANK_ROWS
            return self.write_in(ahead.write_in(result), CHECKED, rows)
        rows = [
            [str(k), each.kind.replace("_", " "), each.place,
             f"{each.leg} {words.station(each.chainage_m, self.unit)}"]
            for k, each in enumerate(result.next_readings, start=1)
        ]  # fmt: skip
        note = "Levels: the lowest steady level; background with the water shut off, or on like"
        return self.write_in(f"{note} ground well away", LEVELS, [*rows, *[[]] * BLANK_ROWS])

    def write(self, path: Path) -> None:
        """Write the page; plan and profile take what the rest leaves."""
        result, height = self.result, self.size[1] - 2 * MARGIN
        above = [*self.top(), *self.badge(), *self.bar(), Spacer(1, 6)]
        below = [*self.cautions(), Spacer(1, 5), *self.boxes()]
        room = height - _tall(above, self.room) - _tall(below, self.room)
        middle = self.middle(room)
        left = Spacer(1, max(0.0, room - _tall(middle, self.room)))
        kind = KINDS[result.stands]
        page = Document(
            path,
            self.size,
            title=words.plain(f"{result.site.title}: {kind} sheet"),
            about=words.plain(f"{self.told.verdict}, {words.run(result)}"),
            date=result.run.date or "",
        )
        y = self.size[1] - MARGIN
        for each in (*above, *middle, left, *below):
            _, tall = each.wrapOn(page, self.room, height)
            y -= tall
            each.drawOn(page, MARGIN, y)
        page.save()

    def top(self) -> list[Flowable]:
        """Return the site, the run and the job, over a rule."""
        job, run = self.result.job, words.run(self.result)
        wide = width_of(run, 10, bold=True) + 2
        title = Text(self.result.site.title, 12, self.room - wide - 14, bold=True, role="H1")
        head = [[title, Text(run, 10, wide, bold=True, right=True)]]
        made: list[Flowable] = [_table(head, [self.room - wide, wide])]
        told = (job.number and f"job {job.number}", job.address)
        line = ", ".join(
            each for each in (*told, job.technician and f"by {job.technician}") if each
        )
        if line:
            made.append(Text(line, SMALL, self.room))
        if missing(self.result.site.title):
            note = (
                "Some letters of the title are not in this sheet's fonts (…); map.html shows all."
            )
            made.append(Text(note, SMALL, self.room))
        return [*made, self.rule(), Spacer(1, 5)]

    def rule(self) -> Flowable:
        return _table([[""]], [self.room], ("LINEABOVE", (0, 0), (-1, 0), 1.5, 0), tall=4)

    def badge(self) -> list[Flowable]:
        """Return verdict, chance and answer, large, with the phone's code beside them."""
        said, leak, dig = self.told, self.result.leak, self.result.stands == "dig"
        at = (leak.lonlat, leak.lonlat_accuracy_m) if dig else ahead.first_lonlat(self.result)
        uri, phone = geo_uri(*at), [text for _, text in said.rows("Phone")]
        room = self.room - (CODE if uri else 0)
        wide = width_of(said.verdict, 22, bold=True) + 16
        size = 22 if width_of(said.place, 22, bold=True) <= room - wide - 10 else BIG
        badge = Text(said.verdict, 22, wide, bold=True, grey=1.0 if dig else 0.0, role="H2")
        frame: list[Any] = [("BOX", (0, 0), (0, 0), 2, 0, None, None if dig else (5, 3))]
        frame += [("BACKGROUND", (0, 0), (0, 0), 0)] if dig else []
        frame += [("LEFTPADDING", (0, 0), (0, 0), 7), ("BOTTOMPADDING", (0, 0), (0, 0), 4)]
        beside = Text(said.place, size, room - wide - 10, bold=True, role="H2")
        lines = [
            row if number > 1 or row.startswith("1: ") else f"{head}: {row}"
            for head, rows in said.first
            if head != "Where"
            for number, row in enumerate(rows, start=1)
        ]
        block: list[Flowable] = [
            _table([[badge, "", beside]], [wide, 10, room - wide - 10], *frame),
            Spacer(1, 2),
            Text(said.sure, 12, room, bold=True),
            Spacer(1, 2),
            *(Text(row, BIG, room, bold=True) for row in lines),
        ]
        if not uri:
            return block
        under = [Text(row, SMALL, CODE, right=True) for row in phone]
        clear = ("RIGHTPADDING", (0, 0), (0, 0), 6)
        return [_table([[block, [Code(uri, CODE), *under]]], [room, CODE], clear)]

    def bar(self) -> list[Flowable]:
        """Return why nobody may dig yet, framed."""
        text = self.told.bar
        return [Spacer(1, 6), self.framed(text, 12, line=2.5, dash=None)] if text else []

    def framed(self, text: str, size: float, *, line: float, dash: tuple[int, int] | None) -> Table:
        """Return a bold line of text in a frame of its own."""
        said = Text(text, size, self.room - 16, bold=True)
        pad = [(f"{side}PADDING", (0, 0), (0, 0), 5) for side in ("LEFT", "RIGHT", "TOP", "BOTTOM")]
        box = ("BOX", (0, 0), (0, 0), line, 0, None, dash)
        return _table([[said]], [self.room], box, *pad)

    def middle(self, room: float) -> list[Flowable]:
        """Return plan and profile over two columns of text, no taller than `room`."""
        leg = self.result.leak.leg
        caption = f"{'dots' if ahead.many(self.result) else 'numbers'}: go here next"
        if self.result.stands == "listen_on" and self.result.next_readings:
            leg = self.result.next_readings[0].leg
        elif self.result.stands in ("dig", "closed"):
            caption = "grey: 95 % of the chance"
        # What is said of the profile stands right under it, apart from the text of the columns.
        aside: list[Flowable] = []
        if beside := not_drawn(self.result, leg):
            aside = [Text(beside, SMALL, self.half), Spacer(1, 4)]
        said_below, most = self.texts(), room - PICTURE[0] - 22
        for whole in (1.5 * SMALL, 0.0):
            left, right = self.halves(said_below, _tall(aside, self.half), whole=whole)
            texts: list[list[Flowable]] = [[*left], [*aside, *right]]
            if max(_tall(each, self.half) for each in texts) <= most:
                break
        tall = room - max(_tall(each, self.half) for each in texts) - 22
        tall = min(PICTURE[1], max(PICTURE[0], tall))
        plan, scale = plan_picture(self.result, self.half, tall, SMALL)
        below = f"Plan, {scale}; grid north is up; {caption}"
        pictures = [Figure(plan, f"{below}. What it shows stands in words below.")]
        said = f"Level and chance along {leg}"
        if leg in [each.leg for each in self.result.profile if each.chainage_m]:
            drawn = profile_picture(self.result, leg, width=self.half, height=tall, size=SMALL)
            pictures.append(Figure(drawn, describe(self.result, leg)))
        captions = (Text(each, SMALL, self.half) for each in (below, said))
        shown = (self.fitting(each, room - tall - 22) for each in texts)
        pairs = ((pictures[0], pictures[1:]), captions, shown)
        over, under, text = (self.beside(*each) for each in pairs)
        return [over, Spacer(1, 2), under, Spacer(1, 3), text]

    def texts(self) -> list[Text]:
        """Return the parts that stand under plan and profile."""
        said, dig = self.told, self.result.stands == "dig"
        first = [each for each in said.first if each.head == "Where"] + (
            self.against() if dig else []
        )
        every = [*first, *said.facts, *said.rest]
        check = self.result.decision.check
        # Each stands in the table to write in, where there is one of every place.
        if check and ahead.many(self.result) and check.kind in set(ahead.SHEETS) - {"stop"}:
            row = f"the {len(check.places)} of the table below, in its order"
            every = [Part(e.head, (row,)) if e.head == "Places" else e for e in every]
        return [
            Text(row, SMALL, self.half, head="" if k else head, role="P" if k else "H3")
            for head, rows in every
            if head not in ELSEWHERE and not (dig and head == "Why")
            for k, row in enumerate(rows)
        ]

    def against(self) -> list[Part]:
        """Return what speaks against the place."""
        why = chain.from_iterable(part.rows for part in self.told.rest if part.head == "Why")
        rows = [row.removeprefix(AGAINST) for row in why if row.startswith(AGAINST)]
        more = len(rows) - MOST_AGAINST
        rest = [f"and {more} more in map.html"] if more > 0 else []
        return [Part("Against", (*rows[:MOST_AGAINST], *rest))] if rows else []

    def fitting(self, texts: list[Flowable], room: float) -> list[Flowable]:
        """Return as many of the texts as fit, and say so where some do not."""
        more = Text("… more in result.json", SMALL, self.half)
        if _tall(texts, self.half) <= room + 0.1:
            return texts
        tall = accumulate(each.wrap(self.half, 1e4)[1] for each in texts)
        return [*(t for t, at in zip(texts, tall, strict=True) if at <= room - 1.2 * SMALL), more]

    def cautions(self) -> list[Flowable]:
        """Return every caution in two columns of like height."""
        within = ("L", "cautions")
        made = [
            Text(each, SMALL, self.half, bullet=True, role="LBody", within=(within, ("LI", str(k))))
            for k, each in enumerate(self.told.cautions.rows)
        ]
        head = Text(self.told.cautions.head, 11, self.room, bold=True, role="H2")
        left, right = self.halves(made)
        return [self.rule(), head, Spacer(1, 2), self.beside(left, right)]

    def beside(self, left: Any, right: Any) -> Table:
        """Return two columns."""
        return _table([[left, "", right]], [self.half, GAP, self.half])

    def halves(
        self, texts: list[Text], aside: float = 0.0, *, whole: float = 0.0
    ) -> tuple[list[Text], list[Text]]:
        """Return texts in two columns of like height, a section whole where that costs little.

        The second column has `aside` points of its own above it; to break no section `whole` points
        more are taken.
        """
        tall = [0.0, *accumulate(each.wrap(self.half, 1e4)[1] for each in texts)]

        def cost(k: int) -> float:
            broken = 0 < k < len(texts) and texts[k].role == "P"
            return max(tall[k], tall[-1] - tall[k] + aside) + (whole if broken else 0.0)

        split = min(range(len(texts) + 1), key=cost)
        return texts[:split], texts[split:]

    def table(self, columns: Columns, rows: Sequence[Sequence[str]], tall: float) -> Table:
        """Return a table to write in, its rows so tall; without rows, beneath the heads."""
        whole = sum(share for _, share in columns)
        shares = [self.room * share / whole for _, share in columns]
        cells = [
            [
                Text(
                    text,
                    SMALL,
                    wide - 6,
                    bold=bool(number and not column),
                    role="TD" if number else "TH",
                    within=(("Table", ""), ("TR", str(number))),
                )
                for column, (text, wide) in enumerate(zip(row, shares, strict=True))
            ]
            for number, row in enumerate([[text for text, _ in columns], *rows])
        ]
        return _table(
            cells,
            shares,
            ("GRID", (0, min(1, len(rows))), (-1, -1), 0.8, 0),
            ("LEFTPADDING", (0, 0), (-1, -1), 4),
            ("VALIGN", (0, 1), (-1, -1), "MIDDLE"),
            tall=[1.5 * SMALL, *(tall for _ in rows)] if rows else tall,
        )

    def write_in(
        self, note: str, columns: Columns, rows: Sequence[Sequence[str]]
    ) -> list[Flowable]:
        """Return a table to write levels in, its rows begun."""
        cells = [[*row, *[""] * (len(columns) - len(row))] for row in rows]
        head = Text("Write in", 11, 56, bold=True, role="H2")
        return [
            _table([[head, Text(note, SMALL, self.room - 56)]], [56, self.room - 56]),
            self.table(columns, cells, 21 if len(rows) <= MOST_TALL else 14),
        ]


def _tall(flowables: Sequence[Flowable], room: float) -> float:
    return sum(each.wrap(room, 1e4)[1] for each in flowables)


def _table(cells: list[list[Any]], shares: list[float], *style: Any, tall: Any = None) -> Table:
    """Return a table without padding, its cells' text at the top."""
    sides = ("LEFT", "RIGHT", "TOP", "BOTTOM")
    bare: list[Any] = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in sides]
    bare.append(("FONTNAME", (0, 0), (-1, -1), font()))
    heights = tall if tall is None or isinstance(tall, list) else [tall]
    return Table(
        cells, shares, heights, [*bare, ("VALIGN", (0, 0), (-1, -1), "TOP"), *style], hAlign="LEFT"
    )
