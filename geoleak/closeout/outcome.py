"""Where the leak was, held against what was promised: the entries of closeout.json."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any, Literal

from geoleak.errors import Complaint, InputError, Origin

CLOSEOUT = "closeout.json"


@dataclass(frozen=True, slots=True)
class FoundLeak:
    """Where a leak was: ``leg`` is None where it was on no traced leg; depth to the crown."""

    leg: str | None
    chainage_m: float | None
    depth_m: float | None
    cause: str


@dataclass(frozen=True, slots=True)
class Promise:
    """What the result said that the hole was dug under."""

    run: str
    verdict: str
    chance_in_hole: float


@dataclass(frozen=True, slots=True)
class Outcome:
    """One hole, dug and looked into.

    Attributes
    ----------
    along_m, across_m : float or None
        Found minus stake: positive up-chainage, and to the right looking up-chainage. None for a
        dry hole; ``along_m`` None where the leak was on another leg than the stake.
    in_hole : bool or None
        Whether the leak lay within the hole that the result named, whatever its verdict. For a dry
        hole False.
    interval : {50, 80, 95} or None
        The smallest stated interval that holds the leak; None where none does.
    repaired : bool or None
        Whether a meter run after the repair proved it.
    """

    outcome: Literal["leak", "dry"]
    leak: FoundLeak | None
    along_m: float | None
    across_m: float | None
    in_hole: bool
    interval: int | None
    promised: Promise
    repaired: bool | None = None

    def to_dict(self) -> dict[str, Any]:
        """Return the entry of closeout.json."""
        return asdict(self)


def promise_of(result: Mapping[str, Any]) -> Promise:
    """Return what a result.json promised."""
    decision = result["decision"]
    return Promise(result["run"]["id"], decision["verdict"], decision["chance_in_hole"])


def leak_outcome(
    result: Mapping[str, Any],
    leak: FoundLeak,
    *,
    across_m: float | None,
    repaired: bool | None = None,
) -> Outcome:
    """Return a found leak held against a result.

    Parameters
    ----------
    result : Mapping
        result.json as it was when the hole was dug.
    leak : FoundLeak
    across_m : float or None
        Of the found place from the leg's fitted line, right positive.
    repaired : bool, optional
    """
    stated = result["leak"]
    at = leak.chainage_m
    same = leak.leg is not None and leak.leg == stated["leg"]
    along = at - stated["chainage_m"] if same and at is not None else None
    holds = [p for p in (50, 80, 95) if _within(leak.leg, at, stated[f"interval_{p}"])]
    return Outcome(
        outcome="leak",
        leak=leak,
        along_m=along,
        across_m=across_m,
        in_hole=_within(leak.leg, at, result["decision"]["hole"]["pieces"]),
        interval=min(holds, default=None),
        promised=promise_of(result),
        repaired=repaired,
    )


def dry_outcome(result: Mapping[str, Any]) -> Outcome:
    """Return a dry hole held against a result."""
    return Outcome("dry", None, None, None, False, None, promise_of(result))


def _within(leg: str | None, at: float | None, pieces: Sequence[Sequence[Any]]) -> bool:
    return at is not None and any(name == leg and start <= at <= end for name, start, end in pieces)


def read_json(path: Path) -> Any:
    """Return what a file holds that geoleak wrote, None where there is none; raises InputError."""
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except FileNotFoundError:
        return None
    except (ValueError, OSError) as error:
        what = f"cannot be read: {' '.join(str(error).split())}"
        raise InputError([Complaint(Origin(str(path), 0), what, "write it again")]) from None


def read_entries(folder: Path) -> list[dict[str, Any]]:
    """Return the entries of a site's closeout.json, oldest first; none where there is no file."""
    return read_json(folder / CLOSEOUT) or []
