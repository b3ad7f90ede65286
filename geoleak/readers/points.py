"""The rover's point files to one `PointTable`, whatever style of export they are in."""

from __future__ import annotations

import math
import re
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.errors import Origin, listed
from geoleak.readers import point_checks as checks
from geoleak.readers.collector import refused
from geoleak.readers.headers import folded
from geoleak.readers.numbers import DEPTH, MOST_DEPTHS_M, depth_note, looks_numeric
from geoleak.readers.point_checks import DRMS, HORIZONTAL, NO_SOLUTION, ONE_AXIS, word_key
from geoleak.readers.table import DEGREES, GRID, PointContext, Table, read_text, read_workbook
from geoleak.record import Bools, Floats, NDArray
from geoleak.site import DEEPEST_M, EXTRA, NOWHERE, STATUSES, Note, PointStyle, PointTable
from geoleak.units import LENGTH_UNITS, SMALL_UNITS, format_length

if TYPE_CHECKING:
    import pandas as pd

LAYER_SUFFIXES = (".gpkg", ".geojson", ".json", ".shp", ".gpx")
SHEET_SUFFIXES = (".xlsx", ".xlsm")
WAYPOINT_SIGMA_M = 3.0
"""Per axis, of a receiver without corrections in the open (from memory: 3 to 5 m, 68 %)."""
FINE_DECIMALS = 7
"""A unit of the seventh decimal of a degree is 1 cm; a survey is not written coarser."""
# The land of this planet, with room to spare.
_LENGTHS = {
    "elevation": ("elevation_m", -600.0, 9000.0),
    "ellipsoidal_height": ("ellipsoidal_height_m", -700.0, 9100.0),
    "depth": ("depth_m", -np.inf, DEEPEST_M),
}


def read_points(context: PointContext) -> PointTable:
    """Return the points of all files of ``[points]``, in file order; raises `InputError`."""
    import pandas as pd

    parts, style = [], PointStyle()
    for number, name in enumerate(context.spec.files):
        asked = context.asked.get(f"file.{number}", context.asked.get("file", NOWHERE))
        with context.collector.taking():
            table = read_table(name, asked, context)
            if number == 0:
                style = _style(table, PurePath(name).suffix.casefold())
            parts.append(_meaning(table))
    if not parts:
        context.collector.refuse()
    frame = parts[0]
    if len(parts) > 1:
        for part in parts:
            part["id"] = part["id"].astype(str).astype(object)
        frame = pd.concat(parts, ignore_index=True)
        figures = [name for name in frame.columns if frame[name].dtype.kind in "fi"]
        words = frame.columns.difference([*figures, "status"])
        frame[words] = frame[words].astype(object).fillna("")
        if "status" in frame:
            frame["status"] = frame["status"].fillna(0).astype(np.int8)
    metres = (context.info.axis_unit_m, context.info.axis_unit_m)
    if context.info.geographic:
        metres = 111_320.0 * float(np.cos(np.radians(frame["northing"].median()))), 111_320.0
    frame = checks.merge_repeats(frame, context.collector, metres)
    return PointTable(frame, style=style)


def _style(table: Table, suffix: str) -> PointStyle:
    """Return how a file is laid out; a layer or a workbook has the plain layout."""
    if suffix in (*LAYER_SUFFIXES, *SHEET_SUFFIXES):
        return PointStyle()
    header = table.header
    roles = {index: role for role, index in header.roles.items()}
    stated = table.context.spec.elevation_unit or header.units.get("elevation", "")
    return PointStyle(
        columns=tuple(roles.get(index, "") for index in range(len(header.names))),
        names=header.names if table.has_header else (),
        delimiter=table.rows.delimiter,
        decimal=table.decimal,
        elevation_unit=stated if stated in LENGTH_UNITS else "",
    )


def read_table(name: str, asked: Origin, context: PointContext) -> Table:
    """Return one file of the folder as columns by role; raises `InputError`."""
    data = context.collector.read_bytes(name, asked)
    label = context.collector.label(name)
    suffix = PurePath(name).suffix.casefold()
    if suffix in LAYER_SUFFIXES:
        from geoleak.readers.gis import read_point_layer

        return read_point_layer(name, label=label, context=context)
    read = read_workbook if suffix in SHEET_SUFFIXES else read_text
    return read(data, label=label, context=context)


