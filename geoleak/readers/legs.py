"""``[[leg]]`` tables to legs: which points are marks, in which order, joined to what."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from typing import Any

from msgspec import Struct

from geoleak import tables
from geoleak.errors import Origin, Refused, did_you_mean, listed
from geoleak.readers.collector import Collector
from geoleak.readers.drawings import LIKE_COORDINATES
from geoleak.readers.toml import SiteToml
from geoleak.record import field
from geoleak.site import EXTRA, Codes, Leg, PointTable, StatedLeg
from geoleak.units import INCH_M

_RANGE = re.compile(
    r"(?P<head>\D*?)(?P<low>\d{1,18})\s*-\s*(?P<head2>\D*?)(?P<high>\d{1,18})", re.ASCII
)
MOST_MARKS = 3_000
"""Of one leg: each knows of every other, 72 MB where there are so many."""
_BEGINS = ("B", "BEG", "BEGIN", "ST", "START")


def number_order(identifier: str) -> tuple[tuple[int, int, str], ...]:
    """Return the key that sorts ids by number: 9 before 10, A2 before A10, 101 before 101A."""
    parts = re.findall(r"0*([0-9]+)|([^0-9]+)", identifier)  # as numbers, of any length
    return tuple((0, len(digits), digits) if digits else (1, 0, word) for digits, word in parts)


class LegReader(Struct, eq=False):
    """Makes the legs of one site; it stands at one ``[[leg]]`` after the other.

    ``drawn`` are the lines of the network file as legs, where that can be read: those that no
    ``[[leg]]`` names are legs as they are.
    """

    toml: SiteToml
    points: PointTable
    collector: Collector
    drawn: Sequence[Leg] | None = None
    number: int = 0
    codes: Sequence[str] = ()
    every_name: Sequence[str] = ()
    _called: dict[str, Leg] = field(default_factory=dict)
    _taken: dict[str, str] = field(default_factory=dict)
    """Which leg has named a line, by the line's name."""

    def read(self) -> tuple[Leg, ...]:
        """Return the legs; what is wrong goes to the collector."""
        self.codes, stated = self.points.code_names(), self.toml.settings.legs
        self._called = {leg.drawn[0].feature: leg for leg in self.drawn or ()}
        self._called |= {leg.name: leg for leg in self.drawn or ()}
        names = [each.name for each in stated]
        lines = []
        for self.number, table in enumerate(stated):
            name, first = table.name, names.index(table.name)
            if first < self.number:
                self._complain("name", f'leg {first + 1} is called "{name}" too', "rename one")
            elif "@" in name:
                self._complain("name", f'"{name}" holds an @', "leave the @ out")
            elif name.startswith(LIKE_COORDINATES):
                self._complain("name", f'"{name}" reads like a coordinate', "rename it")
            lines.append(self._drawn_of(table))
        as_drawn = [leg for leg in self.drawn or () if leg.name not in self._taken]
        self.every_name = [*names, *(leg.name for leg in as_drawn)]
        legs: list[Leg] = []
        for self.number, table in enumerate(stated):
            legs.append(self._leg(table, lines[self.number]))
        legs += as_drawn
        if not legs and self.toml.settings.network is None:
            remedy = 'add [[leg]] with name = "yard" and code = "..." for each run of pipe'
            where = self.toml.origin("leg", key=True)
            self.collector.complain(where, "there is no [[leg]]", remedy)
        self._check_circles(legs)
        return tuple(legs)

    def _where(self, *path: str | int, key: bool = False) -> Origin:
        return self.toml.origin("leg", self.number, *path, key=key)

    def _complain(self, key: str, what: str, remedy: str, *, at: int | None = None) -> None:
        where = self._where(key) if at is None else self._where(key, at)
        self.collector.complain(where, f"leg[{self.number + 1}].{key}: {what}", remedy)

    def _drawn_of(self, table: StatedLeg) -> list[Leg]:
        """Return the drawn lines that a leg names, complaining of those that are not there."""
        if table.line is not None and self.toml.settings.network is None:
            self._complain("line", "there is no [network]", "add [network] with its file")
        found: list[Leg] = []
        for text in (table.line or ()) if self.drawn is not None else ():
            leg = self._called.get(text)
            if leg is None:
                near = did_you_mean(text, [each.name for each in self.drawn or ()])
                remedy = near or "name a line by its name or its feature id"
                self._complain("line", f'there is no line "{text}"', remedy)
            elif leg in found:
                self._complain("line", f'"{text}" is named twice', "name it once")
            else:
                found.append(leg)
                other = self._taken.setdefault(leg.name, table.name)
                if other != table.name:
                    what = f'leg "{other}" names line "{text}" too'
                    self._complain("line", what, "give all marks of a line to one leg")
        return found

    def _leg(self, table: StatedLeg, drawn: Sequence[Leg]) -> Leg:
        start, end = self._point("start", table.start), self._point("end", table.end)
        if start is not None and start == end:
            self._complain("end", f'"{end}" is the start too', "name the other end")
        marks = self._marks(table)
        if table.order == "number":
            marks = sorted(marks, key=number_order)
        joins, joins_at = self._joins(table)
        self._enough(table, marks, start, end, joins_at)
        bore = table.outside_diameter_m
        if table.wall_m and bore and table.wall_m >= bore / 2:
            self._complain("wall", "it is half of outside_diameter or more", "check both and units")
        found = {**dict(table), "start": start, "end": end, "joins": joins, "joins_at": joins_at}
        if table.material is not None or table.size_m is not None:
            found |= self._pipe(table)
        if drawn and not marks:
            found["marks_by"] = "records"
        boundary = self._point("boundary", table.boundary)
        about = {"mark_ids": tuple(marks), "boundary": boundary, "origin": self._where(key=True)}
        return Leg.model_construct(**found | about).with_lines(drawn)

    def _point(self, key: str, identifier: str | None) -> str | None:
        if identifier is None or identifier in self.points:
            return identifier
        found = self.points.ids_with_code(identifier) if identifier in self.codes else []
        if len(found) == 1:
            return found[0]  # a code that one point alone has names it as well
        if found:
            remedy = f"points {', '.join(found[:5])} have that code; name one of them"
        else:
            remedy = did_you_mean(identifier, self.points.ids)
        self._complain(key, f'there is no point "{identifier}"', remedy or "shoot it first")
        return None

    def _marks(self, table: StatedLeg) -> list[str]:
        if table.code is not None and table.points is not None:
            self._complain("points", "code is stated too", "keep one of the two")
            return []
        chosen = [each for text in table.points or () for each in self._range(text)]
        for at, pattern in enumerate(table.code or ()):
            matching = [code for code in self.codes if Codes.matches(code, (pattern,))]
            if not matching:
                self._no_code(at, pattern, table)
            chosen += [each for code in matching for each in self.points.ids_with_code(code)]
        wanted = [each for each in dict.fromkeys(chosen) if each not in (table.start, table.end)]
        begins = [m for m in wanted if Codes.line_work(self.points[m].code)[1] in _BEGINS]
        if len(begins) > 1:  # one leg would join what are two
            text = (
                f'the codes of leg "{table.name}" begin a line at {listed(begins)}: if those are '
                "separate pipes, give each a [[leg]] of its own"
            )
            self.collector.note("line_begins_twice", text, self._where("name"))
        return sorted(wanted, key=self.points.place_of)

    def _no_code(self, at: int, pattern: str, table: StatedLeg) -> None:
        remedy, frame = did_you_mean(pattern, self.codes), self.points.frame
        extra = [name for name in frame.columns if name.startswith(EXTRA) and not self.codes]
        for name in extra:
            if any(Codes.matches(str(code), (pattern,)) for code in frame[name].unique()):
                word = name.removeprefix(EXTRA)
                stated = f'columns = {{code = "{word}"}} in [points]'
                remedy = remedy or f'state {stated}, or new --columns code="{word}"'
        if not remedy and self.codes:
            remedy = f"the codes are {listed(self.codes)}"
        remedy = remedy or 'state points = "101-148"'
        place = at if len(table.code or ()) > 1 else None
        self._complain("code", f'no point has code "{pattern}"', remedy, at=place)

    def _range(self, text: str) -> list[str]:
        if text in self.points:
            return [text]
        match, hits = _RANGE.fullmatch(text), list[str]()
        low, high = (int(match["low"]), int(match["high"])) if match else (0, 0)
        if match is None:
            what = f'there is no point "{text}"'
            remedy = did_you_mean(text, self.points.ids) or 'write "101-148"'
        elif match["head2"] not in ("", match["head"]) or low > high:
            what, remedy = f'"{text}" does not rise', 'write the lower first: "101-148"'
        else:
            what, remedy = f'no point lies in "{text}"', "check the numbers of the marks"
            hits = self.points.ids_between(match["head"], low, high)
        if not hits:
            self._complain("points", what, remedy)
        return hits

    def _joins(self, table: StatedLeg) -> tuple[str | None, str | None]:
        """Return the leg that ``from`` names and the point of the join, where one is named."""
        text = table.joins
        if text is None:
            return None, None
        heads = [each for each in self.every_name if f"{text} ".startswith(f"{each} ")]
        leg = max(heads, key=len, default="")
        if leg and leg != table.name:
            point = text[len(leg) :].strip().removeprefix("at ").strip()
            return leg, self._point("from", point or None)
        what, remedy = f'"{leg}" would join itself', "name another leg"
        if not leg:
            what = f'there is no leg "{text}"'
            remedy = did_you_mean(text, [each for each in self.every_name if each != table.name])
            remedy = remedy or f"the legs are {listed(self.every_name)}"
        self._complain("from", what, remedy)
        return None, None

    def _enough(self, table: StatedLeg, marks: Sequence[str], *ends: str | None) -> None:
        """Complain where a leg has fewer than two different places to run through."""
        if self.collector.complaints_in(self.toml.label):
            return
        if len(marks) > MOST_MARKS:
            what = f'leg "{table.name}" has {len(marks)} marks, more than {MOST_MARKS}'
            self._complain("name", what, "part it into legs that join one another")
            return
        if table.line is not None and not marks:
            return
        named = [*marks, *filter(None, ends)]
        # A point that only tapes know has no place yet; each is one of its own.
        where = {each if math.isnan(p.easting) else (p.easting, p.northing)
                 for each in named[:50] for p in (self.points[each],)}  # fmt: skip
        if len(where) >= 2 or (len(where) == 1 and table.joins and table.joins not in named):
            return
        what = f'leg "{table.name}" runs through {len(where) or "no"} point{"s"[: len(where) != 1]}'
        if len(where) == 1 and len(named) > 1:
            what = f'all {len(named)} points of leg "{table.name}" lie on one spot'
        key = next((key for key in ("code", "points") if getattr(table, key) is not None), "name")
        remedy = "a leg needs two marks, or a mark with start or end, that lie apart"
        self._complain(key, what, remedy)

    def _pipe(self, table: StatedLeg) -> dict[str, Any]:
        """Return the material, and the diameter and wall of a nominal size of its standard."""
        words, standard = tables.standard_in(table.material or "")
        found: dict[str, Any] = {"material": None}
        key, pipe, text = "material", None, f'leg "{table.name}": '
        try:
            if words:
                found["material"] = tables.material(words).name
            key = "size"
            if table.size_m is not None and not standard:
                remedy = 'name it in material, as in "pvc sch 40" or "copper type L", or state'
                what = "a nominal size has a diameter only by a standard"
                raise Refused(what, f"{remedy} outside_diameter")
            if table.size_m is not None:
                pipe = tables.pipe_size(standard, table.size_m / INCH_M)
        except Refused as error:
            self._complain(key, error.what, error.remedy)
            return found
        if pipe is not None:
            outside, wall = pipe.outside_mm / 1000, pipe.wall_mm / 1000
            found["outside_diameter_m"] = table.outside_diameter_m or outside
            found["wall_m"] = table.wall_m or wall
            text += (
                f"{pipe.nominal_in:g} in {table.material} is {outside / INCH_M:.3f} in "
                f"({pipe.outside_mm:g} mm) outside, its wall {wall / INCH_M:.3f} in "
                f"({pipe.wall_mm:g} mm)"
            )
            self.collector.note("size_taken", text, self._where("size"))
        elif standard and table.outside_diameter_m is None:
            text += f'{standard} is not used without its size = "3/4 in"'
            self.collector.note("not_used", text, self._where("material"))
        return found

    def _check_circles(self, legs: Sequence[Leg]) -> None:
        upstream = {leg.name: leg.joins for leg in legs}
        for self.number, leg in enumerate(legs):
            path, at = [leg.name], leg.joins
            while at is not None and at not in path:
                path.append(at)
                at = upstream.get(at)
            if at == leg.name and leg.name == min(path):
                circle = " from ".join(f'"{each}"' for each in [*path, leg.name])
                self._complain("from", f"{circle} is a circle", "let one leg stand alone")
