"""Our own projection code against published worked examples and handbook figures."""

from __future__ import annotations

import numpy as np
import pytest

from geoleak.crs.axes import Projection
from geoleak.crs.frame import Frame, elevation_factor, gaussian_radius_m
from geoleak.units import INTERNATIONAL_FOOT_M, US_SURVEY_FOOT_M
from tests.check_values import check_value

CLARKE_1866 = "+a=6378206.4 +b=6356583.8"


def dms(degrees: float, minutes: float = 0.0, seconds: float = 0.0) -> float:
    return degrees + minutes / 60 + seconds / 3600


EXAMPLES = {
    "gn72-tm": ("EPSG:27700", 0.5, 50.5),
    "gn72-lcc2": ("EPSG:32040", -96.0, 28.5),
    "gn72-lcc1": ("EPSG:24200", -dms(76, 56, 37.26), dms(17, 55, 55.80)),
    "gn72-michigan": ("EPSG:6201", -dms(83, 10), 43.75),
    "gn72-webmerc": ("EPSG:3857", -dms(100, 20), dms(24, 22, 54.433)),
    "gn72-hom": ("EPSG:29873", dms(115, 48, 19.8196), dms(5, 23, 14.1129)),
    "gn72-laea": ("EPSG:3035", 5.0, 50.0),
    "gn72-belgium": ("EPSG:31370", dms(5, 48, 26.533), dms(50, 40, 46.461)),
    "snyder-tm": (f"+proj=tmerc +lon_0=-75 +k_0=0.9996 {CLARKE_1866}", -73.5, 40.5),
    "snyder-lcc": (f"+proj=lcc +lat_1=33 +lat_2=45 +lat_0=23 +lon_0=-96 {CLARKE_1866}", -75, 35),
    "utm32-etrs89": ("EPSG:25832", 12.0, 55.0),
    "utah-ft": ("EPSG:2921", -110.0, 41.0),
    "utah-ftus": ("EPSG:3568", -110.0, 41.0),
}
# Registry CRSs that a frame can stand in and print: not the web map's, and not the bare strings.
FRAMES = sorted(set(EXAMPLES) - {"gn72-webmerc"})


@pytest.fixture(params=["scalar", "array"])
def shaped(request):
    """Every numeric case as one number and as an array of three."""
    if request.param == "scalar":
        return lambda value: float(value)
    return lambda value: np.full(3, float(value))


@pytest.mark.parametrize("name", sorted(EXAMPLES))
def test_projection_gives_the_published_coordinates(name, shaped) -> None:
    crs, lon, lat = EXAMPLES[name]
    projection = Projection.of(crs)
    east, north = projection.from_lonlat(shaped(lon), shaped(lat))
    wanted_e, wanted_n = check_value(f"crs-{name}-e"), check_value(f"crs-{name}-n")
    assert np.shape(east) == np.shape(shaped(0))
    assert east == pytest.approx(wanted_e.expected, rel=0, abs=wanted_e.tolerance)
    assert north == pytest.approx(wanted_n.expected, rel=0, abs=wanted_n.tolerance)


@pytest.mark.parametrize("name", sorted(EXAMPLES))
def test_published_coordinates_give_the_position_back(name, shaped) -> None:
    crs, lon, lat = EXAMPLES[name]
    projection = Projection.of(crs)
    back = projection.to_lonlat(*projection.from_lonlat(shaped(lon), shaped(lat)))
    assert back[0] == pytest.approx(lon, rel=0, abs=1e-11)
    assert back[1] == pytest.approx(lat, rel=0, abs=1e-11)


