"""The frozen records of a site: what the readers make and every other room takes.

Lengths are metres, levels decibels, frequencies hertz, pressures kilopascals, times seconds.
Only point coordinates stay as the file has them, in the axis unit of the site's CRS, until
`geoleak.survey` projects them. Sigma is one standard deviation. ``None`` means not stated.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from fnmatch import fnmatchcase
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from geoleak.errors import Origin

PointStatus = Literal["fixed", "float", "single", "unknown"]
MarksBy = Literal["signal", "sonde", "probe", "records", "assumed"]
ReadingKind = Literal["surface", "contact", "gas", "bar_hole", "rod"]
NOWHERE = Origin("")


def no_extra() -> Mapping[str, str]:
    """Return the empty pass-through columns of a record."""
    return MappingProxyType({})


@dataclass(frozen=True, slots=True)
class Note:
    """Something the reader noticed and the person should know; becomes a warning."""

    code: str
    text: str
    origin: Origin = NOWHERE

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


@dataclass(frozen=True, slots=True)
class Point:
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


@dataclass(frozen=True, slots=True)
class DrawnLine:
    """One line of a network file, as drawn.

    ``easting`` and ``northing`` are in the axis unit of `DrawnNetwork.crs`. ``feature`` is the
    file's own id of the line, ``name`` what it is called here.
    """

    feature: str
    name: str
    easting: tuple[float, ...]
    northing: tuple[float, ...]
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class DrawnNetwork:
    """``[network]``: how a drawing is to be taken, and every line of it.

    ``crs`` is the file's own, ``"local"`` for a site on a grid of its own. ``sigma_m`` is how far
    aside (one standard deviation) a drawn pipe may lie; lines whose ends come within
    ``join_within_m`` of a line are joined to it; a leg whose marks all lie within
    ``marks_within_m`` of one line corrects that line without naming it.
    """

    file: str
    crs: str
    lines: tuple[DrawnLine, ...]
    sigma_m: float = 1.5
    join_within_m: float = 0.05
    marks_within_m: float | None = None
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class Leg:
    """One run of buried pipe, as ``[[leg]]`` states it.

    ``mark_ids`` are ids of points in the order that ``order`` asks for (``"number"`` and
    ``"file"`` are resolved by the reader; ``"found"`` by the route). ``depth_m`` holds where a mark
    has no depth of its own. ``locator_*`` may override the crew's figures for this leg. A leg with
    ``drawn`` lines follows them, end to end; with marks as well, the marks correct them.
    """

    name: str
    mark_ids: tuple[str, ...]
    start: str | None = None
    end: str | None = None
    joins: str | None = None
    """Name of the leg this one runs from (``from = ...``)."""
    joins_at: str | None = None
    """Id of the point of the join, where one is named; else the nearest place."""
    marks_by: MarksBy = "signal"
    order: Literal["number", "file", "found"] = "number"
    fit: Literal["runs", "marks"] = "runs"
    depth_m: float | None = None
    depth_to: Literal["centre", "crown", "wire", "sonde"] = "centre"
    material: str | None = None
    outside_diameter_m: float | None = None
    wall_m: float | None = None
    pressure_kpa: float | None = None
    installed: int | None = None
    boundary: str | None = None
    side: str | None = None
    ends_here: tuple[Literal["start", "end"], ...] = ()
    """Ends of the leg at which the pipe itself ends."""
    origin: Origin = NOWHERE
    drawn: tuple[DrawnLine, ...] = ()


@dataclass(frozen=True, slots=True)
class Place:
    """Where a reading was taken, as the sheet says it; `geoleak.survey` puts it on the pipe.

    ``kind`` is ``"point"`` (``point``, moved ``up_m`` up-chainage, negative is down), ``"leg"``
    (``leg`` at ``chainage_m``), ``"grid"`` (``easting``, ``northing`` in the axis unit of the
    printed grid) or ``"lonlat"`` (degrees). ``leg`` may accompany ``"point"``.
    """

    kind: Literal["point", "leg", "grid", "lonlat"]
    text: str
    point: str | None = None
    leg: str | None = None
    up_m: float = 0.0
    chainage_m: float | None = None
    easting: float | None = None
    northing: float | None = None


@dataclass(frozen=True, slots=True)
class Reading:
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
    skip: str = ""
    note: str = ""
    extra: Mapping[str, str] = field(default_factory=no_extra)
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class Delay:
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
    skip: str = ""
    note: str = ""
    extra: Mapping[str, str] = field(default_factory=no_extra)
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class Fitting:
    """Pipe between a sensor and the buried run at a fitting (a riser, a hydrant branch)."""

    point: str
    lead_m: float
    note: str = ""
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class Isolation:
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
    minutes: float | None = None
    supply: str | None = None
    skip: str = ""
    note: str = ""
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class Calibration:
    """Chainage of a point as a wheel, tape or rod counter measured it."""

    point: str
    measured_m: float
    leg: str | None = None
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class Tape:
    """One row of tapes.csv: a level distance taped from a point (``start``) to ``point``.

    ``side`` is of the line from the point of the first tape to that of the second.
    """

    point: str
    start: str
    distance_m: float
    side: Literal["left", "right"] | None = None
    note: str = ""
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class Sighting:
    """Something seen at the surface."""

    place: Place
    what: Literal["wet", "warm", "sunk", "green"]
    skip: str = ""
    note: str = ""
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class Hole:
    """A hole already dug. ``start`` and ``finish`` are its two ends (columns from, to)."""

    id: str
    start: Place
    finish: Place
    depth_reached_m: float | None = None
    pipe_exposed: bool | None = None
    outcome: Literal["leak", "dry", "wet"] | None = None
    water_from: Literal["up", "down"] | None = None
    skip: str = ""
    note: str = ""
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class StopTest:
    """One row of checks.csv: levels at one place while what may make the sound is off.

    Each holds the repeats, in the sheet's own scale; empty where that was not done. ``fitting``
    is the point that was worked.
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
    skip: str = ""
    note: str = ""
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class PastLeak:
    """A leak repaired earlier."""

    place: Place
    year: int | None = None
    skip: str = ""
    note: str = ""
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class MeterRow:
    """One reading of the customer's meter, as written; `geoleak.hydraulics` interprets it."""

    time: str
    reading: float
    unit: str
    run: str = ""
    state: str = ""
    note: str = ""
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class PointFile:
    """How ``[points]`` says the rover's file is to be read."""

    files: tuple[str, ...]
    layout: Literal["pnezd", "penzd"] | None = None
    precision_is: Literal["1 sigma", "2d rms", "95 %"] = "1 sigma"
    rover_bias_m: float = 0.015
    columns: Mapping[str, str] = field(default_factory=no_extra)
    elevation_unit: str | None = None
    delimiter: str | None = None
    decimal: str | None = None
    status_scheme: str | None = None


