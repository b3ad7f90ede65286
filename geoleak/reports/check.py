"""What `geoleak check` and `geoleak route` say: what was read, where it stands, how legs run."""

from __future__ import annotations

import itertools
import math
from operator import itemgetter
from typing import Any

import numpy as np

from geoleak.crs import crs_info, place_text
from geoleak.network import junctions, loops
from geoleak.record import picked
from geoleak.route import GAP_OF_SPACING
from geoleak.survey import Survey, SurveyedLeg, count_kinds, every_point
from geoleak.units import format_length, format_station

SAID_IN_TABLE = ("gap", "stray_mark")
"""Warnings that the table of stations says already."""
ARMS = {2: "joins", 3: "tee with", 4: "cross with"}
Told = dict[str, Any]


class _Report:
    """What both reports say of a survey, lengths in its unit."""

    def __init__(self, survey: Survey) -> None:
        self.survey = survey

    def station(self, chainage_m: float) -> str:
        return format_station(chainage_m, unit=self.survey.site.length_unit)

    def length(self, metres: float, decimals: int | None = None) -> str:
        return format_length(metres, unit=self.survey.site.length_unit, decimals=decimals)

    def leg(self, number: int | None) -> str | None:
        return None if number is None else self.survey.legs[number].name


class CheckReport(_Report):
    """The survey of a site in the words and numbers of a check: nothing computed."""

    def to_dict(self) -> Told:
        """Return points, readings and warnings as JSON values; coordinates in the printed grid."""
        survey, frame = self.survey, self.survey.frame
        points = list(every_point(survey))
        east, north = frame.to_grid(
            np.array([p.easting_m for p in points]), np.array([p.northing_m for p in points])
        )
        rows = [
            {
                "id": each.point.id,
                "easting": float(e),
                "northing": float(n),
                "elevation": None if math.isnan(h := each.height_m / frame.grid_unit_m) else h,
                "code": each.point.code,
                **picked(each, "kind", "sigma_m"),
                "leg": self.leg(each.leg),
            }
            for each, e, n in zip(points, east, north, strict=True)
        ]
        figures = ("chainage_m", "offset_m", "level_db")
        readings = [
            {"id": name, "kind": levels.kind, "leg": self.leg(levels.leg[k])}
            | {each: float(getattr(levels, each)[k]) for each in figures}
            for levels in survey.levels
            for k, name in enumerate(levels.id)
        ]
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
        survey, site, frame = self.survey, self.survey.site, self.survey.frame
        kinds = count_kinds(survey)
        said = [
            site.title,
            f"grid    {frame.grid_name}, {frame.grid_unit}; ground to grid "
            f"{frame.combined_factor:.8f} at {frame.mean_height_m:.0f} m",
        ]
        if not frame.is_local:
            lon, lat = (float(each) for each in frame.to_lonlat(0.0, 0.0))
            text, odd = place_text(crs_info(site.crs, length_unit=site.length_unit), lon, lat)
            said.append(f"place   {text}: is it there?" if odd else f"place   {text}")
        listing = ", ".join(plural(kind, count) for kind, count in kinds.items())
        said.append(f"points  {kinds.total()}: {listing}" if kinds.total() else "points  none")
        for leg in survey.legs:
            marks, bends = plural("mark", len(leg.leg.mark_ids)), plural("bend", len(leg.fit.bends))
            length, end = self.length(leg.route.length_m), self.station(leg.route.length_m)
            said.append(f"leg     {leg.name}: {length}, {marks}, {bends}, ends at station {end}")
        heard = [levels for levels in survey.levels if len(levels)]
        for levels in heard:
            scale = "display" if site.levels.level_scale == "display" else "dB"
            low, high = float(levels.level_db.min()), float(levels.level_db.max())
            readings = plural(f"{levels.kind.replace('_', ' ')} reading", len(levels))
            loudest = levels.id[int(levels.level_db.argmax())]
            said.append(f"heard   {readings}, {low:.0f} to {high:.0f} {scale}, loudest {loudest}")
        also = {"delay": survey.delays, "isolation": survey.isolations, "stop test": survey.stops,
                "sighting": survey.sightings, "hole": survey.holes}  # fmt: skip
        said += [f"also    {plural(name, len(rows))}" for name, rows in also.items() if rows]
        said += [f"warning {each}" for each in survey.warnings]
        if survey.delays or heard:
            return [*said, "the folder can be used: geoleak locate works out where the leak is"]
        return [*said, "the folder reads well; fill in readings.csv, then: geoleak locate"]


