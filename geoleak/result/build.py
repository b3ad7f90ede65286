"""From survey, posterior and advice to the finished `Result`: what it says, then what it draws."""

from __future__ import annotations

import datetime
import hashlib
import math
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np
import shapely

from geoleak import __version__
from geoleak.posterior import RIVALS, Piece, Posterior
from geoleak.record import picked, replace
from geoleak.result import records
from geoleak.stake import Stakeout, named, place_text, reproject
from geoleak.survey import Levels, Survey, SurveyedLeg, chainage_of, found_places, on_a_leg
from geoleak.units import format_station

PROFILE_POINTS = 400
Row = tuple[str, str, shapely.Geometry, dict[str, Any]]
"""Of what is drawn: kind, id, shape in the working frame, properties."""
YES_NO = {True: "yes", False: "no", None: None}


def build_result(
    survey: Survey, posterior: Posterior, *, now: datetime.datetime | None = None
) -> records.Result:
    """Return the Result of a survey and its posterior; `now` judges the locate request's dates."""
    out = Stakeout(survey, posterior, now=now)
    stopped = (each.note for each in out.decision.doubts if each.note is not None)
    notes = (*survey.warnings, *posterior.warnings, *stopped, *out.notes)
    # Each file is named as it stands in the site's folder, wherever that is.
    home = f"{survey.site.folder}/"
    named_in = (n.origin._replace(file=n.origin.file.removeprefix(home)) for n in notes)
    told = (replace(n, origin=at) for n, at in zip(notes, named_in, strict=True))
    services, near, _ = out.services
    close = {each.name for each in near}
    legs = tuple(_leg(survey, each, posterior.leg_probability[each.number]) for each in survey.legs)
    readings = tuple(row for levels in survey.levels for row in _readings(survey, levels))
    dug = _dug(survey, out.leg.name, out.at_m, YES_NO[out.repaired])
    drawn = _placed(survey, [*_drawn(out, legs, readings), *_stakes(out), *dug])
    return records.Result(
        run=_run(survey),
        site=_site(survey),
        leak=_leak(out),
        near=_near(out),
        legs=legs,
        decision=_decision(out),
        next_readings=tuple(_next_readings(out)),
        profile=tuple(_profile(posterior, leg) for leg in survey.legs),
        readings=readings,
        fits=posterior.fits,
        level_scale=survey.site.levels.level_scale,
        warnings=tuple(dict.fromkeys(told)),
        cautions=out.cautions,
        ties=out.ties.ties,
        ties_text=out.ties.texts,
        stakes=tuple(stake for stake, _, _ in out.stakes),
        point_style=survey.site.points.style,
        services=near,
        services_clear=tuple(dict.fromkeys(s.name for s in services if s.name not in close)),
        prior_factors=dict(sorted(posterior.prior_factors.items())),
        job=survey.site.job,
        not_before=out.not_before,
        closed=out.closed,
        features=drawn,
    )


def _run(survey: Survey) -> records.Provenance:
    """Return the run's id: the same inputs and version always give the same."""
    site, known = survey.site, survey.site.tables
    digest = hashlib.sha256(__version__.encode())
    for name in sorted(site.inputs):
        digest.update(f"\n{name} {site.inputs[name]}".encode())
    learned = records.LearnedFrom(known.file, known.sites, known.first, known.last)
    return records.Provenance(
        id=digest.hexdigest()[:6],
        version=__version__,
        date=_date(survey),
        created_from=dict(sorted(site.inputs.items())),
        tables=learned if known.file else None,
    )


def _date(survey: Survey) -> str | None:
    """Return the newest day that the points in use state."""
    stamps = [p.point.time[:10] for p in survey.points if len(p.point.time) >= 10]
    days = [each for each in stamps if each[4:5] == "-" and each[7:8] == "-"]
    return max(days, default=None)


def _site(survey: Survey) -> records.SiteSummary:
    site, frame = survey.site, survey.frame
    of_frame = ("grid_name", "grid_unit", "mean_height_m", "combined_factor", "grid_scale",
                "elevation_factor", "convergence_deg")  # fmt: skip
    return records.SiteSummary(
        **picked(site, "title", "crs", "length_unit", "corrections"),
        **picked(frame, *of_frame),
        local=frame.is_local,
        operations=tuple(frame.operations),
    )


