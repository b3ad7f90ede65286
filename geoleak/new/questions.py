"""What a new site folder has to be told, asked of a person or taken from options."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Iterable, Sequence
from pathlib import Path
from typing import Any

import msgspec
import numpy as np

from geoleak import tables
from geoleak.crs import MOST_OFFERED, crs_candidates, crs_info, place_text
from geoleak.errors import Complaint, InputError, Origin, Refused, did_you_mean
from geoleak.new.guess import PointFileGuess, decide_layout, first_cells, understand
from geoleak.new.write import NewSite, csv_text, legs_of
from geoleak.readers import DIAMETER, PIPE_DEPTH, Usual, doubt, is_bare
from geoleak.record import picked, replace
from geoleak.site import Site
from geoleak.units import format_length, parse_length, unit_m

UNITS = ("m", "ft", "ftUS")
LAYOUTS = ("pnezd", "penzd")
_UNIT_WORDS = {"feet": "ft", "foot": "ft", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
               "survey feet": "ftUS", "us survey feet": "ftUS", "us feet": "ftUS"}  # fmt: skip
_ASKED_COLUMNS = ("id", "northing", "easting", "latitude", "longitude", "elevation", "code")
_ASKED = ("columns", "crs", "unit", "marks", "numbers", "fittings", "features", "depth", "material",
          "size", "outside_diameter", "branches", "ends_here", "everything_off")  # fmt: skip
BACK = "<"

SPACING_PER_HOLE = 1.25
"""Marks farther apart than this many holes are said to be too far: common practice, no source."""


class _Back(Exception):
    """The person wants the question before this one again."""


class Person:
    """Who answers at the terminal.

    Parameters
    ----------
    ask : callable
        Takes a question and the answer that an empty line stands for.
    say : callable
        Takes lines to print.
    """

    def __init__(
        self, ask: Callable[[str, str], str], say: Callable[[Sequence[str]], None]
    ) -> None:
        self._ask, self._say = ask, say
        self._given: list[str] | None = None
        self._at = 0

    def through(self, questions: Callable[[], NewSite]) -> NewSite:
        """Return what questions come to; `BACK` has them asked anew up to the last one answered."""
        self._given = []
        while True:
            self._at = 0
            try:
                return questions()
            except _Back:
                del self._given[-1:]

    def ask(self, question: str, default: str = "") -> str:
        """Return the answer to a question, which may have been given before going back."""
        if self._given is None:
            return self._ask(question, default).strip()
        if self._at == len(self._given):
            said = self._ask(question, default).strip()
            if said == BACK:
                raise _Back
            self._given.append(said)
        self._at += 1
        return self._given[self._at - 1]

    def say(self, *lines: str) -> None:
        """Tell what was not told before going back."""
        if self._given is None or self._at == len(self._given):
            self._say(lines)

    def checked(
        self, question: str, judge: Callable[[str], object], *, needed: bool = False
    ) -> str:
        """Ask until the answer is blank or passes a check; a mistake is said and costs nothing."""
        while True:
            answer = self.ask(question)
            try:
                if answer:
                    judge(answer)
                elif needed:
                    raise Refused("this one is needed")
                return answer
            except Refused as error:
                self.say(f"  {error}")
                if self._given:  # no answer to go back to
                    self._at -= 1
                    self._given.pop()


def keep(known: NewSite, path: Path) -> None:
    """Write the answers given, for `resumed`."""
    path.write_bytes(msgspec.json.format(msgspec.json.encode(known), indent=1))


def resumed(known: NewSite, path: Path) -> NewSite:
    """Return what is known with the answers of a kept file where it is blank.

    Raises
    ------
    InputError
        If the file is missing or holds no answers.
    """
    try:
        kept = msgspec.json.decode(path.read_bytes(), type=NewSite)
    except (OSError, msgspec.MsgspecError):
        what, remedy = "there are no answers kept here", "start without --resume"
        raise InputError.at(path.as_posix(), what, remedy) from None
    blank = {k: v for k, v in msgspec.structs.asdict(kept).items() if not getattr(known, k)}
    return replace(known, **blank)


def understood(points: Path, known: NewSite, person: Person | None) -> PointFileGuess:
    """Return what the file shows; where its words are not known, ask which column is what.

    Raises
    ------
    InputError
        If the file cannot be read as points.
    """
    try:
        return understand(points, crs=known.crs or None, columns=dict(known.columns))
    except InputError:
        columns = first_cells(points)
        if person is None or known.columns or not columns or not points.is_file():
            raise
    person.say(f"{points}: which column is what cannot be told from its words")
    person.say(*(f"  {name:<18} {', '.join(cells)}" for name, cells in columns))
    answers = {
        role: person.ask(f"Column of the {role} (its name as above; empty: none)")
        for role in _ASKED_COLUMNS
    }
    stated = {role: answer for role, answer in answers.items() if answer}
    return understand(points, crs=known.crs or None, columns=stated)


def stated_by_file(known: NewSite, guess: PointFileGuess) -> NewSite:
    """Return the answers with what the file decides, or makes likely, where they are blank."""
    unit = guess.unit_candidates[0] if len(guess.unit_candidates) == 1 else ""
    marks = known.marks or (() if known.numbers else guess.codes_for("mark"))
    return replace(
        known,
        unit=known.unit or unit,
        layout=known.layout or guess.layout or "",
        columns=known.columns or guess.stated_columns,
        marks=marks,
        fittings=known.fittings or guess.codes_for("fitting"),
        features=known.features or guess.codes_for("feature"),
    )


def questioned(known: NewSite, guess: PointFileGuess | None, person: Person) -> NewSite:
    """Ask for what is still open, and let the person correct what was guessed.

    Without a point file's guess only what there is to know of the pipe is asked.
    """
    person.say(f"({BACK} goes back to the question before)")
    return person.through(
        lambda: _of_pipe(_of_file(known, guess, person) if guess else known, person)
    )


def again(known: NewSite, person: Person) -> NewSite:
    """Show the answers kept; return them without those that are to be asked again."""
    kept = {name: getattr(known, name) for name in _ASKED if getattr(known, name)}

    def judge(text: str) -> None:
        for name in text.split():
            if name not in kept:
                near = did_you_mean(name, kept) or f"write some of {', '.join(kept)}"
                raise Refused(f'"{name}" is none of them', near)

    for name, value in kept.items():
        pairs = value if isinstance(value, tuple) else (value,)
        words = (each if isinstance(each, str) else "=".join(each) for each in pairs)
        person.say(f"  {name:<18} {' '.join(words)}")
    said = person.checked("Which of these to ask again (names; empty: none)", judge)
    blank: dict[str, Any] = {name: getattr(NewSite(), name) for name in said.split()}
    return replace(known, **blank)


def _of_file(known: NewSite, guess: PointFileGuess, person: Person) -> NewSite:
    if not known.crs:
        known = _with_crs(known, guess, person)
    # Elsewhere the area of use tells.
    if not guess.ordered and not known.layout and known.crs.casefold() == "local":
        first = "Which stands first in the file, northing or easting (n, e)"
        said = person.checked(first, _one_of("n", "e", "northing", "easting"))
        known = replace(known, layout={"n": "pnezd", "e": "penzd"}.get(said[:1].casefold(), ""))
    if not known.unit:
        known = replace(known, unit=_unit(known.crs, person))

    def codes(question: str, usual: tuple[str, ...]) -> tuple[str, ...]:
        blank = [each.code for each in guess.codes if " " in each.code]
        default = (", " if blank else " ").join(usual)
        return codes_in(person.ask(f"{question} (empty: none)", default), blank)

    if not known.numbers:
        known = replace(known, marks=codes("Codes of the marks along the pipe", known.marks))
    if not known.marks:
        known = _stated(known, "numbers", "Point numbers of the marks (101-148)", person)
    return replace(
        known,
        fittings=codes("Codes of fittings a sensor can touch", known.fittings),
        features=codes("Codes of fixed things a tape can be held on", known.features),
    )


def _of_pipe(known: NewSite, person: Person) -> NewSite:
    unit = known.unit or "m"
    text, judge = "Depth of the pipe, with its unit (empty: not known)", _length(unit, PIPE_DEPTH)
    known = _stated(known, "depth", text, person, judge)
    text = "Material (pvc, pvc sch 40, copper type L ...; empty: not known)"
    known = _stated(known, "material", text, person, _material)
    if not known.outside_diameter and tables.standard_in(known.material)[1]:
        text = 'Nominal size, as in "3/4 in" (empty: not known)'
        known = _stated(known, "size", text, person, _length(unit))
    if not known.size:
        text = "Outside diameter, with its unit (empty: not known)"
        known = _stated(known, "outside_diameter", text, person, _length(unit, DIAMETER))
    if len(known.marks) > 1 and not known.branches:
        codes = ", ".join(known.marks)
        main = person.ask(f"Code of the main that the others branch from ({codes}; empty: none)")
        others = tuple(code for code in known.marks if code != main)
        known = replace(known, branches=others if main in known.marks else ())
    if not known.ends_here:
        text = "Where does the pipe itself end, if you know (end, start, both; empty: unknown)"
        end = person.checked(text, _one_of("start", "end", "both")).casefold()
        ends = ("start", "end") if end == "both" else (end,)
        known = replace(known, ends_here=ends if end else ())
    text = "Were, or will, all taps and machines be off while listening (yes, no; empty: not sure)"
    known = _stated(known, "everything_off", text, person, _one_of("yes", "no", "y", "n"))
    return replace(known, everything_off=known.everything_off.casefold())


def _stated(
    known: NewSite,
    field: str,
    question: str,
    person: Person,
    judge: Callable[[str], object] = lambda text: None,
) -> NewSite:
    """Return what is known with the answer to a question, where its field is blank."""
    if getattr(known, field):
        return known
    return replace(known, **{field: person.checked(question, judge)})


def codes_in(said: str, blank: Iterable[str]) -> tuple[str, ...]:
    """Return the codes of an answer: parted at commas, else at blanks that no code holds itself."""
    longest = sorted(blank, key=len, reverse=True)
    whole = "|".join([*(rf"(?<!\S){re.escape(code)}(?!\S)" for code in longest), r"\S+"])
    parts = said.split(",") if "," in said else re.findall(whole, said)
    return tuple(part.strip() for part in parts if part.strip())


def _material(text: str) -> None:
    words, _ = tables.standard_in(text)
    tables.material(words or text)


def _length(unit: str, usual: Usual | None = None) -> Callable[[str], None]:
    def judge(text: str) -> None:
        metres = parse_length(text, unit=unit)
        # A bare one that no pipe has is asked about, as check does.
        asked = doubt(text, metres, usual, unit) if usual and is_bare(text) else None
        if asked:
            raise asked

    return judge


def _one_of(*words: str) -> Callable[[str], None]:
    def judge(text: str) -> None:
        if text.casefold() not in words:
            raise Refused(f'"{text}" is none of {", ".join(words)}', "leave it empty if not sure")

    return judge


def _unit(crs: str, person: Person) -> str:
    """Ask for the unit of lengths; an empty line takes the grid's own."""
    own = ""
    if crs and crs.casefold() != "local":
        own = crs_info(crs, length_unit="m").axis_unit
        own = own if own in UNITS else ""
    if own == "ftUS":
        person.say(f"  {crs} counts in US survey feet (1200/3937 m), not in feet of 0.3048 m")
    elif own == "ft":
        person.say(f"  {crs} counts in international feet (0.3048 m), not in US survey feet")
    while True:
        said = person.ask(f"Unit of lengths on this job ({', '.join(UNITS)})", own)
        found = said if said in UNITS else _UNIT_WORDS.get(said.casefold(), "")
        if found == "ft" and own == "ftUS" and said != "ft":
            found = "ftUS"  # who says feet where the grid is in survey feet means those
        if found:
            return found
        person.say(f'  "{said}" is none of {", ".join(UNITS)}')


