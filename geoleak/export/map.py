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
import math
import re
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geoleak.export import ahead, colours, words
from geoleak.export.documents import ASSETS, rendered
from geoleak.export.drawing import to_svg
from geoleak.export.plan import plan_picture
from geoleak.export.profile import describe, profile_picture, tick_station
from geoleak.export.told import told
from geoleak.result import Feature, Result
from geoleak.units import unit_m

if TYPE_CHECKING:
    import folium

Drawn = dict[str, Any]
Says = Callable[[Feature, Result], dict[str, Any]]

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


def write_map(result: Result, path: Path, *, street_tiles: bool = False) -> Path:
    """Write map.html and return its path.

    Parameters
    ----------
    result : Result
    path : path
    street_tiles : bool, default False
        Offer street tiles, fetched from the network when the page is open. A local site has none.
    """
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
    kinds = {e.kind for e in result.readings if colours.sign(e, result) == "other"}
    others = [f"{ahead.kind_words(each)} on its own scale" for each in sorted(kinds - {"surface"})]
    others += ["reading on another scale"] if "surface" in kinds else []
    made = []
    for sign, text in KEY.items():
        if text and sign in seen:
            made.append((sign, "", text))
        elif sign == "level" and sign in seen:
            made += [("level", colour, said) for colour, said in colours.steps(result)]
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
        made.append((leg, svg, colours.not_drawn(result, leg)))
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
    # Its own page, which nobody sees, needs none of the links it would bring.
    the_map.default_js, the_map.default_css = [], []
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


TO_DIG_BY = ("tie", "hole", "offset_stake", "stake")
"""Kinds that lead a crew to a hole: drawn under the verdict "dig" alone."""
MOST_TICKS = 400
MOST_PER_LEG = 40
FEW_LEGS = 8
STARTS_ON_M = 0.2
"""A leg that starts this near to another starts on it."""
STEPS = (5, 10, 20, 25, 50, 100, 200, 500, 1000, 2000, 5000, 10000)


def drawn(result: Result) -> list[Drawn]:
    """Return the GeoJSON features of the map, undermost first.

    Their properties: ``layer``, ``sign``, ``title`` and ``rows`` of its pop-up (label, text), and
    what the sign needs (``colour``, ``label``, ``number``, ``percent``, ``bearing_deg``).
    """
    dig = result.stands == "dig"
    place = _onto_map(result)
    made: list[Drawn] = []
    for kind, (layer, says) in KINDS.items():
        if kind == "station":
            made += list(_stations(result, place))
        if kind == "reading":
            says = _readings(result)
        for each in _of(result, kind) if dig or kind not in TO_DIG_BY else ():
            shape = place(each)
            if shape is not None and not shape.is_empty:
                made.append(_geojson(shape, {"layer": layer, **says(each, result)}))
    return made


def _of(result: Result, kind: str) -> list[Feature]:
    """Return the features of a kind in the order in which they are drawn: the first on top."""
    found = [each for each in result.features if each.kind == kind]
    if kind == "interval":
        return sorted(found, key=lambda each: -int(each.properties.get("percent", 0)))
    if kind in ("next_reading", "check_place"):
        return sorted(found, key=lambda each: -int(each.properties["number"]))
    return found


def _onto_map(result: Result) -> Callable[[Feature], shapely.Geometry | None]:
    """Return what turns a feature into the geometry that the map draws."""
    where = result.leak.position
    origin, factor = np.array([where.easting, where.northing]), unit_m(where.unit)

    def place(feature: Feature) -> shapely.Geometry | None:
        if result.site.local:
            flat = shapely.force_2d(feature.grid)
            return shapely.transform(flat, lambda at: np.round((at - origin) * factor, 4))
        if feature.lonlat is None:
            return None
        return shapely.transform(shapely.force_2d(feature.lonlat), lambda at: np.round(at, 8))

    return place


def _geojson(shape: shapely.Geometry, properties: dict[str, Any]) -> Drawn:
    geometry = shapely.geometry.mapping(shape)
    return {"type": "Feature", "geometry": geometry, "properties": properties}


def _named(sign: str, title: str, rows: list[tuple[str, str]], **more: Any) -> dict[str, Any]:
    told = [[words.plain(label), words.plain(text)] for label, text in rows]
    return {"sign": sign, "title": words.plain(title), "rows": told, **more}


def _utility(each: Feature, result: Result) -> dict[str, Any]:
    """Its APWA colour stands on a dark casing, so that white shows."""
    colour = colours.service_colour(each.properties.get("colour"))
    name = str(each.properties.get("name") or each.id)
    return _named("service", name, words.property_rows(each, result), colour=colour)


