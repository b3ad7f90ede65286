"""The stake: ellipse, budget, offset stakes, hole stakes, ids, check points."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from geoleak.linref import Route
from geoleak.route import MarkArray, RouteOptions, fit_route
from geoleak.site import Point
from geoleak.stake.stake import (
    ELLIPSE_95,
    budget,
    check_points,
    ellipse,
    free_ids,
    ground_plane,
    offset_label,
    offset_places_m,
    on_bend,
    pipe_bearing_deg,
)
from geoleak.survey import SurveyedPoint
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
def test_budget_sums_to_the_ellipse_of_the_same_stake(fit, chainage_m) -> None:
    rows = budget(fit, chainage_m, rover_bias_m=0.015, rover_sigma_m=0.012)
    total, parts = rows[-1], rows[:-1]
    assert total.source == "total"
    assert len(parts) == 4
    along = math.fsum(row.sigma_along_m**2 for row in parts)
    across = math.fsum(row.sigma_across_m**2 for row in parts)
    assert total.sigma_along_m == pytest.approx(math.sqrt(along))
    assert total.sigma_across_m == pytest.approx(math.sqrt(across))
    covariance = fit.covariance(chainage_m) + 0.012**2 * np.eye(2)
    bearing = math.radians(float(fit.route.bearing_deg(chainage_m)))
    unit = np.array([math.sin(bearing), math.cos(bearing)])
    square = np.array([unit[1], -unit[0]])
    assert total.sigma_along_m**2 == pytest.approx(unit @ covariance @ unit, rel=1e-9)
    assert total.sigma_across_m**2 == pytest.approx(square @ covariance @ square, rel=1e-9)
    # What marks share does not shrink with their number: the bias stays whole.
    assert next(row.sigma_across_m for row in rows if "locator" in row.source) >= 0.02
    assert total.sigma_across_m > 0.027


def test_offset_stakes_stand_square_left_and_right() -> None:
    left, right = offset_places_m(BENT, 12.0, 1.5)
    assert left == pytest.approx([12.0, 1.5])
    assert right == pytest.approx([12.0, -1.5])
    assert offset_label("L", 1.5, 0.95, "0+012.000", "m") == "(1.50 m L) C 0.95 m 0+012.000"
    said = offset_label("R", 5 * US_SURVEY_FOOT_M, None, "0+41.30", "ftUS")
    assert said == "(5.0 ft R) depth unknown 0+41.30"


def test_offset_stakes_at_a_bend_halve_the_angle() -> None:
    left, right = offset_places_m(BENT, 30.0, 2.0)
    assert left == pytest.approx([30 - math.sqrt(2), math.sqrt(2)])
    assert right == pytest.approx([30 + math.sqrt(2), -math.sqrt(2)])
    assert on_bend(BENT, 30.28)
    assert not on_bend(BENT, 30.32)
    assert pipe_bearing_deg(BENT, 0.0) == pytest.approx(90.0)
    assert pipe_bearing_deg(BENT, 70.0) == pytest.approx(0.0, abs=1e-9)


def test_reversing_the_leg_swaps_left_and_right() -> None:
    there = offset_places_m(BENT, 50.0, 1.5)
    assert there[::-1] == pytest.approx(offset_places_m(BENT.reversed(), 20.0, 1.5))


def test_ids_stand_above_the_highest_used() -> None:
    assert free_ids(["101", "148", "201"], 3) == ("202", "203", "204")
    assert free_ids(["BC201", "MTR1", "x"], 2) == ("202", "203")
    assert free_ids([], 1) == ("1",)
    assert free_ids(["²", "7"], 1) == ("8",)


def shot_point(name, east, north, sigma_m, *, status="fixed", kind="feature", taped=False):
    shot = Point(name, 0.0, 0.0, status=status)
    return SurveyedPoint(shot, east, north, math.nan, sigma_m, kind, taped=taped)


def test_check_points_are_good_near_and_apart() -> None:
    points = [
        shot_point("201", 3.0, 4.0, 0.010),
        shot_point("202", 3.1, 4.1, 0.010),
        shot_point("203", -30.0, 10.0, 0.012),
        shot_point("204", 1.0, 1.0, 0.001, status="float"),
        shot_point("205", 9000.0, 0.0, 0.010),
        shot_point("206", float("nan"), 0.0, 0.010),
        shot_point("207", 1.0, 1.0, 0.001, status="single"),
        shot_point("208", 1.0, 1.0, 0.001, kind="mark"),
        shot_point("209", 1.0, 1.0, 0.001, taped=True),
    ]
    (first, words), (second, more) = check_points(points, (0, 0), rover_sigma_m=0.01, unit="ftUS")
    assert (first.point.id, second.point.id) == ("201", "203")
    assert words == "occupy 201 first: it must read within 0.2 ft, or stop"
    assert more.startswith("occupy 203 too")
    small = [shot_point("7", 1.0, 0.0, 0.003)]
    ((_, words),) = check_points(small, (0, 0), rover_sigma_m=0.003, unit="ft")
    assert words == "occupy 7 first: it must read within 0.1 ft, or stop"
    ((_, words),) = check_points(small, (0, 0), rover_sigma_m=0.003, unit="m")
    assert words == "occupy 7 first: it must read within 0.03 m, or stop"
    assert check_points([], (0, 0), rover_sigma_m=0.01, unit="m") == ()
    ((only, _),) = check_points(points[3:4], (0, 0), rover_sigma_m=0.01, unit="m")
    assert only.point.id == "204"


def test_where_every_mark_is_taped_no_rover_is_asked_for() -> None:
    meter = shot_point("MTR1", 3.0, 0.0, 0.005, kind="fitting")
    marks = [shot_point(f"M{k}", k, 0.0, 0.02, kind="mark", taped=True) for k in range(3)]
    assert not check_points([meter, *marks], (0, 0), rover_sigma_m=0.01, unit="m")
    shot = shot_point("M9", 9.0, 0.0, 0.02, kind="mark")
    assert len(check_points([meter, *marks, shot], (0, 0), rover_sigma_m=0.01, unit="m")) == 1


def shot(rng: np.random.Generator, count: int, *, across: float) -> np.ndarray:
    xy = rng.uniform(-1, 1, (count, 2)) * (15.0, across) + (500.0, 900.0)
    height = 100.0 + 0.04 * (xy[:, 0] - 500.0) - 0.1 * (xy[:, 1] - 900.0)
    return np.column_stack([xy, height])


def test_a_plane_comes_back() -> None:
    points = shot(np.random.default_rng(1), 12, across=8.0)
    points[3, 2] = np.nan
    plane = ground_plane(points, (502.0, 901.0))
    assert plane is not None
    assert plane == pytest.approx([100.0 + 0.08 - 0.1, 0.04, -0.1], abs=1e-9)


def test_marks_in_one_line_do_not_tell_the_slope_across_it() -> None:
    points = shot(np.random.default_rng(2), 30, across=0.1)
    assert ground_plane(points, (500.0, 900.0)) is None


def test_rough_or_distant_or_scanty_ground_is_no_plane() -> None:
    points = shot(np.random.default_rng(3), 20, across=8.0)
    rough = points + (0, 0, 1) * np.random.default_rng(4).normal(0, 0.6, (20, 1))
    assert ground_plane(rough, (500.0, 900.0)) is None
    assert ground_plane(points, (900.0, 900.0)) is None
    assert ground_plane(points[:3], (500.0, 900.0)) is None


def square(half_m: float, away_m: float = 0.0, rough_m: float = 0.0) -> np.ndarray:
    """Return the corners of a square, its middle away_m east, heights rough_m up and down."""
    east = away_m + half_m * np.array([-1, 1, 1, -1])
    return np.column_stack([east, half_m * np.array([-1, -1, 1, 1]), rough_m * np.tile([1, -1], 2)])


@pytest.mark.parametrize(
    ("inside", "outside"),
    [
        # Corners sqrt(2) times 17.2 and 18 m off: 24.3 and 25.5 m.
        (square(17.2), square(18.0)),
        (square(1.05), square(0.95)),
        (square(5.0, rough_m=0.24), square(5.0, rough_m=0.26)),
    ],
)
def test_ground_too_far_too_narrow_or_too_rough_is_no_plane(inside, outside) -> None:
    assert ground_plane(inside, (0.0, 0.0)) is not None
    assert ground_plane(outside, (0.0, 0.0)) is None
