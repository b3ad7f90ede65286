"""Speed of sound in water and in pipes, against published and independent figures."""

from __future__ import annotations

import math

import pytest

from geoleak import tables
from geoleak.acoustics import pipes as water
from geoleak.acoustics import wave_speed
from geoleak.acoustics.pipes import korteweg
from geoleak.errors import AcousticsError
from geoleak.record import replace
from tests.check_values import check_value, every_check_value

FOOT_M = 0.3048
INCH_M = 0.0254


def close(value: float, identifier: str) -> None:
    row = check_value(identifier)
    assert value == pytest.approx(row.expected, abs=row.tolerance), identifier


@pytest.mark.parametrize("celsius", [0, 5, 10, 15, 20, 25])
def test_water_at_air_pressure(celsius: int) -> None:
    close(water.sound_speed(celsius), f"water_bw_{celsius}")
    # Marczak 1997: an independent fit, within what the two papers differ by.
    row = check_value(f"water_marczak_{celsius}")
    assert water.sound_speed(celsius) == pytest.approx(row.expected, abs=0.03)
    if celsius:
        close(water.sound_speed(celsius), f"water_iapws_{celsius}")


def test_water_against_the_iapws_library_itself() -> None:
    iapws = pytest.importorskip("iapws")
    for celsius, kpa in ((4.0, 0.0), (12.0, 427.0), (28.0, 690.0)):
        state = iapws.IAPWS95(T=celsius + 273.15, P=0.101325 + kpa / 1000)
        assert water.sound_speed(celsius, pressure_kpa=kpa) == pytest.approx(state.w, abs=0.05)
        assert water.density(celsius, pressure_kpa=kpa) == pytest.approx(state.rho, abs=0.05)
    for celsius in (0.01, 10.0, 30.0, 60.0):
        low, high = (iapws.IAPWS95(T=celsius + 273.15, P=mpa) for mpa in (0.101325, 1.101325))
        faster, denser = (
            each(celsius, pressure_kpa=1000.0) - each(celsius)
            for each in (water.sound_speed, water.density)
        )
        assert faster == pytest.approx(high.w - low.w, abs=0.002)
        assert denser == pytest.approx(high.rho - low.rho, abs=0.05)


@pytest.mark.parametrize("kpa", [400, 600, 1000])
def test_water_under_pressure(kpa: int) -> None:
    close(water.sound_speed(10, pressure_kpa=kpa - 101.325), f"water_pressure_{kpa}")


@pytest.mark.parametrize("celsius", [5, 10, 20])
def test_stiffness_and_density(celsius: int) -> None:
    close(water.bulk_modulus_gpa(celsius), f"water_bulk_{celsius}")
    close(water.density(celsius), f"water_density_{celsius}")


@pytest.mark.parametrize(
    ("celsius", "kpa"), [(-1, 0), (61, 0), (math.nan, 0), (10, -5), (10, 4001)]
)
def test_water_outside_its_range_is_refused(celsius: float, kpa: float) -> None:
    assert water.sound_speed(0, pressure_kpa=0) < water.sound_speed(60, pressure_kpa=4000)
    with pytest.raises(AcousticsError, match=r"0 and 4000 kPa|0 to 60 degrees"):
        water.sound_speed(celsius, pressure_kpa=kpa)


IRON = [
    row.id for row in every_check_value() if row.id.startswith("iron_") and "class" in row.inputs
]


@pytest.mark.parametrize("identifier", IRON)
def test_ductile_iron_celerities_of_the_handbook(identifier: str) -> None:
    row = check_value(identifier)
    words = row.inputs.replace(",", "").split()
    outside, wall = (float(words[words.index(key) + 1]) for key in ("outside", "wall"))
    speed = korteweg(4822, 0.01225, 1.0, outside - 2 * wall, wall)
    assert speed == pytest.approx(row.expected, abs=row.tolerance)
    # Our own table and water, which the handbook did not use: 3 %.
    ours = wave_speed("ductile_iron", outside * INCH_M, wall * INCH_M, 15.0)
    assert ours.value / FOOT_M == pytest.approx(row.expected, rel=0.03)


