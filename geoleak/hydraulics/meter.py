"""The meter test: what flows while everything is said to be shut, and how well that is known.

How large a leak that is: the hole that would pass it, and what pressure does to it.

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

import itertools
import math
from collections.abc import Sequence
from typing import Literal

import numpy as np

from geoleak.errors import SiteDataError
from geoleak.record import Floats, Record, replace
from geoleak.site import MeterRow, Note, Site
from geoleak.units import VOLUME_UNITS_L

Kind = Literal["steady", "still", "drifting", "comes and goes", "varies"]

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
    kind: Kind
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
    counts = round((watch.register_l[-1] - watch.register_l[0]) / watch.resolution_l)
    found, half = steady(watch), len(watch.time_s) // 2
    kind: Kind = "varies"
    if found is not None:
        kind = "steady" if counts else "still"
    elif _stands_still(watch):
        kind = "comes and goes"
    elif half >= 2 and len(watch.time_s) - half >= 2:
        parts = (_part(watch, slice(0, half + 1)), _part(watch, slice(half, None)))
        kind = "drifting" if all(steady(part) is not None for part in parts) else "varies"
    flows, chance = found or _least(watch)
    mean = float(np.trapezoid(flows * chance, flows))
    below = np.concatenate([[0.0], np.cumsum(np.diff(flows) * (chance[1:] + chance[:-1]) / 2)])
    shown = mean if kind != "still" else SMALL_L_PER_S
    return Flow(
        run=watch.run,
        state=watch.state,
        kind=kind,
        l_per_s=mean,
        sigma=math.sqrt(max(0.0, float(np.trapezoid((flows - mean) ** 2 * chance, flows)))),
        upper_95=float(np.interp(0.95, below, flows)),
        counts=counts,
        watched_s=float(watch.time_s[-1] - watch.time_s[0]),
        needed_s=COUNTS_FOR_FLOW * watch.resolution_l / shown,
        open_flow=flows,
        open_chance=chance,
    )


def _part(watch: Watch, rows: slice) -> Watch:
    return replace(watch, time_s=watch.time_s[rows], register_l=watch.register_l[rows])


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
    any_share = float(np.trapezoid(weight * under, flow))
    odds = {
        "before": each * float(np.trapezoid(weight * at, flow)),
        "beyond": each * ((1 - VALVE_PASSES) * none + VALVE_PASSES * any_share),
        "both": BOTH_SIDES * any_share,
    }
    total = sum(odds.values())
    if total <= 0.0:
        return {"before": each, "beyond": each, "both": BOTH_SIDES}
    return {name: value / total for name, value in odds.items()}


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


ALL_SHUT, HOUSE_SHUT, AFTER = "all shut", "house valve shut", "after"
CONTRADICTS = "meter_contradicts"
NAME_VALVE = 'say which point it is: house_valve = "<point id>" in [meter] of site.toml'
# A series this long without a stated state is a logger's: its nights tell.
LOGGER_S = 86400.0


class MeterTest(Record):
    """The runs of meter.csv, and what they say together.

    ``flow`` is that of the run that the verdict is told from, None where there is none.
    """

    verdict: Verdict
    flow: Flow | None
    runs: tuple[Flow, ...]
    sides: dict[str, float] | None
    warnings: tuple[Note, ...]
    unit: str


def meter_test(site: Site) -> MeterTest:
    """Return what the meter's runs say.

    Raises
    ------
    SiteDataError
        Where meter.csv holds no run that can be told.
    """
    notes: list[Note] = []
    runs: list[Flow] = []
    for watch in _watches(site, notes):
        try:
            runs.append(flow_of(watch))
        except ValueError as error:
            notes.append(Note("meter_run", f'run "{watch.run}" of meter.csv: {error}'))
    if not runs:
        short = "; ".join(note.text for note in notes if note.code == "meter_run")
        raise SiteDataError(short or "meter.csv holds no reading")
    shut = [each for each in runs if each.state == ALL_SHUT and each.run != AFTER]
    logged = [each for each in runs if not each.state and each.watched_s >= LOGGER_S]
    told = max(shut or logged, key=lambda each: each.watched_s, default=None)
    verdict: Verdict = judge(told) if told is not None else "cannot_tell"
    house_runs = [each for each in runs if each.state == HOUSE_SHUT and each.run != AFTER]
    house = next(iter(house_runs), None)
    if clash := _contradiction(shut):
        told, verdict = clash[0], "cannot_tell"
        notes.append(_contradicts(site, CONTRADICTS, *clash))
    if clash := _contradiction(house_runs):
        house = None
        notes.append(_contradicts(site, "house_valve_contradicts", *clash))
    if told is None and not any(note.code == "meter_run" for note in notes):
        text = 'no run of meter.csv is "all shut": with a tap open a flow tells nothing of a leak'
        notes.append(Note("meter_state", text))
    if house and site.metering.house_valve is None:
        row = next(row for row in site.meter if row.run == house.run)
        what = f'run "{house.run}", {HOUSE_SHUT}, moves no odds: no point is said to be that valve'
        notes.append(Note("house_valve_unnamed", what, row.origin, NAME_VALVE))
    return MeterTest(
        verdict=verdict,
        flow=told,
        runs=tuple(runs),
        sides=sides(told, house) if told and house and verdict == "leak" else None,
        warnings=tuple(notes),
        unit=site.meter[0].unit,
    )


def _contradiction(runs: list[Flow]) -> tuple[Flow, Flow] | None:
    """Return a run that flows and one that stands still, where no one flow explains both."""
    told = [(each, judge(each)) for each in runs]
    flows = [each for each, verdict in told if verdict == "leak"]
    still = [each for each, verdict in told if verdict == "none_seen"]
    return next(((a, b) for a in flows for b in still if a.open_flow[0] > b.open_flow[-1]), None)


def _contradicts(site: Site, code: str, flows: Flow, still: Flow) -> Note:
    told = []
    for each in (flows, still):
        rows = sorted(row.origin for row in site.meter if row.run == each.run)
        told.append((f'run "{each.run}" (lines {rows[0].line} to {rows[-1].line})', rows[0]))
    text = (
        f"the meter contradicts itself, {flows.state}: it turns in {told[0][0]} and stands still "
        f"in {told[1][0]}"
    )
    remedy = (
        "watch the meter once more with everything shut and nothing drawn (a cistern, a softener); "
        f'strike out (skip) the run that was wrong, or call one after a repair "{AFTER}"'
    )
    return Note(code, text, told[1][1], remedy)


def repaired(site: Site) -> bool | None:
    """Return whether a run called "after" proves the repair; None without one that tells."""
    verdicts = {judge(flow_of(each)) for each in _watches(site, []) if each.run == AFTER}
    return None if verdicts <= {"cannot_tell"} else "leak" not in verdicts


def _watches(site: Site, notes: list[Note]) -> list[Watch]:
    rows = sorted(site.meter, key=lambda row: (row.run, row.time))
    runs = itertools.groupby(rows, key=lambda row: row.run)
    watches = [_watch(list(run), site, notes) for _, run in runs]
    return [each for each in watches if each is not None]


def _watch(rows: list[MeterRow], site: Site, notes: list[Note]) -> Watch | None:
    """Return one run; None, and a question, where no meter passes what its rows say."""
    unit_l = VOLUME_UNITS_L[rows[0].unit]
    start = rows[0].time
    time = np.array([(row.time - start).total_seconds() for row in rows])
    register = undo_rollover([row.reading for row in rows], digits=site.metering.digits) * unit_l
    keep = np.concatenate([np.diff(time) > 0, [True]])
    if not keep.all():
        text = (
            f"{int((~keep).sum())} readings stand at the time of another: the last of each counts"
        )
        notes.append(Note("meter_same_time", text, rows[int(np.argmin(keep))].origin))
    # A time written to the minute is up to a minute early.
    to_the_minute = all(row.time.second == 0 and row.time.microsecond == 0 for row in rows)
    hour = np.array([row.time.hour + row.time.minute / 60 for row in rows])
    resolution = site.metering.resolution or max(row.step for row in rows)
    state = next((row.state for row in rows if row.state), "")
    watch = Watch(
        run=AFTER if AFTER in (state, rows[0].run.casefold()) else rows[0].run,
        state=state,
        time_s=time[keep],
        register_l=register[keep],
        resolution_l=resolution * unit_l,
        clock_s=60.0 if to_the_minute else 1.0,
        local_hour=hour[keep],
    )
    # The least that the counts and the clock leave.
    passed = np.diff(watch.register_l) - watch.resolution_l
    fast = np.flatnonzero(passed > MOST_L_PER_S * (np.diff(watch.time_s) + watch.clock_s))
    if not len(fast):
        return watch
    row = rows[int(np.flatnonzero(keep)[fast[0] + 1])]
    text = (
        f'run "{watch.run}" of meter.csv does not count: up to {row.reading:.12g} {row.unit} at '
        f"{row.time:%H:%M} it rises faster than a customer's meter turns "
        f"({60 * MOST_L_PER_S:,.0f} L/min): is the point or a digit of this row or the one before "
        "wrong?"
    )
    notes.append(Note("meter_run", text, row.origin))
    return None


WATER_KG_PER_M3 = 1000.0
# Discharge coefficient of a small round hole. Public leak charts imply 0.616 to 0.625.
DISCHARGE = 0.62
# Exponent N1 of flow with pressure (FAVAD): a fixed hole 0.5, a split that opens 1.5. By pipe kind:
# range 0.5 to 1.5 from memory; middle and spread by kind common practice, no source.
PRESSURE_EXPONENT = {"metal": (0.7, 0.2), "cement": (0.9, 0.2), "plastic": (1.1, 0.3)}
ANY_EXPONENT = (1.0, 0.3)


def orifice_l_per_s(
    diameter_m: float, pressure_kpa: float, *, discharge: float = DISCHARGE
) -> float:
    """Return the flow through a round hole into the open, Cd A sqrt(2 p / rho)."""
    speed = math.sqrt(2e3 * pressure_kpa / WATER_KG_PER_M3)
    return 1e3 * discharge * math.pi / 4 * diameter_m**2 * speed


def equivalent_hole_m(flow_l_per_s: float, pressure_kpa: float) -> float:
    """Return the diameter in metres of the round hole that passes a flow at a pressure.

    Raises
    ------
    ValueError
        Without pressure nothing flows.
    """
    if pressure_kpa <= 0 or flow_l_per_s < 0:
        raise ValueError(f"no hole passes {flow_l_per_s} l/s at {pressure_kpa} kPa")
    return math.sqrt(flow_l_per_s / orifice_l_per_s(1.0, pressure_kpa))


def hole_mm(diameter_m: float) -> str:
    """Return a hole in tenths of a millimetre as it is said, "under 0.1 mm" for a finer one."""
    return "under 0.1 mm" if diameter_m < 1e-4 else f"{1e3 * diameter_m:.1f} mm"


def at_pressure(flow_l_per_s: float, from_kpa: float, to_kpa: float, *, exponent: float) -> float:
    """Return a leak's flow at another pressure, Q (p2 / p1) ** N1 (FAVAD)."""
    return flow_l_per_s * (to_kpa / from_kpa) ** exponent
