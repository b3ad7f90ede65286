"""map.html in a real browser: no network, clean console, layers, pop-ups, hostile text, print."""

from __future__ import annotations

import base64
import itertools
import json
import time

import pytest

from geoleak.export.map import page_html, write_map
from tests import browser
from tests.command import at_length
from tests.results import EVERY_SITE, check_site, feet_site, listen_on_site

pytestmark = [
    pytest.mark.browser,
    pytest.mark.skipif(not (browser.CHROMIUM and browser.DRIVER), reason=browser.MISSING),
]
PHONE, DESK = (390, 844), (1280, 800)
SITES = EVERY_SITE | {"check_first": check_site}
NOT_TO_DIG = {"listen_on": 2, "check_first": 3}
"""Sites without a stake -> how many places to go to next."""
EACH_ONCE = [(name, (PHONE, DESK)[k % 2]) for k, name in enumerate(SITES)]
EVERY = [(name, size) for name in SITES for size in (PHONE, DESK)]
OPENED = [each for each in EACH_ONCE if each[0] not in ("metric", "check_first")]
UNLIKE = [("feet", PHONE), ("listen_on", DESK), ("hostile", PHONE)]
FIRST = [("feet", PHONE), ("feet", DESK), ("listen_on", PHONE), ("check_first", PHONE)]
ALLOWED = ("file:", "data:", "blob:", "about:", "chrome:", "chrome-untrusted:")


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    folder = tmp_path_factory.mktemp("maps")
    return {name: write_map(build(), folder / f"{name}.html") for name, build in SITES.items()}


EVERY_POPUP = """
const panBy = L.Map.prototype.panBy;
L.Map.prototype.panBy = function (by) { return panBy.call(this, by, {animate: false}); };
const map = document.querySelector('.folium-map');
map.scrollIntoView();
const area = map.getBoundingClientRect();
const middle = {clientX: area.left + area.width / 2, clientY: area.top + area.height / 2};
const signs = document.querySelectorAll('.leaflet-pane .leaflet-interactive');
return [...signs].map(sign => {
  sign.dispatchEvent(new MouseEvent('click', {bubbles: true, view: window, ...middle}));
  const popup = document.querySelector('.leaflet-popup');
  if (!popup) { return {title: sign.outerHTML, missing: true}; }
  const box = popup.querySelector('.leaflet-popup-content-wrapper').getBoundingClientRect();
  const cells = [...popup.querySelectorAll('dd, dt, h2')];
  const shut = popup.querySelector('.leaflet-popup-close-button').getBoundingClientRect();
  const spots = [[box.left + 9, box.top + 9], [box.right - 9, box.bottom - 9],
    [box.left + 9, box.bottom - 9], [shut.left + shut.width / 2, shut.top + shut.height / 2]];
  const seen = {
    title: popup.querySelector('h2').textContent,
    narrowest: Math.min(...[...popup.querySelectorAll('dd')].map(each => each.offsetWidth)),
    share: box.height / area.height,
    inside: box.left >= area.left && box.right <= area.right
      && box.top >= area.top && box.bottom <= area.bottom,
    free: spots.every(at => popup.contains(document.elementFromPoint(...at))),
    cut: cells.some(each => each.scrollWidth > each.clientWidth + 1),
  };
  document.dispatchEvent(new KeyboardEvent('keydown', {key: 'Escape', bubbles: true}));
  seen.open = document.querySelectorAll('.leaflet-popup-content').length;
  seen.back = document.activeElement === sign;
  return seen;
});
"""


def _open(driver, page, size=DESK):
    browser.size(driver, *size)
    driver.get(page.as_uri())


def _requests(driver):
    found = []
    for entry in driver.get_log("performance"):
        message = json.loads(entry["message"])["message"]
        if message["method"] == "Network.requestWillBeSent":
            found.append(message["params"]["request"]["url"])
    return found


def _console(driver):
    return [entry["message"] for entry in driver.get_log("browser")]


def _count(driver, css):
    return driver.execute_script(f"return document.querySelectorAll({json.dumps(css)}).length")


