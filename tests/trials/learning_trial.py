"""Towns whose ground is not the shipped one: ``python -m tests.trials.learning_trial``.

Half the towns stand on moist clay, half on loose fill (rows of tables/soils.csv). With
``--loudness`` leaks are a shipped spread louder and read a shipped spread better on the clay,
fainter and worse on the fill. Sites are drawn from the model of inference on the town's true
tables. What so many closed-out sites teach is then used on a further site of the town: its log
score, and whether the intervals cover.

What costs is done once: on each soil 300 sites are closed out and asked for their word, and a town
is 30 of them by lot. The further site is located by the real inference, on the shipped tables, on
the learned ones and on the true.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass

import numpy as np

from geoleak import tables
from geoleak.closeout.learning import REGION, Told, learn, words_of
from geoleak.evidence.buried import SurfaceEvidence
from geoleak.posterior.infer import infer
from geoleak.record import replace
from geoleak.survey.records import Survey
from geoleak.tables.learned import Learned, Tables
from tests import synthetic
from tests.trials.model_sites import levels_from_model, truth_where_listened
from tests.trials.ranks import Truth, covers

LENGTH_M = 30.0
SOILS = ("clay", "fill")
AFTER = (0, 5, 30)
# Beside them the town's true tables: all that there is to gain.
TRUE = -1
BANK = 300


def town_on(soil: str, *, loudness: bool) -> Tables:
    """Return the true tables of a town on a soil."""
    row = tables.soil(soil)
    rows = [Learned("soil_loss", row.loss_db_per_m, row.loss_log_sigma, 1, 0.0)]
    for name, sign in (("source_over_background", 1), ("level_error_log", -1)) * loudness:
        shipped = tables.setting(name)
        off = sign * (1 if soil == "clay" else -1) * shipped.spread
        within = float(np.sqrt(1 - REGION)) * shipped.spread
        rows.append(Learned(name, shipped.value + off, within, 1, 0.0))
    return Tables(tuple(rows))


def on(survey: Survey, known: Tables) -> Survey:
    """Return a survey whose answer rests on some tables."""
    return replace(survey, site=replace(survey.site, tables=known))


def draw_site(rng: np.random.Generator, town: Tables) -> tuple[Survey, Truth]:
    """Draw a lawn with a service under it, listened to in part, and the leak found on it."""
    route = synthetic.straight(LENGTH_M)
    chainage = rng.uniform(0, 8) + np.arange(int(rng.integers(10, 20))) * rng.uniform(0.8, 1.6)
    chainage = chainage[chainage < LENGTH_M]
    depth = float(rng.uniform(0.6, 1.3))
    rows = synthetic.levels("surface", chainage, 40.0, route=route)
    survey = synthetic.survey([route], surface=rows, depth_m=depth, elsewhere=0.05)
    truth = Truth(None)
    while truth.leg is None:
        truth = truth_where_listened(survey, rng)
    drawn = levels_from_model(on(survey, town), truth, SurfaceEvidence, "surface", rng)
    return on(drawn, Tables()), truth


@dataclass(frozen=True, slots=True)
class Scored:
    """A further site of a town on the tables of so many closed-out ones."""

    town: int
    soil: str
    after: int
    log_score: float
    cover_95: bool
    length_95_m: float


def score(survey: Survey, truth: Truth) -> tuple[float, bool, float]:
    """Return log density at the leak (per metre), whether the 95 % set holds it, its length."""
    posterior = infer(survey)
    cells = posterior.cells
    away = np.where(cells.leg == truth.leg, np.abs(cells.chainage_m - truth.chainage_m), np.inf)
    cell = int(np.argmin(away))
    density = posterior.mass[cell] / cells.width_m[cell]
    length = sum(b - a for _, a, b in posterior.interval_95)
    return float(np.log(density)), covers(posterior, truth, posterior.interval_95), length


Banks = dict[str, list[Told]]


def banks(seed: int, count: int, *, loudness: bool) -> Banks:
    """Return what so many closed-out sites on each soil say."""
    found: Banks = {}
    for number, soil in enumerate(SOILS):
        town = town_on(soil, loudness=loudness)
        for k in range(count):
            survey, truth = draw_site(np.random.default_rng([seed, number, k]), town)
            words = tuple(words_of(survey, truth.leg, truth.chainage_m))
            found.setdefault(soil, []).append(Told(f"s{k}", "", words))
    return found


def run_town(
    seed: int,
    number: int,
    bank: Banks,
    *,
    loudness: bool,
    after: tuple[int, ...] = AFTER,
) -> tuple[list[Scored], dict[int, Tables]]:
    """Return the scores of one town, and the tables learned after each count of sites."""
    rng = np.random.default_rng([seed, len(SOILS), number])
    soil = SOILS[number % len(SOILS)]
    order = rng.permutation(len(bank[soil]))
    told = [bank[soil][k] for k in order]
    known = {count: learn(told[:count])[0] for count in after} | {
        TRUE: town_on(soil, loudness=loudness)
    }
    survey, truth = draw_site(rng, known[TRUE])
    found = [Scored(number, soil, k, *score(on(survey, e), truth)) for k, e in known.items()]
    return found, known


def ground_gain(known: Tables, soil: str) -> float:
    """Return what a further site's own soil loss gains in log score, in the mean over sites."""
    shipped, row, true = tables.soil("unknown"), known.soil(), tables.soil(soil)

    def mean_score(stated: tables.Soil) -> float:
        off = np.log(true.loss_db_per_m / stated.loss_db_per_m)
        wide = stated.loss_log_sigma
        return float(-np.log(wide) - (off**2 + true.loss_log_sigma**2) / (2 * wide**2))

    return mean_score(row) - mean_score(shipped)


