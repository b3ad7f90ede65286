"""Disks that fail on purpose: the k-th step that touches the disk raises, or the process dies."""

from __future__ import annotations

import io
import os
import signal
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
