"""The tables and keys of site.toml, with their limits. Lengths come out in metres."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

from geoleak.readers.numbers import why_no_number
from geoleak.readers.precision import parse_scheme
from geoleak.readers.site_fields import (
    Colour,
    DateText,
    Factor,
    LengthOrFraction,
    Pressure,
    Texts,
    length_m,
    number,
    one_of,
    text,
    texts,
    whole,
)

_DELIMITER_WORDS = ("comma", "semicolon", "tab", "blank", "blanks", "space", ",", ";", "\t", " ")


def _limits(value: Any) -> tuple[float, float]:
    if not isinstance(value, list) or len(value) != 2:
        raise ValueError(f"{value} is not two numbers; write [0, 99]")
    for each in value:
        if isinstance(each, bool) or not isinstance(each, (int, float)) or each != each:
            raise ValueError(why_no_number(str(each), decimal="."))
    low, high = float(value[0]), float(value[1])
    if not low < high or abs(low) == float("inf") or abs(high) == float("inf"):
        raise ValueError(f"{value} does not rise; write the lower limit first, as in [0, 99]")
    return low, high


def _scheme(value: Any) -> str:
    if not isinstance(value, str):
        raise ValueError(f'{value} is no fix scheme; write "gga" or "1 fixed, 2 float, 5 single"')
    parse_scheme(value)
    return value


def _columns(value: Any) -> dict[str, str]:
    if not isinstance(value, dict) or not all(
        isinstance(each, (str, int)) and not isinstance(each, bool) for each in value.values()
    ):
        raise ValueError('columns is not a table of names; write {northing = "Y", easting = "X"}')
    return {str(role): str(name) for role, name in value.items()}


def _ranges(value: Any) -> tuple[str, ...]:
    return tuple(part.strip() for each in texts(value) for part in each.split(",") if part.strip())


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class PointsTable(_Table):
    """``[points]``."""

    file: Texts
    layout: one_of("pnezd", "penzd") | None = None  # type: ignore[valid-type]
    precision_is: one_of("1 sigma", "2d rms", "95 %", also={"95%": "95 %"}) = "1 sigma"  # type: ignore[valid-type]
    rover_bias: length_m(above=0.0, most_m=10) = 0.015  # type: ignore[valid-type]
    columns: Annotated[dict[str, str], BeforeValidator(_columns)] = Field(default_factory=dict)
    elevation_unit: one_of("m", "ft", "ftUS") | None = None  # type: ignore[valid-type]
    delimiter: one_of(*_DELIMITER_WORDS) | None = None  # type: ignore[valid-type]
    decimal: one_of(".", ",", also={"point": ".", "comma": ","}) | None = None  # type: ignore[valid-type]
    status_scheme: Annotated[str, BeforeValidator(_scheme)] | None = None


class LegTable(_Table):
    """``[[leg]]``."""

    name: text(longest=80, blank=False)  # type: ignore[valid-type]
    code: Texts | None = None
    points: Annotated[tuple[str, ...], BeforeValidator(_ranges)] | None = None
    start: text(blank=False) | None = None  # type: ignore[valid-type]
    end: text(blank=False) | None = None  # type: ignore[valid-type]
    joins: text(blank=False) | None = Field(default=None, alias="from")  # type: ignore[valid-type]
    marks_by: one_of("signal", "sonde", "probe", "records", "assumed") = "signal"  # type: ignore[valid-type]
    order: one_of("number", "file", "found") = "number"  # type: ignore[valid-type]
    fit: one_of("runs", "marks") = "runs"  # type: ignore[valid-type]
    depth: length_m(above=0.0, most_m=30) | None = None  # type: ignore[valid-type]
    depth_to: one_of("centre", "crown", "wire", "sonde", also={"center": "centre"}) = "centre"  # type: ignore[valid-type]
    material: text(longest=80, blank=False) | None = None  # type: ignore[valid-type]
    outside_diameter: length_m(above=0.0, most_m=5) | None = None  # type: ignore[valid-type]
    wall: length_m(above=0.0, most_m=0.5) | None = None  # type: ignore[valid-type]
    pressure: Pressure | None = None
    installed: whole(1800, 2200) | None = None  # type: ignore[valid-type]
    line: Texts | None = None
    boundary: text(blank=False) | None = None  # type: ignore[valid-type]
    side: text(longest=80) | None = None  # type: ignore[valid-type]


class CodesTable(_Table):
    """``[codes]``."""

    fitting: Texts = ()
    feature: Texts = ()


class ReadingsTable(_Table):
    """``[readings]``."""

    level_scale: one_of("db", "amplitude", "display") = "db"  # type: ignore[valid-type]
    level_sigma: number(0.1, 30) = 2.5  # type: ignore[valid-type]
    place_sigma: number(0.1, 30) = 1.5  # type: ignore[valid-type]
    level_limits: Annotated[tuple[float, float], BeforeValidator(_limits)] | None = None
    gate: length_m(above=0.0, most_m=100) = 2.0  # type: ignore[valid-type]


class CrewTable(_Table):
    """``[crew]``."""

    dig_length: length_m(above=0.1, most_m=100) = 1.5  # type: ignore[valid-type]
    dig_when: number(0, 1, above=True) = 0.9  # type: ignore[valid-type]
    locator_sigma: LengthOrFraction = (None, 0.1)
    locator_bias: LengthOrFraction = (None, 0.03)
    tape_sigma: length_m(above=0.0, most_m=5) = 0.015  # type: ignore[valid-type]
    tape_length: length_m(above=0.0, most_m=1000) = 30.0  # type: ignore[valid-type]
    offset_stake: length_m(above=0.0, most_m=100) = 1.5  # type: ignore[valid-type]
    bucket_width: length_m(above=0.0, most_m=5) = 0.6  # type: ignore[valid-type]
    tolerance_zone: length_m(above=0.0, most_m=10) = 0.4572  # type: ignore[valid-type]
    soil_type: one_of("A", "B", "C") | None = None  # type: ignore[valid-type]
    dig_cost: number(0) | None = None  # type: ignore[valid-type]
    dry_hole_cost: number(0) | None = None  # type: ignore[valid-type]
    reading_minutes: number(0) | None = None  # type: ignore[valid-type]
    hour_cost: number(0) | None = None  # type: ignore[valid-type]


class PriorTable(_Table):
    """``[prior]``."""

    elsewhere: number(0, 0.99) = 0.05  # type: ignore[valid-type]
    listened: number(0, 0.99) = 0.8  # type: ignore[valid-type]
    inaudible: number(0, 0.5) = 0.1  # type: ignore[valid-type]
    joints: Factor = 2.0
    past_leaks: Factor = 2.0
    recent_excavation: Factor = 2.0
    age: Factor = 1.0
    material: Factor = 1.5


class UtilityTable(_Table):
    """``[[utility]]``."""

    name: text(longest=80, blank=False)  # type: ignore[valid-type]
    file: text(blank=False) | None = None  # type: ignore[valid-type]
    codes: Texts = ()
    colour: Colour | None = None
    depth: length_m(above=0.0, most_m=30) | None = None  # type: ignore[valid-type]
    quality: one_of("A", "B", "C", "D") | None = None  # type: ignore[valid-type]


class NetworkTable(_Table):
    """``[network]``."""

    file: text(blank=False)  # type: ignore[valid-type]
    layer: text(blank=False) | None = None  # type: ignore[valid-type]
    sigma: length_m(above=0.0, most_m=50) = 1.5  # type: ignore[valid-type]
    join_within: length_m(above=0.0, most_m=5) = 0.05  # type: ignore[valid-type]
    marks_within: length_m(above=0.0, most_m=50) | None = None  # type: ignore[valid-type]
    diameter_unit: one_of("mm", "cm", "m", "in", "ft") | None = None  # type: ignore[valid-type]
    depth_unit: one_of("mm", "cm", "m", "in", "ft", "ftUS") | None = None  # type: ignore[valid-type]
    depth: length_m(above=0.0, most_m=30) | None = None  # type: ignore[valid-type]
    material: text(longest=80, blank=False) | None = None  # type: ignore[valid-type]
    pressure: Pressure | None = None


class LocateRequestTable(_Table):
    """``[locate_request]``."""

    number: text(longest=80) = ""  # type: ignore[valid-type]
    filed: DateText | None = None
    valid_from: DateText | None = None
    expires: DateText | None = None


class JobTable(_Table):
    """``[job]``."""

    number: text(longest=200) = ""  # type: ignore[valid-type]
    address: text() = ""  # type: ignore[valid-type]
    technician: text(longest=200) = ""  # type: ignore[valid-type]
    instruments: text() = ""  # type: ignore[valid-type]


class SiteTable(_Table):
    """The whole of site.toml."""

    title: text(longest=500) = ""  # type: ignore[valid-type]
    crs: text(longest=20000, blank=False)  # type: ignore[valid-type]
    grid_crs: text(longest=20000, blank=False) | None = None  # type: ignore[valid-type]
    length_unit: one_of("m", "ft", "ftUS")  # type: ignore[valid-type]
    coordinate_epoch: number(1980, 2200) | None = None  # type: ignore[valid-type]
    water_temperature: number(0, 100) = 10.0  # type: ignore[valid-type]
    corrections: text() = ""  # type: ignore[valid-type]
    mean_height: length_m(most_m=9000) | None = None  # type: ignore[valid-type]
    points: PointsTable | None = None
    leg: tuple[LegTable, ...] = ()
    codes: CodesTable = CodesTable()
    readings: ReadingsTable = ReadingsTable()
    crew: CrewTable = CrewTable()
    prior: PriorTable = PriorTable()
    utility: tuple[UtilityTable, ...] = ()
    locate_request: LocateRequestTable = LocateRequestTable()
    job: JobTable = JobTable()
    network: NetworkTable | None = None
    tables: dict[str, Any] | None = None
    photos: Any = None
