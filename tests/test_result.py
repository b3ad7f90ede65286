"""The Result of a whole site: the contract's keys, and numbers that must agree with one another."""

from __future__ import annotations

import contextlib
import datetime
import json
import math
import re
import shutil
from pathlib import Path

import numpy as np
import pytest
from pyproj import Transformer

import geoleak
from geoleak.export import stakes, words
from geoleak.posterior import infer
from geoleak.record import replace
from geoleak.result import build_result
from geoleak.result.records import Result
from geoleak.site import LocateRequest, Note, PointTable
from geoleak.stake.stake import free_ids
from geoleak.survey import survey_site
from geoleak.units import US_SURVEY_FOOT_M, format_station
from tests.samples import sample
from tests.taping import place_by_tapes
from tests.trials.frozen import write_site

pytestmark = pytest.mark.usefixtures("few_nodes")

SITES = Path(__file__).parent.parent / "sample_sites"
KEYS = {
    "leak": {
        "leg", "chainage_m", "station", "interval_50", "interval_80", "interval_95",
        "sigma_along_m", "position", "lonlat", "lonlat_accuracy_m", "setting_out_ellipse_95",
        "depth_m", "depth_sigma_m", "side", "probability_elsewhere", "budget",
    },
    "decision": {"verdict", "reasons", "chance_in_hole", "hole", "then"},
    "run": {"id", "version", "date", "created_from"},
}  # fmt: skip


@pytest.fixture
def site() -> geoleak.Site:
    return sample("alder_court").survey.site


@pytest.fixture
def result() -> Result:
    return sample("alder_court").result


def told(site: geoleak.Site, **options) -> Result:
    """Return Alder Court's answer where the site states something else that moves no odds."""
    survey, posterior, _ = sample("alder_court")
    return build_result(replace(survey, site=site), posterior, **options)


def test_the_keys_of_the_contract_are_there(result: Result) -> None:
    document = result.to_dict()
    for part, keys in KEYS.items():
        assert keys <= set(document[part])
    assert set(document["leak"]["position"]) == {"easting", "northing", "unit", "crs"}
    assert set(document["legs"][0]) >= {
        "name", "length_m", "pipe_length_m", "probability", "vertices",
    }  # fmt: skip
    assert set(document["profile"][0]) >= {"leg", "chainage_m", "density_per_m"}
    json.dumps(document, allow_nan=False)


def test_the_stake_stands_at_its_station_on_the_drawn_leg(result: Result) -> None:
    vertices = np.array(result.legs[0].vertices)
    place = (result.leak.position.easting, result.leak.position.northing)
    route = geoleak.Route.from_vertices(vertices)
    snap = route.snap(place)
    # Grid feet to metres on the ground: the foot, and the combined factor.
    ground_m = float(snap.chainage_m) * US_SURVEY_FOOT_M / result.site.combined_factor
    assert ground_m == pytest.approx(result.leak.chainage_m, abs=0.002)
    assert float(snap.distance_m) < 0.001
    assert result.leak.station == format_station(result.leak.chainage_m, unit="ftUS")


def test_longitude_and_latitude_are_those_of_the_grid_position(result: Result) -> None:
    way = Transformer.from_crs("EPSG:6543", "EPSG:6318", always_xy=True)
    lon, lat = way.transform(result.leak.position.easting, result.leak.position.northing)
    assert result.leak.lonlat == pytest.approx((lon, lat), abs=1e-9)
    # NAD83(2011) to the WGS 84 family is a null shift stated good to 2 m.
    assert result.leak.lonlat_accuracy_m is not None
    assert result.leak.lonlat_accuracy_m >= 2.0


