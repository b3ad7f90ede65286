"""Station ticks along the legs, at round values of the site's unit."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import shapely

from geoleak.export import words
from geoleak.export.map_leaflet import Label
from geoleak.export.profile_picture import tick_station
from geoleak.units import unit_m

if TYPE_CHECKING:
    from folium import FeatureGroup
    from shapely.geometry.base import BaseGeometry

    from geoleak.export.map_view import View
    from geoleak.result import Feature

MOST_PER_LEG = 40
MOST_TICKS = 400
FEW_LEGS = 8
STEPS = (1, 2, 5, 10, 20, 25, 50, 100, 200, 500, 1000, 2000, 5000, 10000)


def add_stations(group: FeatureGroup, view: View) -> None:
    """Add ticks and station labels to the legs that matter, the leak's first.

    On a whole network only the leak's leg and those that were listened to are ticked, and no more
    than 400 in all. The page hides labels that would run into each other.
    """
    result = view.result
    routes = {str(f.properties.get("leg", f.id)): f for f in result.features if f.kind == "route"}
    heard = {each.leg for each in result.readings}
    wanted = [each for each in result.legs if each.name in routes]
    if len(wanted) > FEW_LEGS:
        wanted = [each for each in wanted if each.name in heard or each.name == result.leak.leg]
    wanted.sort(key=lambda each: each.name != result.leak.leg)
    room = MOST_TICKS
    for leg in wanted:
        others = [routes[each.name].grid for each in wanted if each is not leg]
        bare = _starts_on(routes[leg.name].grid, others)
        room -= _add_leg(group, view, routes[leg.name], leg.length_m, room, bare=bare)


def _starts_on(grid: BaseGeometry, others: list[BaseGeometry]) -> bool:
    """Tell whether a leg starts on another: its 0+00 would be written over that one's marks."""
    if grid.geom_type != "LineString":
        return False
    start = shapely.Point(grid.coords[0])
    return any(each.distance(start) < 0.5 for each in others)


def _add_leg(
    group: FeatureGroup, view: View, route: Feature, length_m: float, room: int, *, bare: bool
) -> int:
    """Add the ticks of one leg, as many as there is room for, and return how many."""
    unit = view.result.site.length_unit
    if length_m <= 0 or route.grid.geom_type != "LineString":
        return 0
    step = tick_step(length_m / unit_m(unit))
    count = min(room, 1 + math.floor(length_m / unit_m(unit) / step + 1e-9))
    for number in range(int(bare), count):
        placed = _placed(view, route, number * step * unit_m(unit) / length_m)
        if placed is None:
            return number
        spot, bearing = placed
        text = words.markup_safe(tick_station(number * step, unit))
        markup = (
            f'<i style="transform:rotate({bearing:.0f}deg)"></i>'
            f'<b style="transform:{_beside(bearing)}">{text}</b>'
        )
        css = f"tick n{number} step{step * unit_m(unit):.3f}".replace(".", "_")
        group.add_child(Label(spot, markup, css=css, size=(0, 0), anchor=(0, 0), pane="ticks"))
    return count


def tick_step(length: float) -> float:
    """Return the round step that gives a leg at most forty ticks, ten feet or two metres apart."""
    for step in STEPS:
        if length / step <= MOST_PER_LEG and step >= 5:
            return float(step)
    return float(STEPS[-1])


def _beside(bearing: float) -> str:
    """Return the shift, in pixels, of a label square to the line, on the upper side of it."""
    angle = math.radians(bearing - 90)
    right, up = math.sin(angle), math.cos(angle)
    if up < 0 or (abs(up) < 1e-6 and right > 0):
        right, up = -right, -up
    return f"translate(-50%,-50%) translate({right * 34:.0f}px,{-up * 26:.0f}px)"


def _placed(view: View, feature: Feature, share: float) -> tuple[tuple[float, float], float] | None:
    """Return where a share of a leg's length lies on the map, and the pipe's bearing there."""
    if view.geometry(feature) is None:
        return None
    drawn = np.asarray(view.lines(feature)[0])
    along = shapely.get_coordinates(feature.grid)
    parts = np.hypot(*np.diff(along, axis=0).T)
    if len(drawn) != len(along) or parts.sum() <= 0:
        return None
    whole = np.concatenate([[0.0], np.cumsum(parts)])
    target = min(1.0, share) * whole[-1]
    k = min(int(np.searchsorted(whole, target, side="right")) - 1, len(parts) - 1)
    inner = (target - whole[k]) / parts[k] if parts[k] > 0 else 0.0
    spot = drawn[k] + inner * (drawn[k + 1] - drawn[k])
    east, north = along[k + 1] - along[k]
    return (float(spot[0]), float(spot[1])), math.degrees(math.atan2(east, north)) % 360


def view_box(
    view: View,
    kinds: tuple[str, ...],
    within_m: float | None = None,
    *,
    margin_m: float = 0.0,
    most: int | None = None,
) -> list[list[float]]:
    """Return the corners [south-west, north-east] of the features of these kinds.

    With `within_m`, only places that near to the stake count, so that a long main does not
    shrink the stake's surroundings to a dot. `margin_m` widens the box, `most` takes the first so
    many places alone.
    """
    spots = list(_spots(view, kinds))[:most]
    if not spots:
        return []
    array = np.asarray(spots)
    if within_m is not None:
        stake = next(iter(_spots(view, ("stake",))), spots[0])
        metres = (array - stake) * _metres(view, stake[0])
        array = array[np.abs(metres).max(axis=1) <= within_m]
    margin = margin_m / _metres(view, spots[0][0])
    return [(array.min(axis=0) - margin).tolist(), (array.max(axis=0) + margin).tolist()]


def _metres(view: View, lat: float) -> np.ndarray:
    """Return metres per unit of the map's axes; good to a part in a hundred, for a view only."""
    if view.local:
        return np.ones(2)
    return np.array([111_320.0, 111_320.0 * math.cos(math.radians(lat))])


def _spots(view: View, kinds: tuple[str, ...]) -> Iterator[tuple[float, float]]:
    for feature in view.result.features:
        if feature.kind not in kinds:
            continue
        for line in view.lines(feature):
            yield from line
        shape = view.geometry(feature)
        if shape is not None and shape.geom_type == "Point" and not shape.is_empty:
            yield view.spot(shape.x, shape.y)
