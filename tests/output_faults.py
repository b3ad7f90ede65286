"""Disks that fail on purpose: the k-th step that touches the disk raises, or the process dies.

``python -m tests.output_faults`` is a small process that writes in forks of itself, which are
killed: a fork of all that tests have imported takes many times as long.
"""

from __future__ import annotations

import io
import json
import os
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from pathlib import Path
from typing import Any
from unittest import mock

from geoleak.export import folder

# What writing a folder asks of the system; each may fail where a disk is full, worn or gone.
STEPS = ("mkdir", "rename", "replace", "link", "chmod", "fsync", "unlink", "rmdir")


class Steps:
    """Counts the steps; number `fails` raises an errno, or the process is killed there."""

    def __init__(self, fails: int = -1, *, errno: int = 5, kill: bool = False) -> None:
        self.fails, self.errno, self.kill, self.taken = fails, errno, kill, 0

    def take(self) -> None:
        self.taken += 1
        if self.taken - 1 == self.fails:
            if self.kill:
                os.kill(os.getpid(), signal.SIGKILL)
            raise OSError(self.errno, os.strerror(self.errno))

    @contextmanager
    def watched(self, *, exchange: bool = True) -> Iterator[Steps]:
        """Count every step in here; without `exchange` the system has no swap in one step."""

        def counted(real: Any) -> Any:
            def step(*arguments: Any, **options: Any) -> Any:
                self.take()
                return real(*arguments, **options)

            return step

        def opened(file: Any, mode: str = "r", *arguments: Any, **options: Any) -> Any:
            if "w" in mode:
                self.take()
            return real_open(file, mode, *arguments, **options)

        def swap(made: Path, target: Path) -> bool:
            self.take()
            return exchange and real_swap(made, target)

        real_open, real_swap = io.open, folder._exchange
        with ExitStack() as stack:
            for name in STEPS:
                stack.enter_context(mock.patch.object(os, name, counted(getattr(os, name))))
            stack.enter_context(mock.patch.object(io, "open", opened))
            stack.enter_context(mock.patch.object(folder, "_exchange", swap))
            yield self


NAMES = ("result.json", "map.html", "stakes.csv")


def write(out: Path, run: str, *, force: bool = True) -> None:
    """Write a folder whose files name their run."""

    def writer(path: Path) -> Path:
        path.write_text(f"{path.name} of {run}")
        return path

    folder.write_folder(out, dict.fromkeys(NAMES, writer), run=run, force=force)


def pair(place: Path, run: str) -> None:
    """Write two files that take their places together."""
    with folder.beside(place / "a", place / "b") as (a, b):
        a.write_text(run)
        b.write_text(run)


class Killed:
    """Writes in processes that are killed at a step."""

    def __init__(self) -> None:
        self._forks = subprocess.Popen(
            [sys.executable, "-m", "tests.output_faults"],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1,
        )  # fmt: skip

    def __call__(self, what: str, place: Path, *, step: int, exchange: bool = True) -> None:
        """Write the "new" `write` or `pair` at a place; it may be done before the step comes."""
        assert self._forks.stdin and self._forks.stdout
        print(json.dumps([what, str(place), step, exchange]), file=self._forks.stdin)
        assert int(self._forks.stdout.readline()) in (0, signal.SIGKILL)

    def end(self) -> None:
        self._forks.communicate()


if __name__ == "__main__":
    for line in sys.stdin:
        what, place, step, exchange = json.loads(line)
        child = os.fork()
        if child == 0:
            with Steps(step, kill=True).watched(exchange=exchange):
                {"write": write, "pair": pair}[what](Path(place), "new")
            os._exit(0)
        print(os.waitpid(child, 0)[1], flush=True)