ON_TOP = """
const every = [...document.querySelectorAll('.stake, .next')];
const last = every[every.length - 1];
if (!last) { return true; }
last.scrollIntoView({block: 'center'});
const box = last.querySelector('svg').getBoundingClientRect();
const at = document.elementFromPoint(box.left + box.width / 2, box.top + box.height / 2);
return last.contains(at) || last === at;
"""


@at_length(("name", "size"), OPENED, [each for each in EVERY if each not in OPENED])
def test_opens_from_disk_without_network_or_complaint_the_answer_in_view(driver, pages, name, size):
    _open(driver, pages[name], size)
    assert _console(driver) == []
    asked = _requests(driver)
    assert asked, "the log of requests is empty: it proves nothing"
    assert [url for url in asked if not url.startswith(ALLOWED)] == []
    assert _count(driver, ".stake") == (0 if name in NOT_TO_DIG else 1)
    assert _count(driver, ".next") == NOT_TO_DIG.get(name, 0)
    assert _count(driver, ".leaflet-overlay-pane path, .leaflet-spots-pane path") > 10
    assert _count(driver, "svg.picture circle") > 5
    wide = driver.execute_script("return document.documentElement.scrollWidth")
    assert wide <= size[0], "the page is wider than the screen"
    assert driver.execute_script(ON_TOP), "something lies on the answer"


@at_length("size", [PHONE], [DESK])
def test_to_listen_on_the_map_shows_where_next_and_nothing_to_dig_by(driver, pages, size):
    result = listen_on_site()
    _open(driver, pages["listen_on"], size)
    head = driver.find_element("css selector", ".head").text
    assert "LISTEN ON" in head and "1: surface reading 1.0 ft past mark 109" in head
    # One heading over the places: what is said of them stands before the first.
    heads = driver.find_elements("css selector", ".head dt")
    assert "Listen" not in [each.text for each in heads]
    assert head.index("Listen next, the most telling first") < head.index("1: surface reading")
    page = driver.find_element("css selector", "body").text
    assert page.index("past mark 109") < page.index("not to dig")
    for never in (
        f"{result.leak.position.northing:.2f}",
        "NOT BEFORE",
        "Before digging",
        "Top of pipe",
    ):
        assert never not in page, never
    assert "While listening" in page and "go here next" in page
    assert _count(driver, "path[aria-label^=Hole], .offset, .tape") == 0
    # Every pin has its word, inside the map and clear of the other pins' words.
    boxes = driver.execute_script(
        """
        const map = document.querySelector('.folium-map').getBoundingClientRect();
        return [...document.querySelectorAll('.next b')].map(each => {
          const box = each.getBoundingClientRect();
          return [each.textContent, getComputedStyle(each).visibility, box.left >= map.left,
                  box.right <= map.right];
        }).sort();
        """
    )
    assert boxes == [[f"LISTEN {k}", "visible", True, True] for k in (1, 2)]
    first = driver.find_elements("css selector", ".press")[0]
    assert first.text == "Next"
    pin = driver.find_element("css selector", ".next[title^='LISTEN 1']")
    driver.execute_script("arguments[0].click()", pin)
    text = _popup(driver)
    assert "1.0 ft past mark 109" in text and "109 up 1.0" in text


def test_to_check_first_the_page_says_what_to_do_and_gives_nothing_to_dig_by(driver, pages):
    result = check_site()
    _open(driver, pages["check_first"], PHONE)
    head = driver.find_element("css selector", ".head").text
    assert "CHECK FIRST" in head and "do not dig yet" in head
    assert head.index("push a rod") < head.index("65 % in a 5.0 ft hole")
    assert "1.9 ft past mark 108 toward mark 109" in head
    page = driver.find_element("css selector", "body").text
    for never in (f"{result.leak.position.northing:.2f}", "Before digging", "Top of pipe"):
        assert never not in page, never
    assert _count(driver, "path[aria-label^=Hole], .offset, .tape, .stake") == 0