def _leak(out: Stakeout) -> records.Leak:
    survey, posterior, leg = out.survey, out.posterior, out.leg
    frame = survey.frame
    east, north = map(float, frame.to_grid(*out.place_m))
    lonlat = None
    if not frame.is_local:
        lon, lat = map(float, frame.to_lonlat(*out.place_m))
        lonlat = (lon, lat)
    # Peaks of a tenth and more are those that a person must reckon with.
    competing = sum(peak.mass >= 0.1 for peak in posterior.peaks)
    one_peak = posterior.second_leak is None and competing < 2
    return records.Leak(
        leg=leg.name,
        chainage_m=out.at_m,
        station=format_station(out.at_m, unit=out.unit),
        interval_50=named(survey, posterior.interval_50),
        interval_80=named(survey, posterior.interval_80),
        interval_95=named(survey, posterior.interval_95),
        sigma_along_m=posterior.peaks[0].sigma_m if one_peak and posterior.peaks else None,
        position=records.Position(east, north, frame.grid_unit, frame.grid_crs),
        elevation_m=out.ground_m(leg, out.at_m),
        lonlat=lonlat,
        lonlat_accuracy_m=out.lonlat_accuracy_m(leg, out.at_m),
        setting_out_ellipse_95=out.ellipse_95(leg, out.at_m),
        depth_m=out.crown_m if out.dig_depth_m is not None else None,
        depth_sigma_m=out.crown_sigma_m if out.dig_depth_m is not None else None,
        side=out.sides,
        probability_elsewhere=posterior.elsewhere,
        budget=out.budget(leg, out.at_m),
        probability_interval=posterior.held_chance,
    )


def _near(out: Stakeout) -> records.NearMarks | None:
    fit, at_m = out.leg.fit, out.at_m
    chainage = np.asarray(fit.mark_chainage_m)
    ids = fit.marks.ids
    order = [int(k) for k in np.argsort(chainage, kind="stable")]
    if not order:
        return None
    run = fit.straight_run(at_m)
    first, last = (None, None) if run.curved else (run.first_mark or None, run.last_mark or None)
    passed = sum(chainage[k] <= at_m for k in order)
    beside = order[max(passed - 1, 0) : passed + 1]
    k = min(beside, key=lambda each: abs(chainage[each] - at_m))
    following = next((ids[each] for each in beside if each != k), None)
    return records.NearMarks(ids[k], float(at_m - chainage[k]), following, first, last)


def _leg(survey: Survey, leg: SurveyedLeg, probability: float) -> records.LegSummary:
    vertices = np.asarray(leg.route.vertices_m)
    return records.LegSummary(
        name=leg.name,
        **picked(leg.route, "length_m", "pipe_length_m"),
        probability=float(probability),
        **picked(leg.leg, "material", "outside_diameter_m", "marks_by"),
        assumed=leg.leg.marks_by in ("records", "assumed"),
        vertices=tuple(
            zip(*map(np.ndarray.tolist, survey.frame.to_grid(*vertices.T[:2])), strict=True)
        ),
    )


def _decision(out: Stakeout) -> records.DecisionSummary:
    decision, posterior = out.decision, out.posterior
    prior = out.survey.site.prior
    return records.DecisionSummary(
        **picked(decision, "verdict", "reasons", "chance_by_length", "value_of_reading"),
        chance_in_hole=decision.hole.chance,
        hole=out.hole[0],
        then=tuple(
            records.NextHole(named(out.survey, each.pieces), each.length_m, each.chance)
            for each in decision.then
        ),
        rivals=tuple(
            records.RivalSummary(
                **picked(each, "name", "chance", "checked", "point"),
                chance_dry=decision.in_hole.missed(each.name),
                share_stated=each.share,
            )
            for each in posterior.rivals
            if each.share > 0
        ),
        check=_check(out),
        chance_if_heard=decision.in_hole.if_heard,
        rivals_off=tuple(k for k in (*RIVALS, "elsewhere") if getattr(prior, k) == 0.0),
        doubts=tuple(each.code for each in decision.doubts),
    )


def _check(out: Stakeout) -> records.CheckSummary | None:
    check = out.decision.check
    if check is None:
        return None
    told = picked(check, "kind", "minutes", "rival", "fitting", "job", "then")
    passed = float(check.chance_if_passed)
    places = (place_text(out.survey, *place) for place in check.places)
    return records.CheckSummary(**told, places=tuple(places), chance_if_passed=passed)


def _next_readings(out: Stakeout) -> Iterator[records.NextReadingSummary]:
    now_m = float(sum(high - low for _, low, high in out.posterior.interval_95))
    for each in out.decision.next_readings:
        leg = out.survey.legs[each.leg]
        yield records.NextReadingSummary(
            **picked(each, "kind", "chainage_m", "expected_interval_95_m"),
            place=each.point or place_text(out.survey, each.leg, each.chainage_m),
            leg=leg.name,
            interval_95_now_m=now_m,
        )


