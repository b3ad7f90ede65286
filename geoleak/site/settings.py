"""The tables of site.toml, and the whole of a site folder, `Site`.

Each table is the record that every other room reads: nothing copies it.

A field's name carries its unit; its key in the file does not (``dig_length_m`` is ``dig_length``).
"""

from __future__ import annotations

import html
import re
from collections.abc import Mapping, Sequence
from fnmatch import fnmatchcase
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, SkipValidation, ValidationInfo, model_validator

from geoleak.errors import Origin
from geoleak.record import Record, field
from geoleak.site import fields, records
from geoleak.site.records import NOWHERE, DrawnLine, MarksBy, no_extra
from geoleak.tables import learned

VolumeUnit = Literal["gal_us", "gal_imp", "ft3", "CCF", "L", "m3"]
Unit = Literal["m", "ft", "ftUS"]
Delimiter = Literal["comma", "semicolon", "tab", "blank", "blanks", "space", ",", ";", "\t", " "]


def _key(name: str) -> str:
    return re.sub(r"_(m|db|c|kpa)$", "", name)


class Table(BaseModel):
    """A table of site.toml: checks itself, refuses keys it does not know."""

    model_config = ConfigDict(
        # Built as one with the whole file where that is read, not each at import (25 ms).
        defer_build=True,
        extra="forbid",
        frozen=True,
        alias_generator=_key,
        populate_by_name=True,
    )


class PointFile(Table):
    """``[points]``: how the rover's files are to be read."""

    files: fields.Texts = Field(validation_alias="file")
    layout: Literal["pnezd", "penzd"] | None = None
    precision_is: Annotated[
        Literal["1 sigma", "2d rms", "95 %"], fields.also(**{"95%": "95 %"})
    ] = "1 sigma"
    rover_bias_m: Annotated[fields.Length, Field(gt=0, le=10)] = 0.015
    columns: fields.Columns = Field(default_factory=no_extra)
    elevation_unit: Unit | None = None
    precision_unit: Unit | None = None
    """Of precision columns whose heading has none; else the elevation's."""
    depth_unit: Literal["m", "ft", "ftUS", "in", "cm", "mm"] | None = None
    """Of a depth column whose heading has none; else ``length_unit``."""
    delimiter: Delimiter | None = None
    decimal: Annotated[Literal[".", ","], fields.also(point=".", comma=",")] | None = None
    status_scheme: fields.Given | None = None


class StatedLeg(Table):
    """``[[leg]]``: one run of buried pipe, as stated."""

    name: fields.Name
    code: fields.Texts | None = None
    points: fields.Ranges | None = None
    start: fields.Given | None = None
    end: fields.Given | None = None
    joins: fields.Given | None = Field(default=None, validation_alias="from")
    """Name of the leg this one runs from, and the point of the join where one is named."""
    marks_by: MarksBy = "signal"
    order: Literal["number", "file", "found"] = "number"
    fit: Literal["runs", "marks"] = "runs"
    depth_m: fields.Depth | None = None
    """Where a mark has no depth of its own."""
    depth_to: Annotated[
        Literal["centre", "crown", "wire", "sonde"], fields.also(center="centre")
    ] = "centre"
    material: fields.Name | None = None
    size_m: Annotated[fields.Length, Field(gt=0, le=2)] | None = None
    """Nominal size; with the standard that ``material`` names it gives diameter and wall."""
    outside_diameter_m: fields.Diameter | None = None
    wall_m: Annotated[fields.Length, Field(gt=0, le=0.5)] | None = None
    pressure_kpa: fields.Pressure | None = None
    installed: Annotated[fields.Whole, Field(ge=1800, le=2200)] | None = None
    ends_here: Annotated[tuple[Literal["start", "end"], ...], fields.each_text] = ()
    """Ends of the leg at which the pipe itself ends."""
    line: fields.Texts | None = None
    boundary: fields.Given | None = None
    side: Annotated[fields.Text, Field(max_length=80)] | None = None


