"""A server killed a hundred times under entries: ``python -m tests.long.serve_kills [ROUNDS]``."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

import numpy as np

from tests.test_serve import SITES, kill_under_load

PART = 10


def main(rounds: int = 100) -> None:
    """Run the rounds, ten to a folder, and count the entries, each in its sheet once."""
    total = np.zeros(2, int)
    for part in range(0, rounds, PART):
        with tempfile.TemporaryDirectory() as place:
            folder = Path(place) / "alder_court"
            shutil.copytree(SITES / "alder_court", folder, ignore=shutil.ignore_patterns("out"))
            total += kill_under_load(folder, rounds=min(PART, rounds - part), seed=part + 7)
        done = min(part + PART, rounds)
        print(f"{done} kills, {total[0]} entries sent, {total[1]} acknowledged and there, "
              "none twice, every file whole", flush=True)  # fmt: skip


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
