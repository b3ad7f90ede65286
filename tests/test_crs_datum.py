"""Datum operations, what is said of them, and the sites that have none."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from geographiclib.geodesic import Geodesic
from pyproj import CRS

from geoleak.crs import Frame, axes, crs_info
from geoleak.crs.axes import DatumShift, Projection, horizontal_crs, same_datum
from geoleak.errors import CrsError, Refused
from tests.check_values import check_value

GRS80 = Geodesic(6378137.0, 1 / 298.257222101)


def shift(source: str, target: str, lon: float, lat: float, **options) -> DatumShift:
    return DatumShift.between(CRS(source), CRS(target), (lon, lat), **options)


def codes(frame: Frame) -> set[str]:
    return {note.code for note in frame.warnings}


@pytest.fixture(params=["scalar", "array"])
def shaped(request):
    if request.param == "scalar":
        return lambda value: float(value)
    return lambda value: np.full(4, float(value))


def test_published_time_dependent_change(shaped) -> None:
    move = shift("EPSG:7844", "EPSG:9000", 151.2, -33.9, epoch=2026.0)
    lon, lat = move.forward(shaped(151.2077), shaped(-33.8623))
    for value, name in [(lat, "crs-gda2020-lat"), (lon, "crs-gda2020-lon")]:
        row = check_value(name)
        assert value == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    back = move.inverse(lon, lat)
    assert back[0] == pytest.approx(151.2077, rel=0, abs=1e-11)
    assert back[1] == pytest.approx(-33.8623, rel=0, abs=1e-11)


@pytest.mark.parametrize("year", [2010, 2020, 2026])
@pytest.mark.parametrize(
    ("place", "lon", "lat"),
    [
        ("boulder", -105.0, 40.0),
        ("philadelphia", -75.0, 40.0),
        ("san-francisco", -122.0, 37.5),
    ],
)
def test_how_far_itrf_and_nad83_have_drifted(place, lon, lat, year, shaped) -> None:
    """A site shot in ITRF2014 and printed in NAD83(2011): the printed grid moves, by the epoch."""
    moved = Frame.for_site(
        "EPSG:9000",
        easting=lon,
        northing=lat,
        mean_height_m=0.0,
        grid_crs="EPSG:6350",
        coordinate_epoch=float(year),
    )
    e_m, n_m = moved.to_working(shaped(lon), shaped(lat))
    printed = Projection.of("EPSG:6350").to_lonlat(*moved.to_grid(e_m, n_m))
    move = GRS80.Inverse(lat, lon, np.ravel(printed[1])[0], np.ravel(printed[0])[0])["s12"]
    row = check_value(f"crs-itrf-{place}-{year}")
    assert move == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    again = moved.from_grid(*moved.to_grid(e_m, n_m))
    assert again[0] == pytest.approx(e_m, abs=1e-6)
    assert again[1] == pytest.approx(n_m, abs=1e-6)
    assert "grid_on_another_datum" in codes(moved)
    assert 0 < moved.grid_accuracy_m < 0.1


def test_itrf2020_too(shaped) -> None:
    move = shift("EPSG:9990", "EPSG:6318", -105.0, 40.0, epoch=2026.0)
    lon, lat = move.forward(shaped(-105.0), shaped(40.0))
    row = check_value("crs-itrf2020-boulder-2026")
    distance = GRS80.Inverse(40.0, -105.0, np.ravel(lat)[0], np.ravel(lon)[0])["s12"]
    assert distance == pytest.approx(row.expected, rel=0, abs=row.tolerance)


@pytest.mark.parametrize(
    ("source", "target", "name"),
    [
        ("EPSG:4326", "EPSG:6318", "crs-accuracy-wgs84-nad83-2011"),
        ("EPSG:4326", "EPSG:4269", "crs-accuracy-wgs84-nad83"),
    ],
)
def test_what_proj_states(source, target, name, shaped) -> None:
    move = shift(source, target, -105.0, 40.0)
    row = check_value(name)
    assert move.accuracy_m == pytest.approx(row.expected, rel=0, abs=row.tolerance)
    lon, lat = move.forward(shaped(-105.0), shaped(40.0))
    assert (np.asarray(lon) == -105.0).all()
    assert (np.asarray(lat) == 40.0).all()


def test_a_stated_zero_is_not_believed() -> None:
    assert shift("EPSG:9000", "EPSG:6318", -105.0, 40.0).accuracy_m == 2.0
    assert shift("EPSG:9000", "EPSG:6318", -105.0, 40.0, epoch=2026.0).accuracy_m == 0.02
    null = shift("EPSG:4326", "EPSG:4326", -105.0, 40.0, epoch=2026.0)
    assert null.accuracy_m == 2.0  # PROJ states 0


def test_ballpark_operations_are_never_silent() -> None:
    close = shift("EPSG:4269", "EPSG:6318", -105.0, 40.0)
    assert close.is_ballpark
    assert close.accuracy_m == 2.0
    assert {note.code for note in close.notes} == {"ballpark", "missing_grid"}
    assert "us_noaa_nadcon5" in " ".join(note.text for note in close.notes)
    old = shift("EPSG:4267", "EPSG:4269", -105.0, 40.0)
    assert old.is_ballpark
    assert old.accuracy_m == 500.0  # NAD27 lies 49 m away here and PROJ moves nothing
    # GRS 1980 and WGS 84 are one figure of the earth to a tenth of a millimetre.
    assert axes._count_on(0.0, True, False, CRS("EPSG:4269"), CRS("EPSG:4326")) == 2.0


def test_longitude_and_latitude_of_a_plate_fixed_site() -> None:
    easting, northing = Projection.of("EPSG:6543").from_lonlat(-79.041012, 35.902204)
    for epoch in (None, 2026.4):
        frame = Frame.for_site(
            "EPSG:6543",
            easting=easting,
            northing=northing,
            mean_height_m=150.0,
            coordinate_epoch=epoch,
        )
        assert frame.lonlat_accuracy_m == 2.0
        assert frame.warnings == ()
        assert frame.to_lonlat(*frame.to_working(easting, northing)) == pytest.approx(
            (-79.041012, 35.902204), rel=0, abs=1e-10
        )
        assert frame.grid_accuracy_m == 0.0


def test_a_moving_frame_wants_an_epoch() -> None:
    place = {"easting": -105.0, "northing": 40.0, "mean_height_m": 1600.0}
    without = Frame.for_site("EPSG:9990", **place)
    assert "dynamic_frame_no_epoch" in codes(without)
    assert without.lonlat_accuracy_m == 2.0
    dated = Frame.for_site("EPSG:9990", **place, coordinate_epoch=2026.4)
    assert "dynamic_frame_no_epoch" not in codes(dated)
    assert dated.lonlat_accuracy_m == 0.02
    # WGS 84 follows ITRF: centimetres, not the 1.4 m of a detour by a plate-fixed frame.
    lon, lat = dated.to_lonlat(0.0, 0.0)
    assert Geodesic.WGS84.Inverse(40.0, -105.0, float(lat), float(lon))["s12"] < 0.05


def test_an_ensemble_is_named() -> None:
    frame = Frame.for_site("EPSG:32613", easting=500_000.0, northing=4_400_000.0, heights_m=[1.0])
    assert "datum_ensemble" in codes(frame)
    assert frame.lonlat_accuracy_m == 2.0
    assert "datum_ensemble" not in codes(
        Frame.for_site("EPSG:6428", easting=3_140_000.0, northing=1_690_000.0, heights_m=[1.0])
    )


def test_missing_grid_is_named_with_its_remedy() -> None:
    frame = Frame.for_site("EPSG:27700", easting=450_000.0, northing=250_000.0, heights_m=[50.0])
    (note,) = [each for each in frame.warnings if each.code == "missing_grid"]
    assert "uk_os_OSTN15_NTv2_OSGBtoETRS.tif" in note.text
    assert "pyproj sync" in note.text
    assert frame.lonlat_accuracy_m == 2.0


def test_an_unnamed_datum_says_so() -> None:
    frame = Frame.for_site(
        "+proj=tmerc +lon_0=-105 +ellps=clrk66", easting=0.0, northing=4_400_000.0, heights_m=[0.0]
    )
    assert "ballpark" in codes(frame)
    assert frame.lonlat_accuracy_m == 500.0
    assert frame.grid_accuracy_m == 0.0


def test_no_library_warning_reaches_the_person() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        warnings.simplefilter("ignore", DeprecationWarning)  # Python itself shows a person none
        Frame.for_site("EPSG:27700", easting=450_000.0, northing=250_000.0, heights_m=[50.0])


def test_degrees_are_printed_in_the_utm_zone_of_the_same_datum() -> None:
    place = {"easting": -79.04, "northing": 35.9, "heights_m": [150.0]}
    frame = Frame.for_site("EPSG:6318", **place)
    assert frame.grid_crs == "EPSG:6346"
    assert frame.grid_name == "NAD83(2011) / UTM zone 17N"
    assert "grid_assumed" in codes(frame)
    stated = Frame.for_site("EPSG:6318", **place, grid_crs="EPSG:6543")
    assert (stated.grid_crs, stated.grid_unit) == ("EPSG:6543", "ftUS")
    assert "grid_assumed" not in codes(stated)
    assert Frame.for_site(np.str_("EPSG:6318"), **place).grid_crs == "EPSG:6346"
    south = Frame.for_site("EPSG:7844", easting=151.2, northing=-33.86, heights_m=[20.0])
    assert south.grid_name == "GDA2020 / UTM zone 56S"
    assert south.grid_accuracy_m == 0.0
    assert south.to_grid(0.0, 0.0)[1] > 6_000_000  # the southern zones count from 10,000 km


@pytest.mark.parametrize("unit", ["m", "ft", "ftUS"])
def test_a_local_site_does_the_full_job_without_longitude(unit, shaped) -> None:
    frame = Frame.for_site("local", easting=[1000.0], northing=[2000.0], length_unit=unit)
    assert frame.is_local
    assert frame.warnings == ()
    e_m, n_m = frame.to_working(shaped(1000.0), shaped(2000.0))
    assert e_m == pytest.approx(1000.0 * frame.grid_unit_m, rel=1e-15)
    for there in (frame.from_working, frame.to_grid):
        assert there(e_m, n_m)[0] == pytest.approx(1000.0, rel=1e-15)
        assert there(e_m, n_m)[1] == pytest.approx(2000.0, rel=1e-15)
    assert (frame.combined_factor, frame.convergence_deg) == (1.0, 0.0)
    assert frame.lonlat_accuracy_m is None
    assert frame.bearing_grid_deg(shaped(361.0)) == pytest.approx(1.0)
    with pytest.raises(CrsError, match="local site has no longitude"):
        frame.to_lonlat(e_m, n_m)
    with pytest.raises(CrsError, match="local site has no longitude"):
        frame.from_lonlat(0.0, 0.0)


@pytest.mark.parametrize(
    ("crs", "match"),
    [
        ("", "no crs is stated"),
        ("EPSG:999999", "not a CRS that PROJ knows"),
        ("North Carolina feet", "not a CRS that PROJ knows"),
        ("EPSG:5703", "heights only"),
        ("EPSG:4978", "centre of the earth"),
        ("EPSG:32661", "one east and one north"),
        ("EPSG:31300", "EPSG:31370"),
        ('LOCAL_CS["site",UNIT["metre",1]]', 'say crs = "local"'),
    ],
)
def test_a_crs_of_no_use_is_refused_plainly(crs, match) -> None:
    with pytest.raises(CrsError, match=match):
        Frame.for_site(crs, easting=0.0, northing=0.0, heights_m=[0.0])


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({"grid_crs": "EPSG:4326"}, "counts in deg"),
        ({"mean_height_m": 9_001.0}, "not on this earth"),
        ({"mean_height_m": float("nan")}, "not on this earth"),
        ({"easting": float("nan")}, "none of 1 points"),
        ({"northing": float("inf")}, "none of 1 points"),
        ({"grid_crs": "EPSG:24100"}, "counts in Clarke's foot"),
    ],
)
def test_what_does_not_fit_the_site_is_refused(options, match) -> None:
    place = {"easting": -79.0, "northing": 35.9, "heights_m": [100.0], **options}
    with pytest.raises(CrsError, match=match):
        Frame.for_site("EPSG:6318", **place)


def test_a_local_site_refuses_another_unit() -> None:
    with pytest.raises(Refused, match='unknown length unit "yd"'):
        Frame.for_site("local", easting=0.0, northing=0.0, length_unit="yd")


def test_compound_and_three_dimensional_give_their_horizontal_part() -> None:
    for crs, code in [("EPSG:6318+5703", "6318"), ("EPSG:6543+5703", "6543")]:
        assert horizontal_crs(crs).to_authority() == ("EPSG", code)
    assert len(horizontal_crs("EPSG:6319").axis_info) == 2
    place = {"easting": -79.0, "northing": 35.9, "heights_m": [100.0]}
    flat = Frame.for_site("EPSG:6318", **place)
    for crs in ("EPSG:6319", "EPSG:6318+5703"):
        assert Frame.for_site(crs, **place).to_grid(5.0, 7.0) == flat.to_grid(5.0, 7.0)


@pytest.mark.parametrize("crs", ["EPSG:2054", "EPSG:5513", "EPSG:2193", "EPSG:31467"])
def test_axes_in_any_order_and_direction(crs) -> None:
    """Westing, southing, northing first: the frame's east is east and its north is north."""
    lon, lat = {
        "EPSG:2054": (31.2, -25.0),
        "EPSG:5513": (14.4, 50.08),
        "EPSG:2193": (174.8, -41.3),
        "EPSG:31467": (9.2, 50.0),
    }[crs]
    projection = Projection.of(crs)
    easting, northing = projection.from_lonlat([lon, lon + 1e-3, lon], [lat, lat, lat + 1e-3])
    frame = Frame.for_site(crs, easting=easting[0], northing=northing[0], heights_m=[0.0])
    e_m, n_m = frame.to_working(easting, northing)
    assert e_m[1] - e_m[0] == pytest.approx(np.cos(np.radians(lat)) * 111.3, rel=0.01)
    assert n_m[2] - n_m[0] == pytest.approx(111.1, rel=0.01)
    assert frame.combined_factor == pytest.approx(1.0, abs=1.5e-3)
    true_north = np.mod(-frame.convergence_deg, 360)
    assert frame.bearing_grid_deg(0.0) == pytest.approx(true_north, rel=0, abs=1e-6)


