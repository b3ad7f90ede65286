"""The rover's point files to one `PointTable`, whatever style of export they are in."""

from __future__ import annotations

from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from geoleak.crs import CrsInfo
from geoleak.errors import Origin, listed
from geoleak.readers.collector import Collector
from geoleak.readers.numbers import FloatArray
from geoleak.readers.point_checks import (
    check_area,
    check_axis_unit,
    check_range,
    compare_degrees,
    note_far_points,
    note_packed,
)
from geoleak.readers.precision import NO_SOLUTION, per_axis, statuses, word_key
from geoleak.readers.repeats import merge_repeats
from geoleak.readers.table import PointContext, Table, read_text, read_workbook
from geoleak.site import EXTRA, NOWHERE, STATUSES, PointStyle, PointTable
from geoleak.units import LENGTH_UNITS, SMALL_UNITS

if TYPE_CHECKING:
    import pandas as pd

LAYER_SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".gpx")
SHEET_SUFFIXES = (".xlsx", ".xlsm")
_MOST_NAMED = 20
# The land of this planet, with room to spare; deeper than 30 m nobody listens for a leak.
_LENGTHS = {
    "elevation": ("elevation_m", -600.0, 9000.0),
    "ellipsoidal_height": ("ellipsoidal_height_m", -700.0, 9100.0),
    "depth": ("depth_m", -np.inf, 30.0),
}


def read_points(context: PointContext) -> PointTable | None:
    """Return the points of all files of ``[points]``, in file order; ``None`` after complaints."""
    import pandas as pd

    parts, style = [], PointStyle()
    for number, name in enumerate(context.spec.files):
        asked = context.asked.get(f"file.{number}", context.asked.get("file", NOWHERE))
        table = read_table(name, asked, context)
        if table is not None and number == 0:
            style = _style(table, PurePath(name).suffix.casefold(), context)
        frame = None if table is None else _meaning(table, context)
        if frame is not None:
            parts.append(frame)
    if not parts:
        return None
    frame = parts[0]
    if len(parts) > 1:
        for part in parts:
            part["id"] = part["id"].astype(str).astype(object)
        frame = pd.concat(parts, ignore_index=True)
        words = frame.columns.difference([*_numeric(frame), "status"])
        frame[words] = frame[words].astype(object).fillna("")
        if "status" in frame:
            frame["status"] = frame["status"].fillna(0).astype(np.int8)
    metres_e, metres_n = _metres_per_unit(frame, context.info)
    frame = merge_repeats(frame, context.collector, metres_e=metres_e, metres_n=metres_n)
    return PointTable(frame, style=style)


def _style(table: Table, suffix: str, context: PointContext) -> PointStyle:
    """Return how a file is laid out; a layer or a workbook has the plain layout."""
    if suffix in (*LAYER_SUFFIXES, *SHEET_SUFFIXES):
        return PointStyle()
    roles = {index: role for role, index in table.header.roles.items()}
    stated = context.spec.elevation_unit or table.header.units.get("elevation", "")
    return PointStyle(
        columns=tuple(roles.get(index, "") for index in range(len(table.header.names))),
        names=table.header.names if table.has_header else (),
        delimiter=table.delimiter,
        decimal=table.decimal,
        elevation_unit=stated if stated in LENGTH_UNITS else "",
    )


def _numeric(frame: pd.DataFrame) -> list[str]:
    return [name for name in frame.columns if frame[name].dtype.kind in "fi"]


def read_table(name: str, asked: Origin, context: PointContext) -> Table | None:
    """Return one file of the folder as columns by role; ``None`` after complaints."""
    data = context.collector.read_bytes(name, asked)
    if data is None:
        return None
    label = context.collector.label(name)
    suffix = PurePath(name).suffix.casefold()
    if suffix in LAYER_SUFFIXES:
        from geoleak.readers.gis import read_point_layer

        return read_point_layer(name, label=label, context=context)
    read = read_workbook if suffix in SHEET_SUFFIXES else read_text
    return read(data, label=label, context=context)