def _with_crs(known: NewSite, guess: PointFileGuess, person: Person) -> NewSite:
    near = known.near or ("" if guess.in_degrees else None)
    while True:
        if near is None:
            where = "city, state or country; LAT,LON; or the CRS as an EPSG number"
            said = person.ask(f"Where is this ({where})")
        else:
            found = offered(known, guess, near)
            for k, each in enumerate(found, start=1):
                area = each.area.rstrip(".")
                area = area if len(area) <= 48 else area[:45].rstrip(" ;,-") + "..."
                swapped = "  (if the layout is penzd)" if each.layout == "swapped" else ""
                named = f"{each.code:<12} {each.name}, in {each.unit}"
                person.say(f"  {k:>2}  {named}  [{area}]{swapped}")
            if len(found) == MOST_OFFERED:
                person.say("  more fit there: a city or a state leaves fewer")
            if not found:
                person.say("  no CRS that these coordinates fit there")
            said = person.ask('CRS: a number above, a code, "local", or another place')
            if said.isdigit() and 1 <= int(said) <= len(found):
                return replace(known, crs=found[int(said) - 1].code, near=near)
        if said.isdigit() or ":" in said or said.casefold() == "local":
            code = f"EPSG:{said}" if said.isdigit() else said
            try:
                crs_info(code, length_unit="m")
                return replace(known, crs=code, near=near or "")
            except Refused as error:
                person.say(f"  {error}")
        elif said or near is None:
            near = said


