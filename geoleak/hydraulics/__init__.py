"""The meter test, leak rate and volume lost."""

from geoleak.hydraulics.loss import (
    ANY_EXPONENT,
    PRESSURE_EXPONENT,
    at_pressure,
    equivalent_hole_m,
)
from geoleak.hydraulics.meter import Flow
from geoleak.hydraulics.runs import CONTRADICTS, NAME_VALVE, MeterTest, meter_test, repaired

__all__ = [
    "ANY_EXPONENT",
    "CONTRADICTS",
    "NAME_VALVE",
    "PRESSURE_EXPONENT",
    "Flow",
    "MeterTest",
    "at_pressure",
    "equivalent_hole_m",
    "meter_test",
    "repaired",
]
