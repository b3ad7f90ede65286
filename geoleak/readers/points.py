"""The rover's point files to one `PointTable`: every style of export that design of a site allows.

Text in many dialects, spreadsheets and GIS layers become columns by role (`text_source`,
`layer_source`, `sheet_source`); this module gives the columns their meaning.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import PurePath

import numpy as np
from numpy.typing import NDArray

from geoleak.errors import Origin
from geoleak.readers.area_check import check_area, note_far_points
from geoleak.readers.collector import Collector, listed
from geoleak.readers.column_values import floats
from geoleak.readers.crs_info import CrsInfo
from geoleak.readers.long_columns import CodedText, NumberedIds
from geoleak.readers.long_source import LONG_BYTES, raw_from_long_text
from geoleak.readers.observations import merge_repeats
from geoleak.readers.point_table import STATUSES, Columns, FloatArray, PointTable
from geoleak.readers.positions import complain_cells, read_positions
from geoleak.readers.precision import NO_SOLUTION, per_axis, statuses, word_key
from geoleak.readers.text_source import Raw, raw_from_text
from geoleak.site import NOWHERE, PointFile
from geoleak.units import LENGTH_UNITS

LAYER_SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".gpx", ".fgb", ".kml")
SHEET_SUFFIXES = (".xlsx", ".xlsm")
_SMALL_UNITS = {"mm": 0.001, "cm": 0.01, "in": 0.0254}
_LENGTH_ROLES = {
    "elevation": "elevation_m",
    "ellipsoidal_height": "ellipsoidal_height_m",
    "depth": "depth_m",
}


@dataclass(frozen=True, slots=True)
class PointContext:
    """What the meaning of a point file depends on beside the file."""

    spec: PointFile
    info: CrsInfo
    length_unit: str
    collector: Collector
    asked: Mapping[str, Origin]


def read_points(context: PointContext) -> PointTable | None:
    """Return the points of all files of ``[points]``, in file order; ``None`` after complaints."""
    parts: list[Columns] = []
    for number, name in enumerate(context.spec.files):
        asked = context.asked.get(f"file.{number}", context.asked.get("file", NOWHERE))
        raw = raw_of_file(name, asked, context)
        columns = None if raw is None else columns_of(raw, context)
        if columns is not None:
            parts.append(columns)
    if not parts:
        return None
    held = parts[0] if len(parts) == 1 else _joined(parts)
    metres_e, metres_n = _metres_per_unit(held, context.info)
    held = merge_repeats(held, context.collector, metres_e=metres_e, metres_n=metres_n)
    return PointTable(held)


def raw_of_file(name: str, asked: Origin, context: PointContext) -> Raw | None:
    """Return one file of the folder as columns by role; ``None`` after complaints."""
    data = context.collector.read_bytes(name, asked)
    if data is None:
        return None
    label = context.collector.label(name)
    suffix = PurePath(name).suffix.casefold()
    if suffix in LAYER_SUFFIXES:
        from geoleak.readers.layer_source import raw_from_layer

        return raw_from_layer(name, label=label, context=context)
    if suffix in SHEET_SUFFIXES:
        from geoleak.readers.workbook_source import raw_from_workbook

        return raw_from_workbook(data, label=label, context=context)
    given = {"label": label, "spec": context.spec, "collector": context.collector}
    raw = None
    if len(data) > LONG_BYTES:
        raw = raw_from_long_text(data, asked=context.asked, **given)
    return raw or raw_from_text(data, asked=context.asked, **given)


def columns_of(raw: Raw, context: PointContext) -> Columns | None:
    """Return one file's columns with their meaning, or ``None`` after complaints."""
    collector = context.collector
    _complain_doubled(raw, collector)
    _check_axis_unit(raw, context)
    pair = read_positions(raw, context.info, collector)
    if pair is None:
        return None
    easting, northing = pair
    ids = _ids(raw, collector)
    numbers = _numbers(raw, context)
    status = _status(raw, numbers.get("sigma_horizontal_m"), context)
    kept = _with_position(raw, easting, northing, ids, collector)
    if collector.complaints_in(raw.label):
        return None
    if not kept.any():
        collector.complain(Origin(raw.label), "no row has a position", "export the file again")
        return None
    codes, notes = _codes_and_notes(raw)
    held = Columns(
        ids=ids,
        easting=easting,
        northing=northing,
        codes=codes,
        files=[raw.label] * len(ids),
        lines=raw.lines,
        numbers=numbers,
        status=status,
        times=_stripped(raw.cells("time")),
        notes=notes,
        extra=_extra(raw),
    )
    if not kept.all():
        held = _only(held, kept)
        raw = _raw_only(raw, kept)
    if not raw.positions_checked:
        if not check_area(raw, held.easting, held.northing, context.info, collector):
            return None
        note_far_points(raw, held.easting, held.northing, context.info, collector)
    _name_loose_solutions(held, raw, collector)
    return held


