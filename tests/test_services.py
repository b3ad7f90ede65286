"""Other services: read from GIS files, brought into the working frame, held against the hole."""

from __future__ import annotations

import json
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pyogrio.raw
import pytest
import shapely

from geoleak.crs.axes import Projection
from geoleak.crs.frame import Frame
from geoleak.errors import CrsError, InputError
from geoleak.linref import Route
from geoleak.readers.drawings import read_utility_file
from geoleak.site import NOWHERE, Crew, Utility
from geoleak.stake.hole import (
    Service,
    _far_notes,
    hole_outline,
    near_services,
    project_services,
    services_of_points,
    sloped_hole,
)
from tests import synthetic
from tests.check_values import check_value

ROUTE = Route.from_vertices([(0.0, 0.0), (40.0, 0.0)])
STAKE_M = 20.0
GAS = Utility(name="gas", colour="yellow", codes=("GAS",))
OUTLINE = hole_outline([(ROUTE, 19.3, 20.8)], 0.6)
FRAME = Frame.for_site("EPSG:6543", easting=1_987_850.0, northing=783_300.0, mean_height_m=100.0)


def line(*pairs) -> shapely.LineString:
    return shapely.LineString(pairs)


def meet(*services, tolerance_zone_m: float = 18 * 0.0254, **options):
    return near_services(
        services, route=ROUTE, stake_m=STAKE_M, outline=OUTLINE, unit="ft",
        tolerance_zone_m=tolerance_zone_m, **options,
    )  # fmt: skip


def test_a_service_under_the_slope_of_the_sides_is_said() -> None:
    """The slope reaches 1.5 m past the hole; a line 1 m off its side lies in it, at 2 m not."""
    sloped, _ = sloped_hole(OUTLINE, 1.0, "C")
    for away, inside in ((1.0, True), (1.9, False)):
        cable = Service("cable", line((10, 0.3 + away), (30, 0.3 + away)), "red")
        (row,) = meet(cable, sloped=sloped)
        assert row.in_slope is inside and not row.in_hole
        assert ("inside its sloped sides" in row.text) is inside
        (bare,) = meet(cable)
        assert not bare.in_slope
    # A service of another datum counts with what that leaves open.
    vague = Service("cable", line((10, 2.2), (30, 2.2)), "red", accuracy_m=1.0)
    assert meet(vague, sloped=sloped)[0].in_slope
    # In the hole itself it is said to be there.
    gas = Service("gas", line((20.4, -5), (20.4, 5)), "yellow")
    assert not meet(gas, sloped=sloped)[0].in_slope


def test_tolerance_zone_default() -> None:
    inches = Crew().tolerance_zone_m / 0.0254
    assert inches == pytest.approx(check_value("stake-tolerance-zone").expected)


def test_a_line_that_crosses_inside_the_hole() -> None:
    gas = Service("gas", line((20.4, -5), (20.4, 5)), "yellow", "C")
    (row,) = meet(gas)
    assert row.crossing_deg == pytest.approx(90.0)
    assert row.from_stake_m == pytest.approx(0.4)
    assert (row.distance_m, row.in_hole, row.in_tolerance_zone) == (0.0, True, True)
    assert row.text == (
        "gas (yellow marks) crosses 1.3 ft past the stake, station 0+66.93, at 90 degrees: "
        "inside the hole; its depth is not known; quality level C"
    )


@pytest.mark.parametrize(
    ("angle", "expected"), [(30, 30), (150, 30), (90, 90), (210, 30), (45, 45)]
)
def test_crossing_angle_is_told_under_90(angle, expected) -> None:
    east, north = 5 * np.cos(np.radians(angle)), 5 * np.sin(np.radians(angle))
    (row,) = meet(Service("power", line((20 - east, -north), (20 + east, north))))
    assert row.crossing_deg == pytest.approx(expected, abs=1e-6)
    assert row.from_stake_m == pytest.approx(0.0)


