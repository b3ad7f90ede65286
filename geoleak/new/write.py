"""A new site folder from a rover's file: site.toml, a sheet to fill in, a sheet to print.

All or nothing: the folder is written beside its place, read back as any site is, and only then
moved there.
"""

from __future__ import annotations

import csv
import io
import shutil
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any, NoReturn

from geoleak.errors import Complaint, InputError, Origin, Refused
from geoleak.new.sheet import listening_sheet
from geoleak.readers import ROLES, decode_text, sniff_delimiter, split_rows

if TYPE_CHECKING:
    from geoleak.site import Leg, Site

READINGS_HEADER = (
    "reading", "kind", "place", "level", "low_hz", "high_hz", "surface", "background", "gain_db",
    "session", "recording", "skip", "note",
)  # fmt: skip
_TAKEN = {
    "site.toml", "readings.csv", "delays.csv", "fittings.csv", "isolations.csv", "calibration.csv",
    "sightings.csv", "holes.csv", "leaks_past.csv", "meter.csv", "found.csv",
    "listening_sheet.html",
}  # fmt: skip
# Headings that people write over their own columns; common practice, no one source.
_HEADINGS = {
    "mark": "place", "point": "place", "pt": "place", "at": "place", "stake": "place",
    "db": "level", "level db": "level", "noise": "level", "loudness": "level",
    "what": "kind", "type": "kind", "ground": "surface", "cover": "surface", "remark": "note",
    "remarks": "note", "comment": "note", "no": "reading", "nr": "reading",
}  # fmt: skip
_FORMULA = ("=", "+", "-", "@", "\t", "\r")
_SHAPEFILE_PARTS = (".shx", ".dbf", ".prj", ".cpg")


@dataclass(frozen=True, slots=True)
class NewLeg:
    """One leg of a new site: marks by codes or by point numbers, and what is known of the pipe.

    Lengths are texts with their unit (``"3 ft"``); ``None`` is left for the person to fill in.
    """

    name: str = "service"
    codes: tuple[str, ...] = ()
    points: str | None = None
    start: str | None = None
    end: str | None = None
    joins: str | None = None
    depth: str | None = None
    material: str | None = None
    outside_diameter: str | None = None
    wall: str | None = None
    marks_by: str | None = None
    ends_here: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class NewSite:
    """What a new site folder is made of."""

    points: Path
    crs: str
    length_unit: str
    legs: tuple[NewLeg, ...]
    title: str = ""
    grid_crs: str | None = None
    layout: str | None = None
    columns: dict[str, str] = field(default_factory=dict)
    precision_is: str | None = None
    corrections: str = ""
    fitting_codes: tuple[str, ...] = ()
    feature_codes: tuple[str, ...] = ()
    everything_off: bool | None = None


def legs_by_code(
    codes: Sequence[str], *, branches: Sequence[str] = (), **pipe: Any
) -> tuple[NewLeg, ...]:
    """Return one leg a mark code, named after it where there are several.

    ``branches`` are the codes of legs that run from the first of the others; ``pipe`` is what is
    known of all of them.
    """
    if len(codes) == 1:
        return (NewLeg(name="service", codes=(codes[0],), **pipe),)
    main = next((code for code in codes if code not in branches), None)
    return tuple(
        NewLeg(
            name=f"leg {code}",
            codes=(code,),
            joins=f"leg {main}" if code in branches and main else None,
            **pipe,
        )
        for code in codes
    )


def parted_columns(
    stated: Sequence[str], points: Path
) -> tuple[tuple[tuple[str, str], ...], dict[str, str]]:
    """Return what ``--columns`` says of the point file (role, heading) and of the readings.

    ``id=Stake`` is a role of the point file, ``Mark=place`` a heading of the readings.

    Raises
    ------
    InputError
        Where one is neither.
    """
    of_points: list[tuple[str, str]] = []
    of_readings: dict[str, str] = {}
    for text in stated:
        first, sign, second = (part.strip() for part in text.partition("="))
        if sign and second in READINGS_HEADER:
            of_readings[first.casefold()] = second
        elif sign and first in ROLES and second:
            of_points.append((first, second))
        else:
            _fail(
                points,
                f'--columns "{text}" is not known',
                f"write id=HEADING (of {', '.join(ROLES)}) or HEADING=place (of "
                f"{', '.join(READINGS_HEADER)})",
            )
    return tuple(of_points), of_readings


