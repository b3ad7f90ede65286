"""leaks_past.csv: leaks repaired earlier."""

from __future__ import annotations

from geoleak.readers.collector import Collector
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import open_sheet
from geoleak.site import PastLeak

NAME = "leaks_past.csv"
COLUMNS = ("place", "year", "skip", "note")


def read_past_leaks(collector: Collector, places: PlaceReader) -> tuple[PastLeak, ...]:
    """Return the earlier leaks of the folder."""
    sheet = open_sheet(
        NAME, known=COLUMNS, needed=("place",), numeric=(), collector=collector, places=places
    )
    found: list[PastLeak] = []
    for row in sheet or ():
        place, year = row.place("place"), row.whole("year", 1800, 2200)
        if place is not None and not row.failed:
            skip, note = row.text("skip"), row.text("note")
            found.append(PastLeak(place, year, skip=skip, note=note, origin=row.origin()))
    return tuple(found)
