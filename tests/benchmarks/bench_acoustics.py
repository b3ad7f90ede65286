"""Speed and memory of the work on recordings.

    python -m tests.benchmarks.bench_acoustics [--hour]

Each figure is the best of three, its target beside it. ``--hour`` also writes an hour at 48 kHz to
a temporary folder and measures the peak memory of reading it (takes a while and 350 MB of disk).
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
import wave
from collections.abc import Callable
from pathlib import Path

import numpy as np

from geoleak.acoustics import best_band, delay, delay_of_files, steady_level
from tests.recordings import LeakPair, leak_pair, write_wav_16

HOUR = """
import sys
from pathlib import Path
from geoleak.acoustics import level_of_file
level = level_of_file(sys.argv[1], band_hz=(500, 1500))
# Not ru_maxrss: that is handed down from the parent process.
peak = [line for line in Path("/proc/self/status").read_text().splitlines() if "VmHWM" in line]
print(level.level.duration_s, float(peak[0].split()[1]) / 1024)
"""


def best_of(work: Callable[[], object], *, times: int = 3) -> float:
    """Return the shortest wall time in seconds."""
    taken = []
    for _ in range(times):
        began = time.perf_counter()
        work()
        taken.append(time.perf_counter() - began)
    return min(taken)


def hour_peak_mb(folder: Path) -> float:
    """Return the peak memory (MB) of a process that takes the level of an hour at 48 kHz."""
    path = folder / "hour.wav"
    minute = np.random.default_rng(7).integers(-3000, 3000, 48_000 * 60, dtype=np.int16).tobytes()
    with wave.open(str(path), "wb") as file:
        file.setnchannels(1)
        file.setsampwidth(2)
        file.setframerate(48_000)
        for _ in range(60):
            file.writeframes(minute)
    done = subprocess.run(
        [sys.executable, "-c", HOUR, str(path)], capture_output=True, text=True, check=True
    )
    return float(done.stdout.split()[1])


def main(arguments: list[str] | None = None) -> int:
    """Print the figures."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hour", action="store_true")
    asked = parser.parse_args(arguments)
    rng = np.random.default_rng(1)
    long = LeakPair(rate_hz=8000.0, duration_s=600.0)
    first, second = leak_pair(long, rng)
    minute = LeakPair()
    leak, _ = leak_pair(minute, rng)
    quiet, _ = leak_pair(minute.quiet(), rng)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        write_wav_16(folder / "pair.wav", np.stack([first, second], axis=1), 8000)
        pair = folder / "pair.wav"
        rows = [
            ("delay, 10 min of two channels at 8 kHz", 2.0, lambda: delay(first, second, 8000)),
            ("the same from a file", 2.0, lambda: delay_of_files(f"{pair}#1", f"{pair}#2")),
            ("band search, 2 x 60 s at 4 kHz", 3.0, lambda: best_band(leak, quiet, 4000)),
            ("steady level, 60 s at 4 kHz", 0.5, lambda: steady_level(leak, 4000, (200, 1000))),
        ]
        print("| work | seconds | target |")
        print("| --- | --- | --- |")
        for label, target, work in rows:
            print(f"| {label} | {best_of(work):.2f} | {target:.1f} |", flush=True)
        if asked.hour:
            print(f"\nan hour at 48 kHz: {hour_peak_mb(folder):.0f} MB at the peak (target 300)")
    return 0


if __name__ == "__main__":
    sys.exit(main())
