"""A new site folder from a rover's file: site.toml, a sheet to fill in, a sheet to print.

All or nothing: the folder is written beside its place, read back as any site is, and only then
moved there.
"""

from __future__ import annotations

import csv
import io
import re
import shutil
import tempfile
from collections import Counter
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.cautions import HEARING
from geoleak.errors import InputError, Origin
from geoleak.readers import ROLES, SHAPEFILE_PARTS, SHEETS
from geoleak.record import Record, replace

if TYPE_CHECKING:
    from geoleak.site import Reading, Site

READINGS_HEADER = (
    "reading", "kind", "place", "level", "low_hz", "high_hz", "surface", "background", "gain_db",
    "session", "recording", "skip", "note",
)  # fmt: skip
_TAKEN = {*SHEETS, "site.toml", "tapes.csv", "listening_sheet.html"}
_OFF = {"yes": "true", "y": "true", "no": "false", "n": "false"}
_FORMULA = ("=", "+", "-", "@", "\t", "\r")


class NewSite(Record):
    """What is known of a new site: from options, the file and questions. Blank: not known.

    Lengths are texts with their unit (``"3 ft"``). Each code of ``marks`` is a leg, ``numbers`` one
    more; the legs of ``branches`` run from the first of the others.
    """

    title: str = ""
    crs: str = ""
    near: str = ""
    unit: str = ""
    layout: str = ""
    columns: tuple[tuple[str, str], ...] = ()
    marks: tuple[str, ...] = ()
    numbers: str = ""
    branches: tuple[str, ...] = ()
    fittings: tuple[str, ...] = ()
    features: tuple[str, ...] = ()
    depth: str = ""
    material: str = ""
    size: str = ""
    """Nominal, of the standard that the material names."""
    outside_diameter: str = ""
    ends_here: tuple[str, ...] = ()
    everything_off: str = ""
    headings: tuple[tuple[str, str], ...] = ()
    """What the readings call a column, by its name here."""
    level_limits: str = ""


def parted_columns(
    stated: Sequence[str], points: Path
) -> tuple[tuple[tuple[str, str], ...], tuple[tuple[str, str], ...]]:
    """Return what ``--columns`` says of the point file and of the readings: (name here, heading).

    ``id=Stake`` is a role of the point file, ``Mark=place`` a heading of the readings.

    Raises
    ------
    InputError
        Where one is neither.
    """
    of_points: list[tuple[str, str]] = []
    of_readings: list[tuple[str, str]] = []
    for text in stated:
        first, sign, second = (part.strip() for part in text.partition("="))
        if sign and second in READINGS_HEADER:
            of_readings.append((second, first))
        elif sign and first in ROLES and second:
            of_points.append((first, second))
        else:
            remedy = f"write id=HEADING (of {', '.join(ROLES)}) or HEADING=place (of "
            remedy += f"{', '.join(READINGS_HEADER)})"
            raise InputError.at(points.as_posix(), f'--columns "{text}" is not known', remedy)
    return tuple(of_points), tuple(of_readings)


