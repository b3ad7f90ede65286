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
        PointFile,
        PriorSettings,
        Settings,
        StatedLeg,
        Utility,
    )
    from geoleak.site.site import Site

# The tables of site.toml bring pydantic along: loaded when first asked for, so that rooms that
# take a note or a place alone (a route, a CRS) do without.
_SETTINGS = (
    "Codes",
    "Crew",
    "DrawnNetwork",
    "Job",
    "Leg",
    "LevelSettings",
    "LocateRequest",
    "MeterSettings",
    "NetworkSettings",
    "PointFile",
    "PriorSettings",
    "Settings",
    "StatedLeg",
    "Utility",
)

__all__ = [
    "EXTRA",
    "NOWHERE",
    "STATUSES",
    "Calibration",
    "Codes",
    "Crew",
    "Delay",
    "DrawnLine",
    "DrawnNetwork",
    "Fitting",
    "Found",
    "Hole",
    "Isolation",
    "Job",
    "Leg",
    "LevelSettings",
    "LocateRequest",
    "MarksBy",
    "MeterRow",
    "MeterSettings",
    "NetworkSettings",
    "Note",
    "PastLeak",
    "Place",
    "Point",
    "PointFile",
    "PointStatus",
    "PointStyle",
    "PointTable",
    "PriorSettings",
    "Reading",
    "ReadingKind",
    "Settings",
    "Sighting",
    "Site",
    "StatedLeg",
    "StopTest",
    "Tape",
    "Utility",
]


def __getattr__(name: str) -> Any:
    if name == "Site" or name in _SETTINGS:
        home = "site" if name == "Site" else "settings"
        return getattr(importlib.import_module(f"geoleak.site.{home}"), name)
    raise AttributeError(f"module 'geoleak.site' has no attribute {name!r}")
