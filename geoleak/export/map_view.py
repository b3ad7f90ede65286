"""How features come onto the map: their places, and the plain ways of drawing them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING, Any

import folium

from geoleak.export import words
from geoleak.export.map_leaflet import OfflineMap, Popup
from geoleak.result import Feature, Result
from geoleak.units import unit_m

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

Spot = tuple[float, float]


class View:
    """How a feature's coordinates become the map's: latitude and longitude, or metres.

    A local site has neither latitude nor longitude: its map is a plane, metres from the stake.
    """

    def __init__(self, result: Result) -> None:
        self.result = result
        self.local = result.site.local
        self._factor = unit_m(result.leak.position.unit) if self.local else 1.0
        where = result.leak.position
        self._origin = (where.easting, where.northing)

    def geometry(self, feature: Feature) -> BaseGeometry | None:
        """Return the geometry that this map draws."""
        return feature.grid if self.local else feature.lonlat

    def spot(self, x: float, y: float) -> Spot:
        """Return one place as Leaflet takes it: north first."""
        if self.local:
            return (
                round((y - self._origin[1]) * self._factor, 4),
                round((x - self._origin[0]) * self._factor, 4),
            )
        return round(y, 9), round(x, 9)

    def lines(self, feature: Feature) -> list[list[Spot]]:
        """Return the lines of a feature, or the outlines of its areas."""
        return [[self.spot(*c[:2]) for c in each] for each in _strings(self.geometry(feature))]

    def place(self, feature: Feature) -> Spot | None:
        """Return a point feature's place."""
        shape = self.geometry(feature)
        if shape is None or shape.is_empty:
            return None
        point = shape if shape.geom_type == "Point" else shape.representative_point()
        return self.spot(point.x, point.y)


def _strings(shape: BaseGeometry | None) -> Iterator[Sequence[Sequence[float]]]:
    if shape is None or shape.is_empty:
        return
    if hasattr(shape, "geoms"):
        for each in shape.geoms:
            yield from _strings(each)
    elif shape.geom_type == "Polygon":
        yield list(shape.exterior.coords)
    elif shape.geom_type == "LineString":
        yield list(shape.coords)


def group_of(the_map: OfflineMap, name: str) -> folium.FeatureGroup:
    """Add a layer that can be switched, and return it."""
    group = folium.FeatureGroup(name=name)
    group.add_to(the_map)
    return group


def features_of(view: View, *kinds: str) -> list[Feature]:
    """Return the features of these kinds."""
    return [each for each in view.result.features if each.kind in kinds]


def add_line(
    group: folium.FeatureGroup, view: View, feature: Feature, *, popup: str = "", **style: Any
) -> None:
    """Draw the lines of a feature; ``style`` as folium takes it, and ``pane``."""
    for points in view.lines(feature):
        line = folium.PolyLine(
            points, no_clip=False, smooth_factor=0.5, interactive=bool(popup), **style
        )
        line.options.update({k: v for k, v in style.items() if k in ("pane", "className")})
        line.options["interactive"] = bool(popup)
        if popup:
            line.add_child(Popup(popup))
        line.add_to(group)


def disc_row(
    view: View, feature: Feature, title: str, rows: Iterable[tuple[str, str]], fill: str
) -> list[list[Any]]:
    """Return a point feature as a row of `Discs`, or nothing where it has no place."""
    place = view.place(feature)
    if place is None:
        return []
    told = [words.markup_safe(each) for row in rows for each in row]
    return [[*place, fill, words.markup_safe(title), told]]


def popup_markup(title: str, rows: Iterable[tuple[str, str]]) -> str:
    """Return a pop-up's markup; every text in it is made safe here."""
    body = "".join(
        f"<dt>{words.markup_safe(label)}</dt><dd>{words.markup_safe(text)}</dd>"
        for label, text in rows
    )
    return f'<div class="pop"><h2>{words.markup_safe(title)}</h2><dl>{body}</dl></div>'


def plain(text: str) -> str:
    """Return text for an attribute that a script sets: printable and short."""
    return words.plain(text)[:120]