@pytest.mark.parametrize("name", FRAMES)
def test_a_frame_prints_the_published_coordinates(name, shaped) -> None:
    crs, lon, lat = EXAMPLES[name]
    easting, northing = Projection.of(crs).from_lonlat(lon, lat)
    frame = Frame.for_site(crs, easting=easting, northing=northing, heights_m=120.0)
    e_m, n_m = frame.to_working(shaped(easting), shaped(northing))
    assert np.hypot(e_m, n_m) == pytest.approx(0.0, abs=1.0)
    printed = frame.to_grid(e_m, n_m)
    wanted_e, wanted_n = check_value(f"crs-{name}-e"), check_value(f"crs-{name}-n")
    assert printed[0] == pytest.approx(wanted_e.expected, rel=0, abs=wanted_e.tolerance)
    assert printed[1] == pytest.approx(wanted_n.expected, rel=0, abs=wanted_n.tolerance)


def test_snyder_scale_and_convergence() -> None:
    for name in ("snyder-tm", "snyder-lcc"):
        crs, lon, lat = EXAMPLES[name]
        easting, northing = Projection.of(crs).from_lonlat(lon, lat)
        frame = Frame.for_site(crs, easting=easting, northing=northing, mean_height_m=0.0)
        scale = check_value(f"crs-{name}-k")
        assert frame.grid_scale == pytest.approx(scale.expected, rel=0, abs=scale.tolerance)
    crs, lon, lat = EXAMPLES["snyder-tm"]
    easting, northing = Projection.of(crs).from_lonlat(lon, lat)
    frame = Frame.for_site(crs, easting=easting, northing=northing, mean_height_m=0.0)
    row = check_value("crs-snyder-tm-convergence")
    assert frame.convergence_deg == pytest.approx(row.expected, rel=0, abs=row.tolerance)


SITES = {
    "denver": ("EPSG:2232", -104.9903, 39.7392, 1600.0),
    "austin": ("EPSG:2277", -97.7431, 30.2672, 150.0),
    "seattle": ("EPSG:2285", -122.33, 47.6062, 50.0),
    "utm12": ("EPSG:26912", -111.89, 40.7608, 1300.0),
}


def site_frame(name: str) -> Frame:
    crs, lon, lat, height = SITES[name]
    easting, northing = Projection.of(crs).from_lonlat(lon, lat)
    return Frame.for_site(crs, easting=easting, northing=northing, mean_height_m=height)


@pytest.mark.parametrize("name", sorted(SITES))
def test_grid_scale_combined_factor_and_convergence(name) -> None:
    frame = site_frame(name)
    scale, combined, convergence = (
        check_value(f"crs-factor-{name}-{what}") for what in ("k", "cf", "convergence")
    )
    assert frame.grid_scale == pytest.approx(scale.expected, rel=0, abs=scale.tolerance)
    with_their_radius = frame.grid_scale * elevation_factor(SITES[name][3], 6_372_000.0)
    assert with_their_radius == pytest.approx(combined.expected, rel=0, abs=combined.tolerance)
    assert frame.convergence_deg == pytest.approx(
        convergence.expected, rel=0, abs=convergence.tolerance
    )
    # Our own radius is the local one: it may differ from theirs by as much as the ellipsoid does.
    assert frame.combined_factor == pytest.approx(combined.expected, rel=0, abs=4e-7)
    assert frame.combined_factor == pytest.approx(
        frame.grid_scale * frame.elevation_factor, rel=1e-15
    )


def test_a_mile_on_the_ground_at_denver() -> None:
    row = check_value("crs-denver-mile")
    combined = site_frame("denver").grid_scale * elevation_factor(1600.0, 6_372_000.0)
    assert 5280 * combined == pytest.approx(row.expected, rel=0, abs=row.tolerance)


def test_the_bearing_of_true_north_is_less_the_convergence(shaped) -> None:
    frame = site_frame("denver")
    bearing = frame.bearing_grid_deg(shaped(90.0))
    assert bearing == pytest.approx(90.0 - frame.convergence_deg, rel=0, abs=1e-6)
    # And what the grid's own coordinates say of a line 100 m to the true east.
    east, north = frame.to_grid(np.array([-50.0, 50.0]), np.zeros(2))
    assert np.degrees(np.arctan2(np.diff(east), np.diff(north)))[0] == pytest.approx(
        frame.bearing_grid_deg(90.0), rel=0, abs=1e-9
    )


