"""dig_sheet.pdf: one page for the crew. Letter where the site is in feet, else A4.

Readable in black and white, in sun, at arm's length: hole, depth and stake at 18 points or more,
nothing under 9. Fonts travel inside the file. Each verdict has a page of its own (`PAGES`): to
listen on, a sheet with where to listen next, boxes for the levels, and nothing to dig by.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import accumulate
from pathlib import Path
from typing import Any

from reportlab.platypus import Flowable, Spacer, Table

from geoleak.export import checks, spoken, words
from geoleak.export.level_scales import not_drawn
from geoleak.export.pdf import Code, Document, Figure, Text
from geoleak.export.plan import plan_picture
from geoleak.export.profile import describe, profile_picture
from geoleak.export.scripts import font, missing, width_of
from geoleak.result import Result

LETTER, A4 = (612.0, 792.0), (595.2756, 841.8898)
MARGIN, GAP, CODE = 30.0, 12.0, 100.0
SMALL, BIG = 9.0, 18.0
PICTURE = (114.0, 310.0)
"""Least and greatest height of plan and profile; they take what text leaves."""
MOST_BIG, BLANK_ROWS = 4, 2
Rows = list[tuple[str, bool]]
"""Lines of text; true for a bold one."""
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
MOST_TALL = 8
"""With more rows than this a table's rows are narrow."""


def write_dig_sheet(result: Result, path: str | Path) -> Path:
    """Write the page that the verdict calls for and return its path."""
    path = Path(path)
    PAGES[result.decision.verdict](result).write(path)
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


def _upper(rows: Sequence[str]) -> list[str]:
    return [each[:1].upper() + each[1:] for each in rows]


def _section(head: str, rows: Sequence[str]) -> Rows:
    """Return rows under a head; nothing where there are none."""
    told = [(each, False) for each in rows if each]
    return [(head, True), *told] if told else []


