"""Places in every form a sheet may use, there and back."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from geoleak.readers.numbers import PlaceReader
from geoleak.site import Place
from geoleak.units import unit_m
from tests.check_values import check_value
from tests.command import SIGNS

POINTS = ("101", "107", "MTR1", "12 A", "E1")
LEGS = ("yard", "yard east", "main")


def reader(unit: str = "ft") -> PlaceReader:
    return PlaceReader(points=POINTS, legs=LEGS, unit=unit, on_legs={"101": ("yard", "main")})


FOOT = 0.3048


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("107", {"kind": "point", "point": "107"}),
        (" 107 ", {"kind": "point", "point": "107"}),
        ("12 A", {"kind": "point", "point": "12 A"}),
        ("107 up 1.5", {"kind": "point", "point": "107", "up_m": 1.5 * FOOT}),
        ("107 down 1.5", {"kind": "point", "point": "107", "up_m": -1.5 * FOOT}),
        ("107 down 0.5 m", {"kind": "point", "point": "107", "up_m": -0.5}),
        ("107 right 1", {"kind": "point", "point": "107", "aside_m": FOOT}),
        ("107 left 2 m", {"kind": "point", "point": "107", "aside_m": -2.0}),
        ("107 up 1 left 2", {"kind": "point", "point": "107", "up_m": FOOT, "aside_m": -2 * FOOT}),
        ("107 left 2 up 1", {"kind": "point", "point": "107", "up_m": FOOT, "aside_m": -2 * FOOT}),
        (
            "yard@41.5 left 3 ft",
            {"kind": "leg", "leg": "yard", "chainage_m": 41.5 * FOOT, "aside_m": -3 * FOOT},
        ),
        ("yard 107 right 1", {"kind": "point", "leg": "yard", "point": "107", "aside_m": FOOT}),
        ("12 A up 2'6\"", {"kind": "point", "point": "12 A", "up_m": 2.5 * FOOT}),
        ("yard 107", {"kind": "point", "leg": "yard", "point": "107"}),
        ("yard east 107 up 1", {"kind": "point", "leg": "yard east", "point": "107", "up_m": FOOT}),
        ("main 101", {"kind": "point", "leg": "main", "point": "101"}),
        ("yard@41.5", {"kind": "leg", "leg": "yard", "chainage_m": 41.5 * FOOT}),
        ("yard east@0+41.5", {"kind": "leg", "leg": "yard east", "chainage_m": 41.5 * FOOT}),
        ("yard @ 1+41.5", {"kind": "leg", "leg": "yard", "chainage_m": 141.5 * FOOT}),
        ("yard@12.6 m", {"kind": "leg", "leg": "yard", "chainage_m": 12.6}),
        ("E 1234.5 N 6789.0", {"kind": "grid", "easting": 1234.5, "northing": 6789.0}),
        ("N 6789 E 1234.5", {"kind": "grid", "easting": 1234.5, "northing": 6789.0}),
        ("lat 35.9 lon -79.0", {"kind": "lonlat", "easting": -79.0, "northing": 35.9}),
        ("lat 35°30'N lon 79°W", {"kind": "lonlat", "easting": -79.0, "northing": 35.5}),
    ],
)
def test_every_form(text: str, expected: dict[str, object]) -> None:
    place = reader().read(text)
    for name in ("kind", "point", "leg", "up_m", "chainage_m", "easting", "northing", "aside_m"):
        default: object = 0.0 if name == "up_m" else None
        wanted = expected.get(name, default)
        found = getattr(place, name)
        assert found == (pytest.approx(wanted) if isinstance(wanted, float) else wanted), name
    assert place.text == " ".join(text.split())


def test_survey_feet_and_metre_stations() -> None:
    foot = check_value("reader_us_survey_foot_m").expected
    assert reader("ftUS").read("yard@1+00").chainage_m == pytest.approx(100 * foot, abs=1e-12)
    assert reader("m").read("yard@0+041.5").chainage_m == 41.5


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "missing"),
        ("108", "shoot it, or correct the number"),  # 101 and 107 are as near
        ("1033", "shoot it"),
        ("MTR2", 'did you mean "MTR1"'),
        ("101", '"101" is a mark of "yard" and of "main"; write "yard 101"'),
        ("101 up 2", 'write "yard 101 up 2"'),
        ("yrad 107", 'did you mean "yard"'),
        ("yard 999", 'no point "999"'),
        ("yrad@5", 'did you mean "yard"'),
        ("yard@", "not a length"),
        ("yard@nan", "not a length"),
        ("yard@0+141.5", "less than 100"),
        ("yard@1e99", "no chainage"),
        ("107 up", "not a place"),
        ("107 up -2", "below zero"),
        ("107 up 5000", "nearer mark"),
        ("107 up two", "not a length"),
        ("107 right -1", "left or right"),
        ("107 right 1 left 1", "moved twice"),
        ("MTR right 1", 'did you mean "MTR1"'),
        ("E 1234 N x", "not a number"),
        ("E inf N 5", "not a finite"),
        ("lat 95 lon 5", "within 90"),
        ("between the tree and the shed", "not a place"),
        ("<script>", "no point"),
    ],
)
def test_what_is_no_place(text: str, words: str) -> None:
    with pytest.raises(ValueError, match=r".+") as caught:
        reader().read(text)
    assert words in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_sheet_of_decimal_commas() -> None:
    place = reader().read("E 1234,5 N 6789,25", decimal=",")
    assert (place.easting, place.northing) == (1234.5, 6789.25)
    assert reader().read("107 up 1,5", decimal=",").up_m == pytest.approx(1.5 * FOOT)
    with pytest.raises(ValueError, match="decimal point"):
        reader().read("E 1234.5 N 6789", decimal=",")


units = st.sampled_from(["m", "ft", "ftUS"])
metres = st.floats(0.001, 900, allow_nan=False)
coordinates = st.floats(-1e7, 1e7, allow_nan=False).filter(lambda v: "e" not in repr(v))


def place_text(place: Place, *, unit: str) -> str:
    """Return a place as a sheet may write it."""
    if place.kind == "grid":
        return f"E {place.easting} N {place.northing}"
    if place.kind == "lonlat":
        return f"lat {place.northing} lon {place.easting}"
    if place.kind == "leg":
        text = f"{place.leg}@{(place.chainage_m or 0.0) / unit_m(unit)}"
    else:
        text = f"{place.leg} {place.point}" if place.leg else str(place.point)
    moves = (("up", "down", place.up_m), ("right", "left", place.aside_m or 0.0))
    for plus, minus, metres in moves:
        if metres:
            text += f" {plus if metres > 0 else minus} {abs(metres) / unit_m(unit)}"
    return text


@st.composite
def places(draw: st.DrawFn) -> Place:
    kind = draw(st.sampled_from(["point", "leg", "grid", "lonlat"]))
    if kind == "grid":
        return Place("grid", "", easting=draw(coordinates), northing=draw(coordinates))
    if kind == "lonlat":
        lon = draw(st.floats(-180, 180).filter(lambda v: "e" not in repr(v)))
        lat = draw(st.floats(-90, 90).filter(lambda v: "e" not in repr(v)))
        return Place("lonlat", "", easting=lon, northing=lat)
    if kind == "leg":
        return Place("leg", "", leg=draw(st.sampled_from(LEGS)), chainage_m=draw(metres))
    point = draw(st.sampled_from(POINTS))
    leg = draw(st.sampled_from(LEGS)) if point == "101" or draw(st.booleans()) else None
    up, aside = (draw(st.one_of(st.just(0.0), metres, metres.map(lambda v: -v))) for _ in "ab")
    return Place("point", "", point=point, leg=leg, up_m=up, aside_m=aside or None)


@given(place=places(), unit=units)
def test_a_place_written_and_read_is_the_same_place(place: Place, unit: str) -> None:
    back = reader(unit).read(place_text(place, unit=unit))
    assert (back.kind, back.point, back.leg) == (place.kind, place.point, place.leg)
    assert (back.easting, back.northing) == (place.easting, place.northing)
    assert back.up_m == pytest.approx(place.up_m, rel=1e-12)
    assert back.aside_m == (place.aside_m and pytest.approx(place.aside_m, rel=1e-12))
    if place.chainage_m is not None:
        assert back.chainage_m == pytest.approx(place.chainage_m, rel=1e-12)


@given(text=st.text(SIGNS, max_size=30))
def test_no_text_breaks_the_reader_or_gives_a_number_that_is_none(text: str) -> None:
    try:
        place = reader().read(text)
    except ValueError:
        return
    for value in (place.up_m, place.chainage_m, place.easting, place.northing):
        assert value is None or abs(value) < unit_m("m") * 1e12
