"""A layer of a GIS file, and GeoJSON (RFC 7946) read as one: loading GDAL for it costs 40 ms."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from itertools import chain, count
from typing import Any

import numpy as np

from geoleak.errors import Complaint, InputError, Origin, Refused
from geoleak.readers.collector import refused
from geoleak.readers.headers import folded, header_unit, role_of, spellings
from geoleak.readers.text import MOST_COLUMNS, cell_text
from geoleak.record import NDArray, Record

_DEPTHS = {
    "Point": 0, "MultiPoint": 1, "LineString": 1, "MultiLineString": 2, "Polygon": 2,
    "MultiPolygon": 3,
}  # fmt: skip
"""In how many lists the positions of a geometry lie."""
_DEGREES = "EPSG:4326"
_FAR = 1e300
_REMEDY = "export it again as GeoJSON"
_NEXT = re.compile(r"[^\s,]")
_COORDINATES = re.compile(r'"coordinates"\s*:')
_HALVES = re.compile(rb"\\u[dD][89a-fA-F]")
_POSITION = "write each as [longitude, latitude], or [easting, northing] in a named CRS"


class Layer(Record, eq=False):
    """One layer of a GIS file.

    Attributes
    ----------
    name : str
    crs : str or None
        As GDAL or the GeoJSON states it.
    ids : ndarray, shape (n,)
        The file's own feature ids.
    shapes : ndarray of shapely geometries (or None), shape (n,)
    fields : mapping of str to ndarray, shape (n,)
    """

    name: str
    crs: str | None
    ids: NDArray[Any]
    shapes: NDArray[Any]
    fields: Mapping[str, NDArray[Any]]

    def stated(self, kind: str) -> list[list[Any]]:
        """Return of each feature role, name, unit and text of its fields that are filled in.

        ``kind`` is as `role_of` takes it; the field spelt most plainly stands first.
        """
        order = {word: at for at, word in enumerate(spellings(kind))}
        fields = []
        for name in sorted(self.fields, key=lambda name: order.get(folded(name), len(order))):
            if role := role_of(name, kind):
                unit = header_unit(name)
                fields.append((role, name, "ft" if unit == "foot" else unit, self.fields[name]))
        rows = range(len(self.ids))
        texts = ([(*about, cell_text(held[k])) for *about, held in fields] for k in rows)
        return [[each for each in row if each[-1]] for row in texts]


def narrow_enough(fields: int, origin: Origin) -> None:
    """Raise `InputError` where a layer has more fields than any of one job."""
    if fields > MOST_COLUMNS:
        raise refused(origin, f"has {fields} fields", f"export at most {MOST_COLUMNS}")


def read_geojson(data: bytes, name: str, origin: Origin) -> Layer:
    """Return a GeoJSON text as a layer, called ``name`` where it states no name of its own.

    Lines and areas come without heights; a point without one has NaN.

    Raises
    ------
    InputError
        A text that is no GeoJSON; features that cannot be read, each by its number from 1; a CRS
        that is not known; too many fields.
    """
    try:
        document, features = _document(data, origin)
        shapes, wrong = np.full(len(features), None), {}
        degrees = document.get("crs") is None
        for row, feature in enumerate(features):
            try:
                shapes[row] = _shape(_judged(feature).get("geometry"), degrees)
            except Refused as error:
                wrong[row] = error
        if wrong:
            at = [Origin(origin.file, line) for line in _lines(data, features)]
            told = ((at[k], f"feature {k + 1}: {e.what}", e.remedy) for k, e in wrong.items())
            raise InputError(Complaint(*each) for each in told)
        rows = [feature.get("properties") or {} for feature in features]
        fields = _fields(features, rows, origin)
    except RecursionError:
        raise refused(origin, "is no GeoJSON (its lists lie too deep)", _REMEDY) from None
    own = document.get("name")
    crs = _crs(document.get("crs"), origin)
    return Layer(own if isinstance(own, str) else name, crs, _ids(features, rows), shapes, fields)


def _document(data: bytes, origin: Origin) -> tuple[dict[str, Any], list[Any]]:
    """Return the object of a text and its features: a bare geometry is one without properties."""
    try:
        document = json.loads(data)
        if _HALVES.search(data):  # half a letter can be written to no file
            whole = json.dumps(document, ensure_ascii=False).encode("utf-8", "replace")
            document = json.loads(whole)
    except ValueError as error:
        place = [getattr(error, each, 0) for each in ("lineno", "colno")]
        why = getattr(error, "msg", str(error).split(";")[0])
        raise refused(Origin(origin.file, *place), f"is no JSON text ({why})", _REMEDY) from None
    kind, features = document.get("type"), document.get("features")
    if kind in (*_DEPTHS, "GeometryCollection"):
        features = [{"type": "Feature", "geometry": document}]
    elif kind == "Feature":
        features = [document]
    elif kind != "FeatureCollection" or not isinstance(features, list):
        found = f"its type is {_said(kind)}, its features are {_said(features)}"
        raise refused(origin, f"is no GeoJSON ({found})", _REMEDY)
    return document, features


def _judged(feature: Any) -> dict[str, Any]:
    if not isinstance(feature, dict) or feature.get("type") != "Feature":
        raise Refused(f'{_said(feature)} is no object of the type "Feature"', _REMEDY)
    if not isinstance(feature.get("properties") or {}, dict):
        raise Refused(f"its properties are {_said(feature['properties'])}, no object", _REMEDY)
    return feature


def _shape(geometry: Any, degrees: bool) -> Any:
    """Return a geometry as a shape, None where it has no positions; raises `Refused`."""
    import shapely
    from shapely.geometry import shape

    held = geometry if isinstance(geometry, dict) else {}
    kind, coordinates, parts = map(held.get, ("type", "coordinates", "geometries"))
    if geometry is None or coordinates == []:
        return None
    if kind == "GeometryCollection" and isinstance(parts, list):
        return shapely.GeometryCollection([_shape(each, degrees) for each in parts])
    if kind not in (*_DEPTHS,):
        raise Refused(f"its geometry is {_said(geometry)}, none of GeoJSON's", _REMEDY)
    depth, single, ring = _DEPTHS[kind], "Point" in kind, "Polygon" in kind
    positions = _positions(coordinates, depth, 3 if single else 2, degrees)
    lines = [positions] if depth == 1 else positions if depth == 2 else chain(*positions)
    for line in () if single else lines:
        if len(line) < (4 if ring else 2):
            few = "a line has at least two positions, a ring four"
            raise Refused(f"{_said(line)} is too short for a {kind}", few)
        if ring and line[0] != line[-1]:
            what = f"a ring begins at {_said(line[0])} and ends at {_said(line[-1])}"
            raise Refused(what, "close it: its last position is its first one again")
    return shape({"type": kind, "coordinates": positions})


def _positions(held: Any, depth: int, size: int, degrees: bool) -> list[Any]:
    """Return the positions in lists of a depth, each of ``size`` numbers; raises `Refused`."""
    if not isinstance(held, list) or not held:
        due = "a list of positions" if depth else "a position"
        raise Refused(f"{_said(held)} stands where {due} is due", _POSITION)
    if depth:
        return [_positions(each, depth - 1, size, degrees) for each in held]
    good = [v for v in held[:3] if type(v) in (int, float) and -_FAR < v < _FAR]
    if len(good) < max(2, len(held[:3])):
        raise Refused(f"{_said(held[:4], 1)} are no coordinates", _POSITION)
    if degrees and (abs(good[0]) > 180 or abs(good[1]) > 90):
        what = f"{_said(held[:4], 1)} are no longitude and latitude"
        raise Refused(what, "save the file in WGS 84 degrees")
    return [*held, math.nan][:size]


def _said(value: Any, bare: int = 0) -> str:
    """Return a value as the file has it, without ``bare`` brackets about it, cut."""
    text = json.dumps(value, ensure_ascii=False)
    text = text[bare : len(text) - bare]
    return text if len(text) <= 60 else text[:57] + "..."


def _lines(data: bytes, features: Sequence[Any]) -> list[int]:
    """Return the line of each feature's coordinates, from 1; 0 for what is not found."""
    text, decode = data.decode(json.detect_encoding(data)), json.JSONDecoder().raw_decode
    lines: list[int] = []
    at = len(text) - len(re.split(r'"features"\s*:\s*\[', text, maxsplit=1)[-1])
    last, line = 0, 1
    with suppress(ValueError):
        while len(lines) < len(features) and (begin := _NEXT.search(text, at)):
            found, at = decode(text, begin.start())
            if repr(found) != repr(features[len(lines)]):
                break  # another list of that name
            spot = (_COORDINATES.search(text, begin.start(), at) or begin).start()
            line, last = line + text.count("\n", last, spot), spot
            lines.append(line)
    return lines + [0] * (len(features) - len(lines))