def test_near_but_outside_by_the_tolerance_zone() -> None:
    edge = 20.8
    for gap, inside in [(0.45, True), (0.46, False)]:
        (row,) = meet(Service("sewer", line((edge + gap, -5), (edge + gap, 5)), depth_m=1.2))
        assert row.distance_m == pytest.approx(gap)
        assert not row.in_hole
        assert row.in_tolerance_zone is inside
        assert "stated 3.9 ft deep" in row.text
    (row,) = meet(
        Service("sewer", line((edge + 0.6, -5), (edge + 0.6, 5))), tolerance_zone_m=24 * 0.0254
    )
    assert row.in_tolerance_zone
    assert "inside the 2.0 ft tolerance zone" in row.text


def test_a_line_beside_the_pipe_does_not_cross() -> None:
    (row,) = meet(Service("fibre", line((10, 1.1), (30, 1.1))))
    assert row.crossing_deg is None
    assert row.distance_m == pytest.approx(0.8)
    assert "without crossing the pipe" in row.text
    (row,) = meet(Service("valve box", shapely.Point(18.0, 0.0)))
    assert row.crossing_deg is None
    assert row.from_stake_m == pytest.approx(-2.0)
    assert "6.6 ft before the stake" in row.text
    (row,) = meet(Service("own pipe", line((0, 0), (40, 0))))
    assert row.in_hole
    assert row.crossing_deg is None


@pytest.mark.parametrize(
    ("run", "told", "side"),
    [
        (line((10, 0.5), (30, 0.5)), 20.0, "1.6 ft left of it as one looks up-chainage"),
        (line((10, -0.5), (30, -0.5)), 20.0, "1.6 ft right of it as one looks up-chainage"),
        (line((10, 0.06), (30, 0.06)), 20.0, "0.2 ft left"),
        (line((10, 0.04), (30, 0.04)), 20.0, "on its line"),
        (line((0, 0), (40, 0)), 40.0, "on its line"),
        (line((18.5, 0.98), (21.55, 0.98)), 3.05, "3.2 ft left"),
        (line((18.5, 1.02), (21.55, 1.02)), None, ""),
        (line((18.5, 0.98), (21.45, 0.98)), None, ""),
    ],
)
def test_a_service_that_runs_along_the_pipe_is_said_to(run, told, side) -> None:
    (row,) = meet(Service("gas", run))
    assert ("without crossing" in row.text) is (told is None)
    if told:
        assert f"runs along the pipe for {told / 0.3048:.1f} ft, at the stake {side}" in row.text


def test_the_crossing_nearest_the_stake_is_told() -> None:
    zigzag = Service("water", line((5, -3), (5, 3), (22, 3), (22, -3), (35, -3), (35, 3)))
    (row,) = meet(zigzag)
    assert row.from_stake_m == pytest.approx(2.0)
    tank = Service("tank", shapely.box(23, -1, 25, 1))
    (row,) = meet(tank)
    assert row.from_stake_m == pytest.approx(3.0)
    assert row.crossing_deg == pytest.approx(90.0)


def test_rows_come_nearest_first_and_far_ones_are_left_out() -> None:
    services = [
        Service("far gas", line((20, 300), (40, 300))),
        Service("drain", line((26, -5), (26, 5))),
        Service("gas", line((20.2, -5), (20.2, 5))),
    ]
    rows = meet(*services)
    assert [row.name for row in rows] == ["gas", "drain"]


@pytest.mark.parametrize(("away_m", "told"), [(9.9, True), (10.1, False)])
def test_a_service_within_ten_metres_of_the_hole_is_told(away_m, told) -> None:
    side = 0.3 + away_m
    assert bool(meet(Service("gas", line((0, side), (40, side))))) is told


def test_the_angle_is_that_of_a_quarter_metre_either_side() -> None:
    """It turns square 0.2 m past the pipe: its chord there runs 0.45 m up and 0.05 m aside."""
    (row,) = meet(Service("gas", line((20, -5), (20, 0.2), (30, 0.2))))
    assert row.crossing_deg == pytest.approx(90 - np.degrees(np.arctan2(0.05, 0.45)), abs=0.1)


