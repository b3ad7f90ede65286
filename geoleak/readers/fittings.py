"""fittings.csv: pipe between a sensor and the buried run."""

from __future__ import annotations

from geoleak.readers.collector import Collector
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import open_sheet
from geoleak.site import Fitting

NAME = "fittings.csv"
COLUMNS = ("point", "lead", "note")


def read_fittings(collector: Collector, places: PlaceReader) -> tuple[Fitting, ...]:
    """Return the fittings of the folder; a row without a lead has none."""
    sheet = open_sheet(
        NAME, known=COLUMNS, needed=("point", "lead"), numeric=("lead",),
        collector=collector, places=places,
    )  # fmt: skip
    found: dict[str, Fitting] = {}
    for row in sheet or ():
        point = row.point("point") if row.required("point") else None
        lead = row.length("lead", low=0)
        if point in found:
            row.complain("point", f'"{point}" stands here twice', "keep one row")
        if point is not None and not row.failed:
            found[point] = Fitting(point, lead or 0.0, note=row.text("note"), origin=row.origin())
    return tuple(found.values())
