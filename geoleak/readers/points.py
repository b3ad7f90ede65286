"""The rover's point files to one `PointTable`, whatever style of export they are in.

Text in many dialects, spreadsheets and GIS layers become columns by role (`text_source`,
`layer_source`, `sheet_source`); this module gives the columns their meaning.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import PurePath

import numpy as np
from numpy.typing import NDArray

from geoleak.crs import CrsInfo
from geoleak.errors import Origin, listed
from geoleak.readers.area_check import check_area, note_far_points
from geoleak.readers.collector import Collector
from geoleak.readers.column_rows import joined, only_rows, raw_only
from geoleak.readers.long_columns import CodedText, NumberedIds
from geoleak.readers.long_source import LONG_BYTES, raw_from_long_text
from geoleak.readers.observations import merge_repeats
from geoleak.readers.point_context import PointContext
from geoleak.readers.point_numbers import point_numbers
from geoleak.readers.point_table import STATUSES, Columns, FloatArray, PointTable
from geoleak.readers.positions import read_positions
from geoleak.readers.precision import NO_SOLUTION, statuses, word_key
from geoleak.readers.text_source import Raw, raw_from_text
from geoleak.site import NOWHERE

LAYER_SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".gpx", ".fgb", ".kml")
SHEET_SUFFIXES = (".xlsx", ".xlsm")


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
    held = parts[0] if len(parts) == 1 else joined(parts)
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
    spec, collector, asked_at = context.spec, context.collector, context.asked
    raw = None
    if len(data) > LONG_BYTES:
        raw = raw_from_long_text(data, label=label, spec=spec, collector=collector, asked=asked_at)
    return raw or raw_from_text(data, label=label, spec=spec, collector=collector, asked=asked_at)


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
    numbers = point_numbers(raw, context)
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
        held = only_rows(held, kept)
        raw = raw_only(raw, kept)
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
        return


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
    raw: Raw,
    easting: FloatArray,
    northing: FloatArray,
    ids: Sequence[str],
    collector: Collector,
) -> NDArray[np.bool_]:
    """Tell which rows hold a position; a base row without a solution is skipped with a note."""
    east, north = _position_roles(raw)
    blank_e, blank_n = np.isnan(easting), np.isnan(northing)
    words = raw.cells("status")
    kept: NDArray[np.bool_] = ~(blank_e & blank_n)
    if words is not None:
        for row in np.flatnonzero((easting == 0) & (northing == 0)).tolist():
            kept[row] = kept[row] and word_key(words[row]) not in NO_SOLUTION
    said = {each.origin for each in collector.complaints}
    for row in np.flatnonzero(blank_e != blank_n).tolist():
        role = east if blank_e[row] else north
        where = raw.origin(row, role)
        if where not in said:
            collector.complain(where, f"the {role} is missing", "fill it in")
    skipped: list[int] = []
    for row in np.flatnonzero(~kept).tolist():
        where = raw.origin(row, north)
        if words is None or word_key(words[row]) in NO_SOLUTION:
            skipped.append(row)
        elif where not in said:
            collector.complain(
                where,
                f'point "{ids[row]}" says "{words[row].strip()}" but has no position',
                "fill it in or take the row out",
            )
    _complain_blank_ids(raw, ids, kept, collector)
    if skipped and not said:
        names = listed([ids[row] or f"line {raw.lines[row]}" for row in skipped])
        where = Origin(raw.label, raw.lines[skipped[0]])
        collector.note("no_position", f"rows without a position left out: {names}", where)
    return kept


def _position_roles(raw: Raw) -> tuple[str, str]:
    """Return the roles of the two columns that positions came from."""
    grid = "northing" in raw.header.roles and "easting" in raw.header.roles
    return ("easting", "northing") if grid else ("longitude", "latitude")


def _complain_blank_ids(
    raw: Raw, ids: Sequence[str], kept: NDArray[np.bool_], collector: Collector
) -> None:
    if "" not in ids:
        return
    for row in [at for at, each in enumerate(ids) if not each and kept[at]][:20]:
        collector.complain(raw.origin(row, "id"), "the point id is missing", "number the point")


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


def _metres_per_unit(held: Columns, info: CrsInfo) -> tuple[float, float]:
    if not info.geographic:
        return info.axis_unit_m, info.axis_unit_m
    latitude = float(np.median(held.northing))
    return 111_320.0 * float(np.cos(np.radians(latitude))), 111_320.0
