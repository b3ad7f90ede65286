"""What the readers take a CRS for, against PROJ itself and against the frame of the site."""

from __future__ import annotations

import numpy as np
import pytest
from pyproj import Transformer
from pyproj.database import query_crs_info
from pyproj.enums import PJType

from geoleak.crs.axes import Projection
from geoleak.crs.info import crs_info

# Grads from Paris; degrees from Ferro, Madrid, Bern, Oslo; axes south and west, west and south.
ODD = ("EPSG:27572", "EPSG:31282", "EPSG:2062", "EPSG:21780", "EPSG:27391", "EPSG:5513",
       "EPSG:2065", "EPSG:2048", "EPSG:31467", "EPSG:6543")  # fmt: skip


def middle_of(code: str) -> tuple[float, float]:
    area = crs_info(code, length_unit="m").crs.area_of_use
    return (area.west + area.east) / 2, (area.south + area.north) / 2


@pytest.mark.parametrize("code", ODD)
def test_readers_and_frame_take_coordinates_for_the_same_place(code: str) -> None:
    info, projection = crs_info(code, length_unit="m"), Projection.of(code)
    lon, lat = middle_of(code)
    east, north = projection.from_lonlat(lon - projection.greenwich_deg, lat)
    back = info.lonlat(np.array([east]), np.array([north]))
    np.testing.assert_allclose(np.ravel(back), [lon, lat], atol=1e-7)
    np.testing.assert_allclose(np.ravel(info.grid(*back)), [east, north], atol=1e-2)
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
    np.testing.assert_allclose(np.ravel(info.grid(lon, lat)), [0.0, 54.0], atol=1e-9)


def test_every_grid_with_an_odd_meridian_or_angle_has_its_own_area() -> None:
    tried = 0
    for entry in query_crs_info(auth_name="EPSG", pj_types=[PJType.PROJECTED_CRS]):
        if entry.deprecated or entry.area_of_use is None or "(" not in entry.name:
            continue
        try:
            info = crs_info(f"EPSG:{entry.code}", length_unit="m")
        except ValueError:
            continue
        meridian = info.crs.geodetic_crs.prime_meridian
        if not meridian.longitude:
            continue
        lon, lat = (np.array([each]) for each in middle_of(f"EPSG:{entry.code}"))
        assert info.in_area(*info.lonlat(*info.grid(lon, lat))).all(), entry.name
        tried += 1
    assert tried > 30