def test_the_hole_told_from_the_stake_is_the_hole(result: Result) -> None:
    hole = result.decision.hole
    (_, low, high), *_ = hole.pieces
    assert result.leak.chainage_m - hole.before_stake_m == pytest.approx(low, abs=1e-9)
    assert result.leak.chainage_m + hole.past_stake_m == pytest.approx(high, abs=1e-9)
    assert low < result.leak.chainage_m < high
    assert hole.length_m == pytest.approx(high - low, abs=1e-9)
    assert hole.area_m2 == pytest.approx(hole.width_m * hole.length_m, rel=0.02)


def test_the_next_hole_is_judged_as_if_the_first_were_dry(tmp_path: Path) -> None:
    """The mass in the window over all that the first hole leaves, by the profile as written."""
    write_site(tmp_path / "site", 2)
    result = geoleak.locate(geoleak.read_site(tmp_path / "site"))
    then = result.decision.then[0]
    ((name, low, high),) = then.pieces
    (leg,) = (each for each in result.profile if each.leg == name)
    at, density = np.array(leg.chainage_m), np.array(leg.density_per_m)
    fine = np.linspace(low, high, 400)
    mass = np.trapezoid(np.interp(fine, at, density), fine)
    left = 1 - result.decision.chance_in_hole
    assert left < 0.7
    assert then.chance == pytest.approx(mass / left, rel=0.15)


def test_the_budget_adds_up_and_holds_no_zero(result: Result) -> None:
    *rows, total = result.leak.budget
    for name in ("sigma_along_m", "sigma_across_m"):
        assert math.sqrt(sum(getattr(row, name) ** 2 for row in rows)) == pytest.approx(
            getattr(total, name), rel=1e-9
        )
        assert getattr(total, name) > 0.01
    ellipse = result.leak.setting_out_ellipse_95
    assert ellipse.semi_major_m >= ellipse.semi_minor_m > 0
    # 95 % of a plane normal lies within 2.44775 sigma (chi-square, 2 degrees of freedom), and the
    # trace of a covariance does not turn with its axes.
    assert math.hypot(ellipse.semi_major_m, ellipse.semi_minor_m) == pytest.approx(
        2.44775 * math.hypot(total.sigma_along_m, total.sigma_across_m), rel=1e-4
    )


def test_intervals_are_nested_and_hold_the_stake(result: Result) -> None:
    def inside(pieces: tuple[tuple[str, float, float], ...], at_m: float) -> bool:
        return any(low - 1e-9 <= at_m <= high + 1e-9 for _, low, high in pieces)

    leak = result.leak
    assert inside(leak.interval_50, leak.chainage_m)
    for small, large in (
        (leak.interval_50, leak.interval_80),
        (leak.interval_80, leak.interval_95),
    ):
        for _, low, high in small:
            assert inside(large, low)
            assert inside(large, high)


def test_the_profile_holds_the_whole_probability(result: Result) -> None:
    total = 0.0
    for leg in result.profile:
        chainage = np.array(leg.chainage_m)
        edges = np.concatenate(
            [[0.0], (chainage[1:] + chainage[:-1]) / 2, [result.legs[0].length_m]]
        )
        total += float(np.sum(np.diff(edges) * np.array(leg.density_per_m)))
    assert total == pytest.approx(1 - result.leak.probability_elsewhere, abs=0.01)


def test_stakes_are_new_points_and_check_points_are_old_ones(
    site: geoleak.Site, result: Result
) -> None:
    assert [each.kind for each in result.stakes] == [
        "stake", "offset_stake", "offset_stake", "hole_start", "hole_end", "check_point",
        "check_point",
    ]  # fmt: skip
    assert {each.id for each in result.stakes}.isdisjoint(site.points)
    assert [each.id for each in result.stakes] == list(free_ids(site.points, 7))
    for check in result.stakes[-2:]:
        shot = site.points[check.label.removeprefix("CHECK POINT ")]
        assert (check.easting, check.northing) == pytest.approx(
            (shot.easting, shot.northing), abs=1e-4
        )
        assert f"occupy {shot.id}" in check.text