def _meaning(table: Table, context: PointContext) -> pd.DataFrame | None:
    """Return one file's columns with their meaning, or ``None`` after complaints."""
    import pandas as pd

    collector = context.collector
    _complain_doubled(table, collector)
    check_axis_unit(table, context.info, collector)
    pair = read_positions(table, context.info, collector)
    if pair is None:
        return None
    columns: dict[str, Any] = {"id": _ids(table, collector)}
    columns["easting"], columns["northing"] = pair
    columns |= _lengths(table, context)
    status = _status(table, columns.get("sigma_horizontal_m"), context)
    kept = _with_position(table, pair, columns["id"], collector)
    if collector.complaints_in(table.label):
        return None
    if not kept.any():
        collector.complain(Origin(table.label), "no row has a position", "export the file again")
        return None
    if status is not None:
        columns["status"] = status
    columns |= _words(table)
    frame = pd.DataFrame(columns, copy=False)
    where = np.zeros(len(frame), np.int8)
    frame["file"] = pd.Categorical.from_codes(where, pd.Index([table.label]))
    frame["line"] = np.asarray(table.lines)
    if not kept.all():
        frame = frame[kept]
    rows = frame.index.to_numpy()
    place = frame["easting"].to_numpy(), frame["northing"].to_numpy()
    if not check_area(table, rows, place, context.info, collector):
        return None
    note_far_points(table, rows, place, context.info, collector)
    _name_loose_solutions(frame, table.label, collector)
    return frame.reset_index(drop=True)


def _complain_doubled(table: Table, collector: Collector) -> None:
    """Two columns of one coordinate are never chosen between in silence."""
    for role, used, other in table.header.doubled:
        names = table.header.names
        if role in ("northing", "easting", "latitude", "longitude"):
            collector.complain(
                table.locate(0, other),
                f'"{names[used]}" and "{names[other]}" could both be the {role}',
                f'state it: columns = {{{role} = "{names[used]}"}} in [points]',
            )
        else:
            collector.note(
                "column_chosen",
                f'"{names[used]}" is read as {role.replace("_", " ")},'
                f' "{names[other]}" is passed through',
                Origin(table.label),
            )


def _ids(table: Table, collector: Collector) -> Any:
    cells = table.column("id")
    if cells is None:
        collector.note(
            "ids_from_rows", f"{table.label} has no point ids: rows are numbered from 1",
            Origin(table.label),
        )  # fmt: skip
        return [str(number) for number in range(1, len(table) + 1)]
    return cells if cells.dtype.kind == "i" else table.texts("id")


# --- positions -------------------------------------------------------------------------------


def read_positions(
    table: Table, info: CrsInfo, collector: Collector
) -> tuple[FloatArray, FloatArray] | None:
    """Return easting and northing (longitude, latitude for degrees) in the CRS's axis unit.

    Blank cells are NaN. ``None`` after a complaint that leaves no positions.
    """
    roles = table.header.roles
    degrees = "latitude" in roles and "longitude" in roles
    grid = "northing" in roles and "easting" in roles
    if info.geographic and (degrees or grid):
        names = ("longitude", "latitude") if degrees else ("easting", "northing")
        pair = _pair(table, names, collector)
        note_packed(table, names, collector)
        return pair
    if grid:
        pair = _pair(table, ("easting", "northing"), collector)
        if degrees and info.crs is not None:
            own = _pair(table, ("longitude", "latitude"), collector)
            compare_degrees(table, pair, own, info, collector)
        return pair
    if degrees:
        collector.complain(
            table.locate(0, roles["latitude"]),
            f'the file has latitude and longitude only, but crs = "{info.text}" is a grid',
            "state the geographic CRS the rover worked in as crs, and this one as grid_crs",
        )
        return None
    missing = [each for each in ("northing", "easting") if each not in roles]
    collector.complain(
        table.origin(0),
        f"no column is known as {' or '.join(missing)} (columns: {', '.join(table.header.names)})",
        'state it: columns = {northing = "...", easting = "..."} in [points]',
    )
    return None


