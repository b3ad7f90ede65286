"""Heights, depths and precisions of a point file, in metres and sigmas."""

from __future__ import annotations

import numpy as np

from geoleak.errors import Origin
from geoleak.readers.column_values import floats
from geoleak.readers.point_context import PointContext
from geoleak.readers.point_table import FloatArray
from geoleak.readers.positions import complain_cells
from geoleak.readers.precision import per_axis
from geoleak.readers.text_source import Raw
from geoleak.units import LENGTH_UNITS

_SMALL_UNITS = {"mm": 0.001, "cm": 0.01, "in": 0.0254}
_LENGTH_ROLES = {
    "elevation": "elevation_m",
    "ellipsoidal_height": "ellipsoidal_height_m",
    "depth": "depth_m",
}


# The land of this planet, with room to spare; deeper than 30 m nobody listens for a leak.
_BELIEVABLE = (
    ("elevation", "elevation_m", -600.0, 9000.0),
    ("ellipsoidal_height", "ellipsoidal_height_m", -700.0, 9100.0),
    ("depth", "depth_m", -np.inf, 30.0),
)


def point_numbers(raw: Raw, context: PointContext) -> dict[str, FloatArray]:
    """Return heights, depth and precision in metres, NaN where not stated."""
    numbers: dict[str, FloatArray] = {}
    for role, name in _LENGTH_ROLES.items():
        values = _column(raw, role, context)
        if values is not None:
            numbers[name] = values * _unit_of(raw, role, context)
    for role, name, low, high in _BELIEVABLE:
        if name in numbers:
            _check_range(raw, role, numbers[name], low, high, context)
    if "depth_m" in numbers:
        numbers["depth_m"] = _depths(raw, numbers["depth_m"], context)
    horizontal = _sigma(raw, "horizontal_precision", 2, context)
    axes = [_sigma(raw, f"{axis}_precision", 1, context) for axis in ("easting", "northing")]
    if horizontal is None and axes[0] is not None and axes[1] is not None:
        horizontal = np.sqrt((axes[0] ** 2 + axes[1] ** 2) / 2)
    vertical = _sigma(raw, "vertical_precision", 1, context)
    if horizontal is not None:
        numbers["sigma_horizontal_m"] = horizontal
    if vertical is not None:
        numbers["sigma_vertical_m"] = vertical
    return numbers


def _depths(raw: Raw, metres: FloatArray, context: PointContext) -> FloatArray:
    """Return depths; a rover writes 0 where nobody measured one, below zero is a mistake."""
    for row in np.flatnonzero(metres < 0)[:20].tolist():
        context.collector.complain(
            raw.origin(row, "depth"),
            f'depth "{raw.shown(row, "depth")}" is below zero',
            "write how deep the pipe lies, or leave it empty",
        )
    zero = metres == 0
    if not zero.any():
        return metres
    context.collector.note(
        "depth_zero",
        f"a depth of 0 is taken as not stated ({int(zero.sum())} rows)",
        raw.origin(int(np.flatnonzero(zero)[0]), "depth"),
    )
    return np.where(zero, np.nan, metres)


def _check_range(
    raw: Raw, role: str, metres: FloatArray, low: float, high: float, context: PointContext
) -> None:
    for row in np.flatnonzero((metres < low) | (metres > high))[:20]:
        context.collector.complain(
            raw.origin(int(row), role),
            f'{role.replace("_", " ")} "{raw.shown(row, role)}" is {metres[row]:.4g} m',
            "check the figure and its unit",
        )


def _column(raw: Raw, role: str, context: PointContext) -> FloatArray | None:
    cells = raw.cells(role)
    if cells is None:
        return None
    if role in raw.arrays:
        return raw.arrays[role]
    values, bad = floats(cells, decimal=raw.decimal)
    complain_cells(raw, role, bad, context.collector)
    return values


def _unit_of(raw: Raw, role: str, context: PointContext) -> float:
    """Return metres in one unit of a column.

    A unit in the header holds; a height without one is a coordinate and in the axis unit of a
    grid; everything else is in ``length_unit``.
    """
    stated = raw.header.units.get(role)
    if role == "elevation" and context.spec.elevation_unit:
        stated = context.spec.elevation_unit
    bare = context.length_unit
    if stated in _SMALL_UNITS:
        return _SMALL_UNITS[stated]
    if stated == "foot":
        foot = [each for each in (context.info.axis_unit, bare) if each in ("ft", "ftUS")]
        return LENGTH_UNITS[foot[0] if foot else "ft"]
    if stated in LENGTH_UNITS:
        return LENGTH_UNITS[stated]
    if role in ("elevation", "ellipsoidal_height") and not context.info.geographic:
        if context.info.axis_unit != bare:
            context.collector.note(
                "height_unit_assumed",
                f"{role.replace('_', ' ')} is taken in {context.info.axis_unit}, the unit of the "
                "coordinates; state elevation_unit in [points] if it is not",
                Origin(raw.label),
            )
        return context.info.axis_unit_m
    return LENGTH_UNITS[bare]


def _sigma(raw: Raw, role: str, axes: int, context: PointContext) -> FloatArray | None:
    values = _column(raw, role, context)
    if values is None:
        return None
    for row in np.flatnonzero(values < 0)[:20]:
        context.collector.complain(
            raw.origin(int(row), role),
            f'precision "{raw.shown(row, role)}" is below zero',
            "write the rover's figure or leave it empty",
        )
    zero = values == 0
    if zero.any():
        context.collector.note(
            "precision_zero",
            f"a {role.replace('_', ' ')} of 0 is taken as not stated ({int(zero.sum())} rows)",
            raw.origin(int(np.flatnonzero(zero)[0]), role),
        )
        values = np.where(zero, np.nan, values)
    metres = values * _unit_of(raw, role, context)
    return per_axis(metres, meaning=context.spec.precision_is, axes=axes)
