"""From paint marks to pipe: the fitted route of a leg, with how well it is known."""

from importlib import import_module
from typing import TYPE_CHECKING, Any

from geoleak.route.fit import fit_route, one_blas_thread
from geoleak.route.marks import GAP_OF_SPACING, FixedPoint, MarkArray, RouteOptions
from geoleak.route.result import RouteFit

if TYPE_CHECKING:
    from geoleak.route.drawn import Drawing, Spliced, drawn_fit, spliced


def __getattr__(name: str) -> Any:
    # Few sites hold a drawing: what draws on one is imported when it is first asked for.
    if name not in ("Drawing", "Spliced", "drawn_fit", "spliced"):
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module("geoleak.route.drawn"), name)