def test_a_crew_with_a_tape_finds_the_stake_from_its_printed_ties(
    site: geoleak.Site, result: Result
) -> None:
    scale = US_SURVEY_FOOT_M / result.site.combined_factor
    points = [
        (site.points[tie.feature].easting * scale, site.points[tie.feature].northing * scale)
        for tie in result.ties
    ]  # fmt: skip
    found = place_by_tapes(points, [tie.distance_m for tie in result.ties])
    stake = np.array([result.leak.position.easting, result.leak.position.northing]) * scale
    assert np.hypot(*(np.asarray(found) - stake)) < 0.02 * 0.3048


def test_everything_that_can_be_drawn_is_there_in_both_frames(result: Result) -> None:
    kinds = {each.kind for each in result.features}
    # Where the verdict is to dig, nothing is to be listened to first.
    assert kinds == {
        "stake", "interval", "hole", "route", "mark", "reading", "fitting", "feature", "tie",
        "utility", "check_point", "offset_stake",
    }  # fmt: skip
    assert all(each.lonlat is not None for each in result.features)
    frame = result.to_geodataframe()
    assert frame.crs.to_epsg() == 6543
    assert len(frame) == len(result.features)


def test_the_address_stays_out_of_geojson(site: geoleak.Site) -> None:
    job = site.job.model_copy(update={"address": "7 Nowhere Row", "technician": "T. Person"})
    result = told(replace(site, job=job))
    assert "Nowhere" not in json.dumps(result.to_geojson())
    assert result.job.address == "7 Nowhere Row"


@pytest.mark.parametrize(
    ("day", "free"), [("2026-06-01", False), ("2026-06-03", True), ("2026-07-01", False)]
)
def test_nobody_is_told_to_dig_outside_the_locate_request(
    site: geoleak.Site, day: str, free: bool
) -> None:
    request = LocateRequest(
        number="A-12", filed="2026-05-30", valid_from="2026-06-02", expires="2026-06-20"
    )
    now = datetime.datetime.fromisoformat(f"{day}T10:00")
    result = told(replace(site, locate_request=request), now=now)
    assert (result.not_before is None) is free
    assert result.run.date != day  # the date is of the survey, not of the clock


def test_the_odds_of_each_side_of_a_boundary(site: geoleak.Site) -> None:
    legs = (site.legs[0].model_copy(update={"boundary": "110"}),)
    result = geoleak.locate(replace(site, legs=legs))
    assert set(result.leak.side) == {"up to 110", "past 110", "not on any traced line"}
    assert sum(result.leak.side.values()) == pytest.approx(1.0)
    assert result.leak.side["past 110"] > 0.9  # the leak lies 1.1 m past that mark


def test_without_a_depth_none_is_printed(site: geoleak.Site) -> None:
    legs = (site.legs[0].model_copy(update={"depth_m": None}),)
    result = geoleak.locate(replace(site, legs=legs))
    assert result.leak.depth_m is None
    assert result.decision.hole.depth_m is None
    assert "depth_unknown" in {each.code for each in result.warnings}


def test_stakes_stand_on_ground_that_slopes_as_it_was_shot(result: Result) -> None:
    """The sample's ground is a plane: 0.012 east, -0.018 north of it (the script that makes it)."""
    leak, left, right = result.stakes[:3]
    for stake in (left, right):
        east = (stake.easting - leak.easting) * US_SURVEY_FOOT_M
        north = (stake.northing - leak.northing) * US_SURVEY_FOOT_M
        assert stake.elevation_m is not None
        assert leak.elevation_m is not None
        rise = stake.elevation_m - leak.elevation_m
        assert rise == pytest.approx(0.012 * east - 0.018 * north, abs=0.02)
    assert float(left.label.split()[4]) < float(right.label.split()[4])


