"""What others made and geoleak hands on: each with its licence, in the wheel and on each page."""

from __future__ import annotations

import re
import shutil
import struct
import tomllib
from pathlib import Path

import pytest

import geoleak
from geoleak.batch.run import _page
from geoleak.export.map import page_html
from tests.command import REPO
from tests.results import feet_site

HOME = Path(geoleak.__file__).parent
ASSETS = HOME / "export" / "assets"
FONTS = ASSETS / "fonts"
LEAFLET, FOLIUM = ASSETS / "leaflet_license.txt", ASSETS / "folium_license.txt"
BY_OTHERS = {
    "export/assets/fonts/DejaVuSansCondensed.ttf": FONTS / "LICENSE.txt",
    "export/assets/fonts/DejaVuSansCondensed-Bold.ttf": FONTS / "LICENSE.txt",
}
"""Files of the package that others made -> the licence beside them."""
OURS = {
    ".": "py.typed",
    "crs": "places.csv",
    "export/assets": "batch.html batch.js customer.html geopackage.sql kinds.csv layers.csv "
    "listening_sheet.html map.css map.js new_site.toml page.html plain.html record.html signs.svg "
    "site.gpx site.kml site.xml visit.html",
    "readers": "headers.csv sheets.csv",
    "serve/assets": "draw.js entering.js forms.js kept.js page.css page.html page.js recorder.js "
    "sound.js sounding.js",
    "tables": "bands.csv evidence.csv fittings.csv learnable.csv materials.csv rivals.csv "
    "sizes.csv soils.csv surfaces.csv trench_slopes.csv trench_widths.csv",
}
"""Every other file but Python's, by folder: who adds one says here that it is our own."""
NOTICE = re.compile(
    r"(?i)copyright (\(c\)|©|\d)|\(c\) ?(19|20)\d\d|SPDX-|licen[cs]ed under|@licen[cs]e"
)


def unlicensed(home: Path, stated: set[str]) -> set[str]:
    """Return the files of a package that are neither ours nor have their licence among `stated`."""
    ours = {(Path(at) / name).as_posix() for at, names in OURS.items() for name in names.split()}
    found = set()
    for path in home.rglob("*"):
        name = path.relative_to(home).as_posix()
        if not path.is_file() or "__pycache__" in path.parts or name in stated:
            continue
        if name in BY_OTHERS:
            covered = BY_OTHERS[name].relative_to(HOME).as_posix() in stated
        else:
            known = path.suffix == ".py" or name in ours
            covered = known and not NOTICE.search(path.read_text(encoding="utf-8"))
        found |= set() if covered else {name}
    return found


def test_every_file_of_the_package_is_ours_or_has_its_licence_in_the_wheel(tmp_path: Path) -> None:
    held = tomllib.loads((REPO / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert held["license"] == "BSD-3-Clause AND Bitstream-Vera"
    texts = {LEAFLET, FOLIUM, *BY_OTHERS.values()}
    assert {REPO / each for each in held["license-files"]} == {REPO / "LICENSE", *texts}
    stated = {each.relative_to(HOME).as_posix() for each in texts}
    assert unlicensed(HOME, stated) == set()
    # What somebody adds without a licence, and what is left without one, is found.
    copy = shutil.copytree(HOME, tmp_path / "geoleak", ignore=shutil.ignore_patterns("__pycache__"))
    added = {"export/assets/chart.js", "export/assets/fonts/Other.ttf", "tables/towns.csv"}
    for name in added:
        (copy / name).write_bytes(b"x")
    (copy / "units.py").write_text("# Copyright (c) 2020 somebody\n")
    assert unlicensed(copy, stated) == added | {"units.py"}
    fonts = {each.relative_to(HOME).as_posix() for each in BY_OTHERS.values()}
    assert unlicensed(HOME, stated - fonts) == set(BY_OTHERS) | fonts


def test_the_fonts_licence_is_word_for_word() -> None:
    """Against the copy that matplotlib hands on with the same fonts."""
    matplotlib = pytest.importorskip("matplotlib")
    theirs = Path(matplotlib.get_data_path(), "fonts", "ttf", "LICENSE_DEJAVU")
    ours = (FONTS / "LICENSE.txt").read_text(encoding="utf-8")
    assert " ".join(theirs.read_text(encoding="utf-8").split()) in " ".join(ours.split())


@pytest.mark.parametrize("path", sorted(FONTS.glob("*.ttf")), ids=lambda path: path.stem)
def test_the_fonts_may_be_embedded(path: Path) -> None:
    """The type flags of the table OS/2: 0 is "installable embedding" (OpenType 1.9, fsType)."""
    held = path.read_bytes()
    tables = {held[at : at + 4]: at for at in range(12, 12 + 16 * held[5], 16)}
    (offset,) = struct.unpack_from(">I", held, tables[b"OS/2"] + 8)
    assert struct.unpack_from(">H", held, offset + 8) == (0,)
    assert "Bitstream".encode("utf-16-be") in held
    assert "Bitstream, Inc." in (FONTS / "LICENSE.txt").read_text(encoding="utf-8")


def test_each_page_that_holds_leaflet_holds_its_licence(tmp_path: Path) -> None:
    licence = LEAFLET.read_text(encoding="utf-8")
    assert "Redistributions in binary form must reproduce" in licence
    pages = [page_html(feet_site()), _page([], tmp_path).read_text(encoding="utf-8")]
    assert [each.count(licence) for each in pages] == [1, 1]
    # The lines that folium's templates write stand in the map alone.
    assert "sublicense" in (folium := FOLIUM.read_text(encoding="utf-8"))
    assert [each.count(folium) for each in pages] == [1, 0]
    assert ["L.featureGroup(" in each for each in pages] == [True, False]
