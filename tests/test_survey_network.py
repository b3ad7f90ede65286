"""A drawn network in a site: legs of its own, joined, corrected by marks, in whatever CRS."""

from __future__ import annotations

import math
import time
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from pyproj import Transformer

import geoleak
from geoleak.errors import GeoleakError, InputError, SiteDataError
from geoleak.linref import Route
from geoleak.network import Joint
from geoleak.route import Drawing, drawn_fit
from geoleak.survey.build import survey_site
from geoleak.survey.mains import _apart_notes, same_joint
from geoleak.survey.records import PipePlace, Survey
from tests import synthetic

GRID = "EPSG:26917"
E, N = 680_000.0, 3_970_000.0
MAIN = [(0.0, 0.0), (60.0, 0.0), (100.0, 30.0)]  # 60 m east, then 50 m
BRANCH = [(30.0, 0.0), (30.0, 25.0)]  # a tee in the middle of the main
FAR = [(100.0, 30.0), (100.0, 90.0)]
HEAD = f'title = "Mill Row"\ncrs = "{GRID}"\nlength_unit = "m"\n'
READINGS = "reading,kind,place,level\n"


def line(points: list[tuple[float, float]]) -> shapely.LineString:
    return shapely.LineString([(E + e, N + n) for e, n in points])


def write(
    place: Path,
    lines: list[list[tuple[float, float]]] | None = None,
    *,
    toml: str = "",
    network: str = 'file = "mains.gpkg"\nsigma = "1 m"\n',
    points: str = "",
    readings: str = READINGS,
    crs: str | None = GRID,
    to: str | None = None,
    **fields: list[object],
) -> Path:
    folder = place / "mill_row"
    folder.mkdir()
    shapes = [line(each) for each in (lines or [MAIN, BRANCH, FAR])]
    frame = geopandas.GeoDataFrame(fields, geometry=shapes, crs=crs)
    (frame.to_crs(to) if to else frame).to_file(folder / "mains.gpkg")
    (folder / "readings.csv").write_text(readings)
    head = HEAD
    if points:
        (folder / "points.csv").write_text(points)
        head += '[points]\nfile = "points.csv"\nlayout = "penzd"\n'
    (folder / "site.toml").write_text(f"{head}[network]\n{network}\n{toml}")
    return folder


def surveyed(*args: object, **options: object) -> Survey:
    return survey_site(geoleak.read_site(write(*args, **options)))


def refused(folder: Path) -> list[str]:
    with pytest.raises(GeoleakError) as caught:
        survey_site(geoleak.read_site(folder))
    error = caught.value
    return error.lines() if isinstance(error, InputError) else [str(error)]


def marks(points: list[tuple[float, float]], code: str = "WL") -> str:
    rows = [f"{101 + k},{E + e},{N + n},,{code}" for k, (e, n) in enumerate(points)]
    return "\n".join(rows) + "\n"


def names(survey: Survey) -> list[str]:
    return [leg.name for leg in survey.legs]


def test_a_site_of_a_network_and_readings_alone(tmp_path: Path) -> None:
    readings = READINGS + f"1,surface,E {E + 20} N {N + 0.5},30\n2,surface,north main@40,28\n"
    survey = surveyed(tmp_path, readings=readings, name=["north main", "B", None],
                      material=["di", "pvc", None], depth_m=[1.2, None, None])  # fmt: skip
    assert names(survey) == ["north main", "B", "3"]
    main = survey.legs[0]
    assert main.leg.marks_by == "records"
    assert main.leg.material == geoleak.tables.material("di").name
    assert main.fit.depth_m(10.0) == pytest.approx(1.2)
    assert main.fit.depth_sigma_m(10.0) == pytest.approx(0.3)  # stated of a drawn line
    # UTM is 0.9999 of the ground and less here: the frame reads what a tape does.
    ground = 110.0 / survey.frame.grid_scale
    assert main.route.length_m == pytest.approx(ground, rel=2e-6)
    assert survey.surface.leg.tolist() == [0, 0]
    assert survey.surface.chainage_m == pytest.approx(
        [20 / survey.frame.grid_scale, 40.0], abs=1e-3
    )
    assert survey.surface.offset_m[0] == pytest.approx(-0.5, abs=1e-3)  # north of a line eastward


