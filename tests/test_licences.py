"""What others made and geoleak hands on: each with its licence, in the wheel and on each page."""

from __future__ import annotations

import struct
import tomllib
from pathlib import Path

import pytest

import geoleak
from geoleak.batch.summary import _page
from geoleak.export.map import page_html
from tests.command import REPO
from tests.results import feet_site

HOME = Path(geoleak.__file__).parent
FONTS = HOME / "export" / "assets" / "fonts"
LEAFLET = HOME / "export" / "assets" / "leaflet_license.txt"
BY_OTHERS = {".ttf": FONTS / "LICENSE.txt"}
"""Kinds of files in the package that others made -> the licence beside them."""
OURS = {".py", ".csv", ".css", ".js", ".html", ".svg", ".typed"}


def test_every_file_of_the_package_is_ours_or_has_its_licence_in_the_wheel() -> None:
    held = tomllib.loads((REPO / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    stated = {REPO / each for each in held["license-files"]}
    assert stated == {REPO / "LICENSE", LEAFLET, *BY_OTHERS.values()}
    assert held["license"] == "BSD-3-Clause AND Bitstream-Vera"
    files = [each for each in HOME.rglob("*") if each.is_file() and "__pycache__" not in each.parts]
    kinds = {each.suffix for each in files if each not in stated}
    assert kinds == OURS | set(BY_OTHERS)


@pytest.mark.parametrize("path", sorted(FONTS.glob("*.ttf")), ids=lambda path: path.stem)
def test_the_fonts_may_be_embedded(path: Path) -> None:
    """The type flags of the table OS/2: 0 is "installable embedding" (OpenType 1.9, fsType)."""
    held = path.read_bytes()
    tables = {held[at : at + 4]: at for at in range(12, 12 + 16 * held[5], 16)}
    (offset,) = struct.unpack_from(">I", held, tables[b"OS/2"] + 8)
    assert struct.unpack_from(">H", held, offset + 8) == (0,)
    assert "Bitstream".encode("utf-16-be") in held
    assert "Bitstream, Inc." in BY_OTHERS[".ttf"].read_text(encoding="utf-8")


def test_each_page_that_holds_leaflet_holds_its_licence(tmp_path: Path) -> None:
    licence = LEAFLET.read_text(encoding="utf-8")
    assert "Redistributions in binary form must reproduce" in licence
    pages = [page_html(feet_site()), _page([], tmp_path).read_text(encoding="utf-8")]
    assert [each.count(licence) for each in pages] == [1, 1]
    held = HOME.rglob("*.*")
    assert not [each for each in held if each.suffix == ".js" and b"Leaflet " in each.read_bytes()]
