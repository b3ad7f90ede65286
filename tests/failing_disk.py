"""A disk that fails under GDAL, SQLite, reportlab and Python alike: EIO from the system itself.

A small library put before the C library's counts what changes the disk below a folder and fails one
call of it, or every one from there on. ``python -m tests.failing_disk`` is the process it is put
before: it runs a command in a fork for each call. Needs Linux and a C compiler.
"""

from __future__ import annotations

import ctypes
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path

import pytest

from tests.command import REPO, fingerprint, forked, run
from tests.samples import by_few_nodes

CALLS = """
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <fcntl.h>
#include <stdarg.h>
#include <stdio.h>
#include <string.h>
#include <sys/types.h>
#include <unistd.h>

static char within[4096];
static long tried, first, last;

void fail(const char *folder, long from, long to) {
    strncpy(within, folder, sizeof within - 1);
    tried = 0, first = from, last = to;
}

long calls_tried(void) { return tried; }

static int fails(const char *path) {
    if (!*within || !strstr(path, within)) return 0;
    long k = tried++;
    if (k < first || k > last) return 0;
    errno = EIO;
    return 1;
}

static int fails_at(int fd) {
    char link[64], path[4096];
    if (!*within) return 0;
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) return 0;
    path[n] = 0;
    return fails(path);
}

#define CALL(kind, name, taking, giving, failing) kind name taking { \\
    static kind (*real) taking; \\
    if (!real) real = dlsym(RTLD_NEXT, #name); \\
    return failing ? -1 : real giving; }
CALL(ssize_t, write, (int fd, const void *b, size_t n), (fd, b, n), fails_at(fd))
CALL(ssize_t, pwrite, (int fd, const void *b, size_t n, off_t at), (fd, b, n, at), fails_at(fd))
CALL(ssize_t, pwrite64, (int fd, const void *b, size_t n, off64_t at), (fd, b, n, at), fails_at(fd))
CALL(int, fsync, (int fd), (fd), fails_at(fd))
CALL(int, fdatasync, (int fd), (fd), fails_at(fd))
CALL(int, ftruncate, (int fd, off_t n), (fd, n), fails_at(fd))
CALL(int, ftruncate64, (int fd, off64_t n), (fd, n), fails_at(fd))
CALL(int, close, (int fd), (fd),
    (fcntl(fd, F_GETFL) & O_ACCMODE) != O_RDONLY && fails_at(fd) && (real(fd), errno = EIO))
CALL(int, unlink, (const char *path), (path), fails(path))
CALL(int, unlinkat, (int fd, const char *path, int how), (fd, path, how), fails_at(fd))
CALL(int, rename, (const char *path, const char *to), (path, to), fails(path))
CALL(int, renameat2, (int in, const char *path, int at, const char *to, unsigned how),
    (in, path, at, to, how), fails(path))
CALL(int, mkdir, (const char *path, mode_t mode), (path, mode), fails(path))
CALL(int, chmod, (const char *path, mode_t mode), (path, mode), fails(path))
CALL(int, linkat, (int in, const char *path, int at, const char *to, int how),
    (in, path, at, to, how), fails(path))

#define OPEN(name) int name(const char *path, int flags, ...) { \\
    static int (*real)(const char *, int, ...); \\
    if (!real) real = dlsym(RTLD_NEXT, #name); \\
    va_list more; va_start(more, flags); \\
    mode_t mode = flags & O_CREAT ? va_arg(more, mode_t) : 0; \\
    va_end(more); \\
    return flags & O_CREAT && fails(path) ? -1 : real(path, flags, mode); }
OPEN(open)
OPEN(open64)
"""
NEEDS_CC = pytest.mark.skipif(
    sys.platform != "linux" or not shutil.which("cc"), reason="needs Linux and a C compiler"
)


@dataclass(frozen=True, slots=True)
class Failed:
    """What came of a command while call `first` of it failed, alone or with all after it."""

    first: int
    code: int
    out: str
    err: str
    stands: str
    """What stands in the output folder then: the "old", the "new" or "neither"."""
    tidy: bool
    """Whether the next run left nothing but its answer."""


def retitled(site: Path) -> None:
    """Change the site's title, so that its next answer is another one."""
    text = (site / "site.toml").read_text(encoding="utf-8")
    (site / "site.toml").write_text(text.replace('title = "', 'title = "New ', 1), encoding="utf-8")


def failing(
    place: Path, site: Path, *command: str, tries: int = 10**6, once: bool = True
) -> list[Failed]:
    """Run a command while one call after the other fails, `tries` of them spread over all.

    Parameters
    ----------
    place : Path
        Where the library is compiled.
    site : Path
        Holds an answer in ``out`` that the command replaces with another one.
    """
    library = place / "calls.so"
    if not library.exists():
        (place / "calls.c").write_text(CALLS)
        words = ["cc", "-O1", "-shared", "-fPIC", "-o", "calls.so", "calls.c", "-ldl"]
        subprocess.run(words, cwd=place, check=True)
    done = subprocess.run(
        [sys.executable, "-m", "tests.failing_disk", site, str(tries), str(int(once)), *command],
        cwd=REPO, capture_output=True, text=True, timeout=3000, check=False,
        env={**os.environ, "LD_PRELOAD": str(library)},
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-3000:]
    return [Failed(**json.loads(each)) for each in done.stdout.splitlines()]


def _each(site: Path, tries: int, once: bool, command: Sequence[str]) -> Iterator[Failed]:
    """Run the command in a fork for each call of it; the first run counts them and imports."""
    calls = ctypes.CDLL(None)
    kept = site.with_name("kept")
    shutil.copytree(site, kept)
    old = fingerprint(site)
    calls.fail(os.fsencode(site), ctypes.c_long(-1), ctypes.c_long(-1))
    assert run(*command).code == 0
    count = calls.calls_tried()
    new = fingerprint(site)
    assert old != new
    for first in sorted(
        {k * (count - 1) // min(tries, count) for k in range(min(tries, count) + 1)}
    ):
        shutil.rmtree(site)
        shutil.copytree(kept, site)
        calls.fail(os.fsencode(site), ctypes.c_long(first), ctypes.c_long(first if once else count))
        ran = forked(*command)
        calls.fail(b"", ctypes.c_long(-1), ctypes.c_long(-1))
        now = fingerprint(site)
        held = [
            {k: v for k, v in each.items() if k.startswith("out") and "/.geoleak-" not in k}
            for each in (now, old, new)
        ]
        stands = "old" if held[0] == held[1] else "new" if held[0] == held[2] else "neither"
        tidy = now in (old, new) or (forked(*command).code == 0 and fingerprint(site) == new)
        yield Failed(first, ran.code, ran.out, ran.err, stands, tidy)


if __name__ == "__main__":
    with by_few_nodes():
        for each in _each(Path(sys.argv[1]), int(sys.argv[2]), sys.argv[3] == "1", sys.argv[4:]):
            print(json.dumps(asdict(each)))
