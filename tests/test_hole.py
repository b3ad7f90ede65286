"""The hole: outline along the pipe, size, slopes, and what it calls for."""

from __future__ import annotations

import math

import numpy as np
import pytest
import shapely

from geoleak.cautions import (
    ENGINEER_FROM_M,
    HEARING,
    LADDER_FROM_M,
    PRESSURE,
    PROTECTION_FROM_M,
    SHALLOW,
    SHALLOW_M,
    SLABS,
    TRAFFIC,
    UNDER_A_FLOOR,
    VAULT_AIR,
    hole_cautions,
    listening_cautions,
    not_before,
    slopes_from_m,
    trench_cautions,
    trench_rule,
)
from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.site import LocateRequest
from geoleak.stake.hole import (
    dig_depth_m,
    hole_notes,
    hole_outline,
    hole_width_m,
    slope_ratio,
    sloped_hole,
)
from geoleak.tables import names, surface
from tests.check_values import check_value

FOOT = 0.3048
STRAIGHT = Route.from_vertices([(0.0, 0.0), (30.0, 40.0)])
BENT = Route.from_vertices([(0.0, 0.0), (10.0, 0.0), (10.0, 10.0)])


@pytest.mark.parametrize("soil", ["A", "B", "C"])
def test_top_width_of_the_published_trench(soil) -> None:
    row = check_value(f"stake-trench-top-{soil}")
    width = 2 + 2 * 6 * slope_ratio(soil)
    assert width == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    row = check_value(f"stake-trench-angle-{soil}")
    angle = math.degrees(math.atan2(1, slope_ratio(soil)))
    assert angle == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    # And the outline itself is that wide, over all.
    route = Route.from_vertices([(0.0, 0.0), (10.0, 0.0)])
    bottom = hole_outline([(route, 4.0, 6.0)], 2 * FOOT)
    top, _ = sloped_hole(bottom, 6 * FOOT, soil)
    west, south, east, north = top.bounds
    assert (north - south) / FOOT == pytest.approx(check_value(f"stake-trench-top-{soil}").expected)
    assert east - west == pytest.approx(2.0 + 2 * 6 * FOOT * slope_ratio(soil))


def test_rock_stands_and_unclassified_soil_counts_as_c() -> None:
    assert slope_ratio("rock") == 0.0
    assert slope_ratio(None) == slope_ratio("C") == 1.5


def test_depths_that_call_for_something() -> None:
    for name, metres in [
        ("stake-protection-from", PROTECTION_FROM_M),
        ("stake-ladder-from", LADDER_FROM_M),
        ("stake-engineer-from", ENGINEER_FROM_M),
    ]:
        assert metres / FOOT == pytest.approx(check_value(name).expected)

    def said(feet: float, *, sigma_m: float = 0.0) -> str:
        return " ".join(trench_cautions(feet * FOOT, depth_sigma_m=sigma_m))

    for feet, ladder, system in [(3.9, False, False), (4.0, True, False), (5.0, True, True)]:
        assert ("A ladder or ramp is needed" in said(feet)) is ladder
        assert ("a protective system is needed" in said(feet)) is system
    assert "a protective system is needed" in said(4.9, sigma_m=0.1)
    for feet, engineer in [(20.1, True), (19.9, False)]:
        notes = hole_notes(STRAIGHT, 20, 21.5, depth_m=feet * FOOT)
        assert any("engineer" in note for note in notes) is engineer
    assert any(
        "engineer" in each for each in hole_notes(STRAIGHT, 20, 21, depth_m=6, depth_sigma_m=0.2)
    )


def test_a_straight_hole_is_a_rectangle() -> None:
    outline = hole_outline([(STRAIGHT, 20.0, 21.5)], 0.6)
    assert outline.area == pytest.approx(1.5 * 0.6)
    assert outline.exterior.is_ccw
    assert len(outline.exterior.coords) == 5
    middle = np.asarray(STRAIGHT.position(20.75))
    assert (outline.centroid.x, outline.centroid.y) == pytest.approx(tuple(middle))
    assert hole_outline([(STRAIGHT, 21.5, 20.0)], 0.6).equals(outline)


