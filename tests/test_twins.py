"""One site written down in several ways: the stake, the verdict and the chances stay the same."""

from __future__ import annotations

import math
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from pyproj import Transformer

import geoleak
from geoleak.result.records import Result
from geoleak.units import LENGTH_UNITS
from tests.spoilt_sites import SITES

pytestmark = pytest.mark.usefixtures("few_nodes")

FT_US = LENGTH_UNITS["ftUS"]
STATE_PLANE_FT = "EPSG:6543"  # NAD83(2011) / North Carolina (ftUS)
STATE_PLANE_M = "EPSG:6542"  # the same projection in metres
DEGREES = "EPSG:6318"  # NAD83(2011)
MM = 0.001
# Quadrature stops once an answer moves by less than 3 % of its sigma, here 0.13 m: positions that
# round otherwise may stop it a step sooner, and either of two answers may be off by that. What is
# geometry alone still agrees to a millimetre.
SETTLED_M = 2 * 0.03 * 0.13

Row = tuple[str, float, float, float, str]


def rows() -> list[Row]:
    """The rover's points of Alder Court: id, northing, easting, elevation (ftUS), code."""
    text = (SITES / "alder_court" / "points.csv").read_text(encoding="utf-8")
    cells = [line.split(",") for line in text.splitlines()]
    return [(c[0], float(c[1]), float(c[2]), float(c[3]), c[4]) for c in cells]


def twin(
    place: Path,
    points: str,
    *,
    toml: dict[str, str] | None = None,
    readings: Callable[[str], str] = lambda text: text,
) -> Result:
    """Return the answer for Alder Court with other points and other lines in site.toml."""
    folder = place / "twin"
    shutil.copytree(SITES / "alder_court", folder, ignore=shutil.ignore_patterns("out"))
    text = (folder / "site.toml").read_text(encoding="utf-8")
    text = text[: text.index("[[utility]]")]  # a service in degrees fits no local site
    for old, new in (toml or {}).items():
        assert old in text
        text = text.replace(old, new)
    (folder / "site.toml").write_text(text, encoding="utf-8")
    (folder / "points.csv").write_text(points, encoding="utf-8")
    sheet = folder / "readings.csv"
    sheet.write_text(readings(sheet.read_text(encoding="utf-8")), encoding="utf-8")
    return geoleak.locate(geoleak.read_site(folder))


def as_csv(points: list[Row], scale: float = 1.0, decimals: int = 3) -> str:
    lines = []
    for name, *figures, code in points:
        shown = ",".join(f"{each * scale:.{decimals}f}" for each in figures)
        lines.append(f"{name},{shown},{code}\n")
    return "".join(lines)


@pytest.fixture(scope="module")
def feet(tmp_path_factory: pytest.TempPathFactory) -> Result:
    """The site as it stands: State Plane in US survey feet."""
    return twin(tmp_path_factory.mktemp("feet"), as_csv(rows()))


def apart_m(one: Result, two: Result) -> float:
    """Return how far two stakes stand apart on the grid of State Plane in metres."""
    return math.dist(in_metres(one), in_metres(two))


def in_metres(result: Result) -> tuple[float, float]:
    unit = LENGTH_UNITS[result.leak.position.unit]
    return result.leak.position.easting * unit, result.leak.position.northing * unit


def assert_same_answer(one: Result, two: Result) -> None:
    assert one.decision.verdict == two.decision.verdict
    assert one.leak.leg == two.leak.leg
    assert two.leak.chainage_m == pytest.approx(one.leak.chainage_m, abs=SETTLED_M)
    assert two.leak.depth_m == pytest.approx(one.leak.depth_m, abs=MM)
    assert two.decision.chance_in_hole == pytest.approx(one.decision.chance_in_hole, abs=2e-3)
    assert two.leak.probability_elsewhere == pytest.approx(one.leak.probability_elsewhere, abs=2e-3)
    for (leg, low, high), (other, a, b) in zip(
        one.leak.interval_95, two.leak.interval_95, strict=True
    ):
        assert (
            leg,
            pytest.approx(low, abs=6 * SETTLED_M),
            pytest.approx(high, abs=6 * SETTLED_M),
        ) == (
            other,
            a,
            b,
        )


def test_state_plane_in_metres(feet: Result, tmp_path: Path) -> None:
    metres = twin(tmp_path, as_csv(rows(), FT_US, 6), toml={STATE_PLANE_FT: STATE_PLANE_M})
    assert metres.leak.position.unit == "m"
    assert apart_m(feet, metres) < SETTLED_M
    assert_same_answer(feet, metres)


def in_degrees() -> str:
    points = rows()
    way = Transformer.from_crs(STATE_PLANE_FT, DEGREES, always_xy=True)
    lon, lat = way.transform([p[2] for p in points], [p[1] for p in points])
    lines = ["Point,Latitude,Longitude,Elevation (ftUS),Code"]
    for point, x, y in zip(points, lon, lat, strict=True):
        lines.append(f"{point[0]},{y:.11f},{x:.11f},{point[3]:.3f},{point[4]}")
    return "\n".join(lines) + "\n"


