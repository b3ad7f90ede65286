"""map.html by keyboard, by screen reader's rules, in the dark, and shown later than loaded.

The rules are axe-core's (npm package axe-core), run in Chromium and in Firefox.
"""

from __future__ import annotations

import json
import re
from pathlib import Path
from typing import ClassVar

import pytest

from geoleak.export.map import write_map
from tests import browser
from tests.command import at_length
from tests.results import check_site, feet_site, hostile_site
from tests.samples import sample

EVERY = ("hostile", "feet", "check_first", "alder_court", "quarry_road", "school_loop")
pytestmark = pytest.mark.browser
needs_chromium = pytest.mark.skipif(
    not (browser.CHROMIUM and browser.DRIVER), reason=browser.MISSING
)
needs_axe = pytest.mark.skipif(browser.axe() is None, reason=browser.NO_AXE)
AXE = """
const done = arguments[arguments.length - 1];
const more = {'label-content-name-mismatch': {enabled: true}};
window.axe.run(document, {resultTypes: ['violations'], rules: more})
  .then(found => done(found.violations.map(each => [each.id, each.nodes[0].html])));
"""
# Signs on a map stand where their things are (WCAG 2.2, 2.5.8, the exception for what is
# essential): the sizes of targets are asked of everything else.
TARGETS = """
const done = arguments[arguments.length - 1];
window.axe.run({include: ['body'], exclude: ['.leaflet-map-pane']}, {runOnly: ['target-size']})
  .then(found => done(found.violations.map(each => [each.id, each.nodes[0].html])));
"""
OPENED = """
document.querySelector('.leaflet-control-layers-toggle').click();
document.querySelector('.stake, .next').click();
document.querySelectorAll('details').forEach(each => { each.open = true; });
"""


class Pages(dict):
    """The maps by name, each written when it is first asked for."""

    MADE: ClassVar = {"hostile": hostile_site, "feet": feet_site, "check_first": check_site}

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def __missing__(self, name: str) -> Path:
        result = self.MADE[name]() if name in self.MADE else sample(name).result
        self[name] = write_map(result, self.folder / f"{name}.html")
        return self[name]


@pytest.fixture(scope="module")
def pages(tmp_path_factory):
    return Pages(tmp_path_factory.mktemp("maps"))


def _scheme(driver, name):
    feature = [{"name": "prefers-color-scheme", "value": name}]
    driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": feature})


@needs_chromium
@needs_axe
@at_length(
    ("width", "scheme", "names"),
    [(390, "light", EVERY[:3]), (1280, "dark", ("hostile",))],
    [(390, "light", EVERY[3:]), (390, "dark", EVERY), (1280, "dark", EVERY)],
)
def test_axe_finds_nothing_in_chromium(driver, pages, width, scheme, names):
    _scheme(driver, scheme)
    for name in names:
        browser.size(driver, width, 844)
        driver.get(pages[name].as_uri())
        driver.execute_script(browser.axe().read_text(encoding="utf-8"))
        assert driver.execute_async_script(AXE) == [], name
        assert driver.execute_async_script(TARGETS) == [], name
        driver.execute_script(OPENED)
        assert driver.execute_async_script(AXE) == [], name


@needs_axe
@pytest.mark.skipif(browser.FIREFOX is None, reason=browser.NO_FIREFOX)
@pytest.mark.long
@pytest.mark.parametrize("dark", [False, True])
def test_axe_finds_nothing_in_firefox(pages, dark):
    with browser.firefox(dark=dark) as driver:
        for name in EVERY:
            driver.navigate(pages[name].as_uri())
            driver.execute_script(browser.axe().read_text(encoding="utf-8"), sandbox=None)
            night = "return matchMedia('(prefers-color-scheme: dark)').matches"
            assert driver.execute_script(night) is dark
            for before in ("", OPENED):
                driver.execute_script(before, sandbox=None)
                assert driver.execute_async_script(AXE, sandbox=None) == [], name


@needs_axe
@needs_chromium
def test_the_rules_can_fail(driver, pages):
    driver.get(pages["feet"].as_uri())
    driver.execute_script(browser.axe().read_text(encoding="utf-8"))
    driver.execute_script("document.querySelector('.press').setAttribute('aria-label', 'Other')")
    found = driver.execute_async_script(AXE)
    assert [each[0] for each in found] == ["label-content-name-mismatch"]


