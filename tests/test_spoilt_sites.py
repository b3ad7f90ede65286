"""Spoilt sites: refused with plain lines and nothing written, or answered with what was wrong."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from tests.command import at_length, fingerprint, run
from tests.spoilt_sites import Spoilt, put, toml
from tests.spoilt_table import ALDER, ANSWERED, HOSTILE, REFUSED

pytestmark = pytest.mark.usefixtures("few_nodes")

# Words that would mean a slip of ours, in any file or line; "inf" and "nan" as whole words.
NO_NUMBER = re.compile(r"(?<![\w.-])[-+]?(nan|inf|infinity)(?![\w-])", re.IGNORECASE)
OURS = re.compile(r"unexpected|internal error|Traceback|\w+Error\b|\w+Exception\b")
# Answered by the same lines as one that stays in the short run, or by what tests of the readers,
# levels and frames hold.
LIKE_ANOTHER = {
    "readings_utf16", "readings_cp1252", "toml_utf16", "skipped_all", "readings_without_level",
    "readings_header_only", "delay_sigma_huge", "all_dry_hole", "service_axes_swapped",
    "crs_number", "at_the_limit", "frame_is_an_ensemble", "delay_huge", "points_utf16",
    "hole_of_no_length", "a_leak_found_is_never_evidence", "one_reading", "precision_absurd",
    "far_mark", "linear_meter_taken_as_db", "two_leaks_found", "valves_contradict",
}  # fmt: skip


def assert_sound(text: str) -> None:
    assert not NO_NUMBER.search(text), NO_NUMBER.search(text)
    assert not OURS.search(text), OURS.search(text)


def names(table: tuple[Spoilt, ...]) -> list[str]:
    return [each.name for each in table]


def test_every_way_of_spoiling_has_its_own_name() -> None:
    both = names(REFUSED) + names(ANSWERED)
    assert len(both) == len(set(both))


@pytest.mark.parametrize("spoilt", REFUSED, ids=names(REFUSED))
def test_refused_with_plain_lines_and_nothing_written(spoilt: Spoilt, tmp_path: Path) -> None:
    site = spoilt.make(tmp_path)
    (site / "out").mkdir()
    (site / "out" / "result.json").write_text("{}")
    before = fingerprint(tmp_path)
    ran = run("locate", site, "--force")
    assert ran.code == spoilt.code, ran
    assert ran.out == ""
    assert 1 <= len(ran.lines) <= 21
    assert not OURS.search(ran.err)
    for line in ran.lines[:20]:
        # Where (a file of this site), what, and what would be right.
        assert re.match(rf"{re.escape(site.as_posix())}(/[\w.]+)?(:\d+)?(:\d+)?: .+", line), line
    for word in spoilt.says:
        assert word in ran.err, ran.err
    assert fingerprint(tmp_path) == before


@at_length(
    "spoilt",
    [each for each in ANSWERED if each.name not in LIKE_ANOTHER],
    [each for each in ANSWERED if each.name in LIKE_ANOTHER],
    ids=lambda each: each.name,
)
def test_answered_with_what_was_wrong(spoilt: Spoilt, tmp_path: Path) -> None:
    site = spoilt.make(tmp_path)
    ran = run("locate", site)
    assert ran.code == spoilt.code, ran.err
    assert ran.err == ""
    said = " ".join(ran.out.split())
    for word in spoilt.says:
        assert word in said, ran.out
    assert_sound(ran.out)
    assert_sound_files(site / "out")


def assert_sound_files(out: Path) -> None:
    """No file holds a number that is none, and JSON is JSON."""

    def refuse(name: str) -> None:
        raise ValueError(name)

    for name in ("result.json", "leak.geojson"):
        json.loads((out / name).read_text(encoding="utf-8"), parse_constant=refuse)
    assert_sound((out / "stakes.csv").read_text(encoding="utf-8"))
    page = (out / "map.html").read_text(encoding="utf-8")
    drawn = re.sub(r"(?s)<(script|style)\b.*?</\1>", "", page)
    assert not NO_NUMBER.search(re.sub(r"<[^>]*>", lambda tag: tag[0], drawn))


@at_length("text", HOSTILE[:5], HOSTILE[5:], ids=lambda each: ascii(each[:12]))
def test_text_of_a_site_stays_text_whatever_its_folder_is_called(text: str, tmp_path: Path) -> None:
    place = tmp_path / "老井 `${x}` 50 % 'a' =1+1"
    place.mkdir()
    cell = text.replace('"', '""')
    stated = json.dumps(text, ensure_ascii=False)
    spoilt = Spoilt(
        "hostile",
        ALDER,
        (
            toml('"Alder Court, yard service"', stated),
            toml('"network RTK"', stated),
            toml('name = "yard"', f"name = {stated}"),
            toml('name = "gas"', f"name = {stated}"),
            put("readings.csv", "irrigation clicking", f'"{cell}"'),
            put("readings.csv", "S13", f'"{cell}"'),
            put("points.csv", ",PP", f',"{cell}"'),
            put("points.csv", "303,", f'"{cell}",'),
        ),
        0,
    )
    site = spoilt.make(place)
    ran = run("locate", site)
    if ran.code != 0:
        # A name that cannot be a leg's or a point's is refused with its place, like any other.
        assert ran.code == 2
        assert re.match(rf"{re.escape(site.as_posix())}/[\w.]+:\d+", ran.err)
        assert not OURS.search(ran.err)
        return
    assert not re.search("[\u202a-\u202e\u2066-\u2069\x00-\x08\x0b-\x1f]", ran.out)
    assert_sound_files(site / "out")
    page = (site / "out" / "map.html").read_text(encoding="utf-8")
    assert "</script><script>document" not in page
    assert "<img src=x" not in page
    # As text these are letters like any other; in what the page runs they have no place.
    runs = re.findall(r"<script(?![^>]*json)[^>]*>(.*?)</script>", page, flags=re.DOTALL)
    assert runs
    for raw in ("${document", "${x}", "{{ 7*7 }}"):
        assert not any(raw in each for each in runs)
    for row in (site / "out" / "stakes.csv").read_text(encoding="utf-8").splitlines():
        for field in row.split(","):
            assert not re.match(r'"?[=@]|"?[+-](?![\d.])', field), row