class _Sheet:
    """What every page shares: head, answer, pictures, columns of text, cautions, boxes."""

    kind = "dig"
    head = "Before digging"
    """Over the cautions."""

    def __init__(self, result: Result) -> None:
        self.result = result
        self.unit = result.site.length_unit
        self.size = A4 if self.unit == "m" else LETTER
        self.room = self.size[0] - 2 * MARGIN
        self.half = (self.room - GAP) / 2

    # What a page says; each verdict has its own.

    def title(self) -> str:
        """Return what stands beside the verdict."""
        raise NotImplementedError

    def chance(self) -> str:
        """Return the line under the verdict."""
        raise NotImplementedError

    def answer(self) -> list[str]:
        """Return the lines to read at arm's length."""
        raise NotImplementedError

    def phone(self) -> tuple[str, list[str]]:
        """Return the geo URI of the place to go to, and what stands under its code."""
        found = spoken.first_place(self.result)
        return (geo_uri(*found), ["to place 1", *spoken.phone(self.result)]) if found else ("", [])

    def pictured(self) -> tuple[str, str]:
        """Return the leg whose profile is drawn, and the end of the plan's caption."""
        return self.result.leak.leg, "grey: 95 % of the chance"

    def rows(self) -> Rows:
        """Return the text under plan and profile, in sections."""
        raise NotImplementedError

    def boxes(self) -> list[Flowable]:
        """Return what is written in by hand."""
        raise NotImplementedError

    # How it is laid out.

    def write(self, path: Path) -> None:
        """Write the page; plan and profile take what the rest leaves."""
        result, height = self.result, self.size[1] - 2 * MARGIN
        above = [*self.top(), *self.badge(), *self.not_before(), Spacer(1, 6)]
        below = [*self.cautions(), Spacer(1, 5), *self.boxes()]
        room = height - _tall(above, self.room) - _tall(below, self.room)
        middle = self.middle(room)
        left = Spacer(1, max(0.0, room - _tall(middle, self.room)))
        page = Document(
            path,
            self.size,
            title=words.plain(f"{result.site.title}: {self.kind} sheet"),
            about=words.plain(f"{words.verdict(result)}, {words.run(result)}"),
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
        uri, told = self.phone()
        room = self.room - (CODE if uri else 0)
        dig = self.result.decision.verdict == "dig"
        verdict, title = words.verdict(self.result), self.title()
        wide = width_of(verdict, 22, bold=True) + 16
        size = 22 if width_of(title, 22, bold=True) <= room - wide - 10 else BIG
        badge = Text(verdict, 22, wide, bold=True, grey=1.0 if dig else 0.0, role="H2")
        frame: list[Any] = [("BOX", (0, 0), (0, 0), 2, 0, None, None if dig else (5, 3))]
        frame += [("BACKGROUND", (0, 0), (0, 0), 0)] if dig else []
        frame += [("LEFTPADDING", (0, 0), (0, 0), 7), ("BOTTOMPADDING", (0, 0), (0, 0), 4)]
        beside = Text(title, size, room - wide - 10, bold=True, role="H2")
        block: list[Flowable] = [
            _table([[badge, "", beside]], [wide, 10, room - wide - 10], *frame),
            Spacer(1, 2),
            Text(self.chance(), 12, room, bold=True),
            Spacer(1, 2),
            *(Text(row, BIG, room, bold=True) for row in self.answer()),
        ]
        if not uri:
            return block
        under = [Text(row, SMALL, CODE, right=True) for row in told]
        clear = ("RIGHTPADDING", (0, 0), (0, 0), 6)
        return [_table([[block, [Code(uri, CODE), *under]]], [room, CODE], clear)]

    def not_before(self) -> list[Flowable]:
        """Return why nobody may dig yet, framed."""
        return []

    def framed(self, text: str, size: float, *, line: float, dash: tuple[int, int] | None) -> Table:
        """Return a bold line of text in a frame of its own."""
        said = Text(text, size, self.room - 16, bold=True)
        pad = [(f"{side}PADDING", (0, 0), (0, 0), 5) for side in ("LEFT", "TOP", "BOTTOM")]
        box = ("BOX", (0, 0), (0, 0), line, 0, None, dash)
        return _table([[said]], [self.room], box, *pad)

    def middle(self, room: float) -> list[Flowable]:
        """Return plan and profile over two columns of text, no taller than `room`."""
        leg, caption = self.pictured()
        # What is said of the profile stands right under it, apart from the text of the columns.
        aside: list[Flowable] = []
        if beside := not_drawn(self.result, leg):
            aside = [Text(beside, SMALL, self.half), Spacer(1, 4)]
        said_below, most = self.texts(self.rows()), room - PICTURE[0] - 22
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
        shares = [self.half, GAP, self.half]
        captions = [Text(each, SMALL, self.half) for each in (below, said)]
        shown = [self.fitting(each, room - tall - 22) for each in texts]
        return [
            _table([[pictures[0], "", pictures[1:]]], shares),
            Spacer(1, 2),
            _table([[captions[0], "", captions[1]]], shares),
            Spacer(1, 3),
            _table([[shown[0], "", shown[1]]], shares),
        ]

    def texts(self, rows: Rows) -> list[Text]:
        return [
            Text(row, SMALL, self.half, bold=bold, role="H3" if bold else "P") for row, bold in rows
        ]

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
            Text(
                words.told(each), SMALL, self.half, bullet=True, role="LBody",
                within=(within, ("LI", str(k))),
            )
            for k, each in enumerate(self.result.cautions)
        ]  # fmt: skip
        head = Text(self.head, 11, self.room, bold=True, role="H2")
        left, right = self.halves(made)
        shares = [self.half, GAP, self.half]
        return [self.rule(), head, Spacer(1, 2), _table([[left, "", right]], shares)]

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

        heads = {k + 1 for k, each in enumerate(texts) if each.role == "H3"}
        split = min((k for k in range(len(texts) + 1) if k not in heads), key=cost)
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

    def pipe(self) -> str:
        """Return material, diameter and trace of the leak's leg."""
        leg = next((e for e in self.result.legs if e.name == self.result.leak.leg), None)
        if leg is None:
            return "not stated"
        size = "diameter not stated"
        if leg.outside_diameter_m:
            size = f"{words.diameter(leg.outside_diameter_m, self.unit)} outside"
        traced = {"signal": "traced by signal", "sonde": "traced by sonde", "probe": "probed"}
        how = traced.get(leg.marks_by, "route assumed")
        return f"{(leg.material or 'material not stated').replace('_', ' ')}, {size}; {how}"

    def grid(self) -> str:
        """Return the grid's combined factor and convergence, and the rover's corrections."""
        site = self.result.site
        factor, turned = site.combined_factor, site.convergence_deg
        text = f"Combined factor {factor:.7f}, convergence {turned:+.4f}°"
        if site.local:
            text = "Grid is ground: no factor, no convergence"
        return text + (f"; rover corrected by {site.corrections}" if site.corrections else "")

    def assumed(self) -> list[str]:
        """Return the warning that the leak's leg is assumed, where it is."""
        return ["ROUTE ASSUMED, not traced"] if words.assumed(self.result) else []

    def likely(self) -> str:
        """Return where the leak likely is."""
        return f"95 % of the chance lies within {words.likely(self.result)}"

    def rover(self, kind: str) -> list[str]:
        """Return the points of the places to go to, and what the rover does first."""
        names = words.points(self.result, kind)
        told = (names and f"points {names} of stakes.csv", spoken.first_check(self.result))
        return [each for each in told if each]

    def ground(self) -> Rows:
        site = "" if self.result.leak.lonlat else "Site grid: no longitude and latitude"
        dug = _section("Dug so far", _upper(spoken.dug(self.result)))
        return dug + _section("Pipe and grid", [self.pipe(), self.grid(), site])