def test_what_the_datum_leaves_open_widens_the_zone() -> None:
    vague = Service("gas", line((22.5, -5), (22.5, 5)), accuracy_m=2.0)
    (row,) = meet(vague)
    assert row.in_tolerance_zone
    assert not row.in_hole
    # 1.7 m from the hole is no 0.46 m: what was added is said.
    assert "inside the 1.5 ft tolerance zone, counting the 6.6 ft that its datum" in row.text
    assert (
        "counting" not in meet(Service("gas", line((20.4, -5), (20.4, 5)), accuracy_m=2.0))[0].text
    )


@pytest.mark.parametrize("crosses", [line((19, -5), (21, 5)), shapely.box(20, -5, 60, 5)])
def test_a_crossing_in_a_collection_is_told(crosses) -> None:
    valve = shapely.Point(25, 3)
    nested = shapely.GeometryCollection([valve, shapely.GeometryCollection([crosses])])
    (alone,), (row,) = meet(Service("gas", crosses)), meet(Service("gas", nested))
    assert row.text == alone.text
    assert "crosses" in row.text


def test_coded_points_become_a_line() -> None:
    (service,) = services_of_points(GAS, [(20.2, -4), (20.3, 0.5), (20.4, 4)])
    assert service.geometry.geom_type == "LineString"
    (row,) = meet(service)
    assert row.in_hole
    parts = list(services_of_points(GAS, [(0, 0), (5, 0), (60, 0), (np.nan, 1)]))
    assert [each.geometry.geom_type for each in parts] == ["LineString", "Point"]
    assert not list(services_of_points(GAS, []))


@pytest.mark.parametrize(("apart_m", "kinds"), [(14.9, ["LineString"]), (15.1, ["Point"] * 2)])
def test_points_of_a_service_more_than_fifteen_metres_apart_are_not_joined(apart_m, kinds) -> None:
    found = services_of_points(GAS, [(0, 0), (0, apart_m)])
    assert [each.geometry.geom_type for each in found] == kinds


@pytest.mark.parametrize(("away_m", "said"), [(990.0, False), (1010.0, True)])
def test_a_file_of_which_nothing_lies_within_a_kilometre_is_asked_about(away_m, said) -> None:
    gas = Service("gas", line((0, away_m), (50, away_m)))
    utility = SimpleNamespace(name="gas", file="gas.geojson")
    notes = _far_notes(synthetic.survey(), utility, (gas,), NOWHERE)
    assert [each.code for each in notes] == ["utility_far"] * said


# --- files ---------------------------------------------------------------------------------------


def write(path: Path, shapes, crs: str | None, **fields) -> Path:
    names = list(fields)
    pyogrio.raw.write(
        path,
        geometry=shapely.to_wkb(np.array(shapes, dtype=object)),
        field_data=[np.array(fields[name], dtype=object) for name in names],
        fields=names,
        geometry_type=shapes[0].geom_type,
        crs=crs,
        driver={".gpkg": "GPKG", ".geojson": "GeoJSON", ".shp": "ESRI Shapefile"}[path.suffix],
    )
    return path


def in_crs(crs: str) -> shapely.LineString:
    """The gas line at chainage 20.4 of the route, as a file in some CRS holds it."""
    lon, lat = FRAME.to_lonlat(np.array([20.4, 20.4]), np.array([-5.0, 5.0]))
    return line(*zip(*Projection.of(crs).from_lonlat(lon, lat), strict=True))


