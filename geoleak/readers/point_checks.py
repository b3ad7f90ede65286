"""What can be wrong with a point file's figures: swapped, another unit, another CRS, packed."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from geoleak.crs import CrsInfo, to_own_datum
from geoleak.errors import Origin
from geoleak.readers.collector import Collector
from geoleak.readers.numbers import FloatArray, could_be_packed, unpacked
from geoleak.readers.table import Table
from geoleak.units import INTERNATIONAL_FOOT_M, US_SURVEY_FOOT_M, format_length

# (what the file's numbers are in, the factor that brings them to metres)
_UNITS = (("metres", 1.0), ("feet", INTERNATIONAL_FOOT_M), ("US survey feet", US_SURVEY_FOOT_M))
# Nothing traced on foot is farther from the rest of its site.
_FAR_M = 50_000.0
MOST_NAMED = 20
# Two frames of one country differ by a metre or two; packed degrees by kilometres.
_AGREE_WITHIN_M = 5.0


def check_area(
    table: Table,
    rows: NDArray[np.intp],
    place: tuple[FloatArray, FloatArray],
    info: CrsInfo,
    collector: Collector,
) -> bool:
    """Complain where coordinates lie outside the CRS's area of use; tell whether all is well.

    Parameters
    ----------
    table : Table
        The file, for origins.
    rows : ndarray of int, shape (n,)
        Rows of the file that have a position.
    place : tuple of ndarray, shape (n,)
        Easting and northing in the CRS's axis unit; longitude and latitude for a geographic CRS.
    info : CrsInfo
    collector : Collector
    """
    easting, northing = place
    if info.crs is None or not easting.size or _corners_fit(easting, northing, info):
        return True
    inside = info.in_area(*info.lonlat(easting, northing))
    if inside.all():
        return True
    out = np.flatnonzero(~inside)
    first = int(out[0])
    role = "northing" if "northing" in table.header.roles else "latitude"
    if out.size > easting.size / 2:
        what = (
            f"{_pair(easting[first], northing[first], info)} lies outside the area where "
            f"{info.text} is used ({info.area_name})"
        )
        remedy = diagnose(easting, northing, info)
        collector.complain(table.origin(int(rows[first]), role), what, remedy)
        return False
    for index in out[:MOST_NAMED]:
        what = (
            f"{_pair(easting[index], northing[index], info)} lies outside the area where "
            f"{info.text} is used, unlike the other points"
        )
        where = table.origin(int(rows[index]), role)
        collector.complain(where, what, "correct the row or take it out")
    return False


def ask_which_is_north(
    table: Table, place: tuple[FloatArray, FloatArray], info: CrsInfo, collector: Collector
) -> None:
    """Complain of axes called X and Y alone, where no area of use tells which of them is north."""
    if info.geographic:
        return  # degrees have their order by wide custom: X is the longitude
    if info.crs is not None:
        e, n = (np.array([np.nanmedian(each)]) for each in place)
        if not (info.in_area(*info.lonlat(e, n)).all() and info.in_area(*info.lonlat(n, e)).all()):
            return  # one order alone fits, or none: `check_area` says so
    names, roles = table.header.names, table.header.roles
    x, y = names[roles["easting"]], names[roles["northing"]]
    collector.complain(
        Origin(table.label, max(1, int(table.lines[0]) - 1)),
        f'"{x}" and "{y}": which is north is not stated',
        f'state it: columns = {{northing = "{x}", easting = "{y}"}} in [points], or the other way '
        "round: countries differ",
    )


def _corners_fit(easting: FloatArray, northing: FloatArray, info: CrsInfo) -> bool:
    """Tell from the corners of the bounding box, without transforming a million points.

    Only where the box is small enough that its inside cannot leave the area its corners are in.
    """
    e, n = _box(easting), _box(northing)
    size = max(e[1] - e[0], n[1] - n[0]) * (111_000.0 if info.geographic else info.axis_unit_m)
    if size > 2 * _FAR_M:
        return False
    lon, lat = info.lonlat(np.array([e[0], e[0], e[1], e[1]]), np.array([n[0], n[1], n[0], n[1]]))
    return bool(info.in_area(lon, lat).all())


def _box(values: FloatArray) -> tuple[float, float]:
    return float(values.min()), float(values.max())


def _pair(easting: float, northing: float, info: CrsInfo) -> str:
    if info.geographic:
        return f"lat {northing:.9g} lon {easting:.9g}"
    return f"E {easting:.10g} N {northing:.10g}"


def diagnose(easting: FloatArray, northing: FloatArray, info: CrsInfo) -> str:
    """Return the remedy for coordinates that do not fit a CRS, by trying what usually happens."""
    e, n = np.array([np.median(easting)]), np.array([np.median(northing)])

    def fits(east: FloatArray, north: FloatArray) -> bool:
        return bool(info.in_area(*info.lonlat(east, north))[0])

    if fits(n, e):
        return (
            "they fit with easting and northing swapped: turn layout (pnezd/penzd) or state columns"
        )
    if info.geographic:
        if fits(-e, n):
            return "they fit with the longitude's sign turned: western longitudes are negative"
        if max(abs(float(e[0])), abs(float(n[0]))) > 400:
            return "these look like grid coordinates: state the projected CRS they are in"
        return "state the CRS the rover worked in"
    if abs(float(e[0])) <= 180 and abs(float(n[0])) <= 90:
        return "these look like degrees: state a geographic CRS, such as the datum of this one"
    for name, metres in _UNITS:
        factor = metres / info.axis_unit_m
        if math.isclose(factor, 1.0, rel_tol=1e-5):
            continue
        for east, north, also in ((e, n, ""), (n, e, " and swapped")):
            if fits(east * factor, north * factor):
                return (
                    f"they fit as {name}{also}, but the unit of {info.text} is "
                    f"{_unit_name(info)}: state the CRS of the same zone in {name}"
                )
    return "state the CRS and unit the rover worked in"


def _unit_name(info: CrsInfo) -> str:
    return {"m": "the metre", "ft": "the foot", "ftUS": "the US survey foot"}.get(
        info.axis_unit, info.axis_unit
    )


def note_far_points(
    table: Table,
    rows: NDArray[np.intp],
    place: tuple[FloatArray, FloatArray],
    info: CrsInfo,
    collector: Collector,
) -> None:
    """Name points farther from the middle of the file than anyone walks."""
    easting, northing = place
    metres = 111_000.0 if info.geographic else info.axis_unit_m
    e, n = _box(easting), _box(northing)
    if max(e[1] - e[0], n[1] - n[0]) * metres <= _FAR_M:
        return
    away = np.hypot(easting - np.median(easting), northing - np.median(northing)) * metres
    for index in np.flatnonzero(away > _FAR_M)[:MOST_NAMED]:
        collector.note(
            "far_point",
            f"{_pair(easting[index], northing[index], info)} lies {away[index] / 1000:.0f} km "
            "from the middle of the file's points",
            table.origin(int(rows[index])),
        )


def check_axis_unit(table: Table, info: CrsInfo, collector: Collector) -> None:
    """Refuse a stated unit of northing or easting that is not the CRS's own."""
    axis = info.axis_unit
    for role in ("northing", "easting"):
        stated = table.header.units.get(role)
        if stated is None or stated == axis or (stated == "foot" and axis in ("ft", "ftUS")):
            continue
        collector.complain(
            table.origin(0, role),
            f"the file says its {role} is in {stated}, but the unit of {info.text} is {axis}",
            "state the CRS in the file's unit, or export in the CRS's",
        )
        return


