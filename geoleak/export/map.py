"""map.html: one file that opens from disk with no network, on a phone or a desk.

A policy in the page forbids it every connection and every script but its own two, named by their
hashes; with street tiles asked for, pictures of the tile server alone are let in.
"""

from __future__ import annotations

import base64
import hashlib
import html
from pathlib import Path
from typing import TYPE_CHECKING

from geoleak.export import map_page, words
from geoleak.result import Result

if TYPE_CHECKING:
    from geoleak.export.map_leaflet import OfflineMap

MAX_ZOOM = 25
STREET_TILES = "https://tile.openstreetmap.org/{z}/{x}/{y}.png"
STREET_CREDIT = '<a href="https://www.openstreetmap.org/copyright">OpenStreetMap contributors</a>'


def write_map(result: Result, path: str | Path, *, street_tiles: bool = False) -> Path:
    """Write map.html and return its path.

    Parameters
    ----------
    result : Result
    path : path
    street_tiles : bool, default False
        Offer street tiles, fetched from the network when the page is open. A local site has none.
    """
    path = Path(path)
    page = page_html(result, street_tiles=street_tiles)
    path.write_bytes(page.encode("utf-8", "backslashreplace"))
    return path


def page_html(result: Result, *, street_tiles: bool = False) -> str:
    """Return the page."""
    from geoleak.export import map_leaflet

    street_tiles = street_tiles and not result.site.local
    element, script = _map_parts(result, street_tiles=street_tiles)
    scripts = [map_leaflet.leaflet_js(), script]
    policy = _policy(scripts, street_tiles=street_tiles)
    title = words.markup_safe(f"{result.site.title}: {words.verdict(result).lower()}")
    return "\n".join(
        [
            "<!DOCTYPE html>",
            '<html lang="en">',
            "<head>",
            '<meta charset="utf-8">',
            f'<meta http-equiv="Content-Security-Policy" content="{policy}">',
            '<meta name="viewport" content="width=device-width, initial-scale=1">',
            '<meta name="referrer" content="no-referrer">',
            f"<title>{title}</title>",
            f"<style>{map_leaflet.leaflet_css()}</style>",
            f"<style>{map_leaflet.asset('map.css')}</style>",
            "</head>",
            "<body>",
            map_page.body(result, element),
            *(f"<script>{each}</script>" for each in scripts),
            "</body>",
            "</html>",
            "",
        ]
    )


def _map_parts(result: Result, *, street_tiles: bool) -> tuple[str, str]:
    """Return the map's element and the page's script."""
    from geoleak.export.map_layers import add_layers
    from geoleak.export.map_leaflet import OfflineMap, Start, asset, render
    from geoleak.export.map_ticks import view_box
    from geoleak.export.map_view import View

    view = View(result)
    dig = result.decision.verdict == "dig"
    whole = view_box(view, ("stake", "route", "mark", "reading", "fitting", "feature"))
    if dig or not result.next_readings:
        near = view_box(view, ("stake", "hole", "interval", "reading", "tie"), within_m=40.0)
        close = view_box(view, ("stake", "hole", "offset_stake"))
    else:
        near = view_box(view, ("next_reading", "stake"), margin_m=4.0)
        close = view_box(view, ("next_reading",), most=1, margin_m=4.0)
    centre = near[0] if near else [0.0, 0.0]
    the_map = OfflineMap(
        location=centre,
        crs="Simple" if view.local else "EPSG3857",
        zoom_start=3 if view.local else 19,
        max_zoom=9 if view.local else MAX_ZOOM,
        min_zoom=-6 if view.local else 2,
        zoom_snap=0.25,
        zoom_delta=0.75,
    )
    if street_tiles:
        _add_tiles(the_map)
    add_layers(the_map, result)
    settings = {
        "close": close,
        "near": near,
        "whole": whole,
        "local": view.local,
        "first": ["Stake", "Show the stake"] if dig else ["Next", "Show where to listen first"],
        "courtesy": "the rover and the ties are the stake"
        if dig
        else "the marks and the rover lead to the place",
        "maxZoom": 7.5 if view.local else 24.5,
    }
    the_map.add_child(Start(settings))
    element, script = render(the_map)
    return element, f"{asset('map.js')}\n{script}"


def _add_tiles(the_map: OfflineMap) -> None:
    """Offer street tiles as a layer that is off until the reader switches it on."""
    import folium

    folium.TileLayer(
        STREET_TILES,
        attr=STREET_CREDIT,
        name="Street map (network)",
        overlay=True,
        show=False,
        max_native_zoom=19,
        max_zoom=MAX_ZOOM,
    ).add_to(the_map)


def _policy(scripts: list[str], *, street_tiles: bool) -> str:
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(each.encode()).digest()).decode()}'"
        for each in scripts
    )
    pictures = "data:" + (" https://tile.openstreetmap.org" if street_tiles else "")
    return f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src {pictures}"


def notebook_html(result: Result, *, height: int = 720) -> str:
    """Return the map as a notebook shows it: the page in a frame of its own."""
    page = html.escape(page_html(result), quote=True)
    title = words.markup_safe(f"Map of {result.site.title}")
    return (
        f'<iframe srcdoc="{page}" title="{title}" '
        f'style="width:100%;height:{height}px;border:1px solid #c9d0d6" '
        'sandbox="allow-scripts allow-popups allow-modals"></iframe>'
    )
