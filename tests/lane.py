"""A straight lane on a site grid in feet, so that every place can be worked out in the head."""

from __future__ import annotations

from pathlib import Path

from geoleak.readers import read_site
from geoleak.survey.build import survey_site
from geoleak.survey.records import Survey

FOOT = 0.3048
TOML = """\
title = "Straight Lane"
crs = "local"
length_unit = "ft"

[points]
file = "points.csv"
layout = "penzd"

[[leg]]
name = "lane"
code = "WL"
depth = "3 ft"
start = "201"

[codes]
fitting = ["MTR", "WV"]
feature = ["BC"]

[readings]
gate = "6 ft"
"""


def points(*more: str) -> str:
    """Return 21 marks every 5 ft due east from (1000, 500), a meter 5 ft before them, a valve."""
    rows = [f"{100 + k},{1000 + 5 * k},500,100,WL" for k in range(21)]
    rows += ["201,995,500,100,MTR", "202,1100,500.5,100,WV", "301,1050,540,100,BC", *more]
    return "\n".join(rows) + "\n"


def write_lane(place: Path, *, toml: str = TOML, more: tuple[str, ...] = (), **sheets: str) -> Path:
    """Write the lane's folder; sheets by name without ``.csv``."""
    folder = place / "lane"
    folder.mkdir()
    files = {"site.toml": toml, "points.csv": points(*more)}
    files["readings.csv"] = "reading,kind,place,level\n"
    files |= {f"{name}.csv": text for name, text in sheets.items()}
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")
    return folder


def lane(place: Path, *, toml: str = TOML, more: tuple[str, ...] = (), **sheets: str) -> Survey:
    """Return the survey of the lane."""
    return survey_site(read_site(write_lane(place, toml=toml, more=more, **sheets)))


def readings(*rows: str, columns: str = "reading,kind,place,level") -> str:
    """Return readings.csv."""
    return "\n".join([columns, *rows]) + "\n"
