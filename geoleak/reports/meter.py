"""What `geoleak meter` says: is there a leak at all, how large, on which side, what it costs."""

from __future__ import annotations

import datetime
from typing import Any

from geoleak import tables
from geoleak.export import words
from geoleak.hydraulics import (
    ANY_EXPONENT,
    CONTRADICTS,
    PRESSURE_EXPONENT,
    Flow,
    at_pressure,
    equivalent_hole_m,
    hole_mm,
    meter_test,
)
from geoleak.record import picked
from geoleak.site import Site
from geoleak.units import INTERNATIONAL_FOOT_M, VOLUME_UNITS_L

# What a rate is told in beside each unit of a bill: a crew thinks in gallons or litres a minute.
RATE_UNIT = {"gal_us": "gal_us", "ft3": "gal_us", "CCF": "gal_us", "gal_imp": "gal_imp",
             "L": "L", "m3": "L"}  # fmt: skip
NAMES = {"gal_us": "gal", "gal_imp": "imp gal", "ft3": "ft3", "CCF": "CCF", "L": "L", "m3": "m3"}
DAYS_IN_MONTH = 30.4375
DAY_S = 86400.0
# What lower pressure does to the leak is told for this share of it.
LOWER_PRESSURE = 0.8


class MeterReport:
    """What `geoleak meter` prints of a site."""

    def __init__(self, site: Site) -> None:
        self.site = site
        self.test = meter_test(site)
        self.leak = self.test.flow if self.test.verdict == "leak" else None
        lowest = min((each.pressure_kpa for each in site.legs if each.pressure_kpa), default=None)
        self.hole_m = equivalent_hole_m(self.leak.l_per_s, lowest) if self.leak and lowest else None
        self.since_l = self._since_l()

    def to_dict(self) -> dict[str, Any]:
        """Return the verdict, its flow and every run as JSON values."""
        test, flow = self.test, self.test.flow
        sure = test.verdict != "cannot_tell" and flow is not None
        return {
            "verdict": test.verdict,
            "flow_l_per_min": 60 * flow.l_per_s if sure and flow else None,
            "flow_sigma_l_per_min": 60 * flow.sigma if sure and flow else None,
            "flow_upper_95_l_per_min": 60 * flow.upper_95 if flow else None,
            "per_day_l": DAY_S * self.leak.l_per_s if self.leak else None,
            "since_l": self.since_l,
            "cost_since": self._cost(self.since_l),
            "equivalent_hole_m": self.hole_m,
            "runs": [
                {
                    **picked(each, "run", "state", "kind", "watched_s"),
                    "flow_l_per_min": 60 * each.l_per_s,
                    "flow_sigma_l_per_min": 60 * each.sigma,
                    "flow_upper_95_l_per_min": 60 * each.upper_95,
                }
                for each in test.runs
            ],
            "sides": test.sides,
            "warnings": [each.to_dict() for each in test.warnings],
        }

    def lines(self) -> list[str]:
        """Return the lines to print."""
        test, flow = self.test, self.test.flow
        said = [self.site.title] if self.site.title else []
        if flow is None:
            said.append("CANNOT TELL  no run that counts was watched with every tap shut")
        elif any(each.code == CONTRADICTS for each in test.warnings):
            said.append("CANNOT TELL  two runs with everything shut contradict each other")
        elif self.leak:
            said += self._leak_lines(self.leak)
        elif test.verdict == "none_seen":
            said.append(
                f"NONE SEEN  the register stood still for {_span(flow.watched_s)}: if anything "
                f"flows, it is less than {self._rate(flow.upper_95)}"
            )
        else:
            said += self._unsure(flow)
        if test.sides:
            said.append("side   " + self._side_words(test.sides))
        said += [f"warning: {each}" for each in test.warnings]
        return said

    def _leak_lines(self, flow: Flow) -> list[str]:
        how = {
            "steady": f"steady over {_span(flow.watched_s)}",
            "drifting": "steady, and drifting from one rate to another",
        }.get(flow.kind, "that never stops, however little else is drawn")
        day_l, month_l = DAY_S * flow.l_per_s, DAYS_IN_MONTH * DAY_S * flow.l_per_s
        said = [
            f"LEAK   {self._rate(flow.l_per_s)}, give or take {self._rate(flow.sigma)}: {how}",
            f"size   {self._volume(day_l)} a day, {self._volume(month_l)} a month"
            + self._money(month_l, " a month"),
        ]
        if self.since_l is not None:
            moment = str(self.site.metering.since).replace("T", " ")
            lost = f"{self._volume(self.since_l)} since {moment}{self._money(self.since_l)}"
            said.append(f"       {lost}, if it has leaked as much all the time")
        if self.hole_m is not None:
            small, inches = hole_mm(self.hole_m), 12 * self.hole_m / INTERNATIONAL_FOOT_M
            if self.site.length_unit != "m" and inches >= 0.005:
                small = f"{inches:.2f} in ({small})"
            kinds = {tables.material(e.material).kind for e in self.site.legs if e.material}
            middle, spread = PRESSURE_EXPONENT[kinds.pop()] if len(kinds) == 1 else ANY_EXPONENT
            low, high = (
                100 * (1 - at_pressure(1.0, 1.0, LOWER_PRESSURE, exponent=n))
                for n in (middle - spread, middle + spread)
            )
            said += [
                f"hole   as much as a round hole of {small} passes at the line's pressure",
                f"       with a fifth less pressure {low:.0f} to {high:.0f} % less of it "
                "(raising or lowering line pressure is for a licensed person)",
            ]
        return said

    def _unsure(self, flow: Flow) -> list[str]:
        if flow.kind in ("comes and goes", "varies"):
            return [
                "CANNOT TELL  the flow comes and goes, as a cistern, a softener or a tap does; "
                "nothing ran throughout",
                "do this     watch again with every tap and machine off, and nobody drawing",
            ]
        return [
            f"CANNOT TELL  {flow.counts} count{'' if flow.counts == 1 else 's'} of the register in "
            f"{_span(flow.watched_s)}; what flows is less than {self._rate(flow.upper_95)}",
            f"do this     watch for {_span(flow.needed_s)} or more",
        ]

    def _side_words(self, odds: dict[str, float]) -> str:
        names = {
            "before": "before the house valve (the yard)",
            "beyond": "beyond the house valve (the house)",
            "both": "on both sides",
        }
        ordered = sorted(odds.items(), key=lambda pair: -pair[1])
        return ", ".join(
            f"{names[name]} {words.chance(min(max(p, 1e-9), 1 - 1e-9))}" for name, p in ordered
        )

    def _rate(self, l_per_s: float) -> str:
        unit = RATE_UNIT[self.test.unit]
        return f"{60 * l_per_s / VOLUME_UNITS_L[unit]:.2g} {NAMES[unit]}/min"

    def _volume(self, litres: float) -> str:
        value = litres / VOLUME_UNITS_L[self.test.unit]
        figures = f"{value:,.0f}" if value >= 100 else f"{value:.2g}"
        return f"{figures} {NAMES[self.test.unit]}"

    def _since_l(self) -> float | None:
        since = self.site.metering.since
        if self.leak is None or since is None:
            return None
        last = max(row.time for row in self.site.meter).date()
        days = (last - datetime.datetime.fromisoformat(since).date()).days
        return days * DAY_S * self.leak.l_per_s if days > 0 else None

    def _cost(self, litres: float | None) -> float | None:
        metering = self.site.metering
        if litres is None or metering.price is None:
            return None
        return metering.price * litres / VOLUME_UNITS_L[metering.per or self.test.unit]

    def _money(self, litres: float, times: str = "") -> str:
        cost = self._cost(litres)
        return "" if cost is None else f", {cost:,.2f}{times} at the bill's price"


def _span(seconds: float) -> str:
    for size, name in ((DAY_S, "day"), (3600.0, "hour"), (60.0, "minute")):
        if seconds >= 2 * size or (size == 60.0 and seconds >= 60.0):
            count = seconds / size
            return f"{count:.0f} {name}{'' if round(count) == 1 else 's'}"
    return f"{seconds:.0f} seconds"