def _crs(stated: Any, origin: Origin) -> str:
    """Return the text of a named CRS; without one positions are in degrees of WGS 84."""
    if stated is None:
        return _DEGREES
    from pyproj import CRS
    from pyproj.exceptions import CRSError

    named = stated.get("properties") if isinstance(stated, dict) else None
    name = named.get("name") if isinstance(named, dict) and stated.get("type") == "name" else None
    try:
        # "+init" would read a file of definitions.
        crs = CRS.from_user_input("" if "init=" in str(name) else str(name))
    except CRSError:
        what = f"states the crs {_said(name or stated)}, which is no name that PROJ knows"
        raise refused(origin, what, 'save it with a named CRS such as "EPSG:6543"') from None
    code = ":".join(crs.to_authority(min_confidence=100) or ()) or str(crs.to_wkt())
    return _DEGREES if code == "OGC:CRS84" else code


def _ids(features: Sequence[Any], rows: Sequence[Any]) -> NDArray[Any]:
    """Return a number for each feature: its own where it is free, else its place from 0 on."""
    taken: dict[int, None] = {}
    free = count()
    for place, held in enumerate(zip(features, rows, strict=True)):
        own = [each["id"] for each in held if _numbered(each.get("id"))][:1]
        if not own or own[0] in taken:
            own = [next(k for k in free if k >= place and k not in taken)]
        taken[own[0]] = None
    return np.array(list(taken), dtype=np.int64)


def _numbered(value: Any) -> bool:
    return type(value) is int and 0 <= value < 2**63


def _fields(
    features: Sequence[Any], rows: Sequence[Any], origin: Origin
) -> dict[str, NDArray[Any]]:
    """Return the properties by name; ids that are no numbers are one, too."""
    names = dict.fromkeys(chain.from_iterable(rows))
    if "id" not in names and any(not _numbered(each.get("id") or 0) for each in features):
        rows = [{**row, "id": each.get("id")} for each, row in zip(features, rows, strict=True)]
        names["id"] = None
    narrow_enough(len(names), origin)
    return {name: np.array([_cell(row.get(name)) for row in rows], object) for name in names}


def _cell(value: Any) -> Any:
    return json.dumps(value, ensure_ascii=False) if isinstance(value, list | dict) else value