def test_a_hole_follows_a_bend() -> None:
    outline = hole_outline([(BENT, 9.0, 11.0)], 0.6)
    # Two arms of 1 m, and the square corner that they share.
    assert outline.area == pytest.approx(1.0 * 0.6 + 1.0 * 0.6)
    assert len(outline.exterior.coords) == 7
    for chainage in (9.01, 9.5, 10.0, 10.5, 10.99):
        assert outline.contains(shapely.Point(BENT.position(chainage)))
    assert outline.contains(shapely.Point(BENT.position(9.5, 0.29)))
    assert not outline.contains(shapely.Point(BENT.position(9.5, 0.31)))


def test_a_sharp_turn_grows_no_spike() -> None:
    hairpin = Route.from_vertices([(0.0, 0.0), (10.0, 0.0), (0.0, 1.0)])
    outline = hole_outline([(hairpin, 9.0, 11.0)], 0.6)
    assert outline.bounds[2] < 10.0 + 0.31 * 2
    assert outline.is_valid
    ring = Route.from_vertices([(0.0, 0.0), (2.0, 0.0), (2.0, 2.0), (0.0, 2.0), (0.0, 0.0)])
    assert hole_outline([(ring, 0.0, 8.0)], 0.6).is_valid


@pytest.mark.parametrize(("inside_deg", "pointed"), [(64.0, True), (56.0, False)])
def test_a_corner_sharper_than_sixty_degrees_is_cut_off(inside_deg, pointed) -> None:
    half = np.radians(inside_deg / 2)
    arm = 5 * np.array([[-np.cos(half), np.sin(half)], [-np.cos(half), -np.sin(half)]])
    corner = Route.from_vertices([arm[0], (0.0, 0.0), arm[1]])
    outline = hole_outline([(corner, 4.0, 6.0)], 0.6)
    tip = 0.3 / np.sin(half)
    assert outline.contains(shapely.Point(0.98 * tip, 0.0)) is pointed


def test_five_centimetres_of_pipe_make_a_hole_and_less_does_not() -> None:
    assert hole_outline([(STRAIGHT, 20.0, 20.055)], 0.6).area > 0
    with pytest.raises(GeometryError, match="has no length"):
        hole_outline([(STRAIGHT, 20.0, 20.045)], 0.6)


def test_volume_of_sloped_sides() -> None:
    route = Route.from_vertices([(0.0, 0.0), (10.0, 0.0)])
    sloped, volume = sloped_hole(hole_outline([(route, 4, 6)], 1.0), 2.0, "B")
    assert sloped.area == pytest.approx(6.0 * 5.0)
    # Integral of (2 + 2 z)(1 + 2 z) over 0..2, by hand: 2*2 + 3*4 + 4*8/3.
    assert volume == pytest.approx(4 + 12 + 32 / 3)
    bent = hole_outline([(BENT, 8, 12)], 1.0)
    slices = [sloped_hole(bent, depth, "A")[0].area for depth in np.linspace(0, 1.5, 601)[1:]]
    assert sloped_hole(bent, 1.5, "A")[1] == pytest.approx(np.mean(slices) * 1.5, rel=3e-3)


def test_width_by_depth_and_bucket() -> None:
    for name, depth in [
        ("stake-least-width-1p2", 1.2),
        ("stake-least-width-2", 2.0),
        ("stake-least-width-4p5", 4.5),
    ]:
        assert hole_width_m(depth, 0.3) == check_value(name).expected
    # EN 1610 Table 2: none is asked for down to 1 m, 0.8 m to 1.75 m, 0.9 m to 4 m (from memory).
    for depth, width in [(0.1, 0.2), (0.99, 0.2), (1.74, 0.8), (3.99, 0.9)]:
        assert hole_width_m(depth, 0.2) == width
    assert hole_width_m(0.9, 0.45) == 0.45
    assert hole_width_m(1.2, 1.1) == 1.1
    assert hole_width_m(None, 0.3) == 0.8


