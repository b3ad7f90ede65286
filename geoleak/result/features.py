"""The things a Result lets others draw and store: in the printed grid and in lon/lat."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.posterior import Piece
from geoleak.result.records import Feature, Result, picked
from geoleak.stake import Stakeout, reproject
from geoleak.survey import Survey, chainage_of, found_places, on_a_leg

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

Row = tuple[str, str, "BaseGeometry", dict[str, Any]]
"""Kind, id, shape in the working frame, properties."""
YES_NO = {True: "yes", False: "no", None: None}


def features(out: Stakeout, said: Result) -> tuple[Feature, ...]:
    """Return everything that a Result lets others draw, by what it says of each."""
    rows = [
        *_routes(out.survey, said),
        *_intervals(out),
        *_hole(out),
        *_points(out.survey),
        *_readings(out.survey, said),
        *_services(out),
        *_ties(out),
        *_stakes(out),
        *_dug(out.survey, out.leg.name, out.at_m, YES_NO[out.repaired]),
    ]
    return _placed(out.survey, rows)


def dug_features(survey: Survey, leg: str, stake_m: float) -> tuple[Feature, ...]:
    """Return the holes dug so far and the leaks found, held against a stake.

    A leak found says how far up-chainage of the stake it lay (``along_m``, on the stake's own leg)
    and how far right of the traced line (``offset_m``).
    """
    return _placed(survey, _dug(survey, leg, stake_m, None))


def _placed(survey: Survey, rows: Iterable[Row]) -> tuple[Feature, ...]:
    """Return what is drawn in the printed grid and in lon/lat; unknown properties are left out."""
    rows, frame = list(rows), survey.frame
    shapes = np.array([shape for _, _, shape, _ in rows], dtype=object)
    grid = reproject(shapes, frame.to_grid)
    lonlat = [None] * len(rows) if frame.is_local else reproject(shapes, frame.to_lonlat)
    return tuple(
        Feature(kind, name, here, there, {k: v for k, v in told.items() if _known(v)})
        for (kind, name, _, told), here, there in zip(rows, grid, lonlat, strict=True)
    )


def _known(value: Any) -> bool:
    return value is not None and not (isinstance(value, float) and math.isnan(value))


def _stretch(survey: Survey, piece: Piece) -> BaseGeometry:
    """Return a piece of pipe as a line (a point where it has no length)."""
    import shapely

    leg, low, high = piece
    route = survey.legs[leg].route
    if high - low < 1e-6:
        low, high = max(low - 0.005, 0.0), min(high + 0.005, route.length_m)
    return shapely.LineString(np.asarray(route.slice(low, high).vertices_m)[:, :2])


def _dug(survey: Survey, stake_leg: str, stake_m: float, repaired: str | None) -> Iterator[Row]:
    import shapely

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


def _hole(out: Stakeout) -> Iterator[Row]:
    """Return the hole, only where it is to be dug: a drawn hole gets dug."""
    if out.digs:
        hole, outline, _ = out.hole
        told = picked(hole, "length_m", "width_m", "depth_m")
        yield "hole", "hole", outline, {**told, "chance": out.decision.hole.chance,
                                        "leg": out.leg.name}  # fmt: skip


def _routes(survey: Survey, said: Result) -> Iterator[Row]:
    import shapely

    size = ("length_m", "pipe_length_m", "probability", "material", "outside_diameter_m")
    for leg, told in zip(survey.legs, said.legs, strict=True):
        line = shapely.LineString(np.asarray(leg.route.vertices_m)[:, :2])
        rest = picked(told, *size, "marks_by", "assumed")
        yield "route", leg.name, line, {"leg": leg.name, **rest}


def _intervals(out: Stakeout) -> Iterator[Row]:
    for percent in (95, 80, 50):
        for k, piece in enumerate(getattr(out.posterior, f"interval_{percent}"), start=1):
            told = {"percent": percent, "leg": out.survey.legs[piece[0]].name}
            told |= {"from_m": float(piece[1]), "to_m": float(piece[2])}
            yield "interval", f"{percent}-{k}", _stretch(out.survey, piece), told


def _points(survey: Survey) -> Iterator[Row]:
    import shapely

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


def _readings(survey: Survey, said: Result) -> Iterator[Row]:
    import shapely

    rows = {(each.kind, each.id): each for each in said.readings}
    names = ("place", "leg", "chainage_m", "offset_m", "level_db", "surface", "level_from")
    for levels in survey.levels:
        for k, name in enumerate(levels.id):
            place = shapely.Point(levels.easting_m[k], levels.northing_m[k])
            told = picked(rows[levels.kind, name], *names)
            yield "reading", name, place, {"reading_kind": levels.kind, **told}


def _services(out: Stakeout) -> Iterator[Row]:
    for each in out.services[0]:
        told = picked(each, "name", "colour", "quality", "depth_m")
        yield "utility", each.name, each.geometry, told


def _ties(out: Stakeout) -> Iterator[Row]:
    import shapely

    for tie, point in zip(out.ties.ties, out.ties.points, strict=True):
        line = shapely.LineString([(point.easting_m, point.northing_m), out.place_m])
        yield "tie", f"tie-{tie.feature}", line, picked(tie, "feature", "distance_m", "bearing_deg")


def _stakes(out: Stakeout) -> Iterator[Row]:
    """Return what is set out: to dig by, else the places to check first or to listen at next.

    Where nobody is to dig, the best place so far is one, of a kind of its own and named as what it
    is: nothing is to be set out for a hole.
    """
    import shapely

    ahead: list[Row] = []
    verdict = {"verdict": out.decision.verdict}
    for stake, spot, told in out.stakes:
        shape, height = shapely.Point(spot), {"elevation_m": stake.elevation_m}
        if stake.kind in ("next_reading", "check_place"):
            leg = next(each for each in out.survey.legs if each.name == told["leg"])
            # A place to trace on to lies past the end; the line's position there is the end's.
            on_line = min(max(told["chainage_m"], 0.0), leg.route.length_m)
            vague = out.lonlat_accuracy_m(leg, on_line)
            ahead.append(
                (stake.kind, stake.id, shape, told | height | {"lonlat_accuracy_m": vague})
            )
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
