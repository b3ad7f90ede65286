"""The frozen records of a site: what the readers make and every other room takes.

Lengths are metres, levels decibels, frequencies hertz, pressures kilopascals, times seconds.
Only point coordinates stay as the file has them, in the axis unit of the site's CRS, until
`geoleak.survey` projects them; a million of them are one frame, each a `Point` when asked for.
Sigma is one standard deviation. ``None`` means not stated.
"""

from __future__ import annotations

import functools
import math
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import datetime
from types import MappingProxyType
from typing import TYPE_CHECKING, Any, Literal, NamedTuple

import numpy as np

from geoleak.errors import Origin
from geoleak.record import Floats, Record, field

if TYPE_CHECKING:
    import pandas as pd


PointStatus = Literal["fixed", "float", "single", "unknown"]
MarksBy = Literal["signal", "sonde", "probe", "records", "assumed"]
ReadingKind = Literal["surface", "contact", "gas", "bar_hole", "rod"]
NOWHERE = Origin("")


def no_extra() -> Mapping[str, str]:
    """Return the empty pass-through columns of a record."""
    return MappingProxyType({})


class Note(Record):
    """Something that was noticed and the person should know; becomes a warning.

    ``rows`` are the ids of the rows or points it is told of, where another room looks for them.
    """

    code: str
    what: str
    origin: Origin = NOWHERE
    remedy: str = ""
    rows: tuple[str, ...] = ()

    @property
    def text(self) -> str:
        """What is so, and what to do about it."""
        return f"{self.what}; {self.remedy}" if self.remedy else self.what

    def __str__(self) -> str:
        return f"{self.origin}: {self.text}" if self.origin.file else self.text

    def to_dict(self) -> dict[str, str | int]:
        """Return it as JSON values; the file is empty and the line 0 where none can be named."""
        return {
            "code": self.code,
            "text": self.text,
            "file": self.origin.file,
            "line": self.origin.line,
        }


class Point(Record):
    """One shot point of the rover's file.

    ``easting`` and ``northing`` are in the axis unit of the site's CRS (degrees of longitude and
    latitude for a geographic CRS). ``elevation_m`` is of the ground, above whatever the file used;
    ``ellipsoidal_height_m`` is kept apart. ``sigma_horizontal_m`` is per axis.
    """

    id: str
    easting: float
    northing: float
    code: str = ""
    elevation_m: float | None = None
    ellipsoidal_height_m: float | None = None
    sigma_horizontal_m: float | None = None
    sigma_vertical_m: float | None = None
    status: PointStatus = "unknown"
    time: str = ""
    depth_m: float | None = None
    note: str = ""
    observations: int = 1
    extra: Mapping[str, str] = field(default_factory=no_extra)
    origin: Origin = NOWHERE


class DrawnLine(Record, eq=False):
    """One line of a network file with what its attributes state; lengths in metres.

    ``feature`` is the file's own id of the line, ``name`` what it is called here. ``vertices``
    (n, 2) are in the axis unit of `DrawnNetwork.crs`. ``diameter_m`` is outside, inside or nominal
    as ``diameter_kind`` says.
    """

    feature: str
    vertices: Floats
    name: str = ""
    material: str | None = None
    diameter_m: float | None = None
    diameter_kind: Literal["nominal", "outside", "inside"] | None = None
    wall_m: float | None = None
    depth_m: float | None = None
    boundary: str | None = None


class Place(Record):
    """Where a reading was taken, as the sheet says it; `geoleak.survey` puts it on the pipe.

    ``kind`` is ``"point"`` (``point``, moved ``up_m`` up-chainage, negative is down), ``"leg"``
    (``leg`` at ``chainage_m``), ``"grid"`` (``easting``, ``northing`` in the axis unit of the
    printed grid) or ``"lonlat"`` (degrees). ``leg`` may accompany ``"point"``. ``aside_m`` is how
    far it stands aside of that, positive to the right looking up-chainage; None: not stated.
    """

    kind: Literal["point", "leg", "grid", "lonlat"]
    text: str
    point: str | None = None
    leg: str | None = None
    up_m: float = 0.0
    chainage_m: float | None = None
    easting: float | None = None
    northing: float | None = None
    aside_m: float | None = None


class SheetRow(Record, kw_only=True):
    """What a row of any sheet has: why it is struck out, its note, columns nobody knows here.

    ``entry`` is the id that whoever wrote the row gave it, so that a repeat is known as one.
    """

    skip: str = ""
    note: str = ""
    entry: str = ""
    extra: Mapping[str, str] = field(default_factory=no_extra)
    origin: Origin = NOWHERE


class Reading(SheetRow):
    """One row of readings.csv. ``levels`` holds repeats at this place, in the sheet's own scale."""

    id: str
    kind: ReadingKind
    place: Place
    levels: tuple[float, ...] = ()
    low_hz: float | None = None
    high_hz: float | None = None
    surface: str | None = None
    background: float | None = None
    gain_db: float | None = None
    session: str = ""
    recording: str | None = None
    everything_off: bool | None = None
    """Whether every tap and machine was off; None: as `LevelSettings.everything_off` says."""
    depth_m: float | None = None
    """Of a rod's tip."""
    date: str = ""
    """When it was read, as written."""


