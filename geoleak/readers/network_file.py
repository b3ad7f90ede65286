"""Drawn mains from a GIS: one line feature a leg, with material, diameter, depth and boundary.

Read through GDAL (GeoPackage, GeoJSON, Shapefile and what else it knows). Coordinates are moved
to the site's CRS; heights in the file are not used, for their unit and datum are not stated there.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from geoleak.errors import Complaint, InputError, Origin
from geoleak.readers.network_attributes import NetworkAttributes, read_attributes
from geoleak.site import NOWHERE

if TYPE_CHECKING:
    from pyproj import CRS


@dataclass(frozen=True, slots=True, eq=False)
class NetworkLine:
    """One leg as a GIS has it.

    ``vertices`` (n, 2) are easting and northing in the axis unit of the site's CRS.
    ``accuracy_m`` is what PROJ states for the way there: 0 in the same CRS, None where it states
    nothing. ``diameter_m`` is outside, inside or nominal as ``diameter_kind`` says.
    """

    feature: str
    vertices: npt.NDArray[np.float64]
    attributes: NetworkAttributes
    accuracy_m: float | None = None
    origin: Origin = NOWHERE

    @property
    def name(self) -> str:
        """The leg's name: its own, else the id of the feature."""
        return self.attributes.name or self.feature


def read_network(
    path: str | Path,
    crs: str,
    *,
    layer: str | None = None,
    units: Mapping[str, str] | None = None,
) -> tuple[NetworkLine, ...]:
    """Read the lines of a GIS file as legs.

    Parameters
    ----------
    path : path
        A GeoPackage, GeoJSON or Shapefile.
    crs : str
        The site's CRS; ``"local"`` takes a file without a CRS as it stands.
    layer : str, optional
        Needed where the file holds several layers of lines.
    units : mapping, optional
        Unit of ``"diameter"`` or ``"depth"`` where neither the attribute's name nor its values
        say it, such as ``{"diameter": "mm"}``.

    Raises
    ------
    InputError
        If the file cannot be read, states no CRS or one that does not lead to the site's, or holds
        features that are no single line; each is named by its feature id.
    """
    file = Path(path)
    source = Origin(file.name)
    table = _table(file, source, layer)
    vertices, accuracy = _moved(table, crs, source)
    return _lines(table, vertices, accuracy, units or {}, source)


@dataclass(frozen=True, slots=True, eq=False)
class Drawing:
    """A network file as it stands: lines in the file's own CRS (None: it states none)."""

    crs: str | None
    lines: tuple[NetworkLine, ...]


def read_drawing(
    path: str | Path,
    *,
    label: str | None = None,
    layer: str | None = None,
    units: Mapping[str, str] | None = None,
) -> Drawing:
    """Read the lines of a GIS file where they are drawn, in the file's own CRS.

    Parameters
    ----------
    path, layer, units
        As in `read_network`.
    label : str, optional
        What complaints call the file; its name without it.

    Raises
    ------
    InputError
        If the file cannot be read or holds features that are no single line.
    """
    file = Path(path)
    source = Origin(label or file.name)
    table = _table(file, source, layer)
    return Drawing(table.crs, _lines(table, table.vertices, 0.0, units or {}, source))


def _lines(
    table: _Table,
    vertices: list[npt.NDArray[np.float64] | None],
    accuracy: float | None,
    units: Mapping[str, str],
    source: Origin,
) -> tuple[NetworkLine, ...]:
    lines: list[NetworkLine] = []
    complaints: list[Complaint] = list(table.complaints)
    for row, place in enumerate(vertices):
        if place is None:
            continue
        feature = str(table.ids[row])
        fields = {name: values[row] for name, values in table.fields.items()}
        attributes, wrong = read_attributes(fields, units=units)
        complaints += [
            Complaint(source, f"feature {feature}: {what}", remedy) for what, remedy in wrong
        ]
        lines.append(NetworkLine(feature, place, attributes, accuracy, source))
    if complaints:
        raise InputError(complaints)
    if not lines:
        raise InputError([Complaint(source, "holds no line", "give a layer of pipes as lines")])
    return tuple(lines)


@dataclass(frozen=True, slots=True, eq=False)
class _Table:
    """What the file holds: ids, vertices per feature (None: of no use), fields, CRS text."""

    ids: list[Any]
    vertices: list[npt.NDArray[np.float64] | None]
    fields: dict[str, npt.NDArray[Any]]
    crs: str | None
    complaints: list[Complaint]


