"""holes.csv: holes already dug."""

from __future__ import annotations

from geoleak.readers.collector import Collector
from geoleak.readers.places import PlaceReader
from geoleak.readers.sheet import SheetRow, open_sheet
from geoleak.site import Hole

NAME = "holes.csv"
COLUMNS = (
    "hole", "from", "to", "depth_reached", "pipe_exposed", "outcome", "water_from", "skip", "note",
)  # fmt: skip


def read_holes(collector: Collector, places: PlaceReader) -> tuple[Hole, ...]:
    """Return the holes of the folder."""
    sheet = open_sheet(
        NAME, known=COLUMNS, needed=("from", "to"), numeric=("depth_reached",),
        collector=collector, places=places,
    )  # fmt: skip
    found = [_hole(row) for row in sheet or ()]
    return tuple(each for each in found if each is not None)


def _hole(row: SheetRow) -> Hole | None:
    start, finish = row.place("from"), row.place("to")
    depth = row.length("depth_reached")
    if depth is not None and depth <= 0:
        row.complain("depth_reached", f'"{row.text("depth_reached")}" is not above zero')
    exposed = row.yes_no("pipe_exposed")
    outcome = row.choice("outcome", ("leak", "dry", "wet"))
    water = row.choice("water_from", ("up", "down"))
    if row.failed or start is None or finish is None:
        return None
    return Hole(
        id=row.text("hole") or str(row.index),
        start=start,
        finish=finish,
        depth_reached_m=depth,
        pipe_exposed=exposed,
        outcome=outcome,
        water_from=water,
        skip=row.text("skip"),
        note=row.text("note"),
        origin=row.origin(),
    )
