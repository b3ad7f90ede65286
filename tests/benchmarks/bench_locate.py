"""The commands as whole processes, against what the libraries they stand on cost to import.

Run from the top of the project, on a machine that is quiet::

    python -m tests.benchmarks.bench_locate

Times are medians; every ratio is of runs taken in turn, so that a busy machine slows both alike.
"""

from __future__ import annotations

import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

REPO = Path(__file__).parent.parent.parent
SITES = REPO / "sample_sites"
LIBRARIES = "import numpy, shapely, pyproj, geopandas, folium"
RUNS = 5
COMPILED = tempfile.mkdtemp(prefix="geoleak-compiled-")
# What the project asks of itself: the process, --help, the page, the memory.
MOST_RATIO = 1.9
MOST_HELP_S = 0.25
MOST_MAP_KB = 600.0
MOST_MEMORY_MB = 250.0


def spent(arguments: list[str]) -> tuple[float, float, float]:
    """Return wall seconds, processor seconds and peak memory in MB of one process."""
    began = time.perf_counter()
    # Compiled modules are kept, as on any machine that runs the command twice.
    child = subprocess.Popen(
        [sys.executable, *arguments],
        cwd=REPO,
        env=os.environ | {"PYTHONDONTWRITEBYTECODE": "", "PYTHONPYCACHEPREFIX": COMPILED},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    _, status, used = os.wait4(child.pid, 0)
    wall = time.perf_counter() - began
    child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode:
        raise SystemExit(f"{arguments} ended with {child.returncode}")
    peak = used.ru_maxrss / (1e6 if sys.platform == "darwin" else 1e3)  # bytes there, kB here
    return wall, used.ru_utime + used.ru_stime, peak


def in_turn(lines: dict[str, list[str]], runs: int = RUNS) -> dict[str, tuple[float, float, float]]:
    """Return the medians of several processes run one after another, again and again."""
    taken: dict[str, list[tuple[float, float, float]]] = {name: [] for name in lines}
    for _ in range(runs + 1):
        for name, arguments in lines.items():
            taken[name].append(spent(arguments))
    # The first round warms the disk cache and the compiled modules.
    return {
        name: (
            statistics.median(each[0] for each in rows[1:]),
            statistics.median(each[1] for each in rows[1:]),
            statistics.median(each[2] for each in rows[1:]),
        )
        for name, rows in taken.items()
    }


def row(what: str, figure: str, target: str, good: bool) -> None:
    """Print one line of the table."""
    print(f"{what:<44} {figure:>14} {target:>12}  {'' if good else 'MISSED'}")


def main() -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as scratch:
        for site in ("alder_court", "quarry_road", "school_loop"):
            shutil.copytree(SITES / site, Path(scratch) / site)
        lines = {
            "bare": ["-c", "pass"],
            "help": ["-m", "geoleak", "--help"],
            "libraries": ["-c", LIBRARIES],
            **{
                site: ["-m", "geoleak", "locate", f"{scratch}/{site}"]
                for site in ("alder_court", "quarry_road", "school_loop")
            },
        }
        found = in_turn(lines)
        pages = {site: Path(scratch) / site / "out" / "map.html" for site in list(lines)[3:]}
        print(f"{'median of ' + str(RUNS):<30} {'wall s':>10} {'cpu s':>10} {'peak MB':>10}")
        for name, (wall, cpu, peak) in found.items():
            print(f"{name:<30} {wall:>10.2f} {cpu:>10.2f} {peak:>10.0f}")
        print(f"\n{'':<44} {'measured':>14} {'at most':>12}")
        wall, cpu = (found["alder_court"][k] / found["libraries"][k] for k in (0, 1))
        row("locate alder_court over the libraries, wall", f"{wall:.2f}", f"{MOST_RATIO}",
            wall <= MOST_RATIO)  # fmt: skip
        row("the same, processor time", f"{cpu:.2f}", f"{MOST_RATIO}", cpu <= MOST_RATIO)
        more = found["help"][0] - found["bare"][0]
        row("--help over bare Python, s", f"{more:.2f}", f"{MOST_HELP_S}", more <= MOST_HELP_S)
        for site, page in pages.items():
            size = page.stat().st_size / 1000
            row(f"map.html of {site}, kB", f"{size:.0f}", f"{MOST_MAP_KB:.0f}", size <= MOST_MAP_KB)
            peak = found[site][2]
            row(f"peak memory of locate {site}, MB", f"{peak:.0f}", f"{MOST_MEMORY_MB:.0f}",
                peak <= MOST_MEMORY_MB)  # fmt: skip


if __name__ == "__main__":
    main()