def test_pvc_dr18_delft_and_exact_constructs() -> None:
    # The book's own numbers: K 300,000 psi and rho 62.4 lb/ft3 give a0 4,720 ft/s.
    a0_ft = math.sqrt(300_000 * 144 * 32.174 / 62.4)
    close(korteweg(a0_ft, 300_000, 400_000, 16, 1), "pvc_dr18")
    a0 = math.sqrt(2.1e9 / 1000)
    close(korteweg(a0, 2.1, 210, 0.797, 0.008), "delft_free")
    anchored = korteweg(a0, 2.1, 210, 0.797, 0.008, support_factor=1 - 0.3**2)
    close(anchored, "delft_anchored")
    close(korteweg(1450, 2.1, 2.6, 0.300, 0.020), "pvc_300")
    close(korteweg(1480, 3, 1, 1, 1), "exact_740")
    close(korteweg(1480, 0.44, 1, 1, 1), "exact_1233")


FIELD = {
    "steel": (6.625 * INCH_M, 0.280 * INCH_M),
    "ductile_iron": (6.90 * INCH_M, 0.25 * INCH_M),
    "cast_iron": (0.172, 0.011),
    "asbestos_cement": (0.186, 0.018),
    "pvc": (6.90 * INCH_M, 6.90 * INCH_M / 18),
    "hdpe": (0.110, 0.010),
    "mdpe": (0.180, 0.180 / 17),
    "copper": (1.125 * INCH_M, 0.065 * INCH_M),
}


@pytest.mark.parametrize("name", FIELD)
def test_speed_by_material_lies_where_the_field_has_it(name: str) -> None:
    speed = wave_speed(name, *FIELD[name])
    close(speed.value, f"field_{name}")
    assert abs(speed.value - check_value(f"field_{name}").expected) < 2 * speed.sigma


def test_plastic_is_wide_and_metal_is_not() -> None:
    plastic, metal = (wave_speed(name, *FIELD[name]) for name in ("mdpe", "copper"))
    assert plastic.sigma / plastic.value > 0.12
    assert metal.sigma / metal.value < 0.07


def test_the_water_s_temperature_is_known_to_three_degrees() -> None:
    """Where modulus and measured speeds leave no spread."""
    pipe = replace(tables.material("copper"), modulus_sigma_gpa=0.0, wave_speed_spread=0.0)
    cold, middle, warm = (wave_speed(pipe, 0.028, 0.0016, celsius) for celsius in (7, 10, 13))
    assert middle.sigma == pytest.approx((warm.value - cold.value) / 2, rel=0.02)


def test_warmer_water_thicker_wall_and_anchoring_make_it_faster() -> None:
    pipe = {"material": "copper", "outside_diameter_m": 0.028, "wall_m": 0.0016}
    base = wave_speed(**pipe, temperature_c=10).value
    assert wave_speed("copper", 0.028, 0.0016, 20).value > base
    assert wave_speed("copper", 0.028, 0.0020, 10).value > base
    assert wave_speed("copper", 0.028, 0.0016, 10, support="anchored").value > base
    assert wave_speed("copper", 0.028, 0.0016, 10, pressure_kpa=500).value > base


@pytest.mark.parametrize(
    ("outside", "wall"), [(0.0, 0.001), (0.1, 0.0), (0.1, 0.05), (math.nan, 0.01), (0.1, math.nan)]
)
def test_pipes_that_cannot_be_are_refused(outside: float, wall: float) -> None:
    with pytest.raises(AcousticsError, match="outside diameter"):
        wave_speed("pvc", outside, wall)


def test_unknown_material_and_support() -> None:
    with pytest.raises(tables.UnknownNameError, match='did you mean "copper"'):
        wave_speed("coper", 0.1, 0.01)
    with pytest.raises(AcousticsError, match='support "glued"'):
        wave_speed("pvc", 0.1, 0.01, support="glued")  # type: ignore[arg-type]
