"""From a `Site` to a `Survey`: points projected, legs fitted, readings snapped."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
from msgspec import Struct

from geoleak.crs import Frame
from geoleak.errors import InputError, Origin, SiteDataError
from geoleak.hydraulics import MeterTest, meter_test
from geoleak.network import Network
from geoleak.record import Record, replace
from geoleak.site import (
    NOWHERE,
    Delay,
    Hole,
    Isolation,
    Leg,
    Note,
    PastLeak,
    Place,
    Sighting,
    Site,
)
from geoleak.survey.legs import fit_legs, scatter_note, unstated_scatter_m
from geoleak.survey.levels import delay_of, gather_levels, stop_levels
from geoleak.survey.mains import DrawnMains, drawn_in_site_crs, join_legs
from geoleak.survey.places import PlaceFinder, Resolved
from geoleak.survey.points import frame_of, places_of, used_points
from geoleak.survey.records import (
    Levels,
    PipePlace,
    Survey,
    SurveyedDelay,
    SurveyedHole,
    SurveyedIsolation,
    SurveyedLeg,
    SurveyedPastLeak,
    SurveyedPoint,
    SurveyedSighting,
    SurveyedStop,
)
from geoleak.units import format_length, unit_m

# A delay whose row states no sigma: half a millisecond, about what a screen's cursor resolves
# (common practice, no source).
DELAY_SIGMA_S = 0.0005
# Two sensors nearer to one another than this stand at one place: nothing can be timed.
SENSORS_APART_M = 0.15
# What a screen showed is corrected in words where the traced pipe moves it by more than this.
SHOWN_SAID_M = 0.15
# Water that surfaces this far from every leg is from something else, or its place is mistyped.
FAR_M = 100.0
# A leak this near to the end of a dry hole may lie just past it.
EDGE_M = 0.01


class Ground(Record, eq=False):
    """What of a site stays while readings come in: points placed, legs fitted and joined."""

    frame: Frame
    legs_as_stated: tuple[Leg, ...]
    points: Mapping[str, SurveyedPoint]
    legs: tuple[SurveyedLeg, ...]
    network: Network
    notes: tuple[Note, ...]


def ground_of(site: Site) -> Ground:
    """Return the ground of a site.

    Raises
    ------
    InputError, SiteDataError
        As `survey_site`.
    """
    drawn = drawn_in_site_crs(site) if not len(site.points) else None
    frame = frame_of(site, drawn=drawn)
    bare, tape_notes = used_points(site, frame)
    mains, site, mains_notes = _mains(site, frame, bare)
    legs, leg_notes, on_drawing = fit_legs(site, bare, mains)
    scatter_m = unstated_scatter_m(site, legs)
    if scatter_m is not None:
        bare = {k: replace(p, sigma_m=max(p.sigma_m, scatter_m)) for k, p in bare.items()}
        legs, leg_notes, on_drawing = fit_legs(site, bare, mains)
        leg_notes.append(scatter_note(site, scatter_m))
    network, join_notes = join_legs(site, legs, on_drawing, bare, mains)
    notes = (*frame.warnings, *tape_notes, *mains_notes, *leg_notes, *join_notes)
    return Ground(frame, site.legs, bare, legs, network, notes)


def survey_site(site: Site, *, ground: Ground | None = None) -> Survey:
    """Return the survey of a site.

    Parameters
    ----------
    site : Site
    ground : Ground, optional
        That of a site alike but for what its sheets of readings, delays, checks, shut-off tests,
        sightings and holes say.

    Raises
    ------
    InputError
        With every place that cannot be found and every reading beyond the gate.
    SiteDataError
        Where the points or the marks of a leg allow no route.
    """
    ground = ground or ground_of(site)
    site = replace(site, legs=ground.legs_as_stated)
    frame, legs, network, bare = ground.frame, ground.legs, ground.network, ground.points
    finder = PlaceFinder(frame=frame, legs=legs, points=bare, length_unit=site.length_unit)
    points = _place_points(site, bare, finder)
    finder.points = points
    finder.prepare(places_of(site))
    scattered = any(note.code == "precision_by_scatter" for note in ground.notes)
    stated = [n for n in site.notes if not (scattered and n.code == "precision_assumed")]
    notes = [*stated, *ground.notes]
    builder = _Builder(site, finder, notes, network)
    survey = Survey(
        site=site,
        frame=frame,
        legs=legs,
        network=network,
        points=tuple(points.values()),
        **{kind: builder.levels(kind) for kind in ("surface", "contact", "gas", "bar_hole", "rod")},
        delays=builder.delays(),
        isolations=builder.isolations(),
        sightings=builder.sightings(),
        holes=builder.holes(),
        past_leaks=builder.past_leaks(),
        house_valve=builder.house_valve(),
        stops=builder.stops(),
        meter=_meter(site, notes),
        warnings=tuple(dict.fromkeys(notes)),
    )
    if finder.complaints:
        raise InputError(sorted(finder.complaints, key=lambda each: each.origin))
    return survey


def _meter(site: Site, notes: list[Note]) -> MeterTest | None:
    """Return what the meter's runs say; where they cannot tell, that is noted."""
    if not site.meter:
        return None
    try:
        test = meter_test(site)
    except SiteDataError as error:
        notes.append(Note("meter_cannot_tell", str(error), site.meter[0].origin))
        return None
    notes.extend(test.warnings)
    if test.verdict == "cannot_tell" and test.flow is not None:
        text = "the meter cannot tell whether anything leaks: see what geoleak meter says of it"
        notes.append(Note("meter_cannot_tell", text, site.meter[0].origin))
    return test


