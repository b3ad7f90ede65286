"""calibration.csv: chainage of points as a wheel, a tape or a rod counter measured it."""

from __future__ import annotations

from geoleak.readers.collector import Collector, did_you_mean
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import open_sheet
from geoleak.site import Calibration

NAME = "calibration.csv"
COLUMNS = ("point", "measured", "leg", "note")


def read_calibrations(collector: Collector, places: PlaceReader) -> tuple[Calibration, ...]:
    """Return the measured chainages of the folder."""
    sheet = open_sheet(
        NAME, known=COLUMNS, needed=("point", "measured"), numeric=("measured",),
        collector=collector, places=places,
    )  # fmt: skip
    found: list[Calibration] = []
    for row in sheet or ():
        place = row.place("point")
        if place is not None and (place.kind != "point" or place.up_m):
            row.complain("point", f'"{place.text}" is not a point', "write a point's id alone")
        leg = row.text("leg") or (place.leg if place else None)
        if leg and leg not in places.legs:
            row.complain("leg", f'there is no leg "{leg}"', did_you_mean(leg, places.legs))
        measured = row.length("measured") if row.required("measured") else None
        if place is None or place.point is None or measured is None or row.failed:
            continue
        found.append(Calibration(place.point, measured, leg=leg, origin=row.origin()))
    return tuple(found)