def test_the_drawing_joins_the_legs(tmp_path: Path) -> None:
    survey = surveyed(tmp_path)
    there = survey.network.distance(([1], [24.0]), ([2], [59.0]))[0, 0]
    assert there == pytest.approx(24 + 30 + 50 + 59, abs=1e-3)
    assert len(survey.network.components()) == 1


def test_the_path_between_sensors_is_as_vague_as_the_drawing(tmp_path: Path) -> None:
    survey = surveyed(tmp_path)
    # From the branch along the main, round its corner, to the far line: the corner alone counts.
    far = survey.path_sigma_m(PipePlace(1, 24.0), PipePlace(2, 59.0))
    assert far == pytest.approx(corner(MAIN), rel=0.05)
    assert survey.path_sigma_m(PipePlace(0, 5.0), PipePlace(0, 50.0)) == 0.0
    assert survey.path_sigma_m(PipePlace(0, 50.0), PipePlace(0, 70.0)) == pytest.approx(far)


def test_it_says_once_that_it_is_assumed(tmp_path: Path) -> None:
    survey = surveyed(tmp_path)
    (note,) = [w for w in survey.warnings if w.code == "route_assumed"]
    assert "3 legs are drawn" in note.text
    assert "2.00 m or more" in note.text
    (note,) = [w for w in survey.warnings if w.code == "depth_unknown"]
    assert "3 drawn legs" in note.text
    for leg in survey.legs:
        assert leg.fit.sigma_across_m(1.0) == pytest.approx(1.0)
        # Services mostly lie 0.5 to 1.5 m deep (common practice, no source).
        assert leg.fit.depth_m(1.0) == pytest.approx(0.9)
        assert leg.fit.depth_sigma_m(1.0) == pytest.approx(0.3)


def test_locate_on_a_network_alone(tmp_path: Path) -> None:
    levels = [20, 21, 24, 30, 40, 31, 24, 21, 20]
    readings = READINGS + "".join(
        f"{k},surface,main@{10 + 2 * k},{level}\n" for k, level in enumerate(levels)
    )
    folder = write(tmp_path, readings=readings, name=["main", "B", "C"])
    result = geoleak.locate(geoleak.read_site(folder))
    assert result.leak.leg == "main"
    assert result.leak.chainage_m == pytest.approx(18.0, abs=1.0)
    assert result.legs[0].assumed
    result.write(folder / "out")
    assert (folder / "out" / "map.html").stat().st_size > 100_000


