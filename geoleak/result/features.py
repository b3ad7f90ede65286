"""The things a Result lets others draw and store: in the printed grid and in lon/lat."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.posterior import Piece
from geoleak.result.records import Feature, Result
from geoleak.stake import Stakeout, reproject
from geoleak.survey import Survey, SurveyedPoint, chainage_of, found_places, on_a_leg

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry


def _told(record: Any, *names: str) -> dict[str, Any]:
    """Return fields of a record as properties."""
    return {name: getattr(record, name) for name in names}


class _Drawer:
    """Draws features in the working CRS; `placed` puts them all into the printed grid at once."""

    def __init__(self, survey: Survey) -> None:
        self.survey = survey

    def feature(self, kind: str, name: str, shape: BaseGeometry, /, **properties: Any) -> Feature:
        """Return a feature; properties that are unknown are left out, never NaN."""
        kept = {
            key: value
            for key, value in properties.items()
            if value is not None and not (isinstance(value, float) and math.isnan(value))
        }
        return Feature(kind, name, shape, None, kept)

    def placed(self, *drawn: Feature) -> tuple[Feature, ...]:
        """Return drawn features in the printed grid and in lon/lat."""
        frame, shapes = self.survey.frame, np.array([each.grid for each in drawn], dtype=object)
        grid = reproject(shapes, frame.to_grid)
        lonlat = [None] * len(drawn) if frame.is_local else reproject(shapes, frame.to_lonlat)
        placed = zip(drawn, grid, lonlat, strict=True)
        return tuple(replace(each, grid=here, lonlat=there) for each, here, there in placed)

    def point(self, kind: str, each: SurveyedPoint, **properties: Any) -> Feature:
        """Return a shot point as a feature."""
        import shapely

        leg = None if each.leg is None else self.survey.legs[each.leg].name
        return self.feature(
            kind,
            each.point.id,
            shapely.Point(each.easting_m, each.northing_m),
            code=each.point.code,
            leg=leg,
            **_told(each, "chainage_m", "offset_m"),
            **_told(each.point, "elevation_m", "depth_m"),
            sigma_m=each.sigma_m,
            status=each.point.status,
            note=each.point.note or None,
            **properties,
        )

    def stretch(self, piece: Piece) -> BaseGeometry:
        """Return a piece of pipe as a line (a point where it has no length)."""
        import shapely

        leg, low, high = piece
        route = self.survey.legs[leg].route
        if high - low < 1e-6:
            low, high = max(low - 0.005, 0.0), min(high + 0.005, route.length_m)
        return shapely.LineString(np.asarray(route.slice(low, high).vertices_m)[:, :2])


def features(out: Stakeout, said: Result) -> tuple[Feature, ...]:
    """Return everything that a Result lets others draw, by what it says of each."""
    draw = _Drawer(out.survey)
    return draw.placed(
        *_routes(draw, said),
        *_intervals(draw, out),
        *_hole(draw, out),
        *_points(draw),
        *_readings(draw, said),
        *_services(draw, out),
        *_ties(draw, out),
        *_stakes(draw, out),
        *_places(draw, out, said),
        *_dug(draw, out.leg.name, out.at_m, YES_NO[out.repaired]),
    )


def dug_features(survey: Survey, leg: str, stake_m: float) -> tuple[Feature, ...]:
    """Return the holes dug so far and the leaks found, held against a stake.

    A leak found says how far up-chainage of the stake it lay (``along_m``, on the stake's own leg)
    and how far right of the traced line (``offset_m``).
    """
    draw = _Drawer(survey)
    return draw.placed(*_dug(draw, leg, stake_m, None))


YES_NO = {True: "yes", False: "no", None: None}


def _dug(draw: _Drawer, stake_leg: str, stake_m: float, repaired: str | None) -> Iterator[Feature]:
    import shapely

    survey = draw.survey
    for number, each in enumerate(survey.holes, start=1):
        row, name = each.hole, survey.legs[each.leg].name
        at = {"leg": name, "from_m": each.from_m, "to_m": each.to_m}
        seen = YES_NO[row.pipe_exposed]
        rest = {"outcome": row.outcome, "exposed": seen, "label": f"hole {row.id}"}
        line = draw.stretch((each.leg, each.from_m, each.to_m))
        yield draw.feature("dug", f"dug-{number}", line, **at, **rest)
    for number, (found, place) in enumerate(found_places(survey, survey.site.found), start=1):
        name = survey.legs[place.leg].name
        at_m = chainage_of(survey, place)
        where = {"leg": name, "chainage_m": at_m, "offset_m": place.offset_m}
        if name == stake_leg:
            where["along_m"] = at_m - stake_m
        if not on_a_leg(place):
            where = {}
        yield draw.feature(
            "found",
            f"found-{number}",
            shapely.Point(place.easting_m, place.northing_m),
            label="LEAK FOUND",
            **where,
            depth_m=found.depth_m,
            cause=found.cause or None,
            date=found.date,
            repaired=repaired,
        )


def _hole(draw: _Drawer, out: Stakeout) -> Iterator[Feature]:
    """Return the hole, only where it is to be dug: a drawn hole gets dug."""
    if out.digs:
        hole, outline, _ = out.hole
        yield draw.feature(
            "hole",
            "hole",
            outline,
            length_m=hole.length_m,
            width_m=hole.width_m,
            depth_m=hole.depth_m,
            chance=out.decision.hole.chance,
            leg=out.leg.name,
        )


def _routes(draw: _Drawer, said: Result) -> Iterator[Feature]:
    import shapely

    for leg, told in zip(draw.survey.legs, said.legs, strict=True):
        line = shapely.LineString(np.asarray(leg.route.vertices_m)[:, :2])
        size = ("length_m", "pipe_length_m", "probability", "material", "outside_diameter_m")
        rest = _told(told, *size, "marks_by", "assumed")
        yield draw.feature("route", leg.name, line, leg=leg.name, **rest)


def _intervals(draw: _Drawer, out: Stakeout) -> Iterator[Feature]:
    for percent in (95, 80, 50):
        for k, piece in enumerate(getattr(out.posterior, f"interval_{percent}"), start=1):
            yield draw.feature(
                "interval",
                f"{percent}-{k}",
                draw.stretch(piece),
                percent=percent,
                leg=draw.survey.legs[piece[0]].name,
                from_m=float(piece[1]),
                to_m=float(piece[2]),
            )


def _points(draw: _Drawer) -> Iterator[Feature]:
    for each in draw.survey.points:
        if each.kind in ("mark", "fitting", "feature"):
            yield draw.point(each.kind, each)


def _readings(draw: _Drawer, said: Result) -> Iterator[Feature]:
    import shapely

    survey = draw.survey
    rows = {(each.kind, each.id): each for each in said.readings}
    for levels in survey.levels:
        for k, name in enumerate(levels.id):
            row = rows[(levels.kind, name)]
            place = shapely.Point(levels.easting_m[k], levels.northing_m[k])
            at = _told(row, "place", "leg", "chainage_m", "offset_m")
            heard = _told(row, "level_db", "surface", "level_from")
            yield draw.feature("reading", name, place, reading_kind=levels.kind, **at, **heard)


def _services(draw: _Drawer, out: Stakeout) -> Iterator[Feature]:
    for each in out.services[0]:
        rest = _told(each, "name", "colour", "quality", "depth_m")
        yield draw.feature("utility", each.name, each.geometry, **rest)


def _ties(draw: _Drawer, out: Stakeout) -> Iterator[Feature]:
    import shapely

    for tie, point in zip(out.ties.ties, out.ties.points, strict=True):
        yield draw.feature(
            "tie",
            f"tie-{tie.feature}",
            shapely.LineString([(point.easting_m, point.northing_m), out.place_m]),
            feature=tie.feature,
            distance_m=tie.distance_m,
            bearing_deg=tie.bearing_deg,
        )


def _stakes(draw: _Drawer, out: Stakeout) -> Iterator[Feature]:
    """Return what is set out.

    To listen on, the best place so far is one, of a kind of its own and named as what it is:
    nothing is to be set out for a hole.
    """
    import shapely

    own, verdict = out.leg.name, out.decision.verdict
    for stake, place in out.stakes:
        if stake.kind in ("next_reading", "check_place"):
            continue
        on_pipe: dict[str, Any] = {}
        if stake.kind != "check_point":
            at_m = out.at_m if stake.kind in ("stake", "offset_stake") else _chainage_m(out, place)
            on_pipe = {"leg": own, "chainage_m": at_m}
        if stake.kind == "stake":
            on_pipe["verdict"] = verdict
        # Ends of the hole are offset stakes to whoever draws: set out beside the leak's own.
        kind = "offset_stake" if stake.kind.startswith("hole") else stake.kind
        yield draw.feature(
            kind,
            stake.id,
            shapely.Point(place),
            label=stake.label,
            elevation_m=stake.elevation_m,
            **on_pipe,
        )
    if not (out.digs or out.closed):
        yield draw.feature(
            "best_so_far",
            "best-so-far",
            shapely.Point(out.place_m),
            label=f"BEST SO FAR {out.station}, not to dig",
            elevation_m=out.ground_m(out.leg, out.at_m),
            leg=own,
            chainage_m=out.at_m,
            verdict=verdict,
        )


def _places(draw: _Drawer, out: Stakeout, said: Result) -> Iterator[Feature]:
    """Return where to check first or to listen next; none of these places is to be dug at."""
    import shapely

    legs, check = {leg.name: leg for leg in out.survey.legs}, said.decision.check
    rows: list[tuple[str, float, dict[str, Any]]] = []
    told: dict[str, Any]
    if check is None or out.decision.check is None:
        for number, each in enumerate(said.next_readings, start=1):
            told = {"label": f"LISTEN {number}", "reading_kind": each.kind, "place": each.place}
            told |= _told(each, "expected_interval_95_m")
            rows.append((each.leg, each.chainage_m, told))
    else:
        at = zip(out.decision.check.places, check.places, strict=True)
        for number, ((leg, at_m, aside_m), place) in enumerate(at, start=1):
            label = f"CHECK {number} {check.kind.replace('_', ' ')}"
            told = {"label": label, "check": check.kind, "place": place, "offset_m": aside_m}
            rows.append((out.survey.legs[leg].name, at_m, told))
    shot = [each for each in out.stakes if each[0].kind in ("next_reading", "check_place")]
    for number, ((stake, spot), (name, at_m, told)) in enumerate(
        zip(shot, rows, strict=False), start=1
    ):
        # A place to trace on to lies past the end; the line's position there is the end's.
        on_line = min(max(at_m, 0.0), legs[name].route.length_m)
        yield draw.feature(
            stake.kind,
            stake.id,
            shapely.Point(spot),
            **told,
            number=number,
            leg=name,
            chainage_m=at_m,
            elevation_m=stake.elevation_m,
            lonlat_accuracy_m=out.lonlat_accuracy_m(legs[name], on_line),
        )


def _chainage_m(out: Stakeout, place: Any) -> float:
    return float(np.ravel(out.leg.route.snap(place).chainage_m)[0])
