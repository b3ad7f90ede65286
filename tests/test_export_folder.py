"""The output folder on disks that fail, for processes that die: old or new, whole, no litter."""

from __future__ import annotations

import contextlib
import errno
import os
import shutil
import signal
import tempfile
import threading
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from geoleak.errors import GeoleakError
from geoleak.export import folder
from geoleak.export.folder import LIST_NAME, OF_OTHER_COMMANDS, write_folder
from tests.command import fork, on_small_disk, run
from tests.output_faults import NAMES, Killed, Steps, pair, write

pytestmark = pytest.mark.usefixtures("few_nodes")

WAYS = ("exchange", "two steps", "in place")
FAULTS = (errno.ENOSPC, errno.EIO, errno.EROFS)


@pytest.fixture(scope="module")
def killed() -> Iterator[Killed]:
    forks = Killed()
    yield forks
    forks.end()


def held(out: Path) -> set[str]:
    """Return the runs that the files of a folder are of; it must hold all of a run's files."""
    texts = {each.name: each.read_text() for each in out.iterdir() if each.name in NAMES}
    assert set(texts) == set(NAMES), texts
    return {text.rpartition(" ")[2] for text in texts.values()}


def first(place: Path, way: str) -> Path:
    """Return a folder as an earlier run left it, beside what another command and a person wrote."""
    shutil.rmtree(place, ignore_errors=True)
    out = place / "out"
    write(out, "old")
    (out / "report.pdf").write_text("a report")
    out.chmod(0o750)
    if way == "in place":
        (out / "photo.txt").write_text("mine")
    return out


def whole(out: Path, way: str, *runs: str) -> None:
    """Check that a folder is that of one of the runs, whole, and that nothing else lies about."""
    assert len(held(out)) == 1 and held(out) <= set(runs)
    assert out.stat().st_mode & 0o777 == 0o750
    assert (out / "report.pdf").read_text() == "a report"
    names = {*NAMES, LIST_NAME, "report.pdf"} | ({"photo.txt"} if way == "in place" else set())
    assert {each.name for each in out.iterdir()} == names
    assert [each.name for each in out.parent.iterdir()] == ["out"]


def steps_of(place: Path, way: str) -> int:
    out = first(place, way)
    with Steps().watched(exchange=way == "exchange") as steps:
        write(out, "new")
    whole(out, way, "new")
    return steps.taken


@pytest.mark.parametrize("way", WAYS)
def test_a_disk_that_fails_at_any_step_leaves_the_old_whole(tmp_path: Path, way: str) -> None:
    count = steps_of(tmp_path / "s", way)
    assert count > 12
    for k in range(count):
        out = first(tmp_path / "s", way)
        code = FAULTS[k % len(FAULTS)]
        try:
            with Steps(k, errno=code).watched(exchange=way == "exchange"):
                write(out, "new")
            told = "new"  # it failed at clearing up: that costs nobody anything
        except GeoleakError as error:
            assert f"({os.strerror(code)}): nothing was changed" in str(error)
            told = "old"
        assert held(out) == {told}, (k, told)
        write(out, "next")
        whole(out, way, "next")


@pytest.mark.parametrize("way", WAYS)
def test_a_process_killed_at_any_step_leaves_old_or_new_whole(
    tmp_path: Path, way: str, killed: Killed
) -> None:
    for k in range(steps_of(tmp_path / "s", way)):
        out = first(tmp_path / "s", way)
        killed("write", out, step=k, exchange=way == "exchange")
        if way == "exchange":  # at no moment is there anything else
            assert len(held(out)) == 1
        # The next run fails, but has put things in order first.
        with pytest.raises(GeoleakError, match="nothing was changed"):
            write_folder(out, {"result.json": _fails}, run="next", force=True)
        whole(out, way, "old", "new")


def _fails(path: Path) -> Path:
    raise OSError(errno.ENOSPC, "No space left on device")


@pytest.mark.parametrize("way", WAYS)
def test_two_runs_at_once_leave_one_of_both(tmp_path: Path, way: str) -> None:
    for _ in range(5):
        out = first(tmp_path / "s", way)
        with Steps().watched(exchange=way == "exchange"):
            both = [threading.Thread(target=write, args=(out, name)) for name in ("one", "two")]
            for each in both:
                each.start()
            for each in both:
                each.join()
        whole(out, way, "one", "two")