def test_one_bad_point_spoils_only_itself() -> None:
    frame = Frame.for_site("EPSG:6318", easting=-79.0, northing=35.9, heights_m=[100.0])
    e_m, n_m = frame.to_working([-79.0, np.nan, np.inf, -79.0], [35.9, 35.9, 35.9, 35.9])
    assert np.isnan(e_m).tolist() == [False, True, True, False]
    assert np.isnan(n_m).tolist() == [False, True, True, False]


def test_a_stray_point_neither_moves_the_centre_nor_passes_unsaid() -> None:
    lon = np.array([-79.0, -79.0001, -79.0002, -78.5])
    lat = np.full(4, 35.9)
    frame = Frame.for_site("EPSG:6318", easting=lon, northing=lat, heights_m=np.full(4, 100.0))
    assert frame.centre_lonlat is not None
    assert frame.centre_lonlat[0] == pytest.approx(-79.00005, abs=1e-4)
    (note,) = [each for each in frame.warnings if each.code == "far_from_centre"]
    assert "1 of 4 points" in note.text
    assert "45.1 km" in note.text
    assert "25.1 ppm long" in note.text  # (45.1 / 6371)^2 / 2


@pytest.mark.parametrize(("away_km", "said"), [(4.95, False), (5.05, True)])
def test_from_five_kilometres_a_point_is_far(away_km: float, said: bool) -> None:
    # At 35.9 degrees a minute of latitude is 1.849 km.
    lat = 35.9 + np.array([0.0, 0.0, 0.0, away_km / 110.96])
    frame = Frame.for_site("EPSG:6318", easting=np.full(4, -79.0), northing=lat, heights_m=[100.0])
    assert ("far_from_centre" in codes(frame)) is said