def _table(file: Path, source: Origin, layer: str | None) -> _Table:
    import shapely
    from pyogrio.errors import DataSourceError
    from pyogrio.raw import read

    try:
        chosen = layer if layer is not None else _line_layer(file, source)
        meta, ids, shapes, columns = read(file, layer=chosen, return_fids=True, force_2d=True)
    except (DataSourceError, OSError, ValueError) as error:
        raise InputError(
            [
                Complaint(
                    source, f"cannot be read ({error})", "give a GeoPackage, GeoJSON or Shapefile"
                )
            ]
        ) from error
    if shapes is None:
        raise InputError([Complaint(source, "holds no geometry", "give a layer of lines")])
    vertices: list[npt.NDArray[np.float64] | None] = []
    complaints = []
    for feature, shape in zip(ids.tolist(), shapes, strict=True):
        geometry = None if shape is None else shapely.from_wkb(shape, on_invalid="ignore")
        line, what, remedy = _single_line(geometry)
        vertices.append(line)
        if line is None:
            complaints.append(Complaint(source, f"feature {feature} {what}", remedy))
    fields = dict(zip(map(str, meta["fields"]), columns, strict=True))
    return _Table(ids.tolist(), vertices, fields, meta["crs"], complaints)


def _line_layer(file: Path, source: Origin) -> str | None:
    from pyogrio import list_layers

    layers = list_layers(file)
    names = [str(name) for name, kind in layers if kind and "LineString" in kind]
    if len(names) > 1:
        raise InputError(
            [Complaint(source, f"holds several layers of lines: {', '.join(names)}", "state layer")]
        )
    return names[0] if names else None


def _single_line(
    geometry: Any,
) -> tuple[npt.NDArray[np.float64] | None, str, str]:
    """Return the vertices of a single line, or why it is none and what to do."""
    import shapely

    if geometry is None or geometry.is_empty:
        return None, "has no geometry", "draw it or delete the feature"
    if geometry.geom_type == "MultiLineString":
        parts = [part for part in geometry.geoms if not part.is_empty]
        if len(parts) > 1:
            return None, f"is a multipart line of {len(parts)} parts", "split it into one line each"
        geometry = parts[0]
    if geometry.geom_type not in ("LineString", "LinearRing"):
        return None, f"is a {geometry.geom_type}, not a line", "leave it out of the layer"
    vertices = shapely.get_coordinates(geometry)
    if not np.isfinite(vertices).all():
        return None, "has a vertex without coordinates", "redraw it"
    if np.all(vertices == vertices[0]):
        return None, "is a line of no length", "redraw it or delete the feature"
    return vertices, "", ""


def _moved(
    table: _Table, crs: str, source: Origin
) -> tuple[list[npt.NDArray[np.float64] | None], float | None]:
    """Return the vertices in the site's CRS, and the accuracy of the way there."""
    local = crs.strip().lower() == "local"
    if local and table.crs is None:
        return table.vertices, 0.0
    if local or table.crs is None:
        what = (
            f"is in {table.crs}, but the site is on a grid of its own" if local else "states no CRS"
        )
        remedy = (
            "save it in the site's own coordinates without a CRS"
            if local
            else "save it with its CRS (a .prj beside a Shapefile)"
        )
        raise InputError([Complaint(source, what, remedy)])
    return _projected(table, crs, source)


def _projected(
    table: _Table, crs: str, source: Origin
) -> tuple[list[npt.NDArray[np.float64] | None], float | None]:
    from pyproj import CRS, Transformer
    from pyproj.exceptions import ProjError

    try:
        have, want = CRS.from_user_input(str(table.crs)), CRS.from_user_input(str(crs))
        if _alike(have, want):
            return table.vertices, 0.0
        way = Transformer.from_crs(have, want, always_xy=True)
        moved = [
            None if v is None else np.column_stack(way.transform(*v.T)) for v in table.vertices
        ]
        used = way.get_last_used_operation() if any(v is not None for v in moved) else way
    except ProjError as error:
        raise InputError(
            [Complaint(source, f"cannot be moved to {crs} ({error})", "check both CRS")]
        ) from error
    lost = [
        i
        for i, v in zip(table.ids, moved, strict=True)
        if v is not None and not np.isfinite(v).all()
    ]
    if lost:
        raise InputError(
            [
                Complaint(
                    source,
                    f"feature {each} lies where {table.crs} does not lead to {crs}",
                    "check the file's CRS and the site's",
                )
                for each in lost
            ]
        )
    vague = "ballpark" in (used.description or "").lower()
    return moved, None if vague or used.accuracy < 0 else float(used.accuracy)


def _alike(have: CRS, want: CRS) -> bool:
    return have.equals(want, ignore_axis_order=True)
