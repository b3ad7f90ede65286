"""The map's machinery: folium without a network, and text that cannot become markup.

folium loads its scripts, styles and icons from servers, wants jQuery for its pop-ups and gives
every element a random id. Here Leaflet stands in the page itself, pop-ups are plain Leaflet, and
ids are counted, so that the same input gives the same bytes.
"""

from __future__ import annotations

import base64
import json
import re
from functools import cache
from pathlib import Path
from typing import Any

import folium
from branca.element import Element, Figure, MacroElement
from folium.template import Template

ASSETS = Path(__file__).parent / "assets"


class Popup(MacroElement):
    """A pop-up of markup already made safe; folium's own needs jQuery."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "{{ this._parent.get_name() }}.bindPopup({{ this.text }}, {maxWidth: 280});"
        "{% endmacro %}"
    )

    def __init__(self, markup: str) -> None:
        super().__init__()
        self._name = "Popup"
        self.text = script_json(markup)


class Label(MacroElement):
    """An icon of markup already made safe, for a marker that is a sign or a word."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "var {{ this.get_name() }} = L.marker({{ this.location|tojson }}, "
        "{icon: L.divIcon({{ this.icon }}), {{ this.options }} })"
        ".addTo({{ this._parent.get_name() }});"
        "{% endmacro %}"
    )

    def __init__(
        self,
        location: tuple[float, float],
        markup: str,
        *,
        css: str,
        size: tuple[float, float],
        anchor: tuple[float, float],
        title: str = "",
        above: int = 0,
        pane: str = "markerPane",
    ) -> None:
        super().__init__()
        self._name = "Label"
        self.location = list(location)
        self.icon = script_json(
            {"html": markup, "className": css, "iconSize": size, "iconAnchor": anchor}
        )
        # Leaflet sets alt and title as attributes, not as markup: plain text there.
        live = {
            "interactive": bool(title),
            "keyboard": bool(title),
            "zIndexOffset": above,
            "pane": pane,
        }
        named = {"title": title, "alt": title} if title else {}
        self.options = script_json({**live, **named})[1:-1]


_JSON_TEXT = re.compile(r'"(?:[^"\\]|\\.)*"')


class Discs(MacroElement):
    """Many discs in one call: rows of [north, east, fill, title, labels and texts in turn].

    An element each would cost 2 ms and 1 kB a mark; a main has thousands.
    """

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "geoleakDiscs({{ this._parent.get_name() }}, {{ this.rows }}, {{ this.style }});"
        "{% endmacro %}"
    )

    def __init__(self, rows: list[list[Any]], style: dict[str, Any]) -> None:
        super().__init__()
        self._name = "Discs"
        self.rows = script_json(rows)
        self.style = script_json(style)


class OfflineMap(folium.Map):
    """A folium map that asks no network for anything."""

    default_js: list[tuple[str, str]] = []  # noqa: RUF012 - folium's own declaration
    default_css: list[tuple[str, str]] = []  # noqa: RUF012
    _template = Template(
        "{% macro html(this, kwargs) %}"
        '<div class="folium-map" id="{{ this.get_name() }}" role="application" '
        'aria-label="Map of the site"></div>'
        "{% endmacro %}"
        "{% macro script(this, kwargs) %}"
        "var {{ this.get_name() }} = L.map({{ this.get_name()|tojson }}, {"
        "center: {{ this.location|tojson }}, crs: L.CRS.{{ this.crs }}, "
        "...{{ this.options|tojavascript }} });"
        "{% endmacro %}"
    )

    def __init__(self, **options: Any) -> None:
        super().__init__(tiles=None, **options)


class Start(MacroElement):
    """The call that hands the map to the page's own script."""

    _template = Template(
        "{% macro script(this, kwargs) %}"
        "geoleakPage({{ this._parent.get_name() }}, {{ this.settings }});"
        "{% endmacro %}"
    )

    def __init__(self, settings: dict[str, Any]) -> None:
        super().__init__()
        self._name = "Start"
        self.settings = script_json(settings)


def script_json(value: Any) -> str:
    """Return JSON that can stand in a script element: no character ends it or starts a comment.

    branca takes a rendered script as a template once more: braces in a text are escaped as well,
    for a leg called ``{{ x }}`` must neither be computed nor stop the page.
    """
    text = json.dumps(value, allow_nan=False, ensure_ascii=True)
    text = _JSON_TEXT.sub(_without_braces, text)
    for each in "<>&'`$":
        text = text.replace(each, f"\\u{ord(each):04x}")
    return text


def _without_braces(found: re.Match[str]) -> str:
    return found[0].replace("{", "\\u007b").replace("}", "\\u007d")


def render(the_map: OfflineMap) -> tuple[str, str]:
    """Return the map's element and its script."""
    figure = the_map.get_root()
    if not isinstance(figure, Figure):
        raise TypeError("the map stands in no figure")
    _count_ids(the_map)
    the_map.render()
    return figure.html.render(), figure.script.render()


def _count_ids(element: Element, counter: list[int] | None = None) -> None:
    """Replace folium's random ids by counted ones, and re-key the children that are named so."""
    counter = counter if counter is not None else [0]
    counter[0] += 1
    element._id = f"{counter[0]:04d}"
    for child in element._children.values():
        _count_ids(child, counter)
    renamed = [(child.get_name(), child) for child in element._children.values()]
    element._children.clear()
    element._children.update(renamed)


@cache
def leaflet_js() -> str:
    """Return Leaflet's script."""
    text = (_leaflet() / "leaflet.js").read_text(encoding="utf-8")
    text = re.sub(r"//# sourceMappingURL=.*", "", text)
    return text.replace("</script", "<\\/script")


@cache
def leaflet_css() -> str:
    """Return Leaflet's style sheet with its pictures inside."""
    folder = _leaflet()
    text = (folder / "leaflet.css").read_text(encoding="utf-8")
    text = re.sub(r"behavior:\s*url\([^)]*\);?", "", text)  # of browsers long gone

    def inside(found: re.Match[str]) -> str:
        picture = (folder / found.group(1)).read_bytes()
        return f"url(data:image/png;base64,{base64.b64encode(picture).decode()})"

    return re.sub(r"url\(['\"]?(images/[\w.-]+)['\"]?\)", inside, text)


def _leaflet() -> Path:
    import xstatic.pkg.leaflet as leaflet

    return Path(leaflet.BASE_DIR)


@cache
def asset(name: str) -> str:
    """Return a text file of ours."""
    return (ASSETS / name).read_text(encoding="utf-8")
