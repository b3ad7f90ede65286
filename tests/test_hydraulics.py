"""The meter test and the size of a leak, against closed forms, simulation and public charts."""

from __future__ import annotations

import math

import numpy as np
import pytest

from geoleak.hydraulics.loss import at_pressure, equivalent_hole_m, orifice_l_per_s
from geoleak.hydraulics.meter import (
    COUNTS_FOR_FLOW,
    SMALL_L_PER_S,
    Watch,
    flow_of,
    judge,
    sides,
    undo_rollover,
)

GAL = 3.785411784
PSI = 6.894757293168361


def watch(time_s, register_l, q, *, clock_s=0.0, **more):
    time_s, register_l = np.asarray(time_s, float), np.asarray(register_l, float)
    return Watch("", "all shut", time_s, register_l, q, clock_s, **more)


def shown(volume, q):
    return np.floor(volume / q + 1e-9) * q


def test_two_readings_leave_a_triangle() -> None:
    # Closed form: the difference of two roundings down is triangular, sigma q / sqrt(6).
    flow = flow_of(watch([0, 600], [0, 30.0], 1.0))
    assert flow.l_per_s == pytest.approx(30 / 600, rel=1e-6)
    assert flow.sigma == pytest.approx(1 / 600 / math.sqrt(6), rel=1e-3)


def test_a_standing_register_is_no_surer_for_being_read_often() -> None:
    # Nothing moved in T: density falls linearly from 0 to q / T; mean q / 3T.
    few = flow_of(watch([0, 600], [5.0, 5.0], 1.0))
    often = flow_of(watch(np.linspace(0, 600, 200), np.full(200, 5.0), 1.0))
    for flow in (few, often):
        assert flow.kind == "still"
        assert flow.l_per_s == pytest.approx(1 / 600 / 3, rel=1e-3)
        assert flow.upper_95 == pytest.approx((1 - math.sqrt(0.05)) / 600, rel=1e-3)


def test_flow_is_covered_as_often_as_said() -> None:
    rng = np.random.default_rng(5)
    held, below = [], []
    for _ in range(400):
        q, true = 0.5, float(rng.uniform(0.001, 0.1))
        time = np.sort(np.concatenate([[0, 900], rng.uniform(0, 900, 4)]))
        flow = flow_of(watch(time, shown(rng.uniform(0, q) + true * time, q), q))
        assert flow.kind in ("steady", "still")
        assert flow.open_flow[0] - 1e-12 <= true <= flow.open_flow[-1] + 1e-12
        held.append(true <= flow.upper_95)
        below.append((true - flow.l_per_s) / flow.sigma)
    assert 0.92 <= np.mean(held) <= 0.98  # 400 at 95 %: 99.9 % of runs of chance
    assert np.std(below) == pytest.approx(1.0, abs=0.1)


def test_a_clock_to_the_minute_widens_it() -> None:
    sharp = flow_of(watch([0, 600], [0, 30.0], 1.0))
    coarse = flow_of(watch([0, 600], [0, 30.0], 1.0, clock_s=60.0))
    assert coarse.sigma > 2 * sharp.sigma
    with pytest.raises(ValueError, match="three steps"):
        flow_of(watch([0, 120], [0, 1.0], 1.0, clock_s=60.0))


