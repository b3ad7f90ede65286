"""What `geoleak plan` says before driving out, and the page to print."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from msgspec import to_builtins

from geoleak.advice import COARSE, LegPlan, Plan
from geoleak.cautions import HEARING, LISTENING_ADVICE, SHUTTING
from geoleak.export.documents import rendered
from geoleak.export.folder import put_text
from geoleak.record import Record, picked
from geoleak.survey import Survey
from geoleak.units import format_length

NAMED = 8


class PlanReport(Record, eq=False):
    """The plan of a visit, in words and numbers."""

    survey: Survey
    plan: Plan

    def to_dict(self) -> dict[str, Any]:
        """Return the plan as JSON values."""
        told = picked(self.plan, "fittings_first", "valves", "minutes")
        return {"legs": [to_builtins(each) for each in self.plan.legs], **told}

    def lines(self) -> list[str]:
        """Return the lines to print."""
        plan = self.plan
        said = [self.survey.site.title]
        if plan.fittings_first:
            said.append("touch first  " + self._named(plan.fittings_first))
        if plan.valves:
            said.append("then shut    " + self._named(plan.valves) + ", those that are valves: the "
                        "first parts the pipe most evenly")  # fmt: skip
            said.append("             " + SHUTTING)
        for leg in plan.legs:
            said += self._leg(leg)
        # Common practice, no source.
        step, aside = (
            ("half a metre", "2 m") if self.survey.site.length_unit == "m" else ("2 ft", "6 ft")
        )
        said += [
            "one drive    every tap, pump and appliance off while listening (everything_off yes)",
            "             on past the loudest mark until it falls",
            f"             at the loudest place a level some {aside} to both sides, and",
            "             after the locate request a rod there, everything off, going on "
            f"{step} at a time until it falls",
        ]
        hours, minutes = divmod(round(plan.minutes), 60)
        said.append(
            f"time         {f'{hours} h ' if hours else ''}{minutes} min of listening at "
            f"{plan.reading_minutes:g} min a reading, painting and walking aside"
        )
        said.append(HEARING)
        return said

    def _leg(self, leg: LegPlan) -> list[str]:
        hole = self._far(self.survey.site.crew.dig_length_m)
        said = [
            f"{leg.leg}: mark every {self._far(leg.mark_spacing_m)}; listen every "
            f"{self._far(COARSE * leg.reading_spacing_m)} first, then every "
            f"{self._far(leg.reading_spacing_m)} about the loudest ({leg.readings} readings)"
        ]
        if leg.chance_of_dig > 0:
            said.append(
                f"             a leak as loud as real ones have been measured is then pinned to a "
                f"{hole} hole in about {min(9, round(10 * leg.chance_of_dig))} of 10 cases; in the "
                "others it names where to listen more"
            )
        else:
            said.append(
                f"             no spacing pins a leak of usual loudness to a {hole} hole at once: "
                "plan for a second round, or delays between fittings"
            )
        if leg.marks_now_m is not None and leg.marks_now_m > 1.3 * leg.mark_spacing_m:
            said.append(
                f"             marks every {self._far(leg.marks_now_m)} will not do for a {hole} "
                "hole"
            )
        return said

    def _named(self, ids: tuple[str, ...]) -> str:
        codes = {each.point.id: each.point.code for each in self.survey.points}
        shown = [f"{codes.get(each, '')} {each}".strip() for each in ids[:NAMED]]
        more = f" and {len(ids) - NAMED} more" if len(ids) > NAMED else ""
        return ", ".join(shown) + more

    def _far(self, metres: float) -> str:
        return format_length(metres, unit=self.survey.site.length_unit)


def write_plan(report: PlanReport, path: Path) -> Path:
    """Write the plan as a page to print and tick off."""
    *steps, time, hearing = report.lines()[1:]
    items: list[list[str]] = []
    for line in steps:
        if line.startswith(" ") and items:
            items[-1].append(line.strip())
        else:
            items.append([line])
    title, rest = report.survey.site.title, (time, hearing, LISTENING_ADVICE)
    page = rendered("visit.html", title=f"{title}: plan", site=title, steps=items, rest=rest)
    return put_text(path, page)
