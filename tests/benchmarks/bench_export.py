"""How long each output takes and how large it is, in a fresh process each.

Run: ``python -m tests.benchmarks.bench_export``. The import of what a writer needs counts as its
own; "together" is one process that writes all of them.
"""

from __future__ import annotations

import importlib
import subprocess
import sys
import tempfile
import time
from pathlib import Path

EXTRA = ("site.gpkg", "dig_sheet.pdf", "site.kml", "site.gpx", "site.dxf", "site.xml")


def one(names: list[str]) -> None:
    """Write the named files and print seconds and bytes of each."""
    from geoleak.export.folder import EXTRAS, WRITERS
    from tests.results import feet_site

    result = feet_site()
    every = {**WRITERS, **dict(EXTRAS.values())}
    with tempfile.TemporaryDirectory() as folder:
        for name in names:
            path = Path(folder) / name
            start = time.perf_counter()
            module, _, function = every[name].partition(".")
            getattr(importlib.import_module(f"geoleak.export.{module}"), function)(result, path)
            seconds = time.perf_counter() - start
            print(f"{name}\t{seconds:.3f}\t{path.stat().st_size}")


def measured(names: list[str]) -> list[tuple[str, float, int]]:
    """Return (name, seconds, bytes) as a fresh process measures them."""
    command = [sys.executable, "-m", "tests.benchmarks.bench_export", *names]
    made = subprocess.run(command, check=True, capture_output=True, text=True)
    rows = [line.split("\t") for line in made.stdout.splitlines()]
    return [(name, float(seconds), int(size)) for name, seconds, size in rows]


def main() -> None:
    """Print the table."""
    print(f"{'file':16} {'s':>7} {'kB':>7}")
    for name in ("result.json", "leak.geojson", "map.html", "stakes.csv", *EXTRA):
        (row,) = measured([name])
        print(f"{row[0]:16} {row[1]:7.3f} {row[2] / 1000:7.1f}")
    together = measured(list(EXTRA))
    print(f"{'extras together':16} {sum(row[1] for row in together):7.3f}")


if __name__ == "__main__":
    one(sys.argv[1:]) if len(sys.argv) > 1 else main()
