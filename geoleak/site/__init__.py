"""What a site folder states, as frozen records."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from geoleak.site.points import EXTRA, STATUSES, PointStyle, PointTable
from geoleak.site.records import (
    NOWHERE,
    Calibration,
    Delay,
    DrawnLine,
    Fitting,
    Found,
    Hole,
    Isolation,
    MarksBy,
    MeterRow,
    Note,
    PastLeak,
    Place,
    Point,
    PointStatus,
    Reading,
    ReadingKind,
    Sighting,
    StopTest,
    Tape,
)

if TYPE_CHECKING:
    from geoleak.site.settings import (
        Codes,
        Crew,
        DrawnNetwork,
        Job,
        Leg,
        LevelSettings,
        LocateRequest,
        MeterSettings,
        NetworkSettings,
        Number,
        PointFile,
        PriorSettings,
        Settings,
        StatedLeg,
        Table,
        Utility,
        Whole,
    )
    from geoleak.site.site import Site

# The tables of site.toml bring pydantic along: loaded when first asked for, so that rooms that
# take a note or a place alone (a route, a CRS) do without.


def __getattr__(name: str) -> Any:
    if not name[0].isupper():
        raise AttributeError(f"module 'geoleak.site' has no attribute {name!r}")
    home = "site" if name == "Site" else "settings"
    return getattr(importlib.import_module(f"geoleak.site.{home}"), name)
