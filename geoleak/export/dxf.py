"""site.dxf: R2010 for CAD, in the printed grid and its unit, one CAD layer a kind.

Labels stand on layers of their own (``MARKS_TEXT`` beside ``MARKS``), each kind on its own side of
its point. Needs ezdxf, the extra ``geoleak[cad]``: no other output does.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import shapely

from geoleak.errors import GeoleakError
from geoleak.export import colours, words
from geoleak.export.layers import KINDS, label_of
from geoleak.result import Feature, Result
from geoleak.units import unit_m

INSUNITS = {"m": 6, "ft": 2, "ftUS": 21}
"""$INSUNITS of the DXF reference: metres, feet, US survey feet."""
POINT_STYLE = 34
"""$PDMODE of the DXF reference: a cross (2) within a circle (32); a bare dot cannot be seen."""
TEXT_M, POINT_M = 0.25, 0.3
WIDEST = 0.9
"""A letter's width, of its height: labels are kept apart by it."""
Box = tuple[float, float, float, float]
SIDES = {"right up": (1, 1), "right down": (1, -1), "left down": (-1, -1), "left up": (-1, 1)}
NAMED = ("route", "utility", "tie")
"""Kinds of line that carry a label."""


def write_dxf(result: Result, path: Path) -> Path:
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
    unit = result.leak.position.unit
    with _without_clock(ezdxf):
        drawing = ezdxf.new("R2010", setup=["linetypes"])
        header = {
            "$INSUNITS": INSUNITS[unit],
            "$MEASUREMENT": int(unit == "m"),
            "$PDMODE": POINT_STYLE,
            "$PDSIZE": POINT_M / unit_m(unit),
            "$LTSCALE": 1.0 / unit_m(unit),
        }
        for name, value in header.items():
            drawing.header[name] = value
        for row in KINDS.values():
            if row["cad"] not in drawing.layers:
                colour = int(row["cad_colour"])
                drawing.layers.add(row["cad"], color=colour, linetype=row["cad_line"])
                drawing.layers.add(f"{row['cad']}_TEXT", color=colour)
        drawn = [each for each in result.features if each.kind in KINDS and not each.grid.is_empty]
        taken: list[Box] = []
        # What is dug by is named first: its labels have the pick of places.
        for each in sorted(drawn, key=lambda each: KINDS[each.kind]["cad_colour"] != "1"):
            _add(drawing.modelspace(), each, result, taken)
        if drawn:
            west, south, east, north = shapely.total_bounds([e.grid for e in drawn]).tolist()
            corners = (west, south, 0.0), (east, north, 0.0)
            drawing.modelspace().reset_extents(*corners)
            drawing.header["$EXTMIN"], drawing.header["$EXTMAX"] = corners
            tall, middle = 1.1 * max(north - south, east - west), (west + east, south + north)
            drawing.set_modelspace_vport(height=tall, center=(middle[0] / 2, middle[1] / 2))
        # saveas registers them as well, in the order of a set: another on each run.
        for used in sorted(drawing.entitydb.dxf_types_in_use()):
            drawing.classes.add_class(used)
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


def _add(space: Any, feature: Feature, result: Result, taken: list[Box]) -> None:
    style: dict[str, Any] = {"layer": KINDS[feature.kind]["cad"]}
    if feature.kind == "utility":
        style["true_color"] = int(colours.service_colour(feature.properties.get("colour"))[1:], 16)
    if feature.properties.get("assumed"):
        style["linetype"] = "DASHED"
    for part in shapely.get_parts(feature.grid):
        if part.geom_type == "Point":
            height = feature.properties.get("elevation_m")
            z = 0.0 if height is None else height / unit_m(result.leak.position.unit)
            space.add_point((part.x, part.y, z), dxfattribs=style)
            _text(space, part, feature, result, taken)
        elif part.geom_type == "LineString":
            space.add_lwpolyline([c[:2] for c in part.coords], dxfattribs=style)
            if feature.kind in NAMED:
                _text(space, part.interpolate(0.5, normalized=True), feature, result, taken)
        else:
            for ring in (part.exterior, *part.interiors):
                corners = [c[:2] for c in ring.coords[:-1]]
                space.add_lwpolyline(corners, close=True, dxfattribs=style)


def _label(feature: Feature, result: Result) -> str:
    if feature.kind == "reading":
        return f"{feature.properties.get('level_db', '')}"
    if feature.kind in ("mark", "feature", "fitting"):
        return feature.id
    if feature.kind == "tie":
        distance = feature.properties.get("distance_m")
        return words.length(distance, result.site.length_unit, decimals=2)
    return label_of(feature, result)


def _text(space: Any, where: Any, feature: Feature, result: Result, taken: list[Box]) -> None:
    """Write a label beside a point: on its kind's side, or on the first of the others free."""
    from ezdxf.enums import TextEntityAlignment

    about = KINDS[feature.kind]
    height = TEXT_M / unit_m(result.leak.position.unit)
    # %% and \U+ start special codes in DXF text.
    shown = words.plain(_label(feature, result)).replace("%%", "% %").replace("\\", "/")[:200]
    wide = WIDEST * height * len(shown)
    places: list[tuple[Box, str]] = []
    for row in range(6):
        for right, up in (SIDES[about["cad_side"]], *SIDES.values()):
            left = where.x + (0.7 * height if right > 0 else -0.7 * height - wide)
            low = where.y + (0.5 + 1.3 * row) * height * up - (height if up < 0 else 0.0)
            align = f"BOTTOM_{'LEFT' if right > 0 else 'RIGHT'}"
            places.append(((left, low, left + wide, low + height), align))

    def free(box: Box) -> bool:
        west, south, east, north = box
        return all(west >= e or east <= w or south >= n or north <= s for w, s, e, n in taken)

    box, align = next((each for each in places if free(each[0])), places[0])
    taken.append(box)
    made = space.add_text(shown, height=height, dxfattribs={"layer": f"{about['cad']}_TEXT"})
    at = (box[0] if align.endswith("LEFT") else box[2], box[1])
    made.set_placement(at, align=TextEntityAlignment[align])