def write_site(
    folder: str | Path,
    options: NewSite,
    *,
    readings: Path | None = None,
    headings: Mapping[str, str] | None = None,
    tapes: Mapping[str, str] | None = None,
) -> list[Path]:
    """Write a new site folder and return the files in it.

    Parameters
    ----------
    folder : str or Path
        Must not exist, or be empty.
    options : NewSite
    readings : Path, optional
        Readings taken already; else readings.csv has a blank row a mark.
    headings : mapping of str to str, optional
        Column of readings.csv by folded heading of `readings`.
    tapes : mapping of str to str, optional
        points.csv and tapes.csv by name, for a site where no rover was.

    Returns
    -------
    list of Path
        site.toml first.

    Raises
    ------
    InputError
        If the folder holds files, or what was stated does not make a site that reads; nothing is
        written then.
    """
    folder = Path(folder)
    _refuse_filled(folder)
    if not tapes and not options.points.is_file():
        _fail(options.points, f"there is no file {options.points}", "name the rover's point file")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        scratch = Path(tempfile.mkdtemp(dir=folder.parent, prefix=f".{folder.name}-"))
    except OSError as error:
        _fail(folder, f"the folder cannot be made ({error.strerror})", "name another place")
    try:
        return _fill(scratch, folder, options, readings, headings or {}, tapes or {})
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def _fill(
    scratch: Path,
    folder: Path,
    options: NewSite,
    taken: Path | None,
    headings: Mapping[str, str],
    tapes: Mapping[str, str],
) -> list[Path]:
    inside = scratch / (folder.name or "site")
    inside.mkdir()
    for name, content in tapes.items():
        (inside / name).write_text(content, encoding="utf-8", newline="\n")
    points_name = options.points.name if tapes else _copy_points(options.points, inside)
    toml = site_toml(options, points_name)
    (inside / "site.toml").write_text(toml, encoding="utf-8", newline="\n")
    site = _read(inside, folder, options)
    readings = readings_csv(site) if taken is None else readings_of(taken, headings)
    (inside / "readings.csv").write_text(readings, encoding="utf-8", newline="")
    sheet = listening_sheet(site)
    (inside / "listening_sheet.html").write_text(sheet, encoding="utf-8", newline="\n")
    _read(inside, folder, options)
    names = sorted(each.name for each in inside.iterdir())
    if folder.exists():
        folder.rmdir()
    inside.replace(folder)
    names.sort(key=lambda name: (name != "site.toml", name))
    return [folder / name for name in names]


def _refuse_filled(folder: Path) -> None:
    if folder.is_symlink() or (folder.exists() and not folder.is_dir()):
        _fail(folder, "there is a file of this name", "name a folder that does not exist yet")
    if folder.is_dir() and any(folder.iterdir()):
        _fail(folder, "the folder holds files already", "name a folder that does not exist yet")


def _fail(place: Path, what: str, remedy: str) -> NoReturn:
    raise InputError([Complaint(Origin(place.as_posix()), what, remedy)])


def _copy_points(source: Path, folder: Path) -> str:
    name = source.name if source.name.casefold() not in _TAKEN else f"points_{source.name}"
    shutil.copyfile(source, folder / name)
    if source.suffix.casefold() == ".shp":
        for suffix in _SHAPEFILE_PARTS:
            part = source.with_suffix(suffix)
            if part.is_file():
                shutil.copyfile(part, (folder / name).with_suffix(suffix))
    return name


def _read(inside: Path, folder: Path, options: NewSite) -> Site:
    """Read the new folder as any site is read; complaints name it by its final name."""
    from geoleak.readers import read_site

    try:
        return read_site(inside)
    except InputError as error:
        renamed = []
        for each in error.complaints:
            file = each.origin.file.replace(inside.as_posix(), folder.as_posix(), 1)
            if Path(file).name == options.points.name:
                file = options.points.as_posix()
            where = Origin(file, each.origin.line, each.origin.column)
            renamed.append(Complaint(where, each.what, each.remedy))
        raise InputError(renamed) from None