def test_every_layer_can_be_switched_off_and_on(driver, pages):
    _open(driver, pages["feet"])
    driver.execute_script("document.querySelector('.leaflet-control-layers-toggle').click()")
    boxes = driver.find_elements("css selector", ".leaflet-control-layers-overlays input")
    names = [
        each.text
        for each in driver.find_elements("css selector", ".leaflet-control-layers-overlays label")
    ]
    assert {"Pipe", "Hole", "Stake", "Readings", "Other services", "Marks"} <= set(names)
    *off, back = driver.execute_script(
        "const seen = () =>"
        "  document.querySelectorAll('.leaflet-pane path, .leaflet-marker-icon').length;"
        "const counts = [seen(), ...arguments[0].map(box => (box.click(), seen()))];"
        "arguments[0].forEach(box => box.click()); return [...counts, seen()]",
        boxes,
    )
    assert all(after < before for before, after in itertools.pairwise(off)) and off[-1] == 0
    assert back == off[0]
    assert _console(driver) == []


def _popup(driver):
    for _ in range(50):
        found = driver.find_elements("css selector", ".leaflet-popup-content")
        if found:
            return found[-1].get_attribute("textContent")
        time.sleep(0.02)
    raise AssertionError("no pop-up opened")


def test_popups_open_by_mouse_and_by_keyboard(driver, pages):
    from selenium.webdriver.common.keys import Keys

    result = feet_site()
    _open(driver, pages["feet"])
    stake = driver.find_element("css selector", ".stake")
    assert stake.get_attribute("aria-label").startswith("Stake yard 0+41.3: Stake N 783295.38")
    driver.execute_script("arguments[0].click()", stake)
    text = _popup(driver)
    assert f"{result.leak.position.northing:.2f}" in text and "3.1 ft" in text
    shapes = driver.find_elements("css selector", "path[role=button]")
    assert len(shapes) > 15
    assert all(each.get_attribute("aria-label") for each in shapes)
    hole = next(s for s in shapes if s.get_attribute("aria-label").startswith("Hole"))
    driver.execute_script("arguments[0].focus()", hole)
    hole.send_keys(Keys.ENTER)
    assert "91 %" in _popup(driver)
    hole.send_keys(Keys.ESCAPE)
    assert _count(driver, ".leaflet-popup-content") == 0
    assert driver.switch_to.active_element == hole
    assert _console(driver) == []


# The signs of a local or metric site are those of the one in feet; of one to check, nearly.
@at_length(("name", "size"), UNLIKE, [each for each in EVERY if each not in UNLIKE])
def test_every_popup_is_seen_whole_and_can_be_read(driver, pages, name, size):
    """Measured, not read: letters a line each have the same text as a table."""
    _open(driver, pages[name], size)
    shown = driver.execute_script(EVERY_POPUP)
    kinds = {each["title"].split()[0] for each in shown}
    further = {"listen_on": {"LISTEN", "Best"}, "check_first": {"CHECK", "Best"}}
    always = {"Leg", "Mark", "Reading", "Fitting", "Fixed", "Check", "50", "95", "gas"}
    assert always | further.get(name, {"Stake", "Hole", "Tape", "Offset"}) <= kinds
    for each in shown:
        assert "missing" not in each, each
        assert each["narrowest"] >= 140, each
        assert each["share"] < 0.7 and each["inside"] and not each["cut"], each
        assert each["free"], each
        assert each["open"] == 0 and each["back"], each


@at_length("name", ["feet"], ["listen_on", "check_first"])
def test_other_fonts_leave_the_popups_readable(driver, pages, name):
    """Wider letters than any installed here: a phone has its own fonts."""
    _open(driver, pages[name], PHONE)
    wide = "* { font-family: monospace !important; letter-spacing: .08em !important; }"
    driver.execute_script(
        "document.head.append(Object.assign(document.createElement('style'),"
        f" {{textContent: {json.dumps(wide)}}}))"
    )
    for each in driver.execute_script(EVERY_POPUP):
        assert each["narrowest"] >= 140 and each["share"] < 0.7, each
        assert each["inside"] and each["free"] and not each["cut"], each


def first_screen(driver, name):
    """Hold that a phone's first screen says where, how deep, how sure and what not to do."""
    foot = driver.execute_script(
        "return ['h1', '.where, .places', '.sure', '.not-before', '.sketch'].map(css =>"
        " document.querySelector(css)?.getBoundingClientRect().bottom ?? null)"
    )
    heading, where, sure, warned, sketch = foot
    assert max(heading, where, sure, warned or 0, sketch) <= PHONE[1]
    if name not in NOT_TO_DIG:
        where_text = driver.find_element("css selector", ".where").text
        assert "past mark 108 toward mark 109" in where_text and "down, give or take" in where_text
        assert where < sure < sketch
        assert "STAKE" in driver.find_element("css selector", ".sketch").text
    assert "NOT BEFORE" in _head(driver) or "do not dig yet" in _head(driver)