def test_a_site_on_the_180th_meridian() -> None:
    frame = Frame.for_site(
        "EPSG:4326", easting=[179.9995, -179.9995, 180.0], northing=[-17.0] * 3, heights_m=[5.0]
    )
    assert frame.centre_lonlat is not None
    assert abs(frame.centre_lonlat[0]) == pytest.approx(180.0, abs=1e-4)
    e_m, _ = frame.to_working([179.9995, -179.9995], [-17.0, -17.0])
    assert e_m[1] - e_m[0] == pytest.approx(0.001 * 111_320 * np.cos(np.radians(17)), rel=0.01)


def test_height_is_assumed_aloud_and_taken_from_the_points_otherwise() -> None:
    place = {"easting": -79.0, "northing": 35.9}
    assert "height_assumed" in codes(Frame.for_site("EPSG:6318", **place))
    frame = Frame.for_site("EPSG:6318", **place, heights_m=[np.nan, 100.0, 102.0, 2000.0])
    assert frame.mean_height_m == 102.0
    assert Frame.for_site("EPSG:6318", **place, mean_height_m=8_999.0).mean_height_m == 8_999.0
    assert "height_assumed" not in codes(frame)
    assert Frame.for_site("EPSG:6318", **place, mean_height_m=7.0).mean_height_m == 7.0


