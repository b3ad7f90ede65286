"""Lengths in the working frame are what a tape reads on the ground, checked by geodesics."""

from __future__ import annotations

import math

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from hypothesis import given, settings
from hypothesis import strategies as st

from geoleak.crs.axes import Projection
from geoleak.crs.frame import Frame, gaussian_radius_m
from tests.check_values import check_value

GRS80 = Geodesic(6378137.0, 1 / 298.257222101)
PLACES = {
    "EPSG:6543": (-79.04, 35.90),
    "EPSG:2232": (-104.9903, 39.7392),
    "EPSG:26912": (-111.89, 40.7608),
    "EPSG:25832": (9.7, 52.4),
    "EPSG:2193": (174.8, -41.3),
    "EPSG:6318": (-104.9903, 39.7392),
}


def frame_at(crs: str, lon: float, lat: float, height_m: float, **options) -> Frame:
    easting, northing = Projection.of(crs).from_lonlat(lon, lat)
    return Frame.for_site(crs, easting=easting, northing=northing, heights_m=[height_m], **options)


@pytest.mark.parametrize("crs", sorted(PLACES))
@pytest.mark.parametrize("height_m", [0.0, 1600.0])
@pytest.mark.parametrize("reach_m", [2.0, 100.0, 2000.0])
def test_a_geodesic_raised_to_the_site_is_the_working_length(crs, height_m, reach_m) -> None:
    lon, lat = PLACES[crs]
    frame = frame_at(crs, lon, lat, height_m)
    raised = 1 + height_m / gaussian_radius_m(6378137.0, 298.257222101, lat)
    azimuths = np.arange(0.0, 360.0, 30.0)
    ends = [GRS80.Direct(lat, lon, azimuth, reach_m) for azimuth in azimuths]
    source = Projection.of(crs)
    coordinates = source.from_lonlat([e["lon2"] for e in ends], [e["lat2"] for e in ends])
    e_m, n_m = frame.to_working(*coordinates)
    middle = frame.to_working(*source.from_lonlat(lon, lat))
    lengths = np.hypot(e_m - middle[0], n_m - middle[1])
    # 0.06 ppm at 2 km: (2000 / R)^2 / 2 = 0.05 ppm and the half metre that the centre is rounded by
    assert lengths == pytest.approx(reach_m * raised, rel=6e-8 * (reach_m / 2000) ** 2, abs=2e-8)
    bearings = np.degrees(np.arctan2(e_m - middle[0], n_m - middle[1])) % 360
    turned = (bearings - azimuths + 180) % 360 - 180
    assert np.abs(turned).max() * math.radians(1) * reach_m < 1e-3


@pytest.mark.parametrize("crs", sorted(PLACES))
def test_the_printed_grid_would_be_wrong_where_the_working_frame_is_not(crs) -> None:
    lon, lat = PLACES[crs]
    frame = frame_at(crs, lon, lat, 1600.0)
    east, north = frame.to_grid(np.array([-30.0, 30.0]), np.array([-40.0, 40.0]))
    on_grid = math.hypot(*np.diff(east), *np.diff(north)) * frame.grid_unit_m
    assert on_grid / 100.0 == pytest.approx(frame.combined_factor, rel=2e-8)
    assert abs(on_grid - 100.0) > 0.004


def test_published_geodesics_through_a_frame_between_the_ends() -> None:
    """Two long lines: the working frame's own error grows as it says, never faster."""
    flinders = (-(37 + 57 / 60 + 3.72030 / 3600), 144 + 25 / 60 + 29.52440 / 3600)
    buninyong = (-(37 + 39 / 60 + 10.15610 / 3600), 143 + 55 / 60 + 35.38390 / 3600)
    for name, one, two in [
        ("crs-flinders-buninyong", flinders, buninyong),
        ("crs-helsinki-tallinn", (60.171, 24.938), (59.437, 24.745)),
    ]:
        row = check_value(name)
        line = GRS80.Inverse(*one, *two)["s12"]
        assert line == pytest.approx(row.expected, rel=0, abs=row.tolerance)
        lats, lons = np.array([one[0], two[0]]), np.array([one[1], two[1]])
        frame = Frame.for_site(
            "+proj=longlat +ellps=GRS80", easting=lons, northing=lats, mean_height_m=0.0
        )
        e_m, n_m = frame.to_working(lons, lats)
        length = math.hypot(*np.diff(e_m), *np.diff(n_m))
        bound = (line / 2 / 6_371_000) ** 2 / 2
        assert 0 <= length / line - 1 <= bound


def test_a_short_run_along_a_published_direct_line(make_shape) -> None:
    lat, lon = check_value("crs-short-run-lat"), check_value("crs-short-run-lon")
    frame = Frame.for_site("EPSG:4326", easting=-105.0, northing=40.0, mean_height_m=0.0)
    e_m, n_m = frame.to_working(make_shape(lon.expected), make_shape(lat.expected))
    assert e_m == pytest.approx(100 * math.sin(math.radians(37)), rel=0, abs=2e-6)
    assert n_m == pytest.approx(100 * math.cos(math.radians(37)), rel=0, abs=2e-6)
    back = frame.from_working(e_m, n_m)
    assert back[0] == pytest.approx(lon.expected, rel=0, abs=lon.tolerance)
    assert back[1] == pytest.approx(lat.expected, rel=0, abs=lat.tolerance)