def _meaning(table: Table) -> pd.DataFrame:
    """Return one file's columns with their meaning; raises `InputError`."""
    import pandas as pd

    _name_doubled(table)
    checks.check_axis_unit(table)
    pair = read_positions(table)
    if table.context.spec.layout is None and table.header.axis_letters:
        checks.ask_which_is_north(table, pair)
    columns: dict[str, Any] = {"id": _ids(table)}
    columns["easting"], columns["northing"] = pair
    columns |= _lengths(table)
    status = checks.read_fix(table, columns.get("sigma_horizontal_m"))
    _state_rough(table, columns, status)
    kept = _with_position(table, pair, columns["id"])
    table.stop_if_wrong()
    if not kept.any():
        raise refused(table.origin(), "no row has a position", "export the file again")
    if status is not None:
        columns["status"] = status
    columns |= _words(table)
    columns["file"] = pd.Categorical([table.rows.label]).repeat(len(table))
    lines = table.rows.numbers  # numpy takes a range apart number by number
    columns["line"] = np.arange(lines.start, lines.stop) if isinstance(lines, range) else lines
    frame = pd.DataFrame(columns, copy=False)
    if not kept.all():
        frame = frame[kept]
    rows = frame.index.to_numpy()
    place = frame["easting"].to_numpy(), frame["northing"].to_numpy()
    checks.check_area(table, rows, place)
    table.stop_if_wrong()
    checks.note_far_points(table, rows, place)
    checks.note_which_foot(table, place)
    _name_loose_solutions(table, frame)
    return frame.reset_index(drop=True)


def _name_doubled(table: Table) -> None:
    """Two columns of one coordinate are never chosen between in silence."""
    for role, *both in table.header.doubled:
        used, other = (table.header.names[each] for each in both)
        if role in ("northing", "easting", "latitude", "longitude"):
            what = f'"{used}" and "{other}" could both be the {role}'
            remedy = f'state it: columns = {{{role} = "{used}"}} in [points]'
            table.context.collector.complain(table.rows.origin(0, both[1]), what, remedy)
        else:
            text = f'"{used}" is read as {role.replace("_", " ")}, "{other}" is passed through'
            table.note("column_chosen", text)


def _ids(table: Table) -> Any:
    """Return the point ids; rows of a text are never numbered anew: readings name the points."""
    cells = table.column("id")
    if cells is not None:
        return cells if cells.dtype.kind == "i" else table.texts("id")
    if not table.head:  # a GIS layer numbers its features itself
        text = (
            f"{table.rows.label} has no point ids: its features are called by their numbers, from 1"
        )
        table.note("ids_from_rows", text)
        return [str(number) for number in range(1, len(table) + 1)]
    what, likely = no_ids(table)
    remedy = f'state it: columns = {{id = "{likely}"}} in [points]'
    table.context.collector.complain(checks.header_line(table), what, remedy)
    return [""] * len(table)


def no_ids(table: Table) -> tuple[str, str]:
    """Return that there are no ids, and the column that is likely to hold them.

    The first without a role whose cells are all there and differ.
    """
    what = f"no column is known as the point id (columns: {', '.join(table.header.names)})"
    for name, index in table.header.extra().items():
        cells = table.cells[index].astype(str).str.strip()
        if (cells != "").all() and cells.is_unique:
            return what, name
    return what, "..."


# --- positions -------------------------------------------------------------------------------


def read_positions(table: Table) -> checks.Pair:
    """Return easting and northing (longitude, latitude for degrees) in the CRS's axis unit.

    Blank cells are NaN. Raises `InputError` where there are no positions.
    """
    info = table.context.info
    degrees, grid = table.has(*DEGREES), table.has(*GRID)
    if info.geographic and (degrees or grid):
        names = DEGREES if degrees else GRID
        checks.note_packed(table, names)
        return table.numbers(names[0]), table.numbers(names[1])
    if grid:
        unit = info.axis_unit if info.axis_unit in LENGTH_UNITS else ""
        unit_m = LENGTH_UNITS.get(unit, 1.0)
        east, north = (table.numbers(role, unit=unit, unit_m=unit_m) for role in GRID)
        if degrees and info.crs is not None:
            own = table.numbers(DEGREES[0]), table.numbers(DEGREES[1])
            checks.compare_degrees(table, (east, north), own)
        return east, north
    if degrees:
        what = f'the file has latitude and longitude only, but crs = "{info.text}" is a grid'
        remedy = "state the geographic CRS the rover worked in as crs, and this one as grid_crs"
        where = table.rows.origin(0, table.header.roles["latitude"])
    else:
        missing = " or ".join(each for each in reversed(GRID) if not table.has(each))
        what = f"no column is known as {missing} (columns: {', '.join(table.header.names)})"
        remedy = 'state it: columns = {northing = "...", easting = "..."} in [points]'
        where = table.origin(0)
    raise refused(where, what, remedy)


