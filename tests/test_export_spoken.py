"""What a technician reads to the crew."""

from __future__ import annotations

import re

import pytest

from geoleak.export import words
from geoleak.export.ahead import expected, place_of, place_words
from geoleak.export.told import lines
from geoleak.export.words import told, toward
from geoleak.record import replace
from geoleak.result.records import NearMarks, NextReadingSummary
from geoleak.site import Note
from tests.results import (
    EVERY_SITE,
    feet_site,
    hostile_site,
    listen_on_site,
    local_site,
    metric_site,
    with_leak,
)

FOOT_M = 1200 / 3937


def _text(result):
    return " ".join(" ".join(lines(result)).split())


@pytest.mark.parametrize("name", EVERY_SITE)
def test_lines_are_plain_narrow_and_complete(name):
    result = EVERY_SITE[name]()
    printed = lines(result)
    for line in printed:
        assert len(line) <= 100 and line == line.rstrip()
        assert line.isprintable() or line == ""
    text = _text(result)
    assert not re.search(r"\bnan\b|\binf\b|None|\bTrue\b", text)
    for caution in result.cautions:
        assert " ".join(caution.split()) in text
    for warning in result.warnings:
        assert " ".join(warning.text.split()) in text


def test_the_figures_are_those_of_the_result_in_its_own_unit():
    text = _text(feet_site())
    for said in (
        "DIG yard 0+41.3: 91 % in a 5.0 ft hole (3 % that the leak is not on any traced line)",
        "open 2.2 ft from the stake toward the meter and 2.8 ft toward mark 109",
        "depth 3.1 ft down, give or take 0.3",
        "1.9 ft past mark 108 toward mark 109",
        "NOT BEFORE: no locate request is filed",
        "stake N 783295.38 E 1987838.33 ftUS",
        "NAD83(2011) / North Carolina (ftUS); sets out within 0.3 ft",
        "sets out within 0.3 ft",
        "35.902187 -79.041065, within 7 ft at best",
        "if dry 0+47.0 to 0+52.0 (5 % then)",
        "occupy 201 first: it must read within 0.1 ft, or stop",
    ):
        assert said in text
    metric = _text(metric_site())
    for said in (
        "yard 0+012.59",
        "0.67 m from the stake toward the meter and 0.85 m toward mark 109",
        "0.94 m down",
        "N 238748.908 E 605894.335 m",
        "within 2 m at best",
    ):
        assert said in metric
    assert "ft" not in metric.split("stake N")[0]


def test_setting_out_and_phone_accuracy_are_never_rounded_to_better_than_they_are():
    # 0.081 m is 0.2657 ft and 2.0 m is 6.56 ft: rounded up, not to the nearest.
    text = _text(feet_site())
    assert "within 0.3 ft" in text and "within 7 ft" in text
    assert "within 2.0 ft" in _text(with_leak(feet_site(), lonlat_accuracy_m=0.58))
    # 2.2 m is 7.2 ft and 0.1 m is 0.33 ft.
    assert "within 8 ft at best" in _text(with_leak(feet_site(), lonlat_accuracy_m=2.2))
    ellipse = replace(feet_site().leak.setting_out_ellipse_95, semi_major_m=0.1)
    assert "sets out within 0.4 ft" in _text(with_leak(feet_site(), setting_out_ellipse_95=ellipse))


def test_lines_for_a_phone_say_the_same_in_narrow_rows():
    for result in (feet_site(), listen_on_site()):
        narrow = lines(result, width=39)
        assert max(map(len, narrow)) <= 39
        # A terminal's lines have a hundred letters, of which eight are the headings'.
        assert max(map(len, lines(result))) == 100
        assert "        occupy 201 first: it must read within 0.1 ft, or stop" in lines(result)
        told = " ".join(" ".join(narrow[2:]).split())
        assert told == " ".join(" ".join(lines(result)[1:]).split())


def test_a_stake_on_a_mark_is_at_it():
    site = feet_site()
    for past_m, said in ((0.024, "at mark 108"), (0.026, "0.1 ft past mark 108")):
        moved = replace(site, near=replace(site.near, past_m=past_m))
        assert words.near_marks(moved).startswith(said)


