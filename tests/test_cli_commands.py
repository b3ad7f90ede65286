"""The commands as a user meets them: help, versions, exit codes, JSON, where errors go."""

from __future__ import annotations

import contextlib
import io
import json
import re
import shutil
import subprocess
import sys
import unicodedata
import wave
from functools import cache
from pathlib import Path
from typing import Any

import pyproj
import pytest
import shapely

from geoleak import __version__
from geoleak.cli import app as say
from geoleak.cli.main import main
from tests.command import REPO, Ran, at_length, fingerprint, forked, on_terminal, run
from tests.spoilt_sites import SITES

pytestmark = pytest.mark.usefixtures("few_nodes")

COMMANDS = (
    "batch",
    "check",
    "delay",
    "found",
    "listen",
    "locate",
    "meter",
    "new",
    "plan",
    "record",
    "report",
    "route",
    "serve",
)
README = (REPO / "README.md").read_text(encoding="utf-8")
# Unicode Standard Annex 9: embeddings, overrides and isolates, and what ends them.
_TURNS = {"LRE", "RLE", "LRO", "RLO", "PDF", "LRI", "RLI", "FSI", "PDI"}
OPTION = re.compile(r"(?<![\w-])--[a-z][a-z-]*")


@pytest.fixture(scope="module")
def quarry() -> Path:
    """Quarry Road, only read from."""
    return SITES / "quarry_road"


def shell(command: str, site: Path, rest: str) -> Ran:
    """Run a command line in a fresh interpreter, its streams as a shell's words have them."""
    line = f'"{sys.executable}" -m geoleak {command} "{site}" {rest}'
    done = subprocess.run(
        ["bash", "-c", line], cwd=REPO, capture_output=True, check=False, timeout=300
    )
    return Ran(done.returncode, done.stdout.decode(), done.stderr.decode())


@cache
def help_of(command: str) -> Ran:
    return run(command, "--help")


def options_of(command: str) -> set[str]:
    return set(OPTION.findall(help_of(command).out))


class TestHelp:
    def test_the_commands_are_these_and_no_others(self) -> None:
        listed = re.search(r"Commands:\n((?:  .*\n?)+)", run("--help").out)
        assert listed is not None
        assert {line.split()[0] for line in listed[1].splitlines()} == set(COMMANDS)

    @pytest.mark.parametrize("command", COMMANDS)
    def test_help_has_an_example_that_parses(self, command: str) -> None:
        ran = help_of(command)
        assert ran.code == 0
        assert ran.err == ""
        example = re.search(r"Example: geoleak (.+)", ran.out)
        assert example is not None
        assert example[1].split()[0] == command
        assert set(OPTION.findall(example[1])) <= options_of(command)

    @pytest.mark.parametrize("command", COMMANDS)
    def test_every_command_offers_json(self, command: str) -> None:
        assert "--json" in options_of(command)

    @pytest.mark.parametrize("command", COMMANDS)
    def test_every_option_says_what_it_is_for(self, command: str) -> None:
        text = help_of(command).out
        block = text[text.index("Options:") : text.index("Example:")]
        for line in re.split(r"\n(?=  -)", block)[1:]:
            assert len(line.split()) >= 4, line

    @pytest.mark.parametrize("command", COMMANDS)
    def test_help_can_be_shown_by_any_console(self, command: str) -> None:
        assert help_of(command).out.isascii()

    def test_the_short_help_of_no_command_is_cut(self) -> None:
        assert "..." not in run("--help").out.split("Commands:")[1]

    def test_version_names_the_libraries_that_place_things(self) -> None:
        geos = ".".join(map(str, shapely.geos_version))
        assert run("--version").out.strip() == (
            f"geoleak {__version__} (PROJ {pyproj.proj_version_str}, GEOS {geos})"
        )


class TestReadme:
    @pytest.mark.parametrize("command", COMMANDS)
    def test_every_command_stands_in_it(self, command: str) -> None:
        assert re.search(rf"^    geoleak {command} ", README, re.MULTILINE)

    def test_it_names_no_command_that_is_none(self) -> None:
        named = set(re.findall(r"^    geoleak ([a-z]+)", README, re.MULTILINE))
        named |= set(re.findall(r"bin/geoleak ([a-z]+)", README))
        assert named == set(COMMANDS)

    def test_it_names_no_option_that_is_none(self) -> None:
        known = set().union(*map(options_of, COMMANDS)) | set(OPTION.findall(run("--help").out))
        assert set(OPTION.findall(README)) <= known

    def test_it_lists_what_locate_writes(self, answered: Path) -> None:
        written = {path.name for path in (answered / "out").iterdir() if path.name[0] != "."}
        assert set(re.findall(r"^\| `([\w.]+)` \|", README, re.MULTILINE)) == written

    def test_locate_help_lists_what_locate_writes(self, answered: Path) -> None:
        text = " ".join(help_of("locate").out.split())
        for path in (answered / "out").iterdir():
            assert path.name[0] == "." or path.name in text