@pytest.mark.parametrize("way", WAYS)
def test_a_run_is_left_in_peace_by_one_that_comes_and_goes_meanwhile(
    tmp_path: Path, way: str
) -> None:
    out = first(tmp_path, way)

    def writer(path: Path) -> Path:
        if path.name == NAMES[1]:
            write(out, "two")
            assert held(out) == {"two"}
        path.write_text(f"{path.name} of one")
        return path

    with Steps().watched(exchange=way == "exchange"):
        write_folder(out, dict.fromkeys(NAMES, writer), run="one", force=True)
    whole(out, way, "one")


def test_a_folder_just_made_is_not_taken_for_one_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out, real = first(tmp_path, "exchange"), tempfile.mkdtemp
    other = threading.Thread(target=write, args=(out, "two"))

    def made(**where: object) -> str:
        path = real(**where)
        if threading.current_thread() is not other:
            other.start()
            other.join(0.2)  # it has to wait
        return path

    monkeypatch.setattr(folder.tempfile, "mkdtemp", made)
    write(out, "one")
    other.join()
    whole(out, "exchange", "one", "two")


@pytest.mark.parametrize("kill", [False, True])
@pytest.mark.parametrize("before", ["old", None])
def test_a_pair_of_files_changes_together(
    tmp_path: Path, before: str | None, kill: bool, killed: Killed
) -> None:
    """Whichever step fails, and if the process dies there, once the next has put it in order."""

    def begin() -> None:
        shutil.rmtree(place, ignore_errors=True)
        place.mkdir()
        if before:
            pair(place, before)

    def put(k: int) -> Steps:
        with Steps(k).watched() as steps:
            pair(place, "new")
        return steps

    place = tmp_path / "out"
    begin()
    for k in range(put(-1).taken):
        begin()
        wanted = {"new"}
        if not kill:
            try:
                put(k)
            except GeoleakError as error:
                assert "nothing changed" in str(error)
                wanted = {before}
        else:
            killed("pair", place, step=k)
            wanted |= {before}
            with pytest.raises(GeoleakError), folder.beside(place / "c"):
                raise OSError(errno.EIO, "a disk")
        texts = {each.read_text() for each in place.iterdir() if each.is_file()} or {None}
        assert len(texts) == 1 and texts <= wanted, (k, texts)
        pair(place, "next")
        assert sorted(each.name for each in place.iterdir()) == ["a", "b"]


def test_what_gdal_says_of_a_full_disk_is_of_the_disk(tmp_path: Path) -> None:
    from pyogrio.errors import DataSourceError

    said = r"a could not be written \(disk I/O error\): nothing changed"
    with pytest.raises(GeoleakError, match=said), folder.beside(tmp_path / "a"):
        raise DataSourceError("disk I/O error")
    assert not list(tmp_path.iterdir())


def test_what_cannot_be_taken_back_is_said_and_kept_for_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    pair(tmp_path, "old")
    taken: list[Path] = []

    def fails(path: Path, to: Path) -> None:
        taken.append(path)
        if len(taken) > 1:
            raise OSError(errno.EIO, "a disk")
        shutil.move(path, to)

    with monkeypatch.context() as at:
        at.setattr(Path, "replace", fails)
        at.setattr(Path, "rename", fails)
        with pytest.raises(GeoleakError, match="nor put back as it was: old and new may stand"):
            pair(tmp_path, "new")
    assert [(tmp_path / each).read_text() for each in "ab"] == ["new", "old"]
    with pytest.raises(GeoleakError), folder.beside(tmp_path / "c"):
        raise OSError(errno.EIO, "a disk")
    assert [(tmp_path / each).read_text() for each in "ab"] == ["old", "old"]
    assert len(list(tmp_path.iterdir())) == 2


def test_a_swap_that_cannot_be_taken_back_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write(tmp_path / "out", "old")
    real = folder.sync

    def sync(path: Path) -> None:
        if path == tmp_path:
            monkeypatch.setattr(folder, "_exchange", lambda made, target: (made / "none").stat())
            raise OSError(errno.EIO, "a disk")
        real(path)

    monkeypatch.setattr(folder, "sync", sync)
    with pytest.raises(GeoleakError, match="nor put back as it was: the new files stand there"):
        write(tmp_path / "out", "new")
    assert held(tmp_path / "out") == {"new"}


