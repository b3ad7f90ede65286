"""Small invented site folders that tests write and spoil."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import pytest
from msgspec import Struct

from geoleak.errors import InputError
from geoleak.readers import read_site
from geoleak.site import Site

TOML = """\
title = "Elm Lane"
crs = "EPSG:6543"
length_unit = "ftUS"

[points]
file = "points.csv"
layout = "pnezd"

[[leg]]
name = "yard"
code = "WL"
start = "201"

[codes]
fitting = ["MTR", "WV"]
feature = ["BC"]
"""
POINTS = """\
101,783300.00,1987800.00,495.1,WL
102,783304.00,1987803.00,495.2,WL
103,783308.00,1987806.00,495.3,WL
104,783312.00,1987809.00,495.4,WL
201,783296.00,1987797.00,495.0,MTR
202,783316.00,1987812.00,495.5,WV
301,783320.00,1987790.00,495.6,BC
"""
READINGS = """\
reading,kind,place,level,surface,skip,note
R1,surface,101,34 31 33,grass,,
R2,surface,102,41,concrete,,
"""


def write_folder(place: Path, files: dict[str, str | bytes] | None = None) -> Path:
    """Write a folder that reads, with some files put in place of its own (None leaves one out)."""
    folder = place / "elm_lane"
    folder.mkdir(exist_ok=True)
    full: dict[str, str | bytes] = {
        "site.toml": TOML,
        "points.csv": POINTS,
        "readings.csv": READINGS,
        **(files or {}),
    }
    for name, content in full.items():
        data = content if isinstance(content, bytes) else content.encode("utf-8")
        (folder / name).write_bytes(data)
    return folder


def site_of(place: Path, files: dict[str, str | bytes] | None = None) -> Site:
    """Read a folder written by `write_folder`."""
    return read_site(write_folder(place, files))


def complaints_of(place: Path, files: dict[str, str | bytes] | None = None) -> list[str]:
    """Return the complaint lines of a spoilt folder, without the path before its name."""
    folder = write_folder(place, files)
    with pytest.raises(InputError) as caught:
        read_site(folder)
    return [line.replace(f"{place.as_posix()}/", "") for line in caught.value.lines()]


def toml_with(old: str, new: str) -> dict[str, str | bytes]:
    """Return site.toml with one piece put in place of another."""
    if old not in TOML:
        raise ValueError(f"{old!r} does not stand in the site.toml of tests")
    return {"site.toml": TOML.replace(old, new)}


def numbers_in(value: Any) -> list[float]:
    """Return every float of a record, however deep."""
    if isinstance(value, float):
        return [value]
    if isinstance(value, Struct):
        parts: list[Any] = [getattr(value, name) for name in value.__struct_fields__]
    elif isinstance(value, Mapping):
        parts = list(value.values())
    elif isinstance(value, (list, tuple)):
        parts = list(value)
    else:
        return []
    return [number for part in parts for number in numbers_in(part)]
