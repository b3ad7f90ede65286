"""Faint and silent ground: ``python -m tests.trials.faint_trial``.

Sites of `tests.trials.field.draw_faint`: leaks 5 to 25 dB over the background, one in ten under
it, one in seven outside the stretch listened to. What is said in the hole against what happens,
digs and hits, and what the intervals cover. Rivals are switched off.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from geoleak.advice.decide import decide
from geoleak.closeout.record import exact_p
from geoleak.posterior.infer import infer
from geoleak.record import replace
from geoleak.survey.records import Survey
from tests.trials.field import FaintField, draw_faint
from tests.trials.field_trial import HALF_WIDTH_M, SETTING_OUT
from tests.trials.ranks import covers

RIVALS = ("fitting", "aside", "beyond", "displaced")
BANDS = (0.2, 0.4, 0.6, 0.8)


@dataclass(frozen=True, slots=True)
class Outcome:
    """One site: what was said and what was so."""

    said: float
    held: bool
    dug: bool
    cover_50: bool
    cover_95: bool
    length_95_m: float
    strength_db: float
    listened: bool
    audible: bool


def without_rivals(survey: Survey) -> Survey:
    """Return the survey with every rival explanation switched off."""
    off = survey.site.prior.model_copy(update=dict.fromkeys(RIVALS, 0.0))
    return replace(survey, site=replace(survey.site, prior=off))


def outcome(site: FaintField) -> Outcome:
    """Locate one site."""
    survey = without_rivals(site.survey)
    posterior = infer(survey)
    decision = decide(
        survey,
        posterior,
        setting_out_sigma=SETTING_OUT,
        hole_half_width_m=HALF_WIDTH_M,
        most_readings=0,
    )
    truth = site.truth
    return Outcome(
        said=decision.hole.chance,
        held=any(a <= truth.chainage_m <= b for _, a, b in decision.hole.pieces),
        dug=decision.verdict == "dig",
        cover_50=covers(posterior, truth, posterior.interval_50),
        cover_95=covers(posterior, truth, posterior.interval_95),
        length_95_m=sum(b - a for _, a, b in posterior.interval_95),
        strength_db=site.strength_db,
        listened=site.listened,
        audible=site.audible,
    )


def run(sites: int, seed: int, **changes) -> list[Outcome]:
    """Run sites of one seed; each is drawn from its own stream."""
    return [outcome(draw_faint(np.random.default_rng([seed, i]), **changes)) for i in range(sites)]


def share(values) -> str:
    """Return a share with its binomial error."""
    held = np.asarray(list(values), dtype=float)
    if len(held) == 0:
        return "-"
    p = held.mean()
    return f"{p:.3f} +- {np.sqrt(max(p * (1 - p), 1e-4) / len(held)):.3f} ({len(held)})"


def report(found: list[Outcome]) -> list[str]:
    """Return the lines of the table."""
    lines = []
    middle = [o for o in found if BANDS[0] <= o.said <= BANDS[-1]]
    for low, high in (*pairwise(BANDS), (BANDS[0], BANDS[-1])):
        band = [o for o in middle if low <= o.said <= high]
        said = np.mean([o.said for o in band]) if band else np.nan
        lines.append(
            f"said {low:.1f} to {high:.1f}: {said:.3f}, held {share(o.held for o in band)}"
        )
    dug = [o for o in found if o.dug]
    p = exact_p([o.held for o in dug], [o.said for o in dug])
    promised = np.mean([o.said for o in dug]) if dug else np.nan
    hits = sum(o.held for o in dug)
    lines.append(f"dug {len(dug)} of {len(found)}: hits {hits}, promised {promised:.3f}, p {p:.3f}")
    faint = [o for o in found if 7.5 <= o.strength_db <= 12.5]
    lines.append(f"7.5 to 12.5 dB: dug {share(o.dug for o in faint)}")
    lines.append(f"7.5 to 12.5 dB, listened to: dug {share(o.dug for o in faint if o.listened)}")
    lines.append(f"7.5 to 12.5 dB: hits {share(o.held for o in faint if o.dug)}")
    lines.append(f"outside the stretch: dug {sum(o.dug and not o.listened for o in found)}")
    lines.append(f"inaudible: dug {sum(o.dug and not o.audible for o in found)}")
    for name, some in (
        ("all", found),
        ("audible, listened to", [o for o in found if o.audible and o.listened]),
        ("inaudible", [o for o in found if not o.audible]),
        ("outside", [o for o in found if not o.listened]),
    ):
        length = np.median([o.length_95_m for o in some]) if some else np.nan
        lines.append(
            f"{name}: 50 % {share(o.cover_50 for o in some)}, "
            f"95 % {share(o.cover_95 for o in some)}, length {length:.1f} m"
        )
    return lines


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--sites", type=int, default=600)
    parser.add_argument("--seed", type=int, default=20261126)
    chosen = parser.parse_args(arguments)
    start = time.process_time()
    print("\n".join(report(run(chosen.sites, chosen.seed))))
    print(f"{time.process_time() - start:.0f} s", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
