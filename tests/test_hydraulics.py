"""The meter test and the size of a leak, against closed forms, simulation and public charts."""

from __future__ import annotations

import math
import tempfile
from pathlib import Path

import numpy as np
import pytest

from geoleak.hydraulics.meter import (
    COUNTS_FOR_FLOW,
    SMALL_L_PER_S,
    Watch,
    at_pressure,
    equivalent_hole_m,
    flow_of,
    hole_mm,
    judge,
    orifice_l_per_s,
    sides,
    undo_rollover,
)
from tests.command import at_length

GAL = 3.785411784
PSI = 6.894757293168361


def watch(time_s, register_l, q, *, clock_s=0.0, **more):
    time_s, register_l = np.asarray(time_s, float), np.asarray(register_l, float)
    return Watch("", "all shut", time_s, register_l, q, clock_s, **more)


def shown(volume, q):
    return np.floor(volume / q + 1e-9) * q


@pytest.mark.parametrize(
    ("diameter_m", "said"),
    [(9.9e-5, "under 0.1 mm"), (1e-4, "0.1 mm"), (0.00146, "1.5 mm"), (3e-6, "under 0.1 mm")],
)
def test_a_hole_is_never_said_to_be_none(diameter_m, said):
    assert hole_mm(diameter_m) == said


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


@at_length("watches", [150], [400])
def test_flow_is_covered_as_often_as_said(watches: int) -> None:
    rng = np.random.default_rng(5)
    held, below = [], []
    for _ in range(watches):
        q, true = 0.5, float(rng.uniform(0.001, 0.1))
        time = np.sort(np.concatenate([[0, 900], rng.uniform(0, 900, 4)]))
        flow = flow_of(watch(time, shown(rng.uniform(0, q) + true * time, q), q))
        assert flow.kind in ("steady", "still")
        assert flow.open_flow[0] - 1e-12 <= true <= flow.open_flow[-1] + 1e-12
        held.append(true <= flow.upper_95)
        below.append((true - flow.l_per_s) / flow.sigma)
    # 99.8 % of runs of chance.
    assert np.mean(held) == pytest.approx(0.95, abs=3.1 * np.sqrt(0.05 * 0.95 / watches))
    assert np.std(below) == pytest.approx(1.0, abs=2 / np.sqrt(watches))


def test_a_clock_to_the_minute_widens_it() -> None:
    sharp = flow_of(watch([0, 600], [0, 30.0], 1.0))
    coarse = flow_of(watch([0, 600], [0, 30.0], 1.0, clock_s=60.0))
    assert coarse.sigma > 2 * sharp.sigma
    with pytest.raises(ValueError, match="watched for 120 s only"):
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


@pytest.fixture(scope="module")
def through_a_network():
    """Return what a network solver lets out at the end of a short wide pipe, in l/s."""
    wntr = pytest.importorskip("wntr")

    def passed(head_m: float, *, exponent: float = 0.5, emitter=None, area_m2=None) -> float:
        network = wntr.network.WaterNetworkModel()
        network.options.hydraulic.emitter_exponent = exponent
        network.add_reservoir("tank", base_head=head_m)
        network.add_junction("hole", base_demand=0.0, elevation=0.0)
        network.add_pipe("pipe", "tank", "hole", length=0.1, diameter=1.0, roughness=150)
        hole = network.get_node("hole")
        if area_m2:
            hole.add_leak(network, area=area_m2, discharge_coeff=0.75, start_time=0)
            found = wntr.sim.WNTRSimulator(network).run_sim().node["leak_demand"]
        else:
            hole.emitter_coefficient = emitter
            found = wntr.sim.EpanetSimulator(network).run_sim(file_prefix=str(place / "run"))
            found = found.node["demand"]
        return 1e3 * float(found.loc[0, "hole"])

    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder)
        yield passed


def test_a_leak_in_a_network_solver_passes_what_the_orifice_says(through_a_network) -> None:
    # wntr's leak model with its own discharge coefficient and gravity.
    area = math.pi / 4 * 0.006**2
    flow = orifice_l_per_s(0.006, 50 * 9.81, discharge=0.75)
    assert through_a_network(50.0, area_m2=area) == pytest.approx(flow, rel=3e-4)


@pytest.mark.parametrize("exponent", [0.5, 1.0, 1.5])
def test_an_emitter_of_epanet_follows_pressure_as_said(through_a_network, exponent) -> None:
    # EPANET's emitter, q = C p ** n; C of a 4 mm round hole at exponent 0.5.
    emitter = orifice_l_per_s(0.004, 9.81) / 1e3
    high, low = (
        through_a_network(head, exponent=exponent, emitter=emitter) for head in (50.0, 40.0)
    )
    said = at_pressure(high, 50 * 9.81, 40 * 9.81, exponent=exponent)
    assert low == pytest.approx(said, rel=1e-5)
    if exponent == 0.5:
        assert high == pytest.approx(orifice_l_per_s(0.004, 50 * 9.81), rel=1e-3)
        assert equivalent_hole_m(high, 50 * 9.81) == pytest.approx(0.004, rel=1e-3)


# What stands for 2.8 of its mean flow's counts may drift; for 3.2 it comes and goes.
@pytest.mark.parametrize(("counts", "paused"), [(2.8, False), (3.2, True)])
def test_how_long_a_register_must_stand(counts, paused) -> None:
    # Ten counts of 30 s, a pause, ten more: 20 counts in 600 s and the pause.
    pause = 600 * counts / (20 - counts)
    first = np.arange(0, 301, 30.0)
    time = np.concatenate([first, 300 + pause + first])
    register = np.concatenate([np.arange(11.0), 10 + np.arange(11.0)])
    assert (flow_of(watch(time, register, 1.0)).kind == "comes and goes") is paused


def lull(start_h: float, hours: float, *, rest=0.1, night=0.03, low=0.01, days=2.0):
    """Return a logger's run: less at night, least in one lull on the last night."""
    time = np.arange(0, days * 86400 + 1, 60.0)
    hour = time / 3600 % 24
    rate = np.where((hour > 23) | (hour < 7), night, rest)
    begin = (days - 1) * 24 + start_h
    rate[(time >= 3600 * begin) & (time < 3600 * (begin + hours))] = low
    volume = np.concatenate([[0.0], np.cumsum(rate[:-1] * 60)])
    return watch(time, shown(volume, 0.1), 0.1, local_hour=hour)


# An hour's window that begins between 1 and 5: a lull's nine tenths in it, and a tenth of 0.03.
@pytest.mark.parametrize(("start_h", "least"), [(0.9, 0.012), (5.1, 0.012), (2.0, 0.01)])
def test_the_night_s_least_flow_is_that_of_an_hour_between_one_and_five(start_h, least) -> None:
    assert flow_of(lull(start_h, 1.0)).l_per_s == pytest.approx(least, rel=0.03)


def test_the_window_is_an_hour() -> None:
    # 50 minutes of 0.01 and 10 of 0.03.
    assert flow_of(lull(2.0, 5 / 6)).l_per_s == pytest.approx(0.08 / 6, rel=0.03)
