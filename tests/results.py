"""Invented, complete Results for the tests of the exporters: no survey or inference behind them."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import shapely
from pyproj import Transformer
from shapely.geometry import LineString, Point
from shapely.ops import substring

from geoleak.result import (
    BudgetRow,
    DecisionSummary,
    Feature,
    FitSummary,
    HoleSummary,
    Leak,
    LegSummary,
    NearMarks,
    NextReadingSummary,
    Position,
    ProfileLeg,
    ReadingSummary,
    Result,
    Run,
    ServiceSummary,
    SettingOutEllipse,
    SiteSummary,
    StakeSummary,
    TieSummary,
    Warned,
    Window,
)
from geoleak.site import Job
from geoleak.units import format_station, unit_m

HOSTILE = (
    '</script><img src=x onerror="window.pwned=1"> back\\slash `tick` ${window.pwned=2} '
    "{{ 7*7 }} {% raw %} 'q' <!-- &amp; =1+1"
)
CAUTIONS = (
    "Call the locate service and wait for the marks before digging.",
    "Private lines (customer-owned power, pool gas, irrigation, septic) are not marked by the "
    "public service: have them located.",
    "Hand-dig or vacuum inside the tolerance zone.",
    "From 5 ft deep, or less if the soil may cave: a protective system; from 4 ft: a ladder "
    "(US: 29 CFR 1926 Subpart P). Local codes and licensed practice govern.",
    "Stray voltage on metallic services: bond before cutting.",
    "A stake is advice.",
)


class Grid:
    """A printed grid and its way to longitude and latitude (none for a local site)."""

    def __init__(self, crs: str, unit: str) -> None:
        self.crs, self.unit, self.factor = crs, unit, unit_m(unit)
        self.local = crs == "local"
        self._to = None if self.local else Transformer.from_crs(crs, "EPSG:4326", always_xy=True)

    def lonlat(self, geometry):
        if self._to is None:
            return None
        return shapely.transform(
            geometry, lambda at: np.column_stack(self._to.transform(at[:, 0], at[:, 1]))
        )


def _feature(grid, kind, identifier, geometry, **properties):
    return Feature(kind, identifier, geometry, grid.lonlat(geometry), properties)


def _along(line, grid, from_m, to_m):
    return substring(line, from_m / grid.factor, to_m / grid.factor)


def build(
    *,
    crs="EPSG:6543",
    unit="ftUS",
    length_unit=None,
    origin=(1_987_800.0, 783_280.0),
    title="Alder Court, yard service",
    verdict="dig",
    note="",
    code="WL",
    base_m=0.0,
    peaks=1,
    depth=True,
    layout="pnezd",
    services=True,
) -> Result:
    """Build one Result on a yard service of some 30 m with a bend, in any grid."""
    grid = Grid(crs, unit)
    length_unit = length_unit or unit
    per_m = 1 / grid.factor
    corners_m = np.array([[0.0, 0.0], [17.2, 6.9], [29.0, 4.1]])
    vertices = [
        (origin[0] + (x + base_m) * per_m, origin[1] + (y + base_m) * per_m) for x, y in corners_m
    ]
    line = LineString(vertices)
    length_m = line.length * grid.factor
    stake_m = 12.588
    before_m, past_m = 0.671, 0.853
    stake = line.interpolate(stake_m * per_m)
    bearing = math.degrees(math.atan2(17.2, 6.9))
    hole_line = _along(line, grid, stake_m - before_m, stake_m + past_m)
    hole = hole_line.buffer(0.3 * per_m, cap_style="flat")
    mark_m = [1.2 + 1.45 * i for i in range(19) if 1.2 + 1.45 * i < length_m]
    features = [
        _feature(
            grid,
            "route",
            "yard",
            line,
            leg="yard",
            length_m=length_m,
            material="pvc",
            marks_by="signal",
        )
    ]
    spreads = {95: (2.1, 2.4), 80: (1.1, 1.2), 50: (0.45, 0.5)}
    for percent, (low, high) in spreads.items():
        features.append(
            _feature(
                grid,
                "interval",
                f"{percent}-1",
                _along(line, grid, stake_m - low, stake_m + high),
                percent=percent,
                leg="yard",
                from_m=stake_m - low,
                to_m=stake_m + high,
            )
        )
    features.append(
        _feature(grid, "hole", "hole", hole, length_m=before_m + past_m, chance=0.91, depth_m=0.94)
    )
    generator = np.random.default_rng(3)
    readings = []
    for number, chainage_m in enumerate(mark_m):
        place = line.interpolate(chainage_m * per_m)
        identifier = str(101 + number)
        features.append(
            _feature(
                grid,
                "mark",
                identifier,
                Point(place.x + generator.normal(0, 0.06) * per_m, place.y),
                leg="yard",
                chainage_m=chainage_m,
                elevation_m=71.2 + 0.01 * number,
                depth_m=0.93,
                code=code,
                note=note,
            )
        )
        if 2 < number < 17:
            level = 24 + 17 / (1 + ((chainage_m - stake_m) / 1.6) ** 2) + generator.normal(0, 1.2)
            reading = ReadingSummary(
                id=f"R{number - 2}",
                kind="surface",
                place=identifier,
                leg="yard",
                chainage_m=chainage_m,
                offset_m=0.03,
                level_db=float(round(level, 1)),
                repeats=2,
                surface="concrete" if number > 9 else "grass",
                background_db=None,
                low_hz=70.0,
                high_hz=850.0,
            )
            readings.append(reading)
            features.append(
                _feature(
                    grid,
                    "reading",
                    reading.id,
                    place,
                    reading_kind="surface",
                    leg="yard",
                    chainage_m=chainage_m,
                    level_db=reading.level_db,
                    surface=reading.surface,
                    note=note,
                )
            )
    first = line.interpolate(0)
    features.append(_feature(grid, "fitting", "MTR1", first, code="MTR", chainage_m=0.0))
    corners = {"201": (6.0, 12.0), "202": (18.5, -3.0), "203": (4.0, -2.5)}
    ties = []
    for name, (x, y) in corners.items():
        corner = Point(origin[0] + (x + base_m) * per_m, origin[1] + (y + base_m) * per_m)
        features.append(
            _feature(grid, "feature", name, corner, code="BC", note="building corner " + note)
        )
        tie_line = LineString([corner, stake])
        distance_m = tie_line.length * grid.factor
        toward = math.degrees(math.atan2(stake.x - corner.x, stake.y - corner.y)) % 360
        ties.append(TieSummary(name, "building corner " + note, distance_m, toward))
        features.append(
            _feature(
                grid,
                "tie",
                f"tie-{name}",
                tie_line,
                feature=name,
                distance_m=distance_m,
                bearing_deg=toward,
            )
        )
    if services:
        crossing = line.interpolate((stake_m + 0.43) * per_m)
        features.append(
            _feature(
                grid,
                "utility",
                "gas",
                LineString(
                    [
                        (crossing.x - 3 * per_m, crossing.y + 7 * per_m),
                        (crossing.x, crossing.y),
                        (crossing.x + 3 * per_m, crossing.y - 7 * per_m),
                    ]
                ),
                name="gas " + note,
                colour="yellow",
                quality="B",
            )
        )
        features.append(
            _feature(
                grid,
                "utility",
                "fibre",
                LineString(
                    [(origin[0] - 1, origin[1] + 9 * per_m), (origin[0] + 90, origin[1] + 45)]
                ),
                name="fibre",
                colour="orange",
            )
        )
    features.append(
        _feature(grid, "stake", "900", stake, leg="yard", chainage_m=stake_m, elevation_m=71.26)
    )
    stakes = [
        StakeSummary("900", "stake", "LEAK yard", stake.x, stake.y, 71.26),
    ]
    for number, (side, sign) in enumerate((("L", -1), ("R", 1)), start=901):
        angle = math.radians(bearing + 90 * sign)
        place = Point(
            stake.x + 1.524 * per_m * math.sin(angle), stake.y + 1.524 * per_m * math.cos(angle)
        )
        label = f"5.0 {side} of the stake, cut 3.1"
        stakes.append(StakeSummary(str(number), "offset_stake", label, place.x, place.y, 71.27))
        features.append(_feature(grid, "offset_stake", str(number), place, label=label))
    for number, (name, place_m) in enumerate(
        (("hole_start", stake_m - before_m), ("hole_end", stake_m + past_m)), start=903
    ):
        end = line.interpolate(place_m * per_m)
        stakes.append(StakeSummary(str(number), name, name.replace("_", " "), end.x, end.y, None))
    for number, name in enumerate(("201", "202"), start=905):
        corner = next(f for f in features if f.kind == "feature" and f.id == name).grid
        stakes.append(
            StakeSummary(
                str(number), "check_point", f"check {name} {note}", corner.x, corner.y, 71.5
            )
        )
        features.append(_feature(grid, "check_point", str(number), corner, label=f"check {name}"))
    grid_chainage = np.arange(0, length_m, 0.1)
    density = np.exp(-0.5 * ((grid_chainage - stake_m) / 0.62) ** 2) / (0.62 * 2.507)
    if peaks == 2:
        density = 0.6 * density + 0.4 * np.exp(-0.5 * ((grid_chainage - 22) / 0.5) ** 2) / 1.2535
    expected = 24 + 17 / (1 + ((grid_chainage - stake_m) / 1.6) ** 2)
    position = Position(stake.x, stake.y, unit, crs)
    lonlat = grid.lonlat(stake)
    listening = verdict == "listen_on"
    other = (("yard", 21.2, 22.6),) if peaks == 2 else ()
    result = Result(
        run=Run("7f3a91", "0.1.0", "2026-05-04", {"points.csv": "ab" * 32, "site.toml": "cd" * 32}),
        site=SiteSummary(
            title=title,
            crs=crs,
            grid_name="site grid" if grid.local else "NAD83(2011) / North Carolina (ftUS)",
            grid_unit=unit,
            length_unit=length_unit,
            local=grid.local,
            corrections="network RTK",
            mean_height_m=71.0,
            combined_factor=0.9999421,
            grid_scale=0.9999532,
            elevation_factor=0.9999889,
            convergence_deg=-0.0241,
            operations=("NAD83(2011) to WGS 84 (null)",) if not grid.local else (),
        ),
        leak=Leak(
            leg="yard",
            chainage_m=stake_m,
            station=format_station(stake_m, unit=length_unit),
            interval_50=(("yard", stake_m - 0.45, stake_m + 0.5), *other),
            interval_80=(("yard", stake_m - 1.1, stake_m + 1.2), *other),
            interval_95=(("yard", stake_m - 2.1, stake_m + 2.4), *other),
            sigma_along_m=None if peaks == 2 else 0.62,
            position=position,
            elevation_m=71.26,
            lonlat=None if lonlat is None else (lonlat.x, lonlat.y),
            lonlat_accuracy_m=None if lonlat is None else 2.0,
            setting_out_ellipse_95=SettingOutEllipse(0.081, 0.062, 68.1),
            depth_m=0.94 if depth else None,
            depth_sigma_m=0.09 if depth else None,
            side={"customer": 0.97, "utility": 0.0},
            probability_elsewhere=0.03,
            budget=(
                BudgetRow("fitted line", 0.01, 0.025),
                BudgetRow("rover, shared by the session", 0.015, 0.015),
                BudgetRow("locator, shared by the marks", 0.0, 0.028),
            ),
        ),
        near=NearMarks("108", 0.579, "109", "105", "118"),
        legs=(
            LegSummary(
                "yard",
                length_m,
                length_m * 1.0004,
                0.97,
                "pvc",
                0.0334,
                "signal",
                False,
                tuple(vertices),
            ),
        ),
        decision=DecisionSummary(
            verdict=verdict,
            reasons=(
                ("the readings leave two places open",)
                if listening
                else (
                    "14 readings agree with one leak, 17 dB over background at the peak",
                    "marks 105-118 on one straight run",
                )
            ),
            chance_in_hole=0.55 if listening else 0.91,
            hole=HoleSummary(
                pieces=(("yard", stake_m - before_m, stake_m + past_m),),
                length_m=before_m + past_m,
                before_stake_m=before_m,
                past_stake_m=past_m,
                width_m=0.6,
                depth_m=0.94 if depth else None,
                area_m2=0.914,
                volume_m3=0.95,
                outline_wkt=hole.wkt,
                notes=("Soil type C at this depth: sloped sides 1.5 to 1.",),
            ),
            then=(Window((("yard", 14.33, 15.85),), 1.52, 0.05),),
            chance_by_length=((0.914, 0.74), (1.219, 0.85), (1.524, 0.91), (1.829, 0.94)),
        ),
        next_readings=(
            NextReadingSummary("surface", "yard@0+72", "yard", 21.9, 1.9),
            NextReadingSummary("contact", "MTR1", "yard", 0.0, 2.6),
        )
        if listening
        else (),
        profile=(
            ProfileLeg(
                "yard",
                tuple(float(x) for x in np.round(grid_chainage, 3)),
                tuple(float(x) for x in np.round(density, 6)),
                tuple(float(x) for x in np.round(grid_chainage, 3)),
                tuple(float(x) for x in np.round(expected, 3)),
                tuple(float(x) for x in np.round(expected - 4.2, 3)),
                tuple(float(x) for x in np.round(expected + 4.2, 3)),
            ),
        ),
        readings=tuple(readings),
        fits=(
            FitSummary(
                "surface",
                len(readings),
                0.41,
                "14 readings agree with one leak, 17 dB over background at the peak",
                True,
            ),
        ),
        level_scale="db",
        warnings=(
            Warned("crs_ensemble", "WGS 84 is an ensemble: longitude and latitude to 2 m"),
            Warned("stray_mark", "mark 114 stands 0.4 ft off the line " + note, "points.csv", 15),
        ),
        cautions=CAUTIONS,
        ties=tuple(ties),
        ties_text=(
            "Standing at 201 and looking at 202, the stake is on the left.",
            "With tapes good to 0.05 ft the ties set out within 0.11 ft.",
        ),
        stakes=tuple(stakes),
        point_layout=layout,
        services=(
            ServiceSummary(
                "gas " + note if note else "gas",
                "yellow",
                format_station(stake_m + 0.43, unit=length_unit),
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
        if services
        else (),
        features=tuple(features),
        job=Job("J-2217", "14 Alder Court", "R. Fenn", "contact mic, locator, rover"),
        not_before="no locate request is filed",
    )
    return result


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
