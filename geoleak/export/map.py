"""map.html: one file that opens from disk with no network, on a phone or a desk.

folium sets the map up, its layers and their switch; what is drawn stands in the page as one GeoJSON
block, which ``assets/map.js`` draws: every text of a site reaches the page as JSON and is shown as
text, never as markup or script. A policy in the page forbids it every connection and every script
but its own two, named by their hashes; with street tiles asked for, pictures of the tile server
alone are let in.
"""

from __future__ import annotations

import base64
import hashlib
import html
import re
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.export import words
from geoleak.export.map_layers import LAYERS, drawn
from geoleak.export.map_page import page_words
from geoleak.export.templates import ASSETS, rendered
from geoleak.result import Result

if TYPE_CHECKING:
    import folium

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
    """Return the map as one HTML page that needs no network, but for street tiles if asked."""
    street_tiles = street_tiles and not result.site.local
    features = drawn(result)
    the_map = folium_map(
        [name for name in LAYERS if any(each["properties"]["layer"] == name for each in features)],
        local=result.site.local,
        street_tiles=street_tiles,
    )
    figure = the_map.get_root()
    figure.render()
    by_folium = f"/*\nWritten by folium:\n{asset('folium_license.txt')}*/\n{figure.script.render()}"  # type: ignore[attr-defined]
    scripts = [leaflet_js(), f"{asset('map.js')}\n{by_folium}"]
    return rendered(
        "page.html",
        **page_words(result, features),
        data={"type": "FeatureCollection", "features": features},
        scripts=scripts,
        styles=[leaflet_css(), asset("map.css")],
        policy=_policy(scripts, street_tiles=street_tiles),
        map_name=the_map.get_name(),
    )


def folium_map(layers: list[str], *, local: bool, street_tiles: bool) -> folium.Map:
    """Return the map with its empty layers, the switch for them and the call of the page's script.

    Only texts of ours are in it: folium writes a template's output through a template once more.
    """
    import folium
    from branca.element import MacroElement

    def named(element: Any, name: str) -> Any:
        element._id = name  # else random: the same input gives the same bytes
        return element

    the_map = named(
        folium.Map(
            location=[0.0, 0.0],
            tiles=None,
            crs="Simple" if local else "EPSG3857",
            zoom_start=3 if local else 19,
            max_zoom=9 if local else 25,
            min_zoom=-6 if local else 2,
            zoom_snap=0.25,
            zoom_delta=0.75,
            fade_animation=False,
        ),
        "site",
    )
    if street_tiles:
        # Off until the reader switches it on.
        tiles = folium.TileLayer(
            STREET_TILES,
            attr=STREET_CREDIT,
            name="Street map (network)",
            overlay=True,
            show=False,
            max_native_zoom=19,
            max_zoom=25,
        )
        named(tiles, "streets").add_to(the_map)
    groups = [named(folium.FeatureGroup(name), f"{k}") for k, name in enumerate(layers)]
    for each in groups:
        each.add_to(the_map)
    named(folium.LayerControl(collapsed=True), "layers").add_to(the_map)
    start = named(MacroElement(), "start")
    listed = ", ".join(f'"{each.layer_name}": {each.get_name()}' for each in groups)
    start._template = folium.template.Template(
        "{% macro script(this, kwargs) %}"
        f"geoleakPage({the_map.get_name()}, {{{listed}}});"
        "{% endmacro %}"
    )
    start.add_to(the_map)
    return the_map


def _policy(scripts: list[str], *, street_tiles: bool) -> str:
    hashes = " ".join(
        f"'sha256-{base64.b64encode(hashlib.sha256(each.encode()).digest()).decode()}'"
        for each in scripts
    )
    pictures = "data:" + (" https://tile.openstreetmap.org" if street_tiles else "")
    return f"default-src 'none'; script-src {hashes}; style-src 'unsafe-inline'; img-src {pictures}"


@cache
def leaflet_js() -> str:
    """Return Leaflet's script, with the licence that is to go with every copy of it."""
    text = (_leaflet() / "leaflet.js").read_text(encoding="utf-8")
    text = re.sub(r"//# sourceMappingURL=.*", "", text).replace("</script", "<\\/script")
    return f"/*\n{asset('leaflet_license.txt')}*/\n{text}"


@cache
def leaflet_css() -> str:
    """Return Leaflet's style sheet without its pictures: no sign of this map is one of them."""
    text = (_leaflet() / "leaflet.css").read_text(encoding="utf-8")
    return re.sub(r"(?:behavior|background-image):\s*url\([^)]*\);?", "", text)


def _leaflet() -> Path:
    import xstatic.pkg.leaflet as leaflet

    return Path(leaflet.BASE_DIR)


@cache
def asset(name: str) -> str:
    """Return a text file of ours."""
    return (ASSETS / name).read_text(encoding="utf-8")


def notebook_html(result: Result, *, height: int = 720) -> str:
    """Return the map as a notebook shows it: the page in a frame of its own."""
    page = html.escape(page_html(result), quote=True)
    title = words.markup_safe(f"Map of {result.site.title}")
    return (
        f'<iframe srcdoc="{page}" title="{title}" '
        f'style="width:100%;height:{height}px;border:1px solid #c9d0d6" '
        'sandbox="allow-scripts allow-popups allow-modals"></iframe>'
    )
