"""stakes.csv: the points to set out, as the site's rover reads its own files.

No header; columns in the order of the site's point file (``pnezd``: id, northing, easting,
elevation, description; ``penzd``: id, easting, northing, elevation, description); coordinates in
the printed grid and its unit; elevation of the ground in the same unit, empty where not known.
"""

from __future__ import annotations

import math
from pathlib import Path

from geoleak.errors import GeoleakError
from geoleak.export.words import formula_safe
from geoleak.result import Result, StakeSummary
from geoleak.units import unit_m

DECIMALS = 3


def write_stakes(result: Result, path: str | Path) -> Path:
    """Write stakes.csv and return its path."""
    path = Path(path)
    path.write_bytes(("\r\n".join(rows(result)) + "\r\n").encode("utf-8"))
    return path


def rows(result: Result) -> list[str]:
    """Return the rows of stakes.csv, the leak's stake first."""
    every = sorted(every_stake(result), key=lambda each: each.kind != "stake")
    return [_row(each, result) for each in every]


def every_stake(result: Result) -> list[StakeSummary]:
    """Return the stakes, with the leak's own put first where the result does not list it."""
    if any(each.kind == "stake" for each in result.stakes):
        return list(result.stakes)
    leak = result.leak
    label = f"LEAK {leak.leg} {leak.station}"
    where = leak.position
    own = StakeSummary("STAKE", "stake", label, where.easting, where.northing, leak.elevation_m)
    return [own, *result.stakes]


def _row(stake: StakeSummary, result: Result) -> str:
    if not (math.isfinite(stake.easting) and math.isfinite(stake.northing)):
        raise GeoleakError(f"stake {stake.id} has no finite coordinates: nothing was written")
    easting, northing = f"{stake.easting:.{DECIMALS}f}", f"{stake.northing:.{DECIMALS}f}"
    pair = [easting, northing] if result.point_layout == "penzd" else [northing, easting]
    elevation = ""
    if stake.elevation_m is not None:
        elevation = f"{stake.elevation_m / unit_m(result.leak.position.unit):.{DECIMALS}f}"
    return ",".join([formula_safe(stake.id), *pair, elevation, formula_safe(stake.label)])
