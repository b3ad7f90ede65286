"""Surveys built straight from routes and arrays, for tests, trials and benchmarks."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import MappingProxyType

import numpy as np

from geoleak.linref import Route
from geoleak.network.network import Joint, Network
from geoleak.record import Record, replace
from geoleak.site import (
    Crew,
    Leg,
    LevelSettings,
    Place,
    PointFile,
    PriorSettings,
    Site,
    StopTest,
)
from geoleak.survey.records import Levels, Survey, SurveyedLeg, SurveyedStop, no_levels

# What most tests ask about is one leak straight below.
NO_RIVALS = {"fitting": 0.0, "aside": 0.0, "beyond": 0.0, "displaced": 0.0}


class PlainFit(Record, eq=False):
    """A route taken as known, with one depth."""

    route: Route
    depth: float = 1.0
    depth_sigma: float = 0.1
    sigma_across_m: float = 0.05
    sigma_along_m: float = 0.03
    warnings: tuple = ()

    def path_sigma_m(self, from_m, to_m):
        return 0.0

    def depth_m(self, chainage_m):
        return np.full(np.shape(chainage_m), self.depth)

    def depth_sigma_m(self, chainage_m):
        return np.full(np.shape(chainage_m), self.depth_sigma)


def site(**changes) -> Site:
    plain = Site(
        folder=Path(),
        title="Synthetic",
        crs="local",
        length_unit="m",
        points=MappingProxyType({}),
        legs=(),
        point_file=PointFile(files=()),
    )
    return replace(plain, **changes)


def levels(
    kind: str,
    chainage_m,
    level_db,
    *,
    route: Route | None = None,
    leg=0,
    offset_m=0.0,
    routes: Sequence[Route] | None = None,
    **columns,
) -> Levels:
    """Return readings on one leg, or on several (``routes`` of all legs, and an array ``leg``)."""
    chainage = np.atleast_1d(np.asarray(chainage_m, dtype=float))
    n = len(chainage)
    offset = np.broadcast_to(np.asarray(offset_m, dtype=float), (n,)).copy()
    legs = np.broadcast_to(np.asarray(leg, dtype=np.int64), (n,)).copy()
    place = np.zeros((n, 2))
    for number in np.unique(legs).tolist():
        on = route if routes is None else routes[number]
        mine = legs == number
        place[mine] = np.asarray(on.position(chainage[mine], offset[mine]))[:, :2]
    nan = np.full(n, np.nan)
    whole = np.zeros(n, dtype=np.int64)
    made = replace(
        no_levels(kind),
        id=tuple(str(i + 1) for i in range(n)),
        leg=legs,
        chainage_m=chainage,
        offset_m=offset,
        easting_m=place[:, 0],
        northing_m=place[:, 1],
        level_db=np.broadcast_to(np.asarray(level_db, dtype=float), (n,)).copy(),
        repeats=whole + 1,
        background_db=nan,
        place=np.arange(n),
        session=whole,
        sessions=("",),
        surface=(None,) * n,
        censored=whole,
        gain_db=nan,
        low_hz=nan,
        high_hz=nan,
        lead_m=np.zeros(n),
        rival_leg=whole - 1,
        rival_chainage_m=nan,
        everything_off=np.zeros(n, dtype=bool),
        tip_depth_m=nan,
    )
    return replace(made, **columns)


def straight(length_m: float = 100.0) -> Route:
    return Route.from_vertices([(0.0, 0.0), (length_m, 0.0)])


def survey(
    routes: Sequence[Route] = (),
    *,
    depth_m: float = 1.0,
    depth_sigma_m: float = 0.1,
    material: str | None = "pvc",
    materials: Sequence[str | None] | None = None,
    elsewhere: float = 0.05,
    joint_factor: float = 2.0,
    joints: Sequence[Joint] = (),
    settings: LevelSettings | None = None,
    crew: Crew | None = None,
    prior: dict[str, float] | None = None,
    rivals: bool = False,
    **parts,
) -> Survey:
    """Return a survey of these routes with the given readings."""
    routes = tuple(routes) or (straight(),)
    names = materials or [material] * len(routes)
    legs = tuple(
        SurveyedLeg(i, Leg(name=f"leg{i}", material=names[i]), PlainFit(r, depth_m, depth_sigma_m))
        for i, r in enumerate(routes)
    )
    chosen = {
        "surface": no_levels("surface"),
        "contact": no_levels("contact"),
        "gas": no_levels("gas"),
        "bar_hole": no_levels("bar_hole"),
        "rod": no_levels("rod"),
        "points": (),
        "network": Network(routes, joints),
    } | parts
    return Survey(
        site=site(
            legs=tuple(each.leg for each in legs),
            levels=settings or LevelSettings(),
            crew=crew or Crew(),
            prior=PriorSettings(
                **{"elsewhere": elsewhere, "joints": joint_factor, "recent_excavation": 1.0}
                | ({} if rivals else NO_RIVALS)
                | (prior or {})
            ),
        ),
        frame=None,
        legs=legs,
        **chosen,
    )


def stop(at_m, found=60.0, *, off=np.nan, worked=np.nan, shut=np.nan, name="s"):
    """A stop test on the first leg, levels in dB; nan: not done."""
    test = StopTest(name, Place("leg", "", leg="leg0", chainage_m=at_m))
    return SurveyedStop(test, 0, at_m, found, off, worked, shut)
