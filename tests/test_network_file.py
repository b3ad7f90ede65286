"""Mains from a GIS file: attributes, units, CRS, and features that are no line."""

from __future__ import annotations

import json
from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely
from pyproj import Transformer

from geoleak.errors import InputError
from geoleak.linref import Route
from geoleak.network.joints import joints_of_routes
from geoleak.network.network import Network
from geoleak.readers.network_attributes import role_of
from geoleak.readers.network_file import read_network

GRID = "EPSG:26917"
E, N = 680_000.0, 3_970_000.0
MAIN = shapely.LineString([(E, N), (E + 60, N), (E + 100, N + 30)])
BRANCH = shapely.LineString([(E + 30, N), (E + 30, N + 25)])


def frame(lines=(MAIN, BRANCH), crs: str | None = GRID, **fields) -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame(fields, geometry=list(lines), crs=crs)


def complaints(path: Path, crs: str = GRID, **options) -> list[str]:
    with pytest.raises(InputError) as caught:
        read_network(path, crs, **options)
    return caught.value.lines()


@pytest.mark.parametrize("suffix", [".gpkg", ".shp"])
def test_lines_with_their_attributes(tmp_path: Path, suffix: str) -> None:
    path = tmp_path / f"mains{suffix}"
    frame(
        Name=["Alder main", None],
        MATERIAL=["DI", "PVC"],
        DIAM_IN=[6.0, 1.0],
        depth_ft=[4.0, None],
        Owner=["utility", "customer"],
        remarks=["old", "new"],
    ).to_file(path)
    main, branch = read_network(path, GRID)
    np.testing.assert_array_equal(main.vertices, shapely.get_coordinates(MAIN))
    assert main.name == "Alder main"
    assert branch.name == branch.feature
    assert (main.attributes.material, branch.attributes.material) == ("DI", "PVC")
    assert main.attributes.diameter_m == pytest.approx(6 * 0.0254)
    assert main.attributes.diameter_kind == "nominal"
    assert main.attributes.depth_m == pytest.approx(1.2192)
    assert branch.attributes.depth_m is None
    assert branch.attributes.boundary == "customer"
    assert main.attributes.extra == {"remarks": "old"}
    assert main.accuracy_m == 0.0


def test_lines_become_a_network(tmp_path: Path) -> None:
    frame().to_file(tmp_path / "mains.gpkg")
    lines = read_network(tmp_path / "mains.gpkg", GRID)
    routes = [Route.from_vertices(line.vertices) for line in lines]
    network = Network(routes, joints_of_routes(routes))
    assert network.distance(([0], [110]), ([1], [25]))[0, 0] == pytest.approx(105.0)


def test_another_crs_is_transformed(tmp_path: Path) -> None:
    path = tmp_path / "mains.geojson"
    frame().to_crs("EPSG:4269").to_crs("EPSG:4326").to_file(path, COORDINATE_PRECISION=11)
    main = read_network(path, GRID)[0]
    drawn = np.array(json.loads(path.read_text())["features"][0]["geometry"]["coordinates"])
    way = Transformer.from_crs("EPSG:4326", GRID, always_xy=True)
    np.testing.assert_allclose(main.vertices, np.column_stack(way.transform(*drawn.T)), atol=1e-6)
    np.testing.assert_allclose(main.vertices, shapely.get_coordinates(MAIN), atol=1e-3)
    # WGS 84 to NAD83 is known to some metres only, and PROJ says so.
    assert main.accuracy_m is None or main.accuracy_m > 0.5


def test_survey_feet_are_not_feet(tmp_path: Path) -> None:
    frame().to_crs("EPSG:2264").to_file(tmp_path / "feet.gpkg")
    main = read_network(tmp_path / "feet.gpkg", GRID)[0]
    np.testing.assert_allclose(main.vertices, shapely.get_coordinates(MAIN), atol=1e-4)


def test_no_crs_is_refused_and_a_local_site_takes_it(tmp_path: Path) -> None:
    with pytest.warns(UserWarning, match="crs"):
        frame(crs=None).to_file(tmp_path / "bare.shp")
    assert "states no CRS" in complaints(tmp_path / "bare.shp")[0]
    assert len(read_network(tmp_path / "bare.shp", "local")) == 2
    frame().to_file(tmp_path / "mains.gpkg")
    assert "grid of its own" in complaints(tmp_path / "mains.gpkg", "local")[0]


def test_features_that_are_no_single_line_are_named(tmp_path: Path) -> None:
    two = shapely.MultiLineString([[(E, N), (E + 1, N)], [(E + 5, N), (E + 6, N)]])
    one = shapely.MultiLineString([[(E, N), (E + 1, N)]])
    spot = shapely.LineString([(E, N), (E, N)])
    shapes = [one, two, None, spot, shapely.Point(E, N)]
    path = tmp_path / "odd.geojson"
    frame(shapes, id=[11, 12, 13, 14, 15]).to_crs("EPSG:4326").to_file(path)
    said = complaints(path)
    assert len(said) == 4
    wanted = ("multipart line of 2", "no geometry", "no length", "a Point, not a line")
    for text, what in zip(said, wanted, strict=True):
        assert what in text
    frame([one]).to_file(tmp_path / "one.gpkg")
    assert len(read_network(tmp_path / "one.gpkg", GRID)[0].vertices) == 2


def test_feature_ids_are_the_file_s_own(tmp_path: Path) -> None:
    two = shapely.MultiLineString([[(E, N), (E + 1, N)], [(E + 5, N), (E + 6, N)]])
    frame([MAIN, BRANCH, two]).to_file(tmp_path / "mains.gpkg")
    assert "feature 3 is a multipart" in complaints(tmp_path / "mains.gpkg")[0]


def test_a_number_without_a_unit(tmp_path: Path) -> None:
    path = tmp_path / "mains.gpkg"
    frame(diameter=[150.0, 0.0], depth=["4 ft", "1.2 m"]).to_file(path)
    assert "feature 1: diameter: 150 has no unit" in complaints(path)[0]
    main, branch = read_network(path, GRID, units={"diameter": "mm"})
    assert main.attributes.diameter_m == pytest.approx(0.15)
    # 0 is how a GIS writes "not known".
    assert branch.attributes.diameter_m is None
    assert main.attributes.depth_m == pytest.approx(1.2192)
    assert branch.attributes.depth_m == pytest.approx(1.2)


def test_what_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "no.gpkg").write_bytes(b"not a geopackage")
    assert "cannot be read" in complaints(tmp_path / "no.gpkg")[0]
    assert "cannot be read" in complaints(tmp_path / "absent.gpkg")[0]
    frame().to_file(tmp_path / "two.gpkg", layer="a")
    frame().to_file(tmp_path / "two.gpkg", layer="b")
    assert "several layers of lines: a, b" in complaints(tmp_path / "two.gpkg")[0]
    assert len(read_network(tmp_path / "two.gpkg", GRID, layer="b")) == 2
    assert "EPSG:999999" in complaints(tmp_path / "two.gpkg", "EPSG:999999", layer="a")[0]


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("PipeMaterial", ("material", None)),
        ("DIAM (mm)", ("nominal", "mm")),
        ("outside_diameter_in", ("outside", "in")),
        ("OD_mm", ("outside", "mm")),
        ("Depth of cover, ft", ("depth", "ft")),
        ("ownership", ("boundary", None)),
        ("in", (None, None)),
        ("installed", (None, None)),
    ],
)
def test_field_names(name: str, role) -> None:
    assert role_of(name) == role