def report(found: list[Scored], after: tuple[int, ...] = AFTER) -> list[str]:
    """Return the table: gain in log score and change of coverage, by count of closed-out sites."""
    lines = ["| ground | closed out | log score gained a site | 95 % covers | by | length |",
             "| --- | --- | --- | --- | --- | --- |"]  # fmt: skip
    for soil in (*SOILS, "both"):
        mine = [each for each in found if soil in (each.soil, "both")]
        if not mine:
            continue
        before = [each for each in mine if each.after == 0]
        for count in (*after, TRUE):
            now = [each for each in mine if each.after == count]
            gain = np.array([b.log_score - a.log_score for a, b in zip(before, now, strict=True)])
            change = np.array([b.cover_95 - a.cover_95 for a, b in zip(before, now, strict=True)],
                              dtype=float)  # fmt: skip
            many, name = np.sqrt(len(gain)), "(true)" if count == TRUE else count
            lines.append(
                f"| {soil} | {name} | {gain.mean():+.3f} +- {gain.std() / many:.3f} | "
                f"{np.mean([each.cover_95 for each in now]):.3f} | "
                f"{100 * change.mean():+.1f} +- {100 * change.std() / many:.1f} points | "
                f"{np.mean([each.length_95_m for each in now]):.2f} m |"
            )
    return lines


def main(arguments: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--towns", type=int, default=200)
    parser.add_argument("--seed", type=int, default=20261126)
    parser.add_argument("--loudness", action="store_true", help="source and scatter differ too")
    chosen = parser.parse_args(arguments)
    start = time.process_time()
    bank = banks(chosen.seed, BANK, loudness=chosen.loudness)
    found: list[Scored] = []
    soil: dict[str, list[list[float]]] = {name: [] for name in SOILS}
    gain: dict[str, list[list[float]]] = {name: [] for name in SOILS}
    for number in range(chosen.towns):
        scored, known = run_town(chosen.seed, number, bank, loudness=chosen.loudness)
        found += scored
        name = SOILS[number % len(SOILS)]
        soil[name].append([known[count].soil().loss_db_per_m for count in AFTER])
        gain[name].append([ground_gain(known[count], name) for count in AFTER])
        if number % 50 == 49:
            done = f"{number + 1} towns, {time.process_time() - start:.0f} s"
            print("\n".join([done, *report(found)]), file=sys.stderr, flush=True)
    print("\n".join(report(found)))
    counts = " / ".join(map(str, AFTER))
    for name in SOILS:
        median = " / ".join(f"{each:.2f}" for each in np.median(soil[name], axis=0))
        won = np.array(gain[name])
        mean = " / ".join(f"{each:+.3f}" for each in won.mean(axis=0))
        print(f"{name}: true {tables.soil(name).loss_db_per_m:g} dB/m, after {counts} sites "
              f"{median}; log score of a site's own loss {mean}, "
              f"+- {won[:, -1].std() / np.sqrt(len(won)):.3f}")  # fmt: skip
    print(f"{time.process_time() - start:.0f} s", file=sys.stderr)
    return 0


if __name__ == "__main__":
    sys.exit(main())