def _mains(
    site: Site, frame: Frame, points: Mapping[str, SurveyedPoint]
) -> tuple[DrawnMains | None, Site, list[Note]]:
    """Return the drawn mains, and the site with the legs that correct them."""
    if site.network is None:
        return None, site, []
    mains = DrawnMains(site, frame, site.network)
    legs, matched = mains.matched(site.legs, points)
    return mains, replace(site, legs=legs), [*mains.notes, *mains.far_note(points), *matched]


def _place_points(
    site: Site, bare: Mapping[str, SurveyedPoint], finder: PlaceFinder
) -> dict[str, SurveyedPoint]:
    """Put marks, fittings and ends of legs on the pipe, where they stand within the gate."""
    leads = {each.point: each.lead_m for each in site.fittings}
    ends = {name for leg in site.legs for name in (leg.start, leg.end, leg.joins_at) if name}
    marks = {name: k for k, leg in enumerate(site.legs) for name in leg.mark_ids}
    on_pipe: dict[int | None, list[SurveyedPoint]] = {}
    for name, each in bare.items():
        if name in marks:
            on_pipe.setdefault(marks[name], []).append(each)
        elif each.kind == "fitting" or name in ends or name in leads:
            on_pipe.setdefault(None, []).append(each)
    at: dict[str, Resolved] = {}
    for leg, held in on_pipe.items():
        places = np.array([(each.easting_m, each.northing_m) for each in held])
        snapped = finder.snap_many(places) if leg is None else finder.snap_to_leg(places, leg)
        at |= {each.point.id: found for each, found in zip(held, snapped, strict=True)}
    placed = dict(bare)
    for name, found in at.items():
        lead = leads.get(name, 0.0)
        if name not in marks and found.distance_m > site.levels.gate_m + lead:
            placed[name] = replace(bare[name], leg=None, lead_m=lead)
            continue
        place = {k: getattr(found, k) for k in ("leg", "chainage_m", "offset_m")}
        placed[name] = replace(bare[name], lead_m=lead, **place)
    return placed


