"""Invented sites against the whole chain: ``python -m tests.trials.field_trial``."""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np

from geoleak.advice.decide import Decision, decide
from geoleak.closeout.record import exact_p
from geoleak.posterior.infer import Posterior, infer
from tests.trials.field import Field, draw_field
from tests.trials.ranks import covers

SETTING_OUT = (0.05, 0.08)
HALF_WIDTH_M = 0.45

KINDS: dict[str, Callable[[np.random.Generator], Field]] = {
    "surface": lambda rng: draw_field(rng),
    "slab": lambda rng: draw_field(rng, slab=True),
    "with contacts and delay": lambda rng: draw_field(rng, contacts=True),
    "missed": lambda rng: draw_field(rng, inside=False),
    "no leak": lambda rng: draw_field(rng, leaks=0),
    "two leaks": lambda rng: draw_field(rng, leaks=2, strength_db=(25.0, 3.0)),
    "two faint leaks": lambda rng: draw_field(rng, leaks=2),
}


@dataclass(slots=True)
class Tally:
    """What happened, one entry a site."""

    ratio: list[float] = field(default_factory=list)
    loudest: list[float] = field(default_factory=list)
    between: list[float] = field(default_factory=list)
    log_score: list[float] = field(default_factory=list)
    cover: list[tuple[bool, bool, bool]] = field(default_factory=list)
    dug: list[bool] = field(default_factory=list)
    hit: list[bool] = field(default_factory=list)
    promised: list[float] = field(default_factory=list)
    unheard: int = 0
    silent: list[bool] = field(default_factory=list)
    second: list[bool] = field(default_factory=list)


def add(tally: Tally, site: Field, posterior: Posterior, decision: Decision) -> None:
    """Write down one site."""
    truth = site.truth
    silent = posterior.no_leak_odds is not None and posterior.no_leak_odds > 1.0
    tally.silent.append(silent and decision.verdict != "dig")
    tally.second.append(posterior.second_leak is not None)
    dug = decision.verdict == "dig"
    if truth.leg is not None:
        tally.log_score.append(_log_score(posterior, truth.chainage_m))
        pieces = (posterior.interval_50, posterior.interval_80, posterior.interval_95)
        tally.cover.append(tuple(covers(posterior, truth, each) for each in pieces))
    if site.inside:
        _errors(tally, site, decision)
        tally.dug.append(dug)
    elif dug:
        tally.unheard += 1
    if dug:
        leaks = [truth.chainage_m, *site.others] if truth.leg is not None else []
        inside = any(a <= x <= b for _, a, b in decision.hole.pieces for x in leaks)
        tally.hit.append(inside)
        tally.promised.append(decision.hole.chance)


def _errors(tally: Tally, site: Field, decision: Decision) -> None:
    rows = site.survey.surface
    order = np.argsort(-rows.level_db, kind="stable")
    near = min((site.truth.chainage_m, *site.others), key=lambda x: abs(x - decision.stake_m))
    loudest = rows.chainage_m[order[0]]
    tally.ratio.append(abs(decision.stake_m - near) / site.bound_m)
    tally.loudest.append(abs(loudest - site.truth.chainage_m) / site.bound_m)
    middle = rows.chainage_m[order[:2]].mean()
    tally.between.append(abs(middle - site.truth.chainage_m) / site.bound_m)


def _log_score(posterior: Posterior, chainage_m: float) -> float:
    places = posterior.cells
    i = int(np.argmin(np.abs(places.chainage_m - chainage_m) / places.width_m))
    return float(np.log(max(posterior.mass[i] / places.width_m[i], 1e-12)))


def run(kind: str, sites: int, seed: int) -> Tally:
    """Run one kind of site."""
    rng = np.random.default_rng(seed)
    tally = Tally()
    for _ in range(sites):
        site = KINDS[kind](rng)
        posterior = infer(site.survey)
        decision = decide(
            site.survey,
            posterior,
            setting_out_sigma=SETTING_OUT,
            hole_half_width_m=HALF_WIDTH_M,
            most_readings=0,
        )
        add(tally, site, posterior, decision)
    return tally


def _ratio(values: list[float]) -> str:
    if not values:
        return "-"
    rng = np.random.default_rng(1)
    array = np.array(values) / 0.6745
    again = np.median(rng.choice(array, (200, len(array))), axis=1)
    return f"{np.median(array):.2f} +- {again.std():.2f}"


def _share(values: list[bool]) -> str:
    if not values:
        return "-"
    p = float(np.mean(values))
    return f"{p:.3f} +- {math.sqrt(max(p * (1 - p), 1e-4) / len(values)):.3f}"


def row(kind: str, tally: Tally) -> str:
    """Return one row of the table."""
    cover = np.array(tally.cover, dtype=float).reshape(-1, 3)
    parts = [kind, _ratio(tally.ratio), _ratio(tally.loudest), _ratio(tally.between)]
    parts += [f"{np.mean(tally.log_score):.2f}" if tally.log_score else "-"]
    parts += [_share(cover[:, i].tolist()) for i in range(3)]
    parts += [_share(tally.dug), str(tally.unheard)]
    if tally.hit:
        parts += [
            f"{sum(tally.hit)}/{len(tally.hit)} ({np.mean(tally.promised):.3f})",
            f"{exact_p(tally.hit, tally.promised):.3f}",
        ]
    else:
        parts += ["-", "-"]
    parts += [_share(tally.silent), _share(tally.second)]
    return "| " + " | ".join(parts) + " |"


HEAD = (
    "| kind | error/bound | loudest | between two | log score | 50 % | 80 % | 95 % | dug | "
    "dug off the stretch | hits (promised) | p | silent said | second said |"
)


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=400)
    parser.add_argument("--kinds", nargs="*", default=list(KINDS))
    parser.add_argument("--seed", type=int, default=20261125)
    chosen = parser.parse_args(arguments)
    print(HEAD)
    print("| " + " | ".join(["---"] * (HEAD.count("|") - 1)) + " |")
    for kind in chosen.kinds:
        start = time.perf_counter()
        tally = run(kind, chosen.sites, chosen.seed)
        print(row(kind, tally), flush=True)
        print(f"{kind}: {time.perf_counter() - start:.0f} s", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
