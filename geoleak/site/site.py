"""The whole of a site folder in one frozen record."""

from __future__ import annotations

import html
from collections.abc import Mapping
from pathlib import Path
from types import MappingProxyType
from typing import Literal

from geoleak.errors import Origin
from geoleak.record import Record, field
from geoleak.site import records, settings
from geoleak.site.points import PointTable
from geoleak.tables.learned import Tables


class Site(Record):
    """Everything a site folder states, read and checked, nothing yet projected.

    ``crs`` and ``grid_crs`` are texts pyproj reads, or ``"local"``. ``points`` keeps file order.
    ``inputs`` maps each file read to the SHA-256 of its bytes (hex).
    """

    folder: Path
    title: str
    crs: str
    length_unit: Literal["m", "ft", "ftUS"]
    points: PointTable
    legs: tuple[settings.Leg, ...]
    point_file: settings.PointFile
    grid_crs: str | None = None
    coordinate_epoch: float | None = None
    water_temperature_c: float = 10.0
    corrections: str = ""
    mean_height_m: float | None = None
    country: str | None = None
    codes: settings.Codes = field(default_factory=settings.Codes)
    levels: settings.LevelSettings = field(default_factory=settings.LevelSettings)
    crew: settings.Crew = field(default_factory=settings.Crew)
    prior: settings.PriorSettings = field(default_factory=settings.PriorSettings)
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
    utilities: tuple[settings.Utility, ...] = ()
    locate_request: settings.LocateRequest = field(default_factory=settings.LocateRequest)
    job: settings.Job = field(default_factory=settings.Job)
    metering: settings.MeterSettings = field(default_factory=settings.MeterSettings)
    tables: Tables = field(default_factory=Tables)
    """The guesses an answer rests on: shipped, or learned on earlier jobs."""
    photos: tuple[str, ...] = ()
    """Files of pictures for the report (``[photos] file``)."""
    notes: tuple[records.Note, ...] = ()
    inputs: Mapping[str, str] = field(default_factory=records.no_extra)
    origins: Mapping[str, Origin] = field(default_factory=lambda: MappingProxyType({}))
    """Where each site.toml key stands, by dotted path (``"crew.dig_length"``)."""
    network: settings.DrawnNetwork | None = None
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

    def leg(self, name: str) -> settings.Leg:
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