def note_which_foot(
    table: Table, place: tuple[FloatArray, FloatArray], info: CrsInfo, collector: Collector
) -> None:
    """Say which foot a heading's plain "ft" is taken as, and how far off the other would be."""
    roles = [role for role in ("northing", "easting") if table.header.units.get(role) == "foot"]
    if not roles or info.crs is None:
        return
    size = math.hypot(*(float(np.median(each)) for each in place))
    moved_m = size * (US_SURVEY_FOOT_M - INTERNATIONAL_FOOT_M)
    feet = {"ft": "international feet", "ftUS": "US survey feet"}
    own = feet.pop(info.axis_unit)
    moved = format_length(moved_m, unit=info.axis_unit, decimals=2)
    collector.note(
        "foot_taken",
        f'"ft" of the headings is taken as {own}, the unit of {info.text}; were they '
        f"{feet.popitem()[1]}, every point would lie {moved} elsewhere",
        table.origin(0, roles[0]),
    )


def check_range(
    table: Table, role: str, metres: FloatArray, low: float, high: float, collector: Collector
) -> None:
    """Complain of lengths that nothing on this job can have."""
    for row in np.flatnonzero((metres < low) | (metres > high))[:MOST_NAMED].tolist():
        collector.complain(
            table.origin(row, role),
            f'{role.replace("_", " ")} "{table.shown(row, role)}" is {metres[row]:.4g} m',
            "check the figure and its unit",
        )


