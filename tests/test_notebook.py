"""The Python side as a notebook uses it: one-line texts, frames, shapes, pictures."""

from __future__ import annotations

import json
import pydoc
from pathlib import Path

import geopandas
import numpy as np
import pandas as pd
import pyogrio
import pytest
import shapely

import geoleak
from geoleak.errors import GeometryError
from tests.command import at_length
from tests.results import EVERY_SITE, HOSTILE, hostile_site, local_site
from tests.samples import sample

pytestmark = pytest.mark.usefixtures("few_nodes")

BENT = [(0.0, 0.0), (30.0, 40.0), (30.0, 100.0)]


@pytest.fixture
def site() -> geoleak.Site:
    return sample("alder_court").survey.site


@pytest.fixture
def result() -> geoleak.Result:
    return sample("alder_court").result


def test_help_names_what_is_public() -> None:
    text = pydoc.render_doc(geoleak, renderer=pydoc.plaintext)
    described = text.partition("DESCRIPTION")[2].partition("PACKAGE CONTENTS")[0]
    for name in set(geoleak.__all__) - {"__version__"}:
        assert f"`{name}`" in described


def test_texts_of_one_line(site: geoleak.Site, result: geoleak.Result) -> None:
    assert repr(site).startswith("<Site 'Alder Court, yard service': EPSG:6543, ")
    assert repr(result).startswith("<Result 'Alder Court, yard service': dig, yard 0+")
    assert all("\n" not in text and len(text) < 160 for text in (repr(site), repr(result)))


def test_a_site_shows_as_a_table_that_runs_nothing(site: geoleak.Site) -> None:
    from geoleak.record import replace

    shown = replace(site, title='<img src=x onerror="x()">')._repr_html_()
    assert "<img" not in shown and "EPSG:6543" in shown and "yard" in shown


def test_the_layers_are_those_of_the_geopackage(result: geoleak.Result, tmp_path: Path) -> None:
    result.write(tmp_path / "out")
    layers = result.layers()
    path = tmp_path / "out" / "site.gpkg"
    stored = {str(name) for name, _ in pyogrio.list_layers(path)}
    assert set(layers) <= stored
    for name, frame in layers.items():
        there = geopandas.read_file(path, layer=name)
        assert list(frame.columns) == list(there.columns) and len(frame) == len(there)
        assert frame.crs == there.crs
        flat = shapely.force_2d(frame.geometry.values)
        # A layer that holds one multi-part shape is stored as multi-part throughout.
        assert np.all(shapely.distance(flat, there.geometry.values) < 1e-9)


def test_the_profile_is_a_tidy_frame(result: geoleak.Result) -> None:
    frame = result.profile_frame()
    assert list(frame.columns) == ["leg", "chainage_m", "density_per_m"]
    best = frame.loc[frame.density_per_m.idxmax()]
    assert abs(best.chainage_m - result.leak.chainage_m) < 1.0
    assert pd.api.types.is_float_dtype(frame.chainage_m)


def test_shapes_go_in_and_come_out() -> None:
    route = geoleak.Route.from_vertices(shapely.LineString(BENT))
    assert route.length_m == 110.0
    assert shapely.geometry.shape(route).equals(shapely.LineString(BENT))
    high = geoleak.Route.from_vertices(shapely.LineString([(0, 0, 0), (3, 0, 4)]))
    assert (high.length_m, high.pipe_length_m) == (3.0, 5.0)
    one = route.snap(shapely.Point(40, 70))
    assert (one.chainage_m, one.offset_m) == (80.0, 10.0)
    series = geopandas.GeoSeries([shapely.Point(40, 70), None, shapely.Point(0, 0)])
    for points in (series, geopandas.GeoDataFrame(geometry=series)):
        snap = route.snap(points)
        assert np.asarray(snap.chainage_m)[[0, 2]] == pytest.approx([80.0, 0.0])
        assert np.isnan(np.asarray(snap.chainage_m)[1])
    with pytest.raises(GeometryError, match="only points can be snapped"):
        route.snap(shapely.LineString(BENT))
    for crs in ("EPSG:4326", "EPSG:6543"):
        with pytest.raises(GeometryError, match="not in metres"):
            route.snap(series.set_crs(crs))
    assert route.snap(series.set_crs("EPSG:25832")).chainage_m[0] == 80.0


def test_a_result_is_read_by_what_reads_geojson(result: geoleak.Result) -> None:
    frame = geopandas.GeoDataFrame.from_features(result)
    assert len(frame) == len(result.features)
    assert set(frame.kind) == {each.kind for each in result.features}


@at_length("name", ["hostile", "listen_on"], ["feet", "metric", "local"])
def test_a_picture_of_every_site(name: str) -> None:
    plt = pytest.importorskip("matplotlib.pyplot")
    plt.switch_backend("agg")
    result = EVERY_SITE[name]()
    ax = result.plot()
    ax.figure.canvas.draw()  # texts that cannot be set fail here
    where = result.leak.position
    (west, east), (south, north) = ax.get_xlim(), ax.get_ylim()
    assert west < where.easting < east and south < where.northing < north
    assert ax.get_aspect() == 1.0
    _, own = plt.subplots()
    assert result.plot(own) is own
    plt.close("all")


def test_a_map_to_move_about_holds_no_text_that_runs() -> None:
    result = hostile_site()
    page = result.explore().get_root().render()
    assert HOSTILE not in page
    for sign in ("<img", "<script>alert", "${"):
        assert sign not in page.replace("<script>\n", ""), sign
    kinds = {each.kind.replace("_", " ") for each in result.features}
    assert all(json.dumps(kind) in page for kind in kinds)
    assert "openstreetmap" not in page
    assert "openstreetmap" in result.explore(street_tiles=True).get_root().render()
    assert "openstreetmap" not in local_site().explore(street_tiles=True).get_root().render()
