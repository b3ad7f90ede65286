"""What a run leaves beside the sites' own folders: a table, a layer of points, and one page."""

from __future__ import annotations

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
    import geopandas as gpd
    import pandas as pd
    import shapely

    def first(row: Row) -> tuple[int, float, str]:
        return ORDER.get(row["verdict"], 3), -(row["chance_in_hole"] or 0.0), row["site"]

    rows = sorted(rows, key=first)
    places = [None if row["lon"] is None else shapely.Point(row["lon"], row["lat"]) for row in rows]
    frame = gpd.GeoDataFrame(rows, columns=list(COLUMNS), geometry=places, crs="EPSG:4326")
    table = pd.DataFrame(frame.drop(columns="geometry"))
    text = table.map(_cell).to_csv(index=False, lineterminator="\n")
    written = [put_text(out / "batch.csv", text), _page(rows, out), out / "batch.gpkg"]
    with beside(written[-1]) as (new,):
        frame.to_file(new, layer="sites", driver="GPKG", engine="pyogrio", geometry_type="Point")
    if parquet:
        written.append(out / "batch.parquet")
        try:
            with beside(written[-1]) as (new,):
                table.to_parquet(new, engine="pyarrow", index=False)
        except ImportError:
            raise GeoleakError("--also parquet needs pyarrow; install geoleak[parquet]") from None
    return written


def _cell(value: Any) -> Any:
    """Return a value that no spreadsheet runs as a formula."""
    return f"'{value}" if isinstance(value, str) and value[:1] in "=+-@\t" else value


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
