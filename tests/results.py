"""Invented, complete Results for the tests of the exporters: no survey or inference behind them."""

from __future__ import annotations

import math

import numpy as np

from geoleak.cautions import listening_cautions
from geoleak.errors import Origin
from geoleak.evidence import KindFit
from geoleak.readers.table import LAYOUTS
from geoleak.record import replace
from geoleak.result.records import (
    CheckSummary,
    DecisionSummary,
    Leak,
    LegSummary,
    NearMarks,
    NextHole,
    Position,
    ProfileLeg,
    Provenance,
    Result,
    RivalSummary,
    SiteSummary,
)
from geoleak.site import Job, Note, PointStyle
from geoleak.stake import ErrorSource, Excavation, NearService, SettingOutEllipse
from geoleak.units import format_station
from tests import result_drawn as drawn
from tests.result_yard import (
    BEFORE_M,
    CAUTIONS,
    HOSTILE,
    PAST_M,
    SPREADS_M,
    STAKE_M,
    Options,
    Yard,
)


def build(**options) -> Result:
    """Build one Result."""
    yard = Yard(Options(**options))
    options = yard.options
    readings, along = drawn.along(yard)
    ties, tied = drawn.ties(yard)
    stakes, staked = drawn.stakes(yard)
    return Result(
        run=Provenance(
            "7f3a91", "0.1.0", "2026-05-04", {"points.csv": "ab" * 32, "site.toml": "cd" * 32}
        ),
        site=_site(options),
        leak=_leak(yard),
        near=NearMarks("108", 0.579, "109", "105", "118"),
        legs=(_leg(yard),),
        decision=_decision(yard),
        next_readings=drawn.next_readings(options),
        profile=(_profile(yard),),
        readings=readings,
        fits=(KindFit("surface", len(readings), 0.41, AGREE, True),),
        level_scale="db",
        warnings=(
            Note("crs_ensemble", "WGS 84 is an ensemble: longitude and latitude to 2 m"),
            Note(
                "stray_mark",
                f"mark 114 stands 0.4 ft off the line {options.note}",
                Origin("points.csv", 15),
            ),
        ),
        cautions=CAUTIONS if options.verdict == "dig" else listening_cautions(),
        ties=ties,
        ties_text=TIES_TEXT if options.verdict == "dig" else (),
        stakes=stakes,
        point_style=STYLES[options.layout],
        services=_services(options),
        features=(*drawn.pipe(yard), *along, *tied, *drawn.utilities(yard), *staked),
        job=Job(
            number="J-2217",
            address="14 Alder Court",
            technician="R. Fenn",
            instruments="contact mic, locator, rover",
        ),
        not_before="no locate request is filed",
    )


STYLES = {name: PointStyle(columns) for name, columns in LAYOUTS.items()}
TIES_TEXT = (
    "Standing at 201 and looking at 202, the stake is on the left.",
    "With tapes good to 0.05 ft the ties set out within 0.11 ft.",
)
AGREE = "14 readings agree with one leak, 17 dB over background at the peak"


def _services(options):
    if not options.services:
        return ()
    return (
        NearService(
            f"gas {options.note}".strip(),
            "yellow",
            format_station(STAKE_M + 0.43, unit=options.unit),
            0.43,
            0.0,
            88.0,
            None,
            True,
            True,
            "B",
            "gas crosses 1.4 ft past the stake (yellow marks; its depth is not known)",
        ),
    )


def _site(options):
    return SiteSummary(
        title=options.title,
        crs=options.crs,
        grid_name="site grid" if options.local else "NAD83(2011) / North Carolina (ftUS)",
        grid_unit=options.unit,
        length_unit=options.unit,
        local=options.local,
        corrections="network RTK",
        mean_height_m=71.0,
        combined_factor=0.9999421,
        grid_scale=0.9999532,
        elevation_factor=0.9999889,
        convergence_deg=-0.0241,
        operations=() if options.local else ("NAD83(2011) to WGS 84 (null)",),
    )


def _leak(yard):
    options, stake = yard.options, yard.stake
    lonlat = yard.lonlat(stake)
    other = (("yard", 21.2, 22.6),) if options.peaks == 2 else ()

    def interval(percent):
        low, high = SPREADS_M[percent]
        return (("yard", STAKE_M - low, STAKE_M + high), *other)

    return Leak(
        leg="yard",
        chainage_m=STAKE_M,
        station=format_station(STAKE_M, unit=options.unit),
        interval_50=interval(50),
        interval_80=interval(80),
        interval_95=interval(95),
        sigma_along_m=None if options.peaks == 2 else 0.62,
        position=Position(stake.x, stake.y, options.unit, options.crs),
        elevation_m=71.26,
        lonlat=None if lonlat is None else (lonlat.x, lonlat.y),
        lonlat_accuracy_m=None if lonlat is None else 2.0,
        setting_out_ellipse_95=SettingOutEllipse(0.081, 0.062, 68.1),
        depth_m=0.94 if options.depth else None,
        depth_sigma_m=0.09 if options.depth else None,
        side={"customer": 0.97, "utility": 0.0},
        probability_elsewhere=0.03,
        budget=(
            ErrorSource("fitted line", 0.01, 0.025),
            ErrorSource("rover, shared by the session", 0.015, 0.015),
            ErrorSource("locator, shared by the marks", 0.0, 0.028),
        ),
    )