def offered(known: NewSite, guess: PointFileGuess, near: str) -> list[Any]:
    """Return the CRSs that the coordinates fit near a place."""
    # Read in the order of pnezd where nothing showed another; the layout may be stated.
    as_read = not guess.ordered and guess.layout is None and known.layout == "penzd"
    east, north = guess.easting, guess.northing
    return crs_candidates(
        *((north, east) if as_read else (east, north)),
        near=near or None,
        in_degrees=guess.in_degrees,
        try_swapped=not guess.ordered and not known.layout,
    )


def completed(points: Path, folder: Path, known: NewSite, guess: PointFileGuess) -> NewSite:
    """Return what is known with what follows from it.

    Raises
    ------
    InputError
        Naming everything that is missing at once.
    """
    if known.crs and not known.layout:
        known = replace(known, layout=decide_layout(guess, known.crs) or "")
    _require(points, known, guess)
    return replace(known, title=known.title or _title(folder))


def _title(folder: Path) -> str:
    return folder.name.replace("_", " ").strip().capitalize()


def _require(points: Path, known: NewSite, guess: PointFileGuess) -> None:
    for name, word, words in (("unit", known.unit, UNITS), ("layout", known.layout, LAYOUTS)):
        if word and word not in words:
            remedy = f"{', '.join(words[:-1])} or {words[-1]}"
            raise InputError.at(points.as_posix(), f'--{name} "{word}" is not known', remedy)
    missing = []
    if not known.crs:
        hint = ", or --near PLACE to see those that fit"
        if known.near or guess.in_degrees:
            found = offered(known, guess, known.near)
            fits = ", ".join(f"{each.code} ({each.name})" for each in found[:5])
            hint = f"; those that fit: {fits}" if fits else "; none fits there"
        missing.append(("the CRS of the coordinates is not stated", f"--crs CODE{hint}"))
    if not known.unit:
        missing.append(("the unit of lengths is not stated", "--unit m, ft or ftUS"))
    if not guess.ordered and not known.layout and not known.columns:
        what = "the file has no header and its column order is open"
        if guess.has_header:
            what = "which of the file's X and Y is north is open: it differs by country"
        if known.crs and known.crs.strip().casefold() != "local":
            # Where one order alone had fitted, it would have been taken.
            what += f", for in {known.crs} the coordinates fit in both orders or in none"
        first = "pnezd (northing first) or penzd (easting first)"
        missing.append((what, f"check --crs, or state --layout {first}"))
    if not known.marks and not known.numbers:
        seen = ", ".join(f"{each.code} ({each.count})" for each in guess.codes[:12] if each.code)
        remedy = "--marks CODE or --numbers 101-148" + (f"; the codes are {seen}" if seen else "")
        missing.append(("which points are marks is not stated", remedy))
    if missing:
        origin = Origin(points.as_posix())
        raise InputError([Complaint(origin, what, remedy) for what, remedy in missing])


