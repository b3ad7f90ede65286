"""The runs of meter.csv, and what they say together."""

from __future__ import annotations

import itertools

import numpy as np

from geoleak.errors import SiteDataError
from geoleak.hydraulics.meter import (
    MOST_L_PER_S,
    Flow,
    Verdict,
    Watch,
    flow_of,
    judge,
    sides,
    undo_rollover,
)
from geoleak.record import Record
from geoleak.site import MeterRow, Note, Site
from geoleak.units import VOLUME_UNITS_L

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
    runs = [flow for watch in _watches(site, notes) if (flow := _told(watch, notes)) is not None]
    if not runs:
        short = "; ".join(note.text for note in notes if note.code == "meter_run")
        raise SiteDataError(short or "meter.csv holds no reading")
    shut = [each for each in runs if each.state == ALL_SHUT and each.run != AFTER]
    logged = [each for each in runs if not each.state and each.watched_s >= LOGGER_S]
    told = max(shut or logged, key=lambda each: each.watched_s, default=None)
    verdict: Verdict = judge(told) if told is not None else "cannot_tell"
    house_runs = [each for each in runs if each.state == HOUSE_SHUT and each.run != AFTER]
    house = house_runs[0] if house_runs else None
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
    after = [flow_of(watch) for watch in _watches(site, []) if watch.run == AFTER]
    verdicts = {judge(each) for each in after}
    return None if verdicts <= {"cannot_tell"} else "leak" not in verdicts


def _watches(site: Site, notes: list[Note]) -> list[Watch]:
    rows = sorted(site.meter, key=lambda row: row.run)
    watches = (
        _watch(sorted(run, key=lambda row: row.time), site, notes)
        for _, run in itertools.groupby(rows, key=lambda row: row.run)
    )
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


def _told(watch: Watch, notes: list[Note]) -> Flow | None:
    try:
        return flow_of(watch)
    except ValueError as error:
        notes.append(Note("meter_run", f'run "{watch.run}" of meter.csv: {error}'))
        return None
