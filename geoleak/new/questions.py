"""What a new site folder has to be told, asked of a person or taken from options."""

from __future__ import annotations

import itertools
import re
from collections.abc import Callable, Mapping, Sequence
from functools import partial
from pathlib import Path
from typing import Any, NamedTuple

import msgspec
import numpy as np

from geoleak import tables
from geoleak.crs import crs_candidates, crs_info, place_text
from geoleak.errors import Complaint, InputError, Origin, Refused, did_you_mean
from geoleak.new.guess import PointFileGuess, decide_layout, first_cells, understand
from geoleak.new.write import NewSite, csv_text, legs_of
from geoleak.readers import DIAMETER, PIPE_DEPTH, Usual, doubt, is_bare
from geoleak.record import replace
from geoleak.site import Site
from geoleak.units import format_length, parse_length, unit_m

UNITS = ("m", "ft", "ftUS")
LAYOUTS = ("pnezd", "penzd")
_UNIT_WORDS = {"feet": "ft", "foot": "ft", "metre": "m", "metres": "m", "meter": "m", "meters": "m",
               "survey feet": "ftUS", "us survey feet": "ftUS", "us feet": "ftUS"}  # fmt: skip
_ASKED_COLUMNS = ("id", "northing", "easting", "latitude", "longitude", "elevation", "code")
_MOST_OFFERED = 9
BACK = "<"

SPACING_PER_HOLE = 1.25
"""Marks farther apart than this many holes are said to be too far: common practice, no source."""

Ask = Callable[[str, str], str]
"""Takes a question and the answer that an empty line stands for."""
Say = Callable[[Sequence[str]], None]


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


def understood(points: Path, known: NewSite, ask: Ask | None, say: Say) -> PointFileGuess:
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
        if ask is None or known.columns or not columns or not points.is_file():
            raise
    say([f"{points}: which column is what cannot be told from its words"])
    say([f"  {name:<18} {', '.join(cells)}" for name, cells in columns])
    stated = {}
    for role in _ASKED_COLUMNS:
        answer = ask(f"Column of the {role} (its name as above; empty: none)", "").strip()
        if answer:
            stated[role] = answer
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


class _Back(Exception):
    """The person wants the question before this one again."""


When = Callable[[NewSite], object]


class Question(NamedTuple):
    """What fills a field of `NewSite`, and whether it is to be asked at all."""

    field: str
    put: Callable[[NewSite, Any, Ask, Say], Mapping[str, Any]]
    when: When


def questioned(known: NewSite, guess: PointFileGuess | None, ask: Ask, say: Say) -> NewSite:
    """Ask for what is still open, and let the person correct what was guessed.

    Without a point file's guess only what there is to know of the pipe is asked.
    """

    def or_back(question: str, default: str) -> str:
        answer = ask(question, default)
        if answer.strip() == BACK:
            raise _Back
        return answer

    say([f"({BACK} goes back to the question before)"])
    order = () if guess is None or guess.ordered else (ORDER,)
    questions = (*OF_FILE[:1], *order, *OF_FILE[1:], *OF_PIPE) if guess else OF_PIPE
    asked: list[tuple[int, NewSite]] = []
    at = 0
    while at < len(questions):
        question = questions[at]
        if question.when(known):
            try:
                answer = question.put(known, guess, or_back, say)
            except _Back:
                at, known = asked.pop() if asked else (at, known)
                continue
            asked.append((at, known))
            known = replace(known, **answer)
        at += 1
    return known


def again(known: NewSite, ask: Ask, say: Say) -> NewSite:
    """Show the answers kept; return them without those that are to be asked again."""
    names = ["columns", *(each.field for each in OF_FILE + OF_PIPE)]
    kept = {name: getattr(known, name) for name in names if getattr(known, name)}

    def judge(text: str) -> None:
        for name in text.split():
            if name not in kept:
                near = did_you_mean(name, kept) or f"write some of {', '.join(kept)}"
                raise Refused(f'"{name}" is none of them', near)

    for name, value in kept.items():
        pairs = value if isinstance(value, tuple) else (value,)
        words = (each if isinstance(each, str) else "=".join(each) for each in pairs)
        say([f"  {name:<18} {' '.join(words)}"])
    said = _checked("Which of these to ask again (names; empty: none)", ask, say, judge)
    blank: dict[str, Any] = {name: getattr(NewSite(), name) for name in said.split()}
    return replace(known, **blank)


Judge = Callable[[NewSite, str], object]
"""Raises `Refused` where an answer is none."""


def _typed(
    field: str,
    question: str,
    judge: Judge = lambda known, text: None,
    *,
    when: When = lambda known: True,
    made: Callable[[str], object] = str,
) -> Question:
    """Return a question whose answer is a text that is judged, or blank."""

    def put(known: NewSite, guess: Any, ask: Ask, say: Say) -> Mapping[str, Any]:
        return {field: made(_checked(f"{question})", ask, say, partial(judge, known)))}

    return Question(field, put, lambda known: when(known) and not getattr(known, field))


