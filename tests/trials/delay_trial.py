"""How good delays are on simulated pairs: error against the bound, stated against real spread.

    python -m tests.trials.delay_trial --pairs 300

Each case is 60 s at 4 kHz through a lossy pipe, but for the narrow ones, hard on purpose: there
wrong peaks happen, and the number promised for them is held against their count.

Columns: root mean square error over the Cramer-Rao bound of the true coherence (right peaks only)
with its Monte-Carlo error; root mean square stated sigma over the real scatter with its error;
pairs with a wrong peak; wrong peaks promised; pairs with no delay found.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass

import numpy as np

from geoleak.acoustics import delay
from geoleak.record import replace
from tests.recordings import LeakPair, leak_pair

METAL = LeakPair()
PLASTIC = LeakPair(
    first_m=15.0,
    second_m=40.0,
    wave_speed_m_per_s=440.0,
    band_hz=(15.0, 90.0),
    loss_db_per_m=0.23,
    loss_reference_hz=100.0,
)
SNRS_DB = (10.0, 3.0, 0.0, -5.0)


@dataclass(frozen=True, slots=True)
class Score:
    """One row of the table."""

    case: str
    pairs: int
    right: int
    wrong: int
    missed: int
    error_ratio: float
    error_ratio_sigma: float
    stated_ratio: float
    stated_ratio_sigma: float
    promised_wrong: float
    seconds: float


def cases() -> dict[str, LeakPair]:
    """Return every case by name."""
    found = {}
    for name, pair in (("metal", METAL), ("plastic", PLASTIC)):
        for snr in SNRS_DB:
            found[f"{name} {snr:+.0f} dB"] = replace(pair, snr_db=snr)
    found["metal +3 dB, hum +10 dB"] = replace(METAL, snr_db=3.0, hum_db=10.0)
    found["metal +3 dB, stray -10 dB"] = replace(METAL, snr_db=3.0, stray_db=-10.0)
    narrow = replace(PLASTIC, flank_order=16, snr_db=0.0)
    for low, high, seconds in ((40.0, 60.0, 10.0), (45.0, 55.0, 10.0), (47.0, 53.0, 15.0)):
        found[f"{low:.0f}-{high:.0f} Hz only, {seconds:.0f} s, 0 dB"] = replace(
            narrow, band_hz=(low, high), duration_s=seconds
        )
    found["metal no leak"] = METAL.quiet()
    found["plastic no leak"] = PLASTIC.quiet()
    found["metal no leak, hum +10 dB"] = replace(METAL.quiet(), hum_db=10.0)
    return found


def score(case: str, pair: LeakPair, pairs: int, seed: int) -> Score:
    """Run one case. The delay itself varies from pair to pair, by fractions of a sample."""
    rng = np.random.default_rng(seed)
    errors, stated, promised = [], [], []
    wrong = missed = 0
    began = time.perf_counter()
    bound = pair.bound_s() if pair.snr_db > -100 else np.nan
    near = 0.5 / pair.band_hz[1] if pair.snr_db > -100 else 0.0
    for _ in range(pairs):
        this = replace(pair, first_m=pair.first_m + float(rng.uniform(-5, 5)))
        one, two = leak_pair(this, rng)
        estimate = delay(one, two, this.rate_hz)
        if estimate.delay_s is None or estimate.sigma_s is None:
            missed += 1
            continue
        error = estimate.delay_s - this.delay_s
        promised.append(estimate.chance_wrong or 0.0)
        if abs(error) > near:
            wrong += 1
            continue
        errors.append(error)
        stated.append(estimate.sigma_s)
    return _score(case, pairs, wrong, missed, errors, stated, promised, bound, began)


def _score(
    case: str,
    pairs: int,
    wrong: int,
    missed: int,
    errors: list[float],
    stated: list[float],
    promised: list[float],
    bound: float,
    began: float,
) -> Score:
    if len(errors) < 2:
        ratio = ratio_sigma = stated_ratio = stated_sigma = float("nan")
    else:
        rms = float(np.sqrt(np.mean(np.square(errors))))
        relative = 1 / np.sqrt(2 * len(errors))
        ratio, ratio_sigma = rms / bound, rms / bound * relative
        stated_ratio = float(np.sqrt(np.mean(np.square(stated)))) / rms
        stated_sigma = stated_ratio * relative
    return Score(
        case,
        pairs,
        len(errors),
        wrong,
        missed,
        ratio,
        ratio_sigma,
        stated_ratio,
        stated_sigma,
        float(np.sum(promised)),
        (time.perf_counter() - began) / pairs,
    )


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=300)
    parser.add_argument("--seed", type=int, default=20260504)
    parser.add_argument("--case", default="", help="only cases whose name holds this")
    asked = parser.parse_args(arguments)
    print("| case | pairs | error / bound | stated / real | wrong peak | promised | not found |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for index, (name, pair) in enumerate(cases().items()):
        if asked.case not in name:
            continue
        row = score(name, pair, asked.pairs, asked.seed + index)
        print(
            f"| {row.case} | {row.pairs} | {row.error_ratio:.3f} ± {row.error_ratio_sigma:.3f} | "
            f"{row.stated_ratio:.3f} ± {row.stated_ratio_sigma:.3f} | {row.wrong} | "
            f"{row.promised_wrong:.2f} | {row.missed} |",
            flush=True,
        )
    return 0


if __name__ == "__main__":
    sys.exit(main())
