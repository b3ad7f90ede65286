"""A run over many sites: chunks to workers, rows as they come, nothing finished ever lost."""

from __future__ import annotations

import json
import multiprocessing
import os
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Executor, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from geoleak.batch.work import (
    JOURNAL,
    ONE_THREAD,
    Options,
    SiteFolder,
    failed,
    key_of,
    locate_chunk,
    start_worker,
)  # fmt: skip
from geoleak.errors import GeoleakError

# Sites sent to a worker at a time: enough that sending costs nothing beside 0.1 s a site, few
# enough that the last worker is not waited for long.
CHUNK = 8
# Chunks a worker has waiting, so that it is never idle and the parent never holds the whole list.
WAITING = 3
# A site that its worker died over is given one more; then it is named.
TRIES = 2

Row = dict[str, Any]
Tell = Callable[[Row], None]


class Processes:
    """What runs chunks: spawned processes of this machine. A dead one is replaced."""

    def __init__(self, workers: int) -> None:
        self.workers = workers
        self._pool: Executor | None = None

    def opened(self) -> Executor:
        """Return a new pool."""
        # Before a child starts: a library reads it when it is loaded.
        os.environ.update(ONE_THREAD)
        spawn = multiprocessing.get_context("spawn")
        return ProcessPoolExecutor(self.workers, mp_context=spawn, initializer=start_worker)

    def submit(self, sites: Sequence[SiteFolder], options: Options) -> Future[list[Row]]:
        """Send a chunk to the pool, to a new pool where a worker's death broke the last."""
        for _ in range(2):
            self._pool = self._pool or self.opened()
            try:
                return self._pool.submit(locate_chunk, sites, options)
            except BrokenProcessPool:
                self.close()
        raise GeoleakError("workers die as soon as they are started; try --workers 1")

    def close(self) -> None:
        """Let running chunks end and the processes go."""
        if self._pool is not None:
            self._pool.shutdown(wait=True, cancel_futures=True)
            self._pool = None


class Cluster(Processes):
    """The workers of a dask.distributed scheduler, which see the same folders."""

    def __init__(self, address: str) -> None:
        try:
            from dask.distributed import Client
        except ImportError:
            raise GeoleakError(
                "--scheduler needs dask.distributed; install geoleak[cluster]"
            ) from None
        try:
            self._client = Client(address, timeout="20s")
        except (OSError, ValueError) as error:
            raise GeoleakError(
                f"--scheduler {address}: no scheduler answers there ({error}); say host:port"
            ) from None
        super().__init__(max(1, len(self._client.scheduler_info()["workers"])))

    def opened(self) -> Any:
        """Return the scheduler as a pool."""
        # Impure: a site tried again is another task, not the remembered failure.
        return self._client.get_executor(pure=False, retries=0)

    def close(self) -> None:
        """Leave the scheduler."""
        self._client.close()


@contextmanager
def pool_of(*, workers: int, scheduler: str | None) -> Iterator[Processes]:
    """Give what runs the chunks, and close it."""
    pool = Cluster(scheduler) if scheduler else Processes(workers)
    try:
        yield pool
    finally:
        pool.close()


def run(sites: Sequence[SiteFolder], pool: Processes, options: Options, *, tell: Tell) -> bool:
    """Locate sites and give each row to `tell` as it comes.

    Parameters
    ----------
    sites : sequence of SiteFolder
    pool : Processes
    options : Options
    tell : callable
        Called with each row, once a site, in the order in which they are finished.

    Returns
    -------
    bool
        False where it was stopped at the keyboard: what was running is finished, the rest is not.
    """
    (options.out / JOURNAL).mkdir(parents=True, exist_ok=True)
    todo = [(list(sites[k : k + CHUNK]), 1) for k in range(0, len(sites), CHUNK)][::-1]
    waiting: dict[Any, tuple[list[SiteFolder], int]] = {}
    stopped = False
    while waiting or (todo and not stopped):
        try:
            while todo and not stopped and len(waiting) < pool.workers * WAITING:
                chunk, tries = todo.pop()
                waiting[pool.submit(chunk, options)] = (chunk, tries)
            for future in wait(waiting, return_when=FIRST_COMPLETED).done:
                chunk, tries = waiting.pop(future)
                for row in _rows(future, chunk, tries, todo):
                    tell(row)
        except KeyboardInterrupt:
            stopped = True
            for future in [each for each in waiting if each.cancel()]:
                del waiting[future]
    return not stopped


def _rows(
    future: Any, chunk: list[SiteFolder], tries: int, todo: list[tuple[list[SiteFolder], int]]
) -> list[Row]:
    """Return the rows of a finished chunk; a dead worker's sites go back one by one."""
    try:
        return list(future.result())
    except KeyboardInterrupt:
        raise
    except Exception as error:  # a worker's death has another name on each kind of pool
        if len(chunk) == 1 and tries >= TRIES:
            what = f"the worker died over it, {TRIES} times ({type(error).__name__})"
            return [failed(chunk[0].name, what)]
        todo.extend(([site], tries + (len(chunk) == 1)) for site in reversed(chunk))
        return []


def finished_before(out: Path) -> dict[str, Row]:
    """Return the rows of earlier runs into a folder, by site; the last of a site counts.

    A line that a kill cut short is passed over.
    """
    rows: dict[str, Row] = {}
    for path in sorted((out / JOURNAL).glob("*.jsonl"), key=lambda path: path.stat().st_mtime_ns):
        for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
            try:
                row = json.loads(line)
                rows[row["site"]] = row
            except (ValueError, KeyError, TypeError):
                continue
    return rows


def unchanged(site: SiteFolder, row: Row | None, options: Options) -> bool:
    """Return whether an earlier row answers for a site as it is now, its files still there."""
    if row is None or row.get("status") != "ok":
        return False
    written = options.summary_only or (options.out / site.name / "result.json").is_file()
    return written and row.get("key") == key_of(site.folder, options=options.text)
