"""Where a leak was against what was promised; over many closed-out sites: is 90 % nine in ten.

One site's odds are scored by Gneiting, Raftery (2007), "Strictly proper scoring rules, prediction,
and estimation", J. Am. Stat. Assoc. 102, 359 (from memory).
"""

from __future__ import annotations

import json
import math
import tomllib
from collections import Counter
from collections.abc import Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from geoleak.errors import InputError
from geoleak.record import Floats, Record, field
from geoleak.tables import setting
from geoleak.units import LENGTH_UNITS, format_length

BINS = 10
# Below this chance a record is said not to keep its promises: common practice, no source.
FAIR_P = 0.05
# So few digs cannot show that promises are kept: common practice, no source.
FEW_DIGS = 10
UNSTATED, DEEP_M = "not stated", 1.0
# A leak where the odds had nothing counts as one chance in 10,000 a metre: the mean stays finite.
WORST_LOG = float(np.log(1e-4))


class ClosedSite(Record):
    """What one site adds to the record: its outcomes, oldest first, and how its odds did.

    Attributes
    ----------
    groups : mapping of str to str
        What it is counted by: material, depth, surface, crew.
    """

    folder: Path
    outcomes: tuple[Mapping[str, Any], ...]
    length_unit: str | None = None
    scores: Scores | None = None
    loudest_error_m: float | None = None
    groups: Mapping[str, str] = field(default_factory=dict)

    @property
    def leak(self) -> Mapping[str, Any] | None:
        """Return the entry of the leak that was found, None while there is none."""
        return next((each for each in self.outcomes if each["outcome"] == "leak"), None)

    @property
    def dry(self) -> int:
        """Return how many holes were dry."""
        return sum(each["outcome"] == "dry" for each in self.outcomes)


def closed_sites(folders: Iterable[Path]) -> list[ClosedSite]:
    """Return every site of the folders and below them, closed out or not, by name.

    A site is a folder with site.toml.

    Raises
    ------
    InputError
        For a folder without a site, or a file that is no JSON.
    """
    found: dict[Path, ClosedSite] = {}
    for folder in folders:
        below = sorted(path.parent for path in Path(folder).rglob("site.toml"))
        if not below:
            remedy = "name site folders, or folders of them"
            raise InputError.at(str(folder), "no site.toml in it or below it", remedy)
        for each in below:
            found.setdefault(each.resolve(), _site(each))
    return sorted(found.values(), key=lambda site: site.folder.name)


def _site(folder: Path) -> ClosedSite:
    """Return one site; of its result only what the record needs is kept."""
    outcomes = tuple(read_entries(folder))
    result = (read_json(folder / "out" / "result.json") if outcomes else None) or {}
    leak = next((each for each in outcomes if each["outcome"] == "leak"), None)
    at: tuple[str, float] | None = None
    if result and leak is not None and leak["leak"]["leg"] is not None:
        at = leak["leak"]["leg"], float(leak["leak"]["chainage_m"])
    return ClosedSite(
        folder,
        outcomes,
        result.get("site", {}).get("length_unit") or _stated_unit(folder / "site.toml"),
        scores(result, *at) if at else None,
        loudest_error_m(result, *at) if at else None,
        _groups(leak, result),
    )


def _stated_unit(path: Path) -> str | None:
    """Return the length unit that site.toml states: a site without ``out/`` has one too."""
    try:
        unit = tomllib.loads(path.read_text(encoding="utf-8")).get("length_unit")
    except (OSError, ValueError):
        return None  # the record counts outcomes; a broken site.toml is its readers' complaint
    return unit if unit in LENGTH_UNITS else None


def exact_p(hits: Sequence[bool], promised: Sequence[float]) -> float:
    """Return the two-sided exact p of a count of hits, each with its own promise.

    The chance of a count no likelier than the one seen (Poisson-binomial).
    """
    chance = np.array([1.0])
    for p in promised:
        chance = np.convolve(chance, [1 - p, p])
    count = int(np.sum(np.asarray(hits, dtype=int)))
    # Equal chances computed in another order may differ in the last digit.
    return float(min(1.0, chance[chance <= chance[count] * (1 + 1e-9)].sum()))


