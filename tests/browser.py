"""A headless Chromium for the tests that look at pages."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
MISSING = "needs chromium and chromedriver on the path (Debian: chromium chromium-driver)"

FIREFOX = shutil.which("firefox-esr") or shutil.which("firefox")
NO_FIREFOX = "needs firefox on the path (Debian: firefox-esr)"
NO_AXE = "needs axe-core (npm install --global axe-core), or AXE_CORE, its axe.min.js"


@cache
def axe() -> Path | None:
    """Return the script of axe-core, from AXE_CORE or npm's global folder."""
    if "AXE_CORE" in os.environ:
        return Path(os.environ["AXE_CORE"])
    if not shutil.which("npm"):
        return None
    done = subprocess.run(["npm", "root", "--global"], capture_output=True, text=True, check=False)
    path = Path(done.stdout.strip()) / "axe-core" / "axe.min.js"
    return path if path.exists() else None


@contextmanager
def firefox(*, dark: bool) -> Iterator:
    """Start Firefox without a window, and stop it."""
    from marionette_driver.marionette import Marionette

    scheme = {"layout.css.prefers-color-scheme.content-override": 0 if dark else 1}
    started = Marionette(bin=FIREFOX, headless=True, prefs=scheme, gecko_log=os.devnull)
    started.start_session()
    started.timeout.script = 60
    try:
        yield started
    finally:
        started.quit()
        started.cleanup()


HEARD = "heard.wav"
"""The file beside the profile that the microphone plays, over and over."""


def start(profile: Path):
    """Start Chromium; every request and every console line is logged; its microphone is a file."""
    from selenium import webdriver
    from selenium.webdriver.chrome.options import Options
    from selenium.webdriver.chrome.service import Service

    options = Options()
    options.binary_location = CHROMIUM or ""
    for each in (
        "--headless=new",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-dev-shm-usage",
        "--no-first-run",
        "--disable-background-networking",
        "--disable-component-update",
        "--disable-sync",
        "--disable-default-apps",
        "--hide-scrollbars",
        # One process for all pages, not one begun for each.
        "--disable-site-isolation-trials",
        "--disable-features=IsolateOrigins,site-per-process",
        "--renderer-process-limit=1",
        "--use-fake-ui-for-media-stream",
        "--use-fake-device-for-media-stream",
        f"--use-file-for-fake-audio-capture={profile.parent / HEARD}",
        "--autoplay-policy=no-user-gesture-required",
        f"--user-data-dir={profile}",
    ):
        options.add_argument(each)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    return webdriver.Chrome(service=Service(DRIVER), options=options)


def size(driver, width: int, height: int) -> None:
    """Give the page a viewport of this size, as a phone or a desk has it."""
    driver.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": width < 600},
    )