def test_elevations_are_in_the_unit_of_the_point_file(site: geoleak.Site, result: Result) -> None:
    from geoleak.export.stakes import rows

    style = replace(result.point_style, elevation_unit="m")
    column = style.columns.index("elevation")
    metric = replace(result, point_style=style)
    first = bool(style.names)
    feet = float(rows(result)[first].split(",")[column])
    metres = float(rows(metric)[first].split(",")[column])
    assert metres / US_SURVEY_FOOT_M == pytest.approx(feet, abs=0.003)


def test_a_service_clear_of_the_hole_is_said_to_be(site: geoleak.Site, result: Result) -> None:
    from geoleak.export.words import services

    assert result.services_clear == ()
    assert "gas" in services(result)[0]
    far = site.utilities[0].model_copy(update={"name": "water", "file": None, "codes": ("CP",)})
    moved = told(replace(site, utilities=(far,)))
    assert moved.services_clear == ("water",)
    assert services(moved) == ["water: drawn, but nowhere near here"]


def test_the_prior_factors_in_use_are_told(site: geoleak.Site, result: Result) -> None:
    assert result.to_dict()["prior_factors"] == {"joints": 2.0}
    off = replace(site, prior=site.prior.model_copy(update={"joints": 1.0}))
    assert geoleak.locate(off).to_dict()["prior_factors"] == {}


def test_the_hole_with_sloped_sides_is_as_wide_as_the_rule_makes_it(result: Result) -> None:
    """29 CFR 1926 Subpart P, App. B, Table B-1: type C at 1 1/2 to 1 on every side."""
    import shapely

    # Nothing is sloped where a hole is too shallow for the rule to ask for it.
    shallow = result.decision.hole
    assert shallow.depth_m is not None and shallow.depth_m < 5 * 0.3048
    assert shallow.sloped_outline_wkt is None and shallow.sloped_area_m2 is None
    assert not any("sloped" in note for note in shallow.notes)
    result = sample("quarry_road").result
    hole = result.decision.hole
    assert hole.soil == "C"
    assert hole.outline_wkt is not None
    assert hole.sloped_outline_wkt is not None
    inner, outer = (shapely.from_wkt(w) for w in (hole.outline_wkt, hole.sloped_outline_wkt))
    assert outer.contains(inner)
    position = result.leak.position
    assert inner.contains(shapely.Point(position.easting, position.northing))
    assert hole.depth_m is not None
    assert result.leak.depth_sigma_m is not None
    reach = 1.5 * (hole.depth_m + result.leak.depth_sigma_m)
    nearest = min(inner.distance(shapely.Point(p)) for p in outer.exterior.coords)
    assert reach * 0.99 <= nearest <= reach * 1.5
    assert hole.notes[0].startswith("sides sloped for type C soil: ")


def test_nothing_in_it_depends_on_where_the_folder_stands(tmp_path: Path) -> None:
    """Same files elsewhere, under another name, asked for from elsewhere: the same bytes."""
    here = tmp_path / "a b" / "site"
    shutil.copytree(SITES / "school_loop", here, ignore=shutil.ignore_patterns("out"))
    sheet = here / "readings.csv"
    there = shutil.copytree(here, tmp_path / "elsewhere")
    said = [geoleak.locate(geoleak.read_site(each)).to_dict() for each in (here, str(there))]
    with contextlib.chdir(there):
        said.append(geoleak.locate(geoleak.read_site(".")).to_dict())
    assert said[0] == said[1] == said[2]
    assert sheet.name in {each["file"] for each in said[0]["warnings"]}
    assert str(tmp_path) not in json.dumps(said)


def test_the_date_is_the_newest_that_the_points_state(site: geoleak.Site, result: Result) -> None:
    assert result.run.date is None
    assert words.run(result).endswith("date not stated")
    days = ("2026-05-04T09:15:00", "2026-05-06 08:00", "not a day at all")
    points = PointTable.of(
        [replace(each, time=days[k % 3]) for k, each in enumerate(site.points.values())]
    )
    dated = geoleak.locate(replace(site, points=points))
    assert dated.run.date == "2026-05-06"


