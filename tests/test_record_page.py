"""The record's page: figures held against its summary, hostile names, how it looks."""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from geoleak.closeout.record import closed_sites, outcome_of, summary
from geoleak.reports.record import html_page, write_page
from tests import browser
from tests.test_closeout import at, result_of, write

SITES = 60
CREW = '<script>alert("x")</script> & sons of a very long crew name that wraps'


@pytest.fixture(scope="module")
def found(tmp_path_factory: pytest.TempPathFactory) -> dict:
    top, rng = tmp_path_factory.mktemp("sites"), np.random.default_rng(8)
    for k in range(SITES):
        sigma, mean = float(rng.uniform(0.3, 1.0)), float(rng.uniform(15, 65))
        result = result_of(mean, sigma, chance=float(2 * stats.norm.cdf(0.75 / sigma) - 1))
        result["job"]["technician"] = CREW
        leak = outcome_of(result, at(mean + sigma * rng.normal()), across_m=0.0)
        write(top / f"s{k:02}", result, [outcome_of(result), leak] if k % 9 == 0 else [leak])
    return summary(closed_sites([top]))


def test_every_picture_says_its_figures_in_words(found: dict) -> None:
    page = html_page(found)
    assert page.count("<svg") == page.count("<desc") == page.count("<figcaption>") == 4
    for row in found["reliability"]:
        said = f"{100 * row['promised']:.0f} % promised, {100 * row['hits'][0]:.0f} % kept"
        assert said in page
    for share in found["coverage"].values():
        assert "{:.0f} ({:.0f} to {:.0f})".format(*(100 * each for each in share)) in page
    # One bar of the histogram for each tenth, and the band that binomial counts stay in.
    low, high = stats.binom.ppf([0.025, 0.975], SITES, 0.1)
    count = np.histogram(found["quantiles"], bins=10, range=(0, 1))[0]
    outside = int(((count < low) | (count > high)).sum())
    assert f"and {outside} of 10 stand outside it" in page.replace("\n", " ")
    assert "farther along the line</td><td>7<" in page


def test_bars_stand_as_high_as_their_counts(found: dict) -> None:
    (svg,) = [
        s for s in re.findall(r"<svg.*?</svg>", html_page(found), re.S) if "tenths of the ch" in s
    ]
    bars = re.findall(r'polygon points="([^"]*)" fill="#6ba9d6"', svg)
    tall = [
        abs(float(p.split()[0].split(",")[1]) - float(p.split()[2].split(",")[1])) for p in bars
    ]
    # The band holds 19 in 20 counts of a tenth, by scipy's own interval.
    (band,) = re.findall(r'polygon points="([^"]*)" fill="#ead3da"', svg)
    edges = [float(xy.split(",")[1]) for xy in band.split()]
    low, high = stats.binom.interval(0.95, SITES, 0.1)
    assert (max(edges) - min(edges)) / sum(tall) == pytest.approx((high - low) / SITES, abs=2e-3)
    count = np.histogram(found["quantiles"], bins=10, range=(0, 1))[0]
    assert np.array(tall) / sum(tall) == pytest.approx(count / SITES, abs=2e-3)


def test_names_are_text_and_nothing_is_fetched(found: dict) -> None:
    page = html_page(found)
    assert "<script" not in page and "&lt;script&gt;" in page
    links = set(re.findall(r"""(?:https?:)?//[^\s"']+""", page))
    assert links == {"http://www.w3.org/2000/svg"}


def test_a_record_of_nothing_has_no_picture() -> None:
    page = html_page(summary([]))
    assert "<svg" not in page and "0 of 0 sites" in page


@pytest.mark.browser
@pytest.mark.skipif(not (browser.CHROMIUM and browser.DRIVER), reason=browser.MISSING)
def test_it_fits_phone_and_desk_in_light_and_dark(found: dict, tmp_path: Path, driver) -> None:
    path = write_page(found, tmp_path / "record.html")
    for width in (390, 1280):
        for scheme, dark in (("light", False), ("dark", True)):
            scheme = {"name": "prefers-color-scheme", "value": scheme}
            driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})
            browser.size(driver, width, 900)
            driver.get(path.as_uri())
            script = driver.execute_script
            assert script("return document.documentElement.scrollWidth") <= width
            page = script("return getComputedStyle(document.body).backgroundColor")
            assert (page == "rgb(17, 24, 30)") is dark
            # The pictures are drawn in dark ink: their ground stays white.
            ground = "return getComputedStyle(document.querySelector('svg')).backgroundColor"
            assert script(ground) == "rgb(255, 255, 255)"
            columns = script(
                "return new Set([...document.querySelectorAll('figure')]"
                ".map(f => f.getBoundingClientRect().left)).size"
            )
            assert columns == (1 if width == 390 else 2)
