"""stakes.csv: the points to set out, as the site's rover reads its own files.

No header; columns in the order of the site's point file (``pnezd``: id, northing, easting,
elevation, description; ``penzd``: id, easting, northing, elevation, description); coordinates in
the printed grid and its unit; elevation of the ground in the same unit (in that of the site's
point file, where it states one of its own), empty where not known.

Where the verdict is to listen on the file holds the places to listen at and the check points:
no stake, offset stake or end of a hole, because whatever a rover sets out gets dug.
"""

from __future__ import annotations

import math
from pathlib import Path

from geoleak.errors import GeoleakError
from geoleak.export.words import formula_safe
from geoleak.result import Result, Stake
from geoleak.units import unit_m

DECIMALS = 3


def write_stakes(result: Result, path: str | Path) -> Path:
    """Write stakes.csv and return its path."""
    path = Path(path)
    path.write_bytes(("\r\n".join(rows(result)) + "\r\n").encode("utf-8"))
    return path


def rows(result: Result) -> list[str]:
    """Return the rows of stakes.csv, the leak's stake first; to listen on there is none."""
    every = sorted(every_stake(result), key=lambda each: each.kind != "stake")
    return [_row(each, result) for each in every]


def every_stake(result: Result) -> list[Stake]:
    """Return what a rover may set out, the leak's own put first where the result lacks it."""
    if result.decision.verdict != "dig":
        return [each for each in result.stakes if each.kind in ("next_reading", "check_point")]
    if any(each.kind == "stake" for each in result.stakes):
        return list(result.stakes)
    leak = result.leak
    label = f"LEAK {leak.leg} {leak.station}"
    where = leak.position
    own = Stake("STAKE", "stake", label, where.easting, where.northing, leak.elevation_m)
    return [own, *result.stakes]


def _row(stake: Stake, result: Result) -> str:
    if not (math.isfinite(stake.easting) and math.isfinite(stake.northing)):
        raise GeoleakError(f"stake {stake.id} has no finite coordinates: nothing was written")
    easting, northing = f"{stake.easting:.{DECIMALS}f}", f"{stake.northing:.{DECIMALS}f}"
    pair = [easting, northing] if result.point_layout == "penzd" else [northing, easting]
    elevation = ""
    if stake.elevation_m is not None:
        unit = result.elevation_unit or result.leak.position.unit
        elevation = f"{stake.elevation_m / unit_m(unit):.{DECIMALS}f}"
    return ",".join([formula_safe(stake.id), *pair, elevation, formula_safe(stake.label)])