class TestFaultsOfTheCommandLine:
    CASES = (
        ((), "geoleak:"),
        (("lcoate",), "locate"),
        (("locate",), "SITE"),
        (("locate", "--jsn", "x"), "--jsn"),
        (("locate", "a", "b"), "b"),
        (("delay", "a.wav", "b.wav", "--band", "1", "x"), "--band"),
        (("delay", "a.wav", "b.wav", "--longest-ms", "soon"), "--longest-ms"),
        (("delay", "a.wav", "b.wav", "--longest-ms", "nan"), "--longest-ms"),
        (("delay", "a.wav", "b.wav", "--longest-ms", "0"), "--longest-ms"),
        (("delay", "a.wav", "b.wav", "--band", "900", "100"), "--band"),
        (("delay", "a.wav", "b.wav", "--band", "inf", "inf"), "--band"),
        (("delay", "nowhere.wav", "b.wav"), "nowhere.wav"),
        (("delay", "nowhere.wav#2", "b.wav"), "nowhere.wav: "),
        (("listen", SITES / "quarry_road", "--band", "-1", "100"), "--band"),
        (("listen", SITES / "quarry_road", "--with-leak", "Q9"), "--with-leak"),
        (("listen", SITES / "quarry_road", "--picture", "site.toml"), "site.toml"),
        (("check", "no such folder"), "no such folder"),
        (("check", SITES / "alder_court" / "site.toml"), "site.toml"),
        (("locate", SITES / "alder_court", "--also", "docx"), "docx"),
        (("new", "nowhere.csv"), "nowhere.csv"),
        (("new", SITES / "alder_court" / "points.csv", "--unit", "feet"), "ftUS"),
        (("new", SITES / "alder_court" / "points.csv", "--layout", "xyz"), "pnezd"),
    )

    @pytest.mark.parametrize(("arguments", "word"), CASES, ids=lambda each: str(each)[:40])
    def test_is_one_line_that_names_it(
        self, arguments: tuple[str | Path, ...], word: str, monkeypatch: pytest.MonkeyPatch,
        tmp_path: Path,
    ) -> None:  # fmt: skip
        monkeypatch.chdir(tmp_path)
        ran = run(*arguments)
        assert ran.code == 2
        assert ran.out == ""
        assert len(ran.lines) == 1
        assert word in ran.err
        assert "; " in ran.err  # what would be right
        assert "geoleak: unexpected" not in ran.err
        assert list(tmp_path.iterdir()) == []