def _pair(
    table: Table, roles: tuple[str, str], collector: Collector
) -> tuple[FloatArray, FloatArray]:
    east, north = (table.numbers(role, collector) for role in roles)
    assert east is not None and north is not None
    return east, north


def _with_position(
    table: Table, pair: tuple[FloatArray, FloatArray], ids: Any, collector: Collector
) -> NDArray[np.bool_]:
    """Tell which rows hold a position; a base row without a solution is skipped with a note."""
    grid = "northing" in table.header.roles and "easting" in table.header.roles
    east, north = ("easting", "northing") if grid else ("longitude", "latitude")
    blank_e, blank_n = (np.isnan(each) for each in pair)
    kept: NDArray[np.bool_] = ~(blank_e & blank_n)
    words = table.texts("status")
    if words is not None and not (pair[0] != 0).all():
        for row in np.flatnonzero((pair[0] == 0) & (pair[1] == 0)).tolist():
            kept[row] = kept[row] and word_key(words.iloc[row]) not in NO_SOLUTION
    said = {each.origin for each in collector.complaints}
    for row in np.flatnonzero(blank_e != blank_n).tolist():
        role = east if blank_e[row] else north
        where = table.origin(row, role)
        if where not in said:
            collector.complain(where, f"the {role} is missing", "fill it in")
    skipped: list[int] = []
    for row in np.flatnonzero(~kept).tolist():
        where = table.origin(row, north)
        if words is None or word_key(words.iloc[row]) in NO_SOLUTION:
            skipped.append(row)
        elif where not in said:
            collector.complain(
                where,
                f'point "{ids[row]}" says "{words.iloc[row]}" but has no position',
                "fill it in or take the row out",
            )
    blank = np.flatnonzero((np.asarray(ids) == "") & kept)
    for row in blank[:_MOST_NAMED].tolist():
        collector.complain(table.origin(row, "id"), "the point id is missing", "number the point")
    if skipped and not said:
        names = listed([ids[row] or f"line {table.lines[row]}" for row in skipped])
        where = Origin(table.label, table.lines[skipped[0]])
        collector.note("no_position", f"rows without a position left out: {names}", where)
    return kept


def _metres_per_unit(frame: pd.DataFrame, info: CrsInfo) -> tuple[float, float]:
    if not info.geographic:
        return info.axis_unit_m, info.axis_unit_m
    latitude = float(np.median(frame["northing"]))
    return 111_320.0 * float(np.cos(np.radians(latitude))), 111_320.0


# --- heights, depths, precision, fix ---------------------------------------------------------


def _lengths(table: Table, context: PointContext) -> dict[str, FloatArray]:
    """Return heights, depth and precision in metres, NaN where not stated."""
    found: dict[str, FloatArray] = {}
    for role, (name, low, high) in _LENGTHS.items():
        values = table.numbers(role, context.collector)
        if values is not None:
            found[name] = values * _unit_of(table, role, context)
            check_range(table, role, found[name], low, high, context.collector)
    if "depth_m" in found:
        # A rover writes 0 where nobody measured one; below zero is a mistake.
        remedy = "write how deep the pipe lies, or leave it empty"
        found["depth_m"] = _positive(table, "depth", found["depth_m"], remedy, context.collector)
    horizontal = _sigma(table, "horizontal_precision", 2, context)
    axes = [_sigma(table, f"{axis}_precision", 1, context) for axis in ("easting", "northing")]
    if horizontal is None and axes[0] is not None and axes[1] is not None:
        horizontal = np.sqrt((axes[0] ** 2 + axes[1] ** 2) / 2)
    vertical = _sigma(table, "vertical_precision", 1, context)
    if horizontal is not None:
        found["sigma_horizontal_m"] = horizontal
    if vertical is not None:
        found["sigma_vertical_m"] = vertical
    return found