def _with_position(table: Table, pair: checks.Pair, ids: Any) -> Bools:
    """Tell which rows hold a position; a base row without a solution is skipped with a note."""
    blank_e, blank_n = (np.isnan(each) for each in pair)
    kept: Bools = ~(blank_e & blank_n)
    words = table.texts("status")
    if words is not None and not (pair[0] != 0).all():
        for row in np.flatnonzero((pair[0] == 0) & (pair[1] == 0)).tolist():
            kept[row] = kept[row] and word_key(words.iloc[row]) not in NO_SOLUTION
    said = {each.origin for each in table.context.collector.complaints}
    for row in np.flatnonzero(blank_e != blank_n).tolist():
        role = (GRID if table.has(*GRID) else DEGREES)[0 if blank_e[row] else 1]
        if table.origin(row, role) not in said:
            table.complain(f"the {role} is missing", "fill it in", row, role)
    if said or (~kept).all():
        return kept
    ids = np.asarray(ids)
    bare = ids == ""
    for code, out, what in (
        ("no_position", ~kept, "without a position"),
        ("no_id", kept & bare, "without a point id"),
    ):
        rows = np.flatnonzero(out).tolist()
        if rows:
            names = (str(ids[row]) or f"line {table.rows.numbers[row]}" for row in rows)
            table.note(code, f"rows {what} left out: {listed(names)}", rows[0])
    kept &= ~bare
    if not kept.any():
        row = int(np.flatnonzero(bare)[0])
        table.complain("the point id is missing", "number the point", row, "id")
    return kept


# --- heights, depths, precision, fix ---------------------------------------------------------


def _lengths(table: Table) -> dict[str, Floats]:
    """Return heights, depth and precision in metres, NaN where not stated."""
    found: dict[str, Floats | None] = {}
    for role, (name, low, high) in _LENGTHS.items():
        values = found[name] = _metres(table, role)
        if values is not None and (role != "depth" or not _asked_about(table, values)):
            checks.check_range(table, role, values, low, high)
        if values is not None and role == "depth":
            # A rover writes 0 where nobody measured one; below zero is a mistake.
            remedy = "write how deep the pipe lies, or leave it empty"
            found[name] = _positive(table, role, values, remedy)
    found["sigma_horizontal_m"] = _sigma(table, "horizontal_precision", 2)
    east, north = (_sigma(table, f"{axis}_precision", 1) for axis in GRID)
    if found["sigma_horizontal_m"] is None and east is not None and north is not None:
        found["sigma_horizontal_m"] = np.sqrt((east**2 + north**2) / 2)
    found["sigma_vertical_m"] = _sigma(table, "vertical_precision", 1)
    if found["sigma_vertical_m"] is not None:
        text = "vertical precision is kept and not used: depths count from the ground as shot"
        table.note("vertical_precision", text, 0, "vertical_precision")
    return {name: values for name, values in found.items() if values is not None}


def _metres(table: Table, role: str) -> Floats | None:
    if not table.has(role):
        return None
    unit_m, code, text = _unit_of(table, role)
    if code and Note(code, text, Origin(table.rows.label)) not in table.context.collector.notes:
        table.note(code, text)
    metres: Floats = unit_m * table.numbers(role, unit=table.context.length_unit, unit_m=unit_m)
    return metres


def _asked_about(table: Table, depths_m: Floats) -> bool:
    """Ask once about depths that are no pipe's where their unit is stated nowhere, or say so."""
    stated = "depth" in table.header.units or table.context.spec.depth_unit
    unit, there = table.context.length_unit, np.flatnonzero(depths_m > 0)
    odd = there[(depths_m[there] < DEPTH.low_m) | (depths_m[there] > DEPTH.bare_m)]
    if odd.size:
        row = int(odd[0])
        size = format_length(depths_m[row], unit=unit)
        what = f'depth "{table.shown(row, "depth")}" is taken as {size}'
        what += f" (so in {odd.size} rows)" if odd.size > 1 else ""
        if stated:
            text = f"{what}: more or less than pipe is likely to have; check it"
            table.note("unusual", text, row, "depth")
            return False
        remedy = 'state depth_unit = "in" in [points], or whichever it is: m, ft, ftUS, in, cm, mm'
        table.complain(f"{what}: is that meant?", remedy, row, "depth")
        return True
    low_m, high_m = MOST_DEPTHS_M
    odd = there[(depths_m[there] < low_m) | (depths_m[there] > high_m)]
    if not stated and 2 * odd.size > there.size:  # half of them are not most pipes'
        row = int(odd[0])
        shown = table.shown(row, "depth")
        note = depth_note("depth", shown, float(depths_m[row]), unit, bare=True)
        if note:
            table.note(*note, row, "depth")
    return False


def _positive(table: Table, role: str, values: Floats, remedy: str) -> Floats:
    """Return values with NaN in place of 0, which is noted; below zero is complained of."""
    what = "precision" if "precision" in role else role
    for row in np.flatnonzero(values < 0)[: checks.MOST_NAMED].tolist():
        table.complain(f'{what} "{table.shown(row, role)}" is below zero', remedy, row, role)
    zero = values == 0
    if not zero.any():
        return values
    many = int(zero.sum())
    text = f"a {role.replace('_', ' ')} of 0 is taken as not stated ({many} rows)"
    table.note(f"{what}_zero", text, int(np.flatnonzero(zero)[0]), role)
    return np.where(zero, np.nan, values)


