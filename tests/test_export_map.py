"""map.html as text: self-contained, small, the same each time, nothing of the job in it."""

from __future__ import annotations

import base64
import hashlib
import itertools
import json
import re
from html.parser import HTMLParser

import pytest
import shapely.affinity

from geoleak.export.colours import INTERVAL, LEVEL_RAMP, usual_span
from geoleak.export.map import drawn, notebook_html, page_html, page_words, tick_step
from geoleak.export.profile import round_steps, tick_station
from geoleak.export.words import formula_safe, markup_safe
from geoleak.record import replace
from geoleak.units import unit_m
from tests.check_values import check_value
from tests.results import EVERY_SITE, HOSTILE, feet_site, hostile_site, with_leak

MOST_BYTES = 600_000


class Reader(HTMLParser):
    """Collects elements with their attributes, and the text of scripts."""

    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.elements, self.scripts, self.data = [], [], {}
        self.text, self.styles, self._in = "", "", None

    def handle_starttag(self, tag, attrs):
        self.elements.append((tag, dict(attrs)))
        self._in = tag
        if tag == "script" and "type" not in dict(attrs):
            self.scripts.append("")
        elif tag == "script":
            self._in = "data"
            self.data[dict(attrs)["id"]] = ""
            self._id = dict(attrs)["id"]

    def handle_endtag(self, tag):
        self._in = None
        self.text += " "

    def handle_data(self, data):
        if self._in == "script":
            self.scripts[-1] += data
        elif self._in == "style":
            self.styles += data
        elif self._in == "data":
            self.data[self._id] += data
        else:
            self.text += f"{data} "


def _read(page):
    reader = Reader()
    reader.feed(page)
    return reader


@pytest.mark.parametrize("name", EVERY_SITE)
def test_the_page_loads_nothing_and_stays_small(name):
    page = page_html(EVERY_SITE[name]())
    assert len(page.encode()) <= MOST_BYTES
    reader = _read(page)
    for tag, attributes in reader.elements:
        for key in ("src", "href", "srcset", "data", "action", "poster"):
            value = attributes.get(key)
            assert value is None or value.startswith(("data:", "#")), (tag, key, value)
        assert not any(key.startswith("on") for key in attributes), (tag, attributes)
    assert "leaflet" in reader.styles
    assert not re.search(r"@import|url\((?!data:)", reader.styles)
    assert page == page_html(EVERY_SITE[name]())


def test_the_policy_lets_only_the_pages_own_scripts_run():
    page = page_html(feet_site())
    reader = _read(page)
    policy = next(
        attributes["content"]
        for tag, attributes in reader.elements
        if tag == "meta" and attributes.get("http-equiv") == "Content-Security-Policy"
    )
    assert policy.startswith("default-src 'none';")
    assert policy.count("http") == check_value("csp_none_sources").expected
    assert "unsafe-eval" not in policy and "script-src 'unsafe-inline'" not in policy
    assert len(reader.scripts) == 2
    for script in reader.scripts:
        digest = base64.b64encode(hashlib.sha256(script.encode()).digest()).decode()
        assert f"'sha256-{digest}'" in policy


def test_hostile_text_stands_in_the_page_as_text_alone():
    page = page_html(hostile_site())
    assert "<img" not in page.split("<body>")[1].split("<script>")[0]
    reader = _read(page)
    assert HOSTILE in " ".join(reader.text.split())
    assert len(reader.scripts) == 2
    for each in ("window.pwned", "7*7", "<img"):
        assert each not in reader.scripts[1]
    # The data block holds it as JSON in which nothing can end the element.
    assert "<" not in reader.data["drawn"]
    told = json.loads(reader.data["drawn"])["features"]
    assert any(HOSTILE in row[1] for each in told for row in each["properties"]["rows"])


def test_the_job_is_kept_out_of_the_map():
    result = feet_site()
    page = page_html(result)
    for secret in (result.job.number, result.job.address, result.job.technician):
        assert secret not in page


