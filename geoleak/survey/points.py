"""The points of a site in the working frame: those that are used at once, the rest when asked."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Iterable, Iterator
from typing import Any

import numpy as np

from geoleak.crs import Frame
from geoleak.errors import InputError, SiteDataError
from geoleak.record import Floats, replace
from geoleak.site import Note, Place, Point, Site
from geoleak.survey.records import Survey, SurveyedPoint
from geoleak.survey.tapes import TapedPoints

MOST_AT_ONCE = 20_000
"""In files with more points only those that something uses, or that lie near, are projected."""
NEAR_M = 100.0
"""How far around the site's own points others are kept, for ties and check points."""


def frame_of(site: Site, *, drawn: tuple[Floats, Floats] | None = None) -> Frame:
    """Return the working frame of a site.

    It is centred on the marks, else on all points, else on the drawn network.

    Parameters
    ----------
    site : Site
    drawn : tuple of ndarray, optional
        Easting and northing of a drawn network in the site's CRS, for a site without points.

    Raises
    ------
    SiteDataError
        If the site has neither a point nor a network.
    """
    used = dict.fromkeys(name for leg in site.legs for name in leg.mark_ids)
    if not used:
        ends = (name for leg in site.legs for name in (leg.start, leg.end) if name)
        used = dict.fromkeys(ends)
    points = [site.points[name] for name in used]
    points = [each for each in points if math.isfinite(each.easting)]
    if not points and len(site.points) <= MOST_AT_ONCE:
        points = [each for each in site.points.values() if math.isfinite(each.easting)]
    if points:
        easting = np.array([p.easting for p in points])
        northing = np.array([p.northing for p in points])
    elif len(site.points):
        easting, northing = site.points.easting, site.points.northing
    elif drawn is not None:
        easting, northing = drawn
    else:
        raise SiteDataError("the point files hold no point; a site needs the marks of one leg")
    heights = [p.ellipsoidal_height_m if p.ellipsoidal_height_m is not None else p.elevation_m
               for p in points]  # fmt: skip
    known = [h for h in heights if h is not None]
    return Frame.for_site(
        site.crs,
        easting=easting,
        northing=northing,
        heights_m=np.array(known) if known else None,
        mean_height_m=site.mean_height_m,
        grid_crs=site.grid_crs,
        coordinate_epoch=site.coordinate_epoch,
        length_unit=site.length_unit,
    )


def named_points(site: Site) -> set[str]:
    """Return the ids of points that a leg, a sheet or a tape names."""
    names: set[str | None] = set()
    for leg in site.legs:
        names |= {*leg.mark_ids, leg.start, leg.end, leg.boundary, leg.joins_at}
    names |= {place.point for place in places_of(site)}
    names |= {row.point for row in site.fittings} | {row.point for row in site.calibrations}
    for tape in site.tapes:
        names |= {tape.point, tape.start}
    for row in site.isolations:
        names |= {*row.valves, row.supply}
    return {name for name in names if name is not None and name in site.points}


def places_of(site: Site) -> Iterator[Place]:
    """Return every place that the sheets name, struck-out rows left out."""
    yield from (each.place for each in site.readings if not each.skip)
    for delay in site.delays:
        yield from (delay.first, delay.second)
    for hole in site.holes:
        yield from (hole.start, hole.finish)
    rows: tuple[Any, ...] = (*site.sightings, *site.past_leaks, *site.stop_tests, *site.found)
    for row in rows:
        if row.place is not None:
            yield row.place


def every_point(survey: Survey) -> Iterator[SurveyedPoint]:
    """Yield all points of a site in the working frame, in file order.

    Those of the survey are taken as they are: they stand on the pipe or were placed by tapes.
    """
    site, ready = survey.site, {each.point.id: each for each in survey.points}
    for first in range(0, len(site.points), MOST_AT_ONCE):
        names = site.points.ids[first : first + MOST_AT_ONCE]
        fresh = projected(site, survey.frame, [name for name in names if name not in ready])
        for name in names:
            yield ready.get(name) or fresh[name]


def count_kinds(survey: Survey) -> Counter[str]:
    """Return how many points of the site there are of each kind, without making them."""
    count: Counter[str] = Counter(each.kind for each in survey.points)
    held = Counter(each.point.code for each in survey.points)
    every = Counter(survey.site.points.frame["code"])
    for code, number in (every - held).items():
        count[_kind(survey.site, code)] += number
    return count


