"""Which part of the network holds the leak: shut-off tests, and the meter with a valve shut.

With the valves shut, each place is either still fed from the supply or cut off. A flow that stops
puts the leak in the part cut off, a flow that stays puts it in the part still fed; a valve may
pass, a count may be misread, and a second leak splits the flow, each with a stated chance.
"""

from __future__ import annotations

from typing import Literal

import numpy as np

from geoleak.evidence.base import Belief, Candidates, Evidence, Hint, KindFit
from geoleak.record import Bools, Floats, Ints
from geoleak.site import Codes, Isolation, Note
from geoleak.survey import PipePlace, Survey, SurveyedIsolation
from geoleak.tables import fitting_of, setting

Outcome = Literal["stopped", "slower", "same"]

# A valve that stands on a tee is taken to be this far along its own leg.
BESIDE_M = 0.01
STOPPED_UNDER, SAME_OVER = 0.1, 0.9
PRESSURE_HELD_KPA = 5.0
# Below this chance of the place's side meter and readings contradict: common practice, no source.
AGAINST = 0.1


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


def chance(outcome: Outcome | None, *, cut_off: bool) -> float:
    """Return the chance of an outcome for a leak in the part cut off, or in the part still fed."""
    misread, second = setting("isolation_misread").value, setting("second_leak_flow").value
    if cut_off:
        table = {"same": misread, "slower": setting("valve_passes").value + second}
    else:
        table = {"stopped": misread, "slower": second}
    return table.get(str(outcome), 1.0 - sum(table.values()))


class Parts:
    """The network cut at its valves: which pieces of pipe still hang together."""

    def __init__(self, survey: Survey, valves: tuple[PipePlace, ...]) -> None:
        joints = survey.network.joints
        ends = [((j.leg_a, j.chainage_a_m), (j.leg_b, j.chainage_b_m)) for j in joints]
        ends += [
            ((each.number, 0.0), (each.number, each.route.length_m))
            for each in survey.legs
            if each.route.is_closed
        ]
        at_joints = {place for both in ends for place in both}
        cuts = [[at for leg, at in at_joints if leg == each.number] for each in survey.legs]
        for valve in valves:
            at, length = valve.chainage_m, survey.legs[valve.leg].route.length_m
            if any(leg == valve.leg and abs(c - at) < BESIDE_M for leg, c in at_joints):
                at += BESIDE_M if at < length - BESIDE_M else -BESIDE_M
            cuts[valve.leg].append(at)
        self.breaks = [np.unique(each) for each in cuts]
        self.first = np.cumsum([0, *(len(each) + 1 for each in self.breaks)])
        self.part = np.arange(self.first[-1])
        for both in ends:
            sides = [self._piece(leg, at) + k for leg, at in both for k in (0, 1)]
            names = self.part[sides]
            self.part[np.isin(self.part, names)] = names.min()

    def _piece(self, leg: int, chainage_m: float | Floats) -> Ints:
        return self.first[leg] + np.searchsorted(self.breaks[leg], chainage_m)

    def of(self, leg: Ints, chainage_m: Floats) -> Ints:
        """Return the number of the part that each place is in."""
        out = np.empty(len(leg), dtype=np.int64)
        for number in np.unique(leg):
            rows = leg == number
            out[rows] = self.part[self._piece(number, chainage_m[rows])]
        return out

    def cut_off(self, supply: PipePlace, places: Candidates) -> Bools:
        """Tell which places are cut off from where water enters."""
        fed = self.of(np.array([supply.leg]), np.array([supply.chainage_m]))[0]
        return np.asarray(self.of(places.leg, places.chainage_m) != fed)