def test_listening_on_does_not_say_dig():
    printed = lines(listen_on_site())
    text = _text(listen_on_site())
    assert printed[1].startswith("LISTEN ON: do not dig yet")
    assert not any(line.startswith("DIG") for line in printed)
    for said in (
        "Listen next, the most telling first: one such reading should narrow the search from "
        "25 ft of pipe to about 6 ft",
        "listen 1: surface reading 1.0 ft past mark 109 toward mark 110 (yard 0+43.0) 2: contact "
        "reading at meter MTR1 (yard 0+00.0)",
        'places for readings.csv: 1 "109 up 1.0", 2 "MTR1"',
        "points 900, 901 of stakes.csv, nothing to dig by occupy 201 first: it must read within",
        "best place so far, not to dig: yard 0+41.3, 55 % within 5.0 ft of pipe",
        "While listening: - Start headphones at the lowest volume",
    ):
        assert said in text, said
    heads = [line[:8].strip() for line in printed]
    order = [heads.index(each) for each in ("listen", "rover", "phone", "why", "so far")]
    assert order == sorted(order)
    # Nothing that a crew could dig by.
    position = listen_on_site().leak.position
    for never in (
        f"{position.northing:.2f}", f"{position.easting:.2f}", "stake ", "top of pipe",
        "from the stake", "if dry", "NOT BEFORE", "Before digging", "ties", "tape",
        "protective system",
    ):  # fmt: skip
        assert never not in text.replace("stakes.csv", ""), never


def test_listening_on_with_nowhere_left_to_listen_says_so():
    bare = replace(listen_on_site(), next_readings=(), stakes=(), features=())
    text = _text(bare)
    assert "No reading left would tell more." in text
    assert "best place so far, not to dig" in text and "stakes.csv" not in text


def test_a_dig_that_a_reading_would_pay_for_names_it_and_the_others_do_not():
    ahead = listen_on_site().next_readings
    result = replace(feet_site(), next_readings=ahead)
    assert "1.0 ft past mark 109" not in _text(result)
    pays = replace(result, decision=replace(result.decision, value_of_reading=120.0))
    assert "1: surface reading 1.0 ft past mark 109" in _text(pays)


@pytest.mark.parametrize(
    ("now", "after", "unit", "said"),
    [
        (91.44, 71.9, "ft", "from 300 ft of pipe to about 240 ft"),
        (91.44, 91.0, "ft", ""),
        (2.0, 2.4, "m", ""),
        # A tenth is the least that is worth a word.
        (2.0, 1.81, "m", ""),
        (2.0, 1.79, "m", "narrow the search from 2.0 m of pipe to about 1.8 m"),
        (2.0, 0.84, "m", "from 2.0 m of pipe to about 0.8 m"),
        (0.5, 0.312, "m", "from 0.50 m of pipe to about 0.31 m"),
        (None, 1.9, "m", "should narrow the search to about 1.9 m"),
    ],
)
def test_what_a_reading_brings_is_told_in_two_figures(now, after, unit, said):
    each = NextReadingSummary("surface", "109", "yard", 1.0, after, now)
    assert said in expected(each, unit) and bool(said) is bool(expected(each, unit))


def test_places_are_told_as_a_crew_finds_them():
    result = listen_on_site()

    def told(where, leg="yard"):
        return place_of(NextReadingSummary("surface", where, leg, 13.1, 1.9), result)

    assert told("109 up 1.0") == "1.0 ft past mark 109 toward mark 110"
    assert told("109 down 1.1") == "1.1 ft past mark 109 toward the meter"
    assert told("yard 109 up 1.0") == "1.0 ft past mark 109 of yard toward mark 110"
    assert told("MTR1") == "at meter MTR1" and told("109") == "at mark 109"
    assert told("yard@0+43") == "at yard 0+43.0"
    aside = "to the left as one looks toward mark 110"
    assert told("109 up 1.0 left 3.3") == f"1.0 ft past mark 109 toward mark 110, 3.3 ft {aside}"
    assert told("109 left 3.3") == f"at mark 109, 3.3 ft {aside}"
    assert told("yard@0+43 left 3.3") == f"at yard 0+43.0, 3.3 ft {aside}"


def test_no_limit_is_invented_for_a_check_point():
    result = feet_site()
    stakes = tuple(replace(each, text="") for each in result.stakes)
    assert "must read within" not in _text(replace(result, stakes=stakes))


def test_reasons_are_told_in_the_form_of_every_other_figure():
    assert told("31% at main 0+36.55") == "31 % at main 0+36.5"
    assert told("0+036.554 and 0+99.97") == "0+036.55 and 1+00.0"
    assert told("0+999.997 m") == "1+000.00 m"
    assert told("2 % of 1,234.56; 0+36.5") == "2 % of 1,234.56; 0+36.5"
    result = feet_site()
    decision = replace(result.decision, reasons=("a second place: main 0+36.55 (31%)",))
    assert "a second place: main 0+36.5 (31 %)" in _text(replace(result, decision=decision))


