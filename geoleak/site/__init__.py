"""What a site folder states, as frozen records."""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

from geoleak.site.records import (
    EXTRA,
    NOWHERE,
    STATUSES,
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
    PointStyle,
    PointTable,
    Reading,
    ReadingKind,
    Sighting,
    StopTest,
    Tape,
)

if TYPE_CHECKING:
    from geoleak.site.fields import DEEPEST_M, WIDEST_M, DateText, Number, Whole
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
        PointFile,
        PriorSettings,
        Settings,
        Site,
        StatedLeg,
        Table,
        Utility,
    )

# The tables of site.toml bring pydantic along: loaded when first asked for, so that rooms that
# take a note or a place alone (a route, a CRS) do without.


def __getattr__(name: str) -> Any:
    for home in ("settings", "fields") if name[0].isupper() else ():
        module = importlib.import_module(f"geoleak.site.{home}")
        if name in vars(module):
            return getattr(module, name)
    raise AttributeError(f"module 'geoleak.site' has no attribute {name!r}")
