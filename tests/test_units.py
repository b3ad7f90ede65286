"""Lengths with units, and stations."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import get_units_map

from geoleak import units
from tests.check_values import check_value


def test_feet_agree_with_projs_own_table() -> None:
    table = get_units_map(category="linear")
    assert pytest.approx(table["US survey foot"].conv_factor, abs=1e-15) == units.US_SURVEY_FOOT_M
    assert table["foot"].conv_factor == units.INTERNATIONAL_FOOT_M
    for name, own in (("us_survey_foot", units.US_SURVEY_FOOT_M), ("psi_kpa", units.KPA_PER_PSI)):
        row = check_value(name)
        assert own == pytest.approx(row.expected, abs=row.tolerance)


def test_the_two_feet_are_two_units() -> None:
    ratio = check_value("survey_over_international")
    assert (
        pytest.approx(ratio.expected, abs=ratio.tolerance)
        == units.US_SURVEY_FOOT_M / units.INTERNATIONAL_FOOT_M
    )
    apart = check_value("two_million_feet")
    metres = units.parse_length(2_000_000, unit="ftUS") - units.parse_length(2_000_000, unit="ft")
    assert metres / 0.3048 == pytest.approx(apart.expected, abs=apart.tolerance)


@pytest.mark.parametrize(
    ("text", "unit", "metres"),
    [
        (3.5, "ft", 3.5 * 0.3048),
        ("3.5", "ftUS", 3.5 * 1200 / 3937),
        ("3.5 ft", "m", 3.5 * 0.3048),
        ("3.5 ft", "ftUS", 3.5 * 1200 / 3937),
        ("3.5 ftUS", "ft", 3.5 * 1200 / 3937),
        ("3'6\"", "ft", 3.5 * 0.3048),
        ("3' 6 1/2\"", "ft", (3 + 6.5 / 12) * 0.3048),
        ("-0'6\"", "ft", -0.5 * 0.3048),
        ("1.315 in", "ft", 1.315 * 0.0254),
        ("1.1 m", "ft", 1.1),
        ("1,1 m", "ft", 1.1),
        ("25mm", "ft", 0.025),
        ("1.5 cm", "ft", 0.015),
        ("3 FT 6 IN", "m", 3.5 * 0.3048),
        ("25 MM", "ft", 0.025),
        ("2 FTUS", "ft", 2 * 1200 / 3937),
        ("0,133 in", "ft", 0.133 * 0.0254),
        ("1,2345 m", "ft", 1.2345),
        (0, "m", 0.0),
    ],
)
def test_lengths(text: str | float, unit: str, metres: float) -> None:
    assert units.parse_length(text, unit=unit) == pytest.approx(metres, abs=1e-12)


@pytest.mark.parametrize(
    "text", ["", "three", "3 furlongs", "nan", "inf", "1e999", "3 ft 4 m", "1.2.3", "3'x\"", True]
)
def test_what_is_no_length_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"not a|unknown unit"):
        units.parse_length(text, unit="ft")
    with pytest.raises(ValueError, match="not a finite"):
        units.parse_length(math.nan, unit="ft")


@pytest.mark.parametrize("text", ["1,234 ft", "1,234", "-12,500 m", "1,234.5 ft", "3'--6\""])
def test_what_may_mean_two_lengths_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"thousands separator|not a length"):
        units.parse_length(text, unit="ft")


# Stationing as printed on plans; common practice, no source. Rounded before it is split.
@pytest.mark.parametrize(
    ("value", "unit", "text"),
    [
        (1035.20, "ft", "10+35.20"),
        (1035.20, "m", "1+035.200"),
        (99.996, "ft", "1+00.00"),
        (1099.996, "ft", "11+00.00"),
        (0, "ft", "0+00.00"),
        (0, "m", "0+000.000"),
        (12345.678, "ft", "123+45.68"),
        (-5.25, "ft", "-0+05.25"),
        (-0.0001, "ft", "0+00.00"),
        (999.9996, "m", "1+000.000"),
    ],
)
def test_stations(value: float, unit: str, text: str) -> None:
    assert units.format_station(value * units.unit_m(unit), unit=unit) == text


@given(st.floats(-1e6, 1e6), st.sampled_from(["m", "ft", "ftUS"]))
def test_a_station_reads_back_to_what_was_printed(chainage_m: float, unit: str) -> None:
    step = 0.0005 if unit == "m" else 0.005 * units.unit_m(unit)
    back = units.parse_station(units.format_station(chainage_m, unit=unit), unit=unit)
    assert back == pytest.approx(chainage_m, abs=step * 1.001 + 1e-9)


@pytest.mark.parametrize("text", ["1+", "+5", "1+100", "a+5", "1+5+6", ""])
def test_what_is_no_station_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"station|not a"):
        units.parse_station(text, unit="ft")


def test_lengths_for_print_never_show_minus_zero() -> None:
    assert units.format_length(-0.001, unit="ft") == "0.0 ft"
    assert units.format_length(0.7112, unit="ft") == "2.3 ft"
    assert units.format_length(0.7112, unit="m") == "0.71 m"
