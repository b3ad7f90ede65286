"""Places in every form land where arithmetic puts them; many legs give the answers of a loop."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from geoleak.errors import InputError, Origin
from geoleak.linref import Route
from geoleak.record import replace
from geoleak.route import Drawing, drawn_fit
from geoleak.site import Leg, Place
from geoleak.survey.build import survey_site
from geoleak.survey.places import PlaceFinder, Resolved, found_places, on_a_leg, past_ends_m
from geoleak.survey.records import SurveyedLeg
from tests.command import at_length
from tests.lane import FOOT, TOML, lane, readings
from tests.site_folders import site_of

# The leg starts at the meter, 5 ft before the first mark.
FORMS = {
    "104": 25.0,
    "104 up 1.5": 26.5,
    "104 down 18 in": 23.5,
    "lane 104": 25.0,
    "lane 104 up 2": 27.0,
    "lane@41.5": 41.5,
    "lane@0+41.5": 41.5,
    "E 1012.25 N 500.75": 17.25,
    "N 499 E 1060": 65.0,
    "202": 105.0,
}


@pytest.mark.parametrize(("text", "feet"), FORMS.items())
def test_a_place_lands_where_it_should(tmp_path: Path, text: str, feet: float) -> None:
    found = lane(tmp_path, readings=readings(f"1,surface,{text},30")).surface
    assert found.chainage_m[0] == pytest.approx(feet * FOOT, abs=1e-6)
    east, north = (995.0 + feet) * FOOT, 500.0 * FOOT
    if text.startswith(("E", "N", "202")):
        off = {"E": -0.75, "N": 1.0, "2": -0.5}[text[0]]  # right is positive; the lane runs east
        assert found.offset_m[0] == pytest.approx(off * FOOT, abs=1e-6)
        north -= off * FOOT
    assert (found.easting_m[0], found.northing_m[0]) == pytest.approx((east, north), abs=1e-6)


def test_longitude_and_latitude(tmp_path: Path) -> None:
    site = site_of(tmp_path)
    survey = survey_site(site)
    mark = survey.points[1]
    lon, lat = survey.frame.to_lonlat(mark.easting_m, mark.northing_m)
    sheet = f"reading,kind,place,level\n1,surface,lat {lat:.9f} lon {lon:.9f},30\n"
    found = survey_site(site_of(tmp_path, {"readings.csv": sheet})).surface
    assert found.easting_m[0] == pytest.approx(mark.easting_m, abs=1e-3)
    assert found.northing_m[0] == pytest.approx(mark.northing_m, abs=1e-3)


def test_a_mark_of_the_leg_is_never_beyond_the_gate(tmp_path: Path) -> None:
    """Mark 110 was painted 9 ft aside, over another line: its reading counts, and it is named."""
    sheet = readings("A,surface,110,31", "B,surface,104,30")
    toml = TOML.replace('code = "WL"', 'points = "100-109, 150, 111-120"')
    survey = lane(
        tmp_path, toml=toml, more=("150,1050,509,100,WL",), readings=sheet.replace("110,", "150,")
    )
    assert survey.surface.offset_m[0] == pytest.approx(-9 * FOOT, abs=0.05)
    assert any("mark 150 lies" in each.text for each in survey.warnings)


def test_beyond_the_gate_is_refused_with_what_would_help(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        lane(tmp_path, readings=readings("A,surface,E 1010 N 519,30", "B,surface,104,31"))
    (said,) = caught.value.lines()
    assert "readings.csv:2" in said
    assert 'reading A at "E 1010 N 519" is 19.0 ft from the nearest leg "lane"' in said
    assert "widen gate (6.0 ft)" in said


def test_off_the_end_of_a_leg(tmp_path: Path) -> None:
    with pytest.raises(InputError) as caught:
        lane(tmp_path, readings=readings("A,surface,lane@112,30"))
    (said,) = caught.value.lines()
    assert '"lane@112" is at 112.0 ft of leg "lane", which is 105.0 ft long' in said
    assert "shoot a mark there and make it the leg's start or end" in said


@pytest.mark.parametrize(
    ("place", "past_m"),
    [("120 up 0.25 m", 0.0), ("120 up 0.35 m", 0.35), ("120 up 2.45 m", 2.45), ("lane@106", 0.0)],
)
def test_a_step_on_from_the_end_s_mark_is_past_the_end(tmp_path, place: str, past_m: float) -> None:
    survey = lane(tmp_path, readings=readings(f"A,surface,{place},30", "B,surface,104,31"))
    long = survey.legs[0].route.length_m
    assert survey.surface.chainage_m[0] == pytest.approx(long, abs=1e-6)
    assert past_ends_m(survey, survey.surface) == pytest.approx([past_m, 0.0], abs=1e-6)


@pytest.mark.parametrize("place", ["120 up 2.55 m", "201 down 2.55 m", "lane@107"])
def test_farther_past_an_end_it_is_refused(tmp_path: Path, place: str) -> None:
    with pytest.raises(InputError, match=r"which is 105\.0 ft long"):
        lane(tmp_path, readings=readings(f"A,surface,{place},30", "B,surface,104,31"))


@pytest.mark.parametrize(("aside_m", "on"), [(4.9, True), (5.1, False)])
def test_a_leak_found_past_five_metres_was_on_no_leg(
    tmp_path: Path, aside_m: float, on: bool
) -> None:
    survey = lane(tmp_path, found=f"outcome,place\nleak,104 right {aside_m} m\n")
    ((_, place),) = found_places(survey, survey.site.found)
    assert on_a_leg(place) == on


# A hairpin: out along 500, back along 504; nearly as close means within 1 m (3.3 ft).
HAIRPIN = TOML.replace('start = "201"\n', 'order = "number"\n')
BACK = tuple(f"{121 + k},{1100 - 5 * k},504,100,WL" for k in range(21))


def test_a_rival_is_flagged_at_a_hairpin(tmp_path: Path) -> None:
    sheet = readings("A,surface,E 1050 N 501.5,30", "B,surface,E 1050 N 499,30", "C,surface,110,30")
    survey = lane(tmp_path, toml=HAIRPIN, more=BACK, readings=sheet)
    found = survey.surface
    whole = survey.legs[0].route.length_m
    assert found.rival_leg.tolist() == [0, -1, -1]
    assert found.chainage_m[0] == pytest.approx(50 * FOOT, abs=0.05)
    # The other arm stands as far from the leg's end as this one from its start.
    assert found.rival_chainage_m[0] == pytest.approx(whole - 50 * FOOT, abs=0.1)
    # Said once, of the first, however many there are.
    rows = [f"{k},surface,E {1050 + k} N 501.5,30" for k in range(22)]
    for told, said in (("", sheet), (", and so for 21 more", readings(*rows))):
        place = tmp_path / f"of{len(told)}"
        place.mkdir()
        survey = lane(place, toml=HAIRPIN, more=BACK, readings=said)
        (note,) = (w for w in survey.warnings if w.code == "two_pipes_near")
        assert 'at "E 1050 N 501.5" was put on leg "lane" at 50.' in note.text
        assert f"nearly as close{told}; name the leg" in note.text


def drawn_legs(lines: list[np.ndarray]) -> tuple[SurveyedLeg, ...]:
    say = Drawing(sigma_m=1.0, depth_m=1.0, depth_sigma_m=0.3)
    return tuple(
        SurveyedLeg(k, Leg(name=f"L{k}", mark_ids=()), drawn_fit(line, say))
        for k, line in enumerate(lines)
    )


def looped(legs: tuple[SurveyedLeg, ...], at: np.ndarray, within: float) -> Resolved:
    """Return the nearest place and its rival, leg by leg, as the definition has it."""
    best: Resolved | None = None
    rivals = []
    for leg in legs:
        snap = leg.route.snap(at, rival_within_m=within)
        found = Resolved(*at.tolist(), leg.number, snap.chainage_m, snap.offset_m, snap.distance_m)
        rivals.append((snap.distance_m, leg.number, snap.chainage_m))
        if np.isfinite(snap.rival_chainage_m):
            rivals.append((snap.distance_m, leg.number, snap.rival_chainage_m))
        if best is None or found.distance_m < best.distance_m - 1e-9:
            best = found
    assert best is not None
    for distance, number, chainage in sorted(rivals):
        if (number, chainage) == (best.leg, best.chainage_m):
            continue
        if distance > best.distance_m + within:
            break
        here = legs[best.leg].route.position(best.chainage_m)
        there = legs[number].route.position(chainage)
        if number == best.leg or np.hypot(*(here - there)) > 2.0 * within:
            return replace(best, rival_leg=number, rival_chainage_m=chainage)
    return best


@at_length("seed", [0], [1])
def test_many_legs_answer_as_a_loop_over_them(seed: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(seed)
    lines = []
    for _ in range(24):
        start, heading = rng.uniform(0, 40, 2), rng.uniform(0, 6.3)
        turns = heading + np.cumsum(rng.normal(0, 0.4, 12))
        steps = rng.uniform(2, 8, 12)[:, None] * np.column_stack([np.cos(turns), np.sin(turns)])
        lines.append(np.concatenate([[start], start + np.cumsum(steps, axis=0)]))
    for k in range(8):  # branches that begin on another line: a joint is no rival of itself
        other = Route.from_vertices(lines[k])
        foot = other.position(rng.uniform(0, other.length_m))
        lines.append(
            np.array([foot, foot + rng.uniform(-15, 15, 2), foot + rng.uniform(-25, 25, 2)])
        )
    legs = drawn_legs(lines)
    survey = lane(tmp_path)
    finder = PlaceFinder(frame=survey.frame, legs=legs, points={}, length_unit="m")
    points = np.concatenate([rng.uniform(-5, 45, (60, 2)), [line[0] for line in lines],
                             [line[5] + rng.normal(0, 0.3, 2) for line in lines[:24]]])  # fmt: skip
    together = finder.snap_many(points)
    flagged = 0
    for at, found in zip(points, together, strict=True):
        wanted = looped(legs, at, 1.0)
        assert (found.leg, found.rival_leg) == (wanted.leg, wanted.rival_leg)
        assert found.chainage_m == pytest.approx(wanted.chainage_m, abs=1e-8)
        assert found.distance_m == pytest.approx(wanted.distance_m, abs=1e-8)
        assert found.offset_m == pytest.approx(wanted.offset_m, abs=1e-8)
        if wanted.rival_leg >= 0:
            assert found.rival_chainage_m == pytest.approx(wanted.rival_chainage_m, abs=1e-8)
            flagged += 1
        # As texts: without a rival its chainage is NaN, which is no equal of itself from 3.13 on.
        assert repr(finder.snap(*at.tolist())) == repr(found)
    assert 5 < flagged < len(points) - 5


def test_places_are_snapped_in_one_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    survey = lane(tmp_path)
    finder = PlaceFinder(frame=survey.frame, legs=survey.legs, points={}, length_unit="ft")
    places = [Place("grid", "", easting=1000.0 + k, northing=500.0) for k in range(50)]
    finder.prepare(places)

    def again(*_: object) -> None:
        raise AssertionError("snapped again")

    monkeypatch.setattr(finder, "snap_many", again)
    for k, place in enumerate(places):
        found = finder.find(place, Origin("readings.csv", k + 2))
        assert found is not None
        assert found.chainage_m == pytest.approx((5.0 + k) * FOOT, abs=1e-6)
