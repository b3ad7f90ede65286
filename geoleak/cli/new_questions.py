"""What `geoleak new` asks, and the table of what it understood."""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from geoleak.cli.say import print_lines
from geoleak.errors import Complaint, InputError, Origin

if TYPE_CHECKING:
    from geoleak.new.guess import PointFileGuess
    from geoleak.new.write import NewSite

UNITS = ("m", "ft", "ftUS")
LAYOUTS = ("pnezd", "penzd")


@dataclass(frozen=True, slots=True)
class Answers:
    """What is known of the new site, from options and then from questions."""

    crs: str | None
    near: str | None
    unit: str | None
    layout: str | None
    marks: tuple[str, ...]
    numbers: str | None
    fittings: tuple[str, ...]
    features: tuple[str, ...]
    depth: str | None
    title: str


@dataclass(frozen=True, slots=True)
class Settled:
    """A new site completely described, and what is still to be shown of the file it is from."""

    site: NewSite
    guess: PointFileGuess
    said: tuple[str, ...]

    def to_dict(self, folder: Path, written: list[Path]) -> dict[str, Any]:
        """Return what was understood and written, as JSON values."""
        return {
            "folder": folder.as_posix(),
            "files": [path.name for path in written],
            "title": self.site.title,
            "crs": self.site.crs,
            "length_unit": self.site.length_unit,
            "layout": self.site.layout,
            "points": self.guess.rows,
            "columns": [
                {"name": each.name, "role": each.role, "sample": list(each.sample)}
                for each in self.guess.columns
            ],
            "codes": [
                {"code": each.code, "use": each.use, "count": each.count}
                for each in self.guess.codes
            ],
            "legs": [
                {"name": each.name, "codes": list(each.codes), "points": each.points}
                for each in self.site.legs
            ],
            "notes": list(self.guess.notes),
        }


def settle(points: Path, folder: Path, given: Answers, *, ask: bool) -> Settled:
    """Return a complete description of the new site.

    With questions the table of what was understood is shown before them, else it is handed back.

    Raises
    ------
    InputError
        Without a terminal, naming every option that is missing.
    """
    from geoleak.new.guess import decide_layout, understand
    from geoleak.new.write import NewLeg, NewSite, legs_by_code

    if not points.is_file():
        _refuse(points, "there is no such file", "name the rover's point file")
    guess = understand(points, crs=given.crs)
    said = tuple(table(guess))
    if given.unit is not None and given.unit not in UNITS:
        _refuse(points, f'--unit "{given.unit}" is not known', "m, ft or ftUS")
    if given.layout is not None and given.layout not in LAYOUTS:
        _refuse(points, f'--layout "{given.layout}" is not known', "pnezd or penzd")
    known = _from_file(given, guess)
    if ask:
        print_lines(said)
        said = ()
        known = _ask(known, guess)
    if known.crs and known.layout is None and not guess.has_header:
        known = replace(known, layout=decide_layout(guess, known.crs))
    _require(points, known, guess)
    if known.numbers is not None:
        legs: tuple[NewLeg, ...] = (NewLeg(points=known.numbers, depth=known.depth),)
    else:
        legs = legs_by_code(known.marks, depth=known.depth)
    site = NewSite(
        points=points,
        crs=str(known.crs),
        length_unit=str(known.unit),
        legs=legs,
        title=known.title or folder.name.replace("_", " ").strip().capitalize(),
        layout=known.layout,
        fitting_codes=known.fittings,
        feature_codes=known.features,
    )
    return Settled(site, guess, said)


def table(guess: PointFileGuess) -> list[str]:
    """Return what was understood of the file, as a small table."""
    head = "with a header" if guess.has_header else "without a header"
    said = [f"{guess.path}: {guess.rows} points, {head}"]
    for column in guess.columns:
        role = column.role.replace("_", " ") or "kept as it is"
        sample = ", ".join(column.sample[:3])
        said.append(f"  {column.name:<18} {role:<22} {sample}")
    if guess.codes:
        said.append(f"  {'code':<18} {'looks like':<22} points")
    for code in guess.codes:
        span = code.first_id if code.count == 1 else f"{code.first_id} to {code.last_id}"
        use = code.use if code.count == 1 or code.use == "other" else code.use + "s"
        said.append(f"  {code.code or '(none)':<18} {use:<22} {code.count}: {span}")
    return said + [f"  {text}" for text in guess.notes]


def _from_file(given: Answers, guess: PointFileGuess) -> Answers:
    """Fill in what the file itself decides, or makes likely, where no option says otherwise."""
    unit = given.unit
    if unit is None and len(guess.unit_candidates) == 1:
        unit = guess.unit_candidates[0]
    marks = given.marks
    if not marks and given.numbers is None:
        marks = guess.codes_for("mark")
    return replace(
        given,
        unit=unit,
        layout=given.layout or guess.layout,
        marks=marks,
        fittings=given.fittings or guess.codes_for("fitting"),
        features=given.features or guess.codes_for("feature"),
    )


