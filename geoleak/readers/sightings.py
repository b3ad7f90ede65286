"""sightings.csv: what was seen at the surface."""

from __future__ import annotations

from geoleak.readers.collector import Collector
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import open_sheet
from geoleak.site import Sighting

NAME = "sightings.csv"
COLUMNS = ("place", "what", "skip", "note")


def read_sightings(collector: Collector, places: PlaceReader) -> tuple[Sighting, ...]:
    """Return the sightings of the folder."""
    sheet = open_sheet(
        NAME, known=COLUMNS, needed=("place", "what"), numeric=(),
        collector=collector, places=places,
    )  # fmt: skip
    found: list[Sighting] = []
    for row in sheet or ():
        place = row.place("place")
        row.required("what")
        what = row.choice("what", ("wet", "warm", "sunk", "green"))
        if place is not None and what is not None and not row.failed:
            skip, note = row.text("skip"), row.text("note")
            found.append(Sighting(place, what, skip=skip, note=note, origin=row.origin()))
    return tuple(found)
