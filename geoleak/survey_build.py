"""From a `Site` to a `Survey`: points projected, legs fitted, readings snapped."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from geoleak.crs import Frame
from geoleak.errors import Complaint, InputError, Origin, SiteDataError
from geoleak.site import Delay, Note, Place, Point, Reading, Site
from geoleak.survey import (
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
)
from geoleak.survey_legs import fit_legs, join_legs
from geoleak.survey_levels import gather_levels
from geoleak.survey_places import PlaceFinder, Resolved
from geoleak.survey_recordings import RecordedLevel, delay_of, level_of
from geoleak.units import format_length

# A delay whose row states no sigma: half a millisecond, about what a screen's cursor resolves
# (common practice, no source).
DELAY_SIGMA_S = 0.0005


def survey_site(site: Site) -> Survey:
    """Return the survey of a site.

    Raises
    ------
    InputError
        With every place that cannot be found and every reading beyond the gate.
    SiteDataError
        Where the points or the marks of a leg allow no route.
    """
    frame = frame_of(site)
    bare = project_points(site, frame)
    legs, leg_notes = fit_legs(site, bare)
    network, join_notes = join_legs(site, legs, bare)
    finder = PlaceFinder(frame=frame, legs=legs, points=bare, length_unit=site.length_unit)
    points = _place_points(site, bare, legs, finder)
    finder.points = points
    notes = [*site.notes, *frame.warnings, *leg_notes, *join_notes]
    builder = _Builder(site, finder, points, notes)
    levels = {kind: builder.levels(kind) for kind in ("surface", "contact", "gas", "bar_hole")}
    survey = Survey(
        site=site,
        frame=frame,
        legs=legs,
        network=network,
        points=tuple(points.values()),
        surface=levels["surface"],
        contact=levels["contact"],
        gas=levels["gas"],
        bar_hole=levels["bar_hole"],
        delays=builder.delays(),
        isolations=builder.isolations(),
        sightings=builder.sightings(),
        holes=builder.holes(),
        past_leaks=builder.past_leaks(),
        warnings=tuple(dict.fromkeys(notes)),
    )
    if finder.complaints:
        raise InputError(sorted(finder.complaints, key=lambda each: each.origin))
    return survey


def frame_of(site: Site) -> Frame:
    """Return the working frame of a site, centred on the points that its legs use."""
    used = {name for leg in site.legs for name in leg.mark_ids}
    points = [site.points[name] for name in site.points if name in used] or list(
        site.points.values()
    )
    if not points:
        raise SiteDataError("the point files hold no point; a site needs the marks of one leg")
    heights = [p.ellipsoidal_height_m if p.ellipsoidal_height_m is not None else p.elevation_m
               for p in points]  # fmt: skip
    known = [h for h in heights if h is not None]
    return Frame.for_site(
        site.crs,
        easting=np.array([p.easting for p in points]),
        northing=np.array([p.northing for p in points]),
        heights_m=np.array(known) if known else None,
        mean_height_m=site.mean_height_m,
        grid_crs=site.grid_crs,
        coordinate_epoch=site.coordinate_epoch,
        length_unit=site.length_unit,
    )


def project_points(site: Site, frame: Frame) -> dict[str, SurveyedPoint]:
    """Return every point of the site in the working CRS, with its kind by code."""
    points = list(site.points.values())
    east, north = frame.to_working(
        np.array([p.easting for p in points]), np.array([p.northing for p in points])
    )
    marks = {name: k for k, leg in enumerate(site.legs) for name in leg.mark_ids}
    surveyed = {}
    for point, e, n in zip(points, east, north, strict=True):
        leg = marks.get(point.id)
        surveyed[point.id] = SurveyedPoint(
            point=point,
            easting_m=float(e),
            northing_m=float(n),
            height_m=math.nan if point.elevation_m is None else point.elevation_m,
            sigma_m=_sigma(point),
            kind="mark" if leg is not None else _kind(site, point),
            leg=leg,
        )
    return surveyed


def _sigma(point: Point) -> float:
    """Return a point's own sigma per axis; by its solution where the file states none.

    The figures by solution are common practice, no source: 2 cm fixed, 40 cm float, 1.5 m single.
    """
    if point.sigma_horizontal_m is not None:
        return max(point.sigma_horizontal_m, 0.005)
    return {"fixed": 0.02, "float": 0.4, "single": 1.5}.get(point.status, 0.02)


def _kind(site: Site, point: Point) -> str:
    if site.codes.is_fitting(point.code):
        return "fitting"
    return "feature" if site.codes.is_feature(point.code) else "other"


def _place_points(
    site: Site,
    bare: Mapping[str, SurveyedPoint],
    legs: tuple[SurveyedLeg, ...],
    finder: PlaceFinder,
) -> dict[str, SurveyedPoint]:
    """Put marks on their legs and fittings on the nearest pipe within the gate."""
    leads = {each.point: each.lead_m for each in site.fittings}
    ends = {name for leg in site.legs for name in (leg.start, leg.end, leg.joins_at) if name}
    placed = {}
    for name, each in bare.items():
        on_pipe = each.kind in ("mark", "fitting") or name in ends or name in leads
        at: Resolved | None = None
        if on_pipe:
            at = finder.snap(each.easting_m, each.northing_m, leg=each.leg)
            if each.kind != "mark" and at.distance_m > site.levels.gate_m + leads.get(name, 0.0):
                at = None
        placed[name] = SurveyedPoint(
            point=each.point,
            easting_m=each.easting_m,
            northing_m=each.northing_m,
            height_m=each.height_m,
            sigma_m=each.sigma_m,
            kind=each.kind,
            leg=None if at is None else at.leg,
            chainage_m=None if at is None else at.chainage_m,
            offset_m=None if at is None else at.offset_m,
            lead_m=leads.get(name, 0.0),
        )
    return placed


@dataclass(slots=True)
class _Builder:
    """Puts the rows of each sheet on the pipe; complaints gather in the finder."""

    site: Site
    finder: PlaceFinder
    points: Mapping[str, SurveyedPoint]
    notes: list[Note]

    def levels(self, kind: str) -> Levels:
        """Return the readings of one kind."""
        gathered, notes = gather_levels(
            kind,
            self.site.readings,
            finder=self.finder,
            settings=self.site.levels,
            lead_m=self._lead_m,
            level_from_recording=self._recorded_level,
        )
        self.notes.extend(notes)
        return gathered

    def _lead_m(self, point: str | None) -> float:
        known = self.points.get(point) if point is not None else None
        return known.lead_m if known is not None else 0.0

    def _recorded_level(self, reading: Reading, leg: int) -> RecordedLevel:
        heard, notes = level_of(self.site, reading, material=self.site.legs[leg].material)
        self.notes.extend(notes)
        return heard

    def _pipe_place(self, place: Place, origin: Origin) -> PipePlace | None:
        """Return a contact's place on the network, complaining where it is on no leg."""
        at = self.finder.find(place, origin)
        if at is None:
            return None
        lead = self._lead_m(place.point)
        if at.distance_m > self.site.levels.gate_m + lead:
            away = format_length(at.distance_m, unit=self.site.length_unit)
            self.finder.complaints.append(
                Complaint(
                    origin,
                    f'"{place.text}" is on no leg: {away} from the nearest',
                    "name a place on the pipe, or give the pipe between as lead in fittings.csv",
                )
            )
            return None
        return PipePlace(at.leg, at.chainage_m, lead)

    def delays(self) -> tuple[SurveyedDelay, ...]:
        """Return the delays, with those of an instrument's screen turned back into times."""
        found = []
        for row in self.site.delays:
            if row.skip:
                continue
            first = self._pipe_place(row.first, row.origin)
            second = self._pipe_place(row.second, row.origin)
            if first is None or second is None:
                continue
            if first == second:
                what = f'delay {row.id}: both sensors are at "{row.first.text}"'
                self.finder.complaints.append(Complaint(row.origin, what, "two places on the pipe"))
                continue
            measured = self._delay_of(row)
            if measured is None:
                continue
            found.append(
                SurveyedDelay(
                    id=row.id,
                    first=first,
                    second=second,
                    delay_s=measured[0],
                    sigma_s=measured[1],
                    speed_check=row.speed_check,
                    shown_distance_m=row.shown_distance_m,
                    shown_length_m=row.shown_length_m,
                    shown_speed_m_per_s=row.shown_speed_m_per_s,
                    origin=row.origin,
                )
            )
        return tuple(found)

    def _delay_of(self, row: Delay) -> tuple[float, float] | None:
        sigma = row.sigma_s if row.sigma_s is not None else DELAY_SIGMA_S
        if row.delay_s is not None:
            return row.delay_s, sigma
        shown = (row.shown_distance_m, row.shown_length_m, row.shown_speed_m_per_s)
        if shown[0] is not None and shown[1] is not None and shown[2]:
            # The screen puts the leak at x from first: x / c - (L - x) / c is the delay behind it.
            return (2 * shown[0] - shown[1]) / shown[2], sigma
        if row.recording_first is None:
            return None
        measured, notes = delay_of(self.site, row)
        self.notes.extend(notes)
        return measured

    def isolations(self) -> tuple[SurveyedIsolation, ...]:
        """Return the shut-off tests with their valves on the network."""
        found = []
        for row in self.site.isolations:
            if row.skip:
                continue
            valves = [self._valve(name, row.origin) for name in row.valves]
            if any(valve is None for valve in valves):
                continue
            supply = self._valve(row.supply, row.origin) if row.supply else None
            on_pipe = tuple(valve for valve in valves if valve is not None)
            found.append(SurveyedIsolation(row, on_pipe, supply))
        return tuple(found)

    def _valve(self, name: str, origin: Origin) -> PipePlace | None:
        return self._pipe_place(Place("point", name, point=name), origin)

    def sightings(self) -> tuple[SurveyedSighting, ...]:
        """Return the sightings with their nearest place on the pipe."""
        found = []
        for row in self.site.sightings:
            at = None if row.skip else self.finder.find(row.place, row.origin)
            if at is not None:
                found.append(
                    SurveyedSighting(
                        row, at.easting_m, at.northing_m, at.leg, at.chainage_m, at.offset_m
                    )
                )
        return tuple(found)

    def holes(self) -> tuple[SurveyedHole, ...]:
        """Return the dug holes as stretches of one leg each."""
        found = []
        for row in self.site.holes:
            if row.skip:
                continue
            start = self.finder.find(row.start, row.origin)
            finish = self.finder.find(row.finish, row.origin)
            if start is None or finish is None:
                continue
            if start.leg != finish.leg:
                what = (
                    f'hole {row.id} runs from leg "{self.finder.legs[start.leg].name}" '
                    f'to leg "{self.finder.legs[finish.leg].name}"'
                )
                self.finder.complaints.append(
                    Complaint(row.origin, what, "one row a leg: split the hole at the tee")
                )
                continue
            low, high = sorted((start.chainage_m, finish.chainage_m))
            found.append(SurveyedHole(row, start.leg, low, high))
        return tuple(found)

    def past_leaks(self) -> tuple[SurveyedPastLeak, ...]:
        """Return the repaired leaks on the pipe."""
        found = []
        for row in self.site.past_leaks:
            at = None if row.skip else self.finder.find(row.place, row.origin)
            if at is not None:
                found.append(SurveyedPastLeak(row, at.leg, at.chainage_m))
        return tuple(found)
