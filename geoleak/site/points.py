"""The points of a site: one frame, and a mapping from point id to `Point` made when asked."""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from types import MappingProxyType
from typing import TYPE_CHECKING, Any

import numpy as np

from geoleak.errors import Origin
from geoleak.record import Floats, Record
from geoleak.site.records import Point, PointStatus

if TYPE_CHECKING:
    import pandas as pd

STATUSES: tuple[PointStatus, ...] = ("unknown", "fixed", "float", "single")
LENGTHS = (
    "elevation_m", "ellipsoidal_height_m", "sigma_horizontal_m", "sigma_vertical_m", "depth_m"
)  # fmt: skip
EXTRA = "extra: "
"""What the names of passed-through columns begin with in the frame."""


class PointStyle(Record):
    """How the first point file is laid out, where it is text: stakes go back into the rover alike.

    ``columns`` is each column's role (empty: passed through), ``names`` the header line (empty:
    none), ``elevation_unit`` that of its heights ("m", "ft", "ftUS"; empty: the coordinates').
    """

    columns: tuple[str, ...] = ("id", "northing", "easting", "elevation", "code")
    names: tuple[str, ...] = ()
    delimiter: str = ","
    decimal: str = "."
    elevation_unit: str = ""


PLAIN_STYLE = PointStyle()


class PointTable(Mapping[str, Point]):
    """Points by id, in file order; a million of them stay the columns of one frame.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row a point. Columns ``id`` (texts, or whole numbers where all are), ``easting``,
        ``northing`` (axis unit of the CRS), ``code``, ``file``, ``line``; of `LENGTHS` what a file
        has (NaN: not stated); ``status`` (index into `STATUSES`), ``time``, ``note``,
        ``observations``; passed-through columns after `EXTRA`.
    made : mapping of int to Point, optional
        Records that stand already, by row.
    style : PointStyle
        Of the first file, where it is text.
    """

    def __init__(
        self,
        frame: pd.DataFrame,
        made: Mapping[int, Point] | None = None,
        *,
        style: PointStyle = PLAIN_STYLE,
    ) -> None:
        self.frame, self.style = frame, style
        self._made = dict(made or {})

    @classmethod
    def of(cls, points: Sequence[Point]) -> PointTable:
        """Return a table of records, such as points that only tapes know."""
        import pandas as pd

        frame = pd.DataFrame(
            {
                "id": [each.id for each in points],
                "easting": np.array([each.easting for each in points], dtype=np.float64),
                "northing": np.array([each.northing for each in points], dtype=np.float64),
                "code": [each.code for each in points],
            }
        )
        return cls(frame, dict(enumerate(points)))

    def with_points(self, added: Sequence[Point]) -> PointTable:
        """Return a table with more points behind its own."""
        import pandas as pd

        own = self.frame.assign(id=pd.Series(self.ids, dtype=object))
        both = pd.concat([own, PointTable.of(added).frame], ignore_index=True)
        if "status" in both:
            both["status"] = both["status"].fillna(0).astype(np.int8)
        made = {len(self.frame) + k: each for k, each in enumerate(added)}
        return PointTable(both, {**self._made, **made}, style=self.style)

    @functools.cached_property
    def ids(self) -> Sequence[str]:
        """Ids in file order."""
        return list(map(str, self.frame["id"].tolist()))

    @functools.cached_property
    def _index(self) -> Any:
        import pandas as pd

        return pd.Index(self.frame["id"])

    @functools.cached_property
    def _numbered(self) -> bool:
        return bool(self.frame["id"].dtype.kind == "i")

    @functools.cached_property
    def _columns(self) -> dict[str, Any]:
        return {str(name): self.frame[name].to_numpy() for name in self.frame.columns}

    @property
    def easting(self) -> Floats:
        """Eastings (or longitudes), shape (n,); nan where only tapes know the point."""
        return self.frame["easting"].to_numpy()

    @property
    def northing(self) -> Floats:
        """Northings (or latitudes), shape (n,); nan where only tapes know the point."""
        return self.frame["northing"].to_numpy()

    def __len__(self) -> int:
        return len(self.frame)

    def __iter__(self) -> Iterator[str]:
        return iter(self.ids)

    def __contains__(self, key: object) -> bool:
        return isinstance(key, str) and self._own(key) in self._index

    def __getitem__(self, key: str) -> Point:
        return self.at(self.place_of(key))

    def place_of(self, key: str) -> int:
        """Return where an id stands in the file order; raises ``KeyError``."""
        return int(self._index.get_loc(self._own(key)))

    def _own(self, key: str) -> str | int:
        """Return a key as the frame holds ids: whole numbers where all are, "007" is none."""
        if not self._numbered:
            return key
        return int(key) if key.isdecimal() and len(key) <= 18 and str(int(key)) == key else -1

    def code_names(self) -> list[str]:
        """Return the different codes in order of first sight, without the blank one."""
        return [str(code) for code in self.frame["code"].unique() if code]

    def ids_with_code(self, code: str) -> list[str]:
        """Return the ids of the points of a code, in file order."""
        return list(map(str, self.frame["id"][self.frame["code"] == code]))

    def ids_between(self, head: str, low: int, high: int) -> list[str]:
        """Return the ids that are ``head`` and a number within limits, in file order."""
        numbered = re.compile(re.escape(head) + r"([0-9]{1,18})")
        matches = ((each, numbered.fullmatch(each)) for each in self.ids)
        return [each for each, match in matches if match and low <= int(match[1]) <= high]

    def at(self, row: int) -> Point:
        """Return the point at a place of the file order."""
        made = self._made.get(row)
        if made is None:
            made = self._made[row] = self._make(row)
        return made

    def _make(self, row: int) -> Point:
        held = {name: values[row] for name, values in self._columns.items()}
        lengths = {name: float(held.pop(name, math.nan)) for name in LENGTHS}
        extra = {k.removeprefix(EXTRA): str(v) for k, v in held.items() if k.startswith(EXTRA)}
        return Point(
            id=str(held["id"]),
            easting=float(held["easting"]),
            northing=float(held["northing"]),
            code=held["code"],
            status=STATUSES[held.get("status", 0)],
            time=held.get("time", ""),
            note=held.get("note", ""),
            observations=int(held.get("observations", 1)),
            extra=MappingProxyType({name: text for name, text in extra.items() if text}),
            origin=Origin(held["file"], int(held["line"])),
            **{name: value if math.isfinite(value) else None for name, value in lengths.items()},
        )
