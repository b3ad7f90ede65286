"""Fuzzing at length: `python -m tests.long.fuzz --minutes 60`, or some targets by name.

Each target runs in a process of its own for its share of the time: libFuzzer (through atheris)
damages the files so that new branches of the readers are reached. Every way of failing is kept once
below `--keep`, by where it was raised; the exit code is 1 if there was one.
"""

from __future__ import annotations

import argparse
import hashlib
import itertools
import json
import logging
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
import traceback
from functools import partial
from pathlib import Path

WATCHED = ["geoleak.readers", "geoleak.acoustics.recording", "geoleak.units", "geoleak.crs"]
LONGEST = 120_000
# A hang inside a library, where Python cannot step in: libFuzzer's own clock, of the wall.
STUCK_S = 60


def where_raised(error: BaseException) -> str:
    """Return the kind of an error and the last lines of the product it came through."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [each for each in frames if "geoleak" in each.filename or "fuzz_targets" in each.filename]
    if type(error).__name__ == "Hung":
        own = own[:4]
    last = (own or frames)[-1]
    return f"{type(error).__name__} in {Path(last.filename).name}:{last.lineno} ({last.name})"


def words() -> str:
    """Return pieces that mean something to the readers, as a dictionary of libFuzzer."""
    from geoleak.readers import ROLES
    from tests.test_fuzz import TOKENS

    pieces = {each.encode() for each in (*TOKENS, *map(str, ROLES))}
    shown = ("".join(f"\\x{byte:02x}" for byte in each) for each in sorted(pieces) if each)
    return "".join(f'"{each}"\n' for each in shown)


def mutated(seeds: list[bytes], data: bytes, most: int, seed: int) -> bytes:
    """Return a file damaged in a few places, with what means something to the readers.

    libFuzzer's own damage alone seldom leaves a text that is more than refused as binary.
    """
    import atheris

    from tests.test_fuzz import TOKENS

    rng = random.Random(seed)
    if rng.random() < 0.25:
        return atheris.Mutate(data, most)
    if rng.random() < 0.5:  # else the damage adds up, and nothing is read any more
        data = rng.choice(seeds)
    binary = b"\0" in data[:4096]
    for _ in range(rng.choice((1, 1, 1, 2, 4))):
        at = rng.randrange(len(data) + 1)
        to = min(len(data), at + rng.choice((0, 0, 1, 1, 2, 5, 12, 40)))
        from_ = rng.randrange(len(data) + 1)
        piece = rng.choice(
            (
                rng.choice(TOKENS).encode("utf-8", "surrogatepass"),
                b"",
                data[at:to] * 2,
                data[from_ : from_ + to - at],
                rng.choice((b"0", b"9", b"5", b".", b"-", b" ", b",")),
                rng.randbytes(to - at),
            )
        )
        if binary and rng.random() < 0.9:
            piece = rng.choice((b"\0", b"\xff", b"\x7f", b"\x80", rng.randbytes(1))) * (to - at)
        data = data[:at] + piece + data[to:]
    return data[:most]


def fuzz_one(name: str, seconds: int, keep: Path) -> None:
    """Damage files of one target until the time is over; ends the process."""
    import atheris

    with atheris.instrument_imports(include=WATCHED):
        pass
    logging.disable()
    from tests.fuzz_targets import TARGETS

    target, tally = TARGETS[name], {"runs": 0, "answered": 0, "failed": 0}
    place = Path(tempfile.mkdtemp(prefix="fuzz_"))
    folder = target.lay_out(place)
    corpus = keep / "corpus" / name
    corpus.mkdir(parents=True, exist_ok=True)
    for seed in target.seeds():
        (corpus / hashlib.sha256(seed).hexdigest()[:16]).write_bytes(seed)
    dictionary = keep / f"{name}.dict"
    dictionary.write_text(words())
    started, known = time.monotonic(), set[str]()

    def one(data: bytes) -> None:
        tally["runs"] += 1
        try:
            tally["answered"] += target.holds(place, folder, data)
        except Exception as error:
            tally["failed"] += 1
            which = where_raised(error)
            if which not in known:
                known.add(which)
                print(f"FOUND {name}: {which}: {str(error)[:300]}", flush=True)
                found = keep / "found" / f"{name}_{hashlib.sha256(data).hexdigest()[:12]}"
                found.parent.mkdir(exist_ok=True)
                found.write_bytes(data)
                found.with_suffix(".txt").write_text(traceback.format_exc())
        if time.monotonic() - started > seconds:
            (keep / f"{name}.json").write_text(json.dumps(tally))
            shutil.rmtree(place, ignore_errors=True)
            os._exit(1 if known else 0)

    options = [
        f"-max_len={LONGEST}", f"-timeout={STUCK_S}", "-rss_limit_mb=1500", f"-dict={dictionary}",
        f"-artifact_prefix={keep}/stuck_{name}_", "-verbosity=0", "-len_control=0",
    ]  # fmt: skip
    atheris.Setup(
        [sys.argv[0], *options, str(corpus)], one, custom_mutator=partial(mutated, target.seeds())
    )
    atheris.Fuzz()


def fuzz_sites(seconds: int, keep: Path) -> None:
    """Draw whole sites, valid and nearly valid, until the time is over; ends the process."""
    from hypothesis import given, seed, settings
    from hypothesis import strategies as st

    from tests.test_fuzz import (
        FORMS,
        QUICK,
        holds,
        nearly_valid,
        same_answer,
        same_statement,
        sites,
    )

    logging.disable()
    tally, bad, started = {"runs": 0, "answered": 0, "failed": 0}, False, time.monotonic()

    def nearly(data: st.DataObject) -> None:
        tally["runs"] += 1
        tally["answered"] += holds(data.draw(nearly_valid()))

    def rewritten(data: st.DataObject) -> None:
        tally["runs"] += 1
        same_statement(data.draw(sites()), data.draw(FORMS))
        tally["answered"] += 1

    def answered(data: st.DataObject) -> None:
        tally["runs"] += 1
        same_answer(data.draw(sites()), data.draw(FORMS))

    for test, count in itertools.cycle(((nearly, 100), (rewritten, 40), (answered, 4))):
        if time.monotonic() - started > seconds:
            break
        wide = settings(QUICK, max_examples=count, derandomize=False)
        try:
            seed(tally["runs"])(wide(given(st.data())(test)))()
        except Exception as error:
            bad, tally["failed"] = True, tally["failed"] + 1
            print(f"FOUND sites: {where_raised(error)}", flush=True)
            found = keep / "found" / f"sites_{tally['runs']}.txt"
            found.parent.mkdir(exist_ok=True)
            found.write_text(traceback.format_exc() + "\n".join(getattr(error, "__notes__", ())))
    (keep / "sites.json").write_text(json.dumps(tally))
    os._exit(bad)


def main() -> int:
    """Run targets one after the other and say what came of each."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("targets", nargs="*", metavar="TARGET", help="all, where none is named")
    parser.add_argument("--minutes", type=float, default=60.0, help="for all targets together")
    parser.add_argument(
        "--keep", type=Path, default=Path("fuzz_kept"), help="corpus, what is found"
    )
    parser.add_argument("--one", type=int, metavar="SECONDS", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    asked.keep.mkdir(parents=True, exist_ok=True)
    if asked.one and asked.targets == ["sites"]:
        fuzz_sites(asked.one, asked.keep)
    elif asked.one:
        fuzz_one(asked.targets[0], asked.one, asked.keep)  # before the readers are imported
    from tests.fuzz_targets import TARGETS

    names = asked.targets or ["sites", *TARGETS]
    share, total, bad = max(5, round(asked.minutes * 60 / len(names))), 0, False
    for name in names:
        keep = ["--one", str(share), "--keep", str(asked.keep)]
        told = asked.keep / f"{name}.json"
        told.unlink(missing_ok=True)
        done = subprocess.run(
            [sys.executable, "-m", "tests.long.fuzz", name, *keep],
            stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True, errors="replace",
        )  # fmt: skip
        tally = json.loads(told.read_text()) if told.exists() else {"runs": 0}
        total += tally["runs"]
        bad |= done.returncode != 0
        print(f"{name}: {tally} exit {done.returncode}", flush=True)
        lines = [line for line in done.stdout.splitlines() if line.startswith("FOUND")]
        if done.returncode and not lines:
            lines = done.stdout.splitlines()[-30:]
        print("".join(f"  {line}\n" for line in lines), end="", flush=True)
    print(f"{total} mutations")
    return int(bad)


if __name__ == "__main__":
    raise SystemExit(main())