STILL = """
const done = arguments[0];
let before = '', same = 0;
const look = () => {
  const boxes = [...document.querySelectorAll('.leaflet-pane svg path, .leaflet-marker-icon')];
  const now = JSON.stringify(boxes.map(each => each.getBoundingClientRect()));
  same = now === before ? same + 1 : 0;
  before = now;
  if (same < 5) { requestAnimationFrame(look); } else { done(); }
};
look();
"""


def settle(driver):
    """Wait until nothing on the map has moved for five frames."""
    driver.execute_async_script(STILL)


MEETING = """
const map = document.querySelector('.folium-map');
const shown = each => getComputedStyle(each).visibility !== 'hidden' && each.offsetParent !== null;
const frame = map.getBoundingClientRect();
const seen = css => [...map.querySelectorAll(css)]
  .filter(each => each.closest('svg') || shown(each))
  .map(each => [each.textContent || each.getAttribute('class'), each.getBoundingClientRect()])
  .filter(([, box]) => box.width && box.right > frame.left && box.left < frame.right
    && box.bottom > frame.top && box.top < frame.bottom);
const words = seen('.tick b, .fixed b, .tape span, .stake b, .next b');
const signs = seen('.leaflet-marker-icon .holder > svg, .leaflet-spots-pane path');
const bars = seen('.north, .leaflet-control-scale-line');
const meet = (a, b) => a.left < b.right && b.left < a.right && a.top < b.bottom && b.top < a.bottom;
const found = [];
words.forEach(([name, box], k) => words.slice(k + 1).forEach(([other, its]) => {
  if (meet(box, its)) { found.push([name, other]); }
}));
bars.forEach(([name, box]) => [...words, ...signs].forEach(([other, its]) => {
  if (meet(box, its)) { found.push([name, other]); }
}));
return [bars.length, words.length, found];
"""


@at_length(("name", "size"), FIRST, [("listen_on", DESK), ("check_first", DESK)])
def test_a_first_screen_says_all_and_no_label_runs_into_another_nor_under_the_bars(
    driver, pages, name, size
):
    _open(driver, pages[name], size)
    if size == PHONE:
        first_screen(driver, name)
    for view in ("near", "on paper", "All"):
        if view == "on paper":
            driver.execute_script("window.dispatchEvent(new Event('beforeprint'))")
        elif view == "All":
            driver.execute_script("window.dispatchEvent(new Event('afterprint'))")
            driver.execute_script("L.Map.mergeOptions({zoomAnimation: false})")
            (all_,) = (e for e in driver.find_elements("css selector", ".press") if e.text == "All")
            driver.execute_script("arguments[0].click()", all_)
            settle(driver)
        bars, words, found = driver.execute_script(MEETING)
        assert bars == 3 and words >= 2, view
        assert found == [], view


def _head(driver):
    return driver.find_element("css selector", ".head").text


def test_hostile_text_does_not_run_and_does_not_blank_the_map(driver, pages):
    _open(driver, pages["hostile"])
    texts = driver.execute_script(
        "return [...document.querySelectorAll("
        "  'path.leaflet-interactive, .leaflet-marker-icon[tabindex]')].map(shape => {"
        "  shape.dispatchEvent(new MouseEvent('click', {bubbles: true}));"
        "  const popups = [...document.querySelectorAll('.leaflet-popup-content')];"
        "  return popups.at(-1)?.textContent ?? '' })"
    )
    assert len(texts) > 30
    seen = "".join(texts)
    assert driver.execute_script("return typeof window.pwned") == "undefined"
    assert "</script><img src=x onerror=" in seen and "`tick` ${window.pwned=2} {{ 7*7 }}" in seen
    assert "back\\slash" in seen
    assert _count(driver, "img[src=x]") == 0
    assert "</script><img" in driver.title
    assert _count(driver, ".stake") == 1
    assert _console(driver) == []


