"""The page at the kerb: what an entry costs beside the inference it asks for, and memory.

Run from the top of the project, on a machine that is quiet::

    python -m tests.benchmarks.bench_serve [ENTRIES]
"""

from __future__ import annotations

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


def _memory_mb(process: int) -> float:
    for line in Path(f"/proc/{process}/status").read_text().splitlines():
        if line.startswith("VmHWM"):
            return float(line.split()[1]) / 1e3
    return float("nan")


def main(count: int = 200) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as scratch:
        for name in ("alder_court", "quarry_road"):
            folder = Path(scratch) / name
            shutil.copytree(SITES / name, folder, ignore=shutil.ignore_patterns("out"))
            place = "113" if name == "alder_court" else "main@40 m"
            survey = survey_site(read_site(folder))
            warm = []
            for _ in range(12):
                began = time.perf_counter()
                build_result(survey, infer(survey))
                warm.append(time.perf_counter() - began)
            with serving(folder) as server, httpx.Client(base_url=server.base) as client:
                took = []
                for k in range(count if name == "alder_court" else 30):
                    sent = entry({"place": place, "kind": "surface", "level": str(20 + k % 9)})
                    began = time.perf_counter()
                    assert client.post("/entries", json=sent, timeout=60).status_code == 201
                    took.append(time.perf_counter() - began)
                    if k < 30:
                        first = list(took)
                memory = _memory_mb(server.process.pid)
            late = float(np.percentile(first, 90))
            alone = float(np.median(warm[2:]))
            print(f"{name}: warm answer {1e3 * alone:.0f} ms; an entry, 90th percentile of 30:")
            print(f"    {1e3 * late:.0f} ms, {late / alone:.2f} times (at most {MOST_OVER_WARM})")
            print(f"{name}: server's peak after {len(took)} entries: {memory:.0f} MB "
                  f"(at most {MOST_MEMORY_MB:.0f})")  # fmt: skip


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