@pytest.mark.parametrize(
    ("suffix", "crs"),
    [
        (".gpkg", "EPSG:6543"),
        (".gpkg", "EPSG:6318"),
        (".shp", "EPSG:6346"),
        (".shp", "EPSG:6543"),
        (".geojson", "EPSG:4326"),
    ],
)
def test_a_file_in_any_crs_lands_on_the_same_place(tmp_path, suffix, crs) -> None:
    path = write(tmp_path / f"gas{suffix}", [in_crs(crs)], crs, depth=["3 ft"], ql=["B"])
    file = read_utility_file(path, label="gas", name="gas", colour="yellow", unit="ftUS")
    services, notes = project_services(file, FRAME)
    (row,) = meet(*services)
    assert row.from_stake_m == pytest.approx(0.4, abs=2e-4)
    assert (row.colour, row.quality) == ("yellow", "B")
    assert row.depth_m == pytest.approx(3 * 1200 / 3937)
    other_datum = crs == "EPSG:4326"
    assert (services[0].accuracy_m == 2.0) is other_datum
    assert ("utility_datum" in {note.code for note in notes}) is other_datum


def test_a_northing_first_crs_is_not_swapped(tmp_path) -> None:
    frame = Frame.for_site("EPSG:2193", easting=1_750_000.0, northing=5_430_000.0, heights_m=[5.0])
    ends = frame.from_working(np.array([20.4, 20.4]), np.array([-5.0, 5.0]))
    path = write(tmp_path / "gas.gpkg", [line(*zip(*ends, strict=True))], "EPSG:2193")
    services, _ = project_services(read_utility_file(path, label="gas"), frame)
    assert shapely.get_coordinates(services[0].geometry) == pytest.approx(
        np.array([[20.4, -5.0], [20.4, 5.0]]), abs=1e-6
    )


@pytest.mark.parametrize("suffix", [".gpkg", ".shp"])
def test_a_file_without_a_crs_is_refused(tmp_path, suffix) -> None:
    with pytest.warns(UserWarning, match="crs"):
        path = write(tmp_path / f"gas{suffix}", [line((1, 2), (3, 4))], None, name=["gas"])
    with pytest.raises(InputError, match="states no CRS"):
        read_utility_file(path, label="gas")
    file = read_utility_file(path, label="gas", allow_no_crs=True)
    assert file.crs is None
    local = Frame.for_site("local", easting=0.0, northing=0.0, length_unit="ft")
    services, _ = project_services(file, local)
    assert shapely.get_coordinates(services[0].geometry)[1] == pytest.approx([0.9144, 1.2192])
    with pytest.raises(CrsError, match="fits only a local site"):
        project_services(file, FRAME)


def test_a_file_with_a_crs_cannot_reach_a_local_site(tmp_path) -> None:
    path = write(tmp_path / "gas.gpkg", [in_crs("EPSG:6543")], "EPSG:6543")
    local = Frame.for_site("local", easting=0.0, northing=0.0)
    with pytest.raises(CrsError, match="cannot be brought onto a local site"):
        project_services(read_utility_file(path, label="gas"), local)


@pytest.mark.parametrize(
    ("name", "content"),
    [
        ("gas.gpkg", b"not a database"),
        ("gas.geojson", b"{"),
        ("gas.geojson", b""),
        ("gas.shp", b"\0\1\2"),
        ("gas.geojson", b"\xff\xfe{\0}\0"),
    ],
)
def test_what_is_no_gis_file_is_refused(tmp_path, name, content) -> None:
    path = tmp_path / name
    path.write_bytes(content)
    with pytest.raises(InputError, match=r"^services/gas(:1:2)?: ") as caught:
        read_utility_file(path, label="services/gas")
    assert len(caught.value.lines()) == 1
    with pytest.raises(InputError, match="cannot be read"):
        read_utility_file(tmp_path / "missing.gpkg", label="gas")