@pytest.mark.parametrize(
    ("chance", "said"),
    [(0.998, "over 99 %"), (0.002, "under 1 %"), (1.0, "100 %"), (0.0, "0 %"), (0.505, "50 %")],
)
def test_a_chance_is_never_told_surer_than_it_is(chance, said):
    result = feet_site()
    result = replace(result, decision=replace(result.decision, chance_in_hole=chance))
    assert f"yard 0+41.3: {said} in a 5.0 ft hole" in _text(result)


def test_what_is_not_known_is_said_or_left_out():
    bare = with_leak(feet_site(depth=False), elevation_m=None, lonlat_accuracy_m=None)
    text = _text(replace(bare, near=None, ties=(), ties_text=(), services=(), not_before=None))
    assert "depth not known: find the pipe by hand before a machine digs" in text
    assert "accuracy not known" in text and "past mark" not in text
    assert "ground at 2" not in text and "NOT BEFORE" not in text and "tapes" not in text
    assert "phone" not in " ".join(lines(local_site()))


def test_a_stake_before_the_first_mark_is_told_so():
    result = replace(feet_site(), near=NearMarks("101", -0.3, None))
    assert "1.0 ft from mark 101, the first, toward the meter" in _text(result)


@pytest.mark.parametrize(
    ("before", "past", "said"),
    [
        (0.671, 0.853, "2.2 ft from the stake toward the meter and 2.8 ft toward mark 109"),
        (0.001, 1.5, "4.9 ft from the stake toward mark 109"),
        (1.5, 0.0, "4.9 ft from the stake toward the meter"),
        (-0.3, 1.5, "1.0 ft to 4.9 ft from the stake toward mark 109"),
    ],
)
def test_the_holes_ends_are_told_from_the_stake(before, past, said):
    result = feet_site()
    hole = replace(result.decision.hole, before_stake_m=before, past_stake_m=past)
    assert f"open {said}" in _text(replace(result, decision=replace(result.decision, hole=hole)))


def test_not_before_is_said_once():
    text = _text(replace(feet_site(), not_before="not before 2026-05-07 08:00"))
    assert "NOT BEFORE 2026-05-07 08:00" in text and text.lower().count("not before") == 1


@pytest.mark.parametrize("inside", [False, True])
def test_a_service_in_the_hole_stands_in_the_box(inside):
    result = feet_site()
    service = replace(result.services[0], in_hole=inside)
    text = _text(replace(result, services=(service,)))
    assert (f"{service.name.upper()} IN THIS HOLE: lay it bare by hand" in text) == inside


@pytest.mark.parametrize(("valve_m", "down"), [(0.95, "the meter"), (1.05, "the valve")])
def test_directions_name_what_can_be_seen(valve_m, down):
    """The nearest fitting, its neighbours within a metre passed over for the far one."""
    result = feet_site()
    meter = next(f for f in result.features if f.kind == "fitting")
    made = {"V1": ("WV", valve_m), "H1": ("HYD", 20.0), "H2": ("HYD", 28.0)}
    more = [
        replace(meter, id=name, properties={"leg": "yard", "code": code, "chainage_m": at_m})
        for name, (code, at_m) in made.items()
    ]
    with_more = replace(result, features=(*result.features, *more))
    assert toward(with_more, "yard", 12.6, up=False) == f"toward {down}"
    assert toward(with_more, "yard", 12.6, up=True) == "toward hydrant H1"
    assert toward(with_more, "yard", 28.5, up=True) == "away from hydrant H2"
    bare = replace(result, features=())
    assert toward(bare, "yard", 12.6, up=True) == "toward the far end of yard"
    assert toward(bare, "yard", 12.6, up=False) == "toward the start of yard"


def test_twelve_notes_are_printed_and_the_rest_counted():
    result = feet_site()
    text = _text(replace(result, warnings=tuple(result.warnings[:1]) * 15))
    assert "and 3 more in result.json" in text


def test_no_spread_is_told_as_none():
    assert "give or take 0.1" in _text(with_leak(feet_site(), depth_sigma_m=0.004))
    assert "give or take 0.01" in _text(with_leak(metric_site(), depth_sigma_m=0.004))


def test_stretches_of_several_legs_name_every_leg():
    pieces = (("yard", 10.0, 12.0), ("branch", 1.0, 2.0))
    text = _text(with_leak(feet_site(), interval_95=pieces))
    assert "yard 0+32.8 to 0+39.4; branch 0+03.3 to 0+06.6" in text