class Leg(StatedLeg):
    """A leg with what the readers found for it.

    ``mark_ids`` are ids of points in the order that ``order`` asks for (``"number"`` and
    ``"file"`` are resolved by the reader; ``"found"`` by the route). A leg with ``drawn`` lines
    follows them, end to end; with marks as well, the marks correct them. ``joins`` is the other
    leg's name alone, ``joins_at`` the id of the point of the join, where one is named.
    """

    model_config = ConfigDict(arbitrary_types_allowed=True)  # arrays of drawn lines

    mark_ids: tuple[str, ...] = ()
    joins_at: str | None = None
    drawn: SkipValidation[tuple[DrawnLine, ...]] = ()
    origin: SkipValidation[Origin] = NOWHERE

    def with_lines(self, drawn: Sequence[Leg]) -> Leg:
        """Return this leg with drawn lines, and what the first states where it says nothing."""
        if not drawn:
            return self
        open_keys = [key for key in _DRAWN_TOO if getattr(self, key) is None]
        taken = {key: getattr(drawn[0], key) for key in open_keys}
        taken["drawn"] = tuple(each.drawn[0] for each in drawn)
        return self.model_copy(update=taken)


# What a leg may leave to the line it is drawn as.
_DRAWN_TOO = ("depth_m", "material", "outside_diameter_m", "wall_m", "pressure_kpa", "side")


# What a rover's code says of the line it is on, beside what it is: begin, end, curve, close.
# Common practice, no one source.
_LINE_WORK = re.compile(
    r"(?P<code>.*?[^\s.*+-])(?:[\s.]+(?P<word>B|BEG|BEGIN|ST|START|E|END|C|CLS|CLOSE|PC|PT)|\s*[*])",
    re.IGNORECASE,
)


class Codes(Table):
    """``[codes]``: fittings and fixed features among the points; ``*`` matches any tail."""

    fitting: fields.Texts = ()
    feature: fields.Texts = ()

    @staticmethod
    def line_work(code: str) -> tuple[str, str]:
        """Return a code without its line-work word, and the word (``"*"`` for a sign alone).

        Examples
        --------
        >>> Codes.line_work("WTR B"), Codes.line_work("WS.ST"), Codes.line_work("WL*")
        (('WTR', 'B'), ('WS', 'ST'), ('WL', '*'))
        >>> Codes.line_work("WTR"), Codes.line_work("B")
        (('WTR', ''), ('B', ''))
        """
        match = _LINE_WORK.fullmatch(code)
        return (match["code"], (match["word"] or "*").upper()) if match else (code, "")

    @staticmethod
    def matches(code: str, patterns: tuple[str, ...]) -> bool:
        """Tell whether a point code fits one of the patterns, with or without a line-work word.

        A bracket is itself: a code may be ``WL[1]``.
        """
        spellings = {code, Codes.line_work(code)[0]}
        plain = [pattern.replace("[", "[[]") for pattern in patterns]
        return any(fnmatchcase(each, pattern) for each in spellings for pattern in plain)

    def is_fitting(self, code: str) -> bool:
        """Tell whether a contact sensor can touch a point of this code."""
        return self.matches(code, self.fitting)

    def is_feature(self, code: str) -> bool:
        """Tell whether a tape can be held on a point of this code."""
        return self.matches(code, self.feature)


class LevelSettings(Table):
    """``[readings]``: the meter's scale and how far its figures can be trusted (dB)."""

    level_scale: Literal["db", "amplitude", "display"] = "db"
    level_sigma_db: Annotated[fields.Number, Field(ge=0.1, le=30)] = 2.5
    place_sigma_db: Annotated[fields.Number, Field(ge=0.1, le=30)] = 1.5
    level_limits: fields.Limits | None = None
    columns: fields.Columns = Field(default_factory=no_extra)
    """What readings.csv calls its columns, by the name they have here."""
    gate_m: Annotated[fields.Length, Field(gt=0, le=100)] = 2.0
    everything_off: fields.Switch = False
    """Whether every tap and machine was off while listening, where a row does not say."""


