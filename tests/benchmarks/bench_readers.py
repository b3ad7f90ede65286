"""Reading a million-row point file beside pandas.read_csv of the same file.

Run: python tests/benchmarks/bench_readers.py [rows]. Prints seconds and their ratio; the aim is a
ratio of 4 or less (processor time) for the whole reading: checked, area tested, ready as points.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

from geoleak.crs import crs_info
from geoleak.readers.collector import Collector
from geoleak.readers.points import read_points
from geoleak.readers.table import PointContext
from geoleak.site import PointFile

HEADER = "Point,Northing,Easting,Elevation,Code,HRMS,VRMS,Status\n"


def write_files(folder: Path, rows: int) -> dict[str, PointFile]:
    """Write a headerless and a headed file of invented points in North Carolina."""
    rng = np.random.default_rng(1)
    north = 783_000 + rng.uniform(0, 9000, rows)
    east = 1_987_000 + rng.uniform(0, 9000, rows)
    up = rng.uniform(480, 520, rows)
    with (folder / "plain.csv").open("w") as plain, (folder / "headed.csv").open("w") as headed:
        headed.write(HEADER)
        for number, (n, e, z) in enumerate(zip(north, east, up, strict=True), 1):
            start = f"{number},{n:.3f},{e:.3f},{z:.3f},WL"
            plain.write(start + "\n")
            headed.write(start + ",0.014,0.023,fixed\n")
    return {
        "plain.csv": PointFile(files=("plain.csv",), layout="pnezd"),
        "headed.csv": PointFile(files=("headed.csv",)),
    }


def best_of(times: int, work: Callable[[], object]) -> float:
    """Return the shortest of several runs, in seconds."""
    found = []
    for _ in range(times):
        start = time.process_time()
        work()
        found.append(time.process_time() - start)
    return min(found)


def main() -> None:
    """Print the table."""
    import pandas as pd

    rows = int(sys.argv[1]) if len(sys.argv) > 1 else 1_000_000
    with tempfile.TemporaryDirectory() as text:
        folder = Path(text)
        info = crs_info("EPSG:6543", length_unit="ftUS")
        print(f"{'file':<12} {'rows':>9} {'pandas s':>9} {'geoleak s':>10} {'ratio':>6}")
        for name, spec in write_files(folder, rows).items():
            header = None if name == "plain.csv" else 0

            def ours(spec: PointFile = spec) -> None:
                context = PointContext(spec, info, "ftUS", Collector(folder), {})
                table = read_points(context)
                if table is None or len(table) != rows:
                    raise RuntimeError(f"read wrongly: {context.collector.complaints[:3]}")

            def theirs(name: str = name, header: int | None = header) -> None:
                pd.read_csv(folder / name, header=header)

            slow, fast = best_of(3, ours), best_of(3, theirs)
            print(f"{name:<12} {rows:>9} {fast:>9.2f} {slow:>10.2f} {slow / fast:>6.2f}")


if __name__ == "__main__":
    main()
