"""stakes.csv: the points to set out, as the site's rover reads and writes its own files.

Order of columns, delimiter, decimal sign and header line are those of the site's first point file
where it is text; else plain: id, northing, easting, elevation, description. Coordinates are always
in the printed grid and its unit, those of a file in degrees too: their headings then say northing
and easting. Elevation is of the ground in the same unit (in that of the point file, where it states
one of its own), empty where not known; columns of any other meaning stay empty.

Where the verdict is not to dig the file holds the places to listen at and the check points: no
stake, offset stake or end of a hole, because whatever a rover sets out gets dug.
"""

from __future__ import annotations

import math
from pathlib import Path

from geoleak.errors import GeoleakError
from geoleak.export.words import formula_safe
from geoleak.result import Result, Stake
from geoleak.site import PointStyle
from geoleak.units import unit_m

DECIMALS = 3
NOT_TO_DIG_BY = ("next_reading", "check_place", "check_point")
IN_DEGREES = {"latitude": ("northing", "Northing"), "longitude": ("easting", "Easting")}


def write_stakes(result: Result, path: Path) -> Path:
    """Write stakes.csv and return its path."""
    path.write_bytes("".join(f"{row}\r\n" for row in rows(result)).encode("utf-8"))
    return path


def rows(result: Result) -> list[str]:
    """Return the lines of stakes.csv: the header where there is one, then the leak's own stake."""
    style = _grid_style(result.point_style)
    every = every_stake(result)
    cells = [_cells(each, result, style) for each in every]
    inner = [cell for row in cells for cell in row[:-1]]
    if style.delimiter == " " and ("" in inner or any(" " in cell for cell in inner)):
        # Columns parted by blanks cannot hold an empty one.
        style = PointStyle(elevation_unit=style.elevation_unit)
        cells = [_cells(each, result, style) for each in every]
    head = [list(style.names)] if style.names else []
    return [style.delimiter.join(row) for row in [*head, *cells]]


def every_stake(result: Result) -> list[Stake]:
    """Return what a rover may set out, the leak's own stake first: none to dig by unless to dig."""
    dig = result.stands == "dig"
    some = (each for each in result.stakes if dig or each.kind in NOT_TO_DIG_BY)
    return sorted(some, key=lambda each: each.kind != "stake")


def _grid_style(style: PointStyle) -> PointStyle:
    """Return a style with columns for the grid and a text, whatever the file had in their place."""
    columns, names = list(style.columns), list(style.names)
    if "northing" not in columns or "easting" not in columns:
        for index, role in enumerate(columns):
            if role in IN_DEGREES:
                columns[index], name = IN_DEGREES[role]
                names[index : index + 1] = [name] if names else []
    if "code" not in columns:
        columns.append("code")
        names += ["Description"] if names else []
    shown = tuple(name.replace(style.delimiter, " ") for name in names)
    return PointStyle(tuple(columns), shown, style.delimiter, style.decimal, style.elevation_unit)


def _cells(stake: Stake, result: Result, style: PointStyle) -> list[str]:
    if not (math.isfinite(stake.easting) and math.isfinite(stake.northing)):
        raise GeoleakError(f"stake {stake.id} has no finite coordinates: nothing was written")
    unit = style.elevation_unit or result.leak.position.unit
    height = stake.elevation_m
    figures = {
        "northing": stake.northing,
        "easting": stake.easting,
        "elevation": None if height is None else height / unit_m(unit),
    }
    texts = {"id": formula_safe(stake.id), "code": formula_safe(stake.label)}
    for role, value in figures.items():
        shown = "" if value is None else f"{value:.{DECIMALS}f}"
        texts[role] = shown.replace(".", style.decimal)
    return [texts.get(role, "") for role in style.columns]
