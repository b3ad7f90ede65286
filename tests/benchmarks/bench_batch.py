"""Many sites: what a run costs beside the same sites read and located in one warm process.

Run from the top of the project, on a machine that is quiet::

    python -m tests.benchmarks.bench_batch [SITES [LENGTH_M]]
"""

from __future__ import annotations

import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from geoleak.batch.run import Options, find_sites, locate_one, start_worker
from tests.trials.frozen import write_site

MOST_OVER_WARM = 1.3
LEAST_WITH_TWO = 1.8
MOST_PARENT_MB = 300.0


def _run(top: Path, out: Path, workers: int) -> tuple[float, float]:
    began = time.perf_counter()
    code = (
        "import sys, resource; from geoleak.cli.main import main; main(sys.argv[1:]);"
        "print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1e3, file=sys.stderr)"
    )
    words = ["batch", str(top), "--out", str(out), "--summary-only", "--workers", str(workers)]
    done = subprocess.run([sys.executable, "-c", code, *words], capture_output=True, check=True)
    return time.perf_counter() - began, float(done.stderr.split()[-1])


def main(count: int = 200, length_m: int = 80) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as scratch:
        top = Path(scratch) / "sites"
        for k in range(count):
            write_site(top / f"town{k % 7}" / f"site{k:05}", k, length_m=length_m)
        start_worker()
        sites = find_sites([top], out=Path(scratch) / "none")
        warm = Options(Path(scratch) / "warm", summary_only=True)
        locate_one(sites[0], warm)
        began = time.perf_counter()
        for site in sites:
            locate_one(site, warm)
        alone = time.perf_counter() - began
        one, parent = _run(top, Path(scratch) / "one", 1)
        two, _ = _run(top, Path(scratch) / "two", 2)
        print(f"{count} sites, warm in one process: {1e3 * alone / count:.0f} ms a site")
        print(f"run with one worker over that: {one / alone:.2f} (at most {MOST_OVER_WARM})")
        print(f"two workers against one: {one / two:.2f} times (at least {LEAST_WITH_TWO})")
        print(f"peak memory of the parent: {parent:.0f} MB (at most {MOST_PARENT_MB:.0f})")
    assert resource.getrusage(resource.RUSAGE_SELF).ru_maxrss > 0


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
