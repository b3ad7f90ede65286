"""What the map draws: every feature as GeoJSON with its layer, its sign and what its pop-up says.

Longitude and latitude, uncut at the antimeridian; on a local site, which has neither, metres east
and north of the stake. ``assets/map.js`` knows how each sign looks.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any

import numpy as np
import shapely

from geoleak.export import ahead, colours, words
from geoleak.export.level_scales import drawn_scale, level_edges, sign
from geoleak.export.profile import tick_station
from geoleak.export.told import told
from geoleak.result import Feature, Result
from geoleak.units import unit_m

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

Drawn = dict[str, Any]
Describe = Callable[[Feature, Result], dict[str, Any]]
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
    for kind, (layer, describe) in KINDS.items():
        if kind == "station":
            made += list(_stations(result, place))
        if kind == "reading":
            describe = _readings(result)
        for each in _of(result, kind) if dig or kind not in TO_DIG_BY else ():
            shape = place(each)
            if shape is not None and not shape.is_empty:
                made.append(_geojson(shape, {"layer": layer, **describe(each, result)}))
    return made


def _of(result: Result, kind: str) -> list[Feature]:
    """Return the features of a kind in the order in which they are drawn: the first on top."""
    found = [each for each in result.features if each.kind == kind]
    if kind == "interval":
        return sorted(found, key=lambda each: -int(each.properties.get("percent", 0)))
    if kind in ("next_reading", "check_place"):
        return sorted(found, key=lambda each: -int(each.properties["number"]))
    return found


def _onto_map(result: Result) -> Callable[[Feature], BaseGeometry | None]:
    """Return what turns a feature into the geometry that the map draws."""
    where = result.leak.position
    origin, factor = np.array([where.easting, where.northing]), unit_m(where.unit)

    def place(feature: Feature) -> BaseGeometry | None:
        if result.site.local:
            flat = shapely.force_2d(feature.grid)
            return shapely.transform(flat, lambda at: np.round((at - origin) * factor, 4))
        if feature.lonlat is None:
            return None
        return shapely.transform(shapely.force_2d(feature.lonlat), lambda at: np.round(at, 8))

    return place


def _geojson(shape: BaseGeometry, properties: dict[str, Any]) -> Drawn:
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


def _readings(result: Result) -> Describe:
    """Return what describes readings: discs coloured by level, signs for other scales."""
    by_id = {(each.kind, each.id): each for each in result.readings}
    edges, scale = level_edges(result), drawn_scale(result)

    def describe(each: Feature, result: Result) -> dict[str, Any]:
        reading = by_id.get((str(each.properties.get("reading_kind")), each.id))
        rows = words.property_rows(each, result)
        if reading and reading.repeats > 1:
            rows.append(("Repeats", str(reading.repeats)))
        if reading is None:
            return _named("other", f"Reading {each.id}", rows)
        kind, shown = reading.kind, sign(reading, result, scale)
        named = "reading" if kind == "surface" else ahead.kind_words(kind)
        level = {"colour": colours.level_colour(reading.level_db, edges)}
        more = level if shown == "level" else {}
        return _named(shown, f"{named.capitalize()} {each.id}", rows, **more)

    return describe


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


def _just(sign: str, title: str, **more: str) -> Describe:
    """Return what describes a feature by its properties alone."""

    def describe(each: Feature, result: Result) -> dict[str, Any]:
        return _named(sign, f"{title} {each.id}", words.property_rows(each, result), **more)

    return describe


KINDS: dict[str, tuple[str, Describe]] = {
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


def _stations(result: Result, place: Callable[[Feature], BaseGeometry | None]) -> Iterator[Drawn]:
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


def _along(grid: BaseGeometry, shape: BaseGeometry, share: float) -> tuple[BaseGeometry, int]:
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