# A crew that thinks in feet opens 5 ft, not 4.9.
_IN_FEET = {"dig_length": 5, "offset_stake": 5, "tape_length": 100, "bucket_width": 2}


class Crew(Table):
    """``[crew]``: what the crew digs with and how well the locator and the tape do.

    ``locator_sigma`` is the sideways sigma of one mark, ``locator_bias`` the part that all marks
    share. Costs are in any one currency.
    """

    dig_length_m: Annotated[fields.Length, Field(gt=0.1, le=100)] = 1.5
    dig_when: Annotated[fields.Number, Field(gt=0, le=1)] = 0.9
    locator_sigma: fields.DepthShare = fields.LengthOrFraction(of_depth=0.1)
    locator_bias: fields.DepthShare = fields.LengthOrFraction(of_depth=0.03)
    tape_sigma_m: Annotated[fields.Length, Field(gt=0, le=5)] = 0.015
    tape_length_m: Annotated[fields.Length, Field(gt=0, le=1000)] = 30.0
    offset_stake_m: Annotated[fields.Length, Field(gt=0, le=100)] = 1.5
    bucket_width_m: Annotated[fields.Length, Field(gt=0, le=5)] = 0.6
    # 18 in either side of a mark: common in the United States; some states say 24 in.
    tolerance_zone_m: Annotated[fields.Length, Field(gt=0, le=10)] = 0.4572
    soil_type: Literal["A", "B", "C"] | None = None
    dig_cost: fields.Cost | None = None
    dry_hole_cost: fields.Cost | None = None
    reading_minutes: fields.Cost | None = None
    hour_cost: fields.Cost | None = None

    @model_validator(mode="before")
    @classmethod
    def _round_in_feet(cls, stated: Any, info: ValidationInfo) -> Any:
        in_feet = info.context and info.context["unit"] != "m" and isinstance(stated, dict)
        return {**_IN_FEET, **stated} if in_feet else stated


class PriorSettings(Table):
    """``[prior]``: shares of what may explain the sound, and factors on the chance per metre.

    A factor of 1 is switched off, and so is a share of 0.
    """

    elsewhere: Annotated[fields.Number, Field(ge=0, le=0.99)] = 0.05
    listened: fields.Share = 0.8
    """Share of the chance on the pipe that is in the stretch listened to; 0 is switched off."""
    inaudible: Annotated[fields.Share, Field(le=0.5)] = 0.2
    """Chance that a leak cannot be heard at the surface straight above it; 0 is switched off."""
    joints: fields.Factor = 2.0
    past_leaks: fields.Factor = 2.0
    recent_excavation: fields.Factor = 2.0
    age: fields.Factor = 1.0
    material: fields.Factor = 1.5
    """For legs of metal that rusts, beside legs of anything else."""
    fitting: fields.Share = 0.06
    """Share of sounds that are a draw-off, a pump or a valve, not the leak."""
    aside: fields.Share = 0.05
    """Share of leaks on a line nobody traced, beside the traced one."""
    beyond: fields.Share = 0.04
    """Share of leaks past an end of the traced line that nothing is known to close."""
    displaced: fields.Share = 0.10
    """Share of leaks whose sound comes up some way along the trench."""
    caution: Annotated[fields.Number, Field(ge=1, le=100)] = 3.0
    """How many times its share an explanation that nobody checked is taken at before a dig."""


class Utility(Table):
    """``[[utility]]``: another buried service: a file of lines and points, or codes of points."""

    name: fields.Name
    file: fields.Given | None = None
    codes: fields.Texts = ()
    colour: fields.Colour | None = None
    depth_m: fields.Depth | None = None
    quality: Literal["A", "B", "C", "D"] | None = None