def _complain_doubled(raw: Raw, collector: Collector) -> None:
    """Two columns of one coordinate are never chosen between in silence."""
    for role, used, other in raw.header.doubled:
        names = raw.header.names
        if role in ("northing", "easting", "latitude", "longitude"):
            collector.complain(
                raw.locate(0, other),
                f'"{names[used]}" and "{names[other]}" could both be the {role}',
                f'state it: columns = {{{role} = "{names[used]}"}} in [points]',
            )
        else:
            collector.note(
                "column_chosen",
                f'"{names[used]}" is read as {role.replace("_", " ")},'
                f' "{names[other]}" is passed through',
                Origin(raw.label),
            )


def _check_axis_unit(raw: Raw, context: PointContext) -> None:
    """Refuse a stated unit of northing or easting that is not the CRS's own."""
    axis = context.info.axis_unit
    for role in ("northing", "easting"):
        stated = raw.header.units.get(role)
        if stated is None or stated == axis or (stated == "foot" and axis in ("ft", "ftUS")):
            continue
        context.collector.complain(
            raw.origin(0, role),
            f"the file says its {role} is in {stated}, but the unit of "
            f"{context.info.text} is {axis}",
            "state the CRS in the file's unit, or export in the CRS's",
        )


def _ids(raw: Raw, collector: Collector) -> Sequence[str]:
    cells = raw.cells("id")
    if isinstance(cells, NumberedIds):
        return cells
    if cells is None:
        collector.note(
            "ids_from_rows", f"{raw.label} has no point ids: rows are numbered from 1",
            Origin(raw.label),
        )  # fmt: skip
        return [str(number) for number in range(1, len(raw.lines) + 1)]
    return [cell.strip() for cell in cells]


def _with_position(
    raw: Raw, easting: FloatArray, northing: FloatArray, ids: Sequence[str], collector: Collector
) -> NDArray[np.bool_]:
    """Tell which rows hold a position; a base row without a solution is skipped with a note."""
    blank_e, blank_n = np.isnan(easting), np.isnan(northing)
    words = raw.cells("status")
    skipped: list[str] = []
    kept = ~(blank_e & blank_n)
    if words is not None:
        zero = (easting == 0) & (northing == 0)
        for row in np.flatnonzero(zero):
            kept[row] = kept[row] and word_key(words[row]) not in NO_SOLUTION
    bad = {each.origin for each in collector.complaints}
    degrees = "northing" not in raw.header.roles
    for row in np.flatnonzero(blank_e != blank_n):
        role = ("longitude" if degrees else "easting") if blank_e[row] else (
            "latitude" if degrees else "northing"
        )  # fmt: skip
        where = raw.origin(int(row), role)
        if where not in bad:
            collector.complain(where, f"the {role} is missing", "fill it in")
    for row in np.flatnonzero(~kept):
        if words is not None and word_key(words[row]) not in NO_SOLUTION:
            where = raw.origin(int(row), "latitude" if degrees else "northing")
            if where not in bad:
                collector.complain(
                    where,
                    f'point "{ids[row]}" says "{words[row].strip()}" but has no position',
                    "fill it in or take the row out",
                )
        else:
            skipped.append(ids[row] or f"line {raw.lines[row]}")
    if "" in ids:
        for row in [index for index, each in enumerate(ids) if not each and kept[index]][:20]:
            collector.complain(raw.origin(row, "id"), "the point id is missing", "number the point")
    if skipped:
        collector.note(
            "no_position", f"rows without a position left out: {listed(skipped)}",
            Origin(raw.label, raw.lines[int(np.flatnonzero(~kept)[0])]),
        )  # fmt: skip
    return kept


