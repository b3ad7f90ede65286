"""What `geoleak route` says: legs, stations of marks and bends, gaps, strays, lengths."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np

from geoleak.check_report import plural, warning_dict, warning_text
from geoleak.survey import Survey, SurveyedLeg
from geoleak.units import format_length, format_station


@dataclass(frozen=True, slots=True, eq=False)
class RouteReport:
    """The fitted legs of a site, as a table and as JSON values."""

    survey: Survey

    def to_dict(self) -> dict[str, Any]:
        """Return legs, joints' pieces and warnings as JSON values."""
        groups = self.survey.network.components()
        return {
            "title": self.survey.site.title,
            "legs": [self._leg(leg) for leg in self.survey.legs],
            "joined": [[self.survey.legs[k].name for k in group] for group in groups],
            "warnings": [warning_dict(each) for each in self.survey.warnings],
        }

    def _leg(self, leg: SurveyedLeg) -> dict[str, Any]:
        fit = leg.fit
        return {
            "name": leg.name,
            "length_m": float(leg.route.length_m),
            "length_sigma_m": float(fit.length_sigma_m),
            "pipe_length_m": float(leg.route.pipe_length_m),
            "marks": [self._mark(leg, int(k)) for k in mark_order(leg)],
            "bends": [
                {
                    "chainage_m": float(bend.chainage_m),
                    "deflection_deg": float(bend.deflection_deg),
                    "radius_m": float(bend.radius_m),
                }
                for bend in fit.bends
            ],
            "strays": [fit.marks.ids[k] for k in fit.strays],
        }

    def _mark(self, leg: SurveyedLeg, k: int) -> dict[str, Any]:
        fit = leg.fit
        chainage = float(fit.mark_chainage_m[k])
        return {
            "id": fit.marks.ids[k],
            "chainage_m": chainage,
            "station": format_station(chainage, unit=self.survey.site.length_unit),
            "offset_m": float(fit.mark_residual_m[k]),
            "weight": float(fit.mark_weight[k]),
            "depth_m": float(fit.depth_m(min(max(chainage, 0.0), leg.route.length_m))),
        }

    def lines(self) -> list[str]:
        """Return the report as a person reads it."""
        said = [self.survey.site.title]
        for leg in self.survey.legs:
            said += ["", *self._leg_lines(leg)]
        if self.survey.warnings:
            said.append("")
        said += [f"warning {warning_text(each)}" for each in self.survey.warnings]
        return said

    def _leg_lines(self, leg: SurveyedLeg) -> list[str]:
        unit = self.survey.site.length_unit
        flat = format_length(leg.route.length_m, unit=unit, decimals=2)
        slope = format_length(leg.route.pipe_length_m, unit=unit, decimals=2)
        sigma = format_length(leg.fit.length_sigma_m, unit=unit, decimals=2)
        said = [
            f"leg {leg.name}: {flat} on the map, {slope} of pipe along the slope, "
            f"give or take {sigma}"
        ]
        strays = {int(k) for k in leg.fit.strays}
        rows: list[tuple[float, str]] = []
        for k in mark_order(leg):
            chainage = float(leg.fit.mark_chainage_m[k])
            rows.append((chainage, self._mark_line(leg, int(k), int(k) in strays)))
        for bend in leg.fit.bends:
            side = "right" if bend.deflection_deg > 0 else "left"
            text = f"bend {abs(bend.deflection_deg):.0f} degrees to the {side}"
            if bend.radius_m:
                text += f", radius {format_length(bend.radius_m, unit=unit)}"
            rows.append((float(bend.chainage_m), text))
        rows.sort(key=lambda row: row[0])
        said += [f"  {format_station(at, unit=unit):>12}  {text}" for at, text in rows]
        count = len(leg.fit.bends)
        said.append(f"  {len(leg.leg.mark_ids)} marks, {count} {plural('bend', count)}")
        return said

    def _mark_line(self, leg: SurveyedLeg, k: int, stray: bool) -> str:
        offset = float(leg.fit.mark_residual_m[k])
        away = format_length(abs(offset), unit=self.survey.site.length_unit)
        text = f"mark {leg.fit.marks.ids[k]}  {away} {'R' if offset > 0 else 'L'}"
        return text + "  stray: not followed" if stray else text


def mark_order(leg: SurveyedLeg) -> np.ndarray:
    """Return the indices of a leg's marks by chainage."""
    return np.argsort(np.asarray(leg.fit.mark_chainage_m), kind="stable")