def _profile(posterior: Posterior, leg: SurveyedLeg) -> records.ProfileLeg:
    cells = posterior.cells
    mine = cells.leg == leg.number
    chainage, density = thinned(cells.chainage_m[mine], cells.width_m[mine], posterior.mass[mine])
    curve = next((each for each in posterior.curves if each.leg == leg.number), None)
    if curve is None:
        return records.ProfileLeg(leg.name, chainage, density)
    step = max(1, math.ceil(len(curve.chainage_m) / PROFILE_POINTS))
    drawn = (curve.chainage_m, curve.expected_db, curve.low_db, curve.high_db)
    return records.ProfileLeg(
        leg.name, chainage, density, *(tuple(e[::step].tolist()) for e in drawn)
    )


def thinned(
    chainage_m: np.ndarray, width_m: np.ndarray, mass: np.ndarray
) -> tuple[tuple[float, ...], tuple[float, ...]]:
    """Return chainages and densities per metre, few enough to draw, each bin's mass kept."""
    step = max(1, math.ceil(len(mass) / PROFILE_POINTS))
    starts = np.arange(0, len(mass), step)
    if not len(starts):
        return (), ()
    width = np.add.reduceat(width_m, starts)
    centre = np.add.reduceat(chainage_m * width_m, starts) / width
    density = np.add.reduceat(mass, starts) / width
    return tuple(centre.tolist()), tuple(density.tolist())


def _readings(survey: Survey, levels: Levels) -> Iterator[records.ReadingSummary]:
    sheet = {each.id: each for each in survey.site.readings}
    for k, name in enumerate(levels.id):
        row = sheet.get(name)
        rest = {e: float(getattr(levels, e)[k]) for e in ("background_db", "low_hz", "high_hz")}
        yield records.ReadingSummary(
            id=name,
            kind=levels.kind,
            place=row.place.text if row else "",
            leg=survey.legs[levels.leg[k]].name,
            chainage_m=float(levels.chainage_m[k]),
            offset_m=float(levels.offset_m[k]),
            level_db=float(levels.level_db[k]),
            repeats=int(levels.repeats[k]),
            surface=levels.surface[k],
            **{each: None if math.isnan(value) else value for each, value in rest.items()},
            recording=row.recording if row else None,
            # A recording fills a level that the sheet leaves empty.
            level_from="recording" if row and not row.levels else "meter",
        )


def dug_features(survey: Survey, leg: str, stake_m: float) -> tuple[records.Feature, ...]:
    """Return the holes dug so far and the leaks found, held against a stake.

    A leak found says how far up-chainage of the stake it lay (``along_m``, on the stake's own leg)
    and how far right of the traced line (``offset_m``).
    """
    return _placed(survey, _dug(survey, leg, stake_m, None))


def _placed(survey: Survey, rows: Iterable[Row]) -> tuple[records.Feature, ...]:
    """Return what is drawn in the printed grid and in lon/lat; unknown properties are left out."""
    rows, frame = list(rows), survey.frame
    shapes = np.array([shape for _, _, shape, _ in rows], dtype=object)
    grid = reproject(shapes, frame.to_grid)
    lonlat = [None] * len(rows) if frame.is_local else reproject(shapes, frame.to_lonlat)
    # NaN is the one value that is not itself.
    return tuple(
        records.Feature(
            kind, name, here, there, {k: v for k, v in told.items() if v is not None and v == v}
        )
        for (kind, name, _, told), here, there in zip(rows, grid, lonlat, strict=True)
    )


def _stretch(survey: Survey, piece: Piece) -> shapely.Geometry:
    """Return a piece of pipe as a line (a point where it has no length)."""
    leg, low, high = piece
    route = survey.legs[leg].route
    if high - low < 1e-6:
        low, high = max(low - 0.005, 0.0), min(high + 0.005, route.length_m)
    return shapely.LineString(np.asarray(route.slice(low, high).vertices_m)[:, :2])


def _dug(survey: Survey, stake_leg: str, stake_m: float, repaired: str | None) -> Iterator[Row]:
    for number, each in enumerate(survey.holes, start=1):
        row, name = each.hole, survey.legs[each.leg].name
        at = {"leg": name, "from_m": each.from_m, "to_m": each.to_m}
        seen = YES_NO[row.pipe_exposed]
        rest = {"outcome": row.outcome, "exposed": seen, "label": f"hole {row.id}"}
        line = _stretch(survey, (each.leg, each.from_m, each.to_m))
        yield "dug", f"dug-{number}", line, at | rest
    for number, (found, place) in enumerate(found_places(survey, survey.site.found), start=1):
        told: dict[str, Any] = {"label": "LEAK FOUND"}
        if on_a_leg(place):
            name, at_m = survey.legs[place.leg].name, chainage_of(survey, place)
            told |= {"leg": name, "chainage_m": at_m, "offset_m": place.offset_m}
            told |= {"along_m": at_m - stake_m} if name == stake_leg else {}
        told |= {"depth_m": found.depth_m, "cause": found.cause or None, "date": found.date}
        shape = shapely.Point(place.easting_m, place.northing_m)
        yield "found", f"found-{number}", shape, told | {"repaired": repaired}