def write_site(
    folder: str | Path,
    points: Path,
    new: NewSite,
    *,
    readings: Path | None = None,
    tapes: Mapping[str, str] | None = None,
    say: Callable[[list[str]], object] = lambda lines: None,
) -> list[Path]:
    """Write a new site folder and return the files in it.

    Parameters
    ----------
    folder : str or Path
        Must not exist, or be empty.
    points : Path
        The rover's file.
    new : NewSite
    readings : Path, optional
        Readings taken already; else readings.csv has a blank row a mark.
    tapes : mapping of str to str, optional
        points.csv and tapes.csv by name, for a site where no rover was.
    say : callable, optional
        Told how the sheet of readings was read.

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
    file = folder.is_symlink() or (folder.exists() and not folder.is_dir())
    if file or (folder.is_dir() and any(folder.iterdir())):
        what = "there is a file of this name" if file else "the folder holds files already"
        raise InputError.at(folder.as_posix(), what, "name a folder that does not exist yet")
    for path, what in ((None if tapes else points, "point file"), (readings, "sheet of readings")):
        if path is not None and not path.is_file():
            raise InputError.at(path.as_posix(), f"there is no file {path}", f"name the {what}")
    try:
        folder.parent.mkdir(parents=True, exist_ok=True)
        made = tempfile.TemporaryDirectory(
            dir=folder.parent, prefix=f".{folder.name}-", ignore_cleanup_errors=True
        )
    except OSError as error:
        what = f"the folder cannot be made ({error.strerror})"
        raise InputError.at(folder.as_posix(), what, "name another place") from None
    with made as scratch:
        inside = Path(scratch) / (folder.name or "site")
        inside.mkdir()
        said = _fill(inside, folder, points, new, readings, tapes or {})
        names = sorted(each.name for each in inside.iterdir())
        if folder.exists():
            folder.rmdir()
        inside.replace(folder)
    say(said)
    names.sort(key=lambda name: (name != "site.toml", name))
    return [folder / name for name in names]


def _fill(
    inside: Path,
    folder: Path,
    points: Path,
    new: NewSite,
    readings: Path | None,
    tapes: Mapping[str, str],
) -> list[str]:
    """Fill a folder; return what is to be said of the readings taken along."""

    def put(name: str, text: str) -> None:
        (inside / name).write_text(text, encoding="utf-8", newline="\n")

    for name, content in tapes.items():
        put(name, content)
    name = points.name if tapes else _copy_points(points, inside)
    sources = {name: points, "readings.csv": readings}
    put("site.toml", site_toml(new, name))
    if readings is not None:
        shutil.copyfile(readings, inside / "readings.csv")
    site = _read(inside, folder, sources)
    put("listening_sheet.html", listening_sheet(site))
    put("readings.csv", readings_csv(site) if readings is None else readings_as_read(site))
    put("site.toml", site_toml(replace(new, headings=()), name))
    _read(inside, folder, sources)
    own = (inside / "readings.csv").as_posix()
    return [
        f"{Origin((readings or inside).as_posix(), each.origin.line)}: {each.text}"
        for each in site.notes
        if readings is not None and each.origin.file == own
    ]


def _copy_points(source: Path, folder: Path) -> str:
    name = source.name if source.name.casefold() not in _TAKEN else f"points_{source.name}"
    shutil.copyfile(source, folder / name)
    if source.suffix.casefold() == ".shp":
        for suffix in SHAPEFILE_PARTS:
            part = source.with_suffix(suffix)
            if part.is_file():
                shutil.copyfile(part, (folder / name).with_suffix(suffix))
    return name


def _read(inside: Path, folder: Path, sources: Mapping[str, Path | None]) -> Site:
    """Read the new folder as any site is read; complaints name the files that are there."""
    from geoleak.readers import read_site

    try:
        return read_site(inside)
    except InputError as error:
        renamed = []
        for each in error.complaints:
            file, *place = each.origin
            source = sources.get(Path(file).name)
            file = file.replace(inside.as_posix(), folder.as_posix(), 1)
            where = Origin(file if source is None else source.as_posix(), *place)
            renamed.append(replace(each, origin=where))
        raise InputError(renamed) from None


def readings_csv(site: Site) -> str:
    """Return readings.csv with a blank row per mark, leg by leg, in the order of the marks.

    A mark of two legs is named with its leg; so is one that a spreadsheet takes for a formula.
    """
    marks = [(leg.name, mark) for leg in site.legs for mark in leg.mark_ids]
    legs_of = Counter(mark for _, mark in marks)
    rows = []
    for number, (leg, mark) in enumerate(marks, 1):
        alone = legs_of[mark] == 1 and not mark.startswith(_FORMULA)
        rows.append([number, "surface", mark if alone else f"{leg} {mark}"])
    return csv_text(READINGS_HEADER, [row + [""] * (len(READINGS_HEADER) - 3) for row in rows])


def readings_as_read(site: Site) -> str:
    """Return readings.csv from a sheet of other headings and habits, as it was read."""
    columns = SHEETS["readings.csv"].columns
    known = (*READINGS_HEADER, *(name for name in columns if name not in READINGS_HEADER))
    extra = tuple(dict.fromkeys(name for each in site.readings for name in each.extra))
    fields = [columns[name].field for name in known]
    rows = (
        [_as_read(each, field) for field in fields] + [each.extra.get(name, "") for name in extra]
        for each in site.readings
    )
    return csv_text((*known, *extra), rows)


def _as_read(reading: Reading, field: str) -> Any:
    """Return the cell that reads as what a field of a reading holds."""
    value = getattr(reading, field)
    if field == "place":
        return value.text
    if field == "levels":
        return " ".join(np.format_float_positional(level, trim="-") for level in value)
    if field == "depth_m" and value is not None:
        return f"{value:.6g} m"
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else value


def csv_text(header: Sequence[str], rows: Iterable[Sequence[Any]]) -> str:
    """Return a sheet as text."""
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows([header, *rows])
    return out.getvalue()


def site_toml(new: NewSite, points_name: str) -> str:
    """Return site.toml, with the keys a person will want next as comments."""
    from markupsafe import Markup

    from geoleak.export.documents import rendered

    def toml(value: Any) -> Markup:
        """Return a text, several, or pairs of a name and a text."""
        if isinstance(value, str):
            return Markup(quoted(value))
        if value and isinstance(value[0], tuple):
            return Markup("{" + ", ".join(f"{k} = {quoted(each)}" for k, each in value) + "}")
        return Markup(f"[{', '.join(map(quoted, value))}]")

    about = {"file": points_name, "stem": Path(points_name).stem, "legs": legs_of(new)}
    off = _OFF.get(new.everything_off)
    return rendered("new_site.toml", new=new, off=off, toml=toml, **about)


def legs_of(new: NewSite) -> dict[str, dict[str, str]]:
    """Return what says where each leg runs, by its name."""
    legs = {f"leg {code}": {"code": code} for code in new.marks}
    if new.numbers:
        legs["numbered"] = {"points": new.numbers}
    if len(legs) == 1:
        return {"service": next(iter(legs.values()))}
    main = next((code for code in new.marks if code not in new.branches), None)
    for code in new.branches:
        if main is not None and code in new.marks:
            legs[f"leg {code}"]["from"] = f"leg {main}"
    return legs


def quoted(text: str) -> str:
    """Return a TOML basic string: quotes, backslashes and control characters escaped."""
    safe = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + re.sub(r"[\x00-\x1f\x7f]", lambda sign: f"\\u{ord(sign[0]):04x}", safe) + '"'


def listening_sheet(site: Site) -> str:
    """Return the sheet as one self-contained HTML page: each leg's marks in order, the fittings."""
    from geoleak.export.documents import rendered

    # The fittings a contact sensor can touch: the usual first step.
    marks = {mark for leg in site.legs for mark in leg.mark_ids}
    points = (point for name, point in site.points.items() if name not in marks)
    fittings = [point for point in points if site.codes.is_fitting(point.code)]
    return rendered("listening_sheet.html", site=site, caution=HEARING, fittings=fittings)