@needs_chromium
def test_the_keyboard_meets_the_skip_link_then_controls_then_signs_and_no_marks(driver, pages):
    from selenium.webdriver.common.keys import Keys

    browser.size(driver, 1280, 800)
    driver.get(pages["feet"].as_uri())
    driver.execute_script(
        """
        window.met = [];
        document.addEventListener('focusin', ({ target: at }) => window.met.push(
          [at.className.baseVal ?? at.className, at.closest('.leaflet-map-pane') !== null,
           at.getAttribute('aria-label') || at.textContent]));
        """
    )
    driver.switch_to.active_element.send_keys(Keys.TAB * 60)
    met = driver.execute_script("return window.met")
    order = met[: met.index(met[0], 1)] if met[0] in met[1:] else met
    names = [each[2] for each in order]
    assert order[0][0] == "skip"
    signs = [k for k, each in enumerate(order) if each[1]]
    controls = [k for k, each in enumerate(order) if re.search("press|control-zoom", each[0])]
    assert len(controls) == 5 and max(controls) < min(signs) and len(signs) > 15
    assert any(name.startswith("Stake yard") for name in names)
    assert not any(name.startswith("Mark ") for name in names)
    driver.get(pages["feet"].as_uri())
    driver.find_element("css selector", ".skip").send_keys(Keys.ENTER)
    assert driver.switch_to.active_element.get_attribute("id") == "after-map"


@needs_chromium
@pytest.mark.parametrize("width", [390, 1280])
def test_controls_are_large_enough_for_a_glove(driver, pages, width):
    """44 px: WCAG 2.2, 2.5.5 (enhanced); a pane that moves measures a ten-thousandth less."""
    browser.size(driver, width, 844)
    driver.get(pages["feet"].as_uri())
    driver.execute_script(OPENED)
    small = driver.execute_script(
        """
        const of = 'button, summary, .leaflet-control a, .leaflet-popup-close-button, '
          + '.leaflet-control-layers label';
        const side = each => Math.min(...['width', 'height'].map(
          name => each.getBoundingClientRect()[name]));
        return [...document.querySelectorAll(of)]
          .filter(each => each.offsetWidth > 0 && side(each) < 43.99)
          .map(each => each.outerHTML);
        """
    )
    assert small == []


@needs_chromium
def test_by_night_the_page_is_dark_and_what_is_drawn_keeps_its_paper(driver, pages):
    def lightness(css):
        colour = driver.execute_script(
            f"return getComputedStyle(document.querySelector({json.dumps(css)})).backgroundColor"
        )
        return sum(int(each) for each in colour.strip("rgb()").split(",")[:3]) / 765

    seen = {}
    for scheme in ("light", "dark"):
        _scheme(driver, scheme)
        driver.get(pages["feet"].as_uri())
        seen[scheme] = [lightness(css) for css in (".head", ".side", ".folium-map", ".paper")]
    _scheme(driver, "light")
    assert all(each > 0.9 for each in seen["light"])
    assert all(each < 0.2 for each in seen["dark"][:2])
    assert all(each > 0.9 for each in seen["dark"][2:])


@needs_chromium
def test_a_map_hidden_when_loaded_fits_itself_when_shown(driver, pages, tmp_path):
    """As in a notebook's folded cell or a tab that is not in front."""
    frame = f'<iframe src="{pages["feet"].as_uri()}" width="1200" height="700"></iframe>'
    page = tmp_path / "folded.html"
    page.write_text(f'<!DOCTYPE html><div id="fold" style="display:none">{frame}</div>', "utf-8")
    browser.size(driver, 1280, 800)
    driver.get(page.as_uri())
    driver.execute_script("document.getElementById('fold').style.display = 'block'")
    driver.switch_to.frame(driver.find_element("tag name", "iframe"))
    view = """
        const done = arguments[0];
        requestAnimationFrame(() => requestAnimationFrame(() => {
          const map = document.querySelector('.folium-map').getBoundingClientRect();
          const at = document.querySelector('.stake').getBoundingClientRect();
          done([(at.left - map.left) / map.width, (at.top - map.top) / map.height,
                document.querySelector('.leaflet-control-scale-line').textContent]);
        }));
    """
    late = driver.execute_async_script(view)
    driver.switch_to.default_content()
    driver.get(page.as_uri())
    page.write_text(f'<!DOCTYPE html><div id="fold">{frame}</div>', "utf-8")
    driver.get(page.as_uri())
    driver.switch_to.frame(driver.find_element("tag name", "iframe"))
    at_once = driver.execute_async_script(view)
    driver.switch_to.default_content()
    assert late[2] == at_once[2]
    assert late[:2] == pytest.approx(at_once[:2], abs=0.02)
    assert 0.1 < late[0] < 0.9 and 0.1 < late[1] < 0.9
