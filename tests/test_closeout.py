"""Outcomes held against promises, and the record over many sites."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
import scoringrules
from scipy import stats

from geoleak.closeout.record import (
    DEEP_M,
    closed_sites,
    exact_p,
    loudest_error_m,
    outcome_of,
    record_lines,
    scores,
    share_with_bounds,
    summary,
)
from geoleak.errors import InputError
from tests.command import at_length

pytestmark = pytest.mark.usefixtures("few_nodes")

LENGTH_M = 80.0


def result_of(mean: float, sigma: float, *, verdict: str = "dig", chance: float = 0.9) -> dict:
    """Return the keys of a result.json that the record reads: a normal posterior on one leg."""
    at = np.linspace(0.0, LENGTH_M, 1601)
    half = {p: sigma * stats.norm.ppf(0.5 + p / 200) for p in (50, 80, 95)}
    return {
        "run": {"id": "abc123"},
        "site": {"length_unit": "m"},
        "leak": {
            "leg": "yard",
            "chainage_m": mean,
            **{f"interval_{p}": [["yard", mean - h, mean + h]] for p, h in half.items()},
        },
        "decision": {
            "verdict": verdict,
            "chance_in_hole": chance,
            "hole": {"pieces": [["yard", mean - 0.75, mean + 0.75]]},
        },
        "legs": [{"name": "yard", "material": "pvc"}],
        "readings": [
            {"kind": "surface", "leg": "yard", "chainage_m": mean + 1.0, "level_db": 50.0,
             "surface": "grass"},
            {"kind": "surface", "leg": "yard", "chainage_m": mean - 3.0, "level_db": 40.0,
             "surface": "concrete"},
        ],
        "profile": [{"leg": "yard", "chainage_m": at.tolist(),
                     "density_per_m": stats.norm.pdf(at, mean, sigma).tolist()}],
        "job": {"technician": "crew A"},
    }  # fmt: skip


def at(chainage_m: float | None, leg: str | None = "yard") -> dict:
    return {"leg": leg, "chainage_m": chainage_m, "depth_m": 0.9, "cause": "joint"}


def write(folder: Path, result: dict, outcomes: list) -> None:
    (folder / "out").mkdir(parents=True)
    (folder / "site.toml").write_text("")
    (folder / "out" / "result.json").write_text(json.dumps(result))
    if outcomes:
        (folder / "closeout.json").write_text(json.dumps(outcomes))


def test_a_leak_is_held_against_stake_hole_and_intervals() -> None:
    result = result_of(40.0, 0.5)
    found = outcome_of(result, at(40.6), across_m=-0.2)
    assert found["along_m"] == pytest.approx(0.6)
    assert (found["in_hole"], found["interval"]) == (True, 80)
    assert outcome_of(result, at(40.1), across_m=0)["interval"] == 50
    assert outcome_of(result, at(42.0), across_m=0)["interval"] is None
    edge = 40.75
    assert outcome_of(result, at(edge - 1e-6), across_m=0)["in_hole"]
    assert not outcome_of(result, at(edge + 1e-6), across_m=0)["in_hole"]
    other = outcome_of(result, at(40.0, "side"), across_m=0)
    assert tuple(other[key] for key in ("along_m", "in_hole", "interval")) == (None, False, None)
    nowhere = outcome_of(result, at(None, None), across_m=None)
    assert (nowhere["along_m"], nowhere["in_hole"]) == (None, False)


def test_exact_p_is_the_binomial_s_where_promises_are_alike() -> None:
    for hits in range(13):
        held = [k < hits for k in range(12)]
        assert exact_p(held, [0.8] * 12) == pytest.approx(stats.binomtest(hits, 12, 0.8).pvalue)
    # Hits from mixed promises: all p of an honest record, none too often small.
    rng = np.random.default_rng(3)
    promised = rng.uniform(0.6, 0.98, 60)
    p = [exact_p(rng.random(60) < promised, promised) for _ in range(400)]
    assert np.mean(np.array(p) < 0.05) <= 0.05 + 3 * np.sqrt(0.05 * 0.95 / 400)


def test_bounds_of_a_share() -> None:
    assert share_with_bounds(0, 0) is None
    # Clopper-Pearson closed form at the ends: 1 - (alpha / 2) ** (1 / n).
    assert share_with_bounds(0, 20)[2] == pytest.approx(1 - 0.025 ** (1 / 20))
    assert share_with_bounds(20, 20)[1] == pytest.approx(0.025 ** (1 / 20))


@pytest.mark.parametrize(("count", "of"), [(1, 2), (3, 17), (90, 100), (995, 1000)])
def test_bounds_are_clopper_and_pearson_s(count: int, of: int) -> None:
    # Their beta form, written anew: quantiles of Beta(k, n - k + 1) and Beta(k + 1, n - k).
    share, low, high = share_with_bounds(count, of)
    assert share == count / of
    assert low == pytest.approx(stats.beta.ppf(0.025, count, of - count + 1), rel=1e-9)
    assert high == pytest.approx(stats.beta.ppf(0.975, count + 1, of - count), rel=1e-9)


@pytest.mark.parametrize("found", [38.2, 40.0, 40.6, 43.0])
@pytest.mark.parametrize("sigma", [0.3, 1.1])
def test_scores_are_those_of_scoringrules(found: float, sigma: float) -> None:
    made = scores(result_of(40.0, sigma), "yard", found)
    assert made.crps_m == pytest.approx(scoringrules.crps_normal(found, 40.0, sigma), rel=6e-3)
    # Their log score is minus the log density.
    if abs(found - 40.0) < 4 * sigma:
        assert made.log_score == pytest.approx(
            -scoringrules.logs_normal(found, 40.0, sigma), abs=0.02
        )
    assert made.quantile == pytest.approx(stats.norm.cdf(found, 40.0, sigma), abs=2e-3)


def test_a_place_that_had_no_chance_scores_its_distance() -> None:
    sharp = result_of(40.0, 0.5)
    sharp["profile"] = [
        {"leg": "side", "chainage_m": [0.0, 10.0], "density_per_m": [0.02, 0.02]},
        {"leg": "yard", "chainage_m": [39.99, 40.0, 40.01], "density_per_m": [0.0, 80.0, 0.0]},
    ]
    beyond = scores(sharp, "yard", 47.0)
    assert beyond.crps_m == pytest.approx(7.0, abs=0.01)
    assert beyond.log_score == -np.inf
    # The other leg holds a fifth, before this one in the order of legs.
    at_peak = scores(sharp, "yard", 40.0)
    assert at_peak.quantile == pytest.approx(0.6, abs=1e-6)
    assert at_peak.log_score == pytest.approx(np.log(80.0))
    assert scores(sharp, "none", 3.0) is None
    # A leg that was given no chance counts against the odds as well; no distance leads there.
    sharp["profile"][0]["density_per_m"] = [0.0, 0.0]
    shut_out = scores(sharp, "side", 5.0)
    assert (shut_out.quantile, shut_out.log_score, shut_out.crps_m) == (0.0, -np.inf, None)
    assert loudest_error_m(sharp, "none", 3.0) is None


@at_length("count", [100], [300])
def test_an_honest_record_reads_honest(tmp_path: Path, count: int) -> None:
    rng = np.random.default_rng(11)
    for k in range(count):
        sigma = float(rng.uniform(0.3, 1.0))
        mean = float(rng.uniform(15, 65))
        chance = float(2 * stats.norm.cdf(0.75 / sigma) - 1)
        result = result_of(mean, sigma, chance=chance)
        found = outcome_of(result, at(mean + sigma * rng.normal()), across_m=0.0)
        write(tmp_path / f"site{k:03}", result, [found])
    seen = summary(closed_sites([tmp_path]))
    assert (seen["sites"], seen["closed"], seen["digs"]) == (count, count, count)
    assert seen["p_value"] > 0.01
    for percent in (50, 80, 95):
        _, low, high = seen["coverage"][str(percent)]
        assert low - 0.02 <= percent / 100 <= high + 0.02
    assert stats.kstest(seen["quantiles"], "uniform").pvalue > 0.01
    assert seen["loudest_median_error_m"] > seen["median_error_m"]
    assert seen["by"]["material"] == {
        "pvc": {"sites": count, "in_hole": seen["hits"], "dry_holes": 0}
    }
    assert set(seen["by"]["surface"]) == {"grass", "concrete"}


def test_a_boastful_record_is_caught(tmp_path: Path) -> None:
    rng = np.random.default_rng(12)
    for k in range(120):
        result = result_of(40.0, 0.3, chance=0.98)
        write(
            tmp_path / f"s{k}", result,
            [outcome_of(result, at(40.0 + 0.8 * rng.normal()), across_m=0.0)],
        )  # fmt: skip
    seen = summary(closed_sites([tmp_path]))
    assert seen["p_value"] < 1e-6
    assert stats.kstest(seen["quantiles"], "uniform").pvalue < 1e-6


def test_dry_holes_and_open_sites_count(tmp_path: Path) -> None:
    result = result_of(40.0, 0.5)
    write(tmp_path / "a", result, [outcome_of(result), outcome_of(result, at(43), across_m=0)])
    write(tmp_path / "b", result, [])
    seen = summary(closed_sites([tmp_path]))
    assert (seen["sites"], seen["closed"], seen["digs"], seen["hits"], seen["dry_holes"]) == (
        2, 1, 1, 0, 1,
    )  # fmt: skip


def test_one_run_promises_one_hole(tmp_path: Path) -> None:
    """A second hole under the same run was not promised; one under a new run was."""
    result = result_of(40.0, 0.5, chance=0.9)
    again = result_of(43.0, 0.5, chance=0.8) | {"run": {"id": "def456"}}
    holes = [outcome_of(result), outcome_of(result), outcome_of(again, at(43), across_m=0)]
    seen = one(tmp_path, result, *holes)
    assert (seen["digs"], seen["hits"], seen["dry_holes"]) == (2, 1, 2)
    assert seen["promised_mean"] == pytest.approx(0.85)


def test_no_site_and_no_json_are_said(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"no site\.toml"):
        closed_sites([tmp_path])
    write(tmp_path / "a", result_of(1.0, 0.1), [])
    (tmp_path / "a" / "closeout.json").write_text("{")
    with pytest.raises(InputError, match="cannot be read"):
        closed_sites([tmp_path])


def one(tmp_path: Path, result: dict, *outcomes) -> dict:
    write(tmp_path / "one", result, list(outcomes))
    return summary(closed_sites([tmp_path]))


def test_a_leak_that_had_no_chance_keeps_the_mean_finite(tmp_path: Path) -> None:
    result = result_of(40.0, 0.05)
    seen = one(tmp_path, result, outcome_of(result, at(60.0), across_m=0))
    assert seen["log_score"] == pytest.approx(np.log(1e-4))


@pytest.mark.parametrize(
    ("leak", "across", "why"),
    [
        (None, None, "the leak is not found yet"),
        (at(None, None), None, "on no traced line"),
        (at(40.0, "side"), 0.0, "on another leg"),
        (at(40.0), -0.71, "beside the traced line"),
        (at(43.0), 0.69, "farther along the line"),
    ],
)
def test_why_a_hole_was_dry(tmp_path: Path, leak, across, why: str) -> None:
    result = result_of(40.0, 0.5)
    later = [] if leak is None else [outcome_of(result, leak, across_m=across)]
    seen = one(tmp_path, result, outcome_of(result), *later)
    assert seen["dry_because"] == {why: 1}
    assert any(why in line for line in record_lines(seen))


def test_depths_part_at_a_metre(tmp_path: Path) -> None:
    assert DEEP_M == 1.0
    result = result_of(40.0, 0.5)
    for k, depth in enumerate((0.99, 1.0)):
        leak = at(40.0) | {"depth_m": depth}
        write(tmp_path / f"s{k}", result, [outcome_of(result, leak, across_m=0)])
    groups = summary(closed_sites([tmp_path]))["by"]["depth"]
    assert {name: row["sites"] for name, row in groups.items()} == {
        "under 1 m (3.3 ft)": 1, "1 m (3.3 ft) and deeper": 1,
    }  # fmt: skip


def test_promises_are_told_apart_by_tenths(tmp_path: Path) -> None:
    for k, chance in enumerate((0.89, 0.91, 0.97)):
        result = result_of(40.0, 0.5, chance=chance)
        write(tmp_path / f"s{k}", result, [outcome_of(result, at(40), across_m=0)])
    rows = summary(closed_sites([tmp_path]))["reliability"]
    assert [(row["promised"], row["digs"]) for row in rows] == [
        (pytest.approx(0.89), 1), (pytest.approx(0.94), 2),
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("p", "digs", "said"),
    [
        (0.051, 10, "(no more off than chance allows, p"),
        (0.049, 10, "(more off than chance allows, p"),
        (0.051, 9, "(so few digs tell nothing yet, p"),
        (0.014, 1, "(more off than chance allows, though of few digs, p"),
    ],
)
def test_one_in_twenty_is_where_chance_ends(tmp_path: Path, p: float, digs: int, said: str) -> None:
    result = result_of(40.0, 0.5)
    seen = one(tmp_path, result, outcome_of(result, at(40), across_m=0))
    assert said in "\n".join(record_lines(seen | {"p_value": p, "digs": digs}))


def test_the_record_speaks_the_sites_unit(tmp_path: Path) -> None:
    result = result_of(40.0, 0.5) | {"site": {"length_unit": "ftUS"}}
    seen = one(tmp_path, result, outcome_of(result, at(40.6096), across_m=0))
    assert "half the leaks within 2.0 ft of the stake" in "\n".join(record_lines(seen))
    # Where sites differ the unit of most is taken, and said; either foot is a foot.
    for name, unit in (("two", "m"), ("three", "ft")):
        other = result_of(40.0, 0.5) | {"site": {"length_unit": unit}}
        write(tmp_path / name, other, [outcome_of(result, at(40), across_m=0)])
    seen = summary(closed_sites([tmp_path]))
    assert (seen["length_unit"], seen["length_units"]) == ("ft", {"ft": 2, "m": 1})
    assert "units  lengths in ft: sites work 2 in ft and 1 in m" in record_lines(seen)


def test_a_site_without_an_answer_on_file_has_the_unit_of_its_site_toml(tmp_path: Path) -> None:
    result = result_of(40.0, 0.5)
    folder = tmp_path / "one"
    write(folder, result, [outcome_of(result, at(40.6096), across_m=0)])
    (folder / "out" / "result.json").unlink()
    (folder / "site.toml").write_text('length_unit = "ftUS"\n', encoding="utf-8")
    assert "within 2.0 ft of the stake" in "\n".join(record_lines(summary(closed_sites([folder]))))
