"""Mains from a GIS file: attributes, units, CRS, and features that are no line."""

from __future__ import annotations

from pathlib import Path

import geopandas
import numpy as np
import pytest
import shapely

from geoleak.errors import InputError, Origin
from geoleak.linref import Route
from geoleak.network.joints import joints_of_routes
from geoleak.network.network import Network
from geoleak.readers.collector import Collector
from geoleak.readers.drawings import read_mains
from geoleak.readers.gis import list_layers, read_layer, source_of
from geoleak.readers.headers import header_unit, role_of
from geoleak.site import DrawnLine, NetworkSettings, Note

GRID = "EPSG:26917"
E, N = 680_000.0, 3_970_000.0
MAIN = shapely.LineString([(E, N), (E + 60, N), (E + 100, N + 30)])
BRANCH = shapely.LineString([(E + 30, N), (E + 30, N + 25)])


def frame(lines=(MAIN, BRANCH), crs: str | None = GRID, **fields) -> geopandas.GeoDataFrame:
    return geopandas.GeoDataFrame(fields, geometry=list(lines), crs=crs)


def read(path: Path, **keys) -> tuple[list[DrawnLine], list[Note]]:
    origin, collector = Origin(path.name), Collector(path.parent)
    source = source_of(path, origin)
    name = list_layers(source, origin)[0][0]
    table = NetworkSettings(file=path.name, **keys)
    return read_mains(read_layer(source, name, origin), table, origin, collector), collector.notes


def complaints(path: Path, **keys) -> list[str]:
    with pytest.raises(InputError) as caught:
        read(path, **keys)
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
    (main, branch), notes = read(path)
    assert notes == []
    np.testing.assert_array_equal(main.vertices, shapely.get_coordinates(MAIN))
    assert main.name == "Alder main"
    assert branch.name == ""
    assert (main.material, branch.material) == ("DI", "PVC")
    assert main.diameter_m == pytest.approx(6 * 0.0254)
    assert main.diameter_kind == "nominal"
    assert main.depth_m == pytest.approx(1.2192)
    assert branch.depth_m is None
    assert branch.boundary == "customer"


def test_lines_become_a_network(tmp_path: Path) -> None:
    frame().to_file(tmp_path / "mains.gpkg")
    lines, _ = read(tmp_path / "mains.gpkg")
    routes = [Route.from_vertices(line.vertices) for line in lines]
    network = Network(routes, joints_of_routes(routes, tolerance_m=0.05))
    assert network.distance(([0], [110]), ([1], [25]))[0, 0] == pytest.approx(105.0)


def test_features_that_are_no_line_are_named(tmp_path: Path) -> None:
    one = shapely.MultiLineString([[(E, N), (E + 1, N)]])
    spot = shapely.LineString([(E, N), (E, N)])
    shapes = [one, None, spot, shapely.Point(E, N)]
    path = tmp_path / "odd.geojson"
    frame(shapes, id=[11, 13, 14, 15]).to_crs("EPSG:4326").to_file(path)
    said = complaints(path)
    wanted = ("feature 13 has no geometry", "feature 14 is a line of no length",
              "feature 15 is a Point, not a line")  # fmt: skip
    for text, what in zip(said, wanted, strict=True):
        assert what in text


def test_multipart_lines_are_taken_apart_with_a_note(tmp_path: Path) -> None:
    two = shapely.MultiLineString([[(E, N), (E + 1, N)], [(E + 5, N), (E + 6, N)]])
    frame([MAIN, BRANCH, two], name=["a", "b", "c"]).to_file(tmp_path / "mains.gpkg")
    mains, (note,) = read(tmp_path / "mains.gpkg")
    assert [each.feature for each in mains] == ["1", "2", "3 part 1", "3 part 2"]
    assert [each.name for each in mains] == ["a", "b", "c", "c"]
    np.testing.assert_array_equal(mains[3].vertices, [(E + 5, N), (E + 6, N)])
    assert note.code == "multipart_line" and "feature 3 (2)" in note.text


def test_a_number_without_a_unit(tmp_path: Path) -> None:
    path = tmp_path / "mains.gpkg"
    frame(diameter=[150.0, 0.0], depth=["4 ft", "1.2 m"]).to_file(path)
    assert "feature 1: diameter: 150 has no unit" in complaints(path)[0]
    (main, branch), _ = read(path, diameter_unit="mm")
    assert main.diameter_m == pytest.approx(0.15)
    # 0 is how a GIS writes "not known".
    assert branch.diameter_m is None
    assert main.depth_m == pytest.approx(1.2192)
    assert branch.depth_m == pytest.approx(1.2)


def test_what_cannot_be_read(tmp_path: Path) -> None:
    (tmp_path / "no.gpkg").write_bytes(b"not a geopackage")
    assert "cannot be read" in complaints(tmp_path / "no.gpkg")[0]
    assert "cannot be read" in complaints(tmp_path / "absent.gpkg")[0]


@pytest.mark.parametrize(
    ("name", "role"),
    [
        ("PipeMaterial", ("material", None)),
        ("DIAM (mm)", ("nominal", "mm")),
        ("outside_diameter_in", ("outside", "in")),
        ("OD_mm", ("outside", "mm")),
        ("Depth of cover, ft", ("depth", "foot")),
        ("diam-in", ("nominal", "in")),
        ("ownership", ("boundary", None)),
        ("in", (None, None)),
        ("installed", (None, None)),
    ],
)
def test_field_names(name: str, role) -> None:
    assert (role_of(name, "mains"), header_unit(name)) == role


@pytest.mark.parametrize(("north", "read_it"), [(0.99e9, True), (1.01e9, False)])
def test_a_vertex_off_the_earth_is_no_main(tmp_path: Path, north: float, read_it: bool) -> None:
    path = tmp_path / "mains.gpkg"
    frame([MAIN, shapely.LineString([(E, N), (E, north)])]).to_file(path)
    if read_it:
        assert len(read(path)[0]) == 2
    else:
        assert any("beyond 1,000,000,000" in line for line in complaints(path))
