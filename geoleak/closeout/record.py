"""Promises against outcomes over many closed-out sites: is 90 % nine in ten."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from geoleak.errors import Complaint, InputError, Origin

CLOSEOUT = "closeout.json"
BINS = 10
# Below this chance a record is said not to keep its promises: common practice, no source.
FAIR_P = 0.01


@dataclass(frozen=True, slots=True)
class ClosedSite:
    """What one site adds to the record: its outcomes, oldest first, and its last result."""

    name: str
    outcomes: tuple[Mapping[str, Any], ...]
    result: Mapping[str, Any] | None

    @property
    def leak(self) -> Mapping[str, Any] | None:
        """Return the entry of the leak that was found, None while there is none."""
        return next((each for each in self.outcomes if each["outcome"] == "leak"), None)


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
            raise InputError([Complaint(Origin(str(folder), 0), "no site.toml in it or below it",
                                        "name site folders, or folders of them")])  # fmt: skip
        for each in below:
            found.setdefault(each.resolve(), _site(each))
    return sorted(found.values(), key=lambda site: site.name)


def _site(folder: Path) -> ClosedSite:
    outcomes, result = _json(folder / CLOSEOUT), _json(folder / "out" / "result.json")
    return ClosedSite(folder.name, tuple(outcomes or ()), result)


def _json(path: Path) -> Any:
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (ValueError, OSError) as error:
        what = f"cannot be read: {' '.join(str(error).split())}"
        raise InputError([Complaint(Origin(str(path), 0), what, "write it again")]) from None


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


def quantile_of_truth(site: ClosedSite) -> float | None:
    """Return the chance that the result put before the place found, on the legs in their order.

    Given that the leak is on the traced legs at all; uniform over many sites where the odds are
    honest (the probability integral transform).
    """
    leak, result = site.leak, site.result
    if leak is None or result is None or leak["leak"]["leg"] is None:
        return None
    before = total = 0.0
    seen = False
    for leg in result["profile"]:
        at, density = np.asarray(leg["chainage_m"]), np.asarray(leg["density_per_m"])
        if len(at) < 2:
            continue
        mass = np.concatenate([[0.0], np.cumsum(np.diff(at) * (density[1:] + density[:-1]) / 2)])
        total += float(mass[-1])
        if leg["leg"] == leak["leak"]["leg"]:
            before += float(np.interp(leak["leak"]["chainage_m"], at, mass))
            seen = True
        elif not seen:
            before += float(mass[-1])
    return before / total if seen and total > 0 else None


def loudest_error_m(site: ClosedSite) -> float | None:
    """Return how far the loudest surface reading stood from the leak, along its leg."""
    leak, result = site.leak, site.result
    if leak is None or result is None or leak["leak"]["leg"] is None:
        return None
    rows = [
        each
        for each in result["readings"]
        if each["kind"] == "surface" and each["leg"] == leak["leak"]["leg"]
    ]
    if not rows:
        return None
    loudest = max(rows, key=lambda each: each["level_db"])
    return abs(loudest["chainage_m"] - leak["leak"]["chainage_m"])


def summary(sites: Sequence[ClosedSite]) -> dict[str, Any]:
    """Return what `geoleak record --json` prints."""
    closed = [site for site in sites if site.outcomes]
    outcomes = [each for site in closed for each in site.outcomes]
    dug = [each for each in outcomes if each["promised"]["verdict"] == "dig"]
    hits = [bool(each["in_hole"]) for each in dug]
    promised = [float(each["promised"]["chance_in_hole"]) for each in dug]
    leaks = [site.leak for site in closed if site.leak is not None]
    errors = [abs(each["along_m"]) for each in leaks if each["along_m"] is not None]
    loudest = [each for each in map(loudest_error_m, closed) if each is not None]
    return {
        "sites": len(sites),
        "closed": len(closed),
        "digs": len(dug),
        "hits": sum(hits),
        "promised_mean": float(np.mean(promised)) if promised else None,
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
        "dry_holes": sum(each["outcome"] == "dry" for each in outcomes),
        "reliability": _reliability(hits, promised),
        "quantiles": [q for q in map(quantile_of_truth, closed) if q is not None],
        "by": {name: _by(closed, of) for name, of in GROUPS.items()},
    }


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


def _material(site: ClosedSite) -> str:
    leak, result = site.leak, site.result
    legs = {each["name"]: each for each in result["legs"]} if result else {}
    leg = legs.get(leak["leak"]["leg"]) if leak else None
    return (leg or {}).get("material") or "not stated"


def _depth(site: ClosedSite) -> str:
    leak = site.leak
    depth = leak["leak"]["depth_m"] if leak else None
    if depth is None:
        return "not stated"
    return "under 1 m" if depth < 1.0 else "1 m and deeper"


def _surface(site: ClosedSite) -> str:
    leak, result = site.leak, site.result
    rows = [
        each
        for each in (result or {}).get("readings", ())
        if leak and each["leg"] == leak["leak"]["leg"] and each.get("surface")
    ]
    if not rows or leak is None:
        return "not stated"
    at = leak["leak"]["chainage_m"]
    return str(min(rows, key=lambda each: abs(each["chainage_m"] - at))["surface"])


def _crew(site: ClosedSite) -> str:
    return ((site.result or {}).get("job") or {}).get("technician") or "not stated"


GROUPS = {"material": _material, "depth": _depth, "surface": _surface, "crew": _crew}


def _by(sites: Sequence[ClosedSite], of: Any) -> dict[str, dict[str, int]]:
    """Return sites, leaks found in the hole and dry holes by a property."""
    groups: dict[str, dict[str, int]] = {}
    for site in sites:
        row = groups.setdefault(of(site), {"sites": 0, "in_hole": 0, "dry_holes": 0})
        row["sites"] += 1
        row["in_hole"] += bool(site.leak and site.leak["in_hole"])
        row["dry_holes"] += sum(each["outcome"] == "dry" for each in site.outcomes)
    return dict(sorted(groups.items()))


def record_lines(found: Mapping[str, Any]) -> list[str]:
    """Return a summary as lines to print."""
    said = [f"sites {found['sites']}, closed out {found['closed']}, dry holes {found['dry_holes']}"]
    if found["digs"]:
        chance = found["p_value"]
        verdict = (
            "no more off than chance allows" if chance > FAIR_P else "more off than chance allows"
        )
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
    if found["median_error_m"] is not None:
        said.append(f"error  half the leaks within {found['median_error_m']:.2f} m of the stake")
    if found["loudest_median_error_m"] is not None:
        said.append(f"       the loudest mark alone: {found['loudest_median_error_m']:.2f} m")
    for name, groups in found["by"].items() if found["closed"] else ():
        each = (f"{k} {v['in_hole']} of {v['sites']}" for k, v in groups.items())
        said.append(f"by {name}: " + ", ".join(each) + " found in the hole")
    return said
