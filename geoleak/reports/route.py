"""What `geoleak route` says: legs, stations of marks, bends and joints, gaps, strays, loops."""

from __future__ import annotations

from collections import defaultdict
from typing import Any

import numpy as np
from msgspec.structs import asdict

from geoleak.network import Junction, Loop, junctions, loops
from geoleak.record import Record
from geoleak.reports.check import plural
from geoleak.result import picked
from geoleak.route import GAP_OF_SPACING
from geoleak.survey import Survey, SurveyedLeg
from geoleak.units import format_length, format_station

SAID_IN_TABLE = ("gap", "stray_mark")
"""Warnings that the table of stations says already."""
ARMS = {2: "joins", 3: "tee with", 4: "cross with"}


class Gap(Record):
    """A stretch of a leg without a mark. ``usual_m`` is the median spacing."""

    from_m: float
    to_m: float
    after: str
    before: str
    usual_m: float


class RouteReport(Record, eq=False):
    """The fitted legs of a site, as a table and as JSON values."""

    survey: Survey

    def to_dict(self) -> dict[str, Any]:
        """Return legs, joints, loops and warnings as JSON values."""
        network = self.survey.network
        joints = [
            {
                "arms": each.arms,
                "places": [
                    {"leg": self._name(leg), "chainage_m": at_m, "station": self._station(at_m)}
                    for leg, at_m in each.places
                ],
            }
            for each in junctions(network)
        ]
        rings = [
            {
                **picked(each, "pipe_length_m", "rings"),
                "pieces": [
                    {"leg": self._name(leg), "from_m": low, "to_m": high}
                    for leg, low, high in each.pieces
                ],
            }
            for each in loops(network)
        ]
        return {
            "title": self.survey.site.title,
            "legs": [self._leg(leg) for leg in self.survey.legs],
            "joints": joints,
            "loops": rings,
            "joined": [[self._name(k) for k in group] for group in network.components()],
            "warnings": [each.to_dict() for each in self.survey.warnings],
        }

    def _name(self, leg: int) -> str:
        return self.survey.legs[leg].name

    def _station(self, chainage_m: float) -> str:
        return format_station(chainage_m, unit=self.survey.site.length_unit)

    def _length(self, metres: float, decimals: int | None = None) -> str:
        return format_length(metres, unit=self.survey.site.length_unit, decimals=decimals)

    def _leg(self, leg: SurveyedLeg) -> dict[str, Any]:
        fit, marks = leg.fit, []
        for k in mark_order(leg):
            at_m = float(fit.mark_chainage_m[k])
            marks.append(
                {
                    "id": fit.marks.ids[int(k)],
                    "chainage_m": at_m,
                    "station": self._station(at_m),
                    "offset_m": float(fit.mark_residual_m[k]),
                    "weight": float(fit.mark_weight[k]),
                    "depth_m": float(fit.depth_m(min(max(at_m, 0.0), leg.route.length_m))),
                }
            )
        return {
            "name": leg.name,
            "length_m": float(leg.route.length_m),
            "length_sigma_m": float(fit.length_sigma_m),
            "pipe_length_m": float(leg.route.pipe_length_m),
            "traced": bool(len(fit.marks)) or not leg.leg.drawn,
            "marks": marks,
            "bends": [picked(e, "chainage_m", "deflection_deg", "radius_m") for e in fit.bends],
            "gaps": [asdict(gap) for gap in gaps(leg)],
            "strays": [fit.marks.ids[k] for k in fit.strays],
        }

    def lines(self) -> list[str]:
        """Return the report as a person reads it."""
        said = [self.survey.site.title]
        meeting: dict[int, list[tuple[float, Junction]]] = defaultdict(list)
        for each in junctions(self.survey.network):
            for leg, chainage in each.places:
                meeting[leg].append((chainage, each))
        for surveyed in self.survey.legs:
            said += ["", *self._leg_lines(surveyed, meeting[surveyed.number])]
        found = [self._loop_line(each) for each in loops(self.survey.network)]
        rest = [f"warning {e}" for e in self.survey.warnings if e.code not in SAID_IN_TABLE]
        for part in (found, rest):
            said += ["", *part] if part else []
        return said

    def _leg_lines(self, leg: SurveyedLeg, joined: list[tuple[float, Junction]]) -> list[str]:
        fit = leg.fit
        # Ranks keep what stands at one station in the order that a crew walks through it.
        rows: list[tuple[float, int, str]] = []
        for chainage, each in joined:
            rows.append((chainage, 0, self._joint_line(leg.number, chainage, each)))
        for k in map(int, mark_order(leg)):
            stray = k in {int(each) for each in fit.strays}
            rows.append((float(fit.mark_chainage_m[k]), 1, self._mark_line(leg, k, stray)))
        for gap in gaps(leg):
            long, usual = self._length(gap.to_m - gap.from_m), self._length(gap.usual_m)
            text = (
                f"gap: no mark for {long}, up to {gap.before} (elsewhere one every {usual}); a "
                "bend in there would not be seen"
            )
            rows.append((gap.from_m, 2, text))
        for bend in fit.bends:
            side = "right" if bend.deflection_deg > 0 else "left"
            text = f"bend {abs(bend.deflection_deg):.0f} degrees to the {side}"
            if bend.radius_m:
                text += f", swept at a radius of {self._length(bend.radius_m)}"
            rows.append((float(bend.chainage_m), 3, text))
        rows.sort(key=lambda row: row[:2])
        said = [self._head(leg)]
        said += [f"  {self._station(at):>12}  {text}" for at, _, text in rows]
        counts = [(len(leg.leg.mark_ids), "mark"), (len(fit.bends), "bend")]
        counts += [(len(gaps(leg)), "gap")] if gaps(leg) else []
        counted = (f"{count or 'no'} {plural(word, count)}" for count, word in counts)
        said.append(f"  {', '.join(counted)}")
        if leg.route.calibration is not None:
            said.append(
                "  stations here run along the fitted line; places such as "
                f"{leg.name}@40 in the sheets are as measured on the ground"
            )
        return said

    def _head(self, leg: SurveyedLeg) -> str:
        lengths = (leg.fit.length_sigma_m, leg.route.length_m, leg.route.pipe_length_m)
        sigma, level, slope = (self._length(each, 2) for each in lengths)
        if leg.leg.drawn and not len(leg.fit.marks):
            return f"leg {leg.name}: {level} as drawn, give or take {sigma}; nobody traced it"
        pipe = "the pipe as long" if slope == level else f"{slope} of pipe along the slope"
        return f"leg {leg.name}: {level} on the level, {pipe}, give or take {sigma}"

    def _joint_line(self, leg: int, chainage_m: float, each: Junction) -> str:
        said = [
            f"{'itself' if other == leg else self._name(other)} at {self._station(at)}"
            for other, at in each.places
            if (other, at) != (leg, chainage_m)
        ]
        return f"{ARMS.get(each.arms, 'meets')} {' and '.join(said)}"

    def _mark_line(self, leg: SurveyedLeg, k: int, stray: bool) -> str:
        offset = float(leg.fit.mark_residual_m[k])
        away, name = self._length(abs(offset), 2), f"mark {leg.fit.marks.ids[k]}"
        side = "right" if offset > 0 else "left"
        if stray:
            return f"{name}, {away} {side} of the line: stray, not followed; locate it again"
        if away == self._length(0.0, 2):
            return f"{name}, on the line"
        return f"{name}, {away} {side} of the line"

    def _loop_line(self, loop: Loop) -> str:
        pieces = [
            f"{self._name(leg)} {self._station(low)} to {self._station(high)}"
            for leg, low, high in loop.pieces
        ]
        shown = "; ".join(pieces[:8]) + (f"; and {len(pieces) - 8} more" if len(pieces) > 8 else "")
        length = self._length(loop.pipe_length_m)
        if loop.rings == 1:
            return f"closed loop, {length} of pipe round: {shown}"
        return f"{loop.rings} closed loops that share pipe, {length} in all: {shown}"


def gaps(leg: SurveyedLeg) -> tuple[Gap, ...]:
    """Return the stretches between neighbouring marks well over the usual spacing.

    A start or an end that the leg names counts as a mark; strays do not.
    """
    fit = leg.fit
    strays = {int(k) for k in fit.strays}
    at = [
        (float(fit.mark_chainage_m[k]), fit.marks.ids[int(k)])
        for k in mark_order(leg)
        if int(k) not in strays
    ]
    if fit.marks.start is not None and fit.runs and not leg.leg.drawn:
        at.insert(0, (0.0, fit.marks.start.id))
    if fit.marks.end is not None and not leg.leg.drawn:
        at.append((leg.route.length_m, fit.marks.end.id))
    if len(at) < 4:
        return ()
    apart = np.diff([each for each, _ in at])
    usual = float(np.median(apart))
    return tuple(
        Gap(at[k][0], at[k + 1][0], at[k][1], at[k + 1][1], usual)
        for k in np.flatnonzero(apart > GAP_OF_SPACING * usual).tolist()
    )


def mark_order(leg: SurveyedLeg) -> np.ndarray:
    """Return the indices of a leg's marks by chainage."""
    return np.argsort(np.asarray(leg.fit.mark_chainage_m), kind="stable")
