"""site.gpx: for handhelds. GPX 1.1: way-points with ground elevation, the legs as tracks."""

from __future__ import annotations

from pathlib import Path

from geoleak.export import words
from geoleak.export.layers import KINDS
from geoleak.export.templates import on_globe_only, write_document
from geoleak.result import Result

LINES = ("route", "hole")


SYMBOLS = {kind: row["gpx"] for kind, row in KINDS.items() if row["gpx"]}


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
