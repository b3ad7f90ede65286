"""What `geoleak check` says: what was read and where it stands, nothing computed."""

from __future__ import annotations

import math
from collections import Counter
from dataclasses import dataclass
from typing import Any

import numpy as np

from geoleak.crs import crs_info, place_text
from geoleak.survey import Levels, Survey, count_kinds, every_point
from geoleak.units import format_length, format_station


@dataclass(frozen=True, slots=True, eq=False)
class CheckReport:
    """The survey of a site in the words and numbers of a check."""

    survey: Survey

    def to_dict(self) -> dict[str, Any]:
        """Return points, readings and warnings as JSON values; coordinates in the printed grid."""
        return {
            "title": self.survey.site.title,
            "grid": self.survey.frame.grid_name,
            "unit": self.survey.frame.grid_unit,
            "points": self._points(),
            "readings": [row for levels in self.survey.levels for row in self._readings(levels)],
            "warnings": [each.to_dict() for each in self.survey.warnings],
        }

    def _points(self) -> list[dict[str, Any]]:
        survey = self.survey
        points = list(every_point(survey))
        east, north = survey.frame.to_grid(
            np.array([p.easting_m for p in points]), np.array([p.northing_m for p in points])
        )
        rows = []
        for each, e, n in zip(points, east, north, strict=True):
            height = each.height_m / survey.frame.grid_unit_m
            rows.append(
                {
                    "id": each.point.id,
                    "easting": float(e),
                    "northing": float(n),
                    "elevation": None if math.isnan(height) else height,
                    "code": each.point.code,
                    "kind": each.kind,
                    "sigma_m": each.sigma_m,
                    "leg": None if each.leg is None else survey.legs[each.leg].name,
                }
            )
        return rows

    def _readings(self, levels: Levels) -> list[dict[str, Any]]:
        return [
            {
                "id": levels.id[k],
                "kind": levels.kind,
                "leg": self.survey.legs[levels.leg[k]].name,
                "chainage_m": float(levels.chainage_m[k]),
                "offset_m": float(levels.offset_m[k]),
                "level_db": float(levels.level_db[k]),
            }
            for k in range(len(levels))
        ]

    def lines(self) -> list[str]:
        """Return the report as a person reads it."""
        survey = self.survey
        unit = survey.site.length_unit
        said = [
            survey.site.title,
            f"grid    {survey.frame.grid_name}, {survey.frame.grid_unit}; ground to grid "
            f"{survey.frame.combined_factor:.8f} at {survey.frame.mean_height_m:.0f} m",
            *self._place_line(),
            self._point_line(count_kinds(survey)),
        ]
        for leg in survey.legs:
            length = format_length(leg.route.length_m, unit=unit)
            marks = len(leg.leg.mark_ids)
            bends = len(leg.fit.bends)
            said.append(
                f"leg     {leg.name}: {length}, {marks} {plural('mark', marks)}, "
                f"{bends} {plural('bend', bends)}, ends at station "
                + format_station(leg.route.length_m, unit=unit)
            )
        for levels in self.survey.levels:
            if len(levels):
                said.append(self._level_line(levels))
        for rows, name in (
            (survey.delays, "delay"),
            (survey.isolations, "isolation"),
            (survey.stops, "stop test"),
            (survey.sightings, "sighting"),
            (survey.holes, "hole"),
        ):
            if rows:
                said.append(f"also    {len(rows)} {plural(name, len(rows))}")
        said += [f"warning {each}" for each in survey.warnings]
        said.append(self._next())
        return said

    def _place_line(self) -> list[str]:
        """Return where the site lies, as a question where that is odd."""
        if self.survey.frame.is_local:
            return []
        lon, lat = (float(each) for each in self.survey.frame.to_lonlat(0.0, 0.0))
        info = crs_info(self.survey.site.crs, length_unit=self.survey.site.length_unit)
        text, odd = place_text(info, lon, lat)
        return [f"place   {text}: is it there?" if odd else f"place   {text}"]

    def _point_line(self, kinds: Counter[str]) -> str:
        if not kinds.total():
            return "points  none"
        listing = ", ".join(f"{count} {plural(kind, count)}" for kind, count in kinds.items())
        return f"points  {kinds.total()}: {listing}"

    def _next(self) -> str:
        if any(len(levels) for levels in self.survey.levels) or self.survey.delays:
            return "the folder can be used: geoleak locate works out where the leak is"
        return "the folder reads well; fill in readings.csv, then: geoleak locate"

    def _level_line(self, levels: Levels) -> str:
        scale = "display" if self.survey.site.levels.level_scale == "display" else "dB"
        low, high = float(levels.level_db.min()), float(levels.level_db.max())
        loudest = levels.id[int(levels.level_db.argmax())]
        name = levels.kind.replace("_", " ")
        return (
            f"heard   {len(levels)} {name} {plural('reading', len(levels))}, "
            f"{low:.0f} to {high:.0f} {scale}, loudest {loudest}"
        )


def plural(word: str, count: int) -> str:
    """Return the word for this many of it."""
    if count == 1 or word == "other":
        return word
    return word + "s"