def _of_codes(field: str, question: str, when: When = lambda known: True) -> Question:
    """Return a question for codes, which offers those that are likely.

    They part at commas, else at blanks that no code of the file holds itself.
    """

    def put(known: NewSite, guess: PointFileGuess, ask: Ask, say: Say) -> Mapping[str, Any]:
        blank = sorted((c.code for c in guess.codes if " " in c.code), key=len, reverse=True)
        said = ask(
            f"{question} (empty: none)", (", " if blank else " ").join(getattr(known, field))
        )
        whole = "|".join([*(rf"(?<!\S){re.escape(code)}(?!\S)" for code in blank), r"\S+"])
        parts = said.split(",") if "," in said else re.findall(whole, said)
        return {field: tuple(part.strip() for part in parts if part.strip())}

    return Question(field, put, when)


def _asked_main(known: NewSite, guess: Any, ask: Ask, say: Say) -> Mapping[str, Any]:
    codes = ", ".join(known.marks)
    main = ask(f"Code of the main that the others branch from ({codes}; empty: none)", "").strip()
    others = tuple(code for code in known.marks if code != main)
    return {"branches": others if main in known.marks else ()}


def _ends(text: str) -> tuple[str, ...]:
    word = text.strip().casefold()
    return ("start", "end") if word == "both" else (word,) if word else ()


def _material(known: NewSite, text: str) -> None:
    words, _ = tables.standard_in(text)
    tables.material(words or text)


def _length(known: NewSite, text: str, usual: Usual | None = None) -> None:
    """Judge a length; a bare one that no pipe has is asked about, as check does."""
    unit = known.unit or "m"
    metres = parse_length(text, unit=unit)
    asked = doubt(text, metres, usual, unit) if usual and is_bare(text) else None
    if asked:
        raise asked


def _one_of(*words: str) -> Judge:
    def judge(known: NewSite, text: str) -> None:
        if text.casefold() not in words:
            raise Refused(f'"{text}" is none of {", ".join(words)}', "leave it empty if not sure")

    return judge


def _checked(
    question: str, ask: Ask, say: Say, check: Callable[[str], object], *, needed: bool = False
) -> str:
    """Ask until the answer is blank or passes a check; a mistake is said and costs nothing."""
    while True:
        answer = ask(question, "").strip()
        if not answer and not needed:
            return ""
        try:
            if not answer:
                raise Refused("this one is needed")
            check(answer)
        except Refused as error:
            say([f"  {error}"])
        else:
            return answer


def _asked_unit(known: NewSite, guess: Any, ask: Ask, say: Say) -> Mapping[str, str]:
    """Ask for the unit of lengths; an empty line takes the grid's own."""
    own = ""
    if known.crs and known.crs.casefold() != "local":
        own = crs_info(known.crs, length_unit="m").axis_unit
        own = own if own in UNITS else ""
    if own == "ftUS":
        say([f"  {known.crs} counts in US survey feet (1200/3937 m), not in feet of 0.3048 m"])
    elif own == "ft":
        say([f"  {known.crs} counts in international feet (0.3048 m), not in US survey feet"])
    while True:
        said = ask(f"Unit of lengths on this job ({', '.join(UNITS)})", own).strip()
        found = said if said in UNITS else _UNIT_WORDS.get(said.casefold(), "")
        if found == "ft" and own == "ftUS" and said != "ft":
            found = "ftUS"  # who says feet where the grid is in survey feet means those
        if found:
            return {"unit": found}
        say([f'  "{said}" is none of {", ".join(UNITS)}'])


def _asked_crs(known: NewSite, guess: PointFileGuess, ask: Ask, say: Say) -> Mapping[str, str]:
    near = known.near
    while True:
        if not near and not guess.in_degrees:
            near = ask(
                "Where is this (city, state or country; LAT,LON; or the CRS as an EPSG number)", ""
            ).strip()
            if near.isdigit() or near.casefold().startswith("epsg:") or near == "local":
                if code := _coded(near, say):
                    return {"crs": code}
                near = ""
                continue
        found = offered(known, guess, near)
        for k, each in enumerate(found, start=1):
            swapped = "  (if the layout is penzd)" if each.layout == "swapped" else ""
            area = each.area.rstrip(".")
            area = area if len(area) <= 48 else area[:45].rstrip(" ;,-") + "..."
            say([f"  {k:>2}  {each.code:<12} {each.name}, in {each.unit}  [{area}]"
                 f"{swapped}"])  # fmt: skip
        if len(found) == _MOST_OFFERED:
            say(["  more fit there: a city or a state leaves fewer"])
        if not found:
            say(["  no CRS that these coordinates fit there"])
        said = ask('CRS: a number above, a code, "local", or another place', "").strip()
        if said.isdigit() and 1 <= int(said) <= len(found):
            return {"crs": found[int(said) - 1].code, "near": near}
        if said.isdigit() or ":" in said or said.casefold() == "local":
            if code := _coded(said, say):
                return {"crs": code, "near": near}
        elif said:
            near = said


