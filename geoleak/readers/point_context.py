"""What the reading of point files depends on beside the files."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from geoleak.crs import CrsInfo
from geoleak.errors import Origin
from geoleak.readers.collector import Collector
from geoleak.site import PointFile


@dataclass(frozen=True, slots=True)
class PointContext:
    """What the meaning of a point file depends on beside the file."""

    spec: PointFile
    info: CrsInfo
    length_unit: str
    collector: Collector
    asked: Mapping[str, Origin]
