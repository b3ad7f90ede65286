"""A site folder to a `Site`: everything read and checked, every complaint at once."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

from geoleak.crs import CrsInfo, crs_info
from geoleak.errors import Origin
from geoleak.readers.calibration import read_calibrations
from geoleak.readers.collector import Collector
from geoleak.readers.delays import read_delays
from geoleak.readers.fittings import read_fittings
from geoleak.readers.holes import read_holes
from geoleak.readers.isolations import read_isolations
from geoleak.readers.legs import LegReader, legs_of_points
from geoleak.readers.meter import read_meter
from geoleak.readers.network import read_drawn
from geoleak.readers.past_leaks import read_past_leaks
from geoleak.readers.places import PlaceReader
from geoleak.readers.point_context import PointContext
from geoleak.readers.point_table import PointTable
from geoleak.readers.points import read_points
from geoleak.readers.readings import check_recordings, read_readings
from geoleak.readers.sightings import read_sightings
from geoleak.readers.site_model import CrewTable
from geoleak.readers.site_toml import SiteToml, read_site_toml
from geoleak.readers.taped_points import no_points
from geoleak.readers.tapes import Taped, read_tapes
from geoleak.site import (
    Codes,
    Crew,
    Job,
    LevelSettings,
    LocateRequest,
    PointFile,
    PriorSettings,
    Site,
    Utility,
)
from geoleak.units import LENGTH_UNITS, unit_m


def read_site(folder: str | Path) -> Site:
    """Return everything a site folder states, read and checked.

    Parameters
    ----------
    folder : str or Path
        The folder that holds ``site.toml``.

    Returns
    -------
    Site
        Frozen; its ``notes`` say what was noticed, its ``inputs`` the SHA-256 of each file read.

    Raises
    ------
    InputError
        With every complaint found, each with file, line and column.
    """
    collector = Collector(Path(folder))
    toml = read_site_toml(collector)
    if toml is None:
        collector.refuse()
    info = _crs(toml, collector)
    _check_tables(toml, collector)
    points = _points(toml, info, collector)
    if points is None:
        collector.refuse()
    taped = read_tapes(collector, points, unit=toml.table.length_unit)
    site = _site(toml, taped, collector)
    collector.finish()
    return site


def _crs(toml: SiteToml, collector: Collector) -> CrsInfo:
    unit = toml.table.length_unit
    try:
        info = crs_info(toml.table.crs, length_unit=unit)
    except ValueError as error:
        what, _, remedy = str(error).partition("; ")
        collector.complain(toml.origin("crs"), f"crs: {what}", remedy)
        info = CrsInfo(toml.table.crs, None, unit, LENGTH_UNITS[unit], False)
    if toml.table.grid_crs is not None:
        _check_grid_crs(toml, toml.table.grid_crs, info, collector)
    return info


def _check_grid_crs(toml: SiteToml, text: str, info: CrsInfo, collector: Collector) -> None:
    where = toml.origin("grid_crs")
    try:
        grid = crs_info(text, length_unit=toml.table.length_unit)
    except ValueError as error:
        what, _, remedy = str(error).partition("; ")
        collector.complain(where, f"grid_crs: {what}", remedy)
        return
    if grid.geographic:
        collector.complain(
            where, f'grid_crs: "{text}" is in degrees', "state a projected CRS, or leave it out"
        )
    elif (grid.crs is None) != (toml.table.crs.strip().casefold() == "local"):
        collector.complain(
            where, f'grid_crs: "{text}" cannot be reached from crs = "{toml.table.crs}"',
            "leave grid_crs out",
        )  # fmt: skip


def _points(toml: SiteToml, info: CrsInfo, collector: Collector) -> PointTable | None:
    table = toml.table.points
    if table is None:
        return no_points()
    asked = {
        key.removeprefix("points."): origin
        for key, origin in toml.stated.items()
        if key.startswith("points.")
    }
    spec = _point_file(toml)
    twice = {name for name in table.file if table.file.count(name) > 1}
    if twice:
        collector.complain(
            toml.origin("points", "file"), f'"{min(twice)}" is listed twice', "list it once"
        )
        return None
    return read_points(PointContext(spec, info, toml.table.length_unit, collector, asked))


def _point_file(toml: SiteToml) -> PointFile:
    table = toml.table.points
    if table is None:
        return PointFile(files=())
    return PointFile(
        files=table.file,
        layout=table.layout,
        precision_is=table.precision_is,
        rover_bias_m=table.rover_bias,
        columns=MappingProxyType(dict(table.columns)),
        elevation_unit=table.elevation_unit,
        delimiter=table.delimiter,
        decimal=table.decimal,
        status_scheme=table.status_scheme,
    )


def _check_tables(toml: SiteToml, collector: Collector) -> None:
    """Check what one key alone cannot know: files of services, dates in order."""
    for number, utility in enumerate(toml.table.utility):
        if utility.file is None and not utility.codes:
            collector.complain(
                toml.origin("utility", number, "name"),
                f'utility "{utility.name}" has neither file nor codes',
                'write file = "..." or codes = ["..."]',
            )
        if utility.file is not None:
            collector.read_bytes(utility.file, toml.origin("utility", number, "file"))
    request = toml.table.locate_request
    if request.valid_from and request.expires and _ends_before(request.expires, request.valid_from):
        collector.complain(
            toml.origin("locate_request", "expires"),
            f'"{request.expires}" lies before valid_from "{request.valid_from}"',
            "check both dates",
        )


def _ends_before(end: str, start: str) -> bool:
    """Tell whether one moment lies before another; a date without a time is the whole day."""
    with_times = len(end) > len("2026-05-04") and len(start) > len("2026-05-04")
    return end < start if with_times else end[:10] < start[:10]


def _site(toml: SiteToml, taped: Taped, collector: Collector) -> Site:
    table, points = toml.table, taped.points
    drawn = read_drawn(toml, collector, taken=[leg.name for leg in table.leg])
    legs = LegReader(toml, points, collector, drawn=drawn).read()
    places = PlaceReader(
        points=points,
        legs=[leg.name for leg in legs],
        unit=table.length_unit,
        on_legs=dict(legs_of_points(legs)),
    )
    codes = Codes(fitting=table.codes.fitting, feature=table.codes.feature)
    _note_codes(codes, points, toml, collector)
    sheets = _sheets(collector, places)
    if not sheets["readings"] and not sheets["delays"]:
        collector.note(
            "no_readings", "no reading and no delay is filled in yet", Origin(toml.label)
        )
    return Site(
        folder=collector.folder,
        title=table.title or collector.folder.resolve().name,
        crs=table.crs,
        grid_crs=table.grid_crs,
        length_unit=table.length_unit,
        coordinate_epoch=table.coordinate_epoch,
        water_temperature_c=table.water_temperature,
        corrections=table.corrections,
        mean_height_m=table.mean_height,
        points=points,
        legs=legs,
        point_file=_point_file(toml),
        codes=codes,
        levels=_levels(toml),
        crew=_crew(table.crew, table.length_unit),
        prior=PriorSettings(**table.prior.model_dump()),
        utilities=_utilities(toml),
        network_file=table.network.file if table.network else None,
        network=drawn.network if drawn else None,
        tapes=taped.tapes,
        locate_request=LocateRequest(**table.locate_request.model_dump()),
        job=Job(**table.job.model_dump()),
        notes=tuple(collector.notes),
        inputs=MappingProxyType(dict(collector.inputs)),
        origins=toml.stated,
        **sheets,
    )


def _sheets(collector: Collector, places: PlaceReader) -> dict[str, Any]:
    sheets: dict[str, Any] = {
        "readings": read_readings(collector, places),
        "delays": read_delays(collector, places),
        "fittings": read_fittings(collector, places),
        "isolations": read_isolations(collector, places),
        "calibrations": read_calibrations(collector, places),
        "sightings": read_sightings(collector, places),
        "holes": read_holes(collector, places),
        "past_leaks": read_past_leaks(collector, places),
        "meter": read_meter(collector, places),
    }
    named = [(each.recording, each.origin) for each in sheets["readings"] if not each.skip]
    for each in sheets["delays"]:
        if not each.skip:
            named += [(each.recording_first, each.origin), (each.recording_second, each.origin)]
    check_recordings(named, collector)
    return sheets


FEET_DEFAULTS = {"dig_length": 5, "offset_stake": 5, "tape_length": 100, "bucket_width": 2}
"""What [crew] means by nothing on a site in feet: round figures, as the metric ones are."""


def _levels(toml: SiteToml) -> LevelSettings:
    table = toml.table.readings
    return LevelSettings(
        level_scale=table.level_scale,
        level_sigma_db=table.level_sigma,
        place_sigma_db=table.place_sigma,
        level_limits=table.level_limits,
        gate_m=table.gate,
    )


def _crew(table: CrewTable, unit: str) -> Crew:
    crew = Crew(
        dig_length_m=table.dig_length,
        dig_when=table.dig_when,
        locator_sigma_m=table.locator_sigma[0],
        locator_sigma_of_depth=table.locator_sigma[1],
        locator_bias_m=table.locator_bias[0],
        locator_bias_of_depth=table.locator_bias[1],
        tape_sigma_m=table.tape_sigma,
        tape_length_m=table.tape_length,
        offset_stake_m=table.offset_stake,
        bucket_width_m=table.bucket_width,
        tolerance_zone_m=table.tolerance_zone,
        soil_type=table.soil_type,
        dig_cost=table.dig_cost,
        dry_hole_cost=table.dry_hole_cost,
        reading_minutes=table.reading_minutes,
        hour_cost=table.hour_cost,
    )
    if unit == "m":
        return crew

    # A crew that thinks in feet opens 5 ft, not 4.9.
    def feet(key: str, metres: float) -> float:
        stated = key in table.model_fields_set
        return metres if stated else FEET_DEFAULTS[key] * unit_m(unit)

    return replace(
        crew,
        dig_length_m=feet("dig_length", crew.dig_length_m),
        offset_stake_m=feet("offset_stake", crew.offset_stake_m),
        tape_length_m=feet("tape_length", crew.tape_length_m),
        bucket_width_m=feet("bucket_width", crew.bucket_width_m),
    )


def _utilities(toml: SiteToml) -> tuple[Utility, ...]:
    return tuple(
        Utility(
            name=each.name,
            file=each.file,
            codes=each.codes,
            colour=each.colour,
            depth_m=each.depth,
            quality=each.quality,
            origin=toml.origin("utility", number, key=True),
        )
        for number, each in enumerate(toml.table.utility)
    )


def _note_codes(codes: Codes, points: PointTable, toml: SiteToml, collector: Collector) -> None:
    """Say which code patterns fit no point: a typing error would silently lose a valve."""
    there = points.code_names()
    groups: Mapping[str, tuple[str, ...]] = {"fitting": codes.fitting, "feature": codes.feature}
    for key, patterns in groups.items():
        for at, pattern in enumerate(patterns):
            if not any(Codes.matches(code, (pattern,)) for code in there):
                collector.note(
                    "code_not_found", f'no point has the {key} code "{pattern}"',
                    toml.origin("codes", key, at),
                )  # fmt: skip
