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