def _positive(
    table: Table, role: str, values: FloatArray, remedy: str, collector: Collector
) -> FloatArray:
    """Return values with NaN in place of 0, which is noted; below zero is complained of."""
    what = "precision" if "precision" in role else role
    for row in np.flatnonzero(values < 0)[:_MOST_NAMED].tolist():
        collector.complain(
            table.origin(row, role), f'{what} "{table.shown(row, role)}" is below zero', remedy
        )
    zero = values == 0
    if not zero.any():
        return values
    collector.note(
        f"{what}_zero",
        f"a {role.replace('_', ' ')} of 0 is taken as not stated ({int(zero.sum())} rows)",
        table.origin(int(np.flatnonzero(zero)[0]), role),
    )
    return np.where(zero, np.nan, values)


def _sigma(table: Table, role: str, axes: int, context: PointContext) -> FloatArray | None:
    values = table.numbers(role, context.collector)
    if values is None:
        return None
    remedy = "write the rover's figure or leave it empty"
    values = _positive(table, role, values, remedy, context.collector)
    metres = values * _unit_of(table, role, context)
    return per_axis(metres, meaning=context.spec.precision_is, axes=axes)


def _unit_of(table: Table, role: str, context: PointContext) -> float:
    """Return metres in one unit of a column.

    A unit in the header holds; a height without one is a coordinate and in the axis unit of a
    grid; everything else is in ``length_unit``.
    """
    info, bare = context.info, context.length_unit
    stated = table.header.units.get(role)
    if role == "elevation" and context.spec.elevation_unit:
        stated = context.spec.elevation_unit
    if stated == "foot":
        foot = [each for each in (info.axis_unit, bare) if each in ("ft", "ftUS")]
        return LENGTH_UNITS[foot[0] if foot else "ft"]
    if stated in SMALL_UNITS or stated in LENGTH_UNITS:
        return (SMALL_UNITS | LENGTH_UNITS)[stated]
    if role in ("elevation", "ellipsoidal_height") and not info.geographic:
        if info.axis_unit != bare:
            context.collector.note(
                "height_unit_assumed",
                f"{role.replace('_', ' ')} is taken in {info.axis_unit}, the unit of the "
                "coordinates; state elevation_unit in [points] if it is not",
                Origin(table.label),
            )
        return info.axis_unit_m
    return LENGTH_UNITS[bare]


def _status(
    table: Table, sigma_m: FloatArray | None, context: PointContext
) -> NDArray[np.int8] | None:
    cells = table.texts("status")
    if cells is None:
        return None
    index, taken, unknown = statuses(cells, sigma_m, context.spec.status_scheme)
    if not (taken or unknown):
        return index
    where = table.origin(0, "status")
    numeric = sorted(cell for cell in unknown if cell.isdigit())
    words = sorted(cell for cell in unknown if not cell.isdigit())
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


def _name_loose_solutions(frame: pd.DataFrame, label: str, collector: Collector) -> None:
    """Name the points whose solution was not fixed: kept, weighted by their precision."""
    if "status" not in frame:
        return
    for word in ("float", "single"):
        found = frame[frame["status"] == STATUSES.index(word)]
        if len(found):
            named = listed(map(str, found["id"][:11]))
            more = f" ({len(found)} in all)" if len(found) > 11 else ""
            collector.note(
                f"{word}_solution", f"points with a {word} solution: {named}{more}",
                Origin(label, int(found["line"].iloc[0])),
            )  # fmt: skip


def _words(table: Table) -> dict[str, Any]:
    """Return codes, times, notes and the columns that are passed through."""
    found: dict[str, Any] = {"code": table.texts("code")}
    if found["code"] is None:
        found["code"] = ""
    for role in ("time", "note"):
        cells = table.texts(role)
        if cells is not None:
            found[role] = cells
    if table.overflow:
        full = list(found.get("note", [""] * len(table)))
        for row, text in table.overflow.items():
            full[row] = f"{full[row]}, {text}" if full[row] else text
        found["note"] = full
    for name, index in table.header.extra().items():
        found[EXTRA + name] = table.cells[index]
    return found