def _leg(yard):
    vertices = tuple((float(x), float(y)) for x, y in yard.line.coords)
    pipe_m = yard.length_m * 1.0004
    return LegSummary("yard", yard.length_m, pipe_m, 0.97, "pvc", 0.0334, "signal", False, vertices)


def _decision(yard):
    options = yard.options
    dig = options.verdict == "dig"
    reasons = (AGREE, "marks 105-118 on one straight run")
    return DecisionSummary(
        verdict=options.verdict,
        reasons=reasons if dig else ("the readings leave two places open",),
        chance_in_hole=0.91 if dig else 0.55,
        hole=Excavation(
            pieces=(("yard", STAKE_M - BEFORE_M, STAKE_M + PAST_M),),
            length_m=BEFORE_M + PAST_M,
            before_stake_m=BEFORE_M,
            past_stake_m=PAST_M,
            width_m=0.6,
            depth_m=0.94 if options.depth else None,
            area_m2=0.914,
            volume_m3=0.95,
            outline_wkt=yard.hole.wkt,
            notes=("Soil type C at this depth: sloped sides 1.5 to 1.",),
        ),
        then=(NextHole((("yard", 14.33, 15.85),), 1.52, 0.05),),
        chance_by_length=((0.914, 0.74), (1.219, 0.85), (1.524, 0.91), (1.829, 0.94)),
    )


def _profile(yard):
    along = np.arange(0, yard.length_m, 0.1)
    density = np.exp(-0.5 * ((along - STAKE_M) / 0.62) ** 2) / (0.62 * math.sqrt(2 * math.pi))
    if yard.options.peaks == 2:
        second = np.exp(-0.5 * ((along - 22) / 0.5) ** 2) / (0.5 * math.sqrt(2 * math.pi))
        density = 0.6 * density + 0.4 * second
    level = drawn.level(along)

    def plain(values, digits=3):
        return tuple(float(v) for v in np.round(values, digits))

    return ProfileLeg(
        "yard",
        plain(along),
        plain(density, 6),
        plain(along),
        plain(level),
        plain(level - 4.2),
        plain(level + 4.2),
    )


def feet_site(**options) -> Result:
    """Build a site in US survey feet with longitude and latitude."""
    return build(**options)


def metric_site(**options) -> Result:
    """Build the feet site's twin in metres: the same ground, the same stake, in another unit."""
    scale = 1200 / 3937
    return build(
        crs="EPSG:6542",
        unit="m",
        origin=(1_987_800.0 * scale, 783_280.0 * scale),
        **options,
    )


def local_site(**options) -> Result:
    """Build a site on a grid of its own."""
    return build(crs="local", unit="ft", origin=(5000.0, 2000.0), **options)


def listen_on_site(**options) -> Result:
    """Build a site whose answer is to listen on: two peaks."""
    return build(verdict="listen_on", peaks=2, **options)


def check_site(**options) -> Result:
    """Build a site that is to be checked first, by a rod at three places; nothing to dig by."""
    result = build(**options)
    yard = Yard(Options(**options))
    shot = (("108", 11.9), ("108 up 1.9", STAKE_M), ("109", 13.4))
    places = [
        yard.feature(
            "check_place", str(900 + k), yard.at(at_m), label=f"CHECK {k} rod", number=k,
            check="rod", place=place, leg="yard", chainage_m=at_m, offset_m=0.0,
        )
        for k, (place, at_m) in enumerate(shot, start=1)
    ]  # fmt: skip
    best = [
        yard.feature("best_so_far", "best-so-far", f.grid, leg="yard", chainage_m=STAKE_M)
        for f in result.features
        if f.kind == "stake"
    ]
    dug_by = ("stake", "hole", "tie", "offset_stake")
    kept = [each for each in result.features if each.kind not in dug_by]
    decision = replace(
        result.decision,
        verdict="check_first",
        chance_in_hole=0.65,
        chance_if_heard=0.97,
        rivals=(
            RivalSummary("displaced", 0.4, 0.28, 0.1, False),
            RivalSummary("fitting", 0.02, 0.002, 0.06, False, "MTR1"),
        ),
        check=CheckSummary("rod", tuple(each for each, _ in shot), 30.0, "displaced", 0.93),
    )
    stakes = [each for each in result.stakes if each.kind == "check_point"]
    return replace(
        result,
        decision=decision,
        features=(*kept, *best, *places),
        stakes=tuple(stakes),
        ties=(),
        ties_text=(),
        not_before=None,
        cautions=listening_cautions(),
    )


def hostile_site(**options) -> Result:
    """Build a site whose title, codes and notes try to become markup, script or formula."""
    return build(**{"title": HOSTILE, "code": HOSTILE, "note": HOSTILE, **options})


def with_leak(result: Result, **changes) -> Result:
    """Return the result with fields of its leak replaced."""
    return replace(result, leak=replace(result.leak, **changes))


EVERY_SITE = {
    "feet": feet_site,
    "metric": metric_site,
    "local": local_site,
    "listen_on": listen_on_site,
    "hostile": hostile_site,
}