def _drawn(
    out: Stakeout,
    legs: tuple[records.LegSummary, ...],
    readings: tuple[records.ReadingSummary, ...],
) -> Iterator[Row]:
    """Yield pipe, intervals, hole, points, readings, services and ties."""
    survey = out.survey
    size = ("length_m", "pipe_length_m", "probability", "material", "outside_diameter_m")
    for leg, summary in zip(survey.legs, legs, strict=True):
        line = shapely.LineString(np.asarray(leg.route.vertices_m)[:, :2])
        told = {"leg": leg.name, **picked(summary, *size, "marks_by", "assumed")}
        yield "route", leg.name, line, told
    for percent in (95, 80, 50):
        for k, piece in enumerate(getattr(out.posterior, f"interval_{percent}"), start=1):
            told = {"percent": percent, "leg": survey.legs[piece[0]].name}
            told |= {"from_m": float(piece[1]), "to_m": float(piece[2])}
            yield "interval", f"{percent}-{k}", _stretch(survey, piece), told
    if out.digs:  # a drawn hole gets dug
        hole, outline, _ = out.hole
        told = picked(hole, "length_m", "width_m", "depth_m")
        told |= {"chance": out.decision.hole.chance, "leg": out.leg.name}
        yield "hole", "hole", outline, told
    for each in survey.points:
        if each.kind in ("mark", "fitting", "feature"):
            point = each.point
            told = {
                "code": point.code,
                "leg": None if each.leg is None else survey.legs[each.leg].name,
                **picked(each, "chainage_m", "offset_m"),
                **picked(point, "elevation_m", "depth_m"),
                "sigma_m": each.sigma_m,
                "status": point.status,
                "note": point.note or None,
            }
            yield each.kind, point.id, shapely.Point(each.easting_m, each.northing_m), told
    names = ("place", "leg", "chainage_m", "offset_m", "level_db", "surface", "level_from")
    at = ((levels, k) for levels in survey.levels for k in range(len(levels.id)))
    for (levels, k), reading in zip(at, readings, strict=True):
        place = shapely.Point(levels.easting_m[k], levels.northing_m[k])
        told = {"reading_kind": reading.kind, **picked(reading, *names)}
        yield "reading", reading.id, place, told
    for service in out.services[0]:
        told = picked(service, "name", "colour", "quality", "depth_m")
        yield "utility", service.name, service.geometry, told
    for tie, held in zip(out.ties.ties, out.ties.points, strict=True):
        line = shapely.LineString([(held.easting_m, held.northing_m), out.place_m])
        yield "tie", f"tie-{tie.feature}", line, picked(tie, "feature", "distance_m", "bearing_deg")


def _stakes(out: Stakeout) -> Iterator[Row]:
    """Return what is set out: to dig by, else the places to check first or to listen at next.

    Where nobody is to dig, the best place so far is one, of a kind of its own and named as what it
    is: nothing is to be set out for a hole.
    """
    ahead: list[Row] = []
    verdict = {"verdict": out.decision.verdict}
    for stake, spot, told in out.stakes:
        shape, height = shapely.Point(spot), {"elevation_m": stake.elevation_m}
        if stake.kind in ("next_reading", "check_place"):
            leg = next(each for each in out.survey.legs if each.name == told["leg"])
            # A place to trace on to lies past the end; the line's position there is the end's.
            on_line = min(max(told["chainage_m"], 0.0), leg.route.length_m)
            vague = {"lonlat_accuracy_m": out.lonlat_accuracy_m(leg, on_line)}
            ahead.append((stake.kind, stake.id, shape, told | height | vague))
        else:
            # Ends of the hole are offset stakes to whoever draws: set out beside the leak's own.
            kind = "offset_stake" if stake.kind.startswith("hole") else stake.kind
            told = {"label": stake.label} | height | told
            yield kind, stake.id, shape, told | (verdict if kind == "stake" else {})
    if not (out.digs or out.closed):
        label = f"BEST SO FAR {out.station}, not to dig"
        best = {"label": label, "elevation_m": out.ground_m(out.leg, out.at_m)}
        best |= {"leg": out.leg.name, "chainage_m": out.at_m, **verdict}
        yield "best_so_far", "best-so-far", shapely.Point(out.place_m), best
    yield from ahead
