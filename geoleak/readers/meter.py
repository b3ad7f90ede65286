"""meter.csv: readings of the customer's meter, as written."""

from __future__ import annotations

from geoleak.readers.collector import Collector
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import open_sheet
from geoleak.site import MeterRow

NAME = "meter.csv"
COLUMNS = ("time", "reading", "unit", "run", "state", "note")


def read_meter(collector: Collector, places: PlaceReader) -> tuple[MeterRow, ...]:
    """Return the meter readings of the folder."""
    sheet = open_sheet(
        NAME, known=COLUMNS, needed=("time", "reading"), numeric=("reading",),
        collector=collector, places=places,
    )  # fmt: skip
    found: list[MeterRow] = []
    for row in sheet or ():
        time = row.required("time")
        reading = row.number("reading") if row.required("reading") else None
        if reading is None or row.failed:
            continue
        found.append(
            MeterRow(
                time=time,
                reading=reading,
                unit=row.text("unit"),
                run=row.text("run"),
                state=row.text("state"),
                note=row.text("note"),
                origin=row.origin(),
            )
        )
    return tuple(found)
