"""What `geoleak check` says: what was read and where it stands, nothing computed."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from geoleak.crs import crs_info, place_text
from geoleak.record import Record
from geoleak.result import picked
from geoleak.survey import Levels, Survey, count_kinds, every_point
from geoleak.units import format_length, format_station


class CheckReport(Record, eq=False):
    """The survey of a site in the words and numbers of a check."""

    survey: Survey

    def to_dict(self) -> dict[str, Any]:
        """Return points, readings and warnings as JSON values; coordinates in the printed grid."""
        survey, frame = self.survey, self.survey.frame
        points, rows, readings = list(every_point(survey)), [], []
        east, north = frame.to_grid(
            np.array([p.easting_m for p in points]), np.array([p.northing_m for p in points])
        )
        for each, e, n in zip(points, east, north, strict=True):
            height = each.height_m / frame.grid_unit_m
            rows.append(
                {
                    "id": each.point.id,
                    "easting": float(e),
                    "northing": float(n),
                    "elevation": None if math.isnan(height) else height,
                    "code": each.point.code,
                    **picked(each, "kind", "sigma_m"),
                    "leg": None if each.leg is None else survey.legs[each.leg].name,
                }
            )
        for levels in survey.levels:
            figures = ("chainage_m", "offset_m", "level_db")
            for k, name in enumerate(levels.id):
                told = {"id": name, "kind": levels.kind, "leg": survey.legs[levels.leg[k]].name}
                readings.append(told | {e: float(getattr(levels, e)[k]) for e in figures})
        return {
            "title": survey.site.title,
            "grid": frame.grid_name,
            "unit": frame.grid_unit,
            "points": rows,
            "readings": readings,
            "warnings": [each.to_dict() for each in survey.warnings],
        }

    def lines(self) -> list[str]:
        """Return the report as a person reads it."""
        survey = self.survey
        unit, kinds = survey.site.length_unit, count_kinds(survey)
        listing = ", ".join(f"{count} {plural(kind, count)}" for kind, count in kinds.items())
        counted = f"{kinds.total()}: {listing}"
        said = [
            survey.site.title,
            f"grid    {survey.frame.grid_name}, {survey.frame.grid_unit}; ground to grid "
            f"{survey.frame.combined_factor:.8f} at {survey.frame.mean_height_m:.0f} m",
            *self._place_line(),
            f"points  {counted}" if kinds.total() else "points  none",
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
        said += [self._level_line(levels) for levels in survey.levels if len(levels)]
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
        if survey.delays or any(len(levels) for levels in survey.levels):
            return [*said, "the folder can be used: geoleak locate works out where the leak is"]
        return [*said, "the folder reads well; fill in readings.csv, then: geoleak locate"]

    def _place_line(self) -> list[str]:
        """Return where the site lies, as a question where that is odd."""
        if self.survey.frame.is_local:
            return []
        lon, lat = (float(each) for each in self.survey.frame.to_lonlat(0.0, 0.0))
        info = crs_info(self.survey.site.crs, length_unit=self.survey.site.length_unit)
        text, odd = place_text(info, lon, lat)
        return [f"place   {text}: is it there?" if odd else f"place   {text}"]

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
