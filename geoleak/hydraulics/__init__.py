"""The meter test, leak rate and volume lost."""

from geoleak.hydraulics.loss import (
    ANY_EXPONENT,
    PRESSURE_EXPONENT,
    at_pressure,
    equivalent_hole_m,
    orifice_l_per_s,
)
from geoleak.hydraulics.meter import Flow, Verdict, Watch, flow_of, judge, sides, undo_rollover
from geoleak.hydraulics.runs import MeterTest, meter_test, repaired

__all__ = [
    "ANY_EXPONENT",
    "PRESSURE_EXPONENT",
    "Flow",
    "MeterTest",
    "Verdict",
    "Watch",
    "at_pressure",
    "equivalent_hole_m",
    "flow_of",
    "judge",
    "meter_test",
    "orifice_l_per_s",
    "repaired",
    "sides",
    "undo_rollover",
]
