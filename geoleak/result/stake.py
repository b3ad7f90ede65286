"""Everything about the stake that a Result prints: where, how sure, what to mind there."""

from __future__ import annotations

import datetime
import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from geoleak.advice import Decision, decide
from geoleak.cautions import hole_cautions, listening_cautions, not_before
from geoleak.evidence import candidates
from geoleak.posterior import Posterior
from geoleak.result.listen import listening_points, wants_listening
from geoleak.result.records import (
    BudgetRow,
    HoleSummary,
    SettingOutEllipse,
    StakeSummary,
    TieSummary,
)
from geoleak.result.services import service_summary, services_of
from geoleak.result.work import StakeWork
from geoleak.site import Note
from geoleak.stake import (
    ELLIPSE_95,
    CheckPoint,
    Conflict,
    ErrorSource,
    GroundPlane,
    HoleShape,
    Service,
    ShotPoint,
    StakePoint,
    Ties,
    budget,
    check_points,
    choose_ties,
    clear_names,
    conflicts,
    dig_depth_m,
    ellipse,
    free_ids,
    ground_plane,
    hole_shape,
    hole_stakes,
    hole_width_m,
    leak_stake,
    offset_stakes,
    on_bend,
    outline_wkt,
    setting_out_covariance,
    tape_points,
)
from geoleak.survey import Survey, SurveyedLeg, depth_is_known
from geoleak.units import format_length, format_station

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry


def stake_work(
    survey: Survey, posterior: Posterior, *, now: datetime.datetime | None = None
) -> StakeWork:
    """Return the decision and everything about its stake.

    Parameters
    ----------
    now : datetime.datetime, optional
        Local time; without it a locate request is not known to be valid yet.
    """
    return _Work(survey, posterior, now).done()


