"""The decision's stake worked out: everything that is printed, set out and minded there."""

from __future__ import annotations

import datetime
import functools
import math
from collections.abc import Iterator
from typing import Any

import numpy as np
import shapely
from shapely import Polygon

from geoleak import cautions
from geoleak.advice import Check, decide
from geoleak.evidence import SIGMAS_95
from geoleak.hydraulics import repaired
from geoleak.posterior import Piece, Posterior
from geoleak.readers import DEPTH_DOUBTS
from geoleak.record import Floats
from geoleak.site import Note
from geoleak.stake import hole as digging
from geoleak.stake import stake as staking
from geoleak.survey import Survey, SurveyedLeg, TapePoint, depth_is_known
from geoleak.units import format_length, format_station

SURFACE_WITHIN_M = 2.0
"""The ground at a reading so near the stake is the ground at the stake: a guess of ours."""
_Row = tuple[str, str, Floats, float | None, dict[str, Any]]
"""Of a stake: kind, label, place (2,) in the working frame, elevation in metres, what it tells."""
_Services = tuple[tuple[digging.Service, ...], tuple[digging.NearService, ...], tuple[Note, ...]]


class Stakeout:
    """All that hangs on the stake of a survey's posterior.

    Parameters
    ----------
    survey, posterior
    now : datetime.datetime, optional
        Local time; without it a locate request is not known to be valid yet.

    Attributes
    ----------
    decision : Decision
    closed : bool
        A leak was found and nothing says that more leaks: no stake, no hole, no place to go to.
    leg : SurveyedLeg
        The stake's.
    at_m : float
        Its chainage.
    place_m : ndarray, shape (2,)
        Its easting and northing in the working frame.
    """

    def __init__(
        self, survey: Survey, posterior: Posterior, *, now: datetime.datetime | None = None
    ) -> None:
        self.survey, self.posterior, self.now = survey, posterior, now
        self.crew, self.unit = survey.site.crew, survey.site.length_unit
        shot = [p for p in survey.points if p.point.status in ("fixed", "unknown") and not p.taped]
        # The rover that shot the marks sets the stake out.
        self.rover_sigma_m = float(np.median([p.sigma_m for p in shot])) if shot else 0.02
        peak = posterior.peaks[0]
        depth_m = self._dig_depth_m(survey.legs[peak.leg], peak.median_m)
        self.width_m = digging.hole_width_m(depth_m, self.crew.bucket_width_m)
        self.decision = decide(
            survey,
            posterior,
            setting_out_sigma=self._setting_out_sigma_m(peak.leg, peak.median_m),
            hole_half_width_m=self.width_m / 2,
        )
        leaks = any(row.outcome == "leak" for row in survey.site.found)
        # Found and, where the meter was watched after the repair, not turning any more.
        self.closed = leaks and self.repaired is not False
        self.digs = self.decision.verdict == "dig" and not self.closed
        self.leg, self.at_m = survey.legs[self.decision.leg], self.decision.stake_m
        self.place_m = np.asarray(self.leg.route.position(self.at_m), dtype=float)[:2]
        self.station = f"{self.leg.name} {format_station(self.at_m, unit=self.unit)}"
        self.dig_depth_m = self._dig_depth_m(self.leg, self.at_m)
        self.crown_m = float(self.leg.fit.crown_depth_m(self.at_m))
        self.crown_sigma_m = float(self.leg.fit.depth_sigma_m(self.at_m))

    def _dig_depth_m(self, leg: SurveyedLeg, chainage_m: float) -> float | None:
        """Return how deep to dig at a place on a leg; None where its depth is not known."""
        if not depth_is_known(self.survey.site, leg.leg):
            return None
        crown_m = float(leg.fit.crown_depth_m(chainage_m))
        return digging.dig_depth_m(crown_m, leg.leg.outside_diameter_m or 0.0)

    def _setting_out_sigma_m(self, leg: int, chainage_m: float) -> tuple[float, float]:
        rows = self.budget(self.survey.legs[leg], chainage_m)
        rover = [row for row in rows if row.source.startswith("rover")]
        # Readings and stake stand on one fitted line: along the pipe its error is common to
        # both and only the rover's counts, but where it may carry the stake out of the hole.
        # Across the pipe all of it does.
        along, whole = math.sqrt(sum(row.sigma_along_m**2 for row in rover)), rows[-1]
        if SIGMAS_95 * whole.sigma_along_m > 0.5 * self.crew.dig_length_m:
            along = whole.sigma_along_m
        return along, whole.sigma_across_m

    def budget(self, leg: SurveyedLeg, chainage_m: float) -> tuple[staking.ErrorSource, ...]:
        """Return the sources of error of a stake on a leg."""
        return staking.budget(
            leg.fit,
            chainage_m,
            rover_bias_m=self.survey.site.point_file.rover_bias_m,
            rover_sigma_m=self.rover_sigma_m,
        )

    def ellipse_95(self, leg: SurveyedLeg, chainage_m: float) -> staking.SettingOutEllipse:
        """Return where a stake set out on a leg may stand."""
        # The fitted line with its shared parts, and the rover that sets the stake out.
        line = np.asarray(leg.fit.covariance(chainage_m))
        covariance = line + self.rover_sigma_m**2 * np.eye(2)
        major, minor, bearing = staking.ellipse(covariance, radius_sigmas=staking.ELLIPSE_95)
        # An axis runs both ways: turned onto the grid's north it stays within half a circle.
        axis = self._grid_bearing_deg(float(bearing)) % 180.0
        return staking.SettingOutEllipse(float(major), float(minor), axis)

    def _grid_bearing_deg(self, bearing_deg: float) -> float:
        return float(self.survey.frame.bearing_grid_deg(bearing_deg))

    def lonlat_accuracy_m(self, leg: SurveyedLeg, chainage_m: float) -> float | None:
        """Return how vague longitude and latitude of a place on a leg are; None: a local site."""
        stated = self.survey.frame.lonlat_accuracy_m
        if stated is None:
            return None
        return math.hypot(stated, self.ellipse_95(leg, chainage_m).semi_major_m)

    def ground_m(self, leg: SurveyedLeg, chainage_m: float) -> float | None:
        """Return the height of the ground over a leg (ends held to it); None where not known."""
        if not leg.route.has_heights:
            return None
        at_m = min(max(chainage_m, 0.0), leg.route.length_m)
        return float(leg.route.height_m(at_m)) + float(leg.fit.depth_m(at_m))

    @functools.cached_property
    def repaired(self) -> bool | None:
        """Whether the meter proves the repair of a leak that was found; None: it does not tell."""
        site = self.survey.site
        return repaired(site) if site.found and site.meter else None

    @property
    def sides(self) -> dict[str, float]:
        """The chance on each side of the boundary, where a leg states one."""
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
        side["not on any traced line"] = float(self.posterior.elsewhere)
        return side

    @functools.cached_property
    def hole(self) -> tuple[digging.Excavation, Polygon, Polygon | None]:
        """The hole, its outline, and that of its sloped sides, in the working frame."""
        decided, soil, country = self.decision.hole, self.crew.soil_type, self.survey.site.country
        _, from_m, to_m = next(p for p in decided.pieces if p[0] == self.decision.leg)
        depth = self.dig_depth_m
        sigma = 0.0 if depth is None else self.crown_sigma_m
        outline = digging.hole_outline(
            [(self.survey.legs[leg].route, low, high) for leg, low, high in decided.pieces],
            self.width_m,
        )
        at = (self.leg.route, from_m, to_m)
        notes = digging.hole_notes(
            *at, depth_m=depth, depth_sigma_m=sigma, soil=soil, country=country
        )
        sloped: Polygon | None = None
        slopes: dict[str, Any] = {}
        if depth is not None and depth + sigma >= cautions.slopes_from_m(country):
            sloped, volume = digging.sloped_hole(outline, depth + sigma, soil)
            notes = (digging.surface_words(sloped, soil or "C", unit=self.unit), *notes)
            slopes = {"sloped_area_m2": float(sloped.area), "sloped_volume_m3": volume}
            slopes |= {"sloped_outline_wkt": self._wkt(sloped)}
        hole = digging.Excavation(
            pieces=named(self.survey, decided.pieces),
            length_m=decided.length_m,
            before_stake_m=self.at_m - from_m,
            past_stake_m=to_m - self.at_m,
            width_m=self.width_m,
            depth_m=depth,
            area_m2=float(outline.area),
            volume_m3=None if depth is None else float(outline.area) * depth,
            outline_wkt=self._wkt(outline),
            notes=notes,
            soil=soil or "C",
            **slopes,
        )
        return hole, outline, sloped

    def _wkt(self, outline: Polygon) -> str:
        """Return an outline in the printed grid as text, for the request's white marking."""
        placed = digging.reproject(outline, self.survey.frame.to_grid)
        return str(shapely.to_wkt(placed, rounding_precision=3))

    @functools.cached_property
    def ties(self) -> staking.Ties:
        """The tapes that find the stake again; none where nobody is to dig."""
        if not self.digs:
            return staking.Ties((), (), ())
        ground = self.ground_m(self.leg, self.at_m)
        points = (
            TapePoint(
                p.point.id, p.easting_m, p.northing_m, p.height_m, p.sigma_m,
                p.point.note or p.point.code,
            )
            for p in self.survey.features
        )  # fmt: skip
        return staking.choose_ties(
            points,
            self.place_m,
            height_m=math.nan if ground is None else ground,
            tape_length_m=self.crew.tape_length_m,
            tape_sigma_m=self.crew.tape_sigma_m,
            unit=self.unit,
            to_grid=self._grid_bearing_deg,
        )

    @functools.cached_property
    def services(self) -> _Services:
        """Every other service, those near the hole, and what there is to say of their files."""
        every, notes = digging.services_of(self.survey)
        near = digging.near_services(
            every,
            route=self.leg.route,
            stake_m=self.at_m,
            outline=self.hole[1],
            sloped=self.hole[2],
            unit=self.unit,
            tolerance_zone_m=self.crew.tolerance_zone_m,
        )
        return every, near, notes

    @property
    def cautions(self) -> tuple[str, ...]:
        """The usual cautions of the hole, or of listening on."""
        if not (self.digs or self.closed):
            check = self.decision.check
            listening = cautions.listening_cautions()
            return listening if check is None else cautions.checking_cautions(check.kind)
        return cautions.hole_cautions(
            depth_m=self.hole[0].depth_m,
            depth_sigma_m=self.crown_sigma_m,
            services=tuple(
                each.text for each in self.services[1] if each.in_tolerance_zone or each.in_slope
            ),
            surface=self._surface,
            unit=self.unit,
            country=self.survey.site.country,
            listening=(self.decision.value_of_reading or 0.0) > 0.0,
        )

    @property
    def _surface(self) -> str | None:
        """What the ground is at the reading nearest the stake, where one is near."""
        rows, (east, north) = self.survey.surface, self.place_m
        away = np.hypot(np.asarray(rows.easting_m) - east, np.asarray(rows.northing_m) - north)
        last_first = reversed(range(len(away)))
        near = [k for k in last_first if away[k] <= SURFACE_WITHIN_M and rows.surface[k]]
        return rows.surface[min(near, key=away.__getitem__)] if near else None

    @property
    def notes(self) -> tuple[Note, ...]:
        """What there is to say of the services' files and of a stake on a bend."""
        if not (self.digs and staking.on_bend(self.leg.route, self.at_m)):
            return self.services[2]
        text = (
            f'the stake stands on a bend of leg "{self.leg.name}": the offset stakes are square to '
            "the middle of the bend, and the hole follows the pipe round it"
        )
        return (*self.services[2], Note("stake_on_bend", text))

    @property
    def not_before(self) -> str | None:
        """Why nobody may dig yet, or None."""
        return cautions.not_before(self.survey.site.locate_request, now=self.now)

    @functools.cached_property
    def stakes(self) -> tuple[tuple[staking.Stake, Floats, dict[str, Any]], ...]:
        """What a rover sets out, with each place (2,) in the working frame, check points last.

        The last of each is what else is told of it: leg, chainage and, of a place to go to next,
        its number and what for.
        """
        survey = self.survey
        if self.closed:
            return ()
        if self.decision.check is not None:
            rows = list(self._check_rows(self.decision.check))
        else:
            rows = list(self._hole_rows() if self.digs else self._listening_rows())
        first = rows[0][2] if rows else self.place_m
        checks = staking.check_points(
            survey.points, first, rover_sigma_m=self.rover_sigma_m, unit=self.unit
        )
        todo = [""] * len(rows) + [text for _, text in checks]
        for each, _ in checks:
            place = np.array([each.easting_m, each.northing_m])
            label, height = f"CHECK POINT {each.point.id}", each.point.elevation_m
            rows.append(("check_point", label, place, height, {}))
        made = []
        names = staking.free_ids(survey.site.points, len(rows))
        for name, (kind, label, place, height, told), text in zip(names, rows, todo, strict=True):
            east, north = (float(v) for v in survey.frame.to_grid(*place))
            made.append((staking.Stake(name, kind, label, east, north, height, text), place, told))
        return tuple(made)

    def _hole_rows(self) -> Iterator[_Row]:
        """Return the stake, the offset stakes and the ends of the hole."""
        route, offset_m = self.leg.route, self.crew.offset_stake_m
        station = format_station(self.at_m, unit=self.unit)
        ground, here = self.ground_m(self.leg, self.at_m), _on(self.leg, self.at_m)
        yield "stake", f"LEAK {station}", self.place_m, ground, here
        shot = [(p.easting_m, p.northing_m, p.height_m) for p in self.survey.points]
        plane = staking.ground_plane(shot, self.place_m)
        beside = staking.offset_places_m(route, self.at_m, offset_m)
        sure = not any(each.code in DEPTH_DOUBTS for each in self.survey.warnings)
        for side, place in zip("LR", beside, strict=True):
            rise = 0.0 if plane is None else float(plane[1:] @ (place - self.place_m))
            cut = self.crown_m + rise if self.dig_depth_m is not None and sure else None
            height, own = ground, staking.ground_plane(shot, place)
            if ground is not None and own is not None:
                height = ground + float(own[1:] @ (place - self.place_m))
            label = staking.offset_label(side, offset_m, cut, station, self.unit)
            yield "offset_stake", label, place, height, here
        for word, leg, end in self._hole_ends():
            place = np.asarray(leg.route.position(end), dtype=float)[:2]
            named = "" if leg is self.leg else f"{leg.name} "
            label = f"HOLE {word.upper()} {named}{format_station(end, unit=self.unit)}"
            yield f"hole_{word}", label, place, self.ground_m(leg, end), _on(leg, end)

    def _hole_ends(self) -> Iterator[tuple[str, SurveyedLeg, float]]:
        """Return the ends of the hole's pieces; none where one runs on into another at a tee."""
        pieces = [(self.survey.legs[k], low, high) for k, low, high in self.decision.hole.pieces]
        for k, (leg, low, high) in enumerate(pieces):
            for word, end in (("start", max(0.0, low)), ("end", min(leg.route.length_m, high))):
                place = np.asarray(leg.route.position(end), dtype=float)[:2]
                meets = False
                for other, start, stop in (*pieces[:k], *pieces[k + 1 :]):
                    snap = other.route.snap(place[None])
                    at, away = float(snap.chainage_m[0]), float(snap.distance_m[0])
                    meets |= away < self.width_m / 2 and start - 0.05 <= at <= stop + 0.05
                if not meets:
                    yield word, leg, end

    def _check_rows(self, check: Check) -> Iterator[_Row]:
        """Return the places to check; nobody digs by them."""
        for number, (number_of_leg, at_m, aside_m) in enumerate(check.places, start=1):
            leg = self.survey.legs[number_of_leg]
            on_leg = min(max(at_m, 0.0), leg.route.length_m)
            place = np.asarray(leg.route.position(at_m, aside_m, extrapolate=True), dtype=float)
            head = f"CHECK {number} {check.kind.replace('_', ' ')}"
            label = f"{head} {leg.name} {format_station(on_leg, unit=self.unit)}"
            if aside_m:
                side = "right" if aside_m > 0 else "left"
                label += f" {side} {format_length(abs(aside_m), unit=self.unit)}"
            told: dict[str, Any] = {"label": head, "check": check.kind}
            told |= {"place": staking.place_text(self.survey, number_of_leg, at_m, aside_m)}
            told |= {"offset_m": aside_m, "number": number} | _on(leg, at_m)
            yield "check_place", label, place[:2], self.ground_m(leg, on_leg), told

    def _listening_rows(self) -> Iterator[_Row]:
        """Return the places of the next readings, the most telling first.

        A contact reading stands at the fitting as it was shot, every other on the fitted line.
        """
        shots = {each.point.id: each for each in self.survey.points}
        for number, each in enumerate(self.decision.next_readings, start=1):
            leg = self.survey.legs[each.leg]
            place = np.asarray(leg.route.position(each.chainage_m), dtype=float)[:2]
            shot = shots.get(each.point) if each.point and each.kind == "contact" else None
            if shot is not None:
                place = np.array([shot.easting_m, shot.northing_m])
            station = format_station(each.chainage_m, unit=self.unit)
            head, kind = f"LISTEN {number}", each.kind.replace("_", " ")
            told: dict[str, Any] = {"label": head, "reading_kind": each.kind}
            where = each.point or staking.place_text(self.survey, each.leg, each.chainage_m)
            told |= {"place": where}
            told |= {"expected_interval_95_m": each.expected_interval_95_m, "number": number}
            told |= _on(leg, each.chainage_m)
            height = self.ground_m(leg, each.chainage_m)
            yield "next_reading", f"{head} {kind} {leg.name} {station}", place, height, told


def named(survey: Survey, pieces: tuple[Piece, ...]) -> tuple[tuple[str, float, float], ...]:
    """Return pieces with their leg's name in place of its number."""
    return tuple((survey.legs[leg].name, float(low), float(high)) for leg, low, high in pieces)


def _on(leg: SurveyedLeg, chainage_m: float) -> dict[str, Any]:
    return {"leg": leg.name, "chainage_m": chainage_m}