def undocumented(site: geoleak.Site) -> geoleak.Site:
    """The site without what its crew checked: nothing off, no rod, nothing read aside."""
    rows = [e for e in site.readings if e.kind != "rod" and e.place.aside_m is None]
    levels = site.levels.model_copy(update={"everything_off": False})
    return replace(site, readings=tuple(rows), levels=levels)


def test_a_check_and_its_rivals_are_told_and_drawn(site: geoleak.Site) -> None:
    """Where nobody checked what it is that sounds, the crew is sent to check before it digs."""
    result = geoleak.locate(undocumented(site))
    decision = result.to_dict()["decision"]
    assert decision["verdict"] == "check_first"
    assert {each["name"] for each in decision["rivals"]} == {
        "fitting", "aside", "beyond", "displaced",
    }  # fmt: skip
    assert all(0 <= each["chance"] <= 1 and each["share_stated"] > 0 for each in decision["rivals"])
    assert 0.85 < decision["chance_in_hole"] < decision["chance_if_heard"] <= 1.0
    told = {"kind", "places", "minutes", "rival", "chance_if_passed", "fitting", "job", "then"}
    assert set(decision["check"]) == told
    places = [each for each in result.features if each.kind == "check_place"]
    assert [each.properties["place"] for each in places] == decision["check"]["places"]
    kinds = {each.kind for each in result.features}
    assert not kinds & {"stake", "hole", "offset_stake", "tie", "next_reading"}
    assert {each.kind for each in result.stakes} == {"check_place", "check_point"}
    assert all("CHECK" in row for row in stakes.rows(result))