class RouteReport(_Report):
    """The fitted legs: stations of marks, bends and joints, gaps, strays, loops."""

    def to_dict(self) -> Told:
        """Return legs, joints, loops and warnings as JSON values."""
        network = self.survey.network

        def place(leg: int, at_m: float) -> Told:
            return {"leg": self.leg(leg), "chainage_m": at_m, "station": self.station(at_m)}

        def piece(leg: int, low_m: float, high_m: float) -> Told:
            return {"leg": self.leg(leg), "from_m": low_m, "to_m": high_m}

        return {
            "title": self.survey.site.title,
            "legs": [self._leg(leg) for leg in self.survey.legs],
            "joints": [
                {"arms": each.arms, "places": list(itertools.starmap(place, each.places))}
                for each in junctions(network)
            ],
            "loops": [
                {
                    **picked(each, "pipe_length_m", "rings"),
                    "pieces": list(itertools.starmap(piece, each.pieces)),
                }
                for each in loops(network)
            ],
            "joined": [[self.leg(k) for k in group] for group in network.components()],
            "warnings": [each.to_dict() for each in self.survey.warnings],
        }

    def _leg(self, leg: SurveyedLeg) -> Told:
        fit = leg.fit
        strays = [fit.marks.ids[k] for k in fit.strays]
        marks = [
            {
                "id": fit.marks.ids[k],
                "chainage_m": (at_m := float(fit.mark_chainage_m[k])),
                "station": self.station(at_m),
                "offset_m": float(fit.mark_residual_m[k]),
                "weight": float(fit.mark_weight[k]),
                "depth_m": float(fit.depth_m(min(max(at_m, 0.0), leg.route.length_m))),
            }
            for k in np.argsort(np.asarray(fit.mark_chainage_m), kind="stable").tolist()
        ]
        along = [(each["chainage_m"], each["id"]) for each in marks if each["id"] not in strays]
        return {
            "name": leg.name,
            "length_m": float(leg.route.length_m),
            "length_sigma_m": float(fit.length_sigma_m),
            "pipe_length_m": float(leg.route.pipe_length_m),
            "traced": bool(len(fit.marks)) or not leg.leg.drawn,
            "marks": marks,
            "bends": [picked(e, "chainage_m", "deflection_deg", "radius_m") for e in fit.bends],
            "gaps": _gaps(leg, along),
            "strays": strays,
        }

    def lines(self) -> list[str]:
        """Return the report as a person reads it."""
        told, said = self.to_dict(), [self.survey.site.title]
        legs = zip(told["legs"], self.survey.legs, strict=True)
        for part in (
            *(self._leg_lines(leg, surveyed, told["joints"]) for leg, surveyed in legs),
            [self._loop_line(each) for each in told["loops"]],
            [f"warning {e}" for e in self.survey.warnings if e.code not in SAID_IN_TABLE],
        ):
            said += ["", *part] if part else []
        return said

    def _leg_lines(self, leg: Told, surveyed: SurveyedLeg, joints: list[Told]) -> list[str]:
        # Ranks keep what stands at one station in the order that a crew walks through it.
        rows: list[tuple[float, int, str]] = []
        for each in joints:
            for at in (place for place in each["places"] if place["leg"] == leg["name"]):
                others = " and ".join(
                    f"{'itself' if e['leg'] == at['leg'] else e['leg']} at {e['station']}"
                    for e in each["places"]
                    if e != at
                )
                rows.append((at["chainage_m"], 0, f"{ARMS.get(each['arms'], 'meets')} {others}"))
        for mark in leg["marks"]:
            rows.append((mark["chainage_m"], 1, self._mark(mark, mark["id"] in leg["strays"])))
        for gap in leg["gaps"]:
            long, usual = self.length(gap["to_m"] - gap["from_m"]), self.length(gap["usual_m"])
            text = (
                f"gap: no mark for {long}, up to {gap['before']} (elsewhere one every {usual}); a "
                "bend in there would not be seen"
            )
            rows.append((gap["from_m"], 2, text))
        for bend in leg["bends"]:
            side = "right" if bend["deflection_deg"] > 0 else "left"
            text = f"bend {abs(bend['deflection_deg']):.0f} degrees to the {side}"
            if bend["radius_m"]:
                text += f", swept at a radius of {self.length(bend['radius_m'])}"
            rows.append((float(bend["chainage_m"]), 3, text))
        rows.sort(key=itemgetter(0, 1))
        said = [self._head(leg), *(f"  {self.station(at):>12}  {text}" for at, _, text in rows)]
        counts = {"mark": len(surveyed.leg.mark_ids), "bend": len(leg["bends"])}
        counts |= {"gap": len(leg["gaps"])} if leg["gaps"] else {}
        said.append("  " + ", ".join(plural(word, n, none="no") for word, n in counts.items()))
        if surveyed.route.calibration is not None:
            said.append(
                "  stations here run along the fitted line; places such as "
                f"{leg['name']}@40 in the sheets are as measured on the ground"
            )
        return said

    def _head(self, leg: Told) -> str:
        lengths = (leg["length_sigma_m"], leg["length_m"], leg["pipe_length_m"])
        sigma, level, slope = (self.length(each, 2) for each in lengths)
        if not leg["traced"]:
            return f"leg {leg['name']}: {level} as drawn, give or take {sigma}; nobody traced it"
        pipe = "the pipe as long" if slope == level else f"{slope} of pipe along the slope"
        return f"leg {leg['name']}: {level} on the level, {pipe}, give or take {sigma}"

    def _mark(self, mark: Told, stray: bool) -> str:
        away = self.length(abs(mark["offset_m"]), 2)
        side = "right" if mark["offset_m"] > 0 else "left"
        where = f"mark {mark['id']}, {away} {side} of the line"
        if stray:
            return f"{where}: stray, not followed; locate it again"
        return f"mark {mark['id']}, on the line" if away == self.length(0.0, 2) else where

    def _loop_line(self, ring: Told) -> str:
        pieces = [
            f"{each['leg']} {self.station(each['from_m'])} to {self.station(each['to_m'])}"
            for each in ring["pieces"]
        ]
        shown = "; ".join(pieces[:8]) + (f"; and {len(pieces) - 8} more" if len(pieces) > 8 else "")
        length = self.length(ring["pipe_length_m"])
        if ring["rings"] == 1:
            return f"closed loop, {length} of pipe round: {shown}"
        return f"{ring['rings']} closed loops that share pipe, {length} in all: {shown}"


def _gaps(leg: SurveyedLeg, marks: list[tuple[float, str]]) -> list[Told]:
    """Return the stretches between neighbouring marks well over the usual spacing, the median.

    A start or an end that the leg names counts as a mark.
    """
    start, end, at = leg.fit.marks.start, leg.fit.marks.end, marks
    if start is not None and leg.fit.runs and not leg.leg.drawn:
        at = [(0.0, start.id), *at]
    if end is not None and not leg.leg.drawn:
        at = [*at, (leg.route.length_m, end.id)]
    if len(at) < 4:
        return []
    apart = np.diff([each for each, _ in at])
    usual = float(np.median(apart))
    return [
        {"from_m": at[k][0], "to_m": at[k + 1][0], "after": at[k][1], "before": at[k + 1][1],
         "usual_m": usual}
        for k in np.flatnonzero(apart > GAP_OF_SPACING * usual).tolist()
    ]  # fmt: skip


def plural(word: str, count: int, *, none: str = "0") -> str:
    """Return so many of a word: "1 mark", "2 marks"."""
    return f"{count or none} {word}" + ("" if count == 1 or word == "other" else "s")
