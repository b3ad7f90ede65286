"""Limits of survey, stake and pictures: each with a case on either side."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest
import shapely

from geoleak.errors import InputError, did_you_mean
from geoleak.export import words
from geoleak.export.drawing import Picture
from geoleak.export.map import _stations
from geoleak.export.plan import _Sketch
from geoleak.record import replace
from geoleak.result import Feature
from geoleak.stake import work
from geoleak.survey import survey_site
from tests.results import metric_site
from tests.site_folders import TOML, site_of, toml_with
from tests.test_survey_legs import SHOWN, lane
from tests.test_survey_network import E, N, write

LOCAL = toml_with("EPSG:6543", "local")  # feet of 0.3048006 m


@pytest.mark.parametrize(("count", "offered"), [(20_000, True), (20_001, False)])
def test_of_so_many_words_one_is_offered(count: int, offered: bool) -> None:
    known = ["yard", *(f"{k:09d}" for k in range(count - 1))]
    assert bool(did_you_mean("yrad", known)) == offered


# --- survey ----------------------------------------------------------------------------------


@pytest.mark.parametrize(("keyed_ft", "said"), [(105.95, False), (106.02, True)])
def test_a_screen_is_corrected_where_the_leak_moves_a_hand(
    tmp_path: Path, keyed_ft: float, said: bool
) -> None:
    # The pipe has 105 ft; half the difference, 0.145 or 0.155 m, is what the leak moves by.
    notes = lane(tmp_path, delays=SHOWN.format(keyed_ft)).warnings
    assert ("shown_length" in {each.code for each in notes}) == said


@pytest.mark.parametrize(
    ("marks", "apart_m", "said"), [(5, 0.44, True), (5, 0.46, False), (4, 0.44, False)]
)
def test_marks_closer_than_anybody_paints_them(
    tmp_path: Path, marks: int, apart_m: float, said: bool
) -> None:
    step = apart_m / (1200 / 3937)
    rows = "".join(f"{101 + k},1000,{2000 + k * step:.4f},,WL\n" for k in range(marks))
    files = {**LOCAL, "points.csv": rows + "201,990,2000,,MTR\n", "readings.csv": "place,level\n"}
    notes = survey_site(site_of(tmp_path, files)).warnings
    assert ("marks_close" in {each.code for each in notes}) == said


@pytest.mark.parametrize(("crs", "asked"), [("local", "(length_unit)"), ("EPSG:6543", "(crs)")])
@pytest.mark.parametrize(("order", "turn"), [("number", 1), ("found", 4)])
def test_marks_that_close_are_asked_for_what_states_their_unit_once(
    tmp_path: Path, crs: str, asked: str, order: str, turn: int
) -> None:
    rows = "".join(f"{101 + k},783300,{1987800 + k * turn % 9},,WL\n" for k in range(9))
    toml = TOML.replace("EPSG:6543", crs).replace('start = "201"', f'order = "{order}"')
    files = {"site.toml": toml, "points.csv": rows, "readings.csv": "place,level\n"}
    notes = survey_site(site_of(tmp_path, files)).warnings
    said = [each.text for each in notes if "unit of their coordinates" in each.text]
    assert len(said) == 1 and asked in said[0]


@pytest.mark.parametrize(("away_m", "fits"), [(98.0, True), (102.0, False)])
def test_water_surfaces_at_most_so_far_from_a_leg(
    tmp_path: Path, away_m: float, fits: bool
) -> None:
    # Square to the leg, which runs 3 ft east and 4 ft north from mark to mark.
    off = away_m / (1200 / 3937)
    place = f"E {1987803 + 0.8 * off:.2f} N {783304 - 0.6 * off:.2f}"
    site = site_of(tmp_path, {**LOCAL, "sightings.csv": f"place,what\n{place},wet\n"})
    if fits:
        assert len(survey_site(site).sightings) == 1
    else:
        with pytest.raises(InputError, match="from the nearest leg"):
            survey_site(site)


@pytest.mark.parametrize(("away_m", "said"), [(4950, False), (5050, True)])
def test_a_drawing_so_far_from_the_points_is_of_another_place(
    tmp_path: Path, away_m: int, said: bool
) -> None:
    from geoleak.readers import read_site

    points = f"1,{E + 100},{N + 90 + away_m},,\n"  # north of the drawing's last vertex
    notes = survey_site(read_site(write(tmp_path, points=points))).warnings
    assert ("network_far" in {each.code for each in notes}) == said


# --- stake and pictures ----------------------------------------------------------------------


@pytest.mark.parametrize(("away_m", "found"), [(1.95, "grass"), (2.05, None)])
def test_the_surface_of_a_reading_so_near_is_the_stake_s(away_m: float, found: str | None) -> None:
    rows = SimpleNamespace(surface=("grass",), easting_m=[away_m], northing_m=[0.0])
    stakeout = SimpleNamespace(survey=SimpleNamespace(surface=rows), place_m=(0.0, 0.0))
    assert work.Stakeout._surface.fget(stakeout) == found


def fitting(name: str, code: str, chainage_m: float) -> SimpleNamespace:
    held = {"code": code, "leg": "yard", "chainage_m": chainage_m}
    return SimpleNamespace(kind="fitting", id=name, properties=held)


@pytest.mark.parametrize(
    ("place_m", "at_m", "named"),
    [
        (0.0, 10.95, "hydrant"),
        (0.0, 11.05, "valve"),
        (9.91, 20.0, "hydrant"),  # the place is the valve's own
        (9.89, 20.0, "valve"),
    ],
)
def test_of_fittings_so_near_together_the_far_one_names_the_way(
    place_m: float, at_m: float, named: str
) -> None:
    features = (fitting("V1", "WV", 10.0), fitting("H1", "HYD", at_m))
    result = SimpleNamespace(features=features)
    assert words.toward(result, "yard", place_m, up=True) == f"toward the {named}"


@pytest.mark.parametrize(("third", "east"), [(7.9, 1.95), (8.1, 0.0)])
def test_a_tie_so_much_longer_than_the_second_is_left_off_the_plan(
    third: float, east: float
) -> None:
    drawn = metric_site()
    stake = drawn.leak.position
    ends = [(3.0, 0.0), (0.0, 4.0), (third, 0.0)]
    ties = tuple(
        Feature("tie", f"tie-{k}", shapely.LineString([
            (stake.easting, stake.northing), (stake.easting + e, stake.northing + n)
        ]), None)
        for k, (e, n) in enumerate(ends)
    )  # fmt: skip
    sketch = _Sketch(replace(drawn, features=ties), Picture(500.0, 500.0), 8.0)
    sketch.fit()
    # The middle of what is drawn; 4 m about the stake are.
    assert sketch.east - stake.easting == pytest.approx(east)


def ticks(legs: list[shapely.LineString], heard: tuple[str, ...] = ()) -> list[dict]:
    """Return the ticks of legs named by number, the leak on the first."""
    result = SimpleNamespace(
        features=[SimpleNamespace(kind="route", id=str(k), properties={}, grid=line)
                  for k, line in enumerate(legs)],
        legs=[SimpleNamespace(name=str(k), length_m=line.length) for k, line in enumerate(legs)],
        readings=[SimpleNamespace(leg=each) for each in heard],
        leak=SimpleNamespace(leg="0", position=SimpleNamespace(unit="m")),
        site=SimpleNamespace(length_unit="m"),
    )  # fmt: skip
    return list(_stations(result, lambda route: route.grid))


def line(east: float, north: float, length: float = 10.0) -> shapely.LineString:
    return shapely.LineString([(east, north), (east + length, north)])


@pytest.mark.parametrize(("legs", "ticked"), [(8, 8), (9, 1)])
def test_of_more_legs_only_those_listened_to_are_ticked(legs: int, ticked: int) -> None:
    found = ticks([line(0.0, 100.0 * k) for k in range(legs)])
    assert len(found) == 3 * ticked  # every 5 m of 10


def test_a_map_has_so_many_ticks_at_most() -> None:
    found = ticks([line(0.0, 100.0 * k, 195.0) for k in range(12)], tuple(map(str, range(12))))
    assert len(found) == 400  # of 12 times 40


@pytest.mark.parametrize(("apart_m", "first"), [(0.19, False), (0.21, True)])
def test_a_leg_that_starts_on_another_has_no_tick_at_its_start(apart_m: float, first: bool) -> None:
    branch = shapely.LineString([(4.0, apart_m), (4.0, 10.0 + apart_m)])
    found = ticks([line(0.0, 0.0), branch])
    assert len(found) == 3 + 2 + first
