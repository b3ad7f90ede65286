"""A site folder to a `Site`: everything read and checked, every complaint at once."""

from __future__ import annotations

import re
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Any

from geoleak.crs import CrsInfo, crs_info
from geoleak.errors import Origin, Refused, one_slip_away
from geoleak.readers.collector import Collector, refused
from geoleak.readers.drawings import read_drawn
from geoleak.readers.headers import folded
from geoleak.readers.legs import LegReader
from geoleak.readers.numbers import (
    DEPTH,
    DIAMETER,
    PIPE_DEPTH,
    PlaceReader,
    Usual,
    depth_note,
    doubt,
    is_bare,
)
from geoleak.readers.point_checks import parse_scheme
from geoleak.readers.points import read_points
from geoleak.readers.sheets import SHEETS, TAPES, read_sheets, read_tapes
from geoleak.readers.table import PointContext
from geoleak.readers.text import decode_text, sniff_delimiter
from geoleak.readers.toml import Key, SiteToml, dotted, read_site_toml, tables_of
from geoleak.site import Codes, PointFile, PointTable, Site, Tape
from geoleak.tables.learned import Tables
from geoleak.units import INTERNATIONAL_FOOT_M, parse_length


def read_site(
    folder: str | Path,
    *,
    instead: Mapping[str, bytes] | None = None,
    tables: Tables | None = None,
) -> Site:
    """Return everything a site folder states, read and checked.

    Parameters
    ----------
    folder : str or Path
        The folder that holds ``site.toml``.
    instead : mapping of str to bytes, optional
        Files to be read as they would be, by name: an entry is tried before it is written.
    tables : Tables, optional
        Values to rest on in place of those that ``[tables]`` names.

    Returns
    -------
    Site
        Frozen; its ``notes`` say what was noticed, its ``inputs`` the SHA-256 of each file read.

    Raises
    ------
    InputError
        With every complaint found, each with file, line and column.
    """
    collector = Collector(Path(folder), instead=instead)
    with collector.taking():
        toml = read_site_toml(collector)
        info = _crs(toml, collector)
        _check_tables(toml, collector)
        _ask_about_lengths(toml, collector)
        shot, unit = _points(toml, info, collector), toml.settings.length_unit
        site = _site(toml, *read_tapes(collector, shot, unit), collector, tables)
        if not collector.complaints:
            return site
    collector.refuse()


def _crs(toml: SiteToml, collector: Collector) -> CrsInfo:
    settings, unit = toml.settings, toml.settings.length_unit
    read: dict[str, CrsInfo] = {}
    for key, text in (("crs", settings.crs), ("grid_crs", settings.grid_crs)):
        with collector.taking(toml.origin(key), f"{key}: "):
            read |= {key: crs_info(text, length_unit=unit)} if text is not None else {}
    grid, named = read.get("grid_crs"), f'grid_crs: "{settings.grid_crs}"'
    if grid is not None and grid.geographic:
        remedy = "state a projected CRS, or leave it out"
        collector.complain(toml.origin("grid_crs"), f"{named} is in degrees", remedy)
    elif grid is not None and (grid.crs is None) != (settings.crs.strip().casefold() == "local"):
        what = f'{named} cannot be reached from crs = "{settings.crs}"'
        collector.complain(toml.origin("grid_crs"), what, "leave grid_crs out")
    return read.get("crs") or crs_info("local", length_unit=unit)


def _points(toml: SiteToml, info: CrsInfo, collector: Collector) -> PointTable:
    settings, spec = toml.settings, toml.settings.point_file
    if spec is None:
        return PointTable.of([])
    twice = {name for name in spec.files if spec.files.count(name) > 1}
    if twice:
        what = f'"{min(twice)}" is listed twice'
        raise refused(toml.origin("points", "file"), what, "list it once")
    asked = {key.removeprefix("points."): origin for key, origin in toml.stated.items()
             if key.startswith("points.")}  # fmt: skip
    unit, corrections = settings.length_unit, settings.corrections
    return read_points(PointContext(spec, info, unit, collector, asked, corrections))


