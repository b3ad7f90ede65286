"""From survey, posterior and advice to the finished `Result`."""

from __future__ import annotations

import datetime
import hashlib
import math
from collections.abc import Iterator

import numpy as np

from geoleak import __version__
from geoleak.posterior import RIVALS, Piece, Posterior
from geoleak.record import replace
from geoleak.result.features import features
from geoleak.result.records import (
    CheckSummary,
    DecisionSummary,
    Leak,
    LearnedFrom,
    LegSummary,
    NamedPiece,
    NearMarks,
    NextHole,
    NextReadingSummary,
    Position,
    ProfileLeg,
    Provenance,
    ReadingSummary,
    Result,
    RivalSummary,
    SiteSummary,
    picked,
)
from geoleak.stake import Stakeout, place_text
from geoleak.survey import Levels, Survey, SurveyedLeg
from geoleak.units import format_station

PROFILE_POINTS = 400


def build_result(
    survey: Survey, posterior: Posterior, *, now: datetime.datetime | None = None
) -> Result:
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
    bare = Result(
        run=_run(survey),
        site=_site(survey),
        leak=_leak(out),
        near=_near(out),
        legs=tuple(
            _leg(survey, each, posterior.leg_probability[each.number]) for each in survey.legs
        ),
        decision=_decision(out),
        next_readings=tuple(_next_readings(out)),
        profile=tuple(_profile(posterior, leg) for leg in survey.legs),
        readings=tuple(row for levels in survey.levels for row in _readings(survey, levels)),
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
    )
    return replace(bare, features=features(out, bare))


def _run(survey: Survey) -> Provenance:
    """Return the run's id: the same inputs and version always give the same."""
    site, known = survey.site, survey.site.tables
    digest = hashlib.sha256(__version__.encode())
    for name in sorted(site.inputs):
        digest.update(f"\n{name} {site.inputs[name]}".encode())
    learned = LearnedFrom(known.file, known.sites, known.first, known.last)
    return Provenance(
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


def _site(survey: Survey) -> SiteSummary:
    site, frame = survey.site, survey.frame
    of_frame = ("grid_name", "grid_unit", "mean_height_m", "combined_factor", "grid_scale",
                "elevation_factor", "convergence_deg")  # fmt: skip
    return SiteSummary(
        **picked(site, "title", "crs", "length_unit", "corrections"),
        **picked(frame, *of_frame),
        local=frame.is_local,
        operations=tuple(frame.operations),
    )


def _leak(out: Stakeout) -> Leak:
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
    return Leak(
        leg=leg.name,
        chainage_m=out.at_m,
        station=format_station(out.at_m, unit=out.unit),
        interval_50=named(survey, posterior.interval_50),
        interval_80=named(survey, posterior.interval_80),
        interval_95=named(survey, posterior.interval_95),
        sigma_along_m=posterior.peaks[0].sigma_m if one_peak and posterior.peaks else None,
        position=Position(east, north, frame.grid_unit, frame.grid_crs),
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


def named(survey: Survey, pieces: tuple[Piece, ...]) -> tuple[NamedPiece, ...]:
    """Return pieces with their leg's name in place of its number."""
    return tuple((survey.legs[leg].name, float(low), float(high)) for leg, low, high in pieces)


def _near(out: Stakeout) -> NearMarks | None:
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
    return NearMarks(ids[k], float(at_m - chainage[k]), following, first, last)


def _leg(survey: Survey, leg: SurveyedLeg, probability: float) -> LegSummary:
    vertices = np.asarray(leg.route.vertices_m)
    return LegSummary(
        name=leg.name,
        **picked(leg.route, "length_m", "pipe_length_m"),
        probability=float(probability),
        **picked(leg.leg, "material", "outside_diameter_m", "marks_by"),
        assumed=leg.leg.marks_by in ("records", "assumed"),
        vertices=tuple(
            zip(*map(np.ndarray.tolist, survey.frame.to_grid(*vertices.T[:2])), strict=True)
        ),
    )


def _decision(out: Stakeout) -> DecisionSummary:
    decision, posterior = out.decision, out.posterior
    prior = out.survey.site.prior
    return DecisionSummary(
        **picked(decision, "verdict", "reasons", "chance_by_length", "value_of_reading"),
        chance_in_hole=decision.hole.chance,
        hole=out.hole[0],
        then=tuple(
            NextHole(named(out.survey, each.pieces), each.length_m, each.chance)
            for each in decision.then
        ),
        rivals=tuple(
            RivalSummary(
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


def _check(out: Stakeout) -> CheckSummary | None:
    check = out.decision.check
    if check is None:
        return None
    told = picked(check, "kind", "minutes", "rival", "fitting", "job", "then")
    passed = float(check.chance_if_passed)
    places = (place_text(out.survey, *place) for place in check.places)
    return CheckSummary(**told, places=tuple(places), chance_if_passed=passed)


def _next_readings(out: Stakeout) -> Iterator[NextReadingSummary]:
    now_m = float(sum(high - low for _, low, high in out.posterior.interval_95))
    for each in out.decision.next_readings:
        leg = out.survey.legs[each.leg]
        yield NextReadingSummary(
            **picked(each, "kind", "chainage_m", "expected_interval_95_m"),
            place=each.point or place_text(out.survey, each.leg, each.chainage_m),
            leg=leg.name,
            interval_95_now_m=now_m,
        )


def _profile(posterior: Posterior, leg: SurveyedLeg) -> ProfileLeg:
    cells = posterior.cells
    mine = cells.leg == leg.number
    chainage, density = thinned(cells.chainage_m[mine], cells.width_m[mine], posterior.mass[mine])
    curve = next((each for each in posterior.curves if each.leg == leg.number), None)
    if curve is None:
        return ProfileLeg(leg.name, chainage, density)
    step = max(1, math.ceil(len(curve.chainage_m) / PROFILE_POINTS))
    drawn = (curve.chainage_m, curve.expected_db, curve.low_db, curve.high_db)
    return ProfileLeg(leg.name, chainage, density, *(tuple(e[::step].tolist()) for e in drawn))


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


def _readings(survey: Survey, levels: Levels) -> Iterator[ReadingSummary]:
    sheet = {each.id: each for each in survey.site.readings}
    for k, name in enumerate(levels.id):
        row = sheet.get(name)
        rest = {e: float(getattr(levels, e)[k]) for e in ("background_db", "low_hz", "high_hz")}
        yield ReadingSummary(
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
