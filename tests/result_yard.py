"""The invented yard that the exporters' tests stand on: its ground and what may differ."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import shapely
from pyproj import Transformer
from shapely.geometry import LineString, Point
from shapely.ops import substring

from geoleak.result.records import Feature
from geoleak.units import unit_m

HOSTILE = (
    '</script><img src=x onerror="window.pwned=1"> back\\slash `tick` ${window.pwned=2} '
    "{{ 7*7 }} {% raw %} 'q' <!-- &amp; =1+1"
)
CAUTIONS = (
    "The hole may reach 5.4 ft (1.64 m): a protective system is needed (5 ft or deeper).",
    "A ladder or ramp is needed within 25 ft (7.6 m) of everyone in the hole.",
    "Call the locate service and wait for the marks before digging.",
    "Private lines (customer-owned power, pool gas, irrigation, septic) are not marked by the "
    "public service: have them located.",
    "Hand-dig or vacuum inside the tolerance zone of every marked line.",
    "Trenches need a protective system and a way out as the local code has it (in the US, "
    "29 CFR 1926 Subpart P: protection from 5 ft (1.52 m), or less if the soil may cave; a ladder "
    "from 4 ft (1.22 m) within 25 ft; spoil 2 ft from the edge). A competent person classifies "
    "the soil.",
    "Metallic services may carry stray voltage: test, and bond across before cutting.",
    "Guard the hole and the crew from traffic.",
    "Test the air before entering a vault or a deep pit.",
    "Raising line pressure is for a licensed person.",
    "Local codes and licensed practice govern; a stake is advice.",
)


STAKE_M, BEFORE_M, PAST_M = 12.588, 0.671, 0.853
CORNERS_M = ((0.0, 0.0), (17.2, 6.9), (29.0, 4.1))
FIXED_M = {"201": (6.0, 12.0), "202": (18.5, -3.0), "203": (4.0, -2.5)}
SPREADS_M = {95: (2.1, 2.4), 80: (1.1, 1.2), 50: (0.45, 0.5)}
BEARING_DEG = math.degrees(math.atan2(17.2, 6.9))


@dataclass(frozen=True)
class Options:
    """What distinguishes one invented site from another."""

    crs: str = "EPSG:6543"
    unit: str = "ftUS"
    origin: tuple[float, float] = (1_987_800.0, 783_280.0)
    title: str = "Alder Court, yard service"
    verdict: str = "dig"
    note: str = ""
    code: str = "WL"
    peaks: int = 1
    depth: bool = True
    layout: str = "pnezd"
    services: bool = True

    @property
    def local(self) -> bool:
        return self.crs == "local"


class Yard:
    """A yard service of some 30 m with a bend, in any grid."""

    def __init__(self, options: Options) -> None:
        self.options = options
        self.factor = unit_m(options.unit)
        self.line = LineString([self.place(x, y) for x, y in CORNERS_M])
        self.length_m = self.line.length * self.factor
        self.stake = self.at(STAKE_M)
        ends = (STAKE_M - BEFORE_M, STAKE_M + PAST_M)
        self.hole = self.between(*ends).buffer(0.3 / self.factor, cap_style="flat")
        self._to_lonlat = None
        if not options.local:
            to = Transformer.from_crs(options.crs, "EPSG:4326", always_xy=True)
            self._to_lonlat = to.transform

    def place(self, east_m: float, north_m: float) -> tuple[float, float]:
        east, north = self.options.origin
        return east + east_m / self.factor, north + north_m / self.factor

    def at(self, chainage_m: float) -> Point:
        return self.line.interpolate(chainage_m / self.factor)

    def between(self, from_m: float, to_m: float) -> LineString:
        return substring(self.line, from_m / self.factor, to_m / self.factor)

    def lonlat(self, shape):
        if self._to_lonlat is None:
            return None
        to = self._to_lonlat
        return shapely.transform(shape, lambda at: np.column_stack(to(at[:, 0], at[:, 1])))

    def feature(self, kind, identifier, shape, **properties) -> Feature:
        return Feature(kind, identifier, shape, self.lonlat(shape), properties)
