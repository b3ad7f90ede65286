"""A headless Chromium for the tests that look at pages."""

from __future__ import annotations

import shutil
from pathlib import Path

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
DRIVER = shutil.which("chromedriver")
MISSING = "needs chromium and chromedriver on the path (Debian: chromium chromium-driver)"


def start(profile: Path, *more: str):
    """Start Chromium; every request and every console line is logged. More switches may follow."""
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
        f"--user-data-dir={profile}",
        *more,
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
