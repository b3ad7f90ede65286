"""A disk that fails under GDAL, SQLite and Python alike: EIO from the system's own calls.

A small library put before the C library's fails every write to the folder being made from the k-th
on. Needs Linux and a C compiler.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.command import REPO
from tests.test_export_folder import contents

pytestmark = [
    pytest.mark.long,
    pytest.mark.skipif(not shutil.which("gcc"), reason="needs gcc"),
]
TRIES = 12
CALLS = """
#define _GNU_SOURCE
#include <dlfcn.h>
#include <errno.h>
#include <stdio.h>
#include <stdlib.h>
#include <string.h>
#include <unistd.h>

static long taken = 0;

static int fails(int fd) {
    char link[64], path[4096];
    snprintf(link, sizeof link, "/proc/self/fd/%d", fd);
    ssize_t n = readlink(link, path, sizeof path - 1);
    if (n < 0) return 0;
    path[n] = 0;
    if (!strstr(path, getenv("FAILS_IN"))) return 0;
    if (taken++ < atol(getenv("FAILS_FROM"))) return 0;
    errno = EIO;
    return 1;
}

__attribute__((destructor)) static void tell(void) {
    FILE *told = fopen(getenv("FAILS_TOLD"), "w");
    if (told) { fprintf(told, "%ld", taken); fclose(told); }
}

#define CALL(kind, name, taking, giving) kind name taking { \\
    static kind (*real) taking; \\
    if (!real) real = dlsym(RTLD_NEXT, #name); \\
    return fails(fd) ? -1 : real giving; }
CALL(ssize_t, write, (int fd, const void *b, size_t n), (fd, b, n))
CALL(ssize_t, pwrite, (int fd, const void *b, size_t n, off_t at), (fd, b, n, at))
CALL(ssize_t, pwrite64, (int fd, const void *b, size_t n, off64_t at), (fd, b, n, at))
CALL(int, fsync, (int fd), (fd))
CALL(int, fdatasync, (int fd), (fd))
CALL(int, ftruncate, (int fd, off_t n), (fd, n))
CALL(int, ftruncate64, (int fd, off64_t n), (fd, n))
"""


@pytest.fixture(scope="module")
def library(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("calls")
    (place / "calls.c").write_text(CALLS)
    command = ["gcc", "-O1", "-shared", "-fPIC", "-o", "calls.so", "calls.c", "-ldl"]
    subprocess.run(command, cwd=place, check=True)
    return place / "calls.so"


def failing(
    library: Path, site: Path, where: str, start: int
) -> tuple[int, subprocess.CompletedProcess[str]]:
    """Locate with every write from the `start`-th on failing; return how many were tried."""
    told = library.with_name("told")
    done = subprocess.run(
        [sys.executable, "-m", "geoleak", "locate", str(site), "--also", "kml", "--also", "dxf"],
        cwd=REPO, capture_output=True, text=True, timeout=300,
        env={**os.environ, "LD_PRELOAD": str(library), "FAILS_IN": where,
             "FAILS_FROM": str(start), "FAILS_TOLD": str(told)},
    )  # fmt: skip
    return int(told.read_text()), done


@pytest.mark.parametrize("where", ["site.gpkg", "/.out.geoleak-"])
def test_an_answer_stays_whole_whichever_write_fails(
    located: Path, library: Path, where: str
) -> None:
    before = contents(located / "out")
    count, done = failing(library, located, where, 10**9)
    assert done.returncode == 0 and count > 8
    shutil.rmtree(located / "out")
    for name, held in before.items():
        (located / "out").mkdir(exist_ok=True)
        (located / "out" / name).write_bytes(held)
    for start in sorted({0, 1, count - 1, *np.linspace(2, count - 2, TRIES, dtype=int).tolist()}):
        _, done = failing(library, located, where, start)
        assert (done.returncode, done.stdout, len(done.stderr.splitlines())) == (1, "", 1), start
        assert "could not be written" in done.stderr and "nothing was changed" in done.stderr
        assert contents(located / "out") == before, start
        assert not [each for each in located.iterdir() if each.name.startswith(".")], start
