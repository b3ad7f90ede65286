"""A site folder to a `Site`: everything read and checked, every complaint at once."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType

from geoleak.crs import CrsInfo, crs_info
from geoleak.errors import Origin, Refused
from geoleak.readers.collector import Collector, refused
from geoleak.readers.drawings import read_drawn
from geoleak.readers.learned import tables_of
from geoleak.readers.legs import LegReader, legs_of_points
from geoleak.readers.places import PlaceReader
from geoleak.readers.plausible import ask_about_lengths
from geoleak.readers.points import read_points
from geoleak.readers.precision import parse_scheme
from geoleak.readers.sheets import name_strays, read_sheets
from geoleak.readers.table import PointContext
from geoleak.readers.tapes import read_tapes
from geoleak.readers.toml import SiteToml, read_site_toml
from geoleak.site import Codes, PointFile, PointTable, Site, Tape
from geoleak.tables.learned import Tables


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
        ask_about_lengths(toml, collector)
        shot, unit = _points(toml, info, collector), toml.settings.length_unit
        site = _site(toml, *read_tapes(collector, shot, unit), collector, tables)
        if not collector.complaints:
            return site
    collector.refuse()


def _crs(toml: SiteToml, collector: Collector) -> CrsInfo:
    settings, unit = toml.settings, toml.settings.length_unit
    read: dict[str, CrsInfo] = {}
    for key, text in (("crs", settings.crs), ("grid_crs", settings.grid_crs)):
        try:
            read |= {key: crs_info(text, length_unit=unit)} if text is not None else {}
        except Refused as error:
            collector.complain_of(toml.origin(key), error, f"{key}: ")
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
        try:
            parse_scheme(spec.status_scheme)
        except Refused as error:
            where = toml.origin("points", "status_scheme")
            collector.complain_of(where, error, "points.status_scheme: ")
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
    if request.valid_from and request.expires and _ends_before(request.expires, request.valid_from):
        what = f'"{request.expires}" lies before valid_from "{request.valid_from}"'
        collector.complain(toml.origin("locate_request", "expires"), what, "check both dates")


def _ends_before(end: str, start: str) -> bool:
    """Tell whether one moment lies before another; a date without a time is the whole day."""
    with_times = len(end) > len("2026-05-04") and len(start) > len("2026-05-04")
    return end < start if with_times else end[:10] < start[:10]


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
    places = PlaceReader(
        points=points,
        legs=[leg.name for leg in legs],
        unit=settings.length_unit,
        on_legs=dict(legs_of_points(legs)),
    )
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
    name_strays(collector)
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
