"""site.kml: for phones and globes. OGC KML 2.2, longitude and latitude, clamped to the ground."""

from __future__ import annotations

from pathlib import Path

from geoleak.export import colours, words
from geoleak.export.layers import KINDS
from geoleak.export.templates import on_globe_only, write_document
from geoleak.result import Feature, Result


def write_kml(result: Result, path: str | Path) -> Path:
    """Write site.kml and return its path.

    Raises
    ------
    GeoleakError
        For a local site, which has no longitude and latitude.
    """
    placed, dig = on_globe_only(result, "KML"), result.stands == "dig"
    folders: dict[str, list[Feature]] = {row["kml"]: [] for row in KINDS.values()}
    for each in placed:
        if each.kind in KINDS:
            folders[KINDS[each.kind]["kml"]].append(each)
    return write_document(
        "site.kml",
        result,
        path,
        accuracy=words.accuracy(result.leak.lonlat_accuracy_m, result.site.length_unit),
        lead="rover file and the ties are the stake" if dig else "marks and the rover lead there",
        folders=folders.items(),
        line=_line,
    )


def _line(feature: Feature) -> tuple[str, int] | None:
    """Return colour and width of a kind that is drawn as a line."""
    percent, tone = feature.properties.get("percent", 95), feature.properties.get("colour")
    return {
        "route": (colours.PIPE, 3),
        "interval": (colours.INTERVAL.get(percent, colours.INTERVAL[95]), 9),
        "hole": ("#000000", 3),
        "dug": ("#000000", 7),
        "tie": (colours.FIXED, 2),
        "utility": (colours.service_colour(tone), 4),
    }.get(feature.kind)