def test_the_chance_counts_the_width_that_is_drawn(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A pipe 0.9 m deep wants a hole past 1 m, which EN 1610 makes 0.8 m wide, not the bucket's."""
    from geoleak.stake import work

    write_site(tmp_path / "site", 1)
    toml = (tmp_path / "site" / "site.toml").read_text("utf-8")
    toml = re.sub(r'depth = "[^"]*"', 'depth = "0.9 m"', toml)
    (tmp_path / "site" / "site.toml").write_text(toml, encoding="utf-8")
    survey = survey_site(geoleak.read_site(tmp_path / "site"))
    taken = []
    own = work.decide

    def told(*given, **options):
        taken.append(options["hole_half_width_m"])
        return own(*given, **options)

    monkeypatch.setattr(work, "decide", told)
    result = build_result(survey, infer(survey))
    assert taken == [result.decision.hole.width_m / 2] == [0.4]


def test_a_hole_that_follows_a_tee_is_told_staked_and_drawn_in_all_its_pieces(
    tmp_path: Path,
) -> None:
    """The school loop's branch joins its main: a hole at the tee, 1 m of it into the branch."""
    import shapely

    from geoleak.advice.decide import DigWindow
    from geoleak.stake.work import Stakeout

    survey, posterior, result = sample("school_loop")
    main, branch = survey.legs
    out = Stakeout(survey, posterior)
    tee = float(np.ravel(main.route.snap(branch.route.position(0.0)[None, :2]).chainage_m)[0])
    pieces = ((main.number, tee - 0.6, tee + 0.4), (branch.number, 0.0, 1.0))
    out.decision = replace(
        out.decision, verdict="dig", leg=main.number, stake_m=tee - 0.2,
        hole=DigWindow(pieces, 2.0, 0.9),
    )  # fmt: skip
    out.digs, out.leg, out.at_m = True, main, tee - 0.2
    out.place_m = np.asarray(main.route.position(out.at_m))[:2]
    hole, outline, _ = out.hole
    assert len(hole.pieces) == 2
    for leg, at in ((main, tee - 0.5), (main, tee + 0.3), (branch, 0.9)):
        assert outline.covers(shapely.Point(np.asarray(leg.route.position(at))[:2]))
    assert hole.area_m2 == pytest.approx(outline.area) and outline.area > 1.5 * hole.width_m
    ends = [each for each in out.stakes if each[0].kind.startswith("hole")]
    assert [each.kind for each, _, _ in ends] == ["hole_start", "hole_end", "hole_end"]
    assert ends[2][0].label.startswith(f"HOLE END {branch.name} ")
    assert np.allclose(ends[2][1], np.asarray(branch.route.position(1.0))[:2])
    leak = replace(result.leak, leg=main.name, chainage_m=out.at_m)
    decision = replace(result.decision, hole=hole)
    told = words.hole_reach(replace(result, leak=leak, decision=decision))
    assert told.endswith(f", and 3.3 ft into {branch.name}")


@pytest.mark.parametrize(("code", "cut"), [("depth_bare", False), ("stray_mark", True)])
def test_an_offset_stake_carries_no_depth_of_a_doubtful_unit(code: str, cut: bool) -> None:
    from geoleak.stake.work import Stakeout

    survey, posterior, _ = sample("alder_court")
    out = Stakeout(replace(survey, warnings=(Note(code, "text"),)), posterior)
    labels = [each.label for each, _, _ in out.stakes if each.kind == "offset_stake"]
    assert len(labels) == 2
    assert all((") C " in each) is cut and ("depth unknown" in each) is not cut for each in labels)


@pytest.mark.parametrize(("share", "nearer"), [(0.2, 0), (0.8, 1)])
def test_the_stake_is_told_from_the_nearer_mark(share: float, nearer: int) -> None:
    from geoleak.result.build import _near
    from geoleak.stake.work import Stakeout

    survey, posterior, result = sample("alder_court")
    out = Stakeout(survey, posterior)
    fit = out.leg.fit
    order = np.argsort(fit.mark_chainage_m)
    pair = [fit.marks.ids[k] for k in order[3:5]]
    at_m = [float(fit.mark_chainage_m[k]) for k in order[3:5]]
    out.at_m = at_m[0] + share * (at_m[1] - at_m[0])
    near = _near(out)
    assert near is not None and near.mark == pair[nearer]
    assert near.past_m == pytest.approx(out.at_m - at_m[nearer])
    assert near.next_mark == pair[1 - nearer]
    leak = replace(result.leak, leg=out.leg.name, chainage_m=out.at_m)
    text = words.near_marks(replace(result, leak=leak, near=near))
    assert f" past mark {pair[nearer]} " in text and f"mark {pair[1 - nearer]}" in text


@pytest.mark.parametrize(("away_m", "said"), [(1.9, True), (2.1, False)])
def test_the_slab_is_told_from_a_reading_near_the_stake(away_m: float, said: bool) -> None:
    from geoleak.stake.work import Stakeout

    survey, posterior, _ = sample("alder_court")
    out = Stakeout(survey, posterior)
    rows = survey.surface
    count = len(rows.id)
    far = np.full(count, 50.0)
    far[0] = away_m
    moved = replace(
        rows,
        easting_m=out.place_m[0] + far,
        northing_m=np.full(count, out.place_m[1]),
        surface=("concrete", *["grass"] * (count - 1)),
    )
    out.survey = replace(survey, surface=moved)
    assert any("cut and lift the slab" in each for each in out.cautions) is said


@pytest.mark.parametrize(("cells", "kept"), [(400, 400), (401, 201)])
def test_a_profile_holds_four_hundred_places_at_most_and_all_its_mass(cells, kept) -> None:
    from geoleak.result.build import thinned

    width = np.linspace(0.05, 0.15, cells)
    mass = np.random.default_rng(1).dirichlet(np.ones(cells))
    at, density = thinned(np.cumsum(width), width, mass)
    step = -(-cells // kept)
    assert len(at) == len(density) == kept
    whole = np.add.reduceat(width, np.arange(0, cells, step)) @ np.asarray(density)
    assert whole == pytest.approx(1.0)