@pytest.mark.parametrize(("counts", "verdict"), [(0, "none_seen"), (1, "cannot_tell"), (2, "leak")])
def test_verdict_by_counts(counts, verdict) -> None:
    # An hour at 0.1 gal a count: standing still it stays below 0.1 gal/min for certain.
    assert COUNTS_FOR_FLOW == 2
    flow = flow_of(
        watch([0, 1800, 3600], 0.1 * GAL * np.array([0, counts // 2, counts]), 0.1 * GAL)
    )
    assert judge(flow) == verdict


def test_too_short_a_watch_tells_nothing_and_says_how_long() -> None:
    # 0.1 gal a count and 0.1 gal/min: one count a minute, so two minutes for two.
    flow = flow_of(watch([0, 20], [7.0, 7.0], 0.1 * GAL))
    assert judge(flow) == "cannot_tell"
    assert flow.needed_s == pytest.approx(120.0)
    assert pytest.approx(0.1 * GAL / 60) == SMALL_L_PER_S
    # The smallest watch that rules 0.1 gal/min out: upper_95 = (1 - sqrt .05) q / T.
    enough = 60 * (1 - math.sqrt(0.05)) * 1.01
    assert judge(flow_of(watch([0, enough], [7.0, 7.0], 0.1 * GAL))) == "none_seen"


def test_a_refill_is_told_from_a_steady_leak() -> None:
    time = np.arange(0, 3600, 30.0)
    volume = np.where((time > 1200) & (time <= 1320), (time - 1200) * 0.1, 0.0)
    volume[time > 1320] = 12.0
    flow = flow_of(watch(time, shown(volume, 0.1), 0.1))
    assert flow.kind == "comes and goes"
    assert judge(flow) == "cannot_tell"


def test_a_leak_under_refills_is_seen_in_the_least_flow() -> None:
    time = np.arange(0, 4 * 3600, 30.0)
    volume = 0.02 * time + 9.0 * np.floor(time / 5000)
    flow = flow_of(watch(time, shown(volume, 0.1), 0.1))
    assert judge(flow) == "leak"
    assert flow.l_per_s == pytest.approx(0.02, rel=0.03)


def test_drift_is_said() -> None:
    time = np.linspace(0, 1800, 61)
    volume = np.where(time < 900, 0.05 * time, 45 + 0.07 * (time - 900))
    assert flow_of(watch(time, shown(volume, 0.5), 0.5)).kind == "drifting"


def test_a_logger_s_night_minimum() -> None:
    time = np.arange(0, 3 * 86400, 300.0)
    hour = time / 3600 % 24
    rate = 0.01 + np.where((hour > 6) & (hour < 23), 0.08 * (1 + np.sin(hour)), 0.0)
    volume = np.cumsum(rate * 300.0)
    flow = flow_of(watch(time, shown(volume, 1.0), 1.0, local_hour=hour))
    assert flow.l_per_s == pytest.approx(0.01, rel=0.06)
    assert judge(flow) == "leak"


def test_sides_follow_the_two_runs() -> None:
    time = [0.0, 300.0, 600.0]
    running = flow_of(watch(time, [0, 15.0, 30.0], 0.1))
    stopped = flow_of(watch(time, [9.0, 9.0, 9.0], 0.1))
    half = flow_of(watch(time, [0, 7.5, 15.0], 0.1))
    assert sides(running, running)["before"] > 0.99
    assert sides(running, stopped)["beyond"] > 0.9
    # Part of the flow: both sides, or a valve that passes; never the line before it alone.
    assert sides(running, half)["before"] < 0.01
    assert sides(running, half)["both"] == pytest.approx(0.05 / (0.05 + 0.475 * 0.1), rel=0.01)
    assert sum(sides(running, half).values()) == pytest.approx(1.0)


def test_rollover_is_undone_once_and_never_guessed() -> None:
    assert list(undo_rollover([998.0, 999.0, 1.0], digits=3)) == [998.0, 999.0, 1001.0]
    for register, digits in (([5.0, 4.0], None), ([5.0, 4.0], 3), ([999, 1, 999, 1], 3)):
        with pytest.raises(ValueError, match="backwards"):
            undo_rollover(register, digits=digits)


# City of Durant, Oklahoma, leak chart at 60 psi: "over" 800, 3,200 and 13,000 gal a day. The
# chart's 1/16 in figure is rounded down furthest.
@pytest.mark.parametrize(("inch", "gal_a_day"), [(1 / 16, 800), (1 / 8, 3200), (1 / 4, 13000)])
def test_orifice_against_a_public_chart(inch, gal_a_day) -> None:
    flow = orifice_l_per_s(inch * 0.0254, 60 * PSI) / GAL * 86400
    assert flow == pytest.approx(gal_a_day, rel=0.03)


# Municipality of Kingsville, Ontario: imperial gallons in three months (91.25 days) at 60 psi.
@pytest.mark.parametrize(
    ("inch", "gal"), [(1 / 16, 61600), (1 / 8, 245300), (3 / 16, 554620), (1 / 4, 984500)]
)
def test_orifice_against_a_quarter_s_chart(inch, gal) -> None:
    flow = orifice_l_per_s(inch * 0.0254, 60 * PSI) / 4.54609 * 86400 * 91.25
    assert flow == pytest.approx(gal, rel=0.03)


def test_hole_is_the_inverse_of_flow() -> None:
    for d in (0.0005, 0.003, 0.02):
        assert equivalent_hole_m(orifice_l_per_s(d, 400.0), 400.0) == pytest.approx(d, rel=1e-12)
    with pytest.raises(ValueError, match="no hole"):
        equivalent_hole_m(0.1, 0.0)


# FAVAD ratios by its definition: P x 0.8, and 60 to 45 psi.
@pytest.mark.parametrize(
    ("exponent", "eight", "three_quarters"),
    [(0.5, 0.89443, 0.86603), (1.0, 0.8, 0.75), (1.15, 0.77367, 0.71832), (1.5, 0.71554, 0.64952)],
)
def test_favad_ratios(exponent, eight, three_quarters) -> None:
    assert at_pressure(1.0, 100.0, 80.0, exponent=exponent) == pytest.approx(eight, abs=1e-5)
    assert at_pressure(1.0, 60.0, 45.0, exponent=exponent) == pytest.approx(
        three_quarters, abs=1e-5
    )


def test_a_leak_in_a_network_solver_passes_what_the_orifice_says() -> None:
    # wntr's leak model: 6 mm, Cd 0.75, 50 m of water: 6.641836e-4 m3/s.
    flow = orifice_l_per_s(0.006, 50 * 9.81, discharge=0.75)
    assert flow == pytest.approx(0.6641836, rel=2e-4)