def test_operations_tell_every_step() -> None:
    frame = Frame.for_site(
        "EPSG:9000",
        easting=-105.0,
        northing=40.0,
        mean_height_m=1600.0,
        grid_crs="EPSG:6428",
        coordinate_epoch=2026.0,
    )
    text = "\n".join(frame.operations)
    for part in ("proj=tmerc", "k_0=1.00025", "proj=helmert", "proj=lcc", "us-ft", "WGS 84"):
        assert part in text


def in_area(crs: str, lon: object, lat: object) -> np.ndarray:
    return crs_info(crs, length_unit="m").in_area(np.asarray(lon, float), np.asarray(lat, float))


def test_area_of_use_and_half_a_degree_around_it(shaped) -> None:
    # The registry's bounds of North Carolina: longitude -84.33 to -75.38.
    assert in_area("EPSG:6543", shaped(-79.0), shaped(35.9)).all()
    assert not in_area("EPSG:6543", shaped(-105.0), shaped(40.0)).any()
    assert not in_area("EPSG:6543", shaped(np.nan), shaped(35.9)).any()
    assert in_area("EPSG:6543", [-74.9, -74.8], [35.0, 35.0]).tolist() == [True, False]
    assert in_area("+proj=tmerc +lon_0=9 +ellps=GRS80", 100.0, 10.0)


