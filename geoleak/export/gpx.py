"""site.gpx: for handhelds. GPX 1.1: way-points with ground elevation, the legs as tracks."""

from __future__ import annotations

from pathlib import Path

from geoleak.export import words
from geoleak.export.templates import on_globe_only, write_document
from geoleak.result import Result

SYMBOLS = {
    "next_reading": "Pin",
    "check_place": "Pin",
    "stake": "Flag",
    "found": "Flag",
    "offset_stake": "Triangle",
    "check_point": "Triangle",
    "feature": "Square",
    "fitting": "Diamond",
    "mark": "Dot",
}
"""Kind of way-point -> its symbol, the most needed first. A handheld leads its holder to a place:
the best place so far, which nobody is to dig at, is none of them."""
LINES = ("route", "hole")


def write_gpx(result: Result, path: str | Path) -> Path:
    """Write site.gpx and return its path.

    Raises
    ------
    GeoleakError
        For a local site, which has no longitude and latitude.
    """
    placed = on_globe_only(result, "GPX")
    return write_document(
        "site.gpx",
        result,
        path,
        accuracy=words.accuracy(result.leak.lonlat_accuracy_m, result.site.length_unit),
        points=[each for kind in SYMBOLS for each in placed if each.kind == kind],
        lines=[each for each in placed if each.kind in LINES],
        symbols=SYMBOLS,
    )