class Delay(SheetRow):
    """One row of delays.csv: arrival time at ``first`` minus arrival time at ``second``.

    The ``shown_*`` figures are as an instrument's screen gives them; the delay behind them is
    recovered by the survey. ``speed_check`` rows time a known noise outside the two sensors.
    """

    id: str
    first: Place
    second: Place
    delay_s: float | None = None
    sigma_s: float | None = None
    speed_check: bool = False
    shown_distance_m: float | None = None
    shown_length_m: float | None = None
    shown_speed_m_per_s: float | None = None
    recording_first: str | None = None
    recording_second: str | None = None
    low_hz: float | None = None
    high_hz: float | None = None


class Fitting(SheetRow):
    """Pipe between a sensor and the buried run at a fitting (a riser, a hydrant branch)."""

    point: str
    lead_m: float


class Isolation(SheetRow):
    """A shut-off test: which valves were shut and what the meter or gauge did.

    Flows are litres per second. ``supply`` names the point or leg where water enters.
    """

    id: str
    valves: tuple[str, ...]
    result: Literal["stopped", "slower", "same"] | None = None
    flow_before_l_per_s: float | None = None
    flow_after_l_per_s: float | None = None
    pressure_before_kpa: float | None = None
    pressure_after_kpa: float | None = None
    supply: str | None = None


class Calibration(SheetRow):
    """Chainage of a point as a wheel, tape or rod counter measured it."""

    point: str
    measured_m: float
    leg: str | None = None


class Tape(SheetRow):
    """One row of tapes.csv: a level distance taped from a point (``start``) to ``point``.

    ``side`` is of the line from the point of the first tape to that of the second.
    """

    point: str
    start: str
    distance_m: float
    side: Literal["left", "right"] | None = None
    code: str = ""


class Sighting(SheetRow):
    """Something seen at the surface."""

    place: Place
    what: Literal["wet", "warm", "sunk", "green"]


class Hole(SheetRow):
    """A hole already dug. ``start`` and ``finish`` are its two ends (columns from, to)."""

    id: str
    start: Place
    finish: Place
    pipe_exposed: bool | None = None
    outcome: Literal["leak", "dry", "wet"] | None = None
    water_from: Literal["up", "down"] | None = None


class StopTest(SheetRow):
    """One row of checks.csv: levels at one place while what may make the sound is off.

    Each holds the repeats, in the sheet's own scale; empty where that was not done. ``fitting``
    is the point that was worked, or words for one that is not on file.
    """

    id: str
    place: Place
    as_found: tuple[float, ...] = ()
    all_off: tuple[float, ...] = ()
    fitting_worked: tuple[float, ...] = ()
    supply_shut: tuple[float, ...] = ()
    fitting: str | None = None
    low_hz: float | None = None
    high_hz: float | None = None


class PastLeak(SheetRow):
    """A leak repaired earlier."""

    place: Place
    year: int | None = None


class Found(SheetRow):
    """One opened hole of the close-out: a leak at ``place``, or dry from ``start`` to ``finish``.

    ``depth_m`` is to the top of the pipe. A leak found is never evidence.
    """

    outcome: Literal["leak", "dry"]
    place: Place | None = None
    depth_m: float | None = None
    cause: str = ""
    start: Place | None = None
    finish: Place | None = None
    pipe_exposed: bool | None = None
    date: str | None = None


class MeterRow(NamedTuple):
    """One reading of the customer's meter; `geoleak.hydraulics` interprets it.

    ``reading`` is the register, in ``unit`` (a key of `geoleak.units.VOLUME_UNITS_L`), read to
    ``step`` of that unit as its digits are written. ``time`` knows its offset from UTC where the
    sheet or ``[meter] timezone`` says it. ``state`` is "all shut", "house valve shut" or free text.
    The rest is as in `SheetRow`; a tuple, for a logger writes a hundred thousand.
    """

    time: datetime
    reading: float
    unit: str
    step: float = 1.0
    run: str = ""
    state: str = ""
    skip: str = ""
    note: str = ""
    entry: str = ""
    extra: Mapping[str, str] = no_extra()
    origin: Origin = NOWHERE


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
        self, frame: pd.DataFrame, made: Mapping[int, Point] | None = None, *, style: Any = None
    ) -> None:
        self.frame, self._made = frame, dict(made or {})
        self.style: PointStyle = style or PointStyle()

    @classmethod
    def of(cls, points: Sequence[Point]) -> PointTable:
        """Return a table of records, such as points that only tapes know."""
        import pandas as pd

        rows = [(each.id, each.easting, each.northing, each.code) for each in points]
        frame = pd.DataFrame(rows, columns=["id", "easting", "northing", "code"])
        return cls(frame.astype({"easting": float, "northing": float}), dict(enumerate(points)))

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
        if self._index.dtype.kind != "i":
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
        if row in self._made:
            return self._made[row]
        held = {name: values[row] for name, values in self._columns.items()}
        lengths = {name: float(held.pop(name, math.nan)) for name in LENGTHS}
        extra = {k.removeprefix(EXTRA): str(v) for k, v in held.items() if k.startswith(EXTRA)}
        self._made[row] = Point(
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
        return self._made[row]
