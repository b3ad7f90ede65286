"""The rover's point files to one `PointTable`, whatever style of export they are in."""

from __future__ import annotations

import math
import re
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from geoleak.crs import CrsInfo
from geoleak.errors import Origin, listed
from geoleak.readers.collector import Collector
from geoleak.readers.headers import folded
from geoleak.readers.numbers import FloatArray, looks_numeric
from geoleak.readers.plausible import DEPTH, MOST_DEPTHS_M, depth_note
from geoleak.readers.point_checks import (
    MOST_NAMED,
    ask_which_is_north,
    check_area,
    check_axis_unit,
    check_range,
    compare_degrees,
    note_far_points,
    note_packed,
    note_which_foot,
)
from geoleak.readers.precision import DRMS, NO_SOLUTION, per_axis, statuses, word_key
from geoleak.readers.repeats import merge_repeats
from geoleak.readers.table import PointContext, Table, read_text, read_workbook
from geoleak.site import EXTRA, NOWHERE, STATUSES, Note, PointStyle, PointTable
from geoleak.units import LENGTH_UNITS, SMALL_UNITS, format_length

if TYPE_CHECKING:
    import pandas as pd

LAYER_SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".gpx")
SHEET_SUFFIXES = (".xlsx", ".xlsm")
WAYPOINT_SIGMA_M = 3.0
"""Per axis, of a receiver without corrections in the open (from memory: 3 to 5 m, 68 %)."""
FINE_DECIMALS = 7
"""A unit of the seventh decimal of a degree is 1 cm; a survey is not written coarser."""
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
        delimiter=table.rows.delimiter,
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
    if context.spec.layout is None and table.header.axis_letters:
        ask_which_is_north(table, pair, context.info, collector)
    columns: dict[str, Any] = {"id": _ids(table, collector)}
    columns["easting"], columns["northing"] = pair
    columns |= _lengths(table, context)
    status = _status(table, columns.get("sigma_horizontal_m"), context)
    _state_rough(table, columns, status, context)
    kept = _with_position(table, pair, columns["id"], collector)
    if collector.complaints_in(table.label):
        return None
    if not kept.any():
        collector.complain(Origin(table.label), "no row has a position", "export the file again")
        return None
    if status is not None:
        columns["status"] = status
    columns |= _words(table, collector)
    frame = pd.DataFrame(columns, copy=False)
    where = np.zeros(len(frame), np.int8)
    frame["file"] = pd.Categorical.from_codes(where, pd.Index([table.label]))
    lines = table.lines  # numpy takes a range apart number by number
    frame["line"] = np.arange(lines.start, lines.stop) if isinstance(lines, range) else lines
    if not kept.all():
        frame = frame[kept]
    rows = frame.index.to_numpy()
    place = frame["easting"].to_numpy(), frame["northing"].to_numpy()
    if not check_area(table, rows, place, context.info, collector):
        return None
    note_far_points(table, rows, place, context.info, collector)
    note_which_foot(table, place, context.info, collector)
    _name_loose_solutions(frame, table.label, collector)
    return frame.reset_index(drop=True)