def test_another_crs_on_the_same_datum_changes_nothing(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    own = surveyed(tmp_path / "a")
    feet = surveyed(tmp_path / "b", to="EPSG:2264")  # North Carolina, US survey feet, NAD83
    for one, other in zip(own.legs, feet.legs, strict=True):
        np.testing.assert_allclose(one.route.vertices_m, other.route.vertices_m, atol=2e-4)


def test_another_datum_is_transformed_and_widens_the_drawing(tmp_path: Path) -> None:
    survey = surveyed(tmp_path, to="EPSG:4326", points=marks([(0, 0)]))
    drawn = survey.legs[0].route.vertices_m
    e, n = survey.frame.to_working(*np.array(line(MAIN).coords).T)
    # WGS 84 and NAD83 are a metre or two apart and nobody says which frame was meant.
    np.testing.assert_allclose(drawn, np.column_stack([e, n]), atol=3.0)
    assert survey.legs[0].fit.sigma_across_m(1.0) > 1.4


def test_no_crs_is_refused(tmp_path: Path) -> None:
    with pytest.warns(UserWarning, match="crs"):
        folder = write(tmp_path, crs=None)
    (said,) = refused(folder)
    assert "states no CRS" in said
    assert "mains.gpkg" in said


def test_odd_features_are_named(tmp_path: Path) -> None:
    folder = write(tmp_path)
    spot = shapely.LineString([(E, N), (E, N)])
    frame = geopandas.GeoDataFrame(geometry=[line(MAIN), spot, None], crs=GRID)
    (folder / "mains.gpkg").unlink()
    frame.to_file(folder / "mains.gpkg")
    said = refused(folder)
    assert "feature 2 is a line of no length" in said[0]
    assert "feature 3 has no geometry" in said[1]


def test_one_street_s_name_on_many_lines(tmp_path: Path) -> None:
    survey = surveyed(tmp_path, name=["Mill Row", "Mill Row", "E Mill Row"])
    assert names(survey) == ["Mill Row (1)", "Mill Row (2)", "line 3"]
    assert [w.code for w in survey.warnings].count("line_renamed") == 1


def corner(points: list[tuple[float, float]]) -> float:
    """Return what moving the middle of three vertices by sigma 1 / sqrt(2) does to the length."""
    a, b, c = np.array(points)
    pull = (b - a) / np.hypot(*(b - a)) - (c - b) / np.hypot(*(c - b))
    return float(np.hypot(*pull) / math.sqrt(2))


TRACED = [(10.0, 1.0), (14.0, 1.0), (18.0, 1.0), (22.0, 1.0), (26.0, 1.0)]
YARD = '[[leg]]\nname = "yard"\ncode = "WL"\ndepth = 1\nline = "north main"\n'
NAMED = {"name": ["north main", "B", "C"]}


def test_marks_correct_the_drawn_line(tmp_path: Path) -> None:
    """Marks 1 m north of the drawing from 10 to 26 m: the pipe is there, and nowhere else."""
    survey = surveyed(tmp_path, points=marks(TRACED), toml=YARD, **NAMED)
    assert names(survey) == ["yard", "B", "C"]
    yard = survey.legs[0]
    at = np.array([survey.frame.to_working(E + e, N + n) for e, n in
                   [(10, 1), (18, 1), (26, 1), (0, 0), (60, 0), (100, 30)]])  # fmt: skip
    snap = yard.route.snap(at)
    assert snap.distance_m[:3] == pytest.approx(0.0, abs=0.05)
    assert snap.distance_m[3:] == pytest.approx(0.0, abs=1e-6)  # the far ends stay where drawn
    # Blended over 10 and 20 m: sqrt(10^2 + 1) and sqrt(20^2 + 1) in place of 10 and 20.
    more = math.hypot(10, 1) - 10 + math.hypot(20, 1) - 20
    assert yard.route.length_m == pytest.approx(110 / survey.frame.grid_scale + more, abs=0.02)
    # A step at right angles would have added 2 m.
    assert yard.route.length_m < 110 / survey.frame.grid_scale + 0.2


def test_sigma_is_the_fit_s_between_the_marks_and_the_drawing_s_beyond(tmp_path: Path) -> None:
    yard = surveyed(tmp_path, points=marks(TRACED), toml=YARD, **NAMED).legs[0]
    assert yard.fit.sigma_across_m(18.0) < 0.15
    assert yard.fit.sigma_across_m(100.0) == pytest.approx(1.0)
    assert 0.15 < yard.fit.sigma_across_m(36.0) < 1.0
    assert (yard.fit.sigma_across_m(np.linspace(0, yard.route.length_m, 500)) <= 1.0 + 1e-9).all()
    assert yard.fit.mark_chainage_m[0] == pytest.approx(math.hypot(10, 1), abs=0.03)
    assert yard.fit.depth_m(18.0) == pytest.approx(1.0, abs=0.05)
    assert yard.fit.straight_run(18.0).first_mark == "101"
    assert yard.fit.straight_run(80.0).first_mark == ""
    assert np.linalg.eigvalsh(yard.fit.covariance(80.0)).min() > 0
    # Across the drawn corner the length is as vague as the drawing; between marks it is not.
    assert yard.fit.path_sigma_m(12.0, 24.0) < 0.05
    assert yard.fit.path_sigma_m(50.0, 70.0) == pytest.approx(corner(MAIN), rel=0.05)
    assert yard.fit.path_sigma_m(70.0, 90.0) == 0.0


def test_vertices_beside_the_seam_are_drawn_over(tmp_path: Path) -> None:
    """A line of a vertex every 2 m, marks 0.5 m north of it to 26 m: the step dies out in 10 m."""
    lines = [[(2.0 * k, 0.0) for k in range(51)], BRANCH, FAR]
    near = [(e, 0.5) for e, _ in TRACED]
    survey = surveyed(tmp_path, lines, points=marks(near), toml=YARD, **NAMED)
    for east, north in ((28, 0.4), (30, 0.3), (32, 0.2), (34, 0.1), (36, 0.0), (60, 0.0), (0, 0)):
        at = survey.frame.to_working(E + east, N + north)
        snap = survey.legs[0].route.snap(at)
        assert snap.distance_m == pytest.approx(0.0, abs=0.01), east


def test_joints_go_with_the_corrected_line(tmp_path: Path) -> None:
    """The tee at 30 m stands beyond the last mark, where the line is drawn over to itself."""
    survey = surveyed(tmp_path, points=marks(TRACED), toml=YARD, **NAMED)
    (tee,) = [j for j in survey.network.joints if 1 in (j.leg_a, j.leg_b)]
    there = tee.chainage_a_m if tee.leg_a == 0 else tee.chainage_b_m
    assert there == pytest.approx(30.0, abs=0.15)
    assert len(survey.network.components()) == 1


def test_marks_against_the_drawn_direction_turn_the_leg(tmp_path: Path) -> None:
    survey = surveyed(tmp_path, points=marks(TRACED[::-1]), toml=YARD, **NAMED)
    yard = survey.legs[0]
    end = np.asarray(yard.route.position(yard.route.length_m))
    np.testing.assert_allclose(end, survey.frame.to_working(E, N), atol=1e-6)
    (tee,) = [j for j in survey.network.joints if 1 in (j.leg_a, j.leg_b)]
    there = tee.chainage_a_m if tee.leg_a == 0 else tee.chainage_b_m
    assert there == pytest.approx(yard.route.length_m - 30.0, abs=0.15)


def test_marks_over_the_tee_of_two_lines(tmp_path: Path) -> None:
    lines = [[(0.0, 0.0), (20.0, 0.0)], [(60.0, 0.0), (20.0, 0.0)], [(20.0, 0.0), (20.0, 30.0)]]
    toml = YARD.replace('"north main"', '["1", "2"]')
    survey = surveyed(tmp_path, lines, points=marks(TRACED), toml=toml)
    assert names(survey) == ["yard", "3"]
    (tee,) = survey.network.joints[:1]
    places = {tee.leg_a: tee.chainage_a_m, tee.leg_b: tee.chainage_b_m}
    assert places[0] == pytest.approx(20.0, abs=0.1)
    assert places[1] == 0.0


def test_marks_within_finds_the_line(tmp_path: Path) -> None:
    toml = YARD.replace('line = "north main"\n', "")
    network = 'file = "mains.gpkg"\nsigma = "1 m"\nmarks_within = "{} m"\n'
    for place, within, count in (("a", 2, 3), ("b", 0.5, 4)):
        (tmp_path / place).mkdir()
        survey = surveyed(tmp_path / place, points=marks(TRACED), toml=toml,
                          network=network.format(within), **NAMED)  # fmt: skip
        assert len(survey.legs) == count
        assert [w.code for w in survey.warnings].count("leg_on_line") == (count == 3)


def test_one_pipe_that_stands_twice_is_said(tmp_path: Path) -> None:
    toml = YARD.replace('line = "north main"\n', "")
    survey = surveyed(tmp_path, points=marks(TRACED), toml=toml, **NAMED)
    (note,) = [w for w in survey.warnings if w.code == "traced_and_drawn"]
    assert 'line = ["north main"]' in note.text


@pytest.mark.parametrize(("aside_m", "said"), [(1.95, True), (2.05, False)])
def test_marks_within_two_sigmas_of_a_drawn_line_are_asked_about(
    tmp_path: Path, aside_m: float, said: bool
) -> None:
    beside = [(east, aside_m) for east, _ in TRACED]  # of a drawing good to 1 m
    toml = YARD.replace('line = "north main"\n', "")
    survey = surveyed(tmp_path, points=marks(beside), toml=toml, **NAMED)
    assert ("traced_and_drawn" in {each.code for each in survey.warnings}) is said


def test_a_leg_may_run_from_a_drawn_line(tmp_path: Path) -> None:
    service = [(50.0, 0.1), (50.0, 4.0), (50.0, 8.0), (50.0, 12.0)]
    toml = '[[leg]]\nname = "yard"\ncode = "WL"\ndepth = 1\nfrom = "north main"\n'
    survey = surveyed(tmp_path, points=marks(service), toml=toml, **NAMED)
    there = survey.network.distance(([0], [0.0]), ([1], [0.0]))[0, 0]
    assert there == pytest.approx(50.0, abs=0.1)


def test_a_leg_takes_what_the_drawing_states(tmp_path: Path) -> None:
    toml = '[[leg]]\nname = "yard"\nline = "north main"\nmaterial = "pvc"\n'
    fields = {**NAMED, "material": ["di"] * 3, "od_mm": [110, 50, 50], "depth_m": [1.3, 1, 1]}
    leg = surveyed(tmp_path, toml=toml, **fields).legs[0].leg
    assert (leg.name, leg.material, leg.depth_m) == ("yard", "pvc", 1.3)
    assert leg.outside_diameter_m == pytest.approx(0.110)
    assert leg.marks_by == "records"


@pytest.mark.parametrize(
    ("toml", "words"),
    [
        ('[[leg]]\nname = "yard"\nline = "north mian"\n', 'did you mean "north main"'),
        ('[[leg]]\nname = "yard"\nline = ["B", "B"]\n', "named twice"),
        (
            '[[leg]]\nname = "a"\nline = "B"\n[[leg]]\nname = "b"\nline = "2"\n',
            'leg "a" names line',
        ),
        ('[[leg]]\nname = "yard"\nline = ["north main", "B"]\n', "does not meet the end"),
        (YARD.replace("north main", "C"), "name the line along which"),
        (YARD + 'from = "C"\n', "comes no nearer"),
    ],
)
def test_lines_that_do_not_fit(tmp_path: Path, toml: str, words: str) -> None:
    toml = toml if "from" not in toml else toml.replace('line = "north main"\n', "")
    said = refused(write(tmp_path, points=marks(TRACED), toml=toml, **NAMED))
    assert any(words in each for each in said), said
    assert all("site.toml:" in each for each in said)


def test_a_line_needs_a_network(tmp_path: Path) -> None:
    folder = write(tmp_path, points=marks(TRACED), toml=YARD)
    text = (folder / "site.toml").read_text()
    (folder / "site.toml").write_text(
        text.replace('[network]\nfile = "mains.gpkg"\nsigma = "1 m"', "")
    )
    assert "there is no [network]" in refused(folder)[0]


def test_a_place_on_a_line_that_a_leg_replaces(tmp_path: Path) -> None:
    readings = READINGS + "1,surface,north main@20,30\n"
    folder = write(tmp_path, points=marks(TRACED), toml=YARD, readings=readings, **NAMED)
    (said,) = refused(folder)
    assert "readings.csv:2" in said


def test_points_are_needed_without_a_network(tmp_path: Path) -> None:
    (tmp_path / "site.toml").write_text(HEAD)
    (tmp_path / "readings.csv").write_text(READINGS)
    with pytest.raises(InputError, match="points is missing"):
        geoleak.read_site(tmp_path)


def test_the_error_of_a_drawn_length_against_simulation() -> None:
    """Move the vertices at random by their own part of sigma: lengths scatter as stated."""
    vertices = np.array([(0.0, 0.0), (40.0, 0.0), (60.0, 25.0), (60.0, 80.0), (110.0, 95.0)])
    fit = drawn_fit(vertices, Drawing(sigma_m=0.6, depth_m=1.0, depth_sigma_m=0.3))
    rng = np.random.default_rng(8)
    moved = vertices + rng.normal(0.0, 0.6 / math.sqrt(2), (20_000, *vertices.shape))
    length = np.hypot(*np.moveaxis(np.diff(moved, axis=1), -1, 0)).sum(axis=1)
    assert fit.length_sigma_m == pytest.approx(length.std(), rel=0.05)


def test_a_drawn_corner_is_a_bend() -> None:
    fit = drawn_fit(np.array(MAIN), Drawing(sigma_m=1.0, depth_m=1.0, depth_sigma_m=0.3))
    (bend,) = fit.bends
    assert bend.chainage_m == pytest.approx(60.0)
    assert bend.deflection_deg == pytest.approx(-math.degrees(math.atan2(30, 40)))  # to the left


def city(count: int, rng: np.random.Generator) -> list[list[tuple[float, float]]]:
    """Return a grid of streets of 20 vertices each, `count` squared corners."""
    lines = []
    for i in range(count):
        for j in range(count):
            for across in ((1.0, 0.0), (0.0, 1.0)):
                t = np.linspace(0.0, 100.0, 20)[:, None]
                wander = rng.normal(0.0, 0.5, (20, 1))
                wander[[0, -1]] = 0.0
                at = np.array([100.0 * i, 100.0 * j]) + t * across + wander * across[::-1]
                lines.append([tuple(each) for each in at.tolist()])
    return lines


@pytest.mark.parametrize(("apart_m", "one"), [(0.9, True), (1.1, False)])
def test_joints_within_a_metre_are_one_tee(apart_m: float, one: bool) -> None:
    tee = Joint(0, 10.0, 1, 0.0)
    assert same_joint(tee, Joint(1, 0.0, 0, 10.0 + apart_m)) is one
    assert same_joint(tee, Joint(0, 10.0 - apart_m, 1, 0.0)) is one
    assert not same_joint(tee, Joint(2, 10.0, 1, 0.0))


def survey_of_a_city(folder: Path, count: int, readings: int) -> tuple[Survey, float]:
    """Return the survey of a drawn city and its least processor time of three, seconds."""
    rng = np.random.default_rng(5)
    lines = city(count, rng)
    rows = []
    for k in range(readings):
        at = Route.from_vertices(lines[rng.integers(len(lines))])
        e, n = at.position(rng.uniform(0, at.length_m), rng.normal(0, 0.3))
        rows.append(f"{k},surface,E {E + e:.3f} N {N + n:.3f},25\n")
    site = geoleak.read_site(write(folder, lines, readings=READINGS + "".join(rows)))
    took = []
    for _ in range(3):
        begun = time.process_time()
        survey = survey_site(site)
        took.append(time.process_time() - begun)
    return survey, min(took)


def test_many_drawn_legs_hang_together_with_their_readings(tmp_path: Path) -> None:
    survey, _ = survey_of_a_city(tmp_path, 6, 40)
    assert len(survey.legs) == 72
    assert len(survey.surface) == 40
    assert len(survey.network.components()) == 1


def test_it_stands_where_pyproj_puts_it() -> None:
    """The grid of these tests is what it is taken for."""
    lon, lat = Transformer.from_crs(GRID, "EPSG:4269", always_xy=True).transform(E, N)
    assert (round(lon), round(lat)) == (-79, 36)
    assert issubclass(SiteDataError, GeoleakError)


def test_the_network_of_the_page_reads(tmp_path: Path) -> None:
    page = (Path(__file__).parent.parent / "shared" / "site_folder.md").read_text()
    block = page[
        page.index("[network]\nfile") : page.index('[[leg]]\nname = "yard"\ncode = "WL"\nline')
    ]
    network = block.removeprefix("[network]\n")
    site = geoleak.read_site(write(tmp_path, network=network, **NAMED))
    assert site.network is not None
    assert site.network.stated.marks_within_m == pytest.approx(0.9144)
    assert site.legs[0].depth_m == pytest.approx(1.2192)


@pytest.mark.parametrize(("apart", "more"), [(6, ""), (8, "; and 2 more groups")])
def test_of_legs_that_do_not_join_six_groups_are_named(apart: int, more: str) -> None:
    survey = synthetic.survey([synthetic.straight()] * apart)
    (note,) = _apart_notes(survey.site, survey.legs, survey.network, {})
    named = "; ".join(f"leg{k}" for k in range(6))
    assert note.text.startswith(f"the legs do not all join: {named}{more}; say from")
