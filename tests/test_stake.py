"""The stake: ellipse, budget, offset stakes, hole stakes, ids, check points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from geoleak.errors import GeometryError
from geoleak.linref import Route
from geoleak.route import MarkArray, RouteOptions, fit_route
from geoleak.stake.stake import (
    ELLIPSE_95,
    ShotPoint,
    budget,
    check_points,
    ellipse,
    free_ids,
    hole_stakes,
    leak_stake,
    offset_stakes,
    on_bend,
    pipe_bearing_deg,
    setting_out_covariance,
)
from geoleak.units import US_SURVEY_FOOT_M
from tests.check_values import check_value

BENT = Route.from_vertices([(0.0, 0.0), (30.0, 0.0), (30.0, 40.0)])


def near(name: str):
    row = check_value(name)
    return pytest.approx(row.expected, rel=0, abs=row.tolerance)


@pytest.mark.parametrize("many", [False, True])
def test_error_ellipse_closed_form(many) -> None:
    covariance = np.array([[4.0, 2.0], [2.0, 3.0]])
    major, minor, bearing = ellipse(np.stack([covariance] * 3) if many else covariance)
    assert np.shape(major) == ((3,) if many else ())
    assert major == near("stake-ellipse-major")
    assert minor == near("stake-ellipse-minor")
    assert bearing == near("stake-ellipse-bearing")


def test_radius_that_holds_95_percent() -> None:
    assert near("stake-radius-95") == ELLIPSE_95
    for percent in (50, 90, 95, 99):
        row = check_value(f"stake-radius-{percent}")
        assert math.sqrt(stats.chi2.ppf(percent / 100, 2)) == pytest.approx(
            row.expected, rel=0, abs=row.tolerance
        )
    rng = np.random.default_rng(3)
    covariance = np.array([[0.04, 0.015], [0.015, 0.01]])
    drawn = rng.multivariate_normal([0, 0], covariance, 40_000)
    major, minor, bearing = ellipse(covariance, radius_sigmas=ELLIPSE_95)
    along = np.array([math.sin(math.radians(bearing)), math.cos(math.radians(bearing))])
    across = np.array([along[1], -along[0]])
    inside = ((drawn @ along) / major) ** 2 + ((drawn @ across) / minor) ** 2 <= 1
    assert inside.mean() == pytest.approx(0.95, abs=4 * math.sqrt(0.95 * 0.05 / 40_000))


@given(
    major=st.floats(0.01, 5),
    ratio=st.floats(0.05, 0.95),
    bearing=st.floats(0, 179.9),
)
def test_an_ellipse_built_comes_back(major, ratio, bearing) -> None:
    angle = math.radians(bearing)
    along = np.array([math.sin(angle), math.cos(angle)])
    across = np.array([along[1], -along[0]])
    covariance = major**2 * (np.outer(along, along) + ratio**2 * np.outer(across, across))
    found = ellipse(covariance)
    assert found[0] == pytest.approx(major, rel=1e-9)
    assert found[1] == pytest.approx(major * ratio, rel=1e-7)
    turned = abs(float(found[2]) - bearing) % 180
    assert min(turned, 180 - turned) < 1e-5


def test_a_circle_and_a_line() -> None:
    assert ellipse(np.eye(2) * 0.25) == (0.5, 0.5, 0.0)
    major, minor, bearing = ellipse([[1.0, 1.0], [1.0, 1.0]])
    assert (float(major), float(minor), float(bearing)) == pytest.approx(
        (math.sqrt(2), 0.0, 45.0), abs=1e-7
    )
    assert ellipse([[0.0, 0.0], [0.0, 0.0]])[0] == 0.0


@pytest.mark.parametrize(
    ("covariance", "match"),
    [
        ([[1.0, np.nan], [np.nan, 1.0]], "not finite"),
        ([[1.0, 0.5], [0.2, 1.0]], "not symmetric"),
        ([[1.0, 2.0], [2.0, 1.0]], "negative"),
        ([1.0, 2.0], "shape"),
    ],
)
def test_what_is_no_covariance(covariance, match) -> None:
    with pytest.raises(GeometryError, match=match):
        ellipse(covariance)


@pytest.fixture(scope="module")
def fit():
    """A leg with one bend, marks every 1.2 m, locator bias and rover bias."""
    rng = np.random.default_rng(11)
    chainage = np.arange(0.0, 60.0, 1.2)
    at = np.asarray(BENT.position(chainage, rng.normal(0, 0.06, len(chainage))))
    ones = np.ones(len(chainage))
    marks = MarkArray(
        easting_m=at[:, 0],
        northing_m=at[:, 1],
        height_m=np.nan * ones,
        depth_m=0.9 * ones,
        sigma_across_m=0.07 * ones,
        sigma_along_m=0.03 * ones,
        ids=tuple(str(100 + k) for k in range(len(chainage))),
        locator_bias_m=0.027 * ones,
        rover_bias_m=0.015,
    )
    return fit_route(marks, options=RouteOptions(leg="yard"))


@pytest.mark.parametrize("chainage_m", [5.0, 20.0, 45.0, 58.0])
@pytest.mark.parametrize("lonlat_m", [None, 2.0])
def test_budget_sums_to_the_ellipse_of_the_same_stake(fit, chainage_m, lonlat_m) -> None:
    rows = budget(
        fit, chainage_m, rover_bias_m=0.015, rover_sigma_m=0.012, lonlat_accuracy_m=lonlat_m
    )
    total, parts = rows[-1], rows[:-1]
    assert total.source == "total"
    assert len(parts) == (4 if lonlat_m is None else 5)
    along = math.fsum(row.sigma_along_m**2 for row in parts)
    across = math.fsum(row.sigma_across_m**2 for row in parts)
    assert total.sigma_along_m == pytest.approx(math.sqrt(along))
    assert total.sigma_across_m == pytest.approx(math.sqrt(across))
    covariance = setting_out_covariance(
        fit, chainage_m, rover_sigma_m=0.012, lonlat_accuracy_m=lonlat_m
    )
    bearing = math.radians(float(fit.route.bearing_deg(chainage_m)))
    unit = np.array([math.sin(bearing), math.cos(bearing)])
    square = np.array([unit[1], -unit[0]])
    assert total.sigma_along_m**2 == pytest.approx(unit @ covariance @ unit, rel=1e-9)
    assert total.sigma_across_m**2 == pytest.approx(square @ covariance @ square, rel=1e-9)
    # What marks share does not shrink with their number: the bias stays whole.
    assert next(row.sigma_across_m for row in rows if "locator" in row.source) >= 0.02
    assert total.sigma_across_m > 0.027


def test_offset_stakes_stand_square_left_and_right() -> None:
    left, right = offset_stakes(BENT, 12.0, 1.5, unit="m", depth_m=0.95)
    assert (left.easting_m, left.northing_m) == pytest.approx((12.0, 1.5))
    assert (right.easting_m, right.northing_m) == pytest.approx((12.0, -1.5))
    assert (left.offset_m, right.offset_m) == (-1.5, 1.5)
    assert left.label == "(1.50 m L) C 0.95 m 0+012.000"
    assert right.label == "(1.50 m R) C 0.95 m 0+012.000"
    left, _ = offset_stakes(BENT, 41.3 * US_SURVEY_FOOT_M, 5 * US_SURVEY_FOOT_M, unit="ftUS")
    assert left.label == "(5.0 ft L) depth unknown 0+41.30"


def test_the_cut_is_ground_less_grade() -> None:
    foot = 0.3048
    row = check_value("stake-offset-cut")
    _, right = offset_stakes(
        BENT, 12.0, 35 * foot, unit="ft", depth_m=3 * foot, ground_m=(10.0, 10.0, 10.0 - 2 * foot)
    )
    assert right.label.startswith(f"(35.0 ft R) C {row.expected:.1f} ft")


def test_offset_stakes_at_a_bend_halve_the_angle() -> None:
    left, right = offset_stakes(BENT, 30.0, 2.0, unit="m")
    assert (left.easting_m, left.northing_m) == pytest.approx((30 - math.sqrt(2), math.sqrt(2)))
    assert (right.easting_m, right.northing_m) == pytest.approx((30 + math.sqrt(2), -math.sqrt(2)))
    assert on_bend(BENT, 30.1)
    assert not on_bend(BENT, 12.0)
    assert pipe_bearing_deg(BENT, 0.0) == pytest.approx(90.0)
    assert pipe_bearing_deg(BENT, 70.0) == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize("offset_m", [0.0, -1.0, float("nan"), float("inf")])
def test_an_offset_that_is_none(offset_m) -> None:
    with pytest.raises(GeometryError, match="makes no offset stake"):
        offset_stakes(BENT, 12.0, offset_m, unit="m")


def test_reversing_the_leg_swaps_left_and_right() -> None:
    left, right = offset_stakes(BENT, 50.0, 1.5, unit="m")
    other_left, other_right = offset_stakes(BENT.reversed(), 20.0, 1.5, unit="m")
    assert (left.easting_m, left.northing_m) == pytest.approx(
        (other_right.easting_m, other_right.northing_m)
    )
    assert (right.easting_m, right.northing_m) == pytest.approx(
        (other_left.easting_m, other_left.northing_m)
    )


def test_hole_stakes_stay_on_the_pipe() -> None:
    start, end = hole_stakes(BENT, 29.0, 31.0, unit="m")
    assert (start.easting_m, start.northing_m) == pytest.approx((29.0, 0.0))
    assert (end.easting_m, end.northing_m) == pytest.approx((30.0, 1.0))
    assert (start.kind, end.kind) == ("hole_start", "hole_end")
    assert start.label == "HOLE START 0+029.000"
    start, end = hole_stakes(BENT, -2.0, 500.0, unit="m")
    assert (start.chainage_m, end.chainage_m) == (0.0, BENT.length_m)
    stake = leak_stake(BENT, 12.0, unit="m")
    assert (stake.easting_m, stake.northing_m, stake.label) == (12.0, 0.0, "LEAK 0+012.000")


def test_ids_stand_above_the_highest_used() -> None:
    assert free_ids(["101", "148", "201"], 3) == ("202", "203", "204")
    assert free_ids(["BC201", "MTR1", "x"], 2) == ("202", "203")
    assert free_ids([], 1) == ("1",)
    assert free_ids(["²", "7"], 1) == ("8",)


def test_check_points_are_good_near_and_apart() -> None:
    points = [
        ShotPoint("201", 3.0, 4.0, 0.010),
        ShotPoint("202", 3.1, 4.1, 0.010),
        ShotPoint("203", -30.0, 10.0, 0.012),
        ShotPoint("204", 1.0, 1.0, 0.30, fixed=False),
        ShotPoint("205", 9000.0, 0.0, 0.010),
        ShotPoint("206", float("nan"), 0.0, 0.010),
    ]
    first, second = check_points(
        points, easting_m=0.0, northing_m=0.0, rover_sigma_m=0.01, unit="ftUS"
    )
    assert (first.id, second.id) == ("201", "203")
    assert first.text == "occupy 201 first: it must read within 0.2 ft, or stop"
    assert first.within_m == pytest.approx(0.2 * US_SURVEY_FOOT_M)
    assert second.text.startswith("occupy 203 too")
    small = [ShotPoint("7", 1.0, 0.0, 0.003)]
    (only,) = check_points(small, easting_m=0.0, northing_m=0.0, rover_sigma_m=0.003, unit="ft")
    assert only.text == "occupy 7 first: it must read within 0.1 ft, or stop"
    (only,) = check_points(small, easting_m=0.0, northing_m=0.0, rover_sigma_m=0.003, unit="m")
    assert only.text == "occupy 7 first: it must read within 0.03 m, or stop"
    assert check_points([], easting_m=0.0, northing_m=0.0, rover_sigma_m=0.01, unit="m") == ()
    float_only = [ShotPoint("9", 1.0, 0.0, 0.4, fixed=False)]
    assert (
        check_points(float_only, easting_m=0.0, northing_m=0.0, rover_sigma_m=0.01, unit="m")[0].id
        == "9"
    )