def _tie(each: Feature, result: Result) -> dict[str, Any]:
    name = str(each.properties.get("feature", each.id))
    tie = next((t for t in result.ties if t.feature == name), None)
    label = words.length(tie.distance_m, result.site.length_unit) if tie else ""
    return _named("tape", f"Tape from {name}", words.property_rows(each, result), label=label)


def _feature(each: Feature, result: Result) -> dict[str, Any]:
    label = each.id if any(tie.feature == each.id for tie in result.ties) else ""
    rows = words.property_rows(each, result)
    return _named("fixed", f"Fixed feature {each.id}", rows, label=words.plain(label))


def _check_point(each: Feature, result: Result) -> dict[str, Any]:
    name = str(each.properties.get("label", each.id)).removeprefix("CHECK POINT ")
    todo = next((s.text for s in result.stakes if s.id == each.id), "")
    rows = [("Rover point", each.id), ("Check", todo), *words.property_rows(each, result)]
    return _named("check", f"Check point {name}", [row for row in rows if row[1]])


def _interval(each: Feature, result: Result) -> dict[str, Any]:
    percent = int(each.properties.get("percent", 95))
    rows = words.property_rows(each, result)
    colour = colours.INTERVAL.get(percent, colours.INTERVAL[95])
    title = f"{percent} % of the chance on the legs"
    return _named("interval", title, rows, percent=percent, colour=colour)


def _route(each: Feature, result: Result) -> dict[str, Any]:
    name = str(each.properties.get("leg", each.id))
    assumed = any(leg.assumed for leg in result.legs if leg.name == name)
    said = [("Route", "assumed, not traced")] if assumed else []
    sign = "assumed" if assumed else "pipe"
    return _named(sign, f"Leg {name}", [*said, *words.property_rows(each, result)])


def _hole(each: Feature, result: Result) -> dict[str, Any]:
    chance = ("Chance", words.chance(result.decision.chance_in_hole))
    return _named("hole", "Hole", [chance, *told(result).rows("Open", "Depth", "Hole")])


def _readings(result: Result) -> Says:
    """Return what describes readings: discs coloured by level, signs for other scales."""
    by_id = {(each.kind, each.id): each for each in result.readings}
    edges, scale = colours.edges_of(result), colours.drawn_scale(result)

    def says(each: Feature, result: Result) -> dict[str, Any]:
        reading = by_id.get((str(each.properties.get("reading_kind")), each.id))
        rows = words.property_rows(each, result)
        if reading and reading.repeats > 1:
            rows.append(("Repeats", str(reading.repeats)))
        if reading is None:
            return _named("other", f"Reading {each.id}", rows)
        kind, shown = reading.kind, colours.sign(reading, result, scale)
        named = "reading" if kind == "surface" else ahead.kind_words(kind)
        level = {"colour": colours.level_colour(reading.level_db, edges)}
        more = level if shown == "level" else {}
        return _named(shown, f"{named.capitalize()} {each.id}", rows, **more)

    return says


def _offset_stake(each: Feature, result: Result) -> dict[str, Any]:
    kind = next((stake.kind for stake in result.stakes if stake.id == each.id), "")
    title = {"hole_start": "Start of the hole", "hole_end": "End of the hole"}.get(kind)
    told = f"{each.id} {each.properties.get('label') or ''}"
    rows = [("Rover point", told), *words.property_rows(each, result)]
    return _named("offset", title or "Offset stake", rows)


def _stake(each: Feature, result: Result) -> dict[str, Any]:
    """Describe the stake, or a small ring: the best place so far, which no one sets out."""
    if each.kind == "best_so_far":
        return _named("best", "Best place so far, not to dig", told(result).rows("So far"))
    rows = told(result).rows("Stake", "Where", "Depth", "Set out", "Phone")
    return _named("stake", f"Stake {words.leak_station(result)}", rows, label="STAKE")


def _place(each: Feature, result: Result) -> dict[str, Any]:
    """Describe a place to check or to listen at next."""
    about, number = each.properties, int(each.properties["number"])
    if each.kind == "next_reading":
        reading, unit = result.next_readings[number - 1], result.site.length_unit
        take = ahead.readings(result)[number - 1].split(": ", 1)[1]
        brings = ahead.expected(reading, unit)
        rows = [("Take", take), *([("Then", brings)] if brings else [])]
    else:
        where = ahead.place_words(about["place"], about["leg"], about["chainage_m"], result)
        rows = [("Where", where), *told(result).rows("Do", "Then")]
    name = " ".join(str(about["label"]).split()[:2])
    rows.append(("In the sheet", str(about["place"])))
    return _named("next", name, rows, number=number, label=name)