def test_latitude_and_longitude(feet: Result, tmp_path: Path) -> None:
    degrees = twin(
        tmp_path,
        in_degrees(),
        toml={
            f'crs = "{STATE_PLANE_FT}"': f'crs = "{DEGREES}"\ngrid_crs = "{STATE_PLANE_FT}"',
            'layout = "pnezd"': "",
        },
    )
    assert degrees.leak.position.crs == feet.leak.position.crs
    assert degrees.leak.position.unit == "ftUS"
    assert apart_m(feet, degrees) < SETTLED_M
    assert_same_answer(feet, degrees)
    # A degree of longitude has 90 km there.
    assert degrees.leak.lonlat == pytest.approx(feet.leak.lonlat, abs=SETTLED_M / 90_000.0)


LOCAL = {STATE_PLANE_FT: "local", 'title = "': 'mean_height = "0 m"\ntitle = "'}


def local_points(east_ft: float = 0.0, north_ft: float = 0.0) -> str:
    """The points on a grid of the site's own, with ground distances in US survey feet."""
    points = rows()
    # Ground over grid at this site: what `check` prints as 0.99991323, turned round.
    factor = 1 / 0.99991323
    e0, n0 = 1987800.0, 783200.0
    moved = [
        (i, (n - n0) * factor + north_ft, (e - e0) * factor + east_ft, z, code)
        for i, n, e, z, code in points
    ]
    return as_csv(moved, decimals=6)


def test_a_grid_of_its_own(feet: Result, tmp_path: Path) -> None:
    local = twin(tmp_path, local_points(), toml=LOCAL)
    assert local.leak.lonlat is None
    assert local.to_geojson()["features"] == []
    assert_same_answer(feet, local)
    east, north = local.leak.position.easting, local.leak.position.northing
    back_e = 1987800.0 + east * 0.99991323
    back_n = 783200.0 + north * 0.99991323
    assert math.dist((back_e * FT_US, back_n * FT_US), in_metres(feet)) < SETTLED_M


def test_moving_a_local_site_by_whole_kilometres(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    (tmp_path / "b").mkdir()
    here = twin(tmp_path / "a", local_points(), toml=LOCAL)
    moved_by = (5000 / FT_US, -3000 / FT_US)
    there = twin(tmp_path / "b", local_points(*moved_by), toml=LOCAL)
    assert_same_answer(here, there)
    assert in_metres(there) == pytest.approx(
        # Coordinates round elsewhere, and with them where the nodes of the answer are added.
        (in_metres(here)[0] + 5000, in_metres(here)[1] - 3000),
        abs=2 * MM,
    )


TURNED = {"up": "down", "down": "up", "left": "right", "right": "left"}


def test_the_leg_the_other_way_round(feet: Result, tmp_path: Path) -> None:
    points = rows()
    number = {str(101 + k): str(124 - k) for k in range(24)}
    turned = [(number.get(p[0], p[0]), *p[1:]) for p in points]

    def renumber(text: str) -> str:
        out = []
        for line in text.splitlines():
            cells = line.split(",")
            place = cells[2].split(" ")
            place[0] = number.get(place[0], place[0])
            # The other way round, up is down and left is right.
            cells[2] = " ".join(TURNED.get(word, word) for word in place)
            out.append(",".join(cells))
        return "\n".join(out) + "\n"

    back = twin(
        tmp_path,
        as_csv(turned),
        toml={'start = "201"': 'start = "2-2"', 'end = "202"': 'end = "201"', '"2-2"': '"202"'},
        readings=renumber,
    )
    length = feet.legs[0].length_m
    assert back.legs[0].length_m == pytest.approx(length, abs=MM)
    assert back.leak.chainage_m == pytest.approx(length - feet.leak.chainage_m, abs=SETTLED_M)
    assert apart_m(feet, back) < SETTLED_M
    assert back.decision.verdict == feet.decision.verdict
    assert back.decision.chance_in_hole == pytest.approx(feet.decision.chance_in_hole, abs=2e-3)


def test_the_two_feet_are_two_units(feet: Result, tmp_path: Path) -> None:
    # The same figures in international feet on the metre projection scaled: a foot is 2 ppm less,
    # which is 1.2 m at the false easting's distance, while lengths along the pipe hardly change.
    ratio = 0.3048 / FT_US
    assert 1 - ratio == pytest.approx(2e-6, rel=1e-5)
    international = twin(tmp_path, as_csv(rows(), 0.3048, 6), toml={STATE_PLANE_FT: STATE_PLANE_M})
    east, north = in_metres(feet)
    moved = np.hypot(east, north) * (1 - ratio)
    assert moved == pytest.approx(1.302, abs=0.01)
    assert apart_m(feet, international) == pytest.approx(moved, abs=SETTLED_M)
    assert international.leak.chainage_m == pytest.approx(feet.leak.chainage_m, abs=SETTLED_M)


def test_length_unit_is_of_the_lengths_alone(feet: Result, tmp_path: Path) -> None:
    # Every length of this site states its unit, so the bare unit turns nothing but what is printed.
    metres = twin(tmp_path, as_csv(rows()), toml={'length_unit = "ftUS"': 'length_unit = "m"'})
    assert apart_m(feet, metres) < SETTLED_M
    assert_same_answer(feet, metres)
