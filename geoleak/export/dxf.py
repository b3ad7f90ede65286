"""site.dxf: R2010 for CAD, in the printed grid and its unit, one CAD layer a kind.

Needs ezdxf, the extra ``geoleak[cad]``: no other output does.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from geoleak.errors import GeoleakError
from geoleak.export import colours, words
from geoleak.export.kml import name_of
from geoleak.result import Feature, Result
from geoleak.units import unit_m

if TYPE_CHECKING:
    from shapely.geometry.base import BaseGeometry

INSUNITS = {"m": 6, "ft": 2, "ftUS": 21}
"""$INSUNITS of the DXF reference: metres, feet, US survey feet."""
LAYERS = {
    "route": ("PIPE", 7),
    "mark": ("MARKS", 8),
    "reading": ("READINGS", 30),
    "fitting": ("FITTINGS", 4),
    "feature": ("FEATURES", 8),
    "interval": ("INTERVAL", 5),
    "hole": ("HOLE", 7),
    "stake": ("STAKE", 1),
    "offset_stake": ("STAKE", 1),
    "check_point": ("STAKE", 1),
    "next_reading": ("LISTEN_NEXT", 1),
    "tie": ("TIES", 8),
    "utility": ("SERVICES", 7),
}
"""Feature kind -> (CAD layer, colour number of the AutoCAD colour index)."""
TEXT_M = 0.25


def write_dxf(result: Result, path: str | Path) -> Path:
    """Write site.dxf and return its path.

    Raises
    ------
    GeoleakError
        If ezdxf is not installed.
    """
    try:
        import ezdxf
    except ImportError:
        raise GeoleakError(
            "a DXF file needs ezdxf: install it with pip install 'geoleak[cad]', or leave dxf out"
        ) from None
    path = Path(path)
    with _without_clock(ezdxf):
        drawing = ezdxf.new("R2010", setup=["linetypes"])
        drawing.header["$INSUNITS"] = INSUNITS[result.leak.position.unit]
        drawing.header["$MEASUREMENT"] = 1 if result.leak.position.unit == "m" else 0
        for name, colour in dict(LAYERS.values()).items():
            drawing.layers.add(name, color=colour)
        space = drawing.modelspace()
        for each in result.features:
            _add(space, each, result)
        drawing.saveas(path)
    return path


@contextmanager
def _without_clock(ezdxf: Any) -> Iterator[None]:
    """Keep dates and random ids out of the file: the same run gives the same bytes."""
    before = ezdxf.options.write_fixed_meta_data_for_testing
    ezdxf.options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        ezdxf.options.write_fixed_meta_data_for_testing = before


def _add(space: Any, feature: Feature, result: Result) -> None:
    layer = LAYERS.get(feature.kind)
    if layer is None or (feature.kind == "stake" and result.decision.verdict != "dig"):
        return  # a drawing is set out from: the best place so far is none to dig at
    style: dict[str, Any] = {"layer": layer[0]}
    if feature.kind == "utility":
        style["true_color"] = int(colours.service_colour(feature.properties.get("colour"))[1:], 16)
    if feature.kind == "reading":
        style["true_color"] = int(colours.LEVEL_RAMP[2][1:], 16)
    for part in _parts(feature.grid):
        if part.geom_type == "Point":
            height = feature.properties.get("elevation_m")
            z = height / unit_m(result.leak.position.unit) if height is not None else 0.0
            space.add_point((part.x, part.y, z), dxfattribs=style)
            _text(space, part, _words(feature, result), style, result)
        elif part.geom_type == "LineString":
            space.add_lwpolyline([c[:2] for c in part.coords], dxfattribs=style)
            if feature.kind in ("route", "utility", "tie"):
                middle = part.interpolate(0.5, normalized=True)
                _text(space, middle, _words(feature, result), style, result)
        elif part.geom_type == "Polygon":
            for ring in (part.exterior, *part.interiors):
                space.add_lwpolyline(
                    [c[:2] for c in ring.coords[:-1]], close=True, dxfattribs=style
                )


def _parts(shape: BaseGeometry) -> Iterator[BaseGeometry]:
    if shape.is_empty:
        return
    yield from getattr(shape, "geoms", [shape])


def _words(feature: Feature, result: Result) -> str:
    if feature.kind == "reading":
        return f"{feature.properties.get('level_db', '')}"
    if feature.kind in ("mark", "feature", "fitting"):
        return feature.id
    if feature.kind == "tie":
        distance = feature.properties.get("distance_m")
        return words.length(distance, result.site.length_unit, decimals=2)
    return name_of(feature, result)


def _text(space: Any, where: Any, text: str, style: dict[str, Any], result: Result) -> None:
    height = TEXT_M / unit_m(result.leak.position.unit)
    # %% and \U+ start special codes in DXF text.
    shown = words.plain(text).replace("%%", "% %").replace("\\", "/")[:200]
    made = space.add_text(shown, height=height, dxfattribs=style)
    made.set_placement((where.x + height * 0.6, where.y + height * 0.6))
