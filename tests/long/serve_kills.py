"""A server killed a hundred times under entries: ``python -m tests.long.serve_kills [ROUNDS]``."""

from __future__ import annotations

import shutil
import sys
import tempfile
from pathlib import Path

from tests.test_serve import SITES, kill_under_load


def main(rounds: int = 100) -> None:
    """Run the rounds and say how many acknowledged entries were counted, each in its sheet."""
    with tempfile.TemporaryDirectory() as place:
        folder = Path(place) / "alder_court"
        shutil.copytree(SITES / "alder_court", folder, ignore=shutil.ignore_patterns("out"))
        count = kill_under_load(folder, rounds=rounds, seed=7)
    print(f"{rounds} kills, {count} acknowledged entries, all of them there once")


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
