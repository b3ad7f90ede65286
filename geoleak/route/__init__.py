"""From paint marks to pipe: the fitted route of a leg, with how well it is known."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from geoleak.route.fit import fit_route, one_blas_thread
from geoleak.route.marks import GAP_OF_SPACING, FixedPoint, MarkArray, RouteOptions
from geoleak.route.result import RouteFit

if TYPE_CHECKING:
    from geoleak.route.drawn import Drawing, Spliced, drawn_fit, spliced

__all__ = [
    "GAP_OF_SPACING",
    "Drawing",
    "FixedPoint",
    "MarkArray",
    "RouteFit",
    "RouteOptions",
    "Spliced",
    "drawn_fit",
    "fit_route",
    "one_blas_thread",
    "spliced",
]

# Few sites hold a drawing: what draws on one is imported when it is first asked for.
_LATE = {"Drawing": "drawn", "drawn_fit": "drawn", "Spliced": "drawn", "spliced": "drawn"}


def __getattr__(name: str) -> Any:
    if name not in _LATE:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_LATE[name]}"), name)
