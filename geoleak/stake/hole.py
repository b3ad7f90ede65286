"""The hole: its outline along the pipe, its size, and its sloped sides.

Plan geometry is in the working frame, metres on the ground. Slopes are those of 29 CFR 1926
Subpart P, Appendix B, Table B-1; a competent person classifies the soil, and the local code
governs.
"""

from __future__ import annotations

import csv
import functools
import math
from collections.abc import Callable, Sequence
from importlib import resources
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.cautions import ENGINEER_FROM_M, slopes_from_m
from geoleak.errors import GeometryError
from geoleak.record import Floats, Record
from geoleak.units import format_length

if TYPE_CHECKING:
    from shapely import Polygon
    from shapely.geometry.base import BaseGeometry

    from geoleak.linref import Route

BELOW_PIPE_M = 0.15
"""Room dug out under the pipe to get a clamp on. Common practice, no source."""
SHORTEST_M = 0.05
# A corner sharper than about 60 degrees inside is cut off rather than drawn out to a spike.
_MITRE_LIMIT = 2.0
_ENGINEER = "deeper than 20 ft (6.10 m): an engineer designs the slopes"


class Excavation(Record):
    """The hole: pieces of pipe, from and to relative to the stake, size and shape.

    Areas and volumes are those of upright sides unless the name says sloped; what needs a depth is
    None where the depth is not known.
    """

    pieces: tuple[tuple[str, float, float], ...]
    """Leg, from and to in metres of chainage."""
    length_m: float
    before_stake_m: float
    """How far the hole reaches back down-chainage from the stake (positive)."""
    past_stake_m: float
    width_m: float
    depth_m: float | None
    area_m2: float | None = None
    volume_m3: float | None = None
    outline_wkt: str | None = None
    """In the printed grid CRS; the outline to mark in white for the locate request."""
    notes: tuple[str, ...] = ()
    soil: str = "C"
    """Type that the slopes are for; unclassified soil counts as C."""
    sloped_area_m2: float | None = None
    sloped_volume_m3: float | None = None
    sloped_outline_wkt: str | None = None
    """At the surface, with sides sloped for the soil; None where the depth is not known or
    no slopes are called for."""


def dig_depth_m(crown_m: float, outside_diameter_m: float) -> float:
    """Return how deep to dig to work on a pipe: to its crown, past it, and room below."""
    for name, value in (("crown", crown_m), ("outside diameter", outside_diameter_m)):
        if not (math.isfinite(value) and value >= 0):
            raise GeometryError(f"a {name} of {value} m makes no hole; give 0 or more")
    return crown_m + outside_diameter_m + BELOW_PIPE_M


def hole_width_m(depth_m: float | None, bucket_width_m: float) -> float:
    """Return the width of a hole that people work in: the bucket's, or what its depth calls for.

    The least widths by depth are those of EN 1610; a hole of unknown depth counts as 1 to 1.75 m.
    """
    if not (math.isfinite(bucket_width_m) and bucket_width_m > 0):
        raise GeometryError(f"a bucket {bucket_width_m} m wide digs no hole; give its width")
    depth = 1.2 if depth_m is None else depth_m
    rows = _rows("trench_widths")
    fit = (row for row in rows if depth >= float(row["deeper_than_m"]))
    return max(bucket_width_m, *(float(row["least_width_m"]) for row in fit))


def slope_ratio(soil: str | None) -> float:
    """Return horizontal per vertical of the steepest allowed side; unclassified soil counts as C.

    Raises
    ------
    GeometryError
        For any other soil type.
    """
    for row in _rows("trench_slopes"):
        if row["soil"] == (soil or "C"):
            return float(row["horizontal_per_vertical"])
    raise GeometryError(
        f'soil type "{soil}" is not known; say "A", "B", "C" or "rock", or leave it out'
    )