class NetworkSettings(Table):
    """``[network]``: mains as a GIS has them, and how far to trust the drawing.

    ``sigma_m`` is how far aside (one standard deviation) a drawn pipe may lie; lines whose ends
    come within ``join_within_m`` of a line are joined to it; a leg whose marks all lie within
    ``marks_within_m`` of one line corrects that line without naming it.
    """

    file: fields.Given
    layer: fields.Given | None = None
    sigma_m: Annotated[fields.Length, Field(gt=0, le=50)] = 1.5
    # Drawings snap within millimetres, tablets in the field within a few centimetres; common
    # practice, no source.
    join_within_m: Annotated[fields.Length, Field(gt=0, le=5)] = 0.05
    marks_within_m: Annotated[fields.Length, Field(gt=0, le=50)] | None = None
    diameter_unit: Literal["mm", "cm", "m", "in", "ft"] | None = None
    depth_unit: Literal["mm", "cm", "m", "in", "ft", "ftUS"] | None = None
    depth_m: fields.Depth | None = None
    material: fields.Name | None = None
    pressure_kpa: fields.Pressure | None = None


class DrawnNetwork(Record, eq=False):
    """``[network]`` and every line of its file, in the file's order.

    ``crs`` is the file's own, ``"local"`` for a site on a grid of its own.
    """

    stated: NetworkSettings
    crs: str
    lines: tuple[DrawnLine, ...]
    origin: Origin = NOWHERE


class LocateRequest(Table):
    """``[locate_request]``: dates as ISO text (date or date and time)."""

    number: Annotated[fields.Text, Field(max_length=80)] = ""
    filed: fields.DateText | None = None
    valid_from: fields.DateText | None = None
    expires: fields.DateText | None = None


class Job(Table):
    """``[job]``: printed on sheet and report, kept out of GeoJSON and map."""

    number: Annotated[fields.Text, Field(max_length=200)] = ""
    address: fields.Text = ""
    technician: Annotated[fields.Text, Field(max_length=200)] = ""
    instruments: fields.Text = ""
    company: Annotated[fields.Text, Field(max_length=200)] = ""
    logo: fields.Given | None = None
    """A PNG or JPEG file of the folder, for the letterhead."""


class MeterSettings(Table):
    """``[meter]``: the customer's meter, and the price of its water.

    ``digits`` are those left of the register's point: it rolls over at ten to their power, once.
    ``resolution`` and ``per`` are in the unit of meter.csv's readings.
    """

    resolution: Annotated[fields.Number, Field(gt=0)] | None = None
    digits: Annotated[fields.Whole, Field(ge=1, le=12)] | None = None
    timezone: fields.Timezone | None = None
    price: fields.Cost | None = None
    per: VolumeUnit | None = None
    since: fields.DateText | None = None
    house_valve: fields.Given | None = None
    """The point that is the house valve: runs with it shut then tell on which side the leak is."""


class Tables(Table):
    """``[tables]``: a file of learned values."""

    file: fields.Given


class Photos(Table):
    """``[photos]``: pictures for the report."""

    files: fields.Texts = Field(validation_alias="file")


# Of water in a buried pipe, where nobody states it (common practice, no source).
BURIED_WATER_C = 10.0


class Settings(Table):
    """The whole of site.toml."""

    title: Annotated[fields.Text, Field(max_length=500)] = ""
    crs: fields.CrsText
    grid_crs: fields.CrsText | None = None
    length_unit: Unit
    coordinate_epoch: Annotated[fields.Number, Field(ge=1980, le=2200)] | None = None
    water_temperature_c: Annotated[fields.Temperature, Field(ge=0, le=100)] = BURIED_WATER_C
    corrections: fields.Text = ""
    mean_height_m: Annotated[fields.Length, Field(le=9000)] | None = None
    country: Annotated[fields.Given, Field(pattern="^[A-Z]{2}$")] | None = None
    """ISO 3166 code: whose rules of digging the cautions quote."""
    point_file: PointFile | None = Field(default=None, validation_alias="points")
    legs: tuple[StatedLeg, ...] = Field(default=(), validation_alias="leg")
    codes: Codes = Codes()
    levels: LevelSettings = Field(default_factory=LevelSettings, validation_alias="readings")
    crew: Crew = Crew()
    prior: PriorSettings = PriorSettings()
    utilities: tuple[Utility, ...] = Field(default=(), validation_alias="utility")
    locate_request: LocateRequest = LocateRequest()
    job: Job = Job()
    network: NetworkSettings | None = None
    metering: MeterSettings = Field(default=MeterSettings(), validation_alias="meter")
    tables: Tables | None = None
    photos: Photos | None = None


