"""What a run leaves beside the sites' own folders: a table, a layer of points, and one page."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from pathlib import Path
from typing import Any

from geoleak.errors import GeoleakError
from geoleak.export.folder import beside, put_text
from geoleak.units import format_length

COLUMNS = (
    "site", "status", "verdict", "chance_in_hole", "leg", "chainage_m",
    "easting", "northing", "crs", "message",
)  # fmt: skip
# What asks for somebody's attention first: a hole to dig, then a check, then failures to mend.
ORDER = {"dig": 0, "check_first": 1, "listen_on": 2, None: 3, "closed": 4}

Row = dict[str, Any]


def write_summary(rows: Sequence[Row], out: Path, *, parquet: bool = False) -> list[Path]:
    """Write batch.csv, batch.gpkg, index.html (and batch.parquet) and return their paths."""
    ordered = sorted(
        rows,
        key=lambda row: (
            ORDER.get(row["verdict"], 3), -(row["chance_in_hole"] or 0.0), row["site"]
        ),
    )  # fmt: skip
    written = [_csv(ordered, out / "batch.csv"), _page(ordered, out)]
    written.append(_layer(ordered, out / "batch.gpkg"))
    if parquet:
        written.append(_parquet(ordered, out / "batch.parquet"))
    return written


def _csv(rows: Sequence[Row], path: Path) -> Path:
    stream = io.StringIO()
    table = csv.writer(stream, lineterminator="\n")
    table.writerow(COLUMNS)
    table.writerows([_cell(row[name]) for name in COLUMNS] for row in rows)
    return put_text(path, stream.getvalue())


def _cell(value: Any) -> Any:
    """Return a value that no spreadsheet runs as a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@\t" else value


def _frame(rows: Sequence[Row]) -> Any:
    import pandas as pd

    return pd.DataFrame(rows, columns=list(COLUMNS))


def _layer(rows: Sequence[Row], path: Path) -> Path:
    import geopandas as gpd
    import shapely

    points = [None if row["lon"] is None else shapely.Point(row["lon"], row["lat"]) for row in rows]
    frame = gpd.GeoDataFrame(_frame(rows), geometry=points, crs="EPSG:4326")
    with beside(path) as (new,):
        frame.to_file(new, layer="sites", driver="GPKG", engine="pyogrio", geometry_type="Point")
    return path


def _parquet(rows: Sequence[Row], path: Path) -> Path:
    try:
        with beside(path) as (new,):
            _frame(rows).to_parquet(new, engine="pyarrow", index=False)
    except ImportError:
        raise GeoleakError("--also parquet needs pyarrow; install geoleak[parquet]") from None
    return path


def _where(row: Row) -> str:
    """Return leg and chainage in the site's own unit."""
    if row["leg"] is None:
        return ""
    return f"{row['leg']} {format_length(row['chainage_m'], unit=row.get('length_unit', 'm'))}"


def _page(rows: Sequence[Row], out: Path) -> Path:
    """Write one page: a table that shows thousands of rows, and a map of where they are."""
    from geoleak.export.documents import rendered
    from geoleak.export.map import asset, leaflet_css, leaflet_js

    shown = [
        [row["site"], row["verdict"] or "failed", row["chance_in_hole"], _where(row),
         row["message"], row["lon"], row["lat"],
         row["status"] == "ok" and (out / row["site"] / "map.html").is_file()]
        for row in rows
    ]  # fmt: skip
    page = rendered(
        "batch.html",
        leaflet_css=leaflet_css(),
        leaflet_js=leaflet_js(),
        script=asset("batch.js"),
        rows=shown,
    )
    return put_text(out / "index.html", page)