class TestErrors:
    def test_each_is_a_line_with_its_place(self, alder: Path) -> None:
        toml = alder / "site.toml"
        toml.write_text(toml.read_text().replace("pvc", "pvcc").replace("202", "2002"))
        readings = alder / "readings.csv"
        readings.write_text(readings.read_text().replace("31 31", "loud"))
        ran = run("check", alder)
        assert ran.code == 2
        assert ran.out == ""
        places = [f"{toml.as_posix()}:16:7: ", f"{toml.as_posix()}:19:12: ", "readings.csv:8:"]
        assert [any(each in line for line in ran.lines) for each in places] == [True] * 3
        for line in ran.lines:
            assert re.match(r".+:\d+:\d+: .+; .+", line), line

    def test_at_most_twenty_come_at_once(self, alder: Path) -> None:
        readings = alder / "readings.csv"
        rows = [f"X{k},surface,9{k:03},20,,,,," for k in range(50)]
        readings.write_text("\n".join([readings.read_text().splitlines()[0], *rows]) + "\n")
        ran = run("check", alder)
        assert len(ran.lines) == 21
        assert ran.lines[-1] == "and 30 more like these"

    @pytest.mark.parametrize("old", [False, True])
    def test_leave_an_old_answer_as_it_was(self, old: bool, request: pytest.FixtureRequest) -> None:
        alder = request.getfixturevalue("located" if old else "alder")
        toml = alder / "site.toml"
        toml.write_text(toml.read_text().replace("EPSG:6543", "EPSG:6542"))
        before = fingerprint(alder.parent)
        assert run("locate", alder).code == 2
        assert fingerprint(alder.parent) == before
        assert (alder / "out").exists() is old

    def test_a_fault_that_no_one_thought_of_is_one_line(
        self, alder: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        from geoleak import pipeline

        def fail(*_: Any, **__: Any) -> None:
            raise RuntimeError("a\nfault")

        monkeypatch.setattr(pipeline, "read_site", fail)
        ran = run("check", alder)
        assert ran.code == 1
        assert len(ran.lines) == 1
        assert "RuntimeError: a fault; nothing was written" in ran.err
        monkeypatch.setenv("GEOLEAK_TRACEBACK", "1")
        with pytest.raises(RuntimeError):
            run("check", alder)

    def test_stopping_it_is_no_error(self, alder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        from geoleak import pipeline

        def stop(*_: Any, **__: Any) -> None:
            raise KeyboardInterrupt

        monkeypatch.setattr(pipeline, "read_site", stop)
        ran = run("locate", alder)
        assert ran.code == 130
        assert "Traceback" not in ran.err


class TestJson:
    def test_of_every_command_is_one_document(
        self, alder: Path, quarry: Path, tmp_path: Path
    ) -> None:
        lines: tuple[tuple[str | Path, ...], ...] = (
            ("check", alder),
            ("route", alder),
            ("locate", alder),
            ("listen", quarry),
            ("delay", quarry),
            ("delay", f"{quarry}/pair.wav#1", f"{quarry}/pair.wav#2"),
            ("new", alder / "points.csv", tmp_path / "n", "--crs", "EPSG:6543", "--unit", "ftUS"),
        )
        for line in lines:
            ran = run(*line, "--json")
            assert ran.code == 0, ran.err
            assert ran.err == ""
            assert isinstance(ran.json, dict)
            if line[0] == "locate":
                held = (alder / "out" / "result.json").read_text(encoding="utf-8")
                assert ran.json == json.loads(held)

    def test_of_check_has_the_promised_keys(self, alder: Path) -> None:
        said = run("check", alder, "--json").json
        wanted = {"id", "easting", "northing", "elevation", "code", "sigma_m", "leg"}
        assert wanted <= set(said["points"][0])
        wanted = {"id", "kind", "leg", "chainage_m", "offset_m", "level_db"}
        assert wanted <= set(said["readings"][0])
        assert {"code", "text", "file", "line"} <= set(said["warnings"][0])
        assert len(said["points"]) == 33
        assert len(said["readings"]) == 28

    def test_never_holds_a_number_that_is_none(self) -> None:
        with pytest.raises(ValueError, match="Out of range float"):
            say.json_text({"sigma_m": float("nan")})


class TestStreams:
    def test_nothing_on_stderr_where_nobody_watches(self, alder: Path) -> None:
        ran = forked("locate", alder)
        assert ran.code == 0
        assert ran.err == ""
        assert "\x1b" not in ran.out

    def test_progress_on_a_terminal_is_wiped_away(self, alder: Path) -> None:
        ran = on_terminal(["check", alder])
        assert ran.code == 0
        before, _, after = ran.out.partition("reading the site")
        # What was shown is wiped, and the cursor is given back, before the report begins.
        wiped, _, report = after.partition("Alder Court")
        assert before.endswith("\x1b[2K") and wiped.rstrip("\r\n").endswith("\x1b[2K")
        assert "\x1b[?25h" in wiped
        assert "\x1b" not in report

    def test_a_console_of_another_encoding_is_borne(self, alder: Path) -> None:
        toml = alder / "site.toml"
        text = toml.read_text(encoding="utf-8").replace("Alder Court", "Älder Hof 老井")
        toml.write_text(text, encoding="utf-8")
        said = []
        for more in ((), ("--json",)):
            console = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
            with contextlib.redirect_stdout(console):
                assert main(["check", str(alder), *more]) == 0
            console.flush()
            said.append(console.buffer.getvalue().decode("ascii"))
        assert "?lder Hof ??" in said[0]
        assert json.loads(said[1])["title"].startswith("Älder Hof 老井")

    def test_a_place_that_is_not_odd_is_told_and_not_asked_about(self, alder: Path) -> None:
        (place,) = (line for line in run("check", alder).out.splitlines() if line[:5] == "place")
        assert place.startswith("place   latitude 35.9") and "?" not in place

    def test_control_signs_of_a_title_do_not_reach_the_terminal(self, alder: Path) -> None:
        toml = alder / "site.toml"
        text = toml.read_text()
        toml.write_text(text.replace("Alder Court", r"A\u202eB"))
        ran = run("check", alder)
        assert (ran.code, ran.out.splitlines()[0]) == (0, "A\ufffdB, yard service")
        toml.write_text(text.replace("Alder Court", r"A\u001b[2J\u0007"))
        ran = run("check", alder)
        assert (ran.code, len(ran.lines)) == (2, 1)
        assert "\x1b" not in ran.err

    def test_every_control_sign_is_made_visible_and_no_letter_is_lost(self) -> None:
        for code in range(0x3000):
            sign = chr(code)
            # Controls, line and paragraph separators, and what turns the order of the text.
            turns = unicodedata.bidirectional(sign) in _TURNS
            gone = unicodedata.category(sign) in ("Cc", "Zl", "Zp") or turns
            assert (say.plain(f"a{sign}b") == "a\ufffdb") is gone, hex(code)

    @at_length(
        ("command", "where", "why"),
        [("check", "", "closed"), ("locate", "/dev/full", "No space left on device")],
        [("locate", "", "closed"), ("check", "/dev/full", "No space left on device")],
    )
    def test_a_closed_or_full_stdout_is_told_with_what_was_written(
        self, alder: Path, command: str, where: str, why: str
    ) -> None:
        ran = forked(command, alder, out=where) if where else shell(command, alder, ">&-")
        assert ran.code == 1
        assert len(ran.lines) == 1
        left = {"locate": "was written before that", "check": "printed ("}[command]
        assert why in ran.err and left in ran.err and "nothing was written" not in ran.err
        assert (alder / "out" / "result.json").exists() is (command == "locate")

    def test_a_closed_stderr_leaves_the_exit_code(self, tmp_path: Path) -> None:
        ran = shell("check", tmp_path / "none", "2>&-")
        assert (ran.code, ran.out) == (2, "")

    def test_a_reader_that_goes_away_is_no_fault(self, alder: Path) -> None:
        assert shell("route", alder, "| head -1").err == ""


class TestLocate:
    def test_out_puts_the_answer_and_what_is_asked_for_elsewhere(
        self, alder: Path, tmp_path: Path
    ) -> None:
        before = fingerprint(alder)
        out = tmp_path / "deep" / "answer"
        assert run("locate", alder, "--out", out, "--also", "kml", "--also", "gpx").code == 0
        assert {"result.json", "site.kml", "site.gpx"} <= {path.name for path in out.iterdir()}
        assert fingerprint(alder) == before

    def test_it_refuses_a_folder_with_other_files(self, alder: Path, tmp_path: Path) -> None:
        mine = tmp_path / "mine"
        mine.mkdir()
        (mine / "thesis.txt").write_text("years of work")
        ran = run("locate", alder, "--out", mine)
        assert ran.code == 2
        assert "thesis.txt" in ran.err
        assert "--force" in ran.err
        assert [path.name for path in mine.iterdir()] == ["thesis.txt"]
        assert run("locate", alder, "--out", mine, "--force").code == 0
        assert (mine / "thesis.txt").read_text() == "years of work"

    def test_it_never_writes_over_the_site(self, alder: Path) -> None:
        before = fingerprint(alder)
        assert run("locate", alder, "--out", alder).code == 2
        assert fingerprint(alder) == before

    def test_a_place_that_cannot_be_written(self, alder: Path) -> None:
        (alder.parent / "file").write_text("")
        ran = run("locate", alder, "--out", alder.parent / "file" / "out")
        assert ran.code in (1, 2)
        assert len(ran.lines) == 1
        assert "geoleak: unexpected" not in ran.err

    def test_street_tiles_only_on_request(self, located: Path) -> None:
        without = (located / "out" / "map.html").read_text(encoding="utf-8")
        assert run("locate", located, "--street-tiles").code == 0
        asked = (located / "out" / "map.html").read_text(encoding="utf-8")
        assert "tile.openstreetmap.org" in asked
        assert "tile.openstreetmap.org" not in without


def test_reading_commands_write_nothing(alder: Path) -> None:
    before = fingerprint(alder)
    for command in ("check", "route", "listen", "delay"):
        ran: Ran = run(command, alder)
        assert ran.code == 0, ran.err
    assert fingerprint(alder) == before


def test_listen_draws_only_what_is_asked(quarry: Path, tmp_path: Path) -> None:
    ran = run("listen", quarry, "--picture", tmp_path / "band.svg")
    assert ran.code == 0
    assert (tmp_path / "band.svg").read_text(encoding="utf-8").lstrip().startswith("<")
    assert [path.name for path in tmp_path.iterdir()] == ["band.svg"]
    ran = run("listen", quarry, "--picture", tmp_path / "none" / "band.svg")
    assert ran.code == 2
    assert len(ran.lines) == 1


def test_recordings_too_short_for_a_band_still_have_levels(tmp_path: Path) -> None:
    site = tmp_path / "quarry_road"
    shutil.copytree(SITES / "quarry_road", site, ignore=shutil.ignore_patterns("out"))
    for name in ("near.wav", "far.wav"):
        with wave.open(str(site / name)) as whole:
            settings, frames = whole.getparams(), whole.readframes(6 * whole.getframerate())
        with wave.open(str(site / name), "wb") as cut:
            cut.setparams(settings)
            cut.writeframes(frames)
    said = run("listen", site, "--json").json
    assert [each["reading"] for each in said["recordings"]] == ["A1", "A2"]
    assert said["band_from"] == "table"
    assert [each["code"] for each in said["warnings"]] == ["no_band"]
    asked = run("listen", site, "--with-leak", "A1", "--without", "A2")
    assert asked.code == 1
    assert "6.0 s" in asked.err
