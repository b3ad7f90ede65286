"""Shut-off tests: which part of the network holds the leak.

With the valves shut, each place is either still fed from the supply or cut off. A flow that stops
puts the leak in the part cut off, a flow that stays puts it in the part still fed; a valve may
pass, a count may be misread, and a second leak splits the flow, each with a stated chance.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from geoleak.evidence.base import Belief, Candidates, Evidence, Hint, Judged, KindFit, Nodes
from geoleak.record import Bools, Floats, Ints
from geoleak.site import Isolation, Note
from geoleak.survey import PipePlace, Survey, SurveyedIsolation
from geoleak.tables import setting

Outcome = Literal["stopped", "slower", "same"]

# A valve that stands on a tee is taken to be this far along its own leg.
BESIDE_M = 0.01
STOPPED_UNDER, SAME_OVER = 0.1, 0.9
PRESSURE_HELD_KPA = 5.0


def gather(survey: Survey) -> Evidence | None:
    """Return the shut-off tests of a survey as evidence; None where none says anything."""
    told = [i for i in survey.isolations if i.valves and outcome_of(i.isolation) is not None]
    return IsolationEvidence(survey, tuple(told)) if told else None


def outcome_of(row: Isolation) -> Outcome | None:
    """Return what a test showed: as stated, else from the flows, else from the pressures.

    A pressure is of the part cut off: it falls where the leak is in there.
    """
    if row.result is not None:
        return row.result
    before, after = row.flow_before_l_per_s, row.flow_after_l_per_s
    if before is not None and after is not None and before > 0:
        ratio = after / before
        if ratio < STOPPED_UNDER:
            return "stopped"
        return "same" if ratio > SAME_OVER else "slower"
    high, low = row.pressure_before_kpa, row.pressure_after_kpa
    if high is not None and low is not None:
        return "stopped" if high - low > max(PRESSURE_HELD_KPA, 0.1 * high) else "same"
    return None


def chance(outcome: Outcome, *, cut_off: bool) -> float:
    """Return the chance of an outcome for a leak in the part cut off, or in the part still fed."""
    passing = setting("valve_passes").value
    misread = setting("isolation_misread").value
    second = setting("second_leak_flow").value
    if cut_off:
        table = {"same": misread, "slower": passing + second}
        table["stopped"] = 1.0 - sum(table.values())
    else:
        table = {"stopped": misread, "slower": second}
        table["same"] = 1.0 - sum(table.values())
    return table[outcome]


class Parts:
    """The network cut at its valves: which pieces of pipe still hang together."""

    def __init__(self, survey: Survey, valves: tuple[PipePlace, ...]) -> None:
        self.breaks: list[Floats] = []
        self.first: list[int] = []
        cuts: list[list[float]] = [[] for _ in survey.legs]
        joints = survey.network.joints
        ends = [(j.leg_a, j.chainage_a_m, j.leg_b, j.chainage_b_m) for j in joints]
        ends += [
            (each.number, 0.0, each.number, each.route.length_m)
            for each in survey.legs
            if each.route.is_closed
        ]
        at_joints = {(leg, c) for a, ca, b, cb in ends for leg, c in ((a, ca), (b, cb))}
        for leg, c in at_joints:
            cuts[leg].append(c)
        for valve in valves:
            length = survey.legs[valve.leg].route.length_m
            cuts[valve.leg].append(_beside(valve, at_joints, length))
        count = 0
        for number in range(len(survey.legs)):
            self.breaks.append(np.unique(cuts[number]))
            self.first.append(count)
            count += len(self.breaks[number]) + 1
        self.part = np.arange(count)
        for leg_a, ca, leg_b, cb in ends:
            self._join([*self._sides(leg_a, ca), *self._sides(leg_b, cb)])

    def _sides(self, leg: int, chainage_m: float) -> tuple[int, int]:
        i = int(np.searchsorted(self.breaks[leg], chainage_m))
        return self.first[leg] + i, self.first[leg] + i + 1

    def _join(self, pieces: list[int]) -> None:
        names = self.part[pieces]
        self.part[np.isin(self.part, names)] = names.min()

    def of(self, leg: Ints, chainage_m: Floats) -> Ints:
        """Return the number of the part that each place is in."""
        out = np.empty(len(leg), dtype=np.int64)
        for number in np.unique(leg):
            rows = leg == number
            i = np.searchsorted(self.breaks[number], chainage_m[rows])
            out[rows] = self.part[self.first[number] + i]
        return out


def _beside(valve: PipePlace, at_joints: set[tuple[int, float]], length_m: float) -> float:
    near = [c for leg, c in at_joints if leg == valve.leg and abs(c - valve.chainage_m) < BESIDE_M]
    if not near:
        return valve.chainage_m
    return valve.chainage_m + (BESIDE_M if valve.chainage_m < length_m - BESIDE_M else -BESIDE_M)


class IsolationEvidence:
    """All shut-off tests of one survey; each has an outcome."""

    kind = "isolation"
    tells_of: Literal["sound", "leak"] = "leak"
    nuisances: tuple[str, ...] = ()

    def __init__(self, survey: Survey, tests: tuple[SurveyedIsolation, ...]) -> None:
        self.survey = survey
        self.tests = tests
        self.rows = len(tests)

    def _supply(self, test: SurveyedIsolation) -> PipePlace:
        """Return where water enters: as stated, else the start of the leg that joins no other."""
        if test.supply is not None:
            return test.supply
        first = next((each for each in self.survey.legs if each.leg.joins is None), None)
        return PipePlace(0 if first is None else first.number, 0.0)

    def cut_off(self, test: SurveyedIsolation, places: Candidates) -> Bools:
        """Tell which places a test cuts off from the supply."""
        parts = Parts(self.survey, test.valves)
        supply = self._supply(test)
        fed = parts.of(np.array([supply.leg]), np.array([supply.chainage_m]))[0]
        cut: Bools = parts.of(places.leg, places.chainage_m) != fed
        return cut

    def log_likelihood(self, places: Candidates, nodes: Nodes) -> Judged:
        """Judge every place by the part it is in; elsewhere may hang on either.

        It hangs on the same side whenever the same valves are shut.
        """
        on_pipe = np.zeros(len(places))
        sides: dict[tuple[frozenset[PipePlace], PipePlace], Floats] = {}
        for test in self.tests:
            on_pipe += np.log(self._chances(test, places))
            same = (frozenset(test.valves), self._supply(test))
            sides[same] = sides.get(same, np.ones(2)) * _both(test)
        elsewhere = sum(float(np.log(either.mean())) for either in sides.values())
        return Judged(on_pipe[None, :], np.array([elsewhere]))

    def _chances(self, test: SurveyedIsolation, places: Candidates) -> Floats:
        """Return the chance of a test's outcome for a leak at every place, shape (k,)."""
        inside, outside = _both(test)
        return np.where(self.cut_off(test, places), inside, outside)

    def hints(self) -> tuple[Hint, ...]:
        """Return the valves: cells beside them are short."""
        return tuple(
            Hint(valve.leg, valve.chainage_m - 0.5, valve.chainage_m + 0.5, 0.1)
            for test in self.tests
            for valve in test.valves
        )

    def fit(self, belief: Belief, rng: np.random.Generator) -> KindFit:
        """Tell whether one leak explains every test: at each place the least likely one counts.

        Two tests that rule each other out are each right for half the places; no place is right
        for both.
        """
        likely = np.array([self._chances(test, belief.places) for test in self.tests])
        worst = float(likely.min(axis=0).mean())
        # A flow that only dropped is explained by a second leak; what is less likely is not.
        agrees = worst >= 0.99 * setting("second_leak_flow").value
        noun = "shut-off test agrees" if self.rows == 1 else "shut-off tests agree"
        if agrees:
            return KindFit(self.kind, self.rows, worst, f"{self.rows} {noun} with one leak", True)
        row = self.tests[int(np.argmin(likely.mean(axis=1)))].isolation
        text = (
            f"shut-off test {row.id} contradicts the rest: a valve that passes, a second leak, "
            "or a misread meter"
        )
        redo = f"shut {', '.join(row.valves)} again and read the flow (isolations.csv: {row.id})"
        return KindFit(self.kind, self.rows, worst, text, False, redo)

    def notes(self) -> tuple[Note, ...]:
        """Return assumed supplies, and flows that only dropped."""
        found = []
        for test in self.tests:
            row = test.isolation
            if test.supply is None:
                leg = self.survey.legs[self._supply(test).leg].name
                text = (
                    f"isolation {row.id}: no supply stated; "
                    f"water is taken to enter at the start of {leg}"
                )
                found.append(Note("supply_assumed", text, row.origin))
            if outcome_of(row) == "slower":
                text = (
                    f"isolation {row.id}: the flow fell but did not stop: "
                    "two leaks, or a valve that passes"
                )
                found.append(Note("flow_split", text, row.origin))
        return tuple(found)


def _both(test: SurveyedIsolation) -> Floats:
    """Return the chance of a test's outcome for a leak cut off, and for one still fed."""
    outcome = outcome_of(test.isolation)
    if outcome is None:
        return np.ones(2)
    return np.array([chance(outcome, cut_off=cut) for cut in (True, False)])
