"""Do a file's coordinates fit the CRS? If not, say why: swapped, another unit, another CRS."""

from __future__ import annotations

import math

import numpy as np

from geoleak.crs import CrsInfo
from geoleak.readers.collector import Collector
from geoleak.readers.point_table import FloatArray
from geoleak.readers.text_source import Raw
from geoleak.units import INTERNATIONAL_FOOT_M, US_SURVEY_FOOT_M

# (what the file's numbers are in, the factor that brings them to metres)
_UNITS = (("metres", 1.0), ("feet", INTERNATIONAL_FOOT_M), ("US survey feet", US_SURVEY_FOOT_M))
# Nothing traced on foot is farther from the rest of its site.
_FAR_M = 50_000.0
_MOST_NAMED = 20


def check_area(
    raw: Raw, easting: FloatArray, northing: FloatArray, info: CrsInfo, collector: Collector
) -> bool:
    """Complain where coordinates lie outside the CRS's area of use; tell whether all is well.

    Parameters
    ----------
    raw : Raw
        The file, for origins.
    easting, northing : ndarray, shape (n,)
        In the CRS's axis unit; longitude and latitude for a geographic CRS.
    info : CrsInfo
    collector : Collector
    """
    if info.crs is None or not easting.size:
        return True
    if _corners_fit(easting, northing, info):
        return True
    inside = info.in_area(*info.lonlat(easting, northing))
    if inside.all():
        return True
    out = np.flatnonzero(~inside)
    first = int(out[0])
    role = "northing" if "northing" in raw.header.roles else "latitude"
    if out.size > easting.size / 2:
        what = (
            f"{_pair(easting[first], northing[first], info)} lies outside the area where "
            f"{info.text} is used ({info.area_name})"
        )
        collector.complain(raw.origin(first, role), what, diagnose(easting, northing, info))
        return False
    for index in out[:_MOST_NAMED]:
        what = (
            f"{_pair(easting[index], northing[index], info)} lies outside the area where "
            f"{info.text} is used, unlike the other points"
        )
        collector.complain(raw.origin(int(index), role), what, "correct the row or take it out")
    return False


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
    raw: Raw, easting: FloatArray, northing: FloatArray, info: CrsInfo, collector: Collector
) -> None:
    """Name points farther from the middle of the file than anyone walks."""
    metres = 111_000.0 if info.geographic else info.axis_unit_m
    e, n = _box(easting), _box(northing)
    if max(e[1] - e[0], n[1] - n[0]) * metres <= _FAR_M:
        return
    away = np.hypot(easting - np.median(easting), northing - np.median(northing)) * metres
    for index in np.flatnonzero(away > _FAR_M)[:_MOST_NAMED]:
        collector.note(
            "far_point",
            f"{_pair(easting[index], northing[index], info)} lies {away[index] / 1000:.0f} km "
            "from the middle of the file's points",
            raw.origin(int(index)),
        )