@pytest.mark.parametrize(
    ("crs", "ends"), [("EPSG:2175", "18°20'E and 19°40'E."), ("EPSG:2132", "meridional circuit...")]
)
def test_an_area_s_name_has_seventy_four_signs_at_most(crs: str, ends: str) -> None:
    name = crs_info(crs, length_unit="m").area_name  # of 74 and of 75 in the registry
    assert name.endswith(ends) and len(name) <= 74


def test_area_of_use_across_the_180th_meridian() -> None:
    inside = in_area("EPSG:2193", [166.4, 178.6, -179.0, 170.0], [-40.0, -40.0, -40.0, 0.0])
    assert inside.tolist() == [True, True, False, False]
    # NAD83(2011) reaches from the western Aleutians to the Caribbean, over the 180th meridian.
    whole = in_area("EPSG:6318", [170.0, -170.0, -66.0, 0.0], [52.0, 52.0, 18.0, 52.0])
    assert whole.tolist() == [True, True, True, False]


def test_same_datum_by_more_than_its_name() -> None:
    assert same_datum(CRS("EPSG:4326"), CRS("OGC:CRS84"))
    assert not same_datum(CRS("EPSG:4326"), CRS("EPSG:6318"))
    assert not same_datum(CRS("EPSG:4275"), CRS("EPSG:4807"))  # Greenwich and Paris