def readings_csv(site: Site) -> str:
    """Return readings.csv with a blank row per mark, leg by leg, in the order of the marks."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(READINGS_HEADER)
    for number, (leg, mark) in enumerate(marks_in_order(site), 1):
        blank = [""] * (len(READINGS_HEADER) - 3)
        writer.writerow([number, "surface", mark_text(site, leg, mark), *blank])
    return out.getvalue()


def readings_of(path: Path, headings: Mapping[str, str]) -> str:
    """Return readings.csv from a sheet with headings of one's own.

    Raises
    ------
    InputError
        If it cannot be read, or no heading is known as the place.
    """
    try:
        text, _ = decode_text(path.read_bytes())
        rows = split_rows(text, label=path.name, delimiter=sniff_delimiter(text)).cells
    except OSError as error:
        _fail(path, f"cannot be read ({error.strerror})", "name the sheet of readings")
    except Refused as error:
        _fail(path, error.what, error.remedy)
    known = {**_HEADINGS, **headings}
    names = [known.get(cell.strip().casefold(), cell.strip()) for cell in rows[0]] if rows else []
    if "place" not in names:
        shown = ", ".join(cell.strip() for cell in rows[0]) if rows else "none"
        remedy = 'state it: --columns "Mark=place"'
        _fail(path, f"no heading is known as the place (headings: {shown})", remedy)
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([names, *rows[1:]])
    return out.getvalue()


def marks_in_order(site: Site) -> list[tuple[Leg, str]]:
    """Return every mark of every leg in order."""
    return [(leg, mark) for leg in site.legs for mark in leg.mark_ids]


def mark_text(site: Site, leg: Leg, mark: str) -> str:
    """Return how a sheet names a mark: with its leg where it is a mark of two.

    So is one that a spreadsheet would take for a formula.
    """
    twice = sum(mark in other.mark_ids for other in site.legs) > 1
    return f"{leg.name} {mark}" if twice or mark.startswith(_FORMULA) else mark


def site_toml(options: NewSite, points_name: str) -> str:
    """Return site.toml, with the keys a person will want next as comments."""
    lines = [
        f"title = {quoted(options.title or Path(points_name).stem)}",
        f"crs = {quoted(options.crs)}",
    ]
    if options.grid_crs:
        lines.append(f"grid_crs = {quoted(options.grid_crs)}")
    lines.append(
        f"length_unit = {quoted(options.length_unit)}    # unit of every length without its own"
    )
    if options.corrections:
        lines.append(f"corrections = {quoted(options.corrections)}")
    else:
        lines.append('# corrections = "network RTK"      # what the rover was corrected by')
    lines += ["", "[points]", f"file = {quoted(points_name)}"]
    if options.layout:
        lines.append(f"layout = {quoted(options.layout)}")
    if options.columns:
        pairs = ", ".join(f"{role} = {quoted(name)}" for role, name in options.columns.items())
        lines.append(f"columns = {{{pairs}}}")
    if options.precision_is:
        lines.append(f"precision_is = {quoted(options.precision_is)}")
    for leg in options.legs:
        lines += _leg_lines(leg)
    lines += ["", "[codes]"]
    for key, codes, use in (
        ("fitting", options.fitting_codes, "a contact sensor can touch these"),
        ("feature", options.feature_codes, "a tape can be held on these"),
    ):
        lines.append(f"{'' if codes else '# '}{key} = {_texts(codes)}    # {use}")
    if options.everything_off is not None:
        off = "true" if options.everything_off else "false"
        lines += ["", "[readings]", f"everything_off = {off}    # all taps and machines, listening"]
    return "\n".join(lines) + "\n"


def _leg_lines(leg: NewLeg) -> list[str]:
    lines = ["", "[[leg]]", f"name = {quoted(leg.name)}"]
    if leg.codes:
        codes = _texts(leg.codes) if len(leg.codes) > 1 else quoted(leg.codes[0])
        lines.append(f"code = {codes}")
    stated = {
        "points": leg.points,
        "start": leg.start,
        "end": leg.end,
        "from": leg.joins,
        "marks_by": leg.marks_by,
        "depth": leg.depth,
        "material": leg.material,
        "outside_diameter": leg.outside_diameter,
        "wall": leg.wall,
    }
    lines += [f"{key} = {quoted(value)}" for key, value in stated.items() if value]
    hints = {
        "depth": '"3 ft"                  # where a mark has no depth of its own',
        "material": '"pvc"',
        "outside_diameter": '"1.315 in"',
        "wall": '"0.133 in"',
    }
    lines += [f"# {key} = {hint}" for key, hint in hints.items() if not stated[key]]
    ends = _texts(leg.ends_here or ("end",))
    lines.append(
        f"{'' if leg.ends_here else '# '}ends_here = {ends}    # where the pipe itself ends"
    )
    return lines


def _texts(items: Sequence[str]) -> str:
    return "[" + ", ".join(quoted(each) for each in items) + "]"


def quoted(text: str) -> str:
    """Return a TOML basic string: quotes, backslashes and control characters escaped."""
    out = []
    for sign in text:
        if sign in '"\\':
            out.append("\\" + sign)
        elif ord(sign) < 32 or ord(sign) == 127:
            out.append(f"\\u{ord(sign):04x}")
        else:
            out.append(sign)
    return '"' + "".join(out) + '"'
