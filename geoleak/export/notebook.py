"""A Result in a notebook: its layers and its profile as frames, a picture, a map to move about."""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, Any

import shapely

from geoleak.export import words
from geoleak.export.layers import LAYERS
from geoleak.result import Feature, Result

if TYPE_CHECKING:
    import folium
    import pandas as pd
    from geopandas import GeoDataFrame
    from matplotlib.axes import Axes

# How each layer is drawn, the first undermost.
_DRAWN: dict[str, dict[str, Any]] = {
    "pipe": {"color": "#404040", "linewidth": 1.0},
    "interval": {"color": "#d95f02", "linewidth": 5.0, "alpha": 0.6},
    "utilities": {"color": "#b8860b", "linewidth": 1.0},
    "hole": {"color": "#c00000", "alpha": 0.3},
    "marks": {"marker": ".", "color": "#404040", "markersize": 9},
    "fittings": {"marker": "s", "color": "#1f78b4", "markersize": 25},
    "features": {"marker": "^", "color": "#666666", "markersize": 25},
    "next_readings": {"marker": "D", "color": "#6a3d9a", "markersize": 36},
    "check_places": {"marker": "P", "color": "#6a3d9a", "markersize": 49},
    "best_so_far": {"marker": "o", "color": "#d95f02", "markersize": 64},
    "stakes": {"marker": "X", "color": "#c00000", "markersize": 100},
}


def layers(result: Result) -> dict[str, GeoDataFrame]:
    """Return the layers of site.gpkg by name, in the printed grid; empty ones are left out."""
    import geopandas

    crs = None if result.site.local else result.leak.position.crs
    made = {}
    for layer in LAYERS:
        features = layer.features(result)
        if features:
            rows = {name: layer.values(name, result) for name in layer.fields}
            shapes = [each.grid for each in features]
            made[layer.name] = geopandas.GeoDataFrame(rows, geometry=shapes, crs=crs)
    return made


def profile(result: Result) -> pd.DataFrame:
    """Return the posterior along the legs, a row a place: leg, chainage_m, density_per_m."""
    import pandas as pd

    rows = [
        (leg.leg, chainage, density)
        for leg in result.profile
        for chainage, density in zip(leg.chainage_m, leg.density_per_m, strict=True)
    ]
    return pd.DataFrame(rows, columns=["leg", "chainage_m", "density_per_m"])


def plot(result: Result, ax: Axes | None = None) -> Axes:
    """Draw the plan in the printed grid: pipe, 95 % interval, hole, marks, readings by level.

    Parameters
    ----------
    result : Result
    ax : matplotlib Axes, optional
        Drawn into; a new one is made without it.
    """
    import matplotlib.pyplot as plt

    if ax is None:
        _, ax = plt.subplots(figsize=(8, 6), layout="constrained")
    frames = layers(result)
    for name, style in _DRAWN.items():
        frame = frames.get(name)
        if name == "interval" and frame is not None:
            frame = frame[frame.percent == 95]
        if name == "stakes" and frame is not None:
            frame = frame[frame.kind == "stake"]
        if frame is not None and len(frame):
            frame.plot(ax=ax, **style)
    # Levels of a contact sensor are on a scale of their own.
    heard = frames["readings"].query("kind == 'surface'") if "readings" in frames else None
    if heard is not None and len(heard):
        legend = {"label": "surface level", "shrink": 0.7}
        look = {"markersize": 36, "zorder": 3, "edgecolor": "white"}
        heard.plot("level_db", ax=ax, legend=True, legend_kwds=legend, **look)
    ax.set_aspect("equal")
    ax.ticklabel_format(useOffset=False, style="plain")
    unit = result.leak.position.unit
    ax.set(xlabel=f"easting, {unit}", ylabel=f"northing, {unit}")
    # A dollar sign would start a formula.
    ax.set_title(f"{result.site.title}: {words.verdict(result)}".replace("$", r"\$"))
    return ax


def explore(result: Result, *, street_tiles: bool = False) -> folium.Map:
    """Return a folium map with a layer a kind, to be added to.

    The notebook fetches folium's own scripts when it is shown; `Result` itself shows offline.

    Parameters
    ----------
    result : Result
    street_tiles : bool, default False
        Show street tiles, fetched from the network. A local site has none.
    """
    import folium

    local = result.site.local
    tiles = "OpenStreetMap" if street_tiles and not local else None
    made = folium.Map(tiles=tiles, crs="Simple" if local else "EPSG3857", max_zoom=25)
    for kind in dict.fromkeys(each.kind for each in result.features):
        group = folium.FeatureGroup(name=kind.replace("_", " "))
        for each in (f for f in result.features if f.kind == kind):
            told = folium.Tooltip(_told(each))
            folium.GeoJson(
                {
                    "type": "Feature",
                    "properties": {},
                    "geometry": json.loads(shapely.to_geojson(each.lonlat or each.grid)),
                },
                tooltip=told,
                marker=folium.CircleMarker(radius=6),
            ).add_to(group)
        group.add_to(made)
    folium.LayerControl().add_to(made)
    bounds = shapely.total_bounds([each.lonlat or each.grid for each in result.features])
    west, south, east, north = (float(v) for v in bounds)
    made.fit_bounds([[south, west], [north, east]])
    return made


def _told(feature: Feature) -> str:
    rows = [f"{feature.kind.replace('_', ' ')} {feature.id}"]
    rows += [f"{key}: {value}" for key, value in feature.properties.items()]
    return "<br>".join(words.plain(row).translate(words.ENTITIES) for row in rows)
