"""Make the pictures of the README: ``python -m tests.make_pictures`` (needs Chromium and Pillow).

Rewrites shared/pictures/alder_court.png: the map of that sample as a browser shows it.
"""

from __future__ import annotations

import io
import tempfile
import time
from pathlib import Path

import geoleak
from geoleak.export.map import write_map
from tests import browser

ROOT = Path(__file__).parent.parent
PICTURES = ROOT / "shared" / "pictures"
SIZE = (1280, 900)
MOST_BYTES = 250_000
SETTLE_S = 1.0


def take(page: Path, scratch: Path) -> bytes:
    """Return a picture of a page, PNG."""
    driver = browser.start(scratch / "profile")
    try:
        browser.size(driver, *SIZE)
        driver.get(page.as_uri())
        time.sleep(SETTLE_S)
        return bytes(driver.get_screenshot_as_png())
    finally:
        driver.quit()


def small(png: bytes) -> bytes:
    """Return the same picture in 256 colours, packed as tightly as PNG allows."""
    from PIL import Image

    held = io.BytesIO()
    Image.open(io.BytesIO(png)).convert("P", palette=Image.Palette.ADAPTIVE).save(
        held, "PNG", optimize=True
    )
    return held.getvalue()


def main() -> None:
    """Make them all."""
    PICTURES.mkdir(exist_ok=True)
    site = "alder_court"
    with tempfile.TemporaryDirectory() as name:
        scratch = Path(name)
        result = geoleak.locate(geoleak.read_site(ROOT / "sample_sites" / site))
        page = write_map(result, scratch / "map.html")
        picture = small(take(page, scratch))
    if len(picture) > MOST_BYTES:
        raise SystemExit(f"{site}.png has {len(picture)} bytes, more than {MOST_BYTES}")
    (PICTURES / f"{site}.png").write_bytes(picture)
    print(f"shared/pictures/{site}.png: {len(picture)} bytes")


if __name__ == "__main__":
    main()
