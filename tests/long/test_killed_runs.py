"""Nothing lost, at length: kills at random moments, real small disks, two runs at once."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from tests.command import REPO, on_small_disk, run
from tests.spoilt_sites import SITES
from tests.test_export_folder import contents

pytestmark = pytest.mark.long
KILLS = 200


def killed_at(site: Path, seconds: float) -> int:
    """Kill a run after so many seconds; return its code."""
    child = subprocess.Popen(
        [sys.executable, "-m", "geoleak", "locate", str(site)],
        cwd=REPO, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
    )  # fmt: skip
    try:
        return child.wait(timeout=seconds)
    except subprocess.TimeoutExpired:
        child.kill()
        return child.wait()


def again(place: Path) -> Path:
    """Return a fresh copy of a sample with its answer in it."""
    shutil.rmtree(place, ignore_errors=True)
    shutil.copytree(SITES / "alder_court", place, ignore=shutil.ignore_patterns("out"))
    assert run("locate", place).code == 0
    return place


def changed(site: Path, level: int) -> None:
    """Change a reading, so that the next answer differs from the one that stands."""
    sheet = site / "readings.csv"
    first, *rest = (SITES / "alder_court" / "readings.csv").read_text().splitlines()
    cells = rest[0].split(",")
    cells[first.split(",").index("level")] = str(level)
    sheet.write_text("\n".join([first, ",".join(cells), *rest[1:]]) + "\n")


def test_killed_at_random_moments(tmp_path: Path) -> None:
    site, rng = again(tmp_path / "site"), np.random.default_rng(20261126)
    answers = {}
    for level in (20, 21):
        changed(site, level)
        assert run("locate", site).code == 0
        answers[level] = contents(site / "out")
    dead = 0
    for k in range(KILLS):
        changed(site, 20 + k % 2)
        dead += killed_at(site, float(rng.uniform(0.2, 2.5))) != 0
        assert contents(site / "out") in answers.values()
    assert dead > KILLS / 4
    assert run("locate", site).code == 0
    assert contents(site / "out") == answers[20 + (KILLS - 1) % 2]
    assert not [each for each in site.iterdir() if each.name.startswith(".")]


@contextmanager
def disk(place: Path, options: str) -> Iterator[Path]:
    """Mount a small disk in memory."""
    place.mkdir()
    done = subprocess.run(
        ["mount", "-t", "tmpfs", "-o", options, "tmpfs", str(place)], capture_output=True
    )
    if done.returncode:
        pytest.skip("no disk can be mounted here")
    try:
        yield place
    finally:
        subprocess.run(["umount", str(place)], check=True)


def locate(site: Path) -> subprocess.CompletedProcess[bytes]:
    command = [sys.executable, "-m", "geoleak", "locate", str(site)]
    return subprocess.run(command, cwd=REPO, capture_output=True, timeout=120)


@pytest.mark.parametrize("limit", ["size", "nr_inodes"])
def test_a_small_disk(tmp_path: Path, limit: str) -> None:
    """From no room at all to enough: the old answer stands whole until the new one fits."""
    options = "size=8m" if limit == "size" else "nr_inodes=200"
    with disk(tmp_path / "disk", options) as place:
        site = again(place / "site")
        before = contents(site / "out")
        fits = 0
        ballast = place / "ballast"
        for k in range(8):
            changed(site, 20)
            free = os.statvfs(place)
            if limit == "size":
                room = k * 120_000
                ballast.write_bytes(b"x" * max(0, free.f_bavail * free.f_frsize - room))
            else:
                ballast.mkdir()
                for n in range(max(0, free.f_favail - 1 - 3 * k)):
                    (ballast / str(n)).touch()
            done = locate(site)
            if done.returncode == 0:
                fits += 1
                before = contents(site / "out")
            else:
                assert done.returncode == 1 and b"nothing was changed" in done.stderr
                assert len(done.stderr.splitlines()) == 1 and done.stdout == b""
            assert contents(site / "out") == before
            ballast.unlink() if ballast.is_file() else shutil.rmtree(ballast)
        assert 0 < fits < 8
        assert locate(site).returncode == 0
        assert not [each for each in site.iterdir() if each.name.startswith(".")]


@pytest.mark.parametrize("options", ["ro", "rw"])
def test_a_folder_that_is_a_mount(tmp_path: Path, options: str) -> None:
    site = again(tmp_path / "site")
    before = contents(site / "out")
    shutil.rmtree(site / "out")
    with disk(site / "out", "size=8m") as out:
        assert locate(site).returncode == 0
        assert contents(out) == before
        subprocess.run(["mount", "-o", f"remount,{options}", str(out)], check=True)
        done = locate(site)
        assert contents(out) == before
        assert done.returncode == (1 if options == "ro" else 0)
        assert (b"nothing was changed" in done.stderr) is (options == "ro")


def test_no_file_may_grow_past_a_size(tmp_path: Path) -> None:
    site = again(tmp_path / "site")
    before = contents(site / "out")
    for size in range(500, max(map(len, before.values())), 20_000):
        done = on_small_disk("locate", site, most=size)
        assert done.code == 1 and "nothing was changed" in done.err, size
        assert contents(site / "out") == before


def test_two_processes_at_once(tmp_path: Path) -> None:
    site = again(tmp_path / "site")
    before = contents(site / "out")
    command = [sys.executable, "-m", "geoleak", "locate", str(site)]
    for _ in range(10):
        both = [subprocess.Popen(command, cwd=REPO, stdout=subprocess.DEVNULL) for _ in range(2)]
        assert [each.wait() for each in both] == [0, 0]
        assert contents(site / "out") == before
        assert not [each for each in site.iterdir() if each.name.startswith(".")]