def test_the_buttons_change_the_view_and_the_position_waits_to_be_asked(driver, pages):
    _open(driver, pages["feet"])
    asked = "window.asked = 0; navigator.geolocation.getCurrentPosition = (yes) => {window.asked++;"
    asked += "yes({coords: {latitude: 35.90220, longitude: -79.04100, accuracy: 5}})}"
    driver.execute_script(asked)
    scale = "return document.querySelector('.leaflet-control-scale-line').textContent"
    buttons = {each.text: each for each in driver.find_elements("css selector", ".press")}
    assert set(buttons) == {"Stake", "All", "Me"}
    first = driver.execute_script(scale)
    driver.execute_script("arguments[0].click()", buttons["Stake"])
    for _ in range(100):
        if driver.execute_script(scale) != first:
            break
        time.sleep(0.02)
    assert driver.execute_script(scale) != first
    assert driver.execute_script("return window.asked") == 0
    assert _count(driver, ".here") == 0
    assert _console(driver) == []
    driver.execute_script("arguments[0].click()", buttons["Me"])
    assert driver.execute_script("return window.asked") == 1
    assert _count(driver, ".here") == 1
    said = driver.find_element("id", "say").text
    assert "within 5 m" in said


def test_a_local_site_offers_no_phone_position_and_its_scale_bar_is_true(driver, pages):
    """The hole of the local site is 5 ft long; on the screen it has the length the bar says."""
    _open(driver, pages["local"], PHONE)
    first_screen(driver, "local")
    labels = [each.text for each in driver.find_elements("css selector", ".press")]
    assert labels == ["Stake", "All"]
    lines = driver.find_elements("css selector", ".leaflet-control-scale-line")
    assert [each.text.split()[-1] for each in lines] == ["m", "ft"]

    bar_m, bar_px, hole_px = driver.execute_script(
        """
        const bar = document.querySelector('.leaflet-control-scale-line');
        const hole = document.querySelector('path[aria-label^=Hole]');
        const d = hole.getAttribute('d').slice(1).split(/[LMz]/).filter(Boolean)
          .map(p => p.split(/[ ,]/).map(Number));
        let longest = 0;
        for (let i = 1; i < d.length; i++) {
          longest = Math.max(longest, Math.hypot(d[i][0] - d[i-1][0], d[i][1] - d[i-1][1]));
        }
        return [parseFloat(bar.textContent), bar.getBoundingClientRect().width, longest];
        """
    )
    assert hole_px / (bar_px / bar_m) == pytest.approx(feet_site().decision.hole.length_m, rel=0.1)


@at_length("name", ["feet", "listen_on"], ["local"])
def test_prints_to_one_page(driver, pages, name, tmp_path):
    pypdf = pytest.importorskip("pypdf")
    _open(driver, pages[name])
    made = driver.execute_cdp_cmd(
        "Page.printToPDF", {"preferCSSPageSize": True, "paperWidth": 8.5, "paperHeight": 11}
    )
    path = tmp_path / "print.pdf"
    path.write_bytes(base64.b64decode(made["data"]))
    read = pypdf.PdfReader(path)
    assert len(read.pages) == 1
    text = " ".join(read.pages[0].extract_text().split())
    assert ("LISTEN ON" if name == "listen_on" else "STAKE") in text
    head = "While listening" if name == "listen_on" else "Before digging"
    advice = "where to listen is advice" if name == "listen_on" else "a stake is advice"
    assert head in text and advice in text
    assert "Layers" not in text


def test_a_notebook_frame_runs_without_network(driver, tmp_path):
    page = tmp_path / "notebook.html"
    page.write_text(f"<!DOCTYPE html><body>{feet_site()._repr_html_()}</body>", "utf-8")
    _open(driver, page)
    assert [url for url in _requests(driver) if not url.startswith(ALLOWED)] == []
    assert _console(driver) == []
    driver.switch_to.frame(driver.find_element("tag name", "iframe"))
    assert _count(driver, ".stake") == 1
    driver.switch_to.default_content()


def test_street_tiles_are_asked_for_by_the_user_alone():
    assert "tile.openstreetmap.org" not in page_html(feet_site())
    page = page_html(feet_site(), street_tiles=True)
    assert "img-src data: https://tile.openstreetmap.org" in page
    assert "OpenStreetMap contributors" in page
