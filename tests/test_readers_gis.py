"""GIS files of strangers: nothing is fetched, no other file is read, nothing is written beside."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import tempfile
import threading
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pyogrio.raw
import pytest
import shapely

from geoleak.crs import crs_info
from geoleak.errors import InputError, Origin
from geoleak.readers import PointContext, read_utility_file
from geoleak.readers.collector import Collector
from geoleak.readers.drawings import read_mains
from geoleak.readers.gis import list_layers, load_gdal, read_layer, source_of
from geoleak.readers.points import read_points
from geoleak.readers.text import cell_text
from geoleak.site import NetworkSettings, PointFile

GRID = "EPSG:26917"
CANARY = "canary in a file elsewhere"


@pytest.fixture
def server() -> Iterator[tuple[str, list[bytes]]]:
    """A loopback server that keeps whatever is sent to it."""
    heard: list[bytes] = []
    listener = socket.create_server(("127.0.0.1", 0))
    listener.settimeout(0.1)
    stop = threading.Event()

    def serve() -> None:
        while not stop.is_set():
            try:
                link, _ = listener.accept()
            except TimeoutError:
                continue
            with link:
                link.settimeout(1)
                heard.append(link.recv(200))
                link.sendall(b"HTTP/1.0 404 Not Found\r\n\r\n")

    thread = threading.Thread(target=serve)
    thread.start()
    yield f"http://127.0.0.1:{listener.getsockname()[1]}/", heard
    stop.set()
    thread.join()
    listener.close()


def write_canary(folder: Path) -> Path:
    """Write a good GeoPackage outside the site, which nothing may read."""
    path = folder / "canary.gpkg"
    shape = np.array([shapely.LineString([(0, 0), (1, 1)]).wkb], dtype=object)
    said = [np.array([CANARY], dtype=object)]
    kind = {"geometry_type": "LineString", "crs": GRID, "driver": "GPKG"}
    pyogrio.raw.write(path, shape, said, ["name"], **kind)
    return path


def vrt(source: str) -> str:
    return (
        f'<OGRVRTDataSource><OGRVRTLayer name="x"><SrcDataSource>{source}</SrcDataSource>'
        "<SrcSQL>SELECT * FROM canary</SrcSQL></OGRVRTLayer></OGRVRTDataSource>"
    )


def hostile(url: str, canary: Path) -> dict[str, str]:
    """File names and contents that GDAL alone would follow."""
    collection = {"type": "FeatureCollection", "features": []}
    linked = {"type": "link", "properties": {"href": url + "crs.wkt", "type": "ogcwkt"}}
    algorithm = f"gdal vector pipeline ! read {canary} ! write stream streamed_dataset"
    return {
        "vrt.geojson": vrt(str(canary)),
        "vrt_http.geojson": vrt(f"/vsicurl/{url}x.gpkg"),
        "vrt.gpkg": vrt(str(canary)),
        "vrt.gpx": vrt(str(canary)),
        "vrt.shp": vrt(str(canary)),
        "wfs.geojson": f"<OGRWFSDataSource><URL>{url}wfs?</URL></OGRWFSDataSource>",
        "wfs.gpx": f"<OGRWFSDataSource><URL>{url}wfs?</URL></OGRWFSDataSource>",
        "csw.geojson": f"<OGRCSWDataSource><URL>{url}csw</URL></OGRCSWDataSource>",
        "link.geojson": json.dumps({**collection, "crs": linked}),
        "alg.geojson": json.dumps({"type": "gdal_streamed_alg", "command_line": algorithm}),
        "alg_hidden.geojson": json.dumps({**collection, "command_line": algorithm,
                                          "x": {"type": "gdal_streamed_alg"}}),
        "entity.gpx": f'<!DOCTYPE g [<!ENTITY x SYSTEM "{canary.as_uri()}">]><gpx>&x;</gpx>',
        "kml.geojson": f'<kml><NetworkLink><Link><href>{url}</href></Link></NetworkLink></kml>',
    }  # fmt: skip


def read_all(path: Path) -> list[str]:
    """Read a file as points, services and mains; return what came of it, as text."""
    said: list[str] = []
    collector = Collector(path.parent)
    info = crs_info(GRID, length_unit="m")
    try:
        said += read_points(PointContext(PointFile(files=(path.name,)), info, "m", collector, {}))
    except InputError as error:
        said += error.lines()
    origin = Origin(path.name)
    try:
        said += [shape.name for shape in read_utility_file(path, label=path.name).shapes]
    except InputError as error:
        said += error.lines()
    try:
        source = source_of(path, origin)
        layer = read_layer(source, list_layers(source, origin)[0][0], origin)
        mains = read_mains(layer, NetworkSettings(file=path.name), origin, collector)
        said += [str(each.name) for each in mains]
    except InputError as error:
        said += error.lines()
    return said


NAMES = sorted(hostile("", Path("/x")))


@pytest.mark.parametrize("name", NAMES)
def test_a_file_that_points_elsewhere_is_not_followed(
    tmp_path: Path, server: tuple[str, list[bytes]], name: str
) -> None:
    url, heard = server
    canary = write_canary(tmp_path)
    site = tmp_path / "site"
    site.mkdir()
    (site / name).write_text(hostile(url, canary)[name])
    said = read_all(site / name)
    assert len(said) >= 3 and not any(CANARY in line for line in said), said
    assert heard == []
    assert [each.name for each in site.iterdir()] == [name]


def test_the_server_and_the_canary_would_show() -> None:
    """Without our look at the first bytes, in a process whose GDAL knows all its drivers."""
    code = (
        "import sys, pyogrio.raw\n"
        "print(pyogrio.raw.read(sys.argv[1])[3])"
    )  # fmt: skip
    with tempfile.TemporaryDirectory() as text:
        canary = write_canary(Path(text))
        path = Path(text) / "vrt.geojson"
        path.write_text(vrt(str(canary)))
        done = subprocess.run(
            [sys.executable, "-c", code, str(path)], capture_output=True, text=True, check=False
        )
        assert CANARY in done.stdout


def test_gdal_knows_no_driver_that_follows_links() -> None:
    code = (
        "from geoleak.readers.gis import load_gdal\n"
        "print(sorted({'OGR_VRT', 'WFS', 'CSW', 'HTTP', 'GDALG', 'OAPIF', 'KML', 'LIBKML', 'GML'}"
        " & set(load_gdal().list_drivers())))\n"
        "print({'GPKG', 'GeoJSON', 'ESRI Shapefile', 'GPX'} <= set(load_gdal().list_drivers()))"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split("\n")[:2] == ["[]", "True"]
    assert "GDAL_SKIP" not in os.environ and load_gdal() is pyogrio


def test_a_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "gas.geojson")
    with pytest.raises(InputError, match="no plain file"):
        source_of(tmp_path / "gas.geojson", Origin("gas.geojson"))


def test_a_file_of_more_than_400_mb_is_refused_unread(tmp_path: Path) -> None:
    path = tmp_path / "gas.gpkg"
    with path.open("wb") as handle:
        handle.truncate(400_000_001)  # sparse
    with pytest.raises(InputError, match="larger than 400 MB"):
        source_of(path, Origin("gas.gpkg"))


def test_a_bare_feature_or_geometry_is_a_layer_named_after_its_file(tmp_path: Path) -> None:
    line = {"type": "LineString", "coordinates": [[-79.0, 35.9], [-79.0, 35.91]]}
    for document in (line, {"type": "Feature", "geometry": line, "properties": None}):
        (tmp_path / "gas.geojson").write_text(json.dumps(document))
        (shape,) = read_utility_file(tmp_path / "gas.geojson", label="gas").shapes
        assert (shape.name, shape.geometry.geom_type) == ("gas", "LineString")


# --- GeoJSON, which is read here, beside what GDAL reads in it --------------------------------

LINE = {"type": "LineString", "coordinates": [[-79.0, 35.9], [-79.0, 35.91]]}
RING = [[0, 0], [1, 0], [1, 1], [0, 0]]


def feature(geometry: object = LINE, properties: object = None, **members: object) -> dict:
    return {"type": "Feature", "geometry": geometry, "properties": properties, **members}


def shape_of(kind: str, coordinates: object) -> dict:
    return feature({"type": kind, "coordinates": coordinates})


def collection(*features: object, **members: object) -> dict:
    return {"type": "FeatureCollection", "features": list(features), **members}


def in_crs(name: str) -> dict:
    return collection(feature(), crs={"type": "name", "properties": {"name": name}})


def with_fields(*rows: dict) -> dict:
    return collection(*(feature(properties=row) for row in rows))


ALIKE = {
    "no features": collection(),
    "named": collection(feature(), name="mains"),
    "whole numbers": with_fields({"d": 150, "big": 2**40}, {"d": 200, "big": 5}),
    "whole numbers and none": with_fields({"d": 150}, {"d": None}, {}),
    "numbers": with_fields({"d": 150, "e": 1e-7}, {"d": 2.5, "e": 1e20}),
    "numbers and texts": with_fields({"d": 150}, {"d": "6 in"}, {"d": 2.5}),
    "yes and no": with_fields({"b": True}, {"b": False}),
    "a date and a text": with_fields({"t": "2024-05-01", "n": "Jal\u00f3n"}, {"t": "unknown"}),
    "fields of some": with_fields({"a": 1}, {"b": "x"}, {"a": 2, "b": "", "c": 1.5}),
    "no geometry": collection(feature(None), {"type": "Feature", "properties": {}}, feature()),
    "kinds": collection(
        feature(), shape_of("Point", [0, 1]), shape_of("Polygon", [RING, RING]),
        shape_of("MultiPoint", [[0, 1], [2, 3]]), shape_of("MultiPolygon", [[RING], [RING]]),
        shape_of("MultiLineString", [RING, RING]),
    ),
    "collections": collection(feature({"type": "GeometryCollection", "geometries": [
        LINE, {"type": "GeometryCollection", "geometries": [{"type": "Point",
                                                             "coordinates": [0, 1]}]}]})),
    "heights": collection(shape_of("LineString", [[0, 0, 5], [1, 1, 6]]),
                          shape_of("Point", [0, 0, 7]), shape_of("Point", [0, 1])),
    "ids": collection(feature(id=11), feature(id=0), feature(id=2**40)),
    "ids of some": collection(feature(), feature(id=1), feature(id=7), feature()),
    "ids before others": collection(feature(id=2), feature(), feature(), feature()),
    "an id three times": collection(feature(id=4), feature(id=4), feature(id=4)),
    "ids that are texts": collection(feature(id="a7"), feature(id="8"), feature()),
    "ids among the fields": with_fields({"id": 11}, {"id": 13}),
    "ids of both kinds": collection(feature(None, {"id": 11}, id=21), feature(None, {"id": "p"})),
    "bare geometry": LINE,
    "bare collection": {"type": "GeometryCollection", "geometries": [LINE]},
    "urn": in_crs("urn:ogc:def:crs:EPSG::26917"),
    "code": in_crs("epsg:2193"),
    "address": in_crs("http://www.opengis.net/def/crs/EPSG/0/26917"),
    "degrees": in_crs("urn:ogc:def:crs:OGC:1.3:CRS84"),
    "no crs": collection(feature(), crs=None),
}  # fmt: skip


@pytest.mark.parametrize("name", ALIKE)
@pytest.mark.filterwarnings("ignore:Several features with id")
def test_a_geojson_is_read_as_gdal_reads_it(tmp_path: Path, name: str) -> None:
    path = tmp_path / "gas.geojson"
    path.write_text(json.dumps(ALIKE[name]))
    origin = Origin("gas.geojson")
    source = source_of(path, origin)
    ((called, _),) = list_layers(source, origin)
    layer = read_layer(source, called, origin, flat=True)
    meta, ids, blobs, columns = pyogrio.raw.read(path, return_fids=True, force_2d=True)
    assert called == pyogrio.list_layers(path)[0][0]
    assert layer.crs == meta["crs"].replace("4979", "4326")  # the same without heights
    assert layer.ids.tolist() == ids.tolist()
    assert layer.shapes.tolist() == shapely.from_wkb(blobs).tolist()
    assert sorted(layer.fields) == sorted(meta["fields"])
    for field, column in zip(meta["fields"], columns, strict=True):
        texts = [cell_text(each) for each in layer.fields[field].tolist()]
        assert texts == [cell_text(each) for each in column.tolist()]


NAN = '{"type": "Point", "coordinates": [NaN, 1]}'
FAULTS = {
    "text": (shape_of("LineString", [[0, 0], ["5 m", 1]]), '"5 m", 1 are no coordinates'),
    "truth": (shape_of("Point", [True, 1]), "true, 1 are no coordinates"),
    "no height": (shape_of("Point", [0, 1, None]), "0, 1, null are no coordinates"),
    "too large": (shape_of("Point", [10**400, 1]), "are no coordinates"),
    "one number": (shape_of("LineString", [[0], [1, 1]]), "0 are no coordinates"),
    "flat": (shape_of("LineString", [0, 0, 1, 1]), "0 stands where a position is due"),
    "too deep": (shape_of("Point", [[0, 1]]), "[0, 1] are no coordinates"),
    "empty part": (shape_of("MultiPolygon", [[]]), "[] stands where a list of positions is due"),
    "no positions": (feature({"type": "Point"}), "null stands where a position is due"),
    "short line": (shape_of("LineString", [[0, 1]]), "[[0, 1]] is too short for a LineString"),
    "short ring": (shape_of("Polygon", [[[0, 0], [1, 0], [0, 0]]]), "is too short for a Polygon"),
    "open ring": (
        shape_of("Polygon", [RING, [[0, 0], [1, 0], [1, 1], [0, 0.5]]]),
        "a ring begins at [0, 0] and ends at [0, 0.5]; close it",
    ),
    "kind": (shape_of("Curve", [[0, 0], [1, 1]]), 'its geometry is {"type": "Curve", "coord'),
    "a part of a kind": (
        feature({"type": "GeometryCollection", "geometries": [5]}), "its geometry is 5, none of"
    ),
    "no feature": (LINE, 'is no object of the type "Feature"; export it again'),
    "properties": ({**feature(), "properties": [1]}, "its properties are [1], no object"),
}  # fmt: skip


def complaints(path: Path, text: str) -> list[str]:
    path.write_text(text)
    with pytest.raises(InputError) as caught:
        read_utility_file(path, label=path.name)
    return caught.value.lines()


@pytest.mark.parametrize("name", FAULTS)
def test_a_fault_in_a_geojson_is_told_with_its_place_and_value(tmp_path: Path, name: str) -> None:
    """The lines count: an editor goes to them."""
    wrong, said = FAULTS[name]
    rows = ",\n".join(f"  {json.dumps(each)}" for each in (feature(), wrong, feature(), wrong))
    text = f'{{"type": "FeatureCollection", "features": [\n{rows}\n]}}'
    first, second = complaints(tmp_path / "gas.geojson", text)
    assert first.startswith("gas.geojson:3: feature 2: ") and said in first
    assert second.startswith("gas.geojson:5: feature 4: ") and said in second


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (NAN, "gas.geojson: feature 1: NaN, 1 are no coordinates; write each as ["),
        ('{"type": "Point",\n "coordinates": [1 2]}', "gas.geojson:2:20: is no JSON text (Exp"),
        ('{"type": "Topology"}', 'is no GeoJSON (its type is "Topology", its features are null)'),
        ('{"type": "FeatureCollection"}', "its features are null)"),
        ('{"a":' * 200_000, "its lists lie too deep"),
        (json.dumps(in_crs("my grid")), 'states the crs "my grid", which is no name that'),
        (json.dumps(in_crs("+init=/etc/hosts:x")), "which is no name that PROJ knows"),
        (json.dumps(collection(feature(), crs="EPSG:26917")), 'states the crs "EPSG:26917", which'),
        (json.dumps(collection(feature(), crs={"properties": {}})), "which is no name that PROJ"),
        # Another list of that name before its own: the feature is named without a line.
        (
            json.dumps({"x": {"features": [7]}, **collection(shape_of("Point", []), 5)}),
            'gas.geojson: feature 2: 5 is no object of the type "Feature"',
        ),
    ],
)  # fmt: skip
def test_a_text_that_is_no_geojson_is_refused_with_its_value(
    tmp_path: Path, text: str, said: str
) -> None:
    (line,) = complaints(tmp_path / "gas.geojson", text)
    assert said in line and line.startswith("gas.geojson:")


def test_a_feature_keeps_what_gdal_loses(tmp_path: Path) -> None:
    """Lists and objects are texts, the CRS of a bare feature holds, half a letter is none."""
    path = tmp_path / "gas.geojson"
    held = feature(properties={"name": "a\ud800b", "on": [1, {"x": None}]}, crs=in_crs(GRID)["crs"])
    path.write_text(json.dumps(held))
    layer = source_of(path, Origin("gas"))
    assert layer.crs == GRID
    fields = {name: column.tolist() for name, column in layer.fields.items()}
    assert fields == {"name": ["a?b"], "on": ['[1, {"x": null}]']}
    with pytest.raises(InputError, match='has no layer "pipes"; its only one is "gas"'):
        read_layer(layer, "pipes", Origin("gas"))
