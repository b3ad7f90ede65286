"""Digs, dry holes and checks on ground that fools: ``python -m tests.trials.bad_ground_trial``.

A simulated technician does the check that is asked for, three at most, and digs when told to.
``--off`` switches the rivals off: what levels on the line alone lead to.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from collections import Counter
from dataclasses import dataclass, field

import numpy as np

from geoleak.advice.decide import Decision, decide
from geoleak.closeout.record import exact_p
from geoleak.posterior.infer import infer
from geoleak.record import replace
from geoleak.survey.records import Survey
from tests.trials.bad_ground import BAD, HALF_WIDTH_M, KINDS, MIXED, World, draw
from tests.trials.field_trial import SETTING_OUT

MOST_CHECKS = 3


@dataclass(slots=True)
class Tally:
    """What happened on some sites."""

    sites: int = 0
    hits: list[bool] = field(default_factory=list)
    promised: list[float] = field(default_factory=list)
    checks: Counter[str] = field(default_factory=Counter)
    first: Counter[str] = field(default_factory=Counter)
    left: Counter[str] = field(default_factory=Counter)
    """Jobs and reasons at which a site was left undug."""
    missed: list[str] = field(default_factory=list)
    """Every dry hole: the leak, the checks made, what the explanations stood at."""
    minutes: float = 0.0
    seconds: float = 0.0
    inferences: int = 0

    @property
    def dry(self) -> int:
        return len(self.hits) - sum(self.hits)


def judged(survey: Survey) -> Decision:
    """Return the decision on a survey."""
    return decide(
        survey,
        infer(survey),
        setting_out_sigma=SETTING_OUT,
        hole_half_width_m=HALF_WIDTH_M,
        most_readings=0,
    )


def explained(decision: Decision) -> str:
    """Return the chance of every explanation."""
    return " ".join(f"{e.name} {e.chance:.3f}" for e in decision.in_hole.explanations)


def with_shares(survey: Survey, times: float) -> Survey:
    """Return the survey with every rival's share multiplied."""
    prior = survey.site.prior
    names = ("fitting", "aside", "beyond", "displaced")
    changed = prior.model_copy(update={n: times * getattr(prior, n) for n in names})
    return replace(survey, site=replace(survey.site, prior=changed))


def one_site(world: World, tally: Tally) -> None:
    """Go through one site to its end: a hole, or no more checks."""
    tally.sites += 1
    for turn in range(MOST_CHECKS + 1):
        start = time.process_time()
        decision = judged(world.survey)
        tally.seconds += time.process_time() - start
        tally.inferences += 1
        if turn == 0:
            tally.first[decision.verdict] += 1
        if decision.verdict == "dig":
            tally.hits.append(world.hit(decision.hole.pieces))
            tally.promised.append(decision.hole.chance)
            if not tally.hits[-1]:
                tally.missed.append(
                    f"{world.leak}; {', '.join(world.checks)}; {explained(decision)}"
                )
        if decision.verdict != "check_first" or decision.check is None or turn == MOST_CHECKS:
            if decision.verdict != "dig":
                tally.left[decision.verdict if turn < MOST_CHECKS else "checks used up"] += 1
            break
        check = decision.check
        if check.kind == "redo" and not (check.places and check.job.startswith(("read", "take"))):
            tally.left[check.job] += 1
            break  # what a technician goes back for with other tools
        world.do(decision.check)
    tally.minutes += world.minutes
    tally.checks.update(world.checks)


def run(kind: str, sites: int, seed: int, *, times: float = 1.0, documented: float = 0.0) -> Tally:
    """Run sites of one kind, or ``"mixture"`` of all kinds in their shares."""
    tally = Tally()
    for number in range(sites):
        rng = np.random.default_rng([seed, number])
        chosen = kind
        if kind == "mixture":
            chosen = str(rng.choice(list(MIXED), p=list(MIXED.values())))
        world = draw(chosen, rng, documented=documented)
        world.survey = with_shares(world.survey, times)
        one_site(world, tally)
    return tally


HEAD = (
    "| kind | sites | dug | dry | hits (promised) | p | first: dig, check, listen | "
    "checks a site | stop, across, trace on, rod, again, redo | minutes a dig | s a look |"
)


def row(kind: str, tally: Tally) -> str:
    """Return one row of the table."""
    dug = len(tally.hits)
    names = ("stop", "across", "trace_on", "rod", "again", "redo")
    promised = f"{sum(tally.hits)}/{dug} ({np.mean(tally.promised):.3f})" if dug else "-"
    p = f"{exact_p(tally.hits, tally.promised):.3f}" if dug else "-"
    first = ", ".join(str(tally.first[v]) for v in ("dig", "check_first", "listen_on"))
    parts = [
        kind,
        str(tally.sites),
        str(dug),
        str(tally.dry),
        promised,
        p,
        first,
        f"{tally.checks.total() / tally.sites:.2f}",
        ", ".join(str(tally.checks[name]) for name in names),
        f"{tally.minutes / dug:.0f}" if dug else "-",
        f"{tally.seconds / tally.inferences:.3f}",
    ]
    return "| " + " | ".join(parts) + " |"


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=100)
    parser.add_argument("--kinds", nargs="*", default=[*KINDS, "mixture"])
    parser.add_argument("--seed", type=int, default=20261127)
    parser.add_argument("--off", action="store_true")
    parser.add_argument("--times", type=float, default=1.0, help="all shares times this")
    parser.add_argument("--documented", type=float, default=0.0)
    chosen = parser.parse_args(arguments)
    print(HEAD)
    print("| " + " | ".join(["---"] * (HEAD.count("|") - 1)) + " |")
    dry = 0
    for kind in chosen.kinds:
        tally = run(
            kind,
            chosen.sites,
            chosen.seed,
            times=0.0 if chosen.off else chosen.times,
            documented=chosen.documented,
        )
        dry += tally.dry * (kind in BAD)
        print(row(kind, tally), flush=True)
        print(f"{kind} left: {dict(tally.left.most_common(6))}", file=sys.stderr)
        for each in tally.missed:
            print(f"    dry: {each}", file=sys.stderr)
    print(f"dry holes of the bad kinds: {dry} (+- {math.sqrt(max(dry, 1)):.0f})", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
