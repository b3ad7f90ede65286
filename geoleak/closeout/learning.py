"""What many closed-out sites teach: shipped guesses pulled towards them, no further than they bear.

Each value is a hierarchy: sites scatter about their region's middle, and that about the shipped
value. The shipped spread is both together, so a region without a closed-out site has the shipped
row back. Sites weigh as under Student's t, so that one that is wrong hardly moves anything.

Source: Gelman, Carlin, Stern, Rubin, Bayesian Data Analysis, chapter 5 (hierarchical normal model);
Lange, Little, Taylor (1989), J. Am. Stat. Assoc. 84, 881 (weights under t). Both from memory.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from pathlib import Path

import numpy as np

from geoleak.closeout.found import as_dug
from geoleak.closeout.outcome import read_entries
from geoleak.closeout.told import Seen, Told, shares_at, words_of
from geoleak.errors import GeoleakError
from geoleak.evidence import FREEDOM, T_SCALE
from geoleak.export.folder import put_text
from geoleak.posterior import infer
from geoleak.readers import read_site
from geoleak.record import replace
from geoleak.site import PriorSettings
from geoleak.survey import survey_site
from geoleak.tables import setting
from geoleak.tables.learned import HEAD, SHARES, Learned, Tables, learnables, to_toml

# Part of the shipped variance that is the region's, not the site's (common practice, no source).
REGION = 0.25
# Closed-out sites that the shipped scatter counts for (common practice, no source).
SCATTER_SITES = 10.0
# A learned spread is no less than this part of the shipped one (common practice, no source).
LEAST_SPREAD = 0.5
# Closed-out sites that the shipped shares count for (common practice, no source).
SHARE_SITES = 100.0
# A site whose sound was likelier something else than the leak tells nothing of the ground.
LEAST_LINE = 0.5
STEPS = 60


def refit(seen: Sequence[Seen]) -> Learned:
    """Return one value as some sites bear it out.

    Parameters
    ----------
    seen : sequence of Seen
        Of one name, one a site; all read under the shipped value.
    """
    mean, own = np.array([each.mean for each in seen]), np.array([each.sd for each in seen]) ** 2
    centre, spread = (float(np.mean([getattr(e, k) for e in seen])) for k in ("centre", "spread"))
    region, shipped = REGION * spread**2, (1.0 - REGION) * spread**2
    middle, scatter, sure = centre, shipped, region
    for _ in range(STEPS):
        off = mean - middle
        # The t that fits a normal scatter best: weights of one, but for sites far off.
        weight = (FREEDOM + 1.0) / (FREEDOM + off**2 / (T_SCALE**2 * (scatter + own)))
        precision = weight / (scatter + own)
        sure = 1.0 / (1.0 / region + float(precision.sum()))
        middle = float(sure * (centre / region + precision @ mean))
        # Each site's own value lies between its word and the middle.
        pull = scatter / (scatter + own)
        square = weight / T_SCALE**2 * (pull * (mean - middle)) ** 2 + pull * own
        scatter = (SCATTER_SITES * shipped + float(square.sum())) / (SCATTER_SITES + len(seen))
    wide = max(float(np.sqrt(scatter + sure)), LEAST_SPREAD * spread)
    return Learned(seen[0].name, middle, wide, len(seen), float(np.sqrt(sure)))


def shares(told: Sequence[Told]) -> list[Learned]:
    """Return the shares of the explanations: shipped counts, and a site's chances added to them."""
    heard = [each.shares for each in told if each.shares]
    if not heard:
        return []
    shipped, total = shipped_shares(), SHARE_SITES + len(heard)
    kind, found = learnables()["share"], []
    for name in SHARES:
        share = (SHARE_SITES * shipped[name] + sum(each[name] for each in heard)) / total
        value = float(np.clip(share, kind.low, kind.high))
        sd = float(np.sqrt(value * (1.0 - value) / (total + 1.0)))
        found.append(Learned(f"share.{name}", value, sd, len(heard), sd))
    return found


def shipped_shares() -> dict[str, float]:
    """Return the shares of explanations as ``[prior]`` has them where a site states none."""
    stated = PriorSettings()
    return {name: float(getattr(stated, name)) for name in SHARES}


def learn(told: Sequence[Told]) -> tuple[Tables, dict[str, tuple[float, float]]]:
    """Return the learned tables of some sites, and the shipped value and spread of each row."""
    by_name: dict[str, list[Seen]] = {}
    for site in told:
        for each in site.seen:
            by_name.setdefault(each.name, []).append(each)
    rows, before = [], {}
    for name in sorted(by_name):
        kind, fitted = learnables()[name.partition(".")[0]], refit(by_name[name])
        first = by_name[name][0]
        value, shipped = fitted.value, first.centre
        if kind.logarithm:
            value, shipped = float(np.exp(value)), float(np.exp(shipped))
        rows.append(replace(fitted, value=float(np.clip(value, kind.low, kind.high))))
        before[name] = (shipped, first.spread)
    rows += shares(told)
    before |= {f"share.{name}": (value, 0.0) for name, value in shipped_shares().items()}
    dates = sorted(each.date for each in told if each.date)
    ends = (dates[0], dates[-1]) if dates else ("", "")
    return Tables(tuple(rows), "", "", len(told), *ends), before


def told_of(folder: Path) -> Told | None:
    """Return what a site folder tells; None where no leak was found there yet.

    It is read as it was dug, on the shipped values whatever ``[tables]`` it names: what was learned
    once must not count twice.
    """
    entry = next((each for each in read_entries(folder) if each["outcome"] == "leak"), None)
    if entry is None:
        return None
    survey = survey_site(as_dug(read_site(folder, tables=Tables())))
    found = entry["leak"]
    number = next((k for k, leg in enumerate(survey.legs) if leg.name == found["leg"]), None)
    chances = shares_at(infer(survey), number, found["chainage_m"])
    aside = abs(entry["across_m"] or 0.0) >= setting("rival_aside_nearest").value
    if aside and chances:
        chances = dict.fromkeys(chances, 0.0) | {"aside": 1.0}
    seen = []
    if number is not None and chances.get("line", 0.0) >= LEAST_LINE:
        # A sound that may have been something else says that much less of the ground.
        less = float(np.sqrt(chances["line"]))
        seen = [
            replace(each, sd=each.sd / less)
            for each in words_of(survey, number, found["chainage_m"])
        ]
    return Told(folder.name, entry.get("date") or "", tuple(seen), chances)


def learn_from(
    folders: Iterable[Path], *, tell: Callable[[], None]
) -> tuple[Tables, dict[str, tuple[float, float]], list[str]]:
    """Return what site folders teach, the shipped rows, and why some were left out.

    ``tell`` is called after each.
    """
    told, left = [], []
    for folder in folders:
        try:
            each = told_of(folder)
        except GeoleakError as error:
            left.append(f"{folder.name}: {error.lines()[0]}")
        else:
            told += [each] if each else []
        tell()
    return (*learn(told), left)


def write_learned(found: Tables, shipped: dict[str, tuple[float, float]], path: Path) -> Path:
    """Write learned tables.

    Raises
    ------
    GeoleakError
        Where another file stands there, or no site taught anything.
    """
    if not found.rows:
        raise GeoleakError("no closed-out site teaches anything: no leak was found on a leg yet")
    if path.exists() and not path.read_bytes().startswith(HEAD.encode()):
        raise GeoleakError(f"{path} is no file of learned values; name another")
    return put_text(path, to_toml(found, shipped))
