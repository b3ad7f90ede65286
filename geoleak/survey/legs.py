"""The legs of a site fitted and joined."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from geoleak.errors import GeoleakError, GeometryError, SiteDataError
from geoleak.record import Record, replace
from geoleak.route import FixedPoint, MarkArray, RouteFit, RouteOptions, fit_route
from geoleak.site import Leg, Note, Site
from geoleak.survey.calibration import calibrated, calibrations_by_leg
from geoleak.survey.mains import DrawnMains, OnLeg, network_notes
from geoleak.survey.records import SurveyedLeg, SurveyedPoint
from geoleak.units import format_length

# Where nothing states a depth: what the inference assumes, and how little that is worth
# (services mostly lie 0.5 to 1.5 m deep; common practice, no source). A depth stated of a drawn
# line is worth no more: it was planned or once measured, and is not what lies there now.
ASSUMED_DEPTH_M = 0.9
ASSUMED_DEPTH_SIGMA_M = 0.3
# Marks are painted every 3 to 5 ft (common practice, no source); a third of that is a wrong unit.
CLOSE_MARKS_M = 0.45
FEW_MARKS = 5
# So many marks off the line, on both sides of it, are no marks of other pipes: the rover scatters
# (common practice, no source).
MANY_STRAYS = 0.2


class FittedLegs(Record):
    """Every leg with its route, how legs follow the drawing, and what the fits have to say."""

    legs: tuple[SurveyedLeg, ...]
    notes: list[Note]
    on_drawing: list[OnLeg]


def fit_legs(
    site: Site, points: Mapping[str, SurveyedPoint], mains: DrawnMains | None = None
) -> FittedLegs:
    """Return every leg with its fitted or drawn route.

    Raises
    ------
    SiteDataError
        Where the marks of a leg allow no route, with the place of the leg in site.toml.
    """
    fitter = _Fitter(site, points, mains)
    legs = tuple(fitter.leg(number, leg) for number, leg in enumerate(site.legs))
    if not legs:
        raise SiteDataError("site.toml names no leg; a site needs one [[leg]] with its marks")
    if mains is not None:
        fitter.notes += network_notes(mains, legs, fitter.assumed)
    return FittedLegs(legs, fitter.notes, fitter.on_drawing)


class _Fitter:
    """Fits the legs of one site; gathers notes."""

    def __init__(
        self, site: Site, points: Mapping[str, SurveyedPoint], mains: DrawnMains | None
    ) -> None:
        self.site = site
        self.points = points
        self.mains = mains
        self.notes: list[Note] = []
        self.on_drawing: list[OnLeg] = []
        self.assumed = 0
        self._measured = calibrations_by_leg(site)

    def leg(self, number: int, leg: Leg) -> SurveyedLeg:
        """Return one leg with its route."""
        try:
            fit = self._drawn(number, leg) if leg.drawn and self.mains else self._traced(leg)
        except GeoleakError as error:
            raise SiteDataError(f"{leg.origin}: {error}") from error
        rows = self._measured[number]
        fit, measured = calibrated(self.site, leg, fit, self.points, rows)
        if len(fit.marks) or not leg.drawn:
            self.notes += [replace(each, origin=leg.origin) for each in fit.warnings]
        self.notes += measured
        self.notes += _spacing_notes(self.site, leg, fit)
        self.notes += _boundary_notes(self.site, leg, fit, self.points)
        boundary = _boundary(leg, fit, self.points)
        return SurveyedLeg(number=number, leg=leg, fit=fit, boundary_m=boundary)

    def _traced(self, leg: Leg) -> RouteFit:
        marks, assumed = _marks(self.site, leg, self.points)
        options = RouteOptions(
            order="found" if leg.order == "found" else "given",
            fit=leg.fit,
            depth_to=leg.depth_to,
            outside_diameter_m=leg.outside_diameter_m,
            length_unit=self.site.length_unit,
            leg=leg.name,
        )
        if assumed:
            self.notes.append(_depth_note(self.site, leg))
        return fit_route(marks, options=options)

    def _drawn(self, number: int, leg: Leg) -> RouteFit:
        """Return the route of a leg on drawn lines, its marks correcting them."""
        from geoleak.route import Drawing, drawn_fit, spliced

        mains = self.mains
        if mains is None:
            raise ValueError(f"leg {leg.name} is drawn, but there is no drawing")
        chain = mains.chain(leg.drawn, leg=leg.name)
        known = leg.depth_m is not None
        drawing = Drawing(
            sigma_m=mains.sigma_m,
            depth_m=leg.depth_m if leg.depth_m is not None else ASSUMED_DEPTH_M,
            depth_sigma_m=ASSUMED_DEPTH_SIGMA_M,
            outside_diameter_m=leg.outside_diameter_m,
            length_unit=self.site.length_unit,
            leg=leg.name,
        )
        traced = bool(leg.mark_ids) or (leg.start is not None and leg.end is not None)
        if not traced:
            if leg.start is not None or leg.end is not None:
                raise GeometryError(
                    f'leg "{leg.name}" follows a drawn line from its start to its end; give it '
                    "marks as well, or leave start and end out"
                )
            self.assumed += not known
            self.on_drawing.append(OnLeg(number, chain, None))
            return drawn_fit(chain.vertices, drawing, route=mains.route_of(chain))
        whole = spliced(chain.vertices, self._traced(leg), drawing)
        self.on_drawing.append(OnLeg(number, chain, whole))
        return whole.fit


def unstated_scatter_m(site: Site, legs: tuple[SurveyedLeg, ...]) -> float | None:
    """Return how widely marks stand about their lines, where nobody stated a precision.

    None where one is stated, or where few marks stand off, or all on one side.
    """
    assumed = any(note.code == "precision_assumed" for note in site.notes)
    fits = [each.fit for each in legs if len(each.fit.marks) >= FEW_MARKS]
    if not assumed or not fits:
        return None
    off = np.concatenate([fit.mark_residual_m for fit in fits])
    strays = np.concatenate([fit.mark_residual_m[fit.strays] for fit in fits])
    if len(strays) < MANY_STRAYS * len(off) or abs(np.sign(strays).sum()) == len(strays):
        return None
    return float(np.sqrt(np.mean(off**2)))


def scatter_note(site: Site, scatter_m: float) -> Note:
    """Return the note that the points are taken as worse than a fixed solution."""
    text = (
        f"the marks scatter {format_length(scatter_m, unit=site.length_unit)} about their line, "
        "and no precision is stated: every point is taken as good to no more than that; shoot "
        "the marks with a corrected rover, or state the precision"
    )
    return Note("precision_by_scatter", text)


def _depth_note(site: Site, leg: Leg) -> Note:
    assumed = format_length(ASSUMED_DEPTH_M, unit=site.length_unit)
    spread = format_length(ASSUMED_DEPTH_SIGMA_M, unit=site.length_unit)
    return Note(
        "depth_unknown",
        f'no depth is stated for leg "{leg.name}": the inference takes {assumed}, give or take '
        f"{spread}, and no depth is printed; state depth in [[leg]] or with the marks",
        leg.origin,
    )


def _spacing_notes(site: Site, leg: Leg, fit: RouteFit) -> list[Note]:
    """Say so where marks stand closer than anybody paints them: the unit may be wrong."""
    if len(fit.marks) < FEW_MARKS:
        return []
    step = float(np.median(np.diff(np.sort(fit.mark_chainage_m))))
    if step >= CLOSE_MARKS_M:
        return []
    apart = format_length(step, unit=site.length_unit)
    stated = "length_unit" if site.is_local else "crs"
    text = (
        f'the marks of leg "{leg.name}" stand {apart} apart, closer than a pipe is usually marked: '
        f"is the unit of their coordinates right ({stated})?"
    )
    return [Note("marks_close", text, leg.origin)]


def _boundary_notes(
    site: Site, leg: Leg, fit: RouteFit, points: Mapping[str, SurveyedPoint]
) -> list[Note]:
    if leg.boundary is None:
        return []
    at = points[leg.boundary]
    away_m = float(fit.route.snap(np.array([at.easting_m, at.northing_m])).distance_m)
    if away_m <= site.levels.gate_m:
        return []
    away = format_length(away_m, unit=site.length_unit)
    text = (
        f'boundary {leg.boundary} of leg "{leg.name}" lies {away} aside: the pipe is parted at the '
        "place nearest to it; shoot a point where the boundary crosses the pipe"
    )
    return [Note("boundary_far", text, leg.origin)]


def depth_is_known(site: Site, leg: Leg) -> bool:
    """Tell whether anything states how deep a leg lies."""
    return leg.depth_m is not None or any(
        site.points[name].depth_m is not None for name in leg.mark_ids
    )


def _marks(site: Site, leg: Leg, points: Mapping[str, SurveyedPoint]) -> tuple[MarkArray, bool]:
    """Return the marks of a leg as arrays, and whether its depth had to be assumed."""
    shot = [points[name] for name in leg.mark_ids]
    known = depth_is_known(site, leg)
    fallback = leg.depth_m
    if fallback is None:
        stated = [p.point.depth_m for p in shot if p.point.depth_m is not None]
        fallback = float(np.median(stated)) if stated else ASSUMED_DEPTH_M
    depth = np.array([fallback if p.point.depth_m is None else p.point.depth_m for p in shot])
    rover = np.array([p.sigma_m for p in shot])
    locator = np.array([max(site.crew.locator_sigma.at(d), 0.01) for d in depth])
    spread = None if known else np.full(len(shot), ASSUMED_DEPTH_SIGMA_M)
    marks = MarkArray(
        easting_m=np.array([p.easting_m for p in shot]),
        northing_m=np.array([p.northing_m for p in shot]),
        height_m=np.array([p.height_m for p in shot]),
        depth_m=depth,
        sigma_across_m=np.hypot(locator, rover),
        sigma_along_m=np.hypot(0.03, rover),
        ids=leg.mark_ids,
        locator_bias_m=np.array([site.crew.locator_bias.at(d) for d in depth]),
        rover_bias_m=site.point_file.rover_bias_m,
        depth_sigma_m=spread,
        depth_shared_m=spread,
        marks_by=leg.marks_by,
        start=_fixed(leg.start, points),
        end=_fixed(leg.end, points),
    )
    return marks, not known


def _fixed(name: str | None, points: Mapping[str, SurveyedPoint]) -> FixedPoint | None:
    if name is None:
        return None
    each = points[name]
    depth = each.point.depth_m
    return FixedPoint(
        id=name,
        easting_m=each.easting_m,
        northing_m=each.northing_m,
        # A fitting is shot at its lid or riser: the pipe below stands within a hand of it.
        sigma_m=math.hypot(each.sigma_m, 0.05),
        height_m=each.height_m,
        depth_m=math.nan if depth is None else depth,
    )


def _boundary(leg: Leg, fit: RouteFit, points: Mapping[str, SurveyedPoint]) -> float | None:
    if leg.boundary is None:
        return None
    at = points[leg.boundary]
    return float(fit.route.snap(np.array([at.easting_m, at.northing_m])).chainage_m)
