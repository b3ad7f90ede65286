"""Values of site.toml that can be, but that nobody is likely to have meant.

A bare number past what the trade has is asked about: with its unit written it is taken. One whose
unit is written is taken and said. Common practice, no source, for each limit.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any, NamedTuple

from geoleak.errors import Refused
from geoleak.readers.collector import Collector
from geoleak.readers.toml import Path, SiteToml, dotted
from geoleak.units import (
    INCH_M,
    INTERNATIONAL_FOOT_M,
    LENGTH_UNITS,
    SMALL_UNITS,
    format_length,
    parse_length,
)

FIGURE = re.compile(r"(\d+(?:[.,]\d+)?) ?[A-Za-z]*")
"""A figure and its unit, where it has one."""


class Usual(NamedTuple):
    """What a length usually is: a bare number past ``bare_m`` is asked about."""

    low_m: float
    high_m: float
    bare_m: float
    such: str


# Services lie at 1 to 6 ft, mains to 12: below that stands a trench with protective systems.
DEPTH = Usual(0.05, 12 * INTERNATIONAL_FOOT_M, 12 * INTERNATIONAL_FOOT_M, '"30 in" or "3 ft"')
# A pipe of a supply is laid out of a spade's reach; cables, drip lines and probes need not be.
PIPE_DEPTH = DEPTH._replace(low_m=0.15)
# What most pipes of a supply have: a figure past it is likelier one of another unit.
MOST_DEPTHS_M = (0.45, 2.4)
DEPTH_DOUBTS = {"depth_bare": "unit not stated", "depth_other_unit": "is its unit right?"}
"""Code of a note that asks for a depth's unit, and why the depth is no fact."""
# From a keyhole to what one gang opens and backs up in a day.
HOLE = Usual(0.3, 20 * INTERNATIONAL_FOOT_M, 20 * INTERNATIONAL_FOOT_M, '"5 ft" or "1.5 m"')
# From 1/4 in tube to a 96 in main. Nobody states a diameter in feet or in metres unasked.
DIAMETER = Usual(6.35 / 1000, 2.6, 6 * INCH_M, '"1.315 in" or "63 mm"')
# From thin copper to a concrete main.
WALL = Usual(0.5 / 1000, 0.25, 0.025, '"0.133 in" or "5.8 mm"')
_ASKED = {
    "network": {"depth": PIPE_DEPTH},
    "crew": {"dig_length": HOLE},
    "leg": {"depth": PIPE_DEPTH, "outside_diameter": DIAMETER, "wall": WALL},
    "utility": {"depth": DEPTH},
}


def is_bare(value: str | float) -> bool:
    """Return whether a length carries no unit; quotes do not make one."""
    try:
        float(value)
    except ValueError:
        return False
    return True


def doubt(value: str | float, metres: float, usual: Usual, unit: str) -> Refused | None:
    """Return the question about a bare number that is no pipe's length, None where it may be."""
    if usual.low_m <= metres <= usual.bare_m:
        return None
    shown = format_length(metres, unit=unit, decimals=3 if metres < 0.3 else 1)
    remedy = f"write it with its unit, as in {usual.such}"
    return Refused(f"{value} is taken as {shown}: is that meant?", remedy)


def ask_about_lengths(toml: SiteToml, collector: Collector) -> None:
    """Ask about depths, diameters, walls and holes that hardly can be, or say so."""
    unit = toml.settings.length_unit
    for path, value, usual in _lengths(toml.values):
        metres = parse_length(value, unit=unit)
        name = dotted(path)
        origin = toml.origin(*path)
        asked = doubt(value, metres, usual, unit) if is_bare(value) else None
        if asked:
            collector.complain_of(origin, asked, f"{name}: ")
        elif not usual.low_m <= metres <= usual.high_m:
            text = f"{name}: {value} is more or less than is usual; check it"
            collector.note("unusual", text, origin)
        elif usual is PIPE_DEPTH and (note := depth_note(name, value, metres, unit)):
            collector.note(*note, origin)


def depth_note(
    name: str, value: str | float, metres: float, unit: str, *, bare: bool | None = None
) -> tuple[str, str] | None:
    """Return code and text of the question whether a pipe's depth is in the unit it is taken in.

    Of a bare figure past what most pipes have, and of one whose unit is another than the site's
    where the site's would make it a pipe's. None where neither is so.
    """
    low_m, high_m = MOST_DEPTHS_M
    bare = is_bare(value) if bare is None else bare
    found = FIGURE.fullmatch(str(value).strip())
    if low_m <= metres <= high_m or not found:
        return None
    figure = found[1].replace(",", ".")
    fits = depths_in_other_units(float(figure), unit, bare=bare)
    if not (bare or fits):
        return None
    text = f"{name}: {value} is taken as {format_length(metres, unit=unit)}, "
    text += f"{'shallower' if metres < low_m else 'deeper'} than most pipes"
    for each, size_m in fits.items():
        would = format_length(size_m, unit=unit)
        text += f"; were it {figure} {each.removesuffix('US')}, it would be {would}"
    if bare:
        return "depth_bare", f"{text}; check it and write its unit"
    return "depth_other_unit", f"{text}; check it"


def depths_in_other_units(figure: float, unit: str, *, bare: bool = True) -> dict[str, float]:
    """Return by unit how deep in metres a figure would be in it, where most pipes are as deep.

    A bare figure is tried in the units that a site in `unit` may mix up, another in `unit`.
    """
    low_m, high_m = MOST_DEPTHS_M
    tried = (("ft", "in") if unit == "m" else ("m", "cm", "in")) if bare else (unit,)
    would = {each: figure * (LENGTH_UNITS | SMALL_UNITS)[each] for each in tried}
    return {each: size_m for each, size_m in would.items() if low_m <= size_m <= high_m}


def _lengths(values: Any) -> Iterator[tuple[Path, Any, Usual]]:
    for name, limits in _ASKED.items():
        held = values.get(name, {})
        tables = {(name,): held} if isinstance(held, dict) else {
            (name, k): each for k, each in enumerate(held)
        }  # fmt: skip
        for path, table in tables.items():
            yield from (((*path, key), table[key], usual) for key, usual in limits.items()
                        if key in table)  # fmt: skip