@dataclass(frozen=True, slots=True)
class Codes:
    """Which point codes are fittings and which are fixed features; ``*`` matches any tail."""

    fitting: tuple[str, ...] = ()
    feature: tuple[str, ...] = ()

    @staticmethod
    def matches(code: str, patterns: tuple[str, ...]) -> bool:
        """Tell whether a point code fits one of the patterns."""
        return any(fnmatchcase(code, pattern) for pattern in patterns)

    def is_fitting(self, code: str) -> bool:
        """Tell whether a contact sensor can touch a point of this code."""
        return self.matches(code, self.fitting)

    def is_feature(self, code: str) -> bool:
        """Tell whether a tape can be held on a point of this code."""
        return self.matches(code, self.feature)


@dataclass(frozen=True, slots=True)
class LevelSettings:
    """``[readings]``: the meter's scale and how far its figures can be trusted (dB)."""

    level_scale: Literal["db", "amplitude", "display"] = "db"
    level_sigma_db: float = 2.5
    place_sigma_db: float = 1.5
    level_limits: tuple[float, float] | None = None
    gate_m: float = 2.0
    everything_off: bool = False
    """Whether every tap and machine was off while listening, where a row does not say."""


@dataclass(frozen=True, slots=True)
class Crew:
    """``[crew]``: what the crew digs with and how well the locator and the tape do.

    ``locator_sigma`` and ``locator_bias`` are a length in metres or a fraction of depth: exactly
    one member of each pair is set. Costs are in any one currency.
    """

    dig_length_m: float = 1.5
    dig_when: float = 0.9
    locator_sigma_m: float | None = None
    locator_sigma_of_depth: float | None = 0.1
    locator_bias_m: float | None = None
    locator_bias_of_depth: float | None = 0.03
    tape_sigma_m: float = 0.015
    tape_length_m: float = 30.0
    offset_stake_m: float = 1.5
    bucket_width_m: float = 0.6
    tolerance_zone_m: float = 0.4572
    soil_type: Literal["A", "B", "C"] | None = None
    dig_cost: float | None = None
    dry_hole_cost: float | None = None
    reading_minutes: float | None = None
    hour_cost: float | None = None

    def locator_sigma(self, depth_m: float) -> float:
        """Return the sideways sigma of one mark at a depth, in metres."""
        if self.locator_sigma_m is not None:
            return self.locator_sigma_m
        return (self.locator_sigma_of_depth or 0.0) * depth_m

    def locator_bias(self, depth_m: float) -> float:
        """Return the sideways sigma that all marks share at a depth, in metres."""
        if self.locator_bias_m is not None:
            return self.locator_bias_m
        return (self.locator_bias_of_depth or 0.0) * depth_m