def test_dig_depth_reaches_under_the_pipe() -> None:
    assert dig_depth_m(0.95, 0.033) == pytest.approx(0.95 + 0.033 + 0.15)


def test_what_is_not_known_is_said() -> None:
    notes = hole_notes(STRAIGHT, 20, 21.5, depth_m=None)
    assert any("depth not known" in note for note in notes)
    assert any("counted as type C" in note for note in notes)


def test_a_hole_longer_than_the_leg_ends_with_it() -> None:
    assert hole_outline([(BENT, -3.0, 40.0)], 0.6).equals(hole_outline([(BENT, 0.0, 20.0)], 0.6))
    notes = hole_notes(BENT, -3.0, 40.0, depth_m=0.9, soil="C")
    assert any("where the traced pipe ends" in note for note in notes)
    with pytest.raises(GeometryError, match="has no length"):
        hole_outline([(BENT, 25.0, 30.0)], 0.6)


def test_cautions_of_a_hole() -> None:
    said = hole_cautions(depth_m=1.6)
    assert any("protective system is needed" in each for each in said)
    assert any("ladder" in each for each in said[:2])
    level = hole_cautions(depth_m=0.9)
    assert any("no sign of a cave-in" in each for each in level)
    assert not any("ladder or ramp is needed" in each for each in level)
    unknown = hole_cautions(depth_m=None, services=("gas crosses",))
    assert unknown[0] == "In or near the hole: gas crosses."
    assert "not known" in unknown[1]
    # Outputs say by themselves that nobody may dig yet: it is not said twice.
    assert not any("not before" in each.lower() for each in unknown)
    assert HEARING not in said and HEARING in hole_cautions(depth_m=1.6, listening=True)
    rule = trench_rule("ft", None)
    for name, text in [("stake-ladder-travel", "within 25 ft"), ("stake-spoil-back", "spoil 2 ft")]:
        assert f"{check_value(name).expected:.0f} ft" in text
        assert text in rule and rule in said
    words = " ".join(said)
    for needed in (
        "locate service",
        "Private lines",
        "vacuum",
        "stray voltage",
        "traffic",
        "air",
        "licensed",
        "Local codes",
    ):
        assert needed in words


def test_a_shallow_hole_and_one_under_a_floor_have_cautions_of_their_own() -> None:
    for depth, spade in ((SHALLOW_M - 0.01, True), (SHALLOW_M + 0.01, False)):
        said = hole_cautions(depth_m=depth)
        assert (SHALLOW in said) is spade
        assert any("cave-in" in each for each in said) is not spade
        assert (VAULT_AIR in said) is not spade
    assert pytest.approx(0.6) == SHALLOW_M
    # What the depth may reach within one sigma counts.
    assert SHALLOW not in hole_cautions(depth_m=SHALLOW_M - 0.1, depth_sigma_m=0.2)
    floor = hole_cautions(depth_m=0.4, surface="tile")
    assert UNDER_A_FLOOR in floor and SLABS["tile"] in floor and TRAFFIC not in floor
    slab = hole_cautions(depth_m=0.9, surface="concrete")
    assert "cut and lift the slab first" in slab[0] and TRAFFIC in slab
    assert not any("at the stake is" in each for each in hole_cautions(depth_m=0.9))
    # Every hard surface of the table has its sentence, and no soft one has.
    for name in names("surfaces"):
        said = hole_cautions(depth_m=0.9, surface=name)
        assert any("at the stake is" in each for each in said) is surface(name).is_hard, name


def test_lengths_stand_in_the_sites_unit_first_and_rules_in_their_own_country() -> None:
    feet, metres = (" ".join(hole_cautions(depth_m=1.6, unit=unit)) for unit in ("ftUS", "m"))
    assert "may reach 5.2 ft (1.60 m)" in feet and "may reach 1.60 m (5.2 ft)" in metres
    assert "protection from 5 ft (1.52 m)" in feet and "protection from 1.52 m (5 ft)" in metres
    assert "in the US, 29 CFR" in feet
    at_home = " ".join(hole_cautions(depth_m=1.6, unit="m", country="US"))
    assert "29 CFR 1926" in at_home and "in the US" not in at_home
    for depth in (None, 1.0, 1.3, 1.6):
        abroad = " ".join(hole_cautions(depth_m=depth, unit="m", country="DE"))
        assert "29 CFR" not in abroad and "US" not in abroad and "local code" in abroad
        assert ("supported or sloped as the local code has it. A ladder" in abroad) is (
            depth is not None and depth >= LADDER_FROM_M
        )