def _complain_doubled(table: Table, collector: Collector) -> None:
    """Two columns of one coordinate are never chosen between in silence."""
    for role, used, other in table.header.doubled:
        names = table.header.names
        if role in ("northing", "easting", "latitude", "longitude"):
            collector.complain(
                table.rows.origin(0, other),
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
    """Return the point ids; rows of a text are never numbered anew: readings name the points."""
    cells = table.column("id")
    if cells is not None:
        return cells if cells.dtype.kind == "i" else table.texts("id")
    if not table.head:  # a GIS layer numbers its features itself
        text = f"{table.label} has no point ids: its features are called by their numbers, from 1"
        collector.note("ids_from_rows", text, Origin(table.label))
        return [str(number) for number in range(1, len(table) + 1)]
    likely = likely_ids(table)
    what = f"no column is known as the point id (columns: {', '.join(table.header.names)})"
    remedy = f'state it: columns = {{id = "{likely or "..."}"}} in [points]'
    collector.complain(Origin(table.label, max(1, int(table.lines[0]) - 1)), what, remedy)
    return [""] * len(table)


def likely_ids(table: Table) -> str:
    """Return the name of the first column without a role whose cells are all there and differ."""
    for name, index in table.header.extra().items():
        cells = table.cells[index].astype(str).str.strip()
        if (cells != "").all() and cells.is_unique:
            return name
    return ""


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
        pair = _pair(table, ("easting", "northing"), collector, info)
        if degrees and info.crs is not None:
            own = _pair(table, ("longitude", "latitude"), collector)
            compare_degrees(table, pair, own, info, collector)
        return pair
    if degrees:
        collector.complain(
            table.rows.origin(0, roles["latitude"]),
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
    table: Table, roles: tuple[str, str], collector: Collector, grid: CrsInfo | None = None
) -> tuple[FloatArray, FloatArray]:
    unit = grid.axis_unit if grid is not None and grid.axis_unit in LENGTH_UNITS else ""
    unit_m = LENGTH_UNITS.get(unit, 1.0)
    east, north = (table.numbers(r, collector, unit=unit, unit_m=unit_m) for r in roles)
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
    if said or (~kept).all():
        return kept
    bare = np.asarray(ids) == ""
    names = np.where(bare, [f"line {line}" for line in table.lines], ids) if bare.any() else ids
    for code, out, what in (
        ("no_position", ~kept, "without a position"),
        ("no_id", kept & bare, "without a point id"),
    ):
        rows = np.flatnonzero(out).tolist()
        if rows:
            text = f"rows {what} left out: {listed(str(names[row]) for row in rows)}"
            collector.note(code, text, Origin(table.label, int(table.lines[rows[0]])))
    kept &= ~bare
    if not kept.any():
        where = table.origin(int(np.flatnonzero(bare)[0]), "id")
        collector.complain(where, "the point id is missing", "number the point")
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
        values = _metres(table, role, context)
        if values is not None:
            found[name] = values
            if role != "depth" or not _asked_about(table, found[name], context):
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
        text = "vertical precision is kept and not used: depths count from the ground as shot"
        context.collector.note("vertical_precision", text, table.origin(0, "vertical_precision"))
    return found


def _metres(table: Table, role: str, context: PointContext) -> FloatArray | None:
    if table.column(role) is None:
        return None
    unit_m, code, text = _unit_of(table, role, context)
    note = Note(code, text, Origin(table.label))
    if code and note not in context.collector.notes:
        context.collector.notes.append(note)
    values = table.numbers(role, context.collector, unit=context.length_unit, unit_m=unit_m)
    return None if values is None else values * unit_m


def _asked_about(table: Table, depths_m: FloatArray, context: PointContext) -> bool:
    """Ask once about depths that are no pipe's where their unit is stated nowhere, or say so."""
    low_m, high_m = DEPTH.low_m, DEPTH.bare_m
    odd = np.flatnonzero((depths_m > 0) & ((depths_m < low_m) | (depths_m > high_m)))
    if not odd.size:
        _note_depths(table, depths_m, context)
        return False
    where = table.origin(int(odd[0]), "depth")
    size = format_length(depths_m[odd[0]], unit=context.length_unit)
    what = f'depth "{table.shown(int(odd[0]), "depth")}" is taken as {size}'
    more = f" (so in {odd.size} rows)" if odd.size > 1 else ""
    if "depth" in table.header.units or context.spec.depth_unit:
        text = f"{what}{more}: more or less than pipe is likely to have; check it"
        context.collector.note("unusual", text, where)
        return False
    remedy = 'state depth_unit = "in" in [points], or whichever it is: m, ft, ftUS, in, cm, mm'
    context.collector.complain(where, f"{what}{more}: is that meant?", remedy)
    return True


def _note_depths(table: Table, depths_m: FloatArray, context: PointContext) -> None:
    """Say so where the unit of depths is stated nowhere and half of them are not most pipes'."""
    if "depth" in table.header.units or context.spec.depth_unit:
        return
    stated = np.flatnonzero(depths_m > 0)
    low_m, high_m = MOST_DEPTHS_M
    odd = stated[(depths_m[stated] < low_m) | (depths_m[stated] > high_m)]
    if 2 * odd.size <= stated.size:
        return
    row, unit = int(odd[0]), context.length_unit
    shown = table.shown(row, "depth")
    note = depth_note("depth", shown, float(depths_m[row]), unit, bare=True)
    if note:
        context.collector.note(*note, table.origin(row, "depth"))


def _positive(
    table: Table, role: str, values: FloatArray, remedy: str, collector: Collector
) -> FloatArray:
    """Return values with NaN in place of 0, which is noted; below zero is complained of."""
    what = "precision" if "precision" in role else role
    for row in np.flatnonzero(values < 0)[:MOST_NAMED].tolist():
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


def _state_rough(
    table: Table,
    columns: dict[str, Any],
    status: NDArray[np.int8] | None,
    context: PointContext,
) -> None:
    """Give way-points and coarse degrees their metres, and say what a survey file is taken as."""
    sigma = columns.get("sigma_horizontal_m")
    if sigma is not None and np.isfinite(sigma).any():
        return
    if status is not None and (status > 0).any():
        return
    where = Origin(table.label)
    coarse = _coarse_degrees(table)
    if coarse or PurePath(table.label).suffix.casefold() == ".gpx":
        columns["sigma_horizontal_m"] = np.full(len(table), WAYPOINT_SIGMA_M)
        what = coarse or "way-points of a hand-held receiver"
        text = (
            f"{what} are good to metres: taken as {WAYPOINT_SIGMA_M:g} m (one standard deviation "
            "an axis); shoot the marks with a corrected rover"
        )
        context.collector.note("coarse_positions", text, where)
    elif not context.corrections and context.info.projection is not None:
        text = (
            "neither a precision nor a fix that is known: every point is taken as a fixed "
            "solution good to 2 cm; state corrections, and export both if the rover keeps them"
        )
        context.collector.note("precision_assumed", text, where)


def _coarse_degrees(table: Table) -> str:
    """Return what degrees with few decimals are called; nothing where they have enough."""
    roles = table.header.roles
    grid = "northing" in roles and "easting" in roles
    if grid or "latitude" not in roles or "longitude" not in roles or not table.head:
        return ""
    cells = [row[roles[each]] for each in ("latitude", "longitude") for row in table.head]
    if not all(looks_numeric(cell) for cell in cells if cell.strip()):
        return ""
    most = max((len(re.split("[.,]", cell.strip() + ".")[1]) for cell in cells), default=0)
    return "" if most >= FINE_DECIMALS else f"degrees with {most} decimals"


def _sigma(table: Table, role: str, axes: int, context: PointContext) -> FloatArray | None:
    metres = _metres(table, role, context)
    if metres is None:
        return None
    remedy = "write the rover's figure or leave it empty"
    metres = _positive(table, role, metres, remedy, context.collector)
    name = table.header.names[table.header.roles[role]]
    if folded(name) == "2drms":
        text = f'"{name}" is read as twice the distance rms: a sigma is its {2 * DRMS:.2f}th part'
        context.collector.note("precision_2drms", text, table.origin(0, role))
        return metres / (2 * DRMS)
    return per_axis(metres, meaning=context.spec.precision_is, axes=axes)


def _unit_of(table: Table, role: str, context: PointContext) -> tuple[float, str, str]:
    """Return metres in one unit of a column, and code and text of what is assumed of it.

    A unit in the header holds; a height without one is a coordinate and in the axis unit of a
    grid, and a precision is in the unit of the heights; everything else is in ``length_unit``.
    """
    info, bare, spec = context.info, context.length_unit, context.spec
    stated = table.header.units.get(role)
    if role == "elevation":
        stated = spec.elevation_unit or stated
    if role == "depth":
        stated = stated or spec.depth_unit
    if role.endswith("_precision"):
        stated = stated or spec.precision_unit
    if stated == "foot":
        stated = next((each for each in (info.axis_unit, bare) if each in ("ft", "ftUS")), "ft")
    if stated in SMALL_UNITS or stated in LENGTH_UNITS:
        return (SMALL_UNITS | LENGTH_UNITS)[stated], "", ""
    if role.endswith("_precision"):
        metres, *_ = _unit_of(table, "elevation", context)
        if math.isclose(metres, LENGTH_UNITS[bare], rel_tol=1e-3):
            return metres, "", ""
        text = (
            f"precision columns without a unit are taken in {'m' if metres == 1.0 else 'ft'}, as "
            f"the heights beside them are, though bare lengths here are in {bare}; state "
            "precision_unit in [points] if they are not"
        )
        return metres, "precision_unit_assumed", text
    if role in ("elevation", "ellipsoidal_height") and not info.geographic:
        text = (
            f"{role.replace('_', ' ')} is taken in {info.axis_unit}, the unit of the coordinates; "
            "state elevation_unit in [points] if it is not"
        )
        return info.axis_unit_m, "" if info.axis_unit == bare else "height_unit_assumed", text
    return LENGTH_UNITS[bare], "", ""


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


def _words(table: Table, collector: Collector) -> dict[str, Any]:
    """Return codes, times, notes and the columns that are passed through."""
    extra = table.header.extra()
    chosen = {other for _, _, other in table.header.doubled}  # those are named already
    unused = [name for name, at in extra.items() if at not in chosen]
    if unused and table.has_header and table.head:
        text = f"kept, but used by nothing here: {listed(unused)}"
        collector.note("not_used", text, Origin(table.label))
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
    for name, index in extra.items():
        found[EXTRA + name] = table.cells[index]
    return found
