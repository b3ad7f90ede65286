"""``geoleak report``: what a customer reads, and what a photo does not give away."""

from __future__ import annotations

import base64
import io
import json
import os
import re
import shutil
from pathlib import Path
from types import SimpleNamespace

import pytest
from PIL import Image
from pypdf import PdfReader

from geoleak.errors import InputError
from geoleak.reports.customer import GPS_TAG, LONGEST, hole_lines, photos_of
from tests.command import REPO, at_length, run

pytestmark = pytest.mark.usefixtures("few_nodes")

COURT = REPO / "sample_sites" / "alder_court"
METER = (
    "time,reading,unit,run,state\n"
    "2026-05-04T07:00:01+00:00,1234.5,gal_us,a,all shut\n"
    "2026-05-04T07:10:01+00:00,1239.5,gal_us,a,all shut\n"
    "2026-05-04T07:20:01+00:00,1244.5,gal_us,a,all shut\n"
    "2026-05-06T16:00:01+00:00,1400.0,gal_us,after,all shut\n"
    "2026-05-06T16:20:01+00:00,1400.0,gal_us,after,all shut\n"
    "2026-05-06T16:40:01+00:00,1400.0,gal_us,after,all shut\n"
)


def photo(path: Path, size=(300, 150), *, orientation: int = 1) -> None:
    exif = Image.Exif()
    exif[0x0112] = orientation
    exif[GPS_TAG] = {1: "N", 2: (35.0, 54.0, 8.0), 3: "W", 4: (79.0, 2.0, 27.0)}
    Image.new("RGB", size, "brown").save(path, exif=exif)


@pytest.fixture
def court(tmp_path: Path) -> Path:
    folder = tmp_path / "alder_court"
    shutil.copytree(COURT, folder, ignore=shutil.ignore_patterns("out"))
    (folder / "meter.csv").write_text(METER)
    photo(folder / "hole.jpg", orientation=6)
    Image.new("RGBA", (800, 200), (0, 0, 255, 128)).save(folder / "logo.png")
    toml = (folder / "site.toml").read_text()
    toml += '[photos]\nfile = ["hole.jpg"]\n'
    if "[job]" in toml:
        toml = toml.replace("[job]", '[job]\ncompany = "Hill & <Dale>"\nlogo = "logo.png"')
    else:
        toml += '[job]\ncompany = "Hill & <Dale>"\nlogo = "logo.png"\n'
    (folder / "site.toml").write_text(toml)
    return folder


def pictures(page: str) -> list[Image.Image]:
    found = re.findall(r'src="data:image/jpeg;base64,([^"]+)"', page)
    return [Image.open(io.BytesIO(base64.b64decode(each))) for each in found]


def test_the_whole_story_in_both_files(court: Path) -> None:
    assert run("locate", court).code == 0
    assert run("found", court, "--outcome", "leak", "--place", "yard@41.9", "--cause",
               "split joint", "--date", "2026-05-05").code == 0  # fmt: skip
    said = run("report", court, "--json").json
    page = (court / "out" / "report.html").read_text()
    pages = PdfReader(court / "out" / "report.pdf").pages
    assert 2 <= len(pages) <= 3
    printed = " ".join(" ".join(each.extract_text() for each in pages).split())
    entry = json.loads((court / "closeout.json").read_text())[0]
    for words in (
        "cause: split joint",
        "the repair is proven",
        "2026-05-05: the leak was at yard 0+41.9",
        f"{abs(entry['along_m']) / (1200 / 3937):.1f} ft along the pipe from the stake",
        "inside the hole",
        "720 gal a day",
        "of ten places given at 90 %, one is expected to be wrong",
        "Call the locate service",
    ):
        assert words in printed, words
        assert words in page
    assert [each["head"] for each in said["sections"]][:2] == ["In short", "What was tested"]
    # Whoever reads the first lines alone learns how far off the stake was.
    short = said["sections"][0]["said"]
    assert any("from the stake, inside the hole that was drawn" in each for each in short)
    # Nothing from a network, and a letterhead is text, never markup.
    assert "http" not in page.replace("http://www.w3.org/2000/svg", "")
    assert "Hill &amp; &lt;Dale&gt;" in page
    assert "Hill & <Dale>" in printed


