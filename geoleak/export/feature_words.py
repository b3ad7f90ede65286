"""What a feature says of itself: its properties in words, lengths in the site's unit."""

from __future__ import annotations

from geoleak.export import words
from geoleak.result import Feature, Result

HIDDEN = ("feature", "label", "name", "reading_kind", "number", "verdict")


def property_rows(feature: Feature, result: Result) -> list[tuple[str, str]]:
    """Return a feature's properties in words, lengths in the site's unit."""
    rows = []
    for key, value in feature.properties.items():
        if value is None or value == "" or key in HIDDEN:
            continue
        rows.append((_label(key), _shown(key, value, result.site.length_unit)))
    return rows


LABELS = {
    "chainage_m": "Station",
    "from_m": "From",
    "to_m": "To",
    "elevation_m": "Ground",
    "depth_m": "Depth",
    "level_db": "Level",
    "sigma_m": "Shot within (1 sigma)",
    "marks_by": "Traced by",
    "probability": "Chance that the leak is on it",
    "length_m": "Length",
    "pipe_length_m": "Pipe along the slope",
    "bearing_deg": "Bearing from grid north",
}


def _label(key: str) -> str:
    if key in LABELS:
        return LABELS[key]
    for tail in ("_m", "_db", "_deg"):
        key = key.removesuffix(tail)
    return key.replace("_", " ").capitalize()


def _shown(key: str, value: object, unit: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    if not isinstance(value, (int, float)):
        return str(value)
    if key in ("chainage_m", "from_m", "to_m"):
        return words.station(value, unit)
    if key == "offset_m":
        side = "R" if value > 0 else "L"
        return f"{words.length(abs(value), unit)} {side}" if value else "on the line"
    if key == "outside_diameter_m":
        return words.diameter(value, unit)
    if key == "sigma_m":
        return words.length(value, unit, decimals=3 if unit == "m" else 2)
    if key in ("chance", "probability"):
        return words.chance(value)
    if key.endswith("_m"):
        return words.length(value, unit)
    if key.endswith("_db"):
        return f"{value:.1f} dB"
    if key.endswith("_deg"):
        return f"{value:.0f}°"
    return f"{value} %" if key == "percent" else f"{value:g}"


def stake_rows(result: Result) -> list[tuple[str, str]]:
    """Return what the stake's pop-up says."""
    rows = [
        ("Grid", f"{words.position(result)} {result.leak.position.unit}"),
        ("Sets out within", words.ellipse(result)),
        ("Crown of the pipe", words.depth(result)),
        ("From the paint", words.near_marks(result)),
    ]
    if result.leak.lonlat is not None:
        rows.append(("Phone", f"{words.lonlat(result)}, {words.lonlat_accuracy(result)}"))
    return [(label, text) for label, text in rows if text]
