"""Where the leak was, held against what was promised: the entries of closeout.json."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from geoleak.errors import InputError

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