def test_web_map_metres_are_none_on_the_ground(make_shape) -> None:
    """A site in the web map's projection is measured properly and printed in UTM."""
    start = Projection.of("EPSG:3857").from_lonlat(-105.0, 40.0)
    frame = Frame.for_site("EPSG:3857", easting=start[0], northing=start[1], mean_height_m=0.0)
    assert frame.grid_crs == "EPSG:32613"
    wgs84 = Geodesic.WGS84
    for azimuth, name in [(0.0, "crs-webmerc-ns"), (90.0, "crs-webmerc-ew")]:
        end = wgs84.Direct(40.0, -105.0, azimuth, 100.0)
        web = Projection.of("EPSG:3857").from_lonlat(end["lon2"], end["lat2"])
        row = check_value(name)
        assert math.hypot(web[0] - start[0], web[1] - start[1]) == pytest.approx(
            row.expected, rel=0, abs=row.tolerance
        )
        e_m, n_m = frame.to_working(make_shape(web[0]), make_shape(web[1]))
        assert np.hypot(e_m, n_m) == pytest.approx(100.0, rel=0, abs=1e-6)


def test_degrees_and_survey_feet_of_one_site_agree() -> None:
    """The same points as latitude and longitude and as State Plane feet: one frame, one place."""
    rng = np.random.default_rng(7)
    feet = Projection.of("EPSG:6543")
    east = 1_987_850.0 + rng.uniform(-200, 200, 40)
    north = 783_300.0 + rng.uniform(-200, 200, 40)
    lon, lat = feet.to_lonlat(east, north)
    heights = rng.uniform(100, 120, 40)
    first = Frame.for_site("EPSG:6543", easting=east, northing=north, heights_m=heights)
    second = Frame.for_site(
        "EPSG:6318", easting=lon, northing=lat, heights_m=heights, grid_crs="EPSG:6543"
    )
    one = np.array(first.to_working(east, north))
    two = np.array(second.to_working(lon, lat))
    assert np.abs(one - two).max() < 1e-6
    assert np.abs(np.array(second.to_grid(*two)) - [east, north]).max() < 1e-6
    # Written with nine decimals, as a rover does, the place still holds to 0.1 mm.
    rounded = np.array(second.to_working(np.round(lon, 9), np.round(lat, 9)))
    assert np.abs(rounded - one).max() < 1e-4


@settings(max_examples=8, deadline=None)
@given(
    lon=st.floats(-179.9, 179.9),
    lat=st.floats(-79.0, 79.0),
    height_m=st.floats(-400, 5000),
    bearing=st.floats(0, 360),
    away_m=st.floats(0, 5000),
)
def test_any_site_round_trips_and_measures(lon, lat, height_m, bearing, away_m) -> None:
    frame = Frame.for_site("EPSG:4326", easting=lon, northing=lat, mean_height_m=height_m)
    e_m, n_m = away_m * math.sin(bearing), away_m * math.cos(bearing)
    for there, back in [
        (frame.from_working, frame.to_working),
        (frame.to_grid, frame.from_grid),
        (frame.to_lonlat, frame.from_lonlat),
    ]:
        again = back(*there(e_m, n_m))
        assert math.hypot(again[0] - e_m, again[1] - n_m) < 1e-6
    end = frame.to_lonlat(e_m, n_m)
    start = frame.to_lonlat(0.0, 0.0)
    line = Geodesic.WGS84.Inverse(start[1], start[0], end[1], end[0])["s12"]
    ground = line / frame.elevation_factor
    # Scale grows along the line to (x/R)^2/2; the Gaussian radius is a mean over directions.
    assert ground == pytest.approx(away_m, rel=(away_m / 6_350_000) ** 2, abs=1e-6)


@settings(max_examples=15, deadline=None)
@given(
    e_m=st.lists(st.floats(-3000, 3000), min_size=1, max_size=5),
    crs=st.sampled_from(sorted(PLACES)),
)
def test_every_way_out_comes_back(e_m, crs) -> None:
    frame = frame_at(crs, *PLACES[crs], 230.0)
    east = np.array(e_m)
    north = -0.5 * east
    for there, back in [
        (frame.from_working, frame.to_working),
        (frame.to_grid, frame.from_grid),
        (frame.to_lonlat, frame.from_lonlat),
    ]:
        again = np.array(back(*there(east, north)))
        assert np.abs(again - [east, north]).max() <= 1e-6


@pytest.fixture(params=["scalar", "array"])
def make_shape(request):
    if request.param == "scalar":
        return lambda value: float(value)
    return lambda value: np.full((2, 2), float(value))


# One grid a projection method that PROJ closes loosely, and some that it closes well.
LOOSE = ("EPSG:2314", "EPSG:6244", "EPSG:8858", "EPSG:8441", "EPSG:3035", "EPSG:6933", "EPSG:27200")
CLOSED = ("EPSG:6543", "EPSG:31370", "EPSG:28992", "EPSG:21781", "EPSG:5514", "EPSG:2065")


@pytest.mark.parametrize("crs", [*LOOSE, *CLOSED])
def test_grids_round_trip(crs: str) -> None:
    projection = Projection.of(crs)
    area = projection.crs.area_of_use
    lon = (area.west + area.east) / 2 - projection.greenwich_deg + 0.1
    grid = projection.from_lonlat(lon, (area.south + area.north) / 2 + 0.05)
    again = projection.from_lonlat(*projection.to_lonlat(*grid))
    assert math.hypot(again[0] - grid[0], again[1] - grid[1]) <= 1e-6