def share_with_bounds(count: int, of: int) -> tuple[float, float, float] | None:
    """Return a share and its exact (Clopper-Pearson) 95 % bounds; None of nothing."""
    if of == 0:
        return None
    from scipy.stats import binomtest

    bounds = binomtest(count, of).proportion_ci(0.95, method="exact")
    return count / of, float(bounds.low), float(bounds.high)


def summary(sites: Sequence[ClosedSite]) -> dict[str, Any]:
    """Return what `geoleak record --json` prints."""
    closed = [site for site in sites if site.outcomes]
    # One run promises one hole, however many were dug under it.
    dug: dict[tuple[Path, str], list[Mapping[str, Any]]] = {}
    for site in closed:
        for each in site.outcomes:
            if each["promised"]["verdict"] == "dig":
                dug.setdefault((site.folder, each["promised"]["run"]), []).append(each)
    hits = [any(each["in_hole"] for each in holes) for holes in dug.values()]
    promised = [float(holes[0]["promised"]["chance_in_hole"]) for holes in dug.values()]
    leaks = [site.leak for site in closed if site.leak is not None]
    errors = [abs(each["along_m"]) for each in leaks if each["along_m"] is not None]
    loudest = [s.loudest_error_m for s in closed if s.loudest_error_m is not None]
    scored = [site.scores for site in closed if site.scores is not None]
    units = _units(closed)
    return {
        "sites": len(sites),
        "closed": len(closed),
        "length_unit": next(iter(units), "m"),
        "length_units": units,
        "digs": len(dug),
        "hits": sum(hits),
        "promised_mean": _mean(promised),
        "p_value": exact_p(hits, promised) if dug else None,
        "coverage": {
            str(percent): share_with_bounds(
                sum(each["interval"] is not None and each["interval"] <= percent for each in leaks),
                len(leaks),
            )
            for percent in (50, 80, 95)
        },
        "median_error_m": float(np.median(errors)) if errors else None,
        "loudest_median_error_m": float(np.median(loudest)) if loudest else None,
        "log_score": _mean([max(each.log_score, WORST_LOG) for each in scored]),
        "crps_m": _mean([each.crps_m for each in scored if each.crps_m is not None]),
        "loudest_crps_m": _mean(loudest),
        "dry_holes": sum(site.dry for site in closed),
        "dry_because": dict(Counter(_why_dry(s) for s in closed for _ in range(s.dry))),
        "causes": dict(Counter(each["leak"]["cause"] or "not stated" for each in leaks)),
        "reliability": _reliability(hits, promised),
        "quantiles": [each.quantile for each in scored],
        "errors_m": errors,
        "loudest_errors_m": loudest,
        "by": {name: _by(closed, name) for name in GROUPS},
    }


def _mean(values: Sequence[float]) -> float | None:
    return float(np.mean(values)) if values else None


def _units(sites: Sequence[ClosedSite]) -> dict[str, int]:
    """Return how many sites work in feet (either foot) and in metres, the more of them first."""
    units = (each.length_unit for each in sites if each.length_unit is not None)
    return dict(Counter("m" if each == "m" else "ft" for each in units).most_common())


def _why_dry(site: ClosedSite) -> str:
    """Return why the holes of a site were dry, as what was found later tells it."""
    leak = site.leak
    if leak is None:
        return "the leak is not found yet"
    if leak["leak"]["leg"] is None:
        return "on no traced line"
    if leak["along_m"] is None:
        return "on another leg"
    if abs(leak["across_m"] or 0.0) >= setting("rival_aside_nearest").value:
        return "beside the traced line"
    return "farther along the line"


def _reliability(hits: Sequence[bool], promised: Sequence[float]) -> list[dict[str, Any]]:
    """Return promised against kept by tenths of the promise."""
    tenth = np.minimum((np.asarray(promised) * BINS).astype(int), BINS - 1)
    rows = []
    for k in sorted(set(tenth.tolist())):
        held = np.asarray(hits)[tenth == k]
        rows.append(
            {
                "promised": float(np.asarray(promised)[tenth == k].mean()),
                "digs": len(held),
                "hits": share_with_bounds(int(held.sum()), len(held)),
            }
        )
    return rows


GROUPS = ("material", "depth", "surface", "crew")


