"""geoleak: from traced marks and readings to one stake over the leak.

- `read_site`: a site folder -> `Site`
- `locate`: a `Site` -> `Result`: where to dig or what to do first, and how sure that is
- `Route`: chainage and offset along a line, alone of use for any linear referencing
- `acoustics`: recordings to levels, bands and delays; wave speed of a pipe
- `GeoleakError`: the root of every error raised on purpose

Examples
--------
>>> import geoleak
>>> route = geoleak.Route.from_vertices([(0.0, 0.0), (30.0, 40.0), (30.0, 100.0)])
>>> snap = route.snap((40.0, 70.0))
>>> float(snap.chainage_m), float(snap.offset_m)
(80.0, 10.0)
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

__version__ = "0.1.0"

if TYPE_CHECKING:
    from geoleak import acoustics
    from geoleak.errors import GeoleakError
    from geoleak.linref import Route
    from geoleak.pipeline import locate, read_site
    from geoleak.result import Result
    from geoleak.site import Site

# Loaded when first asked for, so that `import geoleak` and `geoleak --help` cost nothing.
_HOME = {
    "read_site": "geoleak.pipeline",
    "locate": "geoleak.pipeline",
    "Route": "geoleak.linref",
    "Result": "geoleak.result",
    "Site": "geoleak.site",
    "GeoleakError": "geoleak.errors",
}

__all__ = [
    "GeoleakError",
    "Result",
    "Route",
    "Site",
    "__version__",
    "acoustics",
    "locate",
    "read_site",
]


def __getattr__(name: str) -> Any:
    if name == "acoustics":
        return importlib.import_module("geoleak.acoustics")
    if name in _HOME:
        return getattr(importlib.import_module(_HOME[name]), name)
    raise AttributeError(f"module 'geoleak' has no attribute {name!r}")


def __dir__() -> list[str]:
    return sorted(__all__)
