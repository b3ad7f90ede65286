"""The things a Result lets others draw and store: in the printed grid and in lon/lat."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.posterior import Piece, Posterior
from geoleak.result.listen import next_reading_features
from geoleak.result.records import Feature, Result
from geoleak.survey import Survey, SurveyedPoint

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

    from geoleak.result.work import StakeWork


@dataclass(frozen=True, slots=True, eq=False)
class _Drawer:
    """Turns geometry in the working CRS into features."""

    survey: Survey

    def feature(self, kind: str, name: str, shape: BaseGeometry, /, **properties: Any) -> Feature:
        """Return a feature; properties that are unknown are left out, never NaN."""
        import shapely

        frame = self.survey.frame

        def to(way: Any) -> BaseGeometry:
            return shapely.transform(shape, lambda xy: np.column_stack(way(xy[:, 0], xy[:, 1])))

        kept = {
            key: value
            for key, value in properties.items()
            if value is not None and not (isinstance(value, float) and math.isnan(value))
        }
        lonlat = None if frame.is_local else to(frame.to_lonlat)
        return Feature(kind, name, to(frame.to_grid), lonlat, kept)

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
            chainage_m=each.chainage_m,
            offset_m=each.offset_m,
            elevation_m=each.point.elevation_m,
            depth_m=each.point.depth_m,
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


def features(bare: Result, survey: Survey, posterior: Posterior, work: StakeWork) -> Result:
    """Return the Result with everything it lets others draw."""
    draw = _Drawer(survey)
    made = [
        *_routes(bare, draw),
        *_intervals(draw, posterior),
        *_hole(bare, draw, work),
        *_points(draw),
        *_readings(bare, draw),
        *work.features(draw.feature),
        *next_reading_features(bare, work, draw.feature),
    ]
    return replace(bare, features=tuple(made))


def _hole(bare: Result, draw: _Drawer, work: StakeWork) -> Iterator[Feature]:
    """Return the hole, only where it is to be dug: a drawn hole gets dug."""
    if bare.decision.verdict == "dig":
        yield draw.feature(
            "hole",
            "hole",
            work.outline,
            length_m=bare.decision.hole.length_m,
            width_m=bare.decision.hole.width_m,
            depth_m=bare.decision.hole.depth_m,
            chance=bare.decision.chance_in_hole,
            leg=bare.leak.leg,
        )


def _routes(bare: Result, draw: _Drawer) -> Iterator[Feature]:
    import shapely

    for leg, said in zip(draw.survey.legs, bare.legs, strict=True):
        line = shapely.LineString(np.asarray(leg.route.vertices_m)[:, :2])
        yield draw.feature(
            "route",
            leg.name,
            line,
            leg=leg.name,
            length_m=said.length_m,
            pipe_length_m=said.pipe_length_m,
            probability=said.probability,
            material=said.material,
            outside_diameter_m=said.outside_diameter_m,
            marks_by=said.marks_by,
            assumed=said.assumed,
        )


def _intervals(draw: _Drawer, posterior: Posterior) -> Iterator[Feature]:
    for percent, pieces in (
        (95, posterior.interval_95),
        (80, posterior.interval_80),
        (50, posterior.interval_50),
    ):
        for k, piece in enumerate(pieces, start=1):
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


def _readings(bare: Result, draw: _Drawer) -> Iterator[Feature]:
    import shapely

    survey = draw.survey
    said = {(each.kind, each.id): each for each in bare.readings}
    for levels in (survey.surface, survey.contact, survey.gas, survey.bar_hole):
        for k, name in enumerate(levels.id):
            row = said[(levels.kind, name)]
            yield draw.feature(
                "reading",
                name,
                shapely.Point(levels.easting_m[k], levels.northing_m[k]),
                reading_kind=levels.kind,
                place=row.place,
                leg=row.leg,
                chainage_m=row.chainage_m,
                offset_m=row.offset_m,
                level_db=row.level_db,
                surface=row.surface,
                level_from=row.level_from,
            )