@dataclass(slots=True)
class _Work:
    survey: Survey
    posterior: Posterior
    now: datetime.datetime | None

    def done(self) -> StakeWork:
        import shapely

        decision, unit = self._decide(), self.survey.site.length_unit
        leg = self.survey.legs[decision.leg]
        at_m = decision.stake_m
        east, north = (float(v) for v in np.asarray(leg.route.position(at_m))[:2])
        shape, hole = self._hole(decision, leg)
        dig = decision.verdict == "dig"
        ties = self._ties(leg, at_m, east, north) if dig else None
        points = self._stakes(decision, leg) if dig else listening_points(self.survey, decision)
        first = (points[0][1].easting_m, points[0][1].northing_m) if points else (east, north)
        checks = self._checks(*first)
        service_shapes, notes = services_of(self.survey)
        near = self._conflicts(service_shapes, leg, at_m, shape)
        crown, sigma = self._crown(leg, at_m)
        tie_lines = tuple(self._tie_lines(ties, east, north)) if ties else ()
        stakes = tuple(self._summaries(points, checks))
        return StakeWork(
            decision=decision,
            leg=leg.name,
            station=f"{leg.name} {format_station(at_m, unit=unit)}",
            ellipse_95=self._ellipse(leg, at_m),
            budget=self._budget(leg, at_m),
            lonlat_accuracy_m=self._lonlat_accuracy(leg, at_m),
            elevation_m=self._ground(leg, at_m),
            crown_m=crown,
            crown_sigma_m=sigma,
            side=self._sides(),
            hole=hole,
            outline=shape.outline,
            ties=tuple(tie for tie, _ in tie_lines),
            ties_text=ties.texts if ties else (),
            tie_lines=tie_lines,
            stakes=tuple(stake for stake, _ in stakes),
            stake_points=stakes,
            services=tuple(service_summary(each, unit=unit) for each in near),
            service_shapes=service_shapes,
            cautions=self._cautions(decision, shape, sigma, near),
            not_before=self._not_before(),
            notes=(*notes, *(self._bend_note(leg, at_m) if dig else ())),
            services_clear=clear_names(service_shapes, near),
            best_place=shapely.Point(east, north),
            next_lonlat_accuracy_m=tuple(
                self._lonlat_accuracy(each, place.chainage_m)
                for each, place in points
                if place.kind == "next_reading"
            ),
        )

    @property
    def _rover_sigma_m(self) -> float:
        """What the rover that shot the marks does when it sets the stake out."""
        sigma = [
            p.sigma_m
            for p in self.survey.points
            if p.point.status in ("fixed", "unknown") and not p.taped
        ]
        return float(np.median(sigma)) if sigma else 0.02

    def _decide(self) -> Decision:
        crew = self.survey.site.crew

        def setting_out(leg: int, chainage_m: float) -> tuple[float, float]:
            rows = self._sources(self.survey.legs[leg], chainage_m)
            rover = [row for row in rows if row.source.startswith("rover")]
            # Readings and stake stand on one fitted line: along the pipe its error is common to
            # both and only the rover's counts. Across the pipe all of it does.
            along = math.sqrt(sum(row.sigma_along_m**2 for row in rover))
            return along, rows[-1].sigma_across_m

        cells = self.posterior.cells
        places = candidates(self.survey, cells.leg, cells.chainage_m, self.posterior.mass)
        depth = float(np.median(places.depth_m))
        return decide(
            self.survey,
            self.posterior,
            setting_out_sigma=setting_out,
            hole_half_width_m=hole_width_m(depth, crew.bucket_width_m) / 2,
        )

    def _sources(self, leg: SurveyedLeg, chainage_m: float) -> tuple[ErrorSource, ...]:
        return budget(
            leg.fit,
            chainage_m,
            rover_bias_m=self.survey.site.point_file.rover_bias_m,
            rover_sigma_m=self._rover_sigma_m,
        )

    def _budget(self, leg: SurveyedLeg, at_m: float) -> tuple[BudgetRow, ...]:
        rows = self._sources(leg, at_m)
        return tuple(BudgetRow(r.source, r.sigma_along_m, r.sigma_across_m) for r in rows)

    def _ellipse(self, leg: SurveyedLeg, at_m: float) -> SettingOutEllipse:
        covariance = setting_out_covariance(leg.fit, at_m, rover_sigma_m=self._rover_sigma_m)
        major, minor, bearing = ellipse(covariance, radius_sigmas=ELLIPSE_95)
        # An axis runs both ways: turned onto the grid's north it stays within half a circle.
        axis = self._grid_bearing(float(bearing)) % 180.0
        return SettingOutEllipse(float(major), float(minor), axis)

    def _grid_bearing(self, bearing_deg: float) -> float:
        return float(self.survey.frame.bearing_grid_deg(bearing_deg))

    def _lonlat_accuracy(self, leg: SurveyedLeg, at_m: float) -> float | None:
        stated = self.survey.frame.lonlat_accuracy_m
        if stated is None:
            return None
        return math.hypot(stated, self._ellipse(leg, at_m).semi_major_m)

    def _ground(self, leg: SurveyedLeg, at_m: float) -> float | None:
        if not leg.route.has_heights:
            return None
        return float(leg.route.height_m(at_m)) + float(leg.fit.depth_m(at_m))

    def _crown(self, leg: SurveyedLeg, at_m: float) -> tuple[float, float]:
        return float(leg.fit.crown_depth_m(at_m)), float(leg.fit.depth_sigma_m(at_m))

    def _sides(self) -> dict[str, float]:
        """Return the chance on each side of the boundary, where a leg states one."""
        legs = self.survey.legs
        if all(leg.boundary_m is None and leg.leg.side is None for leg in legs):
            return {}
        cells, mass = self.posterior.cells, self.posterior.mass
        side: dict[str, float] = {}
        for leg in legs:
            mine = cells.leg == leg.number
            if leg.boundary_m is not None:
                below = mine & (cells.chainage_m < leg.boundary_m)
                name = leg.leg.boundary
                parts = {f"up to {name}": mass[below], f"past {name}": mass[mine & ~below]}
            else:
                parts = {leg.leg.side or f"leg {leg.name}": mass[mine]}
            for text, share in parts.items():
                side[text] = side.get(text, 0.0) + float(share.sum())
        side["on no traced leg"] = float(self.posterior.elsewhere)
        return side

    def _hole(self, decision: Decision, leg: SurveyedLeg) -> tuple[HoleShape, HoleSummary]:
        piece = next(p for p in decision.hole.pieces if p[0] == decision.leg)
        depth = None
        if depth_is_known(self.survey.site, leg.leg):
            crown, _ = self._crown(leg, decision.stake_m)
            depth = dig_depth_m(crown, leg.leg.outside_diameter_m or 0.0)
        shape = hole_shape(
            leg.route,
            piece[1],
            piece[2],
            bucket_width_m=self.survey.site.crew.bucket_width_m,
            depth_m=depth,
            depth_sigma_m=self._crown(leg, decision.stake_m)[1] if depth is not None else 0.0,
            soil=self.survey.site.crew.soil_type,
        )
        summary = HoleSummary(
            pieces=tuple(
                (self.survey.legs[number].name, float(low), float(high))
                for number, low, high in decision.hole.pieces
            ),
            length_m=decision.hole.length_m,
            before_stake_m=decision.stake_m - piece[1],
            past_stake_m=piece[2] - decision.stake_m,
            width_m=shape.width_m,
            depth_m=shape.depth_m,
            area_m2=shape.area_m2,
            volume_m3=shape.volume_m3,
            outline_wkt=outline_wkt(shape.outline, to_grid=self.survey.frame.to_grid),
            notes=(*self._slope_words(shape), *shape.notes),
            soil=shape.soil,
            sloped_area_m2=shape.sloped_area_m2,
            sloped_volume_m3=shape.sloped_volume_m3,
            sloped_outline_wkt=None
            if shape.sloped_outline is None
            else outline_wkt(shape.sloped_outline, to_grid=self.survey.frame.to_grid),
        )
        return shape, summary

    def _slope_words(self, shape: HoleShape) -> tuple[str, ...]:
        """Say how much ground the hole takes at the surface where its sides are sloped."""
        if shape.sloped_outline is None or shape.soil == "rock":
            return ()
        box = np.asarray(shape.sloped_outline.minimum_rotated_rectangle.exterior.coords)
        sides = sorted(float(v) for v in np.hypot(*np.diff(box[:3], axis=0).T))
        unit = self.survey.site.length_unit
        short, long = (format_length(side, unit=unit, decimals=1) for side in sides)
        return (f"sides sloped for type {shape.soil} soil: {long} by {short} at the surface",)

    def _ties(self, leg: SurveyedLeg, at_m: float, east: float, north: float) -> Ties:
        crew = self.survey.site.crew
        ground = self._ground(leg, at_m)
        return choose_ties(
            tape_points(self.survey.features),
            easting_m=east,
            northing_m=north,
            height_m=math.nan if ground is None else ground,
            tape_length_m=crew.tape_length_m,
            tape_sigma_m=crew.tape_sigma_m,
            unit=self.survey.site.length_unit,
            bearing_to_grid=self._grid_bearing,
        )

    def _tie_lines(
        self, ties: Ties, east: float, north: float
    ) -> Iterator[tuple[TieSummary, BaseGeometry]]:
        import shapely

        for tie in ties.ties:
            line = shapely.LineString([(tie.point.easting_m, tie.point.northing_m), (east, north)])
            summary = TieSummary(
                tie.point.id, tie.point.note, tie.distance_m, tie.bearing_deg, tie.slope
            )
            yield summary, line

    def _conflicts(
        self, shapes: tuple[Service, ...], leg: SurveyedLeg, at_m: float, hole: HoleShape
    ) -> tuple[Conflict, ...]:
        return conflicts(
            shapes,
            route=leg.route,
            stake_m=at_m,
            outline=hole.outline,
            unit=self.survey.site.length_unit,
            tolerance_zone_m=self.survey.site.crew.tolerance_zone_m,
        )

    def _cautions(
        self, decision: Decision, shape: HoleShape, sigma_m: float, near: tuple[Conflict, ...]
    ) -> tuple[str, ...]:
        if decision.verdict != "dig":
            return listening_cautions()
        return hole_cautions(
            depth_m=shape.depth_m,
            depth_sigma_m=sigma_m,
            services=tuple(each.text for each in near if each.in_tolerance_zone),
            listening=wants_listening(decision),
        )

    def _stakes(
        self, decision: Decision, leg: SurveyedLeg
    ) -> tuple[tuple[SurveyedLeg, StakePoint], ...]:
        unit = self.survey.site.length_unit
        known = depth_is_known(self.survey.site, leg.leg)
        piece = next(p for p in decision.hole.pieces if p[0] == decision.leg)
        stake = leak_stake(leg.route, decision.stake_m, unit=unit)
        level = offset_stakes(
            leg.route, decision.stake_m, self.survey.site.crew.offset_stake_m, unit=unit
        )
        points = [
            stake,
            *offset_stakes(
                leg.route,
                decision.stake_m,
                self.survey.site.crew.offset_stake_m,
                unit=unit,
                depth_m=self._crown(leg, decision.stake_m)[0] if known else None,
                ground_m=self._rises(stake, level),
            ),
            *hole_stakes(leg.route, piece[1], piece[2], unit=unit),
        ]
        return tuple((leg, each) for each in points)

    def _plane(self, stake: StakePoint) -> GroundPlane | None:
        """Return the ground about a stake, where points off the pipe tell its slope."""
        shot = [(p.easting_m, p.northing_m, p.height_m) for p in self.survey.points]
        return ground_plane(shot, easting_m=stake.easting_m, northing_m=stake.northing_m)

    def _rises(
        self, stake: StakePoint, beside: tuple[StakePoint, StakePoint]
    ) -> tuple[float, float, float] | None:
        """Return the ground's height at the stake and at both offset stakes; None: level."""
        plane = self._plane(stake)
        if plane is None:
            return None
        left, right = (plane.height_at_m(p.easting_m, p.northing_m) for p in beside)
        return plane.height_m, left, right

    def _checks(self, east: float, north: float) -> tuple[CheckPoint, ...]:
        """Return the points that a rover checks itself on before it goes to a place."""
        shots = [
            ShotPoint(p.point.id, p.easting_m, p.northing_m, p.sigma_m, p.point.status != "float")
            for p in self.survey.points
            # A painted mark washes off: what a rover checks against has to stay.
            if p.kind != "mark" and p.point.status != "single" and not p.taped
        ]
        return check_points(
            shots,
            easting_m=east,
            northing_m=north,
            rover_sigma_m=self._rover_sigma_m,
            unit=self.survey.site.length_unit,
        )

    def _summaries(
        self, placed: tuple[tuple[SurveyedLeg, StakePoint], ...], checks: tuple[CheckPoint, ...]
    ) -> Iterator[tuple[StakeSummary, BaseGeometry]]:
        import shapely

        heights = {p.point.id: p.point.elevation_m for p in self.survey.points}
        points = [each for _, each in placed]
        names = free_ids(self.survey.site.points, len(points) + len(checks))
        ground = [self._ground_near(*each) for each in placed] + [heights[c.id] for c in checks]
        said = [(p.kind, p.label, "") for p in points]
        said += [("check_point", f"CHECK {c.id}", c.text) for c in checks]
        places = [(p.easting_m, p.northing_m) for p in points]
        places += [(c.easting_m, c.northing_m) for c in checks]
        for name, place, words, height in zip(names, places, said, ground, strict=True):
            east, north = (float(v) for v in self.survey.frame.to_grid(*place))
            kind, label, text = words
            summary = StakeSummary(name, kind, label, east, north, height, text)
            yield summary, shapely.Point(place)

    def _ground_near(self, leg: SurveyedLeg, stake: StakePoint) -> float | None:
        """Return the ground's height at a stake: on the pipe, and beside it as the ground rises."""
        on_pipe = self._ground(leg, min(max(stake.chainage_m, 0.0), leg.route.length_m))
        if on_pipe is None or not stake.offset_m:
            return on_pipe
        east, north = (float(v) for v in np.asarray(leg.route.position(stake.chainage_m))[:2])
        plane = self._plane(stake)
        if plane is None:
            return on_pipe
        return on_pipe + plane.height_m - plane.height_at_m(east, north)

    def _bend_note(self, leg: SurveyedLeg, at_m: float) -> tuple[Note, ...]:
        if not on_bend(leg.route, at_m):
            return ()
        text = (
            f'the stake stands on a bend of leg "{leg.name}": the offset stakes are square to the '
            "middle of the bend, and the hole follows the pipe round it"
        )
        return (Note("stake_on_bend", text),)

    def _not_before(self) -> str | None:
        request = self.survey.site.locate_request
        return not_before(
            number=request.number,
            valid_from=request.valid_from,
            expires=request.expires,
            now=self.now,
        )
