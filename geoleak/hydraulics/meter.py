"""The meter test: what flows while everything is said to be shut, and how well that is known.

A register shows whole counts: its reading is the volume passed, rounded down to the count. A steady
flow Q from a volume a passes ``a + Q t``, and explains the readings r_i at times t_i exactly where

    r_i - Q c <= a + Q t_i < r_i + q,

q one count and c the clock's own step (a time written to the minute is up to a minute early). With
nothing known of a, and Q >= 0, what the readings leave open is

    p(Q) ~ q + Q c - [max_i (r_i - Q t_i) - min_i (r_i - Q t_i)]   where that is positive:

no more is claimed than the counts say, however often a standing register is read. Where it is
positive for no Q, the flow was not steady.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import numpy.typing as npt

from geoleak.record import Record

Floats = npt.NDArray[np.float64]

# Counts that a register must have moved before something certainly flows: after one it may have
# stood just below the next count. Follows from the rounding; no guess.
COUNTS_FOR_FLOW = 2
# A valve in the house line passes a little in this share of cases, and both sides leak at once in
# this one: common practice, no source.
VALVE_PASSES = 0.1
BOTH_SIDES = 0.05
# Stretch over which a logger's least flow is taken, and the hours in which people sleep: common
# practice, no source (night flow is read between 2 and 4, when least is drawn).
WINDOW_S = 3600.0
NIGHT_H = (1.0, 5.0)
# A steady flow never stands longer than one count takes; a drifting one hardly for three: common
# practice, no source.
STILL_COUNTS = 3
# More than a customer's meter passes (1,000 L/min); a slipped point or a wrong digit reads so:
# common practice, no source.
MOST_L_PER_S = 1000.0 / 60
_STEPS = 513


class Watch(Record, eq=False):
    """One run at the meter: a stretch in which nothing was changed.

    Attributes
    ----------
    time_s : ndarray, shape (n,)
        Seconds, rising.
    register_l : ndarray, shape (n,)
        What the register showed, in litres, rollovers undone; never falling.
    resolution_l : float
        One count.
    clock_s : float
        The step of the written times.
    local_hour : ndarray, shape (n,), optional
        Hour of the day, for the night's minimum.
    """

    run: str
    state: str
    time_s: Floats
    register_l: Floats
    resolution_l: float
    clock_s: float = 1.0
    local_hour: Floats | None = None


class Flow(Record, eq=False):
    """A flow in litres per second.

    ``upper_95`` is the flow that it stays below with 95 % chance. ``kind`` says what was seen:
    ``"steady"``; ``"still"`` (the register did not move); ``"drifting"`` (steady in each half, at
    another rate); ``"comes and goes"`` (stands still in between: a refill, or somebody at a tap);
    ``"varies"``. For the last three the flow is the least that ran throughout a window.
    """

    run: str
    state: str
    kind: Literal["steady", "still", "drifting", "comes and goes", "varies"]
    l_per_s: float
    sigma: float
    upper_95: float
    counts: int
    watched_s: float
    needed_s: float
    """How long to watch so that this flow (or, standing still, 0.1 gal/min) shows as two counts."""
    open_flow: Floats
    open_chance: Floats
    """Density of what the readings leave open, per (l/s), at ``open_flow``."""


def steady(watch: Watch) -> tuple[Floats, Floats] | None:
    """Return the flows that explain a run (m,) and their density per (l/s), or None.

    Raises
    ------
    ValueError
        For fewer than two readings, or a watch no longer than three steps of its clock.
    """
    time, register = watch.time_s - watch.time_s[0], watch.register_l - watch.register_l[0]
    if len(time) < 2:
        raise ValueError("a single reading tells no flow: read the register again later")
    if time[-1] <= 3 * watch.clock_s:
        to = "minute" if watch.clock_s == 60 else "second"
        raise ValueError(
            f"watched for {time[-1]:g} s only: with times to the {to} a flow needs more than "
            f"{3 * watch.clock_s:g} s from the first reading to the last"
        )

    def left(flow: float) -> float:
        rest = register - flow * time
        return float(watch.resolution_l + flow * watch.clock_s - rest.max() + rest.min())

    # |r_n - Q t_n| <= q + Q c bounds Q on both sides.
    rate = register[-1] / time[-1]
    reach = (watch.resolution_l + rate * watch.clock_s) / (time[-1] - watch.clock_s)
    low, high = max(0.0, rate - reach), rate + reach
    best = _highest(left, low, high)
    if left(best) <= 0:
        return None
    first = 0.0 if left(0.0) > 0 else _edge(left, best, low)
    flows = np.linspace(first, _edge(left, best, high + 1e-12), _STEPS)
    chance = np.array([max(0.0, left(float(flow))) for flow in flows])
    return flows, chance / np.trapezoid(chance, flows)


def _highest(left, low: float, high: float) -> float:  # type: ignore[no-untyped-def]
    """Return where a concave function is highest, by golden section."""
    golden = (math.sqrt(5) - 1) / 2
    for _ in range(80):
        a, b = high - golden * (high - low), low + golden * (high - low)
        if left(a) < left(b):
            low = a
        else:
            high = b
    return (low + high) / 2


def _edge(left, inside: float, outside: float) -> float:  # type: ignore[no-untyped-def]
    """Return where a function changes sign between two places, by halving."""
    for _ in range(60):
        middle = (inside + outside) / 2
        inside, outside = (middle, outside) if left(middle) > 0 else (inside, middle)
    return inside


def flow_of(watch: Watch) -> Flow:
    """Return what flowed in a run."""
    found = steady(watch)
    if found is not None:
        counts = round((watch.register_l[-1] - watch.register_l[0]) / watch.resolution_l)
        return _flow(watch, "steady" if counts else "still", *found)
    kind: Literal["drifting", "comes and goes", "varies"] = "varies"
    half = len(watch.time_s) // 2
    if _stands_still(watch):
        kind = "comes and goes"
    elif half >= 2 and len(watch.time_s) - half >= 2:
        parts = (_part(watch, slice(0, half + 1)), _part(watch, slice(half, None)))
        kind = "drifting" if all(steady(part) is not None for part in parts) else "varies"
    return _flow(watch, kind, *_least(watch))


def _part(watch: Watch, rows: slice) -> Watch:
    return Watch(
        watch.run, watch.state, watch.time_s[rows], watch.register_l[rows],
        watch.resolution_l, watch.clock_s,
        None if watch.local_hour is None else watch.local_hour[rows],
    )  # fmt: skip


def _stands_still(watch: Watch) -> bool:
    """Return whether the register once stood for as long as its mean flow needs for some counts."""
    time, register = watch.time_s, watch.register_l
    mean = (register[-1] - register[0]) / (time[-1] - time[0])
    first = np.flatnonzero(np.diff(register, prepend=-np.inf) > 0)
    last = np.concatenate([first[1:] - 1, [len(time) - 1]])
    still = time[last] - time[first] - watch.clock_s
    return bool(still.max() * mean > STILL_COUNTS * watch.resolution_l)


def _least(watch: Watch) -> tuple[Floats, Floats]:
    """Return the least flow over any window (at night, where a night was watched)."""
    time, register = watch.time_s, watch.register_l
    window = min(WINDOW_S, (time[-1] - time[0]) / 2)
    end = np.searchsorted(time, time + window)
    start = np.flatnonzero(end < len(time))
    if watch.local_hour is not None and time[-1] - time[0] > 86400.0:
        hour = watch.local_hour[start]
        night = start[(hour >= NIGHT_H[0]) & (hour <= NIGHT_H[1])]
        start = night if len(night) else start
    passed = register[end[start]] - register[start]
    took = time[end[start]] - time[start]
    k = int(np.argmin((passed + watch.resolution_l) / took))
    rows = slice(int(start[k]), int(end[start[k]]) + 1, max(1, int(end[start[k]] - start[k])))
    found = steady(_part(watch, rows))
    assert found is not None  # two readings always fit a straight line
    return found


def _flow(watch: Watch, kind: str, flows: Floats, chance: Floats) -> Flow:
    mean = float(np.trapezoid(flows * chance, flows))
    sigma = math.sqrt(max(0.0, float(np.trapezoid((flows - mean) ** 2 * chance, flows))))
    below = np.concatenate([[0.0], np.cumsum(np.diff(flows) * (chance[1:] + chance[:-1]) / 2)])
    watched = float(watch.time_s[-1] - watch.time_s[0])
    shown = mean if kind != "still" else SMALL_L_PER_S
    return Flow(
        run=watch.run,
        state=watch.state,
        kind=kind,  # type: ignore[arg-type]
        l_per_s=mean,
        sigma=sigma,
        upper_95=float(np.interp(0.95, below, flows)),
        counts=round((watch.register_l[-1] - watch.register_l[0]) / watch.resolution_l),
        watched_s=watched,
        needed_s=COUNTS_FOR_FLOW * watch.resolution_l / shown,
        open_flow=flows,
        open_chance=chance,
    )


# A tenth of a US gallon a minute, the smallest leak that a technician goes out for: common
# practice, no source.
SMALL_L_PER_S = 0.1 * 3.785411784 / 60

Verdict = Literal["leak", "none_seen", "cannot_tell"]


def judge(flow: Flow) -> Verdict:
    """Return whether a run with everything shut shows a leak.

    A still register that was watched too short for `SMALL_L_PER_S` to show tells nothing.
    """
    if flow.kind in ("steady", "drifting"):
        return "leak" if flow.counts >= COUNTS_FOR_FLOW else "cannot_tell"
    if flow.kind == "still":
        return "none_seen" if flow.upper_95 <= SMALL_L_PER_S else "cannot_tell"
    return "leak" if flow.open_flow[0] > 0 else "cannot_tell"


def sides(all_shut: Flow, house_shut: Flow) -> dict[str, float]:
    """Return the chance that the leak is before the house valve, beyond it, or on both sides.

    Before: the same flow in both runs. Beyond: nothing with the house valve shut, but for what a
    valve that does not close passes (`VALVE_PASSES`, any share of the flow). Both: any share. Even
    odds before and beyond; `BOTH_SIDES` for both.

    Parameters
    ----------
    all_shut, house_shut : Flow
        With every tap shut, and with the house valve shut besides.
    """
    flow = all_shut.open_flow
    weight = all_shut.open_chance
    at = np.interp(flow, house_shut.open_flow, house_shut.open_chance, left=0.0, right=0.0)
    # Any share of Q is left: the density of house_shut averaged over 0..Q.
    fine = np.linspace(0.0, 1.0, 257)
    under = np.interp(
        flow[:, None] * fine, house_shut.open_flow, house_shut.open_chance, left=0.0, right=0.0
    ).mean(axis=1)
    none = float(np.interp(0.0, house_shut.open_flow, house_shut.open_chance, left=0.0))
    each = (1 - BOTH_SIDES) / 2
    odds = {
        "before": each * float(np.trapezoid(weight * at, flow)),
        "beyond": each * ((1 - VALVE_PASSES) * none + VALVE_PASSES * _mean(weight, under, flow)),
        "both": BOTH_SIDES * _mean(weight, under, flow),
    }
    total = sum(odds.values())
    if total <= 0.0:
        return {"before": each, "beyond": each, "both": BOTH_SIDES}
    return {name: value / total for name, value in odds.items()}


def _mean(weight: Floats, values: Floats, flow: Floats) -> float:
    return float(np.trapezoid(weight * values, flow))


def undo_rollover(register: Sequence[float], *, digits: int | None, unit: float = 1.0) -> Floats:
    """Return register readings with one rollover of a register of `digits` undone.

    Raises
    ------
    ValueError
        Where the register falls and no rollover explains it; ``args[1]`` is the row.
    """
    values = np.asarray(register, dtype=float)
    falls = np.flatnonzero(np.diff(values) < 0)
    if not len(falls):
        return values
    if digits is None or len(falls) > 1:
        raise ValueError("the register runs backwards", int(falls[0]) + 1)
    span = 10.0**digits * unit
    at = int(falls[0]) + 1
    # Past a rollover the register was near its end and is near its start.
    if values[at - 1] < 0.9 * span or values[at] > 0.1 * span:
        raise ValueError("the register runs backwards", at)
    return np.concatenate([values[:at], values[at:] + span])