class IsolationEvidence(Evidence):
    """All shut-off tests of one survey that have an outcome."""

    kind = "isolation"

    def __init__(self, survey: Survey) -> None:
        self.survey = survey
        self.tests = tuple(
            i for i in survey.isolations if i.valves and outcome_of(i.isolation) is not None
        )
        self.rows = len(self.tests)

    def _supply(self, test: SurveyedIsolation) -> PipePlace:
        return test.supply or supply_of(self.survey)[0]

    def judge(self, places: Candidates) -> tuple[Floats, float]:
        """Judge every place by the part it is in; elsewhere may hang on either.

        It hangs on the same side whenever the same valves are shut.
        """
        on_pipe = np.zeros(len(places))
        sides: dict[tuple[frozenset[PipePlace], PipePlace], Floats] = {}
        for test in self.tests:
            on_pipe += np.log(self._chances(test, places))
            same = (frozenset(test.valves), self._supply(test))
            sides[same] = sides.get(same, np.ones(2)) * _both(test)
        return on_pipe, sum(float(np.log(either.mean())) for either in sides.values())

    def _chances(self, test: SurveyedIsolation, places: Candidates) -> Floats:
        """Return the chance of a test's outcome for a leak at every place, shape (k,)."""
        cut = Parts(self.survey, test.valves).cut_off(self._supply(test), places)
        inside, outside = _both(test)
        return np.where(cut, inside, outside)

    def hints(self) -> tuple[Hint, ...]:
        """Return the valves: cells beside them are short."""
        return tuple(_about(valve) for test in self.tests for valve in test.valves)

    def fit(self, belief: Belief, places: Candidates, mass: Floats) -> KindFit:
        """Tell whether one leak explains every test: at each place the least likely one counts.

        Two tests that rule each other out are each right for half the places; no place is right
        for both.
        """
        likely = np.array([self._chances(test, belief.places) for test in self.tests])
        worst = float(likely.min(axis=0).mean())
        # A flow that only dropped is explained by a second leak; what is less likely is not.
        if worst >= 0.99 * setting("second_leak_flow").value:
            noun = "shut-off test agrees" if self.rows == 1 else "shut-off tests agree"
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
                at = supply_of(self.survey)[1]
                text = f"isolation {row.id}: no supply stated; water is taken to enter at {at}"
                found.append(Note("supply_assumed", text, row.origin))
            if outcome_of(row) == "slower":
                text = (
                    f"isolation {row.id}: the flow fell but did not stop: "
                    "two leaks, or a valve that passes"
                )
                found.append(Note("flow_split", text, row.origin))
        return tuple(found)


def supply_of(survey: Survey) -> tuple[PipePlace, str]:
    """Return where water enters where nobody states it, and what that is.

    The only meter on file, whichever way the leg was traced; else the start of the leg that joins
    no other.
    """
    meters = [
        PipePlace(each.leg or 0, each.chainage_m or 0.0)
        for each in survey.fittings
        if fitting_of(Codes.line_work(each.point.code)[0])[0] == "meter"
    ]
    if len(meters) == 1:
        return meters[0], "the meter"
    leg = next((each for each in survey.legs if each.leg.joins is None), survey.legs[0])
    return PipePlace(leg.number, 0.0), f"the start of {leg.name}"


def _both(test: SurveyedIsolation) -> Floats:
    """Return the chance of a test's outcome for a leak cut off, and for one still fed."""
    return np.array([chance(outcome_of(test.isolation), cut_off=cut) for cut in (True, False)])


def _about(valve: PipePlace) -> Hint:
    return Hint(valve.leg, valve.chainage_m - 0.5, valve.chainage_m + 0.5, 0.1)


class MeterEvidence(Evidence):
    """The two runs of one survey: the odds of a leak before and beyond the house valve.

    A leak on both sides is told of by neither; it is as likely from any place.
    """

    kind = "meter"
    rows = 1

    def __init__(self, survey: Survey, valve: PipePlace, sides: dict[str, float]) -> None:
        self.valve = valve
        self.supply, self.enters = supply_of(survey)
        self.parts = Parts(survey, (valve,))
        self.both = sides["both"]
        # Both sides leaking, the sound is of either.
        self.before = sides["before"] + 0.5 * sides["both"]
        self.beyond = sides["beyond"] + 0.5 * sides["both"]

    @classmethod
    def of(cls, survey: Survey) -> MeterEvidence | None:
        """Return what the runs tell of the side; None where they tell nothing of it."""
        valve, sides = survey.house_valve, survey.meter.sides if survey.meter else None
        return None if valve is None or sides is None else cls(survey, valve, sides)

    def _chances(self, places: Candidates) -> Floats:
        beyond = self.parts.cut_off(self.supply, places)
        return np.where(beyond, self.beyond, self.before)

    def judge(self, places: Candidates) -> tuple[Floats, float]:
        """Judge every place by its side; elsewhere may hang on either."""
        return np.log(self._chances(places)), float(np.log(0.5 * (self.before + self.beyond)))

    def hints(self) -> tuple[Hint, ...]:
        """Return the valve: cells beside it are short."""
        return (_about(self.valve),)

    def notes(self) -> tuple[Note, ...]:
        """Return where water is taken to enter, where no meter is on file."""
        text = f"no meter is on file as a fitting: water is taken to enter at {self.enters}"
        return () if self.enters == "the meter" else (Note("supply_assumed", text),)

    def fit(self, belief: Belief, places: Candidates, mass: Floats) -> KindFit:
        """Tell whether the place is on the side that the meter names."""
        mean = float(self._chances(belief.places).mean())
        agrees = mean >= AGAINST
        side = "beyond" if self.beyond > self.before else "before"
        text, redo, against = f"the meter says {side} the house valve", "", mean < 0.5
        if not agrees:
            text += ": the readings point to the other side"
            redo = (
                "shut the house valve again and watch the meter; where it says the same, listen "
                f"{side} the house valve"
            )
        elif against:
            text += f", or on both sides ({self.both:.0%}): then another leak is {side} it"
        return KindFit(self.kind, 1, mean, text, agrees, redo, against)