def _numbers(raw: Raw, context: PointContext) -> dict[str, FloatArray]:
    """Return heights, depth and precision in metres, NaN where not stated."""
    numbers: dict[str, FloatArray] = {}
    for role, name in _LENGTH_ROLES.items():
        values = _column(raw, role, context)
        if values is not None:
            numbers[name] = values * _unit_of(raw, role, context)
    if "depth_m" in numbers:
        for row in np.flatnonzero(numbers["depth_m"] <= 0)[:20]:
            context.collector.complain(
                raw.origin(int(row), "depth"),
                f'depth "{raw.shown(row, "depth")}" is not above zero',
                "write how deep the pipe lies, or leave it empty",
            )
    horizontal = _sigma(raw, "horizontal_precision", 2, context)
    axes = [_sigma(raw, f"{axis}_precision", 1, context) for axis in ("easting", "northing")]
    if horizontal is None and axes[0] is not None and axes[1] is not None:
        horizontal = np.sqrt((axes[0] ** 2 + axes[1] ** 2) / 2)
    vertical = _sigma(raw, "vertical_precision", 1, context)
    if horizontal is not None:
        numbers["sigma_horizontal_m"] = horizontal
    if vertical is not None:
        numbers["sigma_vertical_m"] = vertical
    return numbers


def _column(raw: Raw, role: str, context: PointContext) -> FloatArray | None:
    cells = raw.cells(role)
    if cells is None:
        return None
    if role in raw.arrays:
        return raw.arrays[role]
    values, bad = floats(cells, decimal=raw.decimal)
    complain_cells(raw, role, bad, context.collector)
    return values


def _unit_of(raw: Raw, role: str, context: PointContext) -> float:
    """Return metres in one unit of a column.

    A unit in the header holds; a height without one is a coordinate and in the axis unit of a
    grid; everything else is in ``length_unit``.
    """
    stated = raw.header.units.get(role)
    if role == "elevation" and context.spec.elevation_unit:
        stated = context.spec.elevation_unit
    bare = context.length_unit
    if stated in _SMALL_UNITS:
        return _SMALL_UNITS[stated]
    if stated == "foot":
        foot = [each for each in (context.info.axis_unit, bare) if each in ("ft", "ftUS")]
        return LENGTH_UNITS[foot[0] if foot else "ft"]
    if stated in LENGTH_UNITS:
        return LENGTH_UNITS[stated]
    if role in ("elevation", "ellipsoidal_height") and not context.info.geographic:
        if context.info.axis_unit != bare:
            context.collector.note(
                "height_unit_assumed",
                f"{role.replace('_', ' ')} is taken in {context.info.axis_unit}, the unit of the "
                "coordinates; state elevation_unit in [points] if it is not",
                Origin(raw.label),
            )
        return context.info.axis_unit_m
    return LENGTH_UNITS[bare]


def _sigma(raw: Raw, role: str, axes: int, context: PointContext) -> FloatArray | None:
    values = _column(raw, role, context)
    if values is None:
        return None
    for row in np.flatnonzero(values < 0)[:20]:
        context.collector.complain(
            raw.origin(int(row), role),
            f'precision "{raw.shown(row, role)}" is below zero',
            "write the rover's figure or leave it empty",
        )
    zero = values == 0
    if zero.any():
        context.collector.note(
            "precision_zero",
            f"a {role.replace('_', ' ')} of 0 is taken as not stated ({int(zero.sum())} rows)",
            raw.origin(int(np.flatnonzero(zero)[0]), role),
        )
        values = np.where(zero, np.nan, values)
    metres = values * _unit_of(raw, role, context)
    return per_axis(metres, meaning=context.spec.precision_is, axes=axes)


def _status(raw: Raw, sigma_m: FloatArray | None, context: PointContext) -> NDArray[np.int8] | None:
    cells = raw.cells("status")
    if cells is None:
        return None
    index, taken, unknown = statuses(cells, sigma_m, context.spec.status_scheme)
    where = raw.origin(0, "status")
    numeric = sorted(cell.strip() for cell in unknown if cell.strip().isdigit())
    words = sorted(cell.strip() for cell in unknown if not cell.strip().isdigit())
    if taken and not context.spec.status_scheme:
        context.collector.note(
            "fix_scheme_found",
            f'the numbers of the fix column agree with the precision column as "{taken}"', where,
        )  # fmt: skip
    if numeric:
        context.collector.note(
            "fix_scheme_unknown",
            f"fix {listed(numeric)} means different things to different programs: state "
            'status_scheme in [points], "gga" or "1 fixed, 2 float, 5 single"',
            where,
        )
    if words:
        context.collector.note("fix_unknown", f"fix {listed(words)} is not known", where)
    return index


