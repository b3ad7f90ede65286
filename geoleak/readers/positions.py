"""Positions of a point file: grid or degrees, the one checking the other."""

from __future__ import annotations

import numpy as np

from geoleak.crs import CrsInfo
from geoleak.readers.collector import Collector
from geoleak.readers.column_values import Bad, angles, floats
from geoleak.readers.numbers import could_be_packed, unpacked
from geoleak.readers.point_table import FloatArray
from geoleak.readers.text_source import Raw

# Two frames of one country differ by a metre or two; packed degrees by kilometres.
_AGREE_WITHIN_M = 5.0
_MOST_NAMED = 5


def complain_cells(raw: Raw, role: str, bad: Bad, collector: Collector) -> None:
    """Turn bad cells of a column into complaints."""
    for row, error in bad:
        collector.complain_of(raw.origin(row, role), error, f"{role.replace('_', ' ')}: ")


def read_positions(
    raw: Raw, info: CrsInfo, collector: Collector
) -> tuple[FloatArray, FloatArray] | None:
    """Return easting and northing (longitude, latitude for degrees) in the CRS's axis unit.

    Blank cells are NaN. ``None`` after a complaint that leaves no positions.
    """
    roles = raw.header.roles
    degrees = "latitude" in roles and "longitude" in roles
    grid = "northing" in roles and "easting" in roles
    if info.geographic and degrees:
        return _degrees(raw, collector)
    if grid:
        if info.geographic:
            pair = _pair(raw, ("easting", "northing"), collector, in_degrees=True)
            _note_packed(raw, ("northing", "easting"), collector)
            return pair
        pair = _pair(raw, ("easting", "northing"), collector, in_degrees=False)
        if degrees and pair is not None and info.crs is not None:
            _compare(raw, pair, info, collector)
        return pair
    if degrees and not info.geographic:
        collector.complain(
            raw.locate(0, roles["latitude"]),
            f'the file has latitude and longitude only, but crs = "{info.text}" is a grid',
            "state the geographic CRS the rover worked in as crs, and this one as grid_crs",
        )
        return None
    missing = [each for each in ("northing", "easting") if each not in roles]
    collector.complain(
        raw.origin(0),
        f"no column is known as {' or '.join(missing)} (columns: {', '.join(raw.header.names)})",
        'state it: columns = {northing = "...", easting = "..."} in [points]',
    )
    return None


def _pair(
    raw: Raw, pair: tuple[str, str], collector: Collector, *, in_degrees: bool
) -> tuple[FloatArray, FloatArray]:
    read = angles if in_degrees else floats
    values = []
    for role in pair:
        if role in raw.arrays:
            values.append(raw.arrays[role])
            continue
        column, bad = read(raw.cells(role) or (), decimal=raw.decimal)
        complain_cells(raw, role, bad, collector)
        values.append(column)
    return values[0], values[1]


def _degrees(raw: Raw, collector: Collector) -> tuple[FloatArray, FloatArray]:
    pair = _pair(raw, ("longitude", "latitude"), collector, in_degrees=True)
    _note_packed(raw, ("latitude", "longitude"), collector)
    return pair


def _note_packed(raw: Raw, roles: tuple[str, str], collector: Collector) -> None:
    """Warn where every value could be degrees, minutes and seconds packed as DD.MMSSsss."""
    columns = [list(raw.cells(role) or ())[:1000] for role in roles]
    for at, role in enumerate(roles):
        if role in raw.arrays:
            columns[at] = [f"{each:.9g}" for each in raw.arrays[role][:1000]]
    if columns[0] and all(could_be_packed(c) for column in columns for c in column if c.strip()):
        collector.note(
            "packed_degrees",
            "every latitude and longitude here could also be degrees, minutes and seconds packed "
            "as DD.MMSSsss; they are read as decimal degrees, which is kilometres off if they are",
            raw.origin(0, roles[0]),
        )


def _compare(
    raw: Raw, grid: tuple[FloatArray, FloatArray], info: CrsInfo, collector: Collector
) -> None:
    """Check the grid against latitude and longitude of the same rows; the grid is used."""
    lon, lat = _pair(raw, ("longitude", "latitude"), collector, in_degrees=True)
    rows = np.flatnonzero(np.isfinite(lat) & np.isfinite(lon) & np.isfinite(grid[0] + grid[1]))
    if not rows.size:
        return
    lon, lat, east, north = lon[rows], lat[rows], grid[0][rows], grid[1][rows]
    apart = _apart_m(lon, lat, east, north, info)
    wrong = ~(apart <= _AGREE_WITHIN_M)
    if not wrong.any():
        return
    packed = _apart_m(_unpack(lon), _unpack(lat), east, north, info)
    if wrong.mean() > 0.5 and (packed[wrong] <= _AGREE_WITHIN_M).mean() > 0.5:
        first = int(rows[np.flatnonzero(wrong)[0]])
        collector.complain(
            raw.origin(first, "latitude"),
            "latitude and longitude agree with northing and easting only as degrees, minutes and "
            "seconds packed as DD.MMSSsss",
            "export them as decimal degrees, or take the two columns out; the grid is used",
        )
        return
    for index in np.flatnonzero(wrong)[:_MOST_NAMED]:
        size = f"{apart[index]:.4g} m" if np.isfinite(apart[index]) else "very far"
        collector.complain(
            raw.origin(int(rows[index]), "latitude"),
            f"latitude and longitude lie {size} from northing and easting in {info.text}",
            "check crs and unit; packed degrees, minutes and seconds (DD.MMSSsss) perhaps",
        )


def _unpack(values: FloatArray) -> FloatArray:
    return np.array([unpacked(float(value)) for value in values])


def _apart_m(
    lon: FloatArray, lat: FloatArray, east: FloatArray, north: FloatArray, info: CrsInfo
) -> FloatArray:
    e, n = info.grid(lon, lat)
    with np.errstate(invalid="ignore"):
        apart: FloatArray = np.hypot(e - east, n - north) * info.axis_unit_m
    return apart