def shown(guess: PointFileGuess) -> list[str]:
    """Return what was understood of the file, as a small table."""
    head = "with a header" if guess.has_header else "without a header"
    said = [f"{guess.path}: {guess.rows} points, {head}"]
    for column in guess.columns:
        role = column.role.replace("_", " ") or "kept as it is"
        said.append(f"  {column.name:<18} {role:<22} {', '.join(column.sample[:3])}")
    if guess.codes:
        said.append(f"  {'code':<18} {'looks like':<22} points")
    for code in guess.codes:
        span = code.first_id if code.count == 1 else f"{code.first_id} to {code.last_id}"
        use = code.use if code.count == 1 or code.use == "other" else code.use + "s"
        said.append(f"  {code.code or '(none)':<18} {use:<22} {code.count}: {span}")
    return said + [f"  {text}" for text in guess.notes]


def taped(
    folder: Path, unit: str, title: str, person: Person | None
) -> tuple[NewSite, dict[str, str]]:
    """Return a site without a rover: marks by two tapes from two fixed corners.

    Raises
    ------
    InputError
        Without a terminal; a site can then be written by hand.
    """
    if person is None:
        what = "a site of tapes alone is asked for mark by mark, on a terminal"
        remedy = "or write points.csv with two corners and tapes.csv by hand: shared/site_folder.md"
        raise InputError.at("tapes", what, remedy)
    person.say(
        "No rover: choose two fixed corners, A and B, and tape every mark from both of them."
    )
    person.say("Lengths with their unit, or bare in the unit of the job.")
    unit = unit or _unit("", person)
    judge = _length(unit)
    base = person.checked("Tape from corner A to corner B", judge, needed=True)
    side = ""
    while side not in ("left", "right"):
        side = person.ask("Seen from A to B, do the marks lie left or right", "left").casefold()
    tapes: list[tuple[str, ...]] = []
    for number in itertools.count(1):
        first = person.checked(f"Mark {number}: tape from A (empty: no more)", judge)
        if not first:
            break
        second = person.checked(f"Mark {number}: tape from B", judge, needed=True)
        tapes.append((f"M{number}", "A", first, side, "MK"))
        tapes.append((f"M{number}", "B", second, "", "MK"))
    along = parse_length(base, unit=unit) / unit_m(unit)
    files = {
        "points.csv": f"A,0,0,,CORNER\nB,{along:.4f},0,,CORNER\n",
        "tapes.csv": csv_text(("point", "from", "distance", "side", "code"), tapes),
    }
    known = questioned(NewSite(unit=unit), None, person)
    made: dict[str, Any] = {"crs": "local", "layout": "penzd", "marks": ("MK",)}
    made |= {"title": title or _title(folder), "features": ("CORNER",)}
    return replace(known, **made), files


