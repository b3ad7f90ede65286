"""The legs of a site fitted, with the chainage that a wheel, tape or rod counter measured."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from itertools import pairwise
from typing import Any

import numpy as np
from msgspec import Struct

from geoleak.errors import Complaint, GeoleakError, GeometryError, InputError, SiteDataError
from geoleak.record import NDArray, field, replace
from geoleak.route import FixedPoint, MarkArray, RouteFit, RouteOptions, fit_route
from geoleak.site import Calibration, Leg, Note, Site
from geoleak.survey.mains import DrawnMains, OnLeg, network_notes
from geoleak.survey.records import SurveyedLeg, SurveyedPoint
from geoleak.units import format_length, unit_m

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
# Marks of two legs no farther apart than a locator errs at a common depth (0.1 of 1 m, three
# sigmas, and as much for each trace; common practice, no source) may be of one pipe.
ONE_PIPE_M = 0.5


def fit_legs(
    site: Site, points: Mapping[str, SurveyedPoint], mains: DrawnMains | None = None
) -> tuple[tuple[SurveyedLeg, ...], list[Note], list[OnLeg]]:
    """Return every leg with its fitted or drawn route, notes, and how legs follow the drawing.

    Raises
    ------
    SiteDataError
        Where the marks of a leg allow no route, with the place of the leg in site.toml.
    """
    if not site.legs:
        raise SiteDataError("site.toml names no leg; a site needs one [[leg]] with its marks")
    fitter, measured = _Fitter(site, points, mains), calibrations_by_leg(site)
    legs = tuple(fitter.leg(k, leg, measured[k]) for k, leg in enumerate(site.legs))
    fitter.notes += _traced_twice(legs)
    if mains is not None:
        fitter.notes += network_notes(mains, legs, fitter.assumed)
    return legs, fitter.notes, fitter.on_drawing


class _Fitter(Struct):
    """Fits the legs of one site; gathers notes."""

    site: Site
    points: Mapping[str, SurveyedPoint]
    mains: DrawnMains | None
    notes: list[Note] = field(default_factory=list)
    on_drawing: list[OnLeg] = field(default_factory=list)
    assumed: int = 0

    def leg(self, number: int, leg: Leg, rows: Sequence[Calibration]) -> SurveyedLeg:
        """Return one leg with its route."""
        try:
            fit = (
                self._drawn(number, leg, self.mains)
                if leg.drawn and self.mains
                else self._traced(leg)
            )
        except GeoleakError as error:
            raise SiteDataError(f"{leg.origin}: {error}") from error
        fit, measured = calibrated(self.site, leg, fit, self.points, rows)
        if len(fit.marks) or not leg.drawn:
            self.notes += [replace(each, origin=leg.origin) for each in fit.warnings]
        self.notes += [*measured, *_spacing_notes(self.site, leg, fit)]
        return SurveyedLeg(number=number, leg=leg, fit=fit, boundary_m=self._boundary_m(leg, fit))

    def _boundary_m(self, leg: Leg, fit: RouteFit) -> float | None:
        """Return where responsibility changes; a point far aside is noted."""
        if leg.boundary is None:
            return None
        site, at = self.site, self.points[leg.boundary]
        snap = fit.route.snap(np.array([at.easting_m, at.northing_m]))
        if float(snap.distance_m) > site.levels.gate_m:
            away = format_length(float(snap.distance_m), unit=site.length_unit)
            text = (
                f'boundary {leg.boundary} of leg "{leg.name}" lies {away} aside: the pipe is '
                "parted at the place nearest to it; shoot a point where the boundary crosses the "
                "pipe"
            )
            self.notes.append(Note("boundary_far", text, leg.origin))
        return float(snap.chainage_m)

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
            unit = self.site.length_unit
            depth, spread = (
                format_length(m, unit=unit) for m in (ASSUMED_DEPTH_M, ASSUMED_DEPTH_SIGMA_M)
            )
            text = (
                f'no depth is stated for leg "{leg.name}": the inference takes {depth}, give or '
                f"take {spread}, and no depth is printed; state depth in [[leg]] or with the marks"
            )
            self.notes.append(Note("depth_unknown", text, leg.origin))
        return fit_route(marks, options=options)

    def _drawn(self, number: int, leg: Leg, mains: DrawnMains) -> RouteFit:
        """Return the route of a leg on drawn lines, its marks correcting them."""
        from geoleak.route import Drawing, drawn_fit, spliced

        chain = mains.chain(leg.drawn, leg=leg.name)
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
            self.assumed += leg.depth_m is None
            self.on_drawing.append(OnLeg(number, chain, None))
            return drawn_fit(chain.vertices, drawing, route=mains.route_of(chain))
        whole = spliced(chain.vertices, self._traced(leg), drawing)
        self.on_drawing.append(OnLeg(number, chain, whole))
        return whole.fit


def _traced_twice(legs: Sequence[SurveyedLeg]) -> list[Note]:
    """Ask of each traced leg that runs along another, all but its strays, whether it is the same.

    A drawn one is told of by `DrawnMains.matched`.
    """
    import shapely

    traced = [each for each in legs if not each.leg.drawn and len(each.fit.marks) >= FEW_MARKS]
    lines: NDArray[Any] = np.array(
        [shapely.LineString(each.route.vertices_m[:, :2]) for each in traced], dtype=object
    )
    notes = []
    near = shapely.STRtree(lines).query(lines, predicate="dwithin", distance=ONE_PIPE_M)
    for one, two in sorted(pair for pair in near.T.tolist() if pair[0] < pair[1]):
        short, long = sorted((one, two), key=shapely.length(lines).item)
        leg = traced[short]
        at = np.asarray(leg.route.position(leg.fit.mark_chainage_m))[:, :2]
        away = shapely.distance(lines[long], shapely.points(at))
        if np.mean(away > ONE_PIPE_M) < MANY_STRAYS:
            text = (
                f"leg {leg.name} runs along leg {traced[long].name}: is it one pipe, traced twice? "
                "Then give the marks of both to one leg; as two it counts twice"
            )
            notes.append(Note("traced_twice", text, leg.leg.origin))
    return notes


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


# So near to the log of a foot's share of a metre is no wheel's error (common practice, no source).
MIXED = 0.05


def calibrations_by_leg(site: Site) -> list[list[Calibration]]:
    """Return the calibration rows of every leg."""
    found: list[list[Calibration]] = [[] for _ in site.legs]
    for row in site.calibrations:
        for number, leg in enumerate(site.legs):
            named = (*leg.mark_ids, leg.start, leg.end)
            if row.leg == leg.name or (
                row.leg is None and (len(site.legs) == 1 or row.point in named)
            ):
                found[number].append(row)
    return found


def calibrated(
    site: Site,
    leg: Leg,
    fit: RouteFit,
    points: Mapping[str, SurveyedPoint],
    rows: Sequence[Calibration],
) -> tuple[RouteFit, list[Note]]:
    """Give the route the chainages that a wheel or tape measured, where there are any.

    Raises
    ------
    InputError
        Where measured chainage falls along the leg, or its point does not stand on it.
    """
    if not rows:
        return fit, []
    places = np.array([[points[r.point].easting_m, points[r.point].northing_m] for r in rows])
    snap = fit.route.snap(places)
    # Measured chainage of points that do not stand on the leg would bend the scale.
    leads = {each.point: each.lead_m for each in site.fittings}
    complaints = [
        Complaint(
            row.origin,
            f"point {row.point} is {format_length(away_m, unit=site.length_unit)} from leg "
            f'"{leg.name}"',
            "measure at points of the pipe, or name the leg it stands on in column leg",
        )
        for row, away_m in zip(rows, np.asarray(snap.distance_m).tolist(), strict=True)
        if away_m > site.levels.gate_m + leads.get(row.point, 0.0)
    ]
    if complaints:
        raise InputError(complaints)
    order = np.argsort(snap.chainage_m, kind="stable")
    chainage = np.asarray(snap.chainage_m)[order]
    measured = np.array([rows[k].measured_m for k in order])
    for one, two in pairwise(rows[k] for k in order):
        if two.measured_m <= one.measured_m:
            raise InputError([_falls(one, two, site.length_unit)])
    try:
        route = fit.route.calibrated(chainage, measured)
    except GeoleakError as error:
        raise InputError([Complaint(rows[0].origin, str(error))]) from error
    text = (
        f'leg "{leg.name}": places such as "{leg.name}@40" are read as chainage measured on the '
        "ground (calibration.csv); every printed chainage is along the fitted route"
    )
    notes = [Note("measured_chainage", text, rows[0].origin)]
    times = float(np.ptp(measured) / np.ptp(chainage)) if len(rows) > 1 else 1.0
    if abs(abs(np.log(times)) / np.log(1.0 / unit_m("ft")) - 1.0) <= MIXED:
        what = f'leg "{leg.name}" measures {times:.2f} times its route: feet and metres look mixed'
        remedy = 'write the unit behind each figure of calibration.csv, such as "49.2 ft"'
        notes.append(Note("feet_for_metres", what, rows[0].origin, remedy))
    return replace(fit, route=route), notes


def _falls(one: Calibration, two: Calibration, unit: str) -> Complaint:
    before, here = (format_length(row.measured_m, unit=unit) for row in (one, two))
    return Complaint(
        two.origin,
        f"point {two.point} is measured at {here}, but point {one.point} before it at {before}",
        "measured chainage must rise along the leg: correct one of the two",
    )
