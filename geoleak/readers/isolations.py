"""isolations.csv: which valves were shut and what the meter or gauge did."""

from __future__ import annotations

import re

from geoleak.readers.collector import Collector, did_you_mean
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import SheetRow, open_sheet
from geoleak.site import Isolation
from geoleak.units import INTERNATIONAL_FOOT_M, KPA_PER_PSI

NAME = "isolations.csv"
COLUMNS = (
    "isolation", "valves", "result", "flow_before", "flow_after", "unit", "pressure_before",
    "pressure_after", "minutes", "supply", "skip", "note",
)  # fmt: skip
_NUMERIC = ("flow_before", "flow_after", "pressure_before", "pressure_after", "minutes")
US_GALLON_L = 3.785411784  # 231 cubic inches, exactly
IMPERIAL_GALLON_L = 4.54609
_FOOT3_L = INTERNATIONAL_FOOT_M**3 * 1000
FLOW_UNITS_L_PER_S = {
    "l/s": 1.0,
    "l/min": 1 / 60,
    "lpm": 1 / 60,
    "l/h": 1 / 3600,
    "m3/h": 1000 / 3600,
    "gpm": US_GALLON_L / 60,
    "gal/min": US_GALLON_L / 60,
    "gph": US_GALLON_L / 3600,
    "gal/h": US_GALLON_L / 3600,
    "gpd": US_GALLON_L / 86400,
    "igpm": IMPERIAL_GALLON_L / 60,
    "cfm": _FOOT3_L / 60,
    "ft3/min": _FOOT3_L / 60,
}
PRESSURE_UNITS_KPA = {"psi": KPA_PER_PSI, "kpa": 1.0, "bar": 100.0, "mpa": 1000.0}


def read_isolations(collector: Collector, places: PlaceReader) -> tuple[Isolation, ...]:
    """Return the shut-off tests of the folder."""
    sheet = open_sheet(
        NAME, known=COLUMNS, needed=("valves",), numeric=_NUMERIC,
        collector=collector, places=places,
    )  # fmt: skip
    found = [_isolation(row) for row in sheet or ()]
    return tuple(each for each in found if each is not None)


def _isolation(row: SheetRow) -> Isolation | None:
    valves = _valves(row)
    result = row.choice("result", ("stopped", "slower", "same"))
    flow_unit, pressure_unit = _units(row)
    flows = [
        _quantity(row, name, flow_unit, FLOW_UNITS_L_PER_S, "flow")
        for name in ("flow_before", "flow_after")
    ]
    pressures = [
        _quantity(row, name, pressure_unit, PRESSURE_UNITS_KPA, "pressure")
        for name in ("pressure_before", "pressure_after")
    ]
    minutes = row.number("minutes", above=0)
    supply = row.text("supply") or None
    if supply and supply not in row.sheet.places.points and supply not in row.sheet.places.legs:
        row.complain(
            "supply", f'"{supply}" is neither a point nor a leg',
            did_you_mean(supply, row.sheet.places.legs) or "name where the water enters",
        )  # fmt: skip
    nothing = result is None and None in flows and None in pressures
    if nothing and not row.failed and not row.text("skip"):
        row.complain(
            "result", "the row says neither what happened nor two flows nor two pressures",
            "write stopped, slower or same, or the figures before and after",
        )  # fmt: skip
    if row.failed:
        return None
    return Isolation(
        id=row.text("isolation") or str(row.index),
        valves=valves,
        result=result,
        flow_before_l_per_s=flows[0],
        flow_after_l_per_s=flows[1],
        pressure_before_kpa=pressures[0],
        pressure_after_kpa=pressures[1],
        minutes=minutes,
        supply=supply,
        skip=row.text("skip"),
        note=row.text("note"),
        origin=row.origin(),
    )


def _valves(row: SheetRow) -> tuple[str, ...]:
    """Return the points of the shut valves, parted by blanks, semicolons, commas or plus signs."""
    cell = row.required("valves")
    points = row.sheet.places.points
    if cell in points:
        return (cell,)
    names = [each for each in re.split(r"[\s,;+]+", cell) if each]
    for name in names:
        if name not in points:
            row.complain(
                "valves", f'there is no point "{name}"',
                did_you_mean(name, list(points)[:20_000]) or "name valves by their point ids",
            )  # fmt: skip
    return tuple(dict.fromkeys(names))


def _units(row: SheetRow) -> tuple[str | None, str | None]:
    """Return the flow unit and the pressure unit that the unit cell names."""
    flow = pressure = None
    for word in re.split(r"[\s,;]+", row.text("unit").replace("³", "3")):
        key = word.casefold()
        if key in FLOW_UNITS_L_PER_S and flow in (None, key):
            flow = key
        elif key in PRESSURE_UNITS_KPA and pressure in (None, key):
            pressure = key
        elif key in FLOW_UNITS_L_PER_S or key in PRESSURE_UNITS_KPA:
            other = flow if key in FLOW_UNITS_L_PER_S else pressure
            row.complain("unit", f'"{word}" stands beside "{other}"', "keep one of the two")
        elif word:
            known = (*FLOW_UNITS_L_PER_S, *PRESSURE_UNITS_KPA)
            row.complain(
                "unit", f'"{word}" is no unit of flow or pressure', f"use {', '.join(known)}"
            )
    return flow, pressure


def _quantity(
    row: SheetRow, column: str, unit: str | None, units: dict[str, float], what: str
) -> float | None:
    """Return a figure with its own unit (``"62 psi"``) or in the unit cell's."""
    cell = row.text(column)
    head, _, tail = cell.rpartition(" ")
    own = tail.casefold().replace("³", "3")
    if head and own in units:
        value = row.number_of(column, head, low=0)
        return None if value is None else value * units[own]
    value = row.number(column, low=0)
    if value is None:
        return None
    if unit is None:
        row.complain(
            column, f'"{cell}" has no unit of {what}', f"write one of {', '.join(units)} in unit"
        )
        return None
    return value * units[unit]