class _Builder(Struct):
    """Puts the rows of each sheet on the pipe; complaints gather in the finder."""

    site: Site
    finder: PlaceFinder
    notes: list[Note]
    network: Network

    def levels(self, kind: str) -> Levels:
        """Return the readings of one kind."""
        gathered, notes = gather_levels(kind, self.site, self.finder)
        self.notes.extend(notes)
        return gathered

    def _length(self, metres: float) -> str:
        return format_length(metres, unit=self.site.length_unit)

    def _pipe_place(self, place: Place, origin: Origin) -> PipePlace | None:
        """Return a contact's place on the network, complaining where it is on no leg."""
        at = self.finder.find(place, origin)
        if at is None:
            return None
        lead = self.finder.lead_m(place.point)
        if at.gated_m <= self.site.levels.gate_m + lead:
            return PipePlace(at.leg, at.chainage_m, lead)
        self.finder.complain(
            origin,
            f'"{place.text}" is on no leg: {self._length(at.distance_m)} from the nearest',
            "name a place on the pipe, or give the pipe between as lead in fittings.csv",
        )
        return None

    def _valve(self, name: str, origin: Origin) -> PipePlace | None:
        return self._pipe_place(Place("point", name, point=name), origin)

    def delays(self) -> tuple[SurveyedDelay, ...]:
        """Return the delays, with those of an instrument's screen turned back into times."""
        found = []
        for row in self.site.delays:
            first = self._pipe_place(row.first, row.origin)
            second = self._pipe_place(row.second, row.origin)
            if first is None or second is None:
                continue
            apart_m = abs(first.chainage_m - second.chainage_m)
            if first.leg == second.leg and apart_m < SENSORS_APART_M:
                what = f'delay {row.id}: both sensors are at "{row.first.text}"'
                self.finder.complain(row.origin, what, "two places on the pipe")
                continue
            measured = self._delay_of(row, first, second)
            if measured is not None:
                shown = (row.shown_distance_m, row.shown_length_m, row.shown_speed_m_per_s)
                ends = (row.id, first, second)
                found.append(SurveyedDelay(*ends, *measured, row.speed_check, *shown, row.origin))
        return tuple(found)

    def _delay_of(
        self, row: Delay, first: PipePlace, second: PipePlace
    ) -> tuple[float, float] | None:
        """Return a delay and its sigma: as stated, behind a screen's figures, of recordings."""
        sigma = row.sigma_s if row.sigma_s is not None else DELAY_SIGMA_S
        if row.delay_s is not None:
            return row.delay_s, sigma
        x, length, speed = row.shown_distance_m, row.shown_length_m, row.shown_speed_m_per_s
        if x is not None and length is not None and speed:
            places = (([each.leg], [each.chainage_m]) for each in (first, second))
            metres = float(self.network.distance(*places)[0, 0]) + first.lead_m + second.lead_m
            self._say_shown(row, x, length, speed, metres)
            # The screen puts the leak at x from first: x / c - (L - x) / c is the delay behind it.
            return (2 * x - length) / speed, sigma
        if row.recording_first is None:
            return None
        measured, notes = delay_of(self.site, row)
        self.notes.extend(notes)
        return measured

    def _say_shown(self, row: Delay, x: float, length: float, speed: float, metres: float) -> None:
        """Say what an instrument's screen would have shown with the pipe as long as it is."""
        better = x + 0.5 * (metres - length)
        if not math.isfinite(metres) or abs(better - x) < SHOWN_SAID_M:
            return
        shown, long, now, traced = map(self._length, (x, length, better, metres))
        unit = self.site.length_unit
        pace = f"{speed / unit_m(unit):,.0f} {'m' if unit == 'm' else 'ft'}/s"
        told = (
            f"delay {row.id}: your screen said {shown} with {long} at {pace}; with the pipe as "
            f"traced, {traced} between the sensors, "
        )
        if 0.0 <= better <= metres:
            told += f"it is {now}"
        else:
            told += (
                "that delay comes from outside them: check the length and the speed that were "
                "keyed in"
            )
        self.notes.append(Note("shown_length", told, row.origin))

    def _find(
        self, place: Place, what: str, row: Sighting | Hole | PastLeak, reach_m: float
    ) -> Resolved | None:
        """Return where a row's place is; out of reach of every leg it is a wrong place."""
        at = self.finder.find(place, row.origin)
        if at is None or at.gated_m <= reach_m:
            return at
        away, reach = map(self._length, (at.distance_m, reach_m))
        self.finder.complain(
            row.origin,
            f'{what} is {away} from the nearest leg "{self.finder.legs[at.leg].name}"',
            f"correct the place (at most {reach} from a leg), or skip the row",
        )
        return None

    def isolations(self) -> tuple[SurveyedIsolation, ...]:
        """Return the shut-off tests with their valves on the network."""
        found = []
        for row in self.site.isolations:
            valves = [self._valve(name, row.origin) for name in row.valves]
            on_pipe = tuple(valve for valve in valves if valve is not None)
            if len(on_pipe) < len(valves):
                continue
            supply = self._supply(row, row.supply) if row.supply else None
            if supply is not None or not row.supply:
                found.append(SurveyedIsolation(row, on_pipe, supply))
        return tuple(found)

    def _supply(self, row: Isolation, name: str) -> PipePlace | None:
        """Return where the water of a test enters: at a point, or at the start of a leg."""
        leg = next((each for each in self.finder.legs if each.name == name), None)
        if leg is not None and name not in self.finder.points:
            return PipePlace(leg.number, 0.0)
        return self._valve(name, row.origin)

    def house_valve(self) -> PipePlace | None:
        """Return where the house valve is, where the site names it."""
        name, origins = self.site.metering.house_valve, self.site.origins
        at = origins.get("meter.house_valve", NOWHERE)
        return None if name is None else self._valve(name, at)

    def stops(self) -> tuple[SurveyedStop, ...]:
        """Return the stop tests at their place on the pipe, their levels in decibels."""
        at = [(test, self._pipe_place(test.place, test.origin)) for test in self.site.stop_tests]
        return tuple(
            SurveyedStop(test, on.leg, on.chainage_m, *stop_levels(test, self.site.levels))
            for test, on in at
            if on is not None
        )

    def sightings(self) -> tuple[SurveyedSighting, ...]:
        """Return the sightings with their nearest place on the pipe."""
        found = []
        for row in self.site.sightings:
            at = self._find(row.place, f"sighting {row.place.text}", row, FAR_M)
            if at is not None:
                place = at.easting_m, at.northing_m, at.leg, at.chainage_m, at.offset_m
                found.append(SurveyedSighting(row, *place))
        return tuple(found)

    def holes(self) -> tuple[SurveyedHole, ...]:
        """Return the dug holes as stretches of one leg each."""
        found, gate = [], self.site.levels.gate_m
        for row in self.site.holes:
            places = (row.start, row.finish)
            ends = [self._find(each, f"hole {row.id}", row, gate) for each in places]
            start, finish = ends
            if start is None or finish is None:
                continue
            if start.leg != finish.leg:
                one, two = (self.finder.legs[each.leg].name for each in (start, finish))
                what = f'hole {row.id} runs from leg "{one}" to leg "{two}"'
                self.finder.complain(row.origin, what, "one row a leg: split the hole at the tee")
                continue
            low, high = sorted((start.chainage_m, finish.chainage_m))
            found.append(SurveyedHole(row, start.leg, low, high))
        self._refuse_leaks_in_dry(found)
        return tuple(found)

    def _refuse_leaks_in_dry(self, holes: Sequence[SurveyedHole]) -> None:
        """Complain of a leak inside a hole that was dry with the pipe exposed: one row is wrong."""
        leaks = [
            (f"the leak of hole {each.hole.id}", each.hole.origin, each.leg, each.from_m, each.to_m)
            for each in holes
            if each.hole.outcome == "leak"
        ]
        for row in self.site.found:
            if row.outcome != "leak" or row.place is None:
                continue
            at = self.finder.find(row.place, row.origin)
            if at is not None and at.gated_m <= self.site.levels.gate_m:
                # One at the very edge came to light when the hole was made longer.
                ends = at.chainage_m - EDGE_M, at.chainage_m + EDGE_M
                leaks.append((f'the leak found at "{row.place.text}"', row.origin, at.leg, *ends))
        for dry in (h for h in holes if h.hole.outcome == "dry" and h.hole.pipe_exposed):
            where = f"{Path(dry.hole.origin.file).name}:{dry.hole.origin.line}"
            for told, origin, leg, low, high in leaks:
                if leg == dry.leg and dry.from_m <= low and high <= dry.to_m:
                    what = f"{told} lies inside the hole of {where}, dry with the pipe exposed"
                    self.finder.complain(
                        origin, what, "correct the wrong row of the two, or skip it"
                    )

    def past_leaks(self) -> tuple[SurveyedPastLeak, ...]:
        """Return the repaired leaks on the pipe."""
        gate, rows = self.site.levels.gate_m, self.site.past_leaks
        at = [(row, self._find(row.place, "the past leak", row, gate)) for row in rows]
        return tuple(
            SurveyedPastLeak(row, on.leg, on.chainage_m) for row, on in at if on is not None
        )