def _state_rough(table: Table, columns: dict[str, Any], status: NDArray[np.int8] | None) -> None:
    """Give way-points and coarse degrees their metres, and say what a survey file is taken as."""
    sigma = columns.get("sigma_horizontal_m")
    known = sigma is not None and np.isfinite(sigma).any()
    if known or (status is not None and (status > 0).any()):
        return
    coarse, cells = "", list[str]()
    if table.has(*DEGREES) and not table.has(*GRID):
        cells = [row[table.header.roles[each]].strip() for each in DEGREES for row in table.head]
    most = max((len(re.split("[.,]", f"{cell}.")[1]) for cell in cells), default=FINE_DECIMALS)
    if most < FINE_DECIMALS and all(map(looks_numeric, filter(None, cells))):
        coarse = f"degrees with {most} decimals"
    if not coarse and PurePath(table.rows.label).suffix.casefold() == ".gpx":
        coarse = "way-points of a hand-held receiver"
    if coarse:
        columns["sigma_horizontal_m"] = np.full(len(table), WAYPOINT_SIGMA_M)
        text = (
            f"{coarse} are good to metres: taken as {WAYPOINT_SIGMA_M:g} m (one standard deviation "
            "an axis); shoot the marks with a corrected rover"
        )
        table.note("coarse_positions", text)
    elif not table.context.corrections and table.context.info.projection is not None:
        text = (
            "neither a precision nor a fix that is known: every point is taken as a fixed "
            "solution good to 2 cm; state corrections, and export both if the rover keeps them"
        )
        table.note("precision_assumed", text)


def _sigma(table: Table, role: str, axes: int) -> Floats | None:
    metres = _metres(table, role)
    if metres is None:
        return None
    metres = _positive(table, role, metres, "write the rover's figure or leave it empty")
    name = table.header.names[table.header.roles[role]]
    if folded(name) == "2drms":
        text = f'"{name}" is read as twice the distance rms: a sigma is its {2 * DRMS:.2f}th part'
        table.note("precision_2drms", text, 0, role)
        return metres / (2 * DRMS)
    return metres / (ONE_AXIS if axes == 1 else HORIZONTAL)[table.context.spec.precision_is]


def _unit_of(table: Table, role: str) -> tuple[float, str, str]:
    """Return metres in one unit of a column, and code and text of what is assumed of it.

    A unit in the header holds; a height without one is a coordinate and in the axis unit of a
    grid, and a precision is in the unit of the heights; everything else is in ``length_unit``.
    """
    info, bare, spec = table.context.info, table.context.length_unit, table.context.spec
    precision, headed = role.endswith("_precision"), table.header.units.get(role)
    for_it = {"elevation": spec.elevation_unit, "depth": spec.depth_unit}
    keyed = for_it.get(role, spec.precision_unit if precision else None)
    stated = keyed or headed if role == "elevation" else headed or keyed
    if stated == "foot":
        stated = next((each for each in (info.axis_unit, bare) if each in ("ft", "ftUS")), "ft")
    if stated in SMALL_UNITS or stated in LENGTH_UNITS:
        return (SMALL_UNITS | LENGTH_UNITS)[stated], "", ""
    if precision:
        metres, *_ = _unit_of(table, "elevation")
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


def _name_loose_solutions(table: Table, frame: pd.DataFrame) -> None:
    """Name the points whose solution was not fixed: kept, weighted by their precision."""
    for word in ("float", "single") if "status" in frame else ():
        found = frame[frame["status"] == STATUSES.index(word)]
        if len(found):
            more = f" ({len(found)} in all)" if len(found) > 11 else ""
            text = f"points with a {word} solution: {listed(map(str, found['id'][:11]))}{more}"
            table.note(f"{word}_solution", text, int(found.index[0]))


def _words(table: Table) -> dict[str, Any]:
    """Return codes, times, notes and the columns that are passed through."""
    extra = table.header.extra()
    chosen = {other for _, _, other in table.header.doubled}  # those are named already
    unused = [name for name, at in extra.items() if at not in chosen]
    if unused and table.has_header and table.head:
        table.note("not_used", f"kept, but used by nothing here: {listed(unused)}")
    found: dict[str, Any] = {"code": ""}
    found |= {role: table.texts(role) for role in ("code", "note", "time") if table.has(role)}
    if table.overflow:
        full = list(found.get("note", [""] * len(table)))
        for row, text in table.overflow.items():
            full[row] = ", ".join(filter(None, (full[row], text)))
        found["note"] = full
    return found | {EXTRA + name: table.cells[index] for name, index in extra.items()}
