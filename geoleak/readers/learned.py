"""A file of learned values, as ``record --learn`` writes it, to the tables that a site rests on."""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Annotated, Any

from pydantic import BeforeValidator, Field, create_model

from geoleak import tables
from geoleak.errors import Complaint, InputError, Origin
from geoleak.readers.collector import Collector, refused
from geoleak.readers.toml import TomlFile
from geoleak.site import DateText, Number, Table, Whole
from geoleak.tables.learned import SHARES, Learned, Tables, learnables

HEAD = "learned"
MEMBERS = {
    "pipe_loss": tables.names("materials"),
    "speed_ratio": tables.names("materials"),
    "share": SHARES,
}
# The widest spread of a logarithm that is still a statement: a factor of seven either way.
WIDEST_LOG = 2.0
# A spread under this part of the widest is no spread: nothing is known without one.
LEAST = 1e-3


Day = Annotated[DateText | None, BeforeValidator(lambda value: None if value == "" else value)]


class Head(Table):
    """``[learned]``: the sites behind the values, and the dates of the first and the last."""

    sites: Annotated[Whole, Field(ge=1)]
    first: Day = Field(default=None, validation_alias="from")
    last: Day = Field(default=None, validation_alias="to")


def read_tables(path: Path) -> Tables:
    """Return the learned values of a file outside any site.

    Raises
    ------
    InputError
        With every complaint, each with file, line and column.
    """
    if not path.is_file():
        what, remedy = "there is no such file", "name one that record --learn wrote"
        raise refused(Origin(str(path)), what, remedy)
    return tables_of(Collector(path.parent), path.name, Origin(str(path)))


def tables_of(collector: Collector, name: str, asked_at: Origin) -> Tables:
    """Return the learned values of a file of the collector's folder; raises `InputError`."""
    file = TomlFile.read(name, asked_at, collector)
    found: Any = file.checked(_model())
    rows: list[Learned] = []
    empty: list[Complaint] = []
    for key in (each for each in file.values if each != HEAD):
        members, row = file.values[key], getattr(found, key)
        held = {key: row}
        if key in MEMBERS:
            held = {f"{key}.{each}": getattr(row, each) for each in members}
        if not held:
            remedy = f"write its values under [{key}.{MEMBERS[key][0]}] or another, or leave it out"
            empty.append(Complaint(file.origin(key, key=True), f"{key} is empty", remedy))
        rows += [Learned(each, **dict(told)) for each, told in held.items()]
    if empty:
        raise InputError(empty)
    head = found.learned
    dates = head.first or "", head.last or ""
    return Tables(tuple(rows), name, collector.inputs[name], head.sites, *dates)


@functools.cache
def _model() -> Any:
    """Return what a file of learned values may hold: the range of each figure of each row."""
    held: dict[str, Any] = {HEAD: (Head, ...)}
    for name, kind in learnables().items():
        widest = WIDEST_LOG if kind.logarithm else kind.high - kind.low
        row: Any = create_model(
            name,
            __base__=Table,
            value=(Annotated[Number, Field(ge=kind.low, le=kind.high)], ...),
            spread=(Annotated[Number, Field(ge=LEAST * widest, le=widest)], ...),
            sites=(Annotated[Whole, Field(ge=1)], ...),
            sd=(Annotated[Number, Field(ge=0, le=widest)], ...),
        )
        members: dict[str, Any] = dict.fromkeys(MEMBERS.get(name, ()), (row, None))
        held[name] = (create_model(name, __base__=Table, **members) if members else row, None)
    return create_model("LearnedFile", __base__=Table, **held)