ORDER = _typed(
    "layout",
    "Which stands first in the file, northing or easting (n, e",
    _one_of("n", "e", "northing", "easting"),
    when=lambda known: known.crs.casefold() == "local",  # elsewhere the area of use tells
    made=lambda text: {"n": "pnezd", "e": "penzd"}.get(text[:1].casefold(), ""),
)
_MARKS, _ENDS = "Codes of the marks along the pipe", "Where does the pipe itself end, if you know"
_OFF = "Were, or will, all taps and machines be off while listening"
OF_FILE = (
    Question("crs", _asked_crs, lambda known: not known.crs),
    Question("unit", _asked_unit, lambda known: not known.unit),
    _of_codes("marks", _MARKS, lambda known: not known.numbers),
    _typed("numbers", "Point numbers of the marks (101-148", when=lambda known: not known.marks),
    _of_codes("fittings", "Codes of fittings a sensor can touch"),
    _of_codes("features", "Codes of fixed things a tape can be held on"),
)
OF_PIPE = (
    _typed(
        "depth",
        "Depth of the pipe, with its unit (empty: not known",
        partial(_length, usual=PIPE_DEPTH),
    ),
    _typed("material", "Material (pvc, pvc sch 40, copper type L ...; empty: not known", _material),
    _typed(
        "size",
        'Nominal size, as in "3/4 in" (empty: not known',
        _length,
        when=lambda known: not known.outside_diameter and tables.standard_in(known.material)[1],
    ),
    _typed(
        "outside_diameter",
        "Outside diameter, with its unit (empty: not known",
        partial(_length, usual=DIAMETER),
        when=lambda known: not known.size,
    ),
    Question("branches", _asked_main, lambda known: len(known.marks) > 1 and not known.branches),
    _typed(
        "ends_here",
        f"{_ENDS} (end, start, both; empty: unknown",
        _one_of("start", "end", "both"),
        made=_ends,
    ),
    _typed(
        "everything_off",
        f"{_OFF} (yes, no; empty: not sure",
        _one_of("yes", "no", "y", "n"),
        made=str.casefold,
    ),
)


def _coded(text: str, say: Say) -> str:
    """Return a CRS by its code or bare EPSG number; blank after saying why it is none."""
    code = f"EPSG:{text}" if text.isdigit() else text
    try:
        crs_info(code, length_unit="m")
    except Refused as error:
        say([f"  {error.what}; {error.remedy}"])
        return ""
    return code


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
        most=_MOST_OFFERED,
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
    folder: Path, unit: str, title: str, ask: Ask | None, say: Say
) -> tuple[NewSite, dict[str, str]]:
    """Return a site without a rover: marks by two tapes from two fixed corners.

    Raises
    ------
    InputError
        Without a terminal; a site can then be written by hand.
    """
    if ask is None:
        what = "a site of tapes alone is asked for mark by mark, on a terminal"
        remedy = "or write points.csv with two corners and tapes.csv by hand: shared/site_folder.md"
        raise InputError.at("tapes", what, remedy)
    say(["No rover: choose two fixed corners, A and B, and tape every mark from both of them."])
    say(["Lengths with their unit, or bare in the unit of the job."])
    known = NewSite(unit=unit or _asked_unit(NewSite(), None, ask, say)["unit"])

    def tape(question: str, *, needed: bool = True) -> str:
        return _checked(question, ask, say, partial(_length, known), needed=needed)

    base = tape("Tape from corner A to corner B")
    side = ""
    while side not in ("left", "right"):
        side = ask("Seen from A to B, do the marks lie left or right", "left").strip().casefold()
    tapes: list[tuple[str, ...]] = []
    for number in itertools.count(1):
        first = tape(f"Mark {number}: tape from A (empty: no more)", needed=False)
        if not first:
            break
        second = tape(f"Mark {number}: tape from B")
        tapes.append((f"M{number}", "A", first, side, "MK"))
        tapes.append((f"M{number}", "B", second, "", "MK"))
    known = questioned(known, None, ask, say)
    along = parse_length(base, unit=known.unit) / unit_m(known.unit)
    files = {
        "points.csv": f"A,0,0,,CORNER\nB,{along:.4f},0,,CORNER\n",
        "tapes.csv": csv_text(("point", "from", "distance", "side", "code"), tapes),
    }
    made: dict[str, Any] = {"crs": "local", "layout": "penzd", "marks": ("MK",)}
    made["features"] = ("CORNER",)
    return replace(known, title=title or _title(folder), **made), files


def as_dict(
    site: NewSite, guess: PointFileGuess, folder: Path, written: Sequence[Path]
) -> dict[str, Any]:
    """Return what was understood and written, as JSON values."""

    def listed(records: Sequence[Any], *names: str) -> list[dict[str, Any]]:
        return [{name: getattr(each, name) for name in names} for each in records]

    legs = legs_of(site)
    return {
        "folder": folder.as_posix(),
        "files": [path.name for path in written],
        "title": site.title,
        "crs": site.crs,
        "length_unit": site.unit,
        "layout": site.layout or None,
        "points": guess.rows,
        "columns": listed(guess.columns, "name", "role", "sample"),
        "codes": listed(guess.codes, "code", "use", "count"),
        "legs": [
            {"name": n, "codes": [*filter(None, [at.get("code")])], "points": at.get("points")}
            for n, at in legs.items()
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