def test_empty_features_are_named_and_a_file_of_nothing_refused(tmp_path) -> None:
    shapes = [
        {"type": "Feature", "properties": {"name": "gas", "depth": depth}, "geometry": geometry}
        for depth, geometry in [
            ("deep", {"type": "LineString", "coordinates": [[-79.04, 35.9], [-79.0401, 35.9]]}),
            (None, None),
            (900, {"type": "Point", "coordinates": [-79.04, 35.9]}),
        ]
    ]
    path = tmp_path / "gas.geojson"
    path.write_text(json.dumps({"type": "FeatureCollection", "features": shapes}))
    file = read_utility_file(path, label="gas.geojson")
    assert [shape.feature for shape in file.shapes] == [1, 3]
    assert [shape.depth_m for shape in file.shapes] == [None, None]
    texts = " | ".join(note.text for note in file.notes)
    assert 'feature 2 of layer "gas" has no usable geometry' in texts
    assert '"deep" is not a length; its depth counts as unknown' in texts
    assert "a depth of 900 m is not likely" in texts
    path.write_text(json.dumps({"type": "FeatureCollection", "features": shapes[1:2]}))
    with pytest.raises(InputError, match="holds no"):
        read_utility_file(path, label="gas.geojson")


@pytest.mark.parametrize(
    ("at", "crs", "said"),
    [
        ("-79.0401, NaN", "", "7: feature 2: -79.0401, NaN are no coordinates"),
        ("-79.0401, null", "", "7: feature 2: -79.0401, null are no coordinates"),
        ('"-79.0401", 35.9', "", '7: feature 2: "-79.0401", 35.9 are no coordinates'),
        ("-79.0401", "", "7: feature 2: -79.0401 are no coordinates"),
        ("-79.0401, 90.1", "", "7: feature 2: -79.0401, 90.1 are no longitude and latitude"),
        ("180.1, 35.9", "", "7: feature 2: 180.1, 35.9 are no longitude and latitude"),
        ("-79.0401, 35.9", "", ""),
        ("1987803.0, 783304.0", "EPSG:6543", ""),
    ],
)
def test_a_coordinate_that_is_none_is_told_with_its_line(tmp_path, at, crs, said) -> None:
    line = (
        '{{"type": "Feature", "properties": {{}},\n"geometry": {{"type": "LineString",\n'
        '"coordinates": [[{}], [{}]]}}}}'
    )
    own = f'"crs": {{"type": "name", "properties": {{"name": "{crs}"}}}},' if crs else ""
    good = "1987800.0, 783300.0" if crs else "-79.04, 35.9"
    path = tmp_path / "gas.geojson"
    path.write_text(
        f'{{"type": "FeatureCollection", {own}"features": [\n'
        f"{line.format(good, good)},\n{line.format(good, at)}]}}"
    )
    if not said:
        assert len(read_utility_file(path, label="gas.geojson").shapes) == 2
        return
    with pytest.raises(InputError) as caught:
        read_utility_file(path, label="gas.geojson")
    (told,) = caught.value.lines()
    assert told.startswith(f"gas.geojson:{said}; ")


def test_what_the_site_states_and_what_a_feature_says(tmp_path) -> None:
    path = write(
        tmp_path / "all.gpkg",
        [in_crs("EPSG:6543"), in_crs("EPSG:6543")],
        "EPSG:6543",
        name=["gas main", None],
        color=["YELLOW", None],
        depth_ft=[2.5, None],
    )
    first, second = read_utility_file(path, label="all", colour="red", depth_m=1.0).shapes
    assert (first.name, first.colour) == ("gas main", "yellow")
    assert first.depth_m == pytest.approx(2.5 * 0.3048)
    assert (second.name, second.colour, second.depth_m) == ("all", "red", 1.0)
    named = read_utility_file(path, label="all", name="gas").shapes
    assert {shape.name for shape in named} == {"gas"}


def test_another_crs_comes_in_and_goes_round() -> None:
    to_working, accuracy_m, notes = FRAME.way_from("EPSG:6346")
    lon, lat = FRAME.to_lonlat(3.0, 4.0)
    east, north = Projection.of("EPSG:6346").from_lonlat(lon, lat)
    assert to_working(east, north) == pytest.approx((3.0, 4.0), abs=1e-6)
    assert (accuracy_m, notes) == (0.0, ())
    _, accuracy_m, notes = FRAME.way_from("EPSG:32119")
    assert accuracy_m == 2.0
    assert {note.code for note in notes} == {"missing_grid", "ballpark"}