def note_packed(table: Table, roles: tuple[str, str], collector: Collector) -> None:
    """Warn where every value could be degrees, minutes and seconds packed as DD.MMSSsss."""
    columns = [table.header.roles[role] for role in roles]
    cells = [row[at] for at in columns for row in table.head if at < len(row)]
    if cells and all(could_be_packed(cell) for cell in cells if cell.strip()):
        collector.note(
            "packed_degrees",
            "every latitude and longitude here could also be degrees, minutes and seconds packed "
            "as DD.MMSSsss; they are read as decimal degrees, which is kilometres off if they are",
            table.origin(0, roles[1]),
        )


def compare_degrees(
    table: Table,
    grid: tuple[FloatArray, FloatArray],
    degrees: tuple[FloatArray, FloatArray],
    info: CrsInfo,
    collector: Collector,
) -> None:
    """Check the grid against longitude and latitude of the same rows; the grid is used."""
    rows = np.flatnonzero(np.isfinite(sum(degrees)) & np.isfinite(sum(grid)))
    if not rows.size or info.projection is None:
        return
    lon, lat, east, north = (each[rows] for each in (*degrees, *grid))
    apart = _apart_m(lon, lat, east, north, info)
    if (apart <= _AGREE_WITHIN_M).all():
        return
    # A rover writes WGS 84 beside a grid of whatever datum.
    shift = to_own_datum(info.projection, float(np.median(lon)), float(np.median(lat)))
    shifted = _apart_m(*shift.forward(lon, lat), east, north, info, own=True)
    allowed = _AGREE_WITHIN_M + shift.accuracy_m
    if np.nanmedian(shifted) < np.nanmedian(apart):
        apart = shifted
    wrong = ~(apart <= allowed)
    if not wrong.any():
        collector.note(
            "degrees_on_another_datum",
            f"latitude and longitude agree with northing and easting to {apart.max():.2g} m; the "
            f"way between their datums is good to {shift.accuracy_m:g} m, and the grid is used",
            Origin(table.label),
        )
        return
    packed = _apart_m(_unpack(lon), _unpack(lat), east, north, info)
    if wrong.mean() > 0.5 and (packed[wrong] <= allowed).mean() > 0.5:
        first = int(rows[np.flatnonzero(wrong)[0]])
        collector.note(
            "packed_degrees",
            "latitude and longitude agree with northing and easting as degrees, minutes and "
            "seconds packed as DD.MMSSsss; the grid is used",
            table.origin(first, "latitude"),
        )
        return
    for index in np.flatnonzero(wrong)[:MOST_NAMED]:
        size = f"{apart[index]:.4g} m" if np.isfinite(apart[index]) else "very far"
        collector.complain(
            table.origin(int(rows[index]), "latitude"),
            f"latitude and longitude lie {size} from northing and easting in {info.text}",
            "check crs and unit; packed degrees, minutes and seconds (DD.MMSSsss) perhaps",
        )


def _unpack(values: FloatArray) -> FloatArray:
    return np.array([unpacked(float(value)) for value in values])


def _apart_m(
    lon: FloatArray,
    lat: FloatArray,
    east: FloatArray,
    north: FloatArray,
    info: CrsInfo,
    *,
    own: bool = False,
) -> FloatArray:
    """Return how far degrees lie from grid coordinates; ``own``: of the datum's own meridian."""
    assert info.projection is not None
    turned = 0.0 if own else info.projection.greenwich_deg
    e, n = info.projection.from_lonlat(lon - turned, lat)
    with np.errstate(invalid="ignore"):
        apart: FloatArray = np.hypot(e - east, n - north) * info.axis_unit_m
    return apart