def _check_tables(toml: SiteToml, collector: Collector) -> None:
    """Check what one key alone cannot know: files that are named, dates in order."""
    settings, spec = toml.settings, toml.settings.point_file
    if spec is not None and spec.status_scheme is not None:
        where = toml.origin("points", "status_scheme")
        with collector.taking(where, "points.status_scheme: "):
            parse_scheme(spec.status_scheme)
    named: list[tuple[str | None, tuple[str | int, ...]]] = [(settings.job.logo, ("job", "logo"))]
    for number, utility in enumerate(settings.utilities):
        named.append((utility.file, ("utility", number, "file")))
        if utility.file is None and not utility.codes:
            what = f'utility "{utility.name}" has neither file nor codes'
            where = toml.origin("utility", number, "name")
            collector.complain(where, what, 'write file = "..." or codes = ["..."]')
    for photo in settings.photos.files if settings.photos else ():
        named.append((photo, ("photos", "file")))
    for name, key in named:
        with collector.taking():
            if name is not None:
                collector.read_bytes(name, toml.origin(*key))
    request = settings.locate_request
    begin, end = request.valid_from or "", request.expires or ""
    # A date without a time is the whole day.
    signs = None if min(len(begin), len(end)) > len("2026-05-04") else len("2026-05-04")
    if begin and end and end[:signs] < begin[:signs]:
        what = f'"{request.expires}" lies before valid_from "{request.valid_from}"'
        collector.complain(toml.origin("locate_request", "expires"), what, "check both dates")


def _site(
    toml: SiteToml,
    tapes: tuple[Tape, ...],
    points: PointTable,
    collector: Collector,
    tables: Tables | None,
) -> Site:
    settings = toml.settings
    drawn = read_drawn(toml, collector, taken=[leg.name for leg in settings.legs])
    legs = LegReader(toml, points, collector, drawn=drawn[1] if drawn else None).read()
    on_legs: dict[str, tuple[str, ...]] = {}
    for leg in legs:
        on_legs |= {mark: (*on_legs.get(mark, ()), leg.name) for mark in leg.mark_ids}
    names, unit = [leg.name for leg in legs], settings.length_unit
    places = PlaceReader(points=points, legs=names, unit=unit, on_legs=on_legs)
    _note_codes(toml, points, collector)
    sheets = read_sheets(collector, places, settings)
    if not sheets["readings"] and not sheets["delays"]:
        text = "no reading and no delay is filled in yet"
        collector.note("no_readings", text, Origin(toml.label))
    if tables is None:
        named, at, tables = settings.tables, toml.origin("tables", "file"), Tables()
        with collector.taking():
            tables = tables_of(collector, named.file, at) if named else tables
    elif tables.file:
        collector.inputs[tables.file] = tables.sha256
    if tables.file:
        since = f" of {tables.first} to {tables.last}" if tables.first else ""
        text = f"{len(tables.rows)} values learned on {tables.sites} closed-out sites{since} ("
        text += f"{tables.file}) stand in place of the shipped guesses"
        collector.note("learned_values", text)
    _name_strays(collector)
    # What the site states itself goes before what other sites taught.
    shares = tables.shares().items()
    learned = {each: share for each, share in shares if each not in settings.prior.model_fields_set}
    made = {
        "prior": settings.prior.model_copy(update=learned),
        "tables": tables,
        "folder": collector.folder,
        "title": settings.title or collector.folder.resolve().name,
        "points": points,
        "legs": legs,
        "point_file": settings.point_file or PointFile(files=()),
        "network": drawn[0] if drawn else None,
        "tapes": tapes,
        "photos": settings.photos.files if settings.photos else (),
        "notes": tuple(collector.notes),
        "inputs": MappingProxyType(dict(collector.inputs)),
        "origins": toml.stated,
    }
    return Site(**{**dict(settings), **sheets, **made})


def _note_codes(toml: SiteToml, points: PointTable, collector: Collector) -> None:
    """Say which code patterns fit no point: a typing error would silently lose a valve."""
    there, codes = points.code_names(), toml.settings.codes
    for key, patterns in (("fitting", codes.fitting), ("feature", codes.feature)):
        for at, pattern in enumerate(patterns):
            if not any(Codes.matches(code, (pattern,)) for code in there):
                text = f'no point has the {key} code "{pattern}"'
                collector.note("code_not_found", text, toml.origin("codes", key, at))


