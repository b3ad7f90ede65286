"""Running a command in a test: in this process, on a pseudo-terminal, or as a process."""

from __future__ import annotations

import contextlib
import hashlib
import io
import json
import os
import resource
import select
import signal
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, BinaryIO

import pytest

from geoleak.cli.main import main

REPO = Path(__file__).parent.parent


# Every sign of Latin and one in thirteen of the others. Of all of them hypothesis works out a table
# first, anew in a fresh environment (2.6 s).
SIGNS = "".join(map(chr, [*range(0x300), *range(0x300, 0xD800, 13), *range(0xE000, 0x30000, 13)]))


def at_length(
    name: str | tuple[str, ...],
    short: Sequence[Any],
    more: Sequence[Any],
    *,
    ids: Callable[[Any], str] | None = None,
) -> pytest.MarkDecorator:
    """Run a test with the short values always, with the others in the long run alone."""
    rows = more if isinstance(name, tuple) else [(each,) for each in more]
    long = [pytest.param(*row, marks=pytest.mark.long) for row in rows]
    return pytest.mark.parametrize(name, [*short, *long], ids=ids)


@dataclass(frozen=True, slots=True)
class Ran:
    """What came of a command."""

    code: int
    out: str
    err: str

    @property
    def lines(self) -> list[str]:
        return self.err.splitlines()

    @property
    def json(self) -> Any:
        """The one JSON document on stdout; NaN and infinities are refused."""
        return json.loads(self.out, parse_constant=_refuse)


def _refuse(name: str) -> None:
    raise ValueError(f"{name} is not JSON")


def run(*arguments: str | Path) -> Ran:
    """Run a command line in this process."""
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main([str(each) for each in arguments])
    return Ran(code, out.getvalue(), err.getvalue())


def process(*arguments: str | Path, cwd: Path = REPO, **env: str) -> Ran:
    """Run a command line as a process of its own, its streams not a terminal."""
    done = subprocess.run(
        [sys.executable, "-m", "geoleak", *map(str, arguments)],
        cwd=cwd,
        env={**os.environ, "PYTHONPATH": str(REPO), **env},
        stdin=subprocess.DEVNULL,
        capture_output=True,
        check=False,
        timeout=300,
    )
    return Ran(done.returncode, done.stdout.decode("utf-8"), done.stderr.decode("utf-8"))


def fork(
    arguments: Sequence[str | Path], streams: Mapping[int, int], *, fresh: bool = False, **env: str
) -> int:
    """Run a command line in a fork with these streams; what is imported is not imported again.

    ``fresh`` runs it as a user does, in an interpreter of its own.
    """
    words = [str(each) for each in arguments]
    child = os.fork()
    if child == 0:
        code = 70
        try:
            os.environ.update(env)
            for number, held in streams.items():
                os.dup2(held, number)
            if fresh:
                os.chdir(REPO)
                os.execv(sys.executable, [sys.executable, "-m", "geoleak", *words])
            sys.stdin, sys.stdout, sys.stderr = open(0), open(1, "w"), open(2, "w")  # noqa: SIM115
            code = main(words)
            sys.stderr.flush()
            sys.stdout.flush()  # last: it may be full
        finally:
            os._exit(code)
    return child


def forked(*arguments: str | Path, out: str | None = None) -> Ran:
    """Run a command line in a fork, its streams not a terminal; ``out`` is a device for stdout."""
    with (
        open(out, "wb") if out else tempfile.TemporaryFile() as said,  # noqa: PTH123
        tempfile.TemporaryFile() as err,
    ):
        child = fork(arguments, {1: said.fileno(), 2: err.fileno()})
        code = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
        texts = [b"" if file is said and out else _all_of(file) for file in (said, err)]
        return Ran(code, *(each.decode("utf-8") for each in texts))


def _all_of(file: BinaryIO) -> bytes:
    file.seek(0)
    return file.read()


def on_small_disk(*arguments: str | Path, most: int) -> Ran:
    """Run a command line where no file may grow past a size, as if the disk were full."""
    old = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (most, old[1]))
    try:
        return forked(*arguments)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, old)


def on_terminal(arguments: list[str | Path], answers: list[tuple[str, str]] = ()) -> Ran:  # type: ignore[assignment]
    """Run a command on a pseudo-terminal; each answer is typed once its question has appeared.

    The terminal shows stdout and stderr together: both are in ``out``.
    """
    pty = pytest.importorskip("pty")
    ours, theirs = pty.openpty()
    child = fork(arguments, dict.fromkeys((0, 1, 2), theirs), TERM="xterm")
    os.close(theirs)
    shown, seen = "", 0
    waiting = list(answers)
    ends = time.monotonic() + 90
    try:
        while time.monotonic() < ends:
            ready, _, _ = select.select([ours], [], [], 0.5)
            if ready:
                try:
                    piece = os.read(ours, 65536)
                except OSError:  # Linux says so when the child has closed its end
                    break
                if not piece:
                    break
                shown += piece.decode("utf-8", "replace")
            if waiting and waiting[0][0] in shown[seen:]:
                seen = len(shown)
                os.write(ours, waiting.pop(0)[1].encode() + b"\n")
        else:
            os.kill(child, signal.SIGKILL)
            raise TimeoutError(f"still waiting for {waiting[:1]}; shown so far:\n{shown}")
    finally:
        os.close(ours)
    return Ran(os.waitstatus_to_exitcode(os.waitpid(child, 0)[1]), shown, "")


def fingerprint(folder: Path) -> dict[str, str]:
    """Return every file and folder below a folder, with the hash of what is in it."""
    return {
        path.relative_to(folder).as_posix(): hashlib.sha256(path.read_bytes()).hexdigest()
        if path.is_file()
        else "folder"
        for path in sorted(folder.rglob("*"))
    }