def _ask(known: Answers, guess: PointFileGuess) -> Answers:
    """Ask for what is still open and let the person correct what was guessed."""
    if known.unit is None:
        known = replace(known, unit=_choose("Unit of lengths on this job", UNITS))
    if known.crs is None:
        known = replace(known, crs=_ask_crs(known, guess))
    if known.numbers is None:
        marks = _codes("Codes of the marks along the pipe", known.marks)
        if not marks:
            known = replace(known, numbers=typer.prompt("Point numbers of the marks (101-148)"))
        known = replace(known, marks=marks)
    return replace(
        known,
        fittings=_codes("Codes of fittings a sensor can touch", known.fittings),
        features=_codes("Codes of fixed things a tape can be held on", known.features),
        depth=known.depth
        or (
            typer.prompt("Depth of the pipe, with its unit (empty: not known)", default="") or None
        ),
    )


def _ask_crs(known: Answers, guess: PointFileGuess) -> str:
    from geoleak.crs import crs_candidates

    near: str | None = known.near
    while True:
        if near is None and not guess.in_degrees:
            near = typer.prompt("Where is this (state or country; or LAT,LON)")
        found = crs_candidates(
            guess.easting,
            guess.northing,
            near=place(near),
            unit=None if guess.in_degrees else known.unit,
            in_degrees=guess.in_degrees,
            try_swapped=not guess.has_header and known.layout is None,
        )
        for k, each in enumerate(found, start=1):
            swapped = "  (if the layout is penzd)" if each.layout == "swapped" else ""
            print_lines([f"  {k:>2}  {each.code:<12} {each.name}  [{short(each.area)}]{swapped}"])
        if not found:
            print_lines(["  no CRS that these coordinates fit there"])
        said = typer.prompt('CRS: a number above, a code, "local", or another place').strip()
        if said.isdigit() and 1 <= int(said) <= len(found):
            return found[int(said) - 1].code
        if said.lower() == "local" or ":" in said:
            return str(said)
        near = said


def place(text: str | None) -> str | tuple[float, float] | None:
    """Return a place as text, or latitude and longitude where it is two numbers."""
    if text is None:
        return None
    first, comma, second = text.partition(",")
    try:
        return (float(first), float(second)) if comma else text
    except ValueError:
        return text


def short(area: str, most: int = 48) -> str:
    """Return an area of use cut to fit beside its name."""
    area = area.rstrip(".")
    return area if len(area) <= most else area[: most - 3].rstrip(" ;,-") + "..."


def _choose(question: str, choices: tuple[str, ...]) -> str:
    while True:
        said: str = typer.prompt(f"{question} ({', '.join(choices)})").strip()
        if said in choices:
            return said
        print_lines([f'  "{said}" is none of {", ".join(choices)}'])


def _codes(question: str, guess: tuple[str, ...]) -> tuple[str, ...]:
    said: str = typer.prompt(f"{question} (empty: none)", default=" ".join(guess))
    return tuple(said.replace(",", " ").split())


def _require(points: Path, known: Answers, guess: PointFileGuess) -> None:
    """Refuse with every missing option at once."""
    missing = []
    if known.crs is None:
        hint = _crs_hint(known, guess)
        missing.append(("the CRS of the coordinates is not stated", f"--crs CODE{hint}"))
    if known.unit is None:
        missing.append(("the unit of lengths is not stated", "--unit m, ft or ftUS"))
    if not guess.has_header and known.layout is None:
        what = "the file has no header and its column order is open"
        if known.crs is not None and known.crs.strip().casefold() != "local":
            # Where one order alone had fitted, it would have been taken.
            what += f", for in {known.crs} the coordinates fit in both orders or in none"
        missing.append((what, "check --crs, or state --layout pnezd or penzd"))
    if not known.marks and known.numbers is None:
        seen = ", ".join(f"{each.code} ({each.count})" for each in guess.codes[:12] if each.code)
        hint = f"; the codes are {seen}" if seen else ""
        missing.append(
            ("which points are marks is not stated", f"--marks CODE or --numbers 101-148{hint}")
        )
    if missing:
        origin = Origin(points.as_posix())
        raise InputError([Complaint(origin, what, remedy) for what, remedy in missing])


def _crs_hint(known: Answers, guess: PointFileGuess) -> str:
    from geoleak.crs import crs_candidates

    if known.near is None and not guess.in_degrees:
        return ", or --near PLACE to see those that fit"
    found = crs_candidates(
        guess.easting,
        guess.northing,
        near=place(known.near),
        unit=None if guess.in_degrees else known.unit,
        in_degrees=guess.in_degrees,
        try_swapped=not guess.has_header and known.layout is None,
    )
    fits = ", ".join(f"{each.code} ({each.name})" for each in found[:5])
    return f"; those that fit: {fits}" if fits else "; none fits there"


def _refuse(points: Path, what: str, remedy: str) -> None:
    raise InputError([Complaint(Origin(points.as_posix()), what, remedy)])