def test_scale_on_defining_lines() -> None:
    row = check_value("crs-utm-centre-k")
    easting, northing = Projection.of("EPSG:26913").from_lonlat(-105.0, 40.0)
    frame = Frame.for_site("EPSG:26913", easting=easting, northing=northing, mean_height_m=0.0)
    assert frame.grid_scale == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    assert frame.convergence_deg == pytest.approx(0.0, abs=1e-9)
    row = check_value("crs-lambert-parallel-k")
    for lat in (38.45, 39.75):
        easting, northing = Projection.of("EPSG:2232").from_lonlat(-105.0, lat)
        frame = Frame.for_site("EPSG:2232", easting=easting, northing=northing, mean_height_m=0.0)
        assert frame.grid_scale == pytest.approx(row.expected, rel=0, abs=row.tolerance)


def test_combined_factor_lines_of_the_manual(shaped) -> None:
    row = check_value("crs-nosngs5-ef")
    factor = elevation_factor(865.0 - 100.0, 20_906_000.0)
    assert factor == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    row = check_value("crs-nosngs5-cf")
    combined = 1.0000450 * factor
    assert combined == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    for line in range(1, 6):
        row = check_value(f"crs-nosngs5-line-{line}")
        ground = float(row.inputs.split()[0])
        assert shaped(ground) * combined == pytest.approx(row.expected, rel=0, abs=row.tolerance)


def test_gaussian_radius_at_the_equator_and_the_pole() -> None:
    # At the pole M = N = a / sqrt(1 - e^2); at the equator sqrt(M N) = a sqrt(1 - e^2) = b.
    a, f = 6378137.0, 1 / 298.257222101
    assert gaussian_radius_m(a, 1 / f, 0.0) == pytest.approx(a * (1 - f), rel=1e-14)
    assert gaussian_radius_m(a, 1 / f, 90.0) == pytest.approx(a / (1 - f), rel=1e-14)
    assert gaussian_radius_m(6_371_000.0, 0.0, 33.0) == 6_371_000.0


def test_survey_and_international_foot_stay_apart() -> None:
    row = check_value("crs-foot-ratio")
    ratio = US_SURVEY_FOOT_M / INTERNATIONAL_FOOT_M
    assert ratio == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    row = check_value("crs-foot-apart-2m")
    assert 2_000_000 * (ratio - 1) == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    for code, unit, metres in [
        ("EPSG:2921", "ft", INTERNATIONAL_FOOT_M),
        ("EPSG:3568", "ftUS", US_SURVEY_FOOT_M),
        ("EPSG:26954", "m", 1.0),
    ]:
        easting, northing = Projection.of(code).from_lonlat(-110.0, 41.0)
        frame = Frame.for_site(code, easting=easting, northing=northing, mean_height_m=0.0)
        assert frame.grid_unit == unit
        assert frame.grid_unit_m == metres


def test_one_place_in_two_units_of_the_same_grid(shaped) -> None:
    lon, lat = shaped(-104.9903), shaped(39.7392)
    for code in ("EPSG:2232", "EPSG:6428"):
        for axis, value in zip("en", Projection.of(code).from_lonlat(lon, lat), strict=True):
            row = check_value(f"crs-denver-{axis}-ftus")
            assert value == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    metres = Projection.of("EPSG:26954").from_lonlat(lon, lat)
    for axis, value in zip("en", metres, strict=True):
        row = check_value(f"crs-denver-{axis}-m")
        assert value == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    row = check_value("crs-denver-e-wrong-foot")
    assert metres[0] / INTERNATIONAL_FOOT_M == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    survey = Projection.of("EPSG:2232").from_lonlat(lon, lat)[0]
    assert np.min(np.abs(survey - row.expected)) > 6.0
