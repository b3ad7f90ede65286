"""The meter test, leak rate and volume lost."""

from geoleak.hydraulics.meter import (
    ANY_EXPONENT,
    CONTRADICTS,
    NAME_VALVE,
    PRESSURE_EXPONENT,
    Flow,
    MeterTest,
    at_pressure,
    equivalent_hole_m,
    hole_mm,
    meter_test,
    repaired,
)