def test_the_head_says_the_answer():
    text = " ".join(_read(page_html(feet_site())).text.split()).replace("\xa0", " ")
    for said in (
        "DIG yard 0+41.3",
        "91 % in a 5.0 ft hole (3 % that the leak is not on any traced line)",
        "NOT BEFORE: no locate request is filed",
        "N 783295.38 E 1987838.33",
        "sets out within 0.3 ft",
        "3.0 ft: 74 %, 4.0 ft: 85 %, 5.0 ft: 91 %, 6.0 ft: 94 %",
        "Call the locate service",
        "gas crosses 1.4 ft from the stake toward mark 109",
    ):
        assert said in text, said


@pytest.mark.parametrize("name", EVERY_SITE)
def test_no_direction_is_a_bare_before_or_past(name):
    reader = _read(page_html(EVERY_SITE[name]()))
    told = reader.text + reader.data["drawn"]
    assert not re.search(r"\b(?:before|past) (?:the stake|it)\b", told)
    for found in re.finditer(r" past mark \w+(?P<rest>.{9})", told):
        assert found["rest"].startswith((" toward", " away")), found[0]


def test_a_result_with_nearly_nothing_in_it_still_makes_a_page():
    result = feet_site(services=False)
    bare = replace(
        with_leak(result, depth_m=None, depth_sigma_m=None, elevation_m=None),
        near=None,
        readings=(),
        warnings=(),
        cautions=(),
        ties=(),
        profile=tuple(
            replace(p, expected_chainage_m=(), expected_db=(), low_db=(), high_db=())
            for p in result.profile
        ),
        features=tuple(f for f in result.features if f.kind in ("stake", "route", "hole")),
        decision=replace(result.decision, then=(), chance_by_length=(), reasons=()),
    )
    text = " ".join(_read(page_html(bare)).text.split())
    assert "Depth not known" in text and "no readings along this leg" in text
    assert not re.search(r"\bnan\b|\bNone\b", text)


def test_a_long_main_stays_small_and_a_network_is_not_ticked_all_over():
    result = feet_site()
    mark = next(f for f in result.features if f.kind == "mark")
    many = [replace(mark, id=f"m{k}") for k in range(1000)]
    page = page_html(replace(result, features=(*result.features, *many)))
    assert len(page.encode()) <= MOST_BYTES and "Mark m999" in page
    route, leg = next(f for f in result.features if f.kind == "route"), result.legs[0]
    names = [f"p{k}" for k in range(20)]
    routes = [replace(route, id=n, properties={**route.properties, "leg": n}) for n in names]
    legs = (*result.legs, *(replace(leg, name=n) for n in names))
    page = page_html(replace(result, features=(*result.features, *routes), legs=legs))
    assert page.count('"sign":"tick"') == page_html(result).count('"sign":"tick"') > 10
    assert all(f"Leg {name}" in page for name in names)


def _network(count, *, heard=True, aside_m=30.0, length_m=200.0):
    """Return the feet site with so many further legs, each aside of the last one."""
    result = feet_site()
    route, leg = next(f for f in result.features if f.kind == "route"), result.legs[0]
    names = [f"p{k}" for k in range(count)]
    routes = [
        replace(
            route,
            id=name,
            grid=shapely.affinity.translate(route.grid, yoff=-(k + 1) * aside_m / unit_m("ftUS")),
            properties={**route.properties, "leg": name},
        )
        for k, name in enumerate(names)
    ]
    listened = [replace(result.readings[0], id=n, leg=n) for n in names] if heard else []
    profiles = [replace(result.profile[0], leg=name) for name in names]
    return replace(
        result,
        features=(*result.features, *routes),
        legs=(*result.legs, *(replace(leg, name=n, length_m=length_m) for n in names)),
        readings=(*result.readings, *listened),
        profile=(*result.profile, *profiles),
    )


def _ticks(result):
    return [each for each in drawn(result) if each["properties"]["sign"] == "tick"]


@pytest.mark.parametrize(("legs", "all_ticked"), [(7, True), (8, False)])
def test_up_to_eight_legs_are_all_ticked(legs, all_ticked):
    one = len(_ticks(feet_site()))
    assert (len(_ticks(_network(legs, heard=False))) > one) == all_ticked