class _DigSheet(_Sheet):
    """The page for who digs."""

    def title(self) -> str:
        leak = self.result.leak
        return f"{leak.leg} {words.station(leak.chainage_m, self.unit)}"

    def chance(self) -> str:
        decision = self.result.decision
        size = f"{words.length(decision.hole.length_m, self.unit)} long"
        size += f", {words.length(decision.hole.width_m, self.unit)} wide"
        inside = words.chance(decision.chance_in_hole)
        return f"{inside} chance in the hole ({size}); {words.elsewhere(self.result)}"

    def answer(self) -> list[str]:
        result = self.result
        hole, room = f"Hole {words.hole_reach(result)}", self.room - CODE
        if width_of(hole, BIG, bold=True) > room and hole[10].isdigit():
            hole = hole.replace("Hole from ", "Hole ", 1)
        depth = f"Top of pipe {self.crown()} down"
        if result.leak.depth_m is None:
            depth = "Depth NOT KNOWN: find the pipe by hand"
        return [hole, depth, f"Stake {words.position(result)}", *self.assumed()]

    def crown(self) -> str:
        """Return the depth to the crown with its sigma."""
        leak = self.result.leak
        text = words.length(leak.depth_m, self.unit)
        if leak.depth_m is None or leak.depth_sigma_m is None:
            return text
        return f"{text} ± {words.spread(leak.depth_sigma_m, self.unit)}"

    def phone(self) -> tuple[str, list[str]]:
        leak = self.result.leak
        told = [words.lonlat(self.result), words.lonlat_accuracy(self.result)]
        return geo_uri(leak.lonlat, leak.lonlat_accuracy_m), told

    def not_before(self) -> list[Flowable]:
        text = words.not_before(self.result)
        return [Spacer(1, 6), self.framed(text, 12, line=2.5, dash=None)] if text else []

    def rows(self) -> Rows:
        """Services first, because a crew dies of them; then stake, ties, next, pipe and hole."""
        result = self.result
        told = words.services(result) or ["none are stated: that is no proof of none"]
        tied = spoken.ties(result) or ["no usable fixed feature: set out by the rover alone"]
        grid = f"{words.grid_name(result)}; sets out within {words.ellipse(result)}"
        paint = words.near_marks(result)
        holes = spoken.next_numbered(result) if spoken.advised(result) else []
        holes += spoken.next_holes(result)
        return [
            *_section("Other services", told),
            *_section("Stake", [paint, grid, *_upper(self.rover("")), *spoken.side(result)]),
            *_section("Ties, taped level to the stake", tied),
            *_section("Next", _upper(holes[:3])),
            *self.ground(),
            *_section(
                "The hole",
                [
                    checks.assumes(result),
                    *(words.told(each) for each in result.decision.hole.notes),
                ],
            ),
        ]

    def boxes(self) -> list[Flowable]:
        title, run = self.title(), words.run(self.result)
        label = f"Stake label:  {title}, top of pipe {self.crown()} down, {run}"
        return [
            Text("After the dig", 11, self.room, bold=True, role="H2"),
            Spacer(1, 3),
            self.table(AFTER_THE_DIG, [], 34),
            Spacer(1, 5),
            self.framed(label, 10, line=0.8, dash=(4, 3)),
        ]


