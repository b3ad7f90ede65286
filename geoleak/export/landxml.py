"""site.xml: LandXML 1.2: points and the legs as alignments with stations.

Point text is northing, easting, elevation in the printed grid. Stations and lengths along an
alignment are on the ground, at the site's mean height; the combined factor says how they differ
from the grid.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from itertools import accumulate, pairwise
from pathlib import Path
from typing import Any

from geoleak.export.geopackage import NO_DATE
from geoleak.export.layers import label_of
from geoleak.export.stakes import every_stake
from geoleak.export.templates import write_document
from geoleak.result import Result, Stake
from geoleak.units import unit_m

LINEAR_UNIT = {"m": "meter", "ft": "foot", "ftUS": "USSurveyFoot"}
OTHER_UNITS = {
    "Metric": {
        "areaUnit": "squareMeter",
        "volumeUnit": "cubicMeter",
        "temperatureUnit": "celsius",
        "pressureUnit": "milliBars",
    },
    "Imperial": {
        "areaUnit": "squareFoot",
        "volumeUnit": "cubicFeet",
        "temperatureUnit": "fahrenheit",
        "pressureUnit": "inchHG",
    },
}
POINTS = ("mark", "fitting", "feature")


def write_landxml(result: Result, path: str | Path) -> Path:
    """Write site.xml and return its path."""
    crs, unit = result.leak.position.crs, result.leak.position.unit
    system = "Metric" if unit == "m" else "Imperial"
    points = {each.id: each for each in reversed([*_stakes(result), *_shot(result)])}
    return write_document(
        "site.xml",
        result,
        path,
        date=result.run.date or NO_DATE,
        system=system,
        linear=LINEAR_UNIT[unit],
        units=OTHER_UNITS[system],
        epsg=crs.split(":")[1] if crs.upper().startswith("EPSG:") else "",
        points=reversed(points.values()),
        factor=unit_m(unit),
        legs=list(_alignments(result)),
    )


def _stakes(result: Result) -> list[Stake]:
    return sorted(every_stake(result), key=lambda each: each.kind != "stake")


def _shot(result: Result) -> Iterator[Stake]:
    """Yield the points that were shot, as they would be set out."""
    for each in result.features:
        if each.kind in POINTS and each.grid.geom_type == "Point":
            height, label = each.properties.get("elevation_m"), label_of(each, result)
            yield Stake(each.id, each.kind, label, each.grid.x, each.grid.y, height)


def _alignments(result: Result) -> Iterator[tuple[Any, ...]]:
    """Yield legs with their ground length and their straight runs, which share it as the grid's."""
    for leg in result.legs:
        runs = list(pairwise(leg.vertices))
        if runs:
            ground = leg.length_m / unit_m(result.leak.position.unit)
            parts = [math.dist(*run) for run in runs]
            scale = ground / sum(parts) if sum(parts) > 0 else 1.0
            at = accumulate((part * scale for part in parts), initial=0.0)
            lines = [(*run, s, p * scale) for run, s, p in zip(runs, at, parts, strict=False)]
            yield leg, ground, lines