# From a keyhole to what one gang opens and backs up in a day.
HOLE = Usual(0.3, 20 * INTERNATIONAL_FOOT_M, 20 * INTERNATIONAL_FOOT_M, '"5 ft" or "1.5 m"')
# From thin copper to a concrete main.
WALL = Usual(0.5 / 1000, 0.25, 0.025, '"0.133 in" or "5.8 mm"')
_ASKED = {
    "network": {"depth": PIPE_DEPTH},
    "crew": {"dig_length": HOLE},
    "leg": {"depth": PIPE_DEPTH, "outside_diameter": DIAMETER, "wall": WALL},
    "utility": {"depth": DEPTH},
}


def _ask_about_lengths(toml: SiteToml, collector: Collector) -> None:
    """Ask about depths, diameters, walls and holes that hardly can be, or say so."""
    unit, stated = toml.settings.length_unit, list[tuple[Key, Any, Usual]]()
    for name, limits in _ASKED.items():
        held = toml.values.get(name, [])
        tables = dict(enumerate(held)) if isinstance(held, list) else {None: held}
        for k, table in tables.items():
            at = (name,) if k is None else (name, k)
            stated += [((*at, key), table[key], limits[key]) for key in limits if key in table]
    for path, value, usual in stated:
        metres, name, origin = parse_length(value, unit=unit), dotted(path), toml.origin(*path)
        asked = doubt(value, metres, usual, unit) if is_bare(value) else None
        if asked:
            collector.complain(origin, f"{name}: {asked.what}", asked.remedy)
        elif not usual.low_m <= metres <= usual.high_m:
            text = f"{name}: {value} is more or less than is usual; check it"
            collector.note("unusual", text, origin)
        elif usual is PIPE_DEPTH and (note := depth_note(name, value, metres, unit)):
            collector.note(*note, origin)


_EVERY = {**SHEETS, TAPES.file: TAPES}


def _name_strays(collector: Collector) -> None:
    """Complain of a sheet whose name is a slip away from one that is read; name the other sheets.

    A file that is a sheet by its header or nearly by its name is noted: it is not used.
    """
    try:
        there = sorted(collector.folder.iterdir())
    except OSError:
        return
    read = [collector.folder / name for name in (*collector.inputs, *_EVERY)]
    read = [each for each in read if each.exists()]
    for path in there:
        table = path.suffix.casefold() in (".csv", ".tsv", ".txt") and path.is_file()
        if not table or path.name.startswith((".", "~")):
            continue
        # A disk that tells no capitals from small letters reads Checks.csv as checks.csv.
        if any(map(path.samefile, read)):
            continue
        label = Origin(collector.label(path.name))
        # But for case, number, blanks or a second ending.
        bare = _bare(re.sub(r"(\.(csv|tsv|txt))+$", "", path.name.casefold()))
        meant = next((each for each in _EVERY if bare == _bare(Path(each).stem)), "")
        if meant and ".csv" in path.name.casefold():
            remedy = f"did you mean {meant}? rename it, or take it out of the folder"
            collector.complain(label, f"unknown sheet {path.name}", remedy)
            continue
        near = one_slip_away(path.stem, (Path(name).stem for name in _EVERY))
        like = meant or (f"{near}.csv" if near else _by_header(path))
        if like:
            text = f"{path.name} is not used: no sheet is called so; did you mean {like}?"
            collector.note("sheet_not_used", text, label)


def _bare(words: str) -> str:
    return "".join(filter(str.isalnum, words)).removesuffix("s")


def _by_header(path: Path) -> str:
    """Return the sheet whose columns a file has: all that it needs, and no other."""
    try:
        with path.open("rb") as stream:
            line, _ = decode_text(stream.readline(10_000))  # no header is longer
        header = line.strip().split(sniff_delimiter(line))
    except (OSError, Refused):
        return ""
    names = {folded(each) for each in header}
    for name, kind in _EVERY.items():
        mine = {folded(each) for each in (*kind.columns, "entry")}
        if len(names) > 1 and names <= mine and {folded(each) for each in kind.needed} <= names:
            return name
    return ""