def as_dict(
    site: NewSite, guess: PointFileGuess, folder: Path, written: Sequence[Path]
) -> dict[str, Any]:
    """Return what was understood and written, as JSON values."""
    return {
        "folder": folder.as_posix(),
        "files": [path.name for path in written],
        "title": site.title,
        "crs": site.crs,
        "length_unit": site.unit,
        "layout": site.layout or None,
        "points": guess.rows,
        "columns": [picked(each, "name", "role", "sample") for each in guess.columns],
        "codes": [picked(each, "code", "use", "count") for each in guess.codes],
        "legs": [
            {"name": n, "codes": [*filter(None, [at.get("code")])], "points": at.get("points")}
            for n, at in legs_of(site).items()
        ],
        "notes": list(guess.notes),
    }


def place_lines(site: Site) -> list[str]:
    """Return where the points lie, as a question, and whether the marks stand close enough."""
    lines, unit = [], site.length_unit
    info = crs_info(site.crs, length_unit=unit)
    east, north = site.points.easting, site.points.northing
    there = np.isfinite(east)
    if info.crs is not None and there.any():
        middle = (np.array([np.median(each[there])]) for each in (east, north))
        lon, lat = (float(each[0]) for each in info.lonlat(*middle))
        lines.append(f"the points lie at {place_text(info, lon, lat)[0]}: is that the place?")
    metres = 111_320.0 if info.geographic else info.axis_unit_m
    for leg in site.legs:
        at = np.array([(site.points[m].easting, site.points[m].northing) for m in leg.mark_ids])
        if len(at) < 2:
            continue
        scale = [np.cos(np.radians(at[0, 1])) if info.geographic else 1.0, 1.0]
        every_m = float(np.median(np.hypot(*(np.diff(at, axis=0) * scale).T))) * metres
        if every_m > SPACING_PER_HOLE * site.crew.dig_length_m:
            apart = format_length(every_m, unit=unit)
            hole = format_length(site.crew.dig_length_m, unit=unit)
            wants = f"a {hole} hole wants one every {hole} around the loudest"
            lines.append(f"leg {leg.name}: marks stand every {apart}; {wants}")
    return lines