def _just(sign: str, title: str, **more: str) -> Says:
    """Return what describes a feature by its properties alone."""

    def says(each: Feature, result: Result) -> dict[str, Any]:
        return _named(sign, f"{title} {each.id}", words.property_rows(each, result), **more)

    return says


KINDS: dict[str, tuple[str, Says]] = {
    "utility": ("Other services", _utility),
    "tie": ("Ties and fixed features", _tie),
    "feature": ("Ties and fixed features", _feature),
    "interval": ("Where the leak may be", _interval),
    "route": ("Pipe", _route),
    "station": ("Stations", _just("tick", "")),
    "dug": ("Dug so far", _just("dug", "Hole")),
    "hole": ("Hole", _hole),
    "mark": ("Marks", _just("mark", "Mark")),
    "reading": ("Readings", _just("other", "Reading")),
    "fitting": ("Fittings", _just("fitting", "Fitting")),
    "check_point": ("Check points", _check_point),
    "offset_stake": ("Stake", _offset_stake),
    "best_so_far": ("Best place so far", _stake),
    "stake": ("Stake", _stake),
    "found": ("Dug so far", _just("found", "Leak", label="FOUND")),
    "next_reading": ("Listen next", _place),
    "check_place": ("Check first", _place),
}
"""Kind of feature -> its layer and what describes it, undermost first."""
LAYERS = tuple(dict.fromkeys(layer for layer, _ in KINDS.values()))


def _stations(
    result: Result, place: Callable[[Feature], shapely.Geometry | None]
) -> Iterator[Drawn]:
    """Yield ticks at round stations of the legs that matter, the leak's first.

    On a whole network only the leak's leg and those that were listened to are ticked, and no more
    than 400 in all. The page hides labels that would run into each other.
    """
    routes = {str(f.properties.get("leg", f.id)): f for f in result.features if f.kind == "route"}
    heard = {each.leg for each in result.readings} | {result.leak.leg}
    wanted = [each for each in result.legs if each.name in routes]
    if len(wanted) > FEW_LEGS:
        wanted = [each for each in wanted if each.name in heard]
    wanted.sort(key=lambda each: each.name != result.leak.leg)
    left, unit = MOST_TICKS, result.site.length_unit
    grid_m = unit_m(result.leak.position.unit)
    for leg in wanted:
        route, shape = routes[leg.name], place(routes[leg.name])
        if shape is None or shape.geom_type != "LineString" or leg.length_m <= 0:
            continue
        step = tick_step(leg.length_m / unit_m(unit))
        count = min(left, 1 + math.floor(leg.length_m / unit_m(unit) / step + 1e-9))
        left -= count
        # A leg that starts on another: its 0+00 would be written over that one's stations.
        start = shapely.get_point(route.grid, 0)
        others = (routes[each.name].grid for each in wanted if each is not leg)
        on_m = min((other.distance(start) for other in others), default=math.inf) * grid_m
        first = on_m < STARTS_ON_M
        for number in range(int(first), count):
            spot, bearing_deg = _along(
                route.grid, shape, number * step * unit_m(unit) / leg.length_m
            )
            text = tick_station(number * step, unit)
            tick = _named("tick", "", [], label=text, number=number, bearing_deg=bearing_deg)
            tick |= {"layer": "Stations", "step_m": step * unit_m(unit)}
            yield _geojson(spot, tick)


def _along(
    grid: shapely.Geometry, shape: shapely.Geometry, share: float
) -> tuple[shapely.Geometry, int]:
    """Return the place on the map at a share of a leg's length, and the pipe's bearing there."""
    along, seen = shapely.get_coordinates(grid), shapely.get_coordinates(shape)
    whole = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(along, axis=0).T))])
    target = min(1.0, share) * whole[-1]
    spot = [float(np.interp(target, whole, seen[:, axis])) for axis in (0, 1)]
    k = min(int(np.searchsorted(whole, target, side="right")), len(whole) - 1)
    east, north = along[k] - along[k - 1]
    return shapely.Point(np.round(spot, 8)), round(math.degrees(math.atan2(east, north))) % 360


def tick_step(length: float) -> float:
    """Return the round step, 5 and more, that gives a leg at most forty ticks."""
    return float(next((step for step in STEPS if length / step <= MOST_PER_LEG), STEPS[-1]))