def test_a_network_listened_to_all_over_has_at_most_400_ticks():
    assert len(_ticks(_network(12))) == 400


@pytest.mark.parametrize(("aside_m", "first"), [(0.15, 1), (0.25, 0)])
def test_a_leg_that_starts_on_another_leaves_its_first_station_out(aside_m, first):
    numbers = [each["properties"]["number"] for each in _ticks(_network(1, aside_m=aside_m))]
    assert numbers.count(0) == (0 if first else 2)


@pytest.mark.parametrize("verdict", ["listen_on", "check_first"])
def test_what_could_be_dug_by_is_drawn_to_dig_alone(verdict):
    """Even where a result holds it."""
    dug_by = {"stake", "hole", "tape", "offset"}
    result = feet_site()
    assert dug_by <= {each["properties"]["sign"] for each in drawn(result)}
    other = replace(result, decision=replace(result.decision, verdict=verdict))
    signs = {each["properties"]["sign"] for each in drawn(other)}
    assert not signs & dug_by


def test_six_further_profiles_are_enough():
    words_of = page_words(_network(9), drawn(_network(9)))
    assert len(words_of["profiles"]["first"]) == 1 and len(words_of["profiles"]["others"]) == 6


def test_a_notebook_gets_the_page_in_a_frame():
    frame = notebook_html(hostile_site())
    reader = _read(frame)
    ((tag, attributes),) = reader.elements
    assert tag == "iframe" and "allow-same-origin" not in attributes["sandbox"]
    assert attributes["srcdoc"] == page_html(hostile_site())


def _lightness(colour):
    """Return relative luminance (WCAG 2.2, definition of relative luminance)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def test_colours_keep_their_order_in_grey_and_for_colour_blind_readers():
    """Each step differs from the next by a contrast of 1.4 and more, whatever its hue."""
    for ramp in (LEVEL_RAMP, [INTERVAL[95], INTERVAL[80], INTERVAL[50]]):
        steps = [_lightness(each) for each in ramp]
        for lighter, darker in itertools.pairwise(steps):
            assert (lighter + 0.05) / (darker + 0.05) >= 1.4


def test_a_stray_level_does_not_take_the_colours_from_the_others():
    levels = [20.0 + k for k in range(12)]
    assert usual_span(levels) == (20.0, 31.0)
    assert usual_span([*levels, -39.0]) == (20.0, 31.0)
    assert usual_span([24.0, 40.0]) == (24.0, 40.0)
    assert usual_span([25.0]) == (25.0, 25.0) and usual_span([]) is None


@pytest.mark.parametrize(
    ("low", "high", "most", "steps"),
    [
        (0, 10, 5, [0, 2, 4, 6, 8, 10]),
        (17.2, 22.9, 5, [18, 20, 22]),
        (-0.3, 0.35, 4, [-0.2, 0.0, 0.2]),
        (5, 5, 4, [5]),
    ],
)
def test_axes_are_marked_at_round_values(low, high, most, steps):
    assert round_steps(low, high, most) == pytest.approx(steps)


def test_ticks_read_as_stations():
    assert tick_station(40, "ft") == "0+40"
    assert tick_station(100, "ftUS") == "1+00"
    assert tick_station(7.5, "ft") == "0+07.5"
    assert tick_station(1005, "m") == "1+005"
    assert [tick_step(v) for v in (90, 300, 410, 1000, 5000)] == [5, 10, 20, 25, 200]


def test_every_dangerous_character_becomes_a_number():
    assert markup_safe("&<>\"'`\\${}") == ("&#38;&#60;&#62;&#34;&#39;&#96;&#92;&#36;&#123;&#125;")
    assert markup_safe("a\x00b\u2028c\nd") == "a b c d"
    assert markup_safe("Straße 漏水") == "Straße 漏水"


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t=", "\r@"])
def test_no_field_starts_as_a_formula(start):
    assert formula_safe(f"{start}1+1").startswith("'")
    assert formula_safe("a=1") == "a=1"