class _ListeningSheet(_Sheet):
    """The page for who goes on listening: no stake, no hole."""

    kind, head = "listening", "While listening"

    def title(self) -> str:
        return "do not dig yet"

    def chance(self) -> str:
        if not self.result.next_readings:
            return "No reading left would tell more: see why"
        said = spoken.next_expected(self.result.next_readings[0], self.unit)
        return f"Listen next, the most telling first: after 1 {said}"

    def answer(self) -> list[str]:
        places = [
            f"{k}: {each.kind.replace('_', ' ')} {spoken.next_place(each, self.result)}"
            for k, each in enumerate(self.result.next_readings[:MOST_BIG], start=1)
        ]
        return [*places, *self.assumed()]

    def pictured(self) -> tuple[str, str]:
        if self.result.next_readings:
            return self.result.next_readings[0].leg, "numbers: listen next"
        return super().pictured()

    def rows(self) -> Rows:
        """Tell why and the best place so far; then what each reading brings, and the rover."""
        result = self.result
        so_far = [spoken.best_so_far(result), self.likely(), *spoken.side(result)]
        ahead = [*spoken.next_numbered(result), *self.rover("next_reading")]
        return [
            *_section("Why", spoken.why(result)),
            *_section("So far", _upper(so_far)),
            *_section("Next", _upper(ahead)),
            *self.ground(),
        ]

    def boxes(self) -> list[Flowable]:
        rows = [
            [
                str(k),
                each.kind.replace("_", " "),
                each.place,
                spoken.next_station(each, self.result),
            ]
            for k, each in enumerate(self.result.next_readings, start=1)
        ]
        note = "Levels: the lowest steady level; background with the water shut off, or on like"
        return self.write_in(f"{note} ground well away", LEVELS, [*rows, *[[]] * BLANK_ROWS])


class _CheckSheet(_Sheet):
    """The page for who checks what it is that sounds: no stake, no hole."""

    kind, head = "check", "While checking"

    def title(self) -> str:
        return "do not dig yet"

    def chance(self) -> str:
        return checks.answer(self.result)

    def answer(self) -> list[str]:
        said = checks.task(self.result)
        return [*_upper([said]), *self.assumed()]

    def pictured(self) -> tuple[str, str]:
        return self.result.leak.leg, "numbers: check here"

    def rows(self) -> Rows:
        """Tell what the outcome means, what else it may be, why, and the rover."""
        result = self.result
        never = [f"Never told apart: {checks.NEVER}"] if checks.of(result).kind == "stop" else []
        return [
            *_section("Then", _upper([checks.meaning(result), checks.passed(result), *never])),
            *_section("Or else", _upper(checks.rivals(result))),
            *_section("Why", spoken.why(result)),
            *_section("So far", [self.likely()]),
            *_section("Next", _upper(self.rover("check_place"))),
            *self.ground(),
        ]

    def boxes(self) -> list[Flowable]:
        check, columns = checks.of(self.result), CHECKED
        rows = [[str(k), check.kind, place] for k, place in enumerate(check.places, start=1)]
        if check.kind == "stop":
            rows, columns = [[check.places[0]]], STOPS
        return self.write_in(checks.sheet(self.result), columns, rows)


PAGES: dict[str, type[_Sheet]] = {
    "dig": _DigSheet,
    "check_first": _CheckSheet,
    "listen_on": _ListeningSheet,
}
"""Verdict -> the page for it."""


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
