"""leak.geojson against RFC 7946."""

from __future__ import annotations

import itertools
import json
import math

import pytest
import shapely
from shapely.geometry import LineString, MultiPoint, Point, Polygon, shape

from geoleak.errors import GeoleakError
from geoleak.export.json_files import feature_collection, on_globe, write_geojson
from tests.check_values import check_value
from tests.results import (
    EVERY_SITE,
    feet_site,
    hostile_site,
    listen_on_site,
    local_site,
    metric_site,
)


def _walk(coordinates):
    if coordinates and isinstance(coordinates[0], (int, float)):
        yield coordinates
    else:
        for each in coordinates:
            yield from _walk(each)


def geometry(lonlat):
    """Return a shape as leak.geojson has it."""
    return json.loads(shapely.to_geojson(on_globe(lonlat)))


def _signed_area(ring):
    return sum((x1 * y2 - x2 * y1) / 2 for (x1, y1), (x2, y2) in itertools.pairwise(ring))


@pytest.mark.parametrize("name", [n for n in EVERY_SITE if n != "local"])
def test_an_independent_reader_takes_it(name, tmp_path):
    geojson_pydantic = pytest.importorskip("geojson_pydantic")
    path = write_geojson(EVERY_SITE[name](), tmp_path / "leak.geojson")
    text = path.read_text("utf-8")
    assert "NaN" not in text and "Infinity" not in text
    read = geojson_pydantic.FeatureCollection.model_validate_json(text)
    assert len(read.features) > 40
    plain = json.loads(text)
    assert "crs" not in plain
    kinds = {each["properties"]["kind"] for each in plain["features"]}
    advised = "next_reading" if name == "listen_on" else "hole"
    assert {"interval", advised, "route"} <= kinds
    assert ("stake" in kinds) is (advised == "hole")


def test_to_listen_on_nothing_is_there_to_be_dug():
    result = listen_on_site()
    features = feature_collection(result)["features"]
    kinds = {each["properties"]["kind"] for each in features}
    assert not kinds & {"hole", "offset_stake", "tie"}
    (best,) = (e["properties"] for e in features if e["properties"]["kind"] == "best_so_far")
    assert best["label"].startswith("BEST SO FAR") and best["label"].endswith("not to dig")
    ahead = [e["properties"] for e in features if e["properties"]["kind"] == "next_reading"]
    assert [each["label"] for each in ahead] == ["LISTEN 1", "LISTEN 2"]
    assert [each["place"] for each in ahead] == [each.place for each in result.next_readings]


@pytest.mark.parametrize("name", [n for n in EVERY_SITE if n != "local"])
def test_coordinates_are_finite_degrees_of_nine_decimals(name):
    limit = check_value("geojson_lon_limit").expected
    for each in feature_collection(EVERY_SITE[name]())["features"]:
        for place in _walk(each["geometry"]["coordinates"]):
            assert len(place) == 2
            assert all(math.isfinite(v) and round(v, 9) == v for v in place)
            assert abs(place[0]) <= limit and abs(place[1]) <= limit / 2


def test_rings_are_closed_and_wound_as_the_rfc_asks():
    value = check_value("geojson_signed_area_ring")
    clockwise = Polygon([(0, 0), (0, 1), (1, 1), (1, 0)], [[(0.2, 0.2), (0.8, 0.2), (0.5, 0.8)]])
    made = geometry(clockwise)
    outer, inner = made["coordinates"]
    assert _signed_area(outer) == pytest.approx(value.expected, abs=value.tolerance)
    assert _signed_area(inner) < 0
    for ring in (outer, inner):
        assert ring[0] == ring[-1]
        assert len(ring) >= check_value("geojson_min_ring_positions").expected
    for each in feature_collection(feet_site())["features"]:
        if each["geometry"]["type"] == "Polygon":
            assert _signed_area(each["geometry"]["coordinates"][0]) > 0


def test_grid_coordinates_stay_as_properties():
    result = metric_site()
    features = feature_collection(result)["features"]
    stake = next(each for each in features if each["properties"]["kind"] == "stake")
    where = result.leak.position
    # A tenth of a millimetre, and no crumbs of it.
    assert stake["properties"]["easting"] == round(where.easting, 4)
    assert stake["properties"]["northing"] == pytest.approx(where.northing, abs=5e-5)
    assert stake["properties"]["grid_crs"] == "EPSG:6542"
    route = next(each for each in features if each["properties"]["kind"] == "route")
    stored = shapely.from_wkt(route["properties"]["grid_wkt"])
    original = next(each for each in result.features if each.kind == "route").grid
    assert shapely.hausdorff_distance(stored, original) < 1e-4


def test_longitude_and_latitude_lead_back_to_the_grid():
    from pyproj import Transformer

    result = feet_site()
    features = feature_collection(result)["features"]
    stake = next(each for each in features if each["properties"]["kind"] == "stake")
    back = Transformer.from_crs("EPSG:4326", "EPSG:6543", always_xy=True)
    easting, northing = back.transform(*stake["geometry"]["coordinates"])
    assert easting == pytest.approx(result.leak.position.easting, abs=5e-4)
    assert northing == pytest.approx(result.leak.position.northing, abs=5e-4)


def test_a_local_site_has_none(tmp_path):
    assert write_geojson(local_site(), tmp_path / "leak.geojson") is None
    assert not (tmp_path / "leak.geojson").exists()
    assert feature_collection(local_site())["features"] == []


@pytest.mark.parametrize(
    ("crossing", "parts"),
    [
        (LineString([(179.9, 1), (-179.9, 1)]), 2),
        (LineString([(179.9, 1), (180.1, 1)]), 2),
        (Polygon([(179.9, 0), (-179.9, 0), (-179.9, 1), (179.9, 1)]), 2),
        (MultiPoint([(179.9, 1), (-179.9, 1)]), 2),
    ],
)
def test_geometries_are_cut_at_the_antimeridian(crossing, parts):
    made = geometry(crossing)
    assert len(made["coordinates"]) == parts
    for lon, _ in _walk(made["coordinates"]):
        assert 179.8 < abs(lon) <= 180
    if crossing.geom_type == "Polygon":
        assert shape(made).area == pytest.approx(0.2, abs=1e-9)
        for each in made["coordinates"]:
            assert _signed_area(each[0]) > 0


def test_a_point_past_the_antimeridian_comes_back():
    assert geometry(Point(180.5, 3))["coordinates"] == [-179.5, 3.0]


@pytest.mark.parametrize("bad", [Point(3_000_000, 3), Point(1, 95), Point(math.nan, 2)])
def test_what_is_no_longitude_and_latitude_is_refused(bad):
    with pytest.raises(GeoleakError, match="no longitude and latitude"):
        geometry(bad)


def test_hostile_text_is_only_text():
    text = json.dumps(feature_collection(hostile_site()))
    assert json.loads(text)["features"]


def test_gdal_reads_it(tmp_path):
    import geopandas

    path = write_geojson(feet_site(), tmp_path / "leak.geojson")
    frame = geopandas.read_file(path)
    assert frame.crs.to_epsg() == 4326
    assert set(frame["kind"]) >= {"stake", "hole", "tie"}