def test_a_photo_is_upright_scaled_and_without_its_place(court: Path) -> None:
    photo(court / "hole.jpg", (3000, 1500), orientation=6)
    run("report", court)
    logo, hole = pictures((court / "out" / "report.html").read_text())
    assert hole.size == (LONGEST // 2, LONGEST)  # turned: it was taken lying
    assert not hole.getexif().get_ifd(GPS_TAG)
    assert max(logo.size) <= 400
    run("report", court, "--keep-position")
    _, hole = pictures((court / "out" / "report.html").read_text())
    assert hole.getexif().get_ifd(GPS_TAG)[1] == "N"


@at_length(
    "spoilt", [lambda data: data[:200]], [lambda _: b"no photo", lambda _: b"GIF89a" + bytes(50)]
)
def test_a_photo_that_is_none_is_said_and_nothing_is_written(court, spoilt) -> None:
    path = court / "hole.jpg"
    path.write_bytes(spoilt(path.read_bytes()))
    ran = run("report", court)
    assert ran.code == 2
    assert '"hole.jpg" is no JPEG, PNG or TIFF' in ran.err
    assert not (court / "out").exists() or not list((court / "out").glob("report*"))


@pytest.mark.parametrize(
    ("logo", "most", "said"), [(True, 2_000_000, "2 MB"), (False, 30_000_000, "30 MB")]
)
def test_a_photo_of_thirty_megabytes_and_a_logo_of_two_are_taken(tmp_path, logo, most, said):
    photo(tmp_path / "a.jpg")
    site = SimpleNamespace(folder=tmp_path, origins={})
    os.truncate(tmp_path / "a.jpg", most)  # bytes past the picture's end are nothing to its reader
    assert len(photos_of(site, ("a.jpg",), keep_position=False, logo=logo)) == 1
    os.truncate(tmp_path / "a.jpg", most + 1)
    with pytest.raises(InputError, match=f'"a.jpg" is larger than {said}'):
        photos_of(site, ("a.jpg",), keep_position=False, logo=logo)


@pytest.mark.parametrize(
    ("height", "said"), [(7_999, "is no JPEG"), (8_001, "has more than 80 million pixels")]
)
def test_a_photo_of_eighty_million_pixels_is_opened(tmp_path, height, said):
    path = tmp_path / "a.jpg"
    Image.new("RGB", (8, 8)).save(path)
    data = path.read_bytes()
    frame = data.index(b"\xff\xc0") + 5  # its head says how large the picture is
    size = height.to_bytes(2, "big") + (10_000).to_bytes(2, "big")
    path.write_bytes(data[:frame] + size + data[frame + 4 : -4])
    site = SimpleNamespace(folder=tmp_path, origins={})
    with pytest.raises(InputError, match=f'"a.jpg" {said}'):
        photos_of(site, ("a.jpg",), keep_position=False)


def test_before_any_dig_it_promises_no_more_than_is_known(court: Path) -> None:
    (court / "meter.csv").unlink()
    run("report", court)
    page = (court / "out" / "report.html").read_text()
    assert "A leak is expected at" in page
    rows = (court / "readings.csv").read_text().splitlines(keepends=True)
    (court / "readings.csv").write_text("".join(rows[:5]))
    run("report", court)
    page = (court / "out" / "report.html").read_text()
    assert "nothing should be dug up yet" in page
    assert "What the dig showed" not in page


def test_no_stake_is_told_of_where_none_stood(court: Path) -> None:
    """Rows written down since would be dug by; each dry hole is told, once."""
    (court / "holes.csv").write_text(
        "hole,from,to,pipe_exposed,outcome\nH1,yard@5,yard@8,yes,dry\nH2,yard@60,yard@62,,dry\n"
    )
    said = {}
    for promised in ("dig", "check_first"):
        entry = {"outcome": "dry", "leak": None, "along_m": None, "in_hole": False,
                 "interval": None, "repaired": None, "date": None, "key": "",
                 "promised": {"run": "", "verdict": promised, "chance_in_hole": 0.9}}  # fmt: skip
        (court / "closeout.json").write_text(json.dumps([entry]))
        report = run("report", court, "--json").json
        said[promised] = {each["head"]: " ".join(each["said"]) for each in report["sections"]}
        page = (court / "out" / "report.html").read_text()
        assert ("stake stood" in said[promised]["Where"]) is (promised == "dig")
        assert ("best place so far, not to dig, is at" in page) is (promised != "dig")
    assert said["dig"]["What the dig showed"].startswith(
        "The hole on yard 0+05.0 to 0+08.0: dry, the pipe laid bare. "
        "The hole on yard 0+60.0 to 0+62.0: dry. "
    )


def test_every_test_that_was_made_is_told(court: Path) -> None:
    (court / "checks.csv").write_text(
        "check,kind,place,as_found,all_off,supply_shut\nC1,stop,108,41 42,41,22\n"
    )
    tested = run("report", court, "--json").json["sections"][1]["said"]
    assert (
        "Stop test at 108: the sound read 42 as found, 41 with every tap and machine off, 22 with "
        "the supply shut."
    ) in tested


def test_the_water_lost_is_told_whole(court: Path) -> None:
    toml = (court / "site.toml").read_text()
    (court / "site.toml").write_text(
        toml + '[meter]\nprice = 8\nper = "CCF"\nsince = "2026-04-06"\n'
    )
    lost = next(
        each["said"]
        for each in run("report", court, "--json").json["sections"]
        if each["head"] == "Water lost"
    )
    # 0.5 gal/min: 720 a day, 30 days: 21,600 gal, at 8 for 748.05 gal 231.00.
    assert lost[0].startswith("720 gal a day, ")
    assert lost[1].startswith("21,600 gal since 2026-04-06, 231.00 at the bill's price")


@pytest.mark.parametrize(("date", "first"), [("", "The leak"), ("2026-05-05", "2026-05-05: the")])
def test_a_sentence_without_its_date_begins_with_a_capital(date: str, first: str) -> None:
    entry = {
        "date": date, "outcome": "leak", "along_m": None,
        "leak": {"leg": "yard", "chainage_m": 3.0},
        "promised": {"chance_in_hole": 0.9},
    }  # fmt: skip
    assert hole_lines(entry, "m")[0].startswith(first)
    (dry,) = hole_lines({**entry, "outcome": "dry"}, "m")
    assert dry.startswith(f"{date}: a hole" if date else "A hole")