def test_what_another_command_wrote_stays(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(out, "old", force=False)
    for name in OF_OTHER_COMMANDS:
        (out / name).write_text(f"{name} by hand")
    write(out, "new", force=False)
    assert held(out) == {"new"}
    for name in OF_OTHER_COMMANDS:
        assert (out / name).read_text() == f"{name} by hand"


def test_a_file_that_appears_meanwhile_is_not_swept_away(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write(out, "old")

    def slow(path: Path) -> Path:
        (out / "photo.txt").write_text("mine")
        path.write_text("new")
        return path

    with pytest.raises(GeoleakError, match=r"photo\.txt"):
        write_folder(out, {"result.json": slow}, run="new")
    assert (out / "photo.txt").read_text() == "mine" and held(out) == {"old"}


def test_a_hidden_folder_of_somebody_else_is_not_taken_for_litter(tmp_path: Path) -> None:
    for name in (".out-backup", ".out.geoleak", ".other.geoleak-1"):
        (tmp_path / name).mkdir()
    write(tmp_path / "out", "new")
    modes = {each.stat().st_mode for each in tmp_path.iterdir()}
    assert len(modes) == 1  # that of any new folder
    assert {each.name for each in tmp_path.iterdir()} == {
        "out", ".out-backup", ".out.geoleak", ".other.geoleak-1",
    }  # fmt: skip


@pytest.mark.parametrize(("minutes", "stays"), [(59, True), (61, False)])
def test_without_locks_what_is_an_hour_old_counts_as_left_behind(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, minutes: int, stays: bool
) -> None:
    left = tmp_path / ".out.geoleak-abc"
    left.mkdir()
    os.utime(left, (then := time.time() - 60 * minutes, then))
    monkeypatch.setattr(folder, "fcntl", None)
    write(tmp_path / "out", "new")
    assert left.exists() is stays and held(tmp_path / "out") == {"new"}


def test_from_inside_its_own_output_nothing_is_lost(located: Path) -> None:
    with contextlib.chdir(located / "out"):
        ran = run("locate", "..")
    assert (ran.code, ran.err) == (0, "")
    assert (located / "out" / "result.json").exists()
    assert not [each for each in located.iterdir() if each.name.startswith(".")]


def contents(folder: Path) -> dict[str, bytes]:
    return {each.name: each.read_bytes() for each in sorted(folder.iterdir())}


@pytest.mark.parametrize("size", [600, 110_000])
def test_a_disk_that_fills_while_a_file_grows(located: Path, size: int) -> None:
    before = contents(located / "out")
    biggest = max(len(each) for each in before.values())
    done = on_small_disk("locate", located, most=size)
    assert size < biggest
    assert (done.code, done.out, len(done.lines)) == (1, "", 1)
    assert "could not be written" in done.err and "nothing was changed" in done.err
    assert contents(located / "out") == before
    assert not [each for each in located.iterdir() if each.name.startswith(".")]


def test_a_run_killed_while_it_writes_is_cleared_up_by_the_next(located: Path) -> None:
    before = contents(located / "out")
    child = fork(["locate", located], {})
    while not (written := [*located.glob(".*/map.html")]):
        assert os.waitpid(child, os.WNOHANG) == (0, 0)
        time.sleep(0.001)
    os.kill(child, signal.SIGKILL)
    assert os.waitpid(child, 0)[1] == signal.SIGKILL and written[0].exists()
    assert contents(located / "out") == before
    assert run("locate", located).code == 0  # the same inputs: the same bytes
    assert contents(located / "out") == before
    assert not [each for each in located.iterdir() if each.name.startswith(".")]


@pytest.mark.skipif(os.geteuid() == 0, reason="nothing is read-only to root")
def test_a_folder_that_may_not_be_written(alder: Path) -> None:
    alder.chmod(0o555)
    try:
        ran = run("locate", alder)
    finally:
        alder.chmod(0o755)
    assert ran.code == 1 and "nothing was changed" in ran.err


def test_a_file_written_whole_inside_a_folder_that_is_being_made(tmp_path: Path) -> None:
    def writer(path: Path) -> Path:
        return folder.put_text(path, "whole")

    write_folder(tmp_path / "out", {"a.txt": writer}, run="1")
    assert (tmp_path / "out" / "a.txt").read_text() == "whole"
