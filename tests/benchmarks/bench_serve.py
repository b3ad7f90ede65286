"""The page at the kerb: what an entry costs beside the inference it asks for, and memory.

Run from the top of the project::

    python -m tests.benchmarks.bench_serve [ENTRIES]

Costs are processor time, of the server and of this process, so that a busy machine spoils neither.
"""

from __future__ import annotations

import os
import shutil
import sys
import tempfile
import time
from pathlib import Path

import httpx
import numpy as np

from geoleak.pipeline import read_site, survey_site
from geoleak.posterior import infer
from geoleak.result import build_result
from tests.test_serve import SITES, entry, serving

MOST_OVER_WARM = 1.5
MOST_MEMORY_MB = 350.0
TIMED = 30
TICK_S = 1 / os.sysconf("SC_CLK_TCK")


def _memory_mb(process: int, of: str) -> float:
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    (line,) = [each for each in lines if each.startswith(of)]
    return float(line.split()[1]) / 1e3


def _cost_s(process: int) -> float:
    words = Path(f"/proc/{process}/stat").read_text().rpartition(")")[2].split()
    return (int(words[11]) + int(words[12])) * TICK_S


def _warm_s(folder: Path) -> float:
    survey = survey_site(read_site(folder))
    began = time.process_time()
    build_result(survey, infer(survey))
    return time.process_time() - began


def _enter(folder: Path, count: int) -> None:
    """Enter what was heard once more, again and again; each is drawn at first, then one in 20.

    Beside each of the first stands a warm answer of the same readings, in this process.
    """
    _warm_s(folder)
    with (
        serving(folder, fresh=True) as server,
        httpx.Client(base_url=server.base, timeout=120) as client,
    ):
        process = server.pid
        heard = [each for each in client.get("/page.json").json()["readings"]
                 if each["kind"] == "surface" and each["level_db"]]  # fmt: skip
        took, warm = [], []
        for k in range(count):
            again = heard[k % len(heard)]
            level = f"{again['level_db'] + k % 3 - 1:.1f}"
            sent = entry({"place": again["place"], "kind": "surface", "level": level})
            began = _cost_s(process)
            assert client.post("/entries", json=sent).status_code == 201
            if k < TIMED or k % 20 == 19:  # the odds as the page draws them
                assert client.get("/page.json").status_code == 200
                took.append(_cost_s(process) - began)
            if k < TIMED:
                warm.append(_warm_s(folder))
            if k % 100 == 99:
                print(f"{folder.name}: {k + 1:5} entries  {_memory_mb(process, 'VmRSS'):4.0f} MB  "
                      f"{1e3 * took[-1]:5.0f} ms", flush=True)  # fmt: skip
            if k == TIMED - 1:
                times = np.percentile(np.divide(took, warm), [50, 90])
                print(f"{folder.name}: entered, worked out and drawn: {1e3 * np.median(took):.0f} "
                      f"ms; a warm answer {1e3 * np.median(warm):.0f} ms; median and 90th "
                      f"percentile of {TIMED} beside their own: {times[0]:.2f} and {times[1]:.2f} "
                      f"times (at most {MOST_OVER_WARM})", flush=True)  # fmt: skip
        print(f"{folder.name}: server's peak after {count} entries: "
              f"{_memory_mb(process, 'VmHWM'):.0f} MB (at most {MOST_MEMORY_MB:.0f})")  # fmt: skip


def main(count: int = 1000) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as scratch:
        for name, entries in (("quarry_road", TIMED), ("alder_court", count)):
            folder = Path(scratch) / name
            shutil.copytree(SITES / name, folder, ignore=shutil.ignore_patterns("out"))
            _enter(folder, entries)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