def _codes_and_notes(raw: Raw) -> tuple[Sequence[str], Sequence[str] | None]:
    codes = _stripped(raw.cells("code")) or [""] * len(raw.lines)
    notes = _stripped(raw.cells("note"))
    if raw.overflow:
        full = list(notes or [""] * len(codes))
        for row, text in raw.overflow.items():
            full[row] = f"{full[row]}, {text}" if full[row] else text
        notes = full
    return codes, notes


def _stripped(cells: Sequence[str] | None) -> Sequence[str] | None:
    if isinstance(cells, CodedText):
        return cells.stripped()
    return None if cells is None else [cell.strip() for cell in cells]


def _extra(raw: Raw) -> dict[str, Sequence[str]]:
    return {name: raw.columns[index] for name, index in raw.header.extra().items()}


def _name_loose_solutions(held: Columns, raw: Raw, collector: Collector) -> None:
    """Name the points whose solution was not fixed: kept, weighted by their precision."""
    if held.status is None:
        return
    for word in ("float", "single"):
        rows = np.flatnonzero(held.status == STATUSES.index(word))
        if rows.size:
            named = listed([held.ids[row] for row in rows[:11]])
            more = f" ({rows.size} in all)" if rows.size > 11 else ""
            collector.note(
                f"{word}_solution", f"points with a {word} solution: {named}{more}",
                Origin(raw.label, held.lines[int(rows[0])]),
            )  # fmt: skip


def _only(held: Columns, kept: NDArray[np.bool_]) -> Columns:
    rows = [int(each) for each in np.flatnonzero(kept)]

    def pick(cells: Sequence[str] | None) -> list[str] | None:
        return None if cells is None else [cells[row] for row in rows]

    return Columns(
        ids=[held.ids[row] for row in rows],
        easting=held.easting[kept],
        northing=held.northing[kept],
        codes=pick(held.codes) or [],
        files=pick(held.files) or [],
        lines=[held.lines[row] for row in rows],
        numbers={name: values[kept] for name, values in held.numbers.items()},
        status=None if held.status is None else held.status[kept],
        times=pick(held.times),
        notes=pick(held.notes),
        extra={name: pick(cells) or [] for name, cells in held.extra.items()},
    )


def _raw_only(raw: Raw, kept: NDArray[np.bool_]) -> Raw:
    """Return the same file whose row numbers are those of the kept rows, for origins."""
    rows = [int(each) for each in np.flatnonzero(kept)]
    locate = raw.locate
    return Raw(
        raw.label,
        raw.header,
        [],
        [raw.lines[row] for row in rows],
        lambda row, index: locate(rows[row], index),
        positions_checked=raw.positions_checked,
    )


def _joined(parts: list[Columns]) -> Columns:
    """Return several files' columns end to end."""
    sizes = [len(part.ids) for part in parts]

    def strings(cells: list[Sequence[str] | None]) -> list[str] | None:
        if all(each is None for each in cells):
            return None
        joined: list[str] = []
        for each, size in zip(cells, sizes, strict=True):
            joined.extend([""] * size if each is None else each)
        return joined

    names = dict.fromkeys(name for part in parts for name in part.numbers)
    extras = dict.fromkeys(name for part in parts for name in part.extra)
    status = None
    if any(part.status is not None for part in parts):
        status = np.concatenate(
            [np.zeros(n, np.int8) if p.status is None else p.status for p, n in zip(parts, sizes, strict=True)]
        )  # fmt: skip
    return Columns(
        ids=[each for part in parts for each in part.ids],
        easting=np.concatenate([part.easting for part in parts]),
        northing=np.concatenate([part.northing for part in parts]),
        codes=[each for part in parts for each in part.codes],
        files=[each for part in parts for each in part.files],
        lines=[each for part in parts for each in part.lines],
        numbers={
            name: np.concatenate(
                [
                    part.numbers.get(name, np.full(size, np.nan))
                    for part, size in zip(parts, sizes, strict=True)
                ]
            )
            for name in names
        },
        status=status,
        times=strings([part.times for part in parts]),
        notes=strings([part.notes for part in parts]),
        extra={name: strings([p.extra.get(name) for p in parts]) or [] for name in extras},
    )


def _metres_per_unit(held: Columns, info: CrsInfo) -> tuple[float, float]:
    if not info.geographic:
        return info.axis_unit_m, info.axis_unit_m
    latitude = float(np.median(held.northing))
    return 111_320.0 * float(np.cos(np.radians(latitude))), 111_320.0