def _groups(leak: Mapping[str, Any] | None, result: Mapping[str, Any]) -> dict[str, str]:
    """Return what a site is counted by, by the names of `GROUPS`."""
    at = leak["leak"] if leak else {"leg": None, "depth_m": None}
    material = {each["name"]: each.get("material") for each in result.get("legs", ())}.get(
        at["leg"]
    )
    rows = [r for r in result.get("readings", ()) if r["leg"] == at["leg"] and r.get("surface")]
    near: Mapping[str, Any] = min(
        rows, key=lambda each: abs(each["chainage_m"] - at["chainage_m"]), default={}
    )
    deep = None
    if at["depth_m"] is not None:
        deep = "under 1 m (3.3 ft)" if at["depth_m"] < DEEP_M else "1 m (3.3 ft) and deeper"
    crew = (result.get("job") or {}).get("technician")
    found = (material, deep, near.get("surface"), crew)
    return {name: each or UNSTATED for name, each in zip(GROUPS, found, strict=True)}


def _by(sites: Sequence[ClosedSite], name: str) -> dict[str, dict[str, int]]:
    """Return sites, leaks found in the hole and dry holes by a property."""
    groups: dict[str, dict[str, int]] = {}
    for site in sites:
        row = groups.setdefault(site.groups[name], {"sites": 0, "in_hole": 0, "dry_holes": 0})
        row["sites"] += 1
        row["in_hole"] += bool(site.leak and site.leak["in_hole"])
        row["dry_holes"] += site.dry
    return dict(sorted(groups.items()))


def record_lines(found: Mapping[str, Any]) -> list[str]:
    """Return a summary as lines to print."""
    said = [f"sites {found['sites']}, closed out {found['closed']}, dry holes {found['dry_holes']}"]
    if found["digs"]:
        chance = found["p_value"]
        few = found["digs"] < FEW_DIGS
        if chance <= FAIR_P:
            verdict = "more off than chance allows" + (", though of few digs" if few else "")
        else:
            verdict = "so few digs tell nothing yet" if few else "no more off than chance allows"
        said.append(
            f"dug    {found['digs']} times where it said dig: {found['hits']} in the hole, "
            f"{100 * found['promised_mean']:.0f} % promised ({verdict}, p = {chance:.2g})"
        )
    for percent, share in found["coverage"].items():
        if share is not None:
            kept, low, high = (100 * each for each in share)
            said.append(
                f"{percent} %   stretches held {kept:.0f} % of the leaks found "
                f"({low:.0f} to {high:.0f} with 95 % certainty)"
            )
    unit, units = found["length_unit"], found["length_units"]
    if len(units) > 1:
        counted = " and ".join(f"{count} in {name}" for name, count in units.items())
        said.append(f"units  lengths in {unit}: sites work {counted}")
    for key, lead, tail in (
        ("median_error_m", "error  half the leaks within ", " of the stake"),
        ("loudest_median_error_m", "       the loudest mark alone: ", ""),
        ("crps_m", "score  the odds along the line count as a place ", " off in the mean (CRPS)"),
        ("loudest_crps_m", "       the loudest mark: ", ""),
    ):
        if found[key] is not None:
            said.append(lead + format_length(found[key], unit=unit) + tail)
    for why, count in found["dry_because"].items():
        said.append(f"dry    {count} times: {why}")
    for name, groups in found["by"].items() if found["closed"] else ():
        each = (f"{k} {v['in_hole']} of {v['sites']}" for k, v in groups.items())
        said.append(f"by {name}: " + ", ".join(each) + " found in the hole")
    return said


CLOSEOUT = "closeout.json"
Entry = dict[str, Any]