def hole_outline(pieces: Sequence[tuple[Route, float, float]], width_m: float) -> Polygon:
    """Return the outline of a hole that follows the pipe, bends and tees and all.

    Parameters
    ----------
    pieces : sequence of (Route, from_m, to_m)
        Stretches of pipe that meet; what lies beyond a route's ends is left off.
    width_m : float
        Across the pipe, half of it either side.

    Returns
    -------
    shapely Polygon
        Exterior counter-clockwise.

    Raises
    ------
    GeometryError
        If no stretch of pipe is left, or the width is not over 0.
    """
    import shapely

    if not (math.isfinite(width_m) and width_m > 0):
        raise GeometryError(f"a hole {width_m} m wide is none; give a width over 0")
    lines: list[BaseGeometry] = []
    for route, from_m, to_m in pieces:
        low, high = max(0.0, min(from_m, to_m)), min(route.length_m, max(from_m, to_m))
        if high - low >= SHORTEST_M:
            line = shapely.LineString(np.asarray(route.slice(low, high).vertices_m)[:, :2])
            # A branch starts a little off the line it joins: the hole is one all the same.
            lines += [shapely.shortest_line(lines[0], line)] if lines else []
            lines.append(line)
    if not lines:
        shown = ", ".join(f"{low:.3f} to {high:.3f}" for _, low, high in pieces)
        raise GeometryError(
            f"a hole from {shown} m has no length on a route of {pieces[0][0].length_m:.3f} m"
        )
    whole = shapely.line_merge(shapely.unary_union(lines))
    return _one_polygon(
        whole.buffer(width_m / 2, cap_style="flat", join_style="mitre", mitre_limit=_MITRE_LIMIT)
    )


def hole_notes(
    route: Route,
    from_m: float,
    to_m: float,
    *,
    depth_m: float | None,
    depth_sigma_m: float = 0.0,
    soil: str | None = None,
    country: str | None = None,
) -> tuple[str, ...]:
    """Return what the hole between two chainages calls for, and what of it is not known.

    One sigma of depth more counts where slopes or an engineer may be needed.
    """
    notes = []
    if min(from_m, to_m) < -1e-6 or max(from_m, to_m) > route.length_m + 1e-6:
        notes.append("the hole ends where the traced pipe ends")
    if depth_m is None:
        notes.append("depth not known: no volume and no slopes; measure it as you dig")
    elif depth_m + depth_sigma_m > ENGINEER_FROM_M:
        notes.append(_ENGINEER)
    if depth_m is not None and depth_m + depth_sigma_m < slopes_from_m(country):
        return (*notes, "sides upright while a competent person sees no sign of a cave-in")
    if soil is None:
        notes.append("soil not classified: counted as type C; a competent person classifies it")
    else:
        notes.append("a competent person classifies the soil; local code governs")
    return tuple(notes)


def surface_words(sloped: Polygon, soil: str, *, unit: str) -> str:
    """Say how much ground a hole with sloped sides takes at the surface."""
    box = np.asarray(sloped.minimum_rotated_rectangle.exterior.coords)
    sides = sorted(float(v) for v in np.hypot(*np.diff(box[:3], axis=0).T))
    short, long = (format_length(side, unit=unit, decimals=1) for side in sides)
    return f"sides sloped for type {soil} soil: {long} by {short} at the surface"


def reproject(geometry: Any, way: Callable[[Floats, Floats], tuple[Floats, Floats]]) -> Any:
    """Return a geometry, or an array, with every coordinate sent through `way` (two arrays)."""
    import shapely

    return shapely.transform(geometry, way, interleaved=False)


def sloped_hole(outline: Polygon, depth_m: float, soil: str | None) -> tuple[Polygon, float]:
    """Return the outline at the surface, all sides sloped, and the volume down to the bottom."""
    away = depth_m * slope_ratio(soil)
    if away <= 0:
        return outline, depth_m * float(outline.area)
    half, surface = (
        _one_polygon(outline.buffer(each, join_style="mitre", mitre_limit=_MITRE_LIMIT))
        for each in (away / 2, away)
    )
    # Simpson's rule: exact while no side of the outline vanishes, for the area is then quadratic.
    return surface, depth_m * float(outline.area + 4 * half.area + surface.area) / 6


def _one_polygon(shape: BaseGeometry) -> Polygon:
    import shapely
    from shapely.geometry.polygon import orient

    if shape.geom_type != "Polygon":
        shape = max(shapely.get_parts(shape), key=lambda each: each.area)
    return orient(shape)


@functools.cache
def _rows(table: str) -> Sequence[dict[str, str]]:
    text = resources.files("geoleak.tables").joinpath(f"{table}.csv").read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))