def projected(site: Site, frame: Frame, names: Iterable[str]) -> dict[str, SurveyedPoint]:
    """Return points that the rover shot in the working CRS, with their kind by code."""
    points = [site.points[name] for name in names]
    if not points:
        return {}
    east, north = frame.to_working(
        np.array([p.easting for p in points]), np.array([p.northing for p in points])
    )
    return {
        point.id: SurveyedPoint(
            point=point,
            easting_m=float(e),
            northing_m=float(n),
            height_m=math.nan if point.elevation_m is None else point.elevation_m,
            sigma_m=_sigma(point),
            kind=_kind(site, point.code),
        )
        for point, e, n in zip(points, east, north, strict=True)
    }


def used_points(site: Site, frame: Frame) -> tuple[dict[str, SurveyedPoint], list[Note]]:
    """Return the points that the survey works with, in file order, and what tapes have to say.

    All of them in a file of a usual size; of a longer one those that a leg, a sheet or a tape
    names and those near these.

    Raises
    ------
    InputError
        Where tapes fix no place, with the row.
    """
    names = _chosen(site)
    taped = {t.point for t in site.tapes if math.isnan(site.points[t.point].easting)}
    found = projected(site, frame, [name for name in names if name not in taped])
    notes: list[Note] = []
    if site.tapes:

        def place(east: float, north: float) -> tuple[float, float]:
            e, n = frame.from_working(east, north)
            return float(e), float(n)

        taped_points = TapedPoints(site, found.__getitem__, place)
        placed = taped_points.run()
        if taped_points.complaints:
            raise InputError(sorted(taped_points.complaints, key=lambda each: each.origin))
        notes = taped_points.notes
        found |= {
            name: replace(each, kind=_kind(site, each.point.code)) for name, each in placed.items()
        }
    marks = {name: k for k, leg in enumerate(site.legs) for name in leg.mark_ids}
    return {
        name: replace(found[name], kind="mark", leg=marks[name]) if name in marks else found[name]
        for name in names
    }, notes


def _chosen(site: Site) -> list[str]:
    """Return the ids to project, in file order."""
    if len(site.points) <= MOST_AT_ONCE:
        return list(site.points)
    named = named_points(site)
    easting, northing = site.points.easting, site.points.northing
    own = [site.points[name] for name in named]
    at = np.array([(p.easting, p.northing) for p in own if math.isfinite(p.easting)])
    near: list[str] = []
    if len(at):
        reach = NEAR_M / _axis_m(site, float(np.median(at[:, 1])))
        (low_e, low_n), (high_e, high_n) = at.min(axis=0) - reach, at.max(axis=0) + reach
        inside = (easting >= low_e) & (easting <= high_e)
        inside &= (northing >= low_n) & (northing <= high_n)
        near = [site.points.ids[row] for row in np.flatnonzero(inside).tolist()]
        if len(near) > MOST_AT_ONCE:
            near = [name for name in near if _kind(site, site.points[name].code) != "other"]
    return sorted({*named, *near}, key=site.points.place_of)


def _axis_m(site: Site, northing: float) -> Floats:
    """Return metres in one unit of easting and northing; rough for degrees."""
    from geoleak.crs import axis_unit, horizontal_crs
    from geoleak.units import unit_m

    if site.is_local:
        return np.full(2, unit_m(site.length_unit))
    crs = horizontal_crs(site.crs)
    if crs.is_geographic:
        return 111_000.0 * np.array([max(math.cos(math.radians(northing)), 0.01), 1.0])
    return np.full(2, axis_unit(crs)[1])


def _sigma(point: Point) -> float:
    """Return a point's own sigma per axis; by its solution where the file states none.

    The figures by solution are common practice, no source: 2 cm fixed, 40 cm float, 1.5 m single.
    """
    if point.sigma_horizontal_m is not None:
        return max(point.sigma_horizontal_m, 0.005)
    return {"fixed": 0.02, "float": 0.4, "single": 1.5}.get(point.status, 0.02)


def _kind(site: Site, code: str) -> str:
    if site.codes.is_fitting(code):
        return "fitting"
    return "feature" if site.codes.is_feature(code) else "other"