@dataclass(frozen=True, slots=True)
class PriorSettings:
    """``[prior]``: shares of what may explain the sound, and factors on the chance per metre.

    A factor of 1 is switched off, and so is a share of 0.
    """

    elsewhere: float = 0.05
    listened: float = 0.8
    """Share of the chance on the pipe that is in the stretch listened to; 0 is switched off."""
    inaudible: float = 0.1
    """Chance that a leak cannot be heard at the surface straight above it; 0 is switched off."""
    joints: float = 2.0
    past_leaks: float = 2.0
    recent_excavation: float = 2.0
    age: float = 1.0
    material: float = 1.5
    """For legs of metal that rusts, beside legs of anything else."""
    fitting: float = 0.06
    """Share of sounds that are a draw-off, a pump or a valve, not the leak."""
    aside: float = 0.05
    """Share of leaks on a line nobody traced, beside the traced one."""
    beyond: float = 0.04
    """Share of leaks past an end of the traced line that nothing is known to close."""
    displaced: float = 0.10
    """Share of leaks whose sound comes up some way along the trench."""
    caution: float = 3.0
    """How many times its share an explanation that nobody checked is taken at before a dig."""


@dataclass(frozen=True, slots=True)
class Utility:
    """Another buried service: a file of lines and points, or codes of shot points."""

    name: str
    file: str | None = None
    codes: tuple[str, ...] = ()
    colour: str | None = None
    depth_m: float | None = None
    quality: str | None = None
    origin: Origin = NOWHERE


@dataclass(frozen=True, slots=True)
class LocateRequest:
    """``[locate_request]``: dates as ISO text (date or date and time), checked when read."""

    number: str = ""
    filed: str | None = None
    valid_from: str | None = None
    expires: str | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """``[job]``: printed on sheet and report, kept out of GeoJSON and map."""

    number: str = ""
    address: str = ""
    technician: str = ""
    instruments: str = ""


@dataclass(frozen=True, slots=True)
class Site:
    """Everything a site folder states, read and checked, nothing yet projected.

    ``crs`` and ``grid_crs`` are texts pyproj reads, or ``"local"``. ``points`` keeps file order.
    ``inputs`` maps each file read to the SHA-256 of its bytes (hex).
    """

    folder: Path
    title: str
    crs: str
    length_unit: Literal["m", "ft", "ftUS"]
    points: Mapping[str, Point]
    legs: tuple[Leg, ...]
    point_file: PointFile
    grid_crs: str | None = None
    coordinate_epoch: float | None = None
    water_temperature_c: float = 10.0
    corrections: str = ""
    mean_height_m: float | None = None
    codes: Codes = field(default_factory=Codes)
    levels: LevelSettings = field(default_factory=LevelSettings)
    crew: Crew = field(default_factory=Crew)
    prior: PriorSettings = field(default_factory=PriorSettings)
    readings: tuple[Reading, ...] = ()
    delays: tuple[Delay, ...] = ()
    fittings: tuple[Fitting, ...] = ()
    isolations: tuple[Isolation, ...] = ()
    calibrations: tuple[Calibration, ...] = ()
    sightings: tuple[Sighting, ...] = ()
    holes: tuple[Hole, ...] = ()
    past_leaks: tuple[PastLeak, ...] = ()
    stop_tests: tuple[StopTest, ...] = ()
    meter: tuple[MeterRow, ...] = ()
    utilities: tuple[Utility, ...] = ()
    network_file: str | None = None
    locate_request: LocateRequest = field(default_factory=LocateRequest)
    job: Job = field(default_factory=Job)
    notes: tuple[Note, ...] = ()
    inputs: Mapping[str, str] = field(default_factory=no_extra)
    origins: Mapping[str, Origin] = field(default_factory=lambda: MappingProxyType({}))
    """Where each site.toml key stands, by dotted path (``"crew.dig_length"``)."""
    network: DrawnNetwork | None = None
    tapes: tuple[Tape, ...] = ()
    """A point in ``points`` that no rover shot has tapes here, and nan for a position there."""

    @property
    def is_local(self) -> bool:
        """Whether the site is on a grid of its own, without longitude and latitude."""
        return self.crs.strip().lower() == "local"

    def leg(self, name: str) -> Leg:
        """Return the leg of this name.

        Raises
        ------
        KeyError
            If there is none.
        """
        for each in self.legs:
            if each.name == name:
                return each
        raise KeyError(name)