def outcome_of(
    result: Mapping[str, Any],
    leak: Mapping[str, Any] | None = None,
    *,
    across_m: float | None = None,
    repaired: bool | None = None,
) -> Entry:
    """Return the entry of closeout.json of one hole, dug and looked into.

    ``along_m`` and ``across_m`` are found minus stake, positive up-chainage and to the right
    looking up-chainage; ``along_m`` is None where the leak was on another leg than the stake.
    ``in_hole`` tells of the hole that the result named, whatever its verdict; ``interval`` is the
    smallest stated one that holds the leak, None where none does.

    Parameters
    ----------
    result : Mapping
        result.json as it was when the hole was dug.
    leak : Mapping or None
        Where it was: ``leg`` (None: on no traced leg), ``chainage_m``, ``depth_m`` (to the crown)
        and ``cause``. None: the hole was dry.
    across_m : float or None
        Of the found place from the leg's fitted line.
    repaired : bool or None
        Whether a meter run after the repair proved it.
    """
    stated, decision = result["leak"], result["decision"]
    leg, at = (leak["leg"], leak["chainage_m"]) if leak else (None, None)

    def within(pieces: Any) -> bool:
        return at is not None and any(n == leg and low <= at <= high for n, low, high in pieces)

    holds = [percent for percent in (50, 80, 95) if within(stated[f"interval_{percent}"])]
    same = at is not None and leg is not None and leg == stated["leg"]
    return {
        "outcome": "leak" if leak else "dry",
        "leak": leak,
        "along_m": at - stated["chainage_m"] if same else None,
        "across_m": across_m,
        "in_hole": within(decision["hole"]["pieces"]),
        "interval": min(holds, default=None),
        "promised": {
            "run": result["run"]["id"],
            "verdict": decision["verdict"],
            "chance_in_hole": decision["chance_in_hole"],
        },
        "repaired": repaired,
    }


def read_json(path: Path) -> Any:
    """Return what a file holds that geoleak wrote, None where there is none; raises InputError."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (ValueError, OSError) as error:
        what = f"cannot be read: {' '.join(str(error).split())}"
        raise InputError.at(str(path), what, "write it again") from None


def read_entries(folder: Path) -> list[Entry]:
    """Return the entries of a site's closeout.json, oldest first; none where there is no file."""
    return read_json(folder / CLOSEOUT) or []


class Scores(Record):
    """How the odds along the pipe did, given that the leak is on a traced leg at all.

    Attributes
    ----------
    quantile : float
        Chance put before the place found, legs in their order (the probability integral
        transform): uniform over many sites where the odds are honest.
    log_score : float
        Log of the chance per metre at the place found; -inf where there was none.
    crps_m : float or None
        Continuous ranked probability score along the leak's leg: the mean distance that a place
        drawn from the odds is off, less half of that between two such places. A single stated
        place scores its error. None where that leg was given no chance at all.
    """

    quantile: float
    log_score: float
    crps_m: float | None


def scores(result: Mapping[str, Any], found: str, chainage: float) -> Scores | None:
    """Return the scores of a result, the leak found at a chainage of a leg that it knows."""
    legs: dict[str, tuple[Floats, Floats, Floats]] = {}
    for leg in (each for each in result["profile"] if len(each["chainage_m"]) > 1):
        at, density = np.asarray(leg["chainage_m"]), np.asarray(leg["density_per_m"])
        steps = np.diff(at) * (density[1:] + density[:-1]) / 2
        legs[leg["leg"]] = at, density, np.concatenate([[0.0], np.cumsum(steps)])
    whole = [float(mass[-1]) for *_, mass in legs.values()]
    total = sum(whole)
    if found not in legs or total <= 0:
        return None
    at, density, mass = legs[found]
    before = sum(whole[: list(legs).index(found)]) + float(np.interp(chainage, at, mass))
    here = float(np.interp(chainage, at, density, left=0.0, right=0.0)) / total
    log = math.log(here) if here > 0 else -math.inf
    crps = _crps(at, mass / mass[-1], chainage) if mass[-1] > 0 else None
    return Scores(before / total, log, crps)


def _crps(at: Floats, below: Floats, truth: float) -> float:
    """Return the integral of (chance below, less a step at the truth) squared, linear between."""
    along = np.unique(np.append(at, truth))
    held = np.interp(along, at, below, left=0.0, right=1.0)
    cut = int(np.searchsorted(along, truth))
    before = _integral_of_square(along[: cut + 1], held[: cut + 1])
    return before + _integral_of_square(along[cut:], 1.0 - held[cut:])


def _integral_of_square(at: Floats, value: Floats) -> float:
    """Return the integral of the square of a line through points."""
    one, two = value[:-1], value[1:]
    return float((np.diff(at) * (one * one + one * two + two * two)).sum() / 3.0)


def loudest_error_m(result: Mapping[str, Any], leg: str, chainage: float) -> float | None:
    """Return how far the loudest surface reading of the leak's leg stood from the leak."""
    rows = [r for r in result["readings"] if r["kind"] == "surface" and r["leg"] == leg]
    if not rows:
        return None
    return abs(max(rows, key=lambda each: each["level_db"])["chainage_m"] - chainage)