def test_an_assumed_route_is_said():
    result = feet_site()
    legs = (replace(result.legs[0], assumed=True, marks_by="assumed"),)
    assert "route ASSUMED, not traced" in _text(replace(result, legs=legs))


def test_hostile_and_wide_text_stays_on_its_lines():
    escape = hostile_site(code="\x1b[2J\x07")
    wide = replace(escape, site=replace(escape.site, title="漏水" * 80 + "\x1b[31m\r\n"))
    for line in lines(wide):
        assert "\x1b" not in line and "\n" not in line
    assert lines(wide)[0].endswith("run 7f3a91, 2026-05-04")
    # Wide letters fill two columns of a terminal each.
    assert len(lines(wide)[0]) + lines(wide)[0].count("漏") + lines(wide)[0].count("水") <= 100


@pytest.mark.parametrize(
    ("code", "said"),
    [("depth_bare", "depth not sure: unit not stated"), ("depth_other_unit", "is its unit right?")],
)
def test_a_depth_of_a_doubtful_unit_is_no_fact(code, said):
    result = replace(feet_site(), warnings=(Note(code, "depth"),))
    depth = words.depth(result)
    assert said in depth and "give or take" not in depth
    assert "give or take" in words.depth(feet_site())


@pytest.mark.parametrize(
    ("depth_m", "said"),
    [
        (2.99, "2.99 m down, or 0.91 m if the depths are in feet: ask before you open"),
        (30.0, "30.00 m down, or 0.76 m if the depths are in inches: ask before you open"),
        (2.3, "2.30 m down; depth not sure: unit not stated"),
        (9.0, "9.00 m down; depth not sure: unit not stated"),
    ],
)
def test_a_depth_that_is_a_pipe_s_in_another_unit_is_told_in_both(depth_m, said):
    bare = replace(metric_site(), warnings=(Note("depth_bare", "depth"),))
    result = replace(bare, leak=replace(bare.leak, depth_m=depth_m))
    assert words.depth(result) == said
    assert said in " ".join(_text(result).split())


@pytest.mark.parametrize(
    ("where", "at_m", "said"),
    [
        ("101 down 1.0", 0.0, "at the meter"),
        ("101 down 1.0", 0.0061, "at the meter"),
        ("101 down 2.0", -0.3, "2.0 ft past mark 101 toward the meter"),
        ("101 down 2.0", -0.7, "2.0 ft past mark 101 away from hydrant H1"),
        ("102 up 1.0", 19.95, "at hydrant H1"),
        ("102 up 1.0", 19.85, "1.0 ft past mark 102 toward hydrant H1"),
        ("102 up 5.0", 28.5, "5.0 ft past mark 102 toward hydrant H2"),
        ("102 up 1.0", 28.5, "1.0 ft past mark 102 away from hydrant H2"),
    ],
)
def test_no_direction_is_reversed_at_a_leg_s_ends(where, at_m, said):
    """By where the fittings stand: the meter at 0 m, hydrants at 20 and 28 m, nothing beyond."""
    result = feet_site()
    meter = next(f for f in result.features if f.kind == "fitting")
    stands = {"MTR1": ("MTR", 0.0), "H1": ("HYD", 20.0), "H2": ("HYD", 28.0)}
    features = tuple(
        replace(meter, id=name, properties={"leg": "yard", "code": code, "chainage_m": along_m})
        for name, (code, along_m) in stands.items()
    )
    result = replace(result, features=features)
    assert place_words(where, "yard", at_m, result) == said


def test_every_place_along_a_leg_is_told_the_way_it_lies():
    """What one walks toward lies on that side of the mark, what one leaves on the other."""
    result = feet_site()
    stands = {f.id: f.properties["chainage_m"] for f in result.features if f.kind == "mark"}
    stands |= {"the meter": 0.0}
    first, last = min(stands.values()), max(stands.values())
    for mark, at_m in stands.items():
        for step in (0.5, 1.1, 3.0, 8.0):
            for way, sign in (("up", 1.0), ("down", -1.0)):
                there_m = at_m + sign * step * FOOT_M
                if mark == "the meter" or not first <= there_m <= last:
                    continue
                said = place_words(f"{mark} {way} {step}", "yard", there_m, result)
                if said == "at the meter":
                    assert abs(there_m) <= 0.1
                    continue
                _, verb, name = re.split(r" (toward|away from) ", said)
                along = stands[name.removeprefix("mark ")] - at_m
                assert sign * along * (1 if verb == "toward" else -1) > 0, said