@pytest.mark.parametrize(
    ("country", "feet", "called"),
    [(None, 4.9, False), ("US", 5.0, True), ("DE", 3.9, False), ("DE", 4.0, True)],
)
def test_slopes_are_told_from_the_depth_where_they_are_called_for(country, feet, called) -> None:
    """29 CFR 1926.652(a)(1): 5 ft; elsewhere about 1.2 m, common practice, no source."""
    assert (feet * FOOT >= slopes_from_m(country)) is called
    notes = hole_notes(STRAIGHT, 20, 21.5, depth_m=feet * FOOT, country=country)
    assert any("counted as type C" in note for note in notes) is called
    assert any("sides upright" in note for note in notes) is not called


def test_a_hole_follows_a_tee_in_all_its_pieces() -> None:
    """A straight hole 2 m long and 0.6 m wide, and 1 m of a branch square to it."""
    along = Route.from_vertices([(0.0, 0.0), (40.0, 0.0)])
    branch = Route.from_vertices([(20.5, 0.0), (20.5, 30.0)])
    whole = hole_outline([(along, 19.5, 21.5), (branch, 0.0, 1.0)], 0.6)
    assert whole.area == pytest.approx(2 * 0.6 + (1.0 - 0.3) * 0.6)
    assert whole.covers(hole_outline([(along, 19.5, 21.5)], 0.6))
    # Where the straight piece ends at the tee, the hole turns the corner without a notch.
    turned = hole_outline([(along, 19.5, 20.5), (branch, 0.0, 1.0)], 0.6)
    assert turned.area == pytest.approx(0.6 * (1.0 + 1.0))
    # A branch that starts a little aside of the line is in one hole with it all the same.
    aside = Route.from_vertices([(20.5, 0.5), (20.5, 30.0)])
    far = hole_outline([(along, 19.5, 21.5), (aside, 0.0, 1.0)], 0.6)
    assert far.covers(shapely.Point(20.5, 1.4)) and far.covers(shapely.Point(19.7, 0.2))
    # A piece of no length is left out; a hole of none at all is refused.
    assert hole_outline([(along, 20.0, 20.0), (branch, 0.0, 1.0)], 0.6).area == pytest.approx(0.6)


def test_cautions_while_listening_are_not_about_a_hole() -> None:
    said = listening_cautions()
    assert said[0] == HEARING
    assert "traffic" in said[1] and said[2] == VAULT_AIR and said[3] == PRESSURE
    assert "Local codes" in said[-1]
    words = " ".join(said).lower()
    assert not any(each in words for each in ("dig", "trench", "hole", "stake", "locate service"))


def test_not_before_the_locate_request_is_valid() -> None:
    import datetime

    def at(text: str) -> datetime.datetime:
        return datetime.datetime.fromisoformat(text)

    assert not_before(LocateRequest()) == "not before a locate request is filed and valid"
    dates = LocateRequest(number="A123", valid_from="2026-05-06T07:00", expires="2026-05-20")
    early = not_before(dates, now=at("2026-05-06T06:59"))
    assert early == "not before 2026-05-06T07:00:00 (locate request A123)"
    assert not_before(dates, now=at("2026-05-06T07:00")) is None
    assert not_before(dates, now=at("2026-05-20T23:59")) is None
    late = not_before(dates, now=at("2026-05-21T00:00"))
    assert late is not None
    assert late.startswith("not before a new locate request")
    unknown_day = not_before(dates)
    assert unknown_day is not None
    assert "not before 2026-05-06T07:00" in unknown_day
    assert "not after 2026-05-20" in unknown_day
    assert not_before(LocateRequest(valid_from="2026-05-06"), now=at("2030-01-01T00:00")) is None
