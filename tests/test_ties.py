"""Ties: exact constructs, which side, what crosses, and the stake found again."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from geoleak.errors import GeometryError
from geoleak.stake.stake import choose_ties
from geoleak.survey import TapePoint, tape_covariance
from geoleak.survey.points import distance_intersection
from geoleak.units import US_SURVEY_FOOT_M
from tests.check_values import check_value
from tests.command import at_length
from tests.taping import place_by_tapes

CREW = {"tape_length_m": 30.0, "tape_sigma_m": 0.015, "unit": "ftUS"}


def near(name: str):
    row = check_value(name)
    return pytest.approx(row.expected, rel=0, abs=row.tolerance)


def ties_at(points, east=0.0, north=0.0, **options):
    return choose_ties(points, np.array([east, north]), **{**CREW, **options})


def drms_m(chosen) -> float:
    """Return the root of the summed variances of the place that the tapes give."""
    at = [(each.easting_m, each.northing_m) for each in chosen.points]
    sigma = [math.hypot(CREW["tape_sigma_m"], each.sigma_m) for each in chosen.points]
    return math.sqrt(np.trace(tape_covariance(at, (0, 0), sigma)))


def recover(chosen):
    """Return the stake (2,) from the printed ties alone."""
    return place_by_tapes(
        [(each.easting_m, each.northing_m) for each in chosen.points],
        [each.distance_m for each in chosen.ties],
        side=chosen.side,
    )


CORNERS = [
    TapePoint("201", -12.0, 9.0, note="building corner"),
    TapePoint("202", 14.0, 8.0),
    TapePoint("203", 2.0, -15.0),
    TapePoint("204", -11.0, 10.5),
    TapePoint("205", 300.0, 5.0),
]


def test_two_tapes_meet_left_and_right() -> None:
    left, right = distance_intersection((0, 0), (50, 0), 30, 40)
    assert left[0] == near("stake-swing-e")
    assert left[1] == near("stake-swing-n")
    assert right == pytest.approx([left[0], -left[1]])
    left, right = distance_intersection((0, 0), (14, 0), 13, 15)
    assert (left[0], left[1]) == (near("stake-swing2-e"), near("stake-swing2-n"))
    assert right[1] == pytest.approx(-left[1])


def test_covariance_of_two_tapes() -> None:
    covariance = tape_covariance([(0, 0), (50, 0)], (18, 24), 0.02)
    assert covariance == pytest.approx(
        check_value("stake-swing-sigma").expected * np.eye(2), rel=0, abs=1e-12
    )
    assert math.sqrt(np.trace(covariance)) == near("stake-swing-drms")
    covariance = tape_covariance([(0, 0), (14, 0)], (5, 12), [0.02, 0.02])
    assert covariance[0, 0] == near("stake-swing2-ee")
    assert covariance[0, 1] == near("stake-swing2-en")
    assert covariance[1, 1] == near("stake-swing2-nn")
    assert math.sqrt(np.trace(covariance)) == near("stake-swing2-drms")
    angle = math.radians(check_value("stake-swing2-crossing").expected)
    assert math.sqrt(2) * 0.02 / math.sin(angle) == near("stake-swing2-drms")


def test_three_tapes_meet_where_the_handbook_has_them() -> None:
    place = place_by_tapes([(0, 0), (100, 0), (50, 100)], [60.0, 80.0, 53.851648])
    assert place[0] == near("stake-three-e")
    assert place[1] == near("stake-three-n")


@pytest.mark.parametrize(
    ("first_m", "second_m", "match"),
    [
        (20.0, 29.0, "do not meet"),
        (90.0, 30.0, "do not meet"),
        (0.0, 50.0, "distances over 0"),
        (float("nan"), 50.0, "distances over 0"),
    ],
)
def test_tapes_that_never_meet_are_refused(first_m, second_m, match) -> None:
    with pytest.raises(GeometryError, match=match):
        distance_intersection((0, 0), (50, 0), first_m, second_m)


def test_misuse_is_refused() -> None:
    with pytest.raises(GeometryError, match="in one line"):
        tape_covariance([(0, 0), (10, 0)], (20, 0), 0.02)


def test_three_features_are_chosen_whose_tapes_cross() -> None:
    chosen = ties_at(CORNERS)
    ids = {each.feature for each in chosen.ties}
    assert len(chosen.ties) == 3
    assert "205" not in ids  # beyond the tape
    assert not {"201", "204"} <= ids  # nearly the same direction
    assert chosen.crossing_deg > 60
    # Three tapes at about 120 degrees: dRMS = 2 sigma / sqrt 3 for each direction's best case.
    assert drms_m(chosen) == pytest.approx(2 * 0.015 / math.sqrt(3), rel=0.1)


def test_no_other_triple_does_better() -> None:
    rng = np.random.default_rng(5)
    points = [TapePoint(str(k), *rng.uniform(-25, 25, 2), sigma_m=0.01) for k in range(9)]
    chosen = ties_at(points)
    import itertools

    best = math.inf
    for triple in itertools.combinations(points, 3):
        at = np.array([[p.easting_m, p.northing_m] for p in triple])
        if np.hypot(*at.T).max() > 30:
            continue
        covariance = tape_covariance(at, (0, 0), math.hypot(0.015, 0.01))
        best = min(best, math.sqrt(np.trace(covariance)))
    assert drms_m(chosen) == pytest.approx(best, abs=2e-4)


def test_a_poorly_shot_feature_counts_for_less() -> None:
    vague = [TapePoint("201", -12.0, 9.0, sigma_m=0.5), *CORNERS[1:4]]
    assert "201" not in {each.feature for each in ties_at(vague).ties}
    assert "201" in {each.feature for each in ties_at(CORNERS).ties} | {"204"}


def test_distances_are_printed_as_a_tape_reads() -> None:
    chosen = ties_at(CORNERS[:3])
    by_id = {each.feature: each for each in chosen.ties}
    assert by_id["201"].distance_m == pytest.approx(49.21 * US_SURVEY_FOOT_M, abs=1e-9)  # 15 m
    assert by_id["201"].bearing_deg == pytest.approx(math.degrees(math.atan2(12, -9)))
    metric = ties_at(CORNERS[:3], unit="m")
    assert {each.distance_m for each in metric.ties if each.feature == "201"} == {15.0}
    turned = ties_at(CORNERS[:3], to_grid=lambda bearing: bearing + 10)
    assert {each.feature: each.bearing_deg for each in turned.ties}["201"] == pytest.approx(
        by_id["201"].bearing_deg + 10
    )


def test_the_side_is_said_in_words() -> None:
    chosen = ties_at([TapePoint("201", -10.0, 10.0, note="corner"), TapePoint("202", 10.0, 10.0)])
    assert len(chosen.ties) == 2
    assert chosen.ties[0].feature == "201"
    assert chosen.side == "right"
    side = chosen.texts[0]
    assert "standing at 201 (corner) and facing 202, the stake is on your right" in side
    assert "the south side of the line between them" in side
    assert "nothing checks them" in chosen.texts[-1]
    assert recover(chosen) == pytest.approx([0.0, 0.0], abs=0.004)
    other = ties_at([TapePoint("201", -10.0, -10.0), TapePoint("202", 10.0, -10.0)])
    assert "on your left, the north side" in other.texts[0]


def test_features_all_in_line_keep_their_side() -> None:
    poles = [TapePoint(str(k), 8.0 * k - 8.0, 6.0) for k in range(3)]
    chosen = ties_at(poles, east=1.0)
    assert len(chosen.ties) == 3
    assert recover(chosen) == pytest.approx([1.0, 0.0], abs=0.004)


def test_too_few_features_say_what_to_shoot() -> None:
    none = ties_at([])
    assert none.ties == ()
    assert math.isnan(none.crossing_deg)
    assert "no fixed feature within 98 ft of the stake; shoot three" in none.texts[0]
    one = ties_at([TapePoint("201", 0.0, 10.0)])
    assert one.ties == ()
    assert "only 201 is within" in one.texts[0]
    assert "shoot a fixed feature east or west of the stake" in one.texts[0]
    twice = ties_at([TapePoint("201", 0.0, 10.0), TapePoint("301", 0.02, 10.0)])
    assert "only 201 is within" in twice.texts[0]
    lost = ties_at([TapePoint("201", float("nan"), 10.0), TapePoint("202", 5.0, 5.0)])
    assert "only 202 is within" in lost.texts[0]


def test_features_in_line_with_the_stake_are_refused() -> None:
    chosen = ties_at([TapePoint("201", -9.0, 0.2), TapePoint("202", 12.0, 0.0)])
    assert chosen.ties == ()
    assert "stand in line with the stake" in chosen.texts[0]
    assert "shoot a fixed feature" in chosen.texts[0]
    flat = ties_at([TapePoint("201", -10.0, 2.5), TapePoint("202", 10.0, 2.5)])
    assert len(flat.ties) == 2
    assert flat.crossing_deg == pytest.approx(28.07, abs=0.01)
    assert any("cross flatly" in each for each in flat.texts)


def test_slope_is_noted_where_a_tape_on_the_ground_would_lie() -> None:
    points = [
        TapePoint("201", -10.0, 10.0, height_m=101.5),
        TapePoint("202", 10.0, 10.0, height_m=100.05),
        TapePoint("203", 0.0, -9.0),
    ]
    chosen = ties_at(points, height_m=100.0)
    slope = {each.feature: each.slope for each in chosen.ties}
    assert "the ground goes down 4.9 ft to the stake: hold the tape level" in slope["201"]
    along = math.hypot(math.hypot(10, 10), 1.5) / US_SURVEY_FOOT_M
    assert f"on the slope it reads {along:.2f} ft" in slope["201"]
    assert slope["202"] == ""  # 0.1 mm of difference
    assert slope["203"] == ""  # height not known


@settings(max_examples=60, deadline=None)
@given(
    seed=st.integers(0, 10_000),
    count=st.integers(2, 8),
    unit=st.sampled_from(["m", "ft", "ftUS"]),
    shift=st.floats(-1e5, 1e5),
)
def test_the_stake_is_found_from_its_own_printed_ties(seed, count, unit, shift) -> None:
    rng = np.random.default_rng(seed)
    stake = rng.uniform(-5, 5, 2) + shift
    points = [
        TapePoint(str(k), *(rng.uniform(-28, 28, 2) + shift), sigma_m=0.01) for k in range(count)
    ]
    chosen = ties_at(points, *stake, unit=unit)
    assume(chosen.ties)
    # Two lengths off by half of 0.01 ft at most, a fifth for the arcs being round: so far may their
    # crossing move.
    moved = 1.2 * 0.005 * 0.3048 / math.sin(math.radians(chosen.crossing_deg) / 2)
    assert math.hypot(*(recover(chosen) - stake)) <= moved
    # The words alone tell the same side as the geometry.
    a, b = (np.array([each.easting_m, each.northing_m]) for each in chosen.points[:2])
    turn = (b - a)[0] * (stake - a)[1] - (b - a)[1] * (stake - a)[0]
    assert f"on your {'left' if turn > 0 else 'right'}" in chosen.texts[0]


@at_length("times", [400], [1500])
def test_taped_error_is_what_a_crew_would_make(times: int) -> None:
    """Tapes with error, many times: the scatter of the recovered stake is the stated one."""
    rng = np.random.default_rng(9)
    chosen = ties_at(CORNERS[:4])
    points = chosen.points
    exact = np.array([math.hypot(each.easting_m, each.northing_m) for each in points])
    places = np.array(
        [
            place_by_tapes(
                [(each.easting_m, each.northing_m) for each in points],
                exact + rng.normal(0, 0.015, 3),
                side=chosen.side,
            )
            for _ in range(times)
        ]
    )
    drms = math.sqrt(np.mean(np.sum(places**2, axis=1)))
    assert drms == pytest.approx(drms_m(chosen), rel=2 / np.sqrt(times))


def test_many_features_stay_quick_and_deterministic() -> None:
    rng = np.random.default_rng(2)
    points = [TapePoint(str(k), *rng.uniform(-29, 29, 2)) for k in range(3000)]
    first = ties_at(points)
    again = ties_at(points[::-1])
    assert [each.feature for each in first.ties] == [each.feature for each in again.ties]


def crossing(degrees: float) -> list[TapePoint]:
    """Return two features 10 m off whose tapes to the origin cross at an angle."""
    turn = math.radians(degrees)
    return [
        TapePoint("301", 10.0, 0.0, sigma_m=0.01),
        TapePoint("302", 10.0 * math.cos(turn), 10.0 * math.sin(turn), sigma_m=0.01),
    ]


def test_tapes_that_cross_flatter_than_twenty_degrees_are_not_given() -> None:
    assert not ties_at(crossing(19.0)).ties
    assert len(ties_at(crossing(21.0)).ties) == 2


def test_a_crossing_flatter_than_thirty_degrees_is_said() -> None:
    assert any("cross flatly" in text for text in ties_at(crossing(29.0)).texts)
    assert not any("cross flatly" in text for text in ties_at(crossing(31.0)).texts)


def test_a_tape_shorter_than_a_foot_is_none() -> None:
    far = TapePoint("303", 0.0, 10.0, sigma_m=0.01)
    assert not ties_at([TapePoint("301", 0.28, 0.0, sigma_m=0.01), far]).ties
    assert len(ties_at([TapePoint("301", 0.32, 0.0, sigma_m=0.01), far]).ties) == 2


@pytest.mark.parametrize(("in_line", "found"), [(39, True), (40, False)])
def test_the_forty_nearest_features_are_tried(in_line: int, found: bool) -> None:
    fence = [TapePoint(str(k), 0.5 * k, 0.0, sigma_m=0.01) for k in range(1, in_line + 1)]
    across = TapePoint("corner", 0.0, 25.0, sigma_m=0.01)
    assert bool(ties_at([*fence, across]).ties) is found
