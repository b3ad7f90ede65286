"""From paint marks to pipe: the fitted route of a leg, with how well it is known."""

from geoleak.route.drawn import Drawing, drawn_fit
from geoleak.route.fit import fit_route
from geoleak.route.records import Bend, FixedPoint, MarkArray, RouteOptions
from geoleak.route.result import RouteFit, StraightRun
from geoleak.route.splice import Spliced, spliced

__all__ = [
    "Bend",
    "Drawing",
    "FixedPoint",
    "MarkArray",
    "RouteFit",
    "RouteOptions",
    "Spliced",
    "StraightRun",
    "drawn_fit",
    "fit_route",
    "spliced",
]
