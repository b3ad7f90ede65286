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
from collections.abc import Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.export import ahead, level_scales, words
from geoleak.export.drawing import to_svg
from geoleak.export.map_layers import LAYERS, Drawn, drawn
from geoleak.export.plan import plan_picture
from geoleak.export.profile import describe, profile_picture
from geoleak.export.templates import ASSETS, rendered
from geoleak.export.told import told
from geoleak.result import Result

if TYPE_CHECKING:
    import folium

STREET_TILES = "https://tile.openstreetmap.org/{z}/{x}/{y}.png"
STREET_CREDIT = '<a href="https://www.openstreetmap.org/copyright">OpenStreetMap contributors</a>'


KEY = {
    "stake": "stake",
    "hole": "hole",
    "next": "go here next",
    "found": "leak found",
    "dug": "hole dug before",
    "best": "best place so far, not to dig",
    "pipe": "pipe",
    "assumed": "pipe, assumed",
    "interval": "",
    "level": "",
    "contact": "contact reading (own scale, no colour)",
    "other": "",
    "mark": "mark",
    "fitting": "fitting",
    "offset": "offset stake",
    "tape": "tape",
    "fixed": "fixed feature",
    "check": "check point",
    "service": "",
}
"""Sign -> its word in the key; those without a word are listed with their colours."""
MOST_PROFILES = 6
AHEAD: dict[str, Any] = {
    "first": {"text": "Next", "label": "Next: show where to go first"},
    "near": {"signs": ["next", "best"], "margin_m": 4},
    "close": {"signs": ["next"], "most": 1, "margin_m": 4},
    "courtesy": "the marks and the rover lead to the place",
}
SETTINGS: dict[str, dict[str, Any]] = {
    "closed": {
        "first": {"text": "Found", "label": "Found: show where the leak was"},
        "near": {"signs": ["found", "dug", "level"], "within_m": 40},
        "close": {"signs": ["found"], "margin_m": 4},
        "courtesy": "the job is closed",
    },
    "dig": {
        "first": {"text": "Stake", "label": "Stake: show its surroundings"},
        "near": {"signs": ["stake", "hole", "interval", "level", "tape"], "within_m": 40},
        "close": {"signs": ["stake", "hole", "offset"]},
        "courtesy": "the rover and the ties are the stake",
    },
}
"""What the page's script must know beside the features, by what stands (else `AHEAD`).

``near`` is the view at the start, ``close`` that of the first button: the signs shown, how near to
the stake (``within_m``), how much around them, and how many at most.
"""
SKETCH = (358.0, 232.0)
"""Width and height of the sketch, in pixels of a phone held upright."""


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


def page_words(result: Result, features: Sequence[Drawn]) -> dict[str, Any]:
    """Return what ``assets/page.html`` says, as plain text that the template makes safe.

    The key names the signs of the features that the map draws.
    """
    advice, local = words.VERDICTS[result.stands].advice, result.site.local
    leak = (0.0, 0.0) if local else result.leak.lonlat or (0.0, 0.0)
    about = {"dig": "the stake, the hole, marks and tapes", "closed": "what was found"}.get(
        result.stands, "the places to check or to listen at"
    )
    sketch = to_svg(
        plan_picture(result, *SKETCH, size=13)[0],
        name="sketch",
        title="Sketch, north up",
        description=f"Plan of {about}; the same in words stands beside it.",
    )
    return {
        "site": result.site.title,
        "run": words.run(result),
        "told": told(result),
        "stands": result.stands,
        "sketch": sketch,
        "key": _key(result, features),
        "profiles": _profiles(result),
        "foot": f"Run {result.run.id}, geoleak {result.run.version}. "
        f"Grid: {result.site.grid_name} ({result.leak.position.crs}). "
        f"{advice}; local codes and licensed practice govern.",
        "settings": {"local": local, "leak": leak, **SETTINGS.get(result.stands, AHEAD)},
    }


def _key(result: Result, features: Sequence[Drawn]) -> list[tuple[str, str, str]]:
    """Return the signs on the map with what they mean: sign, colour, text."""
    seen: dict[str, dict[str, str]] = {}
    for each in features:
        about = each["properties"]
        seen.setdefault(about["sign"], {}).setdefault(about.get("colour", ""), about["title"])
    kinds = {e.kind for e in result.readings if level_scales.sign(e, result) == "other"}
    others = [f"{ahead.kind_words(each)} on its own scale" for each in sorted(kinds - {"surface"})]
    others += ["reading on another scale"] if "surface" in kinds else []
    made = []
    for sign, text in KEY.items():
        if text and sign in seen:
            made.append((sign, "", text))
        elif sign == "level" and sign in seen:
            made += [("level", colour, said) for colour, said in level_scales.steps(result)]
        elif sign == "other" and sign in seen:
            made.append((sign, "", f"{' or '.join(others)} (no colour)"))
        elif sign in ("interval", "service"):
            made += [(sign, colour, said) for colour, said in sorted(seen.get(sign, {}).items())]
    return made


def _profiles(result: Result) -> dict[str, list[tuple[str, str, str]]]:
    """Return the profiles (leg, SVG, note) of the legs that matter, and of others listened to."""
    wanted = {result.leak.leg}
    if result.stands not in ("dig", "closed") and result.next_readings:
        wanted = {each.leg for each in result.next_readings}
    heard = {each.leg for each in result.readings}
    legs = [each.leg for each in result.profile if each.chainage_m]
    others = [each for each in legs if each not in wanted and each in heard][:MOST_PROFILES]
    made = []
    for number, leg in enumerate([each for each in legs if each in wanted] + others):
        svg = to_svg(
            profile_picture(result, leg),
            name=f"profile-{number}",
            title=f"Profile along {leg}",
            description=describe(result, leg),
        )
        made.append((leg, svg, level_scales.not_drawn(result, leg)))
    first = len(made) - len(others)
    return {"first": made[:first], "others": made[first:]}


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