class Site(Record):
    """Everything a site folder states, read and checked, nothing yet projected.

    ``crs`` and ``grid_crs`` are texts pyproj reads, or ``"local"``. ``points`` keeps file order.
    ``inputs`` maps each file read to the SHA-256 of its bytes (hex).
    """

    folder: Path
    title: str
    crs: str
    length_unit: Literal["m", "ft", "ftUS"]
    points: records.PointTable
    legs: tuple[Leg, ...]
    point_file: PointFile
    grid_crs: str | None = None
    coordinate_epoch: float | None = None
    water_temperature_c: float = BURIED_WATER_C
    corrections: str = ""
    mean_height_m: float | None = None
    country: str | None = None
    codes: Codes = field(default_factory=Codes)
    levels: LevelSettings = field(default_factory=LevelSettings)
    crew: Crew = field(default_factory=Crew)
    prior: PriorSettings = field(default_factory=PriorSettings)
    readings: tuple[records.Reading, ...] = ()
    delays: tuple[records.Delay, ...] = ()
    fittings: tuple[records.Fitting, ...] = ()
    isolations: tuple[records.Isolation, ...] = ()
    calibrations: tuple[records.Calibration, ...] = ()
    sightings: tuple[records.Sighting, ...] = ()
    holes: tuple[records.Hole, ...] = ()
    past_leaks: tuple[records.PastLeak, ...] = ()
    meter: tuple[records.MeterRow, ...] = ()
    found: tuple[records.Found, ...] = ()
    utilities: tuple[Utility, ...] = ()
    locate_request: LocateRequest = field(default_factory=LocateRequest)
    job: Job = field(default_factory=Job)
    metering: MeterSettings = field(default_factory=MeterSettings)
    tables: learned.Tables = field(default_factory=learned.Tables)
    """The guesses an answer rests on: shipped, or learned on earlier jobs."""
    photos: tuple[str, ...] = ()
    """Files of pictures for the report (``[photos] file``)."""
    notes: tuple[records.Note, ...] = ()
    inputs: Mapping[str, str] = field(default_factory=records.no_extra)
    origins: Mapping[str, Origin] = field(default_factory=lambda: MappingProxyType({}))
    """Where each site.toml key stands, by dotted path (``"crew.dig_length"``)."""
    network: DrawnNetwork | None = None
    stop_tests: tuple[records.StopTest, ...] = ()
    tapes: tuple[records.Tape, ...] = ()
    """A point in ``points`` that no rover shot has tapes here, and nan for a position there."""

    def __repr__(self) -> str:
        legs = ", ".join(each.name for each in self.legs)
        return (
            f"<Site {self.title!r}: {self.crs}, {len(self.points)} points, legs {legs}, "
            f"{len(self.readings)} readings>"
        )

    def _repr_html_(self) -> str:
        rows = {
            "Coordinates": self.crs,
            "Lengths": self.length_unit,
            "Points": len(self.points),
            "Legs": ", ".join(each.name for each in self.legs),
            "Readings": len(self.readings),
            "Delays": len(self.delays),
            "Notes": "; ".join(each.text for each in self.notes),
        }
        told = "".join(
            f"<tr><th style='text-align:left'>{name}</th><td>{html.escape(str(value))}</td></tr>"
            for name, value in rows.items()
            if value
        )
        return f"<table><caption>{html.escape(self.title)}</caption>{told}</table>"

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
